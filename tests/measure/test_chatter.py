"""Chatter on plates whose run, pitch and depth are known, drawn by area coverage (edge_pictures: by no code of
edgeinspect).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeinspect.conformity import Answer
from edgeinspect.conformity.flaws import flaw_findings, no_limits_words
from edgeinspect.measure.flaws import find_flaws
from edgeinspect.measure.measurement import FlawKind, FlawResult
from edgeinspect.shell.definition import FlawLimits
from tests.samples import looks

from .edge_pictures import LENGTH, Plate, look, picture
from .test_flaws import seen


def runs(plate: Plate, seed: int = 3, **more: float) -> list[FlawResult]:
    found = seen(plate, seed, **more)  # type: ignore[arg-type]
    assert {one.kind for one in found} <= {FlawKind.CHATTER}
    return list(found)


@pytest.mark.parametrize("mm_per_px", [0.2, 0.3])
@pytest.mark.parametrize(("pitch", "depth"), [(2.0, 0.1), (3.0, 0.06), (3.0, 0.3), (5.0, 0.1), (7.5, 0.1)])
def test_length_pitch_and_depth(pitch: float, depth: float, mm_per_px: float) -> None:
    """On a waved edge, over the start point, round a corner: three periods and more."""
    plate = Plate(wave_mm=0.1)
    plate.chatter = [(5.0, 5 * pitch, pitch, depth), (160.0, 3 * pitch, pitch, depth), (300.0, 8 * pitch, pitch, depth)]
    found = runs(plate, mm_per_px=mm_per_px)
    assert len(found) == 3
    in_order = sorted(found, key=lambda one: (one.arc_mm + 40.0) % LENGTH)
    for one, (middle, run, _, _) in zip(in_order, plate.chatter, strict=True):
        assert one.pitch is not None
        assert abs((one.arc_mm - middle + LENGTH / 2) % LENGTH - LENGTH / 2) < 0.5 * pitch
        assert one.length.value == pytest.approx(run, abs=0.75 * pitch)
        assert one.pitch.value == pytest.approx(pitch, rel=0.05)
        assert one.depth.value == pytest.approx(depth, abs=max(0.01, 2.0 * one.depth.u))


@pytest.mark.parametrize("blur_px", [0.6, 1.2])
def test_blur_does_not_make_it_shallower(blur_px: float) -> None:
    plate = Plate()
    plate.chatter = [(60.0, 20.0, 2.5, 0.15)]
    raw, camera = picture(plate, 1, blur_px=blur_px)
    shot, here = look(raw, camera, blur_px)
    (one,) = find_flaws((shot,), "rim", here)
    assert one.kind is FlawKind.CHATTER and one.depth.value == pytest.approx(0.15, abs=0.02)


def test_two_periods_a_slow_wave_and_single_marks_are_none() -> None:
    plate = Plate(wave_mm=0.15, wave_length_mm=40)
    plate.chatter = [(60.0, 6.0, 3.0, 0.1)]  # two periods
    for arc in (120.0, 137.0, 150.0, 171.0):  # marks at no even pitch
        plate.spoil(arc, 1.2, -0.4)
    assert not [one for one in seen(plate, 1) if one.kind is FlawKind.CHATTER]


def test_a_deep_nick_within_a_run_is_still_a_nick() -> None:
    plate = Plate()
    plate.chatter = [(150.0, 24.0, 4.0, 0.1)]
    plate.spoil(150.0, 1.2, -0.6)
    assert FlawKind.NICK in {one.kind for one in seen(plate, 2)}


def test_the_operator_is_told() -> None:
    """Longer and deeper than allowed is bad; without limits it is told and not judged."""
    definition, measurement = looks.gauge().setup.definition, looks.look("L1001").measurement
    plate = Plate()
    plate.chatter = [(60.0, 24.0, 3.0, 0.2)]
    (one,) = runs(plate)
    one = replace(one, curve=definition.rim.name)
    spoilt = replace(measurement, flaws=(one,))
    limits = FlawLimits("chatter", 10.0, 0.1)
    (finding,) = flaw_findings(spoilt, replace(definition, flaws=(limits,)))
    assert finding.answer is Answer.NONCONFORMING
    assert finding.sentence.startswith("Right end: chatter over 24 mm, 0.2")
    assert "a mark each 3.0 mm (limits 10.00 mm long and 0.10 mm deep)" in finding.sentence
    assert "the tool vibrates" in finding.action
    assert not list(flaw_findings(spoilt, definition))
    assert no_limits_words(spoilt, definition) == "; 1 run of chatter seen, no limits given"
    (held,) = flaw_findings(spoilt, replace(definition, flaws=(replace(limits, depth_mm=0.4),)))
    assert held.answer is Answer.CONFORMING
    with pytest.raises(ValueError, match='must be "nick", "burr" or "chatter"'):
        FlawLimits("dent", 1.0, 1.0)


def test_good_edges_have_none() -> None:
    for seed in range(6):
        plate = Plate(wave_mm=0.05 * seed / 2, wave_length_mm=30.0 + 10 * seed)
        assert not seen(plate, seed, noise=0.006 + 0.004 * seed)
