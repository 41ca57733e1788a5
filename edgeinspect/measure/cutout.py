"""Cut-outs: there or not, where, how large, on the show-face arris.

Off the camera's axis the far wall of a hole shows: face, wall and background make two steps a known distance apart
(sheet thickness and view angle), and one blurred step would lie anywhere between. So both are fitted (two_arrises).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import atan2

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import arris_kernels, camera_kernels, kernels, plane_kernels
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.edge import Edges, fit_edges, noise_of, polarity_of
from edgeinspect.measure.measurement import Flag
from edgeinspect.measure.picture import GreyPicture, Levels
from edgeinspect.measure.place import Scan
from edgeinspect.measure.ribbon import ScanLines, Stations, lay_scan_lines, offsets, sample
from edgeinspect.measure.sharpness import own_blurs_mm
from edgeinspect.measure.two_arrises import fit_two_arrises
from edgeinspect.shell.definition import CutOut

BAND_MM = 3.0
SEEN_SHARE = 0.7
# Before anything is seen: a cutter is set square to within 2 degrees (common practice, no source), mm a mm of sheet.
SQUARE_WITHIN = 0.035
CLOSE_MM, CLOSE_SHARE = 0.1, 0.95  # a cloth over one side leaves an edge too: all but 5 % must lie on one clean shape
SHEET_LEVEL_SHARE = 0.25  # what lies over a hole is the sheet only if it is as bright as beside the other cut-outs
ROUGH_MM = 0.25  # rms about the shape: an outline this rough is chips or glare, not a cut
SURE_WALL_MM = 0.05  # a wall seen less wide than this leaves the strongest step at the arris
ONE_BLUR = 0.12  # of it: cut-outs whose blurs differ by less have one, which all of their lines tell better
CLEAR_BLURS, LEAST_LIT = 4.0, 0.5  # beside the edge the face tells the light; of the lines, so many must show it
UNLIKE_FACE = 0.02  # of its level: what differs more from the plane is dirt, a print, another edge
MOST_SLOPE = 0.05  # of the light per mm: more would be half of it over a small hole
LAY_AGAIN_MM = 0.15  # a slot's round end read t mm beside its middle is t²/2R short: 0.03 mm of its length at 0.35 mm


@dataclass(frozen=True)
class CutOutFit:
    """Centre offset (dx, dy) from the stations' own centre and size offsets [mm], with covariance of the fitted
    terms.
    """

    there: bool | None
    # dx, dy, all round; of a slot: along minus all round, turn [rad]; of a hole: how much more than all round it
    # reaches along x and less along y, and the same at 45 degrees
    terms: Array
    covariance: Array
    seen_share: float
    scan: Scan
    wall_mm: Array  # (N,) apparent width of the wall seen on each line


def apparent_wall(stations: Stations, lines: ScanLines, wall_height_mm: Array, model: CameraModel, pose: Pose) -> Array:
    """Apparent distance (N,) [mm along the scan line] from the show-face arris to the back-face arris of a square cut.

    0 where the cut face is hidden from the camera.
    """
    return np.maximum(apparent_gap(stations, lines, wall_height_mm, model, pose), 0.0)


def apparent_gap(stations: Stations, lines: ScanLines, wall_height_mm: Array, model: CameraModel, pose: Pose) -> Array:
    """The same with its sign (N,) [mm]: below 0 the back-face arris lies behind the sheet by so much."""
    below = stations.points_mm.copy()
    below[:, 2] -= wall_height_mm
    gap = np.empty(len(below))
    camera_kernels.gaps(model.project(below, pose), lines.centre, lines.first, gap)
    return gap


def wall_height(stations: Stations, sheet_mm: float) -> Array:
    """Height (N,) of a vertically cut wall: the sheet's thickness over the cosine of its slope across the edge."""
    along = stations.tangents[:, 2] / np.hypot(stations.tangents[:, 0], stations.tangents[:, 1])
    return sheet_mm * np.sqrt(1.0 + stations.climb**2 + along**2)


def shape_rows(cutout: CutOut, stations: Stations, centre_mm: Array, angle_rad: float) -> Array:
    """(N, T): how the deviation at each station answers to the terms of CutOutFit. Size terms grow the hole
    (deviation -).

    A robot leaves a hole oval, and where only one side shows its wall an ovality that no term takes up would pass for a
    brighter or darker wall: 0.05 mm of it moved the centre by 0.05 mm.
    """
    x, y = stations.normals[:, 0], stations.normals[:, 1]  # into the hole
    columns = [x, y, -np.ones(len(x))]
    if cutout.kind == "slot":
        axis = np.array([np.cos(angle_rad), np.sin(angle_rad)])
        away = stations.points_mm[:, :2] - centre_mm
        columns += [-np.abs(axis[0] * x + axis[1] * y), away[:, 0] * y - away[:, 1] * x]
    else:
        columns += [y * y - x * x, -2.0 * x * y]
    return np.column_stack(columns)


def measure_cutouts(
    picture: GreyPicture,
    cutouts: list[tuple[CutOut, Stations]],
    sheet_mm: float,
    model: CameraModel,
    pose: Pose,
    blur_px: float,
) -> list[CutOutFit]:
    """Fit every cut-out; stations lie in the fixture frame where the cut is expected. Where a centre is well off,
    all are laid again over what was found.
    """
    fits = _fit_all(picture, cutouts, sheet_mm, model, pose, blur_px)
    shifts = [fit.terms[:2] if fit.there else np.zeros(2) for fit in fits]
    if np.hypot(*np.transpose(shifts)).max() < LAY_AGAIN_MM:
        return fits
    over = [(cutout, carried(stations, shift)) for (cutout, stations), shift in zip(cutouts, shifts, strict=True)]
    again = _fit_all(picture, over, sheet_mm, model, pose, blur_px)
    return [counted_from(fit, shift) for fit, shift in zip(again, shifts, strict=True)]


def carried(stations: Stations, shift_mm: Array) -> Stations:
    """Stations carried along the sheet by a small shift (2,) in plan."""
    outwards, ahead = stations.normals[:, :2] @ shift_mm, stations.tangents[:, :2] @ shift_mm
    points = stations.points_mm + np.append(shift_mm, 0.0)
    points[:, 2] += stations.climb * outwards + stations.tangents[:, 2] * ahead
    return replace(stations, points_mm=points)


def counted_from(fit: CutOutFit, shift_mm: Array) -> CutOutFit:
    """The same fit, its centre offset counted from stations ``shift_mm`` (2,) away."""
    return replace(fit, terms=fit.terms + np.append(shift_mm, np.zeros(len(fit.terms) - 2)))


def _fit_all(
    picture: GreyPicture,
    cutouts: list[tuple[CutOut, Stations]],
    sheet_mm: float,
    model: CameraModel,
    pose: Pose,
    blur_px: float,
) -> list[CutOutFit]:
    """Every cut-out fitted once on one common ribbon."""
    lines = common_lines(cutouts, model, pose)
    d_mm = offsets(BAND_MM, float(lines.px_per_mm.mean()))
    return fit_on_ribbon(sample(picture, lines, d_mm), d_mm, lines, cutouts, sheet_mm, model, pose, blur_px)


def common_lines(cutouts: list[tuple[CutOut, Stations]], model: CameraModel, pose: Pose) -> ScanLines:
    points = np.concatenate([stations.points_mm for _, stations in cutouts])
    directions = np.concatenate([stations.directions for _, stations in cutouts])
    return lay_scan_lines(points, directions, BAND_MM, model, pose)


def fit_on_ribbon(
    ribbon: Levels,
    d_mm: Array,
    lines: ScanLines,
    cutouts: list[tuple[CutOut, Stations]],
    sheet_mm: float,
    model: CameraModel,
    pose: Pose,
    blur_px: float,
) -> list[CutOutFit]:
    """The last step of ``measure_cutouts``: all of a picture's cut-outs on their ribbons, one below the other (N, M)
    at offsets (M,) of ``lines``. The stations are those that the ribbons were laid on (``common_lines``); a kept
    ribbon gives the same fit again.
    """
    ends = np.cumsum([len(stations.arc_mm) for _, stations in cutouts])
    parts = [slice(end - len(stations.arc_mm), end) for end, (_, stations) in zip(ends, cutouts, strict=True)]
    noise = noise_of(ribbon)
    edges = fit_edges(ribbon, d_mm, lines.px_per_mm, blur_px, polarity=polarity_of(ribbon), noise=noise)
    one_step = Scan(cutouts[0][1], lines, d_mm, ribbon, edges)
    scans = [one_step.part(part, stations) for part, (_, stations) in zip(parts, cutouts, strict=True)]
    walls = [apparent_wall(s.stations, s.lines, wall_height(s.stations, sheet_mm), model, pose) for s in scans]
    wider = _wider(ribbon, d_mm, edges, walls)
    fits = [
        _Fitting(cutout, scan.blurred(factor), wall, sheet_mm)
        for (cutout, _), scan, wall, factor in zip(cutouts, scans, walls, wider, strict=True)
    ]
    looked_at = [fit for fit in fits if fit.seen]
    if looked_at:
        _settle(looked_at, d_mm, noise)
    seen, sheet = [fit.here.ribbon for fit in fits if fit.seen], float("nan")
    if 0 < len(seen) < len(fits):  # what the others are compared with
        sheet = float(np.median(np.vstack(seen)[:, : len(d_mm) // 3]))
    return [fit.result(noise, sheet) for fit in fits]


def _wider(ribbon: Levels, d_mm: Array, edges: Edges, walls: list[Array]) -> Array:
    """Blur of each cut-out (C,) over that of all, where it differs: taken for one and the same, half a pixel of a lens
    out of focus on one side made a slot 0.05 mm too long. Lines that show a wall do not tell.
    """
    cutout = np.repeat(np.arange(len(walls)), [len(wall) for wall in walls])
    alone = (edges.flags == 0) & (np.concatenate(walls) < SURE_WALL_MM)
    edge_mm = np.where(alone, edges.d_mm, np.nan)
    own = own_blurs_mm(ribbon, d_mm, edge_mm, float(edges.blur_mm[0]), cutout, len(walls))
    if np.isnan(own).all():
        return np.ones(len(walls))
    share = own / np.nanmedian(own)
    return np.where(np.abs(share - 1.0) > ONE_BLUR, share, 1.0)


class _Fitting:
    """One cut-out while it is being fitted."""

    def __init__(self, cutout: CutOut, here: Scan, wall_mm: Array, sheet_mm: float) -> None:
        self.here, self.wall, self.square_within = here, wall_mm, SQUARE_WITHIN * sheet_mm
        stations = here.stations
        angle = long_axis(stations) if cutout.kind == "slot" else 0.0
        self.rows = shape_rows(cutout, stations, stations.points_mm[:, :2].mean(axis=0), angle)
        self.terms: Array = np.zeros(self.rows.shape[1])
        self.by_noise: Array = np.zeros((len(self.terms), len(self.terms)))
        self.facing = np.arctan2(stations.normals[:, 1], stations.normals[:, 0])
        edges = here.edges
        # Blur on a curve moves the half level towards its centre by s²/2R.
        self.pull = 0.5 * edges.blur_mm**2 * stations.bend_per_mm
        self.usable = (edges.flags & (Flag.NO_EDGE | Flag.OUTSIDE)) == 0
        self.near, self.arris, self.u = self.usable, edges.d_mm - self.pull, edges.u_mm
        self.seen = float(self.usable.mean()) >= SEEN_SHARE
        if not self.seen:
            return
        # Where the wall is seen the strongest step may be either arris; the side that hides its wall is sure, and so is
        # the shape: start from there.
        sure = self.usable & (self.wall < SURE_WALL_MM)
        if sure.mean() > 0.25:
            self.terms = _robust(self.rows, edges.d_mm, sure)
        else:
            self.terms = _robust(self.rows, edges.d_mm - 0.5 * self.wall, self.usable)

    def follow(self, terms: Array, by_noise: Array, off: Array, u: Array) -> None:
        """Take the shape as found with its walls, and how far each line (N,) lies off it."""
        self.terms, self.by_noise, self.u = terms, by_noise, u
        self.arris = self.rows @ terms + off
        self.near = self.usable & (np.abs(off) < 1.0)
        self.seen = float(self.near.mean()) >= SEEN_SHARE

    def result(self, noise: float, sheet_level: float) -> CutOutFit:
        none = np.zeros((self.rows.shape[1],) * 2)
        if not self.seen:
            there = _without_edge(self.here.ribbon, noise, sheet_level) if self.usable.mean() < SEEN_SHARE else None
            return CutOutFit(there, self.terms, none, float(self.near.mean()), self.here, self.wall)
        rest = self.arris - self.rows @ self.terms
        near = self.near & (np.abs(rest) < 1.0)
        close = CLOSE_MM + np.where(self.wall > SURE_WALL_MM, self.square_within, 0.0)  # a bevel is not fitted yet
        if np.mean(near & (np.abs(rest) < close)) < CLOSE_SHARE:
            return CutOutFit(None, self.terms, none, float(near.mean()), self.here, self.wall)
        rms = float(np.sqrt(np.mean(rest[near] ** 2)))
        if rms > ROUGH_MM:
            return CutOutFit(None, self.terms, none, float(near.mean()), self.here, self.wall)
        covariance = by_roughness(self.rows, rest, self.u, near) + self.by_noise
        flags = np.where(near, 0, Flag.NO_EDGE).astype(np.int32)
        edges = self.here.edges
        traced = Edges(np.where(near, self.arris, np.nan), self.u, edges.contrast, edges.blur_mm, flags)
        return CutOutFit(True, self.terms, covariance, float(near.mean()), replace(self.here, edges=traced), self.wall)


def by_roughness(rows: Array, rest_mm: Array, u_mm: Array, used: NDArray[np.bool_]) -> Array:
    """(T, T) covariance of a shape's terms by what its lines (N,) lie off it more than their noise ``u_mm`` makes them:
    the noise has a covariance of its own. Neighbouring lines are cut alike: half of them count.
    """
    product, square, noise = plane_kernels.roughness(rows, rest_mm, u_mm, used)
    return np.asarray(2.0 * max(0.0, square - noise) * np.linalg.inv(product))


def evenly_lit(here: Scan) -> Levels:
    """The ribbon (N, M) of one cut-out without the slope that the light has across it.

    Light that falls off by a plane, 1 + gx x + gy y, leaves a slope along every scan line that is no part of a blurred
    step: both sides of a hole read off the same way, and with them its centre. It is read off the face around it.
    """
    stations, edges, origin = here.stations, here.edges, float(here.d_mm[0])
    clear, even = CLEAR_BLURS * edges.blur_mm, np.empty_like(here.ribbon)
    places = edges.d_mm, clear, stations.points_mm, stations.directions
    face = LEAST_LIT, UNLIKE_FACE, MOST_SLOPE
    told = arris_kernels.lit_evenly(here.ribbon, origin, float(here.d_mm[1]) - origin, *places, *face, even)
    return even if told else here.ribbon


def long_axis(stations: Stations) -> float:
    """Direction [rad] of the greatest extent of a slot."""
    away = stations.points_mm[:, :2] - stations.points_mm[:, :2].mean(axis=0)
    xx, xy, yy = float(away[:, 0] @ away[:, 0]), float(away[:, 0] @ away[:, 1]), float(away[:, 1] @ away[:, 1])
    return 0.5 * atan2(2.0 * xy, xx - yy)


def _robust(rows: Array, d: Array, usable: NDArray[np.bool_]) -> Array:
    return np.asarray(kernels.robust_fit(rows, d, usable, 2, 0.05))


def _settle(fits: list[_Fitting], d_mm: Array, noise: float) -> None:
    """Fit shapes and walls of all cut-outs together."""
    ends = np.cumsum([len(fit.rows) for fit in fits])
    last_terms = np.cumsum([len(fit.terms) for fit in fits])
    rows = np.zeros((ends[-1], last_terms[-1]))
    parts = []
    for fit, end, last in zip(fits, ends, last_terms, strict=True):
        lines, own = slice(end - len(fit.rows), end), slice(last - len(fit.terms), last)
        rows[lines, own] = fit.rows
        parts.append((fit, lines, own))

    def every(name: str) -> Array:
        return np.concatenate([getattr(fit, name) for fit in fits])

    ribbon = np.concatenate([evenly_lit(fit.here) for fit in fits])
    cutout = np.repeat(np.arange(len(fits)), [len(fit.rows) for fit in fits])
    usable = np.concatenate([fit.usable for fit in fits])
    shape = rows, every("pull"), every("facing"), cutout, usable, every("terms")
    px_per_mm = np.concatenate([fit.here.lines.px_per_mm for fit in fits])
    blur_mm = np.concatenate([fit.here.edges.blur_mm for fit in fits]) * float(px_per_mm.mean()) / px_per_mm
    found = fit_two_arrises(ribbon, d_mm, blur_mm, noise, every("wall"), *shape)
    for fit, lines, own in parts:
        fit.follow(found.terms[own], found.covariance[own, own], found.off_mm[lines], found.u_mm[lines])


def _without_edge(ribbon: Levels, noise: float, sheet_level: float) -> bool | None:
    """What to say where no edge was found. False: the sheet runs on across the band, the cut-out is not there. None:
    cannot tell. ``sheet_level`` - beside the cut-outs that were found, nan when there are none to compare with.
    """
    inner, outer = ribbon[:, : ribbon.shape[1] // 3].mean(axis=1), ribbon[:, -ribbon.shape[1] // 3 :].mean(axis=1)
    alike = np.abs(outer - inner) < 0.1 * np.maximum(inner, 1e-3) + 3.0 * noise
    foreign = np.abs(inner - sheet_level) > SHEET_LEVEL_SHARE * sheet_level
    return False if np.mean(alike & ~foreign) > 0.8 else None
