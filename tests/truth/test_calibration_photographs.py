"""OpenCV's own photographs of a chessboard through our corner finder and calibration.

Published result: opencv/opencv modules/python/test/test_calibration.py (window 5, no flags), and left_intrinsics.yml
beside the pictures (window 11, fixed aspect). The 25 mm squares are declared, not certified: lengths check that edges
in space hang together, not their scale.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from edgeinspect.geometry import Array
from edgeinspect.measure.board import Board, BoardView, find_board
from edgeinspect.measure.calibration import CalibrationLimits, CalibrationResult, calibrate
from edgeinspect.measure.two_views import meet

BOARD = Board("chessboard", 10, 7, 25.0, None, None)
SIZE = (640, 480)


@cache
def _views(folder: Path, side: str, window_px: int | None) -> dict[str, BoardView | None]:
    files = sorted(folder.glob(f"{side}[01][0-9].jpg"))
    assert len(files) == 13
    return {file.stem: find_board(cv2.imread(str(file), cv2.IMREAD_GRAYSCALE), BOARD, window_px) for file in files}


def _solve(views: dict[str, BoardView | None], leave_out_bad: bool = True) -> CalibrationResult:
    # One photograph fewer, and part of the picture's right side is not reached: too little for a gauge, enough for this
    # comparison.
    limits = CalibrationLimits(empty_parts=0 if len(views) == 13 else 2)
    return calibrate("photo", views, BOARD, *SIZE, leave_out_bad=leave_out_bad, limits=limits)


def test_published_calibration(opencv_photographs: Path) -> None:
    result = _solve(_views(opencv_photographs, "left", 5))
    assert not result.bad_views and not result.without_corners and len(result.views) == 13
    assert result.rms_px == pytest.approx(0.196334638034, abs=0.01)
    assert result.model.parameters[:4] == pytest.approx([532.80992189, 532.93346422, 342.4952186, 233.8879292], abs=1.0)
    # k2 and k3 trade against each other; k1 and the tangential terms do not.
    assert result.model.distortion[0] == pytest.approx(-0.2813, abs=0.003)
    assert result.model.distortion[2:4] == pytest.approx([1.21e-3, -1.41e-4], abs=2e-4)


def test_our_window_rule_agrees(opencv_photographs: Path) -> None:
    result = _solve(_views(opencv_photographs, "left", None))
    assert not result.bad_views
    assert result.rms_px < 0.20
    assert result.model.parameters[:4] == pytest.approx([532.81, 532.93, 342.50, 233.89], abs=1.0)


def test_uncertainty_without_widening_is_the_recomputed_one(opencv_photographs: Path) -> None:
    result = _solve(_views(opencv_photographs, "left", 5))
    # reference-values calib.opencv_left.measured_win5, computed apart: 0.438, 0.459, 0.462, 0.510. OpenCV divides by
    # another count of freedoms.
    assert result.u[:4] / result.widening == pytest.approx([0.438, 0.459, 0.462, 0.510], rel=0.03)
    assert result.widening > 1.5, "a printed sheet is not flat, and the widening is there to say so"


def test_bad_views_are_named(opencv_photographs: Path) -> None:
    views = _views(opencv_photographs, "left", 11)
    kept = _solve(views, leave_out_bad=False)
    by_name = {view.name: view.rms_px for view in kept.views}
    assert by_name["left02"] == pytest.approx(1.22, abs=0.05)
    assert {view.name for view in kept.bad_views} == {"left02", "left13"}
    result = _solve(views)
    assert {view.name for view in result.left_out} == {"left02", "left13"} and len(result.views) == 11
    assert np.median([view.rms_px for view in result.views]) < 0.3
    # Without them the drag of the window is mostly gone: 536.1 px with them, 532.8 published with the right window.
    assert result.model.fx == pytest.approx(532.81, abs=1.0)


def _triangulated(
    left: CalibrationResult, right: CalibrationResult, turn: Array, shift: Array, pair: tuple[BoardView, BoardView]
) -> Array:
    """Places (N, 3) [mm] in the left camera: the middle of the shortest line between the two rays of each corner."""
    eye = -turn.T @ shift  # of the right camera; turn and shift map left into right
    return meet(np.zeros(3), left.model.rays(pair[0].pixels), eye, eye + right.model.rays(pair[1].pixels) @ turn)


def test_edges_in_space_from_two_views(opencv_photographs: Path) -> None:
    """Each pair in turn is left out of the calibration and measured with it."""
    lefts, rights = (_views(opencv_photographs, side, 5) for side in ("left", "right"))
    pitch, long, flat = [], [], []
    for out in lefts:
        number = out.removeprefix("left")
        left = _solve({name: view for name, view in lefts.items() if name != out})
        right = _solve({name: view for name, view in rights.items() if name != f"right{number}"})
        names = [
            v.name.removeprefix("left")
            for v in left.views
            if v.name.replace("left", "right") in {w.name for w in right.views}
        ]
        pairs = [(a, b) for n in names if (a := lefts[f"left{n}"]) and (b := rights[f"right{n}"])]
        _, _, _, _, _, turn, shift, _, _ = cv2.stereoCalibrate(
            [a.points_mm.astype(np.float32) for a, _ in pairs],
            [a.pixels.astype(np.float32) for a, _ in pairs],
            [b.pixels.astype(np.float32) for _, b in pairs],
            left.model.matrix.copy(),
            left.model.distortion.copy(),
            right.model.matrix.copy(),
            right.model.distortion.copy(),
            SIZE,
            flags=cv2.CALIB_FIX_INTRINSIC,
        )
        view, other = lefts[out], rights[f"right{number}"]
        assert view is not None and other is not None
        grid = _triangulated(left, right, turn, shift.ravel(), (view, other)).reshape(6, 9, 3)
        pitch += [np.linalg.norm(np.diff(grid, axis=axis), axis=2).ravel() for axis in (0, 1)]
        long.append(np.linalg.norm(grid[:, 8] - grid[:, 0], axis=1))
        middle = grid.reshape(-1, 3) - grid.reshape(-1, 3).mean(axis=0)
        flat.append(middle @ np.linalg.svd(middle)[2][2])
    pitches, longs = np.concatenate(pitch), np.concatenate(long)
    assert len(pitches) == 13 * (6 * 8 + 5 * 9)
    # Recomputed, reference-values calib.stereo: 25.0103 +- 0.206, 199.996 +- 0.419, flat to 0.308 mm, the mean of the
    # boards' rms.
    assert pitches.mean() == pytest.approx(25.0103, abs=0.005) and pitches.std() < 0.21
    assert longs.mean() == pytest.approx(199.996, abs=0.1) and longs.std() < 0.42
    assert np.mean([np.sqrt((heights**2).mean()) for heights in flat]) < 0.31
