"""The demo lid: its formulas against each other's textbook values, its files against its formulas."""

from __future__ import annotations

import tomllib
from pathlib import Path

import cv2
import ezdxf.filemanagement
import numpy as np
import pytest
import shapely
import trimesh
from scipy.spatial import cKDTree

from edgeinspect.simulate import badge, bench, mesh, toplid
from edgeinspect.simulate.model_files import FORMS, shell_toml, surface_stl
from edgeinspect.simulate.scene import CutShell
from edgeinspect.simulate.unrolled import unrolled

MODELS = Path(__file__).parents[2] / "models"


def test_rim_area_is_the_drawings() -> None:
    """Rounded rectangle, less four raised-cosine scallops (half of width x depth each), less the notch. Elementary
    geometry.
    """
    mouth, bottom = toplid.NOTCH_MOUTH_MM, toplid.NOTCH_BOTTOM_MM
    notch = 2 * toplid.NOTCH_HALF_MM * toplid.NOTCH_DEPTH_MM + 2 * (1 - np.pi / 4) * (mouth**2 - bottom**2)
    scallops = 4 * toplid.SCALLOP_WIDTH_MM * toplid.SCALLOP_DEPTH_MM / 2
    wanted = toplid.LENGTH_MM * toplid.WIDTH_MM - (4 - np.pi) * toplid.CORNER_MM**2 - scallops - notch
    assert shapely.Polygon(toplid.rim().xy_mm).area == pytest.approx(wanted, abs=0.1)  # chords of 0.4 um over 1.3 m


def test_rim_rises_and_falls_and_its_chords_are_fine() -> None:
    rim = toplid.rim()
    assert np.ptp(rim.points_mm[:, 2]) > 30.0
    middle = (rim.points_mm + np.roll(rim.points_mm, -1, axis=0)) / 2
    assert np.abs(toplid.surface_z(middle[:, 0], middle[:, 1]) - middle[:, 2]).max() < 1e-3


def test_zones_cover_the_rim_once() -> None:
    spans = toplid.zone_spans_mm()
    assert set(spans) == set(toplid.ZONE_WORDS)
    lengths = [(end - start) % toplid.rim().length_mm for start, end in spans.values()]
    assert sum(lengths) == pytest.approx(toplid.rim().length_mm, abs=1e-6)


def test_pip_walls_stand_at_sixty_degrees_on_the_sheet() -> None:
    angles = np.linspace(0, 2 * np.pi, 50)
    for place, centre in enumerate(toplid.pip_tops_mm()):
        radius = toplid.pip_base_radius_mm(place, angles)
        foot = toplid.surface_z(centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles))
        steepness = np.rad2deg(np.arctan2(centre[2] - foot, radius - toplid.PIP_DIAMETER_MM / 2))
        assert np.abs(steepness - 60.0).max() < 1e-6


def test_mesh_is_closed_and_holds_the_cut_curves() -> None:
    shell = CutShell()
    whole = mesh.shell_mesh(shell)
    rounded = np.round(whole.vertices, 6)
    arris = np.round(shell.lifted(shell.rim_xy()), 6)
    assert {tuple(p) for p in arris} <= {tuple(p) for p in rounded}
    corners = whole.vertices[whole.faces]
    volume = np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6  # divergence theorem
    area = shapely.Polygon(toplid.rim().xy_mm).area - sum(
        shapely.Polygon(c.xy_mm).area for c in toplid.cutouts().values()
    )
    assert toplid.SHEET_MM * area < volume < 1.2 * toplid.SHEET_MM * area  # a little more: the sheet is measured square


@pytest.mark.parametrize("name", list(FORMS))
def test_files_are_what_the_formulas_say(name: str) -> None:
    form, folder = FORMS[name], MODELS / name
    drawing = ezdxf.filemanagement.readfile(folder / "outline.dxf")
    curves = {p.dxf.layer: np.array([v.dxf.location.xyz for v in p.vertices]) for p in drawing.query("POLYLINE")}
    for curve in [form.rim(), *form.cutouts().values()]:
        assert np.abs(curves[curve.name] - curve.points_mm).max() < 1e-5
        inside = curves[f"{curve.name}_face"]
        distance = shapely.distance(shapely.points(inside[:, :2]), shapely.Polygon(curve.xy_mm).exterior)
        assert np.abs(distance - 5.0).max() < 0.01
    assert (folder / "shell.toml").read_text(encoding="utf-8") == shell_toml(form)
    assert tomllib.loads(shell_toml(form))["zone"][0]["words"].startswith("right ")
    for artwork in form.decal.artworks.values():
        read = cv2.imread(str(folder / f"{artwork}.png"), cv2.IMREAD_UNCHANGED)
        assert np.array_equal(read, badge.artwork_bgra(artwork))
        assert read.shape == (*(round(10 * side) for side in form.decal.size_mm[::-1]), 4)
    if form.decal.patch == "mesh":
        assert (folder / "surface.stl").read_bytes() == surface_stl(form)


def test_the_two_hands_are_mirror_images() -> None:
    """By their drawings."""
    plans = []
    for name, side in (("toplid_left", -1.0), ("toplid_right", 1.0)):
        drawing = ezdxf.filemanagement.readfile(MODELS / name / "outline.dxf")
        found = {}
        for line in drawing.query("POLYLINE"):
            if not line.dxf.layer.endswith("_face"):
                found[line.dxf.layer] = np.array([v.dxf.location.xyz for v in line.vertices]) * [side, 1.0, 1.0]
        plans.append(found)
    for curve, points in plans[0].items():
        hand = next((hand for hand in ("left", "right") if hand in curve), "")
        other = plans[1][curve.replace(hand, {"left": "right", "right": "left", "": ""}[hand])]
        away = shapely.distance(shapely.points(points[:, :2]), shapely.LinearRing(other[:, :2]))
        assert len(points) == len(other)
        assert away.max() < 5e-4, curve  # chords of up to 0.0004 mm stand between the points of a circle
        if curve == "rim":
            assert cKDTree(other).query(points)[0].max() < 2e-5  # point for point
    hands = [tomllib.loads((MODELS / f"toplid_{hand}/shell.toml").read_text()) for hand in ("left", "right")]
    words = [hand["cutout"][-1] for hand in hands]
    assert [w["words"] for w in words] == ["vent hole, front left", "vent hole, front right"]
    assert words[0]["centre_mm"] == [-words[1]["centre_mm"][0], words[1]["centre_mm"][1]]


def test_the_surface_of_the_hands_decal_is_the_sheet() -> None:
    """Read by trimesh. SOURCE: trimesh (trimesh.org), STL reader and nearest point on a mesh."""
    for name in ("toplid_left", "toplid_right"):
        mesh_read = trimesh.load(MODELS / name / "surface.stl")
        assert isinstance(mesh_read, trimesh.Trimesh)
        corners = np.asarray(mesh_read.vertices)
        assert np.abs(toplid.surface_z(corners[:, 0], corners[:, 1]) - corners[:, 2]).max() < 1e-4
        middles = np.asarray(mesh_read.triangles_center)
        assert np.abs(toplid.surface_z(middles[:, 0], middles[:, 1]) - middles[:, 2]).max() < 0.004
        assert (np.asarray(mesh_read.face_normals)[:, 2] > 0.8).all()


def test_unrolling_keeps_lengths() -> None:
    """The cylinder against its arc length; the doubly curved end against chords along the two sections."""
    flat = unrolled(toplid.LID)
    u, v = np.array([0.0, 30.0, -50.0]), np.array([20.0, -15.0, 10.0])
    points = flat.points(u, v)
    around = toplid.DECAL_V_MM + v
    assert np.abs(points[:, 0] - u).max() < 1e-6
    assert np.abs(points[:, 1] - toplid.RADIUS_MM * np.sin(around / toplid.RADIUS_MM)).max() < 1e-4
    end = unrolled(toplid.RIGHT)
    up = np.linspace(0.0, 18.0, 2001)
    along = np.linspace(0.0, 45.0, 2001)
    column = end.points(np.zeros_like(up), up)
    row = end.points(along, np.full_like(along, 18.0))
    for line, length in ((column, 18.0), (row, 45.0)):
        assert np.linalg.norm(np.diff(line, axis=0), axis=1).sum() == pytest.approx(length, abs=2e-4)
    up_axis = end.axes[1]
    assert np.ptp(row @ up_axis) < 1e-6  # the section lies square to up
    assert np.abs((column - end.origin) @ end.axes[0]).max() < 1e-3  # and the first one in the plane of normal and up


def test_station_file_holds_the_benchs_marks(sample_images: Path) -> None:
    station = tomllib.loads((sample_images / "station.toml").read_text(encoding="utf-8"))
    assert {m["id"]: (*m["centre_mm"][:2], m["side_mm"]) for m in station["mark"]} == bench.MARKS_MM
    seats = {seat["shell"]: seat["translation_mm"] for seat in station["seating"]}
    assert seats == {name: form.seating.translation_mm.tolist() for name, form in FORMS.items()}
    cameras = {name: (camera.width_px, camera.height_px) for name, camera in bench.cameras().items()}
    assert {c["name"]: (c["width_px"], c["height_px"]) for c in station["camera"]} == cameras
    assert station["board"]["board_z_mm"] == bench.BOARD_IN_FIXTURE.translation_mm[2]
