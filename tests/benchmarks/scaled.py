"""The demo station with finer pixels: the same fixture, lens and shell, seen by a sensor of more megapixels.

Pictures come from the fast renderer and are kept in a folder, because one of 20 MP takes up to a minute:
``python -m tests.benchmarks.scaled FOLDER`` makes them all. The camera is calibrated from them as a station does it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import cv2

from edgeinspect.measure.picture import RawLevels
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate import fast
from edgeinspect.simulate.camera import TrueCamera
from edgeinspect.simulate.cases import board_scenes, shell_cases
from edgeinspect.simulate.scene import Scene
from edgeinspect.station.calibrations import calibrate_folder
from edgeinspect.station.config import Station
from edgeinspect.station.pictures import read_picture
from tests.samples import looks
from tests.samples.truth import MODEL

SHELL = "L1001"
SCALES = {"2 MP": 1.0, "5 MP": 1.62, "20 MP": 3.24}  # 1600 x 1200, 2592 x 1944, 5184 x 3888


def finer(camera: TrueCamera, scale: float) -> TrueCamera:
    """The same camera with ``scale`` times as many pixels each way; an integer is the middle of a pixel in both."""
    return replace(
        camera,
        width_px=round(camera.width_px * scale),
        height_px=round(camera.height_px * scale),
        fx_px=camera.fx_px * scale,
        fy_px=camera.fy_px * scale,
        cx_px=(camera.cx_px + 0.5) * scale - 0.5,
        cy_px=(camera.cy_px + 0.5) * scale - 0.5,
    )


def scenes() -> dict[str, Scene]:
    """The calibration pictures and one good shell, by file name."""
    boards = {f"calibration/{name}.png": scene for name, scene in board_scenes().items()}
    return {**boards, f"{SHELL}_top.png": shell_cases()[SHELL].scene}


def make_pictures(folder: Path, scale: float) -> None:
    """Into ``folder``; what is there already is kept."""
    (folder / "calibration").mkdir(parents=True, exist_ok=True)
    for name, scene in scenes().items():
        if not (folder / name).exists():
            levels = fast.render(replace(scene, camera=finer(scene.camera, scale)))
            content = cv2.imencode(".png", levels, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes()
            partial = (folder / name).with_suffix(".part")
            partial.write_bytes(content)
            partial.replace(folder / name)  # whole or not at all


@dataclass(frozen=True)
class Bench:
    """A station with finer pixels, calibrated, and a picture of one good shell."""

    folder: Path
    station: Station
    gauge: ShellGauge
    picture: RawLevels
    temperature: Temperature

    @property
    def file(self) -> Path:
        return self.folder / f"{SHELL}_top.png"

    def read(self) -> RawLevels:
        camera, intake = self.station.cameras[0], self.station.intake
        return read_picture(self.file, camera.width_px, camera.height_px, intake.picture_limit_bytes)[0].levels


def station_at(scale: float) -> Station:
    """The sample station with its camera "top" alone."""
    here = looks.station()
    top = next(camera for camera in here.cameras if camera.name == "top")
    size = {"width_px": round(top.width_px * scale), "height_px": round(top.height_px * scale)}
    return replace(here, cameras=(replace(top, **size),))


def calibrate(folder: Path, station: Station) -> ShellGauge:
    calibration, _ = calibrate_folder(folder / "calibration", station, "top", looks.MADE_AT)
    return ShellGauge(load_shell(MODEL), {"top": calibration}, station.fixture, station.seatings["toplid"])


def set_up(folder: Path, scale: float) -> Bench:
    make_pictures(folder, scale)
    station = station_at(scale)
    scene = shell_cases()[SHELL].scene
    assert scene.shell is not None
    levels, temperature = cv2.imread(str(folder / f"{SHELL}_top.png"), cv2.IMREAD_UNCHANGED), scene.shell.temperature_c
    return Bench(folder, station, calibrate(folder, station), levels, Temperature(temperature))


if __name__ == "__main__":
    for words, factor in SCALES.items():
        make_pictures(Path(sys.argv[1]) / words.replace(" ", ""), factor)
        print(words, "there", flush=True)
