"""What other programs may count on: JSON Schemas of shell.toml, of station.toml and of one inspection as JSON.

The schemas are made of the tables and records themselves: types from their annotations, descriptions from their
docstrings and from the comments behind their fields. Nothing is said twice.
"""

from __future__ import annotations

import ast
import dataclasses
import enum
import functools
import inspect
import io
import math
import re
import textwrap
import tokenize
import types
import typing
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from edgeinspect.inspection import Inspection
from edgeinspect.measure.measurement import Flag
from edgeinspect.shell.tables import ShellFile
from edgeinspect.station.config import StationFile
from edgeinspect.tomlfile import Table

Schema = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"
FORMAT = 1  # of an inspection as JSON: raised when something that was there is no more, or means something else
DECIMALS = 6  # of arrays, which are kept in single precision
UNITS = {"mm": "mm", "deg": "deg", "px": "px", "pixel": "px", "c": "°C", "s": "s", "h": "h", "mb": "MB"}
_SHAPE = re.compile(r"\(([A-Z0-9]\w*(?:, ?\w*)*)\)")
_SIMPLE: dict[Any, Schema] = {
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": ["number", "null"]},  # JSON has no nan: what is not a number is null
    str: {"type": "string"},
}


def shell_schema() -> Schema:
    """JSON Schema of shell.toml, as read from TOML."""
    return _of_file(ShellFile, "shell")


def station_schema() -> Schema:
    """JSON Schema of station.toml, as read from TOML."""
    return _of_file(StationFile, "station")


def inspection_schema() -> Schema:
    """JSON Schema of ``inspection_document``."""
    parts: dict[str, Schema] = {}
    _reference(Inspection, parts)
    whole = parts.pop(Inspection.__name__)
    about = "which of the forms that are documented here this is"
    return {
        "$schema": DIALECT,
        "$id": "urn:edgeinspect:inspection",
        "title": "One inspection by edgeinspect",
        **whole,
        "properties": {"format": {"const": FORMAT, "description": about}, **whole["properties"]},
        "required": ["format", *whole["required"]],
        "$defs": dict(sorted(parts.items())),
    }


SCHEMAS = {"shell": shell_schema, "station": station_schema, "inspection": inspection_schema}


def inspection_document(inspection: Inspection) -> dict[str, Any]:
    """An inspection as JSON values, whole: arrays as lists rounded to 1e-6, null for what is not a number."""
    plain: dict[str, Any] = _plain(inspection)
    return {"format": FORMAT, **plain}


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        if value.dtype.kind != "f":
            return value.tolist()
        rounded = np.round(value.astype(np.float64), DECIMALS)
        values = rounded.astype(object)
        values[~np.isfinite(rounded)] = None
        return values.tolist()
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if dataclasses.is_dataclass(value):
        return {item.name: _plain(getattr(value, item.name)) for item in dataclasses.fields(value)}
    if isinstance(value, frozenset):
        return sorted(_plain(item) for item in value)
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value


# -- words


@functools.cache
def _words(kind: Any) -> tuple[str, Mapping[str, str]]:
    """The docstring of a class, and the comment behind each of its fields or members, in the words of JSON."""
    source = textwrap.dedent(inspect.getsource(kind))
    comments = {
        token.start[0]: _in_json(token.string.lstrip("# "))
        for token in tokenize.generate_tokens(io.StringIO(source).readline)
        if token.type == tokenize.COMMENT
    }
    (node,) = ast.parse(source).body
    assert isinstance(node, ast.ClassDef)
    found: dict[str, str] = {}
    for line in node.body:
        target = line.target if isinstance(line, ast.AnnAssign) else line.targets[0] if _is_member(line) else None
        if isinstance(target, ast.Name) and line.end_lineno in comments:
            found[target.id] = comments[line.end_lineno]
    return _in_json(" ".join((ast.get_docstring(node) or "").split())), found


def _in_json(words: str) -> str:
    return re.sub(r"\b(None|nan)\b", "null", words.replace("``", ""))


def _is_member(line: ast.stmt) -> typing.TypeGuard[ast.Assign]:
    return isinstance(line, ast.Assign) and len(line.targets) == 1


def _about(kind: type, name: str) -> str:
    """What a field is, with its unit; "" where its name says it all."""
    words = _words(kind)[1].get(name, "")
    unit = UNITS.get(name.rpartition("_")[2]) if not name.endswith("_per_mm") else "px/mm"
    return words if unit is None or f"[{unit}]" in words else f"{words} [{unit}]".lstrip()


def _choices(kind: type[enum.Enum]) -> Schema:
    docstring, comments = _words(kind)
    members = [f"{member.value}: {comments[member.name]}" for member in kind if member.name in comments]
    schema: Schema = {"enum": [member.value for member in kind]}
    if about := ". ".join(filter(None, [docstring.rstrip("."), "; ".join(members)])):
        schema["description"] = about
    return schema


# -- files of definitions


def _of_file(model: type[Table], name: str) -> Schema:
    schema = model.model_json_schema()
    defined = schema.get("$defs", {})
    for kind in _tables(model):
        if issubclass(kind, enum.Enum):
            defined[kind.__name__] |= _choices(kind)
            continue
        part = schema if kind is model else defined[kind.__name__]
        if docstring := _words(kind)[0]:
            part["description"] = docstring
        for key, inner in part["properties"].items():
            inner.pop("title", None)
            if about := _about(kind, key):
                inner["description"] = about
    return {"$schema": DIALECT, "$id": f"urn:edgeinspect:{name}", **schema, "title": f"{name}.toml"}


def _tables(kind: Any) -> Iterator[Any]:
    """A table and everything that it is made of which has a name of its own."""
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        yield kind
    elif isinstance(kind, type) and issubclass(kind, Table):
        yield kind
        for field in kind.model_fields.values():
            yield from _tables(field.annotation)
    else:
        for inner in typing.get_args(kind):
            yield from _tables(inner)


# -- records


def _reference(kind: type, parts: dict[str, Schema]) -> Schema:
    """A reference to the schema of a record or an enumeration, which is put into ``parts``."""
    name = kind.__name__
    if name not in parts:
        parts[name] = {}  # so that a record may hold its own kind
        parts[name] = _choices(kind) if issubclass(kind, enum.Enum) else _record(kind, parts)
    return {"$ref": f"#/$defs/{name}"}


def _record(kind: type, parts: dict[str, Schema]) -> Schema:
    hints = typing.get_type_hints(kind)
    names = [field.name for field in dataclasses.fields(kind)]
    properties = {}
    for name in names:
        about = _about(kind, name)
        bits = f": {_choices(Flag)['description']}" if "bits of Flag" in about else ""
        properties[name] = _value(hints[name], about, parts) | ({"description": about + bits} if about else {})
    schema: Schema = {"type": "object", "properties": properties, "required": names, "additionalProperties": False}
    return {"description": docstring, **schema} if (docstring := _words(kind)[0]) else schema


def _value(kind: Any, about: str, parts: dict[str, Schema]) -> Schema:
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if kind in _SIMPLE:
        return dict(_SIMPLE[kind])
    if origin in (typing.Union, types.UnionType):
        (one,) = (choice for choice in inner if choice is not type(None))
        return {"anyOf": [_value(one, about, parts), {"type": "null"}]}
    if origin is np.ndarray:
        return _array(kind, about)
    if origin is tuple and inner[-1] is not Ellipsis:
        items = [_value(each, "", parts) for each in inner]
        return {"type": "array", "prefixItems": items, "minItems": len(items), "maxItems": len(items)}
    if origin in (tuple, frozenset):
        return {"type": "array", "items": _value(inner[0], "", parts)}
    if isinstance(kind, type):
        return _reference(kind, parts)
    raise TypeError(f"no schema for a {kind}")


def _array(kind: Any, about: str) -> Schema:
    """Nested lists of the shape that the field's comment begins with: (N, 3)."""
    whole = np.dtype(np.int32).type in typing.get_args(typing.get_args(kind)[1])
    schema: Schema = {"type": "integer"} if whole else {"type": ["number", "null"]}
    shape = _SHAPE.match(about)
    if shape is None:
        raise TypeError(f"an array's comment must begin with its shape, got {about!r}")
    for size in reversed([part.strip() for part in shape[1].split(",") if part.strip()]):
        schema = {"type": "array", "items": schema}
        if size.isdigit():
            schema |= {"minItems": int(size), "maxItems": int(size)}
    return schema
