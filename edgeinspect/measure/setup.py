"""One shell definition in one fixture before one calibrated camera, prepared: all that does not depend on the
picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import budget
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.measurement import Quantity, Share
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.ribbon import Stations, lay_stations, together
from edgeinspect.shell.definition import CutOut, DatumScheme, Frame, ShellDefinition

TEMPERATURE = "temperature"


class Setup:
    """Stations along every curve and the shares of the common causes of uncertainty, worked out once."""

    def __init__(
        self, definition: ShellDefinition, calibration: CameraCalibration, fixture: Fixture, seating: Seating
    ) -> None:
        self.definition, self.calibration, self.fixture, self.seating = definition, calibration, fixture, seating
        self.rim = lay_stations(definition.rim, definition.step_mm)
        self.rim_seated = self.rim.placed(seating.pose)
        self.cutouts: list[tuple[CutOut, Stations]] = [
            (cutout, lay_stations(cutout.curve, definition.step_mm)) for cutout in definition.cutouts
        ]
        # All cut-outs one after the other: what is done along them is done once.
        self.cutout_ends = np.cumsum([len(stations.arc_mm) for _, stations in self.cutouts])
        self.cutout_stations = together([stations for _, stations in self.cutouts]) if self.cutouts else None
        self.pips_mm = np.array([pip.centre_mm for pip in definition.pips]).reshape(-1, 3)
        self._prepare_budget()

    def _prepare_budget(self) -> None:
        """Shares of common causes along the rim, at the cut-outs and the decals, in each frame (see budget)."""
        centres = [np.append(cutout.centre_mm, stations.points_mm[:, 2].mean()) for cutout, stations in self.cutouts]
        centres += [decal.patch.origin_mm for decal in self.definition.decals]
        rim, pips = self.rim_seated, self.seating.pose.apply(self.pips_mm)
        places = self.seating.pose.apply(np.array(centres).reshape(-1, 3))
        points = np.vstack([rim.points_mm, pips, places])
        causes = budget.common_causes(self.calibration, self.fixture, self.seating, points)
        ends = np.cumsum([len(rim.points_mm), len(pips)])
        self.rim_shares: dict[Frame, dict[str, Array]] = {frame: {} for frame in Frame}
        self.place_shares: dict[str, Array] = {}
        self.path_causes: dict[str, Array] = {}
        self.pip_misfits: dict[str, float] = {}
        by_pips = self.definition.datum is DatumScheme.PIPS
        for cause, every in causes.items():
            on_rim, on_pips, on_places = np.split(every, ends, axis=1)
            in_datum, placed_in_datum = on_rim, on_places
            if by_pips:
                in_datum = budget.left_after_points(on_rim, rim.points_mm, on_pips, pips)
                placed_in_datum = budget.left_after_points(on_places, places, on_pips, pips)
                misfit = budget.left_after_points(on_pips, pips, on_pips, pips)
                self.pip_misfits[cause] = float(np.sqrt((misfit**2).sum(axis=(0, 2)).mean()))
            self.rim_shares[Frame.DATUM][cause] = budget.along_normals(in_datum, rim.normals)
            fitted = budget.left_after_outline(on_rim, rim.points_mm, rim.normals)
            self.rim_shares[Frame.BEST_FIT][cause] = budget.along_normals(fitted, rim.normals)
            self.place_shares[cause] = np.sqrt((placed_in_datum**2).sum(axis=0).mean(axis=1))
            if cause != TEMPERATURE:  # the fixture frame tells where the cutter ran and is not brought to 20 degC
                self.rim_shares[Frame.FIXTURE][cause] = budget.along_normals(on_rim, rim.normals)
                self.path_causes[cause] = budget.outline_shift_covariance(on_rim, rim.points_mm, rim.normals)
        self.rim_variance = {
            frame: sum((u**2 for cause, u in shares.items() if cause != TEMPERATURE), np.zeros(len(rim.arc_mm)))
            for frame, shares in self.rim_shares.items()
        }

    def place_causes(self, index: int, u_growth: float) -> dict[str, float]:
        """Common shares [mm] at one cut-out or decal (in the order of the definition, cut-outs first)."""
        return {c: float(u[index]) * (u_growth if c == TEMPERATURE else 1.0) for c, u in self.place_shares.items()}

    def u_pip_misfit(self, u_growth: float, u_formed_mm: float) -> float:
        """What pips may lie off their drawing, root mean square [mm], after the shift that fits them best."""
        count = len(self.pips_mm)
        formed = u_formed_mm**2 * max(0.0, 2.0 * count - 3.0) / count  # of 2 coordinates each the shift takes up 3
        common = [u * (u_growth if c == TEMPERATURE else 1.0) for c, u in self.pip_misfits.items()]
        return float(np.sqrt(formed + sum(u**2 for u in common)))


@dataclass(frozen=True)
class Sight:
    """One picture of one shell, and what every step needs to know of it."""

    setup: Setup
    picture: GreyPicture
    pose: Pose  # fixture -> camera, from the marks in this picture
    blur_px: float
    growth: float  # length at the shell's temperature over length at 20 degC
    u_growth: float

    @property
    def model(self) -> CameraModel:
        return self.setup.calibration.model

    @property
    def camera(self) -> str:
        return self.setup.calibration.camera

    @property
    def definition(self) -> ShellDefinition:
        return self.setup.definition

    @property
    def edge_model_mm(self) -> float:
        """Standard uncertainty of a cut edge's place from light and the arris's shape."""
        return budget.EDGE_MODEL_PX / self.px_per_mm

    @property
    def formed_edge_mm(self) -> float:
        """The same of a formed edge."""
        return budget.FORMED_EDGE_PX / self.px_per_mm

    @property
    def px_per_mm(self) -> float:
        """Scale of the picture at the rim."""
        return self.model.fx / float(self.pose.apply(self.setup.rim_seated.points_mm[:1])[0, 2])


def quantity(value: float, shares: dict[str, float]) -> Quantity:
    """A value with the root sum of squares of its shares (JCGM 100, 5.1.2)."""
    u = float(np.sqrt(sum(part**2 for part in shares.values())))
    return Quantity(value, u, tuple(Share(source, part) for source, part in shares.items()))
