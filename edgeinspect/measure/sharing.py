"""Which camera measures what, where several look at one shell: for every stretch of edge the one that reads it with
the least uncertainty.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import budget
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.shell.definition import Arris

Which = NDArray[np.intp]  # index of a camera

UNSEEN_MM = 10.0  # far more than any uncertainty of what is seen
MARGIN_MM = 8.0  # a place nearer to the border of the picture than this may leave it when the shell sits a little off


def in_picture(calibration: CameraCalibration, points_mm: Array, margin_mm: float = MARGIN_MM) -> NDArray[np.bool_]:
    """Which places (N, 3) of the fixture lie in the camera's picture, at least ``margin_mm`` from its border."""
    model, pose = calibration.model, calibration.fixture_pose
    pixel, depth = model.project(points_mm, pose), pose.apply(points_mm)[:, 2]
    margin = margin_mm * model.fx / depth
    inside = (pixel >= margin[:, None]) & (pixel <= np.array([model.width_px, model.height_px]) - 1.0 - margin[:, None])
    return np.asarray(inside.all(axis=1) & (depth > 0))


def expected_u_mm(
    calibration: CameraCalibration,
    points_mm: Array,
    normals: Array,
    u_height_mm: float,
    sheet_mm: float,
    arris: Arris = Arris.SHOW,
) -> Array:
    """Standard uncertainty (N,) [mm] that a camera's place alone gives to an edge: scale of the picture, height of
    the shell, and the cut face where the camera sees it (then the edge lies anywhere between the two arrises).

    ``points_mm``, ``normals`` - (N, 3) in the fixture; normals of length 0 for places that are no edge.
    """
    model, pose = calibration.model, calibration.fixture_pose
    light = budget.EDGE_MODEL_PX * pose.apply(points_mm)[:, 2] / model.fx
    lean = budget.apparent_shift_per_height(pose, points_mm)
    along = (lean * normals[:, :2]).sum(axis=1)
    is_edge = np.hypot(normals[:, 0], normals[:, 1]) > 0
    height = np.where(is_edge, np.abs(along), np.hypot(lean[:, 0], lean[:, 1]))
    face = sheet_mm * np.maximum(0.0, -along) * 12.0**-0.5
    unseen = UNSEEN_MM * (is_edge & (along >= 0)) if arris is Arris.BACK else 0.0
    return np.asarray(np.sqrt(light**2 + (u_height_mm * height) ** 2 + face**2) + unseen)


def who_measures(seen: NDArray[np.bool_], u_mm: Array, stretches: Iterable[NDArray[np.bool_]]) -> Which:
    """Index of the camera (N,) for every station; ``seen``, ``u_mm`` - (C, N) by camera.

    A stretch (N,) is one camera's, if one sees all of it: the one with the least mean uncertainty over its length
    (stations lie evenly along the edge, so none counts more for having more of them). A stretch that no camera sees
    whole, and what is in no stretch, is divided station by station.
    """
    chosen = np.argmin(np.where(seen, u_mm, u_mm + 1e3), axis=0)
    free = np.ones(u_mm.shape[1], dtype=bool)
    for stretch in stretches:
        here = stretch & free
        if not here.any():
            continue
        whole = np.flatnonzero(seen[:, here].all(axis=1))
        if len(whole):
            chosen[here] = whole[np.argmin(u_mm[whole][:, here].mean(axis=1))]
        free &= ~stretch
    return np.asarray(chosen, dtype=np.intp)


def who_measures_whole(seen: NDArray[np.bool_], u_mm: Array) -> int:
    """The one camera for a thing that is not divided, a cut-out or a decal: of those that see most of it the least
    uncertain.
    """
    share = seen.mean(axis=1)
    most = np.flatnonzero(share == share.max())
    return int(most[np.argmin(u_mm[most].mean(axis=1))])


class Sharing:
    """The cameras of one set-up, asked what they see."""

    def __init__(
        self,
        calibrations: Sequence[CameraCalibration],
        u_height_mm: float,
        sheet_mm: float,
        arris: Arris = Arris.SHOW,
    ) -> None:
        self._cameras, self._u_height_mm, self._sheet_mm = calibrations, u_height_mm, sheet_mm
        self._arris = arris

    def _judged(self, points_mm: Array, normals: Array) -> tuple[NDArray[np.bool_], Array]:
        seen = np.stack([in_picture(camera, points_mm) for camera in self._cameras])
        known = self._u_height_mm, self._sheet_mm, self._arris
        u = [expected_u_mm(one, points_mm, normals, *known) for one in self._cameras]
        return seen, np.stack(u)

    def along(self, points_mm: Array, normals: Array, stretches: Iterable[NDArray[np.bool_]]) -> Which:
        if len(self._cameras) == 1:
            return np.zeros(len(points_mm), dtype=np.intp)
        return who_measures(*self._judged(points_mm, normals), stretches)

    def whole(self, points_mm: Array, normals: Array | None = None) -> int:
        """``points_mm`` (N, 3) of one thing; ``normals`` where they are an edge."""
        if len(self._cameras) == 1:
            return 0
        return who_measures_whole(*self._judged(points_mm, np.zeros_like(points_mm) if normals is None else normals))
