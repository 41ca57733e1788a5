"""The gap between a decal and the trimmed edge along the side that faces it: straight distances from the print's
outline, as it lies, to the edge as it was found.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from scipy.spatial import cKDTree

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import budget, decal_budget
from edgeinspect.measure.decal import DecalFit
from edgeinspect.measure.decal_surface import UNLIKE, SurfaceDoubt
from edgeinspect.measure.decal_told import covariances
from edgeinspect.measure.deviation import gaussian_weights
from edgeinspect.measure.frames import Datum
from edgeinspect.measure.measurement import GapProfile, Quantity
from edgeinspect.measure.setup import TEMPERATURE, Sight, quantity
from edgeinspect.measure.trim import Edge
from edgeinspect.shell.definition import Artwork, Decal

STEP_MM = 1.0  # along the side
SIDES = ("right", "upper", "left", "lower")
_OUT = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])
LIGHT, EDGE_NOISE = "light and edge shape", "picture noise of the edge"
OF_PRINT = {
    "picture noise and print",
    LIGHT,
    UNLIKE,
    decal_budget.SURFACE_HEIGHT,
    decal_budget.SURFACE_TILT,
    decal_budget.SURFACE_RADIUS,
}
LEAST_PLACES = 3  # a side with fewer is a corner


def gap_profile(
    sight: Sight,
    k: int,
    decal: Decal,
    laid: DecalFit,
    where: Pose,
    place: Datum,
    edge: Edge,
    doubt: SurfaceDoubt | None,
) -> GapProfile | None:
    """None where no side of the print faces an edge that is seen; ``where`` - shell -> fixture as it lies, by
    ``place``; ``doubt`` - of the surface under it.
    """
    assert laid.covariance is not None, "only what was found has a gap"
    at_mm, out = print_outline(decal.artwork)
    facing = np.argmax(out @ _OUT.T, axis=1)
    on_shell, moves = _laid(decal, laid, at_mm)
    points = where.apply(on_shell)
    gap, foot, station = nearest(points, edge)
    side = min(range(4), key=lambda s: float(np.min(gap[facing == s], initial=np.inf)))
    pick = _outermost(at_mm[:, 1 - side % 2], gap, facing == side)
    if len(pick) < LEAST_PLACES or not np.isfinite(gap[pick]).any():
        return None
    along = at_mm[pick, 1 - side % 2]
    toward = foot[pick] - points[pick]
    toward /= np.maximum(np.linalg.norm(toward, axis=1), 1e-9)[:, None]
    rows = -np.einsum("pi,ij,pjk->pk", toward, where.rotation, moves[pick])
    own = covariances(sight, k, decal, laid.covariance, place, doubt)
    shares = _shares(sight, k, own, edge, points[pick], foot[pick], station[pick], toward, rows)
    weights = gaussian_weights(sight.definition.filter_cutoff_mm, STEP_MM)
    values = _filtered(gap[pick], weights) / sight.growth
    shares[TEMPERATURE] = np.abs(values) * sight.u_growth
    shares[EDGE_NOISE] = shares[EDGE_NOISE] * float(np.sqrt(weights @ weights))
    u = np.sqrt(sum((part**2 for part in shares.values()), np.zeros(len(pick))))
    arc = np.mod(edge.scan.stations.arc_mm[station[pick]], sight.definition.rim.length_mm)

    def told(i: int) -> Quantity:
        return quantity(float(values[i]), {source: float(part[i]) for source, part in shares.items()})

    if not np.isfinite(values).any():
        return None
    least, most = int(np.nanargmin(values)), int(np.nanargmax(values))
    start = along.min()
    return GapProfile(
        SIDES[side],
        along - start,
        values,
        np.where(np.isfinite(values), u, np.nan),
        arc,
        told(least),
        float(along[least] - start),
        told(most),
        float(along[most] - start),
        float(np.isfinite(values).mean()),
    )


@lru_cache(maxsize=32)  # of the print alone, the same for every shell of a day
def print_outline(art: Artwork) -> tuple[Array, Array]:
    """Places (N, 2) [mm, from the artwork's centre] around what is printed, where its opacity is a half, and the
    directions (N, 2) out of it.
    """
    pad = 3
    cover = np.pad(art.opacity.astype(np.float32), pad)
    contours, _ = cv2.findContours((cover > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    at = np.concatenate([contour[:, 0, :] for contour in contours]).astype(np.float64) if contours else np.empty((0, 2))
    soft = cv2.GaussianBlur(cover, (0, 0), 0.8)
    down, across = (np.asarray(part, dtype=np.float64) for part in np.gradient(soft))
    for _ in range(4):
        level, by_x, by_y = _at(np.asarray(soft, dtype=np.float64), at), _at(across, at), _at(down, at)
        steep = np.maximum(by_x**2 + by_y**2, 1e-4)
        at = at + np.clip((0.5 - level) / steep, -4.0, 4.0)[:, None] * np.column_stack([by_x, by_y])
    out = -np.column_stack([_at(across, at), -_at(down, at)])
    out /= np.maximum(np.linalg.norm(out, axis=1), 1e-9)[:, None]
    height, width = art.opacity.shape
    x = (at[:, 0] - pad - (width - 1) / 2) * art.width_mm / width
    y = ((height - 1) / 2 - (at[:, 1] - pad)) * art.height_mm / height
    return np.column_stack([x, y]), out


def _at(image: Array, at: Array) -> Array:
    columns, rows = (np.ascontiguousarray(at[:, k : k + 1], dtype=np.float32) for k in range(2))
    found = [
        cv2.remap(image.astype(np.float32), columns[i : i + 30000], rows[i : i + 30000], cv2.INTER_LINEAR)
        for i in range(0, len(at), 30000)
    ]
    return np.concatenate(found).ravel().astype(np.float64) if found else np.empty(0)


def _laid(decal: Decal, laid: DecalFit, at_mm: Array) -> tuple[Array, Array]:
    """Places (N, 3) of the shell frame where the artwork's (N, 2) lie, and how they move (N, 3, 5) with dx, dy,
    rotation and stretches.
    """
    dx, dy, turn, along, across = laid.values
    cos, sin = np.cos(turn), np.sin(turn)
    x, y = at_mm.T * np.array([[1.0 + along], [1.0 + across]])
    u, v = cos * x - sin * y + dx, sin * x + cos * y + dy
    step = 0.05
    by_u = (decal.patch.points(u + step, v) - decal.patch.points(u - step, v)) / (2 * step)
    by_v = (decal.patch.points(u, v + step) - decal.patch.points(u, v - step)) / (2 * step)
    one, none = np.ones_like(u), np.zeros_like(u)
    moved_u = np.stack([one, none, dy - v, cos * x, -sin * y], axis=1)
    moved_v = np.stack([none, one, u - dx, sin * x, cos * y], axis=1)
    return decal.patch.points(u, v), by_u[:, :, None] * moved_u[:, None] + by_v[:, :, None] * moved_v[:, None]


def nearest(points_mm: Array, edge: Edge) -> tuple[Array, Array, np.ndarray[tuple[int, ...], np.dtype[np.intp]]]:
    """Distance (N,), place (N, 3) and station (N,) of the edge that is nearest to each of ``points_mm`` (N, 3); no
    distance (nan) where that was not seen.
    """
    seen = edge.usable & np.isfinite(edge.point_mm).all(axis=1)
    line = np.where(seen[:, None], edge.point_mm, edge.scan.stations.points_mm)
    _, station = cKDTree(line).query(points_mm)
    best, foot = np.full(len(points_mm), np.inf), np.full(points_mm.shape, np.nan)
    count = len(line)
    for begin in (station - 1, station):
        a, b = line[begin % count], line[(begin + 1) % count]
        run = b - a
        share = np.clip(((points_mm - a) * run).sum(axis=1) / np.maximum((run**2).sum(axis=1), 1e-12), 0.0, 1.0)
        at = a + share[:, None] * run
        away = np.linalg.norm(points_mm - at, axis=1)
        both = seen[begin % count] & seen[(begin + 1) % count]
        nearer = both & (away < best)
        best, foot = np.where(nearer, away, best), np.where(nearer[:, None], at, foot)
    return np.where(np.isfinite(best), best, np.nan), foot, station.astype(np.intp)


def _outermost(along: Array, gap: Array, mine: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> Array:
    """Of the places on one side the nearest to the edge in every step along it, in their order."""
    own = np.flatnonzero(mine)
    bins = np.floor(along[own] / STEP_MM).astype(np.intp)
    order = np.lexsort([np.nan_to_num(gap[own], nan=np.inf), bins])
    _, first = np.unique(bins[order], return_index=True)
    return np.asarray(own[order[first]])


def _filtered(values: Array, weights: Array) -> Array:
    """Behind the profile filter; nan where less than half of its window is seen."""
    seen, reach = np.isfinite(values).astype(np.float64), len(weights) // 2  # a filter may be longer than what is seen
    total = np.convolve(np.pad(seen, reach), weights, mode="valid")
    summed = np.convolve(np.pad(np.nan_to_num(values), reach), weights, mode="valid")
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where((total >= 0.5) & (seen > 0), summed / total, np.nan)


def _shares(
    sight: Sight,
    k: int,
    of_print: dict[str, Array],
    edge: Edge,
    points: Array,
    foot: Array,
    station: Array,
    toward: Array,
    rows: Array,
) -> dict[str, Array]:
    """Parts (P,) of the gap's standard uncertainty.

    Parameters: of_print - (5, 5) of where the print lies by source; points, foot (P, 3) - both ends; toward (P, 3) -
    the way from one to the other; rows (P, 5) - how the gap changes with where the print lies.
    """
    setup = sight.setup
    shares = {
        source: np.sqrt(np.maximum(np.einsum("pi,ij,pj->p", rows, part, rows), 0.0))
        for source, part in of_print.items()
        if source in OF_PRINT
    }
    shares[LIGHT] = np.hypot(shares[LIGHT], sight.edge_model_mm[station])
    shares[EDGE_NOISE] = edge.traced.drawn.u_mm[station]
    shares["which arris"] = edge.traced.which_mm[station]
    # What carries print and edge alike does nothing to the gap between them.
    cameras = np.concatenate([np.full(len(points), setup.decal_camera[k]), setup.rim.camera[station]]).astype(np.intp)
    both = np.vstack([points, np.where(np.isfinite(foot), foot, points)])
    causes = budget.common_causes(setup.calibrations, cameras, setup.fixture, setup.seating, both, setup.heights)
    for cause, field in causes.items():
        if cause != TEMPERATURE:
            apart = field[:, len(points) :] - field[:, : len(points)]
            shares[cause] = np.sqrt((np.einsum("kpj,pj->kp", apart, toward[:, :2]) ** 2).sum(axis=0))
    return shares
