"""What a shell is by formula: sheet, trim line, cut-outs, pips and the place of its decal, all in the shell frame [mm].

Shared by both renderers, by the truth and by the files in models/ (``model_files``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from edgeinspect.geometry import Array, Pose, frozen
from edgeinspect.simulate.plan import circle, plan_normals, slot

EXPANSION_PER_K, REFERENCE_C = 80e-6, 20.0  # of ABS
PIP_DIAMETER_MM, PIP_HEIGHT_MM, PIP_WALL = 8.0, 3.0, float(np.tan(np.deg2rad(60.0)))


@dataclass(frozen=True)
class Sheet:
    """The formed sheet as heights over the plan: bent about the x direction, its ends drooping along x."""

    thickness_mm: float
    radius_mm: float | None = None  # of the bend; None: flat
    droop_from_mm: float = 0.0  # from the middle
    droop_per_mm: float = 0.0

    def z(self, x: Array, y: Array) -> Array:
        """Height of the show face without pips."""
        if self.radius_mm is None:
            return np.zeros_like(x)
        over = np.maximum(np.abs(x) - self.droop_from_mm, 0.0)
        return np.asarray(np.sqrt(self.radius_mm**2 - y**2) - self.radius_mm - self.droop_per_mm * over**2)

    def slopes(self, x: Array, y: Array) -> tuple[Array, Array]:
        """dz/dx and dz/dy of the show face."""
        if self.radius_mm is None:
            return np.zeros_like(x), np.zeros_like(y)
        over = np.maximum(np.abs(x) - self.droop_from_mm, 0.0)
        return -2.0 * self.droop_per_mm * over * np.sign(x), -y / np.sqrt(self.radius_mm**2 - y**2)

    def normal(self, x: Array, y: Array) -> Array:
        """Outward unit normals (N, 3) of the show face."""
        sx, sy = self.slopes(x, y)
        normal = np.column_stack([-sx, -sy, np.ones_like(sx)])
        return np.asarray(normal / np.linalg.norm(normal, axis=1, keepdims=True))

    def back_z(self, x: Array, y: Array) -> Array:
        """Height of the back face: the thickness is measured along the normal."""
        sx, sy = self.slopes(x, y)
        return self.z(x, y) - self.thickness_mm * np.sqrt(1.0 + sx**2 + sy**2)

    def on(self, xy: Array) -> Array:
        """Plan points (N, 2) lifted onto the show face (N, 3)."""
        return np.column_stack([xy, self.z(xy[:, 0], xy[:, 1])])


@dataclass(frozen=True)
class TrimCurve:
    """A closed curve in plan (N, 2), counter-clockwise, with its outward normal out of the material, and arc length on
    the surface.
    """

    name: str
    xy_mm: Array
    is_hole: bool
    sheet: Sheet

    @property
    def points_mm(self) -> Array:
        return self.sheet.on(self.xy_mm)

    @cached_property
    def arc_mm(self) -> Array:
        steps = np.linalg.norm(np.roll(self.points_mm, -1, axis=0) - self.points_mm, axis=1)
        return np.concatenate([[0.0], np.cumsum(steps[:-1])])

    @cached_property
    def length_mm(self) -> float:
        return float(np.linalg.norm(np.roll(self.points_mm, -1, axis=0) - self.points_mm, axis=1).sum())

    @property
    def normals(self) -> Array:
        """Unit normals (N, 2) in plan out of the material: outwards for the rim, into the hole for a cut-out."""
        return plan_normals(self.xy_mm) * (-1.0 if self.is_hole else 1.0)


@dataclass(frozen=True)
class CutOut:
    """A round hole, ``sizes_mm`` (diameter,), or a slot along x, (length, width)."""

    words: str
    centre_mm: tuple[float, float]
    sizes_mm: tuple[float, ...]

    @property
    def kind(self) -> str:
        return "hole" if len(self.sizes_mm) == 1 else "slot"

    def xy_mm(self, sizes_mm: tuple[float, ...]) -> Array:
        """At its nominal place in other sizes (N, 2)."""
        if self.kind == "hole":
            return circle(self.centre_mm, sizes_mm[0])
        return slot(self.centre_mm, sizes_mm[0], sizes_mm[1])


@dataclass(frozen=True)
class DecalPlace:
    """Where the decal belongs: its centre in plan, size, and the artwork of every variant (name in ``badge``)."""

    name: str
    words: str
    centre_mm: tuple[float, float]
    size_mm: tuple[float, float]
    artworks: Mapping[str, str]
    patch: str  # what models/ says of the surface: "flat", "cylinder" or "mesh"
    offset_limit_mm: float = 1.0
    rotation_limit_deg: float = 0.8


@dataclass(frozen=True, eq=False)
class Form:
    """One kind of shell. ``pieces`` is the rim, counter-clockwise, each piece under the name of its zone."""

    name: str
    title: str
    hand: str
    colour: str
    albedo: float
    seating: Pose  # shell -> fixture, nominal
    sheet: Sheet
    extent_mm: tuple[float, float]
    pieces: tuple[tuple[str, Array], ...]
    zone_words: Mapping[str, str]
    cut: Mapping[str, CutOut]
    decal: DecalPlace
    pip_places_mm: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    nests_mm: tuple[tuple[float, float], ...] = ()  # outer face x, y of the blocks that carry its ends
    datum: str = "pips"

    @cached_property
    def _rim(self) -> TrimCurve:
        return TrimCurve("rim", frozen(np.vstack([points for _, points in self.pieces])), False, self.sheet)

    def rim(self) -> TrimCurve:
        return self._rim

    @cached_property
    def _zones(self) -> dict[str, tuple[float, float]]:
        arc, at = self.rim().arc_mm, 0
        starts: dict[str, float] = {}
        order: list[str] = []
        for name, points in self.pieces:
            if not order or order[-1] != name:
                order.append(name)
                starts[name] = float(arc[at])  # of the last piece with that name: right where the wrapped zone starts
            at += len(points)
        names = order[:-1]
        ends = {a: starts[b] for a, b in zip(names[1:], [*names[2:], order[-1]], strict=True)}
        spans = {name: (starts[name], ends[name]) for name in names[1:]}
        return {order[0]: (starts[order[-1]], starts[names[1]]), **spans}

    def zone_spans_mm(self) -> dict[str, tuple[float, float]]:
        """Arc length from and to of every zone; the first one runs over the start point."""
        return self._zones

    @cached_property
    def _cutouts(self) -> dict[str, TrimCurve]:
        return {
            name: TrimCurve(name, frozen(hole.xy_mm(hole.sizes_mm)), True, self.sheet)
            for name, hole in self.cut.items()
        }

    def cutouts(self) -> dict[str, TrimCurve]:
        return self._cutouts

    def cutout_centre_mm(self, name: str) -> tuple[float, float]:
        return self.cut[name].centre_mm

    def cutout_sizes_mm(self, name: str) -> tuple[float, ...]:
        """(diameter,) of a hole, (length, width) of a slot."""
        return self.cut[name].sizes_mm

    def cutout_xy_mm(self, name: str, sizes_mm: tuple[float, ...]) -> Array:
        """The cut-out at its nominal place in other sizes (N, 2)."""
        return self.cut[name].xy_mm(sizes_mm)

    def pip_tops_mm(self) -> Array:
        """Centres (P, 3) of the flat round tops."""
        tops = self.sheet.on(np.array(list(self.pip_places_mm.values()), dtype=np.float64).reshape(-1, 2))
        tops[:, 2] += PIP_HEIGHT_MM
        return tops

    def pip_base_radius_mm(self, place: int, angle: Array) -> Array:
        """Where the pip's wall meets the sheet, from the pip's axis, at plan angles (N,) [rad]: a fixed point of
        height.
        """
        x, y, top = self.pip_tops_mm()[place]
        radius = np.full_like(angle, PIP_DIAMETER_MM / 2 + PIP_HEIGHT_MM / PIP_WALL)
        for _ in range(60):
            foot = self.sheet.z(x + radius * np.cos(angle), y + radius * np.sin(angle))
            radius = PIP_DIAMETER_MM / 2 + (top - foot) / PIP_WALL
        return radius

    def decal_frame(self) -> tuple[Array, Array]:
        """Origin (3,) of the nominal decal on the sheet and the outward normal there."""
        x, y = (np.array([c]) for c in self.decal.centre_mm)
        return self.sheet.on(np.column_stack([x, y]))[0], self.sheet.normal(x, y)[0]

    def decal_x_axis(self) -> Array:
        """Reading direction (3,): along the sheet, straight right in plan."""
        x, y = (np.array([c]) for c in self.decal.centre_mm)
        along = np.array([1.0, 0.0, float(self.sheet.slopes(x, y)[0][0])])
        return np.asarray(along / np.linalg.norm(along))
