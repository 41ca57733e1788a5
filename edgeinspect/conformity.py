"""Judging: a pure function of a measurement and a shell definition. Decision rule of ISO 14253-1 with the guard band
g = factor x u.

Proven good only inside the limits by more than g, proven bad only outside by more than g, between the two neither is
proven.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure.measurement import CutOutResult, DecalResult, Quantity, ShellMeasurement, Stop, ZoneResult
from edgeinspect.shell.definition import Check, Curve, CutOut, Decal, Frame, ShellDefinition, Zone

SEEN_SHARE = 0.98  # of a zone's length must have a filtered value, or the zone has no result


class Answer(enum.StrEnum):
    """Only CONFORMING is green."""

    CONFORMING = "CONFORMING"
    NONCONFORMING = "NONCONFORMING"
    NOT_PROVEN = "NOT PROVEN"
    NO_RESULT = "NO RESULT"


# One bad characteristic makes a shell bad whatever could not be seen elsewhere; what was not seen is never good.
SEVERITY = {Answer.NONCONFORMING: 3, Answer.NO_RESULT: 2, Answer.NOT_PROVEN: 1, Answer.CONFORMING: 0}

TOO_CLOSE = "too close to call: set aside"
SET_ASIDE = "set aside; the third in one place: stop and call the process engineer"
BLOW_OFF = "blow off and look again; still bad: set aside"
CALL_PATH = "set aside; call the process engineer: the trim path is off"
CALL_PROGRAM = "set aside; call the process engineer: check the trim program"
LIFT = "lift and lay again while it is wet, else set aside"
RIGHT_ONE = "lift it while it is wet and lay the right one, else set aside"
RACK = "rack it"
FRAME_WORDS = {Frame.DATUM: "from the shell's datums", Frame.FIXTURE: "from the fixture", Frame.BEST_FIT: "form only"}


@dataclass(frozen=True)
class Finding:
    """One characteristic judged. ``value`` is None where it could not be measured (answer NO RESULT)."""

    characteristic: str  # "zone rear-left-scallop", "cut-out lock-hole diameter", "path shift", "decal badge rotation"
    where: str  # in words, for the operator
    answer: Answer
    unit: str  # "mm" or "deg", of value, u, limits and guard
    value: float | None
    u: float | None  # one standard uncertainty
    lower: float | None  # inspection limit; None: there is none
    upper: float | None
    guard: float | None  # guard band on the inner and the outer side of each limit
    frame: str  # what it is measured from, in words
    sentence: str  # where, which way, how much, the limit
    action: str  # what to do: clean, reseat, set aside, call
    at_arc_mm: float | None = None  # the one worst place on the rim
    at_shell_mm: tuple[float, float] | None = None  # the place in the shell's plan

    @property
    def strain(self) -> float:
        """How much of the room between nominal and limit is used: 1 at the limit. Orders findings of one answer."""
        if self.value is None:
            return 0.0
        room = [limit for limit in (self.upper if self.value >= 0 else self.lower,) if limit]
        return abs(self.value / room[0]) if room else 0.0


@dataclass(frozen=True)
class Verdict:
    """The answer for the shell: why, what to do, and every characteristic that was judged."""

    answer: Answer
    sentence: str  # the one that the operator reads
    action: str  # the one thing to do
    findings: tuple[Finding, ...]  # worst first
    rule: str  # the decision rule in words, with the guard factor
    limits_sha256: str  # of the definition that judged it

    @property
    def worst(self) -> Finding | None:
        return self.findings[0] if self.findings else None


def proven(value: Any, lower: Any, upper: Any, guard: Any) -> tuple[Any, Any]:
    """The decision rule itself: proven good, proven bad. Of numbers or of arrays; limits that are not there are
    infinite. Neither is NOT PROVEN.
    """
    good = (value >= lower + guard) & (value <= upper - guard)
    bad = (value < lower - guard) | (value > upper + guard)
    return good, bad


def decide(value: float, u: float, lower: float | None, upper: float | None, guard: float) -> Answer:
    """ISO 14253-1: ``guard`` = factor x u in the unit of the value. Not finite, or a u below 0, is NO RESULT."""
    if not np.isfinite([value, u, guard]).all() or u < 0 or guard < 0 or (lower is None and upper is None):
        return Answer.NO_RESULT
    good, bad = proven(value, -math.inf if lower is None else lower, math.inf if upper is None else upper, guard)
    return Answer.CONFORMING if good else Answer.NONCONFORMING if bad else Answer.NOT_PROVEN


def decide_many(value: Array, u: Array, lower: Array, upper: Array, guard_factor: Array) -> NDArray[np.int8]:
    """As ``decide`` for arrays that broadcast; limits that are not there are infinite. Returns values of SEVERITY."""
    guard = guard_factor * u
    good, bad = proven(value, lower, upper, guard)
    severity = np.where(bad, SEVERITY[Answer.NONCONFORMING], SEVERITY[Answer.NOT_PROVEN])
    severity = np.where(good, SEVERITY[Answer.CONFORMING], severity)
    sound = np.isfinite(value) & np.isfinite(guard) & (u >= 0) & (guard >= 0)
    return np.where(sound, severity, SEVERITY[Answer.NO_RESULT]).astype(np.int8)


def judge(measurement: ShellMeasurement, definition: ShellDefinition) -> Verdict:
    """Judge a stored or fresh measurement against a definition's limits. Nothing but these two goes in."""
    findings = sorted(_findings(measurement, definition), key=lambda f: (-SEVERITY[f.answer], -f.strain))
    factors = sorted({zone.limits.guard_factor for zone in definition.zones})
    words = ", ".join(f"{factor:g}" for factor in factors)
    rule = f"ISO 14253-1, guard band g = {words} x u on each side; conforming only when proven"
    answer, sentence, action = _summary(findings, measurement)
    return Verdict(answer, sentence, action, tuple(findings), rule, definition.sha256)


def _summary(findings: list[Finding], measurement: ShellMeasurement) -> tuple[Answer, str, str]:
    """The shell's answer with the one sentence and the one thing to do."""
    if findings and findings[0].answer is Answer.NONCONFORMING:
        return Answer.NONCONFORMING, findings[0].sentence, findings[0].action
    if measurement.stops:
        return Answer.NO_RESULT, _capital(measurement.stops[0].reason), measurement.stops[0].action
    if not findings:
        return Answer.NO_RESULT, "Nothing was judged: the definition asks for no check", "call the process engineer"
    worst = findings[0]
    if worst.answer is not Answer.CONFORMING:
        return worst.answer, worst.sentence, worst.action
    return (
        Answer.CONFORMING,
        f"All {len(findings)} characteristics are within their limits; closest: {worst.sentence}",
        RACK,
    )


def _findings(measurement: ShellMeasurement, definition: ShellDefinition) -> Iterator[Finding]:
    if Check.TRIM in measurement.checks:
        zones = {result.zone: result for result in measurement.zones}
        for zone in definition.zones:
            found = zones.get(zone.name)
            stop = _stop(measurement, Check.TRIM, found.cameras if found else ())
            yield _zone(zone, found, definition, stop)
        yield from _path(measurement, definition)
        cutouts = {result.name: result for result in measurement.cutouts}
        for cutout in definition.cutouts:
            hole = cutouts.get(cutout.name)
            yield from _cutout(cutout, hole, _stop(measurement, Check.TRIM, (hole.camera,) if hole else ()))
    if Check.DECAL in measurement.checks:
        decals = {result.name: result for result in measurement.decals}
        wanted = [decal for decal in definition.decals if decal.variant == measurement.variant]
        for decal in wanted:
            lies = decals.get(decal.name)
            yield from _decal(decal, lies, _stop(measurement, Check.DECAL, (lies.camera,) if lies else ()))
        if not wanted:  # judging again, by a definition that no longer has it
            stop = _stop(measurement, Check.DECAL, ())
            yield _no_result("decal", "decal", stop, f"the definition has none of variant {measurement.variant!r}")


def _stop(measurement: ShellMeasurement, check: Check, cameras: tuple[str, ...]) -> Stop | None:
    """Why something was not measured: the first stop of the whole shell or of its check. ``cameras`` - which measured
    it: then a stop of any other camera is no reason.
    """
    told = [stop for stop in measurement.stops if not cameras or stop.camera in ("", *cameras)]
    order = [stop for stop in told if stop.concerns is None] + [stop for stop in told if stop.concerns is check]
    return order[0] if order else None


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _no_result(
    characteristic: str,
    where: str,
    stop: Stop | None,
    reason: str,
    *,
    unit: str = "mm",
    at: tuple[float, float] | None = None,
) -> Finding:
    sentence = _capital(f"{where}: {stop.reason if stop else reason}")
    action = stop.action if stop else "blow off, look again"
    return Finding(
        characteristic, where, Answer.NO_RESULT, unit, None, None, None, None, None, "", sentence, action, None, at
    )


def _zone(zone: Zone, result: ZoneResult | None, definition: ShellDefinition, stop: Stop | None) -> Finding:
    name = f"zone {zone.name}"
    numbers = () if result is None else (result.most.value, result.most.u, result.least.value, result.least.u)
    if result is None or not np.isfinite([*numbers, result.seen_mm]).all():
        return _no_result(name, zone.words, stop, "the edge was not seen")
    limits = zone.limits
    sides = []
    for quantity, at, lower, upper in (
        (result.most, result.most_at_mm, None, limits.upper),
        (result.least, result.least_at_mm, limits.lower, None),
    ):
        answer = decide(quantity.value, quantity.u, lower, upper, limits.guard_factor * quantity.u)
        strain = quantity.value / upper if upper else quantity.value / lower if lower else 0.0
        sides.append((SEVERITY[answer], strain, answer, quantity, at))
    _, _, answer, quantity, at_arc = max(sides, key=lambda side: side[:2])
    unseen = result.length_mm - result.seen_mm
    place = _rim_place(definition.rim, at_arc)
    if answer is not Answer.NONCONFORMING and too_little_seen(result):
        reason = f"{unseen:.0f} mm of {result.length_mm:.0f} mm of the edge not seen"
        missing = stop if stop is not None and stop.camera else None  # else it says what of the zone is not seen
        return _no_result(name, zone.words, missing, reason, at=place)
    way = "too much material" if quantity.value >= 0 else "cut too deep"
    limit = limits.upper if quantity.value >= 0 else limits.lower
    sentence = f"{_capital(zone.words)}: {abs(quantity.value):.2f} mm {way} (limit {limit:+.2f} mm)"
    bad = BLOW_OFF if quantity.value >= 0 else SET_ASIDE
    return Finding(
        name,
        zone.words,
        answer,
        "mm",
        quantity.value,
        quantity.u,
        limits.lower,
        limits.upper,
        limits.guard_factor * quantity.u,
        FRAME_WORDS[zone.frame],
        sentence,
        _action(answer, bad),
        at_arc,
        place,
    )


def too_little_seen(zone: ZoneResult) -> bool:
    """Then it can be bad, but not good."""
    return zone.seen_mm < SEEN_SHARE * zone.length_mm


def _rim_place(rim: Curve, arc_mm: float) -> tuple[float, float]:
    x, y = rim.points_mm[min(int(np.searchsorted(rim.arc_mm, arc_mm)), len(rim.arc_mm) - 1), :2]
    return float(x), float(y)


def _action(answer: Answer, when_bad: str) -> str:
    return {Answer.CONFORMING: RACK, Answer.NOT_PROVEN: TOO_CLOSE, Answer.NO_RESULT: "look again"}.get(answer, when_bad)


def _simple(
    characteristic: str,
    where: str,
    quantity: Quantity,
    lower: float | None,
    upper: float,
    factor: float,
    sentence: str,
    bad: str,
    *,
    unit: str = "mm",
    frame: str = "",
    at: tuple[float, float] | None = None,
) -> Finding:
    guard = factor * quantity.u
    answer = decide(quantity.value, quantity.u, lower, upper, guard)
    if answer is Answer.NO_RESULT:
        return _no_result(characteristic, where, None, "it could not be measured", unit=unit, at=at)
    return Finding(
        characteristic,
        where,
        answer,
        unit,
        quantity.value,
        quantity.u,
        lower,
        upper,
        guard,
        frame,
        sentence,
        _action(answer, bad),
        None,
        at,
    )


def _path(measurement: ShellMeasurement, definition: ShellDefinition) -> Iterator[Finding]:
    limits, cut = definition.path, measurement.cut
    whole = next((stop for stop in measurement.stops if stop.concerns is None), None)
    if measurement.path_shift is None or measurement.path_rotation is None or cut is None:
        yield _no_result("path shift", "trim path", whole, "the cut outline was not found")
        yield _no_result("path rotation", "trim path", whole, "the cut outline was not found", unit="deg")
        return
    dx, dy = cut.shift.dx_mm, cut.shift.dy_mm
    ways = [
        f"{abs(v):.2f} mm {pos if v >= 0 else neg}"
        for v, pos, neg in ((dx, "right", "left"), (dy, "up", "down"))
        if abs(v) >= 0.005
    ]
    moved = " and ".join(ways) or "0.00 mm"
    sentence = f"The whole cut is off in the fixture by {moved} (limit {limits.shift_mm:.2f} mm)"
    fixture = FRAME_WORDS[Frame.FIXTURE]
    yield _simple(
        "path shift",
        "whole outline",
        measurement.path_shift,
        None,
        limits.shift_mm,
        limits.guard_factor,
        sentence,
        CALL_PATH,
        frame=fixture,
    )
    turn = measurement.path_rotation
    sentence = f"The whole cut is turned {_turn(turn.value)} in the fixture (limit {limits.rotation_deg:.2f}°)"
    yield _simple(
        "path rotation",
        "whole outline",
        turn,
        -limits.rotation_deg,
        limits.rotation_deg,
        limits.guard_factor,
        sentence,
        CALL_PATH,
        unit="deg",
        frame=fixture,
    )


def _not_there(characteristic: str, words: str, action: str, place: tuple[float, float]) -> Finding:
    return _wrong(characteristic, words, f"{words}: not there", action, place)


def _wrong(characteristic: str, words: str, sentence: str, action: str, place: tuple[float, float]) -> Finding:
    """Bad without a number."""
    return Finding(
        characteristic=characteristic,
        where=words,
        answer=Answer.NONCONFORMING,
        unit="",
        value=None,
        u=None,
        lower=None,
        upper=None,
        guard=None,
        frame="",
        sentence=_capital(sentence),
        action=action,
        at_shell_mm=place,
    )


def _turn(degrees: float) -> str:
    return f"{abs(degrees):.2f}° {'counter-clockwise' if degrees >= 0 else 'clockwise'}"


def _cutout(cutout: CutOut, result: CutOutResult | None, stop: Stop | None) -> Iterator[Finding]:
    name, place = f"cut-out {cutout.name}", (float(cutout.centre_mm[0]), float(cutout.centre_mm[1]))
    if result is not None and result.there is False:
        yield _not_there(name, cutout.words, CALL_PROGRAM, place)
        return
    sizes = () if result is None else result.sizes
    if not (result and result.there and result.dx and result.dy and len(sizes) == len(cutout.size_mm)):
        yield _no_result(name, cutout.words, stop, "its edge was not seen well enough", at=place)
        return
    dx, dy = result.dx, result.dy
    off = float(np.hypot(dx.value, dy.value))
    u = float(np.maximum(dx.u, dy.u))  # nan when either is, which max() is not
    if off > u:
        u = float(np.hypot(dx.value * dx.u, dy.value * dy.u)) / off
    sentence = f"{_capital(cutout.words)}: {off:.2f} mm off its place (limit {cutout.position_limit_mm:.2f} mm)"
    frame = FRAME_WORDS[Frame.DATUM]
    yield _simple(
        f"{name} position",
        cutout.words,
        Quantity(off, u),
        None,
        cutout.position_limit_mm,
        cutout.guard_factor,
        sentence,
        CALL_PROGRAM,
        frame=frame,
        at=place,
    )
    kinds = ("diameter",) if len(cutout.size_mm) == 1 else ("length", "width")
    limits = cutout.size_limits
    for kind, nominal, size in zip(kinds, cutout.size_mm, sizes, strict=True):
        error = Quantity(size.value - nominal, size.u)
        way = "too large" if error.value >= 0 else "too small"
        allowed = f"limits {limits.lower:+.2f} {limits.upper:+.2f} mm"
        sentence = f"{_capital(cutout.words)}: {kind} {size.value:.2f} mm, {abs(error.value):.2f} mm {way} ({allowed})"
        bad = SET_ASIDE if error.value >= 0 else "set aside; call the process engineer: check the bit"
        yield _simple(
            f"{name} {kind}",
            cutout.words,
            error,
            limits.lower,
            limits.upper,
            limits.guard_factor,
            sentence,
            bad,
            frame=frame,
            at=place,
        )


def _decal(decal: Decal, result: DecalResult | None, stop: Stop | None) -> Iterator[Finding]:
    name, place = f"decal {decal.name}", (float(decal.patch.origin_mm[0]), float(decal.patch.origin_mm[1]))
    if result is not None and result.there is False:
        yield _not_there(name, decal.words, "lay the decal, look again", place)
        return
    if result is not None and result.there and (wrong := _another_artwork(decal, result)):
        yield _wrong(f"{name} artwork", decal.words, f"{decal.words}: {wrong}", RIGHT_ONE, place)
        return
    if not (result and result.there and result.dx and result.dy and result.rotation):
        yield _no_result(
            name, decal.words, stop, "it could not be measured: glare, damage or another artwork", at=place
        )
        return
    ways = (_way(result.dx.value, "right", "left"), _way(result.dy.value, "up", "down"), _turn(result.rotation.value))
    off = ", ".join(ways)
    frame = FRAME_WORDS[Frame.DATUM]
    for axis, quantity, limit, unit in (
        ("across", result.dx, decal.offset_limit_mm, "mm"),
        ("up", result.dy, decal.offset_limit_mm, "mm"),
        ("rotation", result.rotation, decal.rotation_limit_deg, "deg"),
    ):
        shown = f"{limit:.2f} mm" if unit == "mm" else f"{limit:.2f}°"
        sentence = f"{_capital(decal.words)}: {off} (limit of {axis} ±{shown})"
        yield _simple(
            f"{name} {axis}",
            decal.words,
            quantity,
            -limit,
            limit,
            decal.guard_factor,
            sentence,
            LIFT,
            unit=unit,
            frame=frame,
            at=place,
        )


def _another_artwork(decal: Decal, result: DecalResult) -> str:
    """What is wrong with the print, however well it is placed; "" nothing."""
    if result.found_variant not in (None, decal.variant):
        return f"found decal {result.found_variant}, this order needs {decal.variant}"
    if result.mirrored:
        return "the decal's print is mirrored"
    return "the decal is upside down" if result.upside_down else ""


def _way(value: float, positive: str, negative: str) -> str:
    return f"{abs(value):.2f} mm {positive if value >= 0 else negative}"
