"""What the README says about accuracy is not better than what the sample pictures measure against their truth."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from edgeinspect.shell.definition import Frame
from tests.samples import looks
from tests.samples.errors import QuantityError, all_quantity_errors, zone_errors

README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
TOLD = README.partition("## How exact it is")[2].partition("\n## ")[0]
ROUNDED_MM = 0.0005  # told with three digits


def told(words: str) -> tuple[list[float], list[float]]:
    """Numbers of the second and third cell of the row that begins so."""
    (row,) = (line for line in TOLD.splitlines() if line.startswith(f"| {words}"))
    cells = row.strip("| ").split(" | ")
    return tuple([float(number) for number in re.findall(r"\d+\.\d+", cell)] for cell in cells[1:3])  # type: ignore[return-value]


def worst_and_rms(*kinds: str, units: tuple[str, ...] = ("mm",)) -> tuple[list[float], list[float]]:
    every: list[QuantityError] = [error for error in all_quantity_errors() if error.kind in kinds]
    by_unit = [np.array([error.error for error in every if error.unit == unit]) for unit in units]
    return [float(np.abs(e).max()) for e in by_unit], [float(np.sqrt((e**2).mean())) for e in by_unit]


def of_zones(frame: Frame) -> tuple[list[float], list[float]]:
    zones = [zone for shell_id in looks.MEASURED for zone in zone_errors(shell_id, frame)]
    return [max(abs(zone.bias_mm) for zone in zones)], [max(zone.sd_mm for zone in zones)]


@pytest.mark.parametrize(
    ("words", "frame"),
    [("edge of a zone, in the fixture frame", Frame.FIXTURE), ("edge of a zone, against the shell's", Frame.DATUM)],
)
def test_edges_are_no_worse_than_told(words: str, frame: Frame) -> None:
    _no_better_than_measured(told(words), of_zones(frame))


@pytest.mark.parametrize(
    ("words", "kinds", "units"),
    [
        ("shift and turn of the whole cut", ("path",), ("mm", "deg")),
        ("cut-outs", ("hole", "slot"), ("mm",)),
        ("decal", ("decal",), ("mm", "deg")),
    ],
)
def test_quantities_are_no_worse_than_told(words: str, kinds: tuple[str, ...], units: tuple[str, ...]) -> None:
    _no_better_than_measured(told(words), worst_and_rms(*kinds, units=units))


def _no_better_than_measured(
    claimed: tuple[list[float], list[float]], measured: tuple[list[float], list[float]]
) -> None:
    for said, found in zip(claimed, measured, strict=True):
        assert len(said) == len(found), "the README's cell holds another number of numbers"
        assert all(s >= f - ROUNDED_MM for s, f in zip(said, found, strict=True)), (said, found)


def test_as_many_judged_values_lie_within_their_uncertainty_as_told() -> None:
    found = re.search(r"(\d+) of the (\d+) judged values lie within their\s+stated U", TOLD)
    assert found is not None
    within = [abs(error.in_u) <= 2.0 for error in all_quantity_errors()]
    assert int(found[2]) == len(within)
    assert int(found[1]) <= sum(within)


def test_the_uncertainty_of_a_zone_is_as_told() -> None:
    found = re.search(r"u of a zone is (\d+\.\d+) to (\d+\.\d+) mm", TOLD)
    assert found is not None
    u = [error.u for error in all_quantity_errors() if error.kind == "zone"]
    assert (float(found[1]), float(found[2])) == pytest.approx((min(u), max(u)), abs=2 * ROUNDED_MM)
