"""Lay scan lines in millimetres, sample the raw picture in pixels: the edge unrolled into a strip."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose, resample_closed
from edgeinspect.measure import camera_kernels, edge_kernels, plane_kernels
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.noise import PAIR_PX
from edgeinspect.measure.picture import GreyPicture, Levels
from edgeinspect.shell.definition import Curve


@dataclass(frozen=True)
class Stations:
    """Evenly spaced places along a closed curve with their scan directions, all in one frame."""

    arc_mm: Array  # (N,)
    points_mm: Array  # (N, 3)
    tangents: Array  # (N, 3) unit length in plan, counter-clockwise
    normals: Array  # (N, 3) trim normal: horizontal, out of the material
    climb: Array  # (N,) rise of the show face per mm along the normal
    # (N,) curvature in plan, positive where the curve bends towards the normal: a hole, an inner corner
    bend_per_mm: Array
    pace_mm: Array  # (N,) length in plan of the step to the next station: shorter where the rim climbs
    step_mm: float
    camera: NDArray[np.intp]  # (N,) which of the set-up's cameras measures there

    @cached_property
    def directions(self) -> Array:
        """(N, 3) scan directions: one mm along the trim normal, climbing with the sheet."""
        lifted = self.normals.copy()
        lifted[:, 2] += self.climb
        return lifted

    @property
    def slopes(self) -> Array:
        """(N, 2): rise of the show face per mm along x and y."""
        return np.asarray(self.climb[:, None] * self.normals[:, :2] + self.tangents[:, 2:] * self.tangents[:, :2])

    def placed(self, pose: Pose) -> Stations:
        """The same stations in another frame; ``pose`` turns about z only by little, so "horizontal" stays the
        plate's plane.
        """
        there, tangents, normals = np.empty((3, len(self.points_mm), 3))
        points, along, across = (np.ascontiguousarray(a) for a in (self.points_mm, self.tangents, self.normals))
        plane_kernels.placed(points, along, across, pose.rotation, pose.translation_mm, there, tangents, normals)
        return replace(self, points_mm=there, tangents=tangents, normals=normals)

    def scaled(self, factor: float) -> Stations:
        """Grown about the frame's origin, for a shell that is warmer than 20 degC; arc lengths stay the drawing's."""
        return replace(
            self,
            points_mm=self.points_mm * factor,
            bend_per_mm=self.bend_per_mm / factor,
            pace_mm=self.pace_mm * factor,
        )

    def part(self, some: slice | NDArray[np.intp]) -> Stations:
        """Some of the stations; with a stride they lie further apart."""
        stride = (some.step or 1) if isinstance(some, slice) else 1
        return Stations(
            self.arc_mm[some],
            self.points_mm[some],
            self.tangents[some],
            self.normals[some],
            self.climb[some],
            self.bend_per_mm[some],
            self.pace_mm[some] * stride,
            self.step_mm * stride,
            self.camera[some],
        )


def lay_stations(curve: Curve, step_mm: float) -> Stations:
    """Stations along ``curve`` at even spacing just under ``step_mm``, in the curve's frame.

    Tangents are central differences over two steps: on a dense outline that is the tangent to well below 0.1 degree.
    """
    arc, points = resample_closed(curve.points_mm, step_mm)
    run = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    run /= np.hypot(run[:, 0], run[:, 1])[:, None]
    sign = -1.0 if curve.is_hole else 1.0  # counter-clockwise: the outside is to the right of the tangent
    normals = sign * np.column_stack([run[:, 1], -run[:, 0], np.zeros(len(run))])
    vertex_arc = np.concatenate(
        [[0.0], np.cumsum(np.linalg.norm(np.diff(np.vstack([curve.points_mm, curve.points_mm[:1]]), axis=0), axis=1))]
    )
    climb = np.interp(arc, vertex_arc, np.append(curve.face_slope, curve.face_slope[0]))
    pace = np.hypot(*(np.roll(points, -1, axis=0) - points)[:, :2].T)
    turn = (np.roll(run, -1, axis=0) - np.roll(run, 1, axis=0))[:, :2] / (pace + np.roll(pace, 1))[:, None]
    bend = (turn * normals[:, :2]).sum(axis=1)
    step = float(vertex_arc[-1]) / len(arc)
    return Stations(arc, points, run, normals, climb, bend, pace, step, np.zeros(len(arc), dtype=np.intp))


def together(several: list[Stations]) -> Stations:
    """The stations of several curves as one list; its step is the first one's."""
    names = ("arc_mm", "points_mm", "tangents", "normals", "climb", "bend_per_mm", "pace_mm", "camera")
    arrays = {name: np.concatenate([getattr(stations, name) for stations in several]) for name in names}
    return Stations(**arrays, step_mm=several[0].step_mm)


@dataclass(frozen=True)
class ScanLines:
    """Where scan lines lie in the picture: position(d) = centre + d * first + d² * second [px], d in mm."""

    centre: Array  # (N, 2)
    first: Array  # (N, 2) px per mm
    second: Array  # (N, 2) px per mm²

    @cached_property
    def px_per_mm(self) -> Array:
        """(N,) picture scale along each scan line."""
        return np.hypot(self.first[:, 0], self.first[:, 1])

    def part(self, lines: slice | NDArray[np.intp]) -> ScanLines:
        return ScanLines(self.centre[lines], self.first[lines], self.second[lines])

    def at(self, d_mm: Array) -> Array:
        """Pixel positions (N, 2) at one offset for each line (N,)."""
        d = d_mm[:, None]
        return self.centre + d * (self.first + d * self.second)


def lay_scan_lines(points_mm: Array, directions: Array, half_mm: float, model: CameraModel, pose: Pose) -> ScanLines:
    """Project scan lines p + d * m, |d| <= half_mm, through the full camera model.

    Three projected points a line and a parabola through them: over a few mm the camera model bends less than 1e-4 px
    away from it.
    """
    centre, first, second = (np.empty((len(points_mm), 2)) for _ in range(3))
    place = pose.rotation, pose.translation_mm, model.parameters
    camera_kernels.lay_lines(points_mm, directions, half_mm, *place, centre, first, second)
    return ScanLines(centre, first, second)


def sample(picture: GreyPicture, lines: ScanLines, d_mm: Array, *, pairs: bool = False) -> Levels:
    """The ribbon: levels (N, M) along scan lines at offsets (M,); outside the picture it is nan.

    ``pairs`` - the lines are neighbours along a curve and each sample is the mean of two beside its line, so that no
    pixel between the lines is left out: single samples of lines 1.65 px apart lose 6 % of the precision. The two lie
    half a pixel apart: bilinear sampling blurs most half way between pixels, and along an axis of the picture every
    second sample would be blurred more.
    """
    if not pairs:
        return picture.along(lines.centre[None], lines.first[None], lines.second, d_mm)
    centres, firsts = np.empty((2, *lines.centre.shape)), np.empty((2, *lines.first.shape))
    edge_kernels.beside(lines.centre, lines.first, PAIR_PX, float(d_mm[1] - d_mm[0]), centres, firsts)
    return picture.along(centres, firsts, lines.second, d_mm)


def pace_px(pixels: Array) -> float:
    """How far apart lines at pixel positions (N, 2) along a curve usually lie [px]."""
    pace = float(edge_kernels.usual_step(pixels))
    return 1.0 if np.isnan(pace) else pace


def offsets(half_mm: float, px_per_mm: float, spacing_px: float = 0.5) -> Array:
    """Sample offsets (M,) [mm], symmetric about zero, about ``spacing_px`` apart (half a pixel: 1 px costs 15-35 % of
    precision).
    """
    count = max(4, math.ceil(half_mm * px_per_mm / spacing_px))
    return np.arange(-count, count + 1) * (half_mm / count)
