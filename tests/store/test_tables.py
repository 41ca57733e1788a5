"""The wide table: the same numbers as in the records, in three formats that other libraries read."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pyarrow import parquet

from edgeinspect.errors import InputError
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.store import tables
from edgeinspect.store.inspections import Store
from edgeinspect.store.search import Wanted
from edgeinspect.store.tables import WideTable, write_table
from tests.web.sample_inspections import KINDS, make_inspection
from tests.web.samples import read_lid, write_lid

START = datetime(2026, 11, 1, 6, tzinfo=UTC)


@pytest.fixture(scope="module")
def lid(tmp_path_factory: pytest.TempPathFactory) -> ShellDefinition:
    models = tmp_path_factory.mktemp("models")
    write_lid(models / "toplid")
    return read_lid(models)


@pytest.fixture
def store(tmp_path: Path, lid: ShellDefinition, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setattr(tables, "AT_ONCE", 4)  # so that there is more than one batch
    store = Store.open(tmp_path / "data")
    for number, kind in enumerate(KINDS):
        at = (START + timedelta(minutes=number)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        store.save(make_inspection(kind, f"S-{kind}", lid, finished_at=at), {}, {})
    return store


def test_three_formats_hold_the_numbers_of_the_records(store: Store, tmp_path: Path) -> None:
    """Read back by the csv and json modules and by pyarrow; against the records themselves."""
    files = {kind: tmp_path / f"out.{kind}" for kind in ("csv", "json", "parquet")}
    for file in files.values():
        assert write_table(store, Wanted(), file) == len(KINDS)
    with files["csv"].open(encoding="utf-8", newline="") as text:
        by_csv = list(csv.DictReader(text))
    by_json = [json.loads(line) for line in files["json"].read_text(encoding="utf-8").splitlines()]
    by_parquet = parquet.read_table(files["parquet"]).to_pylist()
    assert by_parquet == by_json
    assert [{k: "" if v is None else str(v) for k, v in row.items()} for row in by_json] == by_csv
    numbers = 0
    for row in by_json:
        kept = store.inspection(row["inspection_id"])
        assert kept is not None
        assert (row["shell_id"], row["answer"], row["finished_at [UTC]"]) == (
            kept.shell_id,
            kept.verdict.answer.value,
            kept.finished_at,
        )
        for zone in kept.measurement.zones:
            assert row[f"zone {zone.zone} highest [mm]"] == zone.most.value
            assert row[f"zone {zone.zone} u of lowest [mm]"] == zone.least.u
            numbers += 1
        flaws = [flaw for flaw in kept.measurement.flaws if flaw.kind == "nick"]
        assert row["flaws looked for"] == ("yes" if kept.measurement.flaws_sought else "no")
        assert row["nicks"] == (len(flaws) if kept.measurement.flaws_sought else None)
        assert row["nick deepest [mm]"] == max((flaw.depth.value for flaw in flaws), default=None)
        assert row["nick longest [mm]"] == max((flaw.length.value for flaw in flaws), default=None)
        turn = kept.measurement.path_rotation
        assert row["path rotation [deg]"] == (turn.value if turn else None)
    assert numbers > 40


def test_every_number_has_its_unit_in_the_header(store: Store) -> None:
    columns = WideTable(store, Wanted()).columns
    assert len({column.header for column in columns}) == len(columns)
    for column in columns:
        if column.kind == "number":
            assert column.header.endswith((" [mm]", " [deg]")), column
    assert {column.header for column in columns if "_at" in column.header} == {"started_at [UTC]", "finished_at [UTC]"}


def test_only_what_is_asked_for(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "bad.csv"
    assert write_table(store, Wanted(shell_id="S-bad"), file) == 1
    assert write_table(store, Wanted(shell="hatch"), file) == 0
    assert len(file.read_text(encoding="utf-8").splitlines()) == 1  # the header


def test_another_ending_is_refused(store: Store, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"must end with one of: \.csv, \.json, \.parquet"):
        write_table(store, Wanted(), tmp_path / "out.xlsx")
