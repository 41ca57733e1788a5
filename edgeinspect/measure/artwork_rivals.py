"""Which of two artworks lies there. Near variants correlate alike with a picture, but not with what they differ in."""

from __future__ import annotations

import cv2
import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.measure.artwork_fit import Printed, Seen
from edgeinspect.measure.picture import Levels

SOLID = 0.98  # opacity after the blur: only there the print covers the sheet, whatever the sheet is like
LEAST_PIXELS = 50
LEAST_DIFFERENCE = 0.02  # of two artworks, as a share of the contrast: below it nobody can tell them apart
EVERY = 3  # of the pixels that see the surface: a third is plenty


def share_of_other(
    pixels: Seen, art: Printed, other: Printed, values: Array, other_ways: tuple[int, int] = (1, 1)
) -> float:
    """How much of the difference between two artworks the picture holds where the first was fitted: 0 when it is the
    first, 1 when it is the other; nan where they do not differ. ``values`` (5,) - place of the first; ``other_ways`` -
    -1 where the other lies the other way round along it, or up: turned here, its pictures need not be.
    """
    x, y = pixels.u_mm[::EVERY] - values[0], pixels.v_mm[::EVERY] - values[1]
    cos, sin = np.cos(values[2]), np.sin(values[2])
    u, v = (cos * x + sin * y) / (1.0 + values[3]), (cos * y - sin * x) / (1.0 + values[4])
    ink, cover = _under(art, u, v)
    other_ink, other_cover = _under(other, other_ways[0] * u, other_ways[1] * v)
    pick = np.flatnonzero(np.minimum(cover, other_cover) > SOLID)
    if len(pick) < LEAST_PIXELS:
        return float("nan")
    model, difference = ink[pick], other_ink[pick] - ink[pick]
    if difference.std() < LEAST_DIFFERENCE * model.std():
        return float("nan")
    light = np.column_stack([np.ones_like(model), u[pick] / 50.0, v[pick] / 50.0])
    level = pixels.level[::EVERY][pick]
    weight, gain = np.ones_like(level), np.full_like(level, float(level.std() / model.std()))
    for _ in range(4):  # glare and dirt have no say; the difference shows as strongly as the print does there
        columns = np.column_stack([light, light * model[:, None], gain * difference])
        weighted = columns * (weight**2)[:, None]
        solution = np.linalg.lstsq(weighted.T @ columns, weighted.T @ level, rcond=None)[0]
        off = np.abs(level - columns @ solution)
        weight = np.sqrt(1.0 / np.maximum(1.0, off / (3.0 * float(np.median(off)) + 1e-6)))
        share, gain = float(solution[6]), light @ solution[3:6]
        if gain.mean() <= 0:
            return float("nan")
    return share


def _under(art: Printed, u_mm: Array, v_mm: Array) -> tuple[Levels, Levels]:
    """Ink and opacity (N,) at places on the artwork; no opacity beside it."""
    height, width = art.ink.shape
    column = (u_mm * art.per_mm + (width - 1) / 2).astype(np.float32)
    row = ((height - 1) / 2 - v_mm * art.per_mm).astype(np.float32)
    # In rows of a picture that cv2.remap takes, it has no more than 32767 columns.
    side = 4096
    padded = -(-len(column) // side) * side
    maps = [np.pad(part, (0, padded - len(part)), constant_values=-1e6).reshape(-1, side) for part in (column, row)]
    ink, cover = (cv2.remap(image, maps[0], maps[1], cv2.INTER_LINEAR).ravel() for image in (art.ink, art.cover))
    return np.asarray(ink[: len(column)], dtype=np.float32), np.asarray(cover[: len(column)], dtype=np.float32)
