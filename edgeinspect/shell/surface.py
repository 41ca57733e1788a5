"""The surface under a decal from a mesh (STL or PLY): heights over the plane that touches it at the decal's origin,
and from these the points at even lengths along the surface.

Every section that the decal's coordinates run along (shell.definition.SurfacePatch) lies straight in that plane, so
heights over it are all that is needed; triangles need not be joined, and of a closed solid the outer side counts.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from scipy import ndimage

from edgeinspect.errors import DefinitionError
from edgeinspect.geometry import Array
from edgeinspect.shell.definition import Patch, SurfacePatch

ON_SURFACE_MM = 0.2  # how far the origin may lie off the mesh
NORMAL_DEG = 5.0  # how far the normal that is given may be off the mesh's, which is the one that counts
AROUND_MM = 20.0  # known around the decal, so that one that lies off is measured along the surface too
DENSE_MM = 0.25  # between heights
SPACING_MM = 1.0  # between the points that are kept
STEEP = 4.0  # height over way: further turned away than this, about 75 degrees, no camera sees the decal
FIT_MM = 6.0  # half the side of the square that the normal at the origin is taken from
_UNIT_MM = {"metres": 1000.0, "inches": 25.4, "centimetres": 10.0}


def surface_patch(raw: bytes, label: str, plane: Patch, size_mm: tuple[float, float], where: str) -> SurfacePatch:
    """The surface in ``raw``, a mesh file.

    Parameters: label - the file as it is named to people; plane - origin, reading direction and normal as given;
    size_mm - width and height of the artwork; where - the key that a mistake of the origin or normal is told of.
    Raises DefinitionError.
    """
    triangles = read_triangles(raw, label)
    origin = _on_surface(triangles, plane.origin_mm, label, where)
    half = 0.5 * np.array(size_mm) + AROUND_MM
    normal, x_axis = _true_normal(triangles, origin, plane, label, where)
    y_axis = np.cross(normal, x_axis)
    axes = np.array([x_axis, y_axis, normal])
    counts = np.ceil(half / DENSE_MM).astype(int)
    heights = _heights((triangles - origin) @ axes.T, counts)
    under = _under(heights, 0.5 * np.array(size_mm))
    if not np.isfinite(heights[under]).all():
        row, column = np.argwhere(under & ~np.isfinite(heights))[0]
        x, y, z = origin + (column - counts[0]) * DENSE_MM * x_axis + (row - counts[1]) * DENSE_MM * y_axis
        raise DefinitionError(
            f"{label} ends or has a hole under the decal, near [{x:.1f}, {y:.1f}, {z:.1f}]: must reach all of it"
        )
    slope = np.maximum(*(np.abs(np.gradient(heights, DENSE_MM, axis=axis)) for axis in (0, 1)))
    if (slope[under] > STEEP).any():
        raise DefinitionError(f"{label} turns away by more than 75 degrees under the decal: no camera sees it there")
    points = _at_even_lengths(_filled(heights), counts, half)
    shell = origin + points @ axes
    return SurfacePatch(shell[tuple(n // 2 for n in shell.shape[:2])], x_axis, normal, SPACING_MM, shell)


def read_triangles(raw: bytes, label: str) -> Array:
    """Corners (N, 3, 3) of the triangles in an STL or PLY file. Raises DefinitionError."""
    import trimesh  # noqa: PLC0415 - half a second that a station without such a decal does not wait

    kind = label.rpartition(".")[2].lower()
    if kind not in ("stl", "ply"):
        raise DefinitionError(f"{label} must be a mesh: .stl or .ply")
    try:
        mesh: Any = trimesh.load(io.BytesIO(raw), file_type=kind, force="mesh", process=False)
        triangles = np.asarray(mesh.triangles, dtype=np.float64).reshape(-1, 3, 3)
    except Exception as error:  # of a damaged file the reader raises whatever it stumbles over
        raise DefinitionError(f"{label} cannot be read as a mesh ({type(error).__name__}): export it again") from error
    triangles = triangles[np.isfinite(triangles).all(axis=(1, 2))]
    if not len(triangles):
        raise DefinitionError(f"{label} holds no triangles, must be a mesh of the surface under the decal")
    return triangles


def _on_surface(triangles: Array, origin: Array, label: str, where: str) -> Array:
    """The place (3,) on the mesh that is nearest to the origin."""
    nearest = _nearest(triangles, origin)
    off = float(np.linalg.norm(nearest - origin))
    if off <= ON_SURFACE_MM:
        return nearest
    for unit, mm in _UNIT_MM.items():
        if np.linalg.norm(_nearest(triangles * mm, origin) - origin) <= ON_SURFACE_MM:
            raise DefinitionError(f"{label} looks like {unit}: export it in mm")
    place = ", ".join(f"{value:.3f}" for value in nearest)
    raise DefinitionError(
        f"{where}.origin_mm lies {off:.2f} mm off the surface of {label}, must lie on it within {ON_SURFACE_MM:g} mm; "
        f"nearest is [{place}]"
    )


def _nearest(triangles: Array, point: Array) -> Array:
    import trimesh  # noqa: PLC0415

    points = np.broadcast_to(point, (len(triangles), 3))
    near = trimesh.triangles.closest_point(triangles, points)  # type: ignore[no-untyped-call]
    distance = np.nan_to_num(np.linalg.norm(near - point, axis=1), nan=np.inf)  # nan: a triangle without area
    return np.asarray(near[distance.argmin()])


def _true_normal(triangles: Array, origin: Array, plane: Patch, label: str, where: str) -> tuple[Array, Array]:
    """Normal and reading direction that fit the mesh: facets are flat, so a quadric around the origin is fitted."""
    axes = np.array([plane.x_axis, np.cross(plane.normal, plane.x_axis), plane.normal])
    count = round(FIT_MM / DENSE_MM)
    heights = _heights((triangles - origin) @ axes.T, np.array([count, count]))
    if heights[count, count] > ON_SURFACE_MM:
        off = float(heights[count, count])
        raise DefinitionError(f"{where}.origin_mm lies {off:.2f} mm inside {label}, must lie on its outer side")
    t, s = np.indices(heights.shape) * DENSE_MM - FIT_MM
    seen = np.isfinite(heights)
    if seen.mean() < 0.5:
        raise DefinitionError(f"{label} ends or has a hole at {where}.origin_mm: must reach all of the decal")
    s, t, h = s[seen], t[seen], heights[seen]
    terms = np.column_stack([np.ones_like(s), s, t, s * s, s * t, t * t])
    _, along, up, *_ = np.linalg.lstsq(terms, h, rcond=None)[0]
    normal = np.array([-along, -up, 1.0]) @ axes
    normal /= np.linalg.norm(normal)
    off = float(np.degrees(np.arccos(np.clip(normal @ plane.normal, -1.0, 1.0))))
    if off > NORMAL_DEG:
        right = ", ".join(f"{value:.4f}" for value in normal)
        raise DefinitionError(
            f"{where}.normal is {off:.1f} degrees off the surface of {label}, must be within {NORMAL_DEG:g}: "
            f"it is [{right}] there"
        )
    x_axis = plane.x_axis - (plane.x_axis @ normal) * normal
    return normal, x_axis / np.linalg.norm(x_axis)


def _heights(triangles: Array, counts: Array) -> Array:
    """Outermost height (2 counts[1] + 1, 2 counts[0] + 1) of triangles (N, 3, 3) given along plane and normal, at
    DENSE_MM over the plane, the origin in the middle; nan where there is none.
    """
    corner = triangles[..., :2] / DENSE_MM + counts
    size = 2 * counts + 1
    low = np.clip(np.ceil(corner.min(axis=1) - 1e-9), 0, size).astype(np.intp)
    high = np.clip(np.floor(corner.max(axis=1) + 1e-9), -1, size - 1).astype(np.intp)
    span = np.maximum(high - low + 1, 0)
    heights = np.full((size[1], size[0]), -np.inf)
    # In blocks of so many places that a mesh of any fineness fits into the memory.
    block = np.cumsum(span.prod(axis=1)) // 2_000_000
    for number in np.unique(block[span.prod(axis=1) > 0]):
        own = np.flatnonzero((block == number) & (span.prod(axis=1) > 0))
        times = span[own].prod(axis=1)
        which = np.repeat(own, times)
        place = np.arange(len(which)) - np.repeat(np.cumsum(times) - times, times)
        column, row = low[which, 0] + place % span[which, 0], low[which, 1] + place // span[which, 0]
        a, b, c = (corner[which, k] for k in range(3))
        ab, ac, ap = b - a, c - a, np.column_stack([column, row]) - a
        area = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
        with np.errstate(divide="ignore", invalid="ignore"):  # a triangle seen edge-on
            second = (ap[:, 0] * ac[:, 1] - ap[:, 1] * ac[:, 0]) / area
            third = (ab[:, 0] * ap[:, 1] - ab[:, 1] * ap[:, 0]) / area
        inside = np.isfinite(second + third) & (np.minimum(second, third) >= -1e-9) & (second + third <= 1 + 1e-9)
        which, row, column = which[inside], row[inside], column[inside]
        second, third = second[inside], third[inside]
        z = triangles[which, :, 2]
        height = z[:, 0] + second * (z[:, 1] - z[:, 0]) + third * (z[:, 2] - z[:, 0])
        np.maximum.at(heights, (row, column), height)
    return np.where(np.isfinite(heights), heights, np.nan)


def _under(heights: Array, half_mm: Array) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Which heights may lie under the decal: along the surface it reaches no further than along the plane."""
    rows, columns = (np.abs(np.arange(n) - n // 2) * DENSE_MM for n in heights.shape)
    return np.asarray((rows[:, None] <= half_mm[1]) & (columns <= half_mm[0]))


def _filled(heights: Array) -> Array:
    """Heights beside the decal where the mesh has none: by a quadric through all the others, joined on to them."""
    known = np.isfinite(heights)
    if known.all():
        return heights
    t, s = (part.astype(np.float64) - n // 2 for part, n in zip(np.indices(heights.shape), heights.shape, strict=True))
    terms = np.stack([np.ones_like(s), s, t, s * s, s * t, t * t], axis=-1)
    bent = terms @ np.linalg.lstsq(terms[known], heights[known], rcond=None)[0]
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(bent + (heights - bent)[tuple(nearest)])


def _at_even_lengths(heights: Array, counts: Array, half_mm: Array) -> Array:
    """Points (R, C, 3) along plane and normal at every SPACING_MM along the surface: v in rows, u in columns."""
    s, t = ((np.arange(2 * n + 1) - n) * DENSE_MM for n in counts)
    wanted_u, wanted_v = (np.arange(-n, n + 1) * SPACING_MM for n in np.floor(half_mm / SPACING_MM).astype(int))
    up = np.interp(wanted_v, _lengths(t, heights[:, counts[0]]), t)
    at = (up / DENSE_MM + counts[1]).clip(0, len(t) - 1)
    below = np.minimum(at.astype(np.intp), len(t) - 2)
    share = (at - below)[:, None]
    points = np.empty((len(wanted_v), len(wanted_u), 3))
    for row, section in enumerate((1 - share) * heights[below] + share * heights[below + 1]):
        along = np.interp(wanted_u, _lengths(s, section), s)
        points[row] = np.column_stack([along, np.full_like(along, up[row]), np.interp(along, s, section)])
    return points


def _lengths(along: Array, height: Array) -> Array:
    """Length (N,) [mm] along a section from its middle, negative before it."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(along), np.diff(height)))])
    return np.asarray(length - length[len(length) // 2])
