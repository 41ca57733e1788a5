"""The sample pictures measured and judged once, from the calibration pictures to the answer, as a station does it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from edgeinspect.conformity import Verdict, judge
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.picture import RawLevels
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.files import load_shell
from edgeinspect.station.calibrations import calibrate_folder
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.pictures import read_picture

from .truth import MODEL, SAMPLES, Truth

MADE_AT = "2026-11-25T10:00:00Z"
SHELLS = tuple(f"L10{n:02d}" for n in range(1, 11))
REFUSED = ("L1009", "L1010")
MEASURED = tuple(shell_id for shell_id in SHELLS if shell_id not in REFUSED)


@dataclass(frozen=True)
class Look:
    measurement: ShellMeasurement
    verdict: Verdict


@cache
def truth() -> Truth:
    return Truth()


@cache
def station() -> Station:
    return load_station(SAMPLES / "station.toml")


@cache
def calibration() -> CameraCalibration:
    return calibrate_folder(SAMPLES / "calibration", station(), "top", MADE_AT)[0]


@cache
def gauge() -> ShellGauge:
    here = station()
    return ShellGauge(load_shell(MODEL), {"top": calibration()}, here.fixture, here.seatings["toplid"])


@cache
def picture(shell_id: str) -> RawLevels:
    camera, intake = station().cameras[0], station().intake
    path = SAMPLES / f"shells/{shell_id}_top.webp"
    return read_picture(path, camera.width_px, camera.height_px, intake.picture_limit_bytes)[0].levels


@cache
def look(shell_id: str) -> Look:
    """The shell's temperature comes with it, as the demo states it; its u is the gauge's own default."""
    temperature = Temperature(truth().shells[shell_id]["temperature_c"])
    measurement = gauge().measure("standard", {"top": picture(shell_id)}, temperature)
    return Look(measurement, judge(measurement, gauge().setup.definition))
