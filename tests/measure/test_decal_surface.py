"""What the surface under a decal not being as drawn does, and whether that is noticed. Truth: pictures that are drawn
without any of the measuring code on a surface that is somewhere else (tests/benchmarks/decal_station.py).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from edgeinspect.conformity.decal import decal_findings
from edgeinspect.conformity.verdict import Answer
from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure import decal_budget
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.decal_budget import SURFACE_HEIGHT, SURFACE_RADIUS, SURFACE_TILT
from edgeinspect.measure.decal_result import decal_result
from edgeinspect.measure.frames import Datum
from edgeinspect.measure.height import Stray
from edgeinspect.measure.measurement import DecalResult
from edgeinspect.shell.definition import Decal, Patch, ShellDefinition, SurfaceLimits
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate.camera import TrueCamera, looking_at
from tests.benchmarks.decal_station import Light, Print, Told, TruePatch, by, picture_of, sight_of
from tests.measure.decal_pictures import Surface
from tests.samples import looks

AT = by(Datum(PlaneShift(0.0, 0.0, 0.0), np.zeros((3, 3)), 0.0))
LAID = (0.3, -0.2, 0.2, 0.001, -0.001)
STATED = SurfaceLimits(0.1, 0.1, 3.0, assumed=())


def told(calibration: CameraCalibration) -> Told:
    lens = calibration.model.parameters.tolist()
    size = calibration.model.width_px, calibration.model.height_px
    return Told(TrueCamera(*size, *lens[:4], tuple(lens[4:]), calibration.fixture_pose), calibration,
                calibration.fixture_pose)  # fmt: skip


@pytest.fixture(scope="module")
def above() -> Told:
    return told(looks.calibration())


@pytest.fixture(scope="module")
def aside(above: Told) -> Told:
    """A second camera of the same make, 16 degrees off."""
    pose = looking_at((260.0, -40.0, 880.0), (0.0, -25.0, 50.0), 0.2)
    return told(replace(above.calibration, camera="aside", fixture_pose=pose))


@pytest.fixture(scope="module")
def badge() -> Decal:
    return replace(load_shell(looks.MODEL).decals[0], surface=STATED)


def lid(decal: Decal) -> ShellDefinition:
    return replace(load_shell(looks.MODEL), decals=(decal,))


def measured(
    decal: Decal, cameras: list[Told], off: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0), strays: tuple[Stray, ...] = ()
) -> DecalResult:
    """``off`` - height [mm], tilts [deg] about the reading direction and about up, radius [mm] of the true surface."""
    patch = decal.patch
    assert isinstance(patch, Patch)
    true = TruePatch.about(patch.origin_mm, patch.x_axis, patch.normal, Surface(0.0, patch.radius_mm))
    true = true.off(off[0], *np.deg2rad(off[1:3]).tolist(), off[3])
    station = looks.station()
    seating = replace(station.seatings["toplid"], u_height_mm=0.01)
    seen = [Print(decal.artwork, true, LAID)]
    pictures = [picture_of(one.true, seating.pose, 1.0, seen, Light(), 5) for one in cameras]
    sight = sight_of(lid(decal), station.fixture, seating, cameras, pictures, Light().blur_px)
    return decal_result(sight, 0, AT, strays=strays)


def five(result: DecalResult) -> Array:
    quantities = (result.dx, result.dy, result.rotation, result.stretch_along, result.stretch_across)
    return np.array([q.value for q in quantities if q])


@pytest.mark.parametrize(
    ("off", "cause", "column", "by_unit"),
    [
        ((0.5, 0.0, 0.0, 0.0), SURFACE_HEIGHT, 0, 0.5),
        ((0.0, 0.6, 0.0, 0.0), SURFACE_TILT, 0, np.deg2rad(0.6)),
        ((0.0, 0.0, 0.6, 0.0), SURFACE_TILT, 1, np.deg2rad(0.6)),
        ((0.0, 0.0, 0.0, 6.0), SURFACE_RADIUS, 0, 6.0),  # 2 %
    ],
)
def test_what_another_surface_does_is_as_the_budget_says(
    badge: Decal, aside: Told, off: tuple[float, ...], cause: str, column: int, by_unit: float
) -> None:
    """Seen from the side, where it matters. First order: within 4 % of the greatest of what it does, and 0.002 mm."""
    does = five(measured(badge, [aside], off)) - five(measured(badge, [aside]))
    pose = looks.station().seatings["toplid"].pose
    eye = aside.calibration.fixture_pose.inverse().translation_mm
    way = decal_budget.surface_ways(badge, pose, eye)[cause][:, column] * by_unit * [1, 1, 180 / np.pi, 100, 100]
    assert does[:2] == pytest.approx(way[:2], abs=0.002 + 0.04 * np.abs(way[:2]).max())
    assert does[2] == pytest.approx(way[2], abs=0.003 + 0.04 * abs(way[2]))
    assert does[3:] == pytest.approx(way[3:], abs=0.004 + 0.04 * np.abs(way[3:]).max())


def test_each_tolerance_of_the_surface_is_a_share_of_its_own(badge: Decal, aside: Told) -> None:
    """Within a tolerance any value is as likely (JCGM 100, 4.3.7): half its width over the root of three."""
    result = measured(badge, [aside])
    assert result.surface == "height ±0.1 mm (stated), tilt ±0.1° (stated), radius ±3 mm (stated)"
    assert result.dx is not None
    share = {one.source: one.u for one in result.dx.shares}
    lean = 260.0 / (880.0 - 49.0)  # of its line of sight, about: so much aside a mm of height
    assert share[SURFACE_HEIGHT] == pytest.approx(0.1 / 3**0.5 * lean, rel=0.05)
    wider = measured(replace(badge, surface=replace(STATED, height_mm=0.2)), [aside])
    assert wider.dx is not None
    assert {one.source: one.u for one in wider.dx.shares}[SURFACE_HEIGHT] == pytest.approx(2 * share[SURFACE_HEIGHT])


def test_two_cameras_that_agree_say_nothing(badge: Decal, above: Told, aside: Told) -> None:
    assert measured(badge, [above, aside]).surface_doubt == ""


@pytest.mark.parametrize("off", [(0.6, 0.0, 0.0, 0.0), (-0.6, 0.0, 0.0, 0.0), (0.0, 0.0, 1.2, 0.0)])
def test_two_cameras_give_another_surface_away(badge: Decal, above: Told, aside: Told, off: tuple[float, ...]) -> None:
    """Six times the tolerance of its height, or twelve times that of its tilt: said, and the uncertainty holds what
    is wrong with the numbers.
    """
    result = measured(badge, [above, aside], off)
    assert result.surface_doubt.startswith("the surface does not fit its definition: camera ")
    truth = np.array(LAID) * [1, 1, 1, 100, 100]
    quantities = (result.dx, result.dy, result.rotation, result.stretch_along, result.stretch_across)
    u = np.array([q.u for q in quantities if q])
    assert (np.abs(five(result) - truth) < 2 * u).all()
    plain = measured(badge, [above, aside])
    assert plain.dy is not None
    assert result.dy is not None
    assert result.dy.u > plain.dy.u


def test_one_camera_does_not_notice_and_says_what_is_assumed(badge: Decal, above: Told) -> None:
    result = measured(replace(badge, surface=SurfaceLimits(radius_mm=3.0, assumed=("height", "tilt", "radius"))),
                      [above], (0.6, 0.0, 0.0, 0.0))  # fmt: skip
    assert result.surface_doubt == ""
    assert result.surface == "height ±0.1 mm (assumed), tilt ±0.1° (assumed), radius ±3 mm (assumed)"


def test_a_pip_off_its_place_widens_and_can_keep_a_decal_from_green(badge: Decal, above: Told) -> None:
    """A sheet that lies 3 mm too high at a pip may lie as much too high here: a decal at the border of its limit was
    proven good and is not any more.
    """
    stray = Stray("pip-left", np.array([-165.0, 40.0, 47.0]), 3.0)
    narrow = replace(badge, offset_limit_mm=0.33)
    sure, unsure = measured(narrow, [above]), measured(narrow, [above], strays=(stray,))
    words = "the surface does not fit its definition: pip-left reads as if the sheet lay 3.0 mm too high"
    assert (sure.surface_doubt, unsure.surface_doubt) == ("", words)
    answers = [{one.answer for one in decal_findings(narrow, result, None)} for result in (sure, unsure)]
    assert answers[0] == {Answer.CONFORMING}
    assert Answer.CONFORMING not in {
        one.answer
        for one in decal_findings(narrow, unsure, None)
        if "across" in one.characteristic or "up" in one.characteristic
    } or answers[1] != {Answer.CONFORMING}
    (told_so,) = [one for one in decal_findings(narrow, unsure, None) if one.characteristic == "decal badge up"]
    assert told_so.sentence.endswith("; the surface does not fit its definition")
