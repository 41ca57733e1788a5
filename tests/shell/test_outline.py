"""Curves from drawings: what entities become, how far chords may be off, and what is refused."""

from __future__ import annotations

import re
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf.layouts import Modelspace
from ezdxf.math import rational_bspline_from_arc

from edgeinspect.errors import DefinitionError
from edgeinspect.geometry import closed_arc_mm, signed_area_mm2
from edgeinspect.shell.agreement import circle_of
from edgeinspect.shell.outline import CHORD_MM, DxfCurves, closed_curve, csv_curve, face_slope, plan_normals
from edgeinspect.shell.summary import chord_sag_mm

from .small_shell import Points, circle, lifted, rounded, slot


def drawing(folder: Path) -> tuple[ezdxf.document.Drawing, Modelspace]:
    document = ezdxf.new("R2010", units=4)
    return document, document.modelspace()


def read(folder: Path, document: ezdxf.document.Drawing, layer: str = "rim") -> Points:
    document.saveas(folder / "a.dxf")
    return DxfCurves((folder / "a.dxf").read_bytes(), "a.dxf").curve(layer)


def refused(call: object, *arguments: object) -> str:
    with pytest.raises(DefinitionError) as caught:
        call(*arguments)  # type: ignore[operator]
    return str(caught.value)


ON_RIM = {"layer": "rim"}


def test_a_circle_keeps_its_area_and_chords(tmp_path: Path) -> None:
    """Area of an n-gon in a circle: n R² sin(2 pi / n) / 2; chord sag R (1 - cos(pi / n)) (elementary geometry)."""
    document, space = drawing(tmp_path)
    space.add_circle((10, -5, 3), radius=50, dxfattribs=ON_RIM)
    points = read(tmp_path, document)
    count = len(points)
    assert np.linalg.norm(points - [10, -5, 3], axis=1) == pytest.approx(50.0, abs=1e-9)
    assert 50 * (1 - np.cos(np.pi / count)) <= CHORD_MM
    assert signed_area_mm2(points) == pytest.approx(count * 50**2 * np.sin(2 * np.pi / count) / 2, rel=1e-9)
    assert circle_of(points[:, :2])[1] == pytest.approx(50.0, abs=1e-9)


def test_chord_sag_of_a_polygon_in_a_circle() -> None:
    """R = 50, n = 360: sag R (1 - cos(pi/n)) = 0.00190384679 mm; shapely's distance as an independent reading."""
    points = np.column_stack([circle(0, 0, 50, 360), np.zeros(360)])
    on_circle = shapely.Point(50 * np.cos(np.pi / 360), 50 * np.sin(np.pi / 360))
    assert shapely.LinearRing(points[:, :2]).distance(on_circle) == pytest.approx(0.00190384679, abs=1e-11)
    assert chord_sag_mm(points) == pytest.approx(0.00190384679, rel=1e-3)  # a small-angle estimate


def test_corners_are_not_coarse_arcs() -> None:
    square = np.array([[0, 0, 0], [100, 0, 0], [100, 100, 0], [0, 100, 0.0]])
    assert chord_sag_mm(square) == 0.0
    assert chord_sag_mm(np.column_stack([circle(0, 0, 50, 24), np.zeros(24)])) > 0.3  # 15 degrees a chord


def test_length_and_area_agree_with_shapely() -> None:
    points = lifted(rounded(120, 80, 20))
    flat = points * [1, 1, 0]
    assert closed_arc_mm(flat)[1] == pytest.approx(shapely.LinearRing(points[:, :2]).length, rel=1e-12)
    assert signed_area_mm2(points) == pytest.approx(shapely.Polygon(points[:, :2]).area, rel=1e-12)


def test_normals_of_a_circle_are_its_radii_at_any_spacing() -> None:
    angle = np.sort(np.random.default_rng(1).uniform(0, 2 * np.pi, 60))
    points = np.column_stack([7 * np.cos(angle), 7 * np.sin(angle), np.zeros(60)])
    tangents, normals = plan_normals(points)
    assert np.abs(normals - points[:, :2] / 7).max() < 1e-9
    assert np.abs(np.sum(tangents * normals, axis=1)).max() < 1e-12


def test_lines_and_arcs_in_any_order_and_direction_make_one_curve(tmp_path: Path) -> None:
    """A 60 x 40 rounded rectangle, radius 10, as eight entities out of order; area 60*40 - (4 - pi) 100."""
    document, space = drawing(tmp_path)
    lines = [((20, -20), (-20, -20)), ((30, -10), (30, 10)), ((20, 20), (-20, 20)), ((-30, -10), (-30, 10))]
    arcs = [((20, 10), 0), ((-20, 10), 90), ((-20, -10), 180), ((20, -10), 270)]
    space.add_line((*lines[1][0], 5), (*lines[1][1], 5), dxfattribs=ON_RIM)
    for (x, y), start in arcs:
        space.add_arc((x, y, 5), 10, start, start + 90, dxfattribs=ON_RIM)
    for first, last in (lines[0], lines[2], lines[3]):
        space.add_line((*first, 5), (*last, 5), dxfattribs=ON_RIM)
    points = read(tmp_path, document)
    assert points[0] == pytest.approx([30, -10, 5])  # the first point of the first entity
    assert signed_area_mm2(points) == pytest.approx(60 * 40 - (4 - np.pi) * 100, rel=1e-4)
    assert (points[:, 2] == 5).all()


def test_a_polyline_with_arcs_to_the_left_and_right(tmp_path: Path) -> None:
    """Bulge 1 is a half circle (DXF reference): a 40 x 20 strip, one end round outwards, one inwards, area 800."""
    for start in range(4):
        document, space = drawing(tmp_path)
        corners = [(0, 0, 0), (40, 0, 1), (40, 20, 0), (0, 20, -1)]
        turned = corners[start:] + corners[:start]
        space.add_lwpolyline(turned, format="xyb", close=True, dxfattribs={**ON_RIM, "elevation": 7})
        points = read(tmp_path, document)
        assert points[0] == pytest.approx([*turned[0][:2], 7])
        assert signed_area_mm2(points) == pytest.approx(800.0, rel=1e-6)
        assert np.ptp(points[:, 0]) == pytest.approx(50.0, abs=0.01)


def test_a_spline_follows_its_circle(tmp_path: Path) -> None:
    """A rational B-spline can be a circle exactly (Piegl and Tiller, The NURBS Book, chapter 7)."""
    document, space = drawing(tmp_path)
    exact = rational_bspline_from_arc(center=(3, 4), radius=30, start_angle=0, end_angle=360)
    space.add_spline(dxfattribs=ON_RIM).apply_construction_tool(exact)
    points = read(tmp_path, document)
    assert np.linalg.norm(points[:, :2] - [3, 4], axis=1) == pytest.approx(30.0, abs=1e-6)
    steps = closed_arc_mm(points)[0]
    assert np.diff(steps).max() <= np.sqrt(8 * 30 * CHORD_MM) * 1.01


def test_an_ellipse(tmp_path: Path) -> None:
    document, space = drawing(tmp_path)
    space.add_ellipse((0, 0, 0), major_axis=(30, 0, 0), ratio=0.5, dxfattribs=ON_RIM)
    assert signed_area_mm2(read(tmp_path, document)) == pytest.approx(np.pi * 30 * 15, rel=1e-4)


def test_clockwise_curves_are_walked_backwards_from_the_same_first_point(tmp_path: Path) -> None:
    points = lifted(rounded(120, 80, 20))
    document, space = drawing(tmp_path)
    space.add_polyline3d(np.vstack([points[:1], points[:0:-1]]).tolist(), close=True, dxfattribs=ON_RIM)
    assert np.abs(read(tmp_path, document) - points).max() < 1e-9


def test_a_repeated_last_point_is_no_point(tmp_path: Path) -> None:
    points = lifted(rounded(120, 80, 20))
    assert len(closed_curve(np.vstack([points, points[:1]]), "rim")) == len(points)


def test_layer_names_know_no_capitals(tmp_path: Path) -> None:
    """DXF layer names are case-insensitive (DXF reference)."""
    document, space = drawing(tmp_path)
    space.add_circle((0, 0), radius=50, dxfattribs={"layer": "RIM"})
    assert len(read(tmp_path, document, "rim")) > 100


def test_open_outlines_are_refused(tmp_path: Path) -> None:
    points = lifted(rounded(120, 80, 20))
    document, space = drawing(tmp_path)
    space.add_polyline3d(points.tolist(), close=False, dxfattribs=ON_RIM)
    sentence = refused(read, tmp_path, document)
    assert sentence.startswith("a.dxf: layer rim is open: 20.10 mm lie between (60.00, -20.00) mm and (60.00, 0.00) mm")
    document, space = drawing(tmp_path)
    space.add_arc((0, 0), 30, 0, 180, dxfattribs=ON_RIM)
    space.add_line((-30, 0), (29.9, 0), dxfattribs=ON_RIM)
    assert "layer rim is open: 0.10 mm lie between (29.90, 0.00) mm and (30.00, 0.00) mm" in refused(
        read, tmp_path, document
    )


def test_two_curves_on_one_layer_are_refused(tmp_path: Path) -> None:
    document, space = drawing(tmp_path)
    space.add_circle((0, 0), radius=50, dxfattribs=ON_RIM)
    space.add_circle((0, 0), radius=20, dxfattribs=ON_RIM)
    assert refused(read, tmp_path, document) == (
        "a.dxf: layer rim holds more than one closed curve, must hold one: another is at (20.00, 0.00) mm"
    )


def test_a_curve_that_crosses_itself_says_where() -> None:
    """A figure of eight through (0, 0)."""
    t = 2 * np.pi * (np.arange(80) + 0.5) / 80
    eight = np.column_stack([30 * np.sin(t), 20 * np.sin(2 * t), np.zeros(80)])
    found = re.fullmatch(
        r"rim crosses or touches itself near \((\S+), (\S+)\) mm, must not", refused(closed_curve, eight, "rim")
    )
    assert found is not None
    assert [float(found[1]), float(found[2])] == pytest.approx([0.0, 0.0], abs=0.005)


def test_repeated_points_few_points_and_wrong_numbers() -> None:
    points = lifted(rounded(120, 80, 20))
    twice = np.insert(points, 5, points[4], axis=0)
    assert refused(closed_curve, twice, "rim").startswith("rim repeats a point: 5 and 6 lie together in plan at (")
    assert refused(closed_curve, points[::20][:7], "rim") == "rim has 7 points, must have at least 8"
    bad = points.copy()
    bad[3, 2] = np.nan
    assert "rim: point 4 is (" in refused(closed_curve, bad, "rim")
    bad[3, 2] = 1e300
    assert "must be within 10000 mm of 0" in refused(closed_curve, bad, "rim")
    assert refused(closed_curve, np.zeros((200_001, 3)), "rim") == "rim has 200001 points, must have at most 200000"


def test_what_is_not_a_curve_is_named(tmp_path: Path) -> None:
    document, space = drawing(tmp_path)
    space.add_circle((0, 0), radius=50, dxfattribs=ON_RIM)
    space.add_text("rim", dxfattribs=ON_RIM)
    assert "layer rim holds TEXT, must hold only LINE, ARC," in refused(read, tmp_path, document)
    document, space = drawing(tmp_path)
    space.add_circle((0, 0), radius=1e300, dxfattribs=ON_RIM)
    assert "holds a CIRCLE with the value 1e+300, must be at most 10000 mm" in refused(read, tmp_path, document)
    document, space = drawing(tmp_path)
    space.add_line((1, 1), (1, 1), dxfattribs=ON_RIM)
    assert refused(read, tmp_path, document) == "a.dxf: layer rim holds nothing but points, must hold a closed curve"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("1;2;3\n", "a.csv: line 1 holds ';', must be x,y,z with commas between and points as decimal marks"),
        ("x,y,z\n1,2\n", "a.csv: line 2 has 2 numbers, must have 3: x,y,z"),
        ("x,y,z\n1,2,3\n1,two,3\n", 'a.csv: line 3 is "1,two,3", must be three numbers x,y,z'),
        ("x,y,z\n1,2,3\n", "a.csv has 1 points, must have at least 8"),
        ("", "a.csv has 0 points, must have at least 8"),
        ("1,2,nan\n" * 9, "a.csv: point 1 is (1, 2, nan), must be three finite numbers of mm"),
        ("1,2,3\n" * 9, "a.csv repeats a point"),
    ],
)
def test_csv_mistakes(text: str, sentence: str) -> None:
    assert refused(csv_curve, text.encode(), "a.csv").startswith(sentence)


def test_an_open_csv_outline() -> None:
    arc = circle(0, 0, 50, 100)[:70]
    text = "# part of a circle\n" + "".join(f"{x},{y},0\n" for x, y in arc)
    assert refused(csv_curve, text.encode(), "a.csv").startswith("a.csv is open: 82.71 mm")  # chord 2 R sin(0.69 pi)


def test_face_curves_must_lie_inside_the_material() -> None:
    rim, inside, outside = (np.column_stack([circle(0, 0, radius), np.zeros(120)]) for radius in (50, 45, 55))
    assert np.abs(face_slope(rim, inside, is_hole=False, where="face")).max() == 0.0
    assert np.abs(face_slope(rim, outside, is_hole=True, where="face")).max() == 0.0
    assert refused(lambda: face_slope(rim, outside, is_hole=False, where="face")).startswith(
        "face runs -5.00 mm inside"
    )
    assert "must run 0.5 to 25 mm inside" in refused(lambda: face_slope(rim, rim * 0.4, is_hole=False, where="face"))


def test_the_slope_on_a_cylinder_is_its_chord_s_slope() -> None:
    """On z = sqrt(R² - y²) the chord over 5 mm and the tangent differ by half of 5 mm times the curvature, no more."""

    def on_cylinder(xy: Points) -> Points:
        return np.column_stack([xy, np.sqrt(300.0**2 - xy[:, 1] ** 2)])

    hole, around = on_cylinder(slot(0, 90, 30, 8, 20)), on_cylinder(slot(0, 90, 40, 18, 20))
    slope = face_slope(hole, around, is_hole=True, where="face")
    normals = -plan_normals(hole)[1]
    tangent_slope = -hole[:, 1] / hole[:, 2] * normals[:, 1]
    curvature = 300.0**2 / hole[:, 2] ** 3
    assert (np.abs(slope - tangent_slope) < 2.5 * curvature * normals[:, 1] ** 2 + 2e-3).all()
