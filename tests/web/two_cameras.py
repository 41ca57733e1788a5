"""A lid under two cameras, really measured on the fast renderer's pictures; the pages' plant is set up for it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.conformity import judge
from edgeinspect.geometry import PlaneShift, frozen
from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate import bench, fast, toplid
from edgeinspect.simulate.camera import TrueCamera
from edgeinspect.simulate.cases import bump
from edgeinspect.simulate.scene import CutShell, Scene
from edgeinspect.station.config import CameraSetup, Station, load_station

from .sample_inspections import flaws_of

ROOT = Path(__file__).parents[2]
REAR = bench.rear_camera()
AT = "2026-01-01T00:00:00.000000Z"


@dataclass(frozen=True)
class TwoCameras:
    station: Station
    lid: ShellDefinition
    measurement: ShellMeasurement
    without_rear: ShellMeasurement
    views: dict[str, bytes]  # JPEG by camera

    def inspection(self, shell_id: str, *, rear: bool = True) -> Inspection:
        """With a nick in each camera's stretch of the rim, and a strand on a slot."""
        measured = self.measurement if rear else self.without_rear
        if rear:
            measured = replace(measured, flaws=flaws_of(list(measured.traces)))
        names = ("top", "rear") if rear else ("top",)
        pictures = tuple(PictureFile(name, f"{shell_id}_{name}.png", "0" * 64, "0" * 64, AT) for name in names)
        verdict = judge(measured, self.lid)
        asked = Expected("toplid", "standard", 20.0)
        return Inspection(shell_id, 1, "cell-1", AT, AT, asked, pictures, measured, verdict, "0.1.0")


def two_cameras() -> TwoCameras:
    station, lid = load_station(ROOT / "sample_images" / "station.toml"), load_shell(ROOT / "models" / "toplid")
    trues = {"top": bench.top_camera(), "rear": REAR}
    setups = tuple(CameraSetup(name, true.width_px, true.height_px, 16) for name, true in trues.items())
    seating = replace(station.seatings["toplid"], cameras=())
    station = replace(station, cameras=setups, seatings={**station.seatings, "toplid": seating})
    middle = sum(toplid.zone_spans_mm()["rear-left-scallop"]) / 2
    shell = CutShell(path=PlaneShift(0.12, -0.08, 0.03), rim_deviation_mm=frozen(0.3 * bump(middle, 50.0)))
    levels = {name: _raw(true, shell) for name, true in trues.items()}
    gauge = ShellGauge(lid, {name: _exact(name, true) for name, true in trues.items()}, station.fixture, seating)
    measured = gauge.measure("standard", levels, Temperature(20.0))
    alone = gauge.measure("standard", {"top": levels["top"]}, Temperature(20.0))
    views = {name: cv2.imencode(".jpg", (raw // 256).astype(np.uint8))[1].tobytes() for name, raw in levels.items()}
    return TwoCameras(station, lid, measured, alone, views)


def _raw(camera: TrueCamera, shell: CutShell) -> NDArray[np.uint16]:
    return np.rint(fast.picture(Scene(camera, shell)) * 0.88 * 65535).astype(np.uint16)


def _exact(name: str, camera: TrueCamera) -> CameraCalibration:
    """Knows the camera exactly, in the measuring code's own words."""
    size = (camera.width_px, camera.height_px)
    model = CameraModel(*size, camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, np.array(camera.distortion))
    grey = 0.88 * fast.BRIGHTNESS["patch"] / fast.BRIGHTNESS["white"]
    return CameraCalibration(
        f"{name}-exact", name, AT, model, np.zeros((9, 9)), 0.0, 12, camera.pose, grey, 0.9, bits=16
    )
