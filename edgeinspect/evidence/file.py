"""The file of evidence: one HTML page for people, and in it, as base64, the very data that the page was made of.

Each part is named, and the list of parts says the SHA-256 of each, and of the page's own text. Nothing in it is a
script: a page that carries what people typed has no need of one.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from edgeinspect import __version__
from edgeinspect.errors import InputError, StoreError
from edgeinspect.evidence.contents import Context, Evidence
from edgeinspect.inspection import Inspection
from edgeinspect.store.codec import Arrays, from_plain, pack, to_plain, unpack

FORMAT = 1
GREATEST_BYTES = 500_000_000
GREATEST_ARRAYS = 500_000_000  # unpacked: a file from elsewhere must not fill the memory
LIST = "list of parts"
RECORD, CONTEXT, BASIS = "record", "context", "basis"
_PART = re.compile(
    r'<template data-part="(?P<name>[a-z0-9 _-]+)">(?P<hidden>[A-Za-z0-9+/=]*)</template>'
    r'|<image data-part="(?P<shown_name>[a-z0-9 _-]+)" href="data:(?P<kind>[a-z/]+);base64,(?P<shown>[A-Za-z0-9+/=]*)"'
)
_DRAWN = re.compile(r";base64,[A-Za-z0-9+/=]*")


@dataclass(frozen=True)
class Part:
    name: str  # "record", "original top"
    words: str
    content: bytes

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()

    @property
    def base64(self) -> str:
        return base64.b64encode(self.content).decode("ascii")


@dataclass(frozen=True)
class Opened:
    """A file of evidence as it was found; nothing of it is believed yet."""

    text: str
    parts: dict[str, bytes]
    listed: dict[str, str]  # SHA-256 by name, as the list says
    page_sha256: str  # as the list says

    def wrong_parts(self) -> list[str]:
        """Sentences: which parts are not as the list says."""
        found = {name: hashlib.sha256(content).hexdigest() for name, content in self.parts.items()}
        wrong = [
            f"the {name} was changed: its SHA-256 is {sha256[:12]}…, the list of parts says {self.listed[name][:12]}…"
            for name, sha256 in found.items()
            if name in self.listed and sha256 != self.listed[name]
        ]
        wrong += [f"the {name} is not in the list of parts" for name in found if name not in self.listed]
        return wrong + [f"the {name} is missing" for name in self.listed if name not in found]

    def wrong_words(self) -> list[str]:
        """Whether the page's own text is not as the list says."""
        if hashlib.sha256(_without_parts(self.text).encode()).hexdigest() == self.page_sha256:
            return []
        return ["the page's text was changed: words or numbers on it are not those that were written"]

    def evidence(self) -> Evidence:
        """What the parts say. Raises InputError: one is missing, damaged, or of another version of edgeinspect."""
        try:
            inspection: Inspection = _unwrapped(Inspection, self.parts[RECORD])
            context: Context = _unwrapped(Context, self.parts[CONTEXT])
        except KeyError as error:
            raise InputError(f"the {error.args[0]} is missing in the file: it is no evidence any more") from error
        except (StoreError, ValueError) as error:
            raise InputError(f"the record in the file cannot be read ({str(error).splitlines()[0]})") from error
        pictures: dict[str, dict[str, bytes]] = {"original": {}, "view": {}}
        for name, content in self.parts.items():
            what, _, camera = name.partition(" ")
            if camera and what in pictures:
                pictures[what][camera] = content
        return Evidence(inspection, context, self.parts.get(BASIS), pictures["original"], pictures["view"])


def parts_of(evidence: Evidence) -> dict[str, Part]:
    """By name, in the order in which the page lists them."""
    parts = [
        Part(RECORD, "all that was measured and judged, with edge points and ribbons", _wrapped(evidence.inspection)),
        Part(CONTEXT, "what else this page says: looks, limits, what was said since", _wrapped(evidence.context)),
    ]
    if evidence.basis is not None:
        words = "the files of the shell definition, fixture, seating and calibrations (a zip file)"
        parts.append(Part(BASIS, words, evidence.basis))
    names = {picture.camera: picture.name for picture in evidence.inspection.pictures}
    for camera, content in evidence.originals.items():
        parts.append(Part(f"original {camera}", f"the picture as it came in: {names[camera]}", content))
    for camera, content in evidence.views.items():
        parts.append(Part(f"view {camera}", f"a smaller JPEG of {names[camera]}, for looking only", content))
    return {part.name: part for part in parts}


def sealed(page: str) -> str:
    """The page with its list of parts put in. It has a place for it, and all the parts."""
    parts = _parts(page)
    listed = [
        {"name": name, "bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in parts.items()
        if name != LIST
    ]
    page_sha256 = hashlib.sha256(_without_parts(page).encode()).hexdigest()
    content = {"format": FORMAT, "software": __version__, "page_sha256": page_sha256, "parts": listed}
    coded = base64.b64encode(json.dumps(content, indent=1).encode()).decode("ascii")
    place = f'<template data-part="{LIST}">'
    assert page.count(place) == 1
    return page.replace(place, place + coded)


def open_file(path: Path) -> Opened:
    """Raises InputError: cannot be read, or is no file of evidence."""
    try:
        if path.stat().st_size > GREATEST_BYTES:
            raise InputError(f"{path} has {path.stat().st_size / 1e6:.0f} MB, must have at most 500 MB")
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or 'no such file'}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path} is no file of evidence, or it was damaged on its way: it is no text") from error
    return opened(text, str(path))


def opened(text: str, called: str) -> Opened:
    """Raises InputError: it is no file of evidence."""
    parts = _parts(text)
    try:
        told: dict[str, Any] = json.loads(parts.pop(LIST))
        if told["format"] != FORMAT:
            raise InputError(f"{called} is of format {told['format']}, must be {FORMAT}: use a newer edgeinspect")
        listed = {str(one["name"]): str(one["sha256"]) for one in told["parts"]}
        return Opened(text, parts, listed, str(told["page_sha256"]))
    except (KeyError, TypeError, ValueError, RecursionError) as error:
        raise InputError(f"{called} is no file of evidence, or its list of parts is damaged") from error


def without_pictures(text: str) -> str:
    """The page without what is coded in base64: pictures drawn anew may be coded otherwise and look the same."""
    return _DRAWN.sub(";base64,", _without_parts(text))


def _parts(text: str) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    for match in _PART.finditer(text):
        name = match["name"] or match["shown_name"]
        if name in found:
            raise InputError(f"the file holds two parts called {name}: it was put together by somebody else")
        try:
            found[name] = base64.b64decode(match["hidden"] if match["name"] else match["shown"], validate=True)
        except binascii.Error as error:
            raise InputError(f"the part {name} of the file is damaged ({error})") from error
    return found


def _without_parts(text: str) -> str:
    def emptied(match: re.Match[str]) -> str:
        coded, begin = "hidden" if match["name"] else "shown", match.start()
        return match[0][: match.start(coded) - begin] + match[0][match.end(coded) - begin :]

    return _PART.sub(emptied, text)


def _wrapped(value: object) -> bytes:
    """A record as one line of JSON and, behind it, its arrays."""
    arrays: Arrays = []
    plain = to_plain(value, arrays)
    return json.dumps(plain, ensure_ascii=False, allow_nan=False).encode() + b"\n" + pack(arrays)


def _unwrapped(kind: Callable[..., Any], content: bytes) -> Any:
    plain, _, packed = content.partition(b"\n")
    _, _, coded = packed.partition(b"\n")
    unpacking = zlib.decompressobj()
    try:
        unpacking.decompress(coded, GREATEST_ARRAYS)
    except zlib.error as error:
        raise ValueError(f"its arrays are damaged: {error}") from error
    if unpacking.unconsumed_tail:
        raise ValueError("its arrays are larger than any record's")
    return from_plain(kind, json.loads(plain), unpack(packed))


def record_differs(one: Inspection, other: Inspection) -> bool:
    """Whether two records of a look differ in anything, arrays byte for byte."""
    first: Arrays = []
    second: Arrays = []
    if to_plain(one, first) != to_plain(other, second) or len(first) != len(second):
        return True
    pairs = zip(first, second, strict=True)
    return any(a.dtype != b.dtype or a.shape != b.shape or a.tobytes() != b.tobytes() for a, b in pairs)
