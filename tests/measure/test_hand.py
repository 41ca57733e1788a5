"""The shell of the other hand is named, not measured: two lids whose rim is the same but for a notch, and a vent hole.

Pictures of simulate's lids with a hand (fast renderer); the definitions are made here of the same formulas.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from edgeinspect.conformity import Answer, judge
from edgeinspect.geometry import Array, PlaneShift, Pose
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.hand import mirrored, prepare_hands
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.sharing import Sharing
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check, Curve, CutOut, Limits, ShellDefinition, Zone
from edgeinspect.simulate import bench, toplid
from edgeinspect.simulate.form import TrimCurve
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene

CAMERA = bench.top_camera()
Draw = Callable[[Scene], GreyPicture]
OTHER = {"left": "right", "right": "left"}


def curve(drawn: TrimCurve) -> Curve:
    """With the slope of the show face along the trim normal, by the sheet's own formula."""
    sx, sy = toplid.LID.sheet.slopes(*drawn.xy_mm.T)
    return Curve(drawn.name, drawn.points_mm, (np.column_stack([sx, sy]) * drawn.normals).sum(axis=1), drawn.is_hole)


def lid(toplid_definition: ShellDefinition, hand: str) -> ShellDefinition:
    form, limits = toplid.HAND[hand], Limits(-0.25, 0.25)
    cutouts = [
        CutOut(name, hole.words, hole.kind, curve(form.cutouts()[name]), hole.centre_mm, hole.sizes_mm, 0, 0.4, limits)
        for name, hole in form.cut.items()
    ]
    rim = curve(form.rim())
    whole = Zone("rim", "rim", 0.0, rim.length_mm, Limits(-0.5, 0.5))
    checks = frozenset({Check.TRIM})
    return replace(
        toplid_definition, name=form.name, hand=hand, rim=rim, zones=(whole,), cutouts=tuple(cutouts), checks=checks
    )


@pytest.fixture(scope="module")
def gauges(
    toplid_definition: ShellDefinition, calibration: CameraCalibration, fixture: Fixture, seating: Seating
) -> dict[str, ShellGauge]:
    return {hand: ShellGauge(lid(toplid_definition, hand), {"top": calibration}, fixture, seating) for hand in OTHER}


@pytest.fixture(scope="module")
def look(gauges: dict[str, ShellGauge], draw: Draw) -> Callable[[str, CutShell], ShellMeasurement]:
    @functools.cache
    def raw(number: int) -> Array:
        return draw(Scene(CAMERA, shells[number])).raw

    shells: list[CutShell] = []

    def measure(ordered: str, shell: CutShell) -> ShellMeasurement:
        shells.append(shell)
        return gauges[ordered].measure("standard", {"top": raw(len(shells) - 1)}, Temperature(20.0))

    return measure


def lies(hand: str, **more: object) -> CutShell:
    return CutShell(form=toplid.HAND[hand], decal=None, **more)  # type: ignore[arg-type]


ALL_THERE_IS = [
    {},
    {"seating": Pose.from_degrees((0, 0, 2.0), (4.0, -3.0, 60.0))},
    {"path": PlaneShift(0.6, -0.5, 0.1), "rim_deviation_mm": np.full(8, 0.4)},
]


@pytest.mark.parametrize("more", ALL_THERE_IS, ids=["as drawn", "off its seat", "cut badly"])
@pytest.mark.parametrize("ordered", ["left", "right"])
def test_the_other_hand_is_named(
    look: Callable[[str, CutShell], ShellMeasurement],
    gauges: dict[str, ShellGauge],
    ordered: str,
    more: dict[str, object],
) -> None:
    other = OTHER[ordered]
    result = look(ordered, lies(other, **more))
    assert [(stop.stage, stop.reason) for stop in result.stops] == [("hand", f"this is the {other.upper()}-hand shell")]
    verdict = judge(result, gauges[ordered].setup.definition)
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence == f"This is the {other.upper()}-hand shell"
    assert verdict.action == f"choose the {other}-hand shell or take it out"
    assert result.cut is None and result.zones == ()


@pytest.mark.parametrize("more", ALL_THERE_IS, ids=["as drawn", "off its seat", "cut badly"])
@pytest.mark.parametrize("ordered", ["left", "right"])
def test_the_right_hand_is_measured(
    look: Callable[[str, CutShell], ShellMeasurement], ordered: str, more: dict[str, object]
) -> None:
    result = look(ordered, lies(ordered, **more))
    assert all(stop.stage != "hand" for stop in result.stops)
    assert result.cut is not None


def test_a_hole_that_was_not_cut_is_not_the_other_hand(
    look: Callable[[str, CutShell], ShellMeasurement], gauges: dict[str, ShellGauge]
) -> None:
    """Nor a notch alone: what is missing is said, not that it is another shell."""
    result = look("left", lies("left", cutouts={"vent_hole": CutOutChange(missing=True)}))
    verdict = judge(result, gauges["left"].setup.definition)
    assert verdict.answer is Answer.NONCONFORMING
    assert "vent hole" in verdict.sentence.lower() and verdict.sentence.endswith("not there")


@pytest.mark.parametrize("ordered", ["left", "right"])
def test_the_lid_without_a_hand_is_neither(look: Callable[[str, CutShell], ShellMeasurement], ordered: str) -> None:
    """The notch in the middle, no vent hole: as unlike one hand as the other."""
    result = look(ordered, CutShell(decal=None))
    assert all(stop.stage != "hand" for stop in result.stops)


def test_an_empty_fixture_is_neither(
    look: Callable[[str, CutShell], ShellMeasurement], gauges: dict[str, ShellGauge], draw: Draw
) -> None:
    result = gauges["left"].measure("standard", {"top": draw(Scene(CAMERA)).raw}, Temperature(20.0))
    assert [stop.stage for stop in result.stops] == ["place"]


def test_where_both_hands_look_alike_nobody_asks(
    toplid_definition: ShellDefinition, calibration: CameraCalibration, seating: Seating
) -> None:
    sharing = Sharing((calibration,), 0.1, 3.0)
    assert prepare_hands(replace(toplid_definition, hand="left"), sharing, seating) is None
    assert prepare_hands(toplid_definition, sharing, seating) is None


def test_the_mirror_image_of_one_hand_is_the_other(toplid_definition: ShellDefinition) -> None:
    left, right = (lid(toplid_definition, hand) for hand in ("left", "right"))
    for one, other in ((left.rim, right.rim), (left.cutouts[3].curve, right.cutouts[3].curve)):
        image = mirrored(one)
        assert image.length_mm == pytest.approx(other.length_mm, abs=1e-6)
        far = np.linalg.norm(image.points_mm[:, None] - other.points_mm[None], axis=2).min(axis=1)
        assert far.max() < 0.2  # points of one lie on the other: the drawings need not share their points
        assert mirrored(image).points_mm == pytest.approx(one.points_mm)
