"""Measured less true: per zone of the rim, and for each single quantity with the uncertainty claimed for it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from edgeinspect.measure.measurement import DeviationProfile, Quantity, ShellMeasurement
from edgeinspect.shell.definition import Frame

from .looks import MEASURED, look, truth
from .truth import Profile


@dataclass(frozen=True)
class ZoneError:
    """Filtered profile less the truth behind the same filter, over the stations of a zone whose cut face is hidden."""

    shell_id: str
    zone: str
    frame: Frame
    bias_mm: float
    sd_mm: float
    stations: int


@dataclass(frozen=True)
class QuantityError:
    shell_id: str
    kind: str  # "zone", "path", "hole", "slot", "decal"
    name: str
    unit: str
    error: float
    u: float

    @property
    def in_u(self) -> float:
        return self.error / self.u


def true_profile(shell_id: str, frame: Frame) -> Profile:
    return truth().fixture(shell_id) if frame is Frame.FIXTURE else truth().datum(shell_id)


def profile(measurement: ShellMeasurement, frame: Frame) -> DeviationProfile:
    return next(profile for profile in measurement.profiles if profile.frame is frame)


@cache
def zone_errors(shell_id: str, frame: Frame) -> tuple[ZoneError, ...]:
    measured, true = profile(look(shell_id).measurement, frame), true_profile(shell_id, frame)
    error = measured.deviation_mm - true.filtered_at(measured.arc_mm)
    counted = true.hidden_at(measured.arc_mm) & np.isfinite(error)
    found = []
    for zone in truth().zones_mm:
        here = error[counted & truth().in_zone(measured.arc_mm, zone)]
        found.append(ZoneError(shell_id, zone, frame, float(here.mean()), float(here.std()), len(here)))
    return tuple(found)


@cache
def quantity_errors(shell_id: str) -> tuple[QuantityError, ...]:
    """Everything that is judged on one shell, against the truth."""
    measurement, true = look(shell_id).measurement, truth().shells[shell_id]
    found: list[QuantityError] = []

    def add(kind: str, name: str, quantity: Quantity | None, wanted: float, unit: str = "mm") -> None:
        assert quantity is not None, name
        found.append(QuantityError(shell_id, kind, name, unit, quantity.value - wanted, quantity.u))

    datum = true_profile(shell_id, Frame.DATUM)
    filtered = datum.filtered_at(datum.arc_mm)
    for zone in measurement.zones:
        here = filtered[truth().in_zone(datum.arc_mm, zone.zone)]
        add("zone", f"{zone.zone} most", zone.most, float(here.max()))
        add("zone", f"{zone.zone} least", zone.least, float(here.min()))
    path = truth().path_fitted(shell_id)
    add("path", "path shift", measurement.path_shift, path.length_mm)
    add("path", "path rotation", measurement.path_rotation, path.rotation_deg, "deg")
    for cutout in measurement.cutouts:
        wanted = true["cutouts"][cutout.name]
        if wanted["missing"]:
            continue
        kind = "hole" if len(cutout.sizes) == 1 else "slot"
        add(kind, f"{cutout.name} centre x", cutout.dx, wanted["off_mm"][0])
        add(kind, f"{cutout.name} centre y", cutout.dy, wanted["off_mm"][1])
        for name, size in zip(("diameter",) if kind == "hole" else ("length", "width"), cutout.sizes, strict=True):
            add(kind, f"{cutout.name} {name}", size, wanted[f"{name}_mm"])
    (decal,) = measurement.decals
    add("decal", "decal x", decal.dx, true["decal"]["dx_mm"])
    add("decal", "decal y", decal.dy, true["decal"]["dy_mm"])
    add("decal", "decal rotation", decal.rotation, true["decal"]["rotation_deg"], "deg")
    return tuple(found)


def all_quantity_errors() -> list[QuantityError]:
    return [error for shell_id in MEASURED for error in quantity_errors(shell_id)]
