"""The shell's temperature as the station knows it when nobody typed one: from a thermometer's file, or a number for a
room that is kept at it.

Whatever program reads the thermometer writes one number [degC] into a file of the data folder, anew each time; how old
the number is says the file's own time.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated

from pydantic import Field

from edgeinspect.errors import InputError
from edgeinspect.measure.temperature import U_CELSIUS, Temperature
from edgeinspect.tomlfile import FileName, Mistakes, Table

LOWEST_C, HIGHEST_C = -20.0, 120.0  # what a shell may have: also what may be typed
LONGEST_BYTES = 64  # of the file: a number

ShellCelsius = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=LOWEST_C, le=HIGHEST_C)]
Kelvins = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=20)]
Seconds = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=86_400)]


@dataclass(frozen=True)
class Thermometer:
    """Where the shell's temperature comes from when nobody types it, and how well it is known."""

    file: str | None = None  # in the data folder
    shell_c: float | None = None  # in a room that is kept at it
    u_c: float = U_CELSIUS
    fresh_s: float = 120.0


NO_THERMOMETER = Thermometer()


class ThermometerTable(Table):
    """Where a shell's temperature comes from when nobody types it: a file or a number, not both."""

    file: FileName | None = None  # in the data folder: one number in °C, written anew by the thermometer's program
    shell_c: ShellCelsius | None = None  # the number itself, of shells that have long lain in a room that is kept at it
    u_c: Kelvins = Thermometer.u_c  # standard uncertainty, of a typed temperature too
    fresh_s: Seconds = Thermometer.fresh_s  # a file that is older does not count


def checked_celsius(value: float | None) -> float | None:
    """A typed temperature [°C] as it is, None where none was typed. Raises InputError: none that a shell may have."""
    if value is None or LOWEST_C <= value <= HIGHEST_C:
        return value
    allowed = f"must be within {LOWEST_C:g} to {HIGHEST_C:g} °C"
    raise InputError(f"the temperature is {value:g} °C, {allowed}: say what the shell's is, or leave it out")


def thermometer_of(table: ThermometerTable, mistakes: Mistakes) -> Thermometer:
    if table.file is not None and table.shell_c is not None:
        mistakes.say("thermometer has file and shell_c, must have one of them")
    return Thermometer(table.file, table.shell_c, table.u_c, table.fresh_s)


def shell_temperature(
    typed_c: float | None, thermometer: Thermometer, usual_c: tuple[float, float], data: Path | None, now: str
) -> tuple[Temperature, str]:
    """The temperature to measure with, and a note where the thermometer's file could not be used ("" else).

    What was typed comes first, then file or number, then the station's usual range. ``data`` - the data folder, None
    without one; ``now`` - ISO 8601.
    """
    if typed_c is not None:
        return Temperature(typed_c, thermometer.u_c, usual_c=usual_c), ""
    if thermometer.shell_c is not None:
        return Temperature(thermometer.shell_c, thermometer.u_c, usual_c=usual_c), ""
    assumed = Temperature.within(*usual_c)
    if thermometer.file is None or data is None:
        return assumed, ""
    celsius, trouble = _read(data / thermometer.file, thermometer.fresh_s, now)
    if celsius is None:
        low, high = usual_c
        return assumed, f"{thermometer.file} {trouble}: the shell's temperature is taken as {low:g} to {high:g} °C"
    return Temperature(celsius, thermometer.u_c, usual_c=usual_c), ""


def _read(path: Path, fresh_s: float, now: str) -> tuple[float | None, str]:
    """The number, or None and why not."""
    try:
        with path.open("rb") as file:
            content, written_s = file.read(LONGEST_BYTES + 1), os.fstat(file.fileno()).st_mtime
    except OSError:
        return None, "cannot be read"
    age_s = datetime.fromisoformat(now).timestamp() - written_s
    if abs(age_s) > fresh_s:
        words = f"{age_s / 60:.0f} min old" if age_s > 0 else "from the future"
        return None, f"is {words}, must be at most {fresh_s:g} s old"
    text = content.decode("utf-8", "replace").strip().replace(",", ".")
    try:
        celsius = float(text)
    except ValueError:
        return None, f'holds "{" ".join(text.split())[:20]}", must hold one number in °C'
    if not LOWEST_C <= celsius <= HIGHEST_C:
        return None, f"says {celsius:g} °C, must be within {LOWEST_C:g} to {HIGHEST_C:g}"
    return celsius, ""
