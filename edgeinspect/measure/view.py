"""What one picture says about its camera before any shell is looked at: marks, light, focus, and whether the camera
still stands where it stood.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture
from edgeinspect.measure.marks import LEAST_TRUSTED, MarksFound, find_marks, read_length
from edgeinspect.measure.measurement import CALL, CameraView, Stop
from edgeinspect.measure.noise import GREATEST_RESPONSE, read_response
from edgeinspect.measure.picture import GreyPicture, patch_level

DARK_SHARE = 0.1  # of the grey patch's level at calibration: below it nothing was lit
BURNT_LEVEL, BURNT_SHARE = 0.99, 0.05  # more than this share of the picture at full scale says nothing about edges
SURE_SHARE = 0.2  # of the limit of a known length: read less surely than this by the other marks it is no check


@dataclass(frozen=True)
class Look:
    """``stop`` None: the picture can be measured on."""

    view: CameraView
    marks: MarksFound
    stop: Stop | None
    notes: tuple[str, ...]


def look(picture: GreyPicture, calibration: CameraCalibration, fixture: Fixture, outline_mm: Array) -> Look:
    """Marks, pose, light and focus of one picture; ``outline_mm`` (N, 3) in the fixture: where a moved camera
    matters.
    """
    model, name = calibration.model, calibration.camera
    fixture = fixture.in_view(model, calibration.fixture_pose)
    limits = fixture.trust
    if picture.raw.shape != (model.height_px, model.width_px):
        got = f"{picture.raw.shape[1]} x {picture.raw.shape[0]}"
        raise ValueError(
            f"picture of camera {name} is {got}, its calibration is for {model.width_px} x {model.height_px}"
        )
    few = max(16, model.width_px // 100)  # as many places whatever the picture's size
    thin = picture.raw[::few, ::few] * picture.scale
    marks = find_marks(picture, model, fixture, calibration.fixture_pose)
    pose = marks.pose
    where = calibration.fixture_pose if pose is None else pose
    grey = patch_level(picture, fixture.grey_patch_mm, model, where)
    response = read_response(picture, calibration.dark_noise)
    stop: Stop | None = None
    notes: list[str] = []
    moved = float("nan")
    if pose is not None:
        moved = apparent_move(calibration, pose, outline_mm)
    ratio = grey / calibration.grey_level
    if pose is None and (ratio < DARK_SHARE or float(np.percentile(thin, 99)) < DARK_SHARE):
        stop = Stop(
            "light", f"camera {name} sees nothing: the picture is dark", "uncover the lens, check the lamp, look again"
        )
    elif float((thin >= BURNT_LEVEL).mean()) > BURNT_SHARE:
        stop = Stop("light", f"the picture of camera {name} is overexposed", f"{CALL}: check lamp and exposure")
    elif pose is None and _mirrored(picture, calibration, fixture):
        words = f"the picture of camera {name} is mirrored"
        stop = Stop("picture", words, f"{CALL}: set the camera back to plain pictures")
    elif pose is None:
        seen = f"{len(marks.seen)} of {len(fixture.marks)}"
        stop = Stop(
            "marks", f"camera {name} does not see the fixture marks ({seen})", "clear and clean the marks, look again"
        )
    elif response > GREATEST_RESPONSE:
        words = (
            f"the picture of camera {name} is not linear in light (it reads {response:.1f}, a linear one 1.0 to 1.1)"
        )
        action = f"{CALL}: switch gamma and picture enhancement off, or state its response, calibrate again"
        stop = Stop("light", words, action)
    elif moved > limits.moved_stop_mm:
        action = f"{CALL}: fasten the camera, look again; if it stays, calibrate again"
        stop = Stop("camera", f"camera {name} has moved {moved:.2f} mm", action)
    elif not 1 - limits.light_stop_share <= ratio <= 1 + limits.light_stop_share:
        stop = Stop(
            "light", f"the light is at {100 * ratio:.0f} % of what it was at calibration", f"{CALL}: check the lamp"
        )
    elif marks.blur_px > calibration.blur_px + limits.blur_growth_px:
        words = f"camera {name} is out of focus (blur {marks.blur_px:.1f} px, was {calibration.blur_px:.1f} px)"
        stop = Stop("focus", words, "clean the lens, look again")
    elif (dull := _dull_mark(marks, calibration, limits.blur_growth_px)) is not None:
        mark, now, then = dull
        words = f"camera {name} is out of focus at fixture mark {mark} (blur {now:.1f} px, was {then:.1f} px)"
        stop = Stop("focus", words, "clean lens and mark, look again")
    elif not marks.residual_px <= limits.marks_stop_px:
        words = f"the fixture marks miss their places by {marks.residual_px:.2f} px in the picture of camera {name}"
        stop = Stop("gauge", words, f"clean the marks, look again, then {CALL}: calibrate again")
    if stop is None:
        if moved >= limits.moved_note_mm:
            notes.append(f"camera {name} has moved {moved:.2f} mm: compensated, tell the process engineer")
        if abs(ratio - 1) > limits.light_warn_share:
            notes.append(f"the light is at {100 * ratio:.0f} % of what it was at calibration: check the lamp soon")
        if marks.stray:
            notes.append(f"fixture mark {', '.join(map(str, marks.stray))} is not where it belongs: left out")
        hidden = {mark.mark_id for mark in fixture.marks} - set(marks.seen) - set(marks.stray)
        if hidden:
            notes.append(f"fixture mark {', '.join(map(str, sorted(hidden)))} is hidden or dirty")
    lengths = known_lengths(marks, fixture, calibration) if stop is None else ()
    wrong = [(known, read) for _, known, read in lengths if not abs(read - known) <= limits.length_stop_mm]
    if stop is None and (wrong or not lengths):
        words = (
            f"the gauge reads {wrong[0][1]:.2f} for {wrong[0][0]:.2f} mm"
            if wrong
            else "too few marks for the gauge check"
        )
        stop = Stop("gauge", f"{words} (camera {name})", f"clean the marks, look again, then {CALL}")
    if stop is not None:
        stop = replace(stop, camera=name)
    view = CameraView(
        name,
        calibration.calibration_id,
        pose,
        moved,
        len(marks.seen),
        len(fixture.marks),
        marks.residual_px,
        ratio,
        marks.blur_px,
        lengths,
        None if np.isnan(response) else response,
    )
    return Look(view, marks, stop, tuple(notes))


def _dull_mark(marks: MarksFound, calibration: CameraCalibration, growth_px: float) -> tuple[int, float, float] | None:
    """The mark whose blur has grown most since calibration, and its blur now and then [px], where it is too much: a
    smear on the lens, or a lens that leans, does not blur all of a picture alike.
    """
    then = dict(calibration.mark_blurs_px)
    both = [(one, float(now), then[one]) for one, now in zip(marks.seen, marks.blurs_px, strict=True) if one in then]
    worst = max(both, key=lambda one: one[1] - one[2], default=None)
    return None if worst is None or worst[1] - worst[2] <= growth_px else worst


def _mirrored(picture: GreyPicture, calibration: CameraCalibration, fixture: Fixture) -> bool:
    """Whether the marks can be read in a mirror: a left-hand shell must not pass for a right-hand one."""
    other = replace(picture, raw=picture.raw[:, ::-1].copy())
    return find_marks(other, calibration.model, fixture, None).pose is not None


def apparent_move(calibration: CameraCalibration, pose: Pose, outline_mm: Array) -> float:
    """Greatest apparent displacement [mm] of places (N, 3) of the fixture, against where the camera stood at
    calibration.
    """
    few = outline_mm[:: max(1, len(outline_mm) // 60)]
    now, then = calibration.model.project(few, pose), calibration.model.project(few, calibration.fixture_pose)
    depth = calibration.fixture_pose.apply(few)[:, 2]
    return float((np.linalg.norm(now - then, axis=1) * depth / calibration.model.fx).max())


def known_lengths(
    marks: MarksFound, fixture: Fixture, calibration: CameraCalibration
) -> tuple[tuple[str, float, float], ...]:
    """Distances between seen marks, known and read back [mm]: the two longest, the longest across and the longest up,
    of those that the other marks can read well enough to find a gauge that is wrong by the limit.

    A camera that is wrong in one direction only would hide in two diagonals.
    """
    if len(marks.seen) < LEAST_TRUSTED:
        return ()
    centres = {mark.mark_id: mark.corners_mm.mean(axis=0) for mark in fixture.marks}
    pairs = [(a, b) for k, a in enumerate(marks.seen) for b in marks.seen[k + 1 :]]
    spans = np.array([np.abs(centres[a] - centres[b])[:2] for a, b in pairs])
    readings: dict[int, tuple[float, float, float]] = {}

    def sure(k: int) -> bool:
        if k not in readings:
            readings[k] = read_length(marks, fixture, calibration.model, *pairs[k])
        return readings[k][2] <= SURE_SHARE * fixture.trust.length_stop_mm

    longest, across, up = -np.hypot(*spans.T), spans[:, 1] - spans[:, 0], spans[:, 0] - spans[:, 1]
    chosen: list[int] = []
    for order, count in ((longest, 2), (across, 1), (up, 1)):
        chosen += islice(filter(sure, np.argsort(order, kind="stable").tolist()), count)
    return tuple((f"mark {pairs[k][0]} to mark {pairs[k][1]}", *readings[k][:2]) for k in dict.fromkeys(chosen))
