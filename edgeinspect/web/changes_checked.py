"""Is the record of changes as it was written? Looked through whole each time somebody asks, but no page waits long for
it: what is edited by hand does not announce itself, and years of changes take seconds.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as TooLong
from dataclasses import dataclass
from datetime import datetime

from edgeinspect.store.changes import Checked

WAITED_S = 0.2

STILL_LOOKING = Checked(0, "", ("the record of changes is still being looked through: ask again in a few seconds",))


@dataclass(frozen=True)
class LookedThrough:
    checked: Checked
    at: datetime | None  # None: just now


class ChangesChecked:
    """One look through the record at a time, in a thread of its own."""

    def __init__(self, check: Callable[[], Checked], clock: Callable[[], datetime]) -> None:
        self._check, self._clock = check, clock
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="changes")
        self._lock = threading.Lock()
        self._running: Future[LookedThrough] | None = None
        self._last = LookedThrough(STILL_LOOKING, None)

    def latest(self) -> LookedThrough:
        """The record as it is now, or where that takes longer as it was at the last look. Raises StoreError."""
        with self._lock:
            if self._running is None or self._running.done():
                self._keep(self._running)
                self._running = self._thread.submit(self._look)
            running = self._running
        try:
            return LookedThrough(running.result(WAITED_S).checked, None)
        except TooLong:
            return self._last

    def _look(self) -> LookedThrough:
        return LookedThrough(self._check(), self._clock())

    def _keep(self, done: Future[LookedThrough] | None) -> None:
        if done is not None and done.exception() is None:
            self._last = done.result()

    def close(self) -> None:
        self._thread.shutdown(wait=False, cancel_futures=True)
