"""The limits that judge each characteristic, by its name; and how far they may go."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from edgeinspect.shell.definition import Check, ShellDefinition


@dataclass(frozen=True)
class Limit:
    """Inspection limits of one characteristic; infinite where there is none. The guard band is guard_factor x u."""

    lower: float  # mm or deg
    upper: float
    guard_factor: float

    def __post_init__(self) -> None:
        if not self.lower < self.upper:
            raise ValueError(f"lower is {self.lower}, must be below upper {self.upper}")
        if not 0 <= self.guard_factor <= 10:
            raise ValueError(f"guard_factor is {self.guard_factor}, must be within 0 to 10")

    def beyond(self, drawing: Limit) -> bool:
        """Whether it lets through what the drawing does not; the drawing's guard factor plays no part."""
        return self.lower < drawing.lower or self.upper > drawing.upper


Limits = Mapping[str, Limit]  # by name of the characteristic, as in a Finding


def limits_of(definition: ShellDefinition, variant: str) -> dict[str, Limit]:
    """The limits by which ``judge`` judges a shell of this decal variant, in the definition's order."""
    found: dict[str, Limit] = {}
    if Check.TRIM in definition.checks:
        for zone in definition.zones:
            found[f"zone {zone.name}"] = Limit(zone.limits.lower, zone.limits.upper, zone.limits.guard_factor)
        path = definition.path
        found["path shift"] = Limit(-math.inf, path.shift_mm, path.guard_factor)
        found["path rotation"] = Limit(-path.rotation_deg, path.rotation_deg, path.guard_factor)
        for cutout in definition.cutouts:
            name, size = f"cut-out {cutout.name}", cutout.size_limits
            found[f"{name} position"] = Limit(-math.inf, cutout.position_limit_mm, cutout.guard_factor)
            for kind in ("diameter",) if len(cutout.size_mm) == 1 else ("length", "width"):
                found[f"{name} {kind}"] = Limit(size.lower, size.upper, size.guard_factor)
    if Check.DECAL in definition.checks:
        for decal in definition.decals:
            if decal.variant == variant:
                for axis, limit in (
                    ("across", decal.offset_limit_mm),
                    ("up", decal.offset_limit_mm),
                    ("rotation", decal.rotation_limit_deg),
                ):
                    found[f"decal {decal.name} {axis}"] = Limit(-limit, limit, decal.guard_factor)
    return found


def beyond_drawing(limits: Limits, drawing: Limits) -> list[str]:
    """Sentences: which inspection limits go beyond the drawing. Empty: none does."""
    return [
        f"{name}: inspection limit {limit.lower:+g} … {limit.upper:+g} goes beyond the drawing's "
        f"{drawing[name].lower:+g} … {drawing[name].upper:+g}"
        for name, limit in limits.items()
        if name in drawing and limit.beyond(drawing[name])
    ]
