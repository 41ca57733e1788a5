"""A fixed subset of the edge's precision (edge_precision.py, all of it by command): bias, scatter against the
Cramér-Rao bound of the raw pixels, and claimed against actual scatter.

SOURCE of the bound: Fisher information of the raw pixels, worked out in edge_steps.bound_px; for levels that are known
it is the closed form u = (noise / contrast) sqrt(2 s sqrt(pi)) px, see tests/measure/test_edge.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from . import edge_precision
from .edge_precision import CUTOFFS_MM, SCENES, others, round_row, straight_row
from .edge_steps import Sensor, Step, bound_px

PICTURES = 24  # of 1000 scan lines: 1,500 independent values of the 8 mm profile, its scatter is known to 2 %


@pytest.mark.parametrize("blur", [0.6, 1.0, 1.5])
def test_the_bound_holds_more_than_levels_that_are_known(blur: float) -> None:
    """In a wide band the levels are as good as known: then it is the closed form, the noise being white."""
    sensor = Sensor(1e9, 1e7, 12)  # 0.01 of full scale everywhere
    known = 0.01 / 0.4 * np.sqrt(2.0 * np.hypot(blur, 12**-0.5) * np.sqrt(np.pi))
    bounds = [bound_px(Step(blur, 0.1, 0.5), 0.3, sensor, half) for half in (4.0, 8.0, 15.0)]
    assert bounds[0] > bounds[1] > bounds[2] > known
    levels_unknown = (2 * np.sqrt(np.pi) * np.hypot(blur, 12**-0.5)) / 30.0
    assert bounds[2] == pytest.approx(known / np.sqrt(1 - levels_unknown), rel=0.01)


@pytest.mark.parametrize(
    ("scene", "blur", "angle_deg"),
    [
        ("the demo's camera", 0.6, 0.0),
        ("the demo's camera", 0.8, 22.5),
        ("full contrast", 1.0, 45.0),
        ("a tenth of contrast", 0.8, 79.0),
        ("bright inside, noisy", 1.25, 11.0),
        ("shaded on both sides", 0.8, 33.0),
        ("shaded on both sides", 1.5, 90.0),
    ],
)
def test_a_straight_edge(scene: str, blur: float, angle_deg: float) -> None:
    row = straight_row(scene, blur, angle_deg, PICTURES, 5)
    assert row.bias <= 0.005
    told = 3.0 / np.sqrt(2 * 5_000 * PICTURES / 80)  # three standard deviations of a scatter of so many values
    for cutoff in CUTOFFS_MM:
        assert row.by_bound[cutoff] <= 1.05 * (1 + told), row
    for claimed in row.by_u.values():
        assert 0.9 * (1 - told) <= claimed <= 1.1 * (1 + told), row


@pytest.mark.parametrize("hole", [False, True])
@pytest.mark.parametrize(("radius", "blur"), [(6.0, 0.8), (6.0, 1.5), (20.0, 1.0)])
def test_a_round_edge(radius: float, blur: float, hole: bool) -> None:
    assert round_row("full contrast", blur, radius, hole, 60, 3).bias <= 0.01


def test_general_libraries_on_the_same_pictures_are_further_from_the_bound() -> None:
    ours = straight_row("the demo's camera", 0.8, 22.5, 12, 5).by_bound[2.5]
    for name, _, _, ratio in others("the demo's camera", 0.8, 22.5, 12, 5):
        assert ratio > ours, name


def test_shading_would_move_an_edge_that_is_fitted_without_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The check of the check: with no shading in the model the same pictures are off by more than the bound on bias."""
    step, sensor = SCENES["shaded on both sides"]
    monkeypatch.setitem(SCENES, "shaded on both sides", (replace(step, outer=0.004), sensor))
    assert straight_row("shaded on both sides", 0.8, 33.0, 6, 5).bias <= 0.005
    monkeypatch.setattr("edgeinspect.measure.edge.SPREAD_SLOPE", 1e-7)
    assert straight_row("shaded on both sides", 0.8, 33.0, 6, 5).bias > 0.01
    assert edge_precision.LINES == 1000
