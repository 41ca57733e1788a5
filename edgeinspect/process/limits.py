"""The limits that judge each characteristic, by its name; and how far they may go."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from edgeinspect.shell.definition import FLAW_KINDS, Check, CutOut, Decal, FlawLimits, ShellDefinition
from edgeinspect.shell.definition import Limits as DefinedLimits

FLAW_SIZES = ("length", "depth")


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


def flaw_limit(kind: str, size: str) -> str:
    """The name of a limit of nicks, burrs or chatter: "nick depth". All of a kind share it, wherever they are."""
    return f"{kind} {size}"


def flaw_of(name: str) -> tuple[str, str] | None:
    """Kind and size of a limit of flaws; None: it is of something else."""
    kind, _, size = name.partition(" ")
    return (kind, size) if kind in FLAW_KINDS and size in FLAW_SIZES else None


def guard_group(name: str) -> str:
    """The characteristics that have one and the same guard factor have this in common."""
    return name if name.startswith("zone ") else name.rpartition(" ")[0]


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
        for flaw in definition.flaws:
            for way, at_most in zip(FLAW_SIZES, (flaw.length_mm, flaw.depth_mm), strict=True):
                found[flaw_limit(flaw.kind, way)] = Limit(-math.inf, at_most, flaw.guard_factor)
    if Check.DECAL in definition.checks:
        for decal in definition.decals:
            if decal.variant == variant:
                for axis, limit in (
                    ("across", decal.offset_limit_mm),
                    ("up", decal.offset_limit_mm),
                    ("rotation", decal.rotation_limit_deg),
                ):
                    found[f"decal {decal.name} {axis}"] = Limit(-limit, limit, decal.guard_factor)
                for word, low, high in (
                    ("least", decal.gap_lower_mm, math.inf),
                    ("most", -math.inf, decal.gap_upper_mm),
                ):
                    if low is not None and high is not None:
                        found[f"decal {decal.name} gap {word}"] = Limit(low, high, decal.guard_factor)
                if decal.colour is not None:
                    at_most = decal.colour.limit_de
                    found[f"decal {decal.name} colour"] = Limit(-math.inf, at_most, decal.guard_factor)
    return found


def beyond_drawing(limits: Limits, drawing: Limits) -> list[str]:
    """Sentences: which inspection limits go beyond the drawing. Empty: none does."""
    return [
        f"{name}: inspection limit {_words(limit)} goes beyond the drawing's {_words(drawing[name])}"
        for name, limit in limits.items()
        if name in drawing and limit.beyond(drawing[name])
    ]


def _words(limit: Limit) -> str:
    if math.isinf(limit.lower):
        return f"at most {limit.upper:g}"
    if math.isinf(limit.upper):
        return f"at least {limit.lower:g}"
    return f"{limit.lower:+g} … {limit.upper:+g}"


def with_limits(definition: ShellDefinition, changed: Limits) -> ShellDefinition:
    """The definition with other inspection limits, to judge by; its hash names both.

    Raises ValueError: a characteristic that it has not, or a limit that it cannot take by itself (length and width of
    a slot share one, and so do the two ways of a decal; of nicks the guard factor, and of burrs).
    """
    variants = sorted({decal.variant for decal in definition.decals}) or [""]
    known = {name: limit for variant in variants for name, limit in limits_of(definition, variant).items()}
    if unknown := [name for name in changed if name not in known]:
        raise ValueError(f"shell {definition.name} has no {unknown[0]}")
    zones = tuple(
        replace(zone, limits=_taken(changed[f"zone {zone.name}"])) if f"zone {zone.name}" in changed else zone
        for zone in definition.zones
    )
    path = definition.path
    for name, field in (("path shift", "shift_mm"), ("path rotation", "rotation_deg")):
        if name in changed:
            path = replace(path, **{field: changed[name].upper}, guard_factor=changed[name].guard_factor)
    cutouts = tuple(_cutout(cutout, changed) for cutout in definition.cutouts)
    decals = tuple(_decal(decal, changed) for decal in definition.decals)
    flaws = tuple(_flaw(flaw, changed) for flaw in definition.flaws)
    sha256 = hashlib.sha256(
        json.dumps([definition.sha256, sorted((name, *_plain(limit)) for name, limit in changed.items())]).encode()
    ).hexdigest()
    made = replace(definition, zones=zones, path=path, cutouts=cutouts, decals=decals, flaws=flaws, sha256=sha256)
    for variant in variants:
        wanted = {name: changed.get(name, limit) for name, limit in limits_of(definition, variant).items()}
        for name, limit in limits_of(made, variant).items():
            if limit != wanted[name]:
                words = f"{name} cannot have limits of its own: change all that share them, to the same"
                raise ValueError(f"{words} ({limit.lower:+g} … {limit.upper:+g}, guard factor {limit.guard_factor:g})")
    return made


def _taken(limit: Limit) -> DefinedLimits:
    return DefinedLimits(limit.lower, limit.upper, limit.guard_factor)


def _cutout(cutout: CutOut, changed: Limits) -> CutOut:
    name = f"cut-out {cutout.name}"
    if limit := changed.get(f"{name} position"):
        cutout = replace(cutout, position_limit_mm=limit.upper, guard_factor=limit.guard_factor)
    for kind in ("diameter", "length", "width"):
        if limit := changed.get(f"{name} {kind}"):
            cutout = replace(cutout, size_limits=_taken(limit), guard_factor=limit.guard_factor)
    return cutout


def _decal(decal: Decal, changed: Limits) -> Decal:
    name = f"decal {decal.name}"
    for kind in ("across", "up"):
        if limit := changed.get(f"{name} {kind}"):
            decal = replace(decal, offset_limit_mm=limit.upper, guard_factor=limit.guard_factor)
    if limit := changed.get(f"{name} rotation"):
        decal = replace(decal, rotation_limit_deg=limit.upper, guard_factor=limit.guard_factor)
    if limit := changed.get(f"{name} gap least"):
        decal = replace(decal, gap_lower_mm=limit.lower, guard_factor=limit.guard_factor)
    if limit := changed.get(f"{name} gap most"):
        decal = replace(decal, gap_upper_mm=limit.upper, guard_factor=limit.guard_factor)
    if (limit := changed.get(f"{name} colour")) and decal.colour is not None:
        colour = replace(decal.colour, limit_de=limit.upper)
        decal = replace(decal, colour=colour, guard_factor=limit.guard_factor)
    return decal


def _flaw(flaw: FlawLimits, changed: Limits) -> FlawLimits:
    if limit := changed.get(flaw_limit(flaw.kind, "length")):
        flaw = replace(flaw, length_mm=limit.upper, guard_factor=limit.guard_factor)
    if limit := changed.get(flaw_limit(flaw.kind, "depth")):
        flaw = replace(flaw, depth_mm=limit.upper, guard_factor=limit.guard_factor)
    return flaw


def _plain(limit: Limit) -> tuple[str, str, str]:
    return repr(limit.lower), repr(limit.upper), repr(limit.guard_factor)
