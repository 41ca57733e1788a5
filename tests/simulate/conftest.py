"""Half-level edge of a picture across a known curve, for checking the renderers. Uses nothing of edgeinspect.measure.

A profile is sampled along the picture's normal of the projected curve, the dark and bright levels are those of its
two ends (with the slope of the light around there), and the edge is where the profile crosses the middle of the two.
Known from image metrology as the 50 % threshold (ISO 12233 uses the same idea for its edge location); from memory, no
text at hand.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, uniform_filter1d

Array = NDArray[np.float64]
STEP_PX, REACH_PX, FLAT_FROM_PX = 0.1, 7.0, 3.2
SLOPE_OVER_POINTS = 61  # about 20 mm of rim


def pixel_normals(curve_px: Array) -> Array:
    """Unit normals (N, 2) of a closed curve in the picture."""
    tangent = np.roll(curve_px, -1, axis=0) - np.roll(curve_px, 1, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    return np.column_stack([tangent[:, 1], -tangent[:, 0]])


def _level(profile: Array, along: Array, flat: NDArray[np.bool_]) -> Array:
    """Brightness of one side carried on to the edge (N, samples): each profile's own mean, with the slope common to
    its neighbourhood.
    """
    x = along[flat] - along[flat].mean()
    slope = uniform_filter1d(profile[:, flat] @ x / (x @ x), SLOPE_OVER_POINTS, mode="wrap")
    return np.asarray(profile[:, flat].mean(axis=1)[:, None] + slope[:, None] * (along - along[flat].mean()))


def edge_offsets_px(picture: Array, curve_px: Array, smooth_along: int = 1) -> Array:
    """Signed distance (N,) of the half-level edge from the curve along ``pixel_normals``; nan where there is no
    crossing.

    ``smooth_along`` averages the profiles of that many neighbouring points first: less noise, less detail.
    """
    normals = pixel_normals(curve_px)
    along = np.arange(-REACH_PX, REACH_PX + STEP_PX / 2, STEP_PX)
    at = curve_px[:, None, :] + along[None, :, None] * normals[:, None, :]
    profile = map_coordinates(picture.astype(np.float64), [at[..., 1], at[..., 0]], order=3, mode="nearest")
    if smooth_along > 1:
        half = smooth_along // 2
        profile = np.mean([np.roll(profile, k, axis=0) for k in range(-half, smooth_along - half)], axis=0)
    middle = (_level(profile, along, along <= -FLAT_FROM_PX) + _level(profile, along, along >= FLAT_FROM_PX)) / 2
    over = profile - middle
    near = np.abs(along) <= 2.5
    found = np.full(len(curve_px), np.nan)
    for n, row in enumerate(over):
        inner = row[near]
        crossings = np.flatnonzero(np.sign(inner[:-1]) != np.sign(inner[1:]))
        if len(crossings):
            places = along[near][crossings] + STEP_PX * inner[crossings] / (inner[crossings] - inner[crossings + 1])
            found[n] = places[np.argmin(np.abs(places))]
    return found


@pytest.fixture(scope="session")
def edge_offsets() -> Callable[[Array, Array], Array]:
    """``edge_offsets_px`` for the tests of this folder."""
    return edge_offsets_px


@pytest.fixture(scope="session")
def sample_images() -> Path:
    return Path(__file__).parents[2] / "sample_images"
