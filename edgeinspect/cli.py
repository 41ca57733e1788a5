"""The command line.

Exit codes of every command:
    0  done; of inspected shells: all CONFORMING
    1  a shell is NONCONFORMING, or a file of evidence is not in order
    2  bad input or set-up, or the record cannot be kept: nothing was judged
    3  no shell is NONCONFORMING, but one is NOT PROVEN or has NO RESULT
"""

from __future__ import annotations

import contextlib
import os
import sys
import webbrowser
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.markup import escape
from rich.table import Table

from edgeinspect import artwork_commands, calibration_commands, evidence_commands, people_commands
from edgeinspect.artwork_commands import check_prints
from edgeinspect.conformity import Answer, Finding
from edgeinspect.demo import Demo
from edgeinspect.errors import InputError, PictureError
from edgeinspect.inspection import Inspection
from edgeinspect.interface import SCHEMAS
from edgeinspect.one_thread import one_thread
from edgeinspect.shell.drawing import draw
from edgeinspect.shell.files import load_shell
from edgeinspect.shell.mirror import mirror_shell
from edgeinspect.shell.summary import summary, units_question
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.pictures import KINDS, parse_name
from edgeinspect.station.printables import FIT, printables
from edgeinspect.station.run import get_ready, inspect_set, time_of_day
from edgeinspect.store.codec import to_plain
from edgeinspect.store.database import RECORD_FILE
from edgeinspect.store.inspections import Row, Store
from edgeinspect.store.lock import only_one
from edgeinspect.store.state import State
from edgeinspect.study import commands as studies
from edgeinspect.terminal import (
    BAD_INPUT,
    COLOURS,
    DATA,
    DONE,
    NONCONFORMING,
    NOT_GREEN,
    STATION,
    AsJson,
    Celsius,
    DataFolder,
    StationFile,
    aside,
    asked_expected,
    bar,
    out,
    plainly,
    print_json,
)
from edgeinspect.web.running import LOCALHOST, checked_tls, running

app = typer.Typer(help=__doc__, no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False)

Variant = Annotated[str | None, typer.Option(help="decal variant; not needed where there is one")]
Host = Annotated[str, typer.Option(help="who may reach the page: 127.0.0.1 only this machine, 0.0.0.0 everybody")]
Port = Annotated[int, typer.Option(help="0 takes any free one")]


def main() -> None:
    one_thread()
    app()


@app.command("check-shell")
def check_shell(
    folder: Annotated[Path, typer.Argument(help="folder of a shell definition, such as models/toplid")],
    drawing: Annotated[Path | None, typer.Option("--draw", help="write a drawing (SVG) here")] = None,
    as_json: AsJson = False,
) -> None:
    """Check a shell definition, say what it asks for, and draw it. Every mistake is told at once."""
    with plainly(as_json):
        if folder.is_file():
            raise InputError(f"{folder} is a file, must be the folder of a shell definition: give {folder.parent}")
        definition = load_shell(folder)
        prints = check_prints(definition)
        lines = [*summary(definition), *prints.sentences]
        if drawing is not None:
            _write(drawing, draw(definition, prints=prints.sentences))
    if as_json:
        sizes = {
            "sha256": definition.sha256,
            "units_question": units_question(definition),
            "summary": lines,
            "warnings": prints.warnings,
        }
        print_json({"shell": definition.name, "revision": definition.revision, **sizes})
        return
    out.print("\n".join(lines), soft_wrap=True, markup=False)
    if sys.stdin.isatty() and not typer.confirm(units_question(definition)):
        aside.print("then the drawing is in other units, or of another shell: export it in mm")
        raise typer.Exit(BAD_INPUT)


@app.command("mirror-shell")
def write_other_hand(
    source: Annotated[Path, typer.Argument(help="folder of a shell definition with a hand")],
    target: Annotated[Path, typer.Argument(help="new folder for the other hand, named as the shell shall be")],
    as_json: AsJson = False,
) -> None:
    """Write the other hand of a shell: outline, cut-outs and places mirrored, left and right swapped, prints kept."""
    with plainly(as_json):
        definition = mirror_shell(source, target)
    if as_json:
        print_json({"shell": definition.name, "hand": definition.hand, "sha256": definition.sha256})
        return
    seat = f'give it its own [[seating]] with shell = "{definition.name}" in station.toml'
    out.print("\n".join([*summary(definition), f"next: look at it with check-shell --draw, then {seat}"]), markup=False)


@app.command("check-station")
def check_station(
    station_file: Annotated[Path, typer.Argument(help="the station definition")] = STATION, as_json: AsJson = False
) -> None:
    """Check a station definition and the shells it holds. Every mistake is told at once."""
    with plainly(as_json):
        station = load_station(station_file)
        problems, warnings = list[str](), list[str]()
        for shell in station.seatings:
            try:
                prints = check_prints(load_shell(station.folders.models / shell))
                warnings += [f"{shell}: {words}" for words in prints.warnings]
            except InputError as error:
                problems += error.problems
        if problems:
            raise InputError(problems)
    cameras = [f"camera {c.name}: {c.width_px} x {c.height_px} px, {c.bits} bits" for c in station.cameras]
    marks = f"{len(station.fixture.marks)} fixture marks ({station.fixture.dictionary})"
    lines = [f"{station.title} ({station.name})", *cameras, marks, f"shells: {', '.join(station.seatings)}", *warnings]
    if as_json:
        print_json({"station": station.name, "sha256": station.sha256, "summary": lines, "warnings": warnings})
    else:
        out.print("\n".join(lines), soft_wrap=True, markup=False)


@app.command("print-sheets")
def print_sheets(
    folder: Annotated[Path, typer.Option("--out", help="folder for the sheets (SVG)")],
    station_file: StationFile = STATION,
    paper: Annotated[str, typer.Option(help="A4, A3, A2, A1, A0, or fit: pages as large as what is on them")] = FIT,
    as_json: AsJson = False,
) -> None:
    """Draw calibration board, fixture marks and grey patch of a station to be printed at 100 %, ready to be cut."""
    with plainly(as_json):
        sheets, notes = printables(load_station(station_file), paper)
        _make_folder(folder)
        for sheet in sheets:
            _write(folder / f"{sheet.name}.svg", sheet.svg)
    if as_json:
        files = [{**vars(sheet), "svg": f"{folder / sheet.name}.svg"} for sheet in sheets]
        print_json({"sheets": files, "notes": notes})
        return
    for sheet in sheets:
        size = f"{sheet.width_mm:g} x {sheet.height_mm:g} mm"
        out.print(f"{folder / sheet.name}.svg: {sheet.words}, {size}", soft_wrap=True, markup=False)
    last = "print at 100 %, never fitted to the page, and measure both bars: 100.0 mm"
    out.print("\n".join([*notes, last]), soft_wrap=True, markup=False)


@app.command("schema")
def print_schema(
    of: Annotated[Literal["shell", "station", "inspection"], typer.Argument(help="what is to be described")],
) -> None:
    """Print the JSON Schema of shell.toml, of station.toml, or of an inspection as /inspections/<id>/record.json."""
    print_json(SCHEMAS[of]())


artwork_commands.add_to(app)
calibration_commands.add_to(app)
people_commands.add_to(app)


@app.command()
def inspect(
    pictures: Annotated[list[Path], typer.Argument(help="<shell-id>_<camera>.png, .tif or .webp, or folders of them")],
    shell: Annotated[str, typer.Option(help="name of the shell definition that they must meet")],
    variant: Variant = None,
    temperature: Celsius = None,
    station_file: StationFile = STATION,
    calibration: Annotated[Path | None, typer.Option(help="folder of calibrations; else the data folder's")] = None,
    data: Annotated[Path | None, typer.Option("--data", help="keep the inspections in this data folder")] = None,
    as_json: AsJson = False,
) -> None:
    """Look at pictures of shells and judge them. With --data the inspections are recorded, else only shown.

    With --data no station may be running on that folder.
    """
    done: list[Inspection] = []
    with plainly(as_json), contextlib.ExitStack() as stack:
        station = load_station(station_file)
        sets = _sets(pictures, station, shell)
        expected = asked_expected(station, shell, variant, temperature)
        if data is not None:  # one process writes inspections: of a station that runs, its worker
            stack.enter_context(only_one(data))
        calibrations = calibration or (data or DATA) / station.folders.calibrations
        chosen = {} if calibration else _chosen_calibrations(data or DATA, read_only=data is None)
        ready = get_ready(station, expected, calibrations, chosen)
        if ready.stop is not None:
            raise InputError(f"{ready.stop.reason}: {ready.stop.action}")
        store = None if data is None else stack.enter_context(Store.open(data))
        show = stack.enter_context(bar("looking at", quiet=as_json))
        for came_in in sets:
            show(len(done), len(sets), came_in.shell_id)
            done.append(inspect_set(came_in, ready, store, time_of_day).inspection)
    if as_json:
        print_json({"inspections": [_plain(inspection) for inspection in done]})
    else:
        for inspection in done:
            _print_inspection(inspection)
    raise typer.Exit(exit_code([inspection.verdict.answer for inspection in done]))


@app.command()
def expect(
    shell: Annotated[str, typer.Argument(help="name of the shell definition")],
    variant: Annotated[str | None, typer.Argument(help="decal variant; not needed where there is one")] = None,
    temperature: Celsius = None,
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    as_json: AsJson = False,
) -> None:
    """Set a station to the shell, decal variant and temperature that come next."""
    with plainly(as_json):
        station = load_station(station_file)
        expected = asked_expected(station, shell, variant, temperature)
        Store.open(data).close()
        with State.open(data) as state:
            state.expect(expected, time_of_day(), "the command line")
    if as_json:
        print_json({"expected": to_plain(expected, [])})
    else:
        out.print(f"{station.title}: {expected.shell} {expected.variant} comes next", markup=False)


@app.command()
def serve(
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    host: Host = LOCALHOST,
    port: Port = 8000,
    certificate: Annotated[Path | None, typer.Option(help="for TLS: the certificate with its chain, PEM")] = None,
    key: Annotated[Path | None, typer.Option(help="for TLS: its key, PEM, without a password")] = None,
) -> None:
    """Run the station: watch the inbox, measure, keep the record, show the page. Ctrl-C ends it."""
    with plainly(False), running(station_file, data, host, port, checked_tls(certificate, key)) as station:
        out.print(f"station page: {station.address}   pictures go into {station.inbox}", soft_wrap=True, markup=False)
        station.serve()


@app.command("demo")
def run_demo(
    folder: Annotated[Path | None, typer.Option(help="a new or empty data folder; else a temporary one")] = None,
    port: Port = 8000,
    browser: Annotated[bool, typer.Option(help="open the page, where there is a browser")] = True,
    every: Annotated[float, typer.Option(min=0.0, help="seconds from shell to shell")] = 8.0,
) -> None:
    """Watch the sample pictures being inspected, as if a camera took one every few seconds. Ctrl-C ends it."""
    with plainly(False):
        demo = Demo.prepare(folder)
        with bar("calibrating") as show:
            for line in demo.calibrate(show):
                out.print(line, soft_wrap=True, markup=False)
        with running(demo.station_file, demo.data, LOCALHOST, port) as station:
            out.print(f"station page: {station.address}   record: {demo.data}", soft_wrap=True, markup=False)
            demo.feed(every, _tell)
            if browser and _has_browser():
                webbrowser.open(station.address)
            station.serve()


evidence_commands.add_to(app)
studies.add_to(app)


def _tell(row: Row | None) -> None:
    if row is None:
        out.print("these were all; the page stays until Ctrl-C", markup=False)
    else:
        _print_answer(row.shell_id, row.answer, row.sentence, row.action)


def exit_code(answers: Sequence[Answer]) -> int:
    """What a script learns of inspected shells; none at all is not green."""
    if Answer.NONCONFORMING in answers:
        return NONCONFORMING
    return DONE if answers and all(answer is Answer.CONFORMING for answer in answers) else NOT_GREEN


def _chosen_calibrations(data: Path, *, read_only: bool) -> dict[str, str]:
    """Id of the calibration in use by camera, where the record of a data folder says so."""
    if not (data / RECORD_FILE).is_file():
        return {}
    with Store.open(data, read_only=read_only) as store:
        return store.calibrations.in_use()


def _sets(paths: Sequence[Path], station: Station, shell: str) -> list[PictureSet]:
    """The pictures by shell, in the order given, of the cameras that look at such shells.

    Raises PictureError with every wrong name at once.
    """
    cameras = tuple(setup.name for setup in station.cameras)
    wanted = {setup.name for setup in station.cameras_for(shell)}
    endings = {ending for kind in KINDS.values() for ending in kind}
    sets: dict[str, list[Arrived]] = {}
    problems: list[str] = []
    for given in paths:
        inside = sorted(given.iterdir()) if given.is_dir() else [given]
        for path in [path for path in inside if path is given or path.suffix.lower() in endings]:
            try:
                name = parse_name(path.name, cameras)
            except PictureError as error:
                problems += error.problems
                continue
            if not path.is_file():
                problems.append(f"{path} is not there, must be a picture file")
            elif name.camera not in wanted:
                if path is given:  # of a folder the others are left alone
                    problems.append(f"{path} is not used: camera {name.camera} does not look at {shell}")
            elif any(item.camera == name.camera for item in sets.setdefault(name.shell_id, [])):
                problems.append(f"{path} is the second picture of shell {name.shell_id} by camera {name.camera}")
            else:
                sets[name.shell_id].append(Arrived(name.camera, path.name, path))
    if not sets and not problems:
        problems.append(
            f"{', '.join(map(str, paths))} holds no picture, must hold <shell-id>_<camera>.png, .tif or .webp"
        )
    if problems:
        raise PictureError(problems)
    taken_at = time_of_day()
    return [PictureSet(shell_id, taken_at, tuple(items)) for shell_id, items in sets.items()]


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder} cannot be made a folder: {error.strerror or error}") from error


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror or error}") from error


def _plain(inspection: Inspection) -> dict[str, Any]:
    """An inspection for machines: everything but the long arrays, which the record keeps."""
    measurement = inspection.measurement
    decals = tuple(replace(decal, outline_pixel=None, nominal_pixel=None) for decal in measurement.decals)
    short = replace(measurement, traces=(), ribbons=(), profiles=(), decals=decals)
    views = tuple(replace(view, fixture_pose=None) for view in short.views)
    plain: dict[str, Any] = to_plain(replace(inspection, measurement=replace(short, views=views)), [])
    return {"answer": inspection.verdict.answer, "sentence": inspection.verdict.sentence, **plain}


def _print_answer(shell_id: str, answer: Answer, sentence: str, action: str) -> None:
    out.print(f"[bold {COLOURS[answer]}]{answer:<14}[/] {escape(f'{shell_id}: {sentence} → {action}')}", soft_wrap=True)


def _print_inspection(inspection: Inspection) -> None:
    verdict = inspection.verdict
    _print_answer(inspection.shell_id, verdict.answer, verdict.sentence, verdict.action)
    if not verdict.findings:
        return
    table = Table("characteristic", "answer", "value", "U (k=2)", "limits", box=None, padding=(0, 2, 0, 0))
    for finding in verdict.findings:
        table.add_row(*map(escape, _cells(finding)))
    out.print(table)
    for note in inspection.measurement.notes:
        out.print(f"note: {note}", markup=False, soft_wrap=True)
    stated = "stated" if inspection.measurement.temperature_stated else "assumed"
    out.print(f"at {inspection.measurement.temperature_c:.1f} °C ({stated}); {verdict.rule}\n", markup=False)


def _cells(finding: Finding) -> tuple[str, ...]:
    def number(value: float | None, words: str) -> str:
        return "" if value is None else format(value, words)

    limits = " … ".join(number(limit, "+g") for limit in (finding.lower, finding.upper) if limit is not None)
    value = f"{number(finding.value, '+.3f')} {finding.unit}" if finding.value is not None else "not seen"
    doubt = number(None if finding.u is None else 2 * finding.u, ".3f")
    return finding.characteristic, finding.answer, value, doubt, limits


def _has_browser() -> bool:
    return sys.platform in ("win32", "darwin") or bool({"DISPLAY", "WAYLAND_DISPLAY"} & os.environ.keys())
