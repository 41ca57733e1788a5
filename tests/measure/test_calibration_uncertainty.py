"""What an error of the camera does to a place in mm: the first-order formula against doing it, one draw after the
other.
"""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.calibration_fixture import places_on_plane
from edgeinspect.measure.calibration_uncertainty import GoodTo, calibration_displacements, good_to
from edgeinspect.measure.camera import CameraCalibration, CameraModel, LengthCheck
from edgeinspect.measure.fixture import Fixture, Mark

MODEL = CameraModel(1600, 1200, 3004.0, 3001.0, 806.0, 595.0, np.array([-0.12, 0.10, 3e-4, -3e-4, 0.0]))
POSE = Pose.from_degrees((180.6, 0.9, 0.3), (-4.0, 6.0, 905.0))  # fixture -> camera: looking down on the plate
# A covariance with the strong couplings that boards leave: fx with fy, k2 with k3, cx with p2.
SCALE = np.array([0.8, 0.8, 0.6, 0.6, 1e-3, 0.02, 2e-5, 2e-5, 0.15])
COUPLING = np.eye(9)
for _a, _b, _r in ((0, 1, 0.98), (5, 8, -0.97), (2, 7, -0.9), (3, 6, -0.9), (4, 5, -0.7), (4, 8, 0.65)):
    COUPLING[_a, _b] = COUPLING[_b, _a] = _r
COVARIANCE = COUPLING * np.outer(SCALE, SCALE)


def _square(x: float, y: float, half: float) -> Array:
    return np.array(
        [[x - half, y + half, 0.0], [x + half, y + half, 0.0], [x + half, y - half, 0.0], [x - half, y - half, 0.0]]
    )


FIXTURE = Fixture(
    "DICT_4X4_50",
    tuple(
        Mark(k, _square(x, y, 12.5)) for k, (x, y) in enumerate([(-215, 160), (215, 160), (215, -160), (-215, -160)])
    ),
    _square(110.0, 168.0, 6.0),
)
CORNERS = np.vstack([mark.corners_mm for mark in FIXTURE.marks])
POINTS = np.array(
    [[0, 0, 0], [200, 150, 0], [-200, 150, 60], [200, -150, 60], [-120, 20, 35], [0, -160, 60]], dtype=float
)


def _calibration(lengths: tuple[LengthCheck, ...] = ()) -> CameraCalibration:
    return CameraCalibration("c", "top", "2026-01-01T00:00:00Z", MODEL, COVARIANCE, 0.03, 12, POSE, 0.4, 0.8, lengths)


def _refitted(model: CameraModel, pixels: Array) -> Pose:
    """The pose that another camera would get from the same pixels of the marks, by scipy."""
    start = np.concatenate([cv2.Rodrigues(POSE.rotation)[0].ravel(), POSE.translation_mm])

    def pose(six: Array) -> Pose:
        return Pose(cv2.Rodrigues(six[:3])[0], six[3:])

    fit = least_squares(
        lambda six: (model.project(CORNERS, pose(six)) - pixels).ravel(), start, x_scale=np.maximum(abs(start), 1e-2)
    )
    return pose(fit.x)


def _off_by(change: Array) -> CameraModel:
    """The camera with its nine numbers changed by as much."""
    values = MODEL.parameters + change
    return CameraModel(MODEL.width_px, MODEL.height_px, *map(float, values[:4]), values[4:])


def _read(model: CameraModel, pose: Pose) -> Array:
    """Where the pixels of POINTS seem to be (N, 2) [mm], each on the plane of its own height."""
    pixels = MODEL.project(POINTS, POSE)
    return np.vstack([places_on_plane(pixels[k : k + 1], model, pose, POINTS[k, 2]) for k in range(len(POINTS))])[:, :2]


def test_each_way_is_what_doing_it_gives() -> None:
    ways = calibration_displacements(_calibration(), FIXTURE, POINTS)
    assert ways.shape == (9, len(POINTS), 2)
    scale = np.sqrt(np.diag(COVARIANCE))
    values, vectors = np.linalg.eigh(COVARIANCE / np.outer(scale, scale))
    pixels = MODEL.project(CORNERS, POSE)
    for k in range(9):
        model = _off_by(np.sqrt(values[k]) * vectors[:, k] * scale)
        done = _read(model, _refitted(model, pixels)) - POINTS[:, :2]
        assert np.abs(ways[k] - done).max() < 0.02 * np.abs(done).max() + 2e-6


def test_root_of_the_sum_of_squares_is_the_scatter() -> None:
    noise_px = 0.05
    random = np.random.default_rng(11)
    root = np.linalg.cholesky(COVARIANCE)
    pixels = MODEL.project(CORNERS, POSE)
    draws = []
    for _ in range(400):
        model = _off_by(root @ random.normal(size=9))
        draws.append(
            _read(model, _refitted(model, pixels + random.normal(0.0, noise_px, pixels.shape))) - POINTS[:, :2]
        )
    scatter = np.std(draws, axis=0)
    predicted = np.sqrt((calibration_displacements(_calibration(), FIXTURE, POINTS, noise_px) ** 2).sum(axis=0))
    assert (np.abs(scatter / predicted - 1.0) < 0.15).all(), scatter / predicted  # 400 draws tell 3.5 %


def test_a_certain_camera_and_still_marks_move_nothing() -> None:
    certain = CameraCalibration("c", "top", "2026-01-01T00:00:00Z", MODEL, np.zeros((9, 9)), 0.03, 12, POSE, 0.4, 0.8)
    assert calibration_displacements(certain, FIXTURE, POINTS).shape == (0, len(POINTS), 2)
    ways = calibration_displacements(certain, FIXTURE, POINTS, 0.02)
    twice = calibration_displacements(certain, FIXTURE, POINTS, 0.04)
    assert ways.shape[0] == 6 and np.allclose(twice, 2 * ways)


def test_the_marks_take_up_what_they_can() -> None:
    """A principal point 1 px off is 0.3 mm without the marks; with them it is a tilt of the camera, and a fraction
    of that.
    """
    only_cx = np.zeros((9, 9))
    only_cx[2, 2] = 1.0
    calibration = CameraCalibration("c", "top", "2026-01-01T00:00:00Z", MODEL, only_cx, 0.03, 12, POSE, 0.4, 0.8)
    on_plate = calibration_displacements(calibration, FIXTURE, POINTS[:2])
    assert np.abs(on_plate).max() < 0.03
    assert np.abs(calibration_displacements(calibration, FIXTURE, POINTS[2:4])).max() > 0.01  # 60 mm higher they cannot


def test_three_thousand_places_take_under_50_ms() -> None:
    points = np.column_stack([np.random.default_rng(0).uniform(-200, 200, (3000, 2)), np.full(3000, 40.0)])
    calibration = _calibration()
    calibration_displacements(calibration, FIXTURE, points, 0.02)
    times = []
    for _ in range(5):
        start = time.perf_counter()
        calibration_displacements(calibration, FIXTURE, points, 0.02)
        times.append(time.perf_counter() - start)
    assert min(times) < 0.05, f"{1000 * min(times):.0f} ms"


def test_good_to_in_words() -> None:
    outline = np.array([[-200, -150, 60], [200, -150, 60], [200, 150, 60], [-200, 150, 60]], dtype=float)
    good = good_to(_calibration(), FIXTURE, outline)
    ways = calibration_displacements(_calibration(), FIXTURE, np.vstack([outline.mean(axis=0), outline]), 0.02)
    least = 2 * np.sqrt((ways**2).sum(axis=0)).max(axis=1)  # along x or y; the worst direction is no better
    assert good.here_mm >= least[0] and good.worst_mm >= least[1:].max() and good.worst_mm < 1.5 * least[1:].max()
    assert good.worst_place in ("upper left", "upper right", "lower left", "lower right")
    read_wrong = good_to(_calibration((LengthCheck("board", 300.0, 300.2, 0.01),)), FIXTURE, outline)
    assert read_wrong.here_mm == pytest.approx(2 * 0.2 / np.sqrt(2)), (
        "lengths that read wrong outweigh a small covariance"
    )
    assert (
        GoodTo(0.05, 0.09, "lower right").sentence() == "good to ±0.05 mm here, ±0.09 in the lower right of the picture"
    )
    assert GoodTo(0.002, 0.004, "lower right").sentence() == "good to ±0.01 mm all over", "never ±0.00"
    assert GoodTo(0.05, 0.051, "lower right").sentence() == "good to ±0.05 mm all over"
