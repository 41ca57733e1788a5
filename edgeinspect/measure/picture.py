"""Raw levels of a picture as fractions of full scale."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.ribbon import Levels

RawLevels = NDArray[np.uint8] | NDArray[np.uint16]


def as_levels(raw: RawLevels) -> Levels:
    """(H, W) float32, 0..1 of full scale: 255 of 8 bits, 4095 of 12 bits in 16, else 65535.

    Raises ValueError for anything else than a grey picture of 8 or 16 bits.
    """
    if raw.ndim != 2 or raw.dtype not in (np.uint8, np.uint16):
        raise ValueError(f"a picture must be (H, W) of 8 or 16 bits, got {raw.shape} {raw.dtype}")
    full = 255.0 if raw.dtype == np.uint8 else (4095.0 if int(raw.max(initial=0)) <= 4095 else 65535.0)
    return np.multiply(raw, np.float32(1.0 / full), dtype=np.float32)


def patch_level(picture: Levels, corners_mm: Array, model: CameraModel, pose: Pose) -> float:
    """Mean level over the inner part of a flat patch given by its corners (4, 3) in the fixture; nan when it is not
    in the picture.
    """
    u, v = np.meshgrid(np.linspace(0.2, 0.8, 24), np.linspace(0.2, 0.8, 12))
    u, v = u.reshape(-1, 1), v.reshape(-1, 1)
    top = corners_mm[0] * (1 - u) + corners_mm[1] * u
    bottom = corners_mm[3] * (1 - u) + corners_mm[2] * u
    pixels = model.project(top * (1 - v) + bottom * v, pose).astype(np.float32)
    border = cv2.BORDER_CONSTANT
    levels = cv2.remap(
        picture, pixels[:, :1], pixels[:, 1:], cv2.INTER_LINEAR, borderMode=border, borderValue=float("nan")
    )
    return float(np.mean(levels))
