"""The shifts of a station: each lasts until the next one starts, so that no hour is missed or counted twice."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

_CLOCK = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")


@dataclass(frozen=True)
class Shift:
    name: str
    day: date  # that it starts on
    begins: datetime  # aware
    ends: datetime


@dataclass(frozen=True)
class ShiftPlan:
    """When shifts start, by the station's own clock; without one the calendar day is the shift."""

    names: tuple[str, ...] = ("day",)
    starts_min: tuple[int, ...] = (0,)  # after midnight, ascending

    def of(self, day: date, name: str) -> Shift | None:
        """The shift of that name that starts on ``day``, None where there is none of that name."""
        if name not in self.names:
            return None
        at = self.names.index(name)
        last = at + 1 == len(self.names)
        ends = self._moment(day + timedelta(days=int(last)), self.starts_min[0 if last else at + 1])
        return Shift(name, day, self._moment(day, self.starts_min[at]), ends)

    def at(self, moment: datetime) -> Shift:
        """The shift that ``moment`` (aware) falls in."""
        today = moment.astimezone().date()
        near = (self.of(day, name) for day in (today - timedelta(days=1), today) for name in self.names)
        return next(shift for shift in near if shift is not None and shift.begins <= moment < shift.ends)

    @staticmethod
    def _moment(day: date, start_min: int) -> datetime:
        return datetime.combine(day, time(start_min // 60, start_min % 60)).astimezone()


EVERY_DAY = ShiftPlan()


def shift_mistakes(starts: Sequence[str], names: Sequence[str]) -> list[str]:
    """What is wrong with the [shifts] of station.toml, one sentence each."""
    mistakes = [
        f'shifts.starts[{place}] is "{text}", must be a time of day as "06:00"'
        for place, text in enumerate(starts)
        if not _CLOCK.fullmatch(text)
    ]
    if len(names) != len(starts):
        mistakes.append(f"shifts.names has {len(names)} entries, must have one for each of the {len(starts)} starts")
    if not mistakes and sorted(set(starts)) != list(starts):
        mistakes.append(f"shifts.starts is {list(starts)}, must be in order of the day, each time once")
    if len(set(names)) != len(names):
        mistakes.append(f"shifts.names is {list(names)}, must not have a name twice")
    return mistakes


def shift_plan(starts: Sequence[str], names: Sequence[str]) -> ShiftPlan:
    """Of checked starts as "06:00"."""
    return ShiftPlan(tuple(names), tuple(60 * int(text[:2]) + int(text[3:]) for text in starts))
