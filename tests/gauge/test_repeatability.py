"""The scatter of repeated looks against published statistics."""

from __future__ import annotations

import math

import numpy as np
import pytest

from edgeinspect.gauge.repeatability import LEAST_LOOKS, Repeatability, Scatter, repeatability_words, scatter_of
from edgeinspect.geometry import Array
from edgeinspect.process.readings import Readings, Seen


def readings(most: Array, u: float, name: str = "cut-out lock-hole diameter", least: Array | None = None) -> Readings:
    count = len(most)
    return Readings(
        (name,),
        ("mm",),
        np.arange(count),
        (most if least is None else least)[:, None],
        np.full((count, 1), u),
        most[:, None],
        np.full((count, 1), u),
        np.full((count, 1), Seen.WHOLE, np.uint8),
        np.zeros(count, np.uint8),
        np.zeros(count, np.int8),
    )


def test_standard_deviation_as_certified() -> None:
    """NIST StRD, univariate, NumAcc3 (average difficulty): 1001 values, 1000000.2 once, then 1000000.1 and 1000000.3
    in turn; certified standard deviation 0.1 exactly. Data and value from memory.
    """
    values = np.concatenate([[1000000.2], np.tile([1000000.1, 1000000.3], 500)])
    found = scatter_of(readings(values, 0.1))["cut-out lock-hole diameter"]
    assert found.looks == 1001
    assert found.s == pytest.approx(0.1, abs=1e-9)


def test_bound_by_published_percentiles() -> None:
    """Chi-squared with 9 degrees of freedom, 5 %: 3.325 (NIST/SEMATECH e-Handbook, 1.3.6.7.4), so that the bound of ten
    looks is s times the root of 9 over that.
    """
    values = np.linspace(-0.01, 0.01, 10)
    found = scatter_of(readings(values, 0.01))["cut-out lock-hole diameter"]
    assert found.s_at_most / found.s == pytest.approx(math.sqrt(9 / 3.325), rel=2e-4)


def test_chance_alone_is_not_beyond_u_and_three_times_u_is() -> None:
    """One in a thousand by chance: of 4,000 studies of ten looks whose scatter is u, 4 are expected, and 15 and more
    come once in 10,000 times (Poisson). Of studies whose scatter is three times u 96 in 100 are
    named (their chi-squared must exceed 27.9 / 9, which it does so often).
    """
    random = np.random.default_rng(5)

    def named(spread: float, studies: int) -> int:
        draws = random.normal(20.0, spread, (studies, 10))
        return sum(scatter_of(readings(one, 0.01))["cut-out lock-hole diameter"].beyond_u for one in draws)

    assert named(0.01, 4000) < 15
    assert named(0.03, 200) > 180


def test_the_worse_way_of_a_zone_counts_and_too_few_looks_say_nothing() -> None:
    calm, wild = np.full(6, 0.1), np.array([0.0, 0.1, 0.0, 0.1, 0.0, 0.1])
    found = scatter_of(readings(calm, 0.01, "zone front", least=wild))["zone front"]
    assert found.s == pytest.approx(np.std(wild, ddof=1))
    assert scatter_of(readings(wild[: LEAST_LOOKS - 1], 0.01)) == {}
    gaps = np.array([0.0, math.nan, 0.1, 0.0, math.nan, 0.1])
    assert scatter_of(readings(gaps, 0.01)) == {}


def test_words() -> None:
    assert "unknown" in repeatability_words(None)
    bad = Scatter("zone front", "mm", 10, 0.03, 0.05, 0.01)
    study = Repeatability("G-7", 10, "2026-11-20T06:00:00.000Z", "2026-11-20T06:20:00.000Z", {"a": bad})
    said = repeatability_words(study)
    assert "G-7 was looked at 10 times" in said
    assert "scatters more than its uncertainty says: a: look for what moves" in said
