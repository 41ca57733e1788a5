"""Which calibration each camera measures with: the one that somebody chose last, else the newest.

The files lie in the data folder; the record keeps a copy of each with who made it, and who chose it, when and why.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from edgeinspect.errors import CalibrationError, InputError
from edgeinspect.measure.camera import CameraCalibration, LengthCheck
from edgeinspect.station.calibrations import (
    calibration_path,
    read_calibration,
    recorded_calibration,
    write_calibration,
)
from edgeinspect.station.config import CameraSetup, Station
from edgeinspect.store.calibrations import CalibrationUse, KeptCalibration
from edgeinspect.store.changes import AT_THE_MACHINE
from edgeinspect.store.files import write_durably
from edgeinspect.store.inspections import Store

LONGEST_WORDS = 200  # of a name or a reason


def calibrations_in_use(
    cameras: Iterable[CameraSetup], folder: Path, chosen: Mapping[str, str]
) -> dict[str, tuple[CameraCalibration, str]]:
    """The calibration of each of the cameras with the text of its file.

    Parameters: chosen - calibration id by camera, as the record says (``CalibrationRecord.in_use``); of a camera that
    it does not name the newest file counts.
    Raises CalibrationError: none there, or that one is not usable (no other one stands in for it).
    """
    found = {}
    for setup in cameras:
        name = _in_use(setup.name, folder, chosen)
        if name is None:
            raise CalibrationError(f"camera {setup.name} is not calibrated: calibrate it")
        path = calibration_path(folder, name)
        try:
            found[setup.name] = read_calibration(path, setup), path.read_text(encoding="utf-8")
        except OSError as error:
            raise CalibrationError(f"{path.name} cannot be read ({error.strerror or error})") from error
    return found


def _in_use(camera: str, folder: Path, chosen: Mapping[str, str]) -> str | None:
    if camera in chosen:
        return chosen[camera]
    # <camera>-<time>-<hash>.json: the last in order of name is the newest
    return max((file.stem for file in folder.glob(f"{camera}-????????t??????z-*.json")), default=None)


@dataclass(frozen=True)
class KnownCalibration:
    """A calibration of the record, or a file that the record does not know yet."""

    calibration_id: str
    camera: str
    made_at: str  # ISO 8601, UTC; "" where it cannot be read
    who: str  # made it; "" where nobody was named
    in_use: bool
    calibration: CameraCalibration | None  # None: cannot be read, see problem
    problem: str = ""

    @property
    def worst_length(self) -> LengthCheck | None:
        """The known length that it read back worst when it was made, through the fixture marks alone."""
        lengths = self.calibration.lengths if self.calibration else ()
        return max(lengths, key=lambda check: abs(check.reading_mm - check.nominal_mm), default=None)


def known_calibrations(station: Station, folder: Path, store: Store) -> tuple[KnownCalibration, ...]:
    """All that the record and the folder know, newest first. Raises StoreError."""
    chosen = store.calibrations.in_use()
    used = {_in_use(setup.name, folder, chosen) for setup in station.cameras}
    recorded = {one.calibration_id: one for one in store.calibrations.all()}
    found = []
    for name in sorted({*recorded, *(file.stem for file in folder.glob("*.json"))}):
        one, calibration, problem = recorded.get(name), None, ""
        try:
            content = one.content if one else calibration_path(folder, name).read_text(encoding="utf-8")
            calibration = recorded_calibration(content, name)
        except (CalibrationError, OSError, UnicodeDecodeError) as error:
            problem = f"cannot be read: {str(error).splitlines()[0]}"
        camera = calibration.camera if calibration else camera_of(name)
        made_at = calibration.made_at if calibration else one.made_at if one else ""
        found.append(
            KnownCalibration(name, camera, made_at, one.who if one else "", name in used, calibration, problem)
        )
    return tuple(sorted(found, key=lambda one: (one.made_at, one.calibration_id), reverse=True))


def camera_of(calibration_id: str) -> str:
    return calibration_id.rsplit("-", 2)[0]


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
    station: Station,
    data: Path,
    store: Store,
    calibration_id: str,
    who: str,
    why: str,
    at: str,
    role: str = AT_THE_MACHINE,
) -> CameraCalibration:
    """Measure with an older calibration from now on; the record says who wanted it, when and why.

    Its file is written again from the record where it is gone. Raises CalibrationError if it is not known or does not
    fit the camera; then the one in use stays.
    """
    folder = data / station.folders.calibrations
    known = {one.calibration_id for one in known_calibrations(station, folder, store)}
    if calibration_id not in known:
        raise unknown(calibration_id, known)
    setup = next((setup for setup in station.cameras if setup.name == camera_of(calibration_id)), None)
    if setup is None:
        raise CalibrationError(f"{calibration_id} is of no camera of station {station.name}")
    path, recorded = calibration_path(folder, calibration_id), store.calibrations.one(calibration_id)
    if recorded is not None and not path.exists():
        write_durably(path, recorded.content.encode())
    calibration = read_calibration(path, setup)
    if store.calibrations.in_use().get(setup.name) == calibration_id:
        raise CalibrationError(f"camera {setup.name} measures with {calibration_id} already: nothing was changed")
    use = CalibrationUse(setup.name, calibration_id, at, who, why)
    store.calibrations.keep(kept(calibration, path.read_text(encoding="utf-8")), use, role)
    return calibration


def unknown(calibration_id: str, known: Iterable[str]) -> CalibrationError:
    names = ", ".join(sorted(known)) or "none"
    return CalibrationError(f"there is no calibration {calibration_id!r}, known are {names}")


def plain_words(option: str, words: str, longest: int = LONGEST_WORDS) -> str:
    """A name or a reason as the record keeps it. Raises InputError."""
    words = words.strip()
    if not words or len(words) > longest or not words.isprintable():
        raise InputError(f"{option} is {words[:40]!r}, must be 1 to {longest} printable characters")
    return words
