"""Puts the pages together."""

from __future__ import annotations

import threading
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.staticfiles import StaticFiles
from fastapi.templating import Jinja2Templates
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from edgeinspect import __version__
from edgeinspect.station.aim_link import Aiming
from edgeinspect.station.config import Station
from edgeinspect.station.thermometer import HIGHEST_C, LOWEST_C
from edgeinspect.store.changes import Changes
from edgeinspect.store.inspections import Store
from edgeinspect.store.people import People
from edgeinspect.store.state import State
from edgeinspect.study.background import Background
from edgeinspect.web import (
    aim_page,
    calibrations_page,
    changes_page,
    health,
    inspection_list,
    inspection_page,
    limits_page,
    look,
    method_page,
    people_page,
    review_page,
    shift_page,
    sign_in,
    station_page,
    tuning_page,
    uncertainty_page,
    upload,
)
from edgeinspect.web.board import Board
from edgeinspect.web.changes_checked import ChangesChecked
from edgeinspect.web.guard import Guard
from edgeinspect.web.parts import Parts, Recent, utc_now
from edgeinspect.web.places import Plans
from edgeinspect.web.problems import answer_problems
from edgeinspect.web.shells import Shells

HERE = Path(__file__).parent


def create_app(
    station: Station,
    data: Path,
    *,
    host_names: Sequence[str] = (),
    clock: Callable[[], datetime] = utc_now,
    trouble: Callable[[], str] = lambda: "",
    aiming: Aiming | None = None,
) -> FastAPI:
    """The station's pages over the record in ``data``, which must exist (``Store.open(data).close()`` makes it).

    Parameters: host_names - names under which browsers reach this machine, beside localhost, its own name and any IP
    address; clock - the time of day, UTC; trouble - what keeps the worker from giving answers, in one sentence;
    aiming - the worker's answers to a decal that is being placed.
    Raises StoreError if the record cannot be read.
    """
    store = Store.open(data, read_only=True)
    state = State.open(data)
    shells = Shells(station.folders.models, station.seatings)
    board = Board(station, store, state, shells, clock, trouble)
    changes = Changes.open(data)
    parts = Parts(
        station,
        data,
        store,
        Recent(store),
        state,
        shells,
        Plans(shells),
        board,
        _pages(station),
        changes,
        ChangesChecked(changes.check, clock),
        People(changes),
        Background(station, data),
        aiming or Aiming(),
        clock,
    )

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        threading.Thread(target=shells.choices, daemon=True).start()  # read them before the first page needs them
        yield
        parts.stopping.set()
        parts.background.stop()
        parts.changes_checked.close()
        changes.close()
        state.close()
        store.close()

    app = Pages(title="edgeinspect", version=__version__, lifespan=lifespan, docs_url=None, redoc_url=None)
    app.state.parts = parts
    app.add_middleware(Guard, host_names=host_names, large=["/pictures", "/aim/pictures"])
    for page in (
        station_page,
        aim_page,
        inspection_list,
        inspection_page,
        shift_page,
        review_page,
        tuning_page,
        method_page,
        calibrations_page,
        uncertainty_page,
        health,
        upload,
        sign_in,
        people_page,
        changes_page,
        limits_page,
    ):
        app.include_router(page.routes)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    answer_problems(app, parts.pages)
    return app


class Pages(FastAPI):
    """Its OpenAPI says what the answers do: a number that was not measured is null."""

    def openapi(self) -> dict[str, Any]:
        document = super().openapi()
        _null_for_nan(document["components"])
        return document


def _null_for_nan(schema: Any) -> None:
    if isinstance(schema, dict) and schema.get("type") == "number":
        schema["type"] = ["number", "null"]
    for inner in schema.values() if isinstance(schema, dict) else schema if isinstance(schema, list) else ():
        _null_for_nan(inner)


def _pages(station: Station) -> Jinja2Templates:
    pages = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.globals.update(frames=look.FRAME_WORDS, lowest_c=f"{LOWEST_C:g}", highest_c=f"{HIGHEST_C:g}")
    pages.globals.update(
        station_name=station.title, here="", signed=look.signed, plain=look.plain, ordinal=look.ordinal
    )
    pages.filters["local_time"] = look.local_time
    pages.filters["path"] = look.path
    pages.filters["clock"] = look.clock
    return Jinja2Templates(env=pages, context_processors=[sign_in.for_pages])
