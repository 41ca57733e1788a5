"""The demo shell by formula: a lid bent about a cylinder, its trim curves, pips and decal patch. All in the shell
frame [mm].

Shared by both renderers and by models/toplid (written by ``toplid_files``). The lid is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from edgeinspect.geometry import Array, frozen

RADIUS_MM = 300.0
DROOP_FROM_MM, DROOP_PER_MM = 120.0, 0.00125
SHEET_MM = 3.0
LENGTH_MM, WIDTH_MM, CORNER_MM = 400.0, 300.0, 60.0
SCALLOP_X_MM, SCALLOP_WIDTH_MM, SCALLOP_DEPTH_MM = 85.0, 60.0, 6.0
NOTCH_HALF_MM, NOTCH_DEPTH_MM, NOTCH_MOUTH_MM, NOTCH_BOTTOM_MM = 7.0, 12.0, 2.5, 4.0
HOLE_CENTRE_MM, HOLE_DIAMETER_MM = (0.0, -118.0), 24.0
SLOT_CENTRES_MM = {"hinge_slot_left": (-110.0, 118.0), "hinge_slot_right": (110.0, 118.0)}
SLOT_LENGTH_MM, SLOT_WIDTH_MM = 30.0, 8.0
PIP_PLACES_MM = ((-165.0, 40.0), (165.0, 40.0), (0.0, -82.0))
PIP_DIAMETER_MM, PIP_HEIGHT_MM, PIP_WALL = 8.0, 3.0, float(np.tan(np.deg2rad(60.0)))
DECAL_V_MM = -25.0  # arc length from the crown
DECAL_SIZE_MM = (110.0, 45.0)
EXPANSION_PER_K, REFERENCE_C = 80e-6, 20.0
CHORD_MM = 0.0004  # greatest gap between a curve and its chords


def surface_z(x: Array, y: Array) -> Array:
    """Height of the show face without pips."""
    over = np.maximum(np.abs(x) - DROOP_FROM_MM, 0.0)
    return np.asarray(np.sqrt(RADIUS_MM**2 - y**2) - RADIUS_MM - DROOP_PER_MM * over**2)


def surface_slopes(x: Array, y: Array) -> tuple[Array, Array]:
    """dz/dx and dz/dy of the show face."""
    over = np.maximum(np.abs(x) - DROOP_FROM_MM, 0.0)
    return -2.0 * DROOP_PER_MM * over * np.sign(x), -y / np.sqrt(RADIUS_MM**2 - y**2)


def surface_normal(x: Array, y: Array) -> Array:
    """Outward unit normals (N, 3) of the show face."""
    sx, sy = surface_slopes(x, y)
    normal = np.column_stack([-sx, -sy, np.ones_like(sx)])
    return np.asarray(normal / np.linalg.norm(normal, axis=1, keepdims=True))


def back_z(x: Array, y: Array) -> Array:
    """Height of the back face: the sheet is 3 mm thick along its normal."""
    sx, sy = surface_slopes(x, y)
    return surface_z(x, y) - SHEET_MM * np.sqrt(1.0 + sx**2 + sy**2)


def on_surface(xy: Array) -> Array:
    """Plan points (N, 2) lifted onto the show face (N, 3)."""
    return np.column_stack([xy, surface_z(xy[:, 0], xy[:, 1])])


@dataclass(frozen=True)
class TrimCurve:
    """A closed curve in plan (N, 2), counter-clockwise, with its outward normal out of the material, and arc length on
    the surface.
    """

    name: str
    xy_mm: Array
    is_hole: bool

    @property
    def points_mm(self) -> Array:
        return on_surface(self.xy_mm)

    @property
    def arc_mm(self) -> Array:
        steps = np.linalg.norm(np.roll(self.points_mm, -1, axis=0) - self.points_mm, axis=1)
        return np.concatenate([[0.0], np.cumsum(steps[:-1])])

    @property
    def length_mm(self) -> float:
        return float(np.linalg.norm(np.roll(self.points_mm, -1, axis=0) - self.points_mm, axis=1).sum())

    @property
    def normals(self) -> Array:
        """Unit normals (N, 2) in plan out of the material: outwards for the rim, into the hole for a cut-out."""
        return plan_normals(self.xy_mm) * (-1.0 if self.is_hole else 1.0)


def plan_normals(xy: Array) -> Array:
    """Unit normals (N, 2) to the right of a counter-clockwise closed polyline, from the neighbours on both sides."""
    before, after = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
    before = before / np.sum(before**2, axis=1, keepdims=True)  # the nearer neighbour counts more: a circle stays exact
    after = after / np.sum(after**2, axis=1, keepdims=True)
    tangent = before + after
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    return np.column_stack([tangent[:, 1], -tangent[:, 0]])


def _line(start: tuple[float, float], end: tuple[float, float], step_mm: float = 0.5) -> Array:
    a, b = np.asarray(start), np.asarray(end)
    count = int(np.ceil(np.linalg.norm(b - a) / step_mm))
    return np.asarray(a + np.arange(count)[:, None] / count * (b - a))


def _arc(centre: tuple[float, float], radius: float, from_deg: float, to_deg: float) -> Array:
    step = min(0.5, np.sqrt(8.0 * radius * CHORD_MM))
    count = int(np.ceil(abs(np.deg2rad(to_deg - from_deg)) * radius / step))
    angle = np.deg2rad(from_deg + (to_deg - from_deg) * np.arange(count) / count)
    return np.column_stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)])


def _scallop(centre_x: float, side: float) -> Array:
    """Raised-cosine dip (least radius 30 mm), walked with the material on the left: -x on the rear side, +x on the
    front.
    """
    step = 0.15  # chord error 0.15^2 / (8 * 30) = 0.1 um
    t = np.arange(0.0, SCALLOP_WIDTH_MM, step) - SCALLOP_WIDTH_MM / 2
    depth = SCALLOP_DEPTH_MM / 2 * (1 + np.cos(2 * np.pi * t / SCALLOP_WIDTH_MM))
    return np.column_stack([centre_x - side * t, side * (WIDTH_MM / 2 - depth)])


@cache
def _rim_pieces() -> tuple[tuple[str, Array], ...]:
    """The rim in order, counter-clockwise from (200, 0); each piece under the name of the zone that it belongs to."""
    hx, hy, r = LENGTH_MM / 2, WIDTH_MM / 2, CORNER_MM
    sx, half = SCALLOP_X_MM, SCALLOP_WIDTH_MM / 2
    n, mouth, bottom, floor = NOTCH_HALF_MM, NOTCH_MOUTH_MM, NOTCH_BOTTOM_MM, WIDTH_MM / 2 - NOTCH_DEPTH_MM
    return (
        ("right-end", _line((hx, 0), (hx, hy - r))),
        ("rear-right-corner", _arc((hx - r, hy - r), r, 0, 90)),
        ("rear-right-corner", _line((hx - r, hy), (sx + half, hy))),
        ("rear-right-scallop", _scallop(sx, 1.0)),
        ("rear-right-of-notch", _line((sx - half, hy), (n + mouth, hy))),
        ("cable-notch", _arc((n + mouth, hy - mouth), mouth, 90, 180)),
        ("cable-notch", _line((n, hy - mouth), (n, floor + bottom), 0.25)),
        ("cable-notch", _arc((n - bottom, floor + bottom), bottom, 0, -90)),
        ("cable-notch", _line((n - bottom, floor), (-n + bottom, floor), 0.25)),
        ("cable-notch", _arc((-n + bottom, floor + bottom), bottom, -90, -180)),
        ("cable-notch", _line((-n, floor + bottom), (-n, hy - mouth), 0.25)),
        ("cable-notch", _arc((-n - mouth, hy - mouth), mouth, 0, 90)),
        ("rear-left-of-notch", _line((-n - mouth, hy), (-sx + half, hy))),
        ("rear-left-scallop", _scallop(-sx, 1.0)),
        ("rear-left-corner", _line((-sx - half, hy), (-hx + r, hy))),
        ("rear-left-corner", _arc((-hx + r, hy - r), r, 90, 180)),
        ("left-end", _line((-hx, hy - r), (-hx, -hy + r))),
        ("front-left-corner", _arc((-hx + r, -hy + r), r, 180, 270)),
        ("front-left-corner", _line((-hx + r, -hy), (-sx - half, -hy))),
        ("front-left-scallop", _scallop(-sx, -1.0)),
        ("front-middle", _line((-sx + half, -hy), (sx - half, -hy))),
        ("front-right-scallop", _scallop(sx, -1.0)),
        ("front-right-corner", _line((sx + half, -hy), (hx - r, -hy))),
        ("front-right-corner", _arc((hx - r, -hy + r), r, 270, 360)),
        ("right-end", _line((hx, -hy + r), (hx, 0))),
    )


ZONE_WORDS = {
    "right-end": "right end",
    "rear-right-corner": "rear right corner",
    "rear-right-scallop": "rear right scallop",
    "rear-right-of-notch": "rear, right of the cable notch",
    "cable-notch": "cable notch",
    "rear-left-of-notch": "rear, left of the cable notch",
    "rear-left-scallop": "rear left scallop",
    "rear-left-corner": "rear left corner",
    "left-end": "left end",
    "front-left-corner": "front left corner",
    "front-left-scallop": "front left scallop",
    "front-middle": "front middle",
    "front-right-scallop": "front right scallop",
    "front-right-corner": "front right corner",
}


@cache
def rim() -> TrimCurve:
    return TrimCurve("rim", frozen(np.vstack([points for _, points in _rim_pieces()])), is_hole=False)


@cache
def zone_spans_mm() -> dict[str, tuple[float, float]]:
    """Arc length from and to of every zone; ``right-end`` runs over the start point."""
    arc = rim().arc_mm
    starts: dict[str, float] = {}
    order: list[str] = []
    at = 0
    for name, points in _rim_pieces():
        if not order or order[-1] != name:
            order.append(name)
            starts[name] = float(arc[at])  # of the last piece with that name: right where the wrapped zone starts
        at += len(points)
    names = order[:-1]
    ends = {a: starts[b] for a, b in zip(names[1:], [*names[2:], order[-1]], strict=True)}
    spans = {name: (starts[name], ends[name]) for name in names[1:]}
    return {order[0]: (starts[order[-1]], starts[names[1]]), **spans}


def circle(centre_mm: tuple[float, float], diameter_mm: float) -> Array:
    return _arc(centre_mm, diameter_mm / 2, 0, 360)


def slot(centre_mm: tuple[float, float], length_mm: float, width_mm: float) -> Array:
    """Round-ended slot along x, overall length between the ends."""
    (x, y), r, h = centre_mm, width_mm / 2, (length_mm - width_mm) / 2
    return np.vstack(
        [
            _line((x - h, y - r), (x + h, y - r), 0.25),
            _arc((x + h, y), r, -90, 90),
            _line((x + h, y + r), (x - h, y + r), 0.25),
            _arc((x - h, y), r, 90, 270),
        ]
    )


@cache
def cutouts() -> dict[str, TrimCurve]:
    curves = {"lock_hole": TrimCurve("lock_hole", frozen(circle(HOLE_CENTRE_MM, HOLE_DIAMETER_MM)), is_hole=True)}
    for name, centre in SLOT_CENTRES_MM.items():
        curves[name] = TrimCurve(name, frozen(slot(centre, SLOT_LENGTH_MM, SLOT_WIDTH_MM)), is_hole=True)
    return curves


def cutout_centre_mm(name: str) -> tuple[float, float]:
    return HOLE_CENTRE_MM if name == "lock_hole" else SLOT_CENTRES_MM[name]


def cutout_sizes_mm(name: str) -> tuple[float, ...]:
    """(diameter,) of the hole, (length, width) of a slot."""
    return (HOLE_DIAMETER_MM,) if name == "lock_hole" else (SLOT_LENGTH_MM, SLOT_WIDTH_MM)


def cutout_xy_mm(name: str, sizes_mm: tuple[float, ...]) -> Array:
    """The cut-out at its nominal place in other sizes (N, 2)."""
    centre = cutout_centre_mm(name)
    return circle(centre, sizes_mm[0]) if name == "lock_hole" else slot(centre, sizes_mm[0], sizes_mm[1])


def pip_tops_mm() -> Array:
    """Centres (3, 3) of the flat round tops."""
    tops = on_surface(np.asarray(PIP_PLACES_MM))
    tops[:, 2] += PIP_HEIGHT_MM
    return tops


def pip_base_radius_mm(place: int, angle: Array) -> Array:
    """Where the pip's wall meets the sheet, from the pip's axis, at plan angles (N,) [rad]: a fixed point of height."""
    x, y, top = pip_tops_mm()[place]
    radius = np.full_like(angle, PIP_DIAMETER_MM / 2 + PIP_HEIGHT_MM / PIP_WALL)
    for _ in range(60):
        radius = (
            PIP_DIAMETER_MM / 2 + (top - surface_z(x + radius * np.cos(angle), y + radius * np.sin(angle))) / PIP_WALL
        )
    return radius


def decal_frame() -> tuple[Array, Array]:
    """Origin (3,) of the nominal decal on the sheet and the outward normal there."""
    a = DECAL_V_MM / RADIUS_MM
    return np.array([0.0, RADIUS_MM * np.sin(a), RADIUS_MM * (np.cos(a) - 1.0)]), np.array([0.0, np.sin(a), np.cos(a)])
