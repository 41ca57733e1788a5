"""Two calibrations of one camera: how differently they read the same picture, and whether the camera moved in between.

What counts is not the difference of their numbers. Every picture's pose is fitted to its marks again, with the numbers
of the calibration in use, and takes most of that difference up. So the marks' and the places' pixels are made with the
first calibration and read with the second, the way a shell is.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose, frozen
from edgeinspect.measure.calibration_fixture import places_on_plane
from edgeinspect.measure.calibration_uncertainty import COVERAGE_FACTOR, calibration_displacements
from edgeinspect.measure.calibration_views import place_words
from edgeinspect.measure.camera import PARAMETERS, CameraCalibration
from edgeinspect.measure.fixture import Fixture
from edgeinspect.measure.view import apparent_move

NOISE_MM = 0.005  # standard uncertainty of a place from the marks' noise, of two sets of pictures; below it all is one


@dataclass(frozen=True)
class Parameter:
    name: str
    first: float
    second: float
    u_difference: float  # standard uncertainty of second - first


@dataclass(frozen=True)
class CalibrationComparison:
    """Of the same pictures: second - first, at the height of the shells."""

    here_mm: float  # in the middle of the field
    worst_mm: float
    worst_place: str  # in the picture: "lower right"
    expanded_mm: float  # U (k = 2) of the difference at the worst place, from what both say of themselves
    moved_mm: float  # how far the camera itself stood elsewhere when the second was made, seen at the shells
    parameters: tuple[Parameter, ...]
    differences_mm: Array  # (N, 2) of the places compared

    def __post_init__(self) -> None:
        count = len(self.differences_mm)
        object.__setattr__(self, "differences_mm", frozen(self.differences_mm, (count, 2), "differences_mm"))

    @property
    def explained(self) -> bool:
        """Whether the two differ by no more than their own uncertainties let expect."""
        return self.worst_mm <= self.expanded_mm


def compare(
    first: CameraCalibration, second: CameraCalibration, fixture: Fixture, places_mm: Array
) -> CalibrationComparison:
    """Compare two calibrations of a camera at places (N, 3) [mm, fixture frame], all at one height.

    Raises ValueError: of two cameras, or for pictures of two sizes.
    """
    one, two = first.model, second.model
    if first.camera != second.camera:
        raise ValueError(f"they are of two cameras, {first.camera} and {second.camera}")
    if (one.width_px, one.height_px) != (two.width_px, two.height_px):
        sizes = f"{one.width_px} x {one.height_px} and {two.width_px} x {two.height_px} px"
        raise ValueError(f"they are for pictures of two sizes, {sizes}")
    corners = np.vstack([mark.corners_mm for mark in fixture.marks])
    pose = _pose_of(one.project(corners, first.fixture_pose), corners, second)
    places = np.vstack([places_mm.mean(axis=0), places_mm])
    pixels = one.project(places, first.fixture_pose)
    read = places_on_plane(pixels, two, pose, float(places[0, 2]))
    away = (read - places)[:, :2]
    size = np.linalg.norm(away, axis=1)
    worst = int(np.argmax(size[1:])) + 1
    variance = NOISE_MM**2
    for calibration in (first, second):
        ways = calibration_displacements(calibration, fixture, places[worst : worst + 1])[:, 0]
        variance += float(np.linalg.eigvalsh(ways.T @ ways)[-1])
    u = np.sqrt(np.diag(first.covariance) + np.diag(second.covariance))
    return CalibrationComparison(
        float(size[0]),
        float(size[worst]),
        place_words(pixels[worst], one.width_px, one.height_px),
        COVERAGE_FACTOR * float(np.sqrt(variance)),
        apparent_move(second, pose, places_mm),
        tuple(
            Parameter(name, float(a), float(b), float(c))
            for name, a, b, c in zip(PARAMETERS, one.parameters, two.parameters, u, strict=True)
        ),
        away[1:],
    )


def _pose_of(pixels: Array, corners_mm: Array, calibration: CameraCalibration) -> Pose:
    """The fixture's pose (fixture -> camera) that fits the marks' corners best, all with equal weights."""
    model, start = calibration.model, calibration.fixture_pose
    turn, shift = cv2.solvePnPRefineLM(
        corners_mm,
        pixels,
        model.matrix,
        model.distortion,
        cv2.Rodrigues(start.rotation)[0],
        start.translation_mm.copy().reshape(3, 1),
        (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-14),
    )
    return Pose(np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64), np.asarray(shift, dtype=np.float64).ravel())


def comparison_sentences(comparison: CalibrationComparison) -> list[str]:
    """For the person who asks whether it matters; the camera's own numbers come last."""
    here, worst = (
        f"{size:.2f}" if size >= 0.01 else "less than 0.01" for size in (comparison.here_mm, comparison.worst_mm)
    )
    lines = [
        f"of the same picture, places in the fixture read {here} mm differently here (the middle), {worst} mm in the "
        f"worst corner ({comparison.worst_place})"
    ]
    bound = f"±{comparison.expanded_mm:.2f} mm (k = 2)"
    if comparison.explained:
        lines.append(f"that is no more than the two know of themselves, {bound}: either can be used")
    else:
        lines.append(
            f"that is more than the two know of themselves, {bound}: one of them is wrong, or the lens was touched; "
            "calibrate again and compare"
        )
    lines.append(
        f"between the two the camera moved by {comparison.moved_mm:.2f} mm, seen at the shells (taken up by the marks)"
    )
    digits = (2, 2, 2, 2, 5, 5, 6, 6, 5)
    lines += [
        f"{p.name} {p.first:.{n}f} then {p.second:.{n}f}: {p.second - p.first:+.{n}f} ± "
        f"{COVERAGE_FACTOR * p.u_difference:.{n}f} (k = 2)"
        for p, n in zip(comparison.parameters, digits, strict=True)
    ]
    return lines
