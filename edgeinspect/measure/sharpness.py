"""How blurred parts of one picture are, each by itself: a lens may be out of focus on one side, or smeared there."""

from __future__ import annotations

from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import edge_kernels
from edgeinspect.measure.picture import Levels

FAR_BLURS = 2.5  # how much of what rises so far from an edge rises within one blur tells the blur
WIDEST, NARROWEST = 4.0, 0.3  # of the picture's blur: no part's is told to be wider or narrower


def own_blurs_mm(
    ribbon: Levels,
    d_mm: Array,
    edge_mm: Array,
    blur_mm: float,
    part: NDArray[np.intp],
    parts: int,
    reach_mm: float = float("inf"),
) -> Array:
    """Standard deviation (P,) of the blur of every part's edges; nan of a part that has none.

    Parameters: ribbon - (N, M) at offsets d_mm (M,); edge_mm - (N,) where the edge lies on each line, nan where it is
    not known or something else is near; blur_mm - of all of them; part - (N,) the part that each line belongs to;
    reach_mm - from where on beside an edge other things are seen.
    """
    far_mm, share = min(FAR_BLURS * blur_mm, reach_mm), np.empty(parts)
    light = float(d_mm[0]), float(d_mm[1] - d_mm[0])
    edge_kernels.steepness(ribbon, *light, edge_mm, blur_mm, far_mm, part, np.empty((parts, 2)), share)
    shares, blurs = _shares(round(far_mm / blur_mm, 3))
    return np.where(np.isfinite(share), blur_mm * np.interp(share, shares, blurs), np.nan)


@lru_cache(maxsize=8)
def _shares(reach: float) -> tuple[Array, Array]:
    """Of what a step blurred by ``blurs`` (B,) rises within ``reach``, the shares (B,) that it rises within 1."""
    blurs, within = np.geomspace(WIDEST, NARROWEST, 40), NormalDist().cdf
    shares = [(2.0 * within(1.0 / one) - 1.0) / (2.0 * within(reach / one) - 1.0) for one in blurs.tolist()]
    return np.array(shares), blurs
