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
_SCALE = PX_PER_MM * _DRAW
_GROUND, _WHITE, _GREY, _AMBER = (52, 44, 40), (245, 245, 245), (150, 150, 150), (40, 170, 240)  # BGR, sRGB

# Letters as strokes on a 4 x 6 grid, y up: no font file, so every machine draws the same badge.
_STROKES: dict[str, list[list[tuple[float, float]]]] = {
    "M": [[(0, 0), (0, 6), (2, 2.6), (4, 6), (4, 0)]],
    "O": [[(1, 0), (0, 1), (0, 5), (1, 6), (3, 6), (4, 5), (4, 1), (3, 0), (1, 0)]],
    "V": [[(0, 6), (2, 0), (4, 6)]],
    "4": [[(3, 0), (3, 6), (0, 2), (4, 2)]],
    "8": [
        [
            (1, 3.2),
            (0, 4),
            (0, 5.2),
            (1, 6),
            (3, 6),
            (4, 5.2),
            (4, 4),
            (3, 3.2),
            (1, 3.2),
            (0, 2.2),
            (0, 0.9),
            (1, 0),
            (3, 0),
            (4, 0.9),
            (4, 2.2),
            (3, 3.2),
        ]
    ],
}


@cache
def badge_bgra() -> NDArray[np.uint8]:
    """The artwork (450, 1100, 4), 8-bit sRGB with opacity, 10 px/mm, row 0 at the top."""
    width, height = (int(s * _SCALE) for s in DECAL_SIZE_MM)
    colour = np.full((height, width, 3), _GROUND, dtype=np.uint8)
    opacity = np.zeros((height, width), dtype=np.uint8)

    radius = int(6 * _SCALE)
    cv2.rectangle(opacity, (radius, 0), (width - radius, height), 255, -1)
    cv2.rectangle(opacity, (0, radius), (width, height - radius), 255, -1)
    for column in (radius, width - 1 - radius):
        for row in (radius, height - 1 - radius):
            cv2.circle(opacity, (column, row), radius, 255, -1)
    for k, tone in enumerate((_AMBER, _AMBER, _GREY)):
        left = 7.0 + 7.0 * k
        points = [
            _at(left, 38, height),
            _at(left + 4.2, 38, height),
            _at(left + 10.2, 24.5, height),
            _at(left + 4.2, 11, height),
            _at(left, 11, height),
            _at(left + 6, 24.5, height),
        ]
        cv2.fillPoly(colour, [np.array(points)], tone)
    x = 37.0
    for letter in "MOVO":
        _write(colour, letter, x, 19.5, 2.15, 2.4, _WHITE, height)
        x += 12.4
    for letter in "48":
        _write(colour, letter, x, 24.0, 1.5, 1.7, _AMBER, height)
        x += 8.6
    cv2.rectangle(colour, _at(37, 14.4, height), _at(95, 13.0, height), _GREY, -1)
    cv2.rectangle(colour, _at(37, 10.4, height), _at(72, 9.6, height), _WHITE, -1)
    cv2.circle(colour, _at(99.5, 12.5, height), int(3.2 * _SCALE), _WHITE, int(1.0 * _SCALE))
    size = (width // _DRAW, height // _DRAW)
    small = cv2.resize(colour, size, interpolation=cv2.INTER_AREA)
    clear = cv2.resize(opacity, size, interpolation=cv2.INTER_AREA)
    clear[[0, -1], :] = clear[:, [0, -1]] = 0  # a clear border: reading between its pixels needs no rule for outside
    return np.dstack([small, clear])


def _at(x_mm: float, y_mm: float, height_px: int) -> tuple[int, int]:
    """Pixel (column, row) of a place on the badge, from its lower left corner."""
    return round(x_mm * _SCALE), round(height_px - y_mm * _SCALE)


def _write(
    image: NDArray[np.uint8],
    letter: str,
    x_mm: float,
    y_mm: float,
    grid_mm: float,
    stroke_mm: float,
    tone: tuple[int, int, int],
    height_px: int,
) -> None:
    for line in _STROKES[letter]:
        points = np.array([_at(x_mm + grid_mm * px, y_mm + grid_mm * py, height_px) for px, py in line])
        cv2.polylines(image, [points], False, tone, int(stroke_mm * _SCALE), cv2.LINE_AA)


@cache
def badge_reflectance() -> tuple[Array, Array]:
    """Reflectance (450, 1100) as the camera sees the print, 0.04 to 0.82, and opacity (450, 1100) 0 to 1."""
    bgra = badge_bgra().astype(np.float64) / 255.0
    linear = np.where(bgra[..., :3] <= 0.04045, bgra[..., :3] / 12.92, ((bgra[..., :3] + 0.055) / 1.055) ** 2.4)
    grey = linear @ [0.0722, 0.7152, 0.2126]
    return 0.04 + 0.78 * grey, bgra[..., 3]
