"""Uncertainty against tolerance: along the rim, and of every characteristic that has limits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from edgeinspect.conformity.verdict import FRAME_WORDS
from edgeinspect.geometry import Array, frozen
from edgeinspect.measure.measurement import BudgetAlong, Quantity, Share, ShellMeasurement
from edgeinspect.shell.definition import Frame, ShellDefinition

# Half of the tolerance over U (k = 2): a gauge should be ten times as fine as what it judges, and four times at the
# very least. Common practice, no source.
FINE, COARSE = 10.0, 4.0
Fit = Literal["ten", "four", "less", "none"]
FIT_WORDS: dict[Fit, str] = {
    "ten": "10 : 1 or better",
    "four": "4 : 1 or better",
    "less": "worse than 4 : 1",
    "none": "cannot be proven: the guard bands leave nothing between the limits",
}


def fit_of(half: float, u: float, room: float) -> Fit:
    """How a standard uncertainty fits a tolerance: ``half`` of it, and the ``room`` that its guard bands leave."""
    if not room > 0.0:
        return "none"
    ratio = half / max(2.0 * u, 1e-12)
    return "ten" if ratio >= FINE else "four" if ratio >= COARSE else "less"


@dataclass(frozen=True)
class Against:
    """The uncertainty of one characteristic against its limits."""

    characteristic: str  # as findings name it: "zone right-end", "cut-out lock-hole position", "path shift"
    words: str  # where, as an operator says it
    unit: str  # "mm" or "deg"
    frame: str  # what it is measured from, in words; "" where that goes without saying
    lower: float | None  # None: there is none, the value is a distance
    upper: float
    guard_factor: float
    u: float  # one standard uncertainty; of a zone at its worst place
    shares: tuple[Share, ...]
    at_arc_mm: float | None = None  # of a zone: where that is

    @property
    def half(self) -> float:
        """Half of the tolerance; of a distance its limit."""
        return self.upper if self.lower is None else 0.5 * (self.upper - self.lower)

    @property
    def guard(self) -> float:
        return self.guard_factor * self.u

    @property
    def room(self) -> float:
        """What the guard bands leave: values that would be proven good. None is left at 0 or below."""
        return self.upper - self.guard if self.lower is None else self.upper - self.lower - 2.0 * self.guard

    @property
    def share(self) -> float:
        """U (k = 2) over half of the tolerance."""
        return 2.0 * self.u / self.half

    @property
    def ratio(self) -> str:
        """Half of the tolerance to U, in short."""
        return {"ten": ">= 10:1", "four": ">= 4:1", "less": "< 4:1", "none": "never proven"}[self.fit]

    @property
    def fit(self) -> Fit:
        return fit_of(self.half, self.u, self.room)


@dataclass(frozen=True)
class BudgetMap:
    """Along the rim at K places: what u is made of in the frame that each place is judged in, and its tolerance."""

    sources: tuple[str, ...]
    arc_mm: Array  # (K,); each stands for the stretch up to the next one
    u_mm: Array  # (S, K) by source; nan where nothing is judged
    half_mm: Array  # (K,) half of the tolerance; nan where nothing is judged
    guard_factor: Array  # (K,)
    zone: NDArray[np.intp]  # (K,) number of the zone in the definition, -1 in none

    @property
    def total_mm(self) -> Array:
        """(K,) combined standard uncertainty."""
        return np.asarray(np.sqrt((self.u_mm**2).sum(axis=0)))

    @property
    def share(self) -> Array:
        """(K,) U (k = 2) over half of the tolerance."""
        return np.asarray(2.0 * self.total_mm / self.half_mm)

    def fits(self) -> list[Fit | None]:
        """(K,) how it fits the tolerance; None where nothing is judged."""
        room = self.half_mm - self.guard_factor * self.total_mm
        every = zip(self.half_mm, self.total_mm, room, strict=True)
        return [fit_of(half, u, left) if np.isfinite(half + u) else None for half, u, left in every]


def budget_map(measurement: ShellMeasurement, definition: ShellDefinition) -> BudgetMap | None:
    """None where the record does not say: it is older, or nothing was measured."""
    budgets: dict[Frame, BudgetAlong] = {one.frame: one for one in measurement.budgets}
    if not budgets:
        return None
    sources = tuple(dict.fromkeys(source for one in budgets.values() for source in one.sources))
    arc = np.asarray(next(iter(budgets.values())).arc_mm, dtype=np.float64)
    u, half = np.full((len(sources), len(arc)), np.nan), np.full(len(arc), np.nan)
    factor, which = np.full(len(arc), np.nan), np.full(len(arc), -1, dtype=np.intp)
    for k, zone in enumerate(definition.zones):
        here, budget = np.asarray(zone.holds(arc)), budgets.get(zone.frame)
        if budget is None:
            continue
        which[here], half[here], factor[here] = k, 0.5 * zone.limits.width, zone.limits.guard_factor
        for row, source in zip(u, sources, strict=True):
            row[here] = budget.u_mm[budget.sources.index(source)][here] if source in budget.sources else 0.0
    return BudgetMap(sources, frozen_or_nan(arc), frozen_or_nan(u), frozen_or_nan(half), frozen_or_nan(factor), which)


def frozen_or_nan(values: Array) -> Array:
    """Read-only; nan is a value here."""
    if np.isfinite(values).all():
        return frozen(values)
    copy = values.copy()
    copy.setflags(write=False)
    return copy


def against_limits(measurement: ShellMeasurement, definition: ShellDefinition) -> Iterator[Against]:
    """Every characteristic with limits whose uncertainty is known, in the order of the definition."""
    along = budget_map(measurement, definition)
    for k, zone in enumerate(definition.zones):
        here = np.flatnonzero(along.zone == k) if along is not None else ()
        if along is None or not len(here) or not np.isfinite(along.total_mm[here]).any():
            continue
        worst = int(here[np.nanargmax(along.total_mm[here])])
        shares = tuple(Share(s, float(u)) for s, u in zip(along.sources, along.u_mm[:, worst], strict=True))
        limits, total = zone.limits, float(along.total_mm[worst])
        bounds = limits.lower, limits.upper, limits.guard_factor
        where = float(along.arc_mm[worst])
        name = f"zone {zone.name}"
        yield Against(name, zone.words, "mm", FRAME_WORDS[zone.frame], *bounds, total, shares, where)
    path, fixture = definition.path, FRAME_WORDS[Frame.FIXTURE]
    if measurement.path_shift is not None:
        q = measurement.path_shift
        limit = path.shift_mm, path.guard_factor
        yield Against("path shift", "whole outline", "mm", fixture, None, *limit, q.u, q.shares)
    if measurement.path_rotation is not None:
        q, turn = measurement.path_rotation, path.rotation_deg
        yield Against("path rotation", "whole outline", "deg", fixture, -turn, turn, path.guard_factor, q.u, q.shares)
    yield from _cutouts(measurement, definition)
    yield from _decals(measurement, definition)


def _cutouts(measurement: ShellMeasurement, definition: ShellDefinition) -> Iterator[Against]:
    results, datum = {one.name: one for one in measurement.cutouts}, FRAME_WORDS[Frame.DATUM]
    for cutout in definition.cutouts:
        result = results.get(cutout.name)
        if result is None or result.dx is None or result.dy is None:
            continue
        worse, name = _worse(result.dx, result.dy), f"cut-out {cutout.name}"
        limit, factor = cutout.position_limit_mm, cutout.guard_factor
        yield Against(f"{name} position", cutout.words, "mm", datum, None, limit, factor, worse.u, worse.shares)
        kinds, limits = ("diameter",) if len(cutout.size_mm) == 1 else ("length", "width"), cutout.size_limits
        for kind, size in zip(kinds, result.sizes, strict=False):
            bounds = limits.lower, limits.upper, limits.guard_factor
            yield Against(f"{name} {kind}", cutout.words, "mm", "", *bounds, size.u, size.shares)


def _decals(measurement: ShellMeasurement, definition: ShellDefinition) -> Iterator[Against]:
    drawn, datum = {decal.name: decal for decal in definition.decals}, FRAME_WORDS[Frame.DATUM]
    for result in measurement.decals:
        decal = drawn.get(result.name)
        if decal is None or result.dx is None or result.dy is None or result.rotation is None:
            continue
        for kind, q, unit, limit in (
            ("across", result.dx, "mm", decal.offset_limit_mm),
            ("up", result.dy, "mm", decal.offset_limit_mm),
            ("rotation", result.rotation, "deg", decal.rotation_limit_deg),
        ):
            name = f"decal {decal.name} {kind}"
            yield Against(name, decal.words, unit, datum, -limit, limit, decal.guard_factor, q.u, q.shares)


def _worse(one: Quantity, other: Quantity) -> Quantity:
    return one if one.u >= other.u else other
