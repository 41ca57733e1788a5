"""What was to be expected before the first shell against what is then reported of the ray-traced ones."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from edgeinspect.gauge.budget_map import Against, against_limits, budget_map, fit_of
from edgeinspect.gauge.foreseen import Foreseen, foresee
from edgeinspect.measure.imagined import BACKGROUND, CONTRAST, Conditions
from edgeinspect.measure.noise import Noise
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature

from . import looks
from .looks import MEASURED
from .test_every_shell import gauge
from .test_every_shell import look as look_at

NEAR = (0.7, 1.4)  # of the reported u


def share(row: Against, source: str) -> float:
    return next(one.u for one in row.shares if one.source == source)


@pytest.fixture(scope="module")
def expected() -> Foreseen:
    return foresee(looks.gauge(), "standard", Temperature(22.0), Conditions())


def test_everything_with_a_limit_has_an_expected_uncertainty(expected: Foreseen) -> None:
    definition = looks.gauge().setup.definition
    assert (expected.problems, expected.missing) == ((), ())
    assert len(expected.rows) == len(definition.zones) + 2 + 2 + 3 + 3 + 3  # path; hole; slots; decal


@pytest.mark.parametrize("shell_id", MEASURED)
def test_the_expected_uncertainty_is_what_is_then_reported(expected: Foreseen, shell_id: str) -> None:
    measurement, definition = looks.look(shell_id).measurement, looks.gauge().setup.definition
    reported = {row.characteristic: row.u for row in against_limits(measurement, definition)}
    ratios = {
        row.characteristic: row.u / reported[row.characteristic]
        for row in expected.rows
        if row.characteristic in reported
    }
    assert len(ratios) >= len(definition.zones)
    assert {name: ratio for name, ratio in ratios.items() if not NEAR[0] < ratio < NEAR[1]} == {}
    along, then = budget_map(measurement, definition), expected.along
    assert along is not None and then is not None
    ratio = then.total_mm / along.total_mm
    seen = np.isfinite(ratio)
    assert seen.mean() > 0.9
    assert (ratio[seen] > NEAR[0]).all() and (ratio[seen] < NEAR[1]).all()


def test_two_cameras_too() -> None:
    two, definition = gauge("toplid_right"), gauge("toplid_right").setup.definition
    measurement = look_at("R1021").measurement
    warmth = Temperature(measurement.temperature_c, measurement.u_temperature_c)
    expected = foresee(two, measurement.variant, warmth, Conditions())
    reported = {row.characteristic: row.u for row in against_limits(measurement, definition)}
    ratios = [row.u / reported[row.characteristic] for row in expected.rows if row.characteristic in reported]
    assert len(ratios) >= len(definition.zones) and NEAR[0] < min(ratios) <= max(ratios) < NEAR[1]


def test_the_map_is_made_of_what_the_profile_says() -> None:
    """The record's combined u at stations, worked out when it was measured, against the causes kept of it."""
    measurement, definition = looks.look("L1001").measurement, looks.gauge().setup.definition
    along = budget_map(measurement, definition)
    assert along is not None
    profile = next(one for one in measurement.profiles if one.frame is definition.zones[0].frame)
    first = np.searchsorted(looks.gauge().setup.rim.arc_mm, along.arc_mm - 1e-3)
    square = np.asarray(profile.u_mm, dtype=np.float64) ** 2
    there = np.sqrt([part.mean() for part in np.split(square, first[1:])])
    assert np.abs(along.total_mm / there - 1.0).max() < 1e-3


def test_twice_the_noise_costs_twice_as_much_and_no_less_than_it_must() -> None:
    """Cramér-Rao: u of an edge's place is (noise / contrast) sqrt(2 s sqrt(pi)) px for a line 1 px wide."""
    noises = Noise(2e-6, 1e-4), Noise(8e-6, 4e-4)
    found = [foresee(looks.gauge(), "standard", Temperature(22.0), Conditions(noise=noise)) for noise in noises]
    little, much = (share(one.rows[0], "picture noise") for one in found)
    assert much / little == pytest.approx(2.0, rel=0.1)
    # a line stands for 0.5 mm along the edge; the 2.5 mm filter leaves 1 / sqrt(alpha c sqrt(2)) of white noise
    shot = looks.calibration()
    px = shot.model.fx / float(shot.fixture_pose.apply(looks.gauge().setup.rim_seated.points_mm[:1])[0, 2])
    blur = math.sqrt(shot.blur_px**2 - 1.0 / 6.0)
    bound_px = noises[0].sd(CONTRAST / 2 + BACKGROUND) / CONTRAST * math.sqrt(2.0 * blur * math.sqrt(math.pi))
    alpha = math.sqrt(math.log(2.0) / math.pi)
    bound_mm = bound_px / px / math.sqrt(alpha * 2.5 * px * math.sqrt(2.0))
    assert 0.9 < little / bound_mm < 1.5  # level and step are unknown too: above the bound of the place alone


def test_a_calibration_that_does_not_know_its_noise_is_said() -> None:
    known = looks.gauge().setup
    old = replace(looks.calibration(), pixel_noise=None)
    before = ShellGauge(known.definition, {"top": old}, known.fixture, known.seating)
    found = foresee(before, "standard", Temperature(22.0), Conditions())
    assert any("its calibration does not say, calibrate again" in words for words in found.assumed)
    assert found.missing == ()


def test_the_calibration_reads_the_noise_of_its_pictures() -> None:
    """The simulated sensor (simulate/scene.py) holds 10,500 electrons at full scale, its read noise is 14; rounding
    to 8 bits adds 1 / 12 of a level squared.
    """
    noise = looks.calibration().pixel_noise
    assert noise is not None
    read, shot = noise
    assert shot == pytest.approx(1.0 / 10500.0, rel=0.1)
    assert read == pytest.approx((14.0 / 10500.0) ** 2 + 1.0 / 12.0 / 255.0**2, rel=0.4)


def test_a_limit_within_the_guard_bands_cannot_be_proven() -> None:
    """ISO 14253-1 with g = 1.65 u: at a half tolerance of 1.65 u nothing is left. The ratios: common practice."""
    u = 0.1
    assert fit_of(0.165, u, 2 * 0.165 - 2 * 1.65 * u) == "none"
    assert fit_of(0.166, u, 2 * 0.166 - 2 * 1.65 * u) == "less"
    assert (fit_of(0.81, u, 1.0), fit_of(0.79, u, 1.0)) == ("four", "less")
    assert (fit_of(2.01, u, 1.0), fit_of(1.99, u, 1.0)) == ("ten", "four")
