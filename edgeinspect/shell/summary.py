"""A shell definition in plain words, to be read and confirmed by a person before it judges anything."""

from __future__ import annotations

import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.shell.definition import (
    FLAW_KINDS,
    Arris,
    Check,
    CutOut,
    DatumScheme,
    FitBy,
    Frame,
    Freedom,
    Limits,
    ShellDefinition,
)

FLAW_WORDS = {"nick": "nicks", "burr": "burrs", "chatter": "chatter"}
FRAME_WORDS = {Frame.DATUM: "to the datums", Frame.FIXTURE: "to the fixture", Frame.BEST_FIT: "form only"}
DATUM_WORDS = {
    DatumScheme.FIXTURE: "the fixture itself",
    DatumScheme.PIPS: "formed pips",
    DatumScheme.HOLE_AND_SLOT: "cut hole and slot",
    DatumScheme.BEST_FIT: "best fit of the outline (form only: shows no path error)",
}
COARSE_MM = 0.02


def limits_words(limits: Limits) -> str:
    """Limits as a drawing writes them: ±0.5, or -0.4 / +0.6."""
    if limits.lower == -limits.upper:
        return f"±{limits.upper:g}"
    return f"{limits.lower:+g} / {limits.upper:+g}"


def size_words(cutout: CutOut) -> str:
    return (
        "⌀ " + f"{cutout.size_mm[0]:g}" if cutout.kind == "hole" else " × ".join(f"{size:g}" for size in cutout.size_mm)
    )


def best_fit_words(definition: ShellDefinition) -> str:
    """How form alone is fitted, and whether anything is judged by it."""
    fit = definition.best_fit
    by = {FitBy.LEAST_SQUARES: "least squares", FitBy.MINIMUM_ZONE: "minimum zone"}[fit.by]
    free = ", ".join(str(freedom) for freedom in Freedom if freedom in fit.freedoms)
    judged = f"judges where the drawing says so ({fit.drawing})" if fit.drawing else "shown, judges nothing"
    return f"best fit (form only): {by}, free in {free}; {judged}"


def expansion_words(definition: ShellDefinition) -> str:
    value, u = 1e6 * definition.material.expansion_per_k, 1e6 * definition.material.u_expansion_per_k
    return f"expands {value:g} µm per m and °C, u = {u:g}"


def units_question(definition: ShellDefinition) -> str:
    """The one question that catches inches and the wrong drawing: does it have this size?"""
    length, width, height = np.ptp(definition.rim.points_mm, axis=0)
    return f"{length:.0f} x {width:.0f} mm: right? (the rim rises and falls {height:.0f} mm)"


def chord_sag_mm(points_mm: Array) -> float:
    """About how far a drawn curve bulges beyond the chords of a closed polyline (N, 2 or 3) [mm].

    Where chords turn the same way three times running, by less than 20 degrees each, they stand for an arc; a chord of
    length c between turns of a sags c a / 8. A single corner is a corner.
    """
    chord = (np.roll(points_mm, -1, axis=0) - points_mm)[:, :2]
    length = np.linalg.norm(chord, axis=1)
    before = np.roll(chord, 1, axis=0)
    cross = before[:, 0] * chord[:, 1] - before[:, 1] * chord[:, 0]
    turn = np.arctan2(cross, np.sum(before * chord, axis=1))
    smooth = np.abs(turn) < np.radians(20.0)
    arc = smooth.copy()
    for shift in (-1, 1):
        arc &= np.roll(smooth, shift) & (np.roll(turn, shift) * turn > 0)
    sag = np.where(arc, np.minimum(length, np.roll(length, 1)) * np.abs(turn) / 8.0, 0.0)
    return float(sag.max())


def notes(definition: ShellDefinition) -> list[str]:
    """What is allowed but may not be meant."""
    found: list[str] = []
    curves = [definition.rim, *(cutout.curve for cutout in definition.cutouts)]
    for curve in curves:
        sag = chord_sag_mm(curve.points_mm)
        if sag > COARSE_MM:
            found.append(f"curve {curve.name} is coarse: its chords leave the drawn curve by about {sag:.2f} mm")
    flat = [curve.name for curve in curves if not np.any(curve.face_slope)]
    if flat:
        found.append(f"no slope of the sheet along {', '.join(flat)}: level there, or without a face curve")
    if np.ptp(definition.rim.points_mm[:, 2]) < 0.01:
        found.append("the rim lies at one height all the way")
    limited = {flaw.kind for flaw in definition.flaws}
    unlimited = [FLAW_WORDS[kind] for kind in FLAW_KINDS if kind not in limited]
    if Check.TRIM in definition.checks and unlimited:
        found.append(f"no limits for {', '.join(unlimited)}: told, and not judged")
    if definition.decals and Check.DECAL not in definition.checks:
        found.append("decals are defined but not checked")
    if definition.arris is Arris.BACK:
        found.append("the back-face arris is measured only where a camera sees the cut face: elsewhere it is NO RESULT")
    if definition.datum is DatumScheme.FIXTURE:
        found.append("datum is the fixture: how the shell sits in it cannot be told from how it was cut")
    return found


def summary(definition: ShellDefinition) -> list[str]:
    """Plain lines: size to confirm, what will be checked against which limits, what to look at again."""
    d = definition
    lines = [
        f"{d.title} ({d.name}), revision {d.revision}",
        units_question(d),
        f"rim {d.rim.length_mm:.1f} mm long, {len(d.rim.points_mm)} points; arris: {d.arris} face",
        f"{d.material.name}, sheet {d.sheet_mm:g} mm, {d.colour}" + ("" if d.hand == "none" else f", {d.hand}-hand"),
        expansion_words(d),
        f"datum: {DATUM_WORDS[d.datum]}" + (f" ({', '.join(pip.name for pip in d.pips)})" if d.pips else ""),
        best_fit_words(d),
        f"filter {d.filter_cutoff_mm:g} mm, step {d.step_mm:g} mm, search band ±{d.search_band_mm:g} mm",
    ]
    if Check.TRIM in d.checks:
        lines.append("checked after the trim:")
        for zone in d.zones:
            stretch = f"{zone.from_mm:.1f} to {zone.to_mm:.1f} mm"
            guard = f"guard {zone.limits.guard_factor:g} u"
            lines.append(
                f"  {zone.words}: {limits_words(zone.limits)} mm {FRAME_WORDS[zone.frame]}, {guard} ({stretch})"
            )
        path = d.path
        guard = f"guard {path.guard_factor:g} u"
        lines.append(f"  trim path: shift up to {path.shift_mm:g} mm, turn up to {path.rotation_deg:g}°, {guard}")
        for flaw in d.flaws:
            size = f"up to {flaw.length_mm:g} mm long or {flaw.depth_mm:g} mm deep"
            lines.append(f"  {FLAW_WORDS[flaw.kind]} of every cut edge: {size}, guard {flaw.guard_factor:g} u")
        for cutout in d.cutouts:
            place = f"place within {cutout.position_limit_mm:g} mm, guard {cutout.guard_factor:g} u"
            lines.append(f"  {cutout.words}: {size_words(cutout)} {limits_words(cutout.size_limits)} mm, {place}")
    if Check.DECAL in d.checks:
        lines.append("checked after the decal:")
        for decal in d.decals:
            size = f"{decal.artwork.width_mm:g} x {decal.artwork.height_mm:g} mm"
            offset = f"offset up to {decal.offset_limit_mm:g} mm, turn up to {decal.rotation_limit_deg:g}°"
            lines.append(f"  {decal.words} ({decal.variant}): {size}, {offset}, guard {decal.guard_factor:g} u")
            gaps = [f"at least {decal.gap_lower_mm:g} mm"] if decal.gap_lower_mm is not None else []
            gaps += [f"at most {decal.gap_upper_mm:g} mm"] if decal.gap_upper_mm is not None else []
            gap = f"; gap to the trimmed edge {', '.join(gaps)}" if gaps else ""
            lines.append(f"    told {decal.datum.words}{gap}; its surface may be off by {decal.surface.words}")
            if decal.colour is not None:
                named = ", ".join(ink.name for ink in decal.colour.inks) or "none: as sRGB"
                over = f"over {decal.colour.area_mm2:g} mm², {decal.colour.illuminant}"
                lines.append(f"    colours off by up to ΔE {decal.colour.limit_de:g} (CIEDE2000) {over}; inks: {named}")
    found = notes(d)
    if found:
        lines += ["look again:", *(f"  {note}" for note in found)]
    return lines
