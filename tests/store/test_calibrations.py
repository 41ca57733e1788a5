"""Calibrations in the record: kept once, chosen by somebody for a reason, and never changed afterwards."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from alembic import command
from alembic.config import Config

from edgeinspect.errors import StoreError
from edgeinspect.inspection import Inspection
from edgeinspect.store import database
from edgeinspect.store.calibrations import CalibrationUse, KeptCalibration, Move
from edgeinspect.store.inspections import Store

MakeInspection = Callable[..., Inspection]
OLD = KeptCalibration("top-1", "top", "2024-01-01T00:00:00Z", "{}", "Kim")
NEW = KeptCalibration("top-2", "top", "2024-02-01T00:00:00Z", '{"a": 1}')


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path) as opened:
        yield opened


def use(calibration: KeptCalibration, at: str, why: str = "calibrated", who: str = "Kim") -> CalibrationUse:
    return CalibrationUse(calibration.camera, calibration.calibration_id, at, who, why)


def test_calibrations_are_kept_once_with_who_made_them(store: Store) -> None:
    for calibration in (OLD, NEW, replace(OLD, content="changed", who="Lee")):
        store.calibrations.keep(calibration)
    assert store.calibrations.all() == (NEW, OLD)
    assert store.calibrations.one("top-1") == OLD and store.calibrations.one("top-3") is None
    assert store.calibrations.in_use() == {} and store.calibrations.uses() == ()


def test_the_last_choice_counts_for_each_camera(store: Store) -> None:
    rear = replace(OLD, calibration_id="rear-1", camera="rear")
    for calibration, at in ((OLD, "t1"), (NEW, "t2"), (rear, "t3")):
        store.calibrations.keep(calibration, use(calibration, at))
    assert store.calibrations.in_use() == {"top": "top-2", "rear": "rear-1"}
    back = use(OLD, "t4", "the lens was exchanged back", "Lee")
    store.calibrations.keep(OLD, back)
    assert store.calibrations.in_use() == {"top": "top-1", "rear": "rear-1"}
    assert store.calibrations.uses() == (back, use(rear, "t3"), use(NEW, "t2"), use(OLD, "t1"))


def test_only_a_kept_calibration_can_be_used(store: Store) -> None:
    with pytest.raises(StoreError):
        store.calibrations.keep(OLD, replace(use(OLD, "t"), calibration_id="top-9"))
    assert store.calibrations.all() == (), "both or neither"


@pytest.mark.parametrize("change", ["UPDATE calibration_use SET who = 'nobody'", "DELETE FROM calibration_use"])
def test_what_was_in_use_cannot_be_changed_afterwards(store: Store, tmp_path: Path, change: str) -> None:
    store.calibrations.keep(OLD, use(OLD, "t1"))
    other = sqlite3.connect(tmp_path / "record.sqlite")
    with pytest.raises(sqlite3.IntegrityError, match="is never changed afterwards"):
        other.execute(change)
    other.close()
    assert store.calibrations.uses() == (use(OLD, "t1"),)


def with_moved(inspection: Inspection, moved_mm: float) -> Inspection:
    (view,) = inspection.measurement.views
    return replace(inspection, measurement=replace(inspection.measurement, views=(replace(view, moved_mm=moved_mm),)))


def test_moves_are_listed_by_time(store: Store, make_inspection: MakeInspection) -> None:
    for number, moved in enumerate((0.01, 0.07, float("nan"))):
        store.save(with_moved(make_inspection(f"L{number}"), moved), {}, {})
    at = "2024-11-25T10:00:02.000000Z"
    assert store.calibrations.moves(2) == (Move(2, "L1", at, "top", 0.07), Move(3, "L2", at, "top", None))
    assert len(store.calibrations.moves(100)) == 3


def upgrade_to(data: Path, version: str) -> None:
    engine = database.open_engine(data, read_only=False)
    config = Config()
    config.set_main_option("script_location", "edgeinspect.store:migrations")
    config.set_main_option("path_separator", "os")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, version)
    engine.dispose()


def old_record(data: Path, newer: Path) -> None:
    """A record of version 0001 that holds what a newer one holds, in the columns that there were."""
    upgrade_to(data, "0001")
    with sqlite3.connect(data / "record.sqlite") as old:
        old.execute("ATTACH ? AS newer", (str(newer / "record.sqlite"),))
        for table in ("inspection", "arrays", "picture", "calibration"):
            names = ", ".join(f'"{row[1]}"' for row in old.execute(f"PRAGMA main.table_info({table})"))
            old.execute(f"INSERT INTO main.{table} ({names}) SELECT {names} FROM newer.{table}")
    old.close()


def test_an_older_record_is_taken_over_with_all_that_it_holds(tmp_path: Path, make_inspection: MakeInspection) -> None:
    """Step 0002: what the record's own JSON says of moved cameras is found by the new column, "nan" is not."""
    moved = [with_moved(make_inspection("L1"), 0.12), with_moved(make_inspection("L2"), float("nan"))]
    with Store.open(tmp_path / "newer") as store:
        for inspection in moved:
            store.save(inspection, {}, {})
        store.calibrations.keep(OLD)
    old_record(tmp_path, tmp_path / "newer")
    with pytest.raises(StoreError, match="is of an older version"):
        Store.open(tmp_path, read_only=True)
    other = sqlite3.connect(tmp_path / "record.sqlite")
    before = other.execute("SELECT record FROM inspection ORDER BY inspection_id").fetchall()
    assert json.loads(before[0][0])["measurement"]["views"][0]["moved_mm"] == 0.12
    other.close()
    upgrade_to(tmp_path, "0002")
    other = sqlite3.connect(tmp_path / "record.sqlite")
    assert other.execute("SELECT moved_mm FROM picture ORDER BY inspection_id").fetchall() == [(0.12,), (None,)]
    assert other.execute("SELECT record FROM inspection ORDER BY inspection_id").fetchall() == before
    assert other.execute("SELECT calibration_id, who FROM calibration").fetchall() == [("top-1", "")]
    other.close()
    with Store.open(tmp_path) as store:
        assert store.calibrations.one("top-1") == replace(OLD, who="")
        assert [move.moved_mm for move in store.calibrations.moves(10)] == [0.12, None]
