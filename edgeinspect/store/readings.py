"""The numbers of every characteristic of every look, small and quick to read by the ten thousand: limits are tried on
them. A row's ``content`` is the numbers (K, 4) as little-endian doubles, then what was seen (K) as bytes, then the
flaws as ``FlawReading`` writes them.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, Select, insert, select, text

from edgeinspect.conformity import SEVERITY, Answer
from edgeinspect.gauge.repeatability import LEAST_LOOKS, Repeatability, scatter_of
from edgeinspect.inspection import Inspection
from edgeinspect.process.flaws import FlawReading
from edgeinspect.process.readings import Reading, Readings, reading_of, stack
from edgeinspect.store.looks import one_shell, too_long
from edgeinspect.store.schema import InspectionTable, LayoutTable, ReadingTable
from edgeinspect.store.search import Wanted


@dataclass(frozen=True)
class Population:
    """The newest look at each of N shells, oldest first; with its numbers."""

    readings: Readings
    shell_ids: tuple[str, ...]  # (N,)
    finished_at: tuple[str, ...]  # (N,) ISO 8601, UTC
    repeats: int  # looks left out: the same shell was looked at again later
    more: bool  # older ones fit as well, which were not read


def content_of(reading: Reading) -> bytes:
    numbers, seen = reading.numbers.astype("<f8").tobytes(), reading.seen.astype(np.uint8).tobytes()
    return numbers + seen + reading.flaws.content()


def layout_text(reading: Reading) -> str:
    """Which characteristics, in which units: the same for all shells of a kind."""
    return json.dumps([reading.characteristics, reading.units], ensure_ascii=False, separators=(",", ":"))


def keep(connection: Connection, inspection: Inspection, inspection_id: int) -> None:
    """The row of an inspection that has just been added."""
    keep_reading(connection, reading_of(inspection.measurement, inspection.verdict), inspection_id)


def keep_reading(connection: Connection, reading: Reading, inspection_id: int) -> None:
    names = layout_text(reading)
    layout = connection.execute(select(LayoutTable.layout_id).where(LayoutTable.characteristics == names)).scalar()
    if layout is None:
        layout = connection.execute(
            insert(LayoutTable).returning(LayoutTable.layout_id), {"characteristics": names}
        ).scalar_one()
    connection.execute(
        insert(ReadingTable),
        {
            "inspection_id": inspection_id,
            "layout_id": layout,
            "held": int(reading.held),
            "content": content_of(reading),
        },
    )


def newest(wanted: Wanted, limit: int) -> Select[*tuple[Any, ...]]:
    """The newest looks with numbers that fit, newest first."""
    columns = (
        InspectionTable.inspection_id,
        InspectionTable.shell_id,
        InspectionTable.finished_at,
        InspectionTable.answer,
        ReadingTable.layout_id,
        ReadingTable.held,
        ReadingTable.content,
    )
    query = select(*columns).join(ReadingTable, ReadingTable.inspection_id == InspectionTable.inspection_id)
    newest_first = (InspectionTable.finished_at.desc(), InspectionTable.inspection_id.desc())
    return wanted.narrow(query).order_by(*newest_first).limit(limit)


def looked_at_often(shell: str) -> Select[*tuple[Any, ...]]:
    """The shell id of this kind that was looked at LEAST_LOOKS times last; by an index that holds no others."""
    row = InspectionTable
    often = text(f"attempt >= {LEAST_LOOKS}")  # as the index has it: a bound number would not be seen to fit
    return select(row.shell_id).where(row.shell == shell, often).order_by(row.inspection_id.desc()).limit(1)


def population(rows: Sequence[Any], layouts: dict[int, str], limit: int, same_shell_h: float) -> Population:
    """Put rows of ``newest`` together: of looks that belong to one shell, only the last one counts."""
    kept: list[Any] = []
    later: dict[str, str] = {}
    for row in rows:
        before = later.get(row.shell_id)
        later[row.shell_id] = row.finished_at
        if before is None or too_long(row.finished_at, before, same_shell_h):
            kept.append(row)
    kept.reverse()
    return Population(
        _together(kept, layouts),
        tuple(row.shell_id for row in kept),
        tuple(row.finished_at for row in kept),
        len(rows) - len(kept),
        len(rows) == limit,
    )


def repeatability(rows: Sequence[Any], layouts: dict[int, str], same_shell_h: float) -> Repeatability | None:
    """Of rows of ``newest`` of one shell id: the last looks that belong to one shell; None where these are too few."""
    looks: Sequence[Any] = one_shell(rows[::-1], same_shell_h)[-1] if rows else ()
    if len(looks) < LEAST_LOOKS:
        return None
    scatter = scatter_of(_together(looks, layouts))
    if not scatter:
        return None
    return Repeatability(looks[0].shell_id, len(looks), looks[0].finished_at, looks[-1].finished_at, scatter)


def _together(kept: Sequence[Any], layouts: dict[int, str]) -> Readings:
    names = {layout: names_of(listed) for layout, listed in layouts.items()}
    numbers, seen, flaws = [], [], []
    for row in kept:
        width = len(names[row.layout_id][0])
        numbers.append(np.frombuffer(row.content, "<f8", 4 * width).reshape(width, 4))
        seen.append(np.frombuffer(row.content, np.uint8, width, 32 * width))
        flaws.append(FlawReading.read(row.content[33 * width :]))
    return stack(
        [(row.inspection_id, row.layout_id, SEVERITY[Answer(row.answer)]) for row in kept],
        {layout: names[layout] for layout in {row.layout_id for row in kept}},
        numbers,
        seen,
        [row.held for row in kept],
        flaws,
    )


@functools.lru_cache(maxsize=64)
def names_of(listed: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Characteristics and units of a layout."""
    characteristics, units = json.loads(listed)
    return tuple(characteristics), tuple(units)
