"""Pictures by HTTP: read within limits, checked by name, handed to the station's intake, each whole or not at all."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from fastapi import APIRouter, HTTPException, Request
from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from edgeinspect.errors import InputError, PictureError
from edgeinspect.station.aim_folder import receive_for_aiming
from edgeinspect.station.config import Station
from edgeinspect.station.intake import receive_upload
from edgeinspect.station.pictures import parse_name
from edgeinspect.web.parts import Parts, PartsHere

MOST_FILES = 16
AT_ONCE = 2  # uploads held in memory at the same time

HandOver = Callable[[Station, Path, str, bytes], None]

routes = APIRouter()
_places = threading.BoundedSemaphore(AT_ONCE)


@dataclass(frozen=True)
class Received:
    """Names of the pictures that now wait to be measured."""

    taken: list[str]


class _Files:
    """The files of one multipart body (RFC 7578) as it arrives. Refuses as soon as a name or a size is wrong."""

    def __init__(
        self, boundary: bytes, check_name: Callable[[str], object], picture_limit: int, upload_limit: int
    ) -> None:
        self.contents: dict[str, bytearray] = {}
        self.ended = False
        self._check_name = check_name
        self._picture_limit, self._upload_limit = picture_limit, upload_limit
        self._received = 0
        self._header, self._value = bytearray(), bytearray()
        self._name: str | None = None
        self._parser = MultipartParser(
            boundary,
            {
                "on_part_begin": self._begin,
                "on_header_field": lambda data, start, end: self._header.extend(data[start:end]),
                "on_header_value": lambda data, start, end: self._value.extend(data[start:end]),
                "on_header_end": self._end_header,
                "on_part_data": self._data,
                "on_end": self._end,
            },
        )

    def write(self, chunk: bytes) -> None:
        self._received += len(chunk)
        if self._received > self._upload_limit:
            raise HTTPException(
                413, f"The upload has more than {_mb(self._upload_limit)}: send fewer pictures at once."
            )
        self._parser.write(chunk)

    def _begin(self) -> None:
        self._name = None
        if len(self.contents) == MOST_FILES:
            raise InputError(f"The upload holds more than {MOST_FILES} files: send fewer at once.")

    def _end_header(self) -> None:
        if self._header.lower() == b"content-disposition":
            self._name = self._new_name(bytes(self._value))
            self.contents[self._name] = bytearray()
        self._header.clear()
        self._value.clear()

    def _new_name(self, disposition: bytes) -> str:
        _, options = parse_options_header(disposition.decode("latin-1"))
        if b"filename" not in options:
            raise InputError("The upload holds a field that is not a file: send pictures only.")
        name = options[b"filename"].decode("utf-8", errors="replace")
        if b"\\" in disposition:  # the parser would quietly cut a Windows folder off
            raise PictureError(f"{name} came with a folder or a backslash in its name: send the plain file name.")
        self._check_name(name)
        if name in self.contents:
            raise PictureError(f"{name} is in the upload twice: send it once.")
        return name

    def _data(self, data: bytes, start: int, end: int) -> None:
        if self._name is None:
            raise InputError("The upload holds a part without a name: send it again.")
        content = self.contents[self._name]
        content.extend(memoryview(data)[start:end])
        if len(content) > self._picture_limit:
            raise HTTPException(
                413, f"{self._name} has more than {_mb(self._picture_limit)}: check what the camera program saves."
            )

    def _end(self) -> None:
        self.ended = True


@routes.post("/pictures", status_code=202)
async def receive(request: Request, parts: PartsHere) -> Received:
    """Take pictures in, named ``<shell-id>_<camera>.<ext>``, as files of a multipart form."""
    return await _received(request, parts, receive_upload)


@routes.post("/aim/pictures", status_code=202)
async def receive_aim(request: Request, parts: PartsHere) -> Received:
    """The same of a decal that is being placed: they are answered on /aim and kept by nobody; the newest counts."""
    return await _received(request, parts, receive_for_aiming)


async def _received(request: Request, parts: Parts, hand_over: HandOver) -> Received:
    kind, options = parse_options_header(request.headers.get("content-type"))
    if kind != b"multipart/form-data" or not options.get(b"boundary"):
        raise HTTPException(415, "Pictures must come as files of a multipart/form-data form.")
    if not _places.acquire(blocking=False):
        raise HTTPException(503, f"{AT_ONCE} other uploads are under way: send it again in a moment.")
    try:
        cameras = [camera.name for camera in parts.station.cameras]
        intake = parts.station.intake
        try:
            files = _Files(
                options[b"boundary"],
                lambda name: parse_name(name, cameras),
                intake.picture_limit_bytes,
                intake.upload_limit_bytes,
            )
            async for chunk in request.stream():
                files.write(chunk)
        except FormParserError as error:
            raise InputError(f"The upload is no multipart form that can be read ({error}): send it again.") from None
        except ClientDisconnect:
            raise InputError("The upload broke off: send it again.") from None
        if not files.ended:
            raise InputError("The upload is cut off: send it again.")
        if not files.contents:
            raise InputError("The upload holds no picture.")
        await run_in_threadpool(_hand_over, parts, files.contents, hand_over)
        return Received(list(files.contents))
    finally:
        _places.release()


def _hand_over(parts: Parts, contents: dict[str, bytearray], hand_over: HandOver) -> None:
    for name, content in contents.items():
        hand_over(parts.station, parts.data, name, bytes(content))


def _mb(size: int) -> str:
    return f"{size / 1e6:.1f} MB"
