"""The record of changes only grows, and whatever was done to it by hand is found and named.

Outside truth: rows are written over through Python's own sqlite3, and each hash is made again here from the written
rule (SHA-256, FIPS 180-4, over JSON of number, fields and the hash before), without the record's own code.
"""

from __future__ import annotations

import errno
import hashlib
import json
import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from edgeinspect import cli
from edgeinspect.errors import StoreError
from edgeinspect.inspection import Inspection
from edgeinspect.store import changes as changes_module
from edgeinspect.store.calibrations import CalibrationUse, KeptCalibration
from edgeinspect.store.changes import HEAD_FILE, Changes, Who
from edgeinspect.store.inspections import Store

MakeInspection = Callable[..., Inspection]
EVA = Who("Eva", "engineer")
FIELDS = ("at", "who", "role", "what", "subject", "reason", "details")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """Five changes."""
    Store.open(tmp_path).close()
    with Changes.open(tmp_path) as changes:
        for number in range(1, 6):
            add(changes, number)
    return tmp_path


def add(changes: Changes, number: int) -> None:
    details = {"lower": -0.1 * number, "words": "±ü"}
    at = f"2026-11-25T10:00:0{number}.000Z"
    with changes.change(at, EVA, "limits proposed", f"shell {number % 2}", f"reason {number}", details):
        pass


def by_hand(data: Path, *statements: str) -> None:
    """As somebody with the file would: the triggers are dropped first."""
    with sqlite3.connect(data / "record.sqlite") as record:
        names = [row[0] for row in record.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
        for statement in [*(f"DROP TRIGGER {name}" for name in names), *statements]:
            record.execute(statement)
    record.close()


def problems(data: Path) -> tuple[str, ...]:
    with Changes.open(data) as changes:
        return changes.check().problems


def hash_by_rule(row: sqlite3.Row, former: str) -> str:
    text = json.dumps([row["change_id"], *(row[name] for name in FIELDS), former])
    return hashlib.sha256(text.encode()).hexdigest()


def test_each_row_is_chained_by_the_written_rule(data: Path) -> None:
    with sqlite3.connect(data / "record.sqlite") as record:
        record.row_factory = sqlite3.Row
        rows = record.execute("SELECT * FROM change ORDER BY change_id").fetchall()
    record.close()
    former = "0" * 64
    for row in rows:
        assert row["former_sha256"] == former
        former = hash_by_rule(row, former)
        assert row["sha256"] == former
    assert (data / HEAD_FILE).read_text() == f"5 {former}\n"
    assert problems(data) == ()


@pytest.mark.parametrize("table", ["change", "change_seen", "person"])
def test_the_database_itself_refuses(data: Path, table: str, make_inspection: MakeInspection) -> None:
    with Store.open(data) as store:
        store.save(make_inspection(), {}, {})
    with sqlite3.connect(data / "record.sqlite") as record:
        record.execute("INSERT INTO person VALUES ('eva', 'Eva', 'engineer', 'x', 1, 't')")
        with pytest.raises(sqlite3.IntegrityError):
            record.execute(f"DELETE FROM {table}")
        if table != "person":
            with pytest.raises(sqlite3.IntegrityError, match="only grows"):
                record.execute(f"UPDATE {table} SET sha256 = 'x'")
    record.close()


@pytest.mark.parametrize("field", FIELDS)
def test_an_edited_row_is_named(data: Path, field: str) -> None:
    by_hand(data, f"UPDATE change SET {field} = 'another' WHERE change_id = 3")
    (problem,) = problems(data)
    assert problem.startswith("row 3 of the record of changes: edited")


def test_an_edited_row_with_a_new_hash_breaks_the_chain(data: Path) -> None:
    by_hand(data, "UPDATE change SET who = 'Nobody' WHERE change_id = 3")
    with sqlite3.connect(data / "record.sqlite") as record:
        record.row_factory = sqlite3.Row
        row = record.execute("SELECT * FROM change WHERE change_id = 3").fetchone()
        record.execute("UPDATE change SET sha256 = ? WHERE change_id = 3", [hash_by_rule(row, row["former_sha256"])])
    record.close()
    (problem,) = problems(data)
    assert problem.startswith("row 4 of the record of changes: does not follow the row before it")


def forge_from(data: Path, first: int) -> None:
    """Write ``who`` over and make every hash from there on anew: a whole false chain."""
    by_hand(data, f"UPDATE change SET who = 'Nobody' WHERE change_id = {first}")
    with sqlite3.connect(data / "record.sqlite") as record:
        record.row_factory = sqlite3.Row
        former = record.execute("SELECT sha256 FROM change WHERE change_id = ?", [first - 1]).fetchone()[0]
        for row in record.execute("SELECT * FROM change WHERE change_id >= ? ORDER BY 1", [first]).fetchall():
            own = hash_by_rule(row, former)
            values = [former, own, row["change_id"]]
            record.execute("UPDATE change SET former_sha256 = ?, sha256 = ? WHERE change_id = ?", values)
            former = own
    record.close()


def test_a_whole_false_chain_is_found_by_the_head_that_was_kept_outside(data: Path) -> None:
    forge_from(data, 2)
    (problem,) = problems(data)
    assert problem == f"row 5 of the record of changes: written again ({HEAD_FILE} names another hash)"


@pytest.mark.parametrize(
    ("gone", "words"),
    [
        ("change_id = 1", "row 1 of the record of changes: removed"),
        ("change_id = 3", "row 3 of the record of changes: removed"),
        ("change_id IN (2, 3)", "rows 2 to 3 of the record of changes: removed"),
        ("change_id = 5", "row 5 of the record of changes: removed at the end (changes.head names row 5)"),
        ("change_id > 3", "rows 4 to 5 of the record of changes: removed at the end (changes.head names row 5)"),
        ("1", "rows 1 to 5 of the record of changes: removed at the end (changes.head names row 5)"),
    ],
)
def test_a_removed_row_is_named(data: Path, gone: str, words: str) -> None:
    by_hand(data, f"DELETE FROM change WHERE {gone}")
    assert problems(data) == (words,)


def test_a_change_after_a_removed_one_does_not_hide_it(data: Path) -> None:
    by_hand(data, "DELETE FROM change WHERE change_id = 5")
    with Changes.open(data) as changes:
        add(changes, 6)
    assert problems(data) == (f"row 5 of the record of changes: written again ({HEAD_FILE} names another hash)",)
    with Changes.open(data) as changes:
        add(changes, 7)
    assert problems(data) == (f"row 5 of the record of changes: written again ({HEAD_FILE} names another hash)",)


def test_inspections_remember_the_last_change_too(data: Path, make_inspection: MakeInspection) -> None:
    """Somebody who takes the last row out and writes the head's file to match is found by the looks made since."""
    head = (data / HEAD_FILE).read_text().strip()
    with Store.open(data) as store:
        kept = store.save(make_inspection(), {}, {})
        assert kept.after_change == head
        assert store.inspection(1) is not None and store.inspection(1).after_change == head  # type: ignore[union-attr]
    by_hand(data, "DELETE FROM change WHERE change_id = 5")
    with sqlite3.connect(data / "record.sqlite") as record:
        former = record.execute("SELECT sha256 FROM change WHERE change_id = 4").fetchone()[0]
    record.close()
    (data / HEAD_FILE).write_text(f"4 {former}\n")
    assert problems(data) == ("row 5 of the record of changes: removed at the end (an inspection names row 5)",)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda path: path.unlink(), "changes.head is missing: take it from the same back-up as the record"),
        (lambda path: path.write_text("5 x"), "changes.head was edited"),
        (lambda path: path.write_bytes(b"\xff"), "changes.head cannot be read"),
    ],
)
def test_a_head_that_is_gone_is_said_and_not_quietly_made_anew(
    data: Path, spoil: Callable[[Path], object], words: str
) -> None:
    spoil(data / HEAD_FILE)
    for _ in range(2):
        (problem,) = problems(data)
        assert problem.startswith(words)
        with Changes.open(data) as changes:
            add(changes, 6)


@pytest.mark.parametrize("before", [0, 5])
def test_a_change_whose_head_cannot_be_kept_is_recorded_and_the_next_one_keeps_it(
    data: Path, tmp_path_factory: pytest.TempPathFactory, before: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    if before == 0:
        data = tmp_path_factory.mktemp("new")
        Store.open(data).close()
    with Changes.open(data) as changes:
        write = changes_module.write_durably

        def full(path: Path, content: bytes) -> None:
            if not content.startswith(b"0 "):
                raise StoreError("the disk is full; it was not recorded") from OSError(errno.ENOSPC, "no room")
            write(path, content)

        with monkeypatch.context() as patched:
            patched.setattr(changes_module, "write_durably", full)
            add(changes, before + 1)
        assert len(changes.all()) == before + 1 and changes.check().intact
        add(changes, before + 2)
        checked = changes.check()
        assert checked.intact and checked.head == (data / HEAD_FILE).read_text().strip()


def test_no_first_change_without_a_place_for_its_head(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else a head that was never written would look like one that was removed, for good."""

    def full(*_: object) -> None:
        raise StoreError("the disk is full; it was not recorded")

    Store.open(tmp_path).close()
    with Changes.open(tmp_path) as changes:
        with monkeypatch.context() as patched, pytest.raises(StoreError):
            patched.setattr(changes_module, "write_durably", full)
            add(changes, 1)
        assert changes.all() == () and changes.check().intact
        add(changes, 1)
        assert changes.check().intact


def test_what_fails_leaves_neither_the_change_nor_its_row(data: Path) -> None:
    with Changes.open(data) as changes:
        with pytest.raises(StoreError), changes.change("t", EVA, "x", "y") as connection:
            connection.exec_driver_sql("INSERT INTO person VALUES ('a', 'A', 'engineer', 'x', 1, 't')")
            connection.exec_driver_sql("INSERT INTO person VALUES ('b', 'B', 'king', 'x', 1, 't')")
        assert len(changes.all()) == 5 and changes.check().intact
        with changes.engine.connect() as connection:
            assert connection.exec_driver_sql("SELECT count(*) FROM person").scalar() == 0


def test_several_writers_make_one_chain(data: Path) -> None:
    def write(opened: Changes) -> None:
        for number in range(10):
            add(opened, number)

    opened = [Changes.open(data) for _ in range(4)]
    threads = [threading.Thread(target=write, args=[one]) for one in opened]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for one in opened:
        one.close()
    with Changes.open(data) as changes:
        checked = changes.check()
        assert (checked.rows, checked.problems) == (45, ())
        assert checked.head == (data / HEAD_FILE).read_text().strip()


def test_what_calibration_is_used_is_a_change(tmp_path: Path) -> None:
    calibration = KeptCalibration("top-1", "top", "2024-01-01T00:00:00Z", "{}", "Kim")
    with Store.open(tmp_path) as store:
        store.calibrations.keep(calibration)
        assert store.changes.all() == ()
        store.calibrations.keep(calibration, CalibrationUse("top", "top-1", "t", "Kim", "calibrated"))
        (change,) = store.changes.all("camera top")
    assert (change.who, change.role, change.what) == ("Kim", "at the machine", "calibration in use")
    assert (change.reason, json.loads(change.details)) == ("calibrated", {"calibration": "top-1"})


def test_newest_first_in_pages_and_by_subject(data: Path) -> None:
    with Changes.open(data) as changes:
        assert [one.change_id for one in changes.all(limit=2)] == [5, 4]
        assert [one.change_id for one in changes.all(limit=2, before_id=4)] == [3, 2]
        assert [one.change_id for one in changes.all("shell 1")] == [5, 3, 1]


def test_the_command_says_intact_or_which_row(data: Path) -> None:
    run = CliRunner().invoke
    done = run(cli.app, ["check-record", "--data", str(data)])
    assert done.exit_code == 0 and done.output.startswith("intact: 5 rows, the last one 5 ")
    by_hand(data, "UPDATE change SET reason = 'none' WHERE change_id = 2")
    done = run(cli.app, ["check-record", "--data", str(data)])
    assert done.exit_code == 3 and done.output.startswith("row 2 of the record of changes: edited")
    done = run(cli.app, ["check-record", "--data", str(data), "--json"])
    assert json.loads(done.stdout)["intact"] is False


def test_persons_by_command(tmp_path: Path) -> None:
    def run(*arguments: str, password: str = "") -> tuple[int, str]:
        done = CliRunner().invoke(cli.app, [*arguments, "--data", str(tmp_path)], input=password)
        return done.exit_code, done.output

    code, said = run("add-person", "Ada", "--role", "administrator", password="grey kettle over nine\n")
    assert code == 0 and "Ada may sign in as administrator" in said and "kettle" not in said
    assert run("add-person", "Kim", "--role", "quality", "--who", "Ada", password="short\n")[0] == 2
    code, said = run("add-person", "Kim", "--role", "quality", "--who", "Ada")
    assert code == 2 and "password is missing" in said
    assert run("set-password", "ada", password="nine grey kettles over\n")[0] == 0
    code, said = run("people", "--json")
    assert [(one["name"], one["role"]) for one in json.loads(said)["people"]] == [("Ada", "administrator")]
    with Changes.open(tmp_path) as changes:
        assert [(one.who, one.role, one.what) for one in changes.all()] == [
            ("ada", "at the machine", "password set"),
            ("Ada", "at the machine", "person added"),
        ]
