"""The worker: bad input never stops it, a stop never loses a shell, and it says what it is doing.

No shell is chosen here, so that every good picture ends in the same NO RESULT: what counts is that it is recorded.
"""

from __future__ import annotations

import errno
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from multiprocessing.context import SpawnContext, SpawnProcess
from pathlib import Path

import pytest

from edgeinspect.conformity import Answer
from edgeinspect.errors import StoreError
from edgeinspect.inspection import Expected, Inspection
from edgeinspect.station import worker as worker_module
from edgeinspect.station import worker_process
from edgeinspect.station.config import Station
from edgeinspect.station.intake import Inbox
from edgeinspect.station.run import Ready
from edgeinspect.station.worker import Worker
from edgeinspect.station.worker_process import WorkerProcess
from edgeinspect.store.calibrations import CalibrationUse, KeptCalibration
from edgeinspect.store.inspections import Store
from edgeinspect.store.state import State

PictureOf = Callable[[int], bytes]


class Cell:
    """A worker with a clock that runs when told to, and the page's look at what it does."""

    def __init__(self, station: Station, data: Path) -> None:
        self.data, self.station, self.clock_s = data, station, 0.0
        self.jumped = timedelta()
        self.troubles: list[str] = []
        self.worker = Worker(station, data, clock_s=lambda: self.clock_s, now=self.now, trouble=self.troubles.append)
        self.page, self.state = Store.open(data, read_only=True), State.open(data)

    def now(self) -> str:
        at = datetime(2024, 11, 25, 10, tzinfo=UTC) + timedelta(seconds=self.clock_s) + self.jumped
        return at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def put(self, name: str, content: bytes) -> None:
        (self.data / "inbox" / name).write_bytes(content)

    def run(self, seconds: float = 1.5) -> None:
        for _ in range(round(seconds / 0.25)):
            self.worker.step()
            self.clock_s += 0.25

    def names(self, folder: str) -> list[str]:
        return sorted(path.name for path in (self.data / folder).iterdir())

    def close(self) -> None:
        for opened in (self.worker, self.page, self.state):
            opened.close()


@pytest.fixture
def cell(station: Station, tmp_path: Path) -> Iterator[Cell]:
    opened = Cell(station, tmp_path / "data")
    yield opened
    opened.close()


def test_a_picture_goes_through_to_the_record(cell: Cell, picture_of: PictureOf) -> None:
    cell.put("L1_top.png", picture_of(1))
    cell.run()
    (row,) = cell.page.listing()
    assert (row.shell_id, row.answer, row.sentence) == ("L1", Answer.NO_RESULT, "No shell is chosen at this station")
    assert cell.page.picture(row.inspection_id, "top") == picture_of(1)
    assert cell.names("inbox") == cell.names("taken") == cell.names("refused") == []


def test_the_page_sees_what_is_being_measured_until_it_is_on_disk(
    cell: Cell, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[tuple[str | None, int]] = []
    save = Store.save

    def watched(store: Store, *what: object) -> Inspection:
        seen.append((cell.state.now().measuring, len(cell.page.listing())))
        return save(store, *what)  # type: ignore[arg-type]

    monkeypatch.setattr(Store, "save", watched)
    cell.put("L1_top.png", picture_of(1))
    cell.worker.step()
    assert cell.state.now().measuring == "L1"  # from the first sight of it
    cell.run()
    assert seen == [("L1", 0)]
    assert cell.state.now().measuring is None


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "L1_top.png is empty (0 bytes)"),
        (b"shift report, Tuesday", "L1_top.png is no picture by its content"),
        (bytes(1_500_000), "L1_top.png has 1.5 MB"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "L1_top.png is cut off after 108 bytes"),
    ],
    ids=["empty", "text", "huge", "half"],
)
def test_a_bad_picture_becomes_no_result_and_is_kept_in_refused(cell: Cell, content: bytes, words: str) -> None:
    cell.put("L1_top.png", content)
    cell.run(12)
    (row,) = cell.page.listing()
    assert row.answer is Answer.NO_RESULT and row.sentence.startswith(words)
    (kept,) = cell.names("refused")
    assert (cell.data / "refused" / kept).read_bytes() == content
    assert cell.names("taken") == []


def test_another_calibration_in_use_is_taken_up_at_the_next_step(cell: Cell, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[dict[str, str]] = []
    ready = worker_module.get_ready

    def watched(station: Station, expected: Expected | None, folder: Path, chosen: dict[str, str]) -> Ready:
        asked.append(chosen)
        return ready(station, expected, folder, chosen)

    monkeypatch.setattr(worker_module, "get_ready", watched)
    with Store.open(cell.data) as commands:  # another process: a command
        for name in ("top-2", "top-1"):
            cell.run()
            kept = KeptCalibration(name, "top", "2026-01-02T03:04:05Z", "{}")
            commands.calibrations.keep(kept, CalibrationUse("top", name, "t", "Kim", "try"))
    cell.run()
    assert asked == [{}, {"top": "top-2"}, {"top": "top-1"}], "once each, not at every step"


def test_a_wrong_name_is_told_on_the_page(cell: Cell, picture_of: PictureOf) -> None:
    cell.put("holiday.png", picture_of(1))
    cell.run()
    assert cell.page.listing() == ()
    assert cell.state.now().message.startswith("holiday.png is not named as a picture must be")
    assert len(cell.names("refused")) == 1


def test_while_the_record_cannot_be_written_nothing_is_shown_and_nothing_is_lost(
    cell: Cell, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise StoreError("the disk is full: free some space")

    with monkeypatch.context() as patched:
        patched.setattr(Store, "save", full)
        cell.put("L1_top.png", picture_of(1))
        cell.run(12)
        assert cell.page.listing() == ()
        assert len(cell.names("taken")) == 1
        assert cell.troubles[0] == "Shell L1 is not recorded: the disk is full: free some space"
        assert "" not in cell.troubles
    cell.run(6)
    assert cell.troubles[-1] == ""
    assert [row.shell_id for row in cell.page.listing()] == ["L1"]
    assert cell.names("taken") == []


def test_a_picture_recorded_but_not_cleared_away_is_not_looked_at_twice(
    cell: Cell, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stuck(*_: object) -> None:
        raise StoreError("it cannot be removed")

    with monkeypatch.context() as patched:
        patched.setattr(Inbox, "finish", stuck)
        cell.put("L1_top.png", picture_of(1))
        cell.run()
        assert len(cell.page.listing()) == 1 and len(cell.names("taken")) == 1
    again = Cell(cell.station, cell.data)  # after a restart
    again.run()
    again.close()
    assert len(cell.page.listing()) == 1 and cell.names("taken") == []


def test_a_shell_is_recorded_once_though_the_disk_fails_right_after(
    cell: Cell, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    measuring = State.measuring

    def stuck(state: State, shell_id: str | None, at: str) -> None:
        if shell_id is None and cell.page.listing():
            raise StoreError("the disk is full: free some space")
        measuring(state, shell_id, at)

    with monkeypatch.context() as patched:
        patched.setattr(State, "measuring", stuck)
        cell.put("L1_top.png", picture_of(1))
        cell.run()
        assert len(cell.page.listing()) == 1
    cell.run(6)
    assert len(cell.page.listing()) == 1 and cell.names("taken") == []


def test_after_a_stop_in_mid_shell_the_shell_is_looked_at_again(
    cell: Cell, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    class PowerCut(BaseException):
        pass

    def cut(*_: object, **__: object) -> None:
        raise PowerCut

    with monkeypatch.context() as patched, pytest.raises(PowerCut):
        patched.setattr(worker_module, "inspect_set", cut)
        cell.put("L1_top.png", picture_of(1))
        cell.run()
    assert cell.page.listing() == () and len(cell.names("taken")) == 1
    again = Cell(cell.station, cell.data)
    assert again.state.now().measuring is None
    again.run()
    again.close()
    assert [row.shell_id for row in cell.page.listing()] == ["L1"]


def test_a_shell_waits_only_for_the_cameras_that_look_at_it(
    a_lid_and_a_hatch: Station, tmp_path: Path, picture_of: PictureOf
) -> None:
    cell = Cell(a_lid_and_a_hatch, tmp_path / "data")
    for shell, looks in (("toplid", 0), ("hatch", 1)):
        cell.state.expect(Expected(shell, "standard"), cell.now())
        cell.put("H1_top.png", picture_of(1))
        cell.run()
        assert len(cell.page.listing()) == looks
    cell.close()


def test_another_shell_chosen_is_loaded_before_the_next_picture(cell: Cell, picture_of: PictureOf) -> None:
    cell.put("L1_top.png", picture_of(1))
    cell.run()
    cell.state.expect(Expected("nosuch", ""), "2024-11-25T10:00:00Z")
    cell.put("L2_top.png", picture_of(2))
    cell.run()
    assert "does not hold shell 'nosuch'" in cell.page.listing()[0].sentence


# -- the process itself

PARENT = """
import sys, time
from pathlib import Path
from edgeinspect.station.config import load_station
from edgeinspect.station.worker_process import WorkerProcess
if __name__ == "__main__":
    with WorkerProcess(Path(sys.argv[1]), load_station(Path(sys.argv[1])).sha256, Path(sys.argv[2])):
        time.sleep(60)
"""


def wait_for(what: Callable[[], bool], seconds: float = 60.0) -> None:
    end_s = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.05)


def worker_processes() -> list[int]:
    return [
        child.pid for child in multiprocessing.active_children() if child.name == "edgeinspect-worker" and child.pid
    ]


def test_the_process_beats_measures_survives_a_kill_and_stops(
    station: Station, station_file: Path, tmp_path: Path, picture_of: PictureOf
) -> None:
    data = tmp_path / "data"
    Store.open(data).close()
    with Store.open(data, read_only=True) as page, State.open(data) as state:
        with WorkerProcess(station_file, station.sha256, data) as process:
            wait_for(lambda: state.now().heartbeat_at is not None)
            (data / "inbox" / "L1_top.png").write_bytes(picture_of(1))
            wait_for(lambda: len(page.listing()) == 1)
            # The answer is on disk before the log tells of it: killed in between, the log would not.
            wait_for(lambda: "edgeinspect.worker: L1: NO RESULT" in (data / "worker.log").read_text())
            assert process.trouble() == ""
            (pid,) = worker_processes()
            os.kill(pid, signal.SIGKILL)
            (data / "inbox" / "L2_top.png").write_bytes(picture_of(2))
            wait_for(lambda: process.trouble() == "The measuring process ended by itself: it is started again")
            wait_for(lambda: len(page.listing()) == 2)  # started again by itself
            wait_for(lambda: process.trouble() == "")
            (pid,) = worker_processes()
        wait_for(lambda: not Path(f"/proc/{pid}").exists())
    log = (data / "worker.log").read_text()  # goes on after the kill
    assert "edgeinspect.worker: L1: NO RESULT" in log
    assert "edgeinspect.worker: L2: NO RESULT" in log


@pytest.mark.parametrize(("of", "step"), [(SpawnContext, "Pipe"), (SpawnProcess, "start")])
def test_a_process_that_cannot_be_started_is_said_and_tried_again(
    station: Station, station_file: Path, tmp_path: Path, of: type, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_memory(*_: object) -> None:
        raise OSError(errno.ENOMEM, "Cannot allocate memory")

    data = tmp_path / "data"
    Store.open(data).close()
    monkeypatch.setattr(worker_process, "START_AGAIN_S", 0.1)
    words = "The measuring process cannot be started (Cannot allocate memory): it is tried again; call plant IT"
    with monkeypatch.context() as patched:
        patched.setattr(of, step, no_memory)
        with WorkerProcess(station_file, station.sha256, data) as process:
            wait_for(lambda: process.trouble() == words, 10)
            patched.undo()
            wait_for(lambda: process.trouble() == "")


def test_the_process_goes_when_its_parent_is_killed(station_file: Path, tmp_path: Path) -> None:
    data = tmp_path / "data"
    Store.open(data).close()
    script = tmp_path / "parent.py"
    script.write_text(PARENT)
    environment = {**os.environ, "PYTHONPATH": str(Path(worker_module.__file__).parents[2])}
    parent = subprocess.Popen([sys.executable, str(script), str(station_file), str(data)], env=environment)
    with State.open(data) as state:
        wait_for(lambda: state.now().heartbeat_at is not None)
        parent.kill()
        parent.wait()

        def silent() -> bool:
            before = state.now().heartbeat_at
            time.sleep(2.0)
            return state.now().heartbeat_at == before

        wait_for(silent)
