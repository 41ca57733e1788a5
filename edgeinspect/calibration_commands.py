"""The commands about calibrations: make one, list them, compare two, go back to an older one, and what uncertainty they
lead to.
"""

from __future__ import annotations

import enum
import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape
from rich.table import Table

from edgeinspect.errors import CalibrationError, InputError
from edgeinspect.gauge.budget_map import FIT_WORDS
from edgeinspect.gauge.foreseen import foresee
from edgeinspect.gauge.repeatability import repeatability_words
from edgeinspect.measure.calibration_comparison import compare, comparison_sentences
from edgeinspect.measure.calibration_report import length_sentence
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.imagined import CONTRAST, Conditions
from edgeinspect.station.calibrations import calibrate_folder, seen_outline
from edgeinspect.station.calibrations_in_use import (
    calibrations_in_use,
    go_back_to,
    keep_new,
    known_calibrations,
    plain_words,
    unknown,
)
from edgeinspect.station.colour_chart import with_colour
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.run import expected_temperature, get_ready, time_of_day
from edgeinspect.store.codec import to_plain
from edgeinspect.store.database import RECORD_FILE
from edgeinspect.store.inspections import Store
from edgeinspect.terminal import (
    DATA,
    STATION,
    AsJson,
    Celsius,
    DataFolder,
    StationFile,
    asked_expected,
    bar,
    out,
    plainly,
    print_json,
)

Who = Annotated[str | None, typer.Option(help="your name, for the record; asked for where it is left out")]
Id = Annotated[str, typer.Argument(help="id of a calibration, as `calibrations` lists it")]


class Illuminant(enum.StrEnum):
    D50 = "D50"
    D65 = "D65"


def add_to(app: typer.Typer) -> None:
    app.command("calibrate")(calibrate)
    app.command("calibrate-colour")(calibrate_colour)
    app.command("calibrations")(list_calibrations)
    app.command("compare-calibrations")(compare_calibrations)
    app.command("use-calibration")(use_calibration)
    app.command("expected-uncertainty")(expected_uncertainty)


def calibrate(
    folder: Annotated[Path, typer.Argument(help="pictures of the board, one named fixture_board.*")],
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    camera: Annotated[str | None, typer.Option(help="which camera; needed where there are several")] = None,
    who: Who = None,
    as_json: AsJson = False,
) -> None:
    """Calibrate a camera to millimetres from a folder of board pictures; the station measures with it from then on."""
    with plainly(as_json):
        station = load_station(station_file)
        if camera is None and len(station.cameras) > 1:
            raise InputError(f"--camera is missing, must be one of {', '.join(c.name for c in station.cameras)}")
        name = _asked("--who", who, "your name, for the record")
        with bar("calibrating", quiet=as_json) as show:
            which = camera or station.cameras[0].name
            calibration, report = calibrate_folder(folder, station, which, time_of_day(), show)
        with Store.open(data) as store:
            path = keep_new(station, data, store, calibration, name)
    if as_json:
        print_json({"calibration": calibration.calibration_id, "file": str(path), "who": name, "report": report})
    else:
        kept = f"kept as {path}; camera {calibration.camera} measures with it from now on"
        out.print("\n".join([*report, kept]), soft_wrap=True, markup=False)


def calibrate_colour(
    chart: Annotated[Path, typer.Argument(help="picture of the colour chart lying in the fixture")],
    sheet: Annotated[Path, typer.Argument(help="picture of a white matt sheet over chart and decals, same light")],
    chart_file: Annotated[Path, typer.Argument(help="CSV of the chart: name, x_mm, y_mm, size_mm, L, a, b [, z_mm]")],
    illuminant: Annotated[
        Illuminant, typer.Option(help="that the chart's CIELAB is stated for, 2 degree observer")
    ] = Illuminant.D50,
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    camera: Annotated[str | None, typer.Option(help="which camera; needed where several are in colour")] = None,
    who: Who = None,
    as_json: AsJson = False,
) -> None:
    """Calibrate a colour camera by a chart of known colours; it keeps its lens and place. `calibrate` comes first."""
    with plainly(as_json):
        station = load_station(station_file)
        known = {setup.name: setup for setup in station.cameras if setup.colour}
        which = camera or (next(iter(known)) if len(known) == 1 else None)
        if which not in known:
            names = ", ".join(known) or "none of this station has colour = true"
            raise InputError(f"--camera is {which or 'missing'}, must be a camera in colour: {names}")
        name = _asked("--who", who, "your name, for the record")
        with Store.open(data) as store:
            folder = data / station.folders.calibrations
            base, _ = calibrations_in_use([known[which]], folder, store.calibrations.in_use())[which]
            pictures = chart, sheet, chart_file
            found, report = with_colour(base, station, known[which], *pictures, illuminant.value, time_of_day())
            path = keep_new(station, data, store, found, name, f"calibrated for colour, {illuminant.value}")
    if as_json:
        print_json({"calibration": found.calibration_id, "file": str(path), "who": name, "report": report})
    else:
        kept = f"kept as {path}; camera {which} tells colours with it from now on"
        out.print("\n".join([*report, kept]), soft_wrap=True, markup=False)


def list_calibrations(station_file: StationFile = STATION, data: DataFolder = DATA, as_json: AsJson = False) -> None:
    """List every calibration: when (UTC) and by whom, the known length that it read back worst, the one in use."""
    with plainly(as_json):
        station = load_station(station_file)
        with Store.open(data, read_only=True) as store:
            known = known_calibrations(station, data / station.folders.calibrations, store)
            uses = store.calibrations.uses()
    if as_json:
        entries = [
            {
                "calibration_id": one.calibration_id,
                "camera": one.camera,
                "made_at": one.made_at,
                "who": one.who,
                "in_use": one.in_use,
                "lengths": to_plain(one.calibration.lengths if one.calibration else (), []),
                "problem": one.problem,
            }
            for one in known
        ]
        print_json({"station": station.name, "calibrations": entries, "uses": to_plain(uses, [])})
        return
    # Two lines each, no columns: the terminal wraps what is too long for it, and cuts no id and no number.
    for one in known:
        worst, used = one.worst_length, "  in use" if one.in_use else ""
        words = one.problem or (f"worst length {length_sentence(worst)}" if worst else "no length was read back")
        if one.calibration is not None and one.calibration.colour is not None:
            words += f"; colours {one.calibration.colour.rms_de:.1f} off (rms, CIEDE2000)"
        out.print(f"{one.calibration_id}{used}", soft_wrap=True, markup=False)
        made = f"  made {one.made_at[:16]} UTC by {one.who or 'not said'}; {words}"
        out.print(made, soft_wrap=True, markup=False)
    if not known:
        out.print(f"{data} holds no calibration: calibrate", soft_wrap=True, markup=False)
    for use in uses:
        line = f"{use.at[:16]} UTC, camera {use.camera}: {use.calibration_id}, by {use.who}: {use.why}"
        out.print(line, soft_wrap=True, markup=False)


def compare_calibrations(
    first: Id, second: Id, station_file: StationFile = STATION, data: DataFolder = DATA, as_json: AsJson = False
) -> None:
    """How differently two calibrations of a camera read the same picture, and how far the camera moved in between."""
    with plainly(as_json):
        station = load_station(station_file)
        with Store.open(data, read_only=True) as store:
            one, two = _both(station, data, store, first, second)
        try:
            comparison = compare(one, two, station.fixture, seen_outline(one, station))
        except ValueError as error:
            raise CalibrationError(f"{first} and {second} cannot be compared: {error}") from error
        hours = (datetime.fromisoformat(two.made_at) - datetime.fromisoformat(one.made_at)).total_seconds() / 3600
        words = [_age(hours), *comparison_sentences(comparison)]
    if as_json:
        plain = to_plain(comparison, [])
        del plain["differences_mm"]
        head = {"first": first, "second": second, "hours_between": round(hours, 3), "explained": comparison.explained}
        print_json({**head, "words": words, **plain})
    else:
        out.print("\n".join(words), soft_wrap=True, markup=False)


def use_calibration(
    calibration: Id,
    why: Annotated[str | None, typer.Option(help="the reason, for the record; asked for where it is left out")] = None,
    who: Who = None,
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    as_json: AsJson = False,
) -> None:
    """Measure with an older calibration from now on. The record keeps who wanted it and why; nothing is overwritten."""
    with plainly(as_json):
        station = load_station(station_file)
        name = _asked("--who", who, "your name, for the record")
        words = _asked("--why", why, "why")
        with Store.open(data) as store:
            used = go_back_to(station, data, store, calibration, name, words, time_of_day())
    if as_json:
        print_json({"camera": used.camera, "calibration": used.calibration_id, "who": name, "why": words})
    else:
        line = f"camera {used.camera} measures with {used.calibration_id} from now on"
        out.print(f"{line}: look at a known-good shell before you go on", soft_wrap=True, markup=False)


def expected_uncertainty(
    shell: Annotated[str, typer.Argument(help="name of the shell definition")],
    variant: Annotated[str | None, typer.Argument(help="decal variant; not needed where there is one")] = None,
    contrast: Annotated[
        float, typer.Option(help="of the sheet against the plate in the picture, share of full scale")
    ] = CONTRAST,
    temperature: Celsius = None,
    station_file: StationFile = STATION,
    data: DataFolder = DATA,
    as_json: AsJson = False,
) -> None:
    """What uncertainty to expect of every zone, cut-out and decal, and which limits can be proven at all, before the
    first shell is cut.
    """
    with plainly(as_json):
        station = load_station(station_file)
        chosen, repeats = {}, None
        if (data / RECORD_FILE).is_file():
            with Store.open(data, read_only=True) as store:
                chosen = store.calibrations.in_use()
                repeats = store.repeatability(shell, station.same_shell_h)
        expected = asked_expected(station, shell, variant, temperature)
        ready = get_ready(station, expected, data / station.folders.calibrations, chosen)
        if ready.gauge is None or ready.stop is not None:
            raise InputError(ready.stop.reason if ready.stop else "nothing is ready")  # its reader is whom to call
        try:
            conditions = Conditions(contrast=contrast)
        except ValueError as error:
            raise InputError(f"--{error}") from error
        warmth = expected_temperature(ready, data, time_of_day())
        found = foresee(ready.gauge, expected.variant, warmth, conditions)
    if as_json:
        rows = [
            {
                **to_plain(row, []),
                "expanded": 2.0 * row.u,
                "share": row.share,
                "guard": row.guard,
                "room": row.room,
                "fit": FIT_WORDS[row.fit],
            }
            for row in found.rows
        ]
        rest = {"problems": found.problems, "missing": found.missing, "assumed": found.assumed}
        print_json(
            {
                "shell": shell,
                "variant": expected.variant,
                "rows": rows,
                **rest,
                "not_foreseen": found.not_foreseen,
                "repeatability": repeatability_words(repeats),
                "scatter": {} if repeats is None else to_plain(repeats.scatter, []),
            }
        )
        return
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("characteristic", no_wrap=True)
    for title in ("U (k=2)", "of half the tolerance", "ratio", "largest cause (u)"):
        table.add_column(title)
    for row in found.rows:
        cause = max(row.shares, key=lambda share: share.u)
        largest = f"{cause.source} {cause.u:.3f}"
        expanded = f"{2 * row.u:.3f} {row.unit}"
        table.add_row(escape(row.characteristic), expanded, f"{row.share:.0%} of {row.half:g}", row.ratio, largest)
    out.print(table)
    lines = [f"not measured: {name}" for name in found.missing] + [f"why: {problem}" for problem in found.problems]
    lines += [f"assumed: {one}" for one in found.assumed] + [f"not in it: {one}" for one in found.not_foreseen]
    lines.append(repeatability_words(repeats))
    out.print("\n".join(lines), soft_wrap=True, markup=False)


def _asked(option: str, given: str | None, words: str) -> str:
    """What a person must say; asked for at a terminal. Raises InputError."""
    if given is None:
        if not sys.stdin.isatty():
            raise InputError(f"{option} is missing, must be {words}")
        given = str(typer.prompt(words, err=True))
    return plain_words(option, given)


def _both(
    station: Station, data: Path, store: Store, first: str, second: str
) -> tuple[CameraCalibration, CameraCalibration]:
    known = {one.calibration_id: one for one in known_calibrations(station, data / station.folders.calibrations, store)}
    found = []
    for name in (first, second):
        if name not in known:
            raise unknown(name, known)
        calibration = known[name].calibration
        if calibration is None:
            raise CalibrationError(f"{name} {known[name].problem}")
        found.append(calibration)
    return found[0], found[1]


def _age(hours: float) -> str:
    later = f"{abs(hours) / 24:.0f} days" if abs(hours) >= 48 else f"{abs(hours):.1f} h"
    return f"the second was made {later} {'after' if hours >= 0 else 'before'} the first"
