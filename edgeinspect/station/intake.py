"""Pictures come in through one folder, whoever puts them there: a camera program, a person, the page's upload.

    <data>/inbox/    where they are put; a name ending in .part or .tmp is still being written
    <data>/taken/    a set being looked at, until the record holds it: <time>_<shell-id>_<camera>.<ext>
    <data>/refused/  what could not be used, kept for a person to look at

The folder is asked again and again, not watched: a network folder sends no events. A file counts once its size and
time stand still and its end is there; one that never ends is handed on after the time-out, to be refused in words.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TypeGuard

from edgeinspect.errors import PictureError, StoreError
from edgeinspect.station.config import Station
from edgeinspect.station.pictures import PictureName, is_complete, parse_name
from edgeinspect.store import files

SETTLE_S = 0.4  # a file whose size and time have stood still for this long
IGNORED_ENDINGS = (".part", ".tmp", ".crdownload", "~")
IGNORED_NAMES = ("thumbs.db", "desktop.ini")  # what file managers leave behind
_STAMP = "%Y%m%dT%H%M%S.%fZ"
_upload_lock = threading.Lock()


@dataclass(frozen=True)
class Arrived:
    camera: str
    name: str  # as it came in
    path: Path  # where it lies now, in taken/


@dataclass(frozen=True)
class PictureSet:
    """What came in of one look at one shell."""

    shell_id: str
    taken_at: str  # ISO 8601 UTC
    arrived: tuple[Arrived, ...]


@dataclass
class _Waiting:
    """A file in the inbox, and when (on the caller's clock) it was first seen and seen to change."""

    name: PictureName | None  # None: not named as a picture must be
    problem: str
    first_s: float
    changed_s: float
    size: int = -1
    mtime_ns: int = -1
    complete: bool | None = None  # None: not looked at since the last change


class Inbox:
    """The folders of one station that pictures go through. The caller brings the clocks."""

    def __init__(self, station: Station, data: Path) -> None:
        names = (station.folders.inbox, station.folders.taken, station.folders.refused)
        self._inbox, self._taken, self._refused = (data / name for name in names)
        self._station = station
        self._cameras = tuple(camera.name for camera in station.cameras)
        self._wanted = self._cameras  # by the shell that is expected now
        self._timeout_s = station.intake.set_timeout_s
        self._limit_bytes = station.intake.picture_limit_bytes
        self._waiting: dict[str, _Waiting] = {}
        for folder in (self._inbox, self._taken, self._refused):
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise files.explained(error, folder / "picture") from error

    @property
    def waiting(self) -> str | None:
        """Shell id of the picture that has waited longest in the inbox."""
        named = [(item.first_s, name.shell_id) for item in self._waiting.values() if self._wants(name := item.name)]
        return min(named)[1] if named else None

    def poll(self, clock_s: float, now: str, shell: str = "") -> tuple[PictureSet | None, tuple[str, ...]]:
        """Look at the inbox once.

        Parameters: clock_s - a clock that only runs forward [s]; now - the time of day, ISO 8601 UTC; shell - that is
        expected at this moment: a set is complete with the cameras that look at it, and no other's picture is taken.
        Returns the next set, moved to taken/, or None; and a sentence for each file refused because of its name.
        Raises StoreError if a folder cannot be used.
        """
        self._wanted = tuple(camera.name for camera in self._station.cameras_for(shell))
        self._look(clock_s)
        sentences = []
        for file_name, item in list(self._waiting.items()):
            if not self._wants(item.name) and clock_s - item.changed_s >= SETTLE_S:
                self._refuse(self._inbox / file_name, file_name, now)
                needless = item.name and f"{file_name} is not used: camera {item.name.camera} does not look at {shell}"
                sentences.append(needless or item.problem)
                del self._waiting[file_name]
        ready = self._next_set(clock_s)
        return (None if ready is None else self._take(*ready, now)), tuple(sentences)

    def resume(self, is_recorded: Callable[[Path, str], bool], shell: str = "") -> list[PictureSet]:
        """After a start: the sets left in taken/ by the run before, oldest first; ``shell`` - that is expected.

        A set cut apart by a power cut while it was being taken goes back to the inbox, to be completed there; but not
        one that ``is_recorded(path, taken_at)`` says the record holds.
        """
        sets = []
        wanted = {camera.name for camera in self._station.cameras_for(shell)}
        for found in self._left_in_taken():
            recorded = all(is_recorded(item.path, found.taken_at) for item in found.arrived)
            missing = wanted - {item.camera for item in found.arrived}
            if missing and not recorded and not any((self._inbox / item.name).exists() for item in found.arrived):
                for item in found.arrived:
                    files.move_durably(item.path, self._inbox / item.name)
            else:
                sets.append(found)
        return sets

    def finish(self, done: PictureSet, refused: Collection[str] = ()) -> None:
        """The record holds this set: its files go, those of the cameras in ``refused`` to refused/."""
        for item in done.arrived:
            if item.camera in refused:
                self._refuse(item.path, item.name, done.taken_at)
            else:
                try:
                    item.path.unlink(missing_ok=True)
                except OSError as error:
                    raise files.explained(error, item.path) from error

    def _look(self, clock_s: float) -> None:
        seen = set()
        for entry in self._entries():
            try:
                status = entry.stat()
            except FileNotFoundError:
                continue  # gone since the folder was read
            except OSError as error:
                raise files.explained(error, Path(entry.path)) from error
            seen.add(entry.name)
            item = self._waiting.get(entry.name)
            if item is None:
                item = self._waiting[entry.name] = self._first_seen(entry.name, clock_s)
            if (status.st_size, status.st_mtime_ns) != (item.size, item.mtime_ns):
                item.size, item.mtime_ns, item.changed_s, item.complete = (
                    status.st_size,
                    status.st_mtime_ns,
                    clock_s,
                    None,
                )
        for gone in self._waiting.keys() - seen:
            del self._waiting[gone]

    def _entries(self) -> Iterator[os.DirEntry[str]]:
        try:
            with os.scandir(self._inbox) as entries:
                for entry in entries:
                    if not is_left_alone(entry):
                        yield entry
        except OSError as error:
            raise StoreError(
                f"{self._inbox} cannot be read ({error.strerror or error}): check the folder or its network"
            ) from error

    def _first_seen(self, file_name: str, clock_s: float) -> _Waiting:
        try:
            return _Waiting(parse_name(file_name, self._cameras), "", clock_s, clock_s)
        except PictureError as error:
            return _Waiting(None, error.problems[0], clock_s, clock_s)

    def _is_ready(self, file_name: str, item: _Waiting, clock_s: float) -> bool:
        still_s = clock_s - item.changed_s
        if still_s < SETTLE_S:
            return False
        if item.complete is None:
            try:  # one above the limit is refused without reading it
                item.complete = item.size > self._limit_bytes or is_complete((self._inbox / file_name).read_bytes())
            except OSError:
                item.complete = False
        return item.complete or still_s >= self._timeout_s

    def _next_set(self, clock_s: float) -> tuple[str, dict[str, str]] | None:
        """Shell id and file name by camera of the longest waiting set that is complete or whose time is over."""
        groups: dict[str, dict[str, str]] = {}
        for file_name, item in sorted(self._waiting.items(), key=lambda pair: (pair[1].first_s, pair[0])):
            if self._wants(item.name):  # a second file for one camera waits for its turn
                groups.setdefault(item.name.shell_id, {}).setdefault(item.name.camera, file_name)
        for shell_id, by_camera in groups.items():
            items = [self._waiting[file_name] for file_name in by_camera.values()]
            if not all(
                self._is_ready(name, item, clock_s) for name, item in zip(by_camera.values(), items, strict=True)
            ):
                continue
            over = clock_s - max(item.changed_s for item in items) >= self._timeout_s
            if over or len(by_camera) == len(self._wanted):
                return shell_id, by_camera
        return None

    def _take(self, shell_id: str, by_camera: dict[str, str], now: str) -> PictureSet:
        moment = self._free_moment(now)
        arrived: list[Arrived] = []
        for camera in (name for name in self._cameras if name in by_camera):
            file_name = by_camera[camera]
            path = self._taken / f"{moment.strftime(_STAMP)}_{file_name}"
            try:
                files.move_durably(self._inbox / file_name, path)
            except StoreError:
                for item in arrived:  # all of a set or none: the whole set is tried again
                    files.move_durably(item.path, self._inbox / item.name)
                raise
            arrived.append(Arrived(camera, file_name, path))
        for item in arrived:
            del self._waiting[item.name]
        return _set(shell_id, moment, arrived)

    def take_in(self, shell_id: str, contents: Mapping[str, tuple[str, bytes]], now: str) -> PictureSet:
        """Pictures that did not come by way of the inbox, to be looked at as if they had: file name and content by
        camera. They are in taken/ when this returns. Raises StoreError.
        """
        moment = self._free_moment(now)
        arrived: list[Arrived] = []
        for camera, (name, content) in contents.items():
            path = self._taken / f"{moment.strftime(_STAMP)}_{name}"
            try:
                files.write_durably(path, content)
            except StoreError:
                for item in arrived:  # all of a set or none: half of one would be looked at after a start
                    item.path.unlink(missing_ok=True)
                raise
            arrived.append(Arrived(camera, name, path))
        return _set(shell_id, moment, arrived)

    def _free_moment(self, now: str) -> datetime:
        """Two sets never share a name."""
        moment = datetime.fromisoformat(now)
        while any(self._taken.glob(f"{moment.strftime(_STAMP)}_*")):
            moment += timedelta(microseconds=1)
        return moment

    def _left_in_taken(self) -> list[PictureSet]:
        groups: dict[tuple[datetime, str], list[Arrived]] = {}
        for path in sorted(self._taken.iterdir()):
            stamp, _, file_name = path.name.partition("_")
            try:
                moment = datetime.strptime(stamp, _STAMP)
                name = parse_name(file_name, self._cameras)
            except (ValueError, PictureError):  # not put there by this program, or the station lost a camera meanwhile
                files.move_durably(path, self._refused / path.name)
                continue
            groups.setdefault((moment, name.shell_id), []).append(Arrived(name.camera, file_name, path))
        return [_set(shell_id, moment, arrived) for (moment, shell_id), arrived in groups.items()]

    def _wants(self, name: PictureName | None) -> TypeGuard[PictureName]:
        return name is not None and name.camera in self._wanted

    def _refuse(self, path: Path, file_name: str, at: str) -> None:
        if path.exists():
            files.move_durably(path, self._refused / f"{datetime.fromisoformat(at).strftime(_STAMP)}_{file_name}")


def is_left_alone(entry: os.DirEntry[str]) -> bool:
    """Whether a file in a watched folder is none of ours: still being written, hidden, left behind, or no file."""
    name = entry.name.lower()
    ours = not name.startswith(".") and not name.endswith(IGNORED_ENDINGS) and name not in IGNORED_NAMES
    return not (ours and entry.is_file(follow_symlinks=False))


def _set(shell_id: str, moment: datetime, arrived: list[Arrived]) -> PictureSet:
    return PictureSet(shell_id, moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ"), tuple(arrived))


def receive_upload(station: Station, data: Path, name: str, content: bytes) -> None:
    """Put an uploaded picture into the inbox, whole or not at all.

    Raises PictureError (its name, its size, or one of that name still waiting) and StoreError (disk).
    """
    parse_name(name, [camera.name for camera in station.cameras])
    limit = station.intake.picture_limit_bytes
    if len(content) > limit:
        raise PictureError(f"{name} has {len(content) / 1e6:.1f} MB, must have at most {limit / 1e6:.1f} MB")
    path = data / station.folders.inbox / name
    with _upload_lock:
        if path.exists():
            raise PictureError(f"{name} is already waiting to be looked at: wait for its answer, then put it in again")
        files.write_durably(path, content)
