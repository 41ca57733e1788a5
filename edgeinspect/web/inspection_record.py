"""The record behind an inspection's page and its JSON twin."""

from __future__ import annotations

from dataclasses import dataclass

from edgeinspect.conformity import Finding
from edgeinspect.conformity.verdict import capital
from edgeinspect.inspection import Inspection
from edgeinspect.measure.measurement import (
    Alignment,
    Flag,
    Quantity,
    Share,
    ShellHeight,
)
from edgeinspect.process.limits import with_limits
from edgeinspect.store.inspections import KeptFiles
from edgeinspect.web.attempts import AttemptNow, attempts_at, look_of
from edgeinspect.web.board import view_url
from edgeinspect.web.budget import BudgetRecord, budget_of
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
from edgeinspect.web.look import LOOKS, Look, length_words
from edgeinspect.web.parts import Parts
from edgeinspect.web.result_rows import (
    CutFaceRow,
    CutOutRow,
    DecalRow,
    ZoneRow,
    cut_face_rows,
    cutout_rows,
    decal_rows,
    zone_rows,
)


@dataclass(frozen=True)
class FindingRow:
    finding: Finding
    look: Look
    place: Place | None


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
    temperature_words: str  # where it is from: "stated", by whoever chose the shell; "assumed"
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
    budget: BudgetRecord | None  # uncertainty against limits; null when the definition has changed since
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
    repeats = parts.store.repeatability(measurement.shell, parts.station.same_shell_h)
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
        temperature_words=_temperature_words(inspection),
        u_temperature_c=measurement.u_temperature_c,
        warm_k=measurement.warm_k,
        wait_min=measurement.wait_min,
        height=measurement.height,
        software=inspection.software,
        stops=[f"{stop.stage}: {stop.reason}. {capital(stop.action)}" for stop in measurement.stops],
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
        budget=None if definition is None else budget_of(measurement, definition, repeats),
        shares=list(worst_zone.most.shares) if worst_zone else [],
        flag_words={int(flag): words for flag, words in FLAG_WORDS.items()},
    )


def picture_rows(parts: Parts, inspection: Inspection, drawn: bool) -> list[PictureRow]:
    assert inspection.inspection_id is not None
    number = inspection.inspection_id
    sizes = {setup.name: (setup.width_px, setup.height_px) for setup in parts.station.cameras}
    files = parts.store.kept_files(number)
    problems: dict[str, list[str]] = {}
    for stop in inspection.measurement.stops:
        if stop.camera:
            problems.setdefault(stop.camera, []).append(f"{stop.reason}. {capital(stop.action)}")
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


def _temperature_words(inspection: Inspection) -> str:
    """The record does not keep whether a thermometer's file or the kept room told it: "measured" is not said of it."""
    if not inspection.measurement.temperature_stated:
        return "assumed"
    return "stated" if inspection.expected.temperature_c is not None else "by the station's thermometer or room"
