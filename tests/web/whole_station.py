"""A whole station in processes of its own, on the sample pictures: started, fed, watched, killed."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import httpx
import numpy as np
from numpy.typing import NDArray

import edgeinspect
from edgeinspect.inspection import Expected
from edgeinspect.station.calibrations import calibrate_folder, write_calibration
from edgeinspect.station.config import load_station
from edgeinspect.store.inspections import Store
from edgeinspect.store.state import State

ROOT = Path(edgeinspect.__file__).parents[1]
SAMPLES = ROOT / "sample_images"
AT = "2024-11-25T10:00:00.000000Z"
SHELLS = ("L1001", "L1002", "L1003", "L1004", "L1006", "L1008")  # good ones, bad ones, one too close


def make_data(data: Path) -> None:
    """A data folder with a calibration and a shell chosen."""
    station = load_station(SAMPLES / "station.toml")
    calibration, _ = calibrate_folder(SAMPLES / "calibration", station, "top", AT)
    write_calibration(data / station.folders.calibrations, calibration)
    Store.open(data).close()
    with State.open(data) as state:
        state.expect(Expected("toplid", "standard", 22.0), AT)


class Pictures:
    """Sample pictures without end: each has its number written into a corner, so that no two are the same."""

    def __init__(self) -> None:
        self._levels: list[NDArray[Any]] = []
        for shell in SHELLS:
            levels = cv2.imread(str(SAMPLES / "shells" / f"{shell}_top.webp"), cv2.IMREAD_GRAYSCALE)
            assert levels is not None
            self._levels.append(levels)

    def make(self, number: int) -> bytes:
        levels = self._levels[number % len(self._levels)].copy()
        levels[0, :4] = np.frombuffer(number.to_bytes(4, "big"), np.uint8)
        done, content = cv2.imencode(".png", levels, [cv2.IMWRITE_PNG_COMPRESSION, 1])
        assert done
        return content.tobytes()


@dataclass
class WholeStation:
    """``edgeinspect serve`` as a person starts it."""

    data: Path
    port: int = 0
    process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        command = [sys.executable, "-m", "edgeinspect", "serve", "--port", str(self.port)]
        command += ["--station", str(SAMPLES / "station.toml"), "--data", str(self.data)]
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            command, env=environment, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def kill(self) -> None:
        """Web and worker at once, as a power cut does."""
        assert self.process is not None
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        self.process = None

    def put(self, shell_id: str, content: bytes) -> None:
        """As a camera program does: written beside, then renamed."""
        place = self.data / "inbox" / f"{shell_id}_top.png"
        place.parent.mkdir(exist_ok=True)
        half = place.with_name(place.name + ".part")
        half.write_bytes(content)
        half.rename(place)


@contextlib.contextmanager
def started(data: Path) -> Iterator[WholeStation]:
    station = WholeStation(data)
    station.start()
    try:
        yield station
    finally:
        if station.process is not None:
            station.kill()


@dataclass
class Watcher:
    """A page that looks as often as it can and keeps everything that it was ever shown."""

    station: WholeStation
    answers: dict[int, tuple[str, str, str]] = field(default_factory=dict)  # by id: shell, answer, sentence
    listed: dict[int, tuple[str, str, str]] = field(default_factory=dict)
    said: list[tuple[str, str]] = field(default_factory=list)  # kind of message, message: since it was last cleared
    states: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()

    def _watch(self) -> None:
        turn = 0
        with httpx.Client(timeout=5) as client:
            while not self._stop.is_set():
                turn += 1
                try:
                    self._see(client.get(f"{self.station.address}/station.json").json())
                    if turn % 10 == 0:
                        for row in client.get(f"{self.station.address}/inspections.json").json()["inspections"]:
                            self.listed[row["inspection_id"]] = (row["shell_id"], row["answer"], row["sentence"])
                except (httpx.HTTPError, ValueError, KeyError):
                    pass  # it is being killed just now, or not there yet
                time.sleep(0.02)

    def _see(self, board: dict[str, Any]) -> None:
        self.states.add(board["state"])
        if board["answer"]:
            one = board["answer"]
            self.answers[one["inspection_id"]] = (one["shell_id"], one["answer"], one["sentence"])
        said = (board["message_word"], board["message"])
        if board["message"] and said not in self.said:
            self.said.append(said)

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
