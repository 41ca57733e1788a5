"""The frames a deviation is told in: where the fixture holds the shell, and where its datums are. The third one, the
best fit, is in best_fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure.alignment import combine, fit_points, u_along
from edgeinspect.measure.measurement import Alignment
from edgeinspect.measure.pips import PipFound
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
        return u_along(points_mm, normals, self.covariance)


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


def left_by_shift(nominal_mm: Array, off_mm: Array, covariance: Array, *, growing: bool = False) -> tuple[Array, Array]:
    """What a shift and a turn in plan (``growing``: and a growth about the origin) cannot explain of points that read
    ``off_mm`` (N, 2) beside their nominal places (N, 2): as 2 N - 3 (4) numbers (x, y of each point have the covariance
    (2 N, 2 N)), with their own covariance.
    """
    rows = _shift_rows(nominal_mm, growing)
    across = np.linalg.svd(rows)[0][:, rows.shape[1] :]
    return across.T @ off_mm.ravel(), across.T @ covariance @ across


def growth_of(nominal_mm: Array, off_mm: Array, covariance: Array) -> float:
    """The growth about the origin that, with a shift and a turn, best explains such points."""
    rows = _shift_rows(nominal_mm, growing=True)
    weighted = np.linalg.solve(covariance, rows)
    return float(np.linalg.solve(weighted.T @ rows, weighted.T @ off_mm.ravel())[3])


def _shift_rows(nominal_mm: Array, growing: bool) -> Array:
    """(2 N, 3 or 4): how x and y of each point answer to dx, dy, turn and growth."""
    rows = np.zeros((2 * len(nominal_mm), 4 if growing else 3))
    rows[0::2, 0] = rows[1::2, 1] = 1.0
    rows[0::2, 2], rows[1::2, 2] = -nominal_mm[:, 1], nominal_mm[:, 0]
    if growing:
        rows[:, 3] = nominal_mm.ravel()
    return rows


def datum_of_hole_and_slot(
    centres_mm: Array, covariances: Array, nominal_mm: Array, across: Array | None = None
) -> Datum | None:
    """ISO 5459, cut features in their order: the plane is the nests', the hole's centre is the origin (two freedoms),
    and the slot's median plane holds the turn (the third): along its length it holds nothing.

    Parameters: centres_mm - measured centres of hole and slot (2, 2), fixture frame; covariances - (2, 2, 2) [mm²] of
    each; nominal_mm - their nominal centres (2, 2); across - (2,) unit vector across the slot's width at the nominal
    seating; None: the second one is a hole too and sets the direction by its centre. None: they cannot be brought
    together.
    """
    (hole, other), want = centres_mm, nominal_mm[1] - nominal_mm[0]
    if across is None:
        across = np.array([-want[1], want[0]]) / np.linalg.norm(want)
    got, reach = other - hole, float(across @ want)
    far = float(np.linalg.norm(got))
    if abs(reach) >= far:
        return None
    # Turned by the angle that is looked for, ``across`` sees the slot as far from the hole as on the drawing.
    open_rad = float(np.arccos(reach / far))
    base = float(np.arctan2(got[1], got[0]) - np.arctan2(across[1], across[0]))
    angle = min((_turned(base + way * open_rad) for way in (1.0, -1.0)), key=abs)
    cos, sin = np.cos(angle), np.sin(angle)
    turn = np.array([[cos, -sin], [sin, cos]])
    dx, dy = hole - turn @ nominal_mm[0]
    there = turn @ across
    per_mm = there / (there[0] * got[1] - there[1] * got[0])  # rad per mm that the hole lies off along ``there``
    about_hole = np.array([hole[1], -hole[0], 1.0])
    by_hole = np.vstack([np.eye(2), np.zeros(2)]) + np.outer(about_hole, per_mm)
    by_slot = -np.outer(about_hole, per_mm)
    covariance = by_hole @ covariances[0] @ by_hole.T + by_slot @ covariances[1] @ by_slot.T
    return Datum(PlaneShift(float(dx), float(dy), float(np.rad2deg(angle))), covariance, 0.0)


def _turned(angle_rad: float) -> float:
    """Within half a turn."""
    return float((angle_rad + np.pi) % (2.0 * np.pi) - np.pi)


def alignment(words: str, shift: PlaneShift, covariance: Array, rms_mm: float) -> Alignment:
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return Alignment(words, shift, float(u[0]), float(u[1]), float(np.rad2deg(u[2])), rms_mm)


def on_shell(cut: PlaneShift, shell: PlaneShift) -> PlaneShift:
    """Cut - shell: where the cut lies on the shell, of the cut and of the shell's datums in the fixture."""
    back = np.deg2rad(-shell.rotation_deg)
    cos, sin = np.cos(back), np.sin(back)
    dx, dy = -np.array([[cos, -sin], [sin, cos]]) @ np.array([shell.dx_mm, shell.dy_mm])
    return combine(PlaneShift(float(dx), float(dy), -shell.rotation_deg), cut)
