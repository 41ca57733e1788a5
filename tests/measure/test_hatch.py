"""A small flat shell without formed datums, known by a hole and a slot: every step from picture to verdict.

Simulate's battery hatch (fast renderer, with the sensor's noise); the definition is made here of the same formulas.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from edgeinspect.conformity import Answer, judge
from edgeinspect.geometry import Array, PlaneShift, Pose
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.artwork import read_artwork
from edgeinspect.shell.definition import (
    Check,
    Curve,
    CutOut,
    DatumScheme,
    Decal,
    Limits,
    Patch,
    ShellDefinition,
    Zone,
)
from edgeinspect.simulate import badge, bench, fast
from edgeinspect.simulate.form import TrimCurve
from edgeinspect.simulate.hatch import HATCH
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene

Look = Callable[..., ShellMeasurement]
Taken = Callable[[Array, int], GreyPicture]


def curve(drawn: TrimCurve) -> Curve:
    return Curve(drawn.name, drawn.points_mm, np.zeros(len(drawn.points_mm)), drawn.is_hole)


@pytest.fixture(scope="module")
def hatch(toplid_definition: ShellDefinition) -> ShellDefinition:
    size = Limits(-0.25, 0.25)
    cutouts = [
        CutOut(name, hole.words, hole.kind, curve(HATCH.cutouts()[name]), hole.centre_mm, hole.sizes_mm, 0.0, 0.4, size)
        for name, hole in HATCH.cut.items()
    ]
    spans = HATCH.zone_spans_mm().items()
    zones = [Zone(name, HATCH.zone_words[name], begin, end, Limits(-0.5, 0.5)) for name, (begin, end) in spans]
    done, png = cv2.imencode(".png", badge.artwork_bgra("label"))
    assert done
    origin, normal = HATCH.decal_frame()
    patch = Patch(origin, HATCH.decal_x_axis(), normal)
    label = Decal("label", "label", "standard", patch, read_artwork(png.tobytes(), "label.png", 60.0, 24.0), 1.0, 0.8)
    return replace(
        toplid_definition,
        name="hatch",
        datum=DatumScheme.HOLE_AND_SLOT,
        rim=curve(HATCH.rim()),
        zones=tuple(zones),
        cutouts=tuple(cutouts),
        pips=(),
        decals=(label,),
        checks=frozenset({Check.TRIM, Check.DECAL}),
    )


@pytest.fixture(scope="module")
def look(hatch: ShellDefinition, calibration: CameraCalibration, fixture: Fixture, taken: Taken) -> Look:
    gauge = ShellGauge(hatch, {"top": calibration}, fixture, Seating("hatch", HATCH.seating, 6.0, 3.0, 0.05))

    def measure(
        seed: int = 1, temperature_c: float = 20.0, seating: Pose = HATCH.seating, **more: object
    ) -> ShellMeasurement:
        shell = CutShell(form=HATCH, seating=seating, temperature_c=temperature_c, **more)  # type: ignore[arg-type]
        picture = taken(fast.picture(Scene(bench.top_camera(), shell)), seed)
        return gauge.measure("standard", {"top": picture.raw}, Temperature(temperature_c))

    return measure


def test_as_drawn_it_is_conforming(look: Look, hatch: ShellDefinition) -> None:
    result = look()
    assert result.stops == ()
    assert judge(result, hatch).answer is Answer.CONFORMING
    assert result.seating is None  # cut datums: path or seating, cannot tell
    assert all(abs(side.value) < 0.03 for zone in result.zones for side in (zone.most, zone.least))
    (label,) = result.decals
    assert label.dx and label.dy and label.rotation
    assert (label.dx.value, label.dy.value, label.rotation.value) == pytest.approx((0.0, 0.0, 0.0), abs=0.03)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_slot_whose_round_end_is_the_only_far_wall(look: Look, seed: int) -> None:
    """Its end and the wall's brightness were one guess: its length read 0.09 mm short with u = 0.014 mm."""
    for result in (look(seed), look(seed, cutouts={"pin_slot": CutOutChange(size_change_mm=(0.2, -0.15))})):
        changed = result.cutouts[1].sizes[0].value > 20.1
        for cutout, size in zip(
            result.cutouts, ((12.0,), (20.2, 7.85) if changed else (20.0, 8.0), (10.0,)), strict=True
        ):
            for found, true in zip(cutout.sizes, size, strict=True):
                assert found.value == pytest.approx(true, abs=0.03)
                assert abs(found.value - true) < 2.0 * found.u
            assert cutout.dx and cutout.dy
            assert (cutout.dx.value, cutout.dy.value) == pytest.approx((0.0, 0.0), abs=0.025)


def test_the_datums_go_with_the_cut(look: Look) -> None:
    """A cut off in the fixture is right by its own datums; the path says how far, and so does the label."""
    result = look(path=PlaneShift(0.25, -0.1, 0.05))
    assert result.path_shift and result.path_shift.value == pytest.approx(np.hypot(0.25, 0.1), abs=0.01)
    assert all(abs(side.value) < 0.03 for zone in result.zones for side in (zone.most, zone.least))
    (label,) = result.decals
    assert label.dx and label.dy and label.rotation
    assert (label.dx.value, label.dy.value) == pytest.approx((-0.25, 0.1), abs=0.03)
    assert label.rotation.value == pytest.approx(-0.05, abs=0.03)


def test_lengths_of_a_warm_hatch_are_brought_to_20_degrees(look: Look) -> None:
    """Cut in place at 28 degrees, it shrinks: 138 mm from hole to slot become 80e-6 x 8 x 138 = 0.088 mm less."""
    slot = look(temperature_c=28.0).cutouts[1]
    assert slot.dx and slot.dx.value == pytest.approx(-0.088, abs=0.02)


@pytest.mark.parametrize(
    ("more", "answer", "words"),
    [
        ({"rim_deviation_mm": np.full(8, -0.7)}, Answer.NONCONFORMING, "cut too deep"),
        ({"cutouts": {"cable_hole": CutOutChange(missing=True)}}, Answer.NONCONFORMING, "hole, rear right: not there"),
        ({"cutouts": {"pin_hole": CutOutChange(missing=True)}}, Answer.NONCONFORMING, "Pin hole, left: not there"),
        ({"cutouts": {"cable_hole": CutOutChange(0.6, 0.0)}}, Answer.NONCONFORMING, "0.60 mm off its place"),
        ({"decal": None}, Answer.NONCONFORMING, "not there"),
        ({"decal": PlaneShift(0.9, 1.6, 1.3)}, Answer.NONCONFORMING, "1.60 mm above its place, turned 1.3"),
        ({"path": PlaneShift(0.7, 0.0, 0.0)}, Answer.NONCONFORMING, "The whole cut is off in the fixture"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said(
    look: Look, hatch: ShellDefinition, more: dict[str, object], answer: Answer, words: str
) -> None:
    verdict = judge(look(**more), hatch)
    assert verdict.answer is answer
    assert words in verdict.sentence


def test_without_its_datum_nothing_is_judged_by_it(look: Look) -> None:
    result = look(cutouts={"pin_hole": CutOutChange(missing=True)})
    assert [stop.reason for stop in result.stops] == [
        "datum not seen (pin_hole, pin_slot): path or seating, cannot tell"
    ]
    assert all(decal.there is None for decal in result.decals)
