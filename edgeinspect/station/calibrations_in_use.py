"""Which calibration each camera measures with: the one that somebody chose last, else the newest.

The files lie in the data folder; the record keeps a copy of each with who made it, and who chose it, when and why.
"""

from __future__ import annotations

import getpass
from collections.abc import Mapping
from pathlib import Path

from edgeinspect.errors import CalibrationError, InputError
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.station.calibrations import calibration_path, read_calibration, write_calibration
from edgeinspect.station.config import Station
from edgeinspect.store.calibrations import CalibrationUse, KeptCalibration
from edgeinspect.store.files import write_durably
from edgeinspect.store.inspections import Store

LONGEST_NAME, LONGEST_REASON = 80, 300


def calibrations_in_use(
    station: Station, folder: Path, chosen: Mapping[str, str]
) -> dict[str, tuple[CameraCalibration, str]]:
    """The calibration of every camera with the text of its file.

    Parameters: chosen - calibration id by camera, as the record says (``CalibrationRecord.in_use``); of a camera that
    it does not name the newest file counts.
    Raises CalibrationError: none there, or that one is not usable (no other one stands in for it).
    """
    found = {}
    for setup in station.cameras:
        if setup.name in chosen:
            path = calibration_path(folder, chosen[setup.name])
        else:
            # <camera>-<time>-<hash>.json: the last in order of name is the newest
            files = sorted(folder.glob(f"{setup.name}-????????t??????z-*.json"))
            if not files:
                raise CalibrationError(f"camera {setup.name} is not calibrated: calibrate it")
            path = files[-1]
        try:
            found[setup.name] = read_calibration(path, setup), path.read_text(encoding="utf-8")
        except OSError as error:
            raise CalibrationError(f"{path.name} cannot be read ({error.strerror or error})") from error
    return found


def kept(calibration: CameraCalibration, content: str, who: str = "") -> KeptCalibration:
    """A calibration as the record keeps it."""
    return KeptCalibration(calibration.calibration_id, calibration.camera, calibration.made_at, content, who)


def keep_new(
    station: Station, data: Path, store: Store, calibration: CameraCalibration, who: str, why: str = "calibrated"
) -> Path:
    """Keep a calibration that was made just now; the camera measures with it from then on. Raises StoreError."""
    path = write_calibration(data / station.folders.calibrations, calibration)
    use = CalibrationUse(calibration.camera, calibration.calibration_id, calibration.made_at, who, why)
    store.calibrations.keep(kept(calibration, path.read_text(encoding="utf-8"), who), use)
    return path


def go_back_to(
    station: Station, data: Path, store: Store, calibration_id: str, who: str, why: str, at: str
) -> CameraCalibration:
    """Measure with an older calibration from now on; the record says who wanted it, when and why.

    Its file is written again from the record where it is gone. Raises CalibrationError if it is not known or does not
    fit the camera; then the one in use stays.
    """
    folder = data / station.folders.calibrations
    path, recorded = calibration_path(folder, calibration_id), store.calibrations.one(calibration_id)
    if recorded is None and calibration_id not in {file.stem for file in folder.glob("*.json")}:
        known = ", ".join(sorted({one.calibration_id for one in store.calibrations.all()})) or "none"
        raise CalibrationError(f"there is no calibration {calibration_id!r}, known are {known}")
    if recorded is not None and not path.exists():
        write_durably(path, recorded.content.encode())
    setup = next((setup for setup in station.cameras if setup.name == calibration_id.rsplit("-", 2)[0]), None)
    if setup is None:
        raise CalibrationError(f"{calibration_id} is of no camera of station {station.name}")
    calibration = read_calibration(path, setup)
    if store.calibrations.in_use().get(setup.name) == calibration_id:
        raise CalibrationError(f"camera {setup.name} measures with {calibration_id} already: nothing was changed")
    use = CalibrationUse(setup.name, calibration_id, at, who, why)
    store.calibrations.keep(kept(calibration, path.read_text(encoding="utf-8")), use)
    return calibration


def person(who: str | None) -> str:
    """The name to be recorded; None takes the name under which this computer knows its user. Raises InputError."""
    if who is None:
        try:
            who = getpass.getuser()
        except (OSError, KeyError, ImportError):
            raise InputError("--who is missing, must be your name: this computer does not say it") from None
    return _plain_words("--who", who, LONGEST_NAME)


def reason(why: str) -> str:
    """The reason to be recorded. Raises InputError."""
    return _plain_words("--why", why, LONGEST_REASON)


def _plain_words(option: str, words: str, longest: int) -> str:
    words = words.strip()
    if not words or len(words) > longest or not words.isprintable():
        raise InputError(f"{option} is {words[:40]!r}, must be 1 to {longest} printable characters")
    return words
