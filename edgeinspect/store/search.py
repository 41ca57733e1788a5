"""Which inspections are wanted, and what is counted of them. Everything is one query each, however many there are."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import ColumnElement, Select, func, insert, select
from sqlalchemy.engine import Connection

from edgeinspect.conformity import Answer
from edgeinspect.inspection import Inspection
from edgeinspect.store.schema import FindingTable, InspectionTable, KnownLengthTable

LAST_LETTER = "\U0010ffff"  # no letter sorts behind it


@dataclass(frozen=True)
class Wanted:
    """All that is given must fit. Times are ISO 8601, UTC, without the Z: so any fraction of a second compares."""

    shell_id: str | None = None  # with a * at its end: every shell id that begins so
    shell: str | None = None  # name of the definition
    since: str | None = None
    until: str | None = None  # not itself
    answer: Answer | None = None
    place: str | None = None  # something there is not proven good
    words: str = ""  # each of them is in the sentence
    ids: tuple[int, ...] | None = None  # only these, as found before
    common: bool = False  # so many hold the words that it is quicker to look at each than to list them

    def narrow(self, query: Select[*tuple[Any, ...]]) -> Select[*tuple[Any, ...]]:
        """``query`` of InspectionTable, for these only."""
        row = InspectionTable
        if self.shell_id is not None:
            begins = self.shell_id.endswith("*")
            beginning = self.shell_id.removesuffix("*")
            # A range, which the index answers; LIKE would read every row.
            query = query.where(
                (row.shell_id >= beginning) & (row.shell_id < beginning + LAST_LETTER)
                if begins
                else row.shell_id == beginning
            )
        if self.shell is not None:
            query = query.where(row.shell == self.shell)
        if self.since is not None:
            query = query.where(row.finished_at >= self.since)
        if self.until is not None:
            query = query.where(row.finished_at < self.until)
        if self.answer is not None:
            query = query.where(row.answer == self.answer.value)
        if self.place is not None:
            # With an answer asked for, the place has that answer: a count of reds there leads to exactly those.
            answers = [self.answer] if self.answer else [one for one in Answer if one is not Answer.CONFORMING]
            there = select(FindingTable.inspection_id).where(
                FindingTable.where == self.place, FindingTable.answer.in_([one.value for one in answers])
            )
            query = query.where(row.inspection_id.in_(there))
        if self.ids is not None:
            query = query.where(row.inspection_id.in_(self.ids))
        elif self.words.split():
            query = query.where(*self._holds(row) if self.common else (row.inspection_id.in_(self.with_words()),))
        return query

    def with_words(self) -> Select[int]:
        """Ids of those whose sentence holds every word: the index on sentences is read from end to end, never the rows
        themselves, which are long.
        """
        said = InspectionTable.__table__.alias("said")
        return select(said.c.inspection_id).where(*self._holds(said.c))

    def _holds(self, row: Any) -> list[ColumnElement[bool]]:
        return [row.sentence.contains(word, autoescape=True) for word in self.words.split()]

    def counted_by_words(self) -> Select[*tuple[Any, ...]] | None:
        """Answer, how many, where nothing but common words is asked for: the index on sentences knows the answers."""
        if not self.common or replace(self, words="", common=False) != ALL:
            return None
        row = InspectionTable
        not_by_index = row.answer.op("||")("")  # else by the index on answers: every row is read
        return select(row.answer, func.count()).where(*self._holds(row)).group_by(not_by_index)


ALL = Wanted()
FEW = 2_000  # ids that are found once, to be asked for by themselves


@dataclass(frozen=True)
class PlaceCount:
    """How many shells were bad at one place."""

    shell: str
    where: str
    shells: int  # a shell looked at twice is one shell
    inspections: int
    last_id: int
    last_at: str


@dataclass(frozen=True)
class LengthRead:
    inspection_id: int
    finished_at: str
    camera: str
    words: str
    known_mm: float
    read_mm: float


def answers(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """Answer, how many."""
    if (quick := wanted.counted_by_words()) is not None:
        return quick
    return wanted.narrow(select(InspectionTable.answer, func.count())).group_by(InspectionTable.answer)


def answer_times(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """Time, answer."""
    return wanted.narrow(select(InspectionTable.finished_at, InspectionTable.answer))


def reds(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """The columns of PlaceCount, most shells first."""
    shells = func.count(InspectionTable.shell_id.distinct()).label("shells")
    query = select(
        InspectionTable.shell,
        FindingTable.where,
        shells,
        func.count(InspectionTable.inspection_id.distinct()).label("inspections"),
        func.max(InspectionTable.inspection_id).label("last_id"),
        func.max(InspectionTable.finished_at).label("last_at"),
    ).join(FindingTable, FindingTable.inspection_id == InspectionTable.inspection_id)
    return (
        wanted.narrow(query.where(FindingTable.answer == Answer.NONCONFORMING.value))
        .group_by(InspectionTable.shell, FindingTable.where)
        .order_by(shells.desc(), FindingTable.where)
    )


def lengths(wanted: Wanted) -> Select[*tuple[Any, ...]]:
    """The columns of LengthRead, oldest first."""
    columns = [
        KnownLengthTable.inspection_id,
        InspectionTable.finished_at,
        KnownLengthTable.camera,
        KnownLengthTable.words,
        KnownLengthTable.known_mm,
        KnownLengthTable.read_mm,
    ]
    query = select(*columns).join(KnownLengthTable, KnownLengthTable.inspection_id == InspectionTable.inspection_id)
    return wanted.narrow(query).order_by(
        KnownLengthTable.inspection_id, KnownLengthTable.camera, KnownLengthTable.number
    )


def keep_for_counting(connection: Connection, inspection: Inspection, inspection_id: int) -> None:
    """The rows of an inspection that has just been added."""
    findings = [
        {
            "inspection_id": inspection_id,
            "number": number,
            "characteristic": finding.characteristic,
            "where": finding.where,
            "answer": finding.answer.value,
            "unit": finding.unit,
            **{name: _number(getattr(finding, name)) for name in ("value", "u", "lower", "upper")},
        }
        for number, finding in enumerate(inspection.verdict.findings)
        if number == 0 or finding.answer is not Answer.CONFORMING
    ]
    read = [
        {
            "inspection_id": inspection_id,
            "camera": view.camera,
            "number": number,
            "words": words,
            "known_mm": float(known),
            "read_mm": float(reading),
        }
        for view in inspection.measurement.views
        for number, (words, known, reading) in enumerate(view.lengths)
        if math.isfinite(reading)
    ]
    for table, rows in ((FindingTable, findings), (KnownLengthTable, read)):
        if rows:
            connection.execute(insert(table), rows)


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None
