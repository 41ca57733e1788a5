"""The rim of a stored measurement by another method: filtered anew, or its edge sought anew in another band.

What the record keeps is enough for that: edge points, the profile of each frame, the ribbon. It is not enough for the
fixture's pose, the datums, cut-outs, decals and flaws: these stay as they were measured. Before anything is changed the
stored profile must come back from the stored points, so that what differs afterwards is the method's doing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure.alignment import combine, deviation_from, fit_along_normals, placed, shift_rows
from edgeinspect.measure.deviation import Shares, filter_closed, gaussian_weights, zone_result
from edgeinspect.measure.edge import fit_edges
from edgeinspect.measure.fixture import Seating
from edgeinspect.measure.measurement import DeviationProfile, EdgeTrace, Flag, Quantity, Ribbon, ShellMeasurement
from edgeinspect.measure.ribbon import Stations, lay_stations
from edgeinspect.measure.shell import GREATEST_U_MM, RIM_ROUNDS
from edgeinspect.measure.temperature import Temperature, growth
from edgeinspect.shell.definition import Arris, DatumScheme, Frame, ShellDefinition

COMES_BACK_MM = 0.002  # single precision leaves 0.0001 mm; another definition or seating is off by far more
SAME_STATIONS = 0.98  # of the profile: as much as a zone must have seen
ARC_ROUNDING_MM = 1e-3  # the record keeps arc lengths in single precision
STEPS_A_CUTOFF = 5.0  # as a definition must have them, or the filter is not the one that its name says


@dataclass(frozen=True)
class NotAgain:
    """Why a stored look cannot be measured by another method without its picture."""

    reason: str  # a plain sentence without a full stop
    narrow: bool = False  # its ribbon is narrower than the band that was asked for


@dataclass(frozen=True)
class _Rim:
    """The rim's edge on all its stations, from all cameras together; fixture frame."""

    points_mm: Array  # (N, 3) nan where none was found
    d_mm: Array  # (N,) along its scan line
    u_mm: Array  # (N,) of one scan line
    flags: NDArray[np.int32]  # (N,)

    @property
    def usable(self) -> NDArray[np.bool_]:
        return np.asarray((self.flags == 0) & np.isfinite(self.points_mm[:, 0]))

    @property
    def noise_mm(self) -> Array:
        """(N,) u of a line; of lines that are not used the usual one stands in, as when it was measured."""
        usable = self.usable
        usual = np.median(self.u_mm[usable]) if usable.any() else np.nan
        return np.where(usable, self.u_mm, usual)


@dataclass(frozen=True)
class _Placed:
    """Where the nominal rim lies in one frame, and what of the profile's uncertainty is not picture noise."""

    nominal: Stations
    growth: float
    rest_mm: Array  # (N,) u of all causes but the picture's noise


class RibbonGauge:
    """Measures stored rims of one definition in one fixture; prepare it once, use it for many looks."""

    def __init__(self, definition: ShellDefinition, seating: Seating) -> None:
        self._definition, self._seating = definition, seating
        self._rim = lay_stations(definition.rim, definition.step_mm)
        self._kept = _noise_left(definition.filter_cutoff_mm, self._rim.step_mm)

    def measure(
        self, measurement: ShellMeasurement, tried: ShellDefinition
    ) -> tuple[ShellMeasurement, ShellMeasurement] | NotAgain:
        """A stored measurement by the definition's own method and by that of ``tried``, both from what is stored.

        ``tried`` - the definition with another filter_cutoff_mm or search_band_mm. Zones, their profiles and the path
        error are new; everything else is as it was.
        """
        ribbons = [ribbon for ribbon in measurement.ribbons if ribbon.curve == self._definition.rim.name]
        if refused := self._refused(measurement, ribbons, tried):
            return refused
        stored = self._stored(measurement)
        if isinstance(stored, NotAgain):
            return stored
        frames = self._frames(measurement, stored)
        if isinstance(frames, NotAgain):
            return frames
        done = []
        for definition in (self._definition, tried):
            result, edge = measurement, stored
            if tried.search_band_mm != self._definition.search_band_mm:
                edge = self._sought(measurement, stored, ribbons, definition.search_band_mm)
                result = self._with_path(measurement, stored, edge)
            done.append(self._judged(result, edge, frames, definition.filter_cutoff_mm))
        if not _alike(measurement, done[0]):
            words = "its edge does not come back from its stored ribbon"
            return NotAgain(
                f"{words}: its cut face is seen there, or another program measured it; its picture is not kept"
            )
        return done[0], done[1]

    def _refused(self, measurement: ShellMeasurement, ribbons: list[Ribbon], tried: ShellDefinition) -> NotAgain | None:
        own, step = self._definition, self._rim.step_mm
        no_picture = "its picture is not kept"
        if measurement.cut is None or not measurement.zones:
            return NotAgain(f"its rim was not measured then, and {no_picture}")
        if tried.arris is not own.arris:
            return NotAgain(f"the {tried.arris}-face arris cannot be told from a stored ribbon, and {no_picture}")
        if tried.filter_cutoff_mm < STEPS_A_CUTOFF * step * (1 - 1e-9):
            finest, cutoff = tried.filter_cutoff_mm / STEPS_A_CUTOFF, f"a cut-off of {tried.filter_cutoff_mm:g} mm"
            words = f"its scan lines lie {step:.2f} mm apart, {cutoff} asks for at most {finest:.2f} mm"
            return NotAgain(f"{words}, and {no_picture}: choose {STEPS_A_CUTOFF * step:.1f} mm or more")
        if tried.search_band_mm == own.search_band_mm:
            return None
        if own.arris is Arris.BACK:
            return NotAgain(f"the back-face arris cannot be sought anew on a stored ribbon, and {no_picture}")
        if own.datum is DatumScheme.BEST_FIT or any(zone.frame is Frame.BEST_FIT for zone in own.zones):
            return NotAgain(f"it is judged by its own fit, which another band moves, and {no_picture}")
        if not ribbons:
            return NotAgain("neither its picture nor a ribbon of the rim is kept")
        reach = min(float(np.abs(ribbon.d_mm).max()) for ribbon in ribbons)
        widest = max(own.search_band_mm, tried.search_band_mm)
        if widest > reach * (1 + 1e-5):
            words = f"its stored ribbon is too narrow: it reaches ±{reach:.1f} mm, asked for is ±{widest:g} mm"
            return NotAgain(f"{words}, and {no_picture}: choose ±{reach:.1f} mm or less", narrow=True)
        return None

    def _index(self, arc_mm: Array) -> NDArray[np.intp] | None:
        """Which stations of the definition these are; None where they are others."""
        arc = np.asarray(arc_mm, dtype=np.float64)
        index = np.rint(arc / self._rim.step_mm).astype(np.intp)
        if index.max(initial=0) >= len(self._rim.arc_mm):
            return None
        return None if np.abs(self._rim.arc_mm[index] - arc).max(initial=0.0) > ARC_ROUNDING_MM else index

    def _stored(self, measurement: ShellMeasurement) -> _Rim | NotAgain:
        count = len(self._rim.arc_mm)
        points, u, d = np.full((count, 3), np.nan), np.full(count, np.nan), np.full(count, np.nan)
        flags = np.full(count, int(Flag.OUTSIDE), dtype=np.int32)
        ribbons = {ribbon.camera: ribbon for ribbon in measurement.ribbons if ribbon.curve == self._definition.rim.name}
        for trace in self._traces(measurement):
            index = self._index(trace.arc_mm)
            if index is None:
                return NotAgain("it was measured on another outline, or on other places of it")
            points[index], u[index], flags[index] = trace.point_mm, trace.u_mm, trace.flags
            if trace.camera in ribbons:
                d[index] = ribbons[trace.camera].edge_d_mm
        return _Rim(points, d, u, flags)

    def _traces(self, measurement: ShellMeasurement) -> list[EdgeTrace]:
        return [trace for trace in measurement.traces if trace.curve == self._definition.rim.name]

    def _frames(self, measurement: ShellMeasurement, stored: _Rim) -> dict[Frame, _Placed] | NotAgain:
        """Each frame that a zone is judged in, found by bringing its stored profile back from the stored points."""
        pose, cut = self._seating.pose, measurement.cut
        assert cut is not None
        warm = growth(self._definition.material, Temperature(measurement.temperature_c))
        there = self._rim.scaled(warm).placed(pose)
        profiles = {profile.frame: profile for profile in measurement.profiles}
        found: dict[Frame, _Placed] = {}
        for frame in {zone.frame for zone in measurement.zones}:
            if frame not in profiles or len(profiles[frame].deviation_mm) != len(self._rim.arc_mm):
                return NotAgain("the profile that its zones were judged on is not kept")
            if frame is Frame.FIXTURE:
                nominal, scale = self._rim.placed(pose), 1.0
                off = self._off(nominal, scale, stored, profiles[frame])
            else:
                known = measurement.best_fit if frame is Frame.BEST_FIT else measurement.seating
                shift, scale = (known or cut).shift, warm
                for _ in range(4):  # the datums' own shift is not always kept: three numbers, from thousands of places
                    nominal = placed(there, shift)
                    off = self._off(nominal, scale, stored, profiles[frame])
                    if _worst(off) < 0.1 * COMES_BACK_MM:
                        break
                    shift = combine(_shift_of(nominal, off * scale), shift)
            if not _worst(off) <= COMES_BACK_MM:
                words = "its stored profile does not come back from its stored edge"
                return NotAgain(f"{words}: it was measured by another definition, or seated otherwise")
            found[frame] = _Placed(nominal, scale, self._rest(stored, profiles[frame]))
        return found

    def _off(self, nominal: Stations, scale: float, stored: _Rim, profile: DeviationProfile) -> Array:
        """(N,) what comes out more than is stored; nan where neither is."""
        deviation, _ = deviation_from(nominal, stored.points_mm)
        filtered, _ = filter_closed(
            deviation / scale, stored.usable, self._definition.filter_cutoff_mm, self._rim.step_mm
        )
        return np.asarray(filtered - profile.deviation_mm)

    def _rest(self, stored: _Rim, profile: DeviationProfile) -> Array:
        square = np.square(profile.u_mm.astype(np.float64)) - np.square(stored.noise_mm * self._kept)
        known = np.isfinite(square)
        arc, length = self._rim.arc_mm, self._definition.rim.length_mm
        whole = np.interp(arc, arc[known], np.maximum(square[known], 0.0), period=length)
        return np.asarray(np.sqrt(whole))

    def _judged(
        self, measurement: ShellMeasurement, rim: _Rim, frames: dict[Frame, _Placed], cutoff_mm: float
    ) -> ShellMeasurement:
        """The profiles and zones of an edge behind a filter."""
        step, length = self._rim.step_mm, self._definition.rim.length_mm
        left = _noise_left(cutoff_mm, step)
        profiles: dict[Frame, tuple[DeviationProfile, Shares]] = {}
        for frame, at in frames.items():
            deviation, foot = deviation_from(at.nominal, rim.points_mm)
            filtered, _ = filter_closed(deviation / at.growth, rim.usable, cutoff_mm, step)
            shares: Shares = {"picture noise": (rim.noise_mm, left), "all other causes, as then": (at.rest_mm, 1.0)}
            u = np.where(np.isfinite(filtered), np.hypot(rim.noise_mm * left, at.rest_mm), np.nan)
            arc = np.where(rim.usable, np.mod(foot, length), self._rim.arc_mm)
            profiles[frame] = DeviationProfile(frame, arc, filtered, u, rim.flags), shares

        def at_filter(frame: Frame) -> tuple[DeviationProfile, float, Shares]:
            return profiles[frame][0], step, profiles[frame][1]

        cameras = {zone.zone: zone.cameras for zone in measurement.zones}
        zones = tuple(
            replace(zone_result(zone, *at_filter(zone.frame)), cameras=cameras[zone.name])
            for zone in self._definition.zones
            if zone.name in cameras and zone.frame in profiles
        )
        kept = tuple(profile for profile, _ in profiles.values())
        return replace(measurement, zones=zones, profiles=kept, ribbons=())

    def _sought(self, measurement: ShellMeasurement, stored: _Rim, ribbons: list[Ribbon], band_mm: float) -> _Rim:
        """The edge within ``band_mm`` of the middle of each stored scan line, to the next sample."""
        assert measurement.cut is not None
        at = self._rim.placed(measurement.cut.shift.pose().after(self._seating.pose))
        middle = self._middles(stored, at)
        blurs = {view.camera: view.blur_px for view in measurement.views}
        traces = {trace.camera: trace for trace in self._traces(measurement)}
        points, d, u = stored.points_mm * np.nan, stored.d_mm * np.nan, stored.u_mm * np.nan
        flags = np.full(len(d), int(Flag.OUTSIDE), dtype=np.int32)
        for ribbon in ribbons:
            index = self._index(ribbon.arc_mm)
            assert index is not None, "the trace of the same stations was looked at before"
            within = np.abs(ribbon.d_mm) <= band_mm * (1 + 1e-5)
            levels, offsets = np.ascontiguousarray(ribbon.levels[:, within]), ribbon.d_mm[within].astype(np.float64)
            px_per_mm = np.hypot(*traces[ribbon.camera].pixel_per_mm.astype(np.float64).T)
            edges = fit_edges(levels, offsets, px_per_mm, blurs[ribbon.camera], rounds=RIM_ROUNDS)
            d[index] = edges.d_mm - edges.pull_mm(self._rim.bend_per_mm[index])
            u[index], flags[index] = edges.u_mm, edges.flags
            flags[index[edges.u_mm > GREATEST_U_MM]] |= Flag.LOW_CONTRAST
        points = middle + d[:, None] * at.directions
        return _Rim(points, d, u, flags)

    def _middles(self, stored: _Rim, at: Stations) -> Array:
        """(N, 3) where the stored scan lines cross the outline that they were laid on. Where no edge was found the
        record does not say: from the neighbours, since these lie off ``at`` by a little that changes slowly.
        """
        away = stored.points_mm - stored.d_mm[:, None] * at.directions - at.points_mm
        known = np.isfinite(away[:, 0])
        arc, length = self._rim.arc_mm, self._definition.rim.length_mm
        between = [np.interp(arc, arc[known], away[known, k], period=length) for k in range(3)]
        return np.asarray(at.points_mm + np.column_stack(between))

    def _with_path(self, measurement: ShellMeasurement, stored: _Rim, sought: _Rim) -> ShellMeasurement:
        """The path error moves as much as the outline's fit to the edge does."""
        cut, shift, turn = measurement.cut, measurement.path_shift, measurement.path_rotation
        assert cut is not None
        at = self._rim.placed(cut.shift.pose().after(self._seating.pose))
        was, now = (
            fit_along_normals(at.points_mm, at.normals, np.nan_to_num(rim.d_mm), rim.usable).shift
            for rim in (stored, sought)
        )
        dx, dy = cut.shift.dx_mm + now.dx_mm - was.dx_mm, cut.shift.dy_mm + now.dy_mm - was.dy_mm
        rotation = cut.shift.rotation_deg + now.rotation_deg - was.rotation_deg
        return replace(
            measurement,
            cut=replace(cut, shift=PlaneShift(dx, dy, rotation)),
            path_shift=None if shift is None else Quantity(float(np.hypot(dx, dy)), shift.u, shift.shares),
            path_rotation=None if turn is None else Quantity(rotation, turn.u, turn.shares),
        )


def _noise_left(cutoff_mm: float, step_mm: float) -> float:
    """What a filter leaves of white noise."""
    return float(np.sqrt((gaussian_weights(cutoff_mm, step_mm) ** 2).sum()))


def _alike(stored: ShellMeasurement, again: ShellMeasurement) -> bool:
    """Whether the profiles of ``again`` are the stored ones, as far as both have a value, and that is nearly all."""
    profiles = {profile.frame: profile.deviation_mm for profile in stored.profiles}
    for profile in again.profiles:
        was = profiles[profile.frame]
        off = profile.deviation_mm - was
        if not _worst(off) <= COMES_BACK_MM or np.isfinite(off).sum() < SAME_STATIONS * np.isfinite(was).sum():
            return False
    return True


def _worst(off: Array) -> float:
    known = off[np.isfinite(off)]
    return float(np.abs(known).max()) if len(known) else float("nan")


def _shift_of(nominal: Stations, off: Array) -> PlaneShift:
    """The plane shift of the nominal that takes deviations ``off`` (N,) away."""
    known = np.isfinite(off)
    terms = np.linalg.lstsq(shift_rows(nominal.points_mm[known], nominal.normals[known]), off[known], rcond=None)[0]
    return PlaneShift(float(terms[0]), float(terms[1]), float(np.rad2deg(terms[2])))
