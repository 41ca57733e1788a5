"""Calibrating from a folder: the ray-traced sample pictures against the scene's own camera, and every way a folder
can be wrong.

truth.json is written from the scene; the camera that it describes is rebuilt here with the simulator's own projection.
"""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from edgeinspect.errors import CalibrationError, InputError, PictureError
from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.calibration_fixture import places_on_plane
from edgeinspect.measure.calibration_uncertainty import calibration_displacements
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.simulate.camera import TrueCamera
from edgeinspect.station.calibrations import calibrate_folder, read_calibration, write_calibration
from edgeinspect.station.config import Station, load_station

SAMPLES = Path(__file__).parents[2] / "sample_images"
PICTURES = SAMPLES / "calibration"
AT = "2026-01-02T03:04:05+00:00"
Calibrated = tuple[CameraCalibration, list[str], list[tuple[int, int, str]]]
MARK_NOISE_PX = 0.015  # of a mark's corner: find_marks leaves 0.011 px on the sample picture


@pytest.fixture(scope="module")
def station() -> Station:
    return load_station(SAMPLES / "station.toml")


@pytest.fixture(scope="module")
def calibrated(station: Station) -> Calibrated:
    steps: list[tuple[int, int, str]] = []
    calibration, lines = calibrate_folder(PICTURES, station, "top", AT, lambda *step: steps.append(step))
    return calibration, lines, steps


@pytest.fixture(scope="module")
def truth() -> TrueCamera:
    camera = json.loads((SAMPLES / "truth.json").read_text())["camera"]
    pose = Pose(
        np.array(camera["fixture_to_camera"]["rotation"]), np.array(camera["fixture_to_camera"]["translation_mm"])
    )
    lens = camera["distortion"]
    return TrueCamera(
        camera["width_px"],
        camera["height_px"],
        camera["fx_px"],
        camera["fy_px"],
        camera["cx_px"],
        camera["cy_px"],
        (lens["k1"], lens["k2"], lens["p1"], lens["p2"], lens["k3"]),
        pose,
    )


def _places(z_mm: float) -> Array:
    grid = np.meshgrid(np.linspace(-200, 200, 9), np.linspace(-150, 150, 7), [z_mm])
    return np.stack(grid, axis=-1).reshape(-1, 3)


def test_the_samples_give_the_scenes_camera(calibrated: Calibrated, truth: TrueCamera) -> None:
    calibration = calibrated[0]
    scene = np.array([truth.fx_px, truth.fy_px, truth.cx_px, truth.cy_px, *truth.distortion])
    away = (calibration.model.parameters - scene) / np.sqrt(np.diag(calibration.covariance))
    assert np.abs(away).max() < 4.0, away
    assert calibration.model.parameters[:2] == pytest.approx(scene[:2], abs=0.6)
    assert calibration.views == len(list(PICTURES.glob("*.webp"))) and calibration.rms_px < 0.05


@pytest.mark.parametrize("z_mm", [0.0, 30.0, 60.0, 80.0])
def test_places_are_read_where_they_are(
    calibrated: Calibrated,
    truth: TrueCamera,
    station: Station,
    z_mm: float,
) -> None:
    """The scene's places, seen by the scene's camera, read by the calibrated one: wrong by no more than it says of
    itself.
    """
    calibration, places = calibrated[0], _places(z_mm)
    read = places_on_plane(truth.project(places), calibration.model, calibration.fixture_pose, z_mm)
    errors = (read - places)[:, :2]
    ways = calibration_displacements(calibration, station.fixture, places, MARK_NOISE_PX)
    u = np.sqrt((ways**2).sum(axis=0))
    assert np.abs(errors).max() < 0.01
    assert (np.abs(errors) < 3.0 * u).all()
    assert np.sqrt(((errors / u) ** 2).mean()) < 1.5


def test_known_lengths_are_read_back(calibrated: Calibrated) -> None:
    lengths = calibrated[0].lengths
    assert len(lengths) == 8
    for check in lengths:
        assert abs(check.reading_mm - check.nominal_mm) < min(0.05, 3.0 * check.u_mm), check


def test_the_report_is_for_people(calibrated: Calibrated) -> None:
    calibration, lines, steps = calibrated
    assert lines[0] == f"camera top: {calibration.views} pictures of the board used"
    assert re.fullmatch(
        r"checked on 8 lengths of the board by the fixture marks alone; the worst reads \d+\.\d\d for \d+\.\d\d mm .*",
        lines[1],
    )
    assert lines[2].startswith("good to ±0.0")
    metrologist = next(k for k, line in enumerate(lines) if line.startswith("for the metrologist"))
    assert all(" px" not in line for line in lines[:metrologist]), "pixels come last"
    assert steps[0][0] == 0 and steps[-1] == (calibration.views, calibration.views, "done")
    assert [step[0] for step in steps] == sorted(step[0] for step in steps)


def test_the_same_pictures_give_the_same_calibration(calibrated: Calibrated, station: Station, tmp_path: Path) -> None:
    """The same id, and the same numbers but for the order in which OpenCV's threads add up: a millionth of their
    uncertainty.
    """
    calibration = calibrated[0]
    assert re.fullmatch(r"top-20260102t030405z-[0-9a-f]{8}", calibration.calibration_id)
    again, _ = calibrate_folder(PICTURES, station, "top", AT)
    assert again.calibration_id == calibration.calibration_id
    apart = np.abs(again.model.parameters - calibration.model.parameters)
    assert (apart < 1e-6 * np.sqrt(np.diag(calibration.covariance))).all()
    path = write_calibration(tmp_path, calibration)
    assert path.stem == calibration.calibration_id
    assert read_calibration(path, station.cameras[0]).lengths == calibration.lengths


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The fixture picture and seven of the board."""
    target = tmp_path / "pictures"
    target.mkdir()
    for name in ["fixture_board.webp", *sorted(p.name for p in PICTURES.glob("board_*.webp"))[:7]]:
        shutil.copy(PICTURES / name, target / name)
    return target


def _refusal(folder: Path, station: Station, camera: str = "top") -> tuple[str, ...]:
    with pytest.raises(InputError) as refused:
        calibrate_folder(folder, station, camera, AT)
    assert isinstance(refused.value, CalibrationError | PictureError)
    assert all("\n" not in problem for problem in refused.value.problems)
    return refused.value.problems


def test_an_unknown_camera_or_folder(station: Station, tmp_path: Path) -> None:
    assert _refusal(PICTURES, station, "side")[0].endswith("has no camera side, known are top, rear")
    assert "cannot be read: No such file or directory" in _refusal(tmp_path / "none", station)[0]
    assert "holds no pictures" in _refusal(tmp_path, station)[0]


def test_no_picture_in_the_fixture(folder: Path, station: Station) -> None:
    (folder / "fixture_board.webp").rename(folder / "other.webp")
    assert (
        "holds 0 pictures named fixture_board.*, must be one: lay the board in the fixture"
        in _refusal(folder, station)[0]
    )


def test_broken_pictures_are_all_named(folder: Path, station: Station) -> None:
    (folder / "board_01.webp").write_bytes(b"")
    whole = (folder / "board_02.webp").read_bytes()
    (folder / "board_02.webp").write_bytes(whole[: len(whole) // 2])
    (folder / "board_03.webp").write_bytes(b"\xff\xd8\xff not a PNG at all")
    problems = _refusal(folder, station)
    assert [problem.split(" ")[0] for problem in problems] == ["board_01.webp", "board_02.webp", "board_03.webp"]


def test_pictures_of_another_size(folder: Path, station: Station) -> None:
    other = replace(station, cameras=(replace(station.cameras[0], width_px=2448, height_px=2048),))
    problems = _refusal(folder, other)
    assert len(problems) == 8 and all("must have the camera's 2448 x 2048" in problem for problem in problems)


def test_another_board(folder: Path, station: Station) -> None:
    other = replace(station, board=replace(station.board, dictionary="DICT_6X6_250"))
    (problem,) = _refusal(folder, other)
    assert "no board was found in any of 8 pictures (board_01.webp, board_02.webp" in problem


def test_a_wrongly_scaled_board(folder: Path, station: Station) -> None:
    other = replace(station, board=replace(station.board, square_mm=30.3))
    (problem,) = _refusal(folder, other)
    assert "is square_mm 30.3 right (30.00 would fit)" in problem


def test_too_few_pictures(folder: Path, station: Station) -> None:
    for path in sorted(folder.glob("board_*.webp"))[3:]:
        path.unlink()
    (problem,) = _refusal(folder, station)
    assert "the board was found in 4 pictures, must be at least 6" in problem
