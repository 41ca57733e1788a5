"""The tables of shell.toml, as written. What they mean together is checked by shell.files."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from edgeinspect.shell.definition import Arris, Check, DatumScheme, DecalDatum, FitBy, Frame, Freedom
from edgeinspect.tomlfile import AngleDeg, Colour, Factor, LengthMm, Name, Number, PlaceMm, PointMm, Table, Text

GUARD_FACTOR = 1.65  # one-sided 95 %, ISO 14253-1 (the figure from memory)

# Plastics lie at 20 to 250e-6 per K: "80" instead of "80e-6" must not pass.
Expansion = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1e-6, le=1e-3)]
SheetMm = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=50)]
# Finer than this is finer than any camera sees, and fills the memory with stations.
FilterMm = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.25, le=100)]
StepMm = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.05, le=20)]
# Narrower the blur of an edge does not fit in; wider there are other edges.
BandMm = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1, le=10)]
AngleLimitDeg = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=45)]
ToleranceMm = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=100)]
ToleranceDeg = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=10)]
Direction = tuple[Number, Number, Number]
Lightness = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=100)]
Chroma = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-130, le=130)]
DifferenceDe = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.5, le=50)]
AreaMm2 = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=4, le=100_000)]


class ShellTable(Table):
    """The shell as a whole."""

    name: Name  # the folder's name
    title: Text  # as the page shows it
    revision: Text  # of the drawing
    hand: Literal["left", "right", "none"]  # of a mirrored pair
    colour: Text  # of the sheet, in words
    sheet_mm: SheetMm  # thickness of the sheet
    arris: Arris  # which edge of the cut face the drawing dimensions, and all curves are drawn on
    checks: Annotated[tuple[Check, ...], Field(min_length=1)]  # where on the line it is looked at
    extent_mm: tuple[LengthMm, LengthMm]  # of the outline along x and y: shows a drawing in other units
    filter_cutoff_mm: FilterMm = 2.5  # of the profile filter, ISO 16610-21
    step_mm: StepMm | None = None  # between the places where the edge is measured; else a fifth of the filter's cut-off
    search_band_mm: BandMm = 3.0  # half width of the band about the rim's cut in which its edge is looked for
    datum: DatumScheme  # what the shell's own frame is fixed by


class MaterialTable(Table):
    """What the sheet is made of."""

    name: Text  # as the data sheet says it: ABS
    expansion_per_k: Expansion  # linear, 1/K
    u_expansion_per_k: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1e-3)]  # its standard u, 1/K


class RimTable(Table):
    """The nominal outline. Lengths along it run counter-clockwise seen from outside, from its first point."""

    file: Text  # .dxf (3-D polylines, one layer a curve) or .csv (x, y, z in mm), in the shell frame
    curve: Text | None = None  # layer of the DXF
    face: Text | None = None  # layer or file of a second curve, on the show face a few mm inside the material


class PathTable(Table):
    """Limits of the whole cut in the fixture frame."""

    shift_limit_mm: LengthMm  # greatest length of (dx, dy)
    rotation_limit_deg: AngleLimitDeg  # both ways
    guard_factor: Factor = GUARD_FACTOR  # guard band over standard uncertainty, ISO 14253-1


class ZoneTable(Table):
    """A stretch of the rim with its own limits; it may run over the start point (from_mm > to_mm)."""

    name: Name  # as the record keeps it
    words: Text  # where on the shell, as an operator says it
    from_mm: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]  # arc length of its start
    to_mm: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]  # arc length of its end
    lower_mm: PlaceMm | None = None  # of the deviation: below it, cut too deep; needed without profile_mm
    upper_mm: PlaceMm | None = None  # of the deviation: above it, too much material; needed without profile_mm
    profile_mm: LengthMm | None = None  # instead of both: width of the tolerance zone about the outline, ISO 1101
    uz_mm: PlaceMm | None = None  # with profile_mm: how far its middle lies off, + out of the material, ISO 1660 UZ
    frame: Frame = Frame.DATUM  # that the deviation is judged in
    guard_factor: Factor = GUARD_FACTOR  # guard band over standard uncertainty, ISO 14253-1


class BestFitTable(Table):
    """How the cut is fitted to the drawing where its form alone is told. It judges only where the drawing says so."""

    freedoms: tuple[Freedom, ...] = tuple(Freedom)  # what the fit may move; the datums hold the rest
    by: FitBy = FitBy.LEAST_SQUARES  # what it makes as small as it can
    drawing: Text | None = None  # where the drawing says that form alone is judged: "note 4"; else it is only shown


class FlawTable(Table):
    """Limits of one kind of flaw of every cut edge: bad is what is both longer and deeper. Strands need none."""

    kind: Literal["nick", "burr", "chatter"]  # of flaw: material missing, too much of it, marks of a vibrating tool
    length_limit_mm: LengthMm  # along the edge; of chatter the whole run
    depth_limit_mm: LengthMm  # into the material or out of it; of chatter from valley to peak
    guard_factor: Factor = GUARD_FACTOR  # guard band over standard uncertainty, ISO 14253-1


class PipTable(Table):
    """A formed boss with a flat round top, used as datum."""

    name: Name  # as the record keeps it
    centre_mm: PointMm  # of its flat top, in the shell frame
    diameter_mm: LengthMm  # of its flat top


class CutOutTable(Table):
    """A hole (diameter_mm) or a slot (length_mm, width_mm, angle_deg)."""

    name: Name  # as the record keeps it
    words: Text  # where on the shell, as an operator says it
    kind: Literal["hole", "slot"]  # which sizes it has
    curve: Text  # layer of the outline's DXF, or a .csv
    face: Text | None = None  # the curve beside it on the show face
    centre_mm: tuple[PlaceMm, PlaceMm]  # x, y in the shell frame
    diameter_mm: LengthMm | None = None  # of a hole
    length_mm: LengthMm | None = None  # of a slot
    width_mm: LengthMm | None = None  # of a slot
    angle_deg: AngleDeg | None = None  # of a slot's long axis from x
    position_limit_mm: LengthMm  # greatest distance of its centre from its place
    size_lower_mm: PlaceMm  # of each size minus its nominal: below it, too small
    size_upper_mm: PlaceMm  # the same: above it, too large
    guard_factor: Factor = GUARD_FACTOR  # guard band over standard uncertainty, ISO 14253-1


class PatchTable(Table):
    """The surface that a decal lies on: flat, a cylinder that bulges outwards with its axis along ``x_axis``, or any
    other as a mesh.
    """

    kind: Literal["flat", "cylinder", "mesh"]  # of surface
    origin_mm: PointMm  # nominal centre of the artwork, on the surface, in the shell frame
    x_axis: Direction  # reading direction
    normal: Direction  # outwards at the origin
    radius_mm: LengthMm | None = None  # of a cylinder
    file: Text | None = None  # of a mesh: .stl or .ply in the shell's folder, in mm, in the shell frame
    height_tolerance_mm: ToleranceMm | None = None  # how far it may lie off along its normal, both ways; else 0.1
    tilt_tolerance_deg: ToleranceDeg | None = None  # how far it may be tilted, about either axis, both ways; else 0.1
    radius_tolerance_mm: ToleranceMm | None = None  # of a cylinder's radius, both ways; else 1 % of it


class InkTable(Table):
    """What a colour of the artwork is when it is printed, as the printer or a colour meter states it."""

    artwork: Colour  # as the artwork has it
    lab: tuple[Lightness, Chroma, Chroma]  # CIELAB of the print, of colour_illuminant, 2 degree observer
    words: Text | None = None  # as an operator says it: "amber"


class DecalTable(Table):
    """A decal where it belongs."""

    name: Name  # as the record keeps it
    words: Text  # where on the shell, as an operator says it
    variant: Name  # decals of one variant belong together
    artwork: Text  # .png or .svg in the shell's folder
    width_mm: LengthMm  # of the artwork, in reading direction
    height_mm: LengthMm  # of the artwork, square to that
    offset_limit_mm: LengthMm  # of across and of up, both ways, along the surface
    rotation_limit_deg: AngleLimitDeg  # both ways
    guard_factor: Factor = GUARD_FACTOR  # guard band over standard uncertainty, ISO 14253-1
    datum: DecalDatum = DecalDatum.SHELL  # that the drawing tells its offset and rotation from
    gap_lower_mm: LengthMm | None = None  # least distance allowed between print and trimmed edge; else not judged
    gap_upper_mm: LengthMm | None = None  # greatest distance allowed, on the side that faces the edge; else not judged
    bubbles: bool = False  # look for bubbles and wrinkles; only where light is even: gloss shades a print as they do
    colour_limit_de: DifferenceDe | None = None  # CIEDE2000 that its colours may be off; else they are not judged
    colour_area_mm2: AreaMm2 = 25.0  # a smaller area that is further off is not told
    colour_illuminant: Literal["D50", "D65"] = "D50"  # that CIELAB is told for, as in the colour calibration
    ink: tuple[InkTable, ...] = ()  # the printed colours; what is not named is expected as sRGB has it
    patch: PatchTable


class ShellFile(Table):
    """shell.toml: the shell as the drawing wants it, with the inspection limits.

    Lengths in mm in the shell frame at 20 degC, angles in degrees counter-clockwise. What the tables mean together is
    checked by ``edgeinspect check-shell``.
    """

    format: Literal[1]
    shell: ShellTable
    material: MaterialTable
    rim: RimTable
    path: PathTable
    best_fit: BestFitTable = BestFitTable()
    zone: tuple[ZoneTable, ...] = ()
    flaw: tuple[FlawTable, ...] = ()
    pip: tuple[PipTable, ...] = ()
    cutout: tuple[CutOutTable, ...] = ()
    decal: tuple[DecalTable, ...] = ()
