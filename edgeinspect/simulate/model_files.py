"""Write models/ from the formulas: ``python -m edgeinspect.simulate.model_files [--out DIR]``. Drawing, artwork,
surface and shell.toml of every demo shell, each into its own folder.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import ezdxf.filemanagement
import ezdxf.units
import numpy as np
import shapely
from ezdxf import options as ezdxf_options  # type: ignore[attr-defined]

from edgeinspect.geometry import Array
from edgeinspect.simulate import badge, hatch, toplid, truth
from edgeinspect.simulate.form import PIP_DIAMETER_MM, CutOut, Form, TrimCurve
from edgeinspect.simulate.unrolled import heights

FORMS = {form.name: form for form in (toplid.LID, toplid.LEFT, toplid.RIGHT, hatch.HATCH)}
FACE_INSIDE_MM, FACE_STEP_MM = 5.0, 1.0
MESH_AROUND_MM, MESH_STEP_MM = 16.0, 1.75  # sag of a facet: 0.002 mm


def companion(curve: TrimCurve) -> Array:
    """The curve's companion (N, 3) on the show face, 5 mm inside the material, counter-clockwise, begun where the
    curve begins.
    """
    inside = (
        shapely.Polygon(curve.xy_mm).buffer(FACE_INSIDE_MM if curve.is_hole else -FACE_INSIDE_MM, quad_segs=64).exterior
    )
    count = int(np.ceil(inside.length / FACE_STEP_MM))
    xy = np.array([inside.interpolate(k / count, normalized=True).coords[0] for k in range(count)])
    if not inside.is_ccw:
        xy = xy[::-1]
    first = int(np.argmin(np.linalg.norm(xy - curve.xy_mm[0], axis=1)))
    return curve.sheet.on(np.roll(xy, -first, axis=0))


def write_outline(path: Path, form: Form) -> None:
    """DXF in mm, one layer a curve, each a closed 3-D polyline."""
    ezdxf_options.write_fixed_meta_data_for_testing = True  # the same drawing gives the same bytes
    drawing = ezdxf.filemanagement.new("R2000", units=ezdxf.units.MM)
    for curve in [form.rim(), *form.cutouts().values()]:
        for name, points in ((curve.name, curve.points_mm), (f"{curve.name}_face", companion(curve))):
            drawing.layers.add(name)
            drawing.modelspace().add_polyline3d(np.round(points, 5).tolist(), close=True, dxfattribs={"layer": name})
    drawing.saveas(path)


def surface_stl(form: Form) -> bytes:
    """The sheet around the decal as triangles: binary STL, mm, shell frame."""
    origin, normal = form.decal_frame()
    axes = np.array([form.decal_x_axis(), np.cross(normal, form.decal_x_axis()), normal])
    sides = [
        np.linspace(-half, half, 2 * int(np.ceil(half / MESH_STEP_MM)) + 1)
        for half in (side / 2 + MESH_AROUND_MM for side in form.decal.size_mm)
    ]
    w, t = np.meshgrid(*sides)
    points = origin + np.stack([w, t, heights(form, origin, axes, w, t)], axis=-1) @ axes
    a, b, c, d = points[:-1, :-1], points[:-1, 1:], points[1:, 1:], points[1:, :-1]
    corners = np.concatenate([np.stack([a, b, c], axis=2), np.stack([a, c, d], axis=2)]).reshape(-1, 3, 3)
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    facets = np.zeros(len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
    facets["normal"], facets["corners"] = across, corners
    head = b"sheet around the decal, mm, shell frame".ljust(80)
    return b"".join([head, len(corners).to_bytes(4, "little"), facets.tobytes()])


def _cutout(name: str, drawn: CutOut) -> str:
    x, y = drawn.centre_mm
    sizes = drawn.sizes_mm
    size = (
        f"diameter_mm = {sizes[0]}"
        if drawn.kind == "hole"
        else f"length_mm = {sizes[0]}\nwidth_mm = {sizes[1]}\nangle_deg = 0.0"
    )
    limit = truth.HOLE_SIZE_LIMIT_MM if drawn.kind == "hole" else truth.SLOT_SIZE_LIMIT_MM
    return f"""
[[cutout]]
name = "{name.replace("_", "-")}"
words = "{drawn.words}"
kind = "{drawn.kind}"
curve = "{name}"
face = "{name}_face"
centre_mm = [{x}, {y}]
{size}
position_limit_mm = {truth.HOLE_POSITION_LIMIT_MM}
size_lower_mm = -{limit}
size_upper_mm = {limit}
"""


def _zone(name: str, words: str, start: float, end: float) -> str:
    return f"""
[[zone]]
name = "{name}"
words = "{words}"
from_mm = {start:.2f}
to_mm = {end:.2f}
lower_mm = -{truth.ZONE_LIMIT_MM}
upper_mm = {truth.ZONE_LIMIT_MM}
"""


def _flaw(kind: str) -> str:
    return f"""
[[flaw]]
kind = "{kind}"
length_limit_mm = {truth.FLAW_LENGTH_LIMIT_MM}
depth_limit_mm = {truth.FLAW_DEPTH_LIMIT_MM}
"""


def _pip(name: str, top_mm: list[float]) -> str:
    x, y, z = top_mm
    return f"""
[[pip]]
name = "{name}"
centre_mm = [{x:.1f}, {y:.1f}, {z:.5f}]   # centre of the flat top
diameter_mm = {PIP_DIAMETER_MM}
"""


def _decal(form: Form, variant: str, artwork: str) -> str:
    place = form.decal
    return f"""
[[decal]]
name = "{place.name}"
words = "{place.words}"
variant = "{variant}"
artwork = "{artwork}.png"
width_mm = {place.size_mm[0]}
height_mm = {place.size_mm[1]}
offset_limit_mm = {place.offset_limit_mm}
rotation_limit_deg = {place.rotation_limit_deg}
patch = {{ {_patch(form)} }}
"""


def _patch(form: Form) -> str:
    origin, normal = form.decal_frame()
    x_axis = form.decal_x_axis()
    kind, more = form.decal.patch, ""
    if kind == "cylinder":
        more = f", radius_mm = {form.sheet.radius_mm}"
    elif kind == "mesh":
        more = ', file = "surface.stl"'
    axes = f"x_axis = {_row(x_axis, 12)}, normal = {_row(normal, 12)}"
    return f'kind = "{kind}", origin_mm = {_row(origin, 9)}, {axes}{more}'


def _row(values: Array, digits: int) -> str:
    """Numbers of a TOML array, whole ones short."""
    return "[" + ", ".join(f"{v:.1f}" if v == round(v, 1) else f"{v:.{digits}f}" for v in (values + 0.0).tolist()) + "]"


def shell_toml(form: Form) -> str:
    """The text of shell.toml."""
    zones = "".join(_zone(name, form.zone_words[name], *span) for name, span in form.zone_spans_mm().items())
    flaws = _flaw("nick") + _flaw("burr")
    pips = "".join(_pip(*pip) for pip in zip(form.pip_places_mm, form.pip_tops_mm().tolist(), strict=True))
    cutouts = "".join(_cutout(*item) for item in form.cut.items())
    decals = "".join(_decal(form, *item) for item in form.decal.artworks.items())
    return f"""# {form.title} (invented), written by edgeinspect.simulate.model_files; lengths in mm, angles in deg.
# Arc lengths run counter-clockwise seen from outside, from the first point of the rim curve.
format = 1

[shell]
name = "{form.name}"
title = "{form.title}"
revision = "A"
hand = "{form.hand}"
colour = "{form.colour}"
sheet_mm = {form.sheet.thickness_mm}
arris = "show"
checks = ["trim", "decal"]
extent_mm = [{form.extent_mm[0]}, {form.extent_mm[1]}]
filter_cutoff_mm = 2.5
step_mm = 0.5
datum = "{form.datum}"

[material]
name = "ABS"
expansion_per_k = 80e-6
u_expansion_per_k = 15e-6

[rim]
file = "outline.dxf"
curve = "rim"
face = "rim_face"

[path]
shift_limit_mm = {truth.PATH_SHIFT_LIMIT_MM}
rotation_limit_deg = {truth.PATH_ROTATION_LIMIT_DEG}
{zones}{flaws}{pips}{cutouts}{decals}"""


def write_model(folder: Path, form: Form) -> None:
    """All files of one shell's folder."""
    folder.mkdir(parents=True, exist_ok=True)
    write_outline(folder / "outline.dxf", form)
    for artwork in form.decal.artworks.values():
        content = cv2.imencode(".png", badge.artwork_bgra(artwork), [cv2.IMWRITE_PNG_COMPRESSION, 9])[1]
        (folder / f"{artwork}.png").write_bytes(content.tobytes())
    if form.decal.patch == "mesh":
        (folder / "surface.stl").write_bytes(surface_stl(form))
    (folder / "shell.toml").write_text(shell_toml(form), encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description="Write drawing, artwork, surface and shell.toml of the demo shells.")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parents[2] / "models")
    folder: Path = parser.parse_args().out
    for name, form in FORMS.items():
        write_model(folder / name, form)


if __name__ == "__main__":
    main()
