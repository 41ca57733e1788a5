"""The inner loops of reading the fixture marks, compiled by numba (see kernels.py for why)."""

from __future__ import annotations

from math import sqrt

import numpy as np
from numba import njit


@njit(cache=True)
def lay_sides(corners, along, outward, points, directions):
    """Places (K, 4, L, 3) at shares ``along`` (L,) of the sides of marks (K, 4, 3), and the directions out of the mark
    in its own plane, of each side (K, 4, 3) and of each place. Returns the shortest side [mm].
    """
    shortest = np.inf
    for k in range(len(corners)):
        a, b, c = corners[k, 0], corners[k, 1], corners[k, 2]
        upward = np.cross(c - b, b - a)  # towards the camera for corners given clockwise
        for s in range(4):
            side = corners[k, (s + 1) % 4] - corners[k, s]
            away = np.cross(upward, side)
            away /= sqrt(away @ away)
            shortest = min(shortest, sqrt(side @ side))
            outward[k, s] = away
            for i in range(len(along)):
                points[k, s, i] = corners[k, s] + along[i] * side
                directions[k, s, i] = away
    return shortest


@njit(cache=True)
def _line(d, t):
    """Offset and slope of a line through offsets (L,) at ``t`` (L,), nan left out, and the share of them that count.

    Two rounds: what lies more than three robust deviations from the first is dirt or a scratch and is left out.
    """
    count = len(d)
    weight, away = np.empty(count), np.empty(count)
    offset = slope = 0.0
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
        limit = 3.0 * (1.4826 * np.median(away) + 1e-4)
        for i in range(count):
            if not away[i] < limit:
                weight[i] = 0.0
    return offset, slope, weight.sum() / count


@njit(cache=True)
def meet(corners, outward, d, t, least, moved, whole):
    """Corners (K, 4, 3) moved so that each lies on both of its sides as found, ``d`` (K, 4, L) out of them; ``whole``
    (K,) is False where less than ``least`` of a side is seen.
    """
    at_start, at_end = np.empty(4), np.empty(4)
    for k in range(len(corners)):
        whole[k] = True
        for s in range(4):
            offset, slope, seen = _line(d[k, s], t)
            whole[k] &= seen >= least
            at_start[s], at_end[s] = offset - 0.5 * slope, offset + 0.5 * slope
        for s in range(4):
            before, after = outward[k, (s + 3) % 4], outward[k, s]
            one, two, cos = at_end[(s + 3) % 4], at_start[s], before @ after
            share = 1.0 / (1.0 - cos * cos)
            moved[k, s] = corners[k, s] + (one - cos * two) * share * before + (two - cos * one) * share * after


@njit(cache=True)
def stray(jacobian, residual, used):
    """Among the marks ``used`` (U,) the one without which the others agree best: its index there, how far off it lies
    and how far the others, each by the pose that the others alone give, mean square [px²].

    ``jacobian`` (K, 8, 6), ``residual`` (K, 8) of the pose fitted to all.
    """
    count = len(used)
    squares, pulls = np.empty((count, 6, 6)), np.empty((count, 6))
    for u in range(count):
        rows = jacobian[used[u]]
        squares[u], pulls[u] = rows.T @ rows, rows.T @ residual[used[u]]
    every = squares.sum(axis=0)
    best, away, among = 0, 0.0, np.inf
    for u in range(count):
        change = -np.linalg.solve(every - squares[u], pulls[u])
        own = others = 0.0
        for k in range(count):
            rest = residual[used[k]] - jacobian[used[k]] @ change
            if k == u:
                own = (rest @ rest) / 8.0
            else:
                others += (rest @ rest) / 8.0
        if others / (count - 1) < among:
            best, away, among = u, own, others / (count - 1)
    return best, away, among


@njit(cache=True)
def _centre_follows(corners, pixels, jacobian):
    """(2, 6): how the centre of a mark, read through the pose, follows the pose [mm per rad, mm]: its pixels stay, so
    it moves against them.
    """
    mm, px = np.empty((4, 2)), np.empty((4, 2))
    for a in range(2):
        mm[:, a] = corners[:, a] - corners[:, a].mean()
        px[:, a] = pixels[:, a] - pixels[:, a].mean()
    px_per_mm = np.linalg.solve(mm.T @ mm, mm.T @ px).T.copy()
    mean = np.zeros((2, 6))
    for i in range(4):
        mean += 0.25 * jacobian[2 * i : 2 * i + 2]
    return -np.linalg.solve(px_per_mm, mean)


@njit(cache=True)
def _turned(vector):
    """The rotation matrix of a rotation vector (Rodrigues)."""
    angle = sqrt(vector @ vector)
    matrix = np.eye(3)
    if angle > 0.0:
        x, y, z = vector / angle
        cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        matrix += np.sin(angle) * cross + (1.0 - np.cos(angle)) * (cross @ cross)
    return matrix


@njit(cache=True)
def length_by_others(jacobian, residual, pixels, rays, corners, turn, shift, first, second):
    """Distance [mm] between the centres of two marks by a pose fitted to all the others, and its standard uncertainty
    per pixel of noise.

    Of the marks seen: jacobian (K, 8, 6), residual (K, 8), pixels (K, 4, 2), corners (K, 4, 3) in the fixture; of the
    two: rays (2, 4, 3) in the camera. ``turn``, ``shift`` - rotation vector and translation of the pose fitted to all:
    taking two marks out of the normal equations gives the others' pose without fitting it again.
    """
    normal, pull = np.zeros((6, 6)), np.zeros(6)
    for k in range(len(jacobian)):
        if k not in (first, second):
            normal += jacobian[k].T @ jacobian[k]
        else:
            pull -= jacobian[k].T @ residual[k]
    others = np.linalg.inv(normal)
    change = others @ pull
    rotation = _turned(turn + change[:3])
    camera = -(rotation.T @ (shift + change[3:]))
    span = np.zeros(3)
    for one, (sign, k) in enumerate(((-0.25, first), (0.25, second))):
        for i in range(4):
            ray = rotation.T @ rays[one, i]
            span += sign * (camera + ray * ((corners[k, i, 2] - camera[2]) / ray[2]))
    read = sqrt(span @ span)
    follow = _centre_follows(corners[second], pixels[second], jacobian[second])
    follow -= _centre_follows(corners[first], pixels[first], jacobian[first])
    slope = (span[:2] / read) @ follow
    return read, sqrt(slope @ others @ slope)
