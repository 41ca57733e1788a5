"""Judging decals: there, the right one, and in its place."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from edgeinspect.conformity.colour import colour_findings
from edgeinspect.conformity.verdict import (
    LEAST_SEEN,
    LIFT,
    RIGHT_ONE,
    SHADE,
    Finding,
    capital,
    no_result,
    not_there,
    simple,
    turn_words,
    wrong,
)
from edgeinspect.measure.decal_surface import NOT_FITTING
from edgeinspect.measure.measurement import DecalFault, DecalResult, FaultKind, Stop
from edgeinspect.shell.definition import Decal, DecalDatum

SEE_DATUM = "blow off, look again"
CORNER_MM = 10.0  # both ways from a corner
NEW_ONE = "lift it while it is wet and lay a new one, else set aside"
PRESS = "press it flat while it is wet and look again, else set aside"
LIGHT = "look for bubbles by hand; call the process engineer: more light, or even light, on the decal"
UNJUDGED = 0.02  # of the print: about one bubble's area on a badge of 120 x 50 mm
FAULT_WORDS = {
    FaultKind.TORN: "torn or folded",
    FaultKind.MISSING: "of print missing",
    FaultKind.SMEAR: "smeared",
    FaultKind.BUBBLE: "bubble or wrinkle",
    FaultKind.OTHER: "unlike the print",
    FaultKind.GLARE: "glare or bubble",
    FaultKind.COLOUR: "of another colour",
}


def decal_findings(decal: Decal, result: DecalResult | None, stop: Stop | None) -> Iterator[Finding]:
    name, place = f"decal {decal.name}", (float(decal.patch.origin_mm[0]), float(decal.patch.origin_mm[1]))
    if result is not None and result.there is False and result.lies_at:
        sentence = f"{decal.words}: lies on the wrong panel, where {result.lies_at} belongs"
        yield wrong(f"{name} place", decal.words, sentence, LIFT, place)
        return
    if result is not None and result.there is False:
        yield not_there(name, decal.words, "lay the decal, look again", place)
        return
    if result is not None and result.there and (other := _another_artwork(decal, result)):
        yield wrong(f"{name} artwork", decal.words, f"{decal.words}: {other}", RIGHT_ONE, place)
        return
    if result is not None and result.there and result.datum != decal.datum:  # judged again by another definition
        reason = f"it was not told {decal.datum.words} then"
        yield no_result(name, decal.words, None, reason, at=place)
        return
    if result is not None and result.there and result.untold:
        yield replace(no_result(name, decal.words, None, result.untold, at=place), action=SEE_DATUM)
        yield from _gap(decal, result)
        yield from _whole(decal, result)
        yield from colour_findings(decal, result)
        return
    if not (result and result.there and result.dx and result.dy and result.rotation):
        yield no_result(name, decal.words, stop, "it could not be measured: glare, damage or another artwork", at=place)
        return
    ways = (
        _way(result.dx.value, "to the right", "to the left"),
        _way(result.dy.value, "above its place", "below its place"),
        f"turned {turn_words(result.rotation.value)}",
    )
    off = f"lies {', '.join(ways)}"  # not to be taken for the way to push it, which is the other way
    frame = decal.datum.words
    named = "" if decal.datum is DecalDatum.SHELL else f" {frame}"
    doubt = f"; {NOT_FITTING}" if result.surface_doubt else ""
    for axis, way, quantity, limit, unit in (
        ("across", "sideways", result.dx, decal.offset_limit_mm, "mm"),
        ("up", "up and down", result.dy, decal.offset_limit_mm, "mm"),
        ("rotation", "of rotation", result.rotation, decal.rotation_limit_deg, "deg"),
    ):
        shown = f"{limit:.2f} mm" if unit == "mm" else f"{limit:.2f}°"
        sentence = f"{capital(decal.words)}: {off}{named} (limit {way} ±{shown}){doubt}"
        yield simple(
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
    yield from _gap(decal, result)
    yield from _whole(decal, result)
    yield from colour_findings(decal, result)


def _gap(decal: Decal, result: DecalResult) -> Iterator[Finding]:
    """The least and the greatest distance to the trimmed edge, where the definition limits them."""
    lower, upper = decal.gap_lower_mm, decal.gap_upper_mm
    if lower is None and upper is None:
        return
    at = (float(decal.patch.origin_mm[0]), float(decal.patch.origin_mm[1]))
    name, gap = f"decal {decal.name} gap", result.gap
    if gap is None or gap.seen_share < LEAST_SEEN:
        reason = "its gap to the trimmed edge cannot be told: the edge beside it is not seen"
        yield no_result(name, decal.words, None, reason, at=at)
        return
    for word, quantity, along in (("least", gap.least, gap.least_at_mm), ("most", gap.most, gap.most_at_mm)):
        if (lower is None and word == "least") or (upper is None and word == "most"):
            continue
        limit = f"at least {lower:.2f}" if word == "least" else f"at most {upper:.2f}"
        sentence = f"{capital(decal.words)}: {quantity.value:.2f} mm from its {gap.side} side to the trimmed edge, "
        sentence += f"{along:.0f} mm along it (limit {limit} mm)"
        low, high = (lower, None) if word == "least" else (None, upper)
        yield simple(
            f"{name} {word}",
            decal.words,
            quantity,
            low,
            high,
            decal.guard_factor,
            sentence,
            LIFT,
            frame="from the trimmed edge",
            at=at,
        )


def _whole(decal: Decal, result: DecalResult) -> Iterator[Finding]:
    """A decal that is not whole, its largest faults first; where only glare hides it nobody can tell."""
    name = f"decal {decal.name} whole"
    faults = [fault for fault in result.faults if fault.kind is not FaultKind.COLOUR]
    real = [fault for fault in faults if fault.kind is not FaultKind.GLARE]
    faults = real or faults
    if not faults:
        if decal.bubbles and not result.bubbles_unjudged <= UNJUDGED:  # not a number: nobody looked
            share = f"{100 * result.bubbles_unjudged:.0f} % of it"
            place = (float(decal.patch.origin_mm[0]), float(decal.patch.origin_mm[1]))
            reason = f"light is too dim or uneven to judge bubbles on {share}"
            if math.isnan(result.bubbles_unjudged):
                reason = "bubbles are to be judged and were not looked for"
            yield replace(no_result(name, decal.words, None, reason, at=place), action=LIGHT)
        return
    spot = decal.patch.points(faults[0].at_mm[:1], faults[0].at_mm[1:2])[0]
    at = (float(spot[0]), float(spot[1]))
    told = "; ".join(f"{where_on(decal, fault)}: {fault_words(fault)}" for fault in faults[:3])
    more = f"; {len(faults) - 3} more" if len(faults) > 3 else ""
    if real:
        lay = PRESS if all(fault.kind is FaultKind.BUBBLE for fault in real) else NEW_ONE
        yield wrong(name, decal.words, f"{decal.words}, {told}{more}", lay, at)
        return
    reason = f"whether it is whole cannot be judged: glare, {told}{more}"
    yield replace(no_result(name, decal.words, None, reason, at=at), action=SHADE)


def fault_words(fault: DecalFault) -> str:
    if fault.off_by is not None:
        where = f"{fault.ink} " if fault.ink else ""
        return f"{where}off in colour by ΔE {fault.off_by.value:.1f}, {fault.length_mm:.0f} x {fault.width_mm:.0f} mm"
    size = f"{fault.area_mm2:.0f} mm²" if fault.area_mm2 < 99.5 else f"{fault.area_mm2 / 100:.1f} cm²"
    return f"{size} {FAULT_WORDS[fault.kind]}"


def whole_words(result: DecalResult) -> str:
    """Is it whole? "yes", "no", "not looked at" or what could not be judged."""
    if not result.faults_sought:
        return "not looked at"
    if kinds := {fault.kind for fault in result.faults} - {FaultKind.COLOUR}:
        return "cannot judge: glare" if kinds == {FaultKind.GLARE} else "no"
    if math.isnan(result.bubbles_unjudged):
        return "yes; bubbles not judged"
    return "cannot judge bubbles: dim or uneven light" if result.bubbles_unjudged > UNJUDGED else "yes"


def where_on(decal: Decal, fault: DecalFault) -> str:
    """Where on the artwork, in words: "upper right corner", "left edge", "middle"."""
    half = (decal.artwork.width_mm / 2, decal.artwork.height_mm / 2)
    across, up = (
        0 if abs(at) < side / 3 else 1 if at > 0 else -1 for at, side in zip(map(float, fault.at_mm), half, strict=True)
    )
    words = [{1: "upper", -1: "lower", 0: ""}[up], {1: "right", -1: "left", 0: ""}[across]]
    if across and up:
        near = all(side - abs(float(at)) < CORNER_MM for at, side in zip(fault.at_mm, half, strict=True))
        return " ".join((*words, "corner" if near else "part"))
    return f"{words[0]}{words[1]} part" if across or up else "middle"


def _another_artwork(decal: Decal, result: DecalResult) -> str:
    """What is wrong with the print, however well it is placed; "" nothing."""
    if result.found_variant not in (None, decal.variant):
        return f"found decal {result.found_variant}, this order needs {decal.variant}"
    if result.mirrored:
        return "the decal's print is mirrored"
    return "the decal is upside down" if result.upside_down else ""


def _way(value: float, positive: str, negative: str) -> str:
    return f"{abs(value):.2f} mm {positive if value >= 0 else negative}"
