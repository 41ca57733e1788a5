"""What every command says things with: sentences, one JSON document, a progress bar, exit codes."""

from __future__ import annotations

import contextlib
import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from edgeinspect.conformity import Answer
from edgeinspect.errors import DefinitionError, EdgeinspectError
from edgeinspect.inspection import Expected
from edgeinspect.shell.files import load_shell
from edgeinspect.station.config import Station
from edgeinspect.station.run import load_expected, only_variant
from edgeinspect.station.thermometer import checked_celsius

DONE, NONCONFORMING, BAD_INPUT, NOT_GREEN = 0, 1, 2, 3
COLOURS = {
    Answer.CONFORMING: "green",
    Answer.NONCONFORMING: "red",
    Answer.NOT_PROVEN: "yellow",
    Answer.NO_RESULT: "cyan",
}

out, aside = Console(highlight=False), Console(stderr=True, highlight=False)

StationFile = Annotated[Path, typer.Option("--station", help="the station definition")]
DataFolder = Annotated[Path, typer.Option("--data", help="the station's data folder: record, pictures, calibrations")]
AsJson = Annotated[bool, typer.Option("--json", help="for machines: one JSON document on standard output")]
Celsius = Annotated[float | None, typer.Option("--temperature", help="of the shell [°C]; else the station's range")]
STATION, DATA = Path("station.toml"), Path("data")


@contextlib.contextmanager
def plainly(as_json: bool) -> Iterator[None]:
    """Errors that we raise on purpose are sentences, not tracebacks."""
    try:
        yield
    except EdgeinspectError as error:
        problems = str(error).split("\n")
        if as_json:
            print_json({"problems": problems})
        else:
            aside.print("\n".join(problems), soft_wrap=True, markup=False)
        raise typer.Exit(BAD_INPUT) from None


def print_json(document: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(document, indent=1, ensure_ascii=False) + "\n")


def asked_expected(station: Station, shell: str, variant: str | None, temperature_c: float | None) -> Expected:
    """What was asked for, checked; a variant need not be named where there is one. Raises DefinitionError."""
    only = only_variant(station, shell) if variant is None else variant
    if variant is None and not only and shell in station.seatings:
        decals = load_shell(station.folders.models / shell).decals
        if names := sorted({decal.variant for decal in decals}):
            raise DefinitionError(f"no variant is given, and shell {shell} has several: give one of {', '.join(names)}")
    expected = Expected(shell, only, checked_celsius(temperature_c))
    load_expected(station, expected)
    return expected


@contextlib.contextmanager
def bar(words: str, quiet: bool = False) -> Iterator[Callable[[int, int, str], None]]:
    """A progress bar beside the output: call it with what is done, of how many, and what is at hand."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=aside, transient=True, disable=quiet) as progress:
        task = progress.add_task(words)
        yield lambda done, total, at: progress.update(task, completed=done, total=total, description=f"{words} {at}")
