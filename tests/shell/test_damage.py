"""Whatever is done to a definition's files, loading it gives the definition or a DefinitionError, nothing else."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edgeinspect.errors import DefinitionError
from edgeinspect.shell.files import load_shell

from .small_shell import TOML, write_shell

SLOW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

# Every value of the small definition, by where it stands.
VALUES = [found.span(1) for found in re.finditer(r"(?m)(?:^\w+ = |[\[,{] *(?:\w+ = )?)([^\[\]{},\n]+)", TOML)]

NUMBERS = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(lambda value: repr(value).replace("e", "e")),
    st.integers().map(str),
    st.sampled_from(["0", "-0.0", "1e308", "-1e308", "1e-320", "9" * 400, "0x" + "f" * 5000, "1e6", "10000.0"]),
)
OTHERS = st.sampled_from(
    ["true", '""', "[]", "{}", "[[]]", "1979-05-27", "07:32:00", '"x"', "[1.0, nan]", "{ a = 1 }", '"../.."']
)
TEXTS = st.text(st.characters(blacklist_categories=["Cs", "Cc"], blacklist_characters='"\\'), max_size=30).map(
    lambda t: f'"{t}"'
)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_shell(tmp_path_factory.mktemp("damage"))


@SLOW
@given(where=st.sampled_from(VALUES), value=st.one_of(NUMBERS, OTHERS, TEXTS))
def test_any_value_of_shell_toml(home: Path, where: tuple[int, int], value: str) -> None:
    (home / "shell.toml").write_text(TOML[: where[0]] + value + TOML[where[1] :], encoding="utf-8")
    with contextlib.suppress(DefinitionError):
        load_shell(home)


@SLOW
@given(first=st.sampled_from(range(TOML.count("\n"))), last=st.sampled_from(range(TOML.count("\n"))))
def test_any_lines_of_shell_toml_lost(home: Path, first: int, last: int) -> None:
    lines = TOML.splitlines(keepends=True)
    (home / "shell.toml").write_text("".join(lines[:first] + lines[max(first, last) :]), encoding="utf-8")
    with contextlib.suppress(DefinitionError):
        load_shell(home)


@pytest.mark.parametrize("name", ["outline.dxf", "badge.png", "shell.toml"])
@SLOW
@given(at=st.floats(0, 1), junk=st.binary(min_size=1, max_size=12))
def test_any_bytes_of_any_file(
    tmp_path_factory: pytest.TempPathFactory, home: Path, name: str, at: float, junk: bytes
) -> None:
    write_shell(home.parent)
    raw = bytearray((home / name).read_bytes())
    place = int(at * len(raw))
    raw[place : place + len(junk)] = junk
    (home / name).write_bytes(bytes(raw))
    with contextlib.suppress(DefinitionError):
        load_shell(home)


# Numbers of the drawing itself: coordinates as text.
@SLOW
@given(
    which=st.floats(0, 0.999), value=st.sampled_from(["nan", "inf", "-inf", "1e308", "-1e4", "0.0", "x", "", "1e-300"])
)
def test_any_coordinate_of_the_drawing(home: Path, which: float, value: str) -> None:
    write_shell(home.parent)
    text = (home / "outline.dxf").read_text()
    places = [found.span(2) for found in re.finditer(r"(?m)^ (10|20|30)\n(.*)$", text)]
    start, end = places[int(which * len(places))]
    (home / "outline.dxf").write_text(text[:start] + value + text[end:])
    with contextlib.suppress(DefinitionError):
        load_shell(home)
