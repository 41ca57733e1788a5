"""The reference tables of the README, made of the program itself: ``python -m tests.reference`` writes them anew.

Commands and options come from the command line's own words, keys of shell.toml and station.toml from their JSON
Schemas. tests/test_documented.py fails when the README says something else.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from edgeinspect.cli import app
from edgeinspect.interface import SCHEMAS
from edgeinspect.tomlfile import GREATEST_MM, LEAST_MM, NAME, RULES

README = Path(__file__).resolve().parents[1] / "README.md"
NEEDED = "needed"
SHARED_FROM = 3  # an option that so many commands have, in the same words, is told once

Schema = dict[str, Any]


def commands() -> dict[str, Any]:
    """Every command of the program by name, in the order of a day's work as far as the help has one."""
    return dict(typer.main.get_command(app).commands)  # type: ignore[attr-defined]


def is_option(parameter: Any) -> bool:
    return bool(parameter.param_type_name == "option")


def option_names(parameter: Any) -> list[str]:
    return [*parameter.opts, *parameter.secondary_opts]


# -- commands


def _default(parameter: Any) -> str:
    value = parameter.default
    if parameter.required:
        return NEEDED
    if value is None or value is False:
        return ""
    if value is True:
        return f"`{parameter.opts[0]}`"
    return f"`{value:g}`" if isinstance(value, float) else f"`{value}`"


def _option_row(parameter: Any) -> str:
    names = " / ".join(f"`{name}`" for name in option_names(parameter))
    return f"| {names} | {_meaning(parameter)} | {_default(parameter)} |"


def choices(parameter: Any) -> list[str]:
    """The words to choose from, where there are only some."""
    kind = getattr(parameter, "type_descriptor", None) or parameter.type  # as newer typers call it, and older ones
    return [str(choice) for choice in getattr(kind, "choices", None) or ()]


def _meaning(parameter: Any) -> str:
    every = choices(parameter)
    said = all(choice in parameter.help for choice in every)
    return _cell(parameter.help) + ("" if said else ": " + " or ".join(f"`{choice}`" for choice in every))


def _cell(words: str) -> str:
    """Words in a table's cell: no bars, and what looks like a tag is not one."""
    return re.sub(r"(?<!\S)([^\s`]*<[^\s`]*?)(?=[.,;:]*(?:\s|$))", r"`\1`", " ".join(words.split())).replace("|", "\\|")


def command_tables() -> str:
    """A paragraph a command, and a table of the options that are its own; options of many commands first."""
    every = commands()
    options = [(o.opts[0], o.help, _default(o)) for c in every.values() for o in c.params if is_option(o)]
    shared = {key for key, count in Counter(options).items() if count >= SHARED_FROM}
    first = {key: o for c in every.values() for o in c.params if is_option(o) for key in [_key(o)] if key in shared}
    head = ["| option | meaning | default |", "|---|---|---|"]
    lines = ["Options that many commands share:", "", *head, *(_option_row(o) for o in first.values())]
    lines += ["| `--help` | what the command does and takes | |"]
    for name, command in every.items():
        own = [o for o in command.params if is_option(o) and _key(o) not in shared]
        taken = [f"`{o.opts[0]}`" for o in command.params if is_option(o) and _key(o) in shared]
        arguments = [p for p in command.params if not is_option(p)]
        synopsis = " ".join(["edgeinspect", name, *(_argument(p) for p in arguments), *_musts(command)])
        also = f" Shared options: {', '.join(taken)}." if taken else ""
        lines += ["", f"**`{synopsis}`** {_cell(command.help)}{also}", ""]
        rows = [f"| `{_argument(p)}` | {_meaning(p)} | {_default(p)} |" for p in arguments]
        rows += [_option_row(o) for o in own]
        lines += [*head, *rows] if rows else []
        if not rows:
            lines.pop()
    return "\n".join(lines)


def _key(option: Any) -> tuple[str, str, str]:
    return option.opts[0], option.help, _default(option)


def _argument(parameter: Any) -> str:
    name = parameter.name.upper()
    return f"{name}..." if parameter.nargs != 1 else f"[{name}]" if not parameter.required else name


def _musts(command: Any) -> Iterator[str]:
    for parameter in command.params:
        if is_option(parameter) and parameter.required:
            yield f"{parameter.opts[0]} {parameter.name.upper()}"


# -- keys of the two files


def keys(schema: Schema) -> Iterator[tuple[str, str, Schema, bool]]:
    """(table, key, schema of the value, must it be there) of every key, tables within tables too: "decal.patch"."""
    for table, part in tables(schema):
        for key, value in part["properties"].items():
            yield table, key, value, key in part.get("required", [])


def tables(schema: Schema) -> Iterator[tuple[str, Schema]]:
    """Every table by its dotted name ("" is the file itself), with its schema."""
    yield "", schema
    for key, value in schema["properties"].items():
        yield from _inner(key, value, schema)


def _inner(name: str, value: Schema, schema: Schema) -> Iterator[tuple[str, Schema]]:
    part = _table_of(value, schema)
    if part is not None:
        yield name, part
        for key, inner in part["properties"].items():
            yield from _inner(f"{name}.{key}", inner, schema)


def _table_of(value: Schema, schema: Schema) -> Schema | None:
    for choice in [value, value.get("items", {}), *value.get("anyOf", [])]:
        if "$ref" in choice:
            part: Schema = schema["$defs"][choice["$ref"].rpartition("/")[2]]
            return part if "properties" in part else None
    return None


def key_tables(name: str) -> str:
    """One table of keys for each table of ``shell`` or ``station``."""
    schema = SCHEMAS[name]()
    lines: list[str] = []
    for table, part in tables(schema):
        plain = {key: value for key, value in part["properties"].items() if _table_of(value, schema) is None}
        if not table:
            lines.append(f"`format = {plain['format']['const']}` comes first; it says which form of the file this is.")
            continue
        lines += ["", f"{_title(table, schema)} {_cell(part.get('description', ''))}".rstrip(), ""]
        lines += ["| key | value | default | meaning |", "|---|---|---|---|"]
        for key, value in plain.items():
            about, default = _about(value, schema), _default_of(key, value, part)
            lines.append(f"| `{key}` | {_value(value, schema)} | {default} | {about} |")
    return "\n".join(lines)


def _title(table: str, schema: Schema) -> str:
    first, _, rest = table.partition(".")
    if rest:
        part = next(part for name, part in tables(schema) if name == first)
        several = part["properties"].get(rest, {}).get("type") == "array"
        return f"**`{rest} = {'[{ ... }, ...]' if several else '{ ... }'}`** in `{first}`."
    value = schema["properties"][first]
    if value.get("type") == "array":
        least = value.get("minItems", 0)
        times = f"once or more, at least {least}" if least > 1 else "once or more" if least else "any number of times"
        return f"**`[[{first}]]`** ({times})"
    return f"**`[{first}]`**" + ("" if first in schema["required"] else " (may be left out)")


def _about(value: Schema, schema: Schema) -> str:
    words = [value.get("description", "")]
    reference = value.get("$ref") or value.get("items", {}).get("$ref")
    if reference:  # of the kinds to choose from what each means, not what they are together
        about = schema["$defs"][reference.rpartition("/")[2]].get("description", "")
        words += [sentence for sentence in about.split(". ") if ": " in sentence]
    return _cell(". ".join(word for word in words if word))


def _default_of(key: str, value: Schema, part: Schema) -> str:
    if key in part.get("required", []):
        return NEEDED
    return "" if value.get("default") is None else f"`{json.dumps(value['default'])}`"


def _value(value: Schema, schema: Schema) -> str:
    """What may stand behind the key, in a few words."""
    if "anyOf" in value:
        every = [_value(choice, schema) for choice in value["anyOf"] if choice.get("type") != "null"]
        return " or ".join(dict.fromkeys(every))
    if "$ref" in value:
        return _value(schema["$defs"][value["$ref"].rpartition("/")[2]], schema)
    if "enum" in value:
        return " or ".join(f"`{json.dumps(choice)}`" for choice in value["enum"])
    kind = value.get("type")
    if kind == "array":
        return _list(value, schema)
    if kind == "string":
        pattern = value.get("pattern")
        return "text" if pattern is None else "name" if pattern == NAME else RULES[pattern]  # of names it is told once
    if kind == "boolean":
        return "`true` or `false`"
    return ("whole number" if kind == "integer" else "number") + _bounds(value)


def _list(value: Schema, schema: Schema) -> str:
    if "prefixItems" in value:
        inner = {_value(item, schema) for item in value["prefixItems"]}
        words = inner.pop() if len(inner) == 1 else "value"
        return f"{len(value['prefixItems'])} {_plural(words)} `[ ]`"
    least, most, words = value.get("minItems", 0), value.get("maxItems"), _value(value["items"], schema)
    count = f"{least}" if least == most else f"{least} to {most}" if most else f"{least} or more" if least else "any"
    if "`" in words:
        return f"list `[ ]`, {count} of {words}"
    return f"{count} {_plural(words)} `[ ]`"


def _plural(words: str) -> str:
    return (
        f"lists of {words}" if words[0].isdigit() else re.sub(r"^(whole number|number|name|text|value)", r"\1s", words)
    )


def _bounds(value: Schema) -> str:
    low, high = value.get("minimum", value.get("exclusiveMinimum")), value.get("maximum", value.get("exclusiveMaximum"))
    if high == GREATEST_MM:  # what every length and place keeps to is told once
        high, low = None, None if low in (-GREATEST_MM, LEAST_MM) else low
    above = "above " if "exclusiveMinimum" in value else ""
    below = "below " if "exclusiveMaximum" in value else ""
    if low is not None and high is not None:
        return f", {above}{low:g} to {below}{high:g}"
    if low is not None:
        return f", {above or 'at least '}{low:g}"
    return "" if high is None else f", {below or 'at most '}{high:g}"


def names_and_lengths() -> str:
    """What holds for every name and length of both files."""
    return (
        f"A *name* is made of {RULES[NAME]} characters. A *number* with no bounds here may be anything up to "
        f"{GREATEST_MM:,.0f} mm; lengths are at least {LEAST_MM:g} mm. An unknown key is a mistake, never ignored."
    )


SECTIONS = {
    "commands": command_tables,
    "names and lengths": names_and_lengths,
    "shell.toml": lambda: key_tables("shell"),
    "station.toml": lambda: key_tables("station"),
}


def marks(section: str) -> tuple[str, str]:
    """What stands before and behind a made part of the README."""
    return f"<!-- {section}: made by python -m tests.reference -->\n", f"\n<!-- end of {section} -->"


def written_anew(text: str) -> str:
    """The README with every made part as the program is now. Raises ValueError if a part has no place in it."""
    for section, make in SECTIONS.items():
        begin, end = marks(section)
        before, found, rest = text.partition(begin)
        _, closed, after = rest.partition(end)
        if not (found and closed):
            raise ValueError(f"README.md has no place for {section}")
        text = before + begin + make() + end + after
    return text


if __name__ == "__main__":
    README.write_text(written_anew(README.read_text(encoding="utf-8")), encoding="utf-8")
