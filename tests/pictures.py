"""The README's pictures of the pages: ``python -m tests.pictures`` makes them anew from the running demo.

A station is started as `edgeinspect demo` does it, measures every sample, and is looked at by Chromium. The time in the
pictures is the time of the day that they were made on. Needs Chromium.
"""

from __future__ import annotations

import io
import shutil
import tempfile
import threading
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from edgeinspect.artwork_commands import check_prints
from edgeinspect.conformity import Answer
from edgeinspect.demo import Demo
from edgeinspect.inspection import Expected
from edgeinspect.shell.drawing import draw
from edgeinspect.shell.files import load_shell
from edgeinspect.station.run import time_of_day
from edgeinspect.store.inspections import Row
from edgeinspect.store.state import State
from edgeinspect.web.running import LOCALHOST, running

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / ".pictures"
WIDE, HIGH = 1280, 800  # px, of the window
KEPT_WIDTH = 960  # px, of the picture in the README
QUALITY = 80  # of WebP: text stays sharp
SHELL = "toplid"  # a bad one of these is shown
HIGH_DECAL = "L1007"  # its decal lies too high and turned
PAGES = {
    "inspections": "inspections",
    "shift": "shift",
    "calibrations": "calibrations",
    "tuning": f"tune?shell={SHELL}",
}
PATIENCE_S = 300.0  # for the worker
DRAWN_MS = 1500  # until scripts have drawn what they fetch


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        _drawing(browser, Path(folder))
        _pages(browser, Path(folder) / "data")
        browser.close()
    for picture in sorted(FOLDER.iterdir()):
        print(f"{picture.name}: {picture.stat().st_size / 1e3:.0f} kB")


def _drawing(browser: Browser, folder: Path) -> None:
    file = folder / "drawing.svg"
    definition = load_shell(ROOT / "models" / SHELL)
    file.write_text(draw(definition, prints=check_prints(definition).sentences), encoding="utf-8")
    page = browser.new_page(viewport={"width": 1620, "height": 980})
    page.goto(file.as_uri())
    _keep(page.screenshot(), "drawing")
    page.close()


def _pages(browser: Browser, data: Path) -> None:
    demo = Demo.prepare(data)
    demo.calibrate(lambda _done, _total, _at: None)
    bad, all_in, looked = _Told(), threading.Event(), threading.Event()

    def told(row: Row | None) -> None:
        if row is None:
            all_in.set()
        elif (row.shell, row.answer) == (SHELL, Answer.NONCONFORMING) and not looked.is_set():
            bad.set(row)
            looked.wait(PATIENCE_S)  # the next shell waits until the page was looked at

    with running(demo.station_file, demo.data, LOCALHOST, 0) as station:
        serving = threading.Thread(target=station.server.run, kwargs={"sockets": [station.listening]})
        serving.start()
        try:
            demo.feed(0.0, told)
            row = bad.wait()
            _look(browser, station.address, "station", 720, "#board:not([data-state=connecting])")
            looked.set()
            if not all_in.wait(PATIENCE_S):
                raise SystemExit(f"the demo's shells were not all measured within {PATIENCE_S:g} s")
            _look(browser, f"{station.address}inspections/{row.inspection_id}", "inspection", 1500, "#profile")
            for name, path in PAGES.items():
                _look(browser, f"{station.address}{path}", name, HIGH, "main")
            with State.open(data) as state:
                state.expect(Expected(SHELL, "standard"), time_of_day())
            shutil.copy(demo.samples / "shells" / f"{HIGH_DECAL}_top.webp", data / "aim")
            _look(browser, f"{station.address}aim", "aim", 720, '#aim[data-state="place"] image', 500)
        finally:
            looked.set()
            station.server.end_streams()
            station.server.should_exit = True
            serving.join()


class _Told:
    """A row, once it is there."""

    def __init__(self) -> None:
        self._row: Row | None = None
        self._there = threading.Event()

    def set(self, row: Row) -> None:
        self._row = row
        self._there.set()

    def wait(self) -> Row:
        if not self._there.wait(PATIENCE_S) or self._row is None:
            raise SystemExit(f"the demo showed no bad shell within {PATIENCE_S:g} s")
        return self._row


def _look(browser: Browser, address: str, name: str, high: int, wait_for: str, drawn_ms: int = DRAWN_MS) -> None:
    page = browser.new_page(viewport={"width": WIDE, "height": high})
    page.goto(address)
    page.wait_for_selector(wait_for)
    page.wait_for_timeout(drawn_ms)
    _keep(page.screenshot(), name)
    page.close()


def _keep(png: bytes, name: str) -> None:
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    size = (KEPT_WIDTH, round(picture.height * KEPT_WIDTH / picture.width))
    picture.resize(size, Image.Resampling.LANCZOS).save(FOLDER / f"{name}.webp", quality=QUALITY, method=6)


if __name__ == "__main__":
    main()
