"""A stored look by another method where its picture is not kept: from its edge points, or from its ribbons.

Another filter takes the edge points alone. Another band takes the edge anew: the trim is worked out again from the
narrower ribbon. Not on a ribbon are the pips, the decal and flaws; and another arris takes the picture.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from edgeinspect.evidence.again import can_tell_trim, from_ribbons
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.from_ribbon import COMES_BACK_MM, NotAgain, RibbonGauge
from edgeinspect.measure.measurement import Ribbon, ShellMeasurement
from edgeinspect.measure.setup import Setup
from edgeinspect.shell.definition import STEPS_A_CUTOFF, ShellDefinition

Calibrated = tuple[tuple[str, str], ...]  # camera and calibration id
SETUPS = 8  # that are kept: looks of one time have one calibration
NO_PICTURE = "its picture is not kept"


class ByRibbon:
    """``calibrations`` - the calibrations of these ids, by camera; raises InputError where one is not there."""

    def __init__(
        self,
        own: ShellDefinition,
        tried: ShellDefinition,
        fixture: Fixture,
        seating: Seating,
        calibrations: Callable[[Calibrated], dict[str, CameraCalibration]],
    ) -> None:
        self._own, self._tried, self._fixture, self._seating = own, tried, fixture, seating
        self._calibrations = calibrations
        self._edge = RibbonGauge(own, seating)
        self._setups = functools.lru_cache(SETUPS)(self._made)

    def measure(self, then: ShellMeasurement) -> tuple[ShellMeasurement, ShellMeasurement] | NotAgain:
        """By the method in force and by the one tried."""
        own, tried = self._own, self._tried
        if tried.arris is not own.arris:  # by a ribbon that was laid for the other one it comes out otherwise
            return NotAgain(f"the {tried.arris}-face arris cannot be told from its stored ribbon, and {NO_PICTURE}")
        filtered = tried.search_band_mm == own.search_band_mm
        if filtered or tried.filter_cutoff_mm < STEPS_A_CUTOFF * own.step_mm * (1 - 1e-9):
            return self._edge.measure(then, tried)
        views = tuple((view.camera, view.calibration_id) for view in then.views)
        setup = self._setups(views, own.search_band_mm, False)
        if not can_tell_trim(then, setup):
            return NotAgain("neither its picture nor a ribbon of its rim is kept")
        reach = min(float(np.abs(one.d_mm).max()) for one in then.ribbons if one.curve == own.rim.name)
        widest = max(own.search_band_mm, tried.search_band_mm)
        if widest > reach * (1 + 1e-5):
            words = f"its stored ribbon is too narrow: it reaches ±{reach:.1f} mm, asked for is ±{widest:g} mm"
            return NotAgain(f"{words}, and {NO_PICTURE}: choose ±{reach:.1f} mm or less", narrow=True)
        narrowed, band_mm = _narrowed(then, own.rim.name, tried.search_band_mm)
        try:
            before = from_ribbons(setup, then).measurement
            if not _alike(then, before):
                words = "its edge does not come back from its stored ribbon"
                return NotAgain(f"{words}: another program, definition or seating measured it, and {NO_PICTURE}")
            after = from_ribbons(self._setups(views, band_mm, True), narrowed).measurement
        except ValueError as error:  # of another outline
            return NotAgain(f"it cannot be worked out from its ribbon ({error}), and {NO_PICTURE}")
        return before, after

    def _made(self, calibrated: Calibrated, band_mm: float, tried: bool) -> Setup:
        definition = self._tried if tried else self._own
        definition = replace(definition, search_band_mm=band_mm, step_mm=self._own.step_mm)
        calibrations = tuple(self._calibrations(calibrated).values())
        return Setup(definition, calibrations, self._fixture, self._seating)


def _narrowed(then: ShellMeasurement, rim: str, band_mm: float) -> tuple[ShellMeasurement, float]:
    """With the rim's ribbons cut to a band, to the next sample; and the half width that they have then."""

    def cut(ribbon: Ribbon) -> Ribbon:
        within = np.abs(ribbon.d_mm) <= band_mm * (1 + 1e-5)
        return replace(ribbon, d_mm=ribbon.d_mm[within], levels=np.ascontiguousarray(ribbon.levels[:, within]))

    ribbons = tuple(cut(one) if one.curve == rim else one for one in then.ribbons)
    half_mm = max(float(np.abs(one.d_mm).max()) for one in ribbons if one.curve == rim)
    return replace(then, ribbons=ribbons), half_mm


def _alike(then: ShellMeasurement, again: ShellMeasurement) -> bool:
    """Whether every zone comes back: its numbers, and how much of it is seen."""
    now = {zone.zone: zone for zone in again.zones}
    if now.keys() != {zone.zone for zone in then.zones}:
        return False
    pairs = [(old, now[old.zone]) for old in then.zones]
    off = [getattr(new, way).value - getattr(old, way).value for old, new in pairs for way in ("most", "least")]
    known = np.array([one for one in off if np.isfinite(one)])
    seen = all(abs(new.seen_mm - old.seen_mm) <= 0.02 * old.length_mm for old, new in pairs)
    return seen and bool(len(known)) and bool(np.abs(known).max() <= COMES_BACK_MM)
