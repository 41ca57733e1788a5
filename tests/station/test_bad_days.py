"""Bad days of a station: each has its sentence, nothing is shown that is not saved, and nothing is green.

The gauge here says CONFORMING to every picture (``green`` below), so that green would come out wherever it can.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from edgeinspect.conformity import Answer, Verdict
from edgeinspect.errors import StoreError
from edgeinspect.inspection import Expected
from edgeinspect.measure.measurement import Stop
from edgeinspect.station import run
from edgeinspect.station import worker as worker_module
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.run import Ready
from edgeinspect.station.worker_process import WorkerProcess
from edgeinspect.store import database
from edgeinspect.store.changes import Changes
from edgeinspect.store.inspections import Store
from edgeinspect.store.lock import FileLock, only_one
from edgeinspect.store.state import State
from edgeinspect.web.running import running

from .test_run import Gauge, nothing_found, toplid
from .test_worker import Cell, wait_for

PictureOf = Callable[[int], bytes]


class Green:
    """A cell whose every look would be CONFORMING, and a hook for what happens while a shell is measured."""

    def __init__(self, cell: Cell, monkeypatch: pytest.MonkeyPatch) -> None:
        self.cell = cell
        self.meanwhile: Callable[[], None] = lambda: None
        self.models = cell.station.folders.models / "toplid"
        self.models.mkdir(parents=True)
        (self.models / "shell.toml").write_text("as it was")
        cell.state.expect(Expected("toplid", "standard"), cell.now())
        verdict = Verdict(Answer.CONFORMING, "all within", "rack it", (), "", "")
        monkeypatch.setattr(run, "judge", lambda *_: verdict)
        monkeypatch.setattr(worker_module, "get_ready", self._ready)

    def _ready(self, station: Station, expected: Expected | None, *_: object) -> Ready:
        return Ready(station, expected or Expected("", ""), toplid(), Gauge(self._measure))  # type: ignore[arg-type]

    def _measure(self, pictures: Any) -> Any:
        self.meanwhile()
        return nothing_found(pictures)

    def look(self, shell_id: str, picture: bytes, seconds: float = 1.5) -> list[Answer]:
        """Every answer in the record after a picture has come in."""
        self.cell.put(f"{shell_id}_top.png", picture)
        self.cell.run(seconds)
        return [row.answer for row in reversed(self.cell.page.listing())]


@pytest.fixture
def cell(station: Station, tmp_path: Path) -> Iterator[Cell]:
    opened = Cell(station, tmp_path / "data")
    yield opened
    opened.close()


@pytest.fixture
def green(cell: Cell, monkeypatch: pytest.MonkeyPatch) -> Green:
    return Green(cell, monkeypatch)


def test_on_a_good_day_it_is_green(green: Green, picture_of: PictureOf) -> None:
    assert green.look("L1", picture_of(1)) == [Answer.CONFORMING]
    assert green.cell.troubles == [] and green.cell.state.now().message == ""


# -- disk


def test_little_room_is_no_result_while_it_can_still_be_recorded(
    green: Green, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=150e6))
    assert green.look("L1", picture_of(1)) == [Answer.NO_RESULT]
    (row,) = green.cell.page.listing()
    assert row.sentence == "The disk with the record has only 150 MB left, must have 200 MB"
    monkeypatch.undo()


def test_a_disk_that_fills_up_is_said_and_the_shell_is_recorded_once_there_is_room(
    station: Station, small_disk: Path, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "ROOM_BYTES", 0)  # it fills up faster than this would notice
    opened = Cell(station, small_disk / "data")
    green = Green(opened, monkeypatch)
    assert green.look("L1", picture_of(1)) == [Answer.CONFORMING]
    opened.put("L2_top.png", picture_of(2))
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as full, pytest.raises(OSError, match="No space"):
        while True:
            full.write(bytes(4096))
    opened.run(8)
    assert [row.shell_id for row in opened.page.listing()] == ["L1"]
    assert "is full: free some space" in opened.troubles[-1]
    filler.unlink()
    opened.run(12)
    assert [row.shell_id for row in opened.page.listing()] == ["L2", "L1"]
    assert opened.troubles[-1] == ""
    opened.close()


def test_a_disk_that_turns_read_only_is_said(
    green: Green, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    replace_file = os.replace

    def refuse(source: Path, target: Path) -> None:
        if "pictures" in str(target):
            raise OSError(30, os.strerror(30))  # EROFS
        replace_file(source, target)

    monkeypatch.setattr(os, "replace", refuse)
    assert green.look("L1", picture_of(1)) == []
    assert green.cell.troubles[-1].startswith("Shell L1 is not recorded:")
    assert "is read-only for this program" in green.cell.troubles[-1]
    monkeypatch.setattr(os, "replace", replace_file)
    green.cell.run(8)
    assert [row.answer for row in green.cell.page.listing()] == [Answer.CONFORMING]


def test_a_definition_that_could_not_be_read_once_is_read_again(
    green: Green, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = "models/toplid/shell.toml cannot be read: Input/output error"

    def unreadable(station: Station, expected: Expected, *_: object) -> Ready:
        return Ready(station, expected, stop=Stop("set-up", words, "call the process engineer"))

    with monkeypatch.context() as patched:
        patched.setattr(worker_module, "get_ready", unreadable)
        assert green.look("L1", picture_of(1)) == [Answer.NO_RESULT]
        assert green.cell.page.listing()[0].sentence == "Models" + words.removeprefix("models")
    green.cell.clock_s += worker_module.AGAIN_S
    assert green.look("L2", picture_of(2)) == [Answer.NO_RESULT, Answer.CONFORMING]


def test_a_station_does_not_start_on_a_read_only_disk(station_file: Path, small_disk: Path) -> None:
    data = small_disk / "data"
    Store.open(data).close()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(StoreError, match="is read-only for this program"), running(station_file, data, "127.0.0.1", 0):
        pass


# -- somebody else


def test_a_locked_record_is_said_and_the_shell_recorded_afterwards(
    station: Station, tmp_path: Path, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "BUSY_TIMEOUT_MS", 100)
    cell = Cell(station, tmp_path / "data")
    green = Green(cell, monkeypatch)
    assert green.look("L1", picture_of(1)) == [Answer.CONFORMING]
    other = sqlite3.connect(cell.data / "record.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert green.look("L2", picture_of(2)) == [Answer.CONFORMING]  # of L1
    assert "has been locked by another program" in cell.troubles[-1]
    with pytest.raises(StoreError, match="locked"):
        cell.worker.beat()  # so the page hears nothing either
    other.execute("ROLLBACK")
    other.close()
    cell.run(8)
    assert [row.shell_id for row in cell.page.listing()] == ["L2", "L1"] and cell.troubles[-1] == ""
    cell.close()


def test_of_two_stations_started_at_once_on_one_folder_one_works(tmp_path: Path) -> None:
    begun, done = threading.Barrier(6), threading.Event()
    worked: list[bool] = []

    def start() -> None:
        begun.wait()
        try:
            with only_one(tmp_path / "data"):
                worked.append(True)
                done.wait(5)
        except StoreError as error:
            assert "another edgeinspect is at work on" in str(error)
            worked.append(False)
        if len(worked) == 6:
            done.set()

    threads = [threading.Thread(target=start) for _ in range(6)]
    for thread in threads:
        thread.start()
    wait_for(lambda: len(worked) == 6)
    done.set()
    for thread in threads:
        thread.join()
    assert sorted(worked) == [False] * 5 + [True]
    with only_one(tmp_path / "data"):  # and it is free again
        pass


def test_a_second_station_touches_nothing(station_file: Path, tmp_path: Path) -> None:
    data = tmp_path / "data"
    with only_one(data):
        half = data / "pictures" / "L1_top.png.tmp"  # the first one is writing it
        half.parent.mkdir()
        half.write_bytes(b"half")
        with pytest.raises(StoreError, match="another edgeinspect"), running(station_file, data, "127.0.0.1", 0):
            pass
        assert half.exists()


def test_a_new_worker_waits_for_the_one_of_a_killed_station(
    station: Station, station_file: Path, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    Store.open(data).close()
    before = FileLock(data / "worker.lock")
    assert before.take()
    with State.open(data) as state, WorkerProcess(station_file, station.sha256, data) as process:
        wait_for(lambda: process.trouble().startswith("Waiting for the measuring process of the run before"))
        assert state.now().heartbeat_at is None
        before.release()
        wait_for(lambda: state.now().heartbeat_at is not None and process.trouble() == "")


def test_a_station_file_changed_meanwhile_is_not_taken_by_half(
    station: Station, station_file: Path, tmp_path: Path
) -> None:
    """The pages know the station as it was: a worker that has to start again must not measure with another one."""
    data = tmp_path / "data"
    Store.open(data).close()
    station_file.write_text(station_file.read_text().replace("18.0, 28.0", "18.0, 27.0"))
    with State.open(data) as state, WorkerProcess(station_file, station.sha256, data) as process:
        wait_for(lambda: process.trouble().startswith("station.toml was changed while the station runs"))
        assert state.now().heartbeat_at is None


# -- killed


class Killed(BaseException):
    pass


def kill() -> None:
    raise Killed


def test_the_shell_that_was_being_measured_is_named_until_it_has_an_answer(green: Green, picture_of: PictureOf) -> None:
    green.meanwhile = kill
    with pytest.raises(Killed):
        green.look("L1", picture_of(1))
    again = Cell(green.cell.station, green.cell.data)
    now = again.state.now()
    assert (now.interrupted, now.interrupted_times, now.measuring) == ("L1", 1, None)
    green.meanwhile = lambda: None
    again.run()
    again.close()
    assert [row.shell_id for row in green.cell.page.listing()] == ["L1"]


def test_a_shell_that_was_recorded_before_the_kill_is_not_named(green: Green, picture_of: PictureOf) -> None:
    green.look("L1", picture_of(1))
    green.cell.state.measuring("L1", "2024-11-25T10:00:00.000000Z")  # killed before this was taken back
    again = Cell(green.cell.station, green.cell.data)
    assert again.state.now().interrupted is None
    again.close()


def test_a_picture_that_kills_the_worker_again_and_again_is_given_up(green: Green, picture_of: PictureOf) -> None:
    green.meanwhile = kill
    cell: Cell = green.cell
    with pytest.raises(Killed):
        green.look("L1", picture_of(1))
    for _ in range(2):
        cell = Cell(green.cell.station, green.cell.data)
        with pytest.raises(Killed):
            cell.run()
    cell = Cell(green.cell.station, green.cell.data)
    cell.run()
    (row,) = cell.page.listing()
    assert row.answer is Answer.NO_RESULT
    assert row.sentence == "The program broke off 3 times while it measured this picture"
    assert [name.partition("_")[2] for name in cell.names("refused")] == ["L1_top.png"] and not cell.names("taken")


def test_a_fault_that_comes_back_does_not_stop_the_line(
    green: Green, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fault(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(run, "view_jpeg", fault)
    assert green.look("L1", picture_of(1)) == []
    assert green.cell.troubles == [
        "Shell L1 is not recorded: a fault in the program (ZeroDivisionError): see worker.log"
    ]
    green.cell.run(20)
    (row,) = green.cell.page.listing()
    assert (row.shell_id, row.answer) == ("L1", Answer.NO_RESULT) and green.cell.troubles[-1] == ""


# -- the clock, and changed files


@pytest.mark.parametrize(
    ("jump", "words"),
    [(timedelta(hours=-1), "1 h 00 min back"), (timedelta(seconds=30), "30 s forward"), (timedelta(days=2), "48 h 00")],
)
def test_a_clock_that_jumps_while_a_shell_is_measured_is_no_result(
    green: Green, picture_of: PictureOf, jump: timedelta, words: str
) -> None:
    def set_clock() -> None:
        green.cell.jumped = jump

    green.meanwhile = set_clock
    assert green.look("L1", picture_of(1)) == [Answer.NO_RESULT]
    sentence = green.cell.page.listing()[0].sentence
    assert sentence.startswith(f"This computer's clock jumped {words}") and sentence.endswith(
        "while this shell was measured"
    )
    green.meanwhile = lambda: None
    assert green.look("L2", picture_of(2)) == [Answer.NO_RESULT, Answer.CONFORMING]


def test_a_clock_that_jumps_between_shells_is_said(green: Green, picture_of: PictureOf) -> None:
    green.look("L1", picture_of(1))
    green.cell.jumped = timedelta(hours=-1)
    green.cell.run()
    now = green.cell.state.now()
    assert now.message_word == "CLOCK JUMPED" and now.message.startswith("This computer's clock jumped 1 h 00 min back")
    assert green.look("L2", picture_of(2)) == [Answer.CONFORMING, Answer.CONFORMING]
    assert [row.shell_id for row in green.cell.page.listing()] == ["L2", "L1"]  # the order is that of the looks
    assert green.look("L1", picture_of(3))[-1] is Answer.CONFORMING
    assert [row.attempt for row in green.cell.page.attempts("L1")] == [1, 2]


def test_a_clock_that_is_only_steered_is_no_jump(green: Green, picture_of: PictureOf) -> None:
    def steer() -> None:
        green.cell.jumped += timedelta(seconds=0.5)

    green.meanwhile = steer
    assert green.look("L1", picture_of(1)) == [Answer.CONFORMING]
    assert green.cell.state.now().message == ""


@pytest.mark.parametrize("file", ["shell.toml", "art/badge.png"])
@pytest.mark.parametrize("content", [b"as it is now", b"AS IT WAS"], ids=["longer", "as long, its time set back"])
def test_a_definition_changed_while_a_shell_is_measured_is_no_result(
    green: Green, picture_of: PictureOf, file: str, content: bytes
) -> None:
    path = green.models / file
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(b"as it was")
    written = path.stat()

    def change() -> None:
        path.write_bytes(content)
        os.utime(path, ns=(written.st_atime_ns, written.st_mtime_ns))

    green.meanwhile = change
    assert green.look("L1", picture_of(1)) == [Answer.NO_RESULT]
    sentence = green.cell.page.listing()[0].sentence
    assert sentence == "The shell's definition or a calibration was changed while this shell was measured"
    green.meanwhile = lambda: None
    assert green.look("L2", picture_of(2)) == [Answer.NO_RESULT, Answer.CONFORMING]


def test_what_an_editor_leaves_beside_a_definition_does_not_spoil_a_look(green: Green, picture_of: PictureOf) -> None:
    """A link to nowhere is listed and cannot be asked for, as a file that is gone a moment after it was listed."""
    (green.models / ".#shell.toml").symlink_to("nobody@nowhere")
    green.meanwhile = lambda: (green.models / "shell.toml.tmp").write_text("half writ")
    assert green.look("L1", picture_of(1)) == [Answer.CONFORMING]
    assert green.cell.troubles == []


def test_another_shell_chosen_while_one_is_measured_does_not_spoil_it(green: Green, picture_of: PictureOf) -> None:
    green.meanwhile = lambda: green.cell.state.expect(Expected("other", ""), green.cell.now())
    assert green.look("L1", picture_of(1)) == [Answer.CONFORMING]
    found = green.cell.page.inspection(1)
    assert found is not None and found.expected.shell == "toplid"


def test_a_definition_changed_between_shells_is_said(station_file: Path, tmp_path: Path, picture_of: PictureOf) -> None:
    """With the real definition: limits are never changed silently."""
    models = tmp_path / "models" / "toplid"
    shutil.copytree(Path(run.__file__).parents[2] / "models" / "toplid", models)
    cell = Cell(load_station(station_file), tmp_path / "data")
    cell.state.expect(Expected("toplid", "standard"), cell.now())
    cell.run()
    assert cell.state.now().message == ""
    text = (models / "shell.toml").read_text()
    (models / "shell.toml").write_text(text.replace("upper_mm = 0.5", "upper_mm = 0.9", 1))
    cell.run()
    now = cell.state.now()
    assert now.message_word == "DEFINITION CHANGED"
    with Changes.open(tmp_path / "data") as changes:
        (kept,) = changes.all("shell toplid")
        assert kept.what == "definition changed" and changes.check().intact
    words = "The definition of shell toplid was changed (same revision): from now on shells are judged by the new one"
    assert now.message == words
    (models / "shell.toml").write_text(text.replace('revision = "A"', 'revision = "B"'))
    cell.run()
    assert "(revision A, now B)" in cell.state.now().message
    (models / "shell.toml").write_text(text[: len(text) // 2])  # somebody is writing it just now
    cell.put("L1_top.png", picture_of(1))
    cell.run()
    (row,) = cell.page.listing()
    assert row.answer is Answer.NO_RESULT and "shell.toml" in row.sentence
    cell.close()
