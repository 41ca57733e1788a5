"""The documented machine interface. Judge of every schema: the jsonschema library, JSON Schema draft 2020-12."""

from __future__ import annotations

import copy
import functools
import json
import re
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from edgeinspect import cli
from edgeinspect.errors import DefinitionError
from edgeinspect.interface import SCHEMAS
from edgeinspect.shell.files import load_shell
from edgeinspect.station.config import load_station

ROOT = Path(cli.__file__).parents[1]
FILES = {"shell": ROOT / "models/toplid/shell.toml", "station": ROOT / "sample_images/station.toml"}


@functools.cache
def schema_of(name: str) -> dict[str, Any]:
    return SCHEMAS[name]()


def is_valid(name: str, content: object) -> bool:
    return bool(Draft202012Validator(schema_of(name)).is_valid(content))


@pytest.mark.parametrize("name", SCHEMAS)
def test_the_command_prints_a_schema_of_the_standard(name: str) -> None:
    done = CliRunner().invoke(cli.app, ["schema", name])
    assert done.exit_code == 0
    schema = json.loads(done.stdout)
    Draft202012Validator.check_schema(schema)
    assert schema == json.loads(json.dumps(schema_of(name)))


def test_another_name_is_refused() -> None:
    assert CliRunner().invoke(cli.app, ["schema", "decal"]).exit_code == 2


def keys(schema: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for part in (schema, *schema["$defs"].values()):
        yield from part.get("properties", {}).items()


@pytest.mark.parametrize("name", SCHEMAS)
def test_what_has_a_unit_says_so(name: str) -> None:
    units = {"_mm": "[mm]", "_deg": "[deg]", "_px": "[px]", "_c": "[°C]", "_s": "[s]"}
    bare = [
        key
        for key, about in keys(schema_of(name))
        for ending, unit in units.items()
        if key.endswith(ending) and not key.endswith("_per_mm") and unit not in about["description"]
    ]
    assert bare == []


@pytest.mark.parametrize("name", FILES)
def test_the_comment_behind_a_key_is_its_description(name: str) -> None:
    """Read from the source by a pattern, not by the code that makes the schema."""
    files = {"shell": ("shell/tables",), "station": ("station/config", "station/printed")}[name]
    source = "\n\n\n".join((ROOT / f"edgeinspect/{file}.py").read_text(encoding="utf-8") for file in files)
    described = {about.get("description", "").partition(" [")[0] for _, about in keys(schema_of(name))}
    tables = re.findall(r"^class (\w+)\(Table\):\n(.*?)\n\n\n", source + "\n\n\n", re.DOTALL | re.MULTILINE)
    comments = [
        comment for _, body in tables for comment in re.findall(r"^    \w+: [^#\n]*?  # (.*)$", body, re.MULTILINE)
    ]
    assert len(comments) > 15
    assert [comment for comment in comments if comment.partition(" [")[0] not in described] == []


@pytest.mark.parametrize("name", FILES)
def test_the_files_of_the_demo_fit(name: str) -> None:
    content = tomllib.loads(FILES[name].read_text(encoding="utf-8"))
    assert list(Draft202012Validator(schema_of(name)).iter_errors(content)) == []


MISTAKES = [
    ("shell", 'name = "toplid"', 'name = "Top Lid"'),
    ("shell", "sheet_mm = 3.0", "sheet_mm = -3.0"),
    ("shell", "sheet_mm = 3.0", 'sheet_mm = "3.0"'),
    ("shell", 'arris = "show"', 'arris = "top"'),
    ("shell", 'checks = ["trim", "decal"]', "checks = []"),
    ("shell", "extent_mm = [400.0, 300.0]", "extent_mm = [400.0]"),
    ("shell", "expansion_per_k = 80e-6", "expansion_per_k = 80.0"),
    ("shell", "shift_limit_mm = 0.4", "shift_limit = 0.4"),
    ("shell", 'datum = "pips"', ""),
    ("shell", "format = 1", "format = 2"),
    ("station", "bits = 8", "bits = 10"),
    ("station", "side_mm = 25.0", "side_mm = 0.0"),
    ("station", "limit_deg = 3.0", "limit_deg = 90.0"),
    ("station", 'kind = "charuco"', 'kind = "dots"'),
    ("station", "[folders]", "[folder]"),
    ("station", 'models = "../models"', 'model = "../models"'),
]


@pytest.mark.parametrize(("name", "right", "wrong"), MISTAKES)
def test_schema_and_reader_refuse_the_same(name: str, right: str, wrong: str, tmp_path: Path) -> None:
    folder = tmp_path / FILES[name].parent.name
    shutil.copytree(FILES[name].parent, folder, ignore=shutil.ignore_patterns("*.png", "*.npz"))
    path = folder / FILES[name].name
    text = path.read_text(encoding="utf-8")
    assert right in text
    path.write_text(text.replace(right, wrong, 1), encoding="utf-8")
    assert not is_valid(name, tomllib.loads(path.read_text(encoding="utf-8")))
    with pytest.raises(DefinitionError):
        load_shell(folder) if name == "shell" else load_station(path)


def test_every_key_that_may_be_left_out_may_be_left_out() -> None:
    for name, path in FILES.items():
        schema = schema_of(name)
        content = tomllib.loads(path.read_text(encoding="utf-8"))
        for key in list(content):
            less = copy.deepcopy(content)
            del less[key]
            assert is_valid(name, less) is (key not in schema["required"]), key
