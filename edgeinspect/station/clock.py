"""The time of day may jump: somebody sets it, or a time server does. What is measured does not depend on it, but what
the record says of when does, and so does what is taken for fresh.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

JUMP_S = 2.0  # a time server that only steers the clock stays far below this


class ClockWatch:
    """Compares the time of day with a clock that only runs forward. The caller brings both."""

    def __init__(self, clock_s: Callable[[], float], now: Callable[[], str]) -> None:
        self._clock_s, self._now = clock_s, now
        self._offset_s = self._difference_s()

    def _difference_s(self) -> float:
        return datetime.fromisoformat(self._now()).timestamp() - self._clock_s()

    def jump(self) -> str | None:
        """In words, how the clock has jumped since this was last asked: "1 h 00 min back"; None if it has not."""
        offset_s = self._difference_s()
        jumped_s, self._offset_s = offset_s - self._offset_s, offset_s
        if abs(jumped_s) < JUMP_S:
            return None
        minutes = round(abs(jumped_s) / 60)
        size = f"{abs(jumped_s):.0f} s" if abs(jumped_s) < 100 else f"{minutes // 60} h {minutes % 60:02d} min"
        return f"{size} {'forward' if jumped_s > 0 else 'back'}"
