"""The camera in its fixture: the board's known lengths, read back through the fixture marks alone.

The board has no say in this: the marks give the pose, and the board's corners are only looked at, as places on the
plane of its printed face. So the two printed scales check each other, which no rms in pixels can do.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgeinspect.errors import CalibrationError
from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.board import Board, BoardView
from edgeinspect.measure.calibration import CalibrationResult
from edgeinspect.measure.calibration_uncertainty import displacements
from edgeinspect.measure.calibration_views import listed, place_words
from edgeinspect.measure.camera import CameraCalibration, CameraModel, LengthCheck
from edgeinspect.measure.fixture import Fixture
from edgeinspect.measure.marks import LEAST_TRUSTED, MarksFound, find_marks
from edgeinspect.measure.picture import linear_picture, patch_level
from edgeinspect.measure.response import LINEAR, Response

MARKS_MISS_PX = 0.5  # more, and the marks are not where the station says
SCALE_SHARE = 0.001  # board and marks may disagree by one part in a thousand: 0.3 mm over a shell


def in_fixture(
    result: CalibrationResult,
    levels: NDArray[Any],
    view: BoardView | None,
    board: Board,
    fixture: Fixture,
    calibration_id: str,
    made_at: str,
    bits: int = 8,
    response: Response = LINEAR,
) -> CameraCalibration:
    """The calibration of the camera where it hangs, from the picture (H, W) of the board lying in the fixture.

    Raises CalibrationError where the marks are not found or not where the station says, or where they and the board
    disagree in scale.
    """
    camera = result.camera
    picture = linear_picture(levels, bits, response)
    marks = find_marks(picture, result.model, fixture, None)
    if marks.pose is None or len(marks.seen) < LEAST_TRUSTED:
        raise CalibrationError(
            f"camera {camera}: {len(marks.seen)} of {len(fixture.marks)} fixture marks found in the picture of the "
            f"board in the fixture, must be at least {LEAST_TRUSTED}: is the board lying on them, are they clean "
            "and lit?"
        )
    if not marks.residual_px <= MARKS_MISS_PX:
        raise CalibrationError(
            f"camera {camera}: the fixture marks miss their places by {marks.residual_px:.2f} px, must be below "
            f"{MARKS_MISS_PX:g} px: do the marks' corners_mm in the station definition belong to this fixture?"
        )
    if marks.stray:
        raise CalibrationError(
            f"camera {camera}: fixture mark {listed([str(i) for i in marks.stray])} is not where the others say it is: "
            "clean it, or correct its corners in the station definition"
        )
    if view is None:
        raise CalibrationError(
            f"camera {camera}: no board was found in the picture of the board in the fixture: take it again"
        )
    lengths = read_lengths(result, marks, marks.pose, view, board, fixture)
    if not lengths:
        raise CalibrationError(
            f"camera {camera}: too little of the board is seen in the picture of the board in the fixture: uncover it"
        )
    if problem := scale_problem(camera, lengths, board):
        raise CalibrationError(problem)
    level = patch_level(picture, fixture.grey_patch_mm, result.model, marks.pose)
    if not np.isfinite(level):
        raise CalibrationError(f"camera {camera}: the grey patch is not in the picture: point the camera so that it is")
    if not 0.02 < level < 0.98:
        raise CalibrationError(
            f"camera {camera}: the grey patch reads {level:.0%} of full scale, must be within 2 % to 98 %: is it clean "
            "and not covered? Set the exposure, then calibrate again"
        )
    return CameraCalibration(
        calibration_id,
        camera,
        made_at,
        result.model,
        result.covariance,
        result.rms_px,
        len(result.views),
        marks.pose,
        level,
        marks.blur_px,
        lengths,
        bits,
        mark_blurs_px=tuple(zip(marks.seen, marks.blurs_px.tolist(), strict=True)),
    )


def places_on_plane(pixels: Array, model: CameraModel, pose: Pose, z_mm: float) -> Array:
    """Places (N, 3) [mm, fixture frame] where the lines of sight of pixels (N, 2) meet the plane z = z_mm; ``pose``
    is fixture -> camera.
    """
    to_fixture = pose.inverse()
    rays = to_fixture.turn(model.rays(pixels))
    eye = to_fixture.translation_mm
    return np.asarray(eye + rays * ((z_mm - eye[2]) / rays[:, 2:]), dtype=np.float64)


def spans(view: BoardView, board: Board) -> list[tuple[int, int]]:
    """Pairs of places in ``view`` to measure between: the seen board's rows and columns at both edges and in the
    middle, and its diagonals.
    """
    column, row = view.ids % board.corners_x, view.ids // board.corners_x
    pairs: list[tuple[int, int]] = []
    for line, along in ((row, column), (column, row)):
        lines = np.unique(line)
        for which in (lines[0], lines[len(lines) // 2], lines[-1]):
            on = np.flatnonzero(line == which)
            pairs.append((int(on[np.argmin(along[on])]), int(on[np.argmax(along[on])])))
    for slant in (column + row, column - row):
        pairs.append((int(np.argmin(slant)), int(np.argmax(slant))))
    shortest = 0.5 * board.square_mm * min(board.corners_x, board.corners_y)
    far = [p for p in pairs if np.linalg.norm(view.points_mm[p[0]] - view.points_mm[p[1]]) >= shortest]
    return list(dict.fromkeys(far))


def read_lengths(
    result: CalibrationResult, marks: MarksFound, pose: Pose, view: BoardView, board: Board, fixture: Fixture
) -> tuple[LengthCheck, ...]:
    """Long lengths of the board as the marks make them, with their standard uncertainties (camera, marks' noise,
    corners' noise).
    """
    model = result.model
    places = places_on_plane(view.pixels, model, pose, board.board_z_mm)
    corners = np.vstack([m.corners_mm for m in fixture.marks if m.mark_id in marks.seen])
    ways = displacements(model, result.covariance, pose, marks.covariance, corners, places)
    # Noise of a corner in mm: its pixel's share at that distance.
    mm_per_px = float(np.median((pose.apply(places))[:, 2])) / model.fx
    checks = []
    for a, b in spans(view, board):
        nominal = float(np.linalg.norm(view.points_mm[b] - view.points_mm[a]))
        between = places[b] - places[a]
        reading = float(np.linalg.norm(between))
        u = np.sqrt(
            np.sum(((ways[:, b] - ways[:, a]) @ (between[:2] / reading)) ** 2)
            + 2.0 * (result.sigma_px * mm_per_px) ** 2
        )
        ends = sorted((view.pixels[a], view.pixels[b]), key=lambda p: (p[0], p[1]))
        words = " to ".join(place_words(p, model.width_px, model.height_px) for p in ends)
        checks.append(LengthCheck(f"board, {words}", nominal, reading, float(u)))
    return tuple(checks)


def scale_problem(camera: str, lengths: tuple[LengthCheck, ...], board: Board) -> str | None:
    """What to say when the board and the marks do not share one millimetre; None when they do."""
    ratio = float(np.median([check.reading_mm / check.nominal_mm for check in lengths]))
    if abs(ratio - 1.0) <= SCALE_SHARE:
        return None
    longest = max(lengths, key=lambda check: check.nominal_mm)
    return (
        f"camera {camera}: by the fixture marks the board reads {longest.reading_mm:.1f} mm between corners "
        f"{longest.nominal_mm:.2f} mm apart: is square_mm {board.square_mm:g} right ({board.square_mm * ratio:.2f} "
        f"would fit), is board_z_mm {board.board_z_mm:g}, and are the marks where the station definition says?"
    )
