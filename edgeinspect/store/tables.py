"""The record as one wide table for other programs: a row a look, units in every header. CSV, JSON lines or Parquet.

Read a few thousand rows at a time, each time anew: memory stays flat, and no long reading holds the record up.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from sqlalchemy import Select, select

from edgeinspect.errors import InputError
from edgeinspect.process.flaws import KINDS as FLAW_KINDS
from edgeinspect.process.flaws import FlawReading
from edgeinspect.process.readings import Seen
from edgeinspect.store.files import explained
from edgeinspect.store.readings import names_of
from edgeinspect.store.schema import InspectionTable, LayoutTable, ReadingTable
from edgeinspect.store.search import Wanted

AT_ONCE = 2_000
KINDS = ("csv", "json", "parquet")
_TEXTS = ("shell_id", "shell", "variant", "answer", "sentence", "started_at", "finished_at")
_SEEN = {
    Seen.WHOLE: "whole",
    Seen.PARTLY: "too little seen",
    Seen.NOTHING: "no result",
    Seen.NOT_THERE: "bad, no number",
    Seen.CLOSE: "not proven, no number",
    Seen.GOOD: "good, no number",
    Seen.COVERED: "a strand lies at its highest place",
}


class Rows(Protocol):
    """Something that answers queries of the record: ``Store``."""

    def rows(self, query: Select[*tuple[Any, ...]]) -> list[Any]: ...


@dataclass(frozen=True)
class Column:
    """``header`` says the unit. ``kind``: "int", "text" or "number"."""

    header: str
    kind: str


_FLAWS = [Column("flaws looked for", "text")]
for _kind in FLAW_KINDS:
    _FLAWS += [
        Column("runs of chatter" if _kind == "chatter" else f"{_kind}s", "int"),
        Column(f"{_kind} longest [mm]", "number"),
        Column(f"{_kind} deepest [mm]", "number"),
    ]


class WideTable:
    """What fits ``wanted``, oldest first. Columns are those of all characteristics that were ever measured."""

    def __init__(self, store: Rows, wanted: Wanted) -> None:
        self._store, self._wanted = store, wanted
        layouts = store.rows(select(LayoutTable.layout_id, LayoutTable.characteristics))
        self._names = {row.layout_id: names_of(row.characteristics) for row in layouts}
        units: dict[str, str] = {}
        for characteristics, each in self._names.values():
            units.update(zip(characteristics, each, strict=True))
        self.columns = [Column("inspection_id", "int"), Column("look", "int")]
        self.columns += [Column(_utc(name), "text") for name in _TEXTS]
        for name in sorted(units):
            self.columns += [Column(header, "number") for header in _headers(name, units[name])]
            self.columns.append(Column(f"{name} seen", "text"))
        self.columns += _FLAWS
        self._at = {column.header: k for k, column in enumerate(self.columns)}

    def batches(self) -> Iterator[list[list[Any]]]:
        """Rows in the order of ``columns``; None where there is nothing."""
        last = 0
        columns = [InspectionTable.inspection_id, InspectionTable.attempt]
        columns += [getattr(InspectionTable, name) for name in _TEXTS]
        query = (
            select(*columns, ReadingTable.layout_id, ReadingTable.content)
            .outerjoin(ReadingTable, ReadingTable.inspection_id == InspectionTable.inspection_id)
            .order_by(InspectionTable.inspection_id)
            .limit(AT_ONCE)
        )
        while rows := self._store.rows(self._wanted.narrow(query.where(InspectionTable.inspection_id > last))):
            last = rows[-1].inspection_id
            yield [self._row(row) for row in rows]

    def _row(self, row: Any) -> list[Any]:
        out: list[Any] = [row.inspection_id, row.attempt, *(getattr(row, name) for name in _TEXTS)]
        out += [None] * (len(self.columns) - len(out))
        if row.layout_id is not None:
            names, units = self._names[row.layout_id]
            numbers = np.frombuffer(row.content, "<f8", 4 * len(names)).reshape(-1, 4).tolist()
            sights = row.content[32 * len(names) : 33 * len(names)]
            for name, unit, four, seen in zip(names, units, numbers, sights, strict=True):
                least, u_least, most, u_most = (value if math.isfinite(value) else None for value in four)
                values = (least, u_least, most, u_most) if _two_ways(name) else (most, u_most)
                for header, value in zip(_headers(name, unit), values, strict=True):
                    out[self._at[header]] = value
                out[self._at[f"{name} seen"]] = _SEEN.get(Seen(seen))
            out[-len(_FLAWS) :] = _flaws(FlawReading.read(row.content[33 * len(names) :]))
        return out


def _flaws(flaws: FlawReading) -> list[Any]:
    """In the order of ``_FLAWS``; nothing where they were not looked for."""
    if not flaws.looked:
        return ["no", *[None] * (len(_FLAWS) - 1)]
    out: list[Any] = ["yes"]
    for code in range(len(FLAW_KINDS)):
        sizes = flaws.sizes[flaws.kind == code]
        out += [len(sizes), *((None, None) if not len(sizes) else sizes[:, [0, 2]].max(axis=0).tolist())]
    return out


def _two_ways(name: str) -> bool:
    return name.startswith("zone ")


def _headers(name: str, unit: str) -> list[str]:
    if _two_ways(name):
        return [
            f"{name} lowest [{unit}]",
            f"{name} u of lowest [{unit}]",
            f"{name} highest [{unit}]",
            f"{name} u of highest [{unit}]",
        ]
    return [f"{name} [{unit}]", f"{name} u [{unit}]"]


def _utc(name: str) -> str:
    return f"{name} [UTC]" if name.endswith("_at") else name


def as_csv(table: WideTable) -> Iterator[str]:
    """With a header line; numbers to the last digit."""
    yield _csv([[column.header for column in table.columns]])
    for batch in table.batches():
        yield _csv([["" if value is None else value for value in row] for row in batch])


def _csv(rows: Sequence[Sequence[Any]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text).writerows(rows)
    return text.getvalue()


def as_json_lines(table: WideTable) -> Iterator[str]:
    """One object a line; null where there is nothing."""
    headers = [column.header for column in table.columns]
    for batch in table.batches():
        yield "".join(
            json.dumps(dict(zip(headers, row, strict=True)), ensure_ascii=False, allow_nan=False) + "\n"
            for row in batch
        )


def write_parquet(table: WideTable, path: Path) -> int:
    """Returns how many rows."""
    import pyarrow as pa  # noqa: PLC0415  half a second that only this needs
    from pyarrow import parquet  # noqa: PLC0415

    kinds = {"int": pa.int64(), "text": pa.string(), "number": pa.float64()}
    schema = pa.schema([pa.field(column.header, kinds[column.kind]) for column in table.columns])
    count = 0
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        for batch in table.batches():
            arrays = [
                pa.array(values, field.type) for values, field in zip(zip(*batch, strict=True), schema, strict=True)
            ]
            writer.write_batch(pa.record_batch(arrays, schema=schema))
            count += len(batch)
    return count


def write_table(store: Rows, wanted: Wanted, path: Path) -> int:
    """By the ending of ``path``: .csv, .json (lines) or .parquet. Returns how many rows.

    Raises InputError for another ending, StoreError.
    """
    kind = path.suffix.lower().removeprefix(".")
    if kind not in KINDS:
        raise InputError(f"{path} ends with {path.suffix or 'nothing'!r}, must end with one of: .csv, .json, .parquet")
    table = WideTable(store, wanted)
    try:
        if kind == "parquet":
            return write_parquet(table, path)
        count = -1 if kind == "csv" else 0
        with path.open("w", encoding="utf-8", newline="") as file:
            for text in as_csv(table) if kind == "csv" else as_json_lines(table):
                file.write(text)
                count += text.count("\n")
        return count
    except OSError as error:
        raise explained(error, path) from error
