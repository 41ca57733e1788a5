"""A small flat-ish definition, written to a folder, with one thing changed per test."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import ezdxf
import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]

LENGTH_MM, WIDTH_MM, CORNER_MM = 120.0, 80.0, 20.0
SLOPE_X, SLOPE_Y = 0.2, -0.1  # the show face is the plane z = 0.2 x - 0.1 y
RIM_LENGTH_MM = 2 * (80 + 40) + 2 * np.pi * 20  # in plan

TOML = """\
format = 1

[shell]
name = "small"
title = "Small shell"
revision = "A"
hand = "none"
colour = "grey"
sheet_mm = 3.0
arris = "show"
checks = ["trim", "decal"]
extent_mm = [120.0, 80.0]
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
shift_limit_mm = 0.4
rotation_limit_deg = 0.15

[[zone]]
name = "right"
words = "right half"
from_mm = 300.0
to_mm = 180.0
lower_mm = -0.5
upper_mm = 0.5

[[zone]]
name = "left"
words = "left half"
from_mm = 180.0
to_mm = 300.0
lower_mm = -0.4
upper_mm = 0.6
frame = "fixture"
guard_factor = 2.0

[[pip]]
name = "pip-1"
centre_mm = [-40.0, 20.0, -7.0]
diameter_mm = 8.0

[[pip]]
name = "pip-2"
centre_mm = [40.0, 20.0, 9.0]
diameter_mm = 8.0

[[pip]]
name = "pip-3"
centre_mm = [0.0, -25.0, 5.5]
diameter_mm = 8.0

[[cutout]]
name = "lock"
words = "lock hole"
kind = "hole"
curve = "lock"
face = "lock_face"
centre_mm = [30.0, -10.0]
diameter_mm = 16.0
position_limit_mm = 0.4
size_lower_mm = -0.25
size_upper_mm = 0.25

[[cutout]]
name = "slot"
words = "hinge slot"
kind = "slot"
curve = "slot"
centre_mm = [-30.0, -10.0]
length_mm = 20.0
width_mm = 6.0
angle_deg = 30.0
position_limit_mm = 0.4
size_lower_mm = -0.3
size_upper_mm = 0.3

[[decal]]
name = "badge"
words = "badge on the lid"
variant = "standard"
artwork = "badge.png"
width_mm = 30.0
height_mm = 12.0
offset_limit_mm = 1.0
rotation_limit_deg = 0.8
patch = { kind = "flat", origin_mm = [0.0, 10.0, 0.0], x_axis = [1.0, 0.0, 0.0], normal = [0.0, 0.0, 1.0] }
"""


def lifted(xy: Points) -> Points:
    return np.column_stack([xy, SLOPE_X * xy[:, 0] + SLOPE_Y * xy[:, 1]])


def circle(x: float, y: float, radius: float, count: int = 120) -> Points:
    angle = 2 * np.pi * np.arange(count) / count
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def rounded(length: float, width: float, corner: float) -> Points:
    """Rounded rectangle, counter-clockwise from the middle of the right end."""
    turn = np.radians(np.arange(0.0, 90.1, 3.0))
    quarter = corner * np.column_stack([np.cos(turn), np.sin(turn)])
    hx, hy = length / 2 - corner, width / 2 - corner
    parts = [np.array([[length / 2, 0.0]])]
    for quadrant, (cx, cy) in enumerate([(hx, hy), (-hx, hy), (-hx, -hy), (hx, -hy)]):
        c, s = np.cos(quadrant * np.pi / 2), np.sin(quadrant * np.pi / 2)
        parts.append(quarter @ np.array([[c, s], [-s, c]]) + [cx, cy])
    return np.vstack(parts)


def slot(x: float, y: float, length: float, width: float, angle_deg: float) -> Points:
    half = (length - width) / 2
    turn = np.radians(np.arange(-90.0, 90.1, 5.0))
    end = width / 2 * np.column_stack([np.cos(turn), np.sin(turn)])
    flat = np.vstack([end + np.array([half, 0.0]), -end - np.array([half, 0.0])])
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return flat @ np.array([[c, s], [-s, c]]) + [x, y]


def curves() -> dict[str, Points]:
    return {
        "rim": lifted(rounded(LENGTH_MM, WIDTH_MM, CORNER_MM)),
        "rim_face": lifted(rounded(LENGTH_MM - 10, WIDTH_MM - 10, CORNER_MM - 5)),
        "lock": lifted(circle(30, -10, 8)),
        "lock_face": lifted(circle(30, -10, 13)),
        "slot": lifted(slot(-30, -10, 20, 6, 30)),
    }


def write_dxf(path: Path, layers: dict[str, Points], units: int = 4, close: bool = True) -> None:
    document = ezdxf.new("R2010", units=units)
    space = document.modelspace()
    for layer, points in layers.items():
        space.add_polyline3d([tuple(point) for point in points], close=close, dxfattribs={"layer": layer})
    document.saveas(path)


def badge(width_px: int = 300, height_px: int = 120) -> NDArray[np.uint8]:
    """Blue, green, red, opacity: dark bars on white, clear on the left."""
    picture = np.full((height_px, width_px, 4), 255, dtype=np.uint8)
    picture[height_px // 4 : height_px // 2, width_px // 2 :, :3] = 30
    picture[:, : width_px // 4, 3] = 0
    return picture


def write_shell(
    folder: Path,
    toml: str = TOML,
    layers: dict[str, Points] | None = None,
    units: int = 4,
    picture: NDArray[np.uint8] | None = None,
    change: Callable[[str], str] | None = None,
) -> Path:
    """The definition "small" inside ``folder``; returns its own folder."""
    home = folder / "small"
    home.mkdir(exist_ok=True)
    (home / "shell.toml").write_text(change(toml) if change else toml, encoding="utf-8")
    write_dxf(home / "outline.dxf", curves() if layers is None else layers, units)
    done, encoded = cv2.imencode(".png", badge() if picture is None else picture)
    assert done
    (home / "badge.png").write_bytes(encoded.tobytes())
    return home
