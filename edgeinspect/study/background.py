"""A study in a process of its own, so that neither pages nor the measuring of shells wait for it."""

from __future__ import annotations

import logging
import multiprocessing
import signal
import threading
from multiprocessing.process import BaseProcess
from pathlib import Path
from types import FrameType

from edgeinspect.errors import EdgeinspectError, InputError
from edgeinspect.one_thread import give_way
from edgeinspect.station.config import Station
from edgeinspect.station.run import time_of_day
from edgeinspect.store.inspections import Store
from edgeinspect.store.studies import Studies
from edgeinspect.study.method_run import go_on

NICENESS = 15  # behind shells and pages
END_S = 10.0  # that a study is given to finish the shell at hand
log = logging.getLogger("edgeinspect.study")


def work(station: Station, data: Path, study_id: int) -> None:
    """The process, until the study is done, SIGTERM, or the process that started it is gone."""
    stop = threading.Event()

    def asked_to_stop(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    parent = multiprocessing.parent_process()

    def stopped() -> str:
        return "the station was stopped" if stop.is_set() or not (parent is None or parent.is_alive()) else ""

    signal.signal(signal.SIGTERM, asked_to_stop)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the whole group: the parent decides
    give_way(NICENESS)
    try:
        with Store.open(data, read_only=True) as store:
            go_on(store, Studies(data), station, study_id, clock=time_of_day, stopped=stopped)
    except EdgeinspectError as error:  # it stands in the study's file
        log.error("study %s: %s", study_id, error)


class Background:
    """Starts studies for the pages, one at a time; they end with the station. Safe from any thread."""

    def __init__(self, station: Station, data: Path) -> None:
        self._station, self._data = station, data
        self._context = multiprocessing.get_context("spawn")
        self._lock = threading.Lock()
        self._process: BaseProcess | None = None
        self._study_id, self._events = 0, 0  # the study that it measures, and how often it was begun and ended before

    def at_work(self) -> int | None:
        """The study that is being measured, by this station or by a command; or is about to be."""
        with self._lock:
            return self._at_work()

    def _at_work(self) -> int | None:
        if self._process is not None and self._process.is_alive() and not self._ended():
            return self._study_id
        return Studies(self._data).at_work()

    def _ended(self) -> bool:
        """A process lives on for a second after its study has ended."""
        events = Studies(self._data).one(self._study_id).events
        return len(events) > self._events and events[-1]["event"] != "begun"

    def start(self, study_id: int) -> None:
        """Raises InputError while another one is measured."""
        with self._lock:
            if (other := self._at_work()) is not None:
                raise InputError(f"study {other} is being measured: wait for it, or cancel it")
            if self._process is not None:
                self._process.join(END_S)  # nothing is left to it but to go
            Studies(self._data).forget_cancel(study_id)
            arguments = (self._station, self._data, study_id)
            self._process = self._context.Process(target=work, args=arguments, name="edgeinspect-study", daemon=True)
            self._study_id, self._events = study_id, len(Studies(self._data).one(study_id).events)
            self._process.start()

    def stop(self) -> None:
        with self._lock:
            process = self._process
            if process is None:
                return
            process.terminate()
            process.join(END_S)
            if process.is_alive():
                process.kill()
                process.join()
            self._process = None
