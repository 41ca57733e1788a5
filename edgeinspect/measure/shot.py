"""One camera's picture of a shell, placed by the fixture marks in it: what every step that reads pixels needs."""

from __future__ import annotations

from dataclasses import dataclass

from edgeinspect.geometry import Pose
from edgeinspect.measure import budget
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.picture import GreyPicture


@dataclass(frozen=True)
class Shot:
    camera: str
    picture: GreyPicture
    model: CameraModel
    pose: Pose  # fixture -> camera
    blur_px: float
    px_per_mm: float  # scale of the picture at the shell

    @property
    def edge_model_mm(self) -> float:
        """Standard uncertainty of a cut edge's place from light and the arris's shape."""
        return budget.EDGE_MODEL_PX / self.px_per_mm

    @property
    def response_mm(self) -> float:
        """The same from how its camera may bend light away from its stated response, at full contrast: all round."""
        return budget.BENT_EDGE * self.blur_px / self.px_per_mm

    @property
    def formed_edge_mm(self) -> float:
        """The same of a formed edge."""
        return budget.FORMED_EDGE_PX / self.px_per_mm


Shots = tuple[Shot | None, ...]  # in the order of the set-up's cameras; None where there is no usable picture
