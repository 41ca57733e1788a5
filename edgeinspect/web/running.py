"""The whole station in one hand: the worker process and the pages, started and stopped together."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from edgeinspect.errors import InputError
from edgeinspect.station.config import load_station
from edgeinspect.station.intake import Inbox
from edgeinspect.station.worker_process import WorkerProcess
from edgeinspect.store.inspections import Store
from edgeinspect.store.lock import only_one
from edgeinspect.web.app import create_app
from edgeinspect.web.serve import LOCALHOST, Server, Tls, checked_tls, make_server

__all__ = ["LOCALHOST", "Running", "checked_tls", "running"]


@dataclass(frozen=True)
class Running:
    address: str
    inbox: Path
    server: Server
    listening: socket.socket

    def serve(self) -> None:
        """Answer pages until Ctrl-C or SIGTERM."""
        before = signal.signal(signal.SIGTERM, signal.default_int_handler)  # both end in the same, orderly way
        try:
            with contextlib.suppress(KeyboardInterrupt):
                self.server.run(sockets=[self.listening])
        finally:
            signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def running(station_file: Path, data: Path, host: str, port: int, tls: Tls | None = None) -> Iterator[Running]:
    """Worker and pages of one station over the data folder ``data``, which is made if it is not there.

    Raises DefinitionError, StoreError, and InputError if the port cannot be had.
    """
    station = load_station(station_file)
    with only_one(data), _listen(host, port) as listening:
        Store.open(data).close()
        Inbox(station, data)  # makes its folders
        with WorkerProcess(station_file, station.sha256, data) as worker:
            name = socket.gethostname() if host in ("0.0.0.0", "::") else host
            port = listening.getsockname()[1]
            server = make_server(
                create_app(station, data, trouble=worker.trouble, aiming=worker.aiming), host, port, tls
            )
            scheme = "https" if tls else "http"
            yield Running(f"{scheme}://{name}:{port}/", data / station.folders.inbox, server, listening)


def _listen(host: str, port: int) -> socket.socket:
    try:
        listening = socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
        # Handed down to every connection. Without it an answer waits 40 ms for the other side's acknowledgement of its
        # header: asyncio sets it only on sockets whose protocol number is given.
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return listening
    except (OSError, OverflowError) as error:
        words = os.strerror(error.errno) if isinstance(error, OSError) and error.errno else error
        raise InputError(f"port {port} of {host} cannot be had ({words}): choose another with --port") from error
