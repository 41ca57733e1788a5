"""The rim of a stored measurement behind another filter, from its stored edge points alone.

Before anything is changed the stored profile must come back from the stored points, so that what differs afterwards is
the filter's doing. Cut-outs, datums, decals and flaws are not filtered: they stay.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure.alignment import combine, deviation_from, placed, shift_rows
from edgeinspect.measure.deviation import NOISE, Shares, filter_closed, gaussian_weights, without_noise, zone_result
from edgeinspect.measure.fixture import Seating
from edgeinspect.measure.measurement import DeviationProfile, EdgeTrace, Flag, ShellMeasurement
from edgeinspect.measure.ribbon import Stations, lay_stations
from edgeinspect.measure.temperature import Temperature, growth
from edgeinspect.shell.definition import STEPS_A_CUTOFF, Frame, ShellDefinition

COMES_BACK_MM = 0.002  # single precision leaves 0.0001 mm; another definition or seating is off by far more
ARC_ROUNDING_MM = 1e-3  # the record keeps arc lengths in single precision


@dataclass(frozen=True)
class NotAgain:
    """Why a stored look cannot be measured by another method without its picture."""

    reason: str  # a plain sentence without a full stop
    narrow: bool = False  # its ribbon is narrower than the band that was asked for


@dataclass(frozen=True)
class _Rim:
    """The rim's edge on all its stations, from all cameras together; fixture frame."""

    points_mm: Array  # (N, 3) nan where none was found
    u_mm: Array  # (N,) of one scan line
    flags: NDArray[np.int32]  # (N,)
    alike: float = 1.0  # so many times as much noise passes a filter as if neighbours did not share theirs

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

        ``tried`` - the definition with another filter_cutoff_mm. Zones and their profiles are new; everything else is
        as it was.
        """
        if refused := self._refused(measurement, tried):
            return refused
        stored = self._stored(measurement)
        if isinstance(stored, NotAgain):
            return stored
        frames = self._frames(measurement, stored)
        if isinstance(frames, NotAgain):
            return frames
        one, other = (
            self._judged(measurement, stored, frames, definition.filter_cutoff_mm)
            for definition in (self._definition, tried)
        )
        return one, other

    def _refused(self, measurement: ShellMeasurement, tried: ShellDefinition) -> NotAgain | None:
        step, no_picture = self._rim.step_mm, "its picture is not kept"
        if measurement.cut is None or not measurement.zones:
            return NotAgain(f"its rim was not measured then, and {no_picture}")
        if tried.filter_cutoff_mm < STEPS_A_CUTOFF * step * (1 - 1e-9):
            finest, cutoff = tried.filter_cutoff_mm / STEPS_A_CUTOFF, f"a cut-off of {tried.filter_cutoff_mm:g} mm"
            words = f"its scan lines lie {step:.2f} mm apart, {cutoff} asks for at most {finest:.2f} mm"
            return NotAgain(f"{words}, and {no_picture}: choose {STEPS_A_CUTOFF * step:.1f} mm or more")
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
        points, u = np.full((count, 3), np.nan), np.full(count, np.nan)
        flags = np.full(count, int(Flag.OUTSIDE), dtype=np.int32)
        for trace in self._traces(measurement):
            index = self._index(trace.arc_mm)
            if index is None:
                return NotAgain("it was measured on another outline, or on other places of it")
            points[index], u[index], flags[index] = trace.point_mm, trace.u_mm, trace.flags
        rim = _Rim(points, u, flags)
        return replace(rim, alike=self._alike(measurement, rim))

    def _alike(self, measurement: ShellMeasurement, rim: _Rim) -> float:
        """As it was then: the share of noise at a zone's worst place over what white noise would have left there."""
        noise, found = rim.noise_mm, list[float]()
        profiles = {profile.frame: profile for profile in measurement.profiles}
        for zone in measurement.zones:
            share = next((share.u for share in zone.most.shares if share.source == NOISE), 0.0)
            if share > 0 and zone.frame in profiles:
                at = int(np.argmin(np.abs(profiles[zone.frame].arc_mm - zone.most_at_mm)))
                found.append(share / (float(noise[at]) * self._kept))
        return float(np.median(found)) if found else 1.0

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
        square = np.square(profile.u_mm.astype(np.float64)) - np.square(stored.noise_mm * stored.alike * self._kept)
        known = np.isfinite(square)
        arc, length = self._rim.arc_mm, self._definition.rim.length_mm
        whole = np.interp(arc, arc[known], np.maximum(square[known], 0.0), period=length)
        return np.asarray(np.sqrt(whole))

    def _judged(
        self, measurement: ShellMeasurement, rim: _Rim, frames: dict[Frame, _Placed], cutoff_mm: float
    ) -> ShellMeasurement:
        """The profiles and zones of an edge behind a filter."""
        step, length = self._rim.step_mm, self._definition.rim.length_mm
        left = rim.alike * _noise_left(cutoff_mm, step)
        profiles: dict[Frame, tuple[DeviationProfile, Shares]] = {}
        for frame, at in frames.items():
            deviation, foot = deviation_from(at.nominal, rim.points_mm)
            filtered, _ = filter_closed(deviation / at.growth, rim.usable, cutoff_mm, step)
            shares: Shares = {NOISE: (rim.noise_mm, left), "all other causes, as then": (at.rest_mm, 1.0)}
            u = np.where(np.isfinite(filtered), np.hypot(rim.noise_mm * left, at.rest_mm), np.nan)
            arc = np.where(rim.usable, np.mod(foot, length), self._rim.arc_mm)
            profiles[frame] = DeviationProfile(frame, arc, filtered, u, rim.flags), shares

        parents = {frame: without_noise(*told, cutoff_mm, step) for frame, told in profiles.items()}
        cameras = {zone.zone: zone.cameras for zone in measurement.zones}
        zones = tuple(
            replace(
                zone_result(zone, profiles[zone.frame][0], step, profiles[zone.frame][1], parents[zone.frame]),
                cameras=cameras[zone.name],
            )
            for zone in self._definition.zones
            if zone.name in cameras and zone.frame in profiles
        )
        kept = tuple(profile for profile, _ in profiles.values())
        return replace(measurement, zones=zones, profiles=kept, ribbons=())


def _noise_left(cutoff_mm: float, step_mm: float) -> float:
    """What a filter leaves of white noise."""
    return float(np.sqrt((gaussian_weights(cutoff_mm, step_mm) ** 2).sum()))


def _worst(off: Array) -> float:
    known = off[np.isfinite(off)]
    return float(np.abs(known).max()) if len(known) else float("nan")


def _shift_of(nominal: Stations, off: Array) -> PlaneShift:
    """The plane shift of the nominal that takes deviations ``off`` (N,) away."""
    known = np.isfinite(off)
    terms = np.linalg.lstsq(shift_rows(nominal.points_mm[known], nominal.normals[known]), off[known], rcond=None)[0]
    return PlaneShift(float(terms[0]), float(terms[1]), float(np.rad2deg(terms[2])))
