"""Colours as people see them: CIE XYZ and CIELAB of a stated illuminant, and the CIEDE2000 difference, by scikit-image.

White points are of the CIE 1931 2 degree observer (CIE 15, Y of a perfect white = 1); sRGB is IEC 61966-2-1, taken to
another illuminant by the Bradford transform (as ISO 15076-1 does). CIEDE2000 is ISO/CIE 11664-6, all weights 1.
"""

from __future__ import annotations

import numpy as np
from skimage import color

from edgeinspect.geometry import Array

WHITE = {name: color.xyz_tristimulus_values(illuminant=name, observer="2") for name in ("D50", "D65")}
_SRGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def lab_of_xyz(xyz: Array, illuminant: str) -> Array:
    """CIELAB (..., 3) of XYZ (..., 3), white is 1; below black it goes straight on."""
    return np.asarray(color.xyz2lab(xyz, illuminant))


def xyz_of_lab(lab: Array, illuminant: str) -> Array:
    """XYZ (..., 3) of CIELAB (..., 3)."""
    return np.asarray(color.lab2xyz(lab, illuminant))


def adapted(xyz: Array, from_white: str, to_white: str) -> Array:
    """XYZ (..., 3) of the same look under another illuminant (Bradford)."""
    if from_white == to_white:
        return np.asarray(xyz)
    gain = (_BRADFORD @ WHITE[to_white]) / (_BRADFORD @ WHITE[from_white])
    matrix = np.linalg.inv(_BRADFORD) @ np.diag(gain) @ _BRADFORD
    return np.asarray(np.asarray(xyz) @ matrix.T)


def xyz_of_srgb_light(light: Array, illuminant: str) -> Array:
    """XYZ (..., 3) under an illuminant of linear sRGB light (..., 3), 0 to 1."""
    # The rows' sums are the white point of D65 to four digits: brought to it exactly, so that white is white.
    matrix = _SRGB * (WHITE["D65"] / _SRGB.sum(axis=1))[:, None]
    return adapted(np.asarray(light) @ matrix.T, "D65", illuminant)


def difference(one: Array, other: Array) -> Array:
    """CIEDE2000 (...) between CIELAB colours (..., 3)."""
    return np.asarray(color.deltaE_ciede2000(one, other))


def by_difference(lab: Array) -> Array:
    """(N, 3, 3): what takes small steps from CIELAB colours (N, 3) to CIEDE2000, as lengths: near grey a step counts
    some three times what it does in a vivid colour. Left out: the turn between chroma and hue of blues, and how fast
    the factor of a* changes (up to 16 % about C* 20; 2 % for nine of ten colours).
    """
    lightness, a, b = np.asarray(lab, dtype=np.float64).T
    chroma = np.hypot(a, b)
    red = 1.0 + 0.5 * (1.0 - np.sqrt(chroma**7 / (chroma**7 + 25.0**7)))
    hue = np.arctan2(b, red * a)
    tone = 1.0 - 0.17 * np.cos(hue - np.radians(30.0)) + 0.24 * np.cos(2.0 * hue)
    tone += 0.32 * np.cos(3.0 * hue + np.radians(6.0)) - 0.20 * np.cos(4.0 * hue - np.radians(63.0))
    of_l = 1.0 + 0.015 * (lightness - 50.0) ** 2 / np.sqrt(20.0 + (lightness - 50.0) ** 2)
    of_c, of_h = 1.0 + 0.045 * chroma, 1.0 + 0.015 * chroma * tone
    found = np.zeros((len(chroma), 3, 3))
    found[:, 0, 0] = 1.0 / of_l
    found[:, 1, 1], found[:, 1, 2] = red * np.cos(hue) / of_c, np.sin(hue) / of_c
    found[:, 2, 1], found[:, 2, 2] = -red * np.sin(hue) / of_h, np.cos(hue) / of_h
    return found


def srgb_of_lab(lab: Array, illuminant: str) -> Array:
    """sRGB (..., 3), 0 to 1, for showing a colour on a screen; what a screen cannot show is clipped."""
    xyz = adapted(xyz_of_lab(lab, illuminant), illuminant, "D65")
    matrix = _SRGB * (WHITE["D65"] / _SRGB.sum(axis=1))[:, None]
    light = np.clip(xyz @ np.linalg.inv(matrix).T, 0.0, 1.0)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)
