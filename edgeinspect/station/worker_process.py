"""The process that measures: it alone takes pictures in and writes inspections, so that no page ever waits for it.

It beats every second. A page that hears nothing for some seconds says so; nothing is left standing as if it were live.
"""

from __future__ import annotations

import logging
import logging.handlers
import multiprocessing
import signal
import threading
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from types import FrameType

from edgeinspect.errors import EdgeinspectError, StoreError
from edgeinspect.one_thread import give_way
from edgeinspect.station.aim_link import Aiming
from edgeinspect.station.aiming import AimAnswer, Asked
from edgeinspect.station.config import load_station
from edgeinspect.station.worker import POLL_S, Worker
from edgeinspect.store.files import explained
from edgeinspect.store.lock import FileLock

BEAT_S = 1.0
HANGING_S = 60.0  # without a step for this long the worker stops beating: it hangs
START_AGAIN_S = 2.0
NICENESS = 10  # behind pages, before studies
log = logging.getLogger("edgeinspect.worker")


def work(station_file: Path, station_sha256: str, data: Path, says: Connection) -> None:
    """The worker process, until SIGTERM or until the process that started it is gone.

    ``says`` - trouble and the answers to a decal that is being placed go down it, what is pressed for that comes up it.
    """
    stop = threading.Event()

    def asked_to_stop(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    def tell(what: str | AimAnswer) -> None:
        try:
            says.send(what)
        except OSError:  # nobody listens any more: this process is about to end too
            log.error("could not be told on the page: %s", what if isinstance(what, str) else what.sentence)

    trouble: Callable[[str], None] = tell

    def asked() -> Iterator[Asked]:
        try:
            while says.poll():
                yield says.recv()
        except (EOFError, OSError):  # nobody asks any more
            return

    parent = multiprocessing.parent_process()

    def go_on() -> bool:
        return not stop.is_set() and (parent is None or parent.is_alive())

    signal.signal(signal.SIGTERM, asked_to_stop)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the whole group: the parent decides
    give_way(NICENESS)
    lock = FileLock(data / "worker.lock")
    try:
        _log_to(data)
        while not lock.take():  # the worker of a killed station finishes its shell first
            trouble("Waiting for the measuring process of the run before to end")
            if stop.wait(POLL_S) or not go_on():
                return
        station = load_station(station_file)
        if station.sha256 != station_sha256:
            raise StoreError("station.toml was changed while the station runs: start the station again to use it")
        worker = Worker(station, data, clock_s=time.monotonic, trouble=trouble, aimed=tell, asked=asked)
        worker.beat()
    except EdgeinspectError as error:
        log.error("the worker cannot start: %s", error)
        trouble(str(error))
        raise SystemExit(2) from error
    trouble("")
    try:
        _work_on(worker, go_on, stop)
    finally:
        stop.set()
        worker.close()
        lock.release()


def _work_on(worker: Worker, go_on: Callable[[], bool], stop: threading.Event) -> None:
    alive_s = time.monotonic()

    def keep_beating() -> None:
        while not stop.wait(BEAT_S):
            if time.monotonic() - alive_s < HANGING_S:
                try:
                    worker.beat()
                except StoreError as error:
                    log.error("no beat: %s", error)

    threading.Thread(target=keep_beating, daemon=True).start()
    while go_on():
        alive_s = time.monotonic()
        if not worker.step():
            stop.wait(worker.pause_s)


def _log_to(data: Path) -> None:
    file = data / "worker.log"
    try:
        kept = logging.handlers.RotatingFileHandler(file, maxBytes=2_000_000, backupCount=3, encoding="utf-8")
    except OSError as error:
        raise explained(error, file) from error
    kept.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    logger = logging.getLogger("edgeinspect")
    logger.addHandler(kept)
    logger.setLevel(logging.INFO)


class WorkerProcess:
    """Starts the worker, starts it again when it dies, stops it. Use it in a ``with``.

    Whoever starts it holds ``store.lock.only_one``: two of them on one folder would wait for each other.
    """

    def __init__(self, station_file: Path, station_sha256: str, data: Path) -> None:
        self._arguments = (station_file, station_sha256, data)
        self._stopping = threading.Event()
        self._context = multiprocessing.get_context("spawn")
        self._keeper = threading.Thread(target=self._keep, daemon=True)
        self._trouble = ""
        self.aiming = Aiming()

    def trouble(self) -> str:
        """What keeps the worker from giving answers, in one sentence; "" nothing. From any thread."""
        return self._trouble

    def __enter__(self) -> WorkerProcess:
        self._keeper.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopping.set()
        self._keeper.join()

    def _keep(self) -> None:
        while not self._stopping.is_set():
            try:
                hears, process = self._start()
            except OSError as error:  # no memory, process or file is left on this computer
                why = error.strerror or error
                log.error("the worker cannot be started (%s): it is tried again", why)
                self._trouble = f"The measuring process cannot be started ({why}): it is tried again; call plant IT"
                self._stopping.wait(START_AGAIN_S)
                continue
            self.aiming.connect(hears)
            while process.is_alive() and not self._stopping.is_set():
                self._hear(hears)
            self.aiming.connect(None)
            if self._stopping.is_set():
                process.terminate()
                process.join(10.0)
                if process.is_alive():
                    process.kill()
                    process.join()
            else:
                self._hear(hears)
                log.error("the worker ended by itself (%s): it is started again", process.exitcode)
                self._trouble = self._trouble or "The measuring process ended by itself: it is started again"
                self._stopping.wait(START_AGAIN_S)
            hears.close()
            process.close()

    def _start(self) -> tuple[Connection, BaseProcess]:
        """The worker, and the end that it is heard at. Raises OSError."""
        hears, says = self._context.Pipe()
        try:
            process = self._context.Process(
                target=work, args=(*self._arguments, says), name="edgeinspect-worker", daemon=True
            )
            process.start()
        except OSError:
            hears.close()
            raise
        finally:
            says.close()  # the worker's end is now the only one: when it dies, that is heard
        return hears, process

    def _hear(self, hears: Connection) -> None:
        """What the worker says, as soon as it says it; waits for it no longer than POLL_S."""
        try:
            if not hears.poll(POLL_S):
                return
            while hears.poll():
                said = hears.recv()
                if isinstance(said, AimAnswer):
                    self.aiming.hear(said)
                else:
                    self._trouble = str(said)
        except (EOFError, OSError):  # it is gone; that is dealt with elsewhere
            self._stopping.wait(POLL_S)
