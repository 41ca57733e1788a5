"""The simulator's own camera: pinhole with five distortion coefficients, pixel centre = integer.

The model is that of Brown (1966) as OpenCV documents it ("Camera Calibration and 3D Reconstruction"), written again
here so that a mistake in the measuring code cannot hide in the pictures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from edgeinspect.geometry import Array, Pose

NEWTON_STEPS = 6  # from a start at the distorted point: residual below 1e-12 for lenses like ours


@dataclass(frozen=True)
class TrueCamera:
    """A camera whose every number is known. ``pose`` maps fixture points [mm] into the camera: x right, y down, z
    forward.
    """

    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    distortion: tuple[float, float, float, float, float]  # k1, k2, p1, p2, k3
    pose: Pose

    @property
    def centre_mm(self) -> Array:
        """Centre of projection (3,) in the fixture frame [mm]."""
        return self.pose.inverse().translation_mm

    def project(self, points_mm: Array) -> Array:
        """Fixture points (N, 3) [mm] as pixels (N, 2)."""
        seen = self.pose.apply(points_mm)
        x, y = distort(seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2], self.distortion)
        return np.column_stack([self.fx_px * x + self.cx_px, self.fy_px * y + self.cy_px])

    def ideal(self, u_px: Any, v_px: Any) -> tuple[Any, Any]:
        """Undistorted image-plane coordinates of pixels; numpy or drjit arrays of any shape."""
        return undistort((u_px - self.cx_px) / self.fx_px, (v_px - self.cy_px) / self.fy_px, self.distortion)

    def moved(self, turn_deg: tuple[float, float, float], shift_mm: tuple[float, float, float]) -> TrueCamera:
        """This camera after a knock: turned about its own axes and shifted in its own frame."""
        return replace(self, pose=Pose.from_degrees(turn_deg, shift_mm).after(self.pose))


def distort(x: Any, y: Any, coefficients: tuple[float, ...]) -> tuple[Any, Any]:
    """Where the lens images the ideal point (x, y)."""
    k1, k2, p1, p2, k3 = coefficients
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x), y * radial + p1 * (
        r2 + 2.0 * y * y
    ) + 2.0 * p2 * x * y


def undistort(xd: Any, yd: Any, coefficients: tuple[float, ...]) -> tuple[Any, Any]:
    """Inverse of ``distort`` by Newton's method; plain arithmetic only, so that numpy and drjit arrays both pass."""
    k1, k2, p1, p2, k3 = coefficients
    x, y = xd, yd
    for _ in range(NEWTON_STEPS):
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        slope = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3))  # d radial / d r2 * 2
        ex = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x) - xd
        ey = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y - yd
        a = radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x
        b = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y  # the same off-diagonal both ways
        d = radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x
        det = a * d - b * b
        x, y = x - (d * ex - b * ey) / det, y - (a * ey - b * ex) / det
    return x, y


def looking_at(centre_mm: tuple[float, float, float], target_mm: tuple[float, float, float], roll_deg: float) -> Pose:
    """fixture -> camera of a camera above the plate, image up = +y of the fixture, then rolled about its axis."""
    centre, target = np.asarray(centre_mm, dtype=np.float64), np.asarray(target_mm, dtype=np.float64)
    forward = (target - centre) / np.linalg.norm(target - centre)
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(forward, right), forward])
    rotation = Pose.from_degrees((0.0, 0.0, roll_deg), (0.0, 0.0, 0.0)).rotation @ rotation
    return Pose(rotation, -rotation @ centre)
