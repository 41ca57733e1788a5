"""Judging: a pure function of a measurement and a shell definition. Decision rule of ISO 14253-1 with the guard band
g = factor x u.

Proven good only inside the limits by more than g, proven bad only outside by more than g, between the two neither is
proven.
"""

from __future__ import annotations

from collections.abc import Iterator

from edgeinspect.conformity.decal import decal_findings
from edgeinspect.conformity.flaws import flaw_findings, hidden_by_strand, in_order, looked_at_again, no_limits_words
from edgeinspect.conformity.trim import cutout_findings, path_findings, too_little_seen, zone_finding
from edgeinspect.conformity.verdict import (
    RACK,
    SEVERITY,
    Answer,
    Finding,
    Verdict,
    capital,
    decide,
    decide_many,
    no_result,
)
from edgeinspect.measure.measurement import ShellMeasurement, Stop
from edgeinspect.shell.definition import Check, ShellDefinition

__all__ = [
    "SEVERITY",
    "Answer",
    "Finding",
    "Verdict",
    "decide",
    "decide_many",
    "judge",
    "too_little_seen",
]


def judge(measurement: ShellMeasurement, definition: ShellDefinition) -> Verdict:
    """Judge a stored or fresh measurement against a definition's limits. Nothing but these two goes in."""
    flaws = list(flaw_findings(measurement, definition)) if Check.TRIM in measurement.checks else []
    findings = in_order(flaws, list(_findings(measurement, definition)))
    factors = sorted({zone.limits.guard_factor for zone in definition.zones})
    words = ", ".join(f"{factor:g}" for factor in factors)
    rule = f"ISO 14253-1, guard band g = {words} x u on each side; conforming only when proven"
    answer, sentence, action = _summary(findings, measurement)
    if answer is Answer.CONFORMING:
        sentence += no_limits_words(measurement, definition)
    measured = answer is not Answer.NO_RESULT or not measurement.stops
    answer, sentence, action = looked_at_again(measurement.before.looks, answer, sentence, action, measured=measured)
    return Verdict(answer, sentence, action, tuple(findings), rule, definition.sha256)


def _summary(findings: list[Finding], measurement: ShellMeasurement) -> tuple[Answer, str, str]:
    """The shell's answer with the one sentence and the one thing to do."""
    if findings and findings[0].answer is Answer.NONCONFORMING:
        return Answer.NONCONFORMING, findings[0].sentence, findings[0].action
    if measurement.stops:
        return Answer.NO_RESULT, capital(measurement.stops[0].reason), measurement.stops[0].action
    if not findings:
        return Answer.NO_RESULT, "Nothing was judged: the definition asks for no check", "call the process engineer"
    worst = findings[0]
    if worst.answer is Answer.NOT_PROVEN and measurement.wait_min:  # cooled down, less of it is uncertain
        wait = f"about {measurement.warm_k:.0f} °C warm: wait {measurement.wait_min} min, then look again"
        return worst.answer, worst.sentence, wait
    if worst.answer is not Answer.CONFORMING:
        return worst.answer, worst.sentence, worst.action
    return (
        Answer.CONFORMING,
        f"All {len(findings)} characteristics are within their limits; closest: {worst.sentence}",
        RACK,
    )


def _findings(measurement: ShellMeasurement, definition: ShellDefinition) -> Iterator[Finding]:
    if Check.TRIM in measurement.checks:
        zones = {result.zone: result for result in measurement.zones}
        for zone in definition.zones:
            found = zones.get(zone.name)
            stop = _stop(measurement, Check.TRIM, found.cameras if found else ())
            finding = zone_finding(zone, found, definition, stop)
            if reason := hidden_by_strand(finding, measurement, definition):
                finding = no_result(finding.characteristic, zone.words, None, reason, at=finding.at_shell_mm)
            yield finding
        yield from path_findings(measurement, definition)
        cutouts = {result.name: result for result in measurement.cutouts}
        for cutout in definition.cutouts:
            hole = cutouts.get(cutout.name)
            yield from cutout_findings(cutout, hole, _stop(measurement, Check.TRIM, (hole.camera,) if hole else ()))
    if Check.DECAL in measurement.checks:
        decals = {result.name: result for result in measurement.decals}
        wanted = [decal for decal in definition.decals if decal.variant == measurement.variant]
        for decal in wanted:
            lies = decals.get(decal.name)
            yield from decal_findings(decal, lies, _stop(measurement, Check.DECAL, (lies.camera,) if lies else ()))
        if not wanted:  # judging again, by a definition that no longer has it
            stop = _stop(measurement, Check.DECAL, ())
            yield no_result("decal", "decal", stop, f"the definition has none of variant {measurement.variant!r}")


def _stop(measurement: ShellMeasurement, check: Check, cameras: tuple[str, ...]) -> Stop | None:
    """Why something was not measured: the first stop of the whole shell or of its check. ``cameras`` - which measured
    it: then a stop of any other camera is no reason.
    """
    told = [stop for stop in measurement.stops if not cameras or stop.camera in ("", *cameras)]
    order = [stop for stop in told if stop.concerns is None] + [stop for stop in told if stop.concerns is check]
    return order[0] if order else None
