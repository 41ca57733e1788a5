"""Who may change what: the administrator adds persons, gives roles and passwords, switches off; nobody is deleted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from edgeinspect.store.people import SHORTEST_PASSWORD, Person, Role
from edgeinspect.web.look import iso_time
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.sign_in import person

routes = APIRouter()
Administrator = Annotated[Person, Depends(person(Role.ADMINISTRATOR))]
Name = Annotated[str, Form(max_length=200)]
Password = Annotated[str, Form(max_length=1000)]

ROLE_WORDS = {
    Role.OPERATOR: "reads every page",
    Role.ENGINEER: "labels, disposes, proposes and approves limits, chooses calibrations",
    Role.QUALITY: "labels, disposes, proposes and approves limits, chooses calibrations, enters concessions",
    Role.ADMINISTRATOR: "persons and their roles, nothing else",
}


@dataclass(frozen=True)
class PeopleRecord:
    """``/people.json``. Passwords are nowhere."""

    people: list[Person]
    roles: dict[Role, str]  # what each may do


def _record(parts: Parts) -> PeopleRecord:
    return PeopleRecord(list(parts.people.all()), ROLE_WORDS)


@routes.get("/people", response_class=HTMLResponse)
def people_page(request: Request, parts: PartsHere, _: Administrator) -> Response:
    content = {"record": _record(parts), "shortest": SHORTEST_PASSWORD, "here": "people"}
    return parts.pages.TemplateResponse(request, "people.html", content)


@routes.get("/people.json")
def people_record(parts: PartsHere, _: Administrator) -> PeopleRecord:
    return _record(parts)


@routes.post("/people")
def add(
    parts: PartsHere, who: Administrator, name: Name, role: Annotated[Role, Form()], password: Password
) -> Response:
    parts.people.add(name, role, password, iso_time(parts.clock()), who.who)
    return _back()


@routes.post("/people/role")
def give_role(parts: PartsHere, who: Administrator, name: Name, role: Annotated[Role, Form()]) -> Response:
    parts.people.give_role(name, role, iso_time(parts.clock()), who.who)
    return _back()


@routes.post("/people/password")
def set_password(parts: PartsHere, who: Administrator, name: Name, password: Password) -> Response:
    """Signs that person out everywhere."""
    parts.people.set_password(name, password, iso_time(parts.clock()), who.who)
    return _back()


@routes.post("/people/active")
def switch(parts: PartsHere, who: Administrator, name: Name, active: Annotated[bool, Form()]) -> Response:
    parts.people.switch(name, active, iso_time(parts.clock()), who.who)
    return _back()


def _back() -> Response:
    return RedirectResponse("/people", status_code=303)
