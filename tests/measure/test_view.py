"""What one picture says about its camera, in words: moved, dark, burnt, out of focus, marks, gauge."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture, Mark, TrustLimits
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.view import Look, apparent_move, look
from edgeinspect.simulate import bench

ANGLE = 2 * np.pi * np.arange(120) / 120
RIM = np.column_stack([200 * np.cos(ANGLE), 150 * np.sin(ANGLE), np.full(120, 40.0)])
Raw = NDArray[np.uint16]


def camera_moved(calibration: CameraCalibration, shift_mm: tuple[float, float, float]) -> CameraCalibration:
    """A calibration made when the camera stood elsewhere (camera frame): as good as moving the camera since."""
    return replace(calibration, fixture_pose=Pose(np.eye(3), np.array(shift_mm)).after(calibration.fixture_pose))


def seen(raw: NDArray[np.uint8] | Raw, calibration: CameraCalibration, fixture: Fixture) -> Look:
    return look(GreyPicture(raw), calibration, fixture, RIM)


def test_a_good_picture(empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture) -> None:
    result = seen(empty_plate, calibration, fixture)
    assert result.stop is None
    assert result.notes == ()
    view = result.view
    assert (view.camera, view.calibration_id, view.marks_seen, view.marks_known) == ("top", "exact", 8, 8)
    assert view.moved_mm < 0.01
    assert view.grey_ratio == pytest.approx(0.94, abs=0.03)  # the calibration here has no fall-off: cos⁴ of 11 degrees
    assert [known for _, known, _ in view.lengths] == pytest.approx([np.hypot(430, 320)] * 2 + [454, 336])
    assert all(abs(read - known) < 0.01 for _, known, read in view.lengths)


@pytest.mark.parametrize(
    ("shift_mm", "outcome"),
    [(0.03, "quiet"), (0.06, "noted"), (0.10, "noted"), (0.19, "noted"), (0.21, "stopped"), (0.30, "stopped")],
)
def test_a_camera_that_was_moved(
    empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture, shift_mm: float, outcome: str
) -> None:
    """SOURCE of 0.05 and 0.2 mm: common practice of the trade (trade notes), no source. A camera moved sideways moves
    every place by as much.
    """
    result = seen(empty_plate, camera_moved(calibration, (shift_mm, 0.0, 0.0)), fixture)
    assert result.view.moved_mm == pytest.approx(shift_mm, abs=0.01)
    words = f"camera top has moved {result.view.moved_mm:.2f} mm"
    if outcome == "stopped":
        assert result.stop is not None
        assert (result.stop.stage, result.stop.reason) == ("camera", words)
        assert "call the process engineer" in result.stop.action
        assert result.notes == ()
    else:
        assert result.stop is None
        assert [note for note in result.notes if "moved" in note] == (
            [] if outcome == "quiet" else [f"{words}: compensated, tell the process engineer"]
        )


def test_the_limits_of_movement_belong_to_what_is_told_and_compensated(
    empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture
) -> None:
    """SOURCE: trade notes, common practice, no source: 0.05 to 0.2 mm is told, over 0.2 mm is NO RESULT."""
    moved = camera_moved(calibration, (0.1, 0.0, 0.0))
    exactly_mm = seen(empty_plate, moved, fixture).view.moved_mm
    for trust in (TrustLimits(moved_note_mm=exactly_mm), TrustLimits(moved_stop_mm=exactly_mm)):
        result = seen(empty_plate, moved, replace(fixture, trust=trust))
        assert result.stop is None and len(result.notes) == 1
    result = seen(empty_plate, moved, replace(fixture, trust=TrustLimits(moved_stop_mm=exactly_mm - 1e-6)))
    assert result.stop is not None and "fasten the camera, look again" in result.stop.action


def test_a_turned_camera_counts_where_it_matters_most(calibration: CameraCalibration) -> None:
    """SOURCE: geometry: 0.02 degrees at 870 mm is 0.30 mm."""
    turned = replace(
        calibration, fixture_pose=Pose.from_degrees((0.02, 0.0, 0.0), (0.0, 0.0, 0.0)).after(calibration.fixture_pose)
    )
    assert apparent_move(turned, calibration.fixture_pose, RIM) == pytest.approx(np.deg2rad(0.02) * 873, rel=0.06)
    assert apparent_move(calibration, calibration.fixture_pose, RIM) == 0.0


@pytest.mark.parametrize(
    ("light", "outcome"), [(1.0, "quiet"), (0.88, "quiet"), (0.80, "noted"), (0.65, "stopped"), (1.35, "stopped")]
)
def test_light(empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture, light: float, outcome: str) -> None:
    """SOURCE: warn at 15 %, stop at 30 %: trade notes, common practice, no source."""
    usual = seen((empty_plate * 0.7).astype(np.uint16), calibration, fixture)
    fair = replace(calibration, grey_level=calibration.grey_level * usual.view.grey_ratio)
    result = seen((empty_plate * (0.7 * light)).astype(np.uint16), fair, fixture)
    assert result.view.grey_ratio == pytest.approx(light, abs=0.002)
    words = f"the light is at {100 * light:.0f} %"
    if outcome == "stopped":
        assert result.stop is not None
        assert result.stop.stage == "light"
        assert result.stop.reason.startswith(words)
    else:
        assert result.stop is None
        assert any(note.startswith(words) for note in result.notes) == (outcome == "noted")


def test_darkness(calibration: CameraCalibration, fixture: Fixture) -> None:
    dark = np.random.default_rng(0).integers(0, 8, (1200, 1600)).astype(np.uint8)
    result = seen(dark, calibration, fixture)
    assert result.stop is not None
    assert (result.stop.stage, result.stop.reason) == ("light", "camera top sees nothing: the picture is dark")
    assert "lens" in result.stop.action
    assert np.isnan(result.view.moved_mm)


def test_burnt(empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture) -> None:
    burnt = empty_plate.copy()
    burnt[300:900, 400:1200] = 65535
    result = seen(burnt, calibration, fixture)
    assert result.stop is not None
    assert (result.stop.stage, result.stop.reason) == ("light", "the picture of camera top is overexposed")


def test_out_of_focus(empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture) -> None:
    soft = cv2.GaussianBlur(empty_plate, (0, 0), 1.7)
    result = seen(soft, calibration, fixture)
    assert result.stop is not None
    assert result.stop.stage == "focus"
    wanted = np.sqrt(0.75**2 + 1 / 12 + 1 / 6 + 1.7**2)  # optics, pixel, bilinear sampling, and what was added
    assert f"out of focus (blur {result.view.blur_px:.1f} px, was 0.9 px)" in result.stop.reason
    assert result.view.blur_px == pytest.approx(wanted, rel=0.2)  # reads low so far out, see test_marks
    assert seen(cv2.GaussianBlur(empty_plate, (0, 0), 0.6), calibration, fixture).stop is None


def blurred_on_the_right(picture: Array, blur_px: float) -> Array:
    """A lens that leans: sharp on the left third, all of the blur on the right one."""
    share = np.clip((np.arange(picture.shape[1]) / picture.shape[1] - 0.3) / 0.4, 0.0, 1.0)
    return np.asarray(picture * (1 - share) + cv2.GaussianBlur(picture, (0, 0), blur_px) * share)


@pytest.mark.parametrize("added_px", [0.5, 1.0, 1.4, 1.8])
def test_out_of_focus_on_one_side(
    empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture, added_px: float
) -> None:
    """Variances of Gaussian blurs add (calculus). All marks together read 1.1 px of blur, and nothing was said."""
    then = seen(empty_plate, calibration, fixture).marks
    known = tuple(zip(then.seen, then.blurs_px.tolist(), strict=True))
    soft = blurred_on_the_right(empty_plate.astype(np.float64), added_px)
    result = seen(np.rint(soft).astype(np.uint16), replace(calibration, mark_blurs_px=known), fixture)
    assert result.view.blur_px < 1.2
    wanted = np.hypot(then.blurs_px, added_px)
    sharp, dull = result.marks.blurs_px, float(wanted.max())
    assert sharp.max() == pytest.approx(dull, rel=0.05)
    assert sharp.min() == pytest.approx(then.blurs_px.min(), rel=0.08)
    if dull < 0.9 + fixture.trust.blur_growth_px:
        assert result.stop is None
        return
    assert result.stop is not None
    assert result.stop.stage == "focus"
    assert re.fullmatch(
        rf"camera top is out of focus at fixture mark [125] \(blur {sharp.max():.1f} px, was 0\.9 px\)",
        result.stop.reason,
    )


def test_a_lens_that_never_was_sharp_on_one_side(
    empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture
) -> None:
    """What it was at calibration is what it was measured with; of an older calibration nothing is known."""
    soft = np.rint(blurred_on_the_right(empty_plate.astype(np.float64), 1.4)).astype(np.uint16)
    then = seen(soft, calibration, fixture)
    assert then.stop is None
    known = tuple(zip(then.marks.seen, then.marks.blurs_px.tolist(), strict=True))
    assert seen(soft, replace(calibration, mark_blurs_px=known), fixture).stop is None


def test_no_marks(empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture) -> None:
    other = replace(fixture, marks=tuple(Mark(m.mark_id + 20, m.corners_mm) for m in fixture.marks))
    result = seen(empty_plate, calibration, other)
    assert result.stop is not None
    assert result.stop.stage == "marks"
    assert "does not see the fixture marks (0 of 8)" in result.stop.reason
    assert "clean the marks" in result.stop.action


def cover(raw: Raw, *marks: int) -> Raw:
    covered = raw.copy()
    for mark in marks:
        corners = bench.top_camera().project(bench.mark_corners_mm(mark)).astype(int)
        covered[corners[:, 1].min() : corners[:, 1].max(), corners[:, 0].min() : corners[:, 0].max()] = 30000
    return covered


def test_hidden_and_stray_marks_are_named(empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture) -> None:
    shift = np.array([0.5, 0.0, 0.0])
    stray = replace(
        fixture, marks=tuple(Mark(m.mark_id, m.corners_mm + shift * (m.mark_id == 1)) for m in fixture.marks)
    )
    result = seen(cover(empty_plate, 4, 6), calibration, stray)
    assert result.stop is None
    assert "fixture mark 1 is not where it belongs: left out" in result.notes
    assert "fixture mark 4, 6 is hidden or dirty" in result.notes
    assert result.view.marks_seen == 5


def test_no_gauge_check_no_measurement(empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture) -> None:
    """With four marks no length can be checked: NO RESULT, not an unchecked one."""
    result = seen(cover(empty_plate, 4, 5, 6, 7), calibration, fixture)
    assert result.stop is not None
    assert (result.stop.stage, result.stop.reason) == ("gauge", "too few marks for the gauge check (camera top)")


def test_a_wrong_length_stops(empty_plate: Raw, calibration: CameraCalibration, fixture: Fixture) -> None:
    """Mark 0 is described 0.06 mm too far out, too little for a stray: its diagonal reads too short, and says so where
    that is too much.
    """
    out = np.array([-0.048, 0.036, 0.0])
    wrong = replace(
        fixture,
        trust=TrustLimits(length_stop_mm=0.04),
        marks=tuple(Mark(m.mark_id, m.corners_mm + out * (m.mark_id == 0)) for m in fixture.marks),
    )
    result = seen(empty_plate, calibration, wrong)
    assert result.stop is not None
    assert result.stop.stage == "gauge"
    assert result.stop.reason == "the gauge reads 536.00 for 536.06 mm (camera top)"
    assert "call the process engineer" in result.stop.action


def test_a_picture_of_another_camera(calibration: CameraCalibration, fixture: Fixture) -> None:
    with pytest.raises(ValueError, match="picture of camera top is 800 x 600, its calibration is for 1600 x 1200"):
        seen(np.zeros((600, 800), np.uint8), calibration, fixture)
