"""Two cameras over one lid: who measures what, how far both agree, and what a missing one takes with it.

Pictures by the fast renderer, whose geometry is the truth (simulate shares no camera maths with measure).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from edgeinspect.conformity import Answer, judge
from edgeinspect.geometry import PlaneShift, Pose, frozen
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.sharing import who_measures
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import DatumScheme, ShellDefinition
from edgeinspect.simulate import bench, fast, toplid
from edgeinspect.simulate.camera import TrueCamera
from edgeinspect.simulate.cases import bump
from edgeinspect.simulate.scene import CutShell, Scene

TOP = bench.top_camera()
REAR = bench.rear_camera()
Raw = NDArray[np.uint16]


def raw(camera: TrueCamera, shell: CutShell | None) -> Raw:
    return np.rint(fast.picture(Scene(camera, shell)) * 0.88 * 65535).astype(np.uint16)


def calibration_of(name: str, camera: TrueCamera) -> CameraCalibration:
    """Knows the camera exactly, in the measuring code's own words."""
    size = (camera.width_px, camera.height_px)
    model = CameraModel(*size, camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, np.array(camera.distortion))
    grey = 0.88 * fast.BRIGHTNESS["patch"] / fast.BRIGHTNESS["white"]
    made, nothing = "2026-01-01T00:00:00Z", np.zeros((9, 9))
    return CameraCalibration(f"{name}-exact", name, made, model, nothing, 0.0, 12, camera.pose, grey, 0.9, bits=16)


@pytest.fixture(scope="module")
def gauge(toplid_definition: ShellDefinition, fixture: Fixture, seating: Seating) -> ShellGauge:
    cameras = {"top": calibration_of("top", TOP), "rear": calibration_of("rear", REAR)}
    return ShellGauge(toplid_definition, cameras, fixture, seating)


def from_the_fixture(gauge: ShellGauge) -> ShellGauge:
    """The same with the fixture for a datum."""
    setup = gauge.setup
    cameras = {calibration.camera: calibration for calibration in setup.calibrations}
    return ShellGauge(replace(setup.definition, datum=DatumScheme.FIXTURE), cameras, setup.fixture, setup.seating)


@pytest.fixture(scope="module")
def shell() -> CutShell:
    """A wave of 0.3 mm in the rear left scallop, which the rear camera measures, and a path that is a little off."""
    middle = sum(toplid.zone_spans_mm()["rear-left-scallop"]) / 2
    return CutShell(path=PlaneShift(0.12, -0.08, 0.03), rim_deviation_mm=frozen(0.3 * bump(middle, 50.0)))


@pytest.fixture(scope="module")
def both(shell: CutShell) -> dict[str, Raw]:
    return {"top": raw(TOP, shell), "rear": raw(REAR, shell)}


@pytest.fixture(scope="module")
def result(gauge: ShellGauge, both: dict[str, Raw]) -> ShellMeasurement:
    return gauge.measure("standard", both, Temperature(20.0))


def test_each_zone_from_the_camera_that_sees_it_best(result: ShellMeasurement) -> None:
    assert result.stops == ()
    who = {zone.zone: zone.cameras for zone in result.zones}
    assert who["rear-left-scallop"] == who["cable-notch"] == ("rear",)
    assert who["front-middle"] == who["front-left-corner"] == ("top",)
    assert who["left-end"] == ("top",)  # the rear camera sees half of it only
    holes = {hole.name: hole.camera for hole in result.cutouts}
    assert holes == {"lock-hole": "top", "hinge-slot-left": "rear", "hinge-slot-right": "rear"}
    curves = [(trace.curve, trace.camera) for trace in result.traces]
    assert ("rim", "top") in curves
    assert ("rim", "rear") in curves


def test_the_outline_is_one_and_as_true_as_with_one_camera(result: ShellMeasurement) -> None:
    """Bounds as for one camera on the fast renderer's noise-free pictures (zones of tests/samples: 0.01 mm)."""
    assert result.cut is not None
    assert (result.cut.shift.dx_mm, result.cut.shift.dy_mm) == pytest.approx((0.12, -0.08), abs=0.004)
    assert result.cut.shift.rotation_deg == pytest.approx(0.03, abs=0.001)
    zones = {zone.zone: zone for zone in result.zones}
    scallop = zones["rear-left-scallop"]
    # the path's own share there: 0.08 mm down at the rear is 0.08 mm too little material, turned by 0.03 degrees
    turned = np.deg2rad(0.03)
    expected = 0.3 - 0.08 + turned * -toplid.SCALLOP_X_MM
    assert scallop.most.value == pytest.approx(expected, abs=0.012)
    for name, way in (("front-middle", 0.08), ("right-end", 0.12), ("left-end", -0.12)):
        zone = zones[name]
        middle = (zone.most.value + zone.least.value) / 2
        assert middle == pytest.approx(way, abs=0.012), name
    assert all(zone.seen_mm > 0.98 * zone.length_mm for zone in result.zones)


def test_the_seams_are_told_and_both_cameras_agree(result: ShellMeasurement) -> None:
    assert [(seam.before, seam.after) for seam in result.seams] == [("top", "rear"), ("rear", "top")]
    for seam in result.seams:
        assert seam.step is not None
        assert abs(seam.step.value) < 0.01
        assert abs(seam.step.value) < 3 * seam.step.u
    assert result.notes == ()


def test_a_lid_that_lies_higher_is_read_apart(gauge: ShellGauge) -> None:
    """2 mm of lift: the cameras lean by different angles at the seam, so they read the same edge apart. By how much
    is plain geometry: lift times the difference of the view angles along the trim normal.
    """
    lifted = Pose(bench.NOMINAL_SEATING.rotation, bench.NOMINAL_SEATING.translation_mm + np.array([0.0, 0.0, 2.0]))
    shell = CutShell(seating=lifted)
    pictures = {"top": raw(TOP, shell), "rear": raw(REAR, shell)}
    result = from_the_fixture(gauge).measure("standard", pictures, Temperature(20.0))
    for seam in result.seams:
        at = gauge.setup.rim_seated
        here = int(np.argmin(np.abs(at.arc_mm - seam.arc_mm)))
        lean = [
            float((at.points_mm[here, :2] - camera.centre_mm[:2]) @ at.normals[here, :2])
            / float(camera.centre_mm[2] - at.points_mm[here, 2])
            for camera in ((TOP, REAR) if seam.before == "top" else (REAR, TOP))
        ]
        assert seam.step is not None
        assert seam.step.value == pytest.approx(2.0 * (lean[1] - lean[0]), abs=0.03)
    assert abs(max(seam.step.value for seam in result.seams if seam.step)) > 0.05


@pytest.mark.parametrize(("missing", "there"), [("rear", "top"), ("top", "rear")])
def test_a_missing_camera_takes_its_zones_with_it_and_is_named(
    gauge: ShellGauge, both: dict[str, Raw], missing: str, there: str
) -> None:
    result = gauge.measure("standard", {there: both[there]}, Temperature(20.0))
    verdict = judge(result, gauge.setup.definition)
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence == f"No picture from camera {missing}"
    of = {zone.zone: zone.cameras for zone in result.zones}
    for finding in verdict.findings:
        zone = finding.characteristic.removeprefix("zone ")
        if missing in of.get(zone, ()):
            assert finding.answer is Answer.NO_RESULT, finding
            assert missing in finding.sentence


def test_without_the_rear_camera_the_rest_is_still_measured(gauge: ShellGauge, both: dict[str, Raw]) -> None:
    """Judged from the fixture: the zones of the top camera are measured, and a bad one of them would be red."""
    fixed = from_the_fixture(gauge)
    result = fixed.measure("standard", {"top": both["top"]}, Temperature(20.0))
    answers = {f.characteristic: f.answer for f in judge(result, fixed.setup.definition).findings}
    by_top = [f"zone {zone.zone}" for zone in result.zones if zone.cameras == ("top",)]
    assert len(by_top) >= 6
    assert all(answers[name] is Answer.CONFORMING for name in by_top)


def test_pips_of_the_missing_camera_are_a_datum_not_seen(gauge: ShellGauge, both: dict[str, Raw]) -> None:
    result = gauge.measure("standard", {"top": both["top"]}, Temperature(20.0))
    assert [stop.stage for stop in result.stops] == ["picture", "datum"]
    assert result.seating is None


def test_a_dark_camera_is_named(gauge: ShellGauge, both: dict[str, Raw]) -> None:
    result = gauge.measure("standard", both | {"rear": np.zeros_like(both["rear"])}, Temperature(20.0))
    verdict = judge(result, gauge.setup.definition)
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence == "Camera rear sees nothing: the picture is dark"


def test_swapped_pictures_are_not_measured(gauge: ShellGauge, both: dict[str, Raw]) -> None:
    with pytest.raises(ValueError, match="picture of camera top is 1760 x 720"):
        gauge.measure("standard", {"top": both["rear"], "rear": both["top"]}, Temperature(20.0))


def test_shares_by_length_not_by_points() -> None:
    """A stretch goes whole to one camera by its mean over the length; a stretch that none sees whole is divided."""
    seen = np.array([[True] * 10 + [False] * 2, [False] * 2 + [True] * 10])
    u = np.vstack([np.full(12, 1.0), np.r_[np.full(6, 5.0), np.full(6, 0.1)]])
    stretch = np.zeros(12, dtype=bool)
    stretch[2:10] = True  # both see it; the second is better over 4 of 8 but worse in the mean
    assert (who_measures(seen, u, [stretch])[2:10] == 0).all()
    whole = np.ones(12, dtype=bool)  # neither sees all of it
    assert who_measures(seen, u, [whole]).tolist() == [0] * 6 + [1] * 6
