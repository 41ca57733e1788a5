"""Judging: a pure function of a measurement and a shell definition. Decision rule of ISO 14253-1 with the guard band g = factor x u."""

from __future__ import annotations

import enum
from dataclasses import dataclass


class Answer(enum.StrEnum):
    """Only CONFORMING is green."""

    CONFORMING = "CONFORMING"
    NONCONFORMING = "NONCONFORMING"
    NOT_PROVEN = "NOT PROVEN"
    NO_RESULT = "NO RESULT"


@dataclass(frozen=True)
class Finding:
    """One characteristic judged. ``value`` is None where it could not be measured (answer NO RESULT)."""

    characteristic: str  # "zone rear-left-scallop", "cut-out lock-hole diameter", "path shift", "decal badge rotation"
    where: str  # in words, for the operator
    answer: Answer
    unit: str  # "mm" or "deg"
    value: float | None
    u: float | None
    lower: float | None
    upper: float | None
    guard: float | None
    frame: str
    sentence: str  # where, which way, how much, the limit
    action: str  # what to do: clean, reseat, set aside, call
    at_arc_mm: float | None = None  # the one worst place on the rim
    at_shell_mm: tuple[float, float] | None = None  # the place in the shell's plan


@dataclass(frozen=True)
class Verdict:
    answer: Answer
    sentence: str
    action: str
    findings: tuple[Finding, ...]  # worst first
    rule: str  # the decision rule in words, with the guard factor
    limits_sha256: str  # of the definition that judged it

    @property
    def worst(self) -> Finding | None:
        return self.findings[0] if self.findings else None
