"""Calibration files: what is written is read again exactly; what is damaged, of another camera or of another size is
refused in a sentence.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from edgeinspect.errors import CalibrationError, StoreError
from edgeinspect.geometry import Pose
from edgeinspect.measure.camera import CameraCalibration, CameraModel, LengthCheck
from edgeinspect.station.calibrations import read_calibration, write_calibration
from edgeinspect.station.config import CameraSetup

TOP = CameraSetup("top", 1600, 1200, 8)


def _calibration() -> CameraCalibration:
    random = np.random.default_rng(4)
    root = random.normal(size=(9, 9)) * np.array([0.5, 0.5, 0.3, 0.3, 1e-3, 0.02, 2e-5, 2e-5, 0.15])[:, None]
    return CameraCalibration(
        "top-20260102t030405z-0123abcd",
        "top",
        "2026-01-02T03:04:05Z",
        CameraModel(1600, 1200, 3004.2, 3003.1, 805.3, 594.6, np.array([-0.121, 0.103, 3.1e-4, -2.7e-4, 1 / 3])),
        root @ root.T,
        0.03,
        13,
        Pose.from_degrees((180.3, 0.4, 0.1), (-4.0, 6.0, 905.0)),
        0.41,
        0.8,
        (LengthCheck("board, upper left to upper right", 330.0, 330.02, 0.01),),
        mark_blurs_px=((0, 0.9), (17, 2.0 / 3.0)),
    )


def test_what_is_written_is_read_again_to_the_last_digit(tmp_path: Path) -> None:
    calibration = _calibration()
    path = write_calibration(tmp_path / "calibrations", calibration)
    assert path == tmp_path / "calibrations" / "top-20260102t030405z-0123abcd.json"
    again = read_calibration(path, TOP)
    assert np.array_equal(again.model.parameters, calibration.model.parameters)
    assert np.array_equal(again.covariance, calibration.covariance)
    assert np.array_equal(again.fixture_pose.rotation, calibration.fixture_pose.rotation)
    assert np.array_equal(again.fixture_pose.translation_mm, calibration.fixture_pose.translation_mm)
    same = "calibration_id", "camera", "made_at", "rms_px", "views", "grey_level", "blur_px", "lengths"
    for name in (*same, "mark_blurs_px"):
        assert getattr(again, name) == getattr(calibration, name)
    assert [p.name for p in path.parent.iterdir()] == [path.name], "nothing half-written stays behind"


def test_a_calibration_that_could_not_be_read_again_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="rms_px"):
        write_calibration(tmp_path, replace(_calibration(), rms_px=float("nan")))
    assert not list(tmp_path.iterdir())


def test_a_disk_that_does_not_keep_it_is_told(tmp_path: Path) -> None:
    (tmp_path / "calibrations").write_text("a file where the folder should be")
    with pytest.raises(StoreError):
        write_calibration(tmp_path / "calibrations", _calibration())


def test_another_camera_and_another_size_are_refused_together(tmp_path: Path) -> None:
    path = write_calibration(tmp_path, _calibration())
    with pytest.raises(CalibrationError) as refused:
        read_calibration(path, CameraSetup("side", 2448, 2048, 8))
    first, second = refused.value.problems
    assert "it is the calibration of camera top, must be of camera side" in first
    assert "it is for pictures of 1600 x 1200 px, camera side takes 2448 x 2048: calibrate again" in second


def _set(key: str, value: object) -> Callable[[dict[str, Any]], None]:
    def change(content: dict[str, Any]) -> None:
        content["calibration"][key] = value

    return change


def _asymmetric(content: dict[str, Any]) -> None:
    content["calibration"]["covariance"][0][1] *= 1.5


def _negative(content: dict[str, Any]) -> None:
    content["calibration"]["covariance"][3][3] = -1.0


def _impossible(content: dict[str, Any]) -> None:
    """Symmetric, no negative variance, and yet a correlation beyond 1."""
    covariance = content["calibration"]["covariance"]
    covariance[0][1] = covariance[1][0] = 2.0 * (covariance[0][0] * covariance[1][1]) ** 0.5


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (_set("fx", -3000.0), "calibration.fx is -3000, must be above 0"),
        (_set("fx", "3000"), 'calibration.fx is "3000", must be a number'),
        (_set("fx", 30.0), "cannot be of a lens on such a picture"),
        (_set("cx", 4000.0), "cx, cy is 4000, 594.6, must lie in the picture"),
        (_set("gain", 1.0), "calibration.gain is not a known key"),
        (_set("distortion", [0.0] * 4), "calibration.distortion"),
        (_set("covariance", [[0.0] * 9] * 8), "calibration.covariance"),
        (_set("fixture_rotation", np.diag([1.0, 1.0, -1.0]).tolist()), "rotation is not a proper rotation matrix"),
        (_set("fixture_rotation", np.eye(3).tolist()), "puts the camera below the fixture plate"),
        (_set("calibration_id", "../../etc"), 'calibration.calibration_id is "../../etc", must be an id such as "top-'),
        (
            _set("calibration_id", "top-20260102t030405z-00000000"),
            "must be the file's name top-20260102t030405z-0123abcd",
        ),
        (_asymmetric, "covariance is not one: it must be symmetric"),
        (_negative, "covariance is not one: it must be symmetric with no negative variance"),
        (_impossible, "covariance is not one: it has a direction of negative variance"),
        (lambda content: content.pop("calibration"), "[calibration] is missing"),
        (lambda content: content.pop("format"), "format is missing"),
        (lambda content: content.update(format=2), "format is 2, must be 1"),
        (lambda content: content.update(more=1), "more is not a known key"),
    ],
)
def test_damage_is_named(tmp_path: Path, damage: Callable[[dict[str, Any]], None], said: str) -> None:
    path = write_calibration(tmp_path, _calibration())
    content = json.loads(path.read_text())
    damage(content)
    path.write_text(json.dumps(content))
    with pytest.raises(CalibrationError) as refused:
        read_calibration(path, TOP)
    assert said in str(refused.value)
    assert all(path.name in problem and "\n" not in problem for problem in refused.value.problems)


def test_all_mistakes_at_once(tmp_path: Path) -> None:
    path = write_calibration(tmp_path, _calibration())
    content = json.loads(path.read_text())
    content["calibration"] |= {"fx": -1.0, "blur_px": 0.0, "views": 0}
    path.write_text(json.dumps(content))
    with pytest.raises(CalibrationError) as refused:
        read_calibration(path, TOP)
    assert len(refused.value.problems) == 3


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b"\x00" * 100,
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"format": 1e999}',
        b"1" * 5000,
        b" " * 300_000,
    ],
)
def test_what_is_no_calibration_file_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "top-20260102t030405z-0123abcd.json"
    path.write_bytes(content)
    with pytest.raises(CalibrationError) as refused:
        read_calibration(path, TOP)
    assert path.name in str(refused.value) and len(str(refused.value)) < 400


def test_a_file_cut_anywhere_is_refused(tmp_path: Path) -> None:
    path = write_calibration(tmp_path, _calibration())
    whole = path.read_bytes()
    for length in range(0, len(whole.rstrip()), 37):
        path.write_bytes(whole[:length])
        with pytest.raises(CalibrationError):
            read_calibration(path, TOP)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match="cannot be read: No such file"):
        read_calibration(tmp_path / "none.json", TOP)
