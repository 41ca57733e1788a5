"""The records behind the review pages: the queue of shells that were not green, and all that is wanted of one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.inspection import Inspection
from edgeinspect.measure.measurement import DeviationProfile
from edgeinspect.shell.definition import Frame
from edgeinspect.store.profiles import KeptProfiles
from edgeinspect.store.review_queue import Queued
from edgeinspect.store.reviews import Disposed, Labelled, Reviews
from edgeinspect.web.attempts import AttemptNow
from edgeinspect.web.drawing import Numbers, Place, Point, judged_profile, measured, numbers, points, rounded
from edgeinspect.web.inspection_record import InspectionRecord, inspection_record
from edgeinspect.web.look import LOOKS
from edgeinspect.web.parts import Parts

GHOSTS = 20  # shells of the same kind before this one
GHOST_STEP_MM = 1.0  # they are filtered with 2.5 mm
SAME_LENGTH_MM = 2.0  # outlines that differ by more are of another drawing: arc lengths do not compare
NEAR_PX = 90.0  # half the side of the cut-out shown of each look, in pixels of the picture
WARMER_C = 2.0  # less than this is no change worth telling: 0.05 mm over 300 mm of ABS


@dataclass(frozen=True)
class QueueRow:
    inspection_id: int
    shell_id: str
    attempt: int
    key: str
    word: str
    sentence: str
    where: str
    finished_at: str
    strain: float | None  # how much of the room up to its limit the worst characteristic uses, 1 at the limit
    label: str | None
    disposition: str | None
    url: str


@dataclass(frozen=True)
class ReviewQueue:
    """``/review.json``: up to 200 shells that were not green, by their newest look that was not."""

    asked: dict[str, str]
    total: int  # not counted further than 1000
    shells: list[QueueRow]


@dataclass(frozen=True)
class Ghost:
    """The profile of an earlier shell, on ``ghost_arc_mm``."""

    inspection_id: int
    shell_id: str
    key: str
    deviation_mm: Numbers


@dataclass(frozen=True)
class ChangedSince:
    what: str  # "calibration", "definition", "limits", "software", "temperature", or the kind of a change mark
    words: str
    at: str | None  # ISO 8601, UTC; None where only the difference is known


@dataclass(frozen=True)
class LastGood:
    inspection_id: int
    shell_id: str
    finished_at: str
    url: str


@dataclass(frozen=True)
class LookBeside:
    """One of several looks at the same shell: the same place in its picture, and its profile on ``ghost_arc_mm``."""

    attempt: AttemptNow
    view_url: str | None
    nominal_px: list[Point | None]
    edge_px: list[Point | None]
    deviation_mm: Numbers


@dataclass(frozen=True)
class ReviewRecord:
    """``/review/{id}.json``. Lengths in mm, places in pixels of the original picture, times ISO 8601 UTC."""

    inspection: InspectionRecord
    ghost_frame: str
    ghost_arc_mm: list[float]
    ghosts: list[Ghost]
    last_good: LastGood | None
    changed: list[ChangedSince]
    place: Place | None  # the worst one
    looks: list[LookBeside]  # with one look there is nothing beside it
    labels: list[Labelled]  # the last first: that one counts
    dispositions: list[Disposed]


def queue_row(one: Queued, query: str) -> QueueRow:
    look = next(look for answer, look in LOOKS.items() if answer.value == one.answer)
    return QueueRow(
        inspection_id=one.inspection_id,
        shell_id=one.shell_id,
        attempt=one.attempt,
        key=look.key,
        word=look.word,
        sentence=one.sentence,
        where=one.where,
        finished_at=one.finished_at,
        strain=one.strain,
        label=one.label,
        disposition=one.disposition,
        url=f"/review/{one.inspection_id}{query}",
    )


def review_record(parts: Parts, inspection: Inspection) -> ReviewRecord:
    assert inspection.inspection_id is not None
    number, measurement = inspection.inspection_id, inspection.measurement
    record = inspection_record(parts, inspection)
    profile = judged_profile(measurement)
    frame = profile.frame if profile else Frame.DATUM
    grid = _grid(profile)
    before = parts.store.profiles.before(number, inspection.expected.shell, GHOSTS)
    place = next((row.place for row in record.findings if row.place is not None and row.look.key != "good"), None)
    good_id = parts.store.last_good(number, inspection.expected.shell)
    good = parts.store.inspection(good_id, ribbons=False) if good_id is not None else None
    reviews = Reviews(parts.changes, parts.station.same_shell_h)
    own = {one.inspection_id for one in record.attempts}
    return ReviewRecord(
        inspection=record,
        ghost_frame=frame.value,
        ghost_arc_mm=rounded(grid, 1),
        ghosts=[
            Ghost(one.inspection_id, one.shell_id, LOOKS[one.answer].key, values)
            for one in before
            if (values := _on_grid(one, frame, grid, profile)) is not None
        ],
        last_good=None
        if good is None or good_id is None
        else LastGood(good_id, good.shell_id, good.finished_at, f"/inspections/{good_id}"),
        changed=[] if good is None else changed_since(parts, good, inspection),
        place=place,
        looks=_beside(parts, record, place, frame, grid, profile) if len(record.attempts) > 1 else [],
        labels=list(reviews.labels_said(number)),
        dispositions=[one for one in reviews.dispositions_said(inspection.shell_id) if one.inspection_id in own],
    )


# -- profiles


def _grid(profile: DeviationProfile | None) -> Array:
    if profile is None or not len(profile.arc_mm):
        return np.empty(0)
    return np.arange(0.0, float(profile.arc_mm.max()), GHOST_STEP_MM)


def _on_grid(one: KeptProfiles, frame: Frame, grid: Array, own: DeviationProfile | None) -> Numbers | None:
    """The other profile at the grid's arc lengths, None where it has no station within half a step; None altogether if
    it was not measured, or its outline has another length.
    """
    other = next((profile for profile in one.profiles if profile.frame is frame), None)
    if other is None or own is None or not len(other.arc_mm) or not len(grid):
        return None
    if abs(float(other.arc_mm.max()) - float(own.arc_mm.max())) > SAME_LENGTH_MM:
        return None
    seen = np.flatnonzero(np.isfinite(other.deviation_mm))
    if not len(seen):
        return None
    seen = seen[np.argsort(other.arc_mm[seen])]
    arc = other.arc_mm[seen]
    values = np.interp(grid, arc, other.deviation_mm[seen])
    after = np.clip(np.searchsorted(arc, grid), 0, len(arc) - 1)
    gap = np.minimum(np.abs(arc[after] - grid), np.abs(arc[np.maximum(after - 1, 0)] - grid))
    return numbers(np.where(gap <= GHOST_STEP_MM / 2, values, np.nan), 3)


# -- looks side by side


def _beside(
    parts: Parts,
    record: InspectionRecord,
    place: Place | None,
    frame: Frame,
    grid: Array,
    own: DeviationProfile | None,
) -> list[LookBeside]:
    kept = {one.inspection_id: one for one in parts.store.profiles.of([one.inspection_id for one in record.attempts])}
    looks = []
    for attempt in record.attempts:
        profiles = kept.get(attempt.inspection_id)
        nominal, edge = _near(parts, attempt.inspection_id, place) if place else ([], [])
        view = f"/inspections/{attempt.inspection_id}/pictures/{place.camera}.jpg" if place else None
        there = place is not None and place.camera in parts.store.kept_files(attempt.inspection_id)
        values = _on_grid(profiles, frame, grid, own) if profiles else None
        looks.append(LookBeside(attempt, view if there else None, nominal, edge, values or []))
    return looks


def _near(parts: Parts, inspection_id: int, place: Place) -> tuple[list[Point | None], list[Point | None]]:
    """Nominal outline and measured edge of a look near a place in the picture; None parts one stretch from the next."""
    inspection = parts.store.inspection(inspection_id, ribbons=False)
    nominal: list[Point | None] = []
    edge: list[Point | None] = []
    for trace in inspection.measurement.traces if inspection else ():
        away = np.abs(trace.nominal_pixel - np.array([place.x_px, place.y_px])).max(axis=1)
        near = np.flatnonzero(away < 1.2 * NEAR_PX) if trace.camera == place.camera else np.empty(0, dtype=np.intp)
        seen = measured(trace)[near]
        last = -1
        outlines, found = points(trace.nominal_pixel[near], 2), points(trace.pixel[near], 2)
        for at, outline, place_px, ok in zip(near.tolist(), outlines, found, seen.tolist(), strict=True):
            if at != last + 1:
                nominal.append(None)
                edge.append(None)
            nominal.append(outline)
            edge.append(place_px if ok else None)
            last = at
    return nominal, edge


# -- what changed


def changed_since(parts: Parts, good: Inspection, now: Inspection) -> list[ChangedSince]:
    """What is different from the last good shell of this kind, and what a person said was done in between."""
    before, after = good.measurement, now.measurement
    found: list[ChangedSince] = []
    was = {view.camera: view.calibration_id for view in before.views}
    uses = {use.calibration_id: use for use in parts.store.calibrations.uses()}
    for view in after.views:
        if was.get(view.camera, view.calibration_id) != view.calibration_id:
            use = uses.get(view.calibration_id)
            why = f", chosen by {use.who}: {use.why}" if use else ""
            words = f"camera {view.camera} measured with {view.calibration_id} instead of {was[view.camera]}{why}"
            found.append(ChangedSince("calibration", words, use.at if use else None))
    if before.revision != after.revision:
        found.append(ChangedSince("definition", f"drawing {after.revision} instead of {before.revision}", None))
    elif before.definition_sha256 != after.definition_sha256:
        found.append(ChangedSince("definition", "a file of the shell definition is another one", None))
    if good.limits_revision != now.limits_revision:
        found.append(ChangedSince("limits", *_limits_words(parts, now)))
    elif good.verdict.limits_sha256 != now.verdict.limits_sha256:
        pieces = f"{good.verdict.limits_sha256[:8]} to {now.verdict.limits_sha256[:8]}"
        found.append(ChangedSince("limits", f"judged by other limits ({pieces})", None))
    if good.software != now.software:
        found.append(ChangedSince("software", f"edgeinspect {now.software} instead of {good.software}", None))
    warmer = after.temperature_c - before.temperature_c
    if abs(warmer) >= WARMER_C:
        words = f"{abs(warmer):.0f} °C {'warmer' if warmer > 0 else 'colder'}: {after.temperature_c:.0f} °C"
        found.append(ChangedSince("temperature", words, None))
    if good.expected.variant != now.expected.variant:
        words = f"decal {now.expected.variant} instead of {good.expected.variant}"
        found.append(ChangedSince("decal", words, None))
    found += [
        ChangedSince("set to", f"the station was set to {one.shell} {one.variant}".rstrip(), one.at)
        for one in parts.state.changeovers(good.finished_at, now.started_at)
    ]
    reviews = Reviews(parts.changes, parts.station.same_shell_h)
    for mark in reviews.marks(good.finished_at, now.started_at):
        shell = f", from shell {mark.from_shell_id}" if mark.from_shell_id else ""
        found.append(ChangedSince(mark.kind.value, f"{mark.reason}{shell} ({mark.who})", mark.from_at))
    return found


def _limits_words(parts: Parts, now: Inspection) -> tuple[str, str | None]:
    """Which revision judged this look, who wanted it and why; when it was proposed."""
    if now.limits_revision is None:
        return "judged by the drawing's own limits again", None
    made = parts.store.limits.one(now.limits_revision)
    said = f"{made.proposal.reason} ({made.who})"
    return f"judged by revision {now.limits_revision} of the limits: {said}", made.at
