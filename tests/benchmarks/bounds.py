"""What measuring may cost at most, in blurs of the same picture in the same run: ``python -m tests.benchmarks.bounds``.

One picture of 20 MP against a blur of it and against looking for edges in all of it; four of 12 MP from memory to a
record on disk; the memory that takes; whether cost follows the outline or the picture. Cameras are the demo's with
finer pixels, their calibration is what they truly are: how exact a look is, is told elsewhere.
"""

from __future__ import annotations

import gc
import hashlib
import pickle
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import cv2
import numpy as np

from edgeinspect import __version__
from edgeinspect.conformity import judge
from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.marks import find_marks
from edgeinspect.measure.picture import GreyPicture, RawLevels, patch_level
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check, ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate import bench, fast
from edgeinspect.simulate.camera import TrueCamera, looking_at
from edgeinspect.simulate.cases import shell_cases
from edgeinspect.station.pictures import view_jpeg
from edgeinspect.store.inspections import Store
from tests.benchmarks import scaled
from tests.benchmarks.speed import as_the_worker, single_threaded, timed_ms
from tests.samples import looks
from tests.samples.truth import MODEL

TRIM = frozenset({Check.TRIM})
TWENTY_MP, TWELVE_MP = 3.24, 2.5  # times as many pixels each way as the demo's 2 MP
# The one look of a blur that everything is counted in, and what is wanted at most.
MOST_BLURS_20_MP, LEAST_TIMES_FASTER, MOST_BLURS_FOUR, MOST_MEMORY = 0.5, 10.0, 15.0, 2.0
ROUNDS = 9
CLOCKS = time.process_time, time.thread_time, time.perf_counter


def four_cameras() -> dict[str, TrueCamera]:
    """The demo's camera four times, each a little to one side: all see the lid, each one part of it best."""
    top = bench.top_camera()
    sides = {"one": (1, 1), "two": (-1, 1), "three": (-1, -1), "four": (1, -1)}
    return {
        name: replace(top, pose=looking_at((60.0 * x, 45.0 * y, 912.0), (8.0 * x, 6.0 * y, 0.0), 0.0))
        for name, (x, y) in sides.items()
    }


def make_pictures(folder: Path, cameras: dict[str, TrueCamera]) -> None:
    """One good lid by each camera, into ``folder``; what is there already is kept. In a process of its own: drawing
    takes gigabytes.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, camera in cameras.items():
        if not (folder / f"{name}.png").exists():
            levels = fast.render_quickly(replace(shell_cases()[scaled.SHELL].scene, camera=camera))
            cv2.imwrite(str(folder / f"{name}.png"), levels, [cv2.IMWRITE_PNG_COMPRESSION, 1])


def true_calibration(name: str, camera: TrueCamera, picture: RawLevels) -> CameraCalibration:
    """What a perfect calibration would find; light and blur as in this picture."""
    numbers = camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px
    model = CameraModel(camera.width_px, camera.height_px, *numbers, np.array(camera.distortion))
    fixture, levels = looks.station().fixture, GreyPicture(picture)
    marks = find_marks(levels, model, fixture, camera.pose)
    grey = patch_level(levels, fixture.grey_patch_mm, model, camera.pose)
    spread = np.diag(np.array([0.1, 0.1, 0.1, 0.1, 1e-4, 1e-4, 1e-6, 1e-6, 1e-4]) ** 2)
    return CameraCalibration(
        f"{name}-true",
        name,
        looks.MADE_AT,
        model,
        spread,
        0.05,
        13,
        camera.pose,
        grey,
        marks.blur_px,
        mark_blurs_px=tuple(zip(marks.seen, marks.blurs_px.tolist(), strict=True)),
    )


@dataclass(frozen=True)
class Line:
    """A gauge, and pictures of one good lid by its cameras."""

    gauge: ShellGauge
    pictures: dict[str, RawLevels]

    def look(self, checks: frozenset[Check] = TRIM) -> object:
        measured = self.gauge.measure("standard", self.pictures, temperature(), checks)
        return measured, judge(measured, self.gauge.setup.definition)


def temperature() -> Temperature:
    shell = shell_cases()[scaled.SHELL].scene.shell
    assert shell is not None
    return Temperature(shell.temperature_c)


@cache
def lid() -> ShellDefinition:
    """Read once, as a station does."""
    return load_shell(MODEL)


def line(folder: Path, cameras: dict[str, TrueCamera], step_mm: float | None = None) -> Line:
    pictures = {name: cv2.imread(str(folder / f"{name}.png"), cv2.IMREAD_UNCHANGED) for name in cameras}
    calibrations = {name: true_calibration(name, cameras[name], picture) for name, picture in pictures.items()}
    definition, here = lid(), looks.station()
    definition = definition if step_mm is None else replace(definition, step_mm=step_mm)
    return Line(ShellGauge(definition, calibrations, here.fixture, here.seatings["toplid"]), pictures)


def finer(cameras: dict[str, TrueCamera], scale: float) -> dict[str, TrueCamera]:
    return {name: scaled.finer(camera, scale) for name, camera in cameras.items()}


def blurred(picture: RawLevels) -> object:
    return cv2.GaussianBlur(picture, (5, 5), 0)


def whole_picture(picture: RawLevels, model: CameraModel) -> object:
    """The usual way: straighten the picture, look for edges in all of it, follow them."""
    straight = cv2.undistort(picture, model.matrix, model.distortion)
    return cv2.findContours(cv2.Canny(straight, 50, 150), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)


def alternating_ms(rounds: int, *works: Callable[[], object]) -> list[float]:
    """Median of each, one after the other in every round, by the processor's clock."""
    for work in works:
        work()
    with single_threaded():
        took = [[timed_ms(work) for work in works] for _ in range(rounds)]
    return np.median(took, axis=0).tolist()


@dataclass(frozen=True)
class One:
    """A look at one picture [ms]."""

    blur_ms: float
    trim_ms: float
    whole_picture_ms: float
    stations: int
    megapixels: float


def one_picture(folder: Path, scale: float, rounds: int = ROUNDS, step_mm: float | None = None) -> One:
    """``step_mm`` - between stations (default: the definition's): half of it is like an outline twice as long."""
    here = line(folder, finer({"top": bench.top_camera()}, scale), step_mm)
    setup, picture = here.gauge.setup, here.pictures["top"]
    straight = partial(whole_picture, picture, setup.calibrations[0].model)
    took = alternating_ms(rounds, partial(blurred, picture), here.look, straight)
    return One(*took, len(setup.rim.arc_mm) + int(setup.cutout_ends[-1]), picture.size / 1e6)


@dataclass(frozen=True)
class Four:
    """Four pictures from memory to a record on disk."""

    blur_ms: float  # of one of them
    took_ms: float  # the processor's time of all threads
    first_ms: float  # of the thread that measures and stores: with two free cores the wall's, but for the disk
    wall_ms: float
    memory: float  # the most that was held beyond the idle process, over the pictures' own bytes


def four_pictures(folder: Path, small: Path, rounds: int = 5) -> Four:
    """Idle is a station that has measured shells before, with smaller pictures: everything is loaded and compiled."""
    stored_ms(small, line(small, four_cameras()), 1)
    gc.collect()
    forget_most_held()
    idle = held("VmRSS")
    here = line(folder, finer(four_cameras(), TWELVE_MP))
    took, first, wall = stored_ms(folder, here, rounds)
    most = held("VmHWM")
    blur = alternating_ms(ROUNDS, partial(blurred, here.pictures["one"]))[0]
    return Four(
        blur, took, first, wall, 1024 * (most - idle) / sum(picture.nbytes for picture in here.pictures.values())
    )


def held(what: str) -> int:
    """Memory of this process [KiB]: "VmRSS" now, "VmHWM" the most since ``forget_most_held`` (Linux, proc(5))."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(f"{what}:"))


def forget_most_held() -> None:
    """Else the most that was held would be that of an artwork being unpacked, and four pictures would hide below it."""
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def stored_ms(folder: Path, here: Line, rounds: int) -> tuple[float, float, float]:
    """From pictures in memory to a record that is safely on disk: by the processor's clock (all threads, the first
    thread), and by the wall's.
    """
    files = {name: (folder / f"{name}.png").read_bytes() for name in here.pictures}
    took = []
    with tempfile.TemporaryDirectory() as data, Store.open(Path(data)) as store, single_threaded():
        for number in range(rounds + 1):  # the first is not counted
            start = [clock() for clock in CLOCKS]
            store_look(store, here, files, f"S{number}", f"2026-11-25T10:00:{number:02d}.000000Z")
            took.append([1e3 * (clock() - at) for clock, at in zip(CLOCKS, start, strict=True)])
    every, first, wall = np.median(took[1:], axis=0).tolist()
    return every, first, wall


def store_look(store: Store, here: Line, files: dict[str, bytes], shell_id: str, at: str) -> None:
    with ThreadPoolExecutor(1) as beside:  # as the station does it
        views = {name: beside.submit(view_jpeg, picture) for name, picture in here.pictures.items()}
        found = here.gauge.measure("standard", here.pictures, temperature(), TRIM)
    verdict = judge(found, here.gauge.setup.definition)
    same = f"{abs(hash(shell_id)):064x}"
    came = tuple(
        PictureFile(name, f"{shell_id}_{name}.png", same, f"{same[:-1]}{k}", at) for k, name in enumerate(files)
    )
    made = found, verdict, __version__
    inspection = Inspection(shell_id, 1, "bench", at, at, Expected(found.shell, found.variant), came, *made)
    store.save(inspection, files, {name: view.result() for name, view in views.items()})


def answer_sha256() -> str:
    """Of all that is measured on one sample shell, from the calibration pictures on."""
    look = looks.look(scaled.SHELL)
    return hashlib.sha256(pickle.dumps(look.measurement)).hexdigest()


def main(folder: Path) -> None:
    print("| picture | stations | a blur [ms] | trim to verdict [ms] | in blurs | edges of the whole picture / trim |")
    print("|---|---|---|---|---|---|")
    for words, scale in scaled.SCALES.items():
        here = folder / words.replace(" ", "")
        as_the_worker(make_pictures, here, finer({"top": bench.top_camera()}, scale))
        for step_mm in (1.0, None, 0.25):
            one = as_the_worker(one_picture, here, scale, ROUNDS, step_mm)
            cells = f"{one.stations} | {one.blur_ms:.1f} | {one.trim_ms:.1f} | {one.trim_ms / one.blur_ms:.2f}"
            print(f"| {words} | {cells} | {one.whole_picture_ms / one.trim_ms:.1f} |", flush=True)
    for name, scale in (("small", 1.0), ("12MP", TWELVE_MP)):
        as_the_worker(make_pictures, folder / name, finer(four_cameras(), scale))
    four = as_the_worker(four_pictures, folder / "12MP", folder / "small")
    print(f"\n| four of 12 MP to a record | [ms] | in blurs of one ({four.blur_ms:.1f} ms) |\n|---|---|---|")
    clocks = ("processor, all threads", four.took_ms), ("processor, the first thread", four.first_ms)
    for words, took in (*clocks, ("the wall's clock", four.wall_ms)):
        print(f"| {words} | {took:.0f} | {took / four.blur_ms:.1f} |")
    print(f"\nmemory {four.memory:.2f} x the pictures")
    print(f"wanted: {MOST_BLURS_20_MP} blurs and {LEAST_TIMES_FASTER:g} times at 20 MP,", end=" ")
    print(f"{MOST_BLURS_FOUR:g} blurs for four, {MOST_MEMORY:g} x the pictures")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as fresh:
        main(Path(sys.argv[1] if len(sys.argv) > 1 else fresh))
