"""Stations along a curve, scan lines in the picture."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.ribbon import Stations, lay_scan_lines, lay_stations, offsets, sample
from edgeinspect.shell.definition import Curve, ShellDefinition
from edgeinspect.simulate import bench, toplid


def ellipse(*, is_hole: bool = False) -> Curve:
    angle = 2 * np.pi * np.arange(4000) / 4000
    points = np.column_stack([90 * np.cos(angle), 60 * np.sin(angle), 10 * np.cos(2 * angle)])
    return Curve("c", points, np.cos(angle), is_hole)


def true_normal(points: Array) -> Array:
    """Outward normal of the ellipse in plan. SOURCE: gradient of x²/a² + y²/b²."""
    normal = np.column_stack([points[:, 0] / 90**2, points[:, 1] / 60**2])
    return np.asarray(normal / np.linalg.norm(normal, axis=1)[:, None])


@pytest.mark.parametrize("is_hole", [False, True])
def test_stations_of_an_ellipse(is_hole: bool) -> None:
    curve = ellipse(is_hole=is_hole)
    stations = lay_stations(curve, 0.5)
    assert 0.499 < stations.step_mm <= 0.5
    assert np.allclose(np.diff(stations.arc_mm), stations.step_mm)
    assert len(stations.arc_mm) * stations.step_mm == pytest.approx(curve.length_mm)
    sign = -1.0 if is_hole else 1.0  # out of the material: into a hole
    assert np.abs(stations.normals[:, :2] - sign * true_normal(stations.points_mm)).max() < 1e-3  # 0.06 degrees
    assert np.abs(stations.normals[:, 2]).max() == 0.0
    assert np.linalg.norm(stations.normals, axis=1) == pytest.approx(1.0)
    assert np.hypot(*stations.tangents[:, :2].T) == pytest.approx(1.0)


def test_directions_climb_with_the_face() -> None:
    stations = lay_stations(ellipse(), 0.5)
    angle = np.arctan2(stations.points_mm[:, 1] / 60, stations.points_mm[:, 0] / 90)
    assert stations.climb == pytest.approx(np.cos(angle), abs=1e-5)
    assert np.allclose(stations.directions[:, 2], stations.climb)
    assert np.allclose(stations.directions[:, :2], stations.normals[:, :2])


def test_the_lids_normals_point_out_of_the_material(toplid_definition: ShellDefinition) -> None:
    """By shapely: a step along the normal leaves the sheet, a step back is in it. For the rim and every cut-out."""
    rim = shapely.Polygon(toplid_definition.rim.points_mm[:, :2])
    holes = [shapely.Polygon(c.curve.points_mm[:, :2]) for c in toplid_definition.cutouts]
    sheet = rim.difference(shapely.union_all(holes))
    shapely.prepare(sheet)
    for curve in (toplid_definition.rim, *(cutout.curve for cutout in toplid_definition.cutouts)):
        stations = lay_stations(curve, 2.0)
        out = stations.points_mm[:, :2] + 0.2 * stations.normals[:, :2]
        back = stations.points_mm[:, :2] - 0.2 * stations.normals[:, :2]
        assert not shapely.contains_xy(sheet, *out.T).any()
        assert shapely.contains_xy(sheet, *back.T).all()


def test_the_lids_climb_is_the_slope_of_its_face(toplid_definition: ShellDefinition) -> None:
    """SOURCE: the lid's own formula (simulate.toplid): slope of z(x, y) along the normal. The file gives it from a
    second curve 5 mm inside, so it is a mean over 5 mm; in the notch's small corners (radius 2.5 mm) by the nearest
    place inside. A slope wrong by 0.05 costs 0.005 mm of a 0.5 mm deviation at 12 degrees off the axis.
    """
    stations = lay_stations(toplid_definition.rim, 2.0)
    x, y, _ = stations.points_mm.T
    slope_x, slope_y = toplid.surface_slopes(x, y)
    wanted = slope_x * stations.normals[:, 0] + slope_y * stations.normals[:, 1]
    notch = (np.abs(x) < 12.0) & (y > 130.0)
    assert np.abs(stations.climb - wanted)[~notch].max() < 0.02
    assert np.abs(stations.climb - wanted).max() < 0.05


def test_placed_and_grown() -> None:
    stations = lay_stations(ellipse(), 1.0)
    pose = Pose.from_degrees((0.0, 0.0, 30.0), (5.0, -3.0, 60.0))
    there = stations.placed(pose)
    assert np.allclose(there.points_mm, pose.apply(stations.points_mm))
    assert np.allclose(there.normals, pose.turn(stations.normals))
    assert np.array_equal(there.arc_mm, stations.arc_mm)
    assert np.allclose(stations.scaled(1.001).points_mm, 1.001 * stations.points_mm)
    assert np.array_equal(stations.scaled(1.001).arc_mm, stations.arc_mm)  # arc lengths stay the drawing's


def seated(definition: ShellDefinition) -> Stations:
    return lay_stations(definition.rim, 2.0).placed(bench.NOMINAL_SEATING)


def test_scan_lines_are_where_the_camera_sees_them(toplid_definition: ShellDefinition, model: CameraModel) -> None:
    """Against the simulator's own projection of p + d (n + slope z), over the whole search band."""
    stations, camera = seated(toplid_definition), bench.top_camera()
    lines = lay_scan_lines(stations.points_mm, stations.directions, 3.0, model, camera.pose)
    for d in (-3.0, -1.7, 0.0, 0.4, 2.2, 3.0):
        wanted = camera.project(stations.points_mm + d * stations.directions)
        assert np.abs(lines.at(np.full(len(wanted), d)) - wanted).max() < 1e-4
    small = camera.project(stations.points_mm + 0.001 * stations.directions) - camera.project(stations.points_mm)
    assert lines.px_per_mm == pytest.approx(np.linalg.norm(small, axis=1) / 0.001, rel=1e-4)


def test_the_ribbon_holds_what_lies_there(
    toplid_definition: ShellDefinition, model: CameraModel, good_shell: GreyPicture
) -> None:
    stations, camera = seated(toplid_definition), bench.top_camera()
    lines = lay_scan_lines(stations.points_mm, stations.directions, 3.0, model, camera.pose)
    d_mm = offsets(3.0, 3.4)
    ribbon = sample(good_shell, lines, d_mm)
    assert ribbon.shape == (len(stations.arc_mm), len(d_mm))
    assert ribbon[:, d_mm < -1.0].min() > 0.35  # the face
    assert ribbon[:, d_mm > 1.5].max() < 0.2  # the plate, beyond any cut face
    assert ribbon[:, len(d_mm) // 2] == pytest.approx(
        good_shell.at(camera.project(stations.points_mm)).astype(float), abs=1e-5
    )


def test_outside_the_picture_is_nan(model: CameraModel, good_shell: GreyPicture) -> None:
    points = np.array([[0.0, 0.0, 50.0], [400.0, 0.0, 50.0], [0.0, 300.0, 50.0]])
    directions = np.tile([1.0, 0.0, 0.0], (3, 1))
    lines = lay_scan_lines(points, directions, 3.0, model, bench.top_camera().pose)
    seen = np.isfinite(sample(good_shell, lines, offsets(3.0, 3.4)))
    assert seen[0].all()
    assert not seen[1:].any()


@pytest.mark.parametrize(("half", "scale"), [(3.0, 3.4), (0.2, 3.3), (10.0, 12.0)])
def test_offsets_are_even_symmetric_and_half_a_pixel_apart(half: float, scale: float) -> None:
    d = offsets(half, scale)
    assert np.allclose(d, -d[::-1])
    assert (d[0], d[-1]) == (-half, half)
    assert np.allclose(np.diff(d), d[1] - d[0])
    assert (d[1] - d[0]) * scale <= 0.5 + 1e-9
