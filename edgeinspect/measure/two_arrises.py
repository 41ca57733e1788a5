"""Holes whose far wall shows: face, wall and background make two steps a known distance apart, and where they lie is
fitted together with how bright the wall is.

One after the other they would creep: a wall taken for too bright moves the far side, which makes the wall look too
bright again. The wall's brightness is one slow function of the way it faces, the same in all cut-outs of a shell but
for a little: where only a slot's round end shows its wall, that end and its brightness alone would be one guess.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import wall_kernels
from edgeinspect.measure.edge import BILINEAR_NOISE
from edgeinspect.measure.picture import Levels

WALL_HARMONICS = 2
# Share of the whole step, face to background, that lies at the show-face arris: what it may be, how much that may
# differ by the way that a wall faces, and from one cut-out to the next (standard deviations, judged from pictures).
USUAL_SHARE, SPREAD, SPREAD_FACING, SPREAD_CUTOUT = 0.4, 0.3, 0.1, 0.02
ROUNDS = 12
ENOUGH_MM = 5e-4
GREATEST_CHANGE = 0.3  # of a term in a round, mm or share
LOOSE_MM = 0.05  # a line further off the shape counts less


@dataclass(frozen=True)
class TwoArrises:
    """Lines of all cut-outs one after the other (N lines, T terms of their shapes)."""

    terms: Array  # (T,)
    covariance: Array  # (T, T) from the picture's noise, with what is not known of the walls
    off_mm: Array  # (N,) each line's show-face arris beside the shape
    u_mm: Array  # (N,) from the picture's noise alone


def fit_two_arrises(
    ribbon: Levels,
    d_mm: Array,
    blur_mm: Array,
    noise: float,
    wall_mm: Array,
    rows: Array,
    pull_mm: Array,
    facing_rad: Array,
    cutout: NDArray[np.intp],
    usable: NDArray[np.bool_],
    terms: Array,
) -> TwoArrises:
    """Shapes, walls and the picture's blur by Gauss-Newton.

    Parameters: ribbon - (N, M) at offsets d_mm (M,); blur_mm - (N,) standard deviation of the blur along each line, of
    which one factor is fitted; wall_mm - (N,) apparent width of the wall, 0 where it is hidden; rows - (N, T) how each
    line answers to the terms; pull_mm - (N,) what blur on a curve moves it; facing_rad - (N,) direction of the normal
    in plan; cutout - (N,) number of the line's own; usable - (N,); terms - (T,) to start from.
    """
    waves = [wave(k * facing_rad) for k in range(1, WALL_HARMONICS + 1) for wave in (np.cos, np.sin)]
    own = cutout[:, None] == np.arange(int(cutout.max()) + 1)
    walls = np.column_stack([np.ones(len(rows)), *waves, own])
    spread = np.concatenate([[SPREAD], np.full(len(waves), SPREAD_FACING), np.full(own.shape[1], SPREAD_CUTOUT)])
    usual = np.append(USUAL_SHARE, np.zeros(len(spread) - 1))
    blur = float(blur_mm.mean())
    wider = blur_mm / blur
    spacing, count = float(d_mm[1] - d_mm[0]), rows.shape[1]
    half = round((4.0 * float(blur_mm.max()) + 0.5 * float(wall_mm.max())) / spacing)
    terms, shares, off, sums = terms.copy(), usual.copy(), np.empty(len(rows)), np.empty((len(rows), 10))
    normal = np.empty((count + len(spread) + 1,) * 2)
    seen = ribbon, float(d_mm[0]), spacing, blur, wider, noise, half, wall_mm, rows, pull_mm, walls, usable
    ends = spread, usual, ROUNDS, ENOUGH_MM, GREATEST_CHANGE, LOOSE_MM
    misfit = wall_kernels.settle_square_walls(*seen, *ends, terms, shares, normal, sums, off)
    shared = 2.0 * BILINEAR_NOISE**2  # half-pixel samples share their noise
    covariance = np.linalg.inv(normal)[:count, :count] * misfit * shared
    u = noise * np.sqrt(shared / np.maximum(sums[:, 0], 1e-9))
    return TwoArrises(terms, covariance, np.clip(off, -9.0, 9.0), u)
