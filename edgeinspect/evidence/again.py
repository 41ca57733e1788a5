"""The numbers of a look worked out again: from its ribbons, and from its pictures where they are kept.

A ribbon tells where the edge is on its scan lines. With the camera, its pose, the outline and the datums it tells all
of the trim again: edge points, alignment, profiles, zones, path, cut-outs. Not on a ribbon are the pips that the
datums are read from, the fixture marks, the decal, and what lies beside the edge; those take the picture.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure import cutout as cutouts_of
from edgeinspect.measure.alignment import combine, fit_points, on_sheet
from edgeinspect.measure.cutout import CutOutFit, carried, common_lines, counted_from, fit_on_ribbon
from edgeinspect.measure.cutout_arrises import on_drawn_arris
from edgeinspect.measure.edge import Edges, fit_edges
from edgeinspect.measure.frames import Datum, alignment
from edgeinspect.measure.locate import RIM_ROUNDS, cut_datum, edge_on
from edgeinspect.measure.measurement import (
    CutOutResult,
    EdgeTrace,
    Flag,
    Quantity,
    Ribbon,
    ShellMeasurement,
    ZoneResult,
)
from edgeinspect.measure.picture import GreyPicture, RawLevels
from edgeinspect.measure.place import Scan
from edgeinspect.measure.ribbon import ScanLines, Stations, lay_scan_lines, pace_px
from edgeinspect.measure.setup import Setup, Sight
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.shot import Shot
from edgeinspect.measure.temperature import growth, u_growth
from edgeinspect.measure.trim import CutOutFound, Edge, cutout_result, path_error, rim_result
from edgeinspect.shell.definition import CutOut, DatumScheme

BY_STATION = ("picture", "set-up", "record", "program")  # stages of stops that the station says, not the gauge
# shares of the uncertainty that hang on more than a ribbon shows
OF_THEN = ("datums", "height of the shell")


@dataclass(frozen=True)
class CurveAgain:
    """The edge of one curve in one camera, then and now."""

    curve: str
    camera: str
    stations: int  # on which an edge was found then and now
    lost: int
    gained: int
    moved_mm: float  # the greatest change of an edge point


@dataclass(frozen=True)
class TrimAgain:
    measurement: ShellMeasurement  # that of then with all that the ribbons tell put in anew
    curves: tuple[CurveAgain, ...]
    off_outline_mm: float  # how far the scan lines lie off the outline as it was laid on the cut, at most
    off_camera_mm: float  # how far the edge's places in picture and fixture disagree by calibration and pose, at most


def from_pictures(gauge: ShellGauge, then: ShellMeasurement, levels: Mapping[str, RawLevels]) -> ShellMeasurement:
    """Everything measured again on the pictures. What the station itself had to object to (a picture that was not new)
    and the earlier looks are not in the pictures and stay as they were.
    """
    now = gauge.measure(then.variant, levels, then.temperature, then.checks)
    found = {(stop.stage, stop.reason) for stop in now.stops}
    fresh = [stop for stop in then.stops if (stop.stage, stop.reason) not in found]
    stations_own = tuple(stop for stop in fresh if stop.stage in BY_STATION)
    stops = tuple(stop for stop in now.stops if not (stop.stage == "picture" and stop.camera not in levels))
    return replace(now, stops=(*stations_own, *stops), before=then.before)


def can_tell_trim(then: ShellMeasurement, setup: Setup) -> bool:
    """Whether the ribbons of the whole rim are there, as far as its cameras had a picture."""
    rim = setup.definition.rim.name
    return any(ribbon.curve == rim for ribbon in then.ribbons) and then.cut is not None


def from_ribbons(setup: Setup, then: ShellMeasurement) -> TrimAgain:
    """The trim again. Taken as they were: the pose of each camera, where the pips put the datums, and the height at
    which the shell was measured.

    Raises ValueError when the ribbons are not those of this set-up's outline.
    """
    setup = _at_its_height(setup, then)
    sight = _sight(setup, then)
    datum = _formed_datum(setup, then)
    edge, curves, off_outline = _rim(sight, then, datum)
    assert then.cut is not None
    cutouts, more = _cutouts(sight, then, then.cut.shift, datum)
    judged_from = cut_datum(sight, edge, cutouts)[0] if _cut_by(setup) else datum
    rim = rim_result(sight, edge, judged_from)
    shift, turn = path_error(sight, edge)
    found = tuple(cutout_result(sight, k, one, judged_from) for k, one in enumerate(cutouts))
    zones = _with_shares_of_then(rim.zones, then) if datum is not None else rim.zones
    found = _cutouts_with_shares_of_then(found, then) if datum is not None else found
    now = replace(
        then,
        cut=alignment("cut - fixture", edge.cut, edge.covariance, edge.rms_mm),
        best_fit=rim.best_fit,
        profiles=rim.profiles,
        zones=zones,
        path_shift=_of_then(shift, then.path_shift),
        path_rotation=_of_then(turn, then.path_rotation),
        cutouts=found,
    )
    return TrimAgain(now, (*curves, *more), off_outline, _off_camera_mm(sight, then))


def _at_its_height(setup: Setup, then: ShellMeasurement) -> Setup:
    """The set-up as it was measured with: where pips, cut-outs and cameras told another height, at that one."""
    height = then.height
    if height is None or not height.used or height.lift is None or height.tilt_x is None or height.tilt_y is None:
        return setup
    told = height.lift, height.tilt_x, height.tilt_y
    to_rad = np.array([1.0, np.deg2rad(1.0), np.deg2rad(1.0)])
    terms = np.array([one.value for one in told]) * to_rad
    return setup.at_height(terms, np.diag((np.array([one.u for one in told]) * to_rad) ** 2))


def _sight(setup: Setup, then: ShellMeasurement) -> Sight:
    """The cameras as they stood, without their pictures."""
    views = {view.camera: view for view in then.views}
    stopped = {stop.camera for stop in then.stops if stop.camera}
    nothing = GreyPicture(np.zeros((1, 1), dtype=np.uint8))
    shots: list[Shot | None] = []
    for calibration in setup.calibrations:
        view = views.get(calibration.camera)
        if view is None or view.fixture_pose is None or calibration.camera in stopped:
            shots.append(None)
            continue
        pose = view.fixture_pose
        px_per_mm = calibration.model.fx / float(pose.apply(setup.rim_seated.points_mm[:1])[0, 2])
        shots.append(Shot(calibration.camera, nothing, calibration.model, pose, view.blur_px, px_per_mm))
    material, temperature = setup.definition.material, then.temperature
    return Sight(setup, tuple(shots), growth(material, temperature), u_growth(material, temperature))


def _formed_datum(setup: Setup, then: ShellMeasurement) -> Datum | None:
    if setup.definition.datum is DatumScheme.FIXTURE:
        return Datum(PlaneShift(0.0, 0.0, 0.0), np.zeros((3, 3)), 0.0)
    if setup.definition.datum is not DatumScheme.PIPS or then.seating is None:
        return None
    return Datum(then.seating.shift, np.zeros((3, 3)), then.seating.rms_mm)


def _cut_by(setup: Setup) -> bool:
    """Whether the datums are what the cutter made."""
    return setup.definition.datum in (DatumScheme.BEST_FIT, DatumScheme.HOLE_AND_SLOT)


def _laid(sight: Sight, stations: Stations, cut: PlaneShift, datum: Datum | None) -> Stations:
    setup, shell = sight.setup, cut if datum is None else datum.shift
    return on_sheet(stations, cut.pose().after(setup.seating.pose), shell.pose().after(setup.seat), sight.growth)


@dataclass(frozen=True)
class _Kept:
    """What the record keeps of one curve, all cameras together, on the curve's own stations."""

    camera: NDArray[np.intp]  # (N,)
    ribbon: NDArray[np.float32]  # (N, M) nan where there is none
    d_mm: Array  # (M,)
    edge_d_mm: Array  # (N,)
    point_mm: Array  # (N, 3)
    flags: NDArray[np.int32]  # (N,)


def _kept(sight: Sight, then: ShellMeasurement, curve: str, stations: Stations, band_mm: float) -> _Kept | None:
    """None: nothing is kept of the curve. Raises ValueError: it is of another outline."""
    ribbons = {ribbon.camera: ribbon for ribbon in then.ribbons if ribbon.curve == curve}
    traces = {trace.camera: trace for trace in then.traces if trace.curve == curve}
    if not ribbons.keys() & traces.keys():
        return None
    count, samples = len(stations.arc_mm), len(next(iter(ribbons.values())).d_mm)
    levels = np.full((count, samples), np.nan, dtype=np.float32)
    edge_d, points = np.full(count, np.nan), np.full((count, 3), np.nan)
    flags = np.full(count, Flag.OUTSIDE, dtype=np.int32)
    for k, shot in enumerate(sight.shots):
        own = np.flatnonzero(stations.camera == k)
        if shot is None or shot.camera not in ribbons or shot.camera not in traces:
            continue
        ribbon, trace = ribbons[shot.camera], traces[shot.camera]
        if not _of_these(ribbon, trace, stations.arc_mm[own], band_mm) or ribbon.levels.shape[1] != samples:
            raise ValueError(f"the ribbon of {curve} in camera {shot.camera} is not of this outline")
        levels[own], edge_d[own], points[own] = ribbon.levels, ribbon.edge_d_mm, trace.point_mm
        flags[own] = trace.flags
    return _Kept(stations.camera, levels, np.linspace(-band_mm, band_mm, samples), edge_d, points, flags)


def _of_these(ribbon: Ribbon, trace: EdgeTrace, arc_mm: Array, band_mm: float) -> bool:
    ends = float(ribbon.d_mm[0]), float(ribbon.d_mm[-1])
    return (
        len(ribbon.arc_mm) == len(trace.arc_mm) == len(arc_mm)
        and bool(np.abs(ribbon.arc_mm - arc_mm).max(initial=0.0) < 1e-3)
        and bool(np.allclose(ends, (-band_mm, band_mm), atol=1e-4))
    )


def _rim(sight: Sight, then: ShellMeasurement, datum: Datum | None) -> tuple[Edge, list[CurveAgain], float]:
    name, rim = sight.definition.rim.name, sight.setup.rim
    kept = _kept(sight, then, name, rim, sight.definition.search_band_mm)
    if kept is None or then.cut is None:
        raise ValueError("no ribbon of the rim is kept")
    at, shift, off_mm = _where_laid(sight, rim, kept, then.cut.shift, datum)
    scan = _fitted(sight, at, kept)
    edge = edge_on(sight, scan, shift)
    return edge, _curves(sight, name, kept, edge.traced.drawn, edge.point_mm), off_mm


def _where_laid(
    sight: Sight, rim: Stations, kept: _Kept, start: PlaneShift, datum: Datum | None
) -> tuple[Stations, PlaneShift, float]:
    """The stations as the last ribbon was laid on them, the shift that put them there, and how far the kept edge
    points miss them, at most: they must lie on their scan lines.
    """
    shift = start
    known = np.isfinite(kept.point_mm).all(axis=1) & np.isfinite(kept.edge_d_mm)
    for _ in range(4):
        at = _laid(sight, rim, shift, datum)
        base = kept.point_mm - kept.edge_d_mm[:, None] * at.directions
        fit = fit_points(at.points_mm[known, :2], base[known, :2], np.ones(int(known.sum())))
        shift = combine(fit.shift, shift)
    at = _laid(sight, rim, shift, datum)
    base = kept.point_mm - kept.edge_d_mm[:, None] * at.directions
    return at, shift, float(np.linalg.norm((base - at.points_mm)[known], axis=1).max(initial=0.0))


def _fitted(sight: Sight, at: Stations, kept: _Kept) -> Scan:
    """As measure.place.scan, on ribbons that are there already."""
    count = len(at.arc_mm)
    whole = ScanLines(*(np.full((count, 2), np.nan) for _ in range(3)))
    d, u, contrast, blur = (np.full(count, np.nan) for _ in range(4))
    flags = np.full(count, Flag.OUTSIDE, dtype=np.int32)
    alike: tuple[float, ...] = ()
    for k, shot in enumerate(sight.shots):
        own = np.flatnonzero(at.camera == k)
        if shot is None or not len(own):
            continue
        band_mm = sight.definition.search_band_mm
        lines = lay_scan_lines(at.points_mm[own], at.directions[own], band_mm, shot.model, shot.pose)
        for name in ("centre", "first", "second"):
            getattr(whole, name)[own] = getattr(lines, name)
        pace = pace_px(lines.centre)
        found = fit_edges(kept.ribbon[own], kept.d_mm, lines.px_per_mm, shot.blur_px, rounds=RIM_ROUNDS, pace_px=pace)
        d[own], u[own], contrast[own], flags[own] = found.d_mm, found.u_mm, found.contrast, found.flags
        blur[own], alike = found.blur_mm, found.alike
    return Scan(at, whole, kept.d_mm, kept.ribbon, Edges(d, u, contrast, blur, flags, alike))


def _curves(sight: Sight, name: str, kept: _Kept, edges: Edges, points_mm: Array) -> list[CurveAgain]:
    then = (kept.flags == 0) & np.isfinite(kept.edge_d_mm)
    now = (edges.flags == 0) & np.isfinite(edges.d_mm)
    moved = np.linalg.norm(points_mm - kept.point_mm, axis=1)
    found = []
    for k, shot in enumerate(sight.shots):
        own = kept.camera == k
        if shot is None or not own.any():
            continue
        both = own & then & now
        counts = int(both.sum()), int((own & then & ~now).sum()), int((own & now & ~then).sum())
        found.append(CurveAgain(name, shot.camera, *counts, float(moved[both].max(initial=0.0))))
    return found


def _cutouts(
    sight: Sight, then: ShellMeasurement, cut: PlaneShift, datum: Datum | None
) -> tuple[list[CutOutFound], list[CurveAgain]]:
    setup = sight.setup
    if setup.cutout_stations is None:
        return [], []
    every = setup.cutouts
    whole = _laid(sight, setup.cutout_stations, cut, datum)
    begins = [0, *setup.cutout_ends[:-1]]
    laid = [whole.part(slice(int(a), int(b))) for a, b in zip(begins, setup.cutout_ends, strict=True)]
    fits: list[CutOutFit | None] = [None] * len(every)
    before: dict[int, _Kept] = {}
    for c, shot in enumerate(sight.shots):
        own = [k for k, camera in enumerate(setup.cutout_camera) if camera == c]
        kept = [_kept(sight, then, every[k][0].curve.name, every[k][1], cutouts_of.BAND_MM) for k in own]
        if shot is None or not own or any(one is None for one in kept):
            continue
        there = [one for one in kept if one is not None]
        shifts = [_carried_by(laid[k], one) for k, one in zip(own, there, strict=True)]
        wanted: list[tuple[CutOut, Stations]] = [
            (every[k][0], carried(laid[k], shift)) for k, shift in zip(own, shifts, strict=True)
        ]
        lines, ribbon = common_lines(wanted, shot.model, shot.pose), np.concatenate([one.ribbon for one in there])
        d_mm, sheet = there[0].d_mm, setup.definition.sheet_mm
        found = fit_on_ribbon(ribbon, d_mm, lines, wanted, sheet, shot.model, shot.pose, shot.blur_px)
        for k, one, shift, fit in zip(own, there, shifts, found, strict=True):
            fits[k], before[k] = counted_from(fit, shift), one
    middles = np.array([np.append(cutout.centre_mm, s.points_mm[:, 2].mean()) for cutout, s in every])
    nominal = cut.pose().after(setup.seating.pose).apply(middles)
    nominal[:, 2] = [at.points_mm[:, 2].mean() for at in laid]
    as_cut = [CutOutFound(c, laid[k], nominal[k], fits[k]) for k, (c, _) in enumerate(every)]
    drawn, _ = on_drawn_arris(sight, as_cut)
    curves: list[CurveAgain] = []
    for k, one in before.items():
        now = drawn[k].fit
        assert now is not None, "it has a ribbon"
        at, edges = now.scan.stations, now.scan.edges
        points = at.points_mm + edges.d_mm[:, None] * at.directions
        curves += _curves(sight, every[k][0].curve.name, one, edges, points)
    return drawn, curves


def _carried_by(at: Stations, kept: _Kept) -> Array:
    """How far (2,) in plan a cut-out's scan lines were carried before they were laid again over what was found; next to
    nothing where they were not.
    """
    base = kept.point_mm - kept.edge_d_mm[:, None] * at.directions
    known = np.isfinite(base).all(axis=1)
    return np.asarray((base - at.points_mm)[known, :2].mean(axis=0)) if known.any() else np.zeros(2)


def _off_camera_mm(sight: Sight, then: ShellMeasurement) -> float:
    """Calibration and pose of then against the edge's places of then, in the picture and in the fixture."""
    worst = 0.0
    for trace in then.traces:
        shot = next((one for one in sight.shots if one is not None and one.camera == trace.camera), None)
        known = np.isfinite(trace.point_mm).all(axis=1) & np.isfinite(trace.pixel).all(axis=1)
        if shot is None or not known.any():
            continue
        points = trace.point_mm[known].astype(np.float64)
        off_px = np.linalg.norm(shot.model.project(points, shot.pose) - trace.pixel[known], axis=1)
        scale = np.hypot(*trace.pixel_per_mm[known].T)
        worst = max(worst, float((off_px / scale).max()))
    return worst


def _of_then(now: Quantity, then: Quantity | None) -> Quantity:
    """``now`` with the share of the datums that the pips gave then: a ribbon does not show them."""
    told = {share.source: share for share in then.shares if share.source in OF_THEN} if then else {}
    square = now.u**2
    for share in now.shares:
        if share.source in told:
            square += told[share.source].u ** 2 - share.u**2
    shares = tuple(told.get(share.source, share) for share in now.shares)
    return replace(now, u=float(np.sqrt(max(0.0, square))), shares=shares)


def _with_shares_of_then(zones: tuple[ZoneResult, ...], then: ShellMeasurement) -> tuple[ZoneResult, ...]:
    old = {zone.zone: zone for zone in then.zones}
    return tuple(
        replace(zone, most=_of_then(zone.most, old[zone.zone].most), least=_of_then(zone.least, old[zone.zone].least))
        if zone.zone in old
        else zone
        for zone in zones
    )


def _cutouts_with_shares_of_then(found: tuple[CutOutResult, ...], then: ShellMeasurement) -> tuple[CutOutResult, ...]:
    old = {cutout.name: cutout for cutout in then.cutouts}
    return tuple(
        replace(one, dx=_of_then(one.dx, old[one.name].dx), dy=_of_then(one.dy, old[one.name].dy))
        if one.dx and one.dy and one.name in old
        else one
        for one in found
    )
