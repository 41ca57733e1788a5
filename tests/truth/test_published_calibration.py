"""Zhang's published points through our calibration. Source: zhang-2000/SOURCE.md."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from edgeinspect.measure.board import Board, BoardView
from edgeinspect.measure.calibration import CalibrationLimits, CalibrationResult, calibrate

POINTS = Path(__file__).parent / "zhang-2000"
MM_PER_INCH = 25.4


@pytest.fixture(scope="module")
def result() -> CalibrationResult:
    model = np.loadtxt(POINTS / "model_inch.csv", delimiter=",") * MM_PER_INCH
    places = np.column_stack([model, np.zeros(len(model))])
    views: dict[str, BoardView | None] = {
        f"view{k}": BoardView(
            np.arange(256, dtype=np.int32), places, np.loadtxt(POINTS / f"view{k}_px.csv", delimiter=",")
        )
        for k in range(1, 6)
    }
    squares = Board("chessboard", 17, 17, 12.7, None, None)  # only named in refusals: the points come ready
    # Zhang's camera has two radial terms and nothing tangential; he published five views.
    return calibrate(
        "zhang", views, squares, 640, 480, held=("p1", "p2", "k3"), limits=CalibrationLimits(fewest_views=5)
    )


def test_intrinsics(result: CalibrationResult) -> None:
    # OpenCV's solver on the same points without skew (recomputed, reference-values calib.zhang2000.opencv_no_skew).
    assert result.model.parameters[:4] == pytest.approx([832.21, 832.24, 304.07, 206.37], abs=0.3)
    # Published with skew: 832.5, 832.53, 303.96, 206.59. Leaving the skew of 0.2 px out moves them by no more than half
    # a pixel.
    assert result.model.parameters[:4] == pytest.approx([832.5, 832.53, 303.959, 206.585], abs=0.5)
    assert result.model.distortion[:2] == pytest.approx([-0.228601, 0.190353], abs=0.002)
    assert (result.model.distortion[2:] == 0).all()


def test_residuals(result: CalibrationResult) -> None:
    assert result.rms_px == pytest.approx(0.336889, abs=1e-3)  # recomputed; Zhang's own with skew is 0.3364


def test_published_values_lie_within_the_stated_uncertainty(result: CalibrationResult) -> None:
    published = np.array([832.5, 832.53, 303.959, 206.585, -0.228601, 0.190353])
    away = np.abs(result.model.parameters[:6] - published) / result.u[:6]
    assert (away < 2.0).all(), away


def test_standard_deviations_are_the_published_ones(result: CalibrationResult) -> None:
    # Zhang 2000, table 1, five images: 1.41, 1.38, 0.71, 0.66 px (from memory); his estimate knows no widening.
    assert result.u[:4] / result.widening == pytest.approx([1.41, 1.38, 0.71, 0.66], rel=0.02)


def test_pose_of_the_first_view(result: CalibrationResult) -> None:
    # Published rotation and translation of view 1 (Calib.txt).
    rotation = np.array(
        [[0.992759, -0.026319, 0.117201], [0.0139247, 0.994339, 0.105341], [-0.11931, -0.102947, 0.987505]]
    )
    translation_inch = np.array([-3.84019, 3.65164, 12.791])
    first = next(view for view in result.views if view.name == "view1")
    turn = np.rad2deg(np.arccos(np.clip((np.trace(first.pose.rotation @ rotation.T) - 1) / 2, -1, 1)))
    assert turn < 0.1
    assert first.pose.translation_mm / MM_PER_INCH == pytest.approx(translation_inch, abs=0.02)
