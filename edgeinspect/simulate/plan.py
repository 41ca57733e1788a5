"""Curves in plan [mm]: the pieces that outlines and cut-outs are drawn of, as points fine enough for a thousandth."""

from __future__ import annotations

import numpy as np

from edgeinspect.geometry import Array

CHORD_MM = 0.0004  # greatest gap between a curve and its chords


def line(start: tuple[float, float], end: tuple[float, float], step_mm: float = 0.5) -> Array:
    """From ``start`` on, without ``end``: the next piece begins there."""
    a, b = np.asarray(start), np.asarray(end)
    count = int(np.ceil(np.linalg.norm(b - a) / step_mm))
    return np.asarray(a + np.arange(count)[:, None] / count * (b - a))


def arc(centre: tuple[float, float], radius: float, from_deg: float, to_deg: float) -> Array:
    """Without its end, as ``line``."""
    step = min(0.5, np.sqrt(8.0 * radius * CHORD_MM))
    count = int(np.ceil(abs(np.deg2rad(to_deg - from_deg)) * radius / step))
    angle = np.deg2rad(from_deg + (to_deg - from_deg) * np.arange(count) / count)
    return np.column_stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)])


def scallop(centre_x: float, edge_y: float, width_mm: float, depth_mm: float) -> Array:
    """A raised-cosine dip into an edge at ``edge_y``, walked with the material on the left: towards -x on the rear
    (+y) side, +x on the front.
    """
    step = 0.15  # chord error 0.15^2 / (8 * 30) = 0.1 um at a least radius of 30 mm
    side = float(np.sign(edge_y))
    t = np.arange(0.0, width_mm, step) - width_mm / 2
    depth = depth_mm / 2 * (1 + np.cos(2 * np.pi * t / width_mm))
    return np.column_stack([centre_x - side * t, side * (abs(edge_y) - depth)])


def circle(centre_mm: tuple[float, float], diameter_mm: float) -> Array:
    return arc(centre_mm, diameter_mm / 2, 0, 360)


def slot(centre_mm: tuple[float, float], length_mm: float, width_mm: float) -> Array:
    """Round-ended slot along x, overall length between the ends."""
    (x, y), r, h = centre_mm, width_mm / 2, (length_mm - width_mm) / 2
    return np.vstack(
        [
            line((x - h, y - r), (x + h, y - r), 0.25),
            arc((x + h, y), r, -90, 90),
            line((x + h, y + r), (x - h, y + r), 0.25),
            arc((x - h, y), r, 90, 270),
        ]
    )


def plan_normals(xy: Array) -> Array:
    """Unit normals (N, 2) to the right of a counter-clockwise closed polyline, from the neighbours on both sides."""
    before, after = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
    before = before / np.sum(before**2, axis=1, keepdims=True)  # the nearer neighbour counts more: a circle stays exact
    after = after / np.sum(after**2, axis=1, keepdims=True)
    tangent = before + after
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    return np.column_stack([tangent[:, 1], -tangent[:, 0]])
