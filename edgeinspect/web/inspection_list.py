"""The list of inspections, newest first, narrowed by what is asked, with what is counted of them."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import FileResponse, HTMLResponse, Response, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.background import BackgroundTask

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.store.inspections import Row
from edgeinspect.store.search import PlaceCount, Wanted
from edgeinspect.store.tables import WideTable, as_csv, as_json_lines, write_parquet
from edgeinspect.web.look import LOOKS
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.places import PlaceRow, PlanDrawing, place_names, place_rows

PAGE = 50

routes = APIRouter()


class Asked(BaseModel):
    """What the list is narrowed by; "" asks for all. Times are the station's own clock unless they say otherwise."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    shell_id: Annotated[str, Field(max_length=80)] = ""  # with a * at its end: all that begin so
    shell: Annotated[str, Field(max_length=64)] = ""
    since: Annotated[str, Field(alias="from", max_length=40)] = ""  # "2024-11-25T10:30" or "2024-11-25"
    until: Annotated[str, Field(alias="to", max_length=40)] = ""  # before it; a day counts whole
    answer: Annotated[str, Field(max_length=40)] = ""
    place: Annotated[str, Field(max_length=200)] = ""  # in words: something there is not proven good
    words: Annotated[str, Field(max_length=200)] = ""  # all of them are in the reason
    before_id: Annotated[int | None, Field(ge=1, le=2**62)] = None

    def filters(self) -> dict[str, str]:
        """What narrows the list, by the names in the address."""
        given = self.model_dump(by_alias=True, exclude={"before_id"})
        return {name: value.strip() for name, value in given.items() if value.strip()}


AskedHere = Annotated[Asked, Query()]


@dataclass(frozen=True)
class ListRow:
    inspection_id: int
    shell_id: str
    attempt: int
    shell: str
    variant: str
    answer: Answer
    key: str
    word: str
    sentence: str
    action: str
    where: str
    finished_at: str
    url: str


@dataclass(frozen=True)
class AnswerCount:
    answer: Answer
    key: str
    word: str
    term: str
    count: int
    url: str  # lists them


@dataclass(frozen=True)
class InspectionList:
    """``/inspections.json``: up to 50 inspections, newest first; ``next_url`` is the page of older ones. The counts
    are of all that fit what is asked.
    """

    asked: dict[str, str]
    total: int
    counts: list[AnswerCount]
    reds: list[PlaceRow]
    plans: list[PlanDrawing]
    inspections: list[ListRow]
    next_url: str | None
    newest_url: str | None  # None on the newest page


def wanted(asked: Asked) -> Wanted:
    """Raises InputError with everything that is wrong with it."""
    problems: list[str] = []
    given = asked.filters()
    answer = None
    if "answer" in given:
        try:
            answer = Answer(given["answer"])
        except ValueError:
            problems.append(f"answer is {given['answer']!r}, must be one of: {', '.join(Answer)}")
    times: dict[str, str | None] = {"from": None, "to": None}
    for name in times.keys() & given.keys():
        try:
            times[name] = utc_text(_moment(given[name], whole_day=name == "to"))
        except (ValueError, OverflowError):
            problems.append(f"{name} is {given[name]!r}, must be a time as 2024-11-25T10:30 or a day as 2024-11-25")
    if problems:
        raise InputError(sorted(problems))
    return Wanted(
        shell_id=given.get("shell_id"),
        shell=given.get("shell"),
        since=times["from"],
        until=times["to"],
        answer=answer,
        place=given.get("place"),
        words=given.get("words", ""),
    )


def _moment(text: str, *, whole_day: bool) -> datetime:
    moment = datetime.fromisoformat(text)
    if whole_day and len(text) == len("2024-11-25"):
        moment += timedelta(days=1)
    return moment.astimezone(UTC)


def utc_text(moment: datetime) -> str:
    """As ``Wanted`` compares times with the record's."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S")


def _local(text: str) -> str:
    """As the browser's field for a time wants it."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC).astimezone().strftime("%Y-%m-%dT%H:%M")


def list_url(path: str = "/inspections", **filters: object) -> str:
    given = {name: value for name, value in filters.items() if value not in ("", None)}
    return f"{path}?{urlencode(given)}" if given else path


def answer_counts(counts: dict[Answer, int], filters: dict[str, str]) -> list[AnswerCount]:
    return [
        AnswerCount(
            answer, look.key, look.word, look.term, counts[answer], list_url(**{**filters, "answer": answer.value})
        )
        for answer, look in LOOKS.items()
    ]


def red_rows(counts: list[PlaceCount], filters: dict[str, str]) -> list[PlaceRow]:
    def url(one: PlaceCount) -> str:
        here = {"shell": one.shell, "answer": Answer.NONCONFORMING.value, "place": one.where}
        return list_url(**{**filters, **here})

    return place_rows(counts, url)


def _listing(parts: Parts, asked: Asked, path: str) -> InspectionList:
    which, filters = parts.store.found(wanted(asked)), asked.filters()
    rows = parts.store.listing(PAGE + 1, asked.before_id, which)
    counts = parts.store.counts(which)
    reds = red_rows(parts.store.reds(which), filters)
    older = list_url(path, **filters, before_id=rows[PAGE - 1].inspection_id) if len(rows) > PAGE else None
    return InspectionList(
        asked=filters,
        total=sum(counts.values()),
        counts=answer_counts(counts, filters),
        reds=reds,
        plans=parts.plans.drawings(reds),
        inspections=[_row(row) for row in rows[:PAGE]],
        next_url=older,
        newest_url=list_url(path, **filters) if asked.before_id is not None else None,
    )


def _row(row: Row) -> ListRow:
    look = LOOKS[row.answer]
    return ListRow(
        inspection_id=row.inspection_id,
        shell_id=row.shell_id,
        attempt=row.attempt,
        shell=row.shell,
        variant=row.variant,
        answer=row.answer,
        key=look.key,
        word=look.word,
        sentence=row.sentence,
        action=row.action,
        where=row.where,
        finished_at=row.finished_at,
        url=f"/inspections/{row.inspection_id}",
    )


@routes.get("/inspections", response_class=HTMLResponse)
def list_page(request: Request, parts: PartsHere, asked: AskedHere) -> Response:
    record = _listing(parts, asked, "/inspections")
    which = wanted(asked)
    times = {name: _local(text) for name, text in (("from", which.since), ("to", which.until)) if text}
    shown = {**Asked().model_dump(by_alias=True), **record.asked, **times}
    places = place_names(parts.shells, shown["shell"])
    return parts.pages.TemplateResponse(
        request,
        "inspections.html",
        {
            "record": record,
            "asked": shown,
            "looks": LOOKS,
            "shells": parts.shells.names(),
            "places": list(dict.fromkeys([*places, *([shown["place"]] if shown["place"] else [])])),
            "here": "inspections",
        },
    )


@routes.get("/inspections.csv", response_class=StreamingResponse)
def list_as_csv(parts: PartsHere, asked: AskedHere) -> Response:
    """Every look that fits what is asked, as one wide table with units in its headers."""
    return StreamingResponse(
        as_csv(WideTable(parts.store, wanted(asked))), media_type="text/csv", headers=_named("csv")
    )


@routes.get("/inspections.jsonl", response_class=StreamingResponse)
def list_as_json_lines(parts: PartsHere, asked: AskedHere) -> Response:
    """The same, an object a line."""
    lines = as_json_lines(WideTable(parts.store, wanted(asked)))
    return StreamingResponse(lines, media_type="application/jsonl", headers=_named("jsonl"))


@routes.get("/inspections.parquet", response_class=FileResponse)
def list_as_parquet(parts: PartsHere, asked: AskedHere) -> Response:
    """The same, for programs that read columns."""
    which = wanted(asked)
    with tempfile.NamedTemporaryFile(suffix=".parquet", delete=False) as file:
        path = Path(file.name)
    try:
        write_parquet(WideTable(parts.store, which), path)
    except BaseException:
        path.unlink()
        raise
    done = BackgroundTask(path.unlink)
    return FileResponse(path, media_type="application/vnd.apache.parquet", headers=_named("parquet"), background=done)


def _named(kind: str) -> dict[str, str]:
    return {"Content-Disposition": f'attachment; filename="inspections.{kind}"'}


@routes.get("/inspections.json")
def list_record(parts: PartsHere, asked: AskedHere) -> InspectionList:
    return _listing(parts, asked, "/inspections.json")
