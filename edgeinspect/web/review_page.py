"""The process engineer's queue: shells that were not green, looked at one after the other by keyboard, labelled and
disposed of; and the marks of what was changed at the cell.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Form, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import Field

from edgeinspect.errors import InputError
from edgeinspect.inspection import Inspection
from edgeinspect.store.people import Person, Role
from edgeinspect.store.review_queue import Disposition, Label, Order
from edgeinspect.store.reviews import LONGEST_REASON, ChangeMark, Disposed, Labelled, MarkKind, Reviews
from edgeinspect.web.inspection_list import Asked, wanted
from edgeinspect.web.inspection_page import InspectionId, there
from edgeinspect.web.look import LOOKS, iso_time
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.places import place_names
from edgeinspect.web.problems import wants_page
from edgeinspect.web.review_record import ReviewQueue, ReviewRecord, queue_row, review_record
from edgeinspect.web.sign_in import person
from edgeinspect.web.twin import as_json

QUEUE, COUNTED = 200, 1000  # shells on the page; counted no further
ANY = "any"  # label: also those that have one already
LABEL_KEYS = {"1": Label.TRULY_BAD, "2": Label.GOOD, "3": Label.LOOSE_CHIP, "4": Label.GAUGE_AT_FAULT}
DISPOSITION_KEYS = {
    "r": Disposition.REWORK,
    "c": Disposition.CONCESSION,
    "s": Disposition.SCRAP,
    "h": Disposition.HOLD,
}
MARKS = 200  # on the page

routes = APIRouter()


class ReviewAsked(Asked):
    """What the queue is narrowed by, and its order."""

    label: Annotated[str, Field(max_length=40)] = ""  # "" not labelled yet, "any", or one of Label
    order: Annotated[str, Field(max_length=10)] = ""  # "" newest, or "worst" first


AskedHere = Annotated[ReviewAsked, Query()]
Reason = Annotated[str, Form(max_length=LONGEST_REASON)]
Reviewer = Annotated[Person, Depends(person(Role.ENGINEER, Role.QUALITY))]
AtTheCell = Annotated[Person, Depends(person(Role.OPERATOR, Role.ENGINEER, Role.QUALITY))]


def _reviews(parts: Parts) -> Reviews:
    return Reviews(parts.changes, parts.station.same_shell_h)


def _queue(parts: Parts, asked: ReviewAsked) -> ReviewQueue:
    """Raises InputError with everything that is wrong with what is asked."""
    given = asked.filters()
    problems: list[str] = []
    choices = ["", ANY, *(one.value for one in Label if one is not Label.WITHDRAWN)]
    if asked.label not in choices:
        problems.append(f"label is {asked.label!r}, must be one of: {', '.join(choices[1:])}")
    if asked.order not in ("", *(one.value for one in Order)):
        problems.append(f"order is {asked.order!r}, must be one of: {', '.join(Order)}")
    try:
        which = wanted(asked)
    except InputError as error:
        raise InputError(sorted([*error.problems, *problems])) from error
    if problems:
        raise InputError(sorted(problems))
    label = None if asked.label == ANY else Label(asked.label) if asked.label else Label.WITHDRAWN
    order = Order(asked.order) if asked.order else Order.NEWEST
    reviews = _reviews(parts)
    query = f"?{urlencode(given)}" if given else ""
    rows = [queue_row(one, query) for one in reviews.queue(which, label, order, QUEUE)]
    total = len(rows) if len(rows) < QUEUE else reviews.queue_length(which, label, COUNTED)
    return ReviewQueue(asked=given, total=total, shells=rows)


def _page(request: Request, parts: Parts, asked: ReviewAsked, shown: int | None) -> Response:
    record = _queue(parts, asked)
    return parts.pages.TemplateResponse(
        request,
        "review.html",
        {
            "record": record,
            "shown": shown,
            "asked": {**ReviewAsked().model_dump(by_alias=True), **record.asked},
            "looks": [look for look in LOOKS.items() if look[1].key != "good"],
            "labels": LABEL_KEYS,
            "dispositions": DISPOSITION_KEYS,
            "places": place_names(parts.shells, asked.shell),
            "counted": COUNTED,
            "here": "review",
        },
    )


@routes.get("/review", response_class=HTMLResponse)
def review_page(request: Request, parts: PartsHere, asked: AskedHere) -> Response:
    return _page(request, parts, asked, None)


@routes.get("/review.json")
def review_queue(parts: PartsHere, asked: AskedHere) -> ReviewQueue:
    return _queue(parts, asked)


@routes.get("/review/{inspection_id}.json", response_model=ReviewRecord)
def review_twin(parts: PartsHere, inspection_id: InspectionId) -> Response:
    return as_json(review_record(parts, _found(parts, inspection_id)))


@routes.get("/review/{inspection_id}", response_class=HTMLResponse)
def review_one(request: Request, parts: PartsHere, inspection_id: InspectionId, asked: AskedHere) -> Response:
    _found(parts, inspection_id)
    return _page(request, parts, asked, inspection_id)


def _found(parts: Parts, inspection_id: int) -> Inspection:
    return there(parts.recent.inspection(inspection_id), inspection_id)


# -- say


@routes.post("/review/{inspection_id}/label")
def say_label(
    parts: PartsHere, inspection_id: InspectionId, who: Reviewer, label: Annotated[Label, Form()], reason: Reason = ""
) -> Labelled:
    """Whether the answer of this look was right; said again it replaces what was said before, for showing."""
    return _reviews(parts).label(inspection_id, label, reason, iso_time(parts.clock()), who.who)


@routes.post("/review/{inspection_id}/disposition")
def say_disposition(
    parts: PartsHere,
    inspection_id: InspectionId,
    who: Reviewer,
    disposition: Annotated[Disposition, Form()],
    reason: Reason = "",
) -> Disposed:
    """What is done with the shell, and why. A concession passes what is nonconforming: that is for quality alone."""
    if disposition is Disposition.CONCESSION and who.role is not Role.QUALITY:
        raise HTTPException(403, f"A concession is for quality: {who.name} is signed in as {who.role}.")
    return _reviews(parts).dispose(inspection_id, disposition, reason, iso_time(parts.clock()), who.who)


# -- what was changed at the cell


@dataclass(frozen=True)
class MarksRecord:
    """``/marks.json``: what was changed at the cell, newest first."""

    marks: list[ChangeMark]


def _marks(parts: Parts) -> MarksRecord:
    return MarksRecord(list(_reviews(parts).marks(limit=MARKS)))


@routes.get("/marks", response_class=HTMLResponse)
def marks_page(request: Request, parts: PartsHere) -> Response:
    now = parts.clock().astimezone().strftime("%Y-%m-%dT%H:%M")
    content = {"record": _marks(parts), "kinds": list(MarkKind), "now": now, "here": "marks"}
    return parts.pages.TemplateResponse(request, "marks_page.html", content)


@routes.get("/marks.json")
def marks_record(parts: PartsHere) -> MarksRecord:
    return _marks(parts)


@routes.post("/marks")
def say_mark(
    request: Request,
    parts: PartsHere,
    who: AtTheCell,
    kind: Annotated[MarkKind, Form()],
    when: Annotated[str, Form(max_length=40)],
    note: Reason,
    shell_id: Annotated[str, Form(max_length=80)] = "",
) -> Response:
    """``when`` is the station's own clock unless it says otherwise; ``shell_id`` the first shell made with it."""
    try:
        done = datetime.fromisoformat(when).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise InputError(f"when is {when!r}, must be a time as 2024-11-25T10:30") from error
    mark = _reviews(parts).mark(kind, iso_time(done), shell_id.strip(), note, iso_time(parts.clock()), who.who)
    return RedirectResponse("/marks", status_code=303) if wants_page(request) else as_json(mark)
