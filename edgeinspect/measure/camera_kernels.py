"""From millimetres to levels, compiled by numba: points and scan lines through the camera model, levels at sub-pixel
places of the raw picture. See kernels.py for why.

Positions stay in double precision; levels are mixed in single, in which they are kept.
"""

from __future__ import annotations

import numpy as np
from numba import njit

# Sums may be taken in another order, which lets the compiler use wide registers; nan and infinity keep their meaning.
FAST = {"reassoc", "contract", "arcp", "nsz"}


@njit(cache=True, inline="always")
def pixel_of(px, py, pz, turn, shift, lens):
    """Where the point (px, py, pz) of the frame that ``turn``, ``shift`` bring into the camera's is seen; ``lens`` -
    the nine numbers of CameraModel.parameters.
    """
    z = turn[2, 0] * px + turn[2, 1] * py + turn[2, 2] * pz + shift[2]
    x = (turn[0, 0] * px + turn[0, 1] * py + turn[0, 2] * pz + shift[0]) / z
    y = (turn[1, 0] * px + turn[1, 1] * py + turn[1, 2] * pz + shift[1]) / z
    xx, yy, xy2 = x * x, y * y, 2.0 * x * y
    r2 = xx + yy
    radial = 1.0 + r2 * (lens[4] + r2 * (lens[5] + r2 * lens[8]))
    return (
        lens[0] * (x * radial + lens[6] * xy2 + lens[7] * (r2 + 2.0 * xx)) + lens[2],
        lens[1] * (y * radial + lens[6] * (r2 + 2.0 * yy) + lens[7] * xy2) + lens[3],
    )


@njit(cache=True, fastmath=FAST, error_model="numpy")
def project(points, turn, shift, lens, pixels):
    """Pixel positions (N, 2) of points (N, 3)."""
    for i in range(len(points)):
        pixels[i, 0], pixels[i, 1] = pixel_of(points[i, 0], points[i, 1], points[i, 2], turn, shift, lens)


@njit(cache=True, fastmath=FAST, error_model="numpy")
def lay_lines(points, directions, half, turn, shift, lens, centre, first, second):
    """Scan lines (N, 3) p + d * m, |d| <= half, as parabolas in the picture (see ribbon.ScanLines)."""
    for i in range(len(points)):
        px, py, pz = points[i, 0], points[i, 1], points[i, 2]
        mx, my, mz = half * directions[i, 0], half * directions[i, 1], half * directions[i, 2]
        x0, y0 = pixel_of(px - mx, py - my, pz - mz, turn, shift, lens)
        x1, y1 = pixel_of(px, py, pz, turn, shift, lens)
        x2, y2 = pixel_of(px + mx, py + my, pz + mz, turn, shift, lens)
        centre[i, 0], centre[i, 1] = x1, y1
        first[i, 0], first[i, 1] = (x2 - x0) / (2.0 * half), (y2 - y0) / (2.0 * half)
        second[i, 0], second[i, 1] = (x2 + x0 - 2.0 * x1) / (2.0 * half**2), (y2 + y0 - 2.0 * y1) / (2.0 * half**2)


@njit(cache=True, error_model="numpy")
def gaps(back, centre, first, gap):
    """How far [mm] along its own scan line each (N, 2) of a closed curve meets the curve through ``back`` (N, 2) [px].

    Seen askew, a line meets it not at its own station but at a neighbour: found in three rounds. Between stations the
    curve bends as they do (Bessel's interpolation): its chord would make a slot 0.004 mm too long.
    """
    count = len(back)
    for i in range(count):
        ahead, before = (i + 1) % count, (i - 1) % count
        along_x = 0.5 * (centre[ahead, 0] - centre[before, 0])  # px per station
        along_y = 0.5 * (centre[ahead, 1] - centre[before, 1])
        x, y = first[i, 0], first[i, 1]
        at, down_x, down_y = float(i), back[i, 0] - centre[i, 0], back[i, 1] - centre[i, 1]
        for _ in range(3):
            at -= (x * down_y - y * down_x) / (x * along_y - y * along_x)
            if not abs(at) < 1e9:
                down_x = down_y = np.nan
                break
            near = int(np.floor(at))
            part, far, last, next_one = at - near, (near + 1) % count, (near - 1) % count, (near + 2) % count
            near %= count
            sag = 0.25 * part * (part - 1.0)  # of the sum of the second differences at both ends
            bend_x = back[last, 0] - back[near, 0] - back[far, 0] + back[next_one, 0]
            bend_y = back[last, 1] - back[near, 1] - back[far, 1] + back[next_one, 1]
            down_x = back[near, 0] + part * (back[far, 0] - back[near, 0]) + sag * bend_x - centre[i, 0]
            down_y = back[near, 1] + part * (back[far, 1] - back[near, 1]) + sag * bend_y - centre[i, 1]
        gap[i] = (down_x * x + down_y * y) / (x * x + y * y)


@njit(cache=True, inline="always")
def bilinear(raw, x, y):
    """Level at a sub-pixel position; nan outside the picture."""
    if not (x >= 0.0 and y >= 0.0 and x <= raw.shape[1] - 1.001 and y <= raw.shape[0] - 1.001):
        return np.nan
    column, row = int(x), int(y)
    u, v = x - column, y - row
    upper = raw[row, column] * (1.0 - u) + raw[row, column + 1] * u
    lower = raw[row + 1, column] * (1.0 - u) + raw[row + 1, column + 1] * u
    return upper * (1.0 - v) + lower * v


@njit(cache=True)
def sample_points(raw, scale, pixels, found):
    for i in range(len(pixels)):
        found[i] = scale * bilinear(raw, pixels[i, 0], pixels[i, 1])


@njit(cache=True, fastmath=FAST)
def sample_lines(raw, scale, centres, firsts, second, d_mm, found):
    """Levels (N, M) along parabolas (see ribbon.ScanLines), bilinear; nan outside the picture. Mean of P parabolas for
    each line: centres and firsts (P, N, 2), P is 1 or 2.

    Line by line in three passes, places, pixels, mixing: only fetching pixels is not done many at a time.
    """
    samples = len(d_mm)
    row, column = np.empty(samples, np.uint32), np.empty(samples, np.uint32)
    right, down = np.empty(samples, np.float32), np.empty(samples, np.float32)
    near = np.empty((4, samples), np.float32)
    unit, one, half = np.float32(scale), np.uint32(1), np.float32(0.5)
    last_x, last_y = raw.shape[1] - 1.001, raw.shape[0] - 1.001
    for i in range(centres.shape[1]):
        for p in range(len(centres)):
            x0, x1, x2 = centres[p, i, 0], firsts[p, i, 0], second[i, 0]
            y0, y1, y2 = centres[p, i, 1], firsts[p, i, 1], second[i, 1]
            seen = 0
            for j in range(samples):
                x, y = x0 + d_mm[j] * (x1 + d_mm[j] * x2), y0 + d_mm[j] * (y1 + d_mm[j] * y2)
                seen += (x >= 0.0) & (y >= 0.0) & (x <= last_x) & (y <= last_y)
                to_left, above = np.int32(x), np.int32(y)
                right[j], down[j] = x - to_left, y - above
                column[j], row[j] = to_left, above
            if seen == samples:
                for j in range(samples):
                    r, c = row[j], column[j]
                    near[0, j], near[1, j] = raw[r, c], raw[r, c + one]
                    near[2, j], near[3, j] = raw[r + one, c], raw[r + one, c + one]
                for j in range(samples):
                    upper = near[0, j] + right[j] * (near[1, j] - near[0, j])
                    lower = near[2, j] + right[j] * (near[3, j] - near[2, j])
                    near[0, j] = unit * (upper + down[j] * (lower - upper))
            else:
                for j in range(samples):
                    d = d_mm[j]
                    near[0, j] = scale * bilinear(raw, x0 + d * (x1 + d * x2), y0 + d * (y1 + d * y2))
            for j in range(samples):
                found[i, j] = near[0, j] if p == 0 else half * (found[i, j] + near[0, j])
