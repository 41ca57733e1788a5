"""Plane shifts that bring a nominal outline onto measured points. Rotations turn about the origin of the fixture
frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, PlaneShift, Pose
from edgeinspect.measure import kernels, plane_kernels
from edgeinspect.measure.ribbon import Stations

FLAW_MM = 0.15  # a section further than this from the common shift is a flaw, not a place to align on ...
LARGEST_FLAW_SHARE = 0.2  # ... unless more than this share of the outline says so: a whole side that is off is no flaw


@dataclass(frozen=True)
class ShiftFit:
    shift: PlaneShift
    covariance: Array  # (3, 3) of dx [mm], dy [mm], rotation [rad]
    rms_mm: float
    used: NDArray[np.bool_]  # (N,)

    def u_along(self, points_mm: Array, normals: Array) -> Array:
        """Standard uncertainty (N,) [mm] that this fit brings to a deviation along ``normals`` at ``points_mm``."""
        return u_along(points_mm, normals, self.covariance)


def u_along(points_mm: Array, normals: Array, covariance: Array) -> Array:
    """Standard uncertainty (N,) [mm] along ``normals`` that a plane shift of this ``covariance`` (3, 3) brings."""
    u = np.empty(len(points_mm))
    plane_kernels.u_along(points_mm, normals, covariance, u)
    return u


def shift_rows(points_mm: Array, normals: Array) -> Array:
    """(N, 3): how far each point moves along its normal per mm of dx and dy and per rad of rotation."""
    turn = points_mm[:, 0] * normals[:, 1] - points_mm[:, 1] * normals[:, 0]
    return np.column_stack([normals[:, 0], normals[:, 1], turn])


def fit_along_normals(
    points_mm: Array, normals: Array, offset_mm: Array, usable: NDArray[np.bool_], *, tolerate_flaws: bool = True
) -> ShiftFit:
    """Least-squares plane shift that explains offsets (N,) along normals; evenly spaced stations weigh by arc length.
    An offset that is not usable may be nan.

    Sections that lie off by more than FLAW_MM are left out as long as they are short; a robust loss would slide
    sideways when a whole side is off, so there is none. Covariance from what is left over, with neighbouring stations
    (one common cause over about 20 mm of edge) not counted as independent.
    """
    terms, used, rms, normal = kernels.fit_shift(
        points_mm, normals, offset_mm, usable, FLAW_MM, LARGEST_FLAW_SHARE, tolerate_flaws
    )
    stride = max(1, len(points_mm) // 50)
    step = np.diff(points_mm[::stride, :2], axis=0)
    spacing = float(np.hypot(step[:, 0], step[:, 1]).mean()) / stride
    together = max(1.0, 20.0 / max(spacing, 1e-6))
    covariance = np.linalg.inv(normal) * rms**2 * together
    shift = PlaneShift(float(terms[0]), float(terms[1]), float(np.rad2deg(terms[2])))
    return ShiftFit(shift, covariance, float(rms), used)


def noise_covariance(points_mm: Array, normals: Array, u_mm: Array, usable: NDArray[np.bool_]) -> Array:
    """Covariance (3, 3) of a least-squares plane shift (dx, dy [mm], rotation [rad]) by the noise ``u_mm`` (N,) of
    single stations along their normals. What else is left of such a fit is the cut's own form: it has a best-fitting
    place, and that is what is sought, so its waves are no uncertainty of it.
    """
    product, varied, _ = plane_kernels.squares(points_mm, normals, u_mm, usable)
    inverse = np.linalg.inv(product)
    return np.asarray(inverse @ varied @ inverse)


def fit_points(nominal_mm: Array, measured_mm: Array, u_mm: Array) -> ShiftFit:
    """Rigid plane shift (dx, dy, rotation about the origin) from nominal onto measured points (N, 2), N >= 2, by
    Umeyama 1991 without scale.

    ``u_mm`` (N,) of each point per axis gives the covariance.
    """
    dx, dy, angle, rms, normal = plane_kernels.fit_points(nominal_mm, measured_mm, u_mm)
    shift = PlaneShift(dx, dy, math.degrees(angle))
    return ShiftFit(shift, np.linalg.inv(normal), rms, np.ones(len(nominal_mm), dtype=bool))


def combine(second: PlaneShift, first: PlaneShift) -> PlaneShift:
    """The plane shift that does ``first`` and then ``second``."""
    angle = math.radians(second.rotation_deg)
    cos, sin = math.cos(angle), math.sin(angle)
    return PlaneShift(
        cos * first.dx_mm - sin * first.dy_mm + second.dx_mm,
        sin * first.dx_mm + cos * first.dy_mm + second.dy_mm,
        first.rotation_deg + second.rotation_deg,
    )


def deviation_from(stations: Stations, points_mm: Array) -> tuple[Array, Array]:
    """Signed deviation (N,) [mm] of edge points (N, 3) from a closed nominal, and the arc length (N,) of each foot
    point.

    Point i belongs near station i; both in one frame. The foot is found by walking along the outline; between
    stations the nominal is a parabola of its own curvature, so that the chord's sag does not show. nan points stay nan.
    """
    count, step = len(stations.arc_mm), stations.step_mm
    deviation, ahead, index = np.empty(count), np.empty(count), np.empty(count, dtype=np.int64)
    kernels.walk_outline(
        points_mm,
        stations.points_mm,
        stations.tangents,
        stations.normals,
        stations.bend_per_mm,
        stations.pace_mm,
        deviation,
        index,
        ahead,
    )
    return deviation, stations.arc_mm[index] + ahead * step / stations.pace_mm[index]


def placed(stations: Stations, shift: PlaneShift) -> Stations:
    """Stations of the fixture frame, moved by a plane shift."""
    return stations.placed(shift.pose())


def on_sheet(stations: Stations, cut: Pose, shell: Pose, growth: float) -> Stations:
    """Stations where the cutter ran, at the height of the sheet that was really under it.

    ``stations`` - shell frame; ``cut`` - shell frame -> fixture of the cut outline; ``shell`` - the same of the shell
    itself (grown by ``growth``). A shell that sits 0.1 mm off puts another height of its slope under the cutter: at
    30 degrees of slope and 12 degrees off the camera's axis 0.012 mm of deviation.
    """
    there = stations.placed(cut)
    back, here = shell.inverse(), (stations.points_mm, stations.normals, stations.tangents, stations.climb)
    into_shell, onto_plate = (back.rotation, back.translation_mm), (shell.rotation, shell.translation_mm)
    plane_kernels.heights_on_sheet(*here, there.points_mm, *into_shell, *onto_plate, growth)
    return there
