"""A lid and a station, made by hand: what the pages are tested with. Its inspections are in sample_inspections.py."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Pose, closed_arc_mm
from edgeinspect.measure.board import Board
from edgeinspect.measure.fixture import Fixture, Mark, Seating
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.station.config import CameraSetup, Folders, Intake, Station

Array = NDArray[np.float64]
WIDTH_PX, HEIGHT_PX, PX_PER_MM = 1600, 1200, 3.35

ZONES = [  # name, words, share of the rim from, to, limit
    ("right-end", "right end", 0.945, 0.055),
    ("rear-right-corner", "rear right corner", 0.055, 0.155),
    ("rear-right-scallop", "rear right scallop", 0.155, 0.245),
    ("rear-left-scallop", "rear left scallop", 0.245, 0.345),
    ("rear-left-corner", "rear left corner", 0.345, 0.445),
    ("left-end", "left end", 0.445, 0.555),
    ("front-left-corner", "front left corner", 0.555, 0.655),
    ("front-left-scallop", "front left scallop", 0.655, 0.755),
    ("front-right-scallop", "front right scallop", 0.755, 0.845),
    ("front-right-corner", "front right corner", 0.845, 0.945),
]


def height_mm(xy: Array) -> Array:
    droop = 0.00125 * np.maximum(np.abs(xy[:, 0]) - 120.0, 0.0) ** 2
    return np.asarray(np.sqrt(300.0**2 - xy[:, 1] ** 2) - 300.0 - droop)


def rim_xy() -> Array:
    """Rounded rectangle 400 x 300 with two scallops on each long side, counter-clockwise from the right end."""
    turn = np.radians(np.arange(0.0, 90.1, 2.0))
    quarter = 60.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    across = np.linspace(140.0, -140.0, 281)[1:-1]
    dip = sum(
        np.where(np.abs(across - c) < 30.0, 3.0 * (1 + np.cos(np.pi * (across - c) / 30.0)), 0.0) for c in (-80, 80)
    )
    rear = np.column_stack([across, 150.0 - dip])
    left = quarter @ np.array([[0, 1], [-1, 0]]) + np.array([-140, 90])
    parts = [np.array([[200.0, 0.0]]), quarter + np.array([140, 90]), rear, left]
    parts += [-parts[1], -rear, -parts[3]]
    xy = np.vstack(parts)
    keep = np.linalg.norm(np.diff(xy, axis=0, append=xy[:1]), axis=1) > 1e-6
    return xy[keep]


def circle_xy(x: float, y: float, radius: float) -> Array:
    angle = 2 * np.pi * np.arange(180) / 180
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def slot_xy(x: float, y: float, length: float, width: float) -> Array:
    turn = np.radians(np.arange(-90.0, 90.1, 5.0))
    end = width / 2 * np.column_stack([np.cos(turn), np.sin(turn)]) + [(length - width) / 2, 0]
    return np.vstack([end, -end]) + np.array([x, y])


def lifted(xy: Array) -> Array:
    return np.column_stack([xy, height_mm(xy)])


def write_lid(folder: Path) -> None:
    """models/toplid with outlines as CSV; the artwork is a chevron."""
    folder.mkdir(parents=True)
    rim = lifted(rim_xy())
    length = closed_arc_mm(rim)[1]
    curves = {
        "outline": rim,
        "lock_hole": lifted(circle_xy(0.0, -118.0, 12.0)),
        "hinge_left": lifted(slot_xy(-110.0, 118.0, 30.0, 8.0)),
        "hinge_right": lifted(slot_xy(110.0, 118.0, 30.0, 8.0)),
    }
    for name, points in curves.items():
        np.savetxt(folder / f"{name}.csv", points, fmt="%.5f", delimiter=",", header="x_mm,y_mm,z_mm", comments="")
    cv2.imwrite(str(folder / "badge.png"), badge(1100, 450))
    zones = "".join(
        f'[[zone]]\nname = "{name}"\nwords = "{words}"\nfrom_mm = {start * length:.3f}\nto_mm = {end * length:.3f}\n'
        "lower_mm = -0.5\nupper_mm = 0.5\n\n"
        for name, words, start, end in ZONES
    )
    slots = "".join(
        f'[[cutout]]\nname = "hinge-slot-{side}"\nwords = "hinge slot, rear {side}"\nkind = "slot"\n'
        f'curve = "hinge_{side}.csv"\n'
        f"centre_mm = [{x}, 118.0]\nlength_mm = 30.0\nwidth_mm = 8.0\nangle_deg = 0.0\nposition_limit_mm = 0.4\n"
        "size_lower_mm = -0.3\nsize_upper_mm = 0.3\n\n"
        for side, x in (("left", -110.0), ("right", 110.0))
    )
    (folder / "shell.toml").write_text(
        f"""format = 1
[shell]
name = "toplid"
title = "Top box lid"
revision = "A"
hand = "none"
colour = "orange"
sheet_mm = 3.0
arris = "show"
checks = ["trim", "decal"]
extent_mm = [400.0, 300.0]
datum = "pips"
[material]
name = "ABS"
expansion_per_k = 80e-6
u_expansion_per_k = 15e-6
[rim]
file = "outline.csv"
[path]
shift_limit_mm = 0.4
rotation_limit_deg = 0.15

{zones}
[[flaw]]
kind = "nick"
length_limit_mm = 0.6
depth_limit_mm = 0.3
[[pip]]
name = "pip-left"
centre_mm = [-165.0, 40.0, -2.5]
diameter_mm = 8.0
[[pip]]
name = "pip-right"
centre_mm = [165.0, 40.0, -2.5]
diameter_mm = 8.0
[[pip]]
name = "pip-front"
centre_mm = [0.0, -82.0, -8.4]
diameter_mm = 8.0
[[cutout]]
name = "lock-hole"
words = "lock hole, front middle"
kind = "hole"
curve = "lock_hole.csv"
centre_mm = [0.0, -118.0]
diameter_mm = 24.0
position_limit_mm = 0.4
size_lower_mm = -0.25
size_upper_mm = 0.25
{slots}
[[decal]]
name = "badge"
words = "badge on the lid"
variant = "standard"
artwork = "badge.png"
width_mm = 110.0
height_mm = 45.0
offset_limit_mm = 1.0
rotation_limit_deg = 0.8
patch = {{ kind = "flat", origin_mm = [0.0, -20.0, -0.67], x_axis = [1.0, 0.0, 0.0], normal = [0.0, 0.0, 1.0] }}
""",
        encoding="utf-8",
    )


def badge(width: int, height: int) -> NDArray[np.uint8]:
    art = np.full((height, width), 235, np.uint8)
    cv2.putText(art, "MOVO 48", (width // 12, height * 2 // 3), cv2.FONT_HERSHEY_DUPLEX, width / 260, 30, width // 90)
    for k in range(3):
        x = width * (80 + 5 * k) // 100
        corner = np.array([[x, height // 4], [x + height // 6, height // 2], [x, height * 3 // 4]])
        cv2.polylines(art, [corner], False, 60, width // 60)
    return art


def make_station(models: Path) -> Station:
    centres = [(-215, 160), (215, 160), (215, -160), (-215, -160), (0, 168), (227, 0), (0, -168), (-227, 0)]
    corner = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    marks = tuple(
        Mark(at, np.column_stack([np.array(centre) + (12.5 if at < 4 else 7.0) * corner, np.zeros(4)]))
        for at, centre in enumerate(centres)
    )
    patch = np.column_stack([np.array([110, 168]) + np.array([12, 6]) * corner, np.zeros(4)])
    return Station(
        name="trim-1",
        title="Trimming cell 1",
        cameras=(CameraSetup("top", WIDTH_PX, HEIGHT_PX, 8),),
        fixture=Fixture("DICT_4X4_50", marks, patch),
        board=Board("chessboard", 13, 9, 30.0, None, None),
        seatings={"toplid": Seating("toplid", Pose.identity(), 6.0, 3.0, 0.01)},
        temperature_range_c=(18.0, 26.0),
        intake=Intake(picture_limit_bytes=2_000_000, upload_limit_bytes=5_000_000),
        folders=Folders(models=models),
    )


def to_px(xy: Array) -> Array:
    return np.column_stack([803.0 + PX_PER_MM * xy[:, 0], 596.0 - PX_PER_MM * xy[:, 1]])


def read_lid(models: Path) -> ShellDefinition:
    return load_shell(models / "toplid")
