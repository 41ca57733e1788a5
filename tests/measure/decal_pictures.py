"""Decals drawn without any of the measuring code: on a flat, a cylinder or a surface bent both ways, whole or damaged.

A pinhole camera looks straight down; every pixel, five by five within it, is looked up on the surface and in the
artwork. All in mm of the artwork: origin at its centre, x in reading direction, y up.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.shell.definition import Artwork, Decal, Patch, SurfacePatch

AWAY_MM = 900.0  # of the camera from the surface
FINE = 5
FULL_WELL, READ = 10500.0, 14.0  # electrons, of a small industrial sensor: common practice, no source
ART_PX_PER_MM = 30.0


@dataclass(frozen=True)
class Surface:
    """z = z(x) + z(y), each a circle; 0 is straight."""

    radius_u_mm: float = 0.0
    radius_v_mm: float = 0.0

    def z(self, x: Array, y: Array) -> Array:
        return _sag(x, self.radius_u_mm) + _sag(y, self.radius_v_mm)

    def along(self, x: Array, y: Array) -> tuple[Array, Array]:
        """(u, v) of places on it: lengths along the two circles."""
        return _arc(x, self.radius_u_mm), _arc(y, self.radius_v_mm)

    def patch(self) -> Patch | SurfacePatch:
        origin, x, normal = np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0])
        if self.radius_u_mm == 0:
            return Patch(origin, x, normal, self.radius_v_mm)
        u, v = np.meshgrid(np.arange(-85.0, 86.0), np.arange(-55.0, 56.0))
        across = self.radius_u_mm * np.sin(u / self.radius_u_mm)
        up = self.radius_v_mm * np.sin(v / self.radius_v_mm)
        return SurfacePatch(origin, x, normal, 1.0, np.stack([across, up, self.z(across, up)], axis=-1))


def _sag(x: Array, radius: float) -> Array:
    return np.sqrt(radius**2 - x**2) - radius if radius else np.zeros_like(x)


def _arc(x: Array, radius: float) -> Array:
    return radius * np.arcsin(x / radius) if radius else x


Damage = Callable[["Film"], None]


@dataclass
class Film:
    """What lies on the fine pixels: a damage changes it in place."""

    x: Array  # on the artwork [mm]
    y: Array
    ink: Array
    opacity: Array
    look: Callable[[Array, Array], tuple[Array, Array]]  # the artwork's ink and opacity anywhere
    size_mm: tuple[float, float]
    light: Array  # 1 as around
    added: Array  # light on top of all
    touched: Array  # where it is damaged


@dataclass(frozen=True)
class Laid:
    """How a decal lies, and under what light."""

    values: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)  # dx, dy, deg, stretches
    surface: Surface = Surface()
    per_mm: float = 4.0  # pixels
    blur_px: float = 0.7
    sheet: float = 0.48
    exposure: float = 0.9
    slope: float = 0.0  # of the light along the decal: 0.25 is a quarter from end to end
    seed: int | None = None  # of the noise; None: without
    damage: tuple[Damage, ...] = ()
    reach_mm: float = 19.0  # of the picture around the decal
    bits: int = 16
    fine: int = FINE  # places looked up within a pixel, along and across
    beads: int = 0  # of water on the sheet beside the decal
    beads_on: int = 0  # of water on the print
    carrier_mm: float = 0.0  # clear film that reaches so far beyond the print


@dataclass(frozen=True)
class Drawn:
    picture: GreyPicture
    model: CameraModel
    damaged_mm2: float  # of the print
    damaged_at_mm: Array = field(default_factory=lambda: np.full(2, np.nan))


SQUARELY = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, AWAY_MM]))


@functools.lru_cache(maxsize=8)
def _upsampled(art_id: int, width: int, height: int) -> tuple[Array, Array]:
    art = _KNOWN[art_id]
    grey, opacity = (
        cv2.resize(part.astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
        for part in (art.grey, art.opacity)
    )
    return grey, np.clip(opacity, 0, 1)


_KNOWN: dict[int, Artwork] = {}


def drawn(art: Artwork, laid: Laid) -> Drawn:
    """The picture of an artwork laid so."""
    _KNOWN[id(art)] = art
    width, height = round(art.width_mm * ART_PX_PER_MM), round(art.height_mm * ART_PX_PER_MM)
    grey, opacity = _upsampled(id(art), width, height)

    def look(x: Array, y: Array) -> tuple[Array, Array]:
        column = (x * ART_PX_PER_MM + width / 2 - 0.5).astype(np.float32)
        row = (height / 2 - 0.5 - y * ART_PX_PER_MM).astype(np.float32)
        ink = cv2.remap(grey, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return ink, cv2.remap(opacity, column, row, cv2.INTER_LINEAR, borderValue=0.0)

    fine = laid.fine
    columns = round((art.width_mm + 2 * laid.reach_mm) * laid.per_mm)
    rows = round((art.height_mm + 2 * laid.reach_mm) * laid.per_mm)
    focal, middle = AWAY_MM * laid.per_mm, ((columns - 1) / 2, (rows - 1) / 2)
    along = ((np.arange(columns * fine) + 0.5) / fine - 0.5 - middle[0]) / focal
    down = ((np.arange(rows * fine) + 0.5) / fine - 0.5 - middle[1]) / focal
    a, b = np.meshgrid(along.astype(np.float64), -down)
    depth = np.full(a.shape, AWAY_MM)
    for _ in range(4 if laid.surface.radius_v_mm or laid.surface.radius_u_mm else 0):
        depth = AWAY_MM - laid.surface.z(a * depth, b * depth)  # converges by a factor of slope x angle, some 1e-2
    u, v = laid.surface.along(a * depth, b * depth)
    dx, dy, degrees, stretch_u, stretch_v = laid.values
    cos, sin = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    x = (cos * (u - dx) + sin * (v - dy)) / (1 + stretch_u)
    y = (cos * (v - dy) - sin * (u - dx)) / (1 + stretch_v)
    size = (art.width_mm, art.height_mm)
    beads = _beads_on(laid, size)
    ink, opacity_there = look(*_through(beads, x, y))
    ones = np.ones(x.shape, np.float32)
    film = Film(x, y, ink, opacity_there.copy(), look, size, ones, 0 * ones, np.zeros(x.shape, bool))
    for damage in laid.damage:
        damage(film)
    sheet = np.where(_on_carrier(laid, film), CARRIER[0] * laid.sheet + CARRIER[1], laid.sheet)
    level = film.opacity * film.ink + (1 - film.opacity) * sheet
    level = level * film.light * (1 + laid.slope * x / art.width_mm) + film.added
    _rain(level, film, laid)
    for bead in beads:
        _glint(level, film, bead)
    level = cv2.GaussianBlur(level.astype(np.float32), (0, 0), laid.blur_px * fine)
    level = laid.exposure * level.reshape(rows, fine, columns, fine).mean(axis=(1, 3))
    if laid.seed is not None:
        noise = np.random.default_rng(laid.seed).standard_normal(level.shape)
        level = level + noise * np.sqrt(np.maximum(level, 0) * FULL_WELL + READ**2) / FULL_WELL
    full = 2**laid.bits - 1
    raw = np.rint(np.clip(level, 0, 1) * full).astype(np.uint16 if laid.bits > 8 else np.uint8)
    if laid.bits not in (8, 16):
        raise ValueError("8 or 16 bits")
    model = CameraModel(columns, rows, focal, focal, *middle, np.zeros(5))
    hurt = film.touched & (opacity_there > 0.5)
    at = np.array([x[hurt].mean(), y[hurt].mean()]) if hurt.any() else np.full(2, np.nan)
    area = float(hurt.sum()) / (laid.per_mm * fine) ** 2
    return Drawn(GreyPicture(raw), model, area, at)


# A clear film takes this share of the light twice through it, and adds so much: common practice, no source.
CARRIER = (0.92, 0.02)
LENS = 0.25  # a bead shows what lies under its rim this much nearer to its middle: common practice, no source


def _on_carrier(laid: Laid, film: Film) -> Array:
    half_x, half_y = (side / 2 + laid.carrier_mm for side in film.size_mm)
    return (laid.carrier_mm > 0) & (np.abs(film.x) < half_x) & (np.abs(film.y) < half_y)


def _beads_on(laid: Laid, size_mm: tuple[float, float]) -> list[tuple[float, float, float]]:
    """Middles and radii [mm] of the beads on the print."""
    random = np.random.default_rng(99 if laid.seed is None else laid.seed + 99)
    half = np.array(size_mm) / 2 - 3.0
    places = [(*random.uniform(-half, half), random.uniform(0.8, 2.5)) for _ in range(laid.beads_on)]
    return [(float(x), float(y), float(radius)) for x, y, radius in places]


def _window(x: Array, y: Array, bead: tuple[float, float, float]) -> tuple[slice, slice]:
    """Rows and columns that hold a bead, so that the rest of a large picture is left alone."""
    stride = 8
    reach = bead[2] + 2.0 * stride * abs(float(x[0, 1] - x[0, 0])) + 2.0 * stride * abs(float(x[1, 0] - x[0, 0]))
    near = np.hypot(x[::stride, ::stride] - bead[0], y[::stride, ::stride] - bead[1]) < reach
    if not near.any():
        return slice(0), slice(0)
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    return tuple(slice(max(0, stride * int(k[0] - 1)), stride * int(k[-1] + 1)) for k in (rows, columns))  # type: ignore[return-value]


def _through(beads: list[tuple[float, float, float]], x: Array, y: Array) -> tuple[Array, Array]:
    """Where the light comes from under the beads: they are small lenses."""
    if not beads:
        return x, y
    seen_x, seen_y = x.copy(), y.copy()
    for bead in beads:
        here = _window(x, y, bead)
        at_x, at_y, radius = bead
        off_x, off_y = x[here] - at_x, y[here] - at_y
        away = np.hypot(off_x, off_y) / radius
        bent = np.where(away < 1, LENS * away**2, 0.0)
        seen_x[here] -= bent * off_x
        seen_y[here] -= bent * off_y
    return seen_x, seen_y


def _glint(level: Array, film: Film, bead: tuple[float, float, float]) -> None:
    """Brighter towards its rim, and the lamp's image in it."""
    at_x, at_y, radius = bead
    here = _window(film.x, film.y, bead)
    x, y = film.x[here] - at_x, film.y[here] - at_y
    away = np.hypot(x, y) / radius
    level[here] += np.where(away < 1, 0.12 * (away - 0.5), 0.0)
    level[here] += 0.9 * (np.hypot(x + 0.4 * radius, y - 0.4 * radius) < 0.15 * radius)


def _rain(level: Array, film: Film, laid: Laid) -> None:
    random = np.random.default_rng(0 if laid.seed is None else laid.seed + 77)
    half = np.array(film.size_mm) / 2
    for _ in range(laid.beads):
        radius, side = random.uniform(0.8, 2.5), random.integers(4)
        at = random.uniform(-half, half)
        at[side % 2] = (half[side % 2] + radius + random.uniform(1.2, 6.0)) * (1 if side < 2 else -1)
        _glint(level, film, (float(at[0]), float(at[1]), radius))


def decal_of(badge: Decal, surface: Surface, art: Artwork | None = None) -> Decal:
    return replace(badge, patch=surface.patch(), artwork=art or badge.artwork)


# -- damages


def torn_corner(
    side: tuple[int, int], legs_mm: tuple[float, float], folded: float | None = None, seed: int = 0
) -> Damage:
    """A triangle at a corner is gone along a ragged line; ``folded``: brightness of the film's back, turned over."""

    def do(film: Film) -> None:
        half_x, half_y = film.size_mm[0] / 2, film.size_mm[1] / 2
        p, q = (half_x - side[0] * film.x) / legs_mm[0], (half_y - side[1] * film.y) / legs_mm[1]
        random = np.random.default_rng(seed)
        ragged = (
            0.0
            if folded is not None
            else sum(0.03 * np.sin(k * 2.0 * (p - q) + random.uniform(0, 6)) for k in (1, 2, 4))
        )
        gone = (p + q + ragged < 1) & (p > -1) & (q > -1)
        film.opacity[gone] = 0.0
        film.touched |= gone
        if folded is not None:  # the same triangle mirrored at its long side
            over = (p + q >= 1) & (p <= 1) & (q <= 1)
            film.ink[over], film.opacity[over] = folded, 1.0
            film.touched |= over

    return do


def missing(box_mm: tuple[float, float, float, float], ground: float) -> Damage:
    """What is printed brighter than the ground within x0, y0, x1, y1 is not there."""

    def do(film: Film) -> None:
        x0, y0, x1, y1 = box_mm
        here = (film.x > x0) & (film.x < x1) & (film.y > y0) & (film.y < y1)
        film.touched |= here & (film.ink > ground + 0.1)
        film.ink[here] = np.minimum(film.ink[here], ground)

    return do


def bubble(at_mm: tuple[float, float], radius_mm: float, height_mm: float, lamp_deg: float, from_deg: float) -> Damage:
    """The film stands off by height (1 + cos) / 2: matte, so that it is shaded by the lamp's angle off the normal."""

    def do(film: Film) -> None:
        dx, dy = film.x - at_mm[0], film.y - at_mm[1]
        away = np.hypot(dx, dy)
        inside = away < radius_mm
        steep = -height_mm * np.pi / (2 * radius_mm) * np.sin(np.pi * np.minimum(away / radius_mm, 1))
        safe = np.maximum(away, 1e-9)
        _shade(film, steep * dx / safe, steep * dy / safe, lamp_deg, from_deg)
        film.touched |= inside

    return do


def wrinkle(
    at_mm: tuple[float, float], length_mm: float, width_mm: float, height_mm: float, turn_deg: float, lamp_deg: float
) -> Damage:
    """A ridge, lit across."""

    def do(film: Film) -> None:
        cos, sin = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
        dx, dy = film.x - at_mm[0], film.y - at_mm[1]
        along, across = (cos * dx + sin * dy) / (length_mm / 2), (cos * dy - sin * dx) / (width_mm / 2)
        inside = (np.abs(along) < 1) & (np.abs(across) < 1)
        ridge = -height_mm * np.pi / width_mm * np.sin(np.pi * across) * np.cos(np.pi / 2 * along) ** 2
        steep = np.where(inside, ridge, 0.0)
        _shade(film, -steep * sin, steep * cos, lamp_deg, turn_deg + 90.0)
        film.touched |= inside

    return do


def _shade(film: Film, slope_x: Array, slope_y: Array, lamp_deg: float, from_deg: float) -> None:
    """Lambert: the light's cosine on the tilted film over that on the flat one."""
    lean = np.tan(np.deg2rad(lamp_deg))
    toward = slope_x * np.cos(np.deg2rad(from_deg)) + slope_y * np.sin(np.deg2rad(from_deg))
    film.light *= (np.maximum(1 - lean * toward, 0) / np.sqrt(1 + slope_x**2 + slope_y**2)).astype(np.float32)


def smear(at_mm: tuple[float, float], size_mm: tuple[float, float], way_mm: tuple[float, float]) -> Damage:
    """Ink drawn out along a way within an ellipse."""

    def do(film: Film) -> None:
        inside = ((film.x - at_mm[0]) / size_mm[0]) ** 2 + ((film.y - at_mm[1]) / size_mm[1]) ** 2 < 1
        before = film.ink[inside].copy()
        steps = [film.look(film.x - k / 8 * way_mm[0], film.y - k / 8 * way_mm[1])[0] for k in range(9)]
        film.ink[inside] = np.mean(steps, axis=0)[inside]
        film.touched[inside] |= np.abs(film.ink[inside] - before) > 0.1

    return do


def glare(at_mm: tuple[float, float], radius_mm: float, strength: float) -> Damage:
    """A lamp mirrored in the coat: light on top, soft at its border."""

    def do(film: Film) -> None:
        away = np.hypot(film.x - at_mm[0], film.y - at_mm[1])
        film.added += (strength * np.clip((radius_mm - away) / 1.0 + 0.5, 0, 1)).astype(np.float32)
        film.touched |= away < radius_mm

    return do
