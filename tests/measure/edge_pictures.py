"""Pictures of a flat plate with flaws in its edge, by area coverage: no code of edgeinspect draws them.

A plate 150 x 100 mm with corners of radius 20 lies square before the camera, which looks straight down from 900 mm:
X mm right of the axis is seen at cx + scale * X. Sixteen fine pixels a pixel, then the lens's Gaussian, then noise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import shapely
import shapely.affinity
from numpy.typing import NDArray

from edgeinspect.geometry import Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.place import Scan, scan
from edgeinspect.measure.ribbon import lay_stations
from edgeinspect.measure.shot import Shot
from edgeinspect.shell.definition import Curve

Array = NDArray[np.float64]
HALF_X, HALF_Y, RADIUS = 75.0, 50.0, 20.0
FINE = 4
HEIGHT_MM = 900.0


def outline() -> Array:
    """(N, 2) counter-clockwise from (75, -30), points 0.05 mm apart on the corners."""
    inner = shapely.box(RADIUS - HALF_X, RADIUS - HALF_Y, HALF_X - RADIUS, HALF_Y - RADIUS)
    ring = shapely.geometry.polygon.orient(inner.buffer(RADIUS, quad_segs=600)).exterior
    xy = np.asarray(ring.coords)[:-1]
    first = int(np.argmin(np.hypot(xy[:, 0] - HALF_X, xy[:, 1] + HALF_Y - RADIUS)))
    return np.roll(xy, -first, axis=0)


OUTLINE = outline()
STEPS = np.linalg.norm(np.roll(OUTLINE, -1, axis=0) - OUTLINE, axis=1)
ARC = np.concatenate([[0.0], np.cumsum(STEPS)])
LENGTH = float(ARC[-1])


def at_arc(arc_mm: Array | float) -> tuple[Array, Array]:
    """Points (N, 2) and outward normals (N, 2)."""
    arc = np.atleast_1d(np.asarray(arc_mm, dtype=float))
    closed = np.vstack([OUTLINE, OUTLINE[:1]])

    def there(s: Array) -> Array:
        return np.column_stack([np.interp(s % LENGTH, ARC, closed[:, k]) for k in range(2)])

    run = there(arc + 0.02) - there(arc - 0.02)
    run /= np.linalg.norm(run, axis=1)[:, None]
    return there(arc), np.column_stack([run[:, 1], -run[:, 0]])


SHAPES: dict[str, Callable[[Array], Array]] = {
    "parabola": lambda t: 1 - t**2,
    "half ellipse": lambda t: np.sqrt(1 - t**2),
    "triangle": lambda t: 1 - np.abs(t),
    "trapezoid": lambda t: np.clip((1 - np.abs(t)) * 2.0, 0.0, 1.0),
    "rectangle": lambda t: np.where(np.abs(t) < 0.999, 1.0, 0.0),
}


@dataclass
class Plate:
    """What the picture shows: each piece is a polygon in mm with its brightness; later ones lie over earlier ones."""

    wave_mm: float = 0.0
    wave_length_mm: float = 100.0
    missing: list[shapely.Polygon] = field(default_factory=list)
    added: list[shapely.Polygon] = field(default_factory=list)  # of the plate's own brightness
    loose: list[tuple[shapely.Polygon, float]] = field(default_factory=list)
    face: float = 0.55
    ground: float = 0.05
    chatter: list[tuple[float, float, float, float]] = field(default_factory=list)  # middle, run, pitch, depth [mm]

    def wave_at(self, arc_mm: Array) -> Array:
        """How far the edge lies outside of the outline: one slow wave, and whole periods of every run of chatter."""
        waves = max(1, round(LENGTH / self.wave_length_mm))
        off = np.asarray(self.wave_mm * np.sin(2 * np.pi * waves * arc_mm / LENGTH))
        for middle, run, pitch, depth in self.chatter:
            away = (arc_mm - middle + LENGTH / 2) % LENGTH - LENGTH / 2 + run / 2
            off = off + np.where((away > 0) & (away < run), 0.5 * depth * np.sin(2 * np.pi * away / pitch), 0.0)
        return off

    def spoil(self, arc_mm: float, length_mm: float, depth_mm: float, shape: str = "parabola") -> None:
        """A nick (depth below 0) or a burr (above) of a shape, from the waved edge, a little over it."""
        t = np.linspace(-1.0, 1.0, 61)
        height = SHAPES[shape](t)
        arc = arc_mm + 0.5 * length_mm * t
        xy, normal = at_arc(arc)
        xy += self.wave_at(arc)[:, None] * normal
        far, near = xy + (depth_mm * height)[:, None] * normal, xy - 0.3 * np.sign(depth_mm) * normal
        area = shapely.Polygon(np.vstack([far, near[::-1]])).buffer(0)
        (self.missing if depth_mm < 0 else self.added).append(area)

    def area(self) -> shapely.Polygon:
        arc = np.arange(0.0, LENGTH, 0.1)
        xy, normal = at_arc(arc)
        cut = shapely.Polygon(xy + self.wave_at(arc)[:, None] * normal)
        cut = cut if not self.missing else cut.difference(shapely.union_all(self.missing))
        return cut if not self.added else cut.union(shapely.union_all(self.added))


def strand(points_mm: Array, width_mm: float) -> shapely.Polygon:
    return shapely.LineString(points_mm).buffer(width_mm / 2)


def from_edge(arc_mm: float, along_and_out: Array) -> Array:
    """Points (N, 2) given along the edge and out of it, at one place of the edge."""
    (xy,), (normal,) = at_arc(arc_mm)
    tangent = np.array([-normal[1], normal[0]])
    away = np.asarray(along_and_out, dtype=float)
    return np.asarray(xy + away[:, :1] * tangent + away[:, 1:] * normal)


def picture(
    plate: Plate,
    seed: int,
    *,
    mm_per_px: float = 0.3,
    blur_px: float = 0.8,
    noise: float = 0.006,
    off_px: tuple[float, float] = (0.0, 0.0),
    hot: list[tuple[int, int]] | None = None,
    lit: Callable[[Array, Array], Array] | None = None,
) -> tuple[NDArray[np.uint8], CameraModel]:
    """8-bit levels with shot and read noise (``noise`` at full scale), and the camera that saw them.

    ``lit`` - share of the usual light at x, y [mm].
    """
    scale = 1.0 / mm_per_px
    width, height = int(2 * HALF_X * scale) + 60, int(2 * HALF_Y * scale) + 60
    centre = np.array([width / 2 + off_px[0], height / 2 + off_px[1]])
    values = np.full((height * FINE, width * FINE), plate.ground, dtype=np.float32)
    for area, level in [(plate.area(), plate.face), *plate.loose]:
        _cover(values, area, level, centre, scale)
    sigma = float(np.sqrt(blur_px**2 - 1 / 12)) * FINE  # the pixel's own box is part of the blur
    values = cv2.GaussianBlur(values, (0, 0), sigma)
    light = cv2.resize(values, (width, height), interpolation=cv2.INTER_AREA).astype(float)
    if lit is not None:
        x, y = np.meshgrid((np.arange(width) - centre[0]) / scale, (centre[1] - np.arange(height)) / scale)
        light *= lit(x, y)
    random = np.random.default_rng(seed)
    light += random.normal(size=light.shape) * noise * np.sqrt(np.clip(light, 0, 1) + 0.1)
    for column, row in hot or []:
        light[row, column] = 0.95
    raw = np.clip(np.rint(light * 255), 0, 255).astype(np.uint8)
    focal = scale * HEIGHT_MM
    return raw, CameraModel(width, height, focal, focal, float(centre[0]), float(centre[1]), np.zeros(5))


def _cover(values: NDArray[np.float32], area: shapely.Polygon, level: float, centre: Array, scale: float) -> None:
    """Put a polygon over the fine grid: its edges are exact to 1/64 of a fine pixel, by coverage of 4 x 4 in each."""
    more, shift = 4, 6
    # fillPoly fills every cell that its line touches: half a cell too much all round
    for piece in shapely.get_parts(area.buffer(-0.5 / (FINE * more * scale))):
        low, high = np.array(piece.bounds[:2]), np.array(piece.bounds[2:])
        corners = np.array([[low[0], -high[1]], [high[0], -low[1]]]) * scale + centre
        left, top = np.maximum(np.floor(corners[0]).astype(int) - 2, 0) * FINE
        right, bottom = (np.ceil(corners[1]).astype(int) + 3) * FINE
        window = values[top:bottom, left:right]
        cover = np.zeros((window.shape[0] * more, window.shape[1] * more), dtype=np.uint8)
        rings = []
        for ring in (piece.exterior, *piece.interiors):
            px = np.asarray(ring.coords)[:-1] * [1, -1] * scale + centre  # pixel centres are integers
            fine = ((px + 0.5) * FINE - [left, top]) * more - 0.5
            rings.append(np.rint(fine * 2**shift).astype(np.int32))
        cv2.fillPoly(cover, rings, 255, lineType=cv2.LINE_8, shift=shift)
        share = cv2.resize(cover, (window.shape[1], window.shape[0]), interpolation=cv2.INTER_AREA) / np.float32(255)
        window += share * (np.float32(level) - window)


def look(raw: NDArray[np.uint8], camera: CameraModel, blur_px: float = 0.8) -> tuple[Shot, Scan]:
    """The plate's ribbon as measuring lays it."""
    points = np.column_stack([OUTLINE, np.zeros(len(OUTLINE))])
    curve = Curve("rim", points, np.zeros(len(points)))
    down = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, HEIGHT_MM]))
    shot = Shot("top", GreyPicture(raw), camera, down, blur_px, camera.fx / HEIGHT_MM)
    here = scan((shot,), lay_stations(curve, 0.5), 3.0)
    blur_px = float(here.edges.blur_mm[0] * here.lines.px_per_mm.mean())  # as the marks would give it
    return replace(shot, blur_px=blur_px), here
