"""Flaws of the cut edge as the pages say and mark them: each has one number, in the table and in every picture."""

from __future__ import annotations

from dataclasses import dataclass

from edgeinspect.conformity import Finding
from edgeinspect.conformity.flaws import as_judged
from edgeinspect.inspection import Inspection
from edgeinspect.measure.measurement import FlawResult, Quantity, ShellMeasurement
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.web.look import LOOKS, Look

Point = tuple[float, float]


@dataclass(frozen=True)
class FlawRow:
    """One flaw, worst first: ``kind`` as it was judged; a strand that stayed where it was is a burr."""

    number: int
    kind: str
    seen_as: str  # what it looked like in this one picture
    words: str  # the place
    curve: str
    camera: str
    arc_mm: float
    length: Quantity
    depth: Quantity
    pitch: Quantity | None  # of chatter, from mark to mark
    area_mm2: float
    length_limit_mm: float | None  # None: its kind has no limit
    depth_limit_mm: float | None
    look: Look | None  # None: it was not judged
    sentence: str
    pixel: Point
    outline_px: list[Point]


def flaw_findings_of(measurement: ShellMeasurement) -> dict[str, FlawResult]:
    """By the characteristic of the finding that judges it."""
    return {_characteristic(flaw, measurement): flaw for flaw in measurement.flaws}


def _characteristic(flaw: FlawResult, measurement: ShellMeasurement) -> str:
    rim = max(measurement.traces, key=lambda one: float(one.arc_mm[-1]) if len(one.arc_mm) else 0.0, default=None)
    along = f"at {flaw.arc_mm:.0f} mm"
    if rim is not None and flaw.curve != rim.curve:
        along += f" of {flaw.curve}"
    return f"{as_judged(flaw, measurement.before).value} {along}"


def flaw_rows(inspection: Inspection, definition: ShellDefinition | None) -> list[FlawRow]:
    measurement = inspection.measurement
    findings = {finding.characteristic: (at, finding) for at, finding in enumerate(inspection.verdict.findings)}
    judged = [(findings.get(_characteristic(flaw, measurement)), flaw) for flaw in measurement.flaws]
    judged.sort(key=lambda pair: pair[0][0] if pair[0] else len(findings))
    limits = {limit.kind: limit for limit in definition.flaws} if definition else {}
    rows = []
    for number, (found, flaw) in enumerate(judged, start=1):
        finding: Finding | None = found[1] if found else None
        kind = as_judged(flaw, measurement.before).value
        limit = limits.get(kind)
        rows.append(
            FlawRow(
                number=number,
                kind=kind,
                seen_as=flaw.kind.value,
                words=finding.where if finding else _where(flaw, definition),
                curve=flaw.curve,
                camera=flaw.camera,
                arc_mm=flaw.arc_mm,
                length=flaw.length,
                depth=flaw.depth,
                pitch=flaw.pitch,
                area_mm2=flaw.area_mm2,
                length_limit_mm=limit.length_mm if limit else None,
                depth_limit_mm=limit.depth_mm if limit else None,
                look=LOOKS[finding.answer] if finding else None,
                sentence=finding.sentence if finding else "",
                pixel=(float(flaw.pixel[0]), float(flaw.pixel[1])),
                outline_px=[(float(x), float(y)) for x, y in flaw.outline_pixel],
            )
        )
    return rows


def _where(flaw: FlawResult, definition: ShellDefinition | None) -> str:
    """The place of one that was not judged."""
    zones = definition.zones if definition and flaw.curve == definition.rim.name else ()
    here = next((zone.words for zone in zones if zone.from_mm <= flaw.arc_mm < zone.to_mm), None)
    return here or flaw.curve.replace("_", " ")
