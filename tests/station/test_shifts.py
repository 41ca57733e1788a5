"""Shifts: every moment is in exactly one, over midnight and over the change to and from summer time."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from edgeinspect.errors import DefinitionError
from edgeinspect.station.config import load_station
from edgeinspect.station.shifts import ShiftPlan, shift_plan

THREE = shift_plan(["06:00", "14:00", "22:00"], ["early", "late", "night"])


@pytest.fixture(autouse=True)
def in_berlin(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize("plan", [ShiftPlan(), THREE, shift_plan(["05:30"], ["only"])], ids=["day", "three", "one"])
@pytest.mark.parametrize("first", ["2024-03-30T12:00", "2024-10-26T12:00", "2024-11-25T00:00"])
def test_every_moment_is_in_exactly_one_shift(plan: ShiftPlan, first: str) -> None:
    """Two of these days have 23 and 25 hours: Directive 2000/84/EC, summer time ends at 01:00 UTC."""
    moment = datetime.fromisoformat(first).astimezone(UTC)
    for _ in range(48):
        shift = plan.at(moment)
        assert shift.begins <= moment < shift.ends
        again = plan.of(shift.day, shift.name)
        assert again == shift
        assert plan.at(shift.ends).begins == shift.ends and plan.at(shift.begins - timedelta(seconds=1)) != shift
        moment += timedelta(minutes=61)


def test_a_night_shift_belongs_to_the_day_it_starts_on() -> None:
    shift = THREE.at(datetime(2024, 11, 26, 2, 0, tzinfo=UTC))  # 03:00 in Berlin
    assert (shift.name, shift.day) == ("night", date(2024, 11, 25))
    assert (shift.ends - shift.begins) == timedelta(hours=8)
    assert shift.begins.astimezone(UTC) == datetime(2024, 11, 25, 21, 0, tzinfo=UTC)


def test_a_day_has_25_hours_when_summer_time_ends() -> None:
    shift = ShiftPlan().at(datetime(2024, 10, 27, 12, 0, tzinfo=UTC))
    assert shift.ends.astimezone(UTC) - shift.begins.astimezone(UTC) == timedelta(hours=25)


def test_no_such_shift() -> None:
    assert THREE.of(date(2024, 11, 25), "lunch") is None


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('starts = ["6:00"]\nnames = ["early"]', 'shifts.starts[0] is "6:00", must be a time of day as "06:00"'),
        ('starts = ["24:00"]\nnames = ["early"]', 'shifts.starts[0] is "24:00", must be'),
        (
            'starts = ["06:00", "14:00"]\nnames = ["early"]',
            "shifts.names has 1 entries, must have one for each of the 2",
        ),
        ('starts = ["14:00", "06:00"]\nnames = ["a", "b"]', "must be in order of the day"),
        ('starts = ["06:00", "14:00"]\nnames = ["a", "a"]', "must not have a name twice"),
        ('start = ["06:00"]', "shifts.start is not a known key; did you mean starts?"),
        ("starts = 6", "shifts.starts is 6, must be a list [...]"),
    ],
)
def test_mistakes_in_the_file_are_said(station_file: Path, table: str, words: str) -> None:
    station_file.write_text(f"{station_file.read_text()}\n[shifts]\n{table}\n")
    with pytest.raises(DefinitionError) as caught:
        load_station(station_file)
    assert any(words in problem for problem in caught.value.problems), caught.value.problems


def test_shifts_are_read(station_file: Path) -> None:
    assert load_station(station_file).shifts == ShiftPlan()
    table = 'starts = ["06:00", "14:00", "22:00"]\nnames = ["early", "late", "night"]'
    station_file.write_text(f"{station_file.read_text()}\n[shifts]\n{table}\n")
    assert load_station(station_file).shifts == THREE
