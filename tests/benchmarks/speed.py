"""How long one shell takes, as ratios to a blur of the same picture: ``python -m tests.benchmarks.speed``.

The yardstick is one single-threaded uint8 cv2.GaussianBlur(5x5, sigmaX=0) of the same picture in the same run. Blur and
trim alternate, so that both find the picture as a station does: in memory, not warm in the cache. The same blur in a
loop of its own is printed beside it.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np

from edgeinspect import __version__
from edgeinspect.conformity import judge
from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.measure import shell
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check
from edgeinspect.station.pictures import view_jpeg
from edgeinspect.store.inspections import Store
from tests.samples import looks

SHELL = "L1001"
ROUNDS = 31
STAGES: tuple[tuple[str, object, str], ...] = (
    ("marks, pose, light, known lengths", shell, "look"),
    ("rough place", shell, "find_place"),
    ("datums (pips)", shell, "_formed_datum"),
    ("rim: ribbon and edge", shell, "find_edge"),
    ("cut-outs", shell, "_find_cutouts"),
    ("frames, profiles, zones", shell, "rim_result"),
    ("cut-out results", shell, "cutout_result"),
)
DECAL = "decal (not part of the trim)"


@dataclass(frozen=True)
class Speed:
    trim_ms: float
    blur_ms: float  # alternating with the trim
    hot_blur_ms: float  # in a loop of its own
    stages_ms: dict[str, float]

    @property
    def ratio(self) -> float:
        return self.trim_ms / self.blur_ms


def _timed_ms(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return 1e3 * (time.perf_counter() - start)


def measure_speed(rounds: int = ROUNDS) -> Speed:
    """Medians over rounds; OpenCV single-threaded, garbage frozen as the worker freezes it."""
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    picture, gauge = looks.picture(SHELL), looks.gauge()
    temperature = Temperature(looks.truth().shells[SHELL]["temperature_c"])
    trim_only, both = frozenset({Check.TRIM}), frozenset(Check)

    def blur() -> object:
        return cv2.GaussianBlur(picture, (5, 5), 0)

    def look(checks: frozenset[Check]) -> object:
        return judge(gauge.measure("standard", {"top": picture}, temperature, checks), gauge.setup.definition)

    look(both)
    gc.collect()
    gc.freeze()
    try:
        pairs = [(_timed_ms(blur), _timed_ms(lambda: look(trim_only))) for _ in range(rounds)]
        hot = [_timed_ms(blur) for _ in range(rounds)]
        stages = _stages(lambda: look(trim_only), max(5, rounds // 3))
        stages |= {
            DECAL: float(
                np.median([_timed_ms(lambda: look(both)) for _ in range(5)]) - np.median([t for _, t in pairs])
            )
        }
    finally:
        gc.unfreeze()
        cv2.setNumThreads(threads)
    blurs, trims = (np.median([pair[k] for pair in pairs]) for k in (0, 1))
    return Speed(float(trims), float(blurs), float(np.median(hot)), stages)


def _stages(work: Callable[[], object], rounds: int) -> dict[str, float]:
    """Time of each step, by a watch put around it."""
    spent: dict[str, list[float]] = {name: [] for name, _, _ in STAGES}
    undo = []
    for name, module, function in STAGES:
        inner = getattr(module, function)
        undo.append((module, function, inner))

        def watched(*args: object, _inner: Callable[..., object] = inner, _name: str = name, **more: object) -> object:
            start = time.perf_counter()
            result = _inner(*args, **more)
            spent[_name].append(1e3 * (time.perf_counter() - start))
            return result

        setattr(module, function, watched)
    try:
        for _ in range(rounds):
            work()
    finally:
        for module, function, inner in undo:
            setattr(module, function, inner)
    return {name: sum(times) / rounds for name, times in spent.items()}


def store_ms(rounds: int = 5) -> float:
    """From a verdict to a record that is safely on disk."""
    found, picture = looks.look(SHELL), looks.picture(SHELL)
    raw = cv2.imencode(".png", picture)[1].tobytes()
    times = []
    with TemporaryDirectory() as folder, Store.open(Path(folder)) as store:
        for number in range(rounds):
            at = f"2026-11-25T10:00:{number:02d}.000000Z"
            name = f"S{number}_top.png"
            file = PictureFile("top", name, f"{number:064x}", f"{number:064x}", at)
            expected = Expected("toplid", "standard")
            made = (found.measurement, found.verdict, __version__)
            inspection = Inspection(f"S{number}", 1, "bench", at, at, expected, (file,), *made)
            times.append(_timed_ms(lambda i=inspection: store.save(i, {"top": raw}, {"top": view_jpeg(picture)})))
    return float(np.median(times))


def table(speed: Speed, stored_ms: float) -> str:
    rows = [("**trim of one 1600x1200 picture, memory to verdict**", speed.trim_ms)]
    rows += list(speed.stages_ms.items())
    rows.append(("record on disk (fsync)", stored_ms))
    lines = ["| what | ms | ratio to the blur, alternating | ratio to the blur, hot |", "|---|---|---|---|"]
    for name, spent in rows:
        lines.append(f"| {name} | {spent:.2f} | {spent / speed.blur_ms:.1f} | {spent / speed.hot_blur_ms:.1f} |")
    lines.append(f"| the blur | {speed.blur_ms:.2f} alternating, {speed.hot_blur_ms:.2f} hot | 1 | 1 |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(table(measure_speed(), store_ms()))
