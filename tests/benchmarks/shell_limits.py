"""Limits set about a drawn shell's own truth: good, exactly at a limit, beyond it by g, all three on one picture.

Whether a shell is good is a matter of truth and limits. So one picture with known truth is judged three times, each
time one characteristic, drawn anew, with a limit where it is wanted beside its true value; all others keep the
drawing's limits, or where they have less than 4 g of room to them (the path of a shell 10 mm off) so much. What is
good lies at most at its limit less 2 g, evenly anywhere from 0.3 of that on. g is what this look states.
SOURCE of the decision rule: ISO 14253-1, g = 1.65 u.
"""

from __future__ import annotations

import numpy as np

from edgeinspect.conformity import Answer, judge
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.process.limits import Limit, limits_of, with_limits
from edgeinspect.shell.definition import ShellDefinition

KINDS = {"good": 1.0, "at a limit": 0.0, "beyond a limit by g": -1.0}  # room beside the true value, in its own measure
LEAST_SHARE = 0.3  # of the room up to limit - 2 g that a good shell uses, at least
ROOM_GUARDS = 4.0
TURN = "path rotation"

Truths = dict[str, float]  # true value by name of a characteristic as in limits_of; zones by "most" and "least"


def looked_at(
    found: ShellMeasurement, definition: ShellDefinition, truths: Truths, random: np.random.Generator
) -> list[list[str]]:
    """Kind, characteristic and answer of each of the three."""
    told = []
    drawing = {
        name: limit
        for name, limit in limits_of(definition, found.variant).items()
        if name.split()[0] in ("zone", "path", "cut-out")
    }
    guards = {finding.characteristic: finding.guard for finding in judge(found, definition).findings}
    for kind in KINDS:
        sides = [(name, side) for name, limit in drawing.items() for side in _sides(limit, truths, name)]
        name, side = sides[int(random.integers(len(sides)))]
        g, share = guards.get(name) or 0.0, float(random.uniform(LEAST_SHARE, 1.0))
        true = _true(truths, name, side)
        room = {
            "good": 2.0 * g + (1.0 - share) * (abs(_end(drawing[name], side)) - 2.0 * g),
            "at a limit": 0.0,
            "beyond a limit by g": -g,
        }[kind]
        limits = {one: _with_room(limit, truths, one, guards.get(one) or 0.0) for one, limit in drawing.items()}
        limits[name] = _moved(limits[name], side, side * true + room, even=name == TURN)
        for other in _sharing(name, drawing):  # length and width of a slot have one pair of limits
            limits[other] = limits[name]
        tried = with_limits(definition, limits)
        told.append([kind, f"{name} {'upper' if side > 0 else 'lower'}", judge(found, tried).answer.value])
    return told


def not_measured() -> list[list[str]]:
    """A shell without a result is not green, whatever its limits."""
    return [[kind, "", Answer.NO_RESULT.value] for kind in KINDS]


def _end(limit: Limit, side: float) -> float:
    """The limit of one side; 0 where there is none."""
    end = limit.upper if side > 0 else limit.lower
    return end if np.isfinite(end) else 0.0


def _sharing(name: str, drawing: dict[str, Limit]) -> list[str]:
    group, _, what = name.rpartition(" ")
    other = {"length": "width", "width": "length"}.get(what)
    return [f"{group} {other}"] if other and f"{group} {other}" in drawing else []


def _true(truths: Truths, name: str, side: float) -> float:
    """What counts on one side: of a zone its worst that way, of what share limits the worse one."""
    if name.startswith("zone "):
        return truths[f"{name} {'most' if side > 0 else 'least'}"]
    group, _, what = name.rpartition(" ")
    shared = [f"{group} length", f"{group} width"] if what in ("length", "width") else [name]
    return side * max(side * truths[one] for one in shared)


def _sides(limit: Limit, truths: Truths, name: str) -> list[float]:
    """The sides that have a limit; of a turn, whose limits are the same both ways, the one that it is turned to."""
    if name == TURN:
        return [1.0 if truths[name] > 0 else -1.0]
    return [side for side in (-1.0, 1.0) if _end(limit, side)]


def _moved(limit: Limit, side: float, end: float, *, even: bool) -> Limit:
    """With the end of one side at ``end``, counted outwards."""
    if even:
        return Limit(-end, end, limit.guard_factor)
    if side > 0:
        return Limit(min(limit.lower, end - 1.0), end, limit.guard_factor)
    return Limit(-end, max(limit.upper, 1.0 - end), limit.guard_factor)


def _with_room(limit: Limit, truths: Truths, name: str, guard: float) -> Limit:
    for side in _sides(limit, truths, name):
        far = side * _true(truths, name, side) + ROOM_GUARDS * guard
        limit = _moved(limit, side, max(abs(_end(limit, side)), far), even=name == TURN)
    return limit
