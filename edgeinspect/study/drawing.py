"""Do two definitions differ in more than limits and words? Then what was measured by one is not what the other asks."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.shell.definition import ShellDefinition

WORDS = {"words", "title", "revision", "colour", "sha256"}
SAME_LENGTH_STEPS = 2.0  # stations at both ends of a zone may fall in or out


def other_drawing(one: Any, other: Any, at: str = "") -> list[str]:
    """Places at which two definitions (or parts of them) differ otherwise than in limits and words.

    A limit is what its name calls so: a field named limit or guard_factor, or a record named ...Limits.
    """
    if is_dataclass(one) and type(one) is type(other):
        if type(one).__name__.endswith("Limits"):
            return []
        names = [field.name for field in fields(one) if field.init]
        names = [name for name in names if name not in WORDS or not isinstance(getattr(one, name), str)]
        names = [name for name in names if "limit" not in name and "guard_factor" not in name]
        return [
            place
            for name in names
            for place in other_drawing(getattr(one, name), getattr(other, name), f"{at}.{name}".lstrip("."))
        ]
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        return [] if one.shape == other.shape and np.array_equal(one, other, equal_nan=True) else [at]
    if isinstance(one, tuple) and isinstance(other, tuple) and len(one) == len(other):
        return [
            place
            for k, (mine, yours) in enumerate(zip(one, other, strict=True))
            for place in other_drawing(mine, yours, f"{at}[{getattr(mine, 'name', k)}]")
        ]
    return [] if type(one) is type(other) and bool(one == other) else [at]


def seems_measured_by(measurement: ShellMeasurement, definition: ShellDefinition) -> bool:
    """Whether the measured things are the definition's by name, frame and length: all that a measurement tells of
    the definition that it was made with.
    """
    drawn = {zone.name: zone for zone in definition.zones}
    measured = {zone.zone: zone for zone in measurement.zones}
    if measurement.checks != definition.checks or (measured and measured.keys() != drawn.keys()):
        return False
    for name, result in measured.items():
        zone = drawn[name]
        length_mm = (zone.to_mm - zone.from_mm) % definition.rim.length_mm or definition.rim.length_mm
        if result.frame is not zone.frame:
            return False
        if abs(length_mm - result.length_mm) > SAME_LENGTH_STEPS * definition.step_mm:
            return False
    cutouts = {cutout.name for cutout in definition.cutouts}
    decals = {decal.name for decal in definition.decals if decal.variant == measurement.variant}
    return {found.name for found in measurement.cutouts} in (set(), cutouts) and {
        found.name for found in measurement.decals
    } in (set(), decals)
