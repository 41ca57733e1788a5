"""Short faults of the edge: what they do to the trim line, and the strand of swarf that only lies on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from edgeinspect.geometry import Array

FINE_MM = 0.04  # the trim line is drawn this finely along a flaw
STRAND_WIDTH_MM, STRAND_THICK_MM, STRAND_POINTS = 0.4, 0.4, 41


@dataclass(frozen=True)
class Flaw:
    """``nick``: material missing; ``burr``: material standing out, rigid, through the whole sheet; ``strand``: a curl
    of swarf lying across the edge, no part of the shell.

    Its middle lies at ``arc_mm`` of the nominal rim. A nick or burr is a parabola, ``length_mm`` wide at its foot and
    ``depth_mm`` deep or high; a strand is ``length_mm`` long and sticks out over the edge by about ``depth_mm``.
    """

    kind: Literal["nick", "burr", "strand"]
    arc_mm: float
    length_mm: float
    depth_mm: float

    @property
    def cut(self) -> bool:
        """Whether it changes the trim line."""
        return self.kind != "strand"

    def deviation_at(self, arc_mm: Array, rim_length_mm: float) -> Array:
        """What it adds to the rim's deviation [mm] at arc lengths (N,)."""
        if not self.cut:
            return np.zeros_like(arc_mm)
        away = (arc_mm - self.arc_mm + rim_length_mm / 2) % rim_length_mm - rim_length_mm / 2
        shape = np.maximum(1.0 - (2.0 * away / self.length_mm) ** 2, 0.0)
        return np.asarray((1.0 if self.kind == "burr" else -1.0) * self.depth_mm * shape)

    def fine_arcs_mm(self) -> Array:
        """Arc lengths at which the trim line needs points of its own (they may lie before 0 or beyond the end)."""
        if not self.cut:
            return np.zeros(0)
        count = int(np.ceil(self.length_mm / FINE_MM)) + 1
        return np.asarray(self.arc_mm + np.linspace(-self.length_mm / 2, self.length_mm / 2, count))


def strand_middle(flaw: Flaw, foot_xy: Array, normal: Array) -> Array:
    """Middle line (N, 2) of a strand in plan: a bow that crosses the edge at ``foot_xy`` (2,), ``normal`` (2,) out of
    the material; its last ``depth_mm`` or so hang over.
    """
    run = np.linspace(flaw.depth_mm * 1.15 - flaw.length_mm, flaw.depth_mm * 1.15, STRAND_POINTS)  # 0 at the edge
    turn = 0.5 - run / 7.0  # direction from the normal [rad]: bent to a radius of 7 mm
    (nx, ny), c, d = normal, np.cos(turn), np.sin(turn)
    along = np.column_stack([nx * c - ny * d, nx * d + ny * c])
    steps = (along[1:] + along[:-1]) / 2 * np.diff(run)[:, None]
    line = np.vstack([np.zeros(2), np.cumsum(steps, axis=0)])
    at_edge = np.array([np.interp(0.0, run, line[:, k]) for k in range(2)])
    return np.asarray(foot_xy + line - at_edge)
