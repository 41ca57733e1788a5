"""Two calibrations of one camera, compared on what is known beforehand.

SOURCE of the closed form: similar triangles (derived here, no reference). A camera straight above the plate at distance
Z whose focal length is believed to be (1 + e) f sees the marks on the plate right only from (1 + e) Z; a place at
height h and radius r is then read on the line of sight from there:
r' = r Z / (Z - h) * ((1 + e) Z - h) / ((1 + e) Z), so that r' - r = r h e / ((Z - h) (1 + e)).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from edgeinspect.geometry import Pose
from edgeinspect.measure.calibration_comparison import compare, comparison_sentences
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.fixture import Fixture, Mark

Z_MM, H_MM, FOCAL_PX = 900.0, 60.0, 3000.0
SQUARE = np.array([[-12.5, 12.5, 0], [12.5, 12.5, 0], [12.5, -12.5, 0], [-12.5, -12.5, 0]])
FIXTURE = Fixture(
    "DICT_4X4_50",
    tuple(
        Mark(k, SQUARE + np.array([x, y, 0]))
        for k, (x, y) in enumerate(((-215, 160), (215, 160), (215, -160), (-215, -160)))
    ),
    SQUARE,
)
CORNERS = np.array([[x, y, H_MM] for x in (-200.0, 200.0) for y in (-150.0, 150.0)])
RADIUS_MM = 250.0  # of the corners: 200, 150 is a 3-4-5 triangle


def calibration(
    focal: float = 1.0, u_focal_px: float = 0.05, shift_mm: tuple[float, float, float] = (0, 0, 0)
) -> CameraCalibration:
    model = CameraModel(1600, 1200, focal * FOCAL_PX, focal * FOCAL_PX, 799.5, 599.5, np.zeros(5))
    covariance = np.zeros((9, 9))
    covariance[:2, :2] = u_focal_px**2
    above = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, focal * Z_MM]) + shift_mm)
    return CameraCalibration("top-1", "top", "2026-01-02T03:04:05Z", model, covariance, 0.03, 12, above, 0.4, 0.8)


@pytest.mark.parametrize("share", [0.001, -0.002])
def test_another_focal_length_reads_what_similar_triangles_say(share: float) -> None:
    comparison = compare(calibration(), calibration(1 + share), FIXTURE, CORNERS)
    expected = RADIUS_MM * H_MM * share / ((Z_MM - H_MM) * (1 + share))
    assert comparison.worst_mm == pytest.approx(abs(expected), rel=1e-6)
    assert comparison.here_mm == pytest.approx(0.0, abs=1e-6)
    outwards = (comparison.differences_mm * CORNERS[:, :2]).sum(axis=1) / RADIUS_MM
    assert outwards == pytest.approx(np.full(4, expected), rel=1e-6)
    assert comparison.moved_mm == pytest.approx(0.0, abs=1e-6), "the marks are seen where they were"
    fx = comparison.parameters[0]
    assert (fx.name, fx.second - fx.first) == ("fx", pytest.approx(share * FOCAL_PX))


def test_a_difference_is_held_against_what_both_know_of_themselves() -> None:
    """The same closed form says what 1 px of focal length is worth: 0.006 mm at the corners."""
    one_px = RADIUS_MM * H_MM / FOCAL_PX / (Z_MM - H_MM)
    far, sure = 1 + 10 / FOCAL_PX, compare(calibration(), calibration(1 + 10 / FOCAL_PX), FIXTURE, CORNERS)
    assert not sure.explained and "calibrate again" in comparison_sentences(sure)[1]
    unsure = compare(calibration(u_focal_px=5.0), calibration(far, u_focal_px=5.0), FIXTURE, CORNERS)
    assert unsure.expanded_mm == pytest.approx(2 * np.sqrt(2 * (5 * one_px) ** 2 + 0.005**2), rel=0.01)
    assert unsure.explained and "either can be used" in comparison_sentences(unsure)[1]
    assert unsure.parameters[0].u_difference == pytest.approx(np.sqrt(50.0))


def test_a_camera_that_moved_reads_the_same_and_the_move_is_said() -> None:
    """Sideways by 0.3 mm: the marks take it up; seen at the shells it is 0.3 mm."""
    comparison = compare(calibration(), calibration(shift_mm=(0.3, 0.0, 0.0)), FIXTURE, CORNERS)
    assert comparison.worst_mm < 1e-6 and comparison.explained
    assert comparison.moved_mm == pytest.approx(0.3, rel=1e-6)
    words = comparison_sentences(comparison)
    assert words[0].startswith(
        "of the same picture, places in the fixture read less than 0.01 mm differently here (the middle)"
    )
    assert any("the camera moved by 0.30 mm" in line for line in words)


def test_two_cameras_cannot_be_compared() -> None:
    with pytest.raises(ValueError, match="they are of two cameras, top and rear"):
        compare(calibration(), replace(calibration(), camera="rear"), FIXTURE, CORNERS)
    other = replace(calibration(), model=replace(calibration().model, width_px=800))
    with pytest.raises(ValueError, match="two sizes, 1600 x 1200 and 800 x 1200 px"):
        compare(calibration(), other, FIXTURE, CORNERS)
