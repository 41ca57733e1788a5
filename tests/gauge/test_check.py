"""Gauge trust in words, from the known lengths that every picture brings along."""

from __future__ import annotations

import numpy as np

from edgeinspect.gauge.check import check_lengths
from edgeinspect.geometry import Pose
from edgeinspect.measure.measurement import CameraView


def view(*lengths: tuple[str, float, float]) -> CameraView:
    return CameraView("top", "id", Pose.identity(), 0.01, 8, 8, 0.01, 1.0, 0.9, lengths)


def test_the_worst_length_speaks() -> None:
    check = check_lengths(
        [view(("a", 536.0, 536.01), ("b", 430.0, 429.94)), view(("c", 320.0, 320.03), ("d", 300.0, 300.02))]
    )
    assert check.done
    assert abs(check.worst_mm - 0.06) < 1e-9
    assert check.words == "reads 429.94 for 430.00 mm between marks"


def test_nothing_read_is_said() -> None:
    for views in ([], [view()], [view(("a", 536.0, float("nan")))]):
        check = check_lengths(views)
        assert not check.done
        assert np.isnan(check.worst_mm)
        assert check.words == "no known length between marks could be read"


def test_one_lost_length_does_not_hide_the_other() -> None:
    check = check_lengths([view(("a", 536.0, float("nan")), ("b", 430.0, 431.0))])
    assert check.words == "reads 431.00 for 430.00 mm between marks"
