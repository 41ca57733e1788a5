"""The demo lid: its formulas against each other's textbook values, its files against its formulas."""

from __future__ import annotations

import tomllib
from pathlib import Path

import ezdxf.filemanagement
import numpy as np
import pytest
import shapely

from edgeinspect.simulate import badge, bench, mesh, toplid
from edgeinspect.simulate.scene import CutShell
from edgeinspect.simulate.toplid_files import shell_toml

MODEL = Path(__file__).parents[2] / "models" / "toplid"


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


def test_files_are_what_the_formulas_say() -> None:
    drawing = ezdxf.filemanagement.readfile(MODEL / "outline.dxf")
    curves = {p.dxf.layer: np.array([v.dxf.location.xyz for v in p.vertices]) for p in drawing.query("POLYLINE")}
    for curve in [toplid.rim(), *toplid.cutouts().values()]:
        assert np.abs(curves[curve.name] - curve.points_mm).max() < 1e-5
        inside = curves[f"{curve.name}_face"]
        distance = shapely.distance(shapely.points(inside[:, :2]), shapely.Polygon(curve.xy_mm).exterior)
        assert np.abs(distance - 5.0).max() < 0.01
    assert (MODEL / "shell.toml").read_text(encoding="utf-8") == shell_toml()
    assert tomllib.loads(shell_toml())["zone"][0]["words"] == "right end"
    assert badge.badge_bgra().shape == (450, 1100, 4)


def test_station_file_holds_the_benchs_marks(sample_images: Path) -> None:
    station = tomllib.loads((sample_images / "station.toml").read_text(encoding="utf-8"))
    assert {m["id"]: (*m["centre_mm"][:2], m["side_mm"]) for m in station["mark"]} == bench.MARKS_MM
    assert station["seating"][0]["translation_mm"] == bench.NOMINAL_SEATING.translation_mm.tolist()
    assert station["board"]["board_z_mm"] == bench.BOARD_IN_FIXTURE.translation_mm[2]
