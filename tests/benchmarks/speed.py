"""How long everything takes, as ratios to a blur of the same picture: ``python -m tests.benchmarks.speed [FOLDER]``.

The yardstick is one single-threaded uint8 cv2.GaussianBlur(5x5, sigmaX=0) of the same picture in the same run. Blur and
look alternate, so that both find the picture as a station does: in memory, not warm in the cache. The same blur in a
loop of its own is printed beside it. Steps are told apart by a watch around the functions that make them; a step within
a step counts for itself only. FOLDER keeps the pictures of all sizes (see scaled.py); without it they are made anew.
"""

from __future__ import annotations

import gc
import multiprocessing
import resource
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import TypeVar

import cv2
import numpy as np

from edgeinspect import __version__
from edgeinspect.conformity import judge
from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.measure import locate, place, shell
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.picture import RawLevels
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.one_thread import one_thread
from edgeinspect.shell.definition import Check
from edgeinspect.station.pictures import view_jpeg
from edgeinspect.store.inspections import Store
from tests.benchmarks import scaled
from tests.samples import looks

ROUNDS = 31
Result = TypeVar("Result")
TRIM, BOTH = frozenset({Check.TRIM}), frozenset(Check)

# What a step is called, where it is called from, by which name, and the step that it must lie within.
STEPS: tuple[tuple[str, ModuleType, str, str | None], ...] = (
    ("marks, pose, light, known lengths", shell, "look", None),
    ("rough place", shell, "find_place", None),
    ("datums (pips)", locate, "formed_datum", None),
    ("alignment of the rim", locate, "find_edge", None),
    ("ribbon of the rim", place, "unroll", "alignment of the rim"),
    ("edge of the rim", place, "fit_edges", "alignment of the rim"),
    ("cut-outs", locate, "find_cutouts", None),
    ("height", locate, "find_height", None),
    ("frames, profiles, zones", shell, "rim_result", None),
    ("results of cut-outs", shell, "cutout_result", None),
    ("what the record keeps of the edge", shell, "kept_curve", None),
    ("flaws", shell, "find_flaws", None),
    ("decal", shell, "_decals", None),
)
REST, VERDICT = "all else of a look", "verdict"


@dataclass(frozen=True)
class Speed:
    """Medians [ms]; a blur of the same picture beside each."""

    trim_ms: float  # from the picture in memory to the verdict
    whole_ms: float  # with the decal
    blur_ms: float  # alternating with them
    hot_blur_ms: float  # in a loop of its own
    steps_ms: dict[str, float]

    @property
    def ratio(self) -> float:
        return self.trim_ms / self.blur_ms


def timed_ms(work: Callable[[], object], clock_s: Callable[[], float] = time.process_time) -> float:
    """By the processor's own clock: everything runs on one core, and what a neighbour takes does not count."""
    start = clock_s()
    work()
    return 1e3 * (clock_s() - start)


def median_ms(work: Callable[[], object], rounds: int) -> float:
    return float(np.median([timed_ms(work) for _ in range(rounds)]))


@contextmanager
def single_threaded() -> Iterator[None]:
    """OpenCV with one thread; garbage frozen as the worker freezes it."""
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    gc.collect()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
        cv2.setNumThreads(threads)


def measure_speed(
    rounds: int = ROUNDS,
    gauge: ShellGauge | None = None,
    picture: RawLevels | None = None,
    temperature: Temperature | None = None,
) -> Speed:
    """Of one look at one shell: by default a good one of the sample pictures."""
    gauge = looks.gauge() if gauge is None else gauge
    picture = looks.picture(scaled.SHELL) if picture is None else picture
    camera = gauge.setup.cameras[0]
    at = temperature or Temperature(looks.truth().shells[scaled.SHELL]["temperature_c"])

    def blur() -> object:
        return cv2.GaussianBlur(picture, (5, 5), 0)

    def measure(checks: frozenset[Check]) -> ShellMeasurement:
        return gauge.measure("standard", {camera: picture}, at, checks)

    def look(checks: frozenset[Check]) -> object:
        return judge(measure(checks), gauge.setup.definition)

    measured = measure(BOTH)
    with single_threaded():
        pairs = [(timed_ms(blur), timed_ms(partial(look, TRIM))) for _ in range(rounds)]
        hot = median_ms(blur, rounds)
        whole = []
        steps: dict[str, list[float]] = defaultdict(list)
        for _ in range(rounds):
            blur()
            with watched() as spent:
                whole.append(timed_ms(partial(measure, BOTH)))
            for name, milliseconds in spent.items():
                steps[name].append(milliseconds)
            steps[REST].append(whole[-1] - sum(spent.values()))
            steps[VERDICT].append(timed_ms(partial(judge, measured, gauge.setup.definition)))
    middle = {name: float(np.median(times)) for name, times in steps.items()}
    blurs, trims = (float(np.median([pair[k] for pair in pairs])) for k in (0, 1))
    return Speed(trims, float(np.median(whole)) + middle[VERDICT], blurs, hot, middle)


@contextmanager
def watched() -> Iterator[dict[str, float]]:
    """Milliseconds by step of what is run meanwhile."""
    spent: dict[str, float] = {}
    open_steps: list[str] = []
    undo = []
    for name, module, function, within in STEPS:
        inner = getattr(module, function, None)
        if inner is None:
            raise LookupError(f"{module.__name__} has no {function} any more: which function is the step {name!r} now?")
        undo.append((module, function, inner))
        setattr(module, function, partial(_timed_step, spent, open_steps, name, within, inner))
    try:
        yield spent
    finally:
        for module, function, inner in undo:
            setattr(module, function, inner)


def _timed_step(
    spent: dict[str, float],
    open_steps: list[str],
    name: str,
    within: str | None,
    inner: Callable[..., object],
    *args: object,
    **more: object,
) -> object:
    around = open_steps[-1] if open_steps else None
    if around != within:
        return inner(*args, **more)
    open_steps.append(name)
    start = time.process_time()
    result = inner(*args, **more)
    if isinstance(result, Iterator):
        result = list(result)  # a step that hands out its results one by one is done when all are out
    took = 1e3 * (time.process_time() - start)
    open_steps.pop()
    spent[name] = spent.get(name, 0.0) + took
    if within is not None:
        spent[within] = spent.get(within, 0.0) - took
    return result


def store_ms(gauge: ShellGauge, picture: RawLevels, temperature: Temperature, rounds: int = 5) -> float:
    """From a green verdict to a record that is safely on disk, the view of the picture included; by the wall's clock,
    because it waits for the disk.
    """
    camera = gauge.setup.cameras[0]
    found = gauge.measure("standard", {camera: picture}, temperature)
    verdict = judge(found, gauge.setup.definition)
    raw = cv2.imencode(".png", picture)[1].tobytes()
    times = []
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder)) as store:
        for number in range(rounds):
            at = f"2026-11-25T10:00:{number:02d}.000000Z"
            file = PictureFile(camera, f"S{number}_{camera}.png", f"{number:064x}", f"{number:064x}", at)
            expected = Expected(found.shell, found.variant)
            made = (found, verdict, __version__)
            inspection = Inspection(f"S{number}", 1, "bench", at, at, expected, (file,), *made)
            save = partial(store.save, inspection, {camera: raw})
            times.append(timed_ms(lambda save=save: save({camera: view_jpeg(picture)}), time.perf_counter))
    return float(np.median(times))


# -- the table


@dataclass(frozen=True)
class Row:
    what: str
    took_ms: float


@dataclass(frozen=True)
class Column:
    """One size of the picture."""

    speed: Speed
    rows: list[Row]
    memory_mb: float  # the most that the process had


def column(folder: Path, scale: float, rounds: int = ROUNDS) -> Column:
    """Everything at one size; the pictures in ``folder`` are made where they are not there."""
    bench = scaled.set_up(folder, scale)
    speed = measure_speed(rounds, bench.gauge, bench.picture, bench.temperature)
    with single_threaded():
        calibration = timed_ms(lambda: scaled.calibrate(folder, bench.station))
        read = median_ms(bench.read, min(rounds, 5))
        stored = store_ms(bench.gauge, bench.picture, bench.temperature, min(rounds, 5))
    rows = [
        Row("**trim, from the picture in memory to the verdict**", speed.trim_ms),
        Row("**trim and decal**", speed.whole_ms),
        *(Row(name, speed.steps_ms.get(name, 0.0)) for name, *_ in STEPS),
        *(Row(name, speed.steps_ms[name]) for name in (REST, VERDICT)),
        Row("reading and checking the picture's file (PNG)", read),
        Row("record on disk (fsync), with the view", stored),
        Row(f"calibration from {len(scaled.scenes()) - 1} pictures, once", calibration),
    ]
    return Column(speed, rows, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3)


def table(columns: dict[str, Column]) -> str:
    """Ratios to the alternating blur, milliseconds in brackets; a column a size."""
    lines = [f"| what | {' | '.join(columns)} |", f"|---|{'---|' * len(columns)}"]
    for number, row in enumerate(next(iter(columns.values())).rows):
        cells = [_cell(one.rows[number].took_ms, one.speed.blur_ms) for one in columns.values()]
        lines.append(f"| {row.what} | {' | '.join(cells)} |")
    feet: tuple[tuple[str, Callable[[Column], str]], ...] = (
        ("one blur, alternating [ms]", lambda one: f"{one.speed.blur_ms:.2f}"),
        ("one blur, in a loop of its own [ms]", lambda one: f"{one.speed.hot_blur_ms:.2f}"),
        ("trim, ratio to that blur", lambda one: f"{one.speed.trim_ms / one.speed.hot_blur_ms:.1f}"),
        ("greatest memory of the process [MB]", lambda one: f"{one.memory_mb:.0f}"),
    )
    for words, tell in feet:
        lines.append(f"| {words} | {' | '.join(tell(one) for one in columns.values())} |")
    return "\n".join(lines)


def _cell(took_ms: float, blur_ms: float) -> str:
    ratio, digits = took_ms / blur_ms, 0 if took_ms >= 100 else 1 if took_ms >= 10 else 2
    return f"{ratio:.{0 if ratio >= 100 else 1 if ratio >= 1 else 2}f} ({took_ms:.{digits}f})"


def as_the_worker(work: Callable[..., Result], *args: object) -> Result:
    """Done in a process of its own that has as many cores for linear algebra as the measuring process takes: its
    memory can be told, and threads that wait for each other are not measured.
    """
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as alone:
        alone.submit(one_thread).result()
        return alone.submit(work, *args).result()


def main(folder: Path) -> None:
    columns = {}
    for words, scale in scaled.SCALES.items():
        pictures = folder / words.replace(" ", "")
        as_the_worker(scaled.make_pictures, pictures, scale)  # in its own process too: it takes gigabytes
        columns[words] = as_the_worker(column, pictures, scale)
    print(table(columns))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as fresh:
        main(Path(sys.argv[1] if len(sys.argv) > 1 else fresh))
