"""Bubbles looked for on ray-traced decals that have none, on bent panels with a lamp's gloss: none is found. Where
there is much gloss the answer is that bubbles cannot be judged.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeinspect.conformity import Answer, judge
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell

from . import looks
from .test_every_shell import EXPECTED, calibration, pictures
from .truth import ROOT


def looked_for_bubbles(shell_id: str) -> tuple[ShellMeasurement, ShellDefinition]:
    expected, station = EXPECTED[shell_id]["expected"], looks.station()
    definition = load_shell(ROOT / "models" / expected["shell"])
    definition = replace(definition, decals=tuple(replace(decal, bubbles=True) for decal in definition.decals))
    cameras = {camera: calibration(camera) for camera in EXPECTED[shell_id]["cameras"]}
    gauge = ShellGauge(definition, cameras, station.fixture, station.seatings[expected["shell"]])
    return gauge.measure(expected["variant"], pictures(shell_id), Temperature(20.0)), definition


@pytest.mark.parametrize("shell_id", ["L1001", "L1007"])
def test_a_little_gloss_is_no_bubble(shell_id: str) -> None:
    (decal,) = looked_for_bubbles(shell_id)[0].decals
    assert decal.faults == ()
    assert decal.bubbles_unjudged < 0.02


def test_under_much_gloss_bubbles_are_not_judged() -> None:
    measurement, definition = looked_for_bubbles("R1021")
    (decal,) = measurement.decals
    assert decal.faults == ()
    assert decal.bubbles_unjudged > 0.1
    finding = next(one for one in judge(measurement, definition).findings if "whole" in one.characteristic)
    assert finding.answer is Answer.NO_RESULT
    assert "too dim or uneven to judge bubbles" in finding.sentence
