"""The inner loops of reading the fixture marks, compiled by numba (see kernels.py for why)."""

from __future__ import annotations

from math import cos, sin, sqrt

import numpy as np
from numba import njit

from edgeinspect.measure.algebra_kernels import median, solve


@njit(cache=True)
def _cross(one, other, found):
    for a in range(3):
        b, c = (a + 1) % 3, (a + 2) % 3
        found[a] = one[b] * other[c] - one[c] * other[b]


@njit(cache=True)
def _length(vector):
    return sqrt(vector[0] * vector[0] + vector[1] * vector[1] + vector[2] * vector[2])


@njit(cache=True)
def lay_sides(corners, along, outward, points, directions):
    """Places (K, 4, L, 3) at shares ``along`` (L,) of the sides of marks (K, 4, 3), and the directions out of the mark
    in its own plane, of each side (K, 4, 3) and of each place. Returns the shortest side [mm].
    """
    shortest = np.inf
    side, next_side, upward, away = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    for k in range(len(corners)):
        for a in range(3):
            side[a], next_side[a] = corners[k, 1, a] - corners[k, 0, a], corners[k, 2, a] - corners[k, 1, a]
        _cross(next_side, side, upward)  # towards the camera for corners given clockwise
        for s in range(4):
            for a in range(3):
                side[a] = corners[k, (s + 1) % 4, a] - corners[k, s, a]
            _cross(upward, side, away)
            length = _length(away)
            shortest = min(shortest, _length(side))
            for a in range(3):
                outward[k, s, a] = away[a] / length
                for i in range(len(along)):
                    points[k, s, i, a] = corners[k, s, a] + along[i] * side[a]
                    directions[k, s, i, a] = outward[k, s, a]
    return shortest


@njit(cache=True)
def _line(d, t, weight, away, sizes):
    """Offset and slope of a line through offsets (L,) at ``t`` (L,), nan left out, and the share of them that count.

    Two rounds: what lies more than three robust deviations from the first is dirt or a scratch and is left out.
    """
    count = len(d)
    offset = slope = seen = 0.0
    for i in range(count):
        weight[i] = 1.0 if np.isfinite(d[i]) else 0.0
    for _ in range(2):
        s0 = s1 = s2 = b0 = b1 = 0.0
        for i in range(count):
            if weight[i] > 0.0:
                s0, s1, s2 = s0 + 1.0, s1 + t[i], s2 + t[i] * t[i]
                b0, b1 = b0 + d[i], b1 + t[i] * d[i]
        det = max(s0 * s2 - s1 * s1, 1e-12)
        offset, slope = (s2 * b0 - s1 * b1) / det, (s0 * b1 - s1 * b0) / det
        for i in range(count):
            away[i] = abs((d[i] if np.isfinite(d[i]) else 0.0) - offset - slope * t[i])
        for i in range(count):
            sizes[i] = away[i]
        limit = 3.0 * (1.4826 * median(sizes, count) + 1e-4)
        seen = 0.0
        for i in range(count):
            if not away[i] < limit:
                weight[i] = 0.0
            seen += weight[i]
    return offset, slope, seen / count


@njit(cache=True)
def meet(corners, outward, d, t, least, moved, whole):
    """Corners (K, 4, 3) moved so that each lies on both of its sides as found, ``d`` (K, 4, L) out of them; ``whole``
    (K,) is False where less than ``least`` of a side is seen.
    """
    at_start, at_end = np.empty(4), np.empty(4)
    weight, away, sizes = np.empty(len(t)), np.empty(len(t)), np.empty(len(t))
    for k in range(len(corners)):
        whole[k] = True
        for s in range(4):
            offset, slope, seen = _line(d[k, s], t, weight, away, sizes)
            whole[k] &= seen >= least
            at_start[s], at_end[s] = offset - 0.5 * slope, offset + 0.5 * slope
        for s in range(4):
            before, after = outward[k, (s + 3) % 4], outward[k, s]
            one, two, alike = at_end[(s + 3) % 4], at_start[s], 0.0
            for a in range(3):
                alike += before[a] * after[a]
            share = 1.0 / (1.0 - alike * alike)
            for a in range(3):
                moved[k, s, a] = corners[k, s, a] + share * (
                    (one - alike * two) * before[a] + (two - alike * one) * after[a]
                )


@njit(cache=True)
def _add_square(rows, residual, sign, square, pull):
    """Adds ``sign`` times the normal equations of rows (n, 6) and what they are to explain (n,)."""
    for i in range(len(rows)):
        for a in range(6):
            pull[a] += sign * rows[i, a] * residual[i]
            for b in range(6):
                square[a, b] += sign * rows[i, a] * rows[i, b]


@njit(cache=True)
def stray(jacobian, residual, used):
    """Among the marks ``used`` (U,) the one without which the others agree best: its index there, how far off it lies
    and how far the others, each by the pose that the others alone give, mean square [px²].

    ``jacobian`` (K, 8, 6), ``residual`` (K, 8) of the pose fitted to all.
    """
    count = len(used)
    every, others, pull = np.zeros((6, 6)), np.empty((6, 6)), np.zeros(6)
    for u in range(count):
        _add_square(jacobian[used[u]], residual[used[u]], 1.0, every, pull)
    best, away, among = 0, 0.0, np.inf
    for u in range(count):
        for a in range(6):
            pull[a] = 0.0
            for b in range(6):
                others[a, b] = every[a, b]
        _add_square(jacobian[used[u]], residual[used[u]], -1.0, others, pull)
        change = solve(others, pull)
        own = rest_of_all = 0.0
        for k in range(count):
            square = 0.0
            for i in range(8):
                rest = residual[used[k], i]
                for a in range(6):
                    rest -= jacobian[used[k], i, a] * change[a]
                square += rest * rest
            if k == u:
                own = square / 8.0
            else:
                rest_of_all += square / 8.0
        if rest_of_all / (count - 1) < among:
            best, away, among = u, own, rest_of_all / (count - 1)
    return best, away, among


@njit(cache=True)
def _add_centre_follows(corners, pixels, jacobian, sign, follow):
    """Adds (2, 6): how the centre of a mark, read through the pose, follows the pose [mm per rad, mm]: its pixels stay,
    so it moves against them.
    """
    mm_mean, px_mean, square, both = np.zeros(2), np.zeros(2), np.zeros((2, 2)), np.zeros((2, 2))
    for i in range(4):
        for a in range(2):
            mm_mean[a] += 0.25 * corners[i, a]
            px_mean[a] += 0.25 * pixels[i, a]
    for i in range(4):
        for a in range(2):
            for b in range(2):
                square[a, b] += (corners[i, a] - mm_mean[a]) * (corners[i, b] - mm_mean[b])
                both[a, b] += (corners[i, a] - mm_mean[a]) * (pixels[i, b] - px_mean[b])
    px_per_mm, mean = np.empty((2, 2)), np.zeros(2)
    for b in range(2):
        mean[0], mean[1] = both[0, b], both[1, b]
        column = solve(square, mean)
        px_per_mm[b, 0], px_per_mm[b, 1] = column[0], column[1]
    for m in range(6):
        for b in range(2):
            mean[b] = 0.25 * (jacobian[b, m] + jacobian[2 + b, m] + jacobian[4 + b, m] + jacobian[6 + b, m])
        moved = solve(px_per_mm, mean)
        for b in range(2):
            follow[b, m] -= sign * moved[b]


@njit(cache=True)
def _turned(x, y, z, matrix):
    """The rotation matrix of a rotation vector (Rodrigues)."""
    angle = sqrt(x * x + y * y + z * z)
    straight, across_it = 1.0 - cos(angle), sin(angle)
    if angle > 0.0:
        x, y, z = x / angle, y / angle, z / angle
    axis, across = (x, y, z), ((0.0, -z, y), (z, 0.0, -x), (-y, x, 0.0))
    for a in range(3):
        for b in range(3):
            same = 1.0 if a == b else 0.0
            matrix[a, b] = same + across_it * across[a][b] + straight * (axis[a] * axis[b] - same)


@njit(cache=True)
def length_by_others(jacobian, residual, pixels, rays, corners, turn, shift, first, second):
    """Distance [mm] between the centres of two marks by a pose fitted to all the others, and its standard uncertainty
    per pixel of noise.

    Of the marks seen: jacobian (K, 8, 6), residual (K, 8), pixels (K, 4, 2), corners (K, 4, 3) in the fixture; of the
    two: rays (2, 4, 3) in the camera. ``turn``, ``shift`` - rotation vector and translation of the pose fitted to all:
    taking two marks out of the normal equations gives the others' pose without fitting it again.
    """
    others, pull, unused = np.zeros((6, 6)), np.zeros(6), np.zeros(6)
    for k in range(len(jacobian)):
        if k in (first, second):
            _add_square(jacobian[k], residual[k], -1.0, np.zeros((6, 6)), pull)
        else:
            _add_square(jacobian[k], residual[k], 1.0, others, unused)
    change = solve(others, pull)
    rotation, span = np.empty((3, 3)), np.zeros(3)
    _turned(turn[0] + change[0], turn[1] + change[1], turn[2] + change[2], rotation)
    camera, ray = np.zeros(3), np.zeros(3)
    for a in range(3):
        for b in range(3):
            camera[a] -= rotation[b, a] * (shift[b] + change[3 + b])
    for one, (sign, k) in enumerate(((-0.25, first), (0.25, second))):
        for i in range(4):
            for a in range(3):
                ray[a] = 0.0
                for b in range(3):
                    ray[a] += rotation[b, a] * rays[one, i, b]
            for a in range(3):
                span[a] += sign * (camera[a] + ray[a] * ((corners[k, i, 2] - camera[2]) / ray[2]))
    read = _length(span)
    follow, slope = np.zeros((2, 6)), np.zeros(6)
    _add_centre_follows(corners[second], pixels[second], jacobian[second], 1.0, follow)
    _add_centre_follows(corners[first], pixels[first], jacobian[first], -1.0, follow)
    for m in range(6):
        slope[m] = (span[0] * follow[0, m] + span[1] * follow[1, m]) / read
    spread, square = solve(others, slope), 0.0
    for m in range(6):
        square += slope[m] * spread[m]
    return read, sqrt(square)
