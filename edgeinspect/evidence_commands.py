"""The commands about evidence: write a file of it for one shell, and check such a file anywhere."""

from __future__ import annotations

import contextlib
import math
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from edgeinspect.errors import InputError
from edgeinspect.evidence.check import TOLERANCE, Checked, Compared
from edgeinspect.evidence.contents import find
from edgeinspect.evidence.page import issue
from edgeinspect.evidence.verify import check_file
from edgeinspect.station.config import load_station
from edgeinspect.station.run import time_of_day
from edgeinspect.store.inspections import Store
from edgeinspect.terminal import DATA, STATION, AsJson, DataFolder, StationFile, out, plainly, print_json

NOT_INTACT = 1
WIDE = 140  # characters: names of numbers are not to be broken


def add_to(app: typer.Typer) -> None:
    app.command("evidence")(write_evidence)
    app.command("check-evidence")(check_evidence)


def write_evidence(
    shell: Annotated[str, typer.Argument(help="shell id (its last look), or the number of an inspection")],
    file: Annotated[Path, typer.Option("--out", help="the file to be written (HTML); an older one is replaced")],
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    as_json: AsJson = False,
) -> None:
    """Write all that is known of one look at a shell into one HTML file that opens anywhere, without a network."""
    with plainly(as_json), Store.open(data, read_only=True) as store:
        number = find(store, shell)
        text = issue(store, load_station(station_file), number, time_of_day())
        try:
            file.write_text(text, encoding="utf-8", newline="\n")
        except OSError as error:
            raise InputError(f"{file} cannot be written: {error.strerror or error}") from error
    size_mb = round(len(text.encode()) / 1e6, 2)
    if as_json:
        print_json({"file": str(file), "inspection_id": number, "size_mb": size_mb})
    else:
        out.print(f"inspection {number} written to {file} ({size_mb} MB)", soft_wrap=True, markup=False)


def check_evidence(
    file: Annotated[Path, typer.Argument(help="a file of evidence")],
    data: Annotated[
        Path | None, typer.Option("--data", help="a station's data folder: compare with its record too")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Work the numbers of a file of evidence out again from nothing but what is in it, and find what was changed.

    Needs no station. Exit code 0: every number comes out again to 0.001 mm and nothing was changed; 1: not so.
    """
    with plainly(as_json), contextlib.ExitStack() as stack:
        store = None if data is None else stack.enter_context(Store.open(data, read_only=True))
        checked = check_file(file, store)
    if as_json:
        print_json(_plain(checked))
    else:
        _print(checked)
    if not checked.intact:
        raise typer.Exit(NOT_INTACT)


def _plain(checked: Checked) -> dict[str, Any]:
    return {
        "intact": checked.intact,
        "shell_id": checked.shell_id,
        "inspection_id": checked.inspection_id,
        "answer": checked.answer.value,
        "software": checked.software,
        "checked_by": checked.checked_by,
        "same_program": checked.same_program,
        "tolerance": TOLERANCE,
        "problems": list(checked.problems),
        "not_worked_out_again": list(checked.not_again),
        "numbers": [
            {
                "name": one.name,
                "by": one.by,
                "unit": one.unit,
                "value": _finite(one.value),
                "again": _finite(one.again),
                "u": _finite(one.u),
                "u_again": _finite(one.u_again),
                "agrees": one.agrees,
            }
            for one in checked.compared
        ],
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _print(checked: Checked) -> None:
    table = Table("number", "worked out from", "in the file", "again", "difference", "", box=None, padding=(0, 2, 0, 0))
    for one in checked.compared:
        table.add_row(*map(escape, _cells(one)))
    if checked.compared:
        Console(highlight=False, width=max(out.width, WIDE)).print(table)
    for sentence in checked.not_again:
        out.print(f"not worked out again: {sentence}", markup=False, soft_wrap=True)
    for sentence in checked.problems:
        out.print(f"[bold red]not in order[/]: {escape(sentence)}", soft_wrap=True)
    if not checked.same_program:
        out.print(f"{_other_program(checked)}", markup=False, soft_wrap=True)
    who = f"shell {checked.shell_id}, inspection {checked.inspection_id}, {checked.answer}"
    out.print(f"{who}: {checked.sentence()}", markup=False, soft_wrap=True)


def _other_program(checked: Checked) -> str:
    return (
        f"measured by edgeinspect {checked.software}, checked by {checked.checked_by} with other code than wrote it: "
        "another program may measure a little otherwise; that one shows whether a number was changed"
    )


def _cells(one: Compared) -> tuple[str, ...]:
    def number(value: float) -> str:
        return "–" if math.isnan(value) else f"{value:+.4f}"

    difference = f"{one.difference:.5f} {one.unit}" if math.isfinite(one.difference) else "only one of the two"
    return one.name, one.by, number(one.value), number(one.again), difference, "" if one.agrees else "DIFFERS"
