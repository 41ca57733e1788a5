"""The decals' artwork, invented and drawn here: dark rounded badges with chevrons, letters and ruled lines; no font
file, so every machine draws the same.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array

PX_PER_MM = 10
_DRAW = 4  # drawn larger and averaged, so that the artwork's own edges are smooth
_SCALE = PX_PER_MM * _DRAW
_GROUND, _WHITE, _GREY, _AMBER = (52, 44, 40), (245, 245, 245), (150, 150, 150), (40, 170, 240)  # BGR, sRGB

# Letters as strokes on a 4 x 6 grid, y up.
_STROKES: dict[str, list[list[tuple[float, float]]]] = {
    "M": [[(0, 0), (0, 6), (2, 2.6), (4, 6), (4, 0)]],
    "O": [[(1, 0), (0, 1), (0, 5), (1, 6), (3, 6), (4, 5), (4, 1), (3, 0), (1, 0)]],
    "V": [[(0, 6), (2, 0), (4, 6)]],
    "C": [[(4, 5), (3, 6), (1, 6), (0, 5), (0, 1), (1, 0), (3, 0), (4, 1)]],
    "A": [[(0, 0), (2, 6), (4, 0)], [(0.8, 2), (3.2, 2)]],
    "R": [[(0, 0), (0, 6), (3, 6), (4, 5), (4, 4), (3, 3), (0, 3)], [(2, 3), (4, 0)]],
    "G": [[(4, 5), (3, 6), (1, 6), (0, 5), (0, 1), (1, 0), (3, 0), (4, 1), (4, 2.8), (2.4, 2.8)]],
    "P": [[(0, 0), (0, 6), (3, 6), (4, 5), (4, 4), (3, 3), (0, 3)]],
    "K": [[(0, 0), (0, 6)], [(4, 6), (0, 2.6)], [(1.4, 3.8), (4, 0)]],
    "2": [[(0, 5), (1, 6), (3, 6), (4, 5), (4, 4), (0, 0), (4, 0)]],
    "7": [[(0, 6), (4, 6), (1.4, 0)]],
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
def artwork_bgra(name: str) -> NDArray[np.uint8]:
    """An artwork by name (H, W, 4), 8-bit sRGB with opacity, 10 px/mm, row 0 at the top."""
    (width_mm, height_mm), radius_mm, draw = _ARTWORKS[name]
    width, height = int(width_mm * _SCALE), int(height_mm * _SCALE)
    colour = np.full((height, width, 3), _GROUND, dtype=np.uint8)
    opacity = np.zeros((height, width), dtype=np.uint8)

    radius = int(radius_mm * _SCALE)
    cv2.rectangle(opacity, (radius, 0), (width - radius, height), 255, -1)
    cv2.rectangle(opacity, (0, radius), (width, height - radius), 255, -1)
    for column in (radius, width - 1 - radius):
        for row in (radius, height - 1 - radius):
            cv2.circle(opacity, (column, row), radius, 255, -1)
    draw(colour, height)
    size = (width // _DRAW, height // _DRAW)
    small = cv2.resize(colour, size, interpolation=cv2.INTER_AREA)
    clear = cv2.resize(opacity, size, interpolation=cv2.INTER_AREA)
    clear[[0, -1], :] = clear[:, [0, -1]] = 0  # a clear border: reading between its pixels needs no rule for outside
    return np.dstack([small, clear])


def _draw_badge(colour: NDArray[np.uint8], height: int) -> None:
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


def _draw_cargo(colour: NDArray[np.uint8], height: int) -> None:
    """Of the cargo variant: a crate and "CARGO"."""
    cv2.rectangle(colour, _at(8, 36, height), _at(32, 10, height), _AMBER, int(1.8 * _SCALE))
    cv2.line(colour, _at(8, 24, height), _at(32, 24, height), _AMBER, int(1.4 * _SCALE))
    cv2.line(colour, _at(20, 36, height), _at(20, 24, height), _GREY, int(1.4 * _SCALE))
    x = 40.0
    for letter in "CARGO":
        _write(colour, letter, x, 20.5, 2.05, 2.3, _WHITE, height)
        x += 12.4
    for k in range(5):
        cv2.rectangle(
            colour, _at(40 + 8 * k, 14.6, height), _at(45 + 8 * k, 10.4, height), _GREY if k % 2 else _AMBER, -1
        )
    cv2.rectangle(colour, _at(82, 13.2, height), _at(101, 11.8, height), _WHITE, -1)


def _draw_hand(colour: NDArray[np.uint8], height: int) -> None:
    """Of the lids with a hand: a ring with a spoke and "MOVO 27"."""
    cv2.circle(colour, _at(17, 18, height), int(10 * _SCALE), _AMBER, int(2.2 * _SCALE), cv2.LINE_AA)
    cv2.line(colour, _at(17, 18, height), _at(24, 25, height), _GREY, int(1.8 * _SCALE), cv2.LINE_AA)
    cv2.circle(colour, _at(17, 18, height), int(2.4 * _SCALE), _WHITE, -1)
    x = 33.0
    for letter in "MOVO":
        _write(colour, letter, x, 16.0, 1.75, 2.0, _WHITE, height)
        x += 9.8
    for letter in "27":
        _write(colour, letter, x + 1.0, 19.4, 1.2, 1.4, _AMBER, height)
        x += 6.6
    cv2.rectangle(colour, _at(33, 11.6, height), _at(78, 10.4, height), _GREY, -1)
    cv2.rectangle(colour, _at(33, 8.0, height), _at(60, 7.2, height), _WHITE, -1)
    cv2.circle(colour, _at(80, 8.4, height), int(2.2 * _SCALE), _WHITE, int(0.8 * _SCALE))


def _draw_label(colour: NDArray[np.uint8], height: int) -> None:
    """Of the battery hatch: a battery and "PACK 24"."""
    cv2.rectangle(colour, _at(5, 17, height), _at(15, 7, height), _WHITE, int(1.2 * _SCALE))
    cv2.rectangle(colour, _at(15.6, 14, height), _at(17.2, 10, height), _WHITE, -1)
    cv2.rectangle(colour, _at(6.6, 15.4, height), _at(9.4, 8.6, height), _AMBER, -1)
    x = 21.0
    for letter in "PACK":
        _write(colour, letter, x, 9.6, 1.1, 1.3, _WHITE, height)
        x += 6.2
    for letter in "24":
        _write(colour, letter, x + 0.8, 11.8, 0.8, 1.0, _AMBER, height)
        x += 4.6
    cv2.rectangle(colour, _at(21, 6.4, height), _at(50, 5.4, height), _GREY, -1)


_ARTWORKS: dict[str, tuple[tuple[float, float], float, Callable[[NDArray[np.uint8], int], None]]] = {
    "badge": ((110.0, 45.0), 6.0, _draw_badge),  # size, corner radius [mm]
    "badge_cargo": ((110.0, 45.0), 6.0, _draw_cargo),
    "badge_hand": ((90.0, 36.0), 5.0, _draw_hand),
    "label": ((60.0, 24.0), 3.0, _draw_label),
}


@cache
def reflectance(name: str) -> tuple[Array, Array]:
    """Reflectance (H, W) as the camera sees the print, 0.04 to 0.82, and opacity (H, W) 0 to 1, of an artwork."""
    bgra = artwork_bgra(name).astype(np.float64) / 255.0
    linear = np.where(bgra[..., :3] <= 0.04045, bgra[..., :3] / 12.92, ((bgra[..., :3] + 0.055) / 1.055) ** 2.4)
    grey = linear @ [0.0722, 0.7152, 0.2126]
    return 0.04 + 0.78 * grey, bgra[..., 3]
