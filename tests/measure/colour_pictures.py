"""Decals, a colour chart and a white sheet drawn in red, green and blue by a hand that shares nothing with measuring.

A pinhole camera looks straight down. Colours are drawn in CIELAB of scikit-image, carried to XYZ by scikit-image, and
to the camera by a matrix of its own which the measuring code is never told; each colour's spectrum makes the camera see
it a little otherwise than the matrix says (metamerism). Light falls off across the picture, lenses blur, sensors are
noisy. All in mm of the artwork: origin at its centre, x in reading direction, y up.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage import color

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.colour_calibration import ChartPatch, ColourPicture
from edgeinspect.measure.picture import GreyPicture

from .decal_pictures import AWAY_MM, FULL_WELL, READ, SQUARELY, Surface

FINE = 3
# Of a silicon sensor behind a mosaic of filters, about: XYZ to red, green, blue; invented.
SENSES = np.array([[1.05, 0.38, -0.22], [-0.36, 1.22, 0.18], [0.02, -0.12, 0.98]])
SENSES = SENSES / (SENSES @ [0.9642, 1.0, 0.8252])[:, None]  # white balanced under D50
PATCH_MM = (
    0.0,
    14.0,
    5.0,
)  # of the grey patch: its middle above the artwork's upper edge is [1], width, height: see below
GREY_LAB = (62.0, 0.3, -0.4)
SHEET_LAB = (95.5, -0.4, 1.2)  # of the white sheet: paper is no perfect white
SHELL_LAB = (55.0, 1.0, -2.0)


def xyz_of(lab: Array, illuminant: str = "D50") -> Array:
    return np.asarray(color.lab2xyz(np.asarray(lab, dtype=np.float64).reshape(1, -1, 3), illuminant).reshape(-1, 3))


@dataclass(frozen=True)
class Setting:
    """A camera in its light: what stays the same from the calibration to every shell."""

    width_mm: float
    height_mm: float
    per_mm: float = 4.0
    blur_px: float = 0.8
    fall_off: float = 0.25  # of the light from end to end, in the direction below
    fall_deg: float = 20.0
    exposure: float = 0.85  # of full scale, of white in the middle
    bits: int = 8
    unlike: float = 0.012  # of a channel: how far a vivid colour's spectrum is seen off the matrix, a grey's 0.4 of it
    senses: Array = field(default_factory=lambda: SENSES)

    @property
    def size_px(self) -> tuple[int, int]:
        return round((self.width_mm + 14.0) * self.per_mm), round((self.height_mm + 34.0) * self.per_mm)

    @property
    def model(self) -> CameraModel:
        (columns, rows), focal = self.size_px, AWAY_MM * self.per_mm
        return CameraModel(columns, rows, focal, focal, (columns - 1) / 2, (rows - 1) / 2, np.zeros(5))

    @property
    def seen_blur_px(self) -> float:
        """With the pixel's own box, as marks would show it."""
        return float(np.hypot(self.blur_px, 12.0**-0.5))

    @property
    def grey_patch_mm(self) -> Array:
        """(4, 3) its corners, beside the decal."""
        y, width, height = self.height_mm / 2 + 10.0, PATCH_MM[1], PATCH_MM[2]
        x = np.array([-1, 1, 1, -1]) * width / 2
        return np.column_stack([x, y + np.array([1, 1, -1, -1]) * height / 2, np.zeros(4)])

    def seen(self, lab: Array) -> Array:
        """(N, 3) what the camera reads of colours (N, 3), white is about 1. Like colours are seen off alike: four waves
        over CIELAB, another four in every channel; invented.
        """
        colours = np.asarray(lab, dtype=np.float64).reshape(-1, 3)
        random = np.random.default_rng(int(1e6 * abs(self.senses[0, 0])))
        ways, phases = random.normal(0.0, 1 / 25.0, (3, 4, 3)), random.uniform(0, 2 * np.pi, (3, 4))
        waves = np.sin(np.einsum("cwi,ni->ncw", ways, colours) + phases).sum(axis=2) / np.sqrt(2.0)
        vivid = 0.4 + 0.6 * np.minimum(1.0, np.hypot(colours[:, 1], colours[:, 2]) / 30.0)
        read = xyz_of(colours) @ self.senses.T * (1.0 + self.unlike * vivid[:, None] * waves)
        return np.maximum(read, 0.0)


Look = Callable[[Array, Array], Array]  # (u, v) on the surface [mm] -> (..., 3) as the camera reads it


def picture(
    setting: Setting,
    look: Look,
    seed: int,
    *,
    surface: Surface | None = None,
    lamp: tuple[float, float, float] = (1.0, 1.0, 1.0),
    slope: float = 0.0,
    glare: tuple[float, float, float, float] | None = None,
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """(H, W, 3) levels. ``lamp`` - of its channels against the calibration; ``slope`` - of the light along the surface,
    beside the setting's own; ``glare`` - x, y, radius [mm] and how much light is added.
    """
    surface = surface or Surface()
    (columns, rows), focal = setting.size_px, AWAY_MM * setting.per_mm
    along = ((np.arange(columns * FINE) + 0.5) / FINE - 0.5 - (columns - 1) / 2) / focal
    down = ((np.arange(rows * FINE) + 0.5) / FINE - 0.5 - (rows - 1) / 2) / focal
    a, b = np.meshgrid(along.astype(np.float32), -down.astype(np.float32))  # 1e-4 mm
    depth = np.full(a.shape, AWAY_MM, dtype=np.float32)
    for _ in range(3 if surface.radius_u_mm or surface.radius_v_mm else 0):
        depth = AWAY_MM - surface.z(a * depth, b * depth)
    u, v = surface.along(a * depth, b * depth)
    light = look(u, v).astype(np.float32) * (1.0 + slope * u / setting.width_mm)[..., None].astype(np.float32)
    if glare is not None:
        away = np.hypot(u - glare[0], v - glare[1])
        light += (glare[3] * np.clip((glare[2] - away) + 0.5, 0, 1))[..., None].astype(np.float32)
    x0, y0, x1, y1 = (*setting.grey_patch_mm[3, :2], *setting.grey_patch_mm[1, :2])
    flat_x, flat_y = a * AWAY_MM, b * AWAY_MM
    grey = (flat_x > x0) & (flat_x < x1) & (flat_y > y0) & (flat_y < y1)
    light[grey] = setting.seen(np.array(GREY_LAB))[0]
    turn = np.deg2rad(setting.fall_deg)
    fall = 1.0 + setting.fall_off * (np.cos(turn) * flat_x + np.sin(turn) * flat_y) / (setting.width_mm + 14.0)
    light *= fall[..., None].astype(np.float32)
    blurred = cv2.GaussianBlur(light, (0, 0), setting.blur_px * FINE)
    level = cv2.resize(blurred, (columns, rows), interpolation=cv2.INTER_AREA) * (setting.exposure * np.array(lamp))
    noise = np.random.default_rng(seed).standard_normal(level.shape)
    level = level + noise * np.sqrt(np.maximum(level, 0) * FULL_WELL + READ**2) / FULL_WELL
    full = 2**setting.bits - 1
    return np.rint(np.clip(level, 0, 1) * full).astype(np.uint16 if setting.bits > 8 else np.uint8)


def placed(levels: NDArray[np.uint8] | NDArray[np.uint16], pose: Pose = SQUARELY) -> ColourPicture:
    """As the measuring code takes it."""
    red, green, blue = (GreyPicture(np.ascontiguousarray(levels[..., k])) for k in range(3))
    return ColourPicture((red, green, blue), pose)


# Twenty-four colours, invented: hues all round in two chromas, greys from white to black.
CHART_LAB = np.array(
    [[bright, c * np.cos(np.deg2rad(h)), c * np.sin(np.deg2rad(h))] for bright, c, h in
     [(52, 50, 15), (62, 48, 50), (72, 55, 80), (80, 60, 100), (62, 45, 135), (52, 38, 165),
      (55, 36, 200), (48, 34, 235), (38, 42, 270), (35, 40, 295), (42, 45, 325), (48, 50, 350),
      (70, 22, 30), (76, 20, 75), (72, 20, 120), (66, 20, 180), (58, 20, 240), (60, 20, 310)]]
    + [[95, 0, 1], [80, 0, 0], [65, 0.5, 0], [50, 0, 0.5], [36, 0, 0], [21, 0.3, -0.3]]
)  # fmt: skip


def chart(setting: Setting) -> list[ChartPatch]:
    """8 x 3 patches of 10 mm over the decal's place."""
    found = []
    for k, lab in enumerate(CHART_LAB):
        x, y = -42.0 + 12.0 * (k % 8), 12.0 - 12.0 * (k // 8)
        found.append(ChartPatch(f"{'ABC'[k // 8]}{k % 8 + 1}", np.array([x, y, 0.0]), 10.0, lab))
    return found


def chart_look(setting: Setting) -> Look:
    patches = chart(setting)
    reads = setting.seen(np.array([one.lab for one in patches]))
    card = setting.seen(np.array([30.0, 0.0, 0.0]))[0]

    def look(u: Array, v: Array) -> Array:
        light = np.broadcast_to(card, (*u.shape, 3)).copy()
        for one, read in zip(patches, reads, strict=True):
            x, y = one.centre_mm[:2]
            light[(np.abs(u - x) < one.size_mm / 2) & (np.abs(v - y) < one.size_mm / 2)] = read
        return light

    return look


def sheet_look(setting: Setting) -> Look:
    white = setting.seen(np.array(SHEET_LAB))[0]
    return lambda u, v: np.broadcast_to(white, (*u.shape, 3)).copy()


def decal_look(
    setting: Setting,
    label: NDArray[np.int8],
    inks_lab: Array,
    per_mm: float,
    values: tuple[float, float, float, float, float],
    region: tuple[float, float, float, float, Array] | None = None,
) -> Look:
    """A print: ``label`` (H, W) which ink, -1 none; inks_lab (N, 3) as they came out; ``values`` - dx, dy, degrees and
    stretches; ``region`` - x0, y0, x1, y1 on the artwork and CIELAB (N, 3) of the inks within.
    """
    reads = np.vstack([setting.seen(inks_lab), setting.seen(np.array(SHELL_LAB))])
    reads = reads.astype(np.float32)
    inside = reads if region is None else np.vstack([setting.seen(region[4]).astype(np.float32), reads[-1:]])

    def look(u: Array, v: Array) -> Array:
        dx, dy, degrees, along, up = values
        cos, sin = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
        x = (cos * (u - dx) + sin * (v - dy)) / (1 + along)
        y = (cos * (v - dy) - sin * (u - dx)) / (1 + up)
        column = np.floor(x * per_mm + label.shape[1] / 2).astype(np.int32)
        row = np.floor(label.shape[0] / 2 - y * per_mm).astype(np.int32)
        there = (column >= 0) & (column < label.shape[1]) & (row >= 0) & (row < label.shape[0])
        place = row.clip(0, label.shape[0] - 1) * label.shape[1] + column.clip(0, label.shape[1] - 1)
        which = np.where(there, np.take(label.ravel(), place), -1)
        light = np.take(reads, which, axis=0, mode="wrap")  # -1 is the shell
        if region is not None:
            here = (x > region[0]) & (x < region[2]) & (y > region[1]) & (y < region[3])
            light[here] = inside[which[here]]
        return np.asarray(light)

    return look
