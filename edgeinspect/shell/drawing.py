"""A shell definition drawn for people, as SVG: plan with zones and sizes, the rim's heights unrolled, all limits."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from edgeinspect.geometry import closed_arc_mm
from edgeinspect.shell import svg
from edgeinspect.shell.definition import Check, ShellDefinition
from edgeinspect.shell.plan_view import BORDER, GREATEST_WIDTH, PlanView, zone_tint
from edgeinspect.shell.summary import (
    DATUM_WORDS,
    FRAME_WORDS,
    expansion_words,
    limits_words,
    notes,
    size_words,
    summary,
    units_question,
)

__all__ = ["draw", "draw_bare", "summary"]

WIDTH, MARGIN, TABLE_WIDTH = 1620.0, 40.0, 540.0
TOP = 150.0  # below the heading
STRIP_HEIGHT = 104.0
ROW = 22.0


def draw(definition: ShellDefinition, variant: str | None = None, prints: Sequence[str] = ()) -> str:
    """The definition as an SVG document for a browser; with the decals of one variant (left out: the first).

    ``prints`` - sentences on what can be measured of the decals.
    """
    if variant is None and definition.decals:
        variant = definition.decals[0].variant
    plan = PlanView(definition, MARGIN, TOP, tuple(decal for decal in definition.decals if decal.variant == variant))
    heights, heights_bottom = _heights(definition, plan.bottom)
    table, table_bottom = _table(definition, TOP + 36, prints)
    high = max(heights_bottom, table_bottom) + MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {high:.0f}" width="{WIDTH:g}" '
        f'height="{high:.0f}" font-family="{svg.FONT}" role="img">',
        f"<title>{escape(definition.title)}: shell definition</title>",
        svg.rectangle((0, 0), WIDTH, high, fill=svg.PAPER),
        *_heading(definition),
        *plan.parts,
        *heights,
        *table,
        "</svg>\n",
    ]
    return "\n".join(parts)


def draw_bare(definition: ShellDefinition, variant: str) -> str:
    """The shell as it is known by sight, as SVG to be shown small: outline, cut-outs, the decal of one variant."""
    decals = tuple(decal for decal in definition.decals if decal.variant == variant)
    plan = PlanView(definition, 0.0, 0.0, decals, bare=True)
    x, y, wide, high = plan.box
    room = 0.03 * max(wide, high)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{x - room:.1f} {y - room:.1f} {wide + 2 * room:.1f} '
        f'{high + 2 * room:.1f}" width="{wide + 2 * room:.0f}" height="{high + 2 * room:.0f}" role="img">',
        f"<title>{escape(definition.title)}</title>",
        *plan.parts,
        "</svg>\n",
    ]
    return "\n".join(parts)


def _heading(d: ShellDefinition) -> list[str]:
    hand = "" if d.hand == "none" else f", {d.hand}-hand"
    facts = (
        f"{d.name}, revision {d.revision}{hand}   ·   {d.material.name} {d.sheet_mm:g} mm, {d.colour}   ·   "
        f"the drawing's arris: {d.arris} face   ·   datum: {DATUM_WORDS[d.datum]}"
    )
    return [
        svg.text((MARGIN, 62), d.title, 32, font_weight="bold"),
        svg.text((MARGIN, 94), facts, 15, fill=svg.MUTED),
        svg.text((MARGIN, 134), units_question(d), 20, font_weight="bold"),
        svg.line((MARGIN, TOP), (WIDTH - MARGIN, TOP), svg.INK, 1.5),
    ]


def _heights(d: ShellDefinition, below: float) -> tuple[list[str], float]:
    """The rim unrolled: its height over arc length, with the zones. Returns the pieces and where they end."""
    left, wide, top = MARGIN + 60, GREATEST_WIDTH + 2 * BORDER - 80, below + 62
    arc, length = closed_arc_mm(d.rim.points_mm)
    z = d.rim.points_mm[:, 2]
    low, high = float(z.min()), float(z.max())
    across, up = wide / length, (STRIP_HEIGHT - 8) / max(high - low, 1.0)
    parts = [svg.text((MARGIN, top - 34), "Height of the rim along its arc length [mm]", 14, font_weight="bold")]
    middle = {"text_anchor": "middle"}
    for place, zone in enumerate(d.zones):
        over_start = zone.to_mm <= zone.from_mm
        pieces = [(zone.from_mm, length), (0.0, zone.to_mm)] if over_start else [(zone.from_mm, zone.to_mm)]
        for begin, end in pieces:
            x, w = left + begin * across, (end - begin) * across
            tint = zone_tint(d, place)
            parts.append(svg.rectangle((x, top), w, STRIP_HEIGHT, fill=tint, fill_opacity="0.16"))
            if w > 14:
                parts.append(svg.text((x + w / 2, top - 5), str(place + 1), 11, font_weight="bold", **middle))
    curve = np.column_stack([left + np.append(arc, length) * across, top + 4 + (high - np.append(z, z[0])) * up])
    parts.append(svg.path(curve, fill="none", stroke=svg.INK, stroke_width="1.8"))
    for value in sorted({low, high}):
        y = top + 4 + (high - value) * up
        parts.append(svg.line((left - 5, y), (left, y), svg.INK))
        parts.append(svg.text((left - 8, y + 4), f"{value:.1f}", 11, text_anchor="end", fill=svg.MUTED))
    bottom = top + STRIP_HEIGHT
    for value in np.arange(0.0, length, 100.0 * np.ceil(44.0 / (100.0 * across))):
        x = left + value * across
        parts.append(svg.line((x, bottom), (x, bottom + 5), svg.INK))
        parts.append(svg.text((x, bottom + 18), f"{value:.0f}", 11, fill=svg.MUTED, **middle))
    return parts, bottom + 22


class _Column:
    """Rows of text from top to bottom."""

    def __init__(self, x: float, y: float) -> None:
        self.x, self.y = x, y
        self.parts: list[str] = []

    def title(self, words: str) -> None:
        rule = self.y + 20
        self.parts.append(svg.text((self.x, self.y + 12), words, 16, font_weight="bold"))
        self.parts.append(svg.line((self.x, rule), (self.x + TABLE_WIDTH, rule), svg.FAINT))
        self.y += ROW + 20

    def row(self, *cells: tuple[float, str, str], colour: str = svg.INK, size: float = 12.5) -> None:
        """``cells`` - position, words, anchor."""
        for x, words, anchor in cells:
            self.parts.append(svg.text((self.x + x, self.y), words, size, text_anchor=anchor, fill=colour))
        self.y += ROW

    def words(self, words: str) -> None:
        """A sentence, over as many rows as it needs."""
        rest = ""
        for word in words.split():
            if len(rest) + len(word) > 68:
                self.row((28.0, rest, "start"))
                rest = ""
            rest = f"{rest} {word}".strip()
        self.row((28.0, rest, "start"))


def _table(d: ShellDefinition, top: float, prints: Sequence[str]) -> tuple[list[str], float]:
    """Every limit in words. Returns the pieces and where they end."""
    column = _Column(WIDTH - MARGIN - TABLE_WIDTH, top - 12)
    if Check.TRIM in d.checks:
        column.title("After the trim")
        heads = (
            (28.0, "zone", "start"),
            (300.0, "from", "end"),
            (356.0, "to [mm]", "end"),
            (374.0, "limits [mm]", "start"),
        )
        column.row(*heads, colour=svg.MUTED, size=11.5)
        for place, zone in enumerate(d.zones):
            column.parts.append(svg.number((column.x + 11, column.y - 4), str(place + 1), zone_tint(d, place)))
            column.row(
                (28.0, zone.words, "start"),
                (300.0, f"{zone.from_mm:.1f}", "end"),
                (356.0, f"{zone.to_mm:.1f}", "end"),
                (374.0, limits_words(zone.limits), "start"),
                (450.0, FRAME_WORDS[zone.frame], "start"),
            )
        column.y += 6
        shift = f"shift ≤ {d.path.shift_mm:g} mm, turn ≤ {d.path.rotation_deg:g}°"
        column.row((28.0, "trim path as a whole", "start"), (252.0, shift, "start"))
        for cutout in d.cutouts:
            sizes = f"{size_words(cutout)}  {limits_words(cutout.size_limits)}, place ≤ {cutout.position_limit_mm:g}"
            column.row((28.0, cutout.words, "start"), (252.0, sizes, "start"))
    if Check.DECAL in d.checks:
        column.title("After the decal, before the coat")
        for decal in d.decals:
            limits = f"offset ±{decal.offset_limit_mm:g} mm, turn ±{decal.rotation_limit_deg:g}°"
            column.row((28.0, f"{decal.words} ({decal.variant})", "start"), (252.0, limits, "start"))
    column.title("How it is judged")
    column.words(f"limits less a guard band of {_guards(d)} × u (ISO 14253-1)")
    column.words(f"filter {d.filter_cutoff_mm:g} mm, step {d.step_mm:g} mm; + is too much material")
    column.words(f"at 20 °C; {expansion_words(d)}")
    if prints:
        column.title("What the prints tell")
        for line in prints:
            column.words(line)
    if notes(d):
        column.title("Look again")
        for note in notes(d):
            column.words(note)
    column.title("These files")
    column.words(f"sha256 {d.sha256[:32]}…")
    return column.parts, column.y


def _guards(d: ShellDefinition) -> str:
    """The guard factors in use."""
    factors = {zone.limits.guard_factor for zone in d.zones} | {d.path.guard_factor}
    factors |= {factor for cutout in d.cutouts for factor in (cutout.guard_factor, cutout.size_limits.guard_factor)}
    factors |= {decal.guard_factor for decal in d.decals}
    return " or ".join(f"{factor:g}" for factor in sorted(factors))
