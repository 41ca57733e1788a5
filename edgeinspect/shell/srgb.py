"""sRGB (IEC 61966-2-1) as light and back, and the flat colours that an artwork is printed in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.shell.definition import Artwork

ALIKE = 6.0 / 255.0  # of sRGB, any channel: drawn as one colour
LEAST_SHARE = 0.004  # of the print, of one colour: less is the smoothed edge between two
MOST_FLATS = 12
OPAQUE = 0.99


def srgb_to_linear(value: Array) -> Array:
    """Light 0..1 of sRGB values 0..1 (IEC 61966-2-1)."""
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(light: Array) -> Array:
    """sRGB values 0..1 of light 0..1 (IEC 61966-2-1)."""
    return np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)


def flat_colours(artwork: Artwork) -> list[tuple[str, Array]]:
    """Name ("#f0aa28") and sRGB (3,) of the colours that whole fields of it are printed in, the largest first."""
    assert artwork.colour is not None
    values = np.rint(255 * linear_to_srgb(artwork.colour[artwork.opacity > OPAQUE])).astype(np.int64)
    every, count = np.unique(values @ np.array([65536, 256, 1]), return_counts=True)
    found: list[tuple[str, Array]] = []
    for place in np.argsort(-count, kind="stable"):
        if count[place] < LEAST_SHARE * len(values) or len(found) == MOST_FLATS:
            break
        code = int(every[place])
        colour = np.array([code >> 16, code >> 8 & 255, code & 255]) / 255.0
        if all(np.abs(colour - other).max() > ALIKE for _, other in found):
            found.append((f"#{code:06x}", colour))
    return found


def which_flat(artwork: Artwork, flats: Sequence[Array]) -> NDArray[np.int8]:
    """(H, W) index of the flat colour of every pixel, -1 where it is none of them or not opaque."""
    assert artwork.colour is not None
    values = linear_to_srgb(artwork.colour)
    found = np.full(artwork.grey.shape, -1, dtype=np.int8)
    nearest = np.full(artwork.grey.shape, ALIKE)
    for k, flat in enumerate(flats):
        away = np.abs(values - flat).max(axis=2)
        here = (away < nearest) & (artwork.opacity > OPAQUE)
        found[here], nearest[here] = k, away[here]
    return found
