"""The simulator's camera against OpenCV's projection.

SOURCE: OpenCV documentation, "Camera Calibration and 3D Reconstruction", cv::projectPoints; the library itself
computes the reference values.
"""

from __future__ import annotations

import cv2
import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from edgeinspect.simulate.bench import top_camera
from edgeinspect.simulate.camera import distort, undistort


def test_projection_is_opencvs() -> None:
    camera = top_camera()
    random = np.random.default_rng(1)
    points = random.uniform([-230, -170, 0], [230, 170, 120], (500, 3))
    matrix = np.array([[camera.fx_px, 0, camera.cx_px], [0, camera.fy_px, camera.cy_px], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(np.asarray(camera.pose.rotation))
    reference, _ = cv2.projectPoints(
        points, turn, camera.pose.translation_mm.copy(), matrix, np.array(camera.distortion)
    )
    assert np.abs(camera.project(points) - reference.reshape(-1, 2)).max() < 1e-8


@given(
    st.floats(-0.32, 0.32), st.floats(-0.24, 0.24), st.floats(-0.15, 0.15), st.floats(-0.1, 0.1), st.floats(-0.05, 0.05)
)
def test_undistort_is_the_inverse(x: float, y: float, k1: float, k2: float, k3: float) -> None:
    coefficients = (k1, k2, 5e-4, -4e-4, k3)
    back = undistort(*distort(x, y, coefficients), coefficients)
    assert np.hypot(back[0] - x, back[1] - y) < 1e-9


def test_pixel_rays_pass_through_their_points() -> None:
    camera = top_camera()
    points = np.array([[0.0, 0.0, 0.0], [180.0, -120.0, 40.0], [-220.0, 160.0, 5.0]])
    pixel = camera.project(points)
    x, y = camera.ideal(pixel[:, 0], pixel[:, 1])
    directions = camera.pose.inverse().turn(np.column_stack([x, y, np.ones_like(x)]))
    reach = (points[:, 2] - camera.centre_mm[2]) / directions[:, 2]
    assert np.abs(camera.centre_mm + reach[:, None] * directions - points).max() < 1e-8


def test_a_knocked_camera_turns_by_what_it_says() -> None:
    camera = top_camera()
    knocked = camera.moved((0.03, 0.04, 0.0), (0.0, 0.0, 0.0))
    cosine = (np.trace(knocked.pose.rotation @ camera.pose.rotation.T) - 1) / 2
    assert abs(np.rad2deg(np.arccos(cosine)) - 0.05) < 1e-4
    assert np.abs(knocked.centre_mm - camera.centre_mm).max() < 1e-9
