"""What not knowing camera, seat and surface exactly does to where a decal reads: dx, dy, rotation and both stretches.

A cause carries the print's places a little in space. Each is then seen along its line of sight, on the surface that is
assumed, somewhere else along that surface; what the fit makes of all of them are errors of its five numbers (first
order, JCGM 100, 5.1). A place counts by what its print tells: where there is no edge nothing is read.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.shell.definition import Artwork, Decal, Patch, SurfacePatch

COLUMNS, ROWS = 11, 5  # places over the print: a surface bends slowly
SHEET = 0.4  # brightness of a sheet, about: its edge with the print tells, too
_STEP_MM = 0.05
SURFACE_HEIGHT, SURFACE_TILT, SURFACE_RADIUS = "height of the surface", "tilt of the surface", "radius of the surface"
_EVENLY = 3.0**-0.5  # of a limit that is stated: evenly likely anywhere within it (JCGM 100, 4.3.7)


@dataclass(frozen=True)
class DecalPlaces:
    """Places over a decal's print, in the shell frame."""

    at_mm: Array  # (P, 2) u, v along the surface
    points_mm: Array  # (P, 3)
    along: Array  # (P, 3) per mm of u
    up: Array  # (P, 3) per mm of v
    told: Array  # (P, 2, 2) how much the print tells of either direction there

    def placed(self, pose: Pose) -> DecalPlaces:
        turned = {name: pose.turn(getattr(self, name)) for name in ("along", "up")}
        return replace(self, points_mm=pose.apply(self.points_mm), **turned)


def places_of(decal: Decal) -> DecalPlaces:
    """Where it belongs."""
    at_mm, told = _told(decal.artwork)
    grid_u, grid_v = at_mm.T

    def at(du: float, dv: float) -> Array:
        return decal.patch.points(grid_u + du, grid_v + dv)

    along = (at(_STEP_MM, 0.0) - at(-_STEP_MM, 0.0)) / (2 * _STEP_MM)
    up = (at(0.0, _STEP_MM) - at(0.0, -_STEP_MM)) / (2 * _STEP_MM)
    return DecalPlaces(at_mm, at(0.0, 0.0), along, up, told)


@lru_cache(maxsize=32)  # of the print alone, the same for every shell of a day
def _told(art: Artwork) -> tuple[Array, Array]:
    """Of each cell where its edges are, on average (P, 2) [mm], and squares and product of their slopes, summed (P, 2,
    2), sum of traces 1.
    """
    pad = 6
    ink = np.pad(art.grey * art.opacity + (1.0 - art.opacity) * SHEET, pad, constant_values=SHEET)
    image = cv2.GaussianBlur(ink.astype(np.float32), (0, 0), 2.0)
    down, across = (np.asarray(part, dtype=np.float64) for part in np.gradient(image))
    rows = np.minimum(np.arange(image.shape[0]) * ROWS // image.shape[0], ROWS - 1)
    columns = np.minimum(np.arange(image.shape[1]) * COLUMNS // image.shape[1], COLUMNS - 1)
    cell = (rows[:, None] * COLUMNS + columns).ravel()
    uu, uv, vv = (
        np.bincount(cell, product.ravel(), ROWS * COLUMNS)
        for product in (across * across, -across * down, down * down)  # v points up, rows down
    )
    told = np.array([[uu, uv], [uv, vv]]).transpose(2, 0, 1)
    energy = (across * across + down * down).ravel() + 1e-12
    weight = np.bincount(cell, energy, ROWS * COLUMNS)
    line, place = (part.ravel() for part in np.indices(image.shape))
    x = (np.bincount(cell, energy * place, ROWS * COLUMNS) / weight - (image.shape[1] - 1) / 2) / art.grey.shape[1]
    y = ((image.shape[0] - 1) / 2 - np.bincount(cell, energy * line, ROWS * COLUMNS) / weight) / art.grey.shape[0]
    at_mm = np.column_stack([x * art.width_mm, y * art.height_mm])
    return at_mm, np.asarray(told / max(float(uu.sum() + vv.sum()), 1e-12))


def read_wrong(carried_mm: Array, here: DecalPlaces, eye_mm: Array) -> Array:
    """(5, K): errors of dx, dy [mm], rotation [rad] and stretches [1] when the print's places are carried by
    ``carried_mm`` (K, P, 3), seen from ``eye_mm`` (3,), the places' own frame.
    """
    # carried = a along + b up + t sight: seen on the surface it reads as a and b.
    columns = np.stack([here.along, here.up, eye_mm - here.points_mm], axis=-1)
    off = np.linalg.solve(columns[None], carried_mm[..., None])[..., :2, 0]
    u, v = here.at_mm.T
    rows = np.zeros((len(u), 2, 5))
    rows[:, 0, 0] = rows[:, 1, 1] = 1.0
    rows[:, 0, 2], rows[:, 1, 2] = -v, u
    rows[:, 0, 3], rows[:, 1, 4] = u, v
    normal = np.einsum("pia,pij,pjb->ab", rows, here.told, rows)
    right = np.einsum("pia,pij,kpj->ak", rows, here.told, off)
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-30))
    matrix = normal / np.outer(scale, scale) + 1e-9 * np.eye(5)  # of a print that says nothing of some of them
    return np.asarray(np.linalg.solve(matrix, right / scale[:, None]) / scale[:, None])


def of_plane_field(field: Array, here: DecalPlaces, eye_mm: Array) -> Array:
    """The same of displacements (K, P, 2) in the plane of the fixture, as budget.common_causes gives them."""
    flat = np.concatenate([field, np.zeros((*field.shape[:2], 1))], axis=2)
    return read_wrong(flat, here, eye_mm)


def of_plane_shift(here: DecalPlaces, eye_mm: Array) -> Array:
    """(5, 3): what a datum that is off by dx, dy [mm] and a turn [rad] about the fixture's z does to the decal."""
    x, y, _ = here.points_mm.T
    one, none = np.ones_like(x), np.zeros_like(x)
    return of_plane_field(np.array([[one, none], [none, one], [-y, x]]).transpose(0, 2, 1), here, eye_mm)


def surface_ways(decal: Decal, seat: Pose, eye_mm: Array) -> dict[str, Array]:
    """What the surface being elsewhere does, per mm of height (5, 1), per rad of tilt about the reading direction and
    about up (5, 2), per mm of radius (5, 1); ``seat`` - shell -> the frame of ``eye_mm``.
    """
    patch, here = decal.patch, places_of(decal)
    away = here.points_mm - patch.origin_mm
    up = np.cross(patch.normal, patch.x_axis)
    raised = np.broadcast_to(patch.normal, away.shape)
    ways = {
        SURFACE_HEIGHT: raised[None],
        SURFACE_TILT: np.stack([np.cross(axis, away) for axis in (patch.x_axis, up)]),
    }
    if isinstance(patch, Patch) and patch.radius_mm > 0:
        other = replace(patch, radius_mm=patch.radius_mm * 1.001)
        moved = other.points(*here.at_mm.T) - here.points_mm
        ways[SURFACE_RADIUS] = moved[None] / (0.001 * patch.radius_mm)
    placed = here.placed(seat)
    return {cause: read_wrong(seat.turn(way), placed, eye_mm) for cause, way in ways.items()}


def surface_u(decal: Decal) -> dict[str, float]:
    """Standard uncertainties of the surface: height [mm], tilt about either axis [rad], radius [mm]."""
    limit = decal.surface
    return {
        SURFACE_HEIGHT: limit.height_mm * _EVENLY,
        SURFACE_TILT: float(np.deg2rad(limit.tilt_deg)) * _EVENLY,
        SURFACE_RADIUS: limit.radius_mm * _EVENLY,
    }


def tangents(patch: Patch | SurfacePatch, u_mm: float, v_mm: float) -> tuple[Array, Array]:
    """Directions (3,) of u and v at a place on the surface, shell frame."""
    places: Any = np.array([[u_mm, v_mm]] * 4) + _STEP_MM * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
    right, left, above, below = patch.points(places[:, 0], places[:, 1])
    return (right - left) / (2 * _STEP_MM), (above - below) / (2 * _STEP_MM)
