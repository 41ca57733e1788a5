"""Judging decals: there, the right one, and in its place."""

from __future__ import annotations

from collections.abc import Iterator

from edgeinspect.conformity.verdict import (
    FRAME_WORDS,
    LIFT,
    RIGHT_ONE,
    Finding,
    capital,
    no_result,
    not_there,
    simple,
    turn_words,
    wrong,
)
from edgeinspect.measure.measurement import DecalResult, Stop
from edgeinspect.shell.definition import Decal, Frame


def decal_findings(decal: Decal, result: DecalResult | None, stop: Stop | None) -> Iterator[Finding]:
    name, place = f"decal {decal.name}", (float(decal.patch.origin_mm[0]), float(decal.patch.origin_mm[1]))
    if result is not None and result.there is False:
        yield not_there(name, decal.words, "lay the decal, look again", place)
        return
    if result is not None and result.there and (other := _another_artwork(decal, result)):
        yield wrong(f"{name} artwork", decal.words, f"{decal.words}: {other}", RIGHT_ONE, place)
        return
    if not (result and result.there and result.dx and result.dy and result.rotation):
        yield no_result(name, decal.words, stop, "it could not be measured: glare, damage or another artwork", at=place)
        return
    ways = (
        _way(result.dx.value, "right", "left"),
        _way(result.dy.value, "up", "down"),
        turn_words(result.rotation.value),
    )
    off = ", ".join(ways)
    frame = FRAME_WORDS[Frame.DATUM]
    for axis, quantity, limit, unit in (
        ("across", result.dx, decal.offset_limit_mm, "mm"),
        ("up", result.dy, decal.offset_limit_mm, "mm"),
        ("rotation", result.rotation, decal.rotation_limit_deg, "deg"),
    ):
        shown = f"{limit:.2f} mm" if unit == "mm" else f"{limit:.2f}°"
        sentence = f"{capital(decal.words)}: {off} (limit of {axis} ±{shown})"
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


def _another_artwork(decal: Decal, result: DecalResult) -> str:
    """What is wrong with the print, however well it is placed; "" nothing."""
    if result.found_variant not in (None, decal.variant):
        return f"found decal {result.found_variant}, this order needs {decal.variant}"
    if result.mirrored:
        return "the decal's print is mirrored"
    return "the decal is upside down" if result.upside_down else ""


def _way(value: float, positive: str, negative: str) -> str:
    return f"{abs(value):.2f} mm {positive if value >= 0 else negative}"
