"""Where the photographs with published truth are. They come from Debian packages and are never copied into the
repository.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest


def _package(name: str) -> Path:
    cache = Path(os.environ.get("EDGEINSPECT_TRUTH") or Path.home() / ".cache" / "edgeinspect-truth")
    folder = cache / name
    if not folder.is_dir():
        sentence = f"outside truth of {name} is not there: run .ci/fetch_outside_truth"
        if os.environ.get("CI") == "true":
            pytest.fail(sentence)
        pytest.skip(sentence)
    return folder


@pytest.fixture(scope="session")
def opencv_photographs() -> Path:
    return _package("opencv-doc")


@pytest.fixture(scope="session")
def visp_pictures() -> Path:
    return _package("visp-images-data")
