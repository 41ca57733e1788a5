"""Lengths at 20 degC (ISO 1), and the arithmetic of uncertainty (GUM)."""

from __future__ import annotations

import numpy as np
import pytest

from edgeinspect.measure.setup import quantity
from edgeinspect.measure.temperature import Temperature, cooling_s, growth, minutes_to_cool, u_growth, warm_words
from edgeinspect.shell.definition import Material


@pytest.mark.parametrize(
    ("expansion_per_k", "longer_mm"), [(53e-6, 0.265), (110e-6, 0.55), (59e-6, 0.295), (200e-6, 1.0), (22e-6, 0.11)]
)
def test_half_a_metre_ten_degrees_warm(expansion_per_k: float, longer_mm: float) -> None:
    """SOURCE: ranges of ABS (matmake.com: 53 to 110e-6/K), HDPE and aluminium; 500 mm x 10 K; ISO 1: 20 degC."""
    warm = growth(Material("plastic", expansion_per_k, 0.0), Temperature(30.0))
    assert 500.0 * (warm - 1.0) == pytest.approx(longer_mm, abs=1e-9)
    cold = growth(Material("plastic", expansion_per_k, 0.0), Temperature(10.0))
    assert 500.0 * (1.0 - cold) == pytest.approx(longer_mm, abs=1e-9)


def test_nothing_to_do_at_the_reference() -> None:
    abs_sheet = Material("ABS", 80e-6, 15e-6)
    assert growth(abs_sheet, Temperature(20.0)) == 1.0
    # At 20 degC the expansion coefficient does not matter, the thermometer does.
    assert u_growth(abs_sheet, Temperature(20.0, 0.5)) == pytest.approx(80e-6 * 0.5)


def test_both_causes_count_at_other_temperatures() -> None:
    """SOURCE: JCGM 100:2008, 5.1.2: root sum of squares of sensitivity times u; by hand: 40e-6 and 75e-6 make 85e-6."""
    assert u_growth(Material("ABS", 80e-6, 15e-6), Temperature(25.0, 0.5)) == pytest.approx(85e-6)
    assert u_growth(Material("ABS", 80e-6, 15e-6), Temperature(15.0, 0.5)) == pytest.approx(85e-6)


def test_a_temperature_that_nobody_stated() -> None:
    """SOURCE: JCGM 100:2008, 4.3.7: half-width / sqrt(3), in the middle; against 10^6 draws from the range."""
    assumed = Temperature.within(18.0, 26.0)
    draws = np.random.default_rng(0).uniform(18.0, 26.0, 1_000_000)
    assert assumed.celsius == 22.0
    assert assumed.u_celsius == pytest.approx(4.0 / np.sqrt(3.0))
    assert assumed.u_celsius == pytest.approx(draws.std(), rel=0.005)
    assert not assumed.stated
    assert Temperature(22.0).stated


def test_the_end_gauge_of_the_gum() -> None:
    """SOURCE: JCGM 100:2008, annex H.1: standard 25 nm, comparator 9.7 nm (of 5.8, 3.9, 6.7), differences of expansion
    2.9 nm and of temperature 16.6 nm make u_c = 32 nm (31.66 unrounded).
    """
    comparator = quantity(215.0, {"repeated": 5.8, "random": 3.9, "systematic": 6.7})
    assert comparator.u == pytest.approx(9.7, abs=0.05)
    length = 50_000_623.0  # nm
    shares = {
        "standard": 25.0,
        "comparator": comparator.u,
        "difference of expansion": length * 0.1 * 0.57735e-6,
        "difference of temperature": length * 11.5e-6 * 0.028868,
    }
    whole = quantity(length + 215.0, shares)
    assert [round(share.u, 1) for share in whole.shares] == [25.0, 9.7, 2.9, 16.6]
    assert whole.u == pytest.approx(31.66, abs=0.01)
    assert whole.value == 50_000_838.0


def test_four_equal_shares() -> None:
    """SOURCE: JCGM 101:2008, 9.2.2: the sum of four standard normals has u = 2.0."""
    assert quantity(0.0, dict.fromkeys("abcd", 1.0)).u == pytest.approx(2.0)


def test_a_share_that_is_not_known_leaves_no_u() -> None:
    assert np.isnan(quantity(0.1, {"noise": 0.01, "datums": float("nan")}).u)


@pytest.mark.parametrize(("sheet_mm", "least", "most"), [(3.0, 10, 20), (6.0, 20, 40)])
def test_how_long_a_warm_sheet_waits(sheet_mm: float, least: int, most: int) -> None:
    """3 mm sheet needs 10 to 20 minutes, 6 mm 20 to 40, when about 8 degC warm: common practice, no source."""
    assert least <= minutes_to_cool(sheet_mm, 8.0) <= most


def test_cooling_is_newtons_law() -> None:
    """Stepped through by hand: heat given off on both faces in proportion to what the sheet is warmer, 1 s at a time;
    1.6e6 J/(m3 K) and 7 W/(m2 K) as the module states them.
    """
    sheet_mm, warm_k, seconds = 3.0, 8.0, 0
    while warm_k > 0.5:
        warm_k -= 2 * 7.0 * warm_k / (1.6e6 * sheet_mm * 1e-3)
        seconds += 1
    assert minutes_to_cool(sheet_mm, 8.0) == int(np.ceil(seconds / 60))
    assert cooling_s(6.0) == pytest.approx(2.0 * cooling_s(3.0))
    assert minutes_to_cool(3.0, 0.4) == minutes_to_cool(3.0, 0.0) == 0


def test_what_is_said_of_a_warm_shell() -> None:
    assert warm_words(3.0, Temperature(30.0, usual_c=(18.0, 26.0)).warm_k) == "about 8 °C warm: wait 16 min"
    assert warm_words(3.0, Temperature(25.9, usual_c=(18.0, 26.0)).warm_k) == ""  # as warm as shells are there
    assert Temperature(40.0).warm_k == 0.0  # of what room?
    assert Temperature.within(18.0, 26.0).warm_k == 0.0
