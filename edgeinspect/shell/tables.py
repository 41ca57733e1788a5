"""The tables of shell.toml, as written. What they mean together is checked by shell.files."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from edgeinspect.shell.definition import Arris, Check, DatumScheme, Frame
from edgeinspect.tomlfile import AngleDeg, Factor, LengthMm, Name, Number, PlaceMm, PointMm, Table, Text

GUARD_FACTOR = 1.65  # one-sided 95 %, ISO 14253-1 (the figure from memory)

# Plastics lie at 20 to 250e-6 per K: "80" instead of "80e-6" must not pass.
Expansion = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=1e-6, le=1e-3)]
SheetMm = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=50)]
# Finer than this is finer than any camera sees, and fills the memory with stations.
FilterMm = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.25, le=100)]
StepMm = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.05, le=20)]
AngleLimitDeg = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=45)]
Direction = tuple[Number, Number, Number]


class ShellTable(Table):
    name: Name
    title: Text
    revision: Text
    hand: Literal["left", "right", "none"]
    colour: Text
    sheet_mm: SheetMm
    arris: Arris
    checks: Annotated[tuple[Check, ...], Field(min_length=1)]
    extent_mm: tuple[LengthMm, LengthMm]
    filter_cutoff_mm: FilterMm = 2.5
    step_mm: StepMm | None = None
    datum: DatumScheme


class MaterialTable(Table):
    name: Text
    expansion_per_k: Expansion
    u_expansion_per_k: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1e-3)]


class RimTable(Table):
    file: Text
    curve: Text | None = None
    face: Text | None = None


class PathTable(Table):
    shift_limit_mm: LengthMm
    rotation_limit_deg: AngleLimitDeg
    guard_factor: Factor = GUARD_FACTOR


class ZoneTable(Table):
    name: Name
    words: Text
    from_mm: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
    to_mm: Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
    lower_mm: PlaceMm
    upper_mm: PlaceMm
    frame: Frame = Frame.DATUM
    guard_factor: Factor = GUARD_FACTOR


class PipTable(Table):
    name: Name
    centre_mm: PointMm
    diameter_mm: LengthMm


class CutOutTable(Table):
    name: Name
    words: Text
    kind: Literal["hole", "slot"]
    curve: Text
    face: Text | None = None
    centre_mm: tuple[PlaceMm, PlaceMm]
    diameter_mm: LengthMm | None = None
    length_mm: LengthMm | None = None
    width_mm: LengthMm | None = None
    angle_deg: AngleDeg | None = None
    position_limit_mm: LengthMm
    size_lower_mm: PlaceMm
    size_upper_mm: PlaceMm
    guard_factor: Factor = GUARD_FACTOR


class PatchTable(Table):
    kind: Literal["flat", "cylinder"]
    origin_mm: PointMm
    x_axis: Direction
    normal: Direction
    radius_mm: LengthMm | None = None


class DecalTable(Table):
    name: Name
    words: Text
    variant: Name
    artwork: Text
    width_mm: LengthMm
    height_mm: LengthMm
    offset_limit_mm: LengthMm
    rotation_limit_deg: AngleLimitDeg
    guard_factor: Factor = GUARD_FACTOR
    patch: PatchTable
