"""The page for placing a decal: where to push it, whether it moves, and what the check said. Its record and its stream.

Up, down, left, right are the print's own, as it is read: the page shows it upright, and in the fixture it has the same
top edge. The page is never green but for a check that the record holds, of the decal as it lies now.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from typing import Annotated, Literal

import numpy as np
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.sse import EventSourceResponse, ServerSentEvent
from pydantic import TypeAdapter
from starlette.concurrency import run_in_threadpool

from edgeinspect.conformity.verdict import capital
from edgeinspect.errors import DefinitionError, InputError, StoreError
from edgeinspect.station.aim_link import Newest
from edgeinspect.station.aiming import AimAnswer, AimState, Asked, DecalChoice
from edgeinspect.store.state import StationState
from edgeinspect.web.board import WORKER_SILENT_AFTER_S
from edgeinspect.web.look import LOOKS, clock, iso_time
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.twin import as_json

LOOK_EACH_S = 0.05
BEAT_EACH_S = 1.0
OLD_AFTER_S = 2.5  # pictures have stopped coming
CHECK_TAKES_S = 15.0  # at most: no picture is answered meanwhile
EXACT_MM, EXACT_DEG = 0.05, 0.05  # nobody pushes by less

routes = APIRouter()

AimShow = Literal[
    "trouble",
    "stopped",
    "waiting",
    "old",
    "cannot",
    "absent",
    "unseen",
    "wrong",
    "place",
    "hold",
    "checking",
    "checked",
]
Way = Literal["up", "down", "left", "right", "clockwise", "counter-clockwise", ""]


@dataclass(frozen=True)
class Push:
    """One way to move the decal, as its print is read."""

    of: str  # "up or down", "left or right", "turn"
    way: Way  # "" where it need not be moved
    do: Literal["push", "turn", ""]  # "" where it need not be moved: the words alone could be how it lies
    words: str  # "1.2 mm up", "0.4° clockwise", "exact"
    inside: bool  # its limit: proven, whatever is left


@dataclass(frozen=True)
class AimRecord:
    """``/aim.json``. Places in mm from the decal's place: right and up of the print are +, as it is read."""

    station: str
    now: str
    state: AimShow
    key: str  # of the answer, its colour and shape; only in the state "checked"
    word: str
    sentence: str
    action: str
    title: str  # the shell in use
    shell_id: str
    decals: list[DecalChoice]  # that can be placed
    decal: str  # that is
    moving: bool | None
    asked: bool  # a check waits for the decal to lie still
    pushes: list[Push]
    dx_mm: float | None  # how it lies
    dy_mm: float | None
    rotation_deg: float | None
    place_mm: list[tuple[float, float]]  # corners of its place
    laid_mm: list[tuple[float, float]]  # corners as it lies, [] where it is not found
    view_url: str  # the print upright, "" none
    view_half_mm: tuple[float, float]
    checked: int | None  # inspection that the answer is of
    number: int
    age_s: float
    per_s: float | None  # answers a second
    notes: list[str]
    old_after_s: float = OLD_AFTER_S

    def without_ages(self) -> AimRecord:
        """What a page has to be told of when it changes."""
        return replace(self, now="", age_s=0.0, per_s=None)


_record_json = TypeAdapter(AimRecord)


def aim_record(parts: Parts) -> AimRecord:
    """Raises StoreError when the station's state cannot be read."""
    state = parts.state.now()
    newest = parts.aiming.newest()
    trouble = parts.board.trouble()
    silent = parts.board.silent_s(state)
    record = _of(parts, state, newest)
    if trouble:
        return _nothing(record, "trouble", "CANNOT MEASURE", trouble, "Call plant IT")
    if silent is None or silent > WORKER_SILENT_AFTER_S:
        return _nothing(record, "stopped", "MEASURING HAS STOPPED", "Pictures are not looked at", "Call plant IT")
    if state.expected is None:
        return _nothing(record, "waiting", "NO SHELL CHOSEN", "", "Choose shell and decal on the station page")
    answer = None if newest is None else newest.answer
    if (
        newest is None
        or answer is None
        or (answer.shell, answer.variant)
        != (
            state.expected.shell,
            state.expected.variant,
        )
    ):
        return _nothing(record, "waiting", "WAITING FOR PICTURES", "", "Lay the decal near its place, start the camera")
    if newest.age_s > (CHECK_TAKES_S if answer.checking else OLD_AFTER_S):
        last = answer.checked
        said = "" if last is None else f"Last check at {clock(last.finished_at)}: {LOOKS[last.answer].word}, recorded"
        return _nothing(record, "old", "NO NEW PICTURE", said, "Start the camera")
    return _said(record, answer)


def _of(parts: Parts, state: StationState, newest: Newest | None) -> AimRecord:
    answer = None if newest is None else newest.answer
    return AimRecord(
        station=parts.station.title,
        now=iso_time(parts.clock()),
        state="waiting",
        key="",
        word="",
        sentence="",
        action="",
        title=_title(parts, state),
        shell_id=answer.shell_id if answer else "",
        decals=list(answer.decals) if answer else [],
        decal=answer.decal.name if answer else "",
        moving=answer.moving if answer else None,
        asked=answer.asked if answer else False,
        pushes=_pushes(answer) if answer and answer.state is AimState.LAID else [],
        dx_mm=_number(answer.dx_mm) if answer else None,
        dy_mm=_number(answer.dy_mm) if answer else None,
        rotation_deg=_number(answer.rotation_deg) if answer else None,
        place_mm=_rectangle(answer, 0.0, 0.0, 0.0) if answer else [],
        laid_mm=_rectangle(answer, answer.dx_mm, answer.dy_mm, answer.rotation_deg) if answer else [],
        view_url=f"/aim/views/{newest.number}.jpg" if newest and newest.answer.view else "",
        view_half_mm=answer.view_half_mm if answer else (0.0, 0.0),
        checked=None,
        number=newest.number if newest else 0,
        age_s=round(newest.age_s, 2) if newest else 0.0,
        per_s=_number(round(newest.per_s, 1)) if newest else None,
        notes=list(answer.notes) if answer else [],
    )


def _title(parts: Parts, state: StationState) -> str:
    if state.expected is None:
        return ""
    try:
        title = parts.shells.definition(state.expected.shell).title
    except DefinitionError:
        title = state.expected.shell
    return f"{title}, decal {state.expected.variant}" if state.expected.variant else title


def _nothing(record: AimRecord, state: AimShow, word: str, sentence: str, action: str) -> AimRecord:
    """No numbers, no picture: they are of before."""
    return replace(
        record,
        state=state,
        word=word,
        sentence=sentence,
        action=action,
        pushes=[],
        laid_mm=[],
        view_url="",
        moving=None,
        dx_mm=None,
        dy_mm=None,
        rotation_deg=None,
        notes=[],
    )


def _said(record: AimRecord, answer: AimAnswer) -> AimRecord:
    sentence, action = answer.sentence, capital(answer.action)
    if answer.checking:
        return replace(record, state="checking", word="CHECKING", sentence="Hands off", action="", pushes=[])
    if answer.checked is not None and not answer.moving:
        look, checked = LOOKS[answer.checked.answer], answer.checked
        of_decal = "The decal is good; the shell is not. " if checked.decal_good and look.key != "good" else ""
        return replace(
            record,
            state="checked",
            key=look.key,
            word=look.word,
            sentence=of_decal + checked.sentence,
            action=capital(checked.action),
            pushes=record.pushes if look.key == "bad" and not checked.decal_good else [],
            checked=checked.inspection_id,
        )
    if answer.state is AimState.STOPPED:
        return replace(record, state="cannot", word="CANNOT MEASURE", sentence=sentence, action=action)
    if answer.state is AimState.ABSENT:
        return replace(record, state="absent", word="NO DECAL THERE", sentence="", action=action)
    if answer.state is AimState.UNSEEN:
        return replace(record, state="unseen", word="CANNOT SEE IT", sentence="", action=action)
    if answer.state is AimState.WRONG:
        word = "WRONG DECAL" if "wrong decal" in sentence.lower() else answer.action.upper()
        return replace(record, state="wrong", word=word, sentence=sentence, action=action)
    if answer.moving:
        return replace(record, state="place", word="STILL MOVING")
    if answer.in_place or answer.asked:
        return replace(record, state="hold", word="HANDS OFF", sentence="It is checked when it lies still")
    turn_only = all(answer.within[:2])
    return replace(record, state="place", word="TURN IT" if turn_only else "PUSH IT")


def _pushes(answer: AimAnswer) -> list[Push]:
    """Where the decal must go: the other way than it lies off."""
    ways: list[tuple[str, Literal["push", "turn"], float, Way, Way, str, float]] = [
        ("up or down", "push", -answer.dy_mm, "up", "down", " mm", EXACT_MM),
        ("left or right", "push", -answer.dx_mm, "right", "left", " mm", EXACT_MM),
        ("turn", "turn", -answer.rotation_deg, "counter-clockwise", "clockwise", "°", EXACT_DEG),
    ]
    inside = (answer.within[1], answer.within[0], answer.within[2])
    pushes = []
    for (of, do, by, plus, minus, unit, exact), fine in zip(ways, inside, strict=True):
        way = "" if abs(by) < exact else plus if by > 0 else minus
        pushes.append(Push(of, way, do if way else "", f"{abs(by):.1f}{unit} {way}" if way else "exact", fine))
    return pushes


def _rectangle(answer: AimAnswer, dx_mm: float, dy_mm: float, rotation_deg: float) -> list[tuple[float, float]]:
    if not all(map(math.isfinite, (dx_mm, dy_mm, rotation_deg))) or not all(answer.size_mm):
        return []
    half = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * np.array(answer.size_mm) / 2
    angle = math.radians(rotation_deg)
    cos, sin = math.cos(angle), math.sin(angle)
    at = half @ np.array([[cos, sin], [-sin, cos]]) + (dx_mm, dy_mm)
    return [(round(float(x), 3), round(float(y), 3)) for x, y in at]


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


@routes.get("/aim", response_class=HTMLResponse)
def aim_page(request: Request, parts: PartsHere) -> Response:
    return parts.pages.TemplateResponse(request, "aim.html", {"looks": list(LOOKS.values())})


@routes.get("/aim.json", response_model=AimRecord)
def aim_now(parts: PartsHere) -> Response:
    return as_json(aim_record(parts))


@routes.get("/aim/events", response_class=EventSourceResponse)
async def aim_events(parts: PartsHere) -> AsyncIterator[ServerSentEvent]:
    """``aim`` events carry /aim.json whenever it changes; ``beat`` events come each second, so that a page can hear
    silence.
    """
    sent: AimRecord | None = None
    spoke = 0.0
    while not parts.stopping.is_set():
        try:
            record = await run_in_threadpool(aim_record, parts)
        except StoreError:
            await asyncio.sleep(BEAT_EACH_S)  # the page hears nothing, and says so
            continue
        unchanging = record.without_ages()
        if unchanging != sent:
            sent, spoke = unchanging, time.monotonic()
            yield ServerSentEvent(event="aim", raw_data=_record_json.dump_json(record).decode())
        elif time.monotonic() - spoke >= BEAT_EACH_S:
            spoke = time.monotonic()
            yield ServerSentEvent(event="beat", data={"now": record.now})
        await asyncio.sleep(LOOK_EACH_S)


@routes.get("/aim/views/{number}.jpg")
def aim_view(parts: PartsHere, number: int) -> Response:
    """The picture of one of the last answers, the print upright; to look at only."""
    view = parts.aiming.view(number)
    if view is None:
        raise HTTPException(404, f"The picture of answer {number} is not kept any more.")
    return Response(view, media_type="image/jpeg")


@routes.post("/aim/check")
def aim_check(parts: PartsHere) -> Response:
    """Check the decal as soon as it lies still, wherever that is."""
    return _asked(parts, Asked(check=True))


@routes.post("/aim/decal")
def aim_decal(parts: PartsHere, decal: Annotated[str, Form(max_length=64)]) -> Response:
    """Place this one of the shell's decals, by its name."""
    newest = parts.aiming.newest()
    known = [one.name for one in newest.answer.decals] if newest else []
    if decal not in known:
        raise InputError(f"decal is {decal!r}, must be one of: {', '.join(known) or 'none, no picture came yet'}")
    return _asked(parts, Asked(decal=decal))


def _asked(parts: Parts, asked: Asked) -> Response:
    if not parts.aiming.ask(asked):
        raise HTTPException(503, "Nothing is measured at the moment: nothing was asked. Call plant IT.")
    return RedirectResponse("/aim", status_code=303)
