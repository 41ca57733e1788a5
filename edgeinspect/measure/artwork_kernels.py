"""The inner loop of fitting an artwork, compiled by numba: one pixel after the other, no temporary arrays.

Single-threaded on purpose: sums are always taken in the same order, results are the same on every machine.
"""

from __future__ import annotations

import numpy as np
from numba import njit

# Unknowns of light, linear in the level: what the sheet shows where it is not covered (and its slopes), how much light
# the ink sends back (and how that changes, up to squares), haze over the print (and its slopes).
SHEET, GAIN, HAZE, LIGHT = 0, 3, 9, 12
BLUR = 12  # how much more the picture is blurred than the artwork [mm²]
PLACE = 13  # dx, dy [mm], rotation [rad], stretch along and across
UNKNOWNS = 18


@njit(cache=True, inline="always")
def bilinear(image, row, column):
    """Value of an image at a place inside it, and its slopes along columns and along rows."""
    r, c = int(row), int(column)
    y, x = row - r, column - c
    a, b, d, e = image[r, c], image[r, c + 1], image[r + 1, c], image[r + 1, c + 1]
    across, down = (1.0 - y) * (b - a) + y * (e - d), (1.0 - x) * (d - a) + x * (e - b)
    return a + y * (d - a) + x * across, across, down


@njit(cache=True)
def gather(
    u, v, level, ink, cover, ink_bend, cover_bend, per_mm, half_u, half_v, values, light, blur, clip, cut, give_mm, rows
):
    """One Gauss-Newton step's sums over pixels.

    Parameters: u, v (N,) [mm] and level (N,) of pixels; ink, cover (H, W) - the print's light and its opacity as
    blurred as the picture, ink_bend, cover_bend their second derivatives [1/mm²]; values (5,) - where it lies; light
    (12,); blur; clip - residuals above it count less, above ``cut`` not at all, both after what a print that lies off
    by ``give_mm`` would leave: or its edges, which say where it lies, would hardly count until it lies right; rows (N,)
    gets the residuals, nan where a pixel does not see the print.
    Returns the normal matrix (18, 18), the right side (18,), sum of weights, sum of weighted squares, pixels.
    """
    normal, right = np.zeros((UNKNOWNS, UNKNOWNS)), np.zeros(UNKNOWNS)
    row = np.empty(UNKNOWNS)
    weights, squares, count = 0.0, 0.0, 0
    cos, sin = np.cos(values[2]), np.sin(values[2])
    along, across = 1.0 + values[3], 1.0 + values[4]
    height, width = ink.shape
    for k in range(len(u)):
        x, y = u[k] - values[0], v[k] - values[1]
        turned_x, turned_y = cos * x + sin * y, cos * y - sin * x
        au, av = turned_x / along, turned_y / across
        column, line = au * per_mm + (width - 1) / 2.0, (height - 1) / 2.0 - av * per_mm
        rows[k] = np.nan
        if not (0.0 <= column < width - 1.001 and 0.0 <= line < height - 1.001):
            continue
        a, a_column, a_line = bilinear(cover, line, column)
        i, i_column, i_line = bilinear(ink, line, column)
        p, q = au / half_u, av / half_v
        row[0], row[1], row[2] = 1.0 - a, (1.0 - a) * p, (1.0 - a) * q
        row[3], row[4], row[5], row[6], row[7], row[8] = i, i * p, i * q, i * p * p, i * p * q, i * q * q
        row[9], row[10], row[11] = a, a * p, a * q
        sheet = light[0] + light[1] * p + light[2] * q
        gain = light[3] + light[4] * p + light[5] * q + light[6] * p * p + light[7] * p * q + light[8] * q * q
        haze = light[9] + light[10] * p + light[11] * q
        model = (1.0 - a) * sheet + i * gain + a * haze
        i_bend, _, _ = bilinear(ink_bend, line, column)
        a_bend, _, _ = bilinear(cover_bend, line, column)
        row[12] = 0.5 * (gain * i_bend + (haze - sheet) * a_bend)
        model += blur * row[12]
        # How the level under a fixed place changes with the place on the artwork, and that with where the print lies.
        on_u = (gain * i_column + (haze - sheet) * a_column) * per_mm
        on_v = -(gain * i_line + (haze - sheet) * a_line) * per_mm
        row[13] = -(on_u * cos / along - on_v * sin / across)
        row[14] = -(on_u * sin / along + on_v * cos / across)
        row[15] = on_u * turned_y / along - on_v * turned_x / across
        row[16] = -on_u * au / along
        row[17] = -on_v * av / across
        residual = level[k] - model
        rows[k] = residual
        size = abs(residual)
        count += 1
        slack = give_mm * np.sqrt(on_u * on_u + on_v * on_v)
        if size > cut + slack:
            continue
        weight = 1.0 if size <= clip + slack else (clip + slack) / size
        weights += weight
        squares += weight * residual * residual
        for m in range(UNKNOWNS):
            scaled = weight * row[m]
            right[m] += scaled * residual
            for n in range(m, UNKNOWNS):
                normal[m, n] += scaled * row[n]
    for m in range(UNKNOWNS):
        for n in range(m):
            normal[m, n] = normal[n, m]
    return normal, right, weights, squares, count


@njit(cache=True)
def slopes(u, v, ink, cover, per_mm, half_u, half_v, values, light, found):
    """How the level of every pixel (N,) changes [1/mm] when the print under it moves along u and along v: into
    ``found`` (N, 2); 0 where a pixel does not see the print.
    """
    cos, sin = np.cos(values[2]), np.sin(values[2])
    height, width = ink.shape
    for k in range(len(u)):
        found[k, 0] = found[k, 1] = 0.0
        x, y = u[k] - values[0], v[k] - values[1]
        au, av = (cos * x + sin * y) / (1.0 + values[3]), (cos * y - sin * x) / (1.0 + values[4])
        column, line = au * per_mm + (width - 1) / 2.0, (height - 1) / 2.0 - av * per_mm
        if not (0.0 <= column < width - 1.001 and 0.0 <= line < height - 1.001):
            continue
        _, a_column, a_line = bilinear(cover, line, column)
        _, i_column, i_line = bilinear(ink, line, column)
        p, q = au / half_u, av / half_v
        sheet = light[0] + light[1] * p + light[2] * q
        gain = light[3] + light[4] * p + light[5] * q + light[6] * p * p + light[7] * p * q + light[8] * q * q
        haze = light[9] + light[10] * p + light[11] * q
        on_u = (gain * i_column + (haze - sheet) * a_column) * per_mm
        on_v = -(gain * i_line + (haze - sheet) * a_line) * per_mm
        found[k, 0] = -(on_u * cos - on_v * sin)
        found[k, 1] = -(on_u * sin + on_v * cos)
