"""The shell's temperature: typed, from a thermometer's file, a number for the room, or the usual range."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from edgeinspect.errors import DefinitionError, InputError
from edgeinspect.measure.temperature import Temperature
from edgeinspect.station.config import load_station
from edgeinspect.station.thermometer import HIGHEST_C, LOWEST_C, Thermometer, checked_celsius, shell_temperature

NOW = "2026-11-27T10:00:00.000000Z"
USUAL = (18.0, 26.0)
FILE = Thermometer(file="shell.txt", u_c=0.3, fresh_s=60.0)


def written(data: Path, text: str, age_s: float = 5.0) -> Path:
    path = data / "shell.txt"
    path.write_text(text, encoding="utf-8")
    at = datetime(2026, 11, 27, 10, tzinfo=UTC).timestamp() - age_s
    os.utime(path, (at, at))
    return data


def test_what_was_typed_comes_first(tmp_path: Path) -> None:
    typed, note = shell_temperature(24.5, FILE, USUAL, written(tmp_path, "21.0"), NOW)
    assert (typed, note) == (Temperature(24.5, 0.3, True, USUAL), "")


@pytest.mark.parametrize("typed", [None, LOWEST_C, 0.0, HIGHEST_C])
def test_what_a_shell_may_have_may_be_typed(typed: float | None) -> None:
    assert checked_celsius(typed) == typed


@pytest.mark.parametrize("typed", [float("nan"), float("inf"), -float("inf"), -20.5, 1e9])
def test_what_no_shell_has_may_not(typed: float) -> None:
    with pytest.raises(InputError, match="must be within -20 to 120 °C"):
        checked_celsius(typed)


@pytest.mark.parametrize("text", ["21.5", " 21.5\n", "21,5\r\n"])
def test_a_fresh_file_is_the_temperature(text: str, tmp_path: Path) -> None:
    read, note = shell_temperature(None, FILE, USUAL, written(tmp_path, text), NOW)
    assert (read, note) == (Temperature(21.5, 0.3, True, USUAL), "")


@pytest.mark.parametrize(
    ("text", "age_s", "words"),
    [
        ("21.5", 720.0, "is 12 min old, must be at most 60 s old"),
        ("21.5", -90.0, "is from the future"),
        ("warm", 5.0, 'holds "warm", must hold one number in °C'),
        ("", 5.0, 'holds "", must hold one number in °C'),
        ("nan", 5.0, "says nan °C, must be within -20 to 120"),
        ("1e9", 5.0, "must be within -20 to 120"),
        ("21.5 " * 1000, 5.0, "must hold one number in °C"),
    ],
)
def test_a_file_that_cannot_be_used_leaves_the_range_and_a_note(
    text: str, age_s: float, words: str, tmp_path: Path
) -> None:
    assumed, note = shell_temperature(None, FILE, USUAL, written(tmp_path, text, age_s), NOW)
    assert assumed == Temperature.within(*USUAL)
    assert words in note
    assert note.endswith("the shell's temperature is taken as 18 to 26 °C")


def test_no_file_and_no_data_folder(tmp_path: Path) -> None:
    assert "cannot be read" in shell_temperature(None, FILE, USUAL, tmp_path, NOW)[1]
    assert shell_temperature(None, FILE, USUAL, None, NOW) == (Temperature.within(*USUAL), "")
    assert shell_temperature(None, Thermometer(), USUAL, tmp_path, NOW) == (Temperature.within(*USUAL), "")


def test_a_number_for_a_room_that_is_kept_at_it() -> None:
    kept = Thermometer(shell_c=21.0, u_c=0.2)
    assert shell_temperature(None, kept, USUAL, None, NOW)[0] == Temperature(21.0, 0.2, True, USUAL)


def test_station_toml_says_where_it_comes_from(station_file: Path) -> None:
    path, station_text = station_file, station_file.read_text(encoding="utf-8")
    path.write_text(station_text + '\n[thermometer]\nfile = "shell.txt"\nu_c = 0.3\nfresh_s = 60.0\n', encoding="utf-8")
    assert load_station(path).thermometer == FILE
    path.write_text(station_text + '\n[thermometer]\nfile = "Temp.TXT"\n', encoding="utf-8")
    assert load_station(path).thermometer.file == "Temp.TXT"
    path.write_text(station_text + '\n[thermometer]\nfile = "sub/temp.txt"\n', encoding="utf-8")
    rule = "must be letters, digits, -, _ and ., starting with a letter or digit, at most 64, no folder"
    with pytest.raises(DefinitionError, match=f'thermometer.file is "sub/temp.txt", {rule}$'):
        load_station(path)
    path.write_text(station_text + '\n[thermometer]\nfile = "shell.txt"\nshell_c = 21.0\n', encoding="utf-8")
    with pytest.raises(DefinitionError, match="thermometer has file and shell_c, must have one of them"):
        load_station(path)
