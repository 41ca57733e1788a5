"""The fixture as the camera sees it: marks that fix its frame, a grey patch for the lamp."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from edgeinspect.geometry import Array, Pose, frozen
from edgeinspect.measure.camera import CameraModel


@dataclass(frozen=True)
class Mark:
    """A printed square mark: its id in the dictionary and its corners (4, 3) [mm] in the fixture frame: top-left,
    then clockwise as printed.
    """

    mark_id: int
    corners_mm: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_mm", frozen(self.corners_mm, (4, 3), f"mark {self.mark_id} corners_mm"))
        sides = np.linalg.norm(self.corners_mm - np.roll(self.corners_mm, -1, axis=0), axis=1)
        if sides.min() < 1.0 or sides.max() > 1.5 * sides.min():
            raise ValueError(f"mark {self.mark_id}: corners_mm do not make a square (sides {np.round(sides, 2)} mm)")


@dataclass(frozen=True)
class TrustLimits:
    """When a picture is still good enough to measure on, against the state at calibration."""

    light_warn_share: float = 0.15  # change of the grey patch's level
    light_stop_share: float = 0.30
    # Apparent movement of the camera at the shell. It is compensated and recorded; from here on it is told too,
    moved_note_mm: float = 0.05
    moved_stop_mm: float = 0.20  # and above this it is NO RESULT
    blur_growth_px: float = 0.6  # growth of the blur's standard deviation
    length_stop_mm: float = 0.15  # error of a known length between marks
    marks_stop_px: float = 0.3  # how far the marks' corners miss their places, rms


@dataclass(frozen=True)
class Fixture:
    """Frame z = 0 is the plate, z points to the cameras."""

    dictionary: str  # name of an OpenCV ArUco dictionary: "DICT_4X4_50"
    marks: tuple[Mark, ...]
    grey_patch_mm: Array  # (4, 3) corners
    trust: TrustLimits = TrustLimits()

    def __post_init__(self) -> None:
        object.__setattr__(self, "grey_patch_mm", frozen(self.grey_patch_mm, (4, 3), "grey_patch_mm"))
        ids = [mark.mark_id for mark in self.marks]
        if len(set(ids)) != len(ids):
            raise ValueError(f"mark ids {sorted(ids)} hold one twice")

    @cached_property
    def corners_mm(self) -> Array:
        """(K, 4, 3) of all marks."""
        return np.array([mark.corners_mm for mark in self.marks]).reshape(-1, 4, 3)

    def in_view(self, model: CameraModel, pose: Pose) -> Fixture:
        """The same with the marks that lie whole in the picture of a camera at ``pose`` (fixture -> camera)."""
        pixel = model.project(self.corners_mm.reshape(-1, 3), pose).reshape(-1, 4, 2)
        last = np.array([model.width_px, model.height_px]) - 1.0
        inside = np.asarray(((pixel >= 0.0) & (pixel <= last)).all(axis=(1, 2)))
        if inside.all():
            return self
        return replace(self, marks=tuple(mark for mark, seen in zip(self.marks, inside, strict=True) if seen))


@dataclass(frozen=True)
class Seating:
    """Where the fixture holds a shell: placement shell -> fixture, and how far off it may sit before it must be
    reseated.
    """

    shell: str
    pose: Pose
    limit_mm: float
    limit_deg: float
    u_height_mm: float  # standard uncertainty of the rim's height in the fixture
    cameras: tuple[str, ...] = ()  # names of those that look at this shell; (): all of the station's
    limit_height_mm: float = 0.3  # surely (by 1.65 u) lifted further than this on any side it must be reseated
