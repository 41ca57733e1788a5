"""Definitions that people write in TOML: every mistake becomes one plain sentence, and all are told at once."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from edgeinspect.errors import DefinitionError, InputError

LEAST_MM, GREATEST_MM = 0.001, 10_000.0  # nothing on a station is shorter than a micrometre or longer than ten metres

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
LengthMm = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=LEAST_MM, le=GREATEST_MM)]
PlaceMm = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-GREATEST_MM, le=GREATEST_MM)]
AngleDeg = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-360, le=360)]
Factor = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=10)]
Share = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, lt=1)]
Count = Annotated[int, Field(strict=True, ge=1, le=1_000_000)]
Text = Annotated[str, Field(strict=True, min_length=1, max_length=200)]
PointMm = tuple[PlaceMm, PlaceMm, PlaceMm]

# What a text must look like, and the words for it: those of the sentences and of the README.
NAME, FILE_NAME = r"^[a-z0-9][a-z0-9_-]*$", r"^[A-Za-z0-9][A-Za-z0-9_.-]*$"
COLOUR = r"^#[0-9a-fA-F]{6}$"
CALIBRATION_ID = r"^[a-z0-9][a-z0-9_-]*-[0-9]{8}t[0-9]{6}z-[0-9a-f]{8}$"
RULES = {
    NAME: "lower-case letters, digits, - and _, starting with a letter or digit, at most 64",
    FILE_NAME: "letters, digits, -, _ and ., starting with a letter or digit, at most 64, no folder",
    COLOUR: 'a colour such as "#f0aa28": # and six digits of 0-9 and a-f',
    CALIBRATION_ID: 'an id such as "top-20261127t100000z-0123abcd": camera, time (UTC), eight digits of 0-9 and a-f',
}
# Names become folder, file, address and column names.
Name = Annotated[str, Field(strict=True, max_length=64, pattern=NAME)]
FileName = Annotated[str, Field(strict=True, max_length=64, pattern=FILE_NAME)]
Colour = Annotated[str, Field(strict=True, pattern=COLOUR)]


_OF_A_LIST = re.compile(r"[a-z_]+\[\d+\]")


class Table(BaseModel):
    """A table of a definition: unknown keys are mistakes, nothing is converted silently."""

    model_config = ConfigDict(extra="forbid", frozen=True)


Model = TypeVar("Model", bound=Table)


def short_path(path: Path) -> str:
    """The end of a path, enough to find the file and nothing about the machine: ``models/toplid/shell.toml``."""
    return "/".join(path.absolute().parts[-3:]).lstrip("/")


def shown(value: object) -> str:
    """A value as a sentence quotes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.10g}"
    try:
        text = f'"{value}"' if isinstance(value, str) else repr(value)
    except ValueError:  # an integer of thousands of digits
        return "a number of thousands of digits"
    text = " ".join(text.split())
    return text if len(text) <= 80 else text[:77] + "..."


class Mistakes:
    """What is wrong with one definition, gathered until all of it has been looked at."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.sentences: list[str] = []
        self._named: dict[str, str] = {}  # "zone[7]": 'zone "left-end"'

    def say(self, sentence: str) -> None:
        """``sentence`` begins with the key."""
        self.sentences.append(self._by_name(f"{self.file}: {sentence}"))

    def take(self, error: InputError) -> None:
        """The problems of another file, which name it themselves."""
        self.sentences.extend(map(self._by_name, error.problems))

    def _by_name(self, sentence: str) -> str:
        """What is wrong with one of a list is told by its name, if it has one: nobody counts zones."""
        found = _OF_A_LIST.match(sentence, len(f"{self.file}: "))
        if found is None or not sentence.startswith(self.file):
            return sentence
        return f"{sentence[: found.start()]}{self._named.get(found[0], found[0])}{sentence[found.end() :]}"

    def stop_if_any(self) -> None:
        """Raises DefinitionError with every sentence, each once and in order."""
        if self.sentences:
            raise DefinitionError(tuple(dict.fromkeys(self.sentences)))

    def table(self, model: type[Model], content: Mapping[str, object], key: str) -> Model | None:
        """The table ``key``, or None after saying what is wrong with it."""
        if key not in content:
            self.say(f"[{key}] is missing")
            return None
        return self._checked(model, content[key], key)

    def tables(self, model: type[Model], content: Mapping[str, object], key: str) -> list[Model | None]:
        """The tables ``[[key]]`` in order, None in the place of each wrong one; an empty list where there is none."""
        rows = content.get(key, [])
        if not isinstance(rows, list):
            self.say(f"{key} is {shown(rows)}, must be a list of tables [[{key}]]")
            return [None]
        names = [row.get("name") if isinstance(row, dict) else None for row in rows]
        for place, name in enumerate(names):
            if isinstance(name, str) and names.count(name) == 1:
                self._named[f"{key}[{place}]"] = f"{key} {shown(name)}"
        return [self._checked(model, row, f"{key}[{place}]") for place, row in enumerate(rows)]

    def known_keys(self, content: Mapping[str, object], known: tuple[str, ...]) -> None:
        for key in content:
            if key not in known:
                self.say(_unknown(key, key, known))

    def format_is_one(self, content: Mapping[str, object]) -> None:
        got = content.get("format")
        if got is None:
            self.say("format is missing, must be 1")
        elif got != 1 or isinstance(got, bool):
            self.say(f"format is {shown(got)}, must be 1")

    def no_name_twice(self, names: list[str], kind: str) -> None:
        for name in sorted({name for name in names if names.count(name) > 1}):
            self.say(f'{kind} "{name}" is there {names.count(name)} times, must be there once')

    def _checked(self, model: type[Model], value: object, key: str) -> Model | None:
        try:
            return model.model_validate(value)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                self.say(_sentence(detail, key, model))
            return None


def read_toml(path: Path, greatest_bytes: int = 1_000_000) -> tuple[dict[str, object], bytes]:
    """Content and bytes of a TOML file.

    Raises DefinitionError if it is missing, too large, not UTF-8 or not TOML.
    """
    label = short_path(path)
    try:
        size = path.stat().st_size
        if size > greatest_bytes:
            raise DefinitionError(f"{label} has {size} bytes, must have at most {greatest_bytes}")
        raw = path.read_bytes()
    except OSError as error:
        raise DefinitionError(f"{label} cannot be read: {error.strerror or 'no such file'}") from error
    try:
        return tomllib.loads(raw.decode("utf-8")), raw
    except UnicodeDecodeError as error:
        raise DefinitionError(
            f"{label} is not UTF-8 text: byte {error.start + 1} does not fit; save it as UTF-8"
        ) from error
    except RecursionError as error:
        raise DefinitionError(f"{label} is not TOML: its brackets are nested too deeply") from error
    except ValueError as error:  # TOMLDecodeError, and integers too long to convert
        raise DefinitionError(f"{label} is not TOML: {error}") from error


def _key(parent: str, loc: tuple[int | str, ...]) -> str:
    return parent + "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in loc)


def one_of(got: str, known: tuple[str, ...]) -> str:
    """What is allowed, and which of it was probably meant."""
    near = difflib.get_close_matches(got, known, n=1)
    return f"one of {', '.join(known)}" + (f" (did you mean {near[0]}?)" if near else "")


def _unknown(key: str, last: str, known: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(last, known, n=1)
    hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
    return f"{key} is not a known key; {hint}"


_BOUNDS = {
    "greater_than": ("gt", "above"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "below"),
    "less_than_equal": ("le", "at most"),
}

_KINDS = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "string_type": "text in quotes",
    "tuple_type": "a list [...]",
    "list_type": "a list [...]",
    "dict_type": "a table",
    "model_type": "a table",
    "finite_number": "a finite number",
    "string_too_short": "text that is not empty",
}


def _sentence(detail: ErrorDetails, parent: str, model: type[Table]) -> str:
    """One mistake that pydantic found, in our words."""
    kind, loc, got, context = detail["type"], detail["loc"], detail["input"], detail.get("ctx", {})
    key = _key(parent, loc)
    if kind == "extra_forbidden":
        return _unknown(key, str(loc[-1]), _known_keys(model, loc[:-1]))
    if kind == "missing":
        if isinstance(loc[-1], int):  # pydantic tells of the first place that is not there
            return f"{_key(parent, loc[:-1])} is {shown(got)}, must have more numbers: {loc[-1] + 1} or more"
        return f"{key} is missing"
    if kind == "too_long":
        return f"{key} has {context.get('actual_length', 'too many')} entries, must have {context['max_length']}"
    if kind == "too_short":
        return f"{key} has {context.get('actual_length', 0)} entries, must have at least {context['min_length']}"
    if kind == "string_too_long":
        return f"{key} has {len(str(got))} characters, must have at most {context['max_length']}"
    if kind in _BOUNDS:
        limit, words = _BOUNDS[kind]
        return f"{key} is {shown(got)}, must be {words} {shown(context[limit])}"
    if kind in {"enum", "literal_error"}:
        return f"{key} is {shown(got)}, must be {context['expected']}".replace("'", '"')
    if kind == "string_pattern_mismatch":
        return f"{key} is {shown(got)}, must be {RULES[context['pattern']]}"
    if kind in _KINDS:
        return f"{key} is {shown(got)}, must be {_KINDS[kind]}"
    return f"{key} is {shown(got)}: {detail['msg']}"


def _known_keys(model: type[Table], loc: tuple[int | str, ...]) -> tuple[str, ...]:
    """Keys of the (nested) table at ``loc``."""
    for part in loc:
        if isinstance(part, str) and part in model.model_fields:
            inner = model.model_fields[part].annotation
            candidates = [inner, *getattr(inner, "__args__", ())]
            model = next((c for c in candidates if isinstance(c, type) and issubclass(c, Table)), model)
    return tuple(model.model_fields)
