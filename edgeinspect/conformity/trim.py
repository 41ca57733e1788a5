"""Judging the trim: zones of the rim, the trim path, cut-outs."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite

import numpy as np

from edgeinspect.conformity.verdict import (
    BLOW_OFF,
    CALL_PATH,
    CALL_PROGRAM,
    FRAME_WORDS,
    LEAST_SEEN,
    SET_ASIDE,
    SEVERITY,
    Answer,
    Finding,
    action_of,
    capital,
    decide,
    no_result,
    not_there,
    simple,
    turn_words,
)
from edgeinspect.measure.measurement import CutOutResult, Quantity, ShellMeasurement, Stop, ZoneResult
from edgeinspect.shell.definition import CutOut, Frame, Limits, ShellDefinition, Zone


def zone_finding(zone: Zone, result: ZoneResult | None, definition: ShellDefinition, stop: Stop | None) -> Finding:
    name = f"zone {zone.name}"
    numbers = () if result is None else (result.most.value, result.most.u, result.least.value, result.least.u)
    if result is None or not all(map(isfinite, (*numbers, result.seen_mm))):
        return no_result(name, zone.words, stop, "the edge was not seen")
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
    place = definition.rim.plan_at(at_arc)
    if answer is not Answer.NONCONFORMING and too_little_seen(result):
        reason = f"{unseen:.0f} mm of {result.length_mm:.0f} mm of the edge not seen"
        missing = stop if stop is not None and stop.camera else None  # else it says what of the zone is not seen
        return no_result(name, zone.words, missing, reason, at=place)
    way = "too much material" if quantity.value >= 0 else "cut too deep"
    limit = limits.upper if quantity.value >= 0 else limits.lower
    sentence = f"{capital(zone.words)}: {abs(quantity.value):.2f} mm {way} (limit {limit:+.2f} mm)"
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
        action_of(answer, bad),
        at_arc,
        place,
    )


def profile_value(result: ZoneResult, limits: Limits) -> Quantity:
    """The profile of any line by ISO 1101 and ISO 1660: width of the least tolerance zone about the drawing that holds
    the cut, twice the greatest distance from the zone's middle [mm]. It must not be above ``limits.width``; the middle
    lies ``limits.middle`` off the outline (UZ, + out of the material). nan where nothing was seen.
    """
    middle = limits.middle
    sides = ((result.most.value - middle, result.most.u), (middle - result.least.value, result.least.u))
    distance, u = max(sides, key=lambda side: side[0])  # nan on both sides or on none
    return Quantity(2.0 * distance, 2.0 * u)


def too_little_seen(zone: ZoneResult) -> bool:
    """Then it can be bad, but not good."""
    return zone.seen_mm < LEAST_SEEN * zone.length_mm


def path_findings(measurement: ShellMeasurement, definition: ShellDefinition) -> Iterator[Finding]:
    limits, cut = definition.path, measurement.cut
    whole = next((stop for stop in measurement.stops if stop.concerns is None), None)
    if measurement.path_shift is None or measurement.path_rotation is None or cut is None:
        yield no_result("path shift", "trim path", whole, "the cut outline was not found")
        yield no_result("path rotation", "trim path", whole, "the cut outline was not found", unit="deg")
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
    yield simple(
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
    sentence = f"The whole cut is turned {turn_words(turn.value)} in the fixture (limit {limits.rotation_deg:.2f}°)"
    yield simple(
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


def cutout_findings(cutout: CutOut, result: CutOutResult | None, stop: Stop | None) -> Iterator[Finding]:
    name, place = f"cut-out {cutout.name}", (float(cutout.centre_mm[0]), float(cutout.centre_mm[1]))
    if result is not None and result.there is False:
        yield not_there(name, cutout.words, CALL_PROGRAM, place)
        return
    sizes = () if result is None else result.sizes
    if not (result and result.there and result.dx and result.dy and len(sizes) == len(cutout.size_mm)):
        yield no_result(name, cutout.words, stop, "its edge was not seen well enough", at=place)
        return
    dx, dy = result.dx, result.dy
    off = float(np.hypot(dx.value, dy.value))
    u = float(np.maximum(dx.u, dy.u))  # nan when either is, which max() is not
    if off > u:
        u = float(np.hypot(dx.value * dx.u, dy.value * dy.u)) / off
    sentence = f"{capital(cutout.words)}: {off:.2f} mm off its place (limit {cutout.position_limit_mm:.2f} mm)"
    frame = FRAME_WORDS[Frame.DATUM]
    yield simple(
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
        sentence = f"{capital(cutout.words)}: {kind} {size.value:.2f} mm, {abs(error.value):.2f} mm {way} ({allowed})"
        bad = SET_ASIDE if error.value >= 0 else "set aside; call the process engineer: check the bit"
        yield simple(
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
