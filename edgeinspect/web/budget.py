"""Uncertainty against tolerance, as the pages show it: a table, a chart along the rim, and the shell from above."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from edgeinspect.gauge.budget_map import (
    COARSE,
    FINE,
    FIT_WORDS,
    Against,
    BudgetMap,
    Fit,
    against_limits,
    budget_map,
)
from edgeinspect.gauge.repeatability import Repeatability, Scatter, repeatability_words
from edgeinspect.geometry import Array
from edgeinspect.measure.measurement import Share, ShellMeasurement
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.web.drawing import Numbers, numbers, rounded
from edgeinspect.web.places import PlanDrawing

Scale = Callable[[Any], Any]  # a number, or an array of them

WIDTH, HEIGHT, LEFT, RIGHT, TOP, FOOT = 1000.0, 330.0, 58.0, 12.0, 14.0, 84.0  # of the chart, in its own units
NAME_ROWS = 5  # under the axis
MOST_ROWS = 3  # of a name: under them is room for one of more words, in one row
LETTER = 6.0  # width of one, in the same
BANDS = 5  # the largest causes one by one, all others together
REST = "all other causes"
LEAST_TOP = 0.3  # of half the tolerance: the chart shows 4 : 1 at any rate
# Of the line along the rim, in hundredths of the shell's longer side: with what share U has of half the tolerance.
THIN, PER_SHARE, THICK = 0.5, 8.0, 5.0
CHORD_MM = 2.0  # of the same line; a corner of 20 mm radius is drawn 0.03 mm off


@dataclass(frozen=True)
class AgainstRow:
    """The uncertainty of one characteristic against its limits; u and shares are standard uncertainties, U is k = 2."""

    characteristic: str
    words: str
    unit: str  # "mm" or "deg"
    frame: str  # what it is measured from
    lower: float | None  # null: a distance, which has none
    upper: float
    u: float
    expanded: float  # U
    share: float  # U over half of the tolerance
    guard: float
    room: float  # between the guard bands; nothing can be proven good where it is 0 or less
    fit: Fit
    fit_words: str
    at_arc_mm: float | None  # of a zone: where u is greatest
    shares: list[Share]
    scatter: Scatter | None  # of repeated looks at one shell; null: there were none

    @property
    def causes(self) -> str:
        """Largest first, as said in the table."""
        shown = sorted((one for one in self.shares if one.u >= 0.00005), key=lambda one: -one.u)
        unit = "°" if self.unit == "deg" else f" {self.unit}"
        return ", ".join(f"{one.source} {one.u:.4f}{unit}" for one in shown)


@dataclass(frozen=True)
class AlongRim:
    """What u is made of at places along the rim, in the frame that each is judged in; null where nothing is judged."""

    sources: list[str]
    arc_mm: list[float]
    u_mm: list[Numbers]  # by source, in their order; they add as squares
    half_mm: Numbers  # half of the tolerance there
    zones: list[str | None]  # words of the zone there


@dataclass(frozen=True)
class BudgetRecord:
    rows: list[AgainstRow]
    along: AlongRim | None
    repeatability: str  # in words


@dataclass(frozen=True)
class Band:
    source: str
    path: str


@dataclass(frozen=True)
class Line:
    """A level of the chart with its words."""

    y: float
    words: str
    strong: bool  # a rule of thumb, not only a tick of the axis


@dataclass(frozen=True)
class ZoneName:
    x: float
    rows: list[str]
    first: int  # row under the axis, from 0


@dataclass(frozen=True)
class RimStretch:
    path: str
    width_mm: float
    fit: Fit
    words: str


@dataclass(frozen=True)
class BudgetChart:
    bands: list[Band]  # from the axis upwards
    lines: list[Line]
    fences: list[float]  # where zones meet
    names: list[ZoneName]
    plan: PlanDrawing
    stretches: list[RimStretch]
    fits: list[tuple[Fit, str, float]]  # that occur: key, words, a width to show


def budget_of(
    measurement: ShellMeasurement, definition: ShellDefinition, repeats: Repeatability | None
) -> BudgetRecord | None:
    """Of a shell that was looked at; None where nothing was measured."""
    rows = tuple(against_limits(measurement, definition))
    return budget_record(rows, budget_map(measurement, definition), definition, repeats) if rows else None


def budget_record(
    rows: Sequence[Against], along: BudgetMap | None, definition: ShellDefinition, repeats: Repeatability | None
) -> BudgetRecord:
    """``repeats`` - of shells of this kind, as far as known."""
    scatter = {} if repeats is None else repeats.scatter
    listed = [
        AgainstRow(
            one.characteristic,
            one.words,
            one.unit,
            one.frame,
            one.lower,
            one.upper,
            one.u,
            2.0 * one.u,
            one.share,
            one.guard,
            one.room,
            one.fit,
            FIT_WORDS[one.fit],
            one.at_arc_mm,
            list(one.shares),
            scatter.get(one.characteristic),
        )
        for one in rows
    ]
    if along is None:
        return BudgetRecord(listed, None, repeatability_words(repeats))
    names = [definition.zones[k].words if k >= 0 else None for k in along.zone.tolist()]
    by_source = [numbers(row, 6) for row in along.u_mm]
    there = AlongRim(list(along.sources), rounded(along.arc_mm, 2), by_source, numbers(along.half_mm, 4), names)
    return BudgetRecord(listed, there, repeatability_words(repeats))


def budget_chart(along: BudgetMap, definition: ShellDefinition, plan: PlanDrawing) -> BudgetChart:
    length = definition.rim.length_mm
    arc, share = np.append(along.arc_mm, length), np.append(along.share, along.share[-1])
    highest = float(np.nanmax(share)) if np.isfinite(share).any() else 0.0
    top = max(LEAST_TOP, 1.1 * highest)

    def x(at: Any) -> Any:
        return np.round(LEFT + (WIDTH - LEFT - RIGHT) * at / length, 2)

    def y(level: Any) -> Any:
        return np.round(TOP + (HEIGHT - TOP - FOOT) * (1.0 - level / top), 2)

    ends = sorted({zone.from_mm for zone in definition.zones} | {zone.to_mm for zone in definition.zones})
    return BudgetChart(
        [Band(source, _band(arc, low, high, x, y)) for source, low, high in _stacked(along, share)],
        list(_lines(top, y)),
        [x(end) for end in ends],
        list(_names(definition, x, length)),
        plan,
        list(_stretches(along, definition, plan.unit_mm)),
        _fits_there(along),
    )


def _stacked(along: BudgetMap, share: Array) -> Iterator[tuple[str, Array, Array]]:
    """Each cause with the lower and upper edge (K + 1,) of its band: what it has of the sum of squares."""
    squares = along.u_mm**2
    order: list[int] = np.argsort(-np.nanmean(squares, axis=1)).tolist()
    with np.errstate(invalid="ignore"):
        parts = np.nan_to_num(squares / squares.sum(axis=0))
    parts = np.column_stack([parts, parts[:, -1]])
    low = np.zeros_like(share)
    largest = [*order[:BANDS]] if len(order) > BANDS + 1 else [*order]
    for k in largest:
        yield along.sources[k], low * share, (low + parts[k]) * share
        low = low + parts[k]
    if len(largest) < len(order):
        yield REST, low * share, share


def _band(arc: Array, low: Array, high: Array, x: Scale, y: Scale) -> str:
    path = ""
    across, upper, lower = (line.tolist() for line in (x(arc), y(high), y(low)))
    for run in _runs(np.isfinite(high)):
        up = [f"{across[i]:.1f} {upper[i]:.1f}" for i in run]
        down = [f"{across[i]:.1f} {lower[i]:.1f}" for i in reversed(run)]
        path += "M" + "L".join([*up, *down]) + "Z"
    return path


def _runs(there: Array) -> list[list[int]]:
    runs: list[list[int]] = []
    for i in np.flatnonzero(there).tolist():
        if runs and runs[-1][-1] == i - 1:
            runs[-1].append(i)
        else:
            runs.append([i])
    return runs


def _lines(top: float, y: Scale) -> Iterator[Line]:
    tick = 0.05 if top <= 0.35 else 0.1 if top <= 0.8 else 0.25 if top <= 2.0 else 10.0 ** math.floor(math.log10(top))
    for k in range(int(top / tick) + 1):
        yield Line(y(k * tick), f"{k * tick:.0%}", False)
    for ratio in (FINE, COARSE):
        if 1.0 / ratio <= top:
            yield Line(y(1.0 / ratio), f"{ratio:.0f} : 1", True)
    if top >= 1.0:
        yield Line(y(1.0), "U as large as half the tolerance", True)


def _names(definition: ShellDefinition, x: Scale, length: float) -> Iterator[ZoneName]:
    """The widest zones first. What does not fit between its fences stands in one row under its neighbours; where
    that is taken, too, it is left out.
    """
    taken: list[tuple[int, float, float]] = []  # row, from, to
    for at, words, rows, _ in sorted(
        _wrapped(definition, x, length), key=lambda one: (len(one[2]) > MOST_ROWS, -one[3])
    ):
        under = [(first, [words]) for first in range(NAME_ROWS)]
        for first, written in [(0, rows), *under] if len(rows) <= MOST_ROWS else under:
            half = [LETTER * len(row) / 2 for row in written]
            boxes = [(first + k, at - wide, at + wide) for k, wide in enumerate(half)]
            if all(one[0] != o[0] or one[1] >= o[2] or one[2] <= o[1] for one in boxes for o in taken):
                taken += boxes
                yield ZoneName(at, written, first)
                break


def _wrapped(definition: ShellDefinition, x: Scale, length: float) -> Iterator[tuple[float, str, list[str], float]]:
    """Of each zone's longest stretch the middle, its name, the name in rows, its width."""
    for zone in definition.zones:
        pieces = [(zone.from_mm, zone.to_mm)]
        if zone.from_mm > zone.to_mm:
            pieces = [(zone.from_mm, length), (0.0, zone.to_mm)]
        begin, end = max(pieces, key=lambda piece: piece[1] - piece[0])
        wide = x(end) - x(begin)
        room = max(6, int(wide / LETTER))
        rows: list[str] = []
        for word in zone.words.split():
            if rows and len(rows[-1]) + 1 + len(word) <= room:
                rows[-1] += f" {word}"
            else:
                rows.append(word)
        yield (x(begin) + x(end)) / 2.0, zone.words, rows, wide


def _stretches(along: BudgetMap, definition: ShellDefinition, unit_mm: float) -> Iterator[RimStretch]:
    """One where zone, fit and U as shown stay the same."""
    rim, marks = definition.rim, [*along.arc_mm.tolist(), definition.rim.length_mm]
    # Places along the rim and the marks in one row: a stretch is what lies from one mark to another.
    arc = np.union1d(marks, np.arange(0.0, rim.length_mm, CHORD_MM))
    at = [np.interp(arc, rim.arc_mm, rim.points_mm[:, axis], period=rim.length_mm).tolist() for axis in (0, 1)]
    drawn = [f"{x:.2f} {-y:.2f}" for x, y in zip(*at, strict=True)]
    first = np.searchsorted(arc, marks).tolist()
    shown = [f"{u:.3f} mm of ± {half:g}" for u, half in zip(2.0 * along.total_mm, along.half_mm, strict=True)]
    alike = list(zip(along.fits(), along.zone.tolist(), shown, strict=True))
    for (fit, zone, u), run in itertools.groupby(range(len(alike)), key=alike.__getitem__):
        begin, *others = run
        end = begin + len(others) + 1
        if fit is None or marks[end] <= marks[begin]:
            continue
        path = "M" + "L".join(drawn[first[begin] : first[end] + 1])
        where = f"{definition.zones[zone].words}, {marks[begin]:.0f} to {marks[end]:.0f} mm"
        width = _width(float(along.share[begin:end].max()))
        yield RimStretch(path, round(width * unit_mm, 2), fit, f"{where}: U {u} mm, {FIT_WORDS[fit]}")


def _width(share: float) -> float:
    return min(THICK, THIN + PER_SHARE * share)


def _fits_there(along: BudgetMap) -> list[tuple[Fit, str, float]]:
    fits, share = along.fits(), along.share
    found = []
    for fit, words in FIT_WORDS.items():
        here = [float(share[k]) for k, one in enumerate(fits) if one == fit]
        if here:
            found.append((fit, words, round(_width(max(here)), 2)))
    return found
