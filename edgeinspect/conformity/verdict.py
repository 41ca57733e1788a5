"""What judging says: answers, findings and verdicts, and the decision rule of ISO 14253-1 with its guard band."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure.measurement import Quantity, Stop
from edgeinspect.shell.definition import Frame


class Answer(enum.StrEnum):
    """Only CONFORMING is green."""

    CONFORMING = "CONFORMING"
    NONCONFORMING = "NONCONFORMING"
    NOT_PROVEN = "NOT PROVEN"
    NO_RESULT = "NO RESULT"


# One bad characteristic makes a shell bad whatever could not be seen elsewhere; what was not seen is never good.
SEVERITY = {Answer.NONCONFORMING: 3, Answer.NO_RESULT: 2, Answer.NOT_PROVEN: 1, Answer.CONFORMING: 0}

LEAST_SEEN = 0.98  # of a zone's length, a print's colours, the side of a gap: less, and it has no result
TOO_CLOSE = "too close to call: set aside"
SET_ASIDE = "set aside; the third in one place: stop and call the process engineer"
BLOW_OFF = "blow off and look again; still bad: set aside"
CALL_PATH = "set aside; call the process engineer: the trim path is off"
CALL_PROGRAM = "set aside; call the process engineer: check the trim program"
LIFT = "lift and lay again while it is wet, else set aside"
RIGHT_ONE = "lift it while it is wet and lay the right one, else set aside"
SHADE = "wipe the place dry, shade it from the lamp, look again"
RACK = "rack it"
FRAME_WORDS = {Frame.DATUM: "from the shell's datums", Frame.FIXTURE: "from the fixture", Frame.BEST_FIT: "form only"}


@dataclass(frozen=True)
class Finding:
    """One characteristic judged. ``value`` is None where it could not be measured (answer NO RESULT)."""

    characteristic: str  # "zone rear-left-scallop", "cut-out lock-hole diameter", "path shift", "decal badge rotation"
    where: str  # in words, for the operator
    answer: Answer
    unit: str  # "mm" or "deg", of value, u, limits and guard
    value: float | None
    u: float | None  # one standard uncertainty
    lower: float | None  # inspection limit; None: there is none
    upper: float | None
    guard: float | None  # guard band on the inner and the outer side of each limit
    frame: str  # what it is measured from, in words
    sentence: str  # where, which way, how much, the limit
    action: str  # what to do: clean, reseat, set aside, call
    at_arc_mm: float | None = None  # the one worst place on the rim
    at_shell_mm: tuple[float, float] | None = None  # the place in the shell's plan

    @property
    def strain(self) -> float:
        """How much of the room between nominal and limit is used: 1 at the limit. Orders findings of one answer."""
        if self.value is None:
            return 0.0
        room = [limit for limit in (self.upper if self.value >= 0 else self.lower,) if limit]
        return abs(self.value / room[0]) if room else 0.0


@dataclass(frozen=True)
class Verdict:
    """The answer for the shell: why, what to do, and every characteristic that was judged."""

    answer: Answer
    sentence: str  # the one that the operator reads
    action: str  # the one thing to do
    findings: tuple[Finding, ...]  # worst first
    rule: str  # the decision rule in words, with the guard factor
    limits_sha256: str  # of the definition that judged it

    @property
    def worst(self) -> Finding | None:
        return self.findings[0] if self.findings else None


def proven(value: Any, lower: Any, upper: Any, guard: Any) -> tuple[Any, Any]:
    """The decision rule itself: proven good, proven bad. Of numbers or of arrays; limits that are not there are
    infinite. Neither is NOT PROVEN.
    """
    good = (value >= lower + guard) & (value <= upper - guard)
    bad = (value < lower - guard) | (value > upper + guard)
    return good, bad


def decide(value: float, u: float, lower: float | None, upper: float | None, guard: float) -> Answer:
    """ISO 14253-1: ``guard`` = factor x u in the unit of the value. Not finite, or a u below 0, is NO RESULT."""
    if not all(map(math.isfinite, (value, u, guard))) or u < 0 or guard < 0 or (lower is None and upper is None):
        return Answer.NO_RESULT
    good, bad = proven(value, -math.inf if lower is None else lower, math.inf if upper is None else upper, guard)
    return Answer.CONFORMING if good else Answer.NONCONFORMING if bad else Answer.NOT_PROVEN


def decide_many(value: Array, u: Array, lower: Array, upper: Array, guard_factor: Array) -> NDArray[np.int8]:
    """As ``decide`` for arrays that broadcast; limits that are not there are infinite. Returns values of SEVERITY."""
    guard = guard_factor * u
    good, bad = proven(value, lower, upper, guard)
    severity = np.where(bad, SEVERITY[Answer.NONCONFORMING], SEVERITY[Answer.NOT_PROVEN])
    severity = np.where(good, SEVERITY[Answer.CONFORMING], severity)
    sound = np.isfinite(value) & np.isfinite(guard) & (u >= 0) & (guard >= 0)
    return np.where(sound, severity, SEVERITY[Answer.NO_RESULT]).astype(np.int8)


def capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def no_result(
    characteristic: str,
    where: str,
    stop: Stop | None,
    reason: str,
    *,
    unit: str = "mm",
    at: tuple[float, float] | None = None,
) -> Finding:
    sentence = capital(f"{where}: {stop.reason if stop else reason}")
    action = stop.action if stop else "blow off, look again"
    return Finding(
        characteristic, where, Answer.NO_RESULT, unit, None, None, None, None, None, "", sentence, action, None, at
    )


def action_of(answer: Answer, when_bad: str) -> str:
    return {Answer.CONFORMING: RACK, Answer.NOT_PROVEN: TOO_CLOSE, Answer.NO_RESULT: "look again"}.get(answer, when_bad)


def simple(
    characteristic: str,
    where: str,
    quantity: Quantity,
    lower: float | None,
    upper: float | None,
    factor: float,
    sentence: str,
    bad: str,
    *,
    unit: str = "mm",
    frame: str = "",
    at: tuple[float, float] | None = None,
) -> Finding:
    guard = factor * quantity.u
    answer = decide(quantity.value, quantity.u, lower, upper, guard)
    if answer is Answer.NO_RESULT:
        return no_result(characteristic, where, None, "it could not be measured", unit=unit, at=at)
    return Finding(
        characteristic,
        where,
        answer,
        unit,
        quantity.value,
        quantity.u,
        lower,
        upper,
        guard,
        frame,
        sentence,
        action_of(answer, bad),
        None,
        at,
    )


def not_there(characteristic: str, words: str, action: str, place: tuple[float, float]) -> Finding:
    return wrong(characteristic, words, f"{words}: not there", action, place)


def wrong(characteristic: str, words: str, sentence: str, action: str, place: tuple[float, float]) -> Finding:
    """Bad without a number."""
    return Finding(
        characteristic=characteristic,
        where=words,
        answer=Answer.NONCONFORMING,
        unit="",
        value=None,
        u=None,
        lower=None,
        upper=None,
        guard=None,
        frame="",
        sentence=capital(sentence),
        action=action,
        at_shell_mm=place,
    )


def turn_words(degrees: float) -> str:
    return f"{abs(degrees):.2f}° {'counter-clockwise' if degrees >= 0 else 'clockwise'}"
