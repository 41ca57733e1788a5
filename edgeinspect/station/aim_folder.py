"""Pictures for placing a decal come in through a folder of their own, are looked at once and deleted.

    <data>/aim/    named as all pictures, <shell-id>_<camera>.<ext>; of each camera only the newest counts

The camera program may write the same name again and again. A name ending in .part or .tmp is still being written.
"""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass
from pathlib import Path

from edgeinspect.errors import PictureError, StoreError
from edgeinspect.station.config import Station
from edgeinspect.station.intake import is_left_alone
from edgeinspect.station.pictures import is_complete, parse_name
from edgeinspect.store import files

CUT_OFF_S = 5.0  # a file that never ends is dropped, and said
_upload_lock = threading.Lock()


@dataclass(frozen=True)
class Came:
    """A picture as it came in."""

    shell_id: str
    camera: str
    name: str
    content: bytes


@dataclass
class _Seen:
    size: int
    mtime_ns: int
    since_s: float


class AimFolder:
    """The caller brings the clock, which only runs forward [s]."""

    def __init__(self, station: Station, data: Path) -> None:
        self._station, self._path = station, data / station.folders.aim
        self._cameras = tuple(camera.name for camera in station.cameras)
        self._seen: dict[str, _Seen] = {}
        try:
            self._path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise files.explained(error, self._path / "picture") from error

    def newest(self, clock_s: float) -> tuple[list[Came], list[str]]:
        """The newest whole picture of each camera, and a sentence for each file that cannot be one.

        A file counts when it stood still from one call to the next and its end is there. Raises StoreError.
        """
        waiting = self._settled(clock_s)
        came: dict[str, Came] = {}
        problems: list[str] = []
        for _, path in sorted(waiting, reverse=True):
            try:
                name = parse_name(path.name, self._cameras)
            except PictureError as error:
                problems += error.problems
                self._drop(path)
                continue
            if name.camera in came:
                self._drop(path)  # an older one
                continue
            size, limit = self._seen[path.name].size, self._station.intake.picture_limit_bytes
            if size > limit:
                problems.append(f"{path.name} has {size / 1e6:.1f} MB, must have at most {limit / 1e6:.1f} MB")
                self._drop(path)
                continue
            content = self._read(path)
            if content is None:
                continue
            if not is_complete(content):
                if clock_s - self._seen[path.name].since_s >= CUT_OFF_S:
                    problems.append(f"{path.name} is cut off after {len(content)} bytes: check the camera program")
                    self._drop(path)
                continue
            came[name.camera] = Came(name.shell_id, name.camera, path.name, content)
            self._drop(path)
        return list(came.values()), problems

    def _settled(self, clock_s: float) -> list[tuple[int, Path]]:
        """Time of writing [ns] and path of files that stand still."""
        here: dict[str, _Seen] = {}
        settled = []
        try:
            with os.scandir(self._path) as entries:
                for entry in entries:
                    if is_left_alone(entry):
                        continue
                    try:
                        status = entry.stat()
                    except FileNotFoundError:
                        continue  # gone since the folder was read
                    before = self._seen.get(entry.name)
                    if before is not None and (before.size, before.mtime_ns) == (status.st_size, status.st_mtime_ns):
                        here[entry.name] = before
                        settled.append((status.st_mtime_ns, Path(entry.path)))
                    else:
                        here[entry.name] = _Seen(status.st_size, status.st_mtime_ns, clock_s)
        except OSError as error:
            raise StoreError(f"{self._path} cannot be read ({error.strerror or error}): check the folder") from error
        self._seen = here
        return settled

    def _read(self, path: Path) -> bytes | None:
        try:
            return path.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise files.explained(error, path) from error

    def _drop(self, path: Path) -> None:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise files.explained(error, path) from error


def receive_for_aiming(station: Station, data: Path, name: str, content: bytes) -> None:
    """Put an uploaded picture into the folder, whole, instead of one of that name. Raises PictureError, StoreError."""
    parse_name(name, [camera.name for camera in station.cameras])
    limit = station.intake.picture_limit_bytes
    if len(content) > limit:
        raise PictureError(f"{name} has {len(content) / 1e6:.1f} MB, must have at most {limit / 1e6:.1f} MB")
    path = data / station.folders.aim / name
    unfinished = path.with_name(f"{path.name}.part")
    with _upload_lock:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            unfinished.write_bytes(content)  # not synced: a power cut may take it, nobody keeps it anyway
            os.replace(unfinished, path)
        except OSError as error:
            raise files.explained(error, path) from error
