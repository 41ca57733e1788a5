"""What uncertainty a station will report of a shell, before the first one is cut: the picture of a shell exactly as
drawn is imagined and measured as any other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from edgeinspect.gauge.budget_map import Against, BudgetMap, against_limits, budget_map
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.imagined import CONTRAST, Conditions, imagined_picture
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.response import LINEAR
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature, growth
from edgeinspect.shell.definition import Check, ShellDefinition


@dataclass(frozen=True)
class Foreseen:
    """``rows`` empty: nothing can be told, ``problems`` say why."""

    rows: tuple[Against, ...]
    along: BudgetMap | None
    problems: tuple[str, ...]  # why something could not be measured even on the imagined picture
    missing: tuple[str, ...]  # characteristics with limits that have no row
    assumed: tuple[str, ...]  # what it rests on
    not_foreseen: tuple[str, ...]  # what may add to it


def foresee(
    gauge: ShellGauge,
    variant: str,
    temperature: Temperature,
    conditions: Conditions,
    measured_with: ShellDefinition | None = None,
) -> Foreseen:
    """Expected uncertainties of one shell definition before calibrated cameras.

    Parameters: gauge - as it will measure; measured_with - the definition with the limits in effect (default: the
    drawing's).
    """
    setup = gauge.setup
    definition = setup.definition if measured_with is None else measured_with
    # Drawn linear and without rounding, which the noise as read off a picture holds already; black noise is known.
    drawn = tuple(
        replace(one, bits=16, response=LINEAR, dark_noise=float(np.sqrt(conditions.noise_of(one).read)))
        for one in setup.calibrations
    )
    gauge = ShellGauge(setup.definition, {one.camera: one for one in drawn}, setup.fixture, setup.seating)
    size = growth(definition.material, temperature)
    pictures = {
        one.camera: imagined_picture(setup.definition, variant, one, setup.fixture, setup.seating, size, conditions)
        for one in drawn
    }
    measurement = gauge.measure(variant, pictures, temperature, frozenset(Check))
    rows = tuple(against_limits(measurement, definition))
    return Foreseen(
        rows,
        budget_map(measurement, definition),
        tuple(f"{stop.reason}: {stop.action}" for stop in measurement.stops),
        _missing(rows, definition, variant),
        tuple(_assumed(setup.calibrations, measurement, conditions, setup.seating.u_height_mm)),
        ("nicks, burrs and strands: each brings its own uncertainty", *_no_colours(definition, variant)),
    )


def _no_colours(definition: ShellDefinition, variant: str) -> tuple[str, ...]:
    asked = any(decal.colour is not None for decal in definition.decals if decal.variant == variant)
    return ("colours of decals: calibrate-colour says what they are good for",) if asked else ()


def _missing(rows: tuple[Against, ...], definition: ShellDefinition, variant: str) -> tuple[str, ...]:
    told = {row.characteristic for row in rows}
    wanted = [f"zone {zone.name}" for zone in definition.zones]
    wanted += [f"cut-out {cutout.name} position" for cutout in definition.cutouts]
    wanted += [f"decal {decal.name} across" for decal in definition.decals if decal.variant == variant]
    return tuple(name for name in (*wanted, "path shift", "path rotation") if name not in told)


def _assumed(
    calibrations: Sequence[CameraCalibration],
    measurement: ShellMeasurement,
    conditions: Conditions,
    u_height_mm: float,
) -> list[str]:
    usual = " (common practice, no source)" if conditions.contrast == CONTRAST else " (stated)"
    low, high = conditions.background, conditions.background + conditions.contrast
    said = [
        "the shell exactly as drawn, where the fixture holds it, evenly lit; cut faces as dark as the plate",
        f"the sheet at {high:.0%} of full scale, the plate at {low:.0%}: contrast {conditions.contrast:.0%}{usual}",
    ]
    for one in calibrations:
        noise = conditions.noise_of(one)
        whence = "as read off its calibration picture"
        if conditions.noise is not None:
            whence = "stated"
        elif one.pixel_noise is None:
            whence = "common practice, no source: its calibration does not say, calibrate again"
        said.append(
            f"camera {one.camera}: noise {noise.sd(low):.2%} of full scale on the plate, {noise.sd(high):.2%} on the "
            f"sheet ({whence}); blur {one.blur_px:.2f} px as at its calibration"
        )
    stated = "stated" if measurement.temperature_stated else "the station's range, not stated"
    said.append(
        f"the shell at {measurement.temperature_c:.1f} °C, standard uncertainty {measurement.u_temperature_c:.1f} °C "
        f"({stated})"
    )
    told = measurement.height is not None and measurement.height.used
    height = "as the picture tells it" if told else f"as the seat holds it, standard uncertainty {u_height_mm:g} mm"
    return [*said, f"the height of the shell {height}"]
