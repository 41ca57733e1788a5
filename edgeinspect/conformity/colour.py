"""Judging the colours of a decal's print: CIEDE2000 against its limit, with the guard band like all else."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from edgeinspect.conformity.verdict import LEAST_SEEN, SHADE, Answer, Finding, capital, no_result, simple
from edgeinspect.measure.measurement import DecalFault, DecalResult, FaultKind
from edgeinspect.shell.definition import Decal

WRONG_INK = "set aside; compare its batch with a known-good print"


def colour_findings(decal: Decal, result: DecalResult) -> Iterator[Finding]:
    """One finding where the definition limits its colours, none elsewhere."""
    limit, colour = decal.colour, result.colour
    if limit is None:
        return
    name, at = f"decal {decal.name} colour", (float(decal.patch.origin_mm[0]), float(decal.patch.origin_mm[1]))
    if colour is None or colour.worst is None:
        reason = colour.untold if colour else "its colours were not looked at"
        action = colour.action if colour else "look again"
        yield replace(no_result(name, decal.words, None, reason, unit="ΔE", at=at), action=action)
        return
    if colour.illuminant != limit.illuminant or colour.area_mm2 != limit.area_mm2:  # judged again
        reason = f"its colours were told for {colour.illuminant} and areas of {colour.area_mm2:g} mm²"
        yield no_result(name, decal.words, None, reason, unit="ΔE", at=at)
        return
    if colour.worst_at_mm is not None:
        spot = decal.patch.points(colour.worst_at_mm[:1], colour.worst_at_mm[1:2])[0]
        at = (float(spot[0]), float(spot[1]))
    found = simple(
        name,
        decal.words,
        colour.worst,
        None,
        limit.limit_de,
        decal.guard_factor,
        capital(f"{decal.words}: {_words(decal, result)}"),
        WRONG_INK,
        unit="ΔE",
        frame=f"CIEDE2000, {colour.illuminant}",
        at=at,
    )
    if found.answer is not Answer.NONCONFORMING and not colour.told_share >= LEAST_SEEN:
        reason = f"its colours are seen over {colour.told_share:.0%} of what can be told only: glare, or cut off"
        found = replace(no_result(name, decal.words, None, reason, unit="ΔE", at=at), action=SHADE)
    yield found


def _words(decal: Decal, result: DecalResult) -> str:
    """The largest regions that are off, or the greatest difference where none is."""
    assert decal.colour is not None and result.colour is not None and result.colour.worst is not None
    limit = f"(limit {decal.colour.limit_de:.1f})"
    off = [fault for fault in result.faults if fault.kind is FaultKind.COLOUR and fault.off_by is not None]
    worst = result.colour
    if not off:
        ink = f" in {worst.worst_ink}" if worst.worst_ink else ""
        assert worst.worst is not None
        return f"colours off by ΔE {worst.worst.value:.1f} at most{ink} {limit}{_not_told(result)}"
    off = sorted(off, key=lambda one: -one.area_mm2)
    first = {fault.ink: fault for fault in reversed(off)}  # the largest of each ink
    told = list[str]()
    for fault in sorted(first.values(), key=_difference, reverse=True)[:3]:
        words = f"{fault.ink} field ΔE {_difference(fault):.1f}".lstrip()
        if not told:
            place = f"{_way(float(fault.at_mm[0]), 'right', 'left')}, {_way(float(fault.at_mm[1]), 'up', 'down')}"
            words += f" {limit}, {fault.length_mm:.0f} x {fault.width_mm:.0f} mm, {place} of the middle"
        told.append(words)
    more = f"; {len(off) - len(told)} more" if len(off) > len(told) else ""
    return "colour off: " + "; ".join(told) + more


def _not_told(result: DecalResult) -> str:
    """Inks that nobody looked at: a green must not be taken to speak for them."""
    assert result.colour is not None
    names = [ink.name for ink in result.colour.inks if not ink.told_mm2]
    return f"; not told, printed too fine or not seen: {', '.join(names)}" if names else ""


def _difference(fault: DecalFault) -> float:
    return fault.off_by.value if fault.off_by is not None else 0.0


def _way(value: float, positive: str, negative: str) -> str:
    return f"{abs(value):.0f} mm {positive if value >= 0 else negative}"
