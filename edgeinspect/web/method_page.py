"""Try another method on stored shells: filter cut-off, arris, search band. Says first on which shells and how long it
takes, then measures them in a process of its own. Changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from edgeinspect.errors import InputError, StoreError
from edgeinspect.shell.definition import Arris, ShellDefinition
from edgeinspect.store.people import Person, Role
from edgeinspect.store.reviews import Reviews
from edgeinspect.store.studies import Studies
from edgeinspect.study.method import (
    MOST,
    NAMES,
    USUAL,
    Method,
    MethodAsked,
    Sample,
    bounds,
    choose,
    limits_in_force,
    words_of,
)
from edgeinspect.study.method_run import Expectation, MethodBench, Standing, ask, expect, of_line, standing
from edgeinspect.web.asked_limits import number
from edgeinspect.web.inspection_list import Asked
from edgeinspect.web.look import iso_time
from edgeinspect.web.method_results import StudyRecord, study_record
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.sign_in import person
from edgeinspect.web.twin import as_json
from edgeinspect.web.what_if_parts import populations, usual_shell

LISTED = 10  # studies, the newest
RECENT = 50  # shells that tell the pace

routes = APIRouter()
Studier = Annotated[Person, Depends(person(Role.ENGINEER, Role.QUALITY, Role.ADMINISTRATOR))]
Text = Annotated[str, Field(max_length=64)]


class Wished(BaseModel):
    """Which method on which shells; "" stays as it is in force. Lengths in mm; times are the station's own clock."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    shell: Text = ""  # the one looked at last where nothing is asked
    since: Annotated[str, Field(alias="from", max_length=40)] = ""
    until: Annotated[str, Field(alias="to", max_length=40)] = ""
    cutoff: Text = ""
    arris: Literal["", "show", "back"] = ""
    band: Text = ""  # half width
    how: Literal["newest", "evenly"] = "newest"
    count: Annotated[int, Field(ge=1, le=MOST)] = USUAL
    labelled: Literal["", "also", "only"] = "also"

    def method(self) -> Method:
        """Raises InputError."""
        cutoff, band = number("cutoff", self.cutoff, None), number("band", self.band, None)
        return Method(cutoff, Arris(self.arris) if self.arris else None, band)


WishedHere = Annotated[Wished, Query()]


@dataclass(frozen=True)
class StudyRow:
    study_id: int
    shell: str
    words: str
    sample: str
    who: str
    at: str
    standing: Standing
    url: str


@dataclass(frozen=True)
class DamagedStudy:
    study_id: int
    problem: str  # with what to do


@dataclass(frozen=True)
class Plan:
    """What would be measured, before anything is."""

    words: str  # the differences
    sample: Sample
    expectation: Expectation


@dataclass(frozen=True)
class MethodRecord:
    """``/tune/method.json``: what can be tried, what is asked, and the studies so far."""

    asked: dict[str, str]
    shell: str
    shells: list[str]
    in_force: str
    cutoff_mm: float
    arris: str
    band_mm: float
    bounds: dict[str, tuple[float, float]]
    plan: Plan | None  # None: no change is asked for
    problems: list[str]  # why there is none
    at_work: int | None  # the study that is being measured
    studies: list[StudyRow]  # newest first
    damaged: list[DamagedStudy]  # whose files cannot be read


def _definition(parts: Parts, shell: str) -> ShellDefinition:
    names = parts.shells.names()
    if not names:
        raise InputError("there is no shell definition here")
    return parts.shells.definition(shell or usual_shell(parts) or names[0])


def _sample(parts: Parts, wished: Wished, shell: str) -> Sample:
    asked = Asked.model_validate({"shell": shell, "from": wished.since, "to": wished.until})
    labels = Reviews(parts.changes, parts.station.same_shell_h).labels()
    said = {inspection_id: one.label for inspection_id, one in labels.items()}
    return choose(
        parts.store, populations.get(parts, asked), said,
        shell=shell, how=wished.how, count=wished.count, labelled=wished.labelled,
    )  # fmt: skip


def _record(parts: Parts, wished: Wished) -> MethodRecord:
    definition = _definition(parts, wished.shell)
    plan, problems = None, list[str]()
    if wished.cutoff.strip() or wished.arris or wished.band.strip():
        try:
            method, sample = wished.method(), _sample(parts, wished, definition.name)
            limits, _ = limits_in_force(parts.store, definition)
            bench = MethodBench(parts.store, parts.station, definition, method, limits)
            plan = Plan(method.words(definition), sample, expect(parts.store, bench, sample))
        except InputError as error:  # of the form that is shown again
            problems = list(error.problems)
    studies, damaged = _studies(parts)
    return MethodRecord(
        asked={k: str(v) for k, v in wished.model_dump(by_alias=True).items() if v != ""},
        shell=definition.name,
        shells=list(parts.shells.names()),
        in_force=words_of(definition),
        cutoff_mm=definition.filter_cutoff_mm,
        arris=definition.arris.value,
        band_mm=definition.search_band_mm,
        bounds={name: bounds(name) for name in NAMES if name != "arris"},
        plan=plan,
        problems=problems,
        at_work=parts.background.at_work(),
        studies=studies,
        damaged=damaged,
    )


def _studies(parts: Parts) -> tuple[list[StudyRow], list[DamagedStudy]]:
    kept, at_work = Studies(parts.data), parts.background.at_work()
    rows, damaged = list[StudyRow](), list[DamagedStudy]()
    for study_id in kept.ids()[:LISTED]:
        try:
            one = kept.one(study_id, RECENT)
        except StoreError as error:  # the others can be read, and another one started
            damaged.append(DamagedStudy(study_id, str(error)))
            continue
        asked = of_line(MethodAsked, one.asked)
        now = standing(one, asked, at_work=at_work == study_id)
        url = f"/tune/method/{study_id}"
        rows.append(StudyRow(study_id, asked.shell, asked.words, asked.sample.words, asked.who, asked.at, now, url))
    return rows, damaged


@routes.get("/tune/method", response_class=HTMLResponse)
def method_page(request: Request, parts: PartsHere, wished: WishedHere) -> Response:
    record = _record(parts, wished)
    shown = {**Wished().model_dump(by_alias=True), **record.asked, "shell": record.shell}
    twin = f"/tune/method.json?{urlencode(record.asked)}"
    content = {"record": record, "asked": shown, "twin": twin, "most": MOST, "here": "tune"}
    return parts.pages.TemplateResponse(request, "method.html", content)


@routes.get("/tune/method.json", response_model=MethodRecord)
def method_record(parts: PartsHere, wished: WishedHere) -> Response:
    return as_json(_record(parts, wished))


@routes.post("/tune/method/start")
def start(
    parts: PartsHere,
    who: Studier,
    shell: Annotated[str, Form(max_length=64)],
    since: Annotated[str, Form(alias="from", max_length=40)] = "",
    until: Annotated[str, Form(alias="to", max_length=40)] = "",
    cutoff: Annotated[str, Form(max_length=64)] = "",
    arris: Annotated[Literal["", "show", "back"], Form()] = "",
    band: Annotated[str, Form(max_length=64)] = "",
    how: Annotated[Literal["newest", "evenly"], Form()] = "newest",
    count: Annotated[int, Form(ge=1, le=MOST)] = USUAL,
    labelled: Annotated[Literal["", "also", "only"], Form()] = "also",
) -> Response:
    """Measure the shells of ``shell`` that these words choose by another method; ``/tune/method`` says how long it
    takes, the study's own page how far it is.
    """
    if (other := parts.background.at_work()) is not None:
        raise InputError(f"study {other} is being measured: wait for it, or cancel it")
    wished = Wished.model_validate(
        {"shell": shell, "from": since, "to": until, "cutoff": cutoff, "arris": arris, "band": band, "how": how,
         "count": count, "labelled": labelled}
    )  # fmt: skip
    definition = _definition(parts, shell)
    method, sample = wished.method(), _sample(parts, wished, definition.name)
    study_id, _ = ask(
        parts.store, Studies(parts.data), parts.station, definition, method, sample,
        who=who.name, role=who.role.value, at=iso_time(parts.clock()),
    )  # fmt: skip
    parts.background.start(study_id)
    return _to(study_id)


@routes.post("/tune/method/{study_id}/cancel")
def cancel(parts: PartsHere, who: Studier, study_id: int) -> Response:
    """After the shell at hand; what was measured stays, and it can be gone on with."""
    studies = Studies(parts.data)
    kept = studies.one(study_id, 1)
    if parts.background.at_work() == study_id:
        studies.ask_to_cancel(study_id, who.name)
    elif standing(kept, of_line(MethodAsked, kept.asked), at_work=False).word == "interrupted":
        studies.append(study_id, {"event": "cancelled", "at": iso_time(parts.clock()), "why": "", "who": who.name})
    return _to(study_id)


@routes.post("/tune/method/{study_id}/go-on")
def go_on(parts: PartsHere, _: Studier, study_id: int) -> Response:
    """Measure the shells that are left."""
    studies = Studies(parts.data)
    kept = studies.one(study_id, 1)
    now = standing(kept, of_line(MethodAsked, kept.asked), at_work=parts.background.at_work() == study_id)
    if not now.can_go_on:
        raise InputError(f"study {study_id} is {now.word}: there is nothing to go on with")
    parts.background.start(study_id)
    return _to(study_id)


def _to(study_id: int) -> Response:
    return RedirectResponse(f"/tune/method/{study_id}", status_code=303)


@routes.get("/tune/method/{study_id}/progress")
def progress(parts: PartsHere, study_id: int) -> Standing:
    """How far it is; cheap enough to ask every second."""
    kept = Studies(parts.data).one(study_id, RECENT)
    return standing(kept, of_line(MethodAsked, kept.asked), at_work=parts.background.at_work() == study_id)


Of = Annotated[str, Query(max_length=120)]


@routes.get("/tune/method/{study_id}.json", response_model=StudyRecord)
def study_twin(parts: PartsHere, study_id: int, of: Of = "") -> Response:
    return as_json(study_record(parts, study_id, of))


@routes.get("/tune/method/{study_id}", response_class=HTMLResponse)
def study_page(
    request: Request, parts: PartsHere, study_id: int, of: Of = "", part: Literal["", "results"] = ""
) -> Response:
    record = study_record(parts, study_id, of)
    content = {"record": record, "twin": f"/tune/method/{study_id}.json", "here": "tune"}
    return parts.pages.TemplateResponse(request, "study_results.html" if part else "study.html", content)
