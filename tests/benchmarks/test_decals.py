"""A fixed few of the long runs on decals (decals.py): how exactly at 0.065 mm a pixel, whether what is said of their
uncertainty holds, whether each is found and named, and in which colour. The bounds of the first are the aims.
"""

from __future__ import annotations

import numpy as np
import pytest

from edgeinspect.shell.files import load_shell

from . import decal_anew, decal_colour, decal_exact, decal_finding


@pytest.mark.parametrize("condition", decal_exact.CONDITIONS)
def test_how_exactly_at_65_micrometres_a_pixel(condition: str) -> None:
    """0.004 mm, 0.003 degrees and 50 ppm, twice that where several come together."""
    badge = load_shell(decal_exact.MODEL).decals[0]
    surface = list(decal_exact.SURFACES)[list(decal_exact.CONDITIONS).index(condition) % len(decal_exact.SURFACES)]
    off = np.abs(decal_exact.errors(decal_exact.laid_so(condition, surface, 100, badge), badge))
    times = 2.0 if condition == "several together" else 1.0
    _, place, turn, stretch = decal_exact.AIMS
    assert off[:2].max() < times * place
    assert off[2] < times * turn
    assert off[3:].max() < times * stretch


def test_what_is_said_of_the_uncertainty_holds() -> None:
    """Of six decals, thirty numbers: rms of error over u by chi-squared within 0.7 to 1.4 at 99 %."""
    ratios = decal_anew.ratios([decal_anew.one(number) for number in range(6)])
    assert len(ratios) == 6
    assert 0.7 < np.sqrt((ratios**2).mean()) < 1.4
    assert np.abs(ratios).max() < 3.5


@pytest.mark.parametrize("number", range(len(decal_finding.LAID)))
def test_every_decal_is_found_and_named(number: int) -> None:
    row = decal_finding.one(number)
    assert decal_finding.right(row), row


def test_wrong_colours_are_found_and_good_ones_are_not_red() -> None:
    """One of each kind by two of the eight cameras, and eight good ones: none of these red, all of the others held."""
    for seed in (1, 2):
        for kind in decal_colour.BAD:
            row = decal_colour.one(kind, seed)
            assert decal_colour.found(row), row
        for number in range(4):
            row = decal_colour.one("good", seed + decal_colour.CAMERAS * number)
            assert row["answer"] in ("CONFORMING", "NOT PROVEN"), row
