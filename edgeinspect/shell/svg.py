"""The few pieces of SVG that a drawing is made of. Positions are page pixels, y down."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
import shapely

from edgeinspect.geometry import Array

# Colours tell neighbours apart and nothing else: red and green mean answers and are never used in a drawing.
INK, MUTED, FAINT, PAPER, SHEET, ACCENT = "#1b2733", "#56646f", "#c9d0d6", "#ffffff", "#f4f1ea", "#5d4a8a"
FONT = "'DejaVu Sans', 'Segoe UI', Arial, sans-serif"

Place = Sequence[float] | Array


def text(at: Place, words: str, size: float = 13.0, **style: str) -> str:
    return f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" font-size="{size:g}"{_look(style, fill=INK)}>{escape(words)}</text>'


def line(start: Place, end: Place, colour: str = MUTED, width: float = 1.0, dash: str = "none") -> str:
    return (
        f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" stroke="{colour}" '
        f'stroke-width="{width:g}" stroke-dasharray="{dash}"/>'
    )


def circle(at: Place, radius: float, **style: str) -> str:
    return f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="{radius:.1f}"{_look(style)}/>'


def rectangle(at: Place, wide: float, high: float, **style: str) -> str:
    return f'<rect x="{at[0]:.1f}" y="{at[1]:.1f}" width="{wide:.1f}" height="{high:.1f}"{_look(style)}/>'


def path(points: Array, closed: bool = False, **style: str) -> str:
    """A polyline through page points (N, 2), thinned out to below a tenth of a pixel."""
    thin = np.asarray(shapely.LineString(points).simplify(0.08).coords)
    steps = " L".join(f"{x:.1f} {y:.1f}" for x, y in thin)
    return f'<path d="M{steps}{" Z" if closed else ""}"{_look(style)}/>'


def area(shape: shapely.Geometry, **style: str) -> str:
    """Filled polygons, their holes left open."""
    rings = [ring for polygon in shapely.get_parts(shape) for ring in (polygon.exterior, *polygon.interiors)]
    steps = " ".join("M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in ring.coords[:-1]) + " Z" for ring in rings)
    return f'<path d="{steps}" fill-rule="evenodd"{_look(style)}/>'


def arrow_head(tip: Array, along: Array, colour: str) -> str:
    """A filled triangle that ends at ``tip`` (2,) and points along the unit vector ``along`` (2,)."""
    wing = 4.5 * np.array([-along[1], along[0]])
    corners = " ".join(f"{x:.1f},{y:.1f}" for x, y in (tip, tip - 10 * along + wing, tip - 10 * along - wing))
    return f'<polygon points="{corners}" fill="{colour}"/>'


def number(at: Place, words: str, colour: str) -> str:
    """A number in a ring, the same in the plan and in the table."""
    ring = circle(at, 10.5, fill=PAPER, stroke=colour, stroke_width="2.5")
    return ring + text((at[0], at[1] + 4), words, 11.5, text_anchor="middle", font_weight="bold")


def _look(style: dict[str, str], **default: str) -> str:
    return "".join(f' {key.replace("_", "-")}="{escape(value)}"' for key, value in {**default, **style}.items())
