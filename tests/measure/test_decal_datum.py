"""A decal told from what its drawing names, and its gap to the trimmed edge. Truth: the fast renderer's own scene, that
shares no code with what measures.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import KDTree

from edgeinspect.conformity import Answer, judge
from edgeinspect.conformity.decal import decal_findings
from edgeinspect.geometry import PlaneShift, Pose
from edgeinspect.measure.decal_gap import print_outline
from edgeinspect.measure.measurement import DecalResult, ShellMeasurement
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Artwork, DecalDatum, ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate import bench, fast
from edgeinspect.simulate.scene import CutShell, Scene
from edgeinspect.simulate.unrolled import unrolled
from tests.samples import looks

LAID = PlaneShift(0.4, -0.3, 0.5)
SEATED = PlaneShift(1.5, -0.7, 0.4)  # the shell off its seat
CUT = PlaneShift(1.2, -0.4, 0.35)  # the cutter's path in the fixture
SCENE = CutShell(seating=SEATED.pose().after(bench.NOMINAL_SEATING), path=CUT, decal=LAID)


@pytest.fixture(scope="module")
def lid() -> ShellDefinition:
    return load_shell(looks.MODEL)


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    return fast.render_quickly(Scene(bench.top_camera(), SCENE, seed=3))


def measured(lid: ShellDefinition, picture: np.ndarray, datum: DecalDatum) -> ShellMeasurement:
    decals = tuple(replace(one, datum=datum, gap_lower_mm=80.0, gap_upper_mm=130.0) for one in lid.decals)
    station = looks.station()
    gauge = ShellGauge(
        replace(lid, decals=decals), {"top": looks.calibration()}, station.fixture, station.seatings["toplid"]
    )
    return gauge.measure("standard", {"top": picture}, Temperature(20.0))


def where_it_lies(frame: Pose) -> tuple[float, float, float]:
    """dx, dy and rotation against a frame (shell's drawing -> fixture) that is not the shell itself, from the scene:
    two places of the print, carried into the frame.
    """
    patch = unrolled(SCENE.form)
    cos, sin = np.cos(np.deg2rad(LAID.rotation_deg)), np.sin(np.deg2rad(LAID.rotation_deg))
    u, v = np.array([0.0, 20.0 * cos]) + LAID.dx_mm, np.array([0.0, 20.0 * sin]) + LAID.dy_mm
    there = frame.inverse().apply(SCENE.to_fixture(patch.points(u, v)))
    at_u, at_v = patch.at(there)
    turn = np.rad2deg(np.arctan2(at_v[1] - at_v[0], at_u[1] - at_u[0]))
    return float(at_u[0]), float(at_v[0]), float(turn)


@pytest.mark.parametrize(
    ("datum", "shift"),
    [
        (DecalDatum.SHELL, SEATED),
        (DecalDatum.PIPS, SEATED),
        (DecalDatum.EDGE, CUT),
        (DecalDatum.CUTOUTS, CUT),
        (DecalDatum.FIXTURE, PlaneShift(0.0, 0.0, 0.0)),
    ],
)
def test_offsets_are_told_from_the_datum_that_is_named(
    lid: ShellDefinition, picture: np.ndarray, datum: DecalDatum, shift: PlaneShift
) -> None:
    """Shell, cut and fixture lie a millimetre apart here: each has its own numbers, within three of their u."""
    (decal,) = measured(lid, picture, datum).decals
    assert decal.datum == datum.value
    truth = where_it_lies(shift.pose().after(bench.NOMINAL_SEATING))
    for quantity, true in zip((decal.dx, decal.dy, decal.rotation), truth, strict=True):
        assert quantity is not None
        assert abs(quantity.value - true) < 3.0 * quantity.u + 0.002
        assert quantity.u < 0.03


def test_a_datum_that_is_not_seen_is_said_and_the_decal_is_still_looked_at(
    lid: ShellDefinition, picture: np.ndarray
) -> None:
    covered = picture.copy()
    place = np.append(SCENE.form.cutout_centre_mm("lock_hole"), -24.0)  # within a few mm of height
    x, y = np.rint(bench.top_camera().project(SCENE.to_fixture(place[None]))[0]).astype(int)
    cloth = slice(y - 60, y + 40), slice(x - 60, x + 60)
    covered[cloth] = covered[y - 75 : y - 65, x - 20 : x + 20].mean()  # as bright as the sheet
    measurement = measured(lid, covered, DecalDatum.CUTOUTS)
    (decal,) = measurement.decals
    assert (decal.there, decal.dx) == (True, None)
    assert decal.untold == "cannot tell where it lies: the cut-outs that it is told from are not seen"
    wanted = replace(lid.decals[0], datum=DecalDatum.CUTOUTS)
    first = next(iter(decal_findings(wanted, decal, None)))
    assert first.answer is Answer.NO_RESULT
    assert first.sentence == f"Badge on the lid: {decal.untold}"


def test_judged_again_from_another_datum_is_no_result(lid: ShellDefinition, picture: np.ndarray) -> None:
    (decal,) = measured(lid, picture, DecalDatum.SHELL).decals
    wanted = replace(lid.decals[0], datum=DecalDatum.EDGE)
    (finding,) = decal_findings(wanted, decal, None)
    assert finding.answer is Answer.NO_RESULT
    assert finding.sentence == "Badge on the lid: it was not told from the trimmed edge then"


# -- the gap


@pytest.fixture(scope="module")
def told(lid: ShellDefinition, picture: np.ndarray) -> tuple[ShellMeasurement, DecalResult]:
    measurement = measured(lid, picture, DecalDatum.SHELL)
    return measurement, measurement.decals[0]


def test_the_gap_is_what_a_search_tree_finds_between_the_true_curves(
    told: tuple[ShellMeasurement, DecalResult], lid: ShellDefinition
) -> None:
    """The cut of the scene and the print's own outline on its sheet: nearest of places every 0.05 mm, by scipy's
    KDTree.
    """
    gap = told[1].gap
    assert gap is not None
    assert gap.side == "lower"
    assert gap.seen_share == 1.0
    rim = SCENE.curves()["rim"]
    edge = SCENE.lifted(rim.xy_mm)  # fixture frame
    patch = unrolled(SCENE.form)
    outline, out = print_outline(lid.decals[0].artwork)
    lower = outline[-out[:, 1] > np.abs(out[:, 0])]
    cos, sin = np.cos(np.deg2rad(LAID.rotation_deg)), np.sin(np.deg2rad(LAID.rotation_deg))
    u, v = cos * lower[:, 0] - sin * lower[:, 1] + LAID.dx_mm, sin * lower[:, 0] + cos * lower[:, 1] + LAID.dy_mm
    points = SCENE.to_fixture(patch.points(u, v))
    ring = np.vstack([edge, edge[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    fine = np.arange(0.0, along[-1], 0.05)
    dense = np.column_stack([np.interp(fine, along, ring[:, k]) for k in range(3)])
    true, _ = KDTree(dense).query(points)
    at = lower[:, 0] - lower[:, 0].min()
    order = np.argsort(at)
    expected = np.interp(gap.at_mm[3:-3], at[order], true[order])
    off = gap.gap_mm[3:-3] - expected
    assert np.abs(off).max() < 0.06  # the rim's waves behind the filter
    assert abs(off.mean()) < 3.0 * float(np.median(gap.u_mm))
    assert (gap.least.value, gap.most.value) == pytest.approx((np.nanmin(gap.gap_mm), np.nanmax(gap.gap_mm)), abs=1e-3)


def test_limits_of_the_gap_are_judged(told: tuple[ShellMeasurement, DecalResult], lid: ShellDefinition) -> None:
    measurement, result = told
    assert result.gap is not None
    least = result.gap.least.value
    for lower, answer in (
        (least - 1.0, Answer.CONFORMING),
        (least + 1.0, Answer.NONCONFORMING),
        (least, Answer.NOT_PROVEN),
    ):
        decals = tuple(replace(one, gap_lower_mm=lower) for one in lid.decals)
        verdict = judge(measurement, replace(lid, decals=decals))
        (finding,) = [one for one in verdict.findings if one.characteristic == "decal badge gap least"]
        assert finding.answer is answer
        assert f"{least:.2f} mm from its lower side to the trimmed edge" in finding.sentence
    decals = tuple(replace(one, gap_upper_mm=least) for one in lid.decals)
    (finding,) = [
        one for one in judge(measurement, replace(lid, decals=decals)).findings if "gap" in one.characteristic
    ]
    assert (finding.characteristic, finding.answer) == ("decal badge gap most", Answer.NONCONFORMING)


def test_a_gap_that_is_not_there_is_no_result(told: tuple[ShellMeasurement, DecalResult], lid: ShellDefinition) -> None:
    measurement, result = told
    older = replace(measurement, decals=(replace(result, gap=None),))
    verdict = judge(older, replace(lid, decals=tuple(replace(one, gap_lower_mm=1.0) for one in lid.decals)))
    (finding,) = [one for one in verdict.findings if one.characteristic == "decal badge gap"]
    assert finding.answer is Answer.NO_RESULT


def test_the_outline_of_a_print_is_where_its_opacity_is_a_half() -> None:
    """A disc of radius 8.03 mm drawn by exact coverage (64 places a pixel): to a hundredth of its pixel's 0.1 mm."""
    size, per_mm, fine = 200, 10, 8
    at = ((np.arange(size * fine) + 0.5) / fine - size / 2) / per_mm
    inside = np.hypot(*np.meshgrid(at, at)) < 8.03
    opacity = inside.reshape(size, fine, size, fine).mean(axis=(1, 3))
    outline, out = print_outline(Artwork(opacity * 0.5, opacity, 20.0, 20.0))
    assert np.hypot(*outline.T) == pytest.approx(np.full(len(outline), 8.03), abs=0.012)
    assert np.hypot(*outline.T).mean() == pytest.approx(8.03, abs=0.003)
    assert (out * outline).sum(axis=1) / 8.03 == pytest.approx(np.ones(len(out)), abs=0.01)
