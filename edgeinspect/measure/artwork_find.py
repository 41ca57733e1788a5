"""Where an artwork lies roughly, by masked correlation in the picture along the surface."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.picture import GreyPicture, Levels
from edgeinspect.shell.definition import Artwork, Decal

REACH_MM = 15.0
NEAR_DEG, NEAR_STEP_DEG = 24.0, 3.0  # where a decal lies that is laid about right
WIDE_DEG, WIDE_STEP_DEG = 93.0, 6.0  # with upside down every rotation there is
FINEST_MM = 0.25  # between samples
COARSE_MM = 1.0


@dataclass(frozen=True)
class Unrolled:
    """The picture along the surface: levels at even spacing, u to the right and v up, origin in the middle."""

    levels: Levels
    spacing_mm: float


def unroll(
    picture: GreyPicture, decal: Decal, where: Pose, model: CameraModel, spacing_mm: float, half_mm: tuple[float, float]
) -> Unrolled:
    """Around the decal's place, this far to either side along u and v."""
    half_u, half_v = half_mm
    u = np.arange(-round(half_u / spacing_mm), round(half_u / spacing_mm) + 1) * spacing_mm
    v = np.arange(round(half_v / spacing_mm), -round(half_v / spacing_mm) - 1, -1) * spacing_mm
    grid_u, grid_v = np.meshgrid(u, v)
    pixels = model.project(decal.patch.points(grid_u, grid_v).reshape(-1, 3), where)
    size = np.array(picture.raw.shape[::-1])
    first = np.clip(np.floor(np.nanmin(pixels, axis=0)).astype(int) - 1, 0, size)
    last = np.clip(np.ceil(np.nanmax(pixels, axis=0)).astype(int) + 2, 0, size)
    part = picture.raw[first[1] : last[1], first[0] : last[0]].astype(np.float32) * np.float32(picture.scale)
    if not part.size:
        return Unrolled(np.zeros(grid_u.shape, np.float32), spacing_mm)
    maps = [(pixels[:, k] - first[k]).astype(np.float32).reshape(grid_u.shape) for k in range(2)]
    border = cv2.BORDER_CONSTANT
    levels = cv2.remap(part, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=border, borderValue=0.0)
    return Unrolled(np.asarray(levels, dtype=np.float32), spacing_mm)


def _at_spacing(art: Artwork, spacing_mm: float) -> tuple[Levels, Levels]:
    size = (round(art.width_mm / spacing_mm), round(art.height_mm / spacing_mm))
    grey = cv2.resize(art.grey.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    opacity = cv2.resize(art.opacity.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(grey, dtype=np.float32), np.asarray(opacity, dtype=np.float32)


def find_roughly(view: Unrolled, art: Artwork, turns_deg: Array) -> tuple[float, float, float, float]:
    """Rotation [deg], dx, dy [mm] and correlation of the best place, by masked correlation at COARSE_MM; the artwork is
    tried at all of ``turns_deg``.
    """
    factor = view.spacing_mm / COARSE_MM
    small = cv2.resize(view.levels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    grey, opacity = _at_spacing(art, COARSE_MM)
    best = (0.0, 0.0, 0.0, -1.0)
    for turn in turns_deg:
        height, width = grey.shape
        matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), float(turn), 1.0)
        cos, sin = abs(np.cos(np.deg2rad(turn))), abs(np.sin(np.deg2rad(turn)))
        size = (int(np.ceil(width * cos + height * sin)) | 1, int(np.ceil(height * cos + width * sin)) | 1)
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


def turns(reach_deg: float, step_deg: float) -> Array:
    count = round(reach_deg / step_deg)
    return np.arange(-count, count + 1) * step_deg
