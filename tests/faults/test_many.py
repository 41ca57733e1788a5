"""How often a good shell is refused and a bad one passed, and bad days: a few in CI, all with
``EDGEINSPECT_MANY=1`` (an hour). ``python -m tests.faults.many FOLDER`` counts the same, can be stopped, and prints the
table.
"""

from __future__ import annotations

import os

import pytest
from scipy.stats import binom

from edgeinspect.conformity import Answer

from .days import FAULTS
from .limits import guards
from .many import FIRST_SEED, HOW_MANY, SEEDS, interval, look

MANY = bool(os.environ.get("EDGEINSPECT_MANY"))
FEW = 6
UNLIKELY = 0.01  # a count that chance gives so rarely is not put down to chance
GREEN = Answer.CONFORMING.value


def looked_at(kind: str) -> list[str]:
    return [str(look(kind, number)["answer"]) for number in range(HOW_MANY[kind] if MANY else FEW)]


def test_good_shells_are_green() -> None:
    """At most limit - 2 g everywhere: at most 0.5 % may be refused."""
    answers = looked_at("good")
    refused = sum(answer != GREEN for answer in answers)
    print(f"good shells not green: {interval(refused, len(answers))}")
    assert refused <= (0.005 * len(answers) if MANY else 0)


def test_shells_at_a_limit_are_seldom_green() -> None:
    """A guard of 1.65 u lets 5 % of those exactly at a limit pass: a count that 5 % would hardly give is too many."""
    answers = looked_at("at a limit")
    passed = sum(answer == GREEN for answer in answers)
    print(f"at a limit and green: {interval(passed, len(answers))}")
    assert binom.sf(passed - 1, len(answers), 0.05) > UNLIKELY


def test_shells_beyond_a_limit_are_never_green() -> None:
    answers = looked_at("beyond a limit by g")
    passed = sum(answer == GREEN for answer in answers)
    print(f"beyond a limit by g and green: {interval(passed, len(answers))}")
    assert not passed


@pytest.mark.parametrize("fault", FAULTS)
def test_a_bad_day_is_never_green_and_is_named(fault: str) -> None:
    for seed in range(FIRST_SEED, FIRST_SEED + (SEEDS if MANY else 2)):
        said = FAULTS[fault](seed)
        assert said.answer is not Answer.CONFORMING, (seed, said)
        assert said.named, (seed, said)


def test_the_guards_are_those_of_a_gauge_that_can_tell() -> None:
    """Twenty-seven characteristics, none with a guard so wide that "room" and "beyond" would mean little."""
    assert len(guards()) == 27
    assert max(guards().values()) < 0.05
