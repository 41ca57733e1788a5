"""A sheet unrolled about a decal's place: (u, v) [mm] by arc length from its centre.

First along v, in the section of the sheet by the plane through the centre that holds its normal and the artwork's up
direction; then along u, in the section by a plane square to up through that place. With w, t, h the coordinates along
the reading direction, up and the normal, that is v = integral of sqrt(1 + (dh/dt)^2) dt at w = 0, and u = integral of
sqrt(1 + (dh/dw)^2) dw at that t. On a flat sheet and on a cylinder along the reading direction it is plain unrolling.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.ndimage import map_coordinates

from edgeinspect.geometry import Array
from edgeinspect.simulate.form import Form

STEP_MM, PARTS = 0.5, 5  # of the tables; the integrals are summed in steps five times finer
MARGIN_MM = 12.0  # of the tables around the artwork: a decal may lie off its place


@dataclass(frozen=True, eq=False)
class Unrolled:
    """Tables (T, W) over t and w in steps of STEP_MM: ``more_u_mm`` = u - w and ``more_v_mm`` = v - t."""

    form: Form
    origin: Array
    axes: Array  # (3, 3): reading direction, up, normal
    half_mm: tuple[float, float]  # the tables reach this far along w and t
    more_u_mm: Array
    more_v_mm: Array

    def at(self, shell_mm: Array) -> tuple[Array, Array]:
        """(u, v) of points (..., 3) on the sheet, shell frame at 20 degC."""
        w, t, _ = np.moveaxis((shell_mm - self.origin) @ self.axes.T, -1, 0)
        rows_columns = [(t + self.half_mm[1]) / STEP_MM, (w + self.half_mm[0]) / STEP_MM]
        more_u, more_v = (
            map_coordinates(table, rows_columns, order=1, mode="nearest") for table in (self.more_u_mm, self.more_v_mm)
        )
        return w + more_u, t + more_v

    def points(self, u_mm: Array, v_mm: Array) -> Array:
        """Points (N, 3) of the sheet at (u, v) (N,)."""
        w, t = np.array(u_mm, dtype=np.float64), np.array(v_mm, dtype=np.float64)
        for _ in range(8):
            found = self._lifted(w, t)
            u, v = self.at(found)
            w, t = w + u_mm - u, t + v_mm - v
        return self._lifted(w, t)

    def _lifted(self, w: Array, t: Array) -> Array:
        return self.origin + np.stack([w, t, heights(self.form, self.origin, self.axes, w, t)], axis=-1) @ self.axes


def heights(form: Form, origin: Array, axes: Array, w: Array, t: Array) -> Array:
    """Height of the sheet along the normal at the centre, over (w, t) of any shape: Newton."""
    h = np.zeros_like(w)
    for _ in range(8):
        x, y, z = np.moveaxis(origin + np.stack([w, t, h], axis=-1) @ axes, -1, 0)
        sx, sy = form.sheet.slopes(x, y)
        h = h - (z - form.sheet.z(x, y)) / (axes[2, 2] - sx * axes[2, 0] - sy * axes[2, 1])
    return h


def _arc(along: Array, heights_mm: Array) -> Array:
    """Arc length (..., N) over even places ``along`` (N,), odd in number: 0 in the middle."""
    run = np.sqrt(np.diff(along) ** 2 + np.diff(heights_mm, axis=-1) ** 2)
    total = np.concatenate([np.zeros((*run.shape[:-1], 1)), np.cumsum(run, axis=-1)], axis=-1)
    return np.asarray(total - total[..., len(along) // 2, None])


@lru_cache(maxsize=8)
def unrolled(form: Form) -> Unrolled:
    """About the nominal place of the form's decal."""
    origin, normal = form.decal_frame()
    x_axis = form.decal_x_axis()
    axes = np.array([x_axis, np.cross(normal, x_axis), normal])
    half = [STEP_MM * np.ceil((side / 2 + MARGIN_MM) / STEP_MM) for side in form.decal.size_mm]
    fine = [np.linspace(-h, h, round(2 * PARTS * h / STEP_MM) + 1) for h in half]
    w, t = np.meshgrid(fine[0], fine[1][::PARTS])
    u = _arc(fine[0], heights(form, origin, axes, w, t))[:, ::PARTS]
    v = _arc(fine[1], heights(form, origin, axes, np.zeros_like(fine[1]), fine[1]))[::PARTS]
    more_v = np.broadcast_to((v - fine[1][::PARTS])[:, None], u.shape).copy()
    return Unrolled(form, origin, axes, (float(half[0]), float(half[1])), u - fine[0][::PARTS], more_v)
