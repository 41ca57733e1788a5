"""The imagined picture: areas against shapely (an independent library), noise against the normal distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from shapely import Polygon, box

from edgeinspect.measure import imagined_kernels
from edgeinspect.measure.imagined import Conditions, _pattern


@pytest.mark.parametrize("seed", range(6))
def test_each_pixel_is_covered_by_the_area_that_shapely_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0.0, 2.0 * np.pi, 9))[:: 1 if seed % 2 else -1]
    corners = np.array([6.0, 5.0]) + rng.uniform(1.0, 4.9, 9)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    steps = np.zeros((10, 14))
    imagined_kernels.cover(corners, steps)
    found = np.abs(np.cumsum(steps, axis=1)[:, :12])
    shape = Polygon(corners)
    true = [[shape.intersection(box(x, y, x + 1, y + 1)).area for x in range(12)] for y in range(10)]
    assert np.abs(found - true).max() < 1e-9


def test_the_noise_is_normal_unlike_its_neighbours_and_always_the_same() -> None:
    width = 500
    noise = _pattern(0, width * width)
    assert stats.kstest(noise, "norm").pvalue > 0.01
    grid = noise.reshape(width, width)
    for other in (grid[1:, :], grid[:, 1:], grid[1:, 1:], grid[2:, :]):
        beside = grid[: other.shape[0], : other.shape[1]]
        assert abs(np.corrcoef(beside.ravel(), other.ravel())[0, 1]) < 4.0 / width
    assert np.array_equal(_pattern(1000, 50), noise[1000:1050])


def test_a_contrast_that_no_picture_has_is_refused() -> None:
    with pytest.raises(ValueError, match=r"contrast is 0.01, must be from 0.02 to 0.9"):
        Conditions(contrast=0.01)
