"""Write models/toplid: ``python -m edgeinspect.simulate.toplid_files [--out DIR]``. The demo lid's drawing, artwork
and shell.toml, from its formulas.
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
from edgeinspect.simulate import badge, toplid, truth
from edgeinspect.simulate.toplid import TrimCurve

FACE_INSIDE_MM, FACE_STEP_MM = 5.0, 1.0


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
    return toplid.on_surface(np.roll(xy, -first, axis=0))


def write_outline(path: Path) -> None:
    """DXF in mm, one layer a curve, each a closed 3-D polyline."""
    ezdxf_options.write_fixed_meta_data_for_testing = True  # the same drawing gives the same bytes
    drawing = ezdxf.filemanagement.new("R2000", units=ezdxf.units.MM)
    for curve in [toplid.rim(), *toplid.cutouts().values()]:
        for name, points in ((curve.name, curve.points_mm), (f"{curve.name}_face", companion(curve))):
            drawing.layers.add(name)
            drawing.modelspace().add_polyline3d(np.round(points, 5).tolist(), close=True, dxfattribs={"layer": name})
    drawing.saveas(path)


def _cutout(name: str, words: str, kind: str) -> str:
    x, y = toplid.cutout_centre_mm(name)
    sizes = toplid.cutout_sizes_mm(name)
    size = (
        f"diameter_mm = {sizes[0]}"
        if kind == "hole"
        else f"length_mm = {sizes[0]}\nwidth_mm = {sizes[1]}\nangle_deg = 0.0"
    )
    limit = truth.HOLE_SIZE_LIMIT_MM if kind == "hole" else truth.SLOT_SIZE_LIMIT_MM
    return f"""
[[cutout]]
name = "{name.replace("_", "-")}"
words = "{words}"
kind = "{kind}"
curve = "{name}"
face = "{name}_face"
centre_mm = [{x}, {y}]
{size}
position_limit_mm = {truth.HOLE_POSITION_LIMIT_MM}
size_lower_mm = -{limit}
size_upper_mm = {limit}
"""


def shell_toml() -> str:
    """The text of shell.toml."""
    zones = "".join(
        f"""
[[zone]]
name = "{name}"
words = "{toplid.ZONE_WORDS[name]}"
from_mm = {start:.2f}
to_mm = {end:.2f}
lower_mm = -{truth.ZONE_LIMIT_MM}
upper_mm = {truth.ZONE_LIMIT_MM}
"""
        for name, (start, end) in toplid.zone_spans_mm().items()
    )
    pips = "".join(
        f"""
[[pip]]
name = "{name}"
centre_mm = [{x:.1f}, {y:.1f}, {z:.5f}]   # centre of the flat top
diameter_mm = {toplid.PIP_DIAMETER_MM}
"""
        for name, (x, y, z) in zip(("pip-left", "pip-right", "pip-front"), toplid.pip_tops_mm().tolist(), strict=True)
    )
    origin, normal = toplid.decal_frame()
    return f"""# The demo lid (invented), written by edgeinspect.simulate.toplid_files; lengths in mm, angles in deg.
# Arc lengths run counter-clockwise seen from outside, from the first point of the rim curve.
format = 1

[shell]
name = "toplid"
title = "Top box lid"
revision = "A"
hand = "none"
colour = "orange"
sheet_mm = {toplid.SHEET_MM}
arris = "show"
checks = ["trim", "decal"]
extent_mm = [{toplid.LENGTH_MM}, {toplid.WIDTH_MM}]
filter_cutoff_mm = 2.5
step_mm = 0.5
datum = "pips"

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
{zones}
[[flaw]]
kind = "nick"
length_limit_mm = 0.6
depth_limit_mm = 0.3

[[flaw]]
kind = "burr"
length_limit_mm = 0.6
depth_limit_mm = 0.3
{pips}{_cutout("lock_hole", "lock hole, front middle", "hole")}{
        _cutout("hinge_slot_left", "hinge slot, rear left", "slot")
    }{_cutout("hinge_slot_right", "hinge slot, rear right", "slot")}
[[decal]]
name = "badge"
words = "badge on the lid"
variant = "standard"
artwork = "badge.png"
width_mm = {toplid.DECAL_SIZE_MM[0]}
height_mm = {toplid.DECAL_SIZE_MM[1]}
offset_limit_mm = {truth.DECAL_OFFSET_LIMIT_MM}
rotation_limit_deg = {truth.DECAL_ROTATION_LIMIT_DEG}
patch = {{ kind = "cylinder", origin_mm = [{origin[0]:.1f}, {origin[1]:.9f}, {
        origin[2]:.9f}], x_axis = [1.0, 0.0, 0.0], normal = [{normal[0]:.1f}, {normal[1]:.12f}, {
        normal[2]:.12f}], radius_mm = {toplid.RADIUS_MM} }}
"""


def main() -> None:
    parser = argparse.ArgumentParser(description="Write the demo lid's drawing, artwork and shell.toml.")
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parents[2] / "models" / "toplid")
    folder: Path = parser.parse_args().out
    folder.mkdir(parents=True, exist_ok=True)
    write_outline(folder / "outline.dxf")
    (folder / "badge.png").write_bytes(
        cv2.imencode(".png", badge.badge_bgra(), [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes()
    )
    (folder / "shell.toml").write_text(shell_toml(), encoding="utf-8")


if __name__ == "__main__":
    main()
