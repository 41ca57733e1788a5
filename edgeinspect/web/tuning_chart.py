"""The distribution of the worst deviation of many shells with the limits, as numbers that a template draws."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.process.flaws import Flaws
from edgeinspect.process.limits import Limit, Limits, flaw_limit
from edgeinspect.process.readings import Readings
from edgeinspect.web.tuning_flaws import worst_sizes

BINS = 60
WIDTH, HEIGHT = 1000.0, 340.0  # of the drawing, its own units
FOOT = 34.0  # below the bars: the scale


@dataclass(frozen=True)
class Bar:
    """Shells from one value to the next, above the line or below it: ``Chart.above`` and ``Chart.below``."""

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
    above: str  # what the bars above the line are
    below: str  # and those below it; "" there are none
    signed: bool  # values have a direction


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
    what = "shell's worst zone" if len(moved) > 1 else of
    words = ("value", "") if single else ("highest (too much material)", "lowest (cut too deep)")
    question = f"How far off is each {what}?" if len(moved) > 1 else f"How far off is {what}, shell by shell?"
    return drawn(question, unit, (most, most[:0] if single else least), words, drawing, before, after, guard, warning)


def chart_of_flaws(
    flaws: Flaws,
    kind: str,
    size: str,
    drawing: Limits,
    before: Limits,
    after: Limits,
    guard: float,
    warning: float | None,
) -> Chart | None:
    """The worst nick or burr of each shell that has any; None where none was found."""
    name = flaw_limit(kind, size)
    sizes = worst_sizes(flaws, kind, size, after)
    if not sum(map(len, sizes)):
        return None
    deep, shallow = ("deep", "shallow") if kind != "burr" else ("high", "low")
    how, short = ("long", shallow) if size == "length" else (deep, "short")
    words = (f"worst {kind} of a shell, where its {size} decides", f"so {short} that it passes, however {how}")
    question = f"How {how} is each shell's worst {kind}?"
    return drawn(question, "mm", sizes, words, drawing[name], before[name], after[name], guard, warning)


def drawn(
    question: str,
    unit: str,
    values: tuple[Array, Array],
    words: tuple[str, str],
    drawing: Limit,
    before: Limit,
    after: Limit,
    guard: float,
    warning: float | None,
) -> Chart:
    """``values``, ``words`` - above and below the line; nothing lies below where there are no values."""
    up, down = values
    single = not len(down)
    marks = [(one.lower, kind) for one, kind in ((drawing, "drawing"), (before, "before"), (after, "limit"))]
    marks += [(one.upper, kind) for one, kind in ((drawing, "drawing"), (before, "before"), (after, "limit"))]
    marks += [
        (sign * warning, "warning")
        for sign in (-1, 1)
        if warning is not None and (sign > 0 or not math.isinf(drawing.lower))
    ]
    marks = [(value, kind) for value, kind in marks if math.isfinite(value)]
    ends = [
        *(value for value, _ in marks),
        *(float(end) for one in values if len(one) for end in (one.min(), one.max())),
    ]
    low, high = min(ends), max(ends)
    room = 0.06 * (high - low) or 0.1
    low, high = low - room, high + room

    def x(value: float) -> float:
        return round((value - low) / (high - low) * WIDTH, 2)

    edges = np.linspace(low, high, BINS + 1)
    above, below = np.histogram(up, edges)[0], np.histogram(down, edges)[0]
    tall = HEIGHT - FOOT
    base = tall if single else tall / 2
    top = int(max(above.max(), below.max()))
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
    return Chart(
        question, unit, bars, lines, guards, _ticks(low, high, x), base, top, words[0], "" if single else words[1],
        math.isfinite(drawing.lower),
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
