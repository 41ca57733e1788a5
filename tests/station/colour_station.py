"""A station with a colour camera beside the demo's camera: its files, and pictures by the fast renderer in red, green
and blue. What the colour camera sees of a colour is told by colour_pictures, which shares nothing with measuring.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path
from unittest import mock

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.simulate import badge, bench, fast
from edgeinspect.simulate.cases import natural_shell
from edgeinspect.simulate.light import exposed
from edgeinspect.simulate.scene import CutShell, Scene
from tests.measure.colour_pictures import CHART_LAB, SHEET_LAB, Setting

ROOT = Path(__file__).parents[2]
SETTING = Setting(110.0, 45.0)
INKS = {  # of the badge: its artwork's colours, and what they are when printed
    "#282c34": (18.0, 0.5, -3.0),
    "#f5f5f5": (93.0, 0.0, 2.0),
    "#f0aa28": (72.0, 24.0, 68.0),
    "#969696": (60.0, 0.0, 0.0),
}
WORDS = ("black", "white", "amber", "grey")
CAMERA = bench.top_camera()
DECAL = PlaneShift(0.3, -0.2, 0.15)
FACE_LAB = (75.0, 0.5, -1.0)  # of the sheet


def write_station(folder: Path, *, limit_de: float = 4.0) -> Path:
    """station.toml and models/toplid below a folder: a camera ``tint`` in colour, and a lid whose badge has inks."""
    models = folder / "models" / "toplid"
    shutil.copytree(ROOT / "models" / "toplid", models)
    text = (models / "shell.toml").read_text()
    inks = "\n".join(
        f'  {{ artwork = "{name}", lab = {list(lab)}, words = "{words}" }},'
        for (name, lab), words in zip(INKS.items(), WORDS, strict=True)
    )
    keys = f"colour_limit_de = {limit_de}\nink = [\n{inks}\n]\n"
    first = text.index("[[decal]]")
    at = text.index("patch = {", first)
    (models / "shell.toml").write_text(text[:at] + keys + text[at:])
    station = (ROOT / "sample_images" / "station.toml").read_text()
    camera = station[station.index("[[camera]]") : station.index('[[camera]]\nname = "rear"')]
    tint = camera.replace('"top"', '"tint"').rstrip() + "\ncolour = true\n\n"
    rear = station[station.index('[[camera]]\nname = "rear"') : station.index("[fixture]")]
    station = station.replace(rear, tint).replace('cameras = ["top"]', 'cameras = ["top", "tint"]', 1)
    seatings = station[station.index("[[seating]]") : station.index("[board]")]
    first_seating = re.split(r"(?=\[\[seating\]\])", seatings)[1]
    station = station.replace(seatings, first_seating).replace('"../models"', '"models"')
    path = folder / "station.toml"
    path.write_text(station)
    return path


def shell_of(number: int) -> CutShell:
    return replace(natural_shell(number), decal=DECAL)


def grey(shell: CutShell, number: int) -> NDArray[np.uint8]:
    return fast.render(Scene(CAMERA, shell, seed=number))


def tint(
    shell: CutShell | None,
    number: int,
    inks: dict[str, tuple[float, float, float]] | None = None,
    on_plate: list[tuple[Array, tuple[float, float, float]]] | None = None,
    lamp: tuple[float, float, float] = (1.0, 1.0, 1.0),
) -> NDArray[np.uint8]:
    """(H, W, 3): ``inks`` as printed (default: as they should be), ``on_plate`` corners (4, 3) [mm] with CIELAB."""
    printed = INKS | (inks or {})
    bgra = badge.artwork_bgra("badge")
    codes = bgra[..., 2].astype(int) << 16 | bgra[..., 1].astype(int) << 8 | bgra[..., 0].astype(int)
    values = np.array([[int(name[k : k + 2], 16) for k in (1, 3, 5)] for name in printed], dtype=float)
    rgb = np.stack([codes >> 16, codes >> 8 & 255, codes & 255], axis=-1).astype(float)
    nearest = np.argmin(((rgb[..., None, :] - values) ** 2).sum(axis=-1), axis=-1)
    reads = SETTING.seen(np.array(list(printed.values())))
    face = SETTING.seen(np.array(FACE_LAB))[0]
    channels = []
    for k in range(3):
        look = (fast.BRIGHTNESS["white"] * reads[:, k][nearest], bgra[..., 3] / 255.0)
        # White print and grey patch are as grey as they are; the sheet has a colour of its own.
        tones = fast.BRIGHTNESS | {"face": 0.85 * face[k], "pip_top": 0.85 * face[k]}
        with (
            mock.patch.object(badge, "reflectance", lambda _, look=look: look),
            mock.patch.dict(fast.BRIGHTNESS, tones),
        ):
            scene = Scene(CAMERA, shell, seed=3 * number + k + 1000)
            picture = fast.picture(scene) if on_plate is None else _plate(scene, on_plate, k)
        channels.append(exposed(scene, picture * lamp[k]))
    return np.dstack(channels)


def _plate(scene: Scene, things: list[tuple[Array, tuple[float, float, float]]], channel: int) -> Array:
    canvas = fast._Canvas(scene.camera)
    fast._paint_plate(canvas, scene.plate)
    for corners, lab in things:
        level = float(SETTING.seen(np.array(lab))[0, channel])
        canvas.paint(([canvas.to_fine(fast._line(corners))], 0.85 * level))
    return canvas.developed(scene.sensor.blur_px) / fast.BRIGHTNESS["white"]


def _square(x: float, y: float, half_x: float, half_y: float, z: float) -> Array:
    """Clockwise seen from above, as the renderer wants it."""
    ways = np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]])
    return np.column_stack([np.array([x, y]) + ways * [half_x, half_y], np.full(4, z)])


def chart_rows() -> list[tuple[str, float, float, float, tuple[float, float, float]]]:
    """Name, x, y, size [mm], CIELAB: four rows of six, over the place of the badge."""
    return [
        (f"{'ABCD'[k // 6]}{k % 6 + 1}", -50.0 + 20.0 * (k % 6), 5.0 - 20.0 * (k // 6), 17.0, tuple(map(float, lab)))
        for k, lab in enumerate(CHART_LAB)
    ]  # type: ignore[misc]


def write_chart(folder: Path) -> tuple[Path, Path, Path]:
    """Pictures of the chart and of the white sheet, and the chart's file."""
    things = [(_square(0, -25, 66, 50, 0.0), (30.0, 0.0, 0.0))]
    things += [(_square(x, y, size / 2, size / 2, 0.0), lab) for _, x, y, size, lab in chart_rows()]
    chart = save(folder / "chart.png", tint(None, 1, on_plate=things))
    sheet = save(folder / "sheet.png", tint(None, 2, on_plate=[(_square(0, -25, 100, 75, 30.0), SHEET_LAB)]))
    lines = [f"{name},{x},{y},{size},{lab[0]},{lab[1]:.4f},{lab[2]:.4f}" for name, x, y, size, lab in chart_rows()]
    file = folder / "chart.csv"
    file.write_text("\n".join(["name,x_mm,y_mm,size_mm,L,a,b", *lines]) + "\n")
    return chart, sheet, file


def save(path: Path, levels: NDArray[np.uint8]) -> Path:
    Image.fromarray(levels).save(path)
    return path


def write_board_pictures(folder: Path) -> Path:
    """The demo's board pictures as a colour camera would have taken them."""
    folder.mkdir()
    for path in sorted((ROOT / "sample_images" / "calibration").glob("*.webp")):
        with Image.open(path) as image:
            image.convert("RGB").save(folder / f"{path.stem}.png")
    return folder
