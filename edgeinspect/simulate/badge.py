"""The demo decal's artwork, invented and drawn here: a dark rounded badge with chevrons, "MOVO 48" and a ruled line."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.simulate.toplid import DECAL_SIZE_MM

PX_PER_MM = 10
_DRAW = 4  # drawn larger and averaged, so that the artwork's own edges are smooth
_GROUND, _WHITE, _GREY, _AMBER = (52, 44, 40), (245, 245, 245), (150, 150, 150), (40, 170, 240)  # BGR, sRGB

# Letters as strokes on a 4 x 6 grid, y up: no font file, so every machine draws the same badge.
_STROKES = {
    "M": [[(0, 0), (0, 6), (2, 2.6), (4, 6), (4, 0)]],
    "O": [[(1, 0), (0, 1), (0, 5), (1, 6), (3, 6), (4, 5), (4, 1), (3, 0), (1, 0)]],
    "V": [[(0, 6), (2, 0), (4, 6)]],
    "4": [[(3, 0), (3, 6), (0, 2), (4, 2)]],
    "8": [
        [(1, 3.2), (0, 4), (0, 5.2), (1, 6), (3, 6), (4, 5.2), (4, 4), (3, 3.2), (1, 3.2), (0, 2.2), (0, 0.9), (1, 0), (3, 0), (4, 0.9), (4, 2.2), (3, 3.2)]
    ],
}


@cache
def badge_bgra() -> NDArray[np.uint8]:
    """The artwork (450, 1100, 4), 8-bit sRGB with opacity, 10 px/mm, row 0 at the top."""
    scale = PX_PER_MM * _DRAW
    width, height = (int(s * scale) for s in DECAL_SIZE_MM)
    colour = np.full((height, width, 3), _GROUND, dtype=np.uint8)
    opacity = np.zeros((height, width), dtype=np.uint8)

    def at(x_mm: float, y_mm: float) -> tuple[int, int]:
        return int(round(x_mm * scale)), int(round(height - y_mm * scale))

    radius = int(6 * scale)
    cv2.rectangle(opacity, (radius, 0), (width - radius, height), 255, -1)
    cv2.rectangle(opacity, (0, radius), (width, height - radius), 255, -1)
    for x in (radius, width - 1 - radius):
        for y in (radius, height - 1 - radius):
            cv2.circle(opacity, (x, y), radius, 255, -1)
    for k, tone in enumerate((_AMBER, _AMBER, _GREY)):
        x = 7.0 + 7.0 * k
        points = [at(x, 38), at(x + 4.2, 38), at(x + 10.2, 24.5), at(x + 4.2, 11), at(x, 11), at(x + 6, 24.5)]
        cv2.fillPoly(colour, [np.array(points)], tone)
    x = 37.0
    for letter in "MOVO":
        _write(colour, letter, x, 19.5, 2.15, 2.4, _WHITE, at, scale)
        x += 12.4
    for letter in "48":
        _write(colour, letter, x, 24.0, 1.5, 1.7, _AMBER, at, scale)
        x += 8.6
    cv2.rectangle(colour, at(37, 14.4), at(95, 13.0), _GREY, -1)
    cv2.rectangle(colour, at(37, 10.4), at(72, 9.6), _WHITE, -1)
    cv2.circle(colour, at(99.5, 12.5), int(3.2 * scale), _WHITE, int(1.0 * scale))
    size = (width // _DRAW, height // _DRAW)
    small = cv2.resize(colour, size, interpolation=cv2.INTER_AREA)
    return np.dstack([small, cv2.resize(opacity, size, interpolation=cv2.INTER_AREA)])


def _write(image, letter, x, y, grid, stroke, tone, at, scale):  # type: ignore[no-untyped-def]
    for line in _STROKES[letter]:
        points = np.array([at(x + grid * px, y + grid * py) for px, py in line])
        cv2.polylines(image, [points], False, tone, int(stroke * scale), cv2.LINE_AA)


@cache
def badge_reflectance() -> tuple[Array, Array]:
    """Reflectance (450, 1100) as the camera sees the print, 0.04 to 0.82, and opacity (450, 1100) 0 to 1."""
    bgra = badge_bgra().astype(np.float64) / 255.0
    linear = np.where(bgra[..., :3] <= 0.04045, bgra[..., :3] / 12.92, ((bgra[..., :3] + 0.055) / 1.055) ** 2.4)
    grey = linear @ [0.0722, 0.7152, 0.2126]
    return 0.04 + 0.78 * grey, bgra[..., 3]
