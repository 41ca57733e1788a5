"""Exact area coverage: which share of every pixel a polygon covers. Pixel i covers i - 0.5 to i + 0.5."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.simulate import kernels


def ring_edges(ring: Array) -> Array:
    """Edges (N, 4) as x0, y0, x1, y1 of a closed ring (N, 2) whose end is not repeated."""
    return np.hstack([ring, np.roll(ring, -1, axis=0)])


def _split(edges: Array, axis: int) -> Array:
    """Edges cut at every whole number of one coordinate."""
    a0, a1 = edges[:, axis], edges[:, axis + 2]
    low, high = np.floor(np.minimum(a0, a1)), np.ceil(np.maximum(a0, a1))
    pieces = np.maximum(high - low, 1).astype(np.int64)
    owner = np.repeat(np.arange(len(edges)), pieces)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    span = np.where(a1 == a0, 1.0, a1 - a0)
    forward = (a1 >= a0)[owner]

    def share(line: NDArray[np.int64]) -> Array:
        level = np.where(forward, low[owner] + line, high[owner] - line)
        return np.clip((level - a0[owner]) / span[owner], 0.0, 1.0)

    start, end = (
        np.where(number == 0, 0.0, share(number)),
        np.where(number == pieces[owner] - 1, 1.0, share(number + 1)),
    )
    x0, y0, x1, y1 = edges[owner].T
    return np.column_stack([x0 + start * (x1 - x0), y0 + start * (y1 - y0), x0 + end * (x1 - x0), y0 + end * (y1 - y0)])


def covered(
    rings: Iterable[Array], left: int, top: int, width: int, height: int
) -> tuple[NDArray[np.int64], Array, NDArray[np.int64]]:
    """What the edges of rings add to each pixel of a window: columns (N,), weights (N,), sorted by row, and where each
    row starts (height + 1,). The running sum along a row is the share of each pixel that the rings cover.

    Rings (N, 2) in px are closed without a repeated end. Clockwise as seen in the picture (y down) adds,
    counter-clockwise takes away: holes are rings of the other sense. Each edge adds the area to its right: no sampling.
    """
    edges = np.vstack([ring_edges(ring) for ring in rings])
    edges = edges + np.array([0.5 - left, 0.5 - top, 0.5 - left, 0.5 - top])
    edges = _split(_split(edges, 1), 0)  # now every piece lies within one pixel, or wholly outside the window:
    edges[:, [0, 2]] = np.clip(edges[:, [0, 2]], 0.0, width)  # left or right of it only the rows count
    edges[:, [1, 3]] = np.clip(edges[:, [1, 3]], 0.0, height)  # above or below it nothing does
    x, y, rise = (edges[:, 0] + edges[:, 2]) / 2, (edges[:, 1] + edges[:, 3]) / 2, edges[:, 1] - edges[:, 3]
    column, row = np.minimum(x.astype(np.int64), width - 1), np.minimum(y.astype(np.int64), height - 1)
    share = x - column
    order = np.argsort(row, kind="stable")
    start = np.searchsorted(row[order], np.arange(height + 1))
    weights = np.column_stack([rise * (1.0 - share), rise * share])[order].ravel()
    return np.column_stack([column, column + 1])[order].ravel(), weights, 2 * start


def coverage(rings: Iterable[Array], left: int, top: int, width: int, height: int) -> NDArray[np.float32]:
    """Share (height, width) of each pixel of a window that the rings cover (see ``covered``)."""
    share = np.zeros((height, width), dtype=np.float32)
    kernels.cover(*covered(rings, left, top, width, height), share, 1.0)
    return share
