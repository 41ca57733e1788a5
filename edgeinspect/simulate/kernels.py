"""Inner loops of the fast renderer, compiled: a picture is mostly even areas, and only its edges cost anything."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from edgeinspect.geometry import Array


@njit(cache=True)
def cover(
    column: NDArray[np.int64], weight: Array, start: NDArray[np.int64], under: NDArray[np.float32], brightness: float
) -> None:
    """Bring each pixel of ``under`` (H, W) towards ``brightness`` by its covered share: the running sum along its row
    of weights (N,) at columns (N,), row by row from ``start`` (H + 1,).
    """
    height, width = under.shape
    cells = np.zeros(width + 1)
    for row in range(height):
        first, end = start[row], start[row + 1]
        if first == end:
            continue
        low = width
        for k in range(first, end):
            cells[column[k]] += weight[k]
            low = min(low, column[k])
        share = 0.0
        for x in range(low, width):
            share += cells[x]
            cells[x] = 0.0
            if share != 0.0:
                under[row, x] += np.float32(share) * (np.float32(brightness) - under[row, x])
        cells[width] = 0.0


@njit(cache=True)
def cover_over(
    column: NDArray[np.int64],
    weight: Array,
    start: NDArray[np.int64],
    under: NDArray[np.float32],
    brightness: float,
    before: float,
) -> None:
    """As ``cover`` within an area that was brought to ``before`` already: adds the share of the difference."""
    height, width = under.shape
    cells = np.zeros(width + 1)
    for row in range(height):
        first, end = start[row], start[row + 1]
        if first == end:
            continue
        low = width
        for k in range(first, end):
            cells[column[k]] += weight[k]
            low = min(low, column[k])
        share = 0.0
        for x in range(low, width):
            share += cells[x]
            cells[x] = 0.0
            if share != 0.0:
                under[row, x] += np.float32(np.float32(share) * (brightness - before))
        cells[width] = 0.0


BLOCK = 64  # columns that are told to be even or not at once


@njit(cache=True)
def blurred_rows(values: NDArray[np.float32], kernel: Array, fine: int, out: NDArray[np.float32]) -> None:
    """Rows of ``values`` (H, fine W) behind an odd symmetric kernel, at the middle of every pixel: (H, W). The border
    is repeated.
    """
    height, width = values.shape
    half, weights = len(kernel) // 2, kernel.astype(np.float32)
    blocks = (width + BLOCK - 1) // BLOCK
    changes = np.empty(blocks + 1, dtype=np.int64)  # blocks before each that have a change in them
    for row in range(height):
        changes[0] = 0
        for block in range(blocks):
            differ = 0
            for at in range(max(1, BLOCK * block), min(BLOCK * (block + 1), width)):
                differ += values[row, at] != values[row, at - 1]
            changes[block + 1] = changes[block] + (differ > 0)
        for x in range(out.shape[1]):
            middle = fine * x + fine // 2
            first, last = middle - half, middle + half
            if changes[min(last, width - 1) // BLOCK + 1] == changes[max(first, 0) // BLOCK]:
                out[row, x] = values[row, middle]
                continue
            total = np.float32(0.0)
            for k in range(len(weights)):
                total += weights[k] * values[row, min(max(first + k, 0), width - 1)]
            out[row, x] = total


@njit(cache=True)
def exposed(
    picture: Array, noise: NDArray[np.float32], per_white: float, read: float, per_electron: float, offset: float
) -> NDArray[np.uint8]:
    """8-bit levels of radiances (H, W): ``per_white`` electrons at 1.0, normal noise of their square root and ``read``
    [electrons], ``per_electron`` levels each.
    """
    levels = np.empty(picture.shape, dtype=np.uint8)
    for y in range(picture.shape[0]):
        for x in range(picture.shape[1]):
            electrons = np.float32(max(picture[y, x] * per_white, 0.0))
            seen = electrons + noise[y, x] * np.sqrt(electrons + np.float32(read * read))
            levels[y, x] = np.uint8(min(max(np.rint(seen * np.float32(per_electron) + np.float32(offset)), 0.0), 255.0))
    return levels


@njit(cache=True)
def blurred_columns(rows: NDArray[np.float32], kernel: Array, fine: int, out: NDArray[np.float32]) -> None:
    """The same down the columns of ``rows`` (fine H, W): (H, W)."""
    half = len(kernel) // 2
    for y in range(out.shape[0]):
        out[y] = np.float32(0.0)
        for k in range(len(kernel)):
            source = min(max(fine * y + fine // 2 - half + k, 0), rows.shape[0] - 1)
            weight = np.float32(kernel[k])
            for x in range(out.shape[1]):
                out[y, x] += weight * rows[source, x]
