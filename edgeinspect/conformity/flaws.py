"""Judging flaws by length and depth, and shells that are looked at again and again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from edgeinspect.conformity.verdict import (
    SET_ASIDE,
    SEVERITY,
    Answer,
    Finding,
    action_of,
    capital,
    decide,
    no_result,
)
from edgeinspect.measure.measurement import Before, FlawKind, FlawResult, Quantity, ShellMeasurement
from edgeinspect.shell.definition import FLAW_KINDS, FlawLimits, ShellDefinition

SAME_PLACE_MM = 2.0  # along the edge: what was blown off and lies there still is no strand
HIDDEN_MM = 3.0  # beside a strand's own length the edge cannot be told either: the profile's filter, and its shadow
MOST_LOOKS = 2  # a shell is looked at again once; from the third look on quality decides: never the best of n
BLOW_OFF = "blow off and look again"
CALL_BIT = "set aside; call the process engineer: the tool vibrates, check bit, speed and clamping"
TO_QUALITY = "take it to the quality shelf"


@dataclass(frozen=True)
class _Place:
    """Where on the shell a flaw lies, in words and in the shell's plan."""

    along: str  # "at 432 mm", "at 12 mm of lock_hole"
    words: str
    at_shell_mm: tuple[float, float] | None
    at_rim_mm: float | None


def as_judged(flaw: FlawResult, before: Before) -> FlawKind:
    """A strand that lay at the same place at the look before is a burr."""
    if flaw.kind is FlawKind.STRAND and any(_same_place(flaw, strand) for strand in before.strands):
        return FlawKind.BURR
    return flaw.kind


def _same_place(one: FlawResult, other: FlawResult) -> bool:
    return one.curve == other.curve and abs(one.arc_mm - other.arc_mm) <= SAME_PLACE_MM


def flaw_findings(measurement: ShellMeasurement, definition: ShellDefinition) -> Iterator[Finding]:
    """One finding a flaw: a strand is no result, a nick or burr is judged where its kind has limits."""
    limits = {limit.kind: limit for limit in definition.flaws}
    for flaw in measurement.flaws:
        kind, place = as_judged(flaw, measurement.before), _place(flaw, definition)
        if kind is FlawKind.STRAND:
            yield _strand(flaw, place)
        elif kind.value in limits:
            yield _judged(kind, flaw, limits[kind.value], place)


def _strand(flaw: FlawResult, place: _Place) -> Finding:
    return Finding(
        characteristic=f"strand {place.along}",
        where=place.words,
        answer=Answer.NO_RESULT,
        unit="mm",
        value=None,
        u=None,
        lower=None,
        upper=None,
        guard=None,
        frame="",
        sentence=f"Loose strand on the edge, {place.words}: {flaw.length.value:.1f} mm long",
        action=BLOW_OFF,
        at_arc_mm=place.at_rim_mm,
        at_shell_mm=place.at_shell_mm,
    )


def _judged(kind: FlawKind, flaw: FlawResult, limits: FlawLimits, place: _Place) -> Finding:
    """Bad when it is both too long and too deep: so the better of the two decides, and is the finding's value."""

    def answer_of(size: Quantity, limit: float) -> Answer:
        return decide(size.value, size.u, None, limit, limits.guard_factor * size.u)

    by_length, by_depth = answer_of(flaw.length, limits.length_mm), answer_of(flaw.depth, limits.depth_mm)
    short = SEVERITY[by_length] < SEVERITY[by_depth]
    answer, size, limit = (
        (by_length, flaw.length, limits.length_mm) if short else (by_depth, flaw.depth, limits.depth_mm)
    )
    name = f"{kind.value} {place.along}"
    if answer is Answer.NO_RESULT:
        return no_result(name, place.words, None, f"the {kind.value} could not be measured", at=place.at_shell_mm)
    way = "high" if kind is FlawKind.BURR else "deep"
    stays = ", there at the look before too" if kind is not flaw.kind else ""
    sizes = f"{flaw.length.value:.2f} mm long, {flaw.depth.value:.2f} mm {way}"
    if flaw.pitch is not None:
        sizes = (
            f"over {flaw.length.value:.0f} mm, {flaw.depth.value:.2f} mm deep, a mark each {flaw.pitch.value:.1f} mm"
        )
    allowed = f"limits {limits.length_mm:.2f} mm long and {limits.depth_mm:.2f} mm {way}"
    return Finding(
        characteristic=name,
        where=place.words,
        answer=answer,
        unit="mm",
        value=size.value,
        u=size.u,
        lower=None,
        upper=limit,
        guard=limits.guard_factor * size.u,
        frame="from the smooth edge beside it",
        sentence=f"{capital(place.words)}: {kind.value} {sizes}{stays} ({allowed})",
        action=action_of(answer, CALL_BIT if kind is FlawKind.CHATTER else SET_ASIDE),
        at_arc_mm=place.at_rim_mm,
        at_shell_mm=place.at_shell_mm,
    )


def _place(flaw: FlawResult, definition: ShellDefinition) -> _Place:
    curve = definition.rim
    if flaw.curve == definition.rim.name:
        words = next((zone.words for zone in definition.zones if bool(zone.holds(np.asarray(flaw.arc_mm)))), "rim")
        return _Place(f"at {flaw.arc_mm:.0f} mm", words, curve.plan_at(flaw.arc_mm), flaw.arc_mm)
    along = f"at {flaw.arc_mm:.0f} mm of {flaw.curve}"
    for cutout in definition.cutouts:
        if cutout.curve.name == flaw.curve:
            return _Place(along, cutout.words, cutout.curve.plan_at(flaw.arc_mm), None)
    return _Place(along, flaw.curve, None, None)  # judging again, by a definition that no longer has that curve


def hidden_by_strand(finding: Finding, measurement: ShellMeasurement, definition: ShellDefinition) -> str:
    """Why too much material on the rim says nothing: a loose strand lies there. "" it does not."""
    if finding.answer is Answer.CONFORMING or finding.at_arc_mm is None or not (finding.value or 0.0) > 0.0:
        return ""
    rim = definition.rim
    hidden = under_strand(finding.at_arc_mm, measurement, rim.name, rim.length_mm)
    return "a loose strand lies on the edge there" if hidden else ""


def under_strand(at_mm: float, measurement: ShellMeasurement, rim: str, length_mm: float) -> bool:
    """Whether a loose strand lies at this place of the rim, a closed curve of this length."""
    for flaw in measurement.flaws:
        if flaw.curve != rim or as_judged(flaw, measurement.before) is not FlawKind.STRAND:
            continue
        away = abs((flaw.arc_mm - at_mm + 0.5 * length_mm) % length_mm - 0.5 * length_mm)
        if away <= 0.5 * flaw.length.value + HIDDEN_MM:
            return True
    return False


def no_limits_words(measurement: ShellMeasurement, definition: ShellDefinition) -> str:
    """What was seen and not judged, to be added to a sentence: "; 2 nicks seen, no limits given"."""
    limited = {limit.kind for limit in definition.flaws}
    kinds = [as_judged(flaw, measurement.before).value for flaw in measurement.flaws]
    told = [
        f"{kinds.count(kind)} {_counted(kind, kinds.count(kind))}"
        for kind in FLAW_KINDS
        if kind in kinds and kind not in limited
    ]
    return f"; {' and '.join(told)} seen, no limits given" if told else ""


def _counted(kind: str, count: int) -> str:
    if kind == FlawKind.CHATTER:
        return "run of chatter" if count == 1 else "runs of chatter"
    return kind if count == 1 else f"{kind}s"


def looked_at_again(
    looks_before: int, answer: Answer, sentence: str, action: str, *, measured: bool
) -> tuple[Answer, str, str]:
    """From the third look on nothing is green, and quality decides. ``measured`` - False: this look told nothing."""
    if looks_before < MOST_LOOKS or not measured:
        return answer, sentence, action
    if answer is Answer.CONFORMING:
        return Answer.NO_RESULT, f"Looked at {looks_before + 1} times: quality decides", TO_QUALITY
    return answer, sentence, TO_QUALITY


def in_order(flaws: Sequence[Finding], others: Sequence[Finding]) -> list[Finding]:
    """Worst first; of what is equally bad the flaws, because they are why a zone is bad there too."""
    ranked = [(-SEVERITY[f.answer], f.answer is not Answer.CONFORMING and -1, -f.strain, f) for f in flaws]
    ranked += [(-SEVERITY[f.answer], 0, -f.strain, f) for f in others]
    return [row[-1] for row in sorted(ranked, key=lambda row: row[:3])]
