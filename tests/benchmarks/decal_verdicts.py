"""What a decal's verdict is worth: ``python -m tests.benchmarks.decal_verdicts FILE [GOOD] [BAD]``, resumable, a line a
picture; prints its counts.

Whole pictures of lids by the fast renderer, noise included, through the gauge that was calibrated from the sample
pictures. A good decal is judged by four limits each that leave it 2 g of room or more, and by three that it is beyond
by 0 to 2 g: limits set about the true place, so that one drawing serves several. Bad ones are damaged, wrong or not
there.
"""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable
from dataclasses import replace
from operator import itemgetter
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.stats import binomtest

import edgeinspect.simulate.badge
from edgeinspect.conformity import Answer, Verdict, judge
from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check, ShellDefinition
from edgeinspect.simulate import fast
from edgeinspect.simulate.cases import natural_shell
from edgeinspect.simulate.scene import CutShell, Scene
from tests.benchmarks.resumed import Row, go_on, rows
from tests.faults.scenes import scene_of
from tests.samples import looks

LIMITS_EACH = 4
BEYOND_G = (0.05, 1.0, 2.0)
PER_MM = edgeinspect.simulate.badge.PX_PER_MM
Change = Callable[[Array, Array, np.random.Generator], tuple[Array, Array]]
LETTERS_MM = [(36.3 + 12.4 * k, 10.8, 48.1 + 12.4 * k, 27.1) for k in range(4)]  # "MOVO", from the upper left corner


@functools.cache
def gauge() -> ShellGauge:
    """The demo's, that looks for bubbles too."""
    own, here = looks.gauge().setup.definition, looks.station()
    wanted = replace(own, decals=tuple(replace(decal, bubbles=True) for decal in own.decals))
    return ShellGauge(wanted, {"top": looks.calibration()}, here.fixture, here.seatings["toplid"])


def _places(ink: Array) -> tuple[Array, Array]:
    rows, columns = np.indices(ink.shape)
    return np.asarray(columns / PER_MM), np.asarray(rows / PER_MM)


def torn(ink: Array, opacity: Array, random: np.random.Generator) -> tuple[Array, Array]:
    """6 mm² and more beyond what the badge's rounding takes of that corner (7.7 mm²)."""
    x, y = _places(ink)
    if random.random() < 0.5:
        x = x.max() - x
    if random.random() < 0.5:
        y = y.max() - y
    legs = random.uniform(5.3, 8.0, 2)
    return ink, np.where(x / legs[0] + y / legs[1] < 1, 0.0, opacity)


def missing(ink: Array, opacity: Array, random: np.random.Generator) -> tuple[Array, Array]:
    x, y = _places(ink)
    x0, y0, x1, y1 = LETTERS_MM[random.integers(4)]
    here = (x > x0) & (x < x1) & (y > y0) & (y < y1)
    return np.where(here, np.minimum(ink, np.median(ink)), ink), opacity


def smeared(ink: Array, opacity: Array, random: np.random.Generator) -> tuple[Array, Array]:
    x, y = _places(ink)
    x0, y0, x1, y1 = LETTERS_MM[random.integers(4)]
    here = ((x - (x0 + x1) / 2) / random.uniform(4, 8)) ** 2 + ((y - (y0 + y1) / 2) / random.uniform(4, 8)) ** 2 < 1
    far, angle = random.uniform(3, 6) * PER_MM, random.uniform(0, 2 * np.pi)
    steps = [
        cv2.warpAffine(
            ink, np.array([[1, 0, k / 8 * far * np.cos(angle)], [0, 1, k / 8 * far * np.sin(angle)]]), ink.shape[::-1]
        )
        for k in range(9)
    ]
    return np.where(here, np.mean(steps, axis=0), ink), opacity


def bubble(ink: Array, opacity: Array, random: np.random.Generator) -> tuple[Array, Array]:
    """A dome (1 + cos) / 2, a tenth of its radius high and more, under light from 40 degrees and more."""
    x, y = _places(ink)
    radius = random.uniform(4.0, 8.0)
    at = random.uniform((9.0, 9.0), (x.max() - 9.0, y.max() - 9.0))
    away = np.hypot(x - at[0], y - at[1]) / radius
    steep = random.uniform(0.1, 0.16) * np.pi / 2 * np.sin(np.pi * np.minimum(away, 1.0))
    way = random.uniform(0, 2 * np.pi)
    along = (np.cos(way) * (x - at[0]) + np.sin(way) * (y - at[1])) / np.maximum(away * radius, 1e-9)
    shade = (1 + np.tan(np.deg2rad(random.uniform(40, 55))) * steep * along) / np.hypot(1.0, steep)
    return ink * shade, opacity


def upside_down(ink: Array, opacity: Array, _random: np.random.Generator) -> tuple[Array, Array]:
    return ink[::-1, ::-1], opacity[::-1, ::-1]


def mirrored(ink: Array, opacity: Array, _random: np.random.Generator) -> tuple[Array, Array]:
    return ink[:, ::-1], opacity[:, ::-1]


def digits_exchanged(ink: Array, opacity: Array, _random: np.random.Generator) -> tuple[Array, Array]:
    """A print that no variant has: "MOVO 84"."""
    changed, rows, four, eight = ink.copy(), slice(108, 218), slice(860, 946), slice(946, 1032)
    changed[rows, four], changed[rows, eight] = ink[rows, eight], ink[rows, four]
    return changed, opacity


CHANGES: dict[str, Change] = {
    one.__name__: one for one in (torn, missing, smeared, bubble, upside_down, mirrored, digits_exchanged)
}
KINDS = (*CHANGES, "another variant", "none")


def laid(seed: int) -> CutShell:
    """A natural lid, its badge laid anywhere within its limits."""
    random, (decal, *_) = np.random.default_rng([41, seed]), gauge().setup.definition.decals
    limit, turn = decal.offset_limit_mm, decal.rotation_limit_deg
    return replace(
        natural_shell(seed),
        decal=PlaneShift(*map(float, random.uniform((-limit, -limit, -turn), (limit, limit, turn)))),
    )


def measured(scene: Scene) -> ShellMeasurement:
    assert scene.shell is not None
    picture, temperature = fast.render_quickly(scene), Temperature(scene.shell.temperature_c)
    return gauge().measure("standard", {"top": picture}, temperature, frozenset({Check.TRIM, Check.DECAL}))


def of_decal(verdict: Verdict) -> bool:
    """Whether the decal alone would be green."""
    own = [one for one in verdict.findings if one.characteristic.startswith("decal")]
    return bool(own) and all(one.answer is Answer.CONFORMING for one in own)


def with_limits(definition: ShellDefinition, offset_mm: float, rotation_deg: float) -> ShellDefinition:
    decals = [replace(one, offset_limit_mm=offset_mm, rotation_limit_deg=rotation_deg) for one in definition.decals]
    return replace(definition, decals=tuple(decals))


def good_row(seed: int) -> dict[str, Any]:
    shell, random, definition = laid(seed), np.random.default_rng([42, seed]), gauge().setup.definition
    found, true = measured(scene_of(shell, seed)), shell.decal
    assert true is not None
    far, turned = max(abs(true.dx_mm), abs(true.dy_mm)), abs(true.rotation_deg)
    (decal,) = found.decals
    row: dict[str, Any] = {"kind": "good", "seed": seed, "there": decal.there}
    if not (decal.dx and decal.dy and decal.rotation):
        return row | {"good": [False] * LIMITS_EACH, "beyond": [], "why": [stop.reason for stop in found.stops]}
    g, g_turn = 1.65 * max(decal.dx.u, decal.dy.u), 1.65 * decal.rotation.u
    good, why = [], []
    for share in random.uniform(0.3, 1.0, LIMITS_EACH):
        verdict = judge(found, with_limits(definition, far / share + 2 * g, turned / share + 2 * g_turn))
        good.append(of_decal(verdict))
        if not good[-1]:
            bad = [one for one in verdict.findings if one.characteristic.startswith("decal")]
            why += [one.sentence for one in bad if one.answer is not Answer.CONFORMING]
    beyond = []
    for k, times in enumerate(BEYOND_G):
        offset, rotation = far - times * g, turned - times * g_turn
        if k % 2 == seed % 2 and offset > 0.02:
            beyond.append(of_decal(judge(found, with_limits(definition, offset, 90.0))))
        elif rotation > 0.005:
            beyond.append(of_decal(judge(found, with_limits(definition, 50.0, rotation))))
    return row | {"good": good, "beyond": beyond, "why": why, "g": [round(g, 4), round(g_turn, 4)]}


def bad_row(kind: str, seed: int) -> dict[str, Any]:
    """Its place is well within wide limits: only what is wrong with it can be told."""
    shell, random = laid(10_000 + seed), np.random.default_rng([43, KINDS.index(kind), seed])
    shell = replace(shell, variant="cargo") if kind == "another variant" else shell
    shell = replace(shell, decal=None) if kind == "none" else shell
    real = edgeinspect.simulate.badge.reflectance
    change = CHANGES.get(kind, lambda ink, opacity, _random: (ink, opacity))
    edgeinspect.simulate.badge.reflectance = lambda name: change(*real(name), random)
    try:
        found = measured(scene_of(shell, seed))
    finally:
        edgeinspect.simulate.badge.reflectance = real
    verdict = judge(found, with_limits(gauge().setup.definition, 5.0, 5.0))
    own = [one for one in verdict.findings if one.characteristic.startswith("decal")]
    bad = [one for one in own if one.answer is not Answer.CONFORMING]
    said = [bad[0].answer.value, bad[0].sentence] if bad else ["", ""]
    return {"kind": kind, "seed": seed, "green": of_decal(verdict), "said": said}


def run(file: Path, good: int, bad: int) -> None:
    """``good`` and ``bad`` drawings of each; one bad one after each good one, kind after kind."""
    cv2.setNumThreads(1)
    places = list[tuple[str, int]]()
    for number in range(max(good, bad)):
        places += [("good", number)] * (number < good)
        places += [(KINDS[number % len(KINDS)], number // len(KINDS))] * (number < bad)

    def draw(place: tuple[str, int]) -> Row:
        kind, seed = place
        return good_row(seed) if kind == "good" else bad_row(kind, seed)

    go_on(file, itemgetter("kind", "seed"), places, draw)


def counts(every: list[dict[str, Any]]) -> str:
    good = [answer for row in every if row["kind"] == "good" for answer in row["good"]]
    beyond = [answer for row in every if row["kind"] == "good" for answer in row["beyond"]]
    drawings = sum(row["kind"] == "good" for row in every)
    lines = [f"{drawings} good decals, {len(good)} placements with 2 g of room: {good.count(False)} not green"]
    lines.append(f"the same by {len(beyond)} limits that they are beyond by 0.05 to 2 g: {sum(beyond)} green")
    for kind in KINDS:
        here = [row for row in every if row["kind"] == kind]
        told = ", ".join(f"{n} {a}" for a in Answer if (n := sum(row["said"][0] == a.value for row in here)))
        lines.append(f"{kind}: {len(here)}, green {sum(row['green'] for row in here)} ({told})")
    bad = [row for row in every if row["kind"] != "good"]
    if bad:
        most = binomtest(sum(row["green"] for row in bad), len(bad)).proportion_ci(method="exact").high
        lines.append(
            f"bad ones in all: {len(bad)}, green {sum(row['green'] for row in bad)} (95 %: at most {most:.1%})"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    where, *numbers = sys.argv[1:]
    run(Path(where), *(int(number) for number in (numbers + ["250", "300"][len(numbers) :])))
    print(counts(rows(Path(where))))
