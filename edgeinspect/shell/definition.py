"""The shell as the drawing wants it. Everything is in the shell frame [mm]; files are read by shell.files."""

from __future__ import annotations

import enum
from bisect import bisect_left
from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage

from edgeinspect.geometry import Array, closed_arc_mm, frozen

STEPS_A_CUTOFF = 5  # a step is at most a fifth of the filter's cut-off, or the filter is not the one its name says
_APRON = 8  # rows and columns around the points of a surface: a spline forgets three quarters of a kink in each


class Frame(enum.StrEnum):
    """The frame that a deviation is judged in."""

    DATUM = "datum"  # what the customer gets: cut - shell
    FIXTURE = "fixture"  # where the cutter ran: cut - fixture
    BEST_FIT = "best_fit"  # form only


class Check(enum.StrEnum):
    """The two places to look on the line."""

    TRIM = "trim"
    DECAL = "decal"


class DatumScheme(enum.StrEnum):
    FIXTURE = "fixture"  # the shell is trusted to sit where the fixture holds it
    PIPS = "pips"  # formed features
    HOLE_AND_SLOT = "hole_and_slot"  # cut features: first cut-out is the origin, the second sets the direction
    BEST_FIT = "best_fit"


class DecalDatum(enum.StrEnum):
    """What a decal's offset and rotation are told from."""

    SHELL = "shell"  # the shell's own datum scheme
    EDGE = "edge"  # the whole trimmed edge, as it fits the drawing best
    CUTOUTS = "cutouts"  # the first cut-out is the origin, the second sets the direction
    FIXTURE = "fixture"
    PIPS = "pips"  # formed features

    @property
    def words(self) -> str:
        whose = {"shell": "shell's datums", "edge": "trimmed edge", "cutouts": "cut-outs"}
        return f"from the {whose.get(self.value, self.value)}"


class Freedom(enum.StrEnum):
    """A way in which a best fit may move the outline, in the shell frame."""

    X = "x"
    Y = "y"
    TURN = "turn"  # about the shell frame's origin


class FitBy(enum.StrEnum):
    """What a best fit makes as small as it can."""

    LEAST_SQUARES = "least_squares"  # the sum of the squared deviations
    MINIMUM_ZONE = "minimum_zone"  # the greatest deviation: the narrowest tolerance zone that holds the cut


class Arris(enum.StrEnum):
    SHOW = "show"  # on the show face
    BACK = "back"  # on the back face: measured only where a camera sees the cut face


@dataclass(frozen=True)
class Limits:
    """Inspection limits of one characteristic [mm or deg]; the guard band is ``guard_factor`` times u (ISO 14253-1)."""

    lower: float
    upper: float
    guard_factor: float = 1.65

    def __post_init__(self) -> None:
        if not self.lower < self.upper:
            raise ValueError(f"lower is {self.lower}, must be below upper {self.upper}")
        if not 0 <= self.guard_factor <= 10:
            raise ValueError(f"guard_factor is {self.guard_factor}, must be within 0 to 10")

    @property
    def width(self) -> float:
        """Of the tolerance zone."""
        return self.upper - self.lower

    @property
    def middle(self) -> float:
        """How far the zone's middle lies off the nominal outline: UZ of ISO 1660, + out of the material."""
        return 0.5 * (self.lower + self.upper)


@dataclass(frozen=True)
class Material:
    name: str
    expansion_per_k: float
    u_expansion_per_k: float


@dataclass(frozen=True)
class Curve:
    """A closed nominal arris: polyline (N, 3) [mm] without a repeated end, counter-clockwise in plan seen from outside.

    ``face_slope`` (N,) is dz/dn of the show face along the trim normal n, which points out of the material (out of
    the shell for the rim, into the hole for a cut-out): a scan line must climb with the sheet, or a slope of 30
    degrees costs a tenth of every deviation.
    """

    name: str
    points_mm: Array
    face_slope: Array
    is_hole: bool = False
    arc_mm: Array = field(init=False, repr=False)  # (N,) at each point
    length_mm: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "points_mm", frozen(self.points_mm, (None, 3), "points_mm"))
        object.__setattr__(self, "face_slope", frozen(self.face_slope, (len(self.points_mm),), "face_slope"))
        arc, length = closed_arc_mm(self.points_mm)
        object.__setattr__(self, "arc_mm", frozen(arc))
        object.__setattr__(self, "length_mm", length)

    def plan_at(self, arc_mm: float) -> tuple[float, float]:
        """x, y [mm] of the point drawn next at or after an arc length."""
        x, y = self.points_mm[min(bisect_left(self.arc_mm, arc_mm), len(self.arc_mm) - 1), :2]
        return float(x), float(y)


@dataclass(frozen=True)
class Zone:
    """A stretch of the rim from ``from_mm`` to ``to_mm`` of arc length; it may run over the start point (from > to)."""

    name: str
    words: str  # where on the shell, as an operator says it: "rear left scallop"
    from_mm: float
    to_mm: float
    limits: Limits  # of the deviation [mm]
    frame: Frame = Frame.DATUM

    def holds(self, arc_mm: Array) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """Which arc lengths (N,) [mm] lie in the zone."""
        if self.from_mm <= self.to_mm:
            return (arc_mm >= self.from_mm) & (arc_mm < self.to_mm)
        return (arc_mm >= self.from_mm) | (arc_mm < self.to_mm)


@dataclass(frozen=True)
class BestFit:
    """How the cut is fitted to the drawing where its form alone is told. What is not free is held by the datums; where
    the best fit is itself the datum, by the fixture.
    """

    freedoms: frozenset[Freedom] = frozenset(Freedom)
    by: FitBy = FitBy.LEAST_SQUARES
    drawing: str = ""  # where the drawing says that form alone is judged; "": nowhere, and then nothing is judged so

    @property
    def is_free(self) -> bool:
        return self.freedoms == frozenset(Freedom)


@dataclass(frozen=True)
class PathLimits:
    """How far the whole cut may be off in the fixture: shift (length of dx, dy) and turn, both ways."""

    shift_mm: float
    rotation_deg: float
    guard_factor: float = 1.65


FLAW_KINDS = ("nick", "burr", "chatter")  # that may have limits


@dataclass(frozen=True)
class FlawLimits:
    """A nick, burr or run of chatter is bad when it is both longer and deeper than this. Strands have none: they are
    blown off, and a burr if they stay.
    """

    kind: str  # of FLAW_KINDS
    length_mm: float
    depth_mm: float
    guard_factor: float = 1.65

    def __post_init__(self) -> None:
        if self.kind not in FLAW_KINDS:
            raise ValueError(f'kind is "{self.kind}", must be "nick", "burr" or "chatter"')
        if not (self.length_mm > 0 and self.depth_mm > 0 and 0 <= self.guard_factor <= 10):
            raise ValueError("length_mm and depth_mm must be above 0, guard_factor within 0 to 10")


@dataclass(frozen=True)
class CutOut:
    """A hole or slot. ``size_mm`` is (diameter,) of a hole, (length, width) of a slot; ``angle_deg`` is the slot's
    long axis from x.
    """

    name: str
    words: str
    kind: str  # "hole" or "slot"
    curve: Curve
    centre_mm: Array  # (2,) x, y in the shell frame
    size_mm: tuple[float, ...]
    angle_deg: float
    position_limit_mm: float  # greatest distance of the centre from its place
    size_limits: Limits  # of each size minus its nominal [mm]
    guard_factor: float = 1.65

    def __post_init__(self) -> None:
        object.__setattr__(self, "centre_mm", frozen(self.centre_mm, (2,), "centre_mm"))


@dataclass(frozen=True)
class Pip:
    """A formed boss with a flat round top, used as datum: centre of the top circle and its diameter."""

    name: str
    centre_mm: Array  # (3,)
    diameter_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "centre_mm", frozen(self.centre_mm, (3,), "centre_mm"))


@dataclass(frozen=True)
class Patch:
    """The surface that a decal lies on, given analytically: flat (radius 0) or a cylinder bulging outwards, its axis
    along ``x_axis``.

    A decal point (u, v) [mm along the surface] lies at origin + u*x + v*y on a flat patch; on a cylinder v runs
    around it.
    """

    origin_mm: Array  # (3,) nominal centre of the artwork, on the surface
    x_axis: Array  # (3,) reading direction, unit length
    normal: Array  # (3,) outward at the origin, unit length
    radius_mm: float = 0.0

    def __post_init__(self) -> None:
        for name in ("origin_mm", "x_axis", "normal"):
            object.__setattr__(self, name, frozen(getattr(self, name), (3,), name))
        if abs(np.linalg.norm(self.x_axis) - 1) > 1e-6 or abs(np.linalg.norm(self.normal) - 1) > 1e-6:
            raise ValueError("x_axis and normal must have length 1")
        if abs(float(self.x_axis @ self.normal)) > 1e-6:
            raise ValueError("x_axis must be square to normal")

    def points(self, u_mm: Array, v_mm: Array) -> Array:
        """Shell-frame points (..., 3) [mm] of surface coordinates (...)."""
        y_axis = np.cross(self.normal, self.x_axis)
        u, v = np.asarray(u_mm)[..., None], np.asarray(v_mm)[..., None]
        if self.radius_mm == 0:
            return np.asarray(self.origin_mm + u * self.x_axis + v * y_axis)
        angle = v / self.radius_mm
        around = self.radius_mm * (np.sin(angle) * y_axis + (np.cos(angle) - 1.0) * self.normal)
        return np.asarray(self.origin_mm + u * self.x_axis + around)


@dataclass(frozen=True)
class SurfacePatch:
    """The surface that a decal lies on, given by points on it (see shell.surface for how they are found).

    (u, v) [mm along the surface]: first along v from the origin in the section by the plane that holds normal and
    y axis, then along u in the section through that place by a plane square to the y axis.
    """

    origin_mm: Array  # (3,) nominal centre of the artwork, on the surface
    x_axis: Array  # (3,) reading direction, unit length
    normal: Array  # (3,) outward at the origin, unit length
    spacing_mm: float  # of the points, along u and along v
    points_mm: Array  # (R, C, 3) shell frame, R and C odd: rows along v, columns along u, the origin in the middle
    coefficients: Array = field(init=False, repr=False)  # (3, R + 16, C + 16) of a bicubic spline through them

    def __post_init__(self) -> None:
        for name in ("origin_mm", "x_axis", "normal"):
            object.__setattr__(self, name, frozen(getattr(self, name), (3,), name))
        object.__setattr__(self, "points_mm", frozen(self.points_mm, (None, None, 3), "points_mm"))
        if not np.isfinite(self.points_mm).all() or any(
            size % 2 == 0 or size <= _APRON for size in self.points_mm.shape[:2]
        ):
            raise ValueError(f"points_mm must be finite, with an odd number of rows and columns above {_APRON}")
        # Continued on all sides, because a spline that ends must assume something about its end.
        apron = ((_APRON, _APRON), (_APRON, _APRON), (0, 0))
        wide = np.pad(self.points_mm, apron, mode="reflect", reflect_type="odd")
        splines = [ndimage.spline_filter(wide[..., k], order=3, mode="mirror") for k in range(3)]
        object.__setattr__(self, "coefficients", frozen(np.array(splines)))

    def points(self, u_mm: Array, v_mm: Array) -> Array:
        """Shell-frame points (..., 3) [mm] of surface coordinates (...); straight on beyond the known ones."""
        rows, columns = (np.array(self.points_mm.shape[:2]) - 1) // 2
        row, column = np.asarray(v_mm) / self.spacing_mm + rows, np.asarray(u_mm) / self.spacing_mm + columns
        row, column = np.broadcast_arrays(row, column)
        at = np.clip(row, 0, 2 * rows), np.clip(column, 0, 2 * columns)
        found = inside = self._spline(*at)
        for axis, beyond in enumerate((row - at[0], column - at[1])):
            if beyond.any():
                inner = [place.copy() for place in at]
                inner[axis] -= np.sign(beyond)
                found = found + np.abs(beyond)[..., None] * (inside - self._spline(*inner))
        return found

    def _spline(self, row: Array, column: Array) -> Array:
        at = np.array([row, column]) + _APRON
        parts = [ndimage.map_coordinates(c, at, order=3, mode="mirror", prefilter=False) for c in self.coefficients]
        return np.asarray(np.stack(parts, axis=-1))


@dataclass(frozen=True, eq=False)  # one and the same only as itself: what is worked out of it is kept by that
class Artwork:
    """What is printed: grey (H, W) 0..1 linear in light (relative reflectance), opacity (H, W) 0..1; row 0 is the top
    edge.
    """

    grey: Array
    opacity: Array
    width_mm: float
    height_mm: float
    colour: Array | None = None  # (H, W, 3) red, green, blue of sRGB, linear in light; None: nobody asked for it

    def __post_init__(self) -> None:
        object.__setattr__(self, "grey", frozen(self.grey, (None, None), "grey"))
        object.__setattr__(self, "opacity", frozen(self.opacity, self.grey.shape, "opacity"))
        if self.colour is not None:
            object.__setattr__(self, "colour", frozen(self.colour, (*self.grey.shape, 3), "colour"))


@dataclass(frozen=True)
class SurfaceLimits:
    """How far the surface under a decal may be off the drawing, each both ways. What the drawing does not state is
    assumed: formed sheet holds that, common practice, no source.
    """

    height_mm: float = 0.1  # out of its place, along its normal
    tilt_deg: float = 0.1  # about the reading direction, and about the other one
    radius_mm: float = 0.0  # of a cylinder; 0 otherwise
    assumed: tuple[str, ...] = ("height", "tilt")  # which of them the drawing does not state

    def __post_init__(self) -> None:
        if not (self.height_mm >= 0 and self.tilt_deg >= 0 and self.radius_mm >= 0):
            raise ValueError("height_mm, tilt_deg and radius_mm must be 0 or above")

    @property
    def words(self) -> str:
        """As people read them: "height ±0.10 mm (assumed), tilt ±0.10° (stated)"."""
        told = [("height", f"{self.height_mm:g} mm"), ("tilt", f"{self.tilt_deg:g}°")]
        told += [("radius", f"{self.radius_mm:g} mm")] if self.radius_mm or "radius" in self.assumed else []
        return ", ".join(f"{name} ±{limit} ({'assumed' if name in self.assumed else 'stated'})" for name, limit in told)


@dataclass(frozen=True, eq=False)
class Ink:
    """What a colour of the artwork is when it is printed, as the printer states it."""

    name: str  # "amber", or as the artwork writes it: "#f0aa28"
    artwork: Array  # (3,) sRGB, 0 to 1
    lab: Array  # (3,) CIELAB

    def __post_init__(self) -> None:
        object.__setattr__(self, "artwork", frozen(self.artwork, (3,), "artwork"))
        object.__setattr__(self, "lab", frozen(self.lab, (3,), "lab"))


@dataclass(frozen=True, eq=False)  # like an artwork: what is worked out of it is kept by itself
class ColourLimit:
    """How far a print's colours may be off: CIEDE2000 that an area of ``area_mm2`` may reach."""

    limit_de: float
    area_mm2: float = 25.0
    illuminant: str = "D50"  # that CIELAB is told for
    inks: tuple[Ink, ...] = ()  # what they are when printed; other colours are expected as sRGB


@dataclass(frozen=True)
class Decal:
    name: str
    words: str
    variant: str
    patch: Patch | SurfacePatch
    artwork: Artwork
    offset_limit_mm: float  # of x and of y, both ways
    rotation_limit_deg: float
    guard_factor: float = 1.65
    bubbles: bool = False  # looked for bubbles and wrinkles, which only shade the print: gloss looks like them
    surface: SurfaceLimits = SurfaceLimits()
    datum: DecalDatum = DecalDatum.SHELL
    gap_lower_mm: float | None = None  # of the gap between print and trimmed edge; None: not judged
    gap_upper_mm: float | None = None
    colour: ColourLimit | None = None  # None: its colours are not judged


@dataclass(frozen=True)
class ShellDefinition:
    name: str
    title: str
    revision: str
    hand: str  # "left", "right" or "none"
    colour: str
    material: Material
    sheet_mm: float
    arris: Arris
    checks: frozenset[Check]
    datum: DatumScheme
    rim: Curve
    zones: tuple[Zone, ...]
    path: PathLimits
    cutouts: tuple[CutOut, ...] = ()
    pips: tuple[Pip, ...] = ()
    decals: tuple[Decal, ...] = ()
    best_fit: BestFit = BestFit()
    flaws: tuple[FlawLimits, ...] = ()  # at most one of a kind; none: flaws of that kind are told and not judged
    filter_cutoff_mm: float = 2.5
    step_mm: float = 0.5
    search_band_mm: float = 3.0  # half width, either side of the cut: what is further off is "not seen", never bridged
    sha256: str = field(default="", compare=False)  # of all its files, so that a result names exactly what judged it
