"""Where the photographs with published truth are. They come from Debian packages and are never copied into the
repository.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import pytest


def _package(name: str, missing_part: Callable[[str], NoReturn]) -> Path:
    cache = Path(os.environ.get("EDGEINSPECT_TRUTH") or Path.home() / ".cache" / "edgeinspect-truth")
    folder = cache / name
    if not folder.is_dir():
        missing_part(f"outside truth of {name} is not there: run .ci/fetch_outside_truth")
    return folder


@pytest.fixture(scope="session")
def opencv_photographs(missing_part: Callable[[str], NoReturn]) -> Path:
    return _package("opencv-doc", missing_part)


@pytest.fixture(scope="session")
def visp_pictures(missing_part: Callable[[str], NoReturn]) -> Path:
    return _package("visp-images-data", missing_part)
