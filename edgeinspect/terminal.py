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
from edgeinspect.errors import EdgeinspectError

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


@contextlib.contextmanager
def bar(words: str, quiet: bool = False) -> Iterator[Callable[[int, int, str], None]]:
    """A progress bar beside the output: call it with what is done, of how many, and what is at hand."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=aside, transient=True, disable=quiet) as progress:
        task = progress.add_task(words)
        yield lambda done, total, at: progress.update(task, completed=done, total=total, description=f"{words} {at}")
