"""Another camera's calibration, and the same picture again: by the station's own way in, with a record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from edgeinspect.conformity import Answer, judge
from edgeinspect.errors import CalibrationError
from edgeinspect.inspection import Expected
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.simulate.camera import looking_at
from edgeinspect.simulate.cases import natural_shell
from edgeinspect.station.calibrations import read_calibration, write_calibration
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.run import Ready, inspect_set
from edgeinspect.store.inspections import Store
from tests.samples import looks
from tests.samples.truth import SAMPLES

from .scenes import good_picture, taken

TAKEN_AT = "2026-11-25T10:00:00.000000Z"


def twin(seed: int) -> CameraCalibration:
    """The calibration of a camera of the same make over a like fixture: another lens, hung a few millimetres
    elsewhere.
    """
    random = np.random.default_rng([seed, 4])
    own = looks.calibration()
    fx, fy, cx, cy = own.model.parameters[:4] + random.normal(0, [8.0, 8.0, 5.0, 5.0])
    lens = own.model.distortion * (1 + random.normal(0, 0.1, 5))
    place = (14.0 + random.normal(0, 3.0), -9.0 + random.normal(0, 3.0), 912.0 + random.normal(0, 3.0))
    pose = looking_at(place, (random.normal(0, 1.0), random.normal(0, 1.0), 0.0), random.normal(0, 0.3))
    return replace(own, model=CameraModel(1600, 1200, fx, fy, cx, cy, lens), fixture_pose=pose)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_twin_cameras_calibration_is_never_green(seed: int) -> None:
    station, definition = looks.station(), looks.gauge().setup.definition
    gauge = ShellGauge(definition, {"top": twin(seed)}, station.fixture, station.seatings["toplid"])
    measurement = gauge.measure(
        "standard", {"top": taken(good_picture(7), 7)}, Temperature(natural_shell(7).temperature_c)
    )
    verdict = judge(measurement, definition)
    assert verdict.answer is Answer.NO_RESULT
    assert "camera top has moved" in verdict.sentence.lower()
    assert "calibrate again" in verdict.action


def test_a_lens_changed_without_calibrating_is_never_green() -> None:
    """The camera hangs where it hung, its focal length is off by 0.4 %."""
    own, station, definition = looks.calibration(), looks.station(), looks.gauge().setup.definition
    other = replace(own, model=replace(own.model, fx=1.004 * own.model.fx, fy=1.004 * own.model.fy))
    gauge = ShellGauge(definition, {"top": other}, station.fixture, station.seatings["toplid"])
    measurement = gauge.measure(
        "standard", {"top": taken(good_picture(7), 7)}, Temperature(natural_shell(7).temperature_c)
    )
    verdict = judge(measurement, definition)
    assert verdict.answer is Answer.NO_RESULT
    assert "has moved" in verdict.sentence


def test_another_cameras_file_is_refused_by_name(tmp_path: Path) -> None:
    path = write_calibration(tmp_path, looks.calibration())
    setup = replace(looks.station().cameras[0], name="rear")
    with pytest.raises(CalibrationError) as caught:
        read_calibration(path, setup)
    assert any("calibration of camera top, must be of camera rear" in problem for problem in caught.value.problems)


def clock() -> Callable[[], str]:
    seconds = iter(range(10, 60))
    return lambda: f"2026-11-25T10:00:{next(seconds)}.000000Z"


def came_in(folder: Path, name: str, content: bytes) -> PictureSet:
    path = folder / f"20261125T100000.000000Z_{name}"
    path.write_bytes(content)
    shell_id, _, rest = name.partition("_")
    return PictureSet(shell_id, TAKEN_AT, (Arrived(rest.partition(".")[0], name, path),))


def test_a_stale_picture_is_named_and_never_green(tmp_path: Path) -> None:
    """A good shell's picture, then the same again for the next shell, as it was and in another wrapping."""
    ready = Ready(
        looks.station(),
        Expected("toplid", "standard", looks.truth().shells["L1001"]["temperature_c"]),
        looks.gauge().setup.definition,
        looks.gauge(),
    )
    picture = (SAMPLES / "shells/L1001_top.webp").read_bytes()
    levels = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_GRAYSCALE)
    wrapped = cv2.imencode(".tif", levels)[1].tobytes()
    now = clock()
    with Store.open(tmp_path / "data") as store:
        first = inspect_set(came_in(tmp_path, "L1_top.webp", picture), ready, store, now).inspection
        again = inspect_set(came_in(tmp_path, "L2_top.webp", picture), ready, store, now).inspection
        other = inspect_set(came_in(tmp_path, "L3_top.tif", wrapped), ready, store, now).inspection
    assert first.verdict.answer is Answer.CONFORMING, first.verdict.sentence
    for stale in (again, other):
        assert stale.verdict.answer is Answer.NO_RESULT
        assert stale.verdict.sentence == "The same picture as shell L1: camera top did not take a new one"
