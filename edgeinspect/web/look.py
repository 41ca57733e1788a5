"""How the pages say things: the look of each answer, ages, lengths, directions.

The shop's words stand beside the standard's term.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from edgeinspect.conformity import Answer
from edgeinspect.shell.definition import Frame

# An answer older than this may be about the shell before: the page then says so and loses its colour. Common practice,
# no source: the shortest trim cycle is about 60 s.
OLD_AFTER_S = 60.0


@dataclass(frozen=True)
class Look:
    """One answer at the station: word, shape and place differ, not only the colour (IEC 60073).

    Colours are in static/page.css, shapes in templates/shapes.svg, both by ``key``.
    """

    key: str
    word: str  # what the shop says, in huge capitals
    term: str  # what the standard says
    place: int  # seat in the answer strip, from the left


LOOKS: dict[Answer, Look] = {
    Answer.CONFORMING: Look("good", "GOOD", "conforming", 0),
    Answer.NOT_PROVEN: Look("close", "TOO CLOSE", "not proven", 1),
    Answer.NONCONFORMING: Look("bad", "BAD", "nonconforming", 2),
    Answer.NO_RESULT: Look("none", "NO RESULT", "not measured", 3),
}

FRAME_WORDS = {
    Frame.DATUM.value: "from the shell's datums",
    Frame.FIXTURE.value: "in the fixture, where the cutter ran",
    Frame.BEST_FIT.value: "form only",
}


def parse_time(iso: str) -> datetime:
    return datetime.fromisoformat(iso.replace("Z", "+00:00")).astimezone(UTC)


def iso_time(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def age_s(iso: str, now: datetime) -> float:
    """Seconds from ``iso`` to ``now``, never below 0 (two clocks of one machine may differ by a tick)."""
    return max(0.0, (now - parse_time(iso)).total_seconds())


def age_words(seconds: float) -> str:
    """An age as the shop says it: "12 s ago", "3 min ago", "2 h 05 min ago", "4 days ago"."""
    if seconds < 100:
        return f"{int(seconds)} s ago"
    minutes = int(seconds // 60)
    if minutes < 100:
        return f"{minutes} min ago"
    hours = minutes // 60
    if hours < 48:
        return f"{hours} h {minutes % 60:02d} min ago"
    return f"{hours // 24} days ago"


def ordinal(number: int) -> str:
    if number % 100 in (11, 12, 13):
        return f"{number}th"
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th') }"


def signed(value: float | None, digits: int = 2) -> str:
    """A number with its sign and a true minus; a dash where there is none; no "-0.00"."""
    if value is None or math.isnan(value):
        return "–"
    text = f"{abs(value):.{digits}f}"
    if float(text) == 0:
        return text
    return ("+" if value > 0 else "−") + text


def plain(value: float | None, digits: int = 3) -> str:
    return "–" if value is None or math.isnan(value) else f"{value:.{digits}f}"


def path(points: Sequence[tuple[float, float]]) -> str:
    """Points [mm], y up, as what an SVG path draws."""
    return "M" + "L".join(f"{x} {-y}" for x, y in points)


def offset_words(dx_mm: float, dy_mm: float) -> str:
    """An offset as a person who moves the decal says it: "1.2 mm up, 0.3 mm left"; "in place" below 0.05 mm."""
    parts = []
    if abs(dy_mm) >= 0.05:
        parts.append(f"{abs(dy_mm):.1f} mm {'up' if dy_mm > 0 else 'down'}")
    if abs(dx_mm) >= 0.05:
        parts.append(f"{abs(dx_mm):.1f} mm {'right' if dx_mm > 0 else 'left'}")
    return ", ".join(parts) if parts else "in place"


def turn_words(rotation_deg: float) -> str:
    """A rotation in words; counter-clockwise is positive."""
    if abs(rotation_deg) < 0.05:
        return "not turned"
    return f"{abs(rotation_deg):.1f}° {'counter-clockwise' if rotation_deg > 0 else 'clockwise'}"


def length_words(words: str, known_mm: float, read_mm: float) -> str:
    """A known length read back, as the shop reads a gauge: "marks 0 to 1: 430.02 for 430.00 mm"."""
    return f"{words}: {read_mm:.2f} for {known_mm:.2f} mm"


def clock(iso: str) -> str:
    """A stored UTC time as the station's clock showed it: "10:31"."""
    return parse_time(iso).astimezone().strftime("%H:%M")


def local_time(iso: str) -> str:
    """A stored UTC time on the station's own clock: "2024-11-25 10:31:07"."""
    return parse_time(iso).astimezone().strftime("%Y-%m-%d %H:%M:%S")
