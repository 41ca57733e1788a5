"""Where the uncertainty of a place comes from, besides the picture's noise (GUM, JCGM 100).

A common cause moves every place at once: the camera's calibration, the height of the shell, its temperature. What
counts is what is left after the frame that judges has followed: a datum that sees the same error takes most of it up.
So each cause is kept as fields of displacement over the rim, the cut-outs and the datums, the frame's own rigid shift
is taken out field by field, and only then are they squared and added.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.alignment import shift_rows
from edgeinspect.measure.calibration_uncertainty import calibration_displacements
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture, Seating

# light, gloss and a rounded arris move an edge this much: ray-traced samples under dome and ring, see DEVELOPERS.md
EDGE_MODEL_PX = 0.02
# ... of it so much all round by the same, so much more on what faces one way than the other, each way, and so much as a
# turn at the outline's farthest place: squares add to at most 1. Sizes, places, turns of ray-traced rims and cut-outs.
LIGHT_ALL_ROUND, LIGHT_SIDE, LIGHT_TURN = 0.5**0.5, 0.5, 0.5
# A camera's levels may bend away from its stated response, at mid-level by this share of full scale (EMVA 1288 calls it
# linearity error and data sheets state it; half a percent is usual: common practice, no source). Between the levels a
# and b of an edge the bend is 4 x LINEARITY x (b - a)^2 s (1 - s) at a share s of the step; the blurred step that fits
# best lies aside by 4 x LINEARITY x (b - a) sqrt(pi) / 3 times the blur. Any bend up to that is as likely (JCGM 100,
# 4.3.7).
LINEARITY = 0.005
BENT_EDGE: float = 4.0 * LINEARITY * (math.pi**0.5 / 3.0) / 3.0**0.5  # one u over the blur, at full contrast
RESPONSE = "camera response"
FORMED_EDGE_PX = 0.04  # the same for a formed edge, which is shaded on both sides: pips on the ray-traced samples
HEIGHT = "height of the shell"
MARK_NOISE_PX = 0.02  # of a mark's corner in one picture: 0.017 to 0.023 are left on the samples


def common_causes(
    calibrations: Sequence[CameraCalibration],
    camera: NDArray[np.intp],
    fixture: Fixture,
    seating: Seating,
    points_mm: Array,
    heights: Array | None = None,
) -> dict[str, Array]:
    """Displacement fields (K, N, 2) [mm] by cause at places (N, 3) of the seated shell, fixture frame.

    ``camera`` (N,) - which of the calibrations measures each place; ``heights`` (M, 3) - how the height may be wrong,
    by ``rise_rows`` (None: as the seat says). Each of the K is one standard uncertainty of an
    independent error; of the temperature it is per unit of growth. Cameras err independently in their calibration
    and together in the shell's height.
    """
    calibrated = []
    for k, calibration in enumerate(calibrations):
        own = camera == k
        if not own.any():
            continue
        errors = calibration_displacements(calibration, fixture, points_mm[own], MARK_NOISE_PX)
        field = np.zeros((len(errors), len(points_mm), 2))
        field[:, own] = errors
        calibrated.append(field)
    heights = np.diag(seat_heights(seating, points_mm)) if heights is None else heights
    grown = points_mm[None, :, :2] - seating.pose.translation_mm[:2]
    return {
        "calibration and marks": np.concatenate(calibrated),
        HEIGHT: height_cause(calibrations, camera, seating, points_mm, heights),
        "temperature": grown,
    }


def height_cause(
    calibrations: Sequence[CameraCalibration],
    camera: NDArray[np.intp],
    seating: Seating,
    points_mm: Array,
    heights: Array,
) -> Array:
    """The height's fields (M, N, 2) of ``common_causes``: the only ones that another height changes."""
    eyes = np.array([calibration.fixture_pose.inverse().translation_mm for calibration in calibrations])
    askew = lean(eyes[camera], points_mm)
    return np.asarray((heights @ rise_rows(points_mm, seating.pose.translation_mm).T)[:, :, None] * askew[None])


def seat_heights(seating: Seating, points_mm: Array) -> Array:
    """(3,): standard uncertainties of ``rise_rows``' three freedoms that hold the height as the seat says at (N, 3)."""
    reach = float(np.abs(points_mm[:, :2]).max())
    return seating.u_height_mm * np.array([1.0, 1.0 / reach, 1.0 / reach])


def rise_rows(points_mm: Array, origin_mm: Array) -> Array:
    """(N, 3): how much higher each place lies per mm of lift at the origin and per rad of tilt about x and about y."""
    away = points_mm - origin_mm
    return np.column_stack([np.ones(len(away)), away[:, 1], -away[:, 0]])


def apparent_shift_per_height(fixture_to_camera: Pose, points_mm: Array, slopes: Array | None = None) -> Array:
    """(N, 2): how far a place reads wrong in plan, per mm that it lies higher than assumed; ``slopes`` (N, 2) - of the
    sheet that it is read on, where that rises along x and y.
    """
    return lean(fixture_to_camera.inverse().translation_mm, points_mm, slopes)


def lean(eyes_mm: Array, points_mm: Array, slopes: Array | None = None) -> Array:
    """The same, of cameras at ``eyes_mm`` (N, 3) or all of one at (3,)."""
    eyes = np.atleast_2d(eyes_mm)
    away = (points_mm[:, :2] - eyes[:, :2]) / (eyes[:, 2] - points_mm[:, 2])[:, None]
    return np.asarray(away if slopes is None else away / (1.0 + (slopes * away).sum(axis=1, keepdims=True)))


def hole_and_slot_follow(at_centres: Array, centres_mm: Array, across: Array) -> Array:
    """Plane shifts (3, K) [mm, mm, rad] that a hole and a slot (2, 2) with field (K, 2, 2) follow: the hole wholly, the
    slot along ``across`` (2,), which its width holds.
    """
    run = centres_mm[1] - centres_mm[0]
    lever = float(across @ [-run[1], run[0]])
    turn = (at_centres[:, 1] - at_centres[:, 0]) @ across / lever
    hole = centres_mm[0]
    return np.stack([at_centres[:, 0, 0] + turn * hole[1], at_centres[:, 0, 1] - turn * hole[0], turn])


def points_follow(at_datums: Array, datums_mm: Array) -> Array:
    """Plane shifts (3, K) [mm, mm, rad] that points (M, 3) with field (K, M, 2) follow."""
    axes = np.repeat(np.eye(2)[None], len(datums_mm), axis=0)
    rows = np.concatenate([shift_rows(datums_mm, axes[:, k]) for k in range(2)])
    targets = np.concatenate([at_datums[:, :, 0], at_datums[:, :, 1]], axis=1).T
    return np.asarray(np.linalg.lstsq(rows, targets, rcond=None)[0])


def outline_follows(field: Array, points_mm: Array, normals: Array) -> Array:
    """Plane shifts (3, K) [mm, mm, rad] that an outline (N, 3) with field (K, N, 2) follows along its normals."""
    along = np.einsum("knj,nj->kn", field, normals[:, :2])
    return np.asarray(np.linalg.lstsq(shift_rows(points_mm, normals), along.T, rcond=None)[0])


def left_after(field: Array, points_mm: Array, shifts: Array) -> Array:
    """Field (K, N, 2) less the plane shifts (3, K) that the frame follows."""
    return field - _rigid(shifts, points_mm)


def _rigid(shifts: Array, points_mm: Array) -> Array:
    """Fields (K, N, 2) of K plane shifts (3, K)."""
    dx, dy, turn = shifts[0][:, None], shifts[1][:, None], shifts[2][:, None]
    return np.stack([dx - turn * points_mm[None, :, 1], dy + turn * points_mm[None, :, 0]], axis=2)


def along_normals(field: Array, normals: Array) -> Array:
    """One standard uncertainty (N,) [mm] along each normal."""
    return np.asarray(np.sqrt((np.einsum("knj,nj->kn", field, normals[:, :2]) ** 2).sum(axis=0)))
