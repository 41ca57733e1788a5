"""Cut-outs: there or not, where, how large, on the show-face arris.

Off the camera's axis the far wall of a hole shows: face, wall and background make two steps a known distance apart
(sheet thickness and view angle), and one blurred step would lie anywhere between. So both are fitted, with one wall
brightness that varies slowly around the hole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import kernels
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.edge import BILINEAR_NOISE, Edges, fit_edges, noise_of, polarity_of
from edgeinspect.measure.measurement import Flag
from edgeinspect.measure.picture import Levels, GreyPicture
from edgeinspect.measure.place import Scan
from edgeinspect.measure.ribbon import Stations, lay_scan_lines, offsets, sample
from edgeinspect.shell.definition import CutOut

BAND_MM = 3.0
SEEN_SHARE = 0.7
WALL_HARMONICS = 2


@dataclass(frozen=True)
class CutOutFit:
    """Centre offset (dx, dy) from the stations' own centre and size offsets [mm], with covariance of the fitted
    terms.
    """

    there: bool | None
    terms: Array  # dx, dy, all round, and for a slot: along minus all round, turn [rad]
    covariance: Array
    seen_share: float
    scan: Scan
    wall_mm: Array  # (N,) apparent width of the wall seen on each line


def apparent_wall(stations: Stations, wall_height_mm: Array, model: CameraModel, pose: Pose) -> Array:
    """Apparent distance (N,) [mm along the scan line] from the show-face arris to the back-face arris; 0 where the
    face is hidden.
    """
    below = stations.points_mm.copy()
    below[:, 2] -= wall_height_mm
    lines = lay_scan_lines(stations.points_mm, stations.directions, 1.0, model, pose)
    gap = ((model.project(below, pose) - lines.centre) * lines.first).sum(axis=1) / lines.px_per_mm**2
    return np.asarray(np.maximum(gap, 0.0))


def wall_height(stations: Stations, sheet_mm: float) -> Array:
    """Height (N,) of a vertically cut wall: the sheet's thickness over the cosine of its slope across the edge."""
    along = stations.tangents[:, 2] / np.hypot(stations.tangents[:, 0], stations.tangents[:, 1])
    return sheet_mm * np.sqrt(1.0 + stations.climb**2 + along**2)


def shape_rows(cutout: CutOut, stations: Stations, centre_mm: Array, angle_rad: float) -> Array:
    """(N, T): how the deviation at each station answers to the terms of CutOutFit. Size terms grow the hole
    (deviation -).
    """
    normals = stations.normals[:, :2]  # into the hole
    columns = [normals[:, 0], normals[:, 1], -np.ones(len(normals))]
    if cutout.kind == "slot":
        axis = np.array([np.cos(angle_rad), np.sin(angle_rad)])
        away = stations.points_mm[:, :2] - centre_mm
        columns += [-np.abs(normals @ axis), away[:, 0] * normals[:, 1] - away[:, 1] * normals[:, 0]]
    return np.column_stack(columns)


def measure_cutout(
    picture: GreyPicture,
    cutout: CutOut,
    stations: Stations,
    sheet_mm: float,
    model: CameraModel,
    pose: Pose,
    blur_px: float,
) -> CutOutFit:
    """Fit one cut-out; ``stations`` lie in the fixture frame where the cut is expected."""
    centre = stations.points_mm[:, :2].mean(axis=0)
    lines = lay_scan_lines(stations.points_mm, stations.directions, BAND_MM, model, pose)
    d_mm = offsets(BAND_MM, float(lines.px_per_mm.mean()))
    ribbon = sample(picture, lines, d_mm)
    noise = noise_of(ribbon)
    polarity = polarity_of(ribbon)
    edges = fit_edges(ribbon, d_mm, lines.px_per_mm, blur_px, polarity=polarity, noise=noise)
    wall = apparent_wall(stations, wall_height(stations, sheet_mm), model, pose)
    angle = _long_axis(stations) if cutout.kind == "slot" else 0.0
    rows = shape_rows(cutout, stations, centre, angle)
    usable = (edges.flags & (Flag.NO_EDGE | Flag.OUTSIDE)) == 0
    here = Scan(stations, lines, d_mm, ribbon, edges)
    if usable.mean() < SEEN_SHARE:
        return CutOutFit(
            _without_edge(ribbon, noise), np.zeros(rows.shape[1]), np.zeros((rows.shape[1],) * 2), 0.0, here, wall
        )
    # Start: where the wall is seen the strongest step may be either arris; the side that hides its wall is sure, and
    # so is the shape.
    sure = usable & (wall < 0.3)
    start = edges.d_mm if sure.mean() > 0.25 else edges.d_mm - 0.5 * wall
    terms = _robust(rows, np.nan_to_num(start), sure if sure.mean() > 0.25 else usable)
    blur_mm = edges.blur_mm
    arris, u = edges.d_mm, edges.u_mm
    for _ in range(5):
        expected = rows @ terms
        arris, u = _two_steps(ribbon, d_mm, expected, wall, blur_mm, noise)
        near = usable & (np.abs(arris - expected) < 1.0)
        if near.mean() < SEEN_SHARE:
            return CutOutFit(None, terms, np.zeros((rows.shape[1],) * 2), float(near.mean()), here, wall)
        before, terms = terms, _robust(rows, arris, near)
        if np.abs(terms - before).max() < 1e-3:
            break
    rest = arris - rows @ terms
    near = usable & (np.abs(rest) < 1.0)
    rms = float(np.sqrt(np.mean(rest[near] ** 2)))
    covariance = np.linalg.inv(rows[near].T @ rows[near]) * rms**2 * 2.0  # neighbours share blur: half of them count
    flags = np.where(near, 0, Flag.NO_EDGE).astype(np.int32)
    traced = Edges(np.where(near, arris, np.nan), u, edges.contrast, blur_mm, flags)
    return CutOutFit(True, terms, covariance, float(near.mean()), Scan(stations, lines, d_mm, ribbon, traced), wall)


def _long_axis(stations: Stations) -> float:
    """Direction [rad] of the greatest extent of a slot."""
    away = stations.points_mm[:, :2] - stations.points_mm[:, :2].mean(axis=0)
    vectors = np.linalg.svd(away, full_matrices=False)[2]
    return float(np.arctan2(vectors[0, 1], vectors[0, 0]))


def _robust(rows: Array, d: Array, usable: NDArray[np.bool_]) -> Array:
    used = usable
    terms: Array = np.zeros(rows.shape[1])
    for _ in range(2):
        part = rows[used]
        terms = np.linalg.solve(part.T @ part, part.T @ d[used])
        rest = np.abs(d - rows @ terms)
        used = usable & (rest < max(0.05, 5.2 * float(np.median(rest[used]))))
    part = rows[used]
    return np.asarray(np.linalg.solve(part.T @ part, part.T @ d[used]))


def _without_edge(ribbon: Levels, noise: float) -> bool | None:
    """What to say where no edge was found. False: the sheet runs on across the band, the cut-out is not there. None:
    cannot tell.
    """
    inner, outer = ribbon[:, : ribbon.shape[1] // 3].mean(axis=1), ribbon[:, -ribbon.shape[1] // 3 :].mean(axis=1)
    alike = np.abs(outer - inner) < 0.1 * np.maximum(inner, 1e-3) + 3.0 * noise
    return False if np.mean(alike) > 0.8 else None


def _two_steps(
    ribbon: Levels, d_mm: Array, expected: Array, wall: Array, blur_mm: float, noise: float
) -> tuple[Array, Array]:
    """Place of the show-face arris (N,) and its u, from two steps ``wall`` apart whose share of the whole step varies
    slowly around.
    """
    spacing = float(d_mm[1] - d_mm[0])
    half = round((4.0 * blur_mm + 0.5 * float(wall.max())) / spacing)
    width = min(2 * half + 1, ribbon.shape[1])
    middle = np.rint((expected + 0.5 * wall - d_mm[0]) / spacing).astype(np.int64)
    first = np.clip(middle - half, 0, ribbon.shape[1] - width)
    at, power = expected.copy(), np.empty(len(ribbon))
    share: Array = np.empty(len(ribbon))
    start = float(d_mm[0])
    kernels.lone_shares(ribbon, first, width, start, spacing, blur_mm, at, wall, share)
    share = _smooth_share(share, wall / blur_mm)
    for _ in range(2):
        kernels.two_step_round(ribbon, first, width, start, spacing, blur_mm, at, wall, share, power)
    return at, noise * BILINEAR_NOISE / np.sqrt(power) * np.sqrt(2.0)  # half-pixel samples share their noise


def _smooth_share(single: Array, wall_in_blurs: Array) -> Array:
    """Share (N,) of the step that lies at the show-face arris, as a low Fourier series around the cut-out.

    Each line alone cannot tell the wall's level where the wall is narrow; together they can, because light changes
    slowly around a hole.
    """
    count = len(single)
    trust = np.clip(wall_in_blurs, 0.0, 3.0) ** 4 * (np.abs(single - 0.5) < 3.0)
    if np.count_nonzero(wall_in_blurs > 0.5) < 10:
        return np.full(count, 0.5)
    angle = 2.0 * np.pi * np.arange(count) / count
    series = [np.ones(count)]
    for k in range(1, WALL_HARMONICS + 1):
        series += [np.cos(k * angle), np.sin(k * angle)]
    rows = np.column_stack(series)
    ridge = np.diag([1e-9] + [0.02 * float(trust.sum())] * (len(series) - 1))
    weighted = rows * trust[:, None]
    return np.asarray(np.clip(rows @ np.linalg.solve(weighted.T @ rows + ridge, weighted.T @ single), -1.0, 2.0))
