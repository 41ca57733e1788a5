"""The distribution of the worst deviation of many shells with the limits, as numbers that a template draws."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.process.limits import Limit
from edgeinspect.process.readings import Readings

BINS = 60
WIDTH, HEIGHT = 1000.0, 340.0  # of the drawing, its own units
FOOT = 34.0  # below the bars: the scale


@dataclass(frozen=True)
class Bar:
    """Shells from one value to the next. Above the line: the highest deviations; below it: the lowest."""

    x: float
    y: float
    width: float
    height: float
    from_value: float
    to_value: float
    shells: int
    way: str  # "most", "least" or "both"


@dataclass(frozen=True)
class Line:
    x: float
    value: float
    kind: str  # "drawing", "before", "limit", "warning"
    words: str
    row: int  # its label's, so that labels do not cover each other


@dataclass(frozen=True)
class Band:
    x: float
    width: float


@dataclass(frozen=True)
class Chart:
    question: str
    unit: str
    bars: list[Bar]
    lines: list[Line]
    guards: list[Band]
    ticks: list[tuple[float, float]]  # x, value
    base: float  # y of the line between above and below
    most: int  # shells in the tallest bar


def chart_of(
    readings: Readings,
    of: str,
    moved: Sequence[str],
    unit: str,
    drawing: Limit,
    before: Limit,
    after: Limit,
    guard: float,
    warning: float | None,
) -> Chart | None:
    """None where no shell has a number. Of several characteristics the worst of each shell is shown."""
    columns = [k for k, name in enumerate(readings.characteristics) if name in moved]
    there = readings.has_numbers[:, columns]
    rows = there.any(axis=1)
    if not rows.any():
        return None
    most = np.where(there, readings.most[:, columns], -np.inf)[rows].max(axis=1)
    least = np.where(there, readings.least[:, columns], np.inf)[rows].min(axis=1)
    single = np.array_equal(most, least)
    marks = [(one.lower, kind) for one, kind in ((drawing, "drawing"), (before, "before"), (after, "limit"))]
    marks += [(one.upper, kind) for one, kind in ((drawing, "drawing"), (before, "before"), (after, "limit"))]
    marks += [
        (sign * warning, "warning")
        for sign in (-1, 1)
        if warning is not None and (sign > 0 or not math.isinf(drawing.lower))
    ]
    marks = [(value, kind) for value, kind in marks if math.isfinite(value)]
    ends = [*(value for value, _ in marks), float(most.max()), float(least.min())]
    low, high = min(ends), max(ends)
    room = 0.06 * (high - low) or 0.1
    low, high = low - room, high + room

    def x(value: float) -> float:
        return round((value - low) / (high - low) * WIDTH, 2)

    edges = np.linspace(low, high, BINS + 1)
    above, below = np.histogram(most, edges)[0], np.histogram(least, edges)[0]
    tall = HEIGHT - FOOT
    base = tall if single else tall / 2
    top = int(max(above.max(), 0 if single else below.max()))
    bars = _bars(above, edges, x, "both" if single else "most", base, (base - 26) / max(top, 1), 1)
    if not single:
        bars += _bars(below, edges, x, "least", base, (tall - base - 4) / max(top, 1), -1)
    names = {"drawing": "drawing", "before": "limit in force", "limit": "limit tried", "warning": "warning"}
    order = ["limit", "drawing", "before", "warning"]
    lines = [Line(x(value), value, kind, names[kind], order.index(kind)) for value, kind in marks]
    guards = [
        Band(x(value - guard), round(x(value + guard) - x(value - guard), 2))
        for value in (after.lower, after.upper)
        if math.isfinite(value) and guard > 0
    ]
    what = "shell's worst zone" if len(moved) > 1 else of
    return Chart(
        f"How far off is each {what}?" if len(moved) > 1 else f"How far off is {what}, shell by shell?",
        unit, bars, lines, guards, _ticks(low, high, x), base, top,
    )  # fmt: skip


def _bars(
    counts: NDArray[np.int64], edges: Array, x: Callable[[float], float], way: str, base: float, scale: float, sign: int
) -> list[Bar]:
    bars = []
    for n, start, end in zip(counts.tolist(), edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if n:
            height = max(round(n * scale, 2), 1.5)  # a single shell can be seen
            y = base - height if sign > 0 else base
            bars.append(Bar(x(start), round(y, 2), round(x(end) - x(start) - 1, 2), height, start, end, int(n), way))
    return bars


def _ticks(low: float, high: float, x: Callable[[float], float]) -> list[tuple[float, float]]:
    rough = (high - low) / 9
    size = 10 ** math.floor(math.log10(rough))
    step = next(size * k for k in (1, 2, 5, 10) if size * k >= rough)
    return [(x(k * step), round(k * step, 9)) for k in range(math.ceil(low / step), math.floor(high / step) + 1)]
