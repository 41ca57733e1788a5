"""Numbers of the record as arrays: what was saved, of the last look at each shell; old records give the same."""

from __future__ import annotations

import contextlib
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from alembic import command
from alembic.config import Config

from edgeinspect.conformity import SEVERITY, Answer, judge
from edgeinspect.process.limits import limits_of
from edgeinspect.process.readings import Seen
from edgeinspect.process.what_if import severities
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.store.database import open_engine
from edgeinspect.store.inspections import Store
from edgeinspect.store.search import Wanted
from tests.web.sample_inspections import KINDS, make_inspection
from tests.web.samples import read_lid, write_lid

START = datetime(2026, 11, 1, 6, tzinfo=UTC)


def at(minutes: float) -> str:
    moment = START + timedelta(minutes=minutes)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


@pytest.fixture(scope="module")
def lid(tmp_path_factory: pytest.TempPathFactory) -> ShellDefinition:
    models = tmp_path_factory.mktemp("models")
    write_lid(models / "toplid")
    return read_lid(models)


@pytest.fixture
def store(tmp_path: Path, lid: ShellDefinition) -> Store:
    with Store.open(tmp_path / "data") as store:
        for number, kind in enumerate(KINDS):
            inspection = make_inspection(kind, f"S-{kind}", lid, finished_at=at(number))
            store.save(inspection, {}, {})
        return store


def test_stored_numbers_are_judged_as_the_whole_record_was(store: Store, lid: ShellDefinition) -> None:
    """The same answers as were recorded, and under tighter limits the same as ``judge`` on the whole record."""
    tighter = replace(lid, zones=tuple(replace(z, limits=replace(z.limits, lower=-0.2, upper=0.15)) for z in lid.zones))
    found = store.population(Wanted(), 100)
    assert found.shell_ids == tuple(f"S-{kind}" for kind in KINDS) and not found.more
    for definition in (lid, tighter):
        _, shell = severities(found.readings, limits_of(definition, "standard"))
        for n, inspection_id in enumerate(found.readings.inspection_id):
            kept = store.inspection(int(inspection_id))
            assert kept is not None
            assert shell[n] == SEVERITY[judge(kept.measurement, definition).answer]
    assert found.readings.recorded.tolist() == [
        SEVERITY[row.answer] for row in reversed(store.listing(100))
    ]  # as they were recorded
    answers = {row.answer for row in store.listing(100)}
    assert answers == set(Answer)


def test_numbers_are_kept_to_the_last_bit(store: Store, lid: ShellDefinition) -> None:
    kept = store.inspection(2)
    assert kept is not None
    readings = store.population(Wanted(shell_id="S-bad"), 10).readings
    for zone in kept.measurement.zones:
        k = readings.column(f"zone {zone.zone}")
        numbers = (readings.least[0, k], readings.u_least[0, k], readings.most[0, k], readings.u_most[0, k])
        assert numbers == (zone.least.value, zone.least.u, zone.most.value, zone.most.u)


def test_a_missing_hole_is_bad_under_any_limits(store: Store, lid: ShellDefinition) -> None:
    readings = store.population(Wanted(shell_id="S-hole"), 10).readings
    k = readings.column("cut-out lock-hole")
    assert readings.seen[0, k] == Seen.NOT_THERE and np.isnan(readings.most[0, k])
    assert severities(readings, limits_of(lid, "standard"))[0][0, k] == SEVERITY[Answer.NONCONFORMING]


def test_only_the_last_look_at_a_shell_counts(tmp_path: Path, lid: ShellDefinition) -> None:
    """Looks at one shell id belong to one shell as long as no more than the given hours lie between them."""
    with Store.open(tmp_path / "data") as store:
        for minutes, kind in ((0, "bad"), (5, "good"), (60 * 30, "bad"), (60 * 30 + 5, "close")):
            store.save(make_inspection(kind, "S-1", lid, finished_at=at(minutes)), {}, {})
        store.save(make_inspection("good", "S-2", lid, finished_at=at(60 * 31)), {}, {})
        found = store.population(Wanted(), 100, same_shell_h=24)
        assert found.readings.inspection_id.tolist() == [2, 4, 5] and found.repeats == 2
        assert found.finished_at == tuple(sorted(found.finished_at))
        limited = store.population(Wanted(), 2)
        assert limited.readings.inspection_id.tolist() == [4, 5] and limited.more
        assert store.population(Wanted(shell="hatch"), 5).shell_ids == ()


def older(store: Store, old: Path, revision: str) -> sqlite3.Connection:
    """The inspections of a record in one as it was before, not yet brought up to date."""
    old.mkdir()
    engine = open_engine(old, read_only=False)
    config = Config()
    config.set_main_option("script_location", "edgeinspect.store:migrations")
    config.set_main_option("path_separator", "os")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
    engine.dispose()
    record = sqlite3.connect(old / "record.sqlite")
    record.execute("ATTACH ? AS saved", [str(store.data / "record.sqlite")])
    columns = ", ".join(f'"{row[1]}"' for row in record.execute("PRAGMA main.table_info(inspection)"))
    record.execute(f"INSERT INTO main.inspection ({columns}) SELECT {columns} FROM saved.inspection")
    record.execute("INSERT INTO main.finding SELECT * FROM saved.finding")
    return record


def test_a_migration_finds_the_same_as_saving_keeps(store: Store, tmp_path: Path) -> None:
    """The same inspections in a record as it was before there were such tables."""
    old = tmp_path / "old"
    record = older(store, old, "0006")
    record.execute(
        """INSERT INTO main.finding
        SELECT inspection_id, 99, characteristic, "where", 'CONFORMING', unit, value, u, lower, upper
        FROM saved.finding WHERE number = 0"""  # one that is no longer kept
    )
    record.commit()
    record.close()
    Store.open(old).close()
    found = []
    for data in (store.data, old):
        with contextlib.closing(sqlite3.connect(data / "record.sqlite")) as record:
            readings = record.execute(
                "SELECT inspection_id, characteristics, held, content FROM reading JOIN layout USING (layout_id)"
            ).fetchall()
            bad = record.execute("SELECT inspection_id, how_bad FROM inspection").fetchall()
            found.append((sorted(readings), record.execute("SELECT * FROM finding").fetchall(), bad))
    assert len(found[0][0]) == len(KINDS)
    assert found[0] == found[1]


def test_old_records_without_flaws_are_not_looked_for(store: Store, tmp_path: Path) -> None:
    """As records were before they said so: of the same ones only those with flaws were looked at for them."""
    new = store.population(Wanted(), 100)
    assert new.readings.all_flaws.looked.tolist() == [kind != "none" for kind in KINDS]
    record = older(store, tmp_path / "old", "0006")
    record.execute("""UPDATE inspection SET record = replace(record, ',"flaws_sought":true', '')""")
    record.commit()
    assert record.execute("SELECT count(*) FROM inspection WHERE instr(record, 'flaws_sought')").fetchone() == (1,)
    record.close()
    with Store.open(tmp_path / "old") as old:
        found = old.population(Wanted(), 100)
    flaws = found.readings.all_flaws
    assert flaws.looked.tolist() == [kind == "flaws" for kind in KINDS]
    assert flaws.sizes.tobytes() == new.readings.all_flaws.sizes.tobytes() and len(flaws.sizes) == 2
    assert "flaws" not in found.readings.characteristics


def test_repeated_looks_at_one_shell_tell_how_the_gauge_repeats(tmp_path: Path, lid: ShellDefinition) -> None:
    """The last shell that was looked at five times and more; looks of another day are another shell's."""
    with Store.open(tmp_path / "data") as store:
        for number in range(4):
            store.save(make_inspection("good", "G-1", lid, finished_at=at(number)), {}, {})
        assert store.repeatability(lid.name) is None
        for number in range(6):
            store.save(make_inspection("good", "G-1", lid, finished_at=at(3 * 24 * 60 + number)), {}, {})
        store.save(make_inspection("bad", "S-1", lid, finished_at=at(4 * 24 * 60)), {}, {})
        found = store.repeatability(lid.name)
        assert found is not None
        assert (found.shell_id, found.looks, found.first_at) == ("G-1", 6, at(3 * 24 * 60))
        zones = {f"zone {zone.name}" for zone in lid.zones}
        assert zones <= found.scatter.keys()
        assert all(one.s < 1e-12 and not one.beyond_u for one in found.scatter.values())  # the same numbers each time
        assert store.repeatability("another") is None
