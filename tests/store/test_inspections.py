"""The record: what was saved is found again, and what could not be saved is told in one sentence and found nowhere."""

from __future__ import annotations

import errno
import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from edgeinspect.conformity import Answer
from edgeinspect.errors import StoreError
from edgeinspect.inspection import Expected, Inspection
from edgeinspect.store import database
from edgeinspect.store.inspections import Store
from edgeinspect.store.schema import Table
from edgeinspect.store.search import Wanted
from edgeinspect.store.state import State

MakeInspection = Callable[..., Inspection]
PNG, JPEG = b"the picture's own bytes", b"a small view of it"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def store(data: Path) -> Iterator[Store]:
    with Store.open(data) as opened:
        yield opened


def save(store: Store, inspection: Inspection) -> Inspection:
    return store.save(inspection, {"top": PNG}, {"top": JPEG})


def test_what_was_saved_is_found_by_another_reader(store: Store, data: Path, make_inspection: MakeInspection) -> None:
    saved = save(store, make_inspection())
    assert saved.inspection_id == 1 and saved.attempt == 1
    with Store.open(data, read_only=True) as reader:
        found = reader.inspection(1)
        assert found is not None
        assert found.verdict == saved.verdict and found.pictures == saved.pictures and found.expected == saved.expected
        assert found.measurement.ribbons[0].levels.tobytes() == saved.measurement.ribbons[0].levels.tobytes()
        assert found.measurement.traces[0].pixel.tobytes() == saved.measurement.traces[0].pixel.tobytes()
        latest = reader.latest()
        assert latest is not None and latest.inspection_id == 1 and latest.measurement.ribbons == ()
        assert (reader.picture(1, "top"), reader.picture_name(1, "top"), reader.view(1, "top")) == (
            PNG,
            "L1001_top.png",
            JPEG,
        )
        assert reader.inspection(2) is None
        assert reader.picture(1, "rear") is None and reader.view(2, "top") is None


@pytest.mark.parametrize("answer", list(Answer))
def test_full_pictures_are_kept_of_everything_that_is_not_green(
    store: Store, make_inspection: MakeInspection, answer: Answer
) -> None:
    save(store, make_inspection(answer=answer))
    kept = store.picture(1, "top")
    assert (kept == PNG) is (answer is not Answer.CONFORMING)
    assert store.view(1, "top") == JPEG


def test_attempts_are_counted_and_kept(store: Store, make_inspection: MakeInspection) -> None:
    for shell_id, answer in (("A", Answer.NOT_PROVEN), ("B", Answer.CONFORMING), ("A", Answer.CONFORMING)):
        save(store, make_inspection(shell_id, answer))
    assert [(row.attempt, row.answer) for row in store.attempts("A")] == [
        (1, Answer.NOT_PROVEN),
        (2, Answer.CONFORMING),
    ]
    assert store.attempts("C") == ()


def test_lists_go_on_where_they_stopped_and_can_be_narrowed(store: Store, make_inspection: MakeInspection) -> None:
    for number in range(7):
        answer = Answer.NONCONFORMING if number % 2 else Answer.CONFORMING
        save(store, make_inspection(f"L{number % 3}", answer))
    first = store.listing(3)
    assert [row.inspection_id for row in first] == [7, 6, 5]
    assert [row.inspection_id for row in store.listing(3, first[-1].inspection_id)] == [4, 3, 2]
    assert [row.inspection_id for row in store.listing(wanted=Wanted("L0"))] == [7, 4, 1]
    assert [row.inspection_id for row in store.listing(wanted=Wanted(answer=Answer.NONCONFORMING))] == [6, 4, 2]
    row = first[0]
    assert (row.shell_id, row.characteristic, row.where) == ("L0", "zone right-end", "right end")
    assert store.listing(wanted=Wanted("' OR 1=1 --")) == ()


def test_counts_start_at_a_time(store: Store, make_inspection: MakeInspection) -> None:
    for hour in (8, 9, 10):
        save(store, make_inspection(finished_at=f"2024-11-25T{hour:02}:00:00.000000Z", answer=Answer.NO_RESULT))
    counts = store.counts(Wanted(since="2024-11-25T09:00:00"))
    assert counts == {
        Answer.CONFORMING: 0,
        Answer.NONCONFORMING: 0,
        Answer.NOT_PROVEN: 0,
        Answer.NO_RESULT: 2,
    }


def test_a_picture_is_known_by_its_pixels_and_by_its_taking(store: Store, make_inspection: MakeInspection) -> None:
    inspection = make_inspection()
    assert store.shell_with_pixels("ef" * 32) is None
    save(store, inspection)
    save(store, make_inspection("L1002"))
    assert store.shell_with_pixels("ef" * 32) == "L1001"
    (picture,) = inspection.pictures
    assert store.kept_picture(picture.sha256, picture.taken_at) == picture
    assert store.kept_picture(picture.sha256, "2024-11-25T10:00:00.000001Z") is None


def test_ribbons_may_be_thrown_away_and_the_numbers_stay(
    store: Store, data: Path, make_inspection: MakeInspection
) -> None:
    save(store, make_inspection())
    for path in (data / "ribbons").rglob("*.ribbons"):
        path.unlink()
    found = store.inspection(1)
    assert found is not None and found.measurement.ribbons == () and len(found.measurement.traces) == 1


def test_names_from_outside_never_leave_the_folder(store: Store, data: Path, make_inspection: MakeInspection) -> None:
    inspection = make_inspection("../../up")
    evil = replace(inspection.pictures[0], camera="../../../top", name="../../x.png")
    store.save(replace(inspection, pictures=(evil,)), {"../../../top": PNG}, {})
    assert store.picture(1, "../../../top") == PNG
    assert {path.relative_to(data).parts[0] for path in data.rglob("*.png")} == {"pictures"}
    assert not list(data.parent.glob("*.png"))


# -- one writer, many readers, seen at once


def test_a_reader_sees_the_next_inspection_at_once_and_can_change_nothing(
    store: Store, data: Path, make_inspection: MakeInspection
) -> None:
    with Store.open(data, read_only=True) as reader:
        before = reader.version()
        assert reader.version() == before
        save(store, make_inspection())
        assert reader.version() != before
        assert reader.latest() is not None
        with pytest.raises(StoreError, match="read-only"):
            save(reader, make_inspection())
        assert len(reader.listing()) == 1


def test_the_state_is_shared(store: Store, data: Path) -> None:
    with State.open(data) as page, State.open(data) as worker:
        assert page.now().expected is None and page.now().measuring is None
        before = store.version()
        page.expect(Expected("toplid", "standard", 23.5), "t1")
        worker.measuring("L1", "t2")
        worker.beat("t3")
        worker.say("IMG.png is not named as a picture must be", "t4")
        now = page.now()
        assert (now.expected, now.expected_since) == (Expected("toplid", "standard", 23.5), "t1")
        assert (now.measuring, now.measuring_since, now.heartbeat_at, now.message_at) == ("L1", "t2", "t3", "t4")
        assert store.version() != before
        worker.measuring(None, "t5")
        assert (page.now().measuring, page.now().measuring_since) == (None, None)


def test_page_and_worker_may_write_the_state_at_the_same_time(store: Store, data: Path) -> None:
    failures: list[StoreError] = []

    def write(at: str) -> None:
        with State.open(data) as state:
            for _ in range(25):
                try:
                    state.beat(at)
                except StoreError as error:
                    failures.append(error)

    threads = [threading.Thread(target=write, args=(name,)) for name in ("a", "b", "c", "d")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []


# -- what can go wrong with the disk


def test_a_reader_does_not_make_a_record(data: Path) -> None:
    with pytest.raises(StoreError, match="start the station once"):
        Store.open(data, read_only=True)
    assert not data.exists()


def test_a_locked_record_is_one_sentence(
    store: Store, data: Path, make_inspection: MakeInspection, monkeypatch: pytest.MonkeyPatch
) -> None:
    patience_s = database.BUSY_TIMEOUT_MS / 1000
    monkeypatch.setattr(database, "BUSY_TIMEOUT_MS", 200)
    with Store.open(data) as hurried:
        other = sqlite3.connect(data / "record.sqlite", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        begun = time.monotonic()
        with pytest.raises(StoreError, match="locked by another program"):
            save(hurried, make_inspection())
        assert time.monotonic() - begun < patience_s  # the shorter wait counts, whatever the machine's load
        assert hurried.latest() is None
        other.execute("ROLLBACK")
        other.close()
        assert save(hurried, make_inspection()).inspection_id == 1


def test_a_full_disk_while_writing_files_is_one_sentence(
    store: Store, data: Path, make_inspection: MakeInspection, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(
            StoreError, match="is full: free some space, then measure this shell again; it was not recorded"
        ):
            save(store, make_inspection())
    assert store.latest() is None
    assert not list(data.rglob("*.tmp"))


def test_a_record_that_may_only_be_read_is_one_sentence(
    store: Store, make_inspection: MakeInspection, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_source: Path, _target: Path) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", refuse)
        with pytest.raises(StoreError, match="is read-only for this program"):
            save(store, make_inspection())
    assert store.latest() is None


@pytest.mark.parametrize("small_disk", [3], indirect=True)
def test_a_disk_that_really_is_full_loses_nothing_that_was_shown(
    small_disk: Path, make_inspection: MakeInspection
) -> None:
    shown = []
    with Store.open(small_disk / "data") as store:
        with pytest.raises(StoreError, match="is full"):
            for number in range(200):
                picture = os.urandom(100_000)
                shown.append(store.save(make_inspection(f"L{number}"), {"top": picture}, {"top": JPEG}))
        assert 3 < len(shown) < 60
    with Store.open(small_disk / "data", read_only=True) as reader:
        assert [row.shell_id for row in reversed(reader.listing(500))] == [one.shell_id for one in shown]
        for one in shown:
            assert one.inspection_id is not None and reader.inspection(one.inspection_id) is not None
            assert len(reader.picture(one.inspection_id, "top") or b"") == 100_000


@pytest.mark.parametrize("small_disk", [3], indirect=True)
def test_a_disk_that_is_full_before_the_row_is_written_is_one_sentence(
    small_disk: Path, make_inspection: MakeInspection
) -> None:
    with Store.open(small_disk / "data") as store:
        save(store, make_inspection("before"))
        with (small_disk / "filler").open("wb", buffering=0) as filler, pytest.raises(OSError, match="No space"):
            while True:
                filler.write(bytes(4096))
        with pytest.raises(StoreError, match="is full"):
            store.save(make_inspection("after"), {}, {})
        assert [row.shell_id for row in store.listing()] == ["before"]


# -- versions


def test_the_migrations_make_exactly_the_tables_of_the_schema(store: Store) -> None:
    with store._engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Table.metadata) == []


def test_head_is_the_newest_step() -> None:
    folder = Path(database.__file__).parent / "migrations"
    assert ScriptDirectory(str(folder)).get_heads() == [database.HEAD]


def test_a_record_of_a_newer_version_is_left_alone(store: Store, data: Path) -> None:
    other = sqlite3.connect(data / "record.sqlite")
    other.execute("UPDATE alembic_version SET version_num = '9999'")
    other.commit()
    other.close()
    for read_only in (False, True):
        with pytest.raises(StoreError, match="was made by a newer edgeinspect"):
            Store.open(data, read_only=read_only)


def test_a_file_that_is_no_record_is_one_sentence(data: Path) -> None:
    data.mkdir()
    (data / "record.sqlite").write_bytes(b"shift report, Tuesday" * 500)
    with pytest.raises(StoreError, match="is damaged or not a record"):
        Store.open(data)


def test_writing_is_as_safe_as_sqlite_makes_it(store: Store) -> None:
    with store._engine.connect() as connection:
        asked = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in ("journal_mode", "synchronous")
        }
        asked["foreign_keys"] = connection.exec_driver_sql("PRAGMA foreign_keys").scalar()
    assert asked == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}  # 2 is FULL: sqlite.org/pragma.html
