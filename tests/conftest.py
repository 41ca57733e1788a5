"""What every test may ask for."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import pytest
from playwright.sync_api import Browser, sync_playwright

MissingPart = Callable[[str], NoReturn]


@pytest.fixture(scope="session")
def missing_part() -> MissingPart:
    """Call it when a part outside Python is not there: a skip that says what to install, in CI a failure."""

    def say(sentence: str) -> NoReturn:
        if os.environ.get("CI") == "true":
            pytest.fail(sentence)
        pytest.skip(sentence)

    return say


@pytest.fixture
def small_disk(request: pytest.FixtureRequest, tmp_path: Path, missing_part: MissingPart) -> Iterator[Path]:
    """A real disk of 6 MB, or as many as the test's indirect parameter says, where we may mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    size = f"size={getattr(request, 'param', 6)}m"
    mount = ["mount", "-t", "tmpfs", "-o", size, "none", str(place)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        missing_part("mounting a small disk needs root: run the tests as root")
    yield place
    subprocess.run(["umount", "--lazy", str(place)], check=True)  # a test that failed may still have files open


@pytest.fixture(scope="session")
def browser(missing_part: Callable[[str], NoReturn]) -> Iterator[Browser]:
    """Chromium of the system, else playwright's own; one for all, because playwright runs but once in a process."""
    with sync_playwright() as playwright:
        path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
        try:
            browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        except Exception as error:
            missing_part(f"no browser: install chromium, or run playwright install chromium ({error})")
        yield browser
        browser.close()
