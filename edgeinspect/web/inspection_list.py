"""The plain list of inspections, newest first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.store.inspections import Row
from edgeinspect.web.look import LOOKS
from edgeinspect.web.parts import Parts, PartsHere

PAGE = 50

routes = APIRouter()

ShellId = Annotated[str, Query(max_length=80)]
BeforeId = Annotated[int | None, Query(ge=1, le=2**62)]
AnswerText = Annotated[str, Query(max_length=40)]


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
class InspectionList:
    """``/inspections.json``: up to 50 inspections, newest first; ``next_url`` is the page of older ones."""

    shell_id: str
    answer: str
    inspections: list[ListRow]
    next_url: str | None
    newest_url: str | None  # None on the newest page


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


def _listing(parts: Parts, shell_id: str, answer: Answer | None, before_id: int | None, path: str) -> InspectionList:
    rows = parts.store.listing(PAGE + 1, before_id, shell_id=shell_id.strip() or None, answer=answer)
    asked = {"shell_id": shell_id.strip(), "answer": answer.value if answer else ""}
    asked = {key: value for key, value in asked.items() if value}

    def url(**more: int) -> str:
        query = urlencode({**asked, **more})
        return f"{path}?{query}" if query else path

    return InspectionList(
        shell_id=shell_id.strip(),
        answer=answer.value if answer else "",
        inspections=[_row(row) for row in rows[:PAGE]],
        next_url=url(before_id=rows[PAGE - 1].inspection_id) if len(rows) > PAGE else None,
        newest_url=url() if before_id is not None else None,
    )


def answer_asked(text: str) -> Answer | None:
    """The answer to filter by; "" asks for all. Raises InputError."""
    if not text:
        return None
    try:
        return Answer(text)
    except ValueError:
        raise InputError(f"answer is {text!r}, must be one of: {', '.join(Answer)}") from None


@routes.get("/inspections", response_class=HTMLResponse)
def list_page(
    request: Request, parts: PartsHere, shell_id: ShellId = "", answer: AnswerText = "", before_id: BeforeId = None
) -> Response:
    record = _listing(parts, shell_id, answer_asked(answer), before_id, "/inspections")
    return parts.pages.TemplateResponse(
        request, "inspections.html", {"record": record, "looks": LOOKS, "here": "inspections"}
    )


@routes.get("/inspections.json")
def list_record(
    parts: PartsHere, shell_id: ShellId = "", answer: AnswerText = "", before_id: BeforeId = None
) -> InspectionList:
    return _listing(parts, shell_id, answer_asked(answer), before_id, "/inspections.json")
