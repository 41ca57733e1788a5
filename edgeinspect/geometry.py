"""Rigid placements and closed curves. Millimetres, right-handed frames; an angle is counter-clockwise positive."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.floating[Any]]


def frozen(values: ArrayLike, shape: tuple[int | None, ...] | None = None, name: str = "array") -> Array:
    """A read-only float64 copy of ``values``; ``shape`` is checked where given (None = any length).

    Raises ValueError if the shape is another or a value is not finite.
    """
    array = np.array(values, dtype=np.float64)
    if shape is not None:
        fits = array.ndim == len(shape) and all(
            want in (None, got) for want, got in zip(shape, array.shape, strict=True)
        )
        if not fits:
            raise ValueError(f"{name} has shape {array.shape}, must be {shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} holds a value that is not a finite number")
    array.setflags(write=False)
    return array


@dataclass(frozen=True)
class Pose:
    """A rigid placement: ``apply`` maps points of one frame (N, 3) [mm] into another."""

    rotation: Array  # (3, 3), determinant +1
    translation_mm: Array  # (3,)

    def __post_init__(self) -> None:
        object.__setattr__(self, "rotation", frozen(self.rotation, (3, 3), "rotation"))
        object.__setattr__(self, "translation_mm", frozen(self.translation_mm, (3,), "translation_mm"))
        if np.abs(self.rotation @ self.rotation.T - np.eye(3)).max() > 1e-6 or np.linalg.det(self.rotation) < 0:
            raise ValueError("rotation is not a proper rotation matrix")

    def apply(self, points: Array) -> Array:
        """Points (N, 3) [mm] of the source frame, in the target frame."""
        return points @ self.rotation.T + self.translation_mm

    def turn(self, directions: Array) -> Array:
        """Directions (N, 3), rotated only."""
        return directions @ self.rotation.T

    def inverse(self) -> Pose:
        return _proper(self.rotation.T, -self.rotation.T @ self.translation_mm)

    def after(self, first: Pose) -> Pose:
        """The placement that applies ``first`` and then this one."""
        return _proper(self.rotation @ first.rotation, self.rotation @ first.translation_mm + self.translation_mm)

    @staticmethod
    def identity() -> Pose:
        return Pose(np.eye(3), np.zeros(3))

    @staticmethod
    def from_degrees(rotation_deg: ArrayLike, translation_mm: ArrayLike) -> Pose:
        """Rotations about the fixed x, then y, then z axis [deg], then the translation."""
        ax, ay, az = np.deg2rad(np.asarray(rotation_deg, dtype=np.float64))
        cx, sx, cy, sy, cz, sz = np.cos(ax), np.sin(ax), np.cos(ay), np.sin(ay), np.cos(az), np.sin(az)
        about_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
        about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
        about_z = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
        return Pose(about_z @ about_y @ about_x, np.asarray(translation_mm, dtype=np.float64))


def _proper(rotation: Array, translation_mm: Array) -> Pose:
    """A pose from matrices that are proper by how they were made: measuring makes forty a shell, checking is dear."""
    pose = object.__new__(Pose)
    for name, array in (("rotation", rotation), ("translation_mm", translation_mm)):
        array.setflags(write=False)
        object.__setattr__(pose, name, array)
    return pose


@dataclass(frozen=True)
class PlaneShift:
    """A small placement within the xy plane of a frame: turn about its origin, then shift."""

    dx_mm: float
    dy_mm: float
    rotation_deg: float

    def pose(self) -> Pose:
        angle = math.radians(self.rotation_deg)
        cos, sin = math.cos(angle), math.sin(angle)
        rotation = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
        return _proper(rotation, np.array([self.dx_mm, self.dy_mm, 0.0]))


def closed_arc_mm(points_mm: Array) -> tuple[Array, float]:
    """Arc length at each vertex of a closed polyline (N, 2 or 3) whose last point is not repeated, and its whole
    length [mm].
    """
    steps = np.linalg.norm(np.roll(points_mm, -1, axis=0) - points_mm, axis=1)
    return np.concatenate([[0.0], np.cumsum(steps[:-1])]), float(steps.sum())


def resample_closed(points_mm: Array, step_mm: float) -> tuple[Array, Array]:
    """Arc lengths (M,) and points (M, 3) at even spacing (just under ``step_mm``) along a closed polyline.

    Raises ValueError if step_mm is not positive.
    """
    if not step_mm > 0:
        raise ValueError(f"step_mm is {step_mm}, must be above 0")
    arc, length = closed_arc_mm(points_mm)
    count = int(np.ceil(length / step_mm))
    at = np.arange(count) * (length / count)
    whole_arc, whole = np.append(arc, length), np.vstack([points_mm, points_mm[:1]])
    return at, np.column_stack([np.interp(at, whole_arc, whole[:, k]) for k in range(points_mm.shape[1])])


def signed_area_mm2(points_mm: Array) -> float:
    """Area enclosed in plan (x, y) [mm²]; positive when the points run counter-clockwise."""
    x, y = points_mm[:, 0], points_mm[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
