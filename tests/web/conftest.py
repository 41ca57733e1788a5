"""A station's record filled by hand, its pages, and a browser that looks at them."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from playwright.sync_api import Browser, Page

from edgeinspect.inspection import Inspection
from edgeinspect.measure.measurement import Before
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.station.config import Station
from edgeinspect.store.inspections import Store
from edgeinspect.store.state import State
from edgeinspect.web.app import create_app
from edgeinspect.web.look import iso_time
from edgeinspect.web.serve import Server, make_server
from edgeinspect.web.slowing import Slowing

from . import samples
from .sample_inspections import draw_picture, encode, make_inspection


@dataclass
class Plant:
    """The worker's side of a station: it writes the record that the pages read."""

    station: Station
    data: Path
    lid: ShellDefinition
    store: Store
    state: State
    trouble: str = ""  # what the worker says that it cannot do
    ahead: timedelta = timedelta()  # of the station's clock, so that a test need not wait

    def clock(self) -> datetime:
        return datetime.now(UTC) + self.ahead

    def now(self) -> str:
        return iso_time(self.clock())

    def beat(self) -> None:
        self.state.beat(self.now())

    def save(
        self, kind: str, shell_id: str = "L-0414", *, age_s: float = 0.0, looks_before: int = 0, **changes: Any
    ) -> Inspection:
        """Keep one of sample_inspections.KINDS; ``changes`` are to the inspection."""
        inspection = make_inspection(kind, shell_id, self.lid, age_s=age_s, **changes)
        if looks_before:
            measurement = replace(inspection.measurement, before=Before(looks_before))
            inspection = replace(inspection, measurement=measurement)
        png, jpeg = _pictures(kind, inspection)
        return self.store.save(inspection, {"top": png}, {"top": jpeg})

    def save_saying(self, kind: str, sentence: str, action: str) -> Inspection:
        verdict = replace(make_inspection(kind, "x", self.lid).verdict, sentence=sentence, action=action)
        return self.save(kind, verdict=verdict)

    def app(self) -> FastAPI:
        return create_app(self.station, self.data, clock=self.clock, trouble=lambda: self.trouble)


_DRAWN: dict[str, tuple[bytes, bytes]] = {}


def _pictures(kind: str, inspection: Inspection) -> tuple[bytes, bytes]:
    """Drawing takes longer than everything else, and one of a kind looks like the other."""
    if kind not in _DRAWN:
        _DRAWN[kind] = encode(draw_picture(inspection))
    return _DRAWN[kind]


@pytest.fixture(scope="session")
def models(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("models")
    samples.write_lid(folder / "toplid")
    return folder


@pytest.fixture(scope="session")
def lid(models: Path) -> ShellDefinition:
    return samples.read_lid(models)


@pytest.fixture
def plant(tmp_path: Path, models: Path, lid: ShellDefinition) -> Iterator[Plant]:
    data = tmp_path / "data"
    (data / "inbox").mkdir(parents=True)
    with Store.open(data) as store, State.open(data) as state:
        plant = Plant(samples.make_station(models), data, lid, store, state)
        plant.beat()
        yield plant


@dataclass
class Live:
    """Pages on a real port, with a worker that beats."""

    plant: Plant
    port: int
    beating: threading.Event = field(default_factory=threading.Event)
    _server: Server | None = None
    _thread: threading.Thread | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def slowing(self) -> Slowing:
        """What makes guessing passwords slow, of the running pages."""
        assert self._server is not None and isinstance(self._server.config.app, FastAPI)
        found: Slowing = self._server.config.app.state.parts.slowing
        return found

    def start(self) -> None:
        self._server = make_server(self.plant.app(), port=self.port)
        self._thread = threading.Thread(target=self._server.run)
        self._thread.start()
        wait_for(lambda: self._server is not None and self._server.started, 10, "the server did not start")

    def stop(self) -> float:
        """Seconds that it took."""
        if self._server is None or self._thread is None:
            return 0.0
        begun = time.monotonic()
        self._server.end_streams()
        self._server.should_exit = True
        self._thread.join(15)
        assert not self._thread.is_alive()
        self._server = None
        return time.monotonic() - begun


@pytest.fixture
def live(plant: Plant) -> Iterator[Live]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    live = Live(plant, port)
    live.beating.set()
    done = threading.Event()

    def beat() -> None:
        while not done.wait(0.5):
            if live.beating.is_set():
                plant.beat()

    heart = threading.Thread(target=beat)
    heart.start()
    live.start()
    yield live
    live.stop()
    done.set()
    heart.join()


@pytest.fixture
def client(live: Live) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=live.address, timeout=20) as client:
        yield client


@dataclass
class Watched:
    """A page of which nothing may go unnoticed: what it wrote to the console, where it sent requests."""

    page: Page
    errors: list[str]
    hosts: set[str]
    expect_errors: bool = False


@pytest.fixture
def open_page(browser: Browser, live: Live) -> Iterator[Callable[..., Watched]]:
    """Open a path at a size; after the test no page may have complained or called anybody else."""
    opened: list[Watched] = []

    def open_at(path: str = "/", width: int = 1920, height: int = 1080) -> Watched:
        page = browser.new_page(viewport={"width": width, "height": height})
        watched = Watched(page, [], set())
        page.on("console", lambda message: watched.errors.append(message.text) if message.type != "log" else None)
        page.on("pageerror", lambda error: watched.errors.append(str(error)))
        page.on("request", lambda request: watched.hosts.add(request.url.split("/")[2]))
        page.goto(live.address + path)
        opened.append(watched)
        return watched

    yield open_at
    for watched in opened:
        watched.page.close()
        assert watched.hosts == {f"127.0.0.1:{live.port}"}
        if not watched.expect_errors:
            assert watched.errors == []


def wait_for(true: Callable[[], bool], seconds: float, words: str) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return
        time.sleep(0.05)
    raise AssertionError(words)
