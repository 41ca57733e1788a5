"""Stored measurements under other limits: what would have been green, and what not any more."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from edgeinspect.conformity import SEVERITY, Answer, Finding, judge
from edgeinspect.errors import DefinitionError
from edgeinspect.inspection import Inspection
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.study.drawing import other_drawing, seems_measured_by


@dataclass(frozen=True)
class Change:
    """One characteristic that is judged differently; None where there was no number or no limit."""

    characteristic: str
    where: str
    unit: str
    value: float | None  # as measured, the same for both
    u: float | None
    before: Answer
    after: Answer
    lower_before: float | None
    upper_before: float | None
    lower_after: float | None
    upper_after: float | None

    @property
    def words(self) -> str:
        value = "not measured" if self.value is None else f"{self.value:+.3f} {self.unit}"
        old, new = _span(self.lower_before, self.upper_before), _span(self.lower_after, self.upper_after)
        limits = f"limits {old}" if old == new else f"limits {old} → {new}"
        return f"{self.characteristic} {value}, {limits} {self.unit}: {self.before} → {self.after}"


@dataclass(frozen=True)
class Flip:
    """One look at one shell that gets another answer."""

    inspection_id: int | None
    shell_id: str
    attempt: int
    finished_at: str
    before: Answer  # as recorded
    after: Answer
    why: str
    changes: tuple[Change, ...]  # what decided comes first


@dataclass(frozen=True)
class JudgedAgain:
    """What came of judging again; nothing of it is recorded."""

    shell: str
    revision: str
    limits_sha256: str
    judged: int
    before: dict[Answer, int]
    after: dict[Answer, int]
    flips: tuple[Flip, ...]
    program_flips: int  # get another answer even under the limits that judged them: it is the program that changed
    limits_unknown: int  # judged by a definition that is not at hand, but of the same zones and features
    other_drawing: int  # left out: measured by a definition of other zones or features


def judge_again(
    inspections: Iterable[Inspection], limits: ShellDefinition, current: ShellDefinition | None
) -> JudgedAgain:
    """Judge stored measurements by ``limits``.

    ``current`` - the definition in force, with which the inspections that carry its hash were measured.
    Raises DefinitionError if ``limits`` differs from it in more than limits: then it takes measuring, not judging.
    """
    if current is not None and (places := other_drawing(current, limits)):
        rule = "only limits may differ, else measure again"
        raise DefinitionError(
            [f"{limits.name}: {place} is another than in the definition in force: {rule}" for place in places]
        )
    before, after, flips = Counter[Answer](), Counter[Answer](), list[Flip]()
    program_flips = limits_unknown = left_out = 0
    for inspection in inspections:
        measurement, was = inspection.measurement, inspection.verdict.answer
        known = current is not None and measurement.definition_sha256 == current.sha256
        if not known and not seems_measured_by(measurement, limits):
            left_out += 1
            continue
        limits_unknown += not known
        verdict = judge(measurement, limits)
        before[was] += 1
        after[verdict.answer] += 1
        own_limits = known and inspection.limits_revision is None  # else it was judged by others than its definition's
        if own_limits and current is not None and judge(measurement, current).answer is not was:
            program_flips += 1
        if verdict.answer is not was:
            changes = changed(inspection.verdict.findings, verdict.findings)
            why = changes[0].words if changes else verdict.sentence
            flips.append(
                Flip(
                    inspection.inspection_id,
                    inspection.shell_id,
                    inspection.attempt,
                    inspection.finished_at,
                    was,
                    verdict.answer,
                    why,
                    changes,
                )
            )
    return JudgedAgain(
        shell=limits.name,
        revision=limits.revision,
        limits_sha256=limits.sha256,
        judged=sum(before.values()),
        before={answer: before[answer] for answer in Answer},
        after={answer: after[answer] for answer in Answer},
        flips=tuple(flips),
        program_flips=program_flips,
        limits_unknown=limits_unknown,
        other_drawing=left_out,
    )


def changed(before: Iterable[Finding], after: Iterable[Finding]) -> tuple[Change, ...]:
    """Characteristics of one measurement that two judgements answer differently, the gravest first."""
    old = {finding.characteristic: finding for finding in before}
    changes = [
        Change(
            new.characteristic,
            new.where,
            new.unit,
            new.value,
            new.u,
            old[new.characteristic].answer,
            new.answer,
            old[new.characteristic].lower,
            old[new.characteristic].upper,
            new.lower,
            new.upper,
        )
        for new in after
        if new.characteristic in old and new.answer is not old[new.characteristic].answer
    ]
    return tuple(sorted(changes, key=lambda change: -max(SEVERITY[change.before], SEVERITY[change.after])))


def _span(lower: float | None, upper: float | None) -> str:
    if lower is not None and upper is not None:
        return f"±{upper:g}" if lower == -upper else f"{lower:+g} … {upper:+g}"
    if upper is not None:
        return f"at most {upper:g}"
    return "none" if lower is None else f"at least {lower:g}"
