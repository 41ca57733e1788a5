"""The demo scene, drawn by the fast renderer without noise, for tests that need a whole picture."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.fixture import Fixture, Mark, Seating
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate import bench, fast
from edgeinspect.simulate.scene import CutShell, Scene, Sensor

Draw = Callable[[Scene], GreyPicture]
Taken = Callable[[Array, int], GreyPicture]
Covered = Callable[[Array, Array, float, float], Array]


def as_16_bit(picture: Array) -> NDArray[np.uint16]:
    """A noise-free picture (1.0 = white tag) as the 16-bit levels of a camera that exposes white to 0.88."""
    return np.rint(picture * 0.88 * 65535).astype(np.uint16)


def electrons(picture: Array, seed: int) -> Array:
    """What a sensor counts, over its full well: shot and read noise of the demo's sensor (simulate.scene.Sensor)."""
    sensor, random = Sensor(), np.random.default_rng(seed)
    count = np.maximum(picture, 0.0) * 0.88 * sensor.full_well
    noise = random.standard_normal(picture.shape, dtype=np.float32)  # so many electrons are as good as normal
    return np.clip((count + noise * np.sqrt(count + sensor.read_noise_electrons**2)) / sensor.full_well, 0.0, 1.0)


@pytest.fixture(scope="session")
def counted() -> Callable[[Array, int], Array]:
    """A noise-free picture and a seed -> levels as fractions of full scale, not yet rounded."""
    return electrons


@pytest.fixture(scope="session")
def taken() -> Taken:
    """A noise-free picture and a seed -> the picture with its noise, in 16 bits."""
    return lambda picture, seed: GreyPicture(np.rint(electrons(picture, seed) * 65535).astype(np.uint16))


@pytest.fixture(scope="session")
def covered() -> Covered:
    """A picture, a place (3,) in the fixture, a radius [px] and a brightness -> a cloth with folds lies over it."""

    def lay(picture: Array, place_mm: Array, radius_px: float, brightness: float) -> Array:
        x, y = bench.top_camera().project(np.asarray(place_mm)[None])[0]
        left, top, side = int(x - radius_px) - 6, int(y - radius_px) - 6, int(2 * radius_px) + 13
        rows, columns = np.mgrid[top : top + side, left : left + side]
        share = np.clip(radius_px + 1.5 - np.hypot(columns - x, rows - y), 0.0, 3.0) / 3.0
        folds = cv2.GaussianBlur(np.random.default_rng(17).normal(size=(side, side)), (0, 0), 4.0)
        under = picture.copy()
        here = under[top : top + side, left : left + side]
        here += share * (brightness * (1 + 0.8 * folds) - here)
        return under

    return lay


@pytest.fixture(scope="session")
def model() -> CameraModel:
    """The true camera in the measuring code's own words: same numbers, other arithmetic."""
    camera = bench.top_camera()
    return CameraModel(
        camera.width_px,
        camera.height_px,
        camera.fx_px,
        camera.fy_px,
        camera.cx_px,
        camera.cy_px,
        np.array(camera.distortion),
    )


@pytest.fixture(scope="session")
def fixture() -> Fixture:
    x, y, width, height = bench.PATCH_MM
    w, h = width / 2, height / 2
    patch = np.array([[x - w, y + h, 0.0], [x + w, y + h, 0.0], [x + w, y - h, 0.0], [x - w, y - h, 0.0]])
    marks = tuple(Mark(k, bench.mark_corners_mm(k)) for k in bench.MARKS_MM)
    return Fixture(bench.MARK_DICTIONARY, marks, patch)


@pytest.fixture(scope="session")
def calibration(model: CameraModel) -> CameraCalibration:
    """A calibration that knows the camera exactly; light and blur as the fast renderer draws them."""
    grey = 0.88 * fast.BRIGHTNESS["patch"] / fast.BRIGHTNESS["white"]
    pose = bench.top_camera().pose
    made, nothing = "2026-01-01T00:00:00Z", np.zeros((9, 9))
    return CameraCalibration("exact", "top", made, model, nothing, 0.0, 12, pose, grey, 0.9, bits=16)


@pytest.fixture(scope="session")
def seating() -> Seating:
    return Seating("toplid", bench.NOMINAL_SEATING, limit_mm=6.0, limit_deg=3.0, u_height_mm=0.01)


@pytest.fixture(scope="session")
def toplid_definition() -> ShellDefinition:
    return load_shell(Path(__file__).parents[2] / "models" / "toplid")


@pytest.fixture(scope="session")
def empty_plate() -> NDArray[np.uint16]:
    """Marks and grey patch on the plate, no shell."""
    raw = as_16_bit(fast.picture(Scene(bench.top_camera())))
    raw.setflags(write=False)
    return raw


@pytest.fixture(scope="session")
def good_shell() -> GreyPicture:
    """The lid exactly as drawn, exactly in its seat."""
    return GreyPicture(as_16_bit(fast.picture(Scene(bench.top_camera(), CutShell()))))


@pytest.fixture(scope="session")
def draw() -> Draw:
    """Draws another scene: about a second each."""
    return lambda scene: GreyPicture(as_16_bit(fast.picture(scene)))
