"""The camera's nine numbers from pictures of a board, how well they are known, and which pictures do not fit.

The uncertainty is the full covariance: the normal equations of all corners with the poses of the board taken out (Schur
complement), times the variance of the corners. That variance is the residuals' own, with 2 N - p - 6 V degrees of
freedom (N corners, p free numbers, V pictures). Corners that err together in a picture (a bent board, a dragged window)
would make it too small; so it is widened by the pictures' disagreement where that is more than chance.

Source: Z. Zhang, A flexible new technique for camera calibration, IEEE PAMI 22(11), 2000; the sandwich by clusters:
Liang and Zeger, Longitudinal data analysis using generalized linear models, Biometrika 73(1), 1986 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from edgeinspect.errors import CalibrationError
from edgeinspect.geometry import Array, Pose, frozen
from edgeinspect.measure.board import Board, BoardView
from edgeinspect.measure.calibration_views import coverage_problems, enough_views, tilt_problems
from edgeinspect.measure.camera import PARAMETERS, CameraModel

_HOLDING = {
    "k1": cv2.CALIB_FIX_K1,
    "k2": cv2.CALIB_FIX_K2,
    "p1": cv2.CALIB_ZERO_TANGENT_DIST,
    "p2": cv2.CALIB_ZERO_TANGENT_DIST,
    "k3": cv2.CALIB_FIX_K3,
}


@dataclass(frozen=True)
class CalibrationLimits:
    """What a set of calibration pictures must offer: common practice, no source; the factors were tried on OpenCV's
    photographs.
    """

    fewest_views: int = 6
    bad_view_factor: float = 2.0  # times the median rms of the pictures; good photographs stay below 1.6
    bad_view_px: float = 0.1  # and above this
    largest_rms_px: float = 1.0  # beyond it the board is another than described, or bent
    least_tilt_deg: float = 15.0  # between the boards, both ways
    empty_parts: int = 0  # of the nine parts of the picture, that no corner need reach
    least_area_share: float = 0.5  # of the 8 x 6 cells of the picture that hold a corner


@dataclass(frozen=True)
class ViewFit:
    """How one picture of the board fits."""

    name: str
    rms_px: float
    pose: Pose  # board -> camera
    corners: int


@dataclass(frozen=True)
class CalibrationResult:
    """The solved camera. ``left_out`` are the pictures that fitted badly and were not used, as they fitted."""

    camera: str
    model: CameraModel
    covariance: Array  # (9, 9) of CameraModel.parameters, rows of held numbers are zero
    rms_px: float  # of the corners' distances, the pictures that were used
    sigma_px: float  # standard deviation of one corner coordinate
    degrees_of_freedom: int
    widening: float  # factor on every standard uncertainty, at least 1, from the pictures' disagreement
    views: tuple[ViewFit, ...]
    bad_views: tuple[ViewFit, ...]  # named, and in ``views`` too unless they were left out
    left_out: tuple[ViewFit, ...]
    without_corners: tuple[str, ...]  # pictures in which no board was found

    def __post_init__(self) -> None:
        object.__setattr__(self, "covariance", frozen(self.covariance, (9, 9), "covariance"))

    @property
    def u(self) -> Array:
        """Standard uncertainties (9,) of CameraModel.parameters."""
        return np.sqrt(np.diag(self.covariance))


def calibrate(
    camera: str,
    views: Mapping[str, BoardView | None],
    board: Board,
    width_px: int,
    height_px: int,
    *,
    held: tuple[str, ...] = (),
    leave_out_bad: bool = True,
    limits: CalibrationLimits | None = None,
) -> CalibrationResult:
    """The camera from views of one board.

    Parameters: views - by the name of the picture, None where find_board found nothing; held - distortion terms held at
        zero; leave_out_bad - solve again without pictures whose rms is several times the median, and say so in
        ``left_out``.
    Raises CalibrationError with every reason at once: too few pictures, part of the picture never covered, too little
    tilt, another board.
    """
    limits = limits or CalibrationLimits()
    if unknown := sorted(set(held) - set(_HOLDING)):
        raise ValueError(f"held names {', '.join(unknown)}, must be of {', '.join(_HOLDING)}")
    if {"p1", "p2"} & set(held):
        held = (*held, "p1", "p2")  # the solver knows them as a pair only
    seen = {name: view for name, view in views.items() if view is not None}
    empty = tuple(name for name, view in views.items() if view is None)
    enough_views(camera, tuple(seen), empty, limits.fewest_views)

    used, left_out = dict(seen), list[ViewFit]()
    while True:
        model, fits = _solve(camera, used, width_px, height_px, held)
        bad = _bad(fits, limits)
        if not bad or not leave_out_bad or len(used) - len(bad) < limits.fewest_views:
            break
        left_out += bad
        for fit in bad:
            del used[fit.name]

    rms = float(np.sqrt(sum(f.rms_px**2 * f.corners for f in fits) / sum(f.corners for f in fits)))
    problems = []
    if rms > limits.largest_rms_px:
        problems.append(
            f"camera {camera}: the corners miss the board by {rms:.1f} px, must be below {limits.largest_rms_px:g} px: "
            f"the board in the pictures is not the one described ({board.squares_x} x {board.squares_y} squares), or "
            "it is bent"
        )
    seen_px = [view.pixels for view in used.values()]
    problems += coverage_problems(camera, seen_px, width_px, height_px, limits.empty_parts, limits.least_area_share)
    problems += tilt_problems(camera, [f.pose for f in fits], limits.least_tilt_deg)
    if problems:
        raise CalibrationError(problems)
    covariance, sigma, dof, widening = _covariance(model, used, fits, held)
    return CalibrationResult(
        camera, model, covariance, rms, sigma, dof, widening, fits, tuple(left_out) + bad, tuple(left_out), empty
    )


def _solve(
    camera: str, views: Mapping[str, BoardView], width_px: int, height_px: int, held: tuple[str, ...]
) -> tuple[CameraModel, tuple[ViewFit, ...]]:
    flags = 0
    for name, flag in _HOLDING.items():
        flags |= flag if name in held else 0
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-12)
    try:
        _, matrix, distortion, turns, shifts = cv2.calibrateCamera(
            [v.points_mm.astype(np.float32) for v in views.values()],
            [v.pixels.astype(np.float32) for v in views.values()],
            (width_px, height_px),
            None,
            np.zeros(5),
            flags=flags,
            criteria=criteria,
        )
        fx, cx, fy, cy = (float(matrix[i, j]) for i, j in ((0, 0), (0, 2), (1, 1), (1, 2)))
        model = CameraModel(width_px, height_px, fx, fy, cx, cy, np.asarray(distortion, dtype=np.float64).ravel()[:5])
        fits = tuple(
            _fit(name, view, model, _pose(turn, shift))
            for (name, view), turn, shift in zip(views.items(), turns, shifts, strict=True)
        )
    except (cv2.error, ValueError) as error:
        raise CalibrationError(
            f"camera {camera}: no camera fits these {len(views)} pictures of the board: take them again, the board "
            "flat, seen whole, tipped differently in each picture"
        ) from error
    return model, fits


def _pose(turn: Any, shift: Any) -> Pose:
    return Pose(np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64), np.asarray(shift, dtype=np.float64).ravel())


def _fit(name: str, view: BoardView, model: CameraModel, pose: Pose) -> ViewFit:
    residuals = view.pixels - model.project(view.points_mm, pose)
    return ViewFit(name, float(np.sqrt((residuals**2).sum(axis=1).mean())), pose, len(view.ids))


def _bad(fits: tuple[ViewFit, ...], limits: CalibrationLimits) -> tuple[ViewFit, ...]:
    limit = max(limits.bad_view_factor * float(np.median([f.rms_px for f in fits])), limits.bad_view_px)
    return tuple(f for f in fits if f.rms_px > limit)


def _covariance(
    model: CameraModel, views: Mapping[str, BoardView], fits: tuple[ViewFit, ...], held: tuple[str, ...]
) -> tuple[Array, float, int, float]:
    """Covariance (9, 9), sigma of a corner coordinate [px], degrees of freedom and the widening that is in the
    covariance.
    """
    free = np.array([k for k, name in enumerate(PARAMETERS) if name not in held])
    reduced, residuals = [], []
    for fit in fits:
        view = views[fit.name]
        pixels, jacobian = projection(model, view.points_mm, fit.pose)
        basis, _ = np.linalg.qr(jacobian[:, :6])
        camera = jacobian[:, 6:][:, free]
        reduced.append(camera - basis @ (basis.T @ camera))  # what the pose of the board cannot explain
        residuals.append((view.pixels - pixels).ravel())
    scale = np.linalg.norm(np.vstack(reduced), axis=0)  # px per unit differ by 1e6 between the numbers
    normal = [part.T @ part for part in (r / scale for r in reduced)]
    inverse = np.linalg.inv(sum(normal, np.zeros((len(free), len(free)))))
    dof = sum(map(len, residuals)) - len(free) - 6 * len(fits)
    variance = float(sum(r @ r for r in residuals)) / dof

    pulls = [(part / scale).T @ r for part, r in zip(reduced, residuals, strict=True)]
    by_chance = variance * (len(free) - sum(float(np.trace(inverse @ n @ inverse @ n)) for n in normal))
    widening = float(np.sqrt(max(1.0, sum(float(g @ inverse @ g) for g in pulls) / by_chance)))

    covariance = np.zeros((9, 9))
    covariance[np.ix_(free, free)] = inverse * variance * widening**2 / np.outer(scale, scale)
    return (covariance + covariance.T) / 2, float(np.sqrt(variance)), dof, widening


def projection(model: CameraModel, points_mm: Array, pose: Pose) -> tuple[Array, Array]:
    """Pixels (N, 2) and their derivatives (2 N, 15) by rotation vector (3), translation (3) and
    CameraModel.parameters (9); x and y in turn.
    """
    rotation, _ = cv2.Rodrigues(pose.rotation)
    points = np.ascontiguousarray(points_mm, dtype=np.float64).reshape(-1, 1, 3)
    pixels, jacobian = cv2.projectPoints(points, rotation, pose.translation_mm, model.matrix, model.distortion)
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2), np.asarray(jacobian, dtype=np.float64)[:, :15]
