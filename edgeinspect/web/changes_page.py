"""The record of changes: who changed what, when and why, newest first; and whether it is as it was written."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response

from edgeinspect.store.changes import Change
from edgeinspect.web.look import iso_time
from edgeinspect.web.parts import Parts, PartsHere

ON_A_PAGE = 100

routes = APIRouter()
Subject = Annotated[str, Query(max_length=200)]
BeforeId = Annotated[int | None, Query(ge=1, le=2**62)]


@dataclass(frozen=True)
class ChangesRecord:
    """``/changes.json``. Newest first; ``details`` of a change is JSON as text, as its hash was made of."""

    intact: bool
    problems: list[str]  # which rows are not as they were written
    looked_through_at: str | None  # None: just now; a long record is looked through while pages are shown
    head: str  # number and hash of the last row
    subject: str  # only what was done to this; "" everything
    changes: list[Change]
    older_id: int | None  # for the next page


def _record(parts: Parts, subject: str, before_id: int | None) -> ChangesRecord:
    looked = parts.changes_checked.latest()
    checked = looked.checked
    found = parts.changes.all(subject or None, ON_A_PAGE + 1, before_id)
    shown = list(found[:ON_A_PAGE])
    at = iso_time(looked.at) if looked.at else None
    older = shown[-1].change_id if len(found) > ON_A_PAGE else None
    return ChangesRecord(checked.intact, list(checked.problems), at, checked.head, subject, shown, older)


@routes.get("/changes", response_class=HTMLResponse)
def changes_page(request: Request, parts: PartsHere, subject: Subject = "", before_id: BeforeId = None) -> Response:
    record = _record(parts, subject, before_id)
    return parts.pages.TemplateResponse(request, "changes.html", {"record": record, "here": "changes"})


@routes.get("/changes.json")
def changes_record(parts: PartsHere, subject: Subject = "", before_id: BeforeId = None) -> ChangesRecord:
    return _record(parts, subject, before_id)
