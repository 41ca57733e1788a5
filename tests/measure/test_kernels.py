"""The inner loops on ribbons that hold no edge: numba raises ZeroDivisionError where numpy warns."""

from __future__ import annotations

import numpy as np
import pytest

from edgeinspect.measure import kernels
from edgeinspect.measure.edge import fit_edges

RIBBONS = {
    "no lines": np.zeros((0, 41)),
    "black": np.zeros((60, 41)),
    "even": np.full((60, 41), 0.5),
    "unseen": np.full((60, 41), np.nan),
    "half unseen": np.where(np.arange(60)[:, None] < 30, np.nan, np.linspace(0.1, 0.6, 41)[None, :] > 0.35),
}


@pytest.mark.parametrize("ribbon", RIBBONS)
def test_kernels_divide_by_nothing(ribbon: str) -> None:
    """No edge is no number, and where half of the lines see one, these have theirs."""
    levels = np.asarray(RIBBONS[ribbon], dtype=np.float32)
    count = len(levels)
    d_mm = np.linspace(-3.0, 3.0, 41)
    if count:
        edges = fit_edges(levels, d_mm, np.full(count, 3.3), 0.9)
        seen = np.isfinite(levels).all(axis=1) & (np.ptp(np.nan_to_num(levels), axis=1) > 0)
        assert not np.isfinite(edges.d_mm[~seen]).any()
        assert np.isfinite(edges.d_mm[seen]).all()
    assert kernels.median_third_difference(levels) >= 0.0
    first, at, wall = np.zeros(count, np.int64), np.zeros(count), np.full(count, 0.3)
    sums = np.empty((count, 10))
    kernels.two_steps(levels, first, 41, -3.0, 0.15, np.full(count, 0.27), 0.27, at, wall, np.full(count, 0.5), sums)
    assert np.isfinite(sums).all()
    assert (sums[np.isnan(levels).any(axis=1)] == 0.0).all()


def test_fits_without_a_single_usable_line() -> None:
    """Nothing usable is no shift of a cut-out; far from a crash in the middle of a shift."""
    rows, nothing = np.random.default_rng(1).normal(size=(50, 3)), np.zeros(50, dtype=bool)
    terms = kernels.robust_fit(rows, np.full(50, np.nan), nothing, 2, 0.05)
    assert terms == pytest.approx(0.0)
    assert kernels.weighted_fit(rows, rows @ [1.0, 2.0, 3.0], np.ones(50), np.zeros(3)) == pytest.approx([1, 2, 3])
