"""What an inspection's page says of each zone, cut-out, cut face and decal."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgeinspect.conformity import Finding
from edgeinspect.conformity.decal import fault_words, where_on, whole_words
from edgeinspect.conformity.trim import profile_value
from edgeinspect.geometry import Array
from edgeinspect.inspection import Inspection
from edgeinspect.measure.colour import srgb_of_lab
from edgeinspect.measure.cut_face import sentence
from edgeinspect.measure.measurement import CutOutResult, DecalResult, FaultKind, GapProfile, Quantity
from edgeinspect.shell.definition import Decal, DecalDatum, ShellDefinition
from edgeinspect.web.look import LOOKS, Look, offset_words, turn_words


@dataclass(frozen=True)
class ZoneRow:
    """A zone as judged; the arc lengths and limits are None when the definition has changed since."""

    zone: str
    words: str
    frame: str
    from_mm: float | None
    to_mm: float | None
    lower_mm: float | None
    upper_mm: float | None
    guard_mm: float | None
    most: Quantity
    most_at_mm: float
    least: Quantity
    least_at_mm: float
    length_mm: float
    seen_mm: float
    cameras: tuple[str, ...]  # that measured it
    look: Look | None
    profile: Quantity | None  # profile of any line, ISO 1101: to be compared with upper_mm - lower_mm
    uz_mm: float | None  # how far the tolerance zone's middle lies off the outline, + out of the material (ISO 1660)


@dataclass(frozen=True)
class CutOutRow:
    result: CutOutResult
    words: str
    there: str  # "yes", "missing", "not seen"
    size_words: tuple[str, ...]  # "diameter" or "length", "width"
    nominal_mm: tuple[float, ...]
    position_limit_mm: float | None
    size_lower_mm: float | None
    size_upper_mm: float | None
    look: Look | None


@dataclass(frozen=True)
class CutFaceRow:
    """The cut face of one curve where a camera sees it. What ``bevel`` and ``bevel_deg`` have is None where the two
    arrises could not be told apart.
    """

    words: str  # which curve: "rim", or the cut-out as an operator says it
    camera: str
    seen_mm: float
    told_apart_mm: float
    bevel: Quantity | None
    bevel_deg: Quantity | None
    sentence: str


@dataclass(frozen=True)
class DecalRow:
    decal: str
    words: str
    there: str
    dx: Quantity | None
    dy: Quantity | None
    rotation: Quantity | None
    offset_words: str
    turn_words: str
    offset_limit_mm: float | None
    rotation_limit_deg: float | None
    correlation: float
    camera: str  # that measured it
    look: Look | None
    stretch_along: Quantity | None  # %, of the print in reading direction
    stretch_across: Quantity | None  # %, upwards
    warp_mm: float | None  # what is left at the print's worst place
    whole: str  # "yes", "yes; bubbles not judged", "no", "cannot judge: ...", "not looked at"
    hidden_share: float | None  # of the print, as bright as the sheet: there a missing piece does not show
    faults: tuple[FaultRow, ...]
    told_from: str  # what dx, dy and rotation are told from, in words
    untold: str  # why they cannot be told though it is there; "": they can
    surface: str  # how far the surface under it may be off, stated or assumed; "" in older records
    surface_doubt: str  # why that surface does not fit its definition; "": nothing speaks against it
    gap: GapRow | None  # to the trimmed edge
    colour: ColourRow | None  # None: nobody asked for it


@dataclass(frozen=True)
class InkRow:
    """One flat colour of a print: expected and read, as CIELAB and as a screen shows it."""

    name: str
    expected: str  # "L* 72.0 a* 24.0 b* 68.0"
    expected_srgb: str  # "#f0aa28"
    read: str  # "" where it could not be told
    read_srgb: str
    off_by: Quantity | None  # CIEDE2000
    area_mm2: float
    told_mm2: float
    over_mm: float  # side of the square that it is averaged over


@dataclass(frozen=True)
class ColourRow:
    """How far a decal's colours are off."""

    camera: str
    illuminant: str
    untold: str  # why nothing is told; "": it is
    worst: Quantity | None  # CIEDE2000 that ``area_mm2`` of the print reach
    area_mm2: float
    told_share: float | None  # of the places wide enough to tell a colour
    limit_de: float | None
    inks: tuple[InkRow, ...]
    regions: tuple[str, ...]  # where it is off, in words


@dataclass(frozen=True)
class GapRow:
    """Straight distances [mm] from the print to the trimmed edge along the side that faces it."""

    side: str  # of the decal
    least: Quantity
    least_at_mm: float  # along the side, from its left or lower end
    most: Quantity
    most_at_mm: float
    lower_mm: float | None  # limit; None: there is none
    upper_mm: float | None
    at_mm: list[float]  # along the side
    gap_mm: list[float | None]  # null where the edge was not seen
    u_mm: list[float | None]

    @property
    def length_mm(self) -> float:
        """Of the side."""
        return max(self.at_mm) or 1.0

    @property
    def runs(self) -> list[list[tuple[float, float, float]]]:
        """Stretches without a hole of (along, gap, U = 2 u), for the plot."""
        found: list[list[tuple[float, float, float]]] = [[]]
        for at, gap, u in zip(self.at_mm, self.gap_mm, self.u_mm, strict=True):
            if gap is None or u is None:
                found.append([])
            else:
                found[-1].append((at, gap, 2.0 * u))
        return [run for run in found if run]

    @property
    def span_mm(self) -> tuple[float, float]:
        """What the plot shows: profile, U and limits."""
        shown = [part for run in self.runs for _, gap, U in run for part in (gap - U, gap + U)]
        shown += [limit for limit in (self.lower_mm, self.upper_mm) if limit is not None]
        low, high = min(shown), max(shown)
        room = max(0.1 * (high - low), 0.02)
        return low - room, high + room

    def lines(
        self, run: list[tuple[float, float, float]], x0: float, x_per_mm: float, y0: float, y_per_mm: float
    ) -> tuple[str, str, str]:
        """Of one stretch what SVG draws, within ``span_mm``: gap + U, gap - U backwards, gap."""
        top = self.span_mm[1]

        def line(share: float, step: int) -> str:
            places = [
                f"{x0 + x_per_mm * at:.1f} {y0 + y_per_mm * (top - gap - share * U):.1f}" for at, gap, U in run[::step]
            ]
            return "M" + "L".join(places)

        return line(1.0, 1), line(-1.0, -1), line(0.0, 1)


@dataclass(frozen=True)
class FaultRow:
    """One place where a decal is not whole; at_mm from the artwork's centre, reading direction and up."""

    words: str
    kind: str
    area_mm2: float
    length_mm: float
    width_mm: float
    at_mm: tuple[float, float]
    camera: str


def _look_of(findings: tuple[Finding, ...], start: str) -> Look | None:
    """The look of the worst finding whose characteristic starts so; findings come worst first."""
    found = next(
        (one for one in findings if one.characteristic == start or one.characteristic.startswith(start + " ")), None
    )
    return LOOKS[found.answer] if found else None


def zone_rows(inspection: Inspection, definition: ShellDefinition | None) -> list[ZoneRow]:
    drawn = {zone.name: zone for zone in definition.zones} if definition else {}
    findings = inspection.verdict.findings
    rows = []
    for result in inspection.measurement.zones:
        zone = drawn.get(result.zone)
        finding = next((one for one in findings if one.characteristic == f"zone {result.zone}"), None)
        rows.append(
            ZoneRow(
                zone=result.zone,
                words=zone.words if zone else (finding.where if finding else result.zone),
                frame=result.frame.value,
                from_mm=zone.from_mm if zone else None,
                to_mm=zone.to_mm if zone else None,
                lower_mm=zone.limits.lower if zone else (finding.lower if finding else None),
                upper_mm=zone.limits.upper if zone else (finding.upper if finding else None),
                guard_mm=finding.guard if finding else None,
                most=result.most,
                most_at_mm=result.most_at_mm,
                least=result.least,
                least_at_mm=result.least_at_mm,
                length_mm=result.length_mm,
                seen_mm=result.seen_mm,
                cameras=result.cameras,
                look=LOOKS[finding.answer] if finding else None,
                profile=profile_value(result, zone.limits) if zone else None,
                uz_mm=zone.limits.middle if zone else None,
            )
        )
    return rows


def _there(there: bool | None) -> str:
    return {True: "yes", False: "missing", None: "not seen"}[there]


def cutout_rows(inspection: Inspection, definition: ShellDefinition | None) -> list[CutOutRow]:
    drawn = {cutout.name: cutout for cutout in definition.cutouts} if definition else {}
    rows = []
    for result in inspection.measurement.cutouts:
        cutout = drawn.get(result.name)
        rows.append(
            CutOutRow(
                result=result,
                words=cutout.words if cutout else result.name,
                there=_there(result.there),
                size_words=("diameter",) if len(result.sizes) == 1 else ("length", "width"),
                nominal_mm=cutout.size_mm if cutout else (),
                position_limit_mm=cutout.position_limit_mm if cutout else None,
                size_lower_mm=cutout.size_limits.lower if cutout else None,
                size_upper_mm=cutout.size_limits.upper if cutout else None,
                look=_look_of(inspection.verdict.findings, f"cut-out {result.name}"),
            )
        )
    return rows


def cut_face_rows(inspection: Inspection, definition: ShellDefinition | None) -> list[CutFaceRow]:
    called = {cutout.curve.name: cutout.words for cutout in definition.cutouts} if definition else {}
    rows = []
    for face in inspection.measurement.cut_faces:
        name, told = called.get(face.curve, face.curve), (face.seen_mm, face.told_apart_mm)
        rows.append(CutFaceRow(name, face.camera, *told, face.bevel, face.bevel_deg, sentence(face, name)))
    return rows


def decal_rows(inspection: Inspection, definition: ShellDefinition | None) -> list[DecalRow]:
    measured = inspection.measurement
    of_variant = [decal for decal in definition.decals if decal.variant == measured.variant] if definition else []
    drawn = {decal.name: decal for decal in of_variant}
    rows = []
    for result in measured.decals:
        decal = drawn.get(result.name)
        rows.append(
            DecalRow(
                decal=result.name,
                words=decal.words if decal else result.name,
                there=_there(result.there),
                dx=result.dx,
                dy=result.dy,
                rotation=result.rotation,
                offset_words=offset_words(result.dx.value, result.dy.value) if result.dx and result.dy else "",
                turn_words=turn_words(result.rotation.value) if result.rotation else "",
                offset_limit_mm=decal.offset_limit_mm if decal else None,
                rotation_limit_deg=decal.rotation_limit_deg if decal else None,
                correlation=result.correlation,
                camera=result.camera,
                look=_look_of(inspection.verdict.findings, f"decal {result.name}"),
                stretch_along=result.stretch_along,
                stretch_across=result.stretch_across,
                warp_mm=_finite(result.warp_mm),
                whole=whole_words(result),
                hidden_share=_finite(result.hidden_share),
                faults=tuple(
                    FaultRow(
                        f"{where_on(decal, one)}: {fault_words(one)}" if decal else fault_words(one),
                        one.kind.value,
                        one.area_mm2,
                        one.length_mm,
                        one.width_mm,
                        (float(one.at_mm[0]), float(one.at_mm[1])),
                        one.camera,
                    )
                    for one in result.faults
                    if one.kind is not FaultKind.COLOUR
                ),
                told_from=DecalDatum(result.datum).words,
                untold=result.untold,
                surface=result.surface,
                surface_doubt=result.surface_doubt,
                gap=_gap(result.gap, decal),
                colour=colour_row(result, decal),
            )
        )
    return rows


def colour_row(result: DecalResult, decal: Decal | None) -> ColourRow | None:
    colour = result.colour
    if colour is None:
        return None
    off = [one for one in result.faults if one.kind is FaultKind.COLOUR]
    return ColourRow(
        colour.camera,
        colour.illuminant,
        colour.untold,
        colour.worst,
        colour.area_mm2,
        _finite(colour.told_share),
        decal.colour.limit_de if decal and decal.colour else None,
        tuple(
            InkRow(
                ink.name,
                _lab_words(ink.expected_lab),
                _srgb_words(ink.expected_lab, colour.illuminant),
                "" if ink.read_lab is None else _lab_words(ink.read_lab),
                "" if ink.read_lab is None else _srgb_words(ink.read_lab, colour.illuminant),
                ink.off_by,
                ink.area_mm2,
                ink.told_mm2,
                ink.over_mm,
            )
            for ink in colour.inks
        ),
        tuple(f"{where_on(decal, one)}: {fault_words(one)}" if decal else fault_words(one) for one in off),
    )


def _lab_words(lab: Array) -> str:
    values = (round(float(value), 1) + 0.0 for value in lab)  # + 0.0: no minus before nothing
    return "L* {:.1f} a* {:.1f} b* {:.1f}".format(*values).replace("-", "−")


def _srgb_words(lab: Array, illuminant: str) -> str:
    red, green, blue = np.rint(255 * srgb_of_lab(lab.astype(np.float64), illuminant)).astype(int)
    return f"#{red:02x}{green:02x}{blue:02x}"


def _gap(gap: GapProfile | None, decal: Decal | None) -> GapRow | None:
    if gap is None:
        return None
    return GapRow(
        gap.side,
        gap.least,
        gap.least_at_mm,
        gap.most,
        gap.most_at_mm,
        decal.gap_lower_mm if decal else None,
        decal.gap_upper_mm if decal else None,
        [round(float(x), 2) for x in gap.at_mm],
        [_finite(round(float(x), 4)) for x in gap.gap_mm],
        [_finite(round(float(x), 4)) for x in gap.u_mm],
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
