"""The camera: pinhole with radial and tangential lens distortion (OpenCV's five terms), and what calibration knows of
it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose, frozen
from edgeinspect.measure import camera_kernels
from edgeinspect.measure.response import LINEAR, Response

PARAMETERS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")


@dataclass(frozen=True)
class CameraModel:
    """Intrinsics [px] and distortion (k1, k2, p1, p2, k3); pixel centres have integer coordinates."""

    width_px: int
    height_px: int
    fx: float
    fy: float
    cx: float
    cy: float
    distortion: Array  # (5,)

    def __post_init__(self) -> None:
        object.__setattr__(self, "distortion", frozen(self.distortion, (5,), "distortion"))
        if not (self.fx > 0 and self.fy > 0 and self.width_px > 0 and self.height_px > 0):
            raise ValueError("focal lengths and picture size must be above 0")

    @cached_property
    def matrix(self) -> Array:
        return frozen([[self.fx, 0.0, self.cx], [0.0, self.fy, self.cy], [0.0, 0.0, 1.0]])

    @cached_property
    def parameters(self) -> Array:
        """The nine numbers (fx, fy, cx, cy, k1, k2, p1, p2, k3), in the order of the covariance."""
        return frozen([self.fx, self.fy, self.cx, self.cy, *self.distortion])

    def project(self, points_mm: Array, pose: Pose) -> Array:
        """Pixel positions (N, 2) of points (N, 3) [mm]; ``pose`` maps their frame into the camera's.

        The same formula as cv2.projectPoints (a test holds them together), many times faster on thousands of points.
        """
        pixels = np.empty((len(points_mm), 2))
        camera_kernels.project(points_mm, pose.rotation, pose.translation_mm, self.parameters, pixels)
        return pixels

    def rays(self, pixels: Array) -> Array:
        """Directions (N, 3) in the camera frame, z = 1, of pixel positions (N, 2); the distortion is inverted to
        below 1e-6 px.
        """
        criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-12)
        flat = np.ascontiguousarray(pixels, dtype=np.float64).reshape(-1, 1, 2)
        plane = cv2.undistortPoints(flat, self.matrix, self.distortion, criteria=criteria)
        plane = np.asarray(plane, dtype=np.float64).reshape(-1, 2)
        return np.column_stack([plane, np.ones(len(plane))])


@dataclass(frozen=True)
class LengthCheck:
    """A known length read back: what it is, what was read [mm]."""

    words: str
    nominal_mm: float
    reading_mm: float
    u_mm: float


@dataclass(frozen=True)
class ColourCalibration:
    """What carries a camera's red, green and blue to XYZ (see colour_calibration)."""

    made_at: str  # ISO 8601, UTC
    illuminant: str  # "D50" or "D65": that the chart's colours are stated for
    matrix: Array  # (3, 3) from levels over the white sheet's to XYZ, white 1
    patch_level: Array  # (3,) of the fixture's grey patch then, fractions of full scale above black
    light: Array  # (3, 15) of the white sheet over the grey patch, as terms of the place in the picture
    even_over: Array  # (M, 2) corners in the picture of where that is known
    patches: tuple[str, ...]  # names of the chart's colours
    left_out_de: Array  # (N,) CIEDE2000 of each by all others
    black: Array  # (3,) what it reads without light, fractions of full scale
    like_lab: Array = field(default_factory=lambda: np.zeros((0, 3)))  # (K, 3) CIELAB of the chart, K = N or 0
    missed_lab: Array = field(default_factory=lambda: np.zeros((0, 3)))  # (K, 3) by which the matrix misses it

    def __post_init__(self) -> None:
        shapes = {"matrix": (3, 3), "patch_level": (3,), "black": (3,), "light": (3, 15), "even_over": (None, 2)}
        shapes |= {"like_lab": (None, 3), "missed_lab": (len(self.like_lab), 3)}
        for name, shape in {**shapes, "left_out_de": (len(self.patches),)}.items():
            object.__setattr__(self, name, frozen(getattr(self, name), shape, name))

    @property
    def rms_de(self) -> float:
        return float(np.sqrt((self.left_out_de**2).mean()))

    @property
    def u_de(self) -> float:
        """Standard uncertainty of a difference: the part of an error in three dimensions that lies along it."""
        return self.rms_de / float(np.sqrt(3.0))


@dataclass(frozen=True)
class CameraCalibration:
    """All that a calibration run found out about one camera in its fixture."""

    calibration_id: str  # camera name, time and a piece of the hash of its pictures
    camera: str
    made_at: str  # ISO 8601, UTC
    model: CameraModel
    covariance: Array  # (9, 9) of CameraModel.parameters
    rms_px: float
    views: int
    fixture_pose: Pose  # fixture -> camera, when the board lay in the fixture: where the camera belongs
    grey_level: float  # mean level of the grey patch then, as a fraction of full scale
    blur_px: float  # standard deviation of the lens blur then, from the marks' edges
    lengths: tuple[LengthCheck, ...] = field(default=())  # board lengths read back through the fixture marks alone
    bits: int = 8  # of a level: 8, 12 or 16
    response: Response = LINEAR  # of its levels to light, as the station stated it then
    dark_noise: float = 0.0  # standard deviation of a black picture, fractions of full scale; 0: not stated
    # variance of a pixel, fractions of full scale squared: of black, and more per level (see noise.Noise); read off the
    # picture of the board in the fixture. None in older calibrations
    pixel_noise: tuple[float, float] | None = None
    in_colour: bool = False  # its pictures are red, green and blue: it reads the colours of decals, and no edge
    colour: ColourCalibration | None = None  # None: not calibrated for colour
    mark_blurs_px: tuple[tuple[int, float], ...] = ()  # the same of each fixture mark; none in older calibrations

    def __post_init__(self) -> None:
        object.__setattr__(self, "covariance", frozen(self.covariance, (9, 9), "covariance"))
