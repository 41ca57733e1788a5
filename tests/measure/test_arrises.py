"""Both arrises of a cut face that the camera sees: traced, named, and the gap between them told as a bevel.

The pictures are the fast renderer's (exact area coverage) by a camera that looks at the rear of the lid from outside,
so that the rim's cut face shows along the whole rear; the truth is the scene's, for each arris by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest

from edgeinspect.conformity import Answer, judge
from edgeinspect.geometry import Array
from edgeinspect.measure.arrises import BETWEEN, MODEL_SHARE, Arrises
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.cut_face import Traced, cut_faces, sentence, trace
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.measurement import Flag, ShellMeasurement
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.place import Scan, scan
from edgeinspect.measure.ribbon import lay_stations
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.shot import Shot
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Arris, Curve, DatumScheme, ShellDefinition
from edgeinspect.simulate import fast, toplid
from edgeinspect.simulate.camera import TrueCamera, looking_at
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene
from edgeinspect.simulate.truth import ArrisTruth, arris_truth

LENS = (1600, 1200, 3004.2, 3003.1, 805.3, 594.6, (-0.121, 0.103, 3.1e-4, -2.7e-4, 0.0))
Taken = Callable[[Array, int], GreyPicture]


def oblique(y_mm: float) -> TrueCamera:
    """Over the plate at y_mm, behind the shell's rear rim (y 150), looking at its middle."""
    return TrueCamera(*LENS, looking_at((10.0, y_mm, 800.0), (0.0, 20.0, 30.0), 0.3))


def at_the_station() -> TrueCamera:
    """Further away, so that it has the plate's marks in its picture."""
    return TrueCamera(1600, 1200, 2600.0, 2600.0, *LENS[4:], looking_at((10.0, 250.0, 830.0), (0.0, 5.0, 30.0), 0.3))


def model_of(camera: TrueCamera) -> CameraModel:
    numbers = (camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, np.array(camera.distortion))
    return CameraModel(camera.width_px, camera.height_px, *numbers)


@dataclass(frozen=True)
class Seen:
    shot: Shot
    here: Scan
    truth: ArrisTruth


@cache
def clean(y_mm: float, back_out_mm: float, cut: float | None) -> tuple[Array, ArrisTruth]:
    scene = Scene(oblique(y_mm), CutShell(back_out_mm=np.array([back_out_mm]), cut_brightness=cut))
    return fast.picture(scene), arris_truth(scene)


@pytest.fixture(scope="module")
def look_at(toplid_definition: ShellDefinition, taken: Taken) -> Callable[..., Seen]:
    def look(y_mm: float, back_out_mm: float, cut: float | None = None) -> Seen:
        picture, truth = clean(y_mm, back_out_mm, cut)
        camera = oblique(y_mm)
        shot = Shot("rear", taken(picture, 3), model_of(camera), camera.pose, 0.8, camera.fx_px / 850.0)
        stations = lay_stations(toplid_definition.rim, 0.5).placed(toplid.LID.seating)
        here = scan((shot,), stations, 3.0)
        edges = replace(here.edges, d_mm=here.edges.d_mm - here.edges.pull_mm(stations.bend_per_mm))
        return Seen(shot, replace(here, edges=edges), truth)

    return look


def away_px(points: Array, line: Array, along: Array) -> Array:
    """Distances (N,) [px] of points from a dense curve, across it, along the scan lines' direction (N, 2)."""
    nearest = np.array([int(np.argmin(((line - point) ** 2).sum(axis=1))) for point in points])
    run = np.roll(line, -1, axis=0)[nearest] - np.roll(line, 1, axis=0)[nearest]
    across = np.column_stack([run[:, 1], -run[:, 0]]) / np.linalg.norm(run, axis=1)[:, None]
    across *= np.sign((across * along).sum(axis=1))[:, None]
    return np.asarray(((points - line[nearest]) * across).sum(axis=1))


@pytest.mark.parametrize(
    ("y_mm", "back_out_mm", "cut"),
    [(250.0, 0.15, None), (400.0, 0.0, None), (400.0, 0.15, None), (400.0, -0.1, None), (520.0, 0.1, 0.2)],
)
def test_both_are_traced_where_they_are(
    look_at: Callable[..., Seen], y_mm: float, back_out_mm: float, cut: float | None
) -> None:
    """Against the pixels where the scene has each arris: gaps of 1.3 to 3.6 px, a cut face of two brightnesses. One
    step alone lies up to 1 mm off, the two within 0.03 px on the mean and 0.05 px of scatter; the bevel within 0.02 mm.
    """
    seen = look_at(y_mm, back_out_mm, cut)
    traced = trace((seen.shot,), seen.here, 3.0, Arris.SHOW)
    ((_, own, both),) = traced.arrises
    told = both.told_apart
    assert len(own) == len(told)
    assert told.sum() > 0.9 * both.seen.sum() > 500
    along, lines = seen.here.lines.first[told], seen.here.lines
    show = away_px(lines.at(both.show_mm)[told][::5], seen.truth.show_pixel, along[::5])
    back = away_px(lines.at(both.show_mm + both.gap_mm)[told][::5], seen.truth.back_pixel, along[::5])
    for off in (show, back):
        assert abs(np.mean(off)) < 0.03
        assert np.std(off) < 0.05
    assert np.median(both.bevel_mm[told]) == pytest.approx(back_out_mm, abs=0.02)
    assert np.mean(np.abs(both.bevel_mm[told] - back_out_mm) < 2 * both.u_bevel_mm[told]) > 0.95
    one_step = seen.here.edges.d_mm[told]
    assert np.abs(np.nanmedian(one_step)) > 5 * np.abs(np.nanmedian(both.show_mm[told]))


@pytest.mark.parametrize("arris", Arris)
def test_the_drawings_arris_is_measured(look_at: Callable[..., Seen], arris: Arris) -> None:
    """The cut lies on the drawing's outline by its show-face arris and stands 0.15 mm out by its back-face one."""
    seen = look_at(400.0, 0.15)
    traced = trace((seen.shot,), seen.here, 3.0, arris)
    ((_, _, both),) = traced.arrises
    told = both.told_apart
    wanted = 0.15 if arris is Arris.BACK else 0.0
    error = traced.drawn.d_mm[told] - wanted
    assert abs(np.mean(error)) < 0.01
    assert np.std(error) < 0.02
    assert np.mean(np.abs(error) < 2 * np.hypot(traced.which_mm, traced.drawn.u_mm)[told]) > 0.95
    hidden = (traced.drawn.flags & Flag.HIDDEN) != 0
    if arris is Arris.SHOW:
        assert not hidden.any()
        assert np.isfinite(traced.drawn.d_mm[traced.square_mm == 0]).mean() > 0.9
    else:
        assert np.array_equal(hidden, traced.square_mm <= 0.01)
        assert np.isnan(traced.drawn.d_mm[hidden]).all()


@pytest.mark.parametrize("cut", [0.475, 0.05], ids=["as bright as the face", "as dark as the plate"])
def test_where_one_arris_alone_shows_the_budget_carries_the_gap(look_at: Callable[..., Seen], cut: float) -> None:
    """One step and nothing that says which arris it is: the middle, with u of anywhere between (gap over root 12), the
    gap being that of a cut that is square to 2 degrees (common practice, no source): by a hundred thousand draws.
    """
    seen = look_at(300.0, 0.0, cut)
    traced = trace((seen.shot,), seen.here, 3.0, Arris.SHOW)
    ((_, own, both),) = traced.arrises
    at = own[both.seen]
    assert both.told_apart.sum() < 0.05 * len(at)
    bevels = np.random.default_rng(7).normal(0.0, np.tan(np.deg2rad(2.0)) * 3.0, 100_000)
    gaps = np.maximum(traced.square_mm[at][:, None] + bevels, 0.0)
    expected = BETWEEN * np.sqrt((gaps**2).mean(axis=1))
    assert np.allclose(traced.which_mm[at], expected, rtol=0.02) or both.told_apart.any()
    error = traced.drawn.d_mm[at]
    inside = np.abs(error) < 2 * np.hypot(traced.which_mm[at], traced.drawn.u_mm[at])
    assert np.nanmean(inside) > 0.95
    assert "cannot be told apart" in words_of(seen, traced)


def words_of(seen: Seen, traced: Traced) -> str:
    faces = cut_faces((seen.shot,), "rim", seen.here, traced, 3.0)
    return " ".join(sentence(face, "rim") for face in faces)


def test_scatter_is_what_the_uncertainty_says(look_at: Callable[..., Seen], taken: Taken) -> None:
    """The key test of a gauge: the same scene under 12 noises; the scatter of each line's show-face arris against what
    it states of noise, of the line's own and of what lines share. 20 %: 12 pictures, lines alike within a stretch.
    """
    seen = look_at(300.0, 0.1)
    picture, _ = clean(300.0, 0.1, None)
    read: list[Array] = []
    for seed in range(12):
        shot = replace(seen.shot, picture=taken(picture, 100 + seed))
        here = scan((shot,), seen.here.stations, 3.0)
        ((_, _, both),) = trace((shot,), here, 3.0, Arris.SHOW).arrises
        read.append(both.show_mm)
    every = np.array(read)
    ((_, _, one),) = trace((seen.shot,), seen.here, 3.0, Arris.SHOW).arrises
    lines = np.flatnonzero(np.isfinite(every).all(axis=0) & one.told_apart)[::4]
    got = np.sqrt((np.std(every[:, lines], axis=0, ddof=1) ** 2).mean())
    shared = one.u_show_mm[lines] ** 2 - (MODEL_SHARE * one.gap_mm[lines]) ** 2
    said = np.sqrt((one.u_line_mm[lines] ** 2 + shared).mean())
    assert got == pytest.approx(said, rel=0.2)


# ----------------------------------------------------------------------------------------------------- a whole shell


@pytest.fixture(scope="module")
def rear_gauge(
    toplid_definition: ShellDefinition, calibration: CameraCalibration, fixture: Fixture, seating: Seating
) -> Callable[[Arris], ShellGauge]:
    """The lid before a camera behind it, in the fixture frame: its pips are seen from the side."""

    def gauge(arris: Arris) -> ShellGauge:
        camera = at_the_station()
        seen_by = replace(calibration, camera="rear", model=model_of(camera), fixture_pose=camera.pose)
        definition = replace(toplid_definition, arris=arris, datum=DatumScheme.FIXTURE)
        if arris is Arris.BACK:  # drawn where it is: under the show-face one, on the back of the sheet
            holes = tuple(replace(one, curve=lowered(one.curve)) for one in definition.cutouts)
            definition = replace(definition, rim=lowered(definition.rim), cutouts=holes)
        return ShellGauge(definition, {"rear": seen_by}, fixture, seating)

    return gauge


def lowered(curve: Curve) -> Curve:
    """A curve on the show face, cut square through to the back face: by the simulator's own sheet."""
    x, y = curve.points_mm[:, 0], curve.points_mm[:, 1]
    down = toplid.LID.sheet.z(x, y) - toplid.LID.sheet.back_z(x, y)
    return Curve(curve.name, curve.points_mm - np.outer(down, [0, 0, 1]), curve.face_slope, curve.is_hole)


SLOTS = {name: CutOutChange(back_out_mm=0.15) for name in ("hinge_slot_left", "hinge_slot_right", "lock_hole")}


@pytest.fixture(scope="module")
def bevelled(taken: Taken) -> GreyPicture:
    shell = CutShell(back_out_mm=np.array([0.15]), cutouts=SLOTS)
    return taken(fast.picture(Scene(at_the_station(), shell)), 7)


def measured(gauge: ShellGauge, picture: GreyPicture) -> ShellMeasurement:
    return gauge.measure("standard", {"rear": picture.raw}, Temperature(20.0))


def test_a_shell_with_a_bevel(rear_gauge: Callable[[Arris], ShellGauge], bevelled: GreyPicture) -> None:
    """Rim and slots were cut with a bevel of 0.15 mm on 3 mm: by the show-face arris all is as drawn, the bevel is told
    beside it (arc tangent of 0.15 in the wall's height, 2.5 to 2.9 degrees).
    """
    shell = measured(rear_gauge(Arris.SHOW), bevelled)
    assert [stop.stage for stop in shell.stops] == []
    for zone in shell.zones:
        # The filter rounds the notch's small radii; behind the front rim a white mark shows.
        if zone.zone not in ("cable-notch", "front-middle"):
            assert abs(zone.most.value) < max(2.5 * zone.most.u, 0.03), zone.zone
            assert abs(zone.least.value) < max(2.5 * zone.least.u, 0.03), zone.zone
    faces = {face.curve: face for face in shell.cut_faces}
    rim = faces["rim"]
    assert rim.told_apart_mm > 0.9 * rim.seen_mm > 250
    assert rim.bevel is not None
    assert rim.bevel_deg is not None
    assert rim.bevel.value == pytest.approx(0.15, abs=2 * rim.bevel.u)
    assert rim.bevel_deg.value == pytest.approx(np.rad2deg(np.arctan2(0.15, 3.2)), abs=2 * rim.bevel_deg.u)
    for cutout in shell.cutouts:
        assert cutout.dx is not None
        assert cutout.dy is not None
        assert abs(cutout.dx.value) < max(2.5 * cutout.dx.u, 0.02), cutout.name
        assert abs(cutout.dy.value) < max(2.5 * cutout.dy.u, 0.02), cutout.name
        assert "which arris" in {share.source for share in cutout.dy.shares}
    told = [faces[name].bevel for name in ("hinge_slot_left", "hinge_slot_right")]
    for bevel in told:
        assert bevel is not None
        assert bevel.value == pytest.approx(0.15, abs=2 * bevel.u)
    assert "bevel of" in sentence(rim, "rim")


def test_a_back_face_arris_is_measured_where_it_is_seen(
    rear_gauge: Callable[[Arris], ShellGauge], bevelled: GreyPicture
) -> None:
    """The drawing dimensions the back-face arris: the same picture reads 0.15 mm too much along the rear, where that
    arris is seen. Along the front it is hidden: nothing is told there, and the shell is never green.
    """
    gauge = rear_gauge(Arris.BACK)
    shell = measured(gauge, bevelled)
    (stop,) = [stop for stop in shell.stops if stop.stage == "edge"]
    assert "back-face arris" in stop.reason
    zones = {zone.zone: zone for zone in shell.zones}
    for name in ("rear-right-of-notch", "rear-left-of-notch"):
        zone = zones[name]
        assert zone.seen_mm > 0.9 * zone.length_mm
        assert zone.most.value == pytest.approx(0.15, abs=max(2 * zone.most.u, 0.03))
    front = zones["front-middle"]
    assert front.seen_mm == 0
    assert np.isnan(front.most.value)
    assert judge(shell, gauge.setup.definition).answer is not Answer.CONFORMING


def test_arrises_of_nothing() -> None:
    nothing = np.full(3, np.nan)
    none = Arrises(np.zeros(3, dtype=bool), np.zeros(3), *(nothing.copy() for _ in range(7)))
    assert not none.told_apart.any()
