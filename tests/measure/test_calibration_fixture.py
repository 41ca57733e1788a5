"""The board's lengths read back through the fixture marks, on the ray-traced sample picture, with the scene's own
camera.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from edgeinspect.errors import CalibrationError
from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.board import Board, BoardView, find_board
from edgeinspect.measure.calibration import CalibrationResult
from edgeinspect.measure.calibration_fixture import in_fixture, places_on_plane, spans
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.fixture import Fixture, Mark

SAMPLES = Path(__file__).parents[2] / "sample_images"
BOARD = Board("charuco", 13, 9, 30.0, 22.0, "DICT_5X5_250", board_z_mm=3.0)


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    content: dict[str, Any] = json.loads((SAMPLES / "truth.json").read_text())
    return content


@pytest.fixture(scope="module")
def levels() -> NDArray[Any]:
    return np.asarray(cv2.imread(str(SAMPLES / "calibration" / "fixture_board.webp"), cv2.IMREAD_GRAYSCALE))


@pytest.fixture(scope="module")
def view(levels: NDArray[Any]) -> BoardView:
    found = find_board(levels, BOARD)
    assert found is not None and len(found.ids) == 96
    return found


@pytest.fixture(scope="module")
def result(truth: dict[str, Any]) -> CalibrationResult:
    """The scene's camera, known to what a good calibration knows."""
    camera = truth["camera"]
    lens = [camera["distortion"][k] for k in ("k1", "k2", "p1", "p2", "k3")]
    numbers = (camera[k] for k in ("fx_px", "fy_px", "cx_px", "cy_px"))
    model = CameraModel(1600, 1200, *numbers, np.array(lens))  # type: ignore[misc]
    u = np.array([0.2, 0.2, 0.2, 0.2, 1e-4, 2e-3, 1e-5, 1e-5, 1e-2])
    return CalibrationResult("top", model, np.diag(u**2), 0.03, 0.02, 1000, 1.0, (), (), (), ())


def _square(x: float, y: float, width: float, height: float) -> Array:
    w, h = width / 2, height / 2
    return np.array([[x - w, y + h, 0.0], [x + w, y + h, 0.0], [x + w, y - h, 0.0], [x - w, y - h, 0.0]])


@pytest.fixture(scope="module")
def fixture(truth: dict[str, Any]) -> Fixture:
    marks = truth["scene"]["marks_mm"].items()
    patch = truth["scene"]["grey_patch_mm"]
    return Fixture(
        "DICT_4X4_50", tuple(Mark(int(k), _square(x, y, side, side)) for k, (x, y, side) in marks), _square(*patch)
    )


def _calibrated(
    levels: NDArray[Any], view: BoardView | None, result: CalibrationResult, fixture: Fixture, board: Board = BOARD
) -> CameraCalibration:
    return in_fixture(result, levels, view, board, fixture, "top-20260101t000000z-00000000", "2026-01-01T00:00:00Z")


def test_lengths_are_read_back(
    levels: NDArray[Any], view: BoardView, result: CalibrationResult, fixture: Fixture
) -> None:
    lengths = _calibrated(levels, view, result, fixture).lengths
    assert len(lengths) == 8 and max(check.nominal_mm for check in lengths) == pytest.approx(np.hypot(330.0, 210.0))
    errors = np.array([check.reading_mm - check.nominal_mm for check in lengths])
    u = np.array([check.u_mm for check in lengths])
    assert np.abs(errors).max() < 0.05  # the trade's need: u <= 0.05 mm
    assert (np.abs(errors) < 3 * u).all(), errors / u
    assert {"board, upper left to upper right", "board, upper left to lower right"} <= {
        check.words for check in lengths
    }


def test_camera_light_and_blur_are_the_scenes(
    levels: NDArray[Any], view: BoardView, result: CalibrationResult, fixture: Fixture, truth: dict[str, Any]
) -> None:
    calibration = _calibrated(levels, view, result, fixture)
    eye = calibration.fixture_pose.inverse().translation_mm
    # At 912 mm, 0.01 px of noise on 32 corners is 0.02 mm of the camera's place; it matters little, as the plate does
    # not move.
    assert np.abs(eye - truth["camera"]["centre_in_fixture_mm"]).max() < 0.1
    scene = truth["camera"]["fixture_to_camera"]
    seen = calibration.model.project(np.array([[-200.0, -150, 0], [200, 150, 0]]), calibration.fixture_pose)
    meant = calibration.model.project(
        np.array([[-200.0, -150, 0], [200, 150, 0]]),
        Pose(np.array(scene["rotation"]), np.array(scene["translation_mm"])),
    )
    assert np.abs(seen - meant).max() < 0.03
    assert calibration.blur_px == pytest.approx(truth["camera"]["blur_sigma_px"]["with_pixel_box"], abs=0.2)
    assert 0.2 < calibration.grey_level < 0.7


def test_places_on_a_plane_are_where_they_project_from(result: CalibrationResult) -> None:
    pose = Pose.from_degrees((181.0, 2.0, 1.0), (3.0, 5.0, 910.0))
    points = np.array([[0.0, 0.0, 42.0], [150.0, -100.0, 42.0], [-200.0, 120.0, 42.0]])
    assert places_on_plane(result.model.project(points, pose), result.model, pose, 42.0) == pytest.approx(
        points, abs=1e-6
    )


@pytest.mark.parametrize(
    ("board", "said"),
    [
        (replace(BOARD, square_mm=30.3, marker_mm=22.2), r"is square_mm 30\.3 right \(30\.00 would fit\)"),
        (replace(BOARD, square_mm=29.9), r"is square_mm 29\.9 right \(30\.00 would fit\)"),
        (replace(BOARD, board_z_mm=0.0), r"is board_z_mm 0"),
    ],
)
def test_a_wrong_scale_is_refused(
    levels: NDArray[Any], result: CalibrationResult, fixture: Fixture, board: Board, said: str
) -> None:
    with pytest.raises(CalibrationError, match=said) as refused:
        _calibrated(levels, find_board(levels, board), result, fixture, board)
    assert len(refused.value.problems) == 1 and "by the fixture marks the board reads" in str(refused.value)


def test_marks_of_another_fixture_are_refused(
    levels: NDArray[Any], view: BoardView, result: CalibrationResult, fixture: Fixture
) -> None:
    wider = replace(fixture, marks=tuple(Mark(m.mark_id, m.corners_mm * (1.01, 1.01, 1.0)) for m in fixture.marks))
    with pytest.raises(
        CalibrationError,
        match=r"by the fixture marks the board reads 395\.1 mm between corners 391\.15 mm",  # 1.01 times
    ):
        _calibrated(levels, view, result, wider)
    # Each mark 2 mm somewhere else: no pose fits them.
    away = np.random.default_rng(2).normal(0.0, 2.0, (len(fixture.marks), 3)) * (1, 1, 0)
    moved = replace(
        fixture, marks=tuple(Mark(m.mark_id, m.corners_mm + d) for m, d in zip(fixture.marks, away, strict=True))
    )
    with pytest.raises(CalibrationError, match="fixture marks"):
        _calibrated(levels, view, result, moved)
    one = replace(
        fixture, marks=(*fixture.marks[:-1], Mark(7, fixture.marks[-1].corners_mm + np.array([0.4, 0.0, 0.0])))
    )
    with pytest.raises(CalibrationError, match="fixture mark 7 is not where the others say it is"):
        _calibrated(levels, view, result, one)
    four = replace(fixture, marks=fixture.marks[:4])  # no look at a shell could read a known length back by these
    with pytest.raises(CalibrationError, match=r"4 of 4 fixture marks found .*, must be at least 5: is the board"):
        _calibrated(levels, view, result, four)
    others = replace(fixture, marks=tuple(Mark(m.mark_id + 20, m.corners_mm) for m in fixture.marks))
    with pytest.raises(CalibrationError, match="0 of 8 fixture marks found"):
        _calibrated(levels, view, result, others)


def test_no_board_or_no_light_is_refused(
    levels: NDArray[Any], view: BoardView, result: CalibrationResult, fixture: Fixture
) -> None:
    with pytest.raises(CalibrationError, match="no board was found in the picture of the board in the fixture"):
        _calibrated(levels, None, result, fixture)
    corner = (view.ids % 12 < 3) & (view.ids // 12 < 3)
    part = BoardView(view.ids[corner], view.points_mm[corner], view.pixels[corner])
    with pytest.raises(CalibrationError, match="too little of the board is seen"):
        _calibrated(levels, part, result, fixture)
    on_plate = replace(fixture, grey_patch_mm=_square(600.0, 500.0, 24.0, 12.0))
    with pytest.raises(CalibrationError, match="the grey patch is not in the picture"):
        _calibrated(levels, view, result, on_plate)


def test_spans_of_a_part_of_the_board(view: BoardView) -> None:
    """Corners hidden by a hand: the longest lengths that are left, none from nothing."""
    keep = view.ids % 12 < 5
    part = BoardView(view.ids[keep], view.points_mm[keep], view.pixels[keep])
    lengths = [float(np.linalg.norm(part.points_mm[a] - part.points_mm[b])) for a, b in spans(part, BOARD)]
    assert max(lengths) == pytest.approx(np.hypot(120.0, 210.0)) and min(lengths) >= 120.0
