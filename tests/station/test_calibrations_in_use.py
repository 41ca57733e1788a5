"""Which calibration a station measures with: chosen by a person for a reason, written down, and never overwritten."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from edgeinspect.errors import CalibrationError, InputError
from edgeinspect.geometry import Pose
from edgeinspect.measure.camera import CameraCalibration, CameraModel, LengthCheck
from edgeinspect.station.calibrations import write_calibration
from edgeinspect.station.calibrations_in_use import (
    calibrations_in_use,
    go_back_to,
    keep_new,
    known_calibrations,
    plain_words,
)
from edgeinspect.station.config import Station
from edgeinspect.store.inspections import Store

FIRST, SECOND = "top-20260102t030405z-0123abcd", "top-20260203t040506z-4567cdef"
LENGTHS = (
    LengthCheck("board, left to right", 330.0, 330.02, 0.01),
    LengthCheck("board, top to foot", 240.0, 239.95, 0.01),
)


def made(name: str, made_at: str, camera: str = "top") -> CameraCalibration:
    model = CameraModel(120, 100, 300.0, 300.0, 60.0, 50.0, np.zeros(5))
    pose = Pose.from_degrees((180.0, 0.0, 0.0), (0.0, 0.0, 900.0))
    return CameraCalibration(name, camera, made_at, model, np.eye(9), 0.03, 12, pose, 0.4, 0.8, LENGTHS)


OLD, NEW = made(FIRST, "2026-01-02T03:04:05Z"), made(SECOND, "2026-02-03T04:05:06Z")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path) as opened:
        yield opened


def in_use(station: Station, data: Path, store: Store) -> str:
    found = calibrations_in_use(station.cameras, data / "calibrations", store.calibrations.in_use())
    return found["top"][0].calibration_id


def test_as_long_as_nobody_has_chosen_the_newest_counts(station: Station, tmp_path: Path, store: Store) -> None:
    with pytest.raises(CalibrationError, match="camera top is not calibrated"):
        in_use(station, tmp_path, store)
    for calibration in (NEW, OLD):
        write_calibration(tmp_path / "calibrations", calibration)
    assert in_use(station, tmp_path, store) == SECOND
    assert [(one.calibration_id, one.in_use, one.who) for one in _known(station, tmp_path, store)] == [
        (SECOND, True, ""),
        (FIRST, False, ""),
    ]


def _known(station: Station, data: Path, store: Store) -> tuple[object, ...]:
    return known_calibrations(station, data / "calibrations", store)


def test_a_new_one_is_used_until_somebody_goes_back(station: Station, tmp_path: Path, store: Store) -> None:
    for calibration, who in ((OLD, "Kim"), (NEW, "Lee")):
        keep_new(station, tmp_path, store, calibration, who)
    assert in_use(station, tmp_path, store) == SECOND
    back = go_back_to(station, tmp_path, store, FIRST, "Ada", "the lens was put back", "2026-02-04T00:00:00Z")
    assert back.calibration_id == in_use(station, tmp_path, store) == FIRST
    uses = [(use.calibration_id, use.at[:10], use.who, use.why) for use in store.calibrations.uses()]
    assert uses == [
        (FIRST, "2026-02-04", "Ada", "the lens was put back"),
        (SECOND, "2026-02-03", "Lee", "calibrated"),
        (FIRST, "2026-01-02", "Kim", "calibrated"),
    ]
    newest, oldest = known_calibrations(station, tmp_path / "calibrations", store)
    assert (newest.calibration_id, newest.who, newest.in_use) == (SECOND, "Lee", False)
    assert (oldest.calibration_id, oldest.who, oldest.in_use) == (FIRST, "Kim", True)
    assert oldest.worst_length == LENGTHS[1], "0.05 mm wrong, the other 0.02 mm"


def test_a_file_that_is_gone_comes_back_from_the_record(station: Station, tmp_path: Path, store: Store) -> None:
    paths = [keep_new(station, tmp_path, store, calibration, "Kim") for calibration in (OLD, NEW)]
    content = paths[0].read_bytes()
    paths[0].unlink()
    go_back_to(station, tmp_path, store, FIRST, "Kim", "try", "2026-02-04T00:00:00Z")
    assert paths[0].read_bytes() == content
    paths[0].unlink()
    with pytest.raises(CalibrationError, match=f"{FIRST}.json cannot be read"):
        in_use(station, tmp_path, store)  # the newer one does not stand in for the one that was chosen


def test_what_does_not_fit_changes_nothing(station: Station, tmp_path: Path, store: Store) -> None:
    keep_new(station, tmp_path, store, OLD, "Kim")
    larger = replace(OLD, calibration_id=SECOND, model=replace(OLD.model, width_px=240, height_px=200, cx=120, cy=100))
    write_calibration(tmp_path / "calibrations", larger)
    rear = made("rear-20260102t030405z-0123abcd", OLD.made_at, "rear")
    write_calibration(tmp_path / "calibrations", rear)
    before = store.calibrations.uses()
    for name, words in (
        ("top-1", f"there is no calibration 'top-1', known are rear-20260102t030405z-0123abcd, {FIRST}, {SECOND}"),
        ("../record", "there is no calibration '../record'"),
        (SECOND, "it is for pictures of 240 x 200 px, camera top takes 120 x 100"),
        (rear.calibration_id, "is of no camera of station trim-1"),
        (FIRST, "camera top measures with .* already: nothing was changed"),
    ):
        with pytest.raises(CalibrationError, match=words):
            go_back_to(station, tmp_path, store, name, "Kim", "try", "2026-02-04T00:00:00Z")
    assert store.calibrations.uses() == before
    assert in_use(station, tmp_path, store) == FIRST


def test_a_damaged_one_is_listed_with_its_problem(station: Station, tmp_path: Path, store: Store) -> None:
    path = keep_new(station, tmp_path, store, OLD, "Kim")
    (path.parent / f"{SECOND}.json").write_text("{")
    damaged = {one.calibration_id: one for one in known_calibrations(station, path.parent, store)}[SECOND]
    assert damaged.calibration is None and "cannot be read" in damaged.problem and damaged.worst_length is None


@pytest.mark.parametrize("words", ["", "   ", "a\nb", "x" * 201, "\x07"])
def test_names_and_reasons_are_plain_words(words: str) -> None:
    with pytest.raises(InputError, match=r"--who is .*, must be 1 to 200 printable characters"):
        plain_words("--who", words)
    assert plain_words("--who", "  Kim Larsen-Öz ") == "Kim Larsen-Öz"
