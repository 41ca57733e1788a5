"""Raw levels of a picture, read as fractions of full scale."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import camera_kernels
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.response import Response

RawLevels = NDArray[np.uint8] | NDArray[np.uint16]
Levels = NDArray[np.float32]
LUMINANCE = (0.2126, 0.7152, 0.0722)  # of red, green, blue: ITU-R BT.709


@dataclass(frozen=True, eq=False)
class GreyPicture:
    """A grey picture (H, W) as the camera gave it; nothing is converted that is not looked at.

    ``bits`` - what the camera delivers: 8, or 12 or 16 in 16-bit levels (default: as many as the levels have); full
    scale is 2**bits - 1.
    """

    raw: RawLevels
    bits: int | None = None

    def __post_init__(self) -> None:
        if self.raw.ndim != 2 or self.raw.dtype not in (np.uint8, np.uint16):
            raise ValueError(f"a picture must be (H, W) of 8 or 16 bits, got {self.raw.shape} {self.raw.dtype}")
        if self.bits is not None and (self.bits == 8) != (self.raw.dtype == np.uint8):
            raise ValueError(f"a picture of {self.bits} bits cannot have levels of {self.raw.dtype}")

    @cached_property
    def scale(self) -> float:
        """Fraction of full scale of one level."""
        return scale_of(self.raw, self.bits)

    @cached_property
    def levels(self) -> Levels:
        """The whole picture (H, W) in fractions of full scale."""
        return np.multiply(self.raw, np.float32(self.scale), dtype=np.float32)

    def at(self, pixels: Array) -> Levels:
        """Levels (N,) at sub-pixel positions (N, 2), bilinear; nan outside."""
        found = np.empty(len(pixels), dtype=np.float32)
        camera_kernels.sample_points(self.raw, self.scale, pixels, found)
        return found

    def along(self, centres: Array, firsts: Array, second: Array, d_mm: Array) -> Levels:
        """Levels (N, M) at centre + d * first + d² * second of each line, offsets (M,); bilinear, nan outside. The mean
        of P such places: centres and firsts (P, N, 2), second (N, 2), P is 1 or 2.

        Positions are exact: cv2.remap rounds them to 1/32 px.
        """
        found = np.empty((len(second), len(d_mm)), dtype=np.float32)
        camera_kernels.sample_lines(self.raw, self.scale, centres, firsts, second, d_mm, found)
        return found


def scale_of(levels: RawLevels, bits: int | None) -> float:
    """Fraction of full scale of one level; ``bits`` None: as many as the levels have."""
    return 1.0 / float(2 ** (bits or 8 * levels.itemsize) - 1)


def linear_picture(levels: RawLevels, bits: int, response: Response) -> GreyPicture:
    """A picture as the camera gave it, in levels of light: those of a camera that is not linear become 16 bits. One in
    colour (H, W, 3) becomes its luminance in 16 bits, which marks are found on.
    """
    if levels.ndim == 3:
        red, green, blue = (
            np.multiply(one.raw, one.scale, dtype=np.float32) for one in channels(levels, bits, response)
        )
        light = LUMINANCE[0] * red + LUMINANCE[1] * green + LUMINANCE[2] * blue
        return GreyPicture(np.rint(65535.0 * light).astype(np.uint16), 16)
    return GreyPicture(response.straightened(levels, bits), bits if response.is_linear else 16)


def channels(levels: RawLevels, bits: int, response: Response) -> tuple[GreyPicture, GreyPicture, GreyPicture]:
    """Red, green and blue of a picture in colour (H, W, 3), each in levels of light."""
    apart: list[RawLevels] = [levels[..., k].copy() for k in range(3)]
    red, green, blue = (linear_picture(one, bits, response) for one in apart)
    return red, green, blue


def patch_level(picture: GreyPicture, corners_mm: Array, model: CameraModel, pose: Pose) -> float:
    """Mean level over the inner part of a flat patch given by its corners (4, 3) in the fixture; nan when it is not in
    the picture.
    """
    return float(np.mean(picture.at(model.project(_patch_places() @ corners_mm, pose))))


@cache
def _patch_places() -> Array:
    """(288, 4) shares of a patch's corners in places of its inner part."""
    u, v = (grid.reshape(-1, 1) for grid in np.meshgrid(np.linspace(0.2, 0.8, 24), np.linspace(0.2, 0.8, 12)))
    return np.hstack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v])
