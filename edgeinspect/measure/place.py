"""Find roughly where the cut outline lies: within +-10 mm and +-5 degrees of where the fixture holds it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure.alignment import combine, fit_along_normals, placed
from edgeinspect.measure.edge import Edges, fit_edges, polarity_of
from edgeinspect.measure.measurement import Flag
from edgeinspect.measure.picture import Levels
from edgeinspect.measure.ribbon import ScanLines, Stations, lay_scan_lines, offsets, pace_px, sample
from edgeinspect.measure.shot import Shot, Shots

REACH_MM = 10.0
REACH_DEG = 5.0
NEAR_MM = 4.0  # search band of the first look, when the shell sits about where it should
FEW_MM = 6.0  # between the stations that a rough place needs
SEARCH_STEP_MM = 2.0
SEEN_SHARE = 0.6  # of the stations must show an edge, or this is not the outline
LEAST_SCORE = 0.4  # of the search: at the ends of its range the lid scores 0.49, lids of another outline below 0.33


@dataclass(frozen=True)
class Scan:
    """Edges of a curve, with the stations and lines they were found on."""

    stations: Stations
    lines: ScanLines
    d_mm: Array
    ribbon: Levels
    edges: Edges

    def part(self, lines: slice, stations: Stations) -> Scan:
        """Some of the scan lines, with their own stations."""
        return Scan(stations, self.lines.part(lines), self.d_mm, self.ribbon[lines], self.edges.part(lines))

    def blurred(self, factor: float) -> Scan:
        """The same edges, this much more blurred than those that they were fitted with."""
        return replace(self, edges=replace(self.edges, blur_mm=factor * self.edges.blur_mm))


def unroll(
    shots: Shots, stations: Stations, half_mm: float, d_mm: Array | None = None, *, pairs: bool = False
) -> tuple[ScanLines, Array, Levels]:
    """Scan lines, offsets and ribbon of stations in the fixture frame, each from its own camera; nan where that
    camera has no picture. ``pairs`` - see ribbon.sample.
    """
    first = shots[0]
    if len(shots) == 1 and first is not None:
        lines = lay_scan_lines(stations.points_mm, stations.directions, half_mm, first.model, first.pose)
        d_mm = offsets(half_mm, float(lines.px_per_mm.mean())) if d_mm is None else d_mm
        return lines, d_mm, sample(first.picture, lines, d_mm, pairs=pairs)
    points, directions = stations.points_mm, stations.directions
    laid = [
        (shot, pick, lay_scan_lines(points[pick], directions[pick], half_mm, shot.model, shot.pose))
        for shot, pick in _by_camera(shots, stations)
    ]
    if d_mm is None:
        d_mm = offsets(half_mm, max((float(part.px_per_mm.mean()) for _, _, part in laid), default=1.0))
    whole = ScanLines(*(np.full((len(points), 2), np.nan) for _ in range(3)))
    ribbon = np.full((len(points), len(d_mm)), np.nan, dtype=np.float32)
    for shot, pick, part in laid:
        for name in ("centre", "first", "second"):
            getattr(whole, name)[pick] = getattr(part, name)
        ribbon[pick] = sample(shot.picture, part, d_mm, pairs=pairs)
    return whole, d_mm, ribbon


def _by_camera(shots: Shots, stations: Stations) -> list[tuple[Shot, NDArray[np.intp]]]:
    """Every usable picture with its stations, those with none left out."""
    every = [(shot, np.flatnonzero(stations.camera == k)) for k, shot in enumerate(shots) if shot is not None]
    return [(shot, pick) for shot, pick in every if len(pick)]


def has_picture(shots: Shots, stations: Stations) -> NDArray[np.bool_]:
    """(N,): whether the station's camera has a usable picture."""
    return np.array([shot is not None for shot in shots])[stations.camera]


def scan(shots: Shots, stations: Stations, half_mm: float, rounds: int = 3, *, pairs: bool = False) -> Scan:
    """Lay a ribbon of half width ``half_mm`` on stations in the fixture frame, and fit its edge: blur and noise are
    each picture's own. ``pairs`` - the stations are those of one curve, and no pixel is to be left out between them.
    """
    lines, d_mm, ribbon = unroll(shots, stations, half_mm, pairs=pairs)
    first = shots[0]
    if len(shots) == 1 and first is not None:
        pace = pace_px(lines.centre) if pairs else None
        edges = fit_edges(ribbon, d_mm, lines.px_per_mm, first.blur_px, rounds=rounds, pace_px=pace)
        return Scan(stations, lines, d_mm, ribbon, edges)
    count = len(ribbon)
    d, u, contrast, blur = (np.full(count, np.nan) for _ in range(4))
    flags = np.full(count, Flag.OUTSIDE, dtype=np.int32)
    alike: tuple[float, ...] = ()
    for shot, pick in _by_camera(shots, stations):
        pace = pace_px(lines.centre[pick]) if pairs else None
        part = fit_edges(ribbon[pick], d_mm, lines.px_per_mm[pick], shot.blur_px, rounds=rounds, pace_px=pace)
        alike = part.alike
        d[pick], u[pick], contrast[pick], flags[pick] = part.d_mm, part.u_mm, part.contrast, part.flags
        blur[pick] = part.blur_mm
    return Scan(stations, lines, d_mm, ribbon, Edges(d, u, contrast, blur, flags, alike))


def find_place(shots: Shots, nominal: Stations) -> PlaneShift | None:
    """Plane shift (about the fixture's origin) from the nominal seating onto the cut, to a few tenths of a mm; None
    where no outline is.

    ``nominal`` - stations at the nominal seating, fixture frame. Looks first where the shell should be, then in the
    whole range.
    """
    few = nominal.part(slice(None, None, max(1, round(FEW_MM / nominal.step_mm))))
    settled = _settle(shots, few, PlaneShift(0.0, 0.0, 0.0))
    if settled is not None:
        return settled
    found = _search(shots, nominal.part(slice(None, None, max(1, round(SEARCH_STEP_MM / nominal.step_mm)))))
    return None if found is None else _settle(shots, few, found)


def _settle(shots: Shots, few: Stations, shift: PlaneShift) -> PlaneShift | None:
    looked_at = has_picture(shots, few)
    for _ in range(4):
        here = scan(shots, placed(few, shift), NEAR_MM, rounds=1)
        seen = here.edges.flags == 0
        if not seen[looked_at].any() or seen[looked_at].mean() < SEEN_SHARE:
            return None
        fit = fit_along_normals(here.stations.points_mm, here.stations.normals, here.edges.d_mm, seen)
        if fit.rms_mm > 0.8:
            return None
        shift = combine(fit.shift, shift)
        if np.hypot(fit.shift.dx_mm, fit.shift.dy_mm) < 0.5 and abs(fit.shift.rotation_deg) < 0.1:
            return shift
    return None


def _search(shots: Shots, few: Stations) -> PlaneShift | None:
    """Score plane shifts by the brightness step that they would put on the outline; coarse grid, then three finer
    ones.
    """
    reach = REACH_MM + np.deg2rad(REACH_DEG) * float(np.hypot(*few.points_mm[:, :2].T).max())
    few = few.part(np.flatnonzero(has_picture(shots, few)))
    if not len(few.arc_mm):
        return None
    d_mm = np.linspace(-reach, reach, 2 * round(reach / 0.4) + 1)
    ribbon = np.nan_to_num(unroll(shots, few, reach, d_mm)[2])
    spacing = d_mm[1] - d_mm[0]
    lag = round(2.0 / spacing)
    total = np.cumsum(np.pad(ribbon, ((0, 0), (1 + lag, lag)), mode="edge"), axis=1)
    window = total[:, 2 * lag :] - 2.0 * total[:, lag:-lag] + total[:, : -2 * lag]
    rise = np.clip(polarity_of(ribbon) * window / lag, 0.0, None)[:, : len(d_mm)]
    rise /= max(float(np.percentile(rise.max(axis=1), 50)), 1e-6)
    rise = np.minimum(rise, 1.2)
    turn = few.points_mm[:, 0] * few.normals[:, 1] - few.points_mm[:, 1] * few.normals[:, 0]
    rows = np.arange(len(rise))[None, :]
    best, centre = -1.0, np.zeros(3)
    steps = np.array([1.6, 1.6, np.deg2rad(0.6)])
    counts = (7, 7, 10)
    for _ in range(4):
        axes = [centre[k] + steps[k] * np.arange(-counts[k], counts[k] + 1) for k in range(3)]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        for block in np.array_split(grid, max(1, len(grid) // 1000)):
            along = block[:, :1] * few.normals[:, 0] + block[:, 1:2] * few.normals[:, 1] + block[:, 2:] * turn
            sample_at = np.clip(np.rint((along - d_mm[0]) / spacing).astype(np.intp), 0, len(d_mm) - 1)
            score = rise[rows, sample_at].mean(axis=1)
            if score.max() > best:
                best, centre = float(score.max()), block[score.argmax()]
        steps, counts = steps / 2.5, (3, 3, 3)
    if best < LEAST_SCORE:
        return None
    return PlaneShift(float(centre[0]), float(centre[1]), float(np.rad2deg(centre[2])))
