"""What the program has is documented, and what is documented the program has: commands, options, keys of both files,
addresses, environment variables, packages, files of the data folder, pictures.

Both ways: what is looked for is taken from the program, or from the documents' own back-ticks and examples.
"""

from __future__ import annotations

import ast
import importlib.util
import re
import shlex
import tempfile
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute

from edgeinspect import terminal
from edgeinspect.interface import SCHEMAS
from edgeinspect.station.config import load_station
from edgeinspect.station.intake import Inbox
from edgeinspect.station.pictures import KINDS, NAME_RULE
from edgeinspect.store.changes import HEAD_FILE
from edgeinspect.store.inspections import Store
from edgeinspect.store.lock import only_one
from edgeinspect.web.app import create_app

from . import reference

ROOT = Path(__file__).resolve().parents[1]
STATION = ROOT / "sample_images/station.toml"
README = (ROOT / "README.md").read_text(encoding="utf-8")
BOTH = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
OUR_CODE = [p for folder in ("edgeinspect", "tests") for p in sorted((ROOT / folder).rglob("*.py"))]
OUR_SCRIPTS = sorted(path for path in (ROOT / ".ci").iterdir() if path.is_file())
MADE_BY_USERS = (".venv/", "models/hatch/")  # in examples of what people type or read
NOT_OURS = {"--constraint", "--editable"}  # of pip and the like, where the documents should ever name them


# -- reading documents


def code_blocks(text: str) -> Iterator[str]:
    """Every line of an example: fenced, or indented by four spaces after an empty line."""
    fenced = re.findall(r"^```\w*\n(.*?)^```$", text, re.M | re.S)
    rest = re.sub(r"^```\w*\n.*?^```$", "", text, flags=re.M | re.S)
    indented = re.findall(r"^(?: {4}|\t)(\S.*)$", rest, re.M)
    yield from (line for block in [*fenced, "\n".join(indented)] for line in block.splitlines() if line.strip())


def in_ticks(text: str) -> set[str]:
    """What stands in back-ticks in running text and tables."""
    without = re.sub(r"^```\w*\n.*?^```$", "", text, flags=re.M | re.S)
    return {" ".join(found.split()) for found in re.findall(r"`([^`]+)`", without)}


def section(title: str, text: str = README) -> str:
    """From a heading to the next one of its rank or above. A missing heading is a failure."""
    found = re.search(rf"^(#+) {re.escape(title)}$\n(.*?)(?=^#{{1,2}} |\Z)", text, re.M | re.S)
    assert found is not None, f"no section {title}"
    return found[2]


def first_cells(text: str) -> list[str]:
    """First cell of each row of the tables, heads and rules left out."""
    rows = [line for line in text.splitlines() if line.startswith("| ")]
    return [row.split(" | ")[0].lstrip("| ") for row in rows]


# -- the parts that are made of the program


def test_the_made_parts_of_the_readme_are_as_the_program_is_now() -> None:
    assert reference.written_anew(README) == README, "run: python -m tests.reference"


# -- commands and options


def commands_and_options() -> Iterator[tuple[str, str]]:
    for name, command in reference.commands().items():
        yield name, f"edgeinspect {name}"
        for parameter in command.params:
            if reference.is_option(parameter):
                yield from ((name, option) for option in reference.option_names(parameter))
            else:
                yield name, parameter.name.upper()


def paragraph_of(command: str) -> str:
    """From the command's bold line to the next one, in the section of commands."""
    found = re.search(rf"^\*\*`edgeinspect {command}(?= |`).*?(?=^\*\*`|\Z)", section("Commands"), re.M | re.S)
    assert found is not None, f"no paragraph for {command}"
    return found[0]


@pytest.mark.parametrize(("command", "word"), list(commands_and_options()), ids=str)
def test_every_command_argument_and_option_is_documented(command: str, word: str) -> None:
    ticked = re.findall(r"`([^`]+)`", paragraph_of(command))
    assert any(re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", text) for text in ticked)


def test_every_option_says_what_it_does() -> None:
    silent = [
        f"{name} {parameter.opts[0]}"
        for name, command in reference.commands().items()
        for parameter in command.params
        if not (parameter.help or "").strip()
    ]
    assert not silent


def invocations() -> list[str]:
    """Every `edgeinspect ...` in an example or in back-ticks, both documents."""
    starts = re.compile(r"^(?:\.venv/bin/)?(?:python -m )?edgeinspect(?= )")
    examples = [part.strip() for line in code_blocks(BOTH) for part in line.split("&&")]
    return sorted({text for text in [*examples, *in_ticks(BOTH)] if starts.match(text) and "..." not in text})


@pytest.mark.parametrize("line", invocations())
def test_what_the_documents_let_people_type_exists(line: str) -> None:
    words = shlex.split(line.replace("[", "").replace("]", ""))
    rest = words[words.index(next(word for word in words if word.endswith("edgeinspect"))) + 1 :]
    known = reference.commands()
    assert rest[0] in known
    options = {name for p in known[rest[0]].params if reference.is_option(p) for name in reference.option_names(p)}
    assert {word for word in rest if word.startswith("--")} <= options | {"--help"}


def test_no_option_is_documented_that_nothing_has() -> None:
    ours = {word for _, word in commands_and_options() if word.startswith("--")} | {"--help"}
    scripts = "".join(path.read_text(encoding="utf-8") for path in OUR_CODE)
    ours |= set(re.findall(r"add_argument\(\s*\"(--[\w-]+)\"", scripts))
    named = set(re.findall(r"(?<![\w-])--[a-z][\w-]+", " ".join(in_ticks(BOTH))))
    assert named - ours - NOT_OURS == set()


def test_every_exit_code_is_documented() -> None:
    codes = {terminal.DONE, terminal.NONCONFORMING, terminal.BAD_INPUT, terminal.NOT_GREEN}
    assert {cell for cell in first_cells(section("Exit codes")) if cell.startswith("`")} == {f"`{c}`" for c in codes}


# -- keys of the two files


def every_key() -> list[tuple[str, str, str]]:
    return [(file, table, key) for file in ("shell", "station") for table, key, _, _ in reference.keys(SCHEMAS[file]())]


def rows_of_table(file: str, table: str) -> str:
    """The rows below a table's bold line; of the file's own keys, the whole section."""
    text = section(f"{file}.toml")
    if not table:
        return text
    first, _, inner = table.partition(".")
    within = rf"\*\*`{inner} = \[?{{ ... }}(?:, ...\])?`\*\* in `{first}`"
    bold = within if inner else rf"\*\*`\[{{1,2}}{first}\]{{1,2}}`\*\*"
    found = re.search(rf"^{bold}(.*?)(?=^\*\*`|\Z)", text, re.M | re.S)
    assert found is not None, f"{file}.toml: table {table} is not there"
    return found[1]


@pytest.mark.parametrize(("file", "table", "key"), every_key(), ids=lambda part: part or "file")
def test_every_key_is_documented(file: str, table: str, key: str) -> None:
    text = rows_of_table(file, table) if table else section(f"{file}.toml")
    inner = (f"`{key} = {{ ... }}`", f"`{key} = [{{ ... }}, ...]`")
    as_table = inner if table else (f"`[{key}]`", f"`[[{key}]]`")
    own_line = section(f"{file}.toml")
    assert f"`{key}`" in text or f"`{key} = " in text or any(name in own_line for name in as_table)


@pytest.mark.parametrize("file", ["shell", "station"])
def test_every_key_says_what_it_is(file: str) -> None:
    def says(words: str) -> bool:
        return re.search(r"[a-z]{2}", re.sub(r"\[\S+\]", "", words)) is not None  # more than a unit

    schema = SCHEMAS[file]()
    silent = [
        f"{table}.{key}"
        for table, key, value, _ in reference.keys(schema)
        if "$ref" not in str(value) and key != "format" and not says(value.get("description", ""))
    ]
    assert not silent
    assert all(says(part.get("description", "")) for table, part in reference.tables(schema) if table)


def test_no_key_is_documented_that_the_files_do_not_have() -> None:
    for file in ("shell", "station"):
        known: dict[str, set[str]] = {}
        for table, key, _, _ in reference.keys(SCHEMAS[file]()):
            known.setdefault(table, set()).add(key)
        for table, its_keys in known.items():
            if table:
                named = {cell.strip("`") for cell in first_cells(rows_of_table(file, table)) if cell.startswith("`")}
                assert named <= its_keys, f"{file}.toml, {table}"


def known_words() -> set[str]:
    """Names with an underscore that the README may use: keys, columns of the interface, our own file names, options."""
    words = {key for _, _, key in every_key()} | {"form_token"}  # the hidden field of every form
    for schema in SCHEMAS.values():
        words |= set(re.findall(r'"(\w+)"', str(schema()).replace("'", '"')))
    words |= set(re.findall(r"\w+", str(pages()) + (ROOT / "models/toplid/shell.toml").read_text(encoding="utf-8")))
    words |= {part for path in ROOT.rglob("*") if ".git" not in path.parts for part in (path.stem, path.name)}
    return words


def test_no_name_in_the_readme_is_unknown() -> None:
    """A key that was renamed leaves its old name behind in running text: `moved_stop_mm`."""
    name = re.compile(r"(?<![\w.-])[a-z]+(?:_[a-z0-9]+)+(?![\w.-])")
    named = {word for text in in_ticks(README) for word in name.findall(text)}
    assert named - known_words() == set()


def test_the_example_files_are_understood_by_the_tables_documented() -> None:
    """Every key of the examples that the README sends people to is in its tables: read as TOML, not by our reader."""
    for file, path in (("shell", ROOT / "models/toplid/shell.toml"), ("station", STATION)):
        content = tomllib.loads(path.read_text(encoding="utf-8"))
        for name, table in content.items():
            for row in table if isinstance(table, list) else [table]:
                for key in row if isinstance(row, dict) else ():
                    inner = re.compile(rf"`{key} = \[?{{ \.\.\. }}")
                    assert f"`{key}`" in rows_of_table(file, name) or inner.search(section(f"{file}.toml"))


# -- pages


@cache
def app() -> FastAPI:
    with tempfile.TemporaryDirectory() as folder:
        Store.open(Path(folder)).close()
        return create_app(load_station(STATION), Path(folder))


@cache
def pages() -> dict[str, Any]:
    """The OpenAPI document of a station's pages."""
    return app().openapi()


def every_address() -> list[tuple[str, str]]:
    """Those that OpenAPI leaves out (forms) too."""
    routes = [route for router in (*map(_inside, app().routes), app().routes) for route in router]
    return [(m, route.path) for route in routes if isinstance(route, APIRoute) for m in sorted(route.methods)]


def _inside(route: Any) -> list[Any]:
    """Of an included router its own routes."""
    return list(getattr(getattr(route, "original_router", None), "routes", []))


def row_of(method: str, path: str) -> str:
    """The row of the table of addresses that names it."""
    word = f"`{path}`" if method == "GET" else f"`{method} {path}`"
    rows = [row for row in section("Addresses").splitlines() if row.startswith("| `") and word in row.split(" | ")[0]]
    assert len(rows) <= 1, f"{method} {path} is in {len(rows)} rows"
    return rows[0] if rows else ""


def test_every_address_and_what_it_takes_is_documented() -> None:
    missing = []
    for method, path in every_address():
        operation, row = pages()["paths"].get(path, {}).get(method.lower(), {}), row_of(method, path)
        taken = [one["name"] for one in operation.get("parameters", []) if one["in"] == "query"]
        for form in operation.get("requestBody", {}).get("content", {}).values():
            form_schema = pages()["components"]["schemas"].get(form["schema"].get("$ref", "").rpartition("/")[2], {})
            taken += form_schema.get("properties", {})
        missing += [] if row else [f"{method} {path}"]
        missing += [f"{method} {path} takes {name}" for name in taken if not re.search(rf"`{name}[`=]", row)]
    assert not missing


def test_no_address_is_documented_that_is_not_answered() -> None:
    known = {path for _, path in every_address()} | {"/openapi.json"}
    patterns = [re.compile(re.sub(r"\\{\w+\\}", "[^/]+", re.escape(path)) + r"(\?.*)?") for path in known]
    named = [word.removeprefix("POST ").removeprefix("GET ") for word in in_ticks(BOTH)]
    addresses = [word for word in named if re.match(r"/[a-z{<]", word) or word == "/"]
    assert len(addresses) > 10
    assert not [word for word in addresses if not any(pattern.fullmatch(word) for pattern in patterns)]


def test_every_page_has_its_json_twin_in_the_same_row() -> None:
    """Issue 3, point 8."""
    for method, path in every_address():
        operation = pages()["paths"].get(path, {}).get(method.lower(), {})
        if method == "GET" and "text/html" in operation.get("responses", {}).get("200", {}).get("content", {}):
            twin = "/station.json" if path == "/" else f"{path}.json"
            assert row_of("GET", twin) == row_of("GET", path) != "", path


# -- settings, packages, files


def names_of_settings(text: str) -> set[str]:
    return set(re.findall(r"\bEDGEINSPECT_[A-Z_]+[A-Z]\b", text))


def test_environment_variables_are_documented_and_no_others() -> None:
    read = names_of_settings("".join(path.read_text(encoding="utf-8") for path in [*OUR_CODE, *OUR_SCRIPTS]))
    table = {cell.strip("`") for cell in first_cells(section("Environment variables"))}
    assert {name for name in table if name.startswith("EDGEINSPECT_")} == read
    assert names_of_settings(BOTH) == read
    assert names_of_settings(README) <= {name for text in in_ticks(README) for name in names_of_settings(text)}


def variables_of(source: str) -> set[str]:
    """Environment variables that a program asks for by name."""
    asked = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and re.search(r"'(environ|getenv)'", ast.dump(node.func)) and node.args:
            asked.add(ast.literal_eval(node.args[0]))
        elif isinstance(node, ast.Subscript) and "'environ'" in ast.dump(node.value):
            asked.add(ast.literal_eval(node.slice))
    return asked


def test_what_the_program_itself_asks_of_the_environment_is_documented() -> None:
    assert variables_of("os.getenv('A'); os.environ.get('B'); os.environ['C']") == {"A", "B", "C"}
    paths = list((ROOT / "edgeinspect").rglob("*.py"))
    asked = {name for path in paths for name in variables_of(path.read_text(encoding="utf-8"))}
    assert asked <= {cell.strip("`") for cell in first_cells(section("Environment variables"))}


def test_every_package_has_its_reason_and_no_other_is_named() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *(one for extra in project["optional-dependencies"].values() for one in extra)]
    needed = {re.split(r"[<>=!~\[; ]", requirement)[0].lower() for requirement in wanted}
    reasons = {}
    for row in section("What it is built on").splitlines():
        if row.startswith("| ") and not row.startswith("| package"):
            names, reason = row.strip("| ").split(" | ")
            reasons |= dict.fromkeys(names.split(", "), reason)
    assert set(reasons) == needed
    assert all(len(reason.split()) > 2 for reason in reasons.values()), reasons


def test_everything_in_the_data_folder_is_documented(tmp_path: Path) -> None:
    """Made as a station makes it at its start; the files of the measuring process are named in its source."""
    with only_one(tmp_path), Store.open(tmp_path):
        Inbox(load_station(STATION), tmp_path)
        made = {path.name + "/" * path.is_dir() for path in tmp_path.iterdir()} | {HEAD_FILE}
    source = (ROOT / "edgeinspect/station/worker_process.py").read_text(encoding="utf-8")
    made |= set(re.findall(r'data / "([\w.]+)"', source))
    table = {word for row in section("The data folder").splitlines() if row.startswith("| `") for word in in_ticks(row)}
    assert {"record.sqlite", "station.lock", "inbox/", "worker.log"} <= made <= table


def test_developers_are_told_of_every_folder_of_it_too() -> None:
    rows = [row for row in section("The data folder").splitlines() if row.startswith("| `")]
    folders = {word for row in rows for word in in_ticks(row.split(" | ")[0]) if word.endswith("/")}
    assert len(folders) > 5
    assert folders <= {word for text in in_ticks(section("The house", BOTH)) for word in text.split()}


def test_the_core_is_what_the_contract_says() -> None:
    tools = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    (core,) = (one["source_modules"] for one in tools["importlinter"]["contracts"] if "core" in one["name"])
    told = re.search(r"out of the core: ([^.]+)\.", section("The house", BOTH))
    assert told is not None
    assert re.split(r",\s+", told[1]) == [name.removeprefix("edgeinspect.").replace(".", "/") for name in core]


def test_every_kind_of_picture_is_documented() -> None:
    endings = {ending for kind in KINDS.values() for ending in kind}
    told = in_ticks(section("Set up your own shell in an hour"))
    named = {ending for text in told for ending in re.findall(r"\.\w+$", text)}
    assert endings <= named
    assert all(kind[0] in NAME_RULE for kind in KINDS.values())
    assert {word for word in named if word in (".jpg", ".jpeg", ".bmp", ".gif")} == set()


def test_files_that_the_documents_name_are_there() -> None:
    top = tuple(f"{path.name}/" for path in ROOT.iterdir() if path.is_dir())
    named = {word for text in in_ticks(BOTH) for word in text.split() if word.startswith(top)}
    named |= {word for line in code_blocks(BOTH) for word in line.split() if word.startswith((".ci/", "models/"))}
    named = {
        word.rstrip("/:,.") for word in named if not re.search(r"[<*]", word) and not word.startswith(MADE_BY_USERS)
    }
    assert len(named) > 5
    assert not [word for word in named if not (ROOT / word).exists()]


def test_the_house_has_a_line_for_every_room() -> None:
    rooms = {path.stem for path in (ROOT / "edgeinspect").iterdir() if not path.name.startswith(("_", ".", "py.typed"))}
    house = section("The house", BOTH)
    named = set(re.findall(r"\w+", " ".join(line[:27] for line in house.splitlines() if line.startswith("      "))))
    named |= set(re.findall(r"\w+_commands", house))
    assert rooms <= named


def test_modules_that_the_documents_run_are_there() -> None:
    named = set(re.findall(r"python -m ((?:tests|edgeinspect)[\w.]*)", BOTH))
    assert named
    assert not [name for name in named if importlib.util.find_spec(name) is None]


def test_every_picture_and_link_leads_somewhere() -> None:
    for text in (README, BOTH.removeprefix(README)):
        titles = re.findall(r"^#+ (.*)$", text, re.M)
        anchors = {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}
        for target in re.findall(r"\]\(([^)\s]+)\)", text):
            if target.startswith("#"):
                assert target[1:] in anchors, target
            elif "://" not in target:
                assert (ROOT / target.partition("#")[0]).is_file(), target


def test_the_pictures_are_small_and_all_used() -> None:
    files = sorted((ROOT / ".pictures").iterdir())
    assert sum(path.stat().st_size for path in files) < 600_000
    assert all(f"(.pictures/{path.name})" in README for path in files)


@pytest.mark.parametrize(
    "words",
    [
        "never releases a guard or starts a machine",
        "ISO 10218-1/-2",
        "ISO 13849",
        "dry-run at reduced speed",
        "trained people",
        "lock-out rules",
        "Fresh cut edges and swarf are sharp",
        "eye protection",
        "IEC 62471",
        "strength or impact behaviour",
        "Local codes and licensed practice come first",
    ],
)
def test_the_safety_words_are_there(words: str) -> None:
    """What the trade wants said (the standards by their numbers; the rest is common practice, no source)."""
    assert words in " ".join(section("Safety").split())
