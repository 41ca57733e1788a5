"""The station page, its record, its stream of events, and the choice of the expected shell."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from typing import Annotated, Literal

from fastapi import APIRouter, Form, HTTPException, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.sse import EventSourceResponse, ServerSentEvent
from pydantic import TypeAdapter
from starlette.concurrency import run_in_threadpool

from edgeinspect.errors import DefinitionError, InputError, StoreError
from edgeinspect.inspection import Expected
from edgeinspect.station.thermometer import HIGHEST_C, LOWEST_C
from edgeinspect.web.board import BoardRecord
from edgeinspect.web.look import LOOKS, iso_time
from edgeinspect.web.parts import PartsHere
from edgeinspect.web.twin import as_json

LOOK_EACH_S = 0.2
BEAT_EACH_S = 1.0

routes = APIRouter()
_record_json = TypeAdapter(BoardRecord)


@routes.get("/", response_class=HTMLResponse)
def station_page(request: Request, parts: PartsHere) -> Response:
    choices, problems = parts.shells.choices()
    expected = parts.state.now().expected
    return parts.pages.TemplateResponse(
        request,
        "station.html",
        {
            "looks": list(LOOKS.values()),
            "choices": choices,
            "problems": problems,
            "expected": expected,
            "assumed_words": parts.board.temperature_words(Expected("", "")),
        },
    )


@routes.get("/station.json", response_model=BoardRecord)
def station_record(parts: PartsHere) -> Response:
    return as_json(parts.board.record())


@routes.get("/events", response_class=EventSourceResponse)
async def events(parts: PartsHere) -> AsyncIterator[ServerSentEvent]:
    """``station`` events carry /station.json whenever it changes; ``beat`` events come each second, so that a page can
    hear silence.

    When the record cannot be read that is all that is sent.
    """
    sent: BoardRecord | None = None
    spoke = 0.0
    while not parts.stopping.is_set():
        try:
            record = await run_in_threadpool(parts.board.record)
        except StoreError as error:
            record = parts.board.unreadable(error)
        unchanging = record.without_ages()
        if unchanging != sent:
            sent, spoke = unchanging, time.monotonic()
            yield ServerSentEvent(event="station", raw_data=_record_json.dump_json(record).decode())
        elif time.monotonic() - spoke >= BEAT_EACH_S:
            spoke = time.monotonic()
            yield ServerSentEvent(event="beat", data={"now": record.now, "worker_silent_s": record.worker_silent_s})
        await asyncio.sleep(LOOK_EACH_S)


@routes.get("/shells/{name}.svg")
def shell_picture(
    parts: PartsHere,
    name: Annotated[str, Path(pattern=r"^[A-Za-z0-9_.-]{1,64}$")],
    variant: Annotated[str, Query(max_length=64)] = "",
) -> Response:
    """A shell definition as it is known by sight: outline, cut-outs, the decal of one variant."""
    try:
        return Response(parts.shells.picture(name, variant), media_type="image/svg+xml")
    except DefinitionError as error:
        raise HTTPException(404, error.problems[0]) from error


@routes.post("/expected")
def choose(
    request: Request,
    parts: PartsHere,
    choice: Annotated[str, Form(max_length=200)],
    temperature: Annotated[Literal["assumed", "stated"], Form()] = "assumed",
    celsius: Annotated[float | None, Form(ge=LOWEST_C, le=HIGHEST_C, allow_inf_nan=False)] = None,
) -> Response:
    """Set the station to a shell and decal variant ("shell/variant") and a temperature. From where is kept."""
    shell, _, variant = choice.partition("/")
    offered, _ = parts.shells.choices()
    if not any((one.shell, one.variant) == (shell, variant) for one in offered):
        names = ", ".join(f"{one.shell}/{one.variant}" for one in offered) or "none"
        raise InputError(f"choice is {choice!r}, must be one of: {names}")
    if temperature == "stated" and celsius is None:
        raise InputError("celsius is missing: say the measured temperature, or that it was not measured")
    expected = Expected(shell, variant, celsius if temperature == "stated" else None)
    here = f"station page at {request.client.host}" if request.client else "station page"
    parts.state.expect(expected, iso_time(parts.clock()), here)
    return RedirectResponse("/", status_code=303)
