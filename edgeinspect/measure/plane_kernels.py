"""Stations placed, and plane shifts along their normals, compiled by numba (see kernels.py for why)."""

from __future__ import annotations

from math import atan2, cos, sin, sqrt

import numpy as np
from numba import njit


@njit(cache=True)
def placed(points, tangents, normals, turn, shift, there, tangents_there, normals_there):
    """Points (N, 3), tangents and normals of stations in another frame: x -> ``turn`` x + ``shift``."""
    for i in range(len(points)):
        for a in range(3):
            point, tangent, normal = 0.0, 0.0, 0.0
            for b in range(3):
                point += turn[a, b] * points[i, b]
                tangent += turn[a, b] * tangents[i, b]
                normal += turn[a, b] * normals[i, b]
            there[i, a], tangents_there[i, a], normals_there[i, a] = point + shift[a], tangent, normal


@njit(cache=True)
def heights_on_sheet(points, normals, tangents, climb, there, back, back_shift, turn, shift, growth):
    """Sets the heights of places ``there`` (N, 3) to those of the sheet under them (see alignment.on_sheet): stations
    (N, 3) in the shell's frame; ``back`` and ``turn`` - from the fixture into that frame, and the other way.
    """
    at = np.empty(3)
    for i in range(len(points)):
        for a in range(2):
            at[a] = back_shift[a]
            for b in range(3):
                at[a] += back[a, b] * there[i, b]
            at[a] /= growth
        dx, dy = at[0] - points[i, 0], at[1] - points[i, 1]
        at[2] = points[i, 2] + climb[i] * (dx * normals[i, 0] + dy * normals[i, 1])
        at[2] += tangents[i, 2] * (dx * tangents[i, 0] + dy * tangents[i, 1])
        there[i, 2] = growth * (turn[2, 0] * at[0] + turn[2, 1] * at[1] + turn[2, 2] * at[2]) + shift[2]


@njit(cache=True)
def u_along(points, normals, covariance, u):
    """Standard uncertainty (N,) along normals that a plane shift brings, of its ``covariance`` (3, 3)."""
    row = np.empty(3)
    for i in range(len(points)):
        row[0], row[1] = normals[i, 0], normals[i, 1]
        row[2] = points[i, 0] * normals[i, 1] - points[i, 1] * normals[i, 0]
        square = 0.0
        for a in range(3):
            for b in range(3):
                square += row[a] * covariance[a, b] * row[b]
        u[i] = sqrt(max(square, 0.0))


@njit(cache=True)
def squares(points, normals, u, usable):
    """Of the rows of a plane shift, usable ones (N,) alone: their products (3, 3), the same by the variances u² (N,),
    and their products with u (3,).
    """
    product, varied, pull = np.zeros((3, 3)), np.zeros((3, 3)), np.zeros(3)
    row = np.empty(3)
    for i in range(len(points)):
        if usable[i]:
            row[0], row[1] = normals[i, 0], normals[i, 1]
            row[2] = points[i, 0] * normals[i, 1] - points[i, 1] * normals[i, 0]
            for a in range(3):
                pull[a] += row[a] * u[i]
                for b in range(3):
                    part = row[a] * row[b]
                    product[a, b] += part
                    varied[a, b] += u[i] * u[i] * part
    return product, varied, pull


@njit(cache=True)
def roughness(rows, rest, u, used):
    """Products (T, T) of the ``used`` rows (N, T); mean square of what lies off them (N,) and of its noise (N,)."""
    terms, count, square, noise = rows.shape[1], 0, 0.0, 0.0
    product = np.zeros((terms, terms))
    for i in range(len(rows)):
        if used[i]:
            count += 1
            square += rest[i] * rest[i]
            noise += u[i] * u[i]
            for a in range(terms):
                for b in range(terms):
                    product[a, b] += rows[i, a] * rows[i, b]
    return product, square / max(count, 1), noise / max(count, 1)


@njit(cache=True)
def fit_points(nominal, measured, u):
    """Plane shift from points (N, 2) onto measured ones with standard uncertainties (N,): dx, dy [mm], angle [rad], rms
    of what is left, and the normal matrix (3, 3). See alignment.fit_points.
    """
    count, whole = len(nominal), 0.0
    x = y = goal_x = goal_y = 0.0
    for i in range(count):
        w = 1.0 / (u[i] * u[i])
        whole += w
        x, y = x + w * nominal[i, 0], y + w * nominal[i, 1]
        goal_x, goal_y = goal_x + w * measured[i, 0], goal_y + w * measured[i, 1]
    normal = np.zeros((3, 3))
    normal[0, 0] = normal[1, 1] = whole
    normal[0, 2] = normal[2, 0] = -goal_y
    normal[1, 2] = normal[2, 1] = goal_x
    x, y, goal_x, goal_y = x / whole, y / whole, goal_x / whole, goal_y / whole
    across = along = 0.0
    for i in range(count):
        w, a, b = 1.0 / (u[i] * u[i]), nominal[i, 0] - x, nominal[i, 1] - y
        c, d = measured[i, 0] - goal_x, measured[i, 1] - goal_y
        across, along = across + w * (a * d - b * c), along + w * (a * c + b * d)
        normal[2, 2] += w * (measured[i, 0] * measured[i, 0] + measured[i, 1] * measured[i, 1])
    angle = atan2(across, along)
    cosine, sine = cos(angle), sin(angle)
    dx, dy = goal_x - cosine * x + sine * y, goal_y - sine * x - cosine * y
    square = 0.0
    for i in range(count):
        c = measured[i, 0] - cosine * nominal[i, 0] + sine * nominal[i, 1] - dx
        d = measured[i, 1] - sine * nominal[i, 0] - cosine * nominal[i, 1] - dy
        square += c * c + d * d
    return dx, dy, angle, sqrt(square / count), normal
