"""What not knowing the camera exactly does to a place in millimetres.

An error of the camera's numbers does not arrive at the shell as it is: the fixture's pose is fitted again to the same
pixels of the marks, and takes most of it up. What is left is what counts, and it is zero on average at the marks and
largest far away from them and above the plate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.calibration import projection
from edgeinspect.measure.calibration_views import place_words
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.fixture import Fixture

COVERAGE_FACTOR = 2.0  # U = k u with k = 2 (JCGM 100)


def calibration_displacements(
    calibration: CameraCalibration, fixture: Fixture, points_mm: Array, mark_noise_px: float = 0.0
) -> Array:
    """How far places read wrong when the camera is one standard uncertainty off, one independent way after the other.

    Parameters: points_mm - (N, 3) in the fixture frame; mark_noise_px - standard deviation of a mark's corner
        coordinate in one picture, 0 to leave the marks' own noise out.
    Returns (K, N, 2) [mm]: x and y in the plane z = the point's own height. u = root of the sum of squares over K; the
        signs hold together along K, so a difference of two places, or any linear fit to many, is combined way by way
        before it is squared.
    Notes: first order; the pose is fitted to all marks with equal weights in pixels, as measure.marks does.
    """
    marks = fixture.in_view(calibration.model, calibration.fixture_pose).marks
    corners = np.vstack([mark.corners_mm for mark in marks])
    _, at_marks = projection(calibration.model, corners, calibration.fixture_pose)
    noise = np.asarray(np.linalg.inv(at_marks[:, :6].T @ at_marks[:, :6]) * mark_noise_px**2, dtype=np.float64)
    return displacements(calibration.model, calibration.covariance, calibration.fixture_pose, noise, corners, points_mm)


def displacements(
    model: CameraModel, covariance: Array, pose: Pose, pose_covariance: Array, corners_mm: Array, points_mm: Array
) -> Array:
    """As calibration_displacements, of any camera: ``corners_mm`` (M, 3) of the marks, ``pose_covariance`` (6, 6)
    from their noise alone.
    """
    _, at_marks = projection(model, corners_mm, pose)
    # How the pose follows the camera's numbers (6, 9) when the marks' pixels stay.
    refit = -np.linalg.lstsq(at_marks[:, :6], at_marks[:, 6:], rcond=None)[0]
    of_camera = _root(covariance)
    of_noise = _root(pose_covariance)
    moved_camera = np.vstack([of_camera, np.zeros((len(of_noise), 9))])
    moved_pose = np.vstack([of_camera @ refit.T, of_noise])

    _, jacobian = projection(model, points_mm, pose)
    by_place = jacobian[:, 3:6].reshape(-1, 2, 3) @ pose.rotation[:, :2]  # (N, 2, 2) px per mm in the plane
    shift_px = (np.hstack([moved_pose, moved_camera]) @ jacobian.T).reshape(len(moved_pose), len(points_mm), 2)
    # The pixel stays, so the place must move against it.
    return np.asarray(-np.einsum("nij,knj->kni", np.linalg.inv(by_place), shift_px), dtype=np.float64)


def _root(covariance: Array) -> Array:
    """Rows (K, n) whose outer products sum to the covariance, scaled first: its units differ by 1e10."""
    scale = np.sqrt(np.diag(covariance))
    known = scale > 0
    if not known.any():
        return np.zeros((0, len(scale)))
    values, vectors = np.linalg.eigh(covariance[np.ix_(known, known)] / np.outer(scale[known], scale[known]))
    rows = np.zeros((int(known.sum()), len(scale)))
    rows[:, known] = np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T * scale[known]
    return rows


@dataclass(frozen=True)
class GoodTo:
    """Expanded uncertainty U (k = 2) [mm] of a place, from the camera and the marks: in the middle of an outline and
    at its worst place.
    """

    here_mm: float
    worst_mm: float
    worst_place: str  # in the picture: "lower right"

    def sentence(self) -> str:
        here, worst = (f"±{max(u, 0.01):.2f}" for u in (self.here_mm, self.worst_mm))
        if here == worst:
            return f"good to {here} mm all over"
        return f"good to {here} mm here, {worst} in the {self.worst_place} of the picture"


def good_to(calibration: CameraCalibration, fixture: Fixture, outline_mm: Array, mark_noise_px: float = 0.02) -> GoodTo:
    """How far places on an outline (N, 3) [mm, fixture frame] can be trusted: from the camera's covariance, the
    marks' noise, and never better than the board's lengths truly read (a length has two ends, each takes half of its
    square).
    """
    lengths = np.array([check.reading_mm - check.nominal_mm for check in calibration.lengths] or [0.0])
    read_wrong = float(np.mean(lengths**2)) / 2.0
    places = np.vstack([outline_mm.mean(axis=0), outline_mm])
    ways = calibration_displacements(calibration, fixture, places, mark_noise_px)
    # The worse of the two directions of each place: the largest eigenvalue of its 2 x 2 covariance.
    spread = np.linalg.eigvalsh(np.einsum("kni,knj->nij", ways, ways))[:, -1]
    u = COVERAGE_FACTOR * np.sqrt(np.maximum(spread, read_wrong))
    worst = int(np.argmax(u[1:])) + 1
    pixel = calibration.model.project(places[worst : worst + 1], calibration.fixture_pose)[0]
    return GoodTo(
        float(u[0]), float(u[worst]), place_words(pixel, calibration.model.width_px, calibration.model.height_px)
    )
