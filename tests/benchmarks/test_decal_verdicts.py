"""A fixed part of ``decal_verdicts`` and of ``decal_methods``."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from edgeinspect.shell.files import load_shell

from . import decal_methods, decal_verdicts


def test_a_well_laid_badge_is_green_and_one_beyond_its_limits_never() -> None:
    row = decal_verdicts.good_row(0)
    assert all(row["good"]), row["why"]
    assert len(row["beyond"]) >= 2
    assert not any(row["beyond"])


@pytest.mark.parametrize("kind", ["torn", "missing", "bubble", "digits_exchanged"])
def test_a_bad_badge_is_never_green(kind: str) -> None:
    assert not decal_verdicts.bad_row(kind, 5)["green"]


def test_nearer_to_the_truth_than_general_libraries() -> None:
    """Under a light gradient on a cylinder. The libraries' numbers are their own: OpenCV and scikit-image, fairly
    started (see decal_methods).
    """
    cv2.setNumThreads(1)
    badge = load_shell(decal_methods.MODEL).decals[0]
    off = decal_methods.one("gradient of 25 %", "R 300", 0, badge)["off"]
    ours = np.abs(off[decal_methods.OURS])
    assert ours[:2].max() < 0.001
    assert ours[2] < 0.002
    for name in decal_methods.METHODS:
        assert not np.abs(off[name][:2]).max() < ours[:2].max(), name
