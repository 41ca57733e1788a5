"""Is the station well? One plain page for plant IT."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from edgeinspect import __version__
from edgeinspect.errors import StoreError
from edgeinspect.web.board import WORKER_SILENT_AFTER_S
from edgeinspect.web.look import age_s, age_words, iso_time
from edgeinspect.web.parts import Parts, PartsHere

DISK_LOW_GB = 5.0

routes = APIRouter()


@dataclass(frozen=True)
class Reading:
    """One thing looked at, and what to do when it is not well."""

    what: str
    well: bool
    words: str
    action: str


@dataclass(frozen=True)
class HealthRecord:
    """``/health.json``. ``well`` only if every reading is."""

    station: str
    now: str
    version: str
    well: bool
    state: Literal["well", "not well"]
    worker_silent_s: float | None
    disk_free_gb: float
    database_ok: bool
    last_inspection_id: int | None
    last_inspection_at: str | None
    readings: list[Reading]


def _record(parts: Parts) -> HealthRecord:
    now = parts.clock()
    silent, last_id, last_at, database = None, None, None, "answers"
    try:
        state = parts.state.now()
        newest = parts.store.listing(limit=1)
        database_ok = True
        silent = parts.board.silent_s(state)
        if newest:
            last_id, last_at = newest[0].inspection_id, newest[0].finished_at
    except StoreError as error:
        database_ok, database = False, str(error)
    free_gb = shutil.disk_usage(_existing(parts.data)).free / 1e9
    trouble = parts.board.trouble()
    worker_well = silent is not None and silent <= WORKER_SILENT_AFTER_S and not trouble
    worker_words = trouble or ("never heard" if silent is None else f"heard {age_words(silent)}")
    readings = [
        Reading(
            "Measuring worker",
            worker_well,
            worker_words,
            "Put right what is said; else start the station again: it takes up where it left off.",
        ),
        Reading(
            "Record (database)", database_ok, database, "Check the disk and the folder; restore the copy on a spare PC."
        ),
        _changes(parts),
        Reading(
            "Disk", free_gb >= DISK_LOW_GB, f"{free_gb:.1f} GB free", "Make room: below 5 GB pictures may not be kept."
        ),
        Reading(
            "Last inspection",
            True,
            f"number {last_id}, {age_words(age_s(last_at, now))}" if last_at else "none yet",
            "",
        ),
        Reading("Software", True, f"edgeinspect {__version__}", ""),
    ]
    well = all(reading.well for reading in readings)
    return HealthRecord(
        station=parts.station.name,
        now=iso_time(now),
        version=__version__,
        well=well,
        state="well" if well else "not well",
        worker_silent_s=silent,
        disk_free_gb=round(free_gb, 2),
        database_ok=database_ok,
        last_inspection_id=last_id,
        last_inspection_at=last_at,
        readings=readings,
    )


def _changes(parts: Parts) -> Reading:
    what, action = "Record of changes", "Somebody wrote into the record: find out who, and compare it with a back-up."
    try:
        found = parts.changes_checked.latest()
    except StoreError as error:
        return Reading(what, False, str(error), "Check the disk and the folder; restore the copy on a spare PC.")
    checked = found.checked
    more = f" (and {len(checked.problems) - 1} more)" if len(checked.problems) > 1 else ""
    words = f"intact, {checked.rows} changes" if checked.intact else checked.problems[0] + more
    if found.at is not None:
        words += f" (looked through {age_words((parts.clock() - found.at).total_seconds())})"
    return Reading(what, checked.intact, words, action)


def _existing(path: Path) -> Path:
    """The folder, or the nearest one above it that is still there."""
    return path if path.exists() else _existing(path.parent)


@routes.get("/health", response_class=HTMLResponse)
def health_page(request: Request, parts: PartsHere) -> Response:
    return parts.pages.TemplateResponse(request, "health.html", {"record": _record(parts), "here": "health"})


@routes.get("/health.json")
def health_record(parts: PartsHere) -> HealthRecord:
    """200 even when not well: the record says so. 503 would hide what else is known."""
    return _record(parts)
