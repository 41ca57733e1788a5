"""The record behind an inspection's page and its JSON twin."""

from __future__ import annotations

import math
from dataclasses import dataclass

from edgeinspect.conformity import Finding
from edgeinspect.conformity.decal import fault_words, where_on
from edgeinspect.conformity.trim import profile_value
from edgeinspect.inspection import Inspection
from edgeinspect.measure.cut_face import sentence
from edgeinspect.measure.measurement import (
    Alignment,
    CutOutResult,
    DecalResult,
    FaultKind,
    Flag,
    Quantity,
    Share,
    ShellHeight,
)
from edgeinspect.process.limits import with_limits
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.store.inspections import KeptFiles
from edgeinspect.web.attempts import AttemptNow, attempts_at, look_of
from edgeinspect.web.board import view_url
from edgeinspect.web.cameras import CameraPlan, SeamRow, camera_plan, seam_rows
from edgeinspect.web.drawing import (
    PictureDrawing,
    Place,
    ProfileDrawing,
    RibbonDrawing,
    picture_drawing,
    places_of,
    profile_drawings,
    ribbon_drawing,
)
from edgeinspect.web.flaws import FlawRow, flaw_rows
from edgeinspect.web.look import LOOKS, Look, length_words, offset_words, turn_words
from edgeinspect.web.parts import Parts


@dataclass(frozen=True)
class FindingRow:
    finding: Finding
    look: Look
    place: Place | None


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
    whole: str  # "yes", "no", "cannot judge: glare", "not looked at"
    hidden_share: float | None  # of the print, as bright as the sheet: there a missing piece does not show
    faults: tuple[FaultRow, ...]


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


@dataclass(frozen=True)
class PictureRow:
    """One camera's picture; ``problems`` says why what that camera measures is missing."""

    camera: str
    name: str  # "" where no picture came
    taken_at: str
    sha256: str
    pixels_sha256: str
    view_url: str | None
    original_url: str | None
    drawing: PictureDrawing | None
    problems: list[str]


@dataclass(frozen=True)
class ViewRow:
    camera: str
    calibration_id: str
    moved_mm: float
    marks_seen: int
    marks_known: int
    mark_residual_px: float
    grey_ratio: float
    blur_px: float
    lengths: list[str]


@dataclass(frozen=True)
class InspectionRecord:
    """``/inspections/{id}.json``.

    Lengths in mm, angles in degrees, every u one standard uncertainty, times ISO 8601 UTC.
    """

    inspection_id: int
    shell_id: str
    attempt: int
    attempts: list[AttemptNow]  # every look at this shell, first one first, this one among them
    look_number: int | None  # which look this is, of those that measured the shell; None: it does not count
    same_id: int  # inspections of other shells that had this id at other times
    earlier_id: int | None
    later_id: int | None
    station: str
    started_at: str
    finished_at: str
    answer: str
    look: Look
    sentence: str
    action: str
    findings: list[FindingRow]
    rule: str
    expected_shell: str
    expected_variant: str
    shell: str
    title: str
    revision: str
    variant: str
    definition_sha256: str
    limits_sha256: str
    limits_revision: int | None  # of the inspection limits that judged it; null: the definition's own
    after_change: str  # number and hash of the last change in the record of changes before this look
    definition_is_current: bool  # False: its files have changed since, so zones are not drawn
    checks: list[str]
    temperature_c: float
    temperature_stated: bool
    u_temperature_c: float
    warm_k: float  # how much warmer than the room; 0 where that is usual
    wait_min: int  # minutes until it has cooled
    height: ShellHeight | None  # above its seat, or why that cannot be told; null in older records
    software: str
    stops: list[str]
    notes: list[str]
    alignments: list[Alignment]
    untold: list[str]  # comparisons of cut, shell and fixture that cannot be told, and why
    path_shift: Quantity | None
    path_rotation: Quantity | None
    path_shift_limit_mm: float | None
    path_rotation_limit_deg: float | None
    views: list[ViewRow]
    pictures: list[PictureRow]
    zones: list[ZoneRow]
    cutouts: list[CutOutRow]
    cut_faces: list[CutFaceRow]  # where a camera sees the cut face: both arrises and the bevel
    decals: list[DecalRow]
    flaws: list[FlawRow]
    seams: list[SeamRow]  # none with one camera
    camera_plan: CameraPlan | None
    profiles: list[ProfileDrawing]
    ribbons: list[RibbonDrawing]
    shares: list[Share]  # of the worst zone's uncertainty
    flag_words: dict[int, str]


NO_FILES = KeptFiles(view=False, original=False)
FLAG_WORDS = {
    Flag.NO_EDGE: "no edge in the search band",
    Flag.LOW_CONTRAST: "too little contrast",
    Flag.RIVAL_EDGE: "two edges alike",
    Flag.SATURATED: "over-exposed",
    Flag.POOR_FIT: "does not look like one edge",
    Flag.OUTSIDE: "outside the picture",
    Flag.HIDDEN: "the drawing's arris is behind the sheet",
}


def inspection_record(parts: Parts, inspection: Inspection, *, drawn: bool = True) -> InspectionRecord:
    """Without drawings it is made in half the time: the page itself fetches them with its twin."""
    assert inspection.inspection_id is not None
    number, measurement, verdict = inspection.inspection_id, inspection.measurement, inspection.verdict
    definition = parts.shells.as_judged(measurement.shell, measurement.definition_sha256)
    if definition is not None and inspection.limits_revision is not None:
        definition = with_limits(definition, parts.store.limits.one(inspection.limits_revision).changed)
    attempts, same_id = attempts_at(parts.store, inspection, parts.station.same_shell_h, pictures=True)
    seams = seam_rows(inspection)
    earlier_id, later_id = parts.store.neighbours(number)
    zones = zone_rows(inspection, definition)
    place = places_of(measurement, definition)
    worst_zone = max(zones, key=lambda row: max(row.most.value, -row.least.value), default=None)
    return InspectionRecord(
        inspection_id=number,
        shell_id=inspection.shell_id,
        attempt=inspection.attempt,
        attempts=attempts,
        look_number=look_of(inspection),
        same_id=same_id,
        earlier_id=earlier_id,
        later_id=later_id,
        station=inspection.station,
        started_at=inspection.started_at,
        finished_at=inspection.finished_at,
        answer=verdict.answer.value,
        look=LOOKS[verdict.answer],
        sentence=verdict.sentence,
        action=verdict.action,
        findings=[FindingRow(finding, LOOKS[finding.answer], place(finding)) for finding in verdict.findings],
        rule=verdict.rule,
        expected_shell=inspection.expected.shell,
        expected_variant=inspection.expected.variant,
        shell=measurement.shell,
        title=definition.title if definition else measurement.shell,
        revision=measurement.revision,
        variant=measurement.variant,
        definition_sha256=measurement.definition_sha256,
        limits_sha256=verdict.limits_sha256,
        limits_revision=inspection.limits_revision,
        after_change=inspection.after_change,
        definition_is_current=definition is not None,
        checks=sorted(check.value for check in measurement.checks),
        temperature_c=measurement.temperature_c,
        temperature_stated=measurement.temperature_stated,
        u_temperature_c=measurement.u_temperature_c,
        warm_k=measurement.warm_k,
        wait_min=measurement.wait_min,
        height=measurement.height,
        software=inspection.software,
        stops=[
            f"{stop.stage}: {stop.reason}. {stop.action[:1].upper()}{stop.action[1:]}" for stop in measurement.stops
        ],
        notes=list(measurement.notes),
        alignments=[
            one
            for one in (measurement.cut, measurement.seating, measurement.cut_on_shell, measurement.best_fit)
            if one is not None
        ],
        untold=list(measurement.untold),
        path_shift=measurement.path_shift,
        path_rotation=measurement.path_rotation,
        path_shift_limit_mm=definition.path.shift_mm if definition else None,
        path_rotation_limit_deg=definition.path.rotation_deg if definition else None,
        views=[
            ViewRow(
                view.camera,
                view.calibration_id,
                view.moved_mm,
                view.marks_seen,
                view.marks_known,
                view.mark_residual_px,
                view.grey_ratio,
                view.blur_px,
                [length_words(*length) for length in view.lengths],
            )
            for view in measurement.views
        ],
        pictures=picture_rows(parts, inspection, drawn),
        zones=zones,
        cutouts=cutout_rows(inspection, definition),
        cut_faces=cut_face_rows(inspection, definition),
        decals=decal_rows(inspection, definition),
        flaws=flaw_rows(inspection, definition),
        seams=seams,
        camera_plan=camera_plan(seams, definition, parts.plans),
        profiles=profile_drawings(measurement),
        ribbons=[
            ribbon_drawing(ribbon, measurement, f"/inspections/{number}/ribbons/{at}.png")
            for at, ribbon in enumerate(measurement.ribbons)
        ],
        shares=list(worst_zone.most.shares) if worst_zone else [],
        flag_words={int(flag): words for flag, words in FLAG_WORDS.items()},
    )


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
    drawn = {decal.name: decal for decal in definition.decals} if definition else {}
    rows = []
    for result in inspection.measurement.decals:
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
                whole=_whole(result),
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
                ),
            )
        )
    return rows


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _whole(result: DecalResult) -> str:
    if not result.faults_sought:
        return "not looked at"
    kinds = {fault.kind for fault in result.faults}
    return "yes" if not kinds else "cannot judge: glare" if kinds == {FaultKind.GLARE} else "no"


def picture_rows(parts: Parts, inspection: Inspection, drawn: bool) -> list[PictureRow]:
    assert inspection.inspection_id is not None
    number = inspection.inspection_id
    sizes = {setup.name: (setup.width_px, setup.height_px) for setup in parts.station.cameras}
    files = parts.store.kept_files(number)
    problems: dict[str, list[str]] = {}
    for stop in inspection.measurement.stops:
        if stop.camera:
            problems.setdefault(stop.camera, []).append(f"{stop.reason}. {stop.action[:1].upper()}{stop.action[1:]}")
    rows = []
    for picture in inspection.pictures:
        camera = picture.camera
        there = files.get(camera, NO_FILES)
        shown = camera in sizes and there.view
        rows.append(
            PictureRow(
                camera=camera,
                name=picture.name,
                taken_at=picture.taken_at,
                sha256=picture.sha256,
                pixels_sha256=picture.pixels_sha256,
                view_url=view_url(number, camera) if shown else None,
                original_url=f"/inspections/{number}/pictures/{camera}/original" if there.original else None,
                drawing=picture_drawing(inspection.measurement, camera, sizes[camera]) if shown and drawn else None,
                problems=problems.pop(camera, []),
            )
        )
    for camera, sentences in problems.items():  # no picture came
        rows.append(PictureRow(camera, "", "", "", "", None, None, None, sentences))
    return rows
