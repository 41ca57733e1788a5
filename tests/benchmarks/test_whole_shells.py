"""A fixed few of the whole shells (whole_shells.py): two calibrations anew from pictures of the board, six shells each.

The bounds are the aims, for 0.2 mm per pixel in good light and a cut face that hides: bias 0.001 mm, a station 0.006 mm
unfiltered, path 0.002 mm and 0.001 degrees. What is drawn with all its errors lies within three standard uncertainties.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from edgeinspect.geometry import PlaneShift, frozen
from edgeinspect.measure.temperature import Temperature
from edgeinspect.simulate import fast
from edgeinspect.simulate.cases import natural_shell
from tests.faults.scenes import scene_of
from tests.samples import looks

from .shell_draws import Drawn, drawn
from .shell_flaws import good_line, spoilt_line
from .whole_shells import line

EACH = 6


@pytest.fixture(scope="module")
def stations(tmp_path_factory: pytest.TempPathFactory) -> tuple[Drawn, Drawn]:
    folder: Path = tmp_path_factory.mktemp("stations")
    return drawn(0, folder), drawn(1, folder)


@pytest.fixture(scope="module")
def rows(stations: tuple[Drawn, Drawn]) -> list[dict[str, Any]]:
    return [line(at, number) for at in stations for number in range(EACH)]


def chosen(rows: list[dict[str, Any]], **wanted: object) -> list[dict[str, Any]]:
    found = [row for row in rows if all(row[key] == value for key, value in wanted.items())]
    assert found
    return found


def errors(rows: list[dict[str, Any]], kind: str) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    e, u = np.array([q[2:] for row in rows for q in row["quantities"] if q[0] == kind]).T
    return e, u


def test_every_shell_is_measured(rows: list[dict[str, Any]]) -> None:
    """10 mm and 5 degrees off, in three colours, dim, faint and out of focus: all within the stated reach."""
    assert not [row["stop"] for row in rows if "stop" in row]


def test_an_edge_that_hides_its_cut_face_is_unbiased(rows: list[dict[str, Any]]) -> None:
    plain = chosen(rows, plain=True, condition="good", sheet_mm=0.05)
    n, total, squares, _ = np.sum([row["stations"]["cut, one station"] for row in plain], axis=0)
    assert abs(total / n) < 0.001
    assert (squares / n) ** 0.5 < 0.008  # 0.006 but for the slate sheet's faint edge
    _, _, filtered, _ = np.sum([row["stations"]["cut, filtered"] for row in plain], axis=0)
    assert (filtered / n) ** 0.5 < 0.005  # the calibration's own share with it


def test_path_and_holes_are_where_they_are(rows: list[dict[str, Any]]) -> None:
    plain = chosen(rows, plain=True, condition="good", sheet_mm=0.05)
    for kind, bound in (("path axis", 0.002), ("path rotation", 0.001), ("diameter", 0.005), ("centre", 0.007)):
        assert np.abs(errors(plain, kind)[0]).max() < bound, kind
    centres = np.array([row["in_the_fixture"] for row in plain])  # the pips' noise is not theirs
    assert np.abs(centres).max() < 0.005
    assert np.sqrt((centres**2).mean()) < 0.003  # 0.002 over all calibrations


@pytest.mark.parametrize("kind", ["zone", "path axis", "path rotation", "centre", "diameter", "length", "width"])
def test_what_is_claimed_holds_what_is_drawn(rows: list[dict[str, Any]], kind: str) -> None:
    e, u = errors(chosen(rows, plain=False), kind)
    assert np.sqrt(((e / u) ** 2).mean()) < 2.0
    assert np.abs(e / u).max() < 4.5


def test_the_alignment_does_not_slide_when_the_whole_rim_is_off() -> None:
    """0.15 mm too much all round moves nothing; a robust loss would slide sideways."""
    shell = natural_shell(11)
    path = []
    for even_mm in (0.0, 0.15):
        one = fast.render_quickly(
            scene_of(
                type(shell)(
                    seating=shell.seating,
                    temperature_c=shell.temperature_c,
                    path=PlaneShift(0.0, 0.0, 0.0),
                    rim_deviation_mm=frozen(np.full(1, even_mm)),
                ),
                11,
            )
        )
        found = looks.gauge().measure("standard", {"top": one}, Temperature(shell.temperature_c))
        assert found.cut is not None
        path.append(found.cut.shift)
    assert abs(path[1].dx_mm - path[0].dx_mm) < 0.002
    assert abs(path[1].dy_mm - path[0].dy_mm) < 0.002
    assert abs(path[1].rotation_deg - path[0].rotation_deg) < 0.001


def test_every_flaw_is_found(stations: tuple[Drawn, Drawn]) -> None:
    """Nicks and burrs of 0.6 x 0.3 mm and more, strands. A burr may be told as a strand: it is looked at again."""
    looked_at = 0
    for at in stations:
        for number in range(4):
            spoilt = spoilt_line(at, number)
            for flaw in spoilt.get("flaws", ()):
                looked_at += 1
                allowed = {flaw["kind"], "strand"} if flaw["kind"] == "burr" else {flaw["kind"]}
                assert flaw["found"] in allowed, (at.number, number, flaw)
            assert not spoilt.get("elsewhere")
    assert looked_at >= 24


@pytest.mark.parametrize("number", [0, 12, 20, 25])
def test_none_is_found_among_clutter(stations: tuple[Drawn, Drawn], number: int) -> None:
    """Three of forty had one once: a strand by a hot pixel (12), chatter by noise (20), a nick by a clamp (25)."""
    assert not good_line(stations[1], number)["false"]
