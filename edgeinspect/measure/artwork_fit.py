"""Fit a printed artwork to the picture along a surface.

The picture is sampled on a grid in the decal's own surface coordinates (through camera, pose and patch, so a curved
patch is no special case) and the artwork, blurred like the lens, is laid on it: coarsely by masked correlation, then
by Gauss-Newton with brightness gain and a light gradient.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.picture import GreyPicture, Levels
from edgeinspect.shell.definition import Artwork, Decal

REACH_MM = 15.0
REACH_DEG = 24.0
COARSE_MM = 1.0
COARSE_DEG = 3.0
SOLID = 0.98  # opacity after the blur: only there the print covers the sheet
LEAST_PIXELS = 50
LEAST_DIFFERENCE = 0.02  # of two artworks, as a share of the contrast: below it nobody can tell them apart


@dataclass(frozen=True)
class Unrolled:
    """The picture along the surface: levels at even spacing, u to the right and v up, origin in the middle."""

    levels: Levels
    spacing_mm: float


def unroll(picture: GreyPicture, decal: Decal, where: Pose, model: CameraModel, spacing_mm: float) -> Unrolled:
    half_u = decal.artwork.width_mm / 2 + REACH_MM + 5.0
    half_v = decal.artwork.height_mm / 2 + REACH_MM + 5.0
    u = np.arange(-round(half_u / spacing_mm), round(half_u / spacing_mm) + 1) * spacing_mm
    v = np.arange(round(half_v / spacing_mm), -round(half_v / spacing_mm) - 1, -1) * spacing_mm
    grid_u, grid_v = np.meshgrid(u, v)
    pixels = model.project(decal.patch.points(grid_u, grid_v).reshape(-1, 3), where)
    maps = [pixels[:, k].astype(np.float32).reshape(grid_u.shape) for k in range(2)]
    border = cv2.BORDER_CONSTANT
    levels = cv2.remap(picture.levels, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=border, borderValue=0.0)
    return Unrolled(np.asarray(levels, dtype=np.float32), spacing_mm)


@dataclass(frozen=True)
class Printed:
    """An artwork and its opacity (H, W) as blurred as the picture."""

    ink: Levels
    solid: Levels
    per_mm: float  # pixels

    def turned(self, upside_down: bool, mirrored: bool) -> Printed:
        rows, columns = (-1 if upside_down else 1), (-1 if upside_down != mirrored else 1)
        return Printed(self.ink[::rows, ::columns], self.solid[::rows, ::columns], self.per_mm)

    def place(self, u_mm: Levels, v_mm: Levels) -> tuple[Levels, Levels]:
        """Column and row of places on the artwork, u and v from its middle."""
        half_u, half_v = (self.ink.shape[1] - 1) / 2, (self.ink.shape[0] - 1) / 2
        per_mm = np.float32(self.per_mm)
        return u_mm * per_mm + np.float32(half_u), np.float32(half_v) - v_mm * per_mm


def printed(art: Artwork, blur_mm: float) -> Printed:
    per_mm = art.grey.shape[1] / art.width_mm
    pad = int(np.ceil(4 * blur_mm * per_mm)) + 1
    grey = np.pad(art.grey.astype(np.float32), pad, mode="edge")
    opacity = np.pad(art.opacity.astype(np.float32), pad)
    sigma = max(blur_mm * per_mm, 0.3)
    solid = cv2.GaussianBlur(opacity, (0, 0), sigma)
    ink = cv2.GaussianBlur(grey * opacity, (0, 0), sigma)
    return Printed(np.asarray(ink, dtype=np.float32), np.asarray(solid, dtype=np.float32), per_mm)


def _at_spacing(art: Artwork, spacing_mm: float) -> tuple[Levels, Levels]:
    size = (round(art.width_mm / spacing_mm), round(art.height_mm / spacing_mm))
    grey = cv2.resize(art.grey.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    opacity = cv2.resize(art.opacity.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(grey, dtype=np.float32), np.asarray(opacity, dtype=np.float32)


def find_roughly(view: Unrolled, art: Artwork) -> tuple[float, float, float, float]:
    """Rotation [deg], dx, dy [mm] and correlation of the best place, by masked correlation at COARSE_MM."""
    factor = view.spacing_mm / COARSE_MM
    small = cv2.resize(view.levels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    grey, opacity = _at_spacing(art, COARSE_MM)
    best = (0.0, 0.0, 0.0, -1.0)
    side = int(np.ceil(np.hypot(*grey.shape))) | 1
    for turn in np.arange(-REACH_DEG, REACH_DEG + 0.1, COARSE_DEG):
        height, width = grey.shape
        matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), float(turn), 1.0)
        rows = int(np.ceil(height * np.cos(np.deg2rad(turn)) + width * abs(np.sin(np.deg2rad(turn)))))
        size = (min(side, width + 8) | 1, min(side, max(rows, height)) | 1)
        matrix[:, 2] += ((size[0] - width) / 2, (size[1] - height) / 2)
        template = cv2.warpAffine(grey, matrix, size)
        mask = (cv2.warpAffine(opacity, matrix, size) > 0.5).astype(np.float32)
        if size[0] > small.shape[1] or size[1] > small.shape[0] or mask.sum() < 20:
            continue
        score = np.nan_to_num(cv2.matchTemplate(small, template, cv2.TM_CCOEFF_NORMED, mask=mask), posinf=-1, neginf=-1)
        row, column = np.unravel_index(int(score.argmax()), score.shape)
        if 1.01 >= score[row, column] > best[3]:
            x = column + (size[0] - 1) / 2 - (small.shape[1] - 1) / 2
            y = (small.shape[0] - 1) / 2 - row - (size[1] - 1) / 2
            best = (float(turn), x * COARSE_MM, y * COARSE_MM, float(score[row, column]))
    return best


def fit(view: Unrolled, art: Printed, start: Array, blur_mm: float) -> tuple[Array, Array, float]:
    """dx, dy [mm], rotation [rad], covariance and correlation by Gauss-Newton over the artwork's solid part."""
    ink, solid, per_mm = art.ink, art.solid, art.per_mm
    ink_x, ink_y = cv2.Sobel(ink, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(ink, cv2.CV_32F, 0, 1, scale=0.125)
    values = start.copy()
    covariance, correlation = np.full((3, 3), np.nan), 0.0
    for _ in range(12):
        cos, sin = np.float32(np.cos(values[2])), np.float32(np.sin(values[2]))
        art_u, art_v = _on_artwork(view, values)
        map_x, map_y = art.place(art_u, art_v)
        cover = cv2.remap(solid, map_x, map_y, cv2.INTER_LINEAR)
        inside = cover > SOLID
        if inside.sum() < LEAST_PIXELS:
            return np.full(3, np.nan), covariance, 0.0
        pick = np.nonzero(inside)
        model, gx, gy = (cv2.remap(a, map_x, map_y, cv2.INTER_LINEAR)[pick] for a in (ink, ink_x, ink_y))
        level = view.levels[pick]
        au, av = art_u[pick], art_v[pick]
        light = np.column_stack([np.ones_like(au), au / 50.0, av / 50.0])
        columns_of = np.column_stack([light, light * model[:, None]])
        coefficient, *_ = np.linalg.lstsq(columns_of, level, rcond=None)
        residual = level - columns_of @ coefficient
        gain = light @ coefficient[3:]
        # How the artwork under a fixed place changes when the decal moves by (dx, dy, rotation).
        du, dv = gx * np.float32(per_mm), -gy * np.float32(per_mm)
        move = (
            np.column_stack(
                [
                    -(du * cos - dv * sin),
                    -(du * sin + dv * cos),
                    du * av - dv * au,
                ]
            )
            * gain[:, None]
        )
        jacobian = np.column_stack([columns_of, move]).astype(np.float64)
        spread = 1.4826 * float(np.median(np.abs(residual))) + 1e-6
        weight = 1.0 / np.maximum(1.0, np.abs(residual) / (2.0 * spread))
        weighted = jacobian * weight[:, None]
        normal = weighted.T @ jacobian
        change = np.linalg.solve(normal + 1e-12 * np.eye(len(normal)), weighted.T @ residual)[6:]
        values = values + np.clip(change, -1.0, 1.0)
        # Residuals are correlated over the blur (texture, printing): count one value for each blur patch.
        patch = max(1.0, 4.0 * np.pi * (blur_mm / view.spacing_mm) ** 2)
        noise = float(np.sqrt((weight * residual**2).sum() / weight.sum()))
        covariance = np.linalg.inv(normal)[6:, 6:] * noise**2 * patch
        total = float(((level - level.mean()) ** 2).sum())
        correlation = float(np.sqrt(max(0.0, 1.0 - float((residual.astype(np.float64) ** 2).sum()) / max(total, 1e-9))))
        if np.abs(change).max() < 1e-5:
            break
    return values, covariance, correlation


def share_of_other(view: Unrolled, art: Printed, other: Printed, values: Array) -> float:
    """How much of the difference between two artworks the picture holds where the first was fitted: 0 when it is the
    first, 1 when it is the other; nan where they do not differ.

    Near variants correlate alike with the picture, but not with what they differ in. ``values`` - place of the first.
    """
    u, v = (part[::3, ::3] for part in _on_artwork(view, values))  # a ninth of all is plenty
    here, there = art.place(u, v), other.place(u, v)
    inside = cv2.remap(art.solid, *here, cv2.INTER_LINEAR) > SOLID
    inside &= cv2.remap(other.solid, *there, cv2.INTER_LINEAR) > SOLID
    pick = np.nonzero(inside)
    if len(pick[0]) < LEAST_PIXELS:
        return float("nan")
    model, instead = (
        cv2.remap(art.ink, *here, cv2.INTER_LINEAR)[pick],
        cv2.remap(other.ink, *there, cv2.INTER_LINEAR)[pick],
    )
    difference = instead - model
    if difference.std() < LEAST_DIFFERENCE * model.std():
        return float("nan")
    light = np.column_stack([np.ones_like(model), u[pick] / 50.0, v[pick] / 50.0])
    level = view.levels[::3, ::3][pick]
    weight, gain = np.ones_like(level), np.full_like(level, float(level.std() / model.std()))
    for _ in range(4):  # glare and dirt have no say; the difference shows as strongly as the print does there
        columns = np.column_stack([light, light * model[:, None], gain * difference])
        solution, *_ = np.linalg.lstsq(columns * weight[:, None], level * weight, rcond=None)
        off = np.abs(level - columns @ solution)
        weight = np.sqrt(1.0 / np.maximum(1.0, off / (3.0 * float(np.median(off)) + 1e-6)))
        share, gain = float(solution[6]), light @ solution[3:6]
        if gain.mean() <= 0:
            return float("nan")
    return share


def _on_artwork(view: Unrolled, values: Array) -> tuple[Levels, Levels]:
    """(u, v) (H, W) [mm] on an artwork laid at ``values`` of every place of the picture along the surface."""
    height, width = view.levels.shape
    columns, rows = np.meshgrid(np.arange(width), np.arange(height))
    across = ((columns - (width - 1) / 2) * view.spacing_mm - values[0]).astype(np.float32)
    up = (((height - 1) / 2 - rows) * view.spacing_mm - values[1]).astype(np.float32)
    cos, sin = np.float32(np.cos(values[2])), np.float32(np.sin(values[2]))
    return cos * across + sin * up, -sin * across + cos * up
