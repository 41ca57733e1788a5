"""The commands of studies: judge-again and measure-again. Neither changes the record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from edgeinspect.conformity import Answer
from edgeinspect.errors import DefinitionError, InputError
from edgeinspect.shell.definition import Arris, ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.station.config import load_station
from edgeinspect.station.run import time_of_day
from edgeinspect.store.codec import to_plain
from edgeinspect.store.inspections import Store
from edgeinspect.store.search import Wanted
from edgeinspect.store.tables import write_table
from edgeinspect.study import judge_again as judging
from edgeinspect.study import measure_again as measuring
from edgeinspect.study import method_command
from edgeinspect.study.method import MOST, USUAL, Method, bounds
from edgeinspect.study.printing import NOTHING_CHANGED, answer_table, print_flip
from edgeinspect.study.stored import read, stored, utc
from edgeinspect.terminal import (
    DATA,
    STATION,
    AsJson,
    DataFolder,
    StationFile,
    aside,
    bar,
    out,
    plainly,
    print_json,
)

Since = Annotated[str | None, typer.Option(help="only looks from this day or time on, ISO 8601, UTC: 2026-11-24")]


def add_to(app: typer.Typer) -> None:
    app.command("judge-again")(judge_again)
    app.command("measure-again")(measure_again)
    app.command("export")(export)


def judge_again(
    limits: Annotated[Path, typer.Argument(help="folder of the definition with other limits: a copy, edited")],
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    since: Since = None,
    as_json: AsJson = False,
) -> None:
    """Judge the stored measurements of a shell under other limits, and list every answer that flips."""
    with plainly(as_json), Store.open(data, read_only=True) as store:
        definition = load_shell(limits)
        rows = stored(store, shell=definition.name, since=since)
        if not rows:
            raise InputError(f"{data} holds no inspection of shell {definition.name}{f' since {since}' * bool(since)}")
        current = _current(load_station(station_file).folders.models / definition.name)
        with bar("judging again", quiet=as_json) as show:
            done = judging.judge_again(read(store, rows, show), definition, current)
    if as_json:
        print_json(to_plain(done, []))
        return
    out.print(answer_table(done.before, done.after, "as recorded", "under these limits"))
    for flip in done.flips:
        _print_flip(flip.shell_id, flip.attempt, flip.before, flip.after, flip.why, len(flip.changes) - 1)
    out.print(
        f"{len(done.flips)} of {done.judged} looks flip: {_ways(done)}. {NOTHING_CHANGED}", markup=False, soft_wrap=True
    )
    for count, words in (
        (done.program_flips, "get another answer even under their own limits: the program judges differently today"),
        (done.limits_unknown, "were judged by a definition that is not at hand: its outline may have been another"),
        (done.other_drawing, "were measured by a definition of other zones or features and are left out"),
    ):
        if count:
            aside.print(f"{count} looks {words}", markup=False, soft_wrap=True)


def measure_again(
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    calibration: Annotated[
        Path | None, typer.Option(help="folder of calibrations, its newest counts; else the one in use")
    ] = None,
    shell: Annotated[str | None, typer.Option(help="only this shell definition")] = None,
    since: Since = None,
    cutoff: Annotated[float | None, typer.Option(help="try this cut-off of the profile filter [mm]")] = None,
    arris: Annotated[Arris | None, typer.Option(help="try this arris of the cut face")] = None,
    band: Annotated[float | None, typer.Option(help="try this half width of the search band [mm]")] = None,
    sample: Annotated[int, typer.Option(help=f"shells that a method is tried on, up to {MOST}")] = USUAL,
    chosen: Annotated[
        Literal["newest", "evenly"], typer.Option(help="which: the newest, or evenly over their time")
    ] = "newest",
    on: Annotated[str | None, typer.Option("--go-on", help="go on with this study, that was interrupted")] = None,
    who: Annotated[str, typer.Option(help="your name, for the study")] = "not named",
    as_json: AsJson = False,
) -> None:
    """Measure stored pictures with the program, definition and calibration of today, and compare the numbers.

    Where no picture is kept (green looks), the edge is fitted anew on the rim's stored ribbon. With --cutoff, --arris
    or --band it is a study as on /tune/method: by both methods, with the calibration of then, kept with an id.
    """
    method = Method(cutoff, arris, band)
    with plainly(as_json), Store.open(data, read_only=True) as store:
        study = _checked(method, sample, on)
        station = load_station(station_file)
        if study is not None or method != Method():
            if calibration is not None:
                raise InputError("--calibration is given with a method: a method is tried with the calibration of then")
            if study is None:
                study = method_command.begin(
                    store, station, method, shell=shell, since=since, how=chosen, count=sample, who=who, quiet=as_json
                )
            elif method != Method():
                raise InputError("--go-on is given with a method: a study goes on with the method that it has")
            method_command.measure(store, station, study, as_json=as_json)
            return
        rows = stored(store, shell=shell, since=since)
        if not rows:
            raise InputError(f"{data} holds no such inspection")
        folder = calibration or data / station.folders.calibrations
        in_use = {} if calibration else store.calibrations.in_use()
        with bar("measuring again", quiet=as_json) as show:
            done = measuring.measure_again(store, rows, station, folder, in_use, time_of_day, show)
    if as_json:
        print_json(to_plain(done, []))
    else:
        _print_measured(done)


def _checked(method: Method, sample: int, on: str | None) -> int | None:
    """The study to go on with. Raises InputError, in the words of the command line."""
    options = (
        ("--cutoff", "filter_cutoff_mm", method.filter_cutoff_mm),
        ("--band", "search_band_mm", method.search_band_mm),
    )
    problems = [
        f"{option} is {value:g}, must be within {low:g} to {high:g} mm"
        for option, name, value in options
        if value is not None
        for low, high in [bounds(name)]
        if not low <= value <= high
    ]
    if not 1 <= sample <= MOST:
        problems.append(f"--sample is {sample}, must be within 1 to {MOST}")
    if on is not None and not (on.isascii() and on.isdigit()):
        problems.append(f"--go-on is {on}, must be the number of a study, as it was said when it began")
    if problems:
        raise InputError(problems)
    return None if on is None else int(on)


def _current(folder: Path) -> ShellDefinition | None:
    """The definition in force; None where the station has it no more."""
    try:
        return load_shell(folder)
    except DefinitionError as error:
        aside.print(f"the definition in force cannot be read: {error.problems[0]}", markup=False, soft_wrap=True)
        return None


def _defined(station_file: Path, shell: str) -> bool:
    """Whether the station holds such a shell; without a station file nobody can say so."""
    try:
        return shell in load_station(station_file).seatings
    except InputError:
        return False


def _ways(done: judging.JudgedAgain) -> str:
    green = [flip for flip in done.flips if flip.after is Answer.CONFORMING]
    lost = [flip for flip in done.flips if flip.before is Answer.CONFORMING]
    rest = len(done.flips) - len(green) - len(lost)
    return f"{len(green)} become green, {len(lost)} are green no more, {rest} between the other answers"


def _print_flip(shell_id: str, attempt: int, before: Answer, after: Answer, why: str, more: int = 0) -> None:
    tail = f" (and {more} more)" if more > 0 else ""
    print_flip(f"{shell_id} (look {attempt})", before, after, why + tail)


def _print_measured(done: measuring.MeasuredAgain) -> None:
    for again in done.pictures:
        out.print(f"{again.shell_id} (look {again.attempt}), picture: {_moved(again)}", markup=False, soft_wrap=True)
    for ribbon in done.ribbons:
        words = f"{ribbon.shell_id} (look {ribbon.attempt}), ribbon of camera {ribbon.camera}: {_shifted(ribbon)}"
        out.print(words, markup=False, soft_wrap=True)
    if done.ribbons:
        words = (
            "A ribbon tells where the edge is on the scan lines of then: no pose, datums, cut-outs, decal or answer."
        )
        out.print(words, soft_wrap=True)
    for again in done.flips:
        _print_flip(again.shell_id, again.attempt, again.before, again.after, again.sentence)
    for sentence in done.neither:
        aside.print(sentence, markup=False, soft_wrap=True)
    words = f"{len(done.pictures)} by their pictures, {len(done.ribbons)} ribbons, {len(done.neither)} not"
    out.print(f"{done.looked_at} looks: {words}; {len(done.flips)} answers flip. {NOTHING_CHANGED}", soft_wrap=True)


def _moved(again: measuring.PictureAgain) -> str:
    worst = again.greatest
    answer = f"{again.before}" if again.before is again.after else f"{again.before} → {again.after}"
    if worst is None or worst.change is None:
        return f"{answer}; no number then and now"
    doubt = f"u {worst.u_before:.3f}" if worst.u_before is not None else ""
    return f"{answer}; greatest change for its u: {worst.name} {worst.change:+.4f} {worst.unit} ({doubt})"


def _shifted(ribbon: measuring.RibbonAgain) -> str:
    counts = f"{ribbon.lost} stations lost, {ribbon.gained} gained"
    if ribbon.mean_change_mm is None or ribbon.greatest_change_mm is None:
        return f"no edge then and now; {counts}"
    mean, worst = f"{ribbon.mean_change_mm:+.4f} mm in the mean", f"{ribbon.greatest_change_mm:+.4f} mm at most"
    return f"edge moved {mean}, {worst} (filtered, at {ribbon.at_arc_mm:.0f} mm); {counts}"


def export(
    file: Annotated[
        Path, typer.Argument(help="written anew; its ending says which: .csv, .json (a line a look) or .parquet")
    ],
    shell: Annotated[str | None, typer.Option(help="only this shell definition")] = None,
    since: Since = None,
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    as_json: AsJson = False,
) -> None:
    """Write the numbers of every look into one table, units in the headers, for other programs."""
    with plainly(as_json), Store.open(data, read_only=True) as store:
        if shell is not None and not store.listing(1, None, Wanted(shell=shell)) and not _defined(station_file, shell):
            raise InputError(f"{data} holds no inspection of shell {shell}, and there is no such definition")
        count = write_table(store, Wanted(shell=shell, since=None if since is None else utc(since)), file)
    if as_json:
        print_json({"file": str(file), "looks": count})
    else:
        out.print(f"{count} looks written to {file}", soft_wrap=True, markup=False)
