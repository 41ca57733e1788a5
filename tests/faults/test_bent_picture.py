"""Pictures whose levels are not light: refused with a sentence, measured right once the station states the curve."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from edgeinspect.conformity import Answer, judge
from edgeinspect.measure.noise import GREATEST_RESPONSE, read_noise
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.response import Response
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check
from tests.samples import looks
from tests.samples.truth import SAMPLES

TRIM = frozenset({Check.TRIM})
FILES = sorted(SAMPLES.rglob("*.webp"))
COVERED = "L1009_top.webp"


@pytest.mark.parametrize("gamma", [1.8, 2.2])
def test_a_bent_picture_is_no_result_and_says_why(gamma: float) -> None:
    raw = looks.picture("L1001")
    bent = np.rint(255 * (raw / 255) ** (1 / gamma)).astype(np.uint8)
    measurement = looks.gauge().measure("standard", {"top": bent}, Temperature(20.0), TRIM)
    verdict = judge(measurement, looks.gauge().setup.definition)
    assert verdict.answer is Answer.NO_RESULT
    assert "picture of camera top is not linear in light" in verdict.sentence
    assert "gamma" in verdict.action


def test_a_stated_curve_gives_the_numbers_of_the_linear_picture() -> None:
    """The same light through a gamma of 2.2 in 12 bits: zones within 0.003 mm (0.01 px) of those from the levels."""
    raw = looks.picture("L1001")
    light = looks.gauge().measure("standard", {"top": raw}, Temperature(20.6), TRIM)
    bent = np.rint(4095 * (raw / 255) ** (1 / 2.2)).astype(np.uint16)
    calibration = replace(looks.calibration(), bits=12, response=Response(2.2))
    here, definition = looks.station(), looks.gauge().setup.definition
    gauge = ShellGauge(definition, {"top": calibration}, here.fixture, here.seatings["toplid"])
    again = gauge.measure("standard", {"top": bent}, Temperature(20.6), TRIM)
    assert not again.stops
    for one, other in zip(light.zones, again.zones, strict=True):
        assert other.most.value == pytest.approx(one.most.value, abs=0.003)
        assert other.least.value == pytest.approx(one.least.value, abs=0.003)


def test_no_sample_picture_is_flagged() -> None:
    """All are linear with shot and read noise; the covered lens cannot tell."""
    assert len(FILES) > 50
    for path in FILES:
        response = read_noise(GreyPicture(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)))[1]
        if path.name == COVERED:
            assert np.isnan(response)
        else:
            assert not response > GREATEST_RESPONSE, path.name
