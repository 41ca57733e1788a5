"""Find roughly where the cut outline lies: within +-10 mm and +-5 degrees of where the fixture holds it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeinspect.geometry import Array, PlaneShift, Pose
from edgeinspect.measure.alignment import combine, fit_along_normals, placed
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.edge import Edges, fit_edges, polarity_of
from edgeinspect.measure.picture import GreyPicture, Levels
from edgeinspect.measure.ribbon import ScanLines, Stations, lay_scan_lines, offsets, sample

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


def scan(
    picture: GreyPicture,
    stations: Stations,
    half_mm: float,
    model: CameraModel,
    pose: Pose,
    blur_px: float,
    rounds: int = 3,
) -> Scan:
    """Lay a ribbon of half width ``half_mm`` on stations in the fixture frame, and fit its edge."""
    lines = lay_scan_lines(stations.points_mm, stations.directions, half_mm, model, pose)
    d_mm = offsets(half_mm, float(lines.px_per_mm.mean()))
    ribbon = sample(picture, lines, d_mm)
    return Scan(stations, lines, d_mm, ribbon, fit_edges(ribbon, d_mm, lines.px_per_mm, blur_px, rounds=rounds))


def find_place(
    picture: GreyPicture, nominal: Stations, model: CameraModel, pose: Pose, blur_px: float
) -> PlaneShift | None:
    """Plane shift (about the fixture's origin) from the nominal seating onto the cut, to a few tenths of a mm; None
    where no outline is.

    ``nominal`` - stations at the nominal seating, fixture frame. Looks first where the shell should be, then in the
    whole range.
    """
    few = nominal.part(slice(None, None, max(1, round(FEW_MM / nominal.step_mm))))
    settled = _settle(picture, few, PlaneShift(0.0, 0.0, 0.0), model, pose, blur_px)
    if settled is not None:
        return settled
    found = _search(
        picture, nominal.part(slice(None, None, max(1, round(SEARCH_STEP_MM / nominal.step_mm)))), model, pose
    )
    return None if found is None else _settle(picture, few, found, model, pose, blur_px)


def _settle(
    picture: GreyPicture, few: Stations, shift: PlaneShift, model: CameraModel, pose: Pose, blur_px: float
) -> PlaneShift | None:
    for _ in range(4):
        here = scan(picture, placed(few, shift), NEAR_MM, model, pose, blur_px, rounds=1)
        seen = here.edges.flags == 0
        if seen.mean() < SEEN_SHARE:
            return None
        fit = fit_along_normals(here.stations.points_mm, here.stations.normals, np.nan_to_num(here.edges.d_mm), seen)
        if fit.rms_mm > 0.8:
            return None
        shift = combine(fit.shift, shift)
        if np.hypot(fit.shift.dx_mm, fit.shift.dy_mm) < 0.5 and abs(fit.shift.rotation_deg) < 0.1:
            return shift
    return None


def _search(picture: GreyPicture, few: Stations, model: CameraModel, pose: Pose) -> PlaneShift | None:
    """Score plane shifts by the brightness step that they would put on the outline; coarse grid, then three finer
    ones.
    """
    reach = REACH_MM + np.deg2rad(REACH_DEG) * float(np.hypot(*few.points_mm[:, :2].T).max())
    lines = lay_scan_lines(few.points_mm, few.directions, reach, model, pose)
    d_mm = np.linspace(-reach, reach, 2 * round(reach / 0.4) + 1)
    ribbon = np.nan_to_num(sample(picture, lines, d_mm))
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
