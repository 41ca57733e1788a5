"""Guessing passwords is made slow: after a few tries each further one has to wait, twice as long each time.

Per name, so that many machines cannot share the guessing; per address, so that one machine cannot go through the names.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

FREE = 5  # tries before the first wait
FREE_OF_ADDRESS = 20  # a station's screen is shared by a shift
LONGEST_S = 60.0  # of a name: somebody who wants to keep a person out gains no more than this
LONGEST_OF_ADDRESS_S = 600.0
FORGOTTEN_S = 3600.0
MOST = 10_000  # names and addresses remembered


class Slowing:
    """``clock_s`` only runs forward."""

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        self.clock_s = clock_s
        self._lock = threading.Lock()
        self._tries: dict[tuple[str, str], tuple[int, float]] = {}  # how often, when last

    def try_now(self, name: str, address: str) -> float:
        """0 if this try may be made: it then counts at once, before it is known to be wrong, so that tries side by
        side gain nothing. Else the seconds to wait; such a try does not count.
        """
        with self._lock:
            now = self.clock_s()
            keys = ("name", name), ("address", address)
            wait_s = max(self._wait_s(key, now) for key in keys)
            if wait_s > 0:
                return wait_s
            for key in keys:
                count, _ = self._tries.pop(key, (0, now))
                self._tries[key] = count + 1, now  # the latest come last
            while len(self._tries) > MOST:
                del self._tries[next(iter(self._tries))]
            return 0.0

    def was_right(self, name: str, address: str) -> None:
        """The name starts anew; of the address only this try is taken back: a person who knows one password must not
        wipe out the guesses at another.
        """
        with self._lock:
            self._tries.pop(("name", name), None)
            key = ("address", address)
            if key in self._tries:
                count, at = self._tries[key]
                self._tries[key] = count - 1, at

    def _wait_s(self, key: tuple[str, str], now: float) -> float:
        count, last = self._tries.get(key, (0, now))
        if now - last > FORGOTTEN_S:
            del self._tries[key]
            return 0.0
        of_address = key[0] == "address"
        beyond = count - (FREE_OF_ADDRESS if of_address else FREE)
        if beyond < 0:
            return 0.0
        longest = LONGEST_OF_ADDRESS_S if of_address else LONGEST_S
        return max(0.0, last + min(2.0 ** min(beyond, 20), longest) - now)
