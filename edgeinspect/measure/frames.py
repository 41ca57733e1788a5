"""The frames a deviation is told in: where the fixture holds the shell, where its datums are, and the best fit (form
only).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure.alignment import combine, deviation_from, fit_along_normals, fit_points, placed, shift_rows
from edgeinspect.measure.cutout import CutOutFit
from edgeinspect.measure.measurement import Alignment
from edgeinspect.measure.pips import PipFound
from edgeinspect.measure.ribbon import Stations
from edgeinspect.shell.definition import Pip


@dataclass(frozen=True)
class Datum:
    """Where the shell's datums are in the fixture: shift from the nominal seating, with covariance (dx, dy [mm],
    rotation [rad]).
    """

    shift: PlaneShift
    covariance: Array
    rms_mm: float

    def u_along(self, points_mm: Array, normals: Array) -> Array:
        """Standard uncertainty (N,) [mm] that locating the datums brings to deviations along normals."""
        turn = points_mm[:, 0] * normals[:, 1] - points_mm[:, 1] * normals[:, 0]
        rows = np.column_stack([normals[:, 0], normals[:, 1], turn])
        return np.asarray(np.sqrt(np.maximum(np.einsum("ni,ij,nj->n", rows, self.covariance, rows), 0.0)))


def datum_of_pips(pips: tuple[Pip, ...], found: list[PipFound], nominal_mm: Array, u_light_mm: float) -> Datum | None:
    """Rigid shift of the nominal pips (N, 2; fixture frame, at the shell's temperature) onto the found ones; None
    with fewer than three.
    """
    seen = [k for k, pip in enumerate(found) if pip.centre_mm is not None]
    if len(seen) < min(3, len(pips)):
        return None
    measured = np.array([found[k].centre_mm for k in seen])
    fit = fit_points(nominal_mm[seen], measured, np.array([np.hypot(found[k].u_mm, u_light_mm) for k in seen]))
    return Datum(fit.shift, fit.covariance, fit.rms_mm)


def datum_of_hole_and_slot(
    hole: CutOutFit, slot: CutOutFit, hole_mm: Array, slot_mm: Array, nominal_mm: Array
) -> Datum:
    """ISO 5459 hole and slot: the hole's centre is the origin, the slot's centre only sets the direction.

    ``hole_mm``, ``slot_mm`` - measured centres (2,); ``nominal_mm`` - nominal centres (2, 2), fixture frame.
    """
    want, got = nominal_mm[1] - nominal_mm[0], slot_mm - hole_mm
    angle = float(np.arctan2(got[1], got[0]) - np.arctan2(want[1], want[0]))
    cos, sin = np.cos(angle), np.sin(angle)
    dx, dy = hole_mm - np.array([[cos, -sin], [sin, cos]]) @ nominal_mm[0]
    u_hole, u_slot = float(np.sqrt(hole.covariance[0, 0])), float(np.sqrt(slot.covariance[0, 0]))
    u_turn = float(np.hypot(u_hole, u_slot) / np.linalg.norm(want))
    spread = np.diag([u_hole**2, u_hole**2, u_turn**2])
    lever = np.array([[1.0, 0.0, hole_mm[1]], [0.0, 1.0, -hole_mm[0]], [0.0, 0.0, 1.0]])
    return Datum(PlaneShift(float(dx), float(dy), float(np.rad2deg(angle))), lever @ spread @ lever.T, 0.0)


def form_only(
    nominal: Stations, cut: PlaneShift, edge_mm: Array, usable: NDArray[np.bool_]
) -> tuple[Alignment, Array, Array]:
    """Best fit of the nominal (fixture frame, at the shell's temperature) to the edge: alignment, deviation and foot
    points (N,).
    """
    at = placed(nominal, cut)
    deviation, foot = deviation_from(at, edge_mm)
    fit = fit_along_normals(at.points_mm, at.normals, np.nan_to_num(deviation), usable, tolerate_flaws=False)
    shift = combine(fit.shift, cut)
    if np.hypot(fit.shift.dx_mm, fit.shift.dy_mm) < 0.05:  # so small that walking the outline again changes nothing
        step = np.array([fit.shift.dx_mm, fit.shift.dy_mm, np.deg2rad(fit.shift.rotation_deg)])
        deviation = deviation - shift_rows(at.points_mm, at.normals) @ step
    else:
        deviation, foot = deviation_from(placed(nominal, shift), edge_mm)
    rms = float(np.sqrt(np.mean(deviation[usable] ** 2)))
    return alignment("form only", shift, fit.covariance, rms), deviation, foot


def alignment(words: str, shift: PlaneShift, covariance: Array, rms_mm: float) -> Alignment:
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return Alignment(words, shift, float(u[0]), float(u[1]), float(np.rad2deg(u[2])), rms_mm)
