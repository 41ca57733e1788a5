"""The process that measures: it alone takes pictures in and writes inspections, so that no page ever waits for it.

It beats every second. A page that hears nothing for some seconds says so; nothing is left standing as if it were live.
"""

from __future__ import annotations

import contextlib
import logging
import logging.handlers
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType

import cv2

from edgeinspect.errors import EdgeinspectError, StoreError
from edgeinspect.inspection import Expected, PictureFile
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.intake import Inbox, PictureSet
from edgeinspect.station.run import Ready, file_sha256, get_ready, inspect_set, time_of_day
from edgeinspect.store.inspections import Store
from edgeinspect.store.state import State

POLL_S = 0.2
BEAT_S = 1.0
HANGING_S = 60.0  # without a step for this long the worker stops beating: it hangs
AGAIN_S = 5.0  # after the disk failed, until it is tried again
log = logging.getLogger("edgeinspect.worker")

_ReadyFor = tuple[Expected | None, dict[str, str], tuple[tuple[str, int, int], ...]]


class Worker:
    """Watches the inbox of one station. The caller brings the clocks and calls ``step`` again and again."""

    def __init__(
        self, station: Station, data: Path, *, clock_s: Callable[[], float], now: Callable[[], str] = time_of_day
    ) -> None:
        self._station, self._clock_s, self._now = station, clock_s, now
        self._calibrations = data / station.folders.calibrations
        self._store = Store.open(data)
        self._state = State.open(data)
        self._inbox = Inbox(station, data)
        self._again = self._inbox.resume(
            lambda path, taken_at: self._kept(path, taken_at) is not None
        )  # sets to be looked at before any new one
        self._again_at_s = 0.0
        self._shown: str | None = None
        self._state.measuring(None, now())
        self._ready_for: _ReadyFor | None = None
        self._ready: Ready | None = None

    def step(self) -> bool:
        """Do what there is to do now; False if there was nothing. Never raises."""
        try:
            return self._step()
        except Exception as error:  # StoreError, or a fault of this program
            log.error("%s", error, exc_info=not isinstance(error, StoreError))
            self._again_at_s = self._clock_s() + AGAIN_S
            self._tell(
                str(error) if isinstance(error, StoreError) else f"a fault in the program ({error}): see worker.log"
            )
            with contextlib.suppress(StoreError):
                self._show(None)
            return False

    def beat(self) -> None:
        self._state.beat(self._now())

    def close(self) -> None:
        self._state.close()
        self._store.close()

    def _step(self) -> bool:
        if self._clock_s() < self._again_at_s:
            return False
        if self._again:
            self._look_at(self._again[0])
            del self._again[0]
            return True
        came_in, refused = self._inbox.poll(self._clock_s(), self._now())
        if came_in is not None:
            self._again.append(came_in)
        if refused:
            self._tell("; ".join(refused))
        waiting = came_in.shell_id if came_in is not None else self._inbox.waiting
        self._show(waiting)
        if waiting is None:
            self._get_ready()  # while there is time
        return came_in is not None

    def _look_at(self, came_in: PictureSet) -> None:
        self._show(came_in.shell_id)
        kept = [self._kept(item.path, came_in.taken_at) for item in came_in.arrived]
        if all(kept):  # recorded before the last stop, but not yet cleared away
            refused = [picture.camera for picture in kept if picture and not picture.pixels_sha256]
            self._inbox.finish(came_in, refused)
            self._show(None)
            return
        look = inspect_set(came_in, self._get_ready(), self._store, self._now)
        inspection = look.inspection
        log.info("%s: %s, %s", inspection.shell_id, inspection.verdict.answer, inspection.verdict.sentence)
        self._inbox.finish(came_in, look.refused)
        self._show(None)

    def _get_ready(self) -> Ready:
        """Loaded anew when another shell is expected, another calibration is in use, or their files have changed."""
        expected, chosen = self._state.now().expected, self._store.calibrations.in_use()
        folders = [self._calibrations]
        if expected is not None:
            folders.append(self._station.folders.models / expected.shell)
        wanted = (expected, chosen, _stamps(folders))
        if self._ready is None or wanted != self._ready_for:
            self._ready, self._ready_for = get_ready(self._station, expected, self._calibrations, chosen), wanted
        return self._ready

    def _kept(self, path: Path, taken_at: str) -> PictureFile | None:
        return self._store.kept_picture(file_sha256(path), taken_at)

    def _is_kept(self, path: Path, taken_at: str) -> bool:
        return self._kept(path, taken_at) is not None

    def _show(self, shell_id: str | None) -> None:
        if shell_id != self._shown:
            self._state.measuring(shell_id, self._now())
            self._shown = shell_id

    def _tell(self, sentence: str) -> None:
        try:
            self._state.say(sentence, self._now())
        except StoreError:  # the disk again: it is in the log, and the page sees that the beat has stopped
            log.error("could not be told on the page: %s", sentence)


def _stamps(folders: list[Path]) -> tuple[tuple[str, int, int], ...]:
    files = [path for folder in folders if folder.is_dir() for path in sorted(folder.iterdir())]
    return tuple((path.name, path.stat().st_mtime_ns, path.stat().st_size) for path in files)


def work(station_file: Path, data: Path) -> None:
    """The worker process, until SIGTERM or until the process that started it is gone."""
    stop = threading.Event()

    def asked_to_stop(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    signal.signal(signal.SIGTERM, asked_to_stop)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the whole group: the parent decides
    cv2.setNumThreads(max(1, (os.cpu_count() or 2) - 1))  # one core is left for the pages
    _log_to(data)
    try:
        worker = Worker(load_station(station_file), data, clock_s=time.monotonic)
    except EdgeinspectError as error:
        log.error("the worker cannot start: %s", error)
        raise SystemExit(2) from error
    parent = multiprocessing.parent_process()
    alive_s = time.monotonic()

    def keep_beating() -> None:
        while not stop.wait(BEAT_S):
            if time.monotonic() - alive_s < HANGING_S:
                try:
                    worker.beat()
                except StoreError as error:
                    log.error("no beat: %s", error)

    try:
        worker.beat()
        threading.Thread(target=keep_beating, daemon=True).start()
        while not stop.is_set() and (parent is None or parent.is_alive()):
            alive_s = time.monotonic()
            if not worker.step():
                stop.wait(POLL_S)
    finally:
        stop.set()
        worker.close()


def _log_to(data: Path) -> None:
    kept = logging.handlers.RotatingFileHandler(
        data / "worker.log", maxBytes=2_000_000, backupCount=3, encoding="utf-8"
    )
    kept.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    logger = logging.getLogger("edgeinspect")
    logger.addHandler(kept)
    logger.setLevel(logging.INFO)


class WorkerProcess:
    """Starts the worker, starts it again when it dies, stops it. Use it in a ``with``.

    Raises StoreError on entering if another worker is at work on the same data folder.
    """

    def __init__(self, station_file: Path, data: Path) -> None:
        self._arguments = (station_file, data)
        self._data = data
        self._stopping = threading.Event()
        self._context = multiprocessing.get_context("spawn")
        self._keeper = threading.Thread(target=self._keep, daemon=True)

    def __enter__(self) -> WorkerProcess:
        with State.open(self._data) as state:
            before = state.now().heartbeat_at
            if (
                before is not None
                and (datetime.now(UTC) - datetime.fromisoformat(before)).total_seconds() < 10 * BEAT_S
            ):
                time.sleep(3 * BEAT_S)  # it may be one that was stopped just now
            if state.now().heartbeat_at != before:
                raise StoreError(f"another edgeinspect is at work on {self._data}: stop it, or use another folder")
        self._keeper.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopping.set()
        self._keeper.join()

    def _keep(self) -> None:
        while not self._stopping.is_set():
            process = self._context.Process(target=work, args=self._arguments, name="edgeinspect-worker", daemon=True)
            process.start()
            while process.is_alive() and not self._stopping.wait(POLL_S):
                pass
            if self._stopping.is_set():
                process.terminate()
                process.join(10.0)
                if process.is_alive():
                    process.kill()
                    process.join()
            else:
                log.error("the worker ended by itself (%s): it is started again", process.exitcode)
                self._stopping.wait(2.0)
            process.close()
