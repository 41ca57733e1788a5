"""Studies that take a while: what was asked, what came of each shell, how it ended. One file each, below studies/,
added to line by line, so that a study that was broken off can be gone on with. The record itself is not touched.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from edgeinspect.errors import InputError, StoreError
from edgeinspect.store.files import explained, write_durably
from edgeinspect.store.lock import FileLock

FOLDER = "studies"
ENDING = ".jsonl"

Line = dict[str, Any]
_EVENT = b'{"event":'


@dataclass(frozen=True)
class KeptStudy:
    """A study as its file says it; the values are JSON."""

    study_id: int
    asked: Line
    shells: tuple[Line, ...]  # what came of each, in the order of measuring
    events: tuple[Line, ...]  # "event": begun, done, cancelled, stopped or broke off; "at"; "why"; "who"
    done: int  # shells, whether they were read or not


class Studies:
    """The studies of one data folder. All methods raise StoreError and may be called from any thread."""

    def __init__(self, data: Path) -> None:
        self._folder = data / FOLDER
        self._lock_file = self._folder / "at-work.lock"
        self._at_work = self._folder / "at-work"

    def ids(self) -> tuple[int, ...]:
        """Newest first."""
        names = (path.stem for path in self._folder.glob(f"*{ENDING}")) if self._folder.is_dir() else ()
        return tuple(sorted((int(name) for name in names if name.isdecimal()), reverse=True))

    def add(self, asked: Line) -> int:
        """Keep what was asked; returns the study's id."""
        study_id = next(iter(self.ids()), 0) + 1
        while True:
            path = self._path(study_id)
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                file = path.open("xb")  # an id is given once, whoever else asks at the same moment
                try:
                    with file:
                        file.write(_text({"format": 1, "asked": asked}))
                        file.flush()
                        os.fsync(file.fileno())
                except OSError:
                    with contextlib.suppress(OSError):  # the first error is the one to tell
                        path.unlink()
                    raise
                return study_id
            except FileExistsError:
                study_id += 1
            except OSError as error:
                raise explained(error, path) from error

    def one(self, study_id: int, last: int | None = None) -> KeptStudy:
        """``last`` - read only so many of its shells, the last ones: for how far it is that is quicker.

        Raises InputError if there is none. A last line that was being written when the power went is not there.
        """
        path = self._path(study_id)
        try:
            whole = path.read_bytes()
        except FileNotFoundError:
            raise InputError(f"there is no study {study_id}") from None
        except OSError as error:
            raise explained(error, path) from error
        try:
            first, *rest = whole[: whole.rfind(b"\n") + 1].splitlines()
            shells = [line for line in rest if not line.startswith(_EVENT)]
            read = [json.loads(line) for line in shells[-last if last else 0 :]]
            events = tuple(json.loads(line) for line in rest if line.startswith(_EVENT))
            return KeptStudy(study_id, json.loads(first)["asked"], tuple(read), events, len(shells))
        except (ValueError, KeyError, TypeError) as error:
            raise StoreError(f"{path} is damaged ({error}): take it from the last back-up, or delete it") from error

    def append(self, study_id: int, line: Line) -> None:
        """One more line; after this returns it outlives this process."""
        path = self._path(study_id)
        try:
            with path.open("ab") as file:
                file.write(_text(line))
        except OSError as error:
            raise explained(error, path) from error

    # -- one at a time

    @contextlib.contextmanager
    def at_work_on(self, study_id: int) -> Iterator[None]:
        """For the process that measures. Raises InputError while another one does."""
        lock = FileLock(self._lock_file)
        if not lock.take():
            other = self._said()
            raise InputError(f"study {other or 'of another process'} is being measured: wait for it, or cancel it")
        try:
            write_durably(self._at_work, str(study_id).encode())
            self._mend(study_id)
            yield
        finally:
            self.forget_cancel(study_id)
            lock.release()

    def at_work(self) -> int | None:
        """The study that a process measures now, here or elsewhere on this machine."""
        if not self._at_work.exists():
            return None
        lock = FileLock(self._lock_file)
        if lock.take():
            lock.release()
            return None
        return self._said()

    def _said(self) -> int | None:
        try:
            text = self._at_work.read_text(encoding="ascii")
        except (OSError, UnicodeDecodeError):
            return None
        return int(text) if text.isdecimal() else None

    def _mend(self, study_id: int) -> None:
        """Cut off a half-written last line: the next one would be lost with it."""
        path = self._path(study_id)
        try:
            whole = path.read_bytes()
            if not whole.endswith(b"\n"):
                with path.open("r+b") as file:
                    file.truncate(whole.rfind(b"\n") + 1)
        except FileNotFoundError:
            raise InputError(f"there is no study {study_id}") from None
        except OSError as error:
            raise explained(error, path) from error

    # -- cancel, from another process

    def ask_to_cancel(self, study_id: int, who: str) -> None:
        write_durably(self._stop_file(study_id), who.encode())

    def forget_cancel(self, study_id: int) -> None:
        """Before it is gone on with: what was asked of a process that ended before it saw it."""
        self._stop_file(study_id).unlink(missing_ok=True)

    def asked_to_cancel(self, study_id: int) -> str | None:
        """Who asked; None: nobody."""
        try:
            return self._stop_file(study_id).read_text(encoding="utf-8")
        except FileNotFoundError:
            return None
        except OSError as error:
            raise explained(error, self._stop_file(study_id)) from error

    def _path(self, study_id: int) -> Path:
        return self._folder / f"{study_id:04d}{ENDING}"

    def _stop_file(self, study_id: int) -> Path:
        return self._folder / f"{study_id:04d}.cancel"


def _text(line: Line) -> bytes:
    return json.dumps(line, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode() + b"\n"
