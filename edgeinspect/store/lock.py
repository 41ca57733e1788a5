"""One process at a time: a lock that the system takes back when its holder is gone, however it went."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from edgeinspect.errors import StoreError
from edgeinspect.store.files import explained

if sys.platform == "win32":
    import msvcrt

    def _lock(file: IO[bytes]) -> None:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


class FileLock:
    """On a file that stays; what counts is who holds it open."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: IO[bytes] | None = None

    def take(self) -> bool:
        """False if another process, or another lock of this one, has it. Raises StoreError if there can be no file."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            file = self._path.open("ab")
        except OSError as error:
            raise explained(error, self._path) from error
        try:
            _lock(file)
        except OSError:
            file.close()
            return False
        self._file = file
        return True

    def release(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None


@contextlib.contextmanager
def only_one(data: Path) -> Iterator[None]:
    """For the station or command that writes inspections into the folder ``data``. Raises StoreError if one does."""
    lock = FileLock(data / "station.lock")
    if not lock.take():
        raise StoreError(f"another edgeinspect is at work on {data}: stop it, or use another folder")
    try:
        yield
    finally:
        lock.release()
