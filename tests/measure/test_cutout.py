"""Cut-outs on drawn pictures: place and size on the show-face arris where the far wall shows, missing, covered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
import shapely.affinity
from numpy.typing import NDArray

from edgeinspect.conformity import Answer, judge
from edgeinspect.geometry import PlaneShift
from edgeinspect.measure import cutout as cutout_module
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.cutout import CutOutFit, apparent_wall, measure_cutouts, shape_rows, wall_height
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.ribbon import lay_scan_lines, lay_stations
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import CutOut, ShellDefinition
from edgeinspect.simulate import bench, fast
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene
from edgeinspect.simulate.truth import cutout_truth

from .conftest import Taken

CAMERA = bench.top_camera()
Draw = Callable[[Scene], GreyPicture]
OFF = CutShell(
    cutouts={
        "lock_hole": CutOutChange(0.2, -0.15, (0.1,)),
        "hinge_slot_left": CutOutChange(-0.1, 0.12, (0.2, -0.1)),
        "hinge_slot_right": CutOutChange(missing=True),
    },
    decal=PlaneShift(0.9, 1.6, 1.3),
)
Fits = Callable[[GreyPicture], dict[str, CutOutFit]]


@pytest.fixture(scope="module")
def fits(toplid_definition: ShellDefinition, model: CameraModel) -> Fits:
    """Measures every cut-out of the lid, looked for at its nominal place."""
    wanted = [
        (cutout, lay_stations(cutout.curve, 0.5).placed(bench.NOMINAL_SEATING)) for cutout in toplid_definition.cutouts
    ]

    def measured(picture: GreyPicture) -> dict[str, CutOutFit]:
        found = measure_cutouts(picture, wanted, toplid_definition.sheet_mm, model, CAMERA.pose, 0.9)
        return {cutout.name: fit for (cutout, _), fit in zip(wanted, found, strict=True)}

    return measured


@pytest.fixture(scope="module")
def gauge(
    toplid_definition: ShellDefinition, calibration: CameraCalibration, fixture: Fixture, seating: Seating
) -> ShellGauge:
    return ShellGauge(toplid_definition, {"top": calibration}, fixture, seating)


@pytest.fixture(scope="module")
def off_picture(draw: Draw) -> GreyPicture:
    return draw(Scene(CAMERA, OFF))


def test_every_shape_against_the_truth(gauge: ShellGauge, good_shell: GreyPicture, off_picture: GreyPicture) -> None:
    """The project's first issue asks for 0.05 mm of a centre and 0.08 mm of a size; without grain and gloss it must be
    better. Walls are two thirds as bright as the face: the hard case, the two arrises look most alike. The truth is
    the scene's own geometry, by shapely.
    """
    for shell, picture in ((CutShell(), good_shell), (OFF, off_picture)):
        truth = cutout_truth(Scene(CAMERA, shell))
        result = gauge.measure("standard", {"top": picture.raw}, Temperature(20.0))
        for found in result.cutouts:
            true = truth[found.name]
            if true["missing"]:
                assert found.there is False
                continue
            assert found.there
            assert found.dx is not None
            assert found.dy is not None
            assert (found.dx.value, found.dy.value) == pytest.approx(true["off_mm"], abs=0.015)
            names = ("diameter_mm",) if found.name == "lock-hole" else ("length_mm", "width_mm")
            for size, name in zip(found.sizes, names, strict=True):
                assert size.value == pytest.approx(true[name], abs=0.03)
                assert abs(size.value - true[name]) < 3.0 * size.u


@pytest.mark.parametrize(("size_mm", "oval_mm"), [(0.0, 0.05), (0.0, -0.05), (0.31, 0.27), (-0.1, 0.25)])
def test_an_oval_hole_keeps_its_place_and_its_mean_diameter(
    gauge: ShellGauge, draw: Draw, size_mm: float, oval_mm: float
) -> None:
    """As a robot leaves it. Before holes could be oval in the fit, the wall's brightness took it up: 0.27 mm moved the
    centre by 0.14 mm and made a hole 0.31 mm too large read 0.14 mm (invented cases; the truth is the scene's own).
    """
    changed = CutOutChange(0.1, -0.05, (size_mm,), oval_mm=oval_mm)
    scene = Scene(CAMERA, CutShell(cutouts={"lock_hole": changed}))
    true = cutout_truth(scene)["lock-hole"]
    measured = gauge.measure("standard", {"top": draw(scene).raw}, Temperature(20.0))
    found = next(one for one in measured.cutouts if one.name == "lock-hole")
    assert found.dx is not None
    assert found.dy is not None
    for quantity, truth in zip((found.dx, found.dy, *found.sizes), (*true["off_mm"], true["diameter_mm"]), strict=True):
        assert quantity.value == pytest.approx(truth, abs=0.02)
        assert abs(quantity.value - truth) < 3.0 * quantity.u


@pytest.mark.parametrize("back_out_mm", [0.1, 0.2, -0.1, -0.3])
def test_a_bevel_moves_no_cut_out(gauge: ShellGauge, draw: Draw, back_out_mm: float) -> None:
    """Standing out, the back-face arris shows where that of a square cut hides; before the fit knew, 0.1 mm of bevel
    made a hole 0.06 mm too small and -0.3 mm a slot 0.12 mm too narrow (invented cases; the truth is the scene's own).
    """
    cutouts = {k: CutOutChange(0.05, -0.05, (0.1, -0.1), back_out_mm=back_out_mm) for k in CutShell().form.cutouts()}
    agrees(gauge, draw, CutShell(cutouts=cutouts))


@pytest.mark.parametrize("thickness_mm", [2.4, 2.0, 3.4])
def test_a_sheet_of_another_thickness_moves_no_cut_out(gauge: ShellGauge, draw: Draw, thickness_mm: float) -> None:
    """Drawn sheet thins (common practice, no source); the definition says 3 mm. Before, 2 mm made slots 0.09 mm too
    narrow.
    """
    of = CutShell().form
    agrees(gauge, draw, CutShell(form=replace(of, sheet=replace(of.sheet, thickness_mm=thickness_mm))))


@pytest.mark.parametrize("added_px", [0.7, 1.0])
def test_a_lens_out_of_focus_on_one_side_moves_no_cut_out(gauge: ShellGauge, taken: Taken, added_px: float) -> None:
    """Less than stops a picture. Before each cut-out had a blur of its own, 1.0 px made a slot 0.07 mm too long
    (invented cases; the truth is the scene's own).
    """
    scene = Scene(CAMERA, CutShell())
    sharp = fast.picture(scene)
    share = np.clip((np.arange(sharp.shape[1]) / sharp.shape[1] - 0.5) / 0.2, 0.0, 1.0)
    soft = sharp * (1 - share) + cv2.GaussianBlur(sharp, (0, 0), added_px) * share
    agree(gauge, taken(soft, 3), scene)


def agrees(gauge: ShellGauge, draw: Draw, shell: CutShell) -> None:
    scene = Scene(CAMERA, shell)
    agree(gauge, draw(scene), scene)


def agree(gauge: ShellGauge, picture: GreyPicture, scene: Scene) -> None:
    truth = cutout_truth(scene)
    for found in gauge.measure("standard", {"top": picture.raw}, Temperature(20.0)).cutouts:
        true = truth[found.name]
        assert found.dx is not None
        assert found.dy is not None
        sizes = ("diameter_mm",) if found.name == "lock-hole" else ("length_mm", "width_mm")
        wanted = (*true["off_mm"], *(true[size] for size in sizes))
        for quantity, value in zip((found.dx, found.dy, *found.sizes), wanted, strict=True):
            assert quantity.value == pytest.approx(value, abs=0.03), found.name
            assert abs(quantity.value - value) < 3.0 * quantity.u, found.name


def test_a_missing_slot_is_missing(fits: Fits, off_picture: GreyPicture) -> None:
    found = fits(off_picture)
    assert found["hinge-slot-right"].there is False
    assert found["hinge-slot-left"].there is True
    assert found["lock-hole"].there is True


def test_a_missing_slot_is_red(
    toplid_definition: ShellDefinition,
    calibration: CameraCalibration,
    fixture: Fixture,
    seating: Seating,
    off_picture: GreyPicture,
) -> None:
    gauge = ShellGauge(toplid_definition, {"top": calibration}, fixture, seating)
    verdict = judge(gauge.measure("standard", {"top": off_picture.raw}, Temperature(20.0)), toplid_definition)
    slot = next(f for f in verdict.findings if f.characteristic == "cut-out hinge-slot-right")
    assert slot.answer is Answer.NONCONFORMING
    assert slot.sentence == "Hinge slot, rear right: not there"


def around(raw: NDArray[np.uint16], x: float, y: float, z: float, reach: int) -> tuple[slice, slice]:
    u, v = CAMERA.project(np.array([[x, y, z]]))[0].astype(int)
    return slice(v - reach, v + reach), slice(u - reach, u + reach)


@pytest.mark.parametrize("shade", [0.0, 0.95])
def test_a_covered_hole_cannot_be_told(fits: Fits, good_shell: GreyPicture, shade: float) -> None:
    """A strip of cloth or tape over half of the lock hole, darker or brighter than all: neither there nor not."""
    raw = good_shell.raw.copy()
    rows, columns = around(raw, 0.0, -118.0, 35.6, 60)
    raw[rows, columns.start : columns.start + 60] = int(shade * 65535)
    found = fits(GreyPicture(raw))["lock-hole"]
    assert found.there is None
    assert found.seen_share < 0.7


def test_chips_over_a_hole_are_not_a_missing_hole(fits: Fits, good_shell: GreyPicture) -> None:
    raw = good_shell.raw.copy()
    rows, columns = around(raw, 0.0, -118.0, 35.6, 60)
    chips = np.kron(np.random.default_rng(2).integers(3000, 60000, (20, 20)), np.ones((6, 6)))
    raw[rows, columns] = chips.astype(np.uint16)
    assert fits(GreyPicture(raw))["lock-hole"].there is None


def test_a_hair_across_a_hole_costs_little(fits: Fits, good_shell: GreyPicture) -> None:
    raw = good_shell.raw.copy()
    rows, columns = around(raw, 0.0, -118.0, 35.6, 60)
    raw[rows.start + 50 : rows.start + 54, columns] = 2000
    clean, found = fits(good_shell)["lock-hole"], fits(GreyPicture(raw))["lock-hole"]
    assert found.there is True
    assert np.abs(found.terms - clean.terms).max() < 0.01


def test_outside_the_picture_is_not_missing(fits: Fits, good_shell: GreyPicture) -> None:
    """A picture that ends before the hole: cannot be told. (Rows cut off below the middle are filled with nothing.)"""
    raw = good_shell.raw[:900].copy()
    found = fits(GreyPicture(raw))
    assert found["lock-hole"].there is None
    assert found["hinge-slot-left"].there is True


def test_even_light_is_left_as_it_is(
    fits: Fits, off_picture: GreyPicture, taken: Taken, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is read off a face under even light is its noise and the sheet's own shading: 0.0005 mm at most."""
    noisy = taken(off_picture.levels.astype(np.float64) / 0.88, 7)
    read = fits(noisy)
    monkeypatch.setattr(cutout_module, "evenly_lit", lambda here: here.ribbon)
    for name, fit in fits(noisy).items():
        assert np.abs(read[name].terms - fit.terms).max() < 0.0005, name


def cutout(definition: ShellDefinition, name: str) -> CutOut:
    return next(c for c in definition.cutouts if c.name == name)


def test_the_wall_in_the_picture(toplid_definition: ShellDefinition, model: CameraModel) -> None:
    """Width of the visible wall against the scene's own back face: nearest distance from the projected show-face arris
    to the projected back-face arris, along the scan line; 0 where the camera does not see it.
    """
    for name in ("lock-hole", "hinge-slot-left"):
        stations = lay_stations(cutout(toplid_definition, name).curve, 0.5).placed(bench.NOMINAL_SEATING)
        lines = lay_scan_lines(stations.points_mm, stations.directions, 3.0, model, CAMERA.pose)
        wall = apparent_wall(stations, lines, wall_height(stations, 3.0), model, CAMERA.pose)
        fine = lay_stations(cutout(toplid_definition, name).curve, 0.02).points_mm[:, :2]
        back = CAMERA.project(CutShell().lifted(fine, back=True))
        seen, off = np.flatnonzero(wall > 0.1), list[float]()
        assert len(seen) > 0.3 * len(wall)
        for k in seen[:: max(1, len(seen) // 12)]:
            away = back - lines.centre[k]
            unit = lines.first[k] / lines.px_per_mm[k]
            ahead, aside = away @ unit, away @ np.array([-unit[1], unit[0]])
            hit = ahead[(np.abs(aside) < 0.05) & (np.abs(ahead) < 4.0)]
            off.append(wall[k] - hit.mean() / lines.px_per_mm[k])
        assert np.abs(off).max() < 0.006
        assert abs(np.mean(off)) < 0.002  # what is wrong on the mean moves the far side
        to_camera = CAMERA.centre_mm - stations.points_mm
        hidden = (to_camera[:, :2] * stations.normals[:, :2]).sum(axis=1) < 0
        assert wall[hidden].max() < 0.05  # where a slot's side meets its end, a scan line sees the neighbour's wall


def test_shape_rows_answer_as_shapes_do(toplid_definition: ShellDefinition) -> None:
    """A slot longer by 0.2, wider by 0.1, shifted and turned, by shapely's distance from the nominal outline."""
    slot = cutout(toplid_definition, "hinge-slot-left")
    stations = lay_stations(slot.curve, 0.5)
    centre = stations.points_mm[:, :2].mean(axis=0)
    along, around_all, dx, dy, turn = 0.05, 0.05, 0.03, -0.02, 2e-3
    rows = shape_rows(slot, stations, centre, 0.0)
    said = rows @ np.array([dx, dy, around_all, along, turn])

    def grown(length: float, width: float) -> shapely.Polygon:
        half = (length - width) / 2
        spine = shapely.LineString([(-half, 0.0), (half, 0.0)])
        return shapely.buffer(spine, width / 2, quad_segs=64)

    made = grown(30.0 + 2 * (around_all + along), 8.0 + 2 * around_all)
    made = shapely.affinity.translate(shapely.affinity.rotate(made, np.rad2deg(turn), origin=(0, 0)), dx, dy)
    nominal = shapely.affinity.translate(made, *centre)
    places = shapely.points(stations.points_mm[:, :2])
    # A hole's deviation is + where material is left: where the made hole does not reach the nominal outline.
    true = shapely.distance(nominal.exterior, places) * np.where(shapely.contains(nominal, places), -1.0, 1.0)
    assert np.abs(said - true).max() < 0.01


def test_shape_rows_of_a_hole_answer_to_ovals(toplid_definition: ShellDefinition) -> None:
    """An ellipse turned by 20 degrees, by shapely's distance from the nominal outline."""
    hole = cutout(toplid_definition, "lock-hole")
    stations = lay_stations(hole.curve, 0.5)
    centre = hole.centre_mm
    oval, turn = 0.08, np.deg2rad(20.0)
    rows = shape_rows(hole, stations, centre, 0.0)
    said = rows @ np.array([0.0, 0.0, 0.0, oval * np.cos(2 * turn), oval * np.sin(2 * turn)])
    round_one = shapely.Point(*centre).buffer(12.0, quad_segs=256)
    made = shapely.affinity.scale(round_one, 1.0 + oval / 12.0, 1.0 - oval / 12.0, origin=tuple(centre))
    made = shapely.affinity.rotate(made, 20.0, origin=tuple(centre))
    places = shapely.points(stations.points_mm[:, :2])
    true = shapely.distance(made.exterior, places) * np.where(shapely.contains(made, places), -1.0, 1.0)
    assert np.abs(said - true).max() < 0.003


@pytest.mark.parametrize("way", [(1.0, 0.0), (0.0, 1.0), (0.7, -0.7)])
def test_light_that_falls_off_hardly_moves_a_hole(
    fits: Fits, off_picture: GreyPicture, way: tuple[float, float]
) -> None:
    """A quarter of the light across the 24 mm hole, and as much more elsewhere: its centre moves by up to
    0.0013 mm (0.0038 with one slope of light for all of its edge). 0.002 mm is the project's own aim, no source. The
    centroid of the dark pixels moves by more than 0.02 mm, which shows that the light is felt.
    """
    before = fits(off_picture)["lock-hole"]
    at = np.append(np.array([0.2, -118.15]), -24.0) + bench.NOMINAL_SEATING.translation_mm
    x, y = CAMERA.project(at[None])[0]
    rows, columns = np.indices(off_picture.raw.shape)
    across = ((columns - x) * way[0] + (rows - y) * way[1]) / 84.0  # the hole's diameter in pixels, about
    shaded = off_picture.levels.astype(np.float64) * np.clip(1.0 + 0.25 * across, 0.3, 1.7)
    after = fits(GreyPicture(np.rint(np.clip(shaded * 0.55, 0, 1) * 65535).astype(np.uint16)))["lock-hole"]
    assert np.hypot(*(after.terms[:2] - before.terms[:2])) < 0.002
    box = slice(int(y) - 60, int(y) + 60), slice(int(x) - 60, int(x) + 60)

    def centroid(levels: NDArray[np.float64]) -> NDArray[np.float64]:
        dark = np.clip(np.median(levels) - levels, 0.0, None)
        return np.array([(dark * part[box]).sum() / dark.sum() for part in (columns, rows)])

    moved = centroid(shaded[box]) - centroid(off_picture.levels[box].astype(np.float64))
    assert np.hypot(*moved) / 3.5 > 0.02  # mm
