"""One shift: how many of each answer hour by hour, where shells were bad, and what the gauge read meanwhile."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.station.shifts import Shift
from edgeinspect.store.search import LengthRead, Wanted
from edgeinspect.store.state import Changeover
from edgeinspect.web.inspection_list import AnswerCount, answer_counts, list_url, red_rows, utc_text
from edgeinspect.web.look import LOOKS, iso_time, parse_time
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.places import PlaceRow, PlanDrawing
from edgeinspect.web.third_red import THIRD, often_red

PLACES_SAID = 3  # more are in the table

routes = APIRouter()

Day = Annotated[str, Query(max_length=10)]
Name = Annotated[str, Query(max_length=64)]


@dataclass(frozen=True)
class HourRow:
    begins_at: str
    counts: dict[str, int]  # by key of the answer's look


@dataclass(frozen=True)
class LengthRow:
    """One known length over the shift; ``readings`` are [share of the shift's time, read minus known in mm]."""

    camera: str
    words: str
    known_mm: float
    lowest_mm: float
    mean_mm: float
    highest_mm: float
    good: bool  # no reading is off by more than what is noted as a moved camera
    readings: list[tuple[float, float]]


@dataclass(frozen=True)
class ChangeoverRow:
    """The station was set to another shell or decal variant."""

    at: str
    who: str  # from where; nobody logs in at a station
    shell: str
    variant: str
    confirmed_at: str | None  # by the first shell that fitted; None: by none
    confirmed_url: str | None


@dataclass(frozen=True)
class ShiftRecord:
    """``/shift.json``. Times are ISO 8601, UTC; a shift ends where the next begins."""

    now: str
    name: str
    day: str
    begins_at: str
    ends_at: str
    is_now: bool
    earlier_url: str
    later_url: str | None  # None: it has not begun
    list_url: str
    total: int
    counts: list[AnswerCount]
    hours: list[HourRow]  # from the first to the last with an inspection
    warnings: list[str]
    reds: list[PlaceRow]
    plans: list[PlanDrawing]
    changeovers: list[ChangeoverRow]  # newest first
    lengths: list[LengthRow]
    length_note_mm: float


def _chosen(parts: Parts, day: str, name: str, now: datetime) -> Shift:
    """The shift asked for; the one that is now where nothing is asked. Raises InputError."""
    plan = parts.station.shifts
    if not day and not name:
        return plan.at(now)
    try:
        shift = plan.of(date.fromisoformat(day) if day else plan.at(now).day, name or plan.names[0])
    except (ValueError, OverflowError):
        raise InputError(f"day is {day!r}, must be a day as 2024-11-25") from None
    if shift is None:
        raise InputError(f"name is {name!r}, must be one of: {', '.join(plan.names)}")
    return shift


def _record(parts: Parts, day: str, name: str, path: str) -> ShiftRecord:
    now = parts.clock()
    shift = _chosen(parts, day, name, now)
    wanted = Wanted(since=utc_text(shift.begins), until=utc_text(shift.ends))
    filters = {"from": _local(shift.begins), "to": _local(shift.ends)}
    times = parts.store.answer_times(wanted)
    counts = Counter(answer for _, answer in times)
    reds = red_rows(parts.store.reds(wanted), filters)
    answers = answer_counts({answer: counts[answer] for answer in Answer}, filters)
    note_mm = parts.station.fixture.trust.moved_note_mm
    is_now = shift.begins <= now < shift.ends
    return ShiftRecord(
        now=iso_time(now),
        name=shift.name,
        day=shift.day.isoformat(),
        begins_at=iso_time(shift.begins),
        ends_at=iso_time(shift.ends),
        is_now=is_now,
        earlier_url=_url(path, parts.station.shifts.at(shift.begins - timedelta(seconds=1))),
        later_url=_url(path, parts.station.shifts.at(shift.ends)) if shift.ends <= now else None,
        list_url=list_url(**filters),
        total=len(times),
        counts=answers,
        hours=_hours(times, shift),
        warnings=_warnings(reds),
        reds=reds,
        plans=parts.plans.drawings(reds),
        changeovers=[_changeover(one) for one in parts.state.changeovers(wanted.since or "", wanted.until or "")],
        lengths=_lengths(parts.store.lengths(wanted), shift, note_mm),
        length_note_mm=note_mm,
    )


def _changeover(made: Changeover) -> ChangeoverRow:
    url = None if made.confirmed_by is None else f"/inspections/{made.confirmed_by}"
    return ChangeoverRow(made.at, made.who, made.shell, made.variant, made.confirmed_at, url)


def _local(moment: datetime) -> str:
    return moment.astimezone().strftime("%Y-%m-%dT%H:%M")


def _url(path: str, shift: Shift) -> str:
    return f"{path}?day={shift.day.isoformat()}&name={shift.name}"


def _hours(times: list[tuple[str, Answer]], shift: Shift) -> list[HourRow]:
    begins = shift.begins.astimezone(UTC)
    counts = Counter((int((parse_time(at) - begins).total_seconds() // 3600), answer) for at, answer in times)
    if not counts:
        return []
    first, last = min(hour for hour, _ in counts), max(hour for hour, _ in counts)
    return [
        HourRow(
            iso_time(begins + timedelta(hours=hour)),
            {look.key: counts[hour, answer] for answer, look in LOOKS.items()},
        )
        for hour in range(first, last + 1)
    ]


def _warnings(reds: list[PlaceRow]) -> list[str]:
    """The third red in one place, in one sentence a shell."""
    sentences = []
    for shell in dict.fromkeys(row.shell for row in reds):
        often = often_red([row for row in reds if row.shell == shell])
        if often:
            said = [f"{row.shells} reds at the {row.where}" for row in often[:PLACES_SAID]]
            more = len(often) - len(said)
            words = "; ".join(said) + (f"; {THIRD} or more at {more} other places" if more else "")
            sentences.append(f"{words}: stop and call the process engineer")
    return sentences


def _lengths(reads: list[LengthRead], shift: Shift, note_mm: float) -> list[LengthRow]:
    rows = []
    begins, lasts_s = shift.begins.astimezone(UTC), (shift.ends - shift.begins).total_seconds()
    series: dict[tuple[str, str], list[LengthRead]] = {}
    for read in reads:
        series.setdefault((read.camera, read.words), []).append(read)
    for (camera, words), ones in sorted(series.items()):
        errors = [one.read_mm - one.known_mm for one in ones]
        shares = [(parse_time(one.finished_at) - begins).total_seconds() / lasts_s for one in ones]
        known_mm = ones[-1].known_mm
        rows.append(
            LengthRow(
                camera=camera,
                words=words,
                known_mm=known_mm,
                lowest_mm=known_mm + min(errors),
                mean_mm=known_mm + sum(errors) / len(errors),
                highest_mm=known_mm + max(errors),
                good=max(map(abs, errors)) <= note_mm,
                readings=[(round(share, 5), round(error, 4)) for share, error in zip(shares, errors, strict=True)],
            )
        )
    return rows


@routes.get("/shift", response_class=HTMLResponse)
def shift_page(request: Request, parts: PartsHere, day: Day = "", name: Name = "") -> Response:
    record = _record(parts, day, name, "/shift")
    most = max((sum(hour.counts.values()) for hour in record.hours), default=1)
    return parts.pages.TemplateResponse(
        request, "shift.html", {"record": record, "looks": LOOKS, "most": most, "here": "shift"}
    )


@routes.get("/shift.json")
def shift_record(parts: PartsHere, day: Day = "", name: Name = "") -> ShiftRecord:
    return _record(parts, day, name, "/shift.json")
