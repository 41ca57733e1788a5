"""What every page needs, made once by ``create_app``."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, cast

from fastapi import Depends, Request
from fastapi.templating import Jinja2Templates

from edgeinspect.inspection import Inspection
from edgeinspect.station.aim_link import Aiming
from edgeinspect.station.config import Station
from edgeinspect.store.changes import Changes
from edgeinspect.store.inspections import Store
from edgeinspect.store.limits import LimitsRecord
from edgeinspect.store.people import People
from edgeinspect.store.state import State
from edgeinspect.study.background import Background
from edgeinspect.web.board import Board
from edgeinspect.web.changes_checked import ChangesChecked
from edgeinspect.web.places import Plans
from edgeinspect.web.shells import Shells
from edgeinspect.web.slowing import Slowing


def utc_now() -> datetime:
    return datetime.now(UTC)


class Recent:
    """The inspections looked at last, whole: a page's JSON twin and its ribbons follow each other."""

    KEPT = 2

    def __init__(self, store: Store) -> None:
        self._store = store
        self._kept: dict[int, Inspection] = {}
        self._lock = threading.Lock()

    def inspection(self, inspection_id: int) -> Inspection | None:
        """An inspection never changes, so it may be kept. Raises StoreError."""
        with self._lock:
            kept = self._kept.get(inspection_id)
        if kept is not None:
            return kept
        found = self._store.inspection(inspection_id)
        if found is not None:
            with self._lock:
                self._kept[inspection_id] = found
                while len(self._kept) > self.KEPT:
                    del self._kept[next(iter(self._kept))]
        return found


@dataclass(frozen=True)
class Parts:
    station: Station
    data: Path
    store: Store  # read only
    recent: Recent
    state: State
    shells: Shells
    plans: Plans
    board: Board
    pages: Jinja2Templates
    changes: Changes
    changes_checked: ChangesChecked
    people: People
    background: Background  # studies that take a while
    aiming: Aiming  # a decal that is being placed
    clock: Callable[[], datetime] = utc_now
    slowing: Slowing = field(default_factory=Slowing)
    stopping: threading.Event = field(default_factory=threading.Event)  # set when the server is going down: streams end

    @property
    def limits(self) -> LimitsRecord:
        """Written to, unlike the store's."""
        return LimitsRecord(self.changes)


def parts_of(request: Request) -> Parts:
    return cast(Parts, request.app.state.parts)


PartsHere = Annotated[Parts, Depends(parts_of)]
