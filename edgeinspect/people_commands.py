"""The commands about persons (the first administrator, a forgotten password), and about the record of changes."""

from __future__ import annotations

import sys
from typing import Annotated

import typer
from rich.table import Table

from edgeinspect.errors import InputError
from edgeinspect.station.calibrations_in_use import plain_words
from edgeinspect.station.run import time_of_day
from edgeinspect.store.changes import AT_THE_MACHINE, Changes, Who
from edgeinspect.store.inspections import Store
from edgeinspect.store.people import People, Role
from edgeinspect.terminal import DATA, NOT_GREEN, AsJson, DataFolder, aside, out, plainly, print_json

Name = Annotated[str, typer.Argument(help="as it shall stand in the record")]
By = Annotated[str | None, typer.Option("--who", help="your name, for the record; else that of the person itself")]


def add_to(app: typer.Typer) -> None:
    app.command("add-person")(add_person)
    app.command("set-password")(set_password)
    app.command("people")(list_people)
    app.command("check-record")(check_record)


def add_person(
    name: Name,
    role: Annotated[Role, typer.Option(help="administrator: persons; engineer, quality: limits, labels; operator")],
    who: By = None,
    data: DataFolder = DATA,
    as_json: AsJson = False,
) -> None:
    """Add a person who may sign in at the pages. The password is asked for, or is the first line of standard input."""
    with plainly(as_json):
        password = _password()
        Store.open(data).close()
        with Changes.open(data) as changes:
            person = People(changes).add(name, role, password, time_of_day(), _who(who, name))
    if as_json:
        print_json({"name": person.name, "role": person.role})
    else:
        out.print(f"{person.name} may sign in as {person.role}", soft_wrap=True, markup=False)


def set_password(name: Name, who: By = None, data: DataFolder = DATA, as_json: AsJson = False) -> None:
    """Give a person another password; it signs them out everywhere."""
    with plainly(as_json):
        password = _password()
        with Changes.open(data) as changes:
            People(changes).set_password(name, password, time_of_day(), _who(who, name))
    if as_json:
        print_json({"name": name})
    else:
        out.print(f"{name} has another password and is signed out everywhere", soft_wrap=True, markup=False)


def list_people(data: DataFolder = DATA, as_json: AsJson = False) -> None:
    """List who may sign in, and as what. Nobody is ever deleted."""
    with plainly(as_json), Changes.open(data) as changes:
        people = People(changes).all()
    if as_json:
        print_json({"people": [vars(person) for person in people]})
        return
    table = Table("name", "role", "since (UTC)", "", box=None, padding=(0, 2, 0, 0))
    for person in people:
        table.add_row(person.name, person.role, person.since[:16], "" if person.active else "switched off")
    out.print(table if people else f"{data} knows nobody yet: edgeinspect add-person NAME --role administrator")


def check_record(data: DataFolder = DATA, as_json: AsJson = False) -> None:
    """Check the record of changes: every row against its hash, and the last one against what is kept outside of it.

    Exit code 3 if a row was edited, taken out, or is missing at the end.
    """
    with plainly(as_json), Changes.open(data) as changes:
        checked = changes.check()
    if as_json:
        print_json({"intact": checked.intact, **vars(checked)})
    elif checked.intact:
        out.print(f"intact: {checked.rows} rows, the last one {checked.head}", soft_wrap=True, markup=False)
    else:
        aside.print("\n".join(checked.problems), soft_wrap=True, markup=False)
    if not checked.intact:
        raise typer.Exit(NOT_GREEN)


def _who(who: str | None, name: str) -> Who:
    return Who(plain_words("--who", name if who is None else who), AT_THE_MACHINE)


def _password() -> str:
    """Without echo at a terminal, twice; else one line. Never an option: the list of processes shows those."""
    if sys.stdin.isatty():
        return str(typer.prompt("password", hide_input=True, confirmation_prompt=True, err=True))
    line = sys.stdin.readline().rstrip("\r\n")
    if not line:
        raise InputError("password is missing: type it, or give it as the first line of standard input")
    return line
