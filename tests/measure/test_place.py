"""Where the shell lies, roughly: within +-10 mm and +-5 degrees of its seat; nothing there; too far off its seat."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from edgeinspect.conformity import Answer, judge
from edgeinspect.geometry import PlaneShift
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.place import find_place
from edgeinspect.measure.ribbon import Stations, lay_stations
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.shot import Shot, Shots
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Curve, ShellDefinition
from edgeinspect.simulate import bench
from edgeinspect.simulate.scene import CutShell, Scene

POSE = bench.top_camera().pose
Draw = Callable[[Scene], GreyPicture]


def seen(picture: GreyPicture, model: CameraModel) -> Shots:
    return (Shot("top", picture, model, POSE, 0.9, 3.4),)


def shell_at(shift: PlaneShift) -> Scene:
    """A cut shell that was put back off its seat: the cut moves with it."""
    return Scene(bench.top_camera(), CutShell(seating=shift.pose().after(bench.NOMINAL_SEATING), path=shift))


@pytest.fixture(scope="module")
def nominal(toplid_definition: ShellDefinition) -> Stations:
    return lay_stations(toplid_definition.rim, 0.5).placed(bench.NOMINAL_SEATING)


def test_where_it_should_be(nominal: Stations, model: CameraModel, good_shell: GreyPicture) -> None:
    found = find_place(seen(good_shell, model), nominal)
    assert found is not None
    assert np.hypot(found.dx_mm, found.dy_mm) < 0.02
    assert abs(found.rotation_deg) < 0.005


@pytest.mark.parametrize(
    "shift",
    [PlaneShift(10.0, -6.0, 3.0), PlaneShift(-9.0, 5.0, -5.0), PlaneShift(10.0, -10.0, 5.0), PlaneShift(-10, -10, -5)],
)
def test_found_where_it_was_put(nominal: Stations, model: CameraModel, draw: Draw, shift: PlaneShift) -> None:
    """To a few tenths of a mm: then the fine search takes over."""
    found = find_place(seen(draw(shell_at(shift)), model), nominal)
    assert found is not None
    assert (found.dx_mm, found.dy_mm) == pytest.approx((shift.dx_mm, shift.dy_mm), abs=0.3)
    assert found.rotation_deg == pytest.approx(shift.rotation_deg, abs=0.1)


def test_nothing_there(
    nominal: Stations, model: CameraModel, empty_plate: NDArray[np.uint16], good_shell: GreyPicture
) -> None:
    assert find_place(seen(GreyPicture(empty_plate), model), nominal) is None
    random = np.random.default_rng(0)
    noise = GreyPicture(random.integers(0, 255, (1200, 1600)).astype(np.uint8))
    assert find_place(seen(noise, model), nominal) is None
    assert find_place(seen(GreyPicture(np.full((1200, 1600), 90, np.uint8)), model), nominal) is None


@pytest.mark.parametrize(("grow_x", "grow_y"), [(0.85, 0.85), (0.9, 1.05), (0.8, 1.0)])
def test_another_outline_is_not_this_one(
    toplid_definition: ShellDefinition, model: CameraModel, good_shell: GreyPicture, grow_x: float, grow_y: float
) -> None:
    rim = toplid_definition.rim
    other = Curve("rim", rim.points_mm * np.array([grow_x, grow_y, 1.0]), rim.face_slope)
    stations = lay_stations(other, 0.5).placed(bench.NOMINAL_SEATING)
    assert find_place(seen(good_shell, model), stations) is None


def test_too_far_off_its_seat(
    toplid_definition: ShellDefinition,
    calibration: CameraCalibration,
    fixture: Fixture,
    seating: Seating,
    draw: Draw,
) -> None:
    """5 mm and 2 degrees: inside the limits of 6 mm and 3 degrees it is measured, outside of them it is reseated."""
    raw = draw(shell_at(PlaneShift(5.0, 0.0, 2.0))).raw
    gauge = ShellGauge(toplid_definition, {"top": calibration}, fixture, seating)
    result = gauge.measure("standard", {"top": raw}, Temperature(20.0))
    assert result.stops == ()
    assert result.seating is not None
    assert (result.seating.shift.dx_mm, result.seating.shift.rotation_deg) == pytest.approx((5.0, 2.0), abs=0.02)
    worst = max(max(abs(zone.most.value), abs(zone.least.value)) for zone in result.zones if zone.zone != "cable-notch")
    assert worst < 0.03  # cut - shell: it was moved as a whole, and is measured normal to its own outline

    for limits in ({"limit_mm": 4.9}, {"limit_deg": 1.9}):
        strict = ShellGauge(toplid_definition, {"top": calibration}, fixture, replace(seating, **limits))
        refused = strict.measure("standard", {"top": raw}, Temperature(20.0))
        (stop,) = refused.stops
        assert stop.stage == "seating"
        assert stop.reason.startswith("the shell sits 5.0 mm and 2.0° off its seat")
        assert stop.action == "reseat and look again"
        verdict = judge(refused, toplid_definition)
        assert verdict.answer is Answer.NO_RESULT
        assert verdict.action == "reseat and look again"


def test_an_empty_fixture_is_no_result(
    toplid_definition: ShellDefinition,
    calibration: CameraCalibration,
    fixture: Fixture,
    seating: Seating,
    empty_plate: NDArray[np.uint16],
) -> None:
    gauge = ShellGauge(toplid_definition, {"top": calibration}, fixture, seating)
    result = gauge.measure("standard", {"top": empty_plate}, Temperature(20.0))
    (stop,) = result.stops
    assert stop.stage == "place"
    verdict = judge(result, toplid_definition)
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence.startswith("No shell found where the fixture holds it")
