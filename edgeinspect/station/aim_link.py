"""The pages' end of placing a decal: the newest answer of the measuring process, and what is pressed, sent to it.

Only in memory: nothing of it outlives this process, and a worker that is gone leaves nothing standing.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection

from edgeinspect.station.aiming import AimAnswer, Asked

KEPT_VIEWS = 8  # a page fetches a picture a moment after its answer
RATE_OVER = 6  # answers


@dataclass(frozen=True)
class Newest:
    """``number`` tells answers apart; ``age_s`` by a clock that only runs forward."""

    number: int
    answer: AimAnswer
    age_s: float
    per_s: float  # answers a second, lately; nan with one


class Aiming:
    """Safe from any thread. ``clock_s`` - a clock that only runs forward [s]."""

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._clock_s = clock_s
        self._lock = threading.Lock()
        self._to_worker: Connection | None = None
        self._number = 0
        self._answer: AimAnswer | None = None
        self._heard_s: list[float] = []
        self._views: OrderedDict[int, bytes] = OrderedDict()

    def connect(self, to_worker: Connection | None) -> None:
        """To a worker that has begun; None: it is gone, and its answers with it."""
        with self._lock:
            self._to_worker, self._answer = to_worker, None
            self._heard_s.clear()

    def hear(self, answer: AimAnswer) -> None:
        with self._lock:
            self._number += 1
            self._answer = answer
            self._heard_s = [*self._heard_s[1 - RATE_OVER :], self._clock_s()]
            if answer.view:
                self._views[self._number] = answer.view
            while len(self._views) > KEPT_VIEWS:
                self._views.popitem(last=False)

    def newest(self) -> Newest | None:
        with self._lock:
            if self._answer is None:
                return None
            took = self._heard_s[-1] - self._heard_s[0]
            rate = (len(self._heard_s) - 1) / took if took > 0 else float("nan")
            return Newest(self._number, self._answer, self._clock_s() - self._heard_s[-1], rate)

    def view(self, number: int) -> bytes | None:
        with self._lock:
            return self._views.get(number)

    def ask(self, asked: Asked) -> bool:
        """False: nobody measures, it was not asked."""
        with self._lock:
            if self._to_worker is None:
                return False
            try:
                self._to_worker.send(asked)
            except OSError:
                return False
            return True
