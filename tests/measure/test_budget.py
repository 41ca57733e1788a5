"""Shares of uncertainty from common causes, against geometry worked out another way and Monte Carlo."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.stats import norm

from edgeinspect.geometry import Array, PlaneShift, Pose
from edgeinspect.measure import budget
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.simulate import bench

ANGLE = 2 * np.pi * np.arange(240) / 240
RIM = np.column_stack([200 * np.cos(ANGLE), 150 * np.sin(ANGLE), 35 + 15 * np.cos(2 * ANGLE)])
ONE = np.zeros(len(RIM), dtype=np.intp)  # the camera of every place
NORMALS = np.column_stack([150 * np.cos(ANGLE), 200 * np.sin(ANGLE), 0 * ANGLE])
NORMALS /= np.linalg.norm(NORMALS, axis=1)[:, None]
PIPS = np.array([[-165.0, 40.0, 58.0], [165.0, 40.0, 58.0], [0.0, -82.0, 52.0]])


def read_at_height(pixels: Array, z: Array, pose: Pose) -> Array:
    """Where a pixel's ray meets the plane of a height: by the simulator's own camera."""
    camera = bench.top_camera()
    x, y = camera.ideal(pixels[:, 0], pixels[:, 1])
    rays = np.column_stack([x, y, np.ones(len(x))]) @ pose.rotation
    centre = pose.inverse().translation_mm
    return np.asarray(centre[:2] + rays[:, :2] * ((z - centre[2]) / rays[:, 2])[:, None])


def test_a_place_that_lies_higher_reads_further_out() -> None:
    """By projection: a place 0.01 mm higher than assumed, read at the assumed height."""
    camera = bench.top_camera()
    lifted = camera.project(RIM + np.array([0.0, 0.0, 0.01]))
    wanted = (read_at_height(lifted, RIM[:, 2], camera.pose) - RIM[:, :2]) / 0.01
    assert budget.apparent_shift_per_height(camera.pose, RIM) == pytest.approx(wanted, abs=1e-5)


def rigid(points: Array, dx: float, dy: float, turn: float) -> Array:
    return np.column_stack([dx - turn * points[:, 1], dy + turn * points[:, 0]])[None]


def test_what_a_datum_sees_too_is_taken_up() -> None:
    field = (0.02, -0.01, 3e-5)
    left = budget.left_after(rigid(RIM, *field), RIM, budget.points_follow(rigid(PIPS, *field), PIPS))
    assert np.abs(left).max() < 1e-12
    left = budget.left_after(rigid(RIM, *field), RIM, budget.outline_follows(rigid(RIM, *field), RIM, NORMALS))
    assert np.abs(budget.along_normals(left, NORMALS)).max() < 1e-12


def test_a_hole_and_a_slot_follow_too() -> None:
    """A rigid error is followed wholly; growth leaves the hole in place and is wrong by growth x distance from it."""
    centres, across = np.array([[-70.0, 10.0], [68.0, 10.0]]), np.array([0.0, 1.0])
    there = np.column_stack([centres, np.zeros(2)])
    field = (0.02, -0.01, 3e-5)
    shifts = budget.hole_and_slot_follow(rigid(there, *field), centres, across)
    assert np.abs(budget.left_after(rigid(RIM, *field), RIM, shifts)).max() < 1e-12
    shifts = budget.hole_and_slot_follow(1e-4 * centres[None], centres, across)
    left = budget.left_after(1e-4 * RIM[None, :, :2], RIM, shifts)
    assert np.allclose(left[0], 1e-4 * (RIM[:, :2] - centres[0]))


def test_what_only_the_rim_sees_stays() -> None:
    only_rim = rigid(RIM, 0.02, 0.0, 0.0)
    left = budget.left_after(only_rim, RIM, budget.points_follow(0.0 * rigid(PIPS, 1, 1, 1), PIPS))
    assert np.allclose(left, only_rim)
    assert np.allclose(budget.along_normals(left, NORMALS), 0.02 * np.abs(NORMALS[:, 0]))


def test_an_even_growth_is_no_shift() -> None:
    """A shell that grows about its middle stays where it is for a best fit, and is wrong by growth x distance."""
    grown = 1e-4 * RIM[None, :, :2]
    left = budget.left_after(grown, RIM, budget.outline_follows(grown, RIM, NORMALS))
    wanted = 1e-4 * (RIM[:, :2] * NORMALS[:, :2]).sum(axis=1)
    assert np.allclose(budget.along_normals(left, NORMALS), wanted, atol=1e-9)


def test_independent_ways_add_in_squares() -> None:
    """SOURCE: JCGM 100:2008, 5.1.2: 0.03 and 0.04 make 0.05."""
    field = np.concatenate([rigid(RIM, 0.03, 0, 0), rigid(RIM, 0.04, 0, 0)])
    assert np.allclose(budget.along_normals(field, NORMALS), 0.05 * np.abs(NORMALS[:, 0]))
    shifts = budget.outline_follows(field, RIM, NORMALS)
    spread = shifts @ shifts.T
    assert np.sqrt(np.diag(spread)) == pytest.approx([0.05, 0.0, 0.0], abs=1e-9)


def test_causes_of_a_perfect_calibration(calibration: CameraCalibration, fixture: Fixture, seating: Seating) -> None:
    """The marks' noise by Monte Carlo: their corners move by 0.03 px, the pose is fitted again by OpenCV, the rim is
    read through it. 10 %: 300 draws tell 4 %.
    """
    causes = budget.common_causes((calibration,), ONE, fixture, seating, RIM)
    assert set(causes) == {"calibration and marks", "height of the shell", "temperature"}
    said = np.sqrt((causes["calibration and marks"] ** 2).sum(axis=0))

    model, pose = calibration.model, calibration.fixture_pose
    corners = np.vstack([mark.corners_mm for mark in fixture.marks])
    clean, rim = model.project(corners, pose), model.project(RIM, pose)
    random = np.random.default_rng(6)
    read = []
    for _ in range(300):
        noisy = clean + random.normal(0.0, budget.MARK_NOISE_PX, clean.shape)
        turn, shift = cv2.Rodrigues(pose.rotation)[0], pose.translation_mm[:, None].copy()
        _, turn, shift = cv2.solvePnP(
            corners, noisy, model.matrix, model.distortion, turn, shift, True, cv2.SOLVEPNP_ITERATIVE
        )
        read.append(read_at_height(rim, RIM[:, 2], Pose(cv2.Rodrigues(turn)[0], shift.ravel())))
    got = np.std(read, axis=0)
    assert said[::20] == pytest.approx(got[::20], rel=0.15)
    assert np.mean(said / got) == pytest.approx(1.0, abs=0.05)


def test_the_height_share(calibration: CameraCalibration, fixture: Fixture, seating: Seating) -> None:
    """A lift and two tilts, each one u at the rim: a lift of 0.5 mm makes half a mm x tangent of the view's angle."""
    field = budget.common_causes((calibration,), ONE, fixture, replace(seating, u_height_mm=0.5), RIM)[
        "height of the shell"
    ]
    camera = bench.top_camera()
    away = RIM[:, :2] - camera.centre_mm[:2]
    assert np.allclose(field[0], 0.5 * away / (camera.centre_mm[2] - RIM[:, 2])[:, None])
    assert np.allclose(field[1], field[0] * RIM[:, 1:2] / 200.0)  # a tilt about x raises what lies at + y
    assert np.allclose(field[2], -field[0] * RIM[:, :1] / 200.0)


def test_the_temperature_share_grows_about_the_shells_origin(
    calibration: CameraCalibration, fixture: Fixture, seating: Seating
) -> None:
    off = replace(seating, pose=PlaneShift(10.0, -5.0, 0.0).pose().after(seating.pose))
    field = budget.common_causes((calibration,), ONE, fixture, off, RIM)["temperature"]
    assert np.allclose(field[0], RIM[:, :2] - [10.0, -5.0])


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (0.1, 0.6)])
def test_what_a_bent_response_does_to_an_edge(low: float, high: float) -> None:
    """A blurred step in levels bent by LINEARITY at mid-level, fitted with levels, blur and place free by scipy:
    against the closed form that the budget uses.
    """
    t = np.linspace(-8.0, 8.0, 1601)
    light = low + (high - low) * norm.cdf(t)
    bent = light + 4.0 * budget.LINEARITY * light * (1.0 - light)

    def step(t: Array, place: float, blur: float, a: float, b: float) -> Array:
        return np.asarray(a + (b - a) * norm.cdf((t - place) / blur))

    (place, *_), _ = curve_fit(step, t, bent, p0=(0.0, 1.0, low, high))
    uniform = 3.0**0.5  # half the width over the standard deviation
    assert -place == pytest.approx(uniform * budget.BENT_EDGE * (high - low), rel=0.03)
