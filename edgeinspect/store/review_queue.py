"""The shells that were not green, for a person to look at: which, in which order, and what was said of them already."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, case, func, literal_column, select

from edgeinspect.conformity import SEVERITY, Answer
from edgeinspect.store.schema import DispositionTable, FindingTable, InspectionTable, LabelTable
from edgeinspect.store.search import Wanted


class Label(enum.StrEnum):
    """What a person finds that the answer of a look was."""

    TRULY_BAD = "truly bad"
    GOOD = "good"
    LOOSE_CHIP = "loose chip"
    GAUGE_AT_FAULT = "gauge at fault"
    WITHDRAWN = "withdrawn"  # as if nothing had been said


class Disposition(enum.StrEnum):
    """What is done with a shell."""

    REWORK = "rework"
    CONCESSION = "concession"
    SCRAP = "scrap"
    HOLD = "hold"
    WITHDRAWN = "withdrawn"


class Order(enum.StrEnum):
    NEWEST = "newest"
    WORST = "worst"


@dataclass(frozen=True)
class Queued:
    """A shell that was not green, by its newest look that was not."""

    inspection_id: int
    shell_id: str
    attempt: int
    shell: str
    answer: str  # one of Answer
    sentence: str
    where: str
    finished_at: str
    strain: float | None  # of the worst characteristic: how much of the room up to its limit is used, 1 at the limit
    label: str | None  # one of Label, the one that counts
    disposition: str | None  # one of Disposition


def queued(wanted: Wanted, label: Label | None, order: Order, same_shell_h: float) -> Select[*tuple[Any, ...]]:
    """The columns of Queued. ``label`` narrows to those that have it now, WITHDRAWN to those that have none."""
    columns = [*_COLUMNS, _STRAIN.label("strain"), _last_label.label("label"), _last_disposition(same_shell_h)]
    query = _narrowed(wanted, label, same_shell_h, columns)
    if order is Order.WORST:
        query = query.order_by(InspectionTable.how_bad.desc())
    return query.order_by(InspectionTable.inspection_id.desc())


def how_bad(answer: Answer, strain: float | None) -> float | None:
    """By what the worst come first: by their answer, then by the strain of the worst characteristic. One that has no
    number (None) is missing altogether, the worst there is among its answer. None: it is green.

    A column of the inspection and not reckoned when asked: sorting a hundred thousand rows takes half a second.
    """
    if answer is Answer.CONFORMING:
        return None
    return SEVERITY[answer] * _MOST + (_MOST - 1 if strain is None else min(strain, _MOST / 2))


def how_many(wanted: Wanted, label: Label | None, same_shell_h: float, most: int) -> Select[*tuple[Any, ...]]:
    """Their number, not counted further than ``most``: nobody works off more in a day."""
    found = _narrowed(wanted, label, same_shell_h, [InspectionTable.inspection_id]).limit(most).subquery()
    return select(func.count()).select_from(found)


_MOST = 1e6  # strains stay below it
_COLUMNS = [
    getattr(InspectionTable, name)
    for name in ("inspection_id", "shell_id", "attempt", "shell", "answer", "sentence", "where", "finished_at")
]
_last_label = (
    select(func.nullif(LabelTable.label, Label.WITHDRAWN.value))
    .where(LabelTable.inspection_id == InspectionTable.inspection_id)
    .order_by(LabelTable.label_id.desc())
    .limit(1)
    .correlate(InspectionTable)
    .scalar_subquery()
)
# As Finding.strain has it, of the worst finding.
_STRAIN = case(
    (FindingTable.value >= 0, FindingTable.value / func.nullif(FindingTable.upper, 0.0)),
    else_=FindingTable.value / func.nullif(FindingTable.lower, 0.0),
)
# As the index says it, else it is not used.
_NOT_GREEN: ColumnElement[bool] = literal_column("inspection.answer != 'CONFORMING'")


def _near(one: Any, other: Any, same_shell_h: float) -> ColumnElement[bool]:
    """Two looks at one shell id are looks at one shell."""
    return func.abs(func.julianday(one) - func.julianday(other)) * 24.0 <= same_shell_h


def _last_disposition(same_shell_h: float) -> ColumnElement[Any]:
    decided = InspectionTable.__table__.alias("decided")
    return (
        select(func.nullif(DispositionTable.disposition, Disposition.WITHDRAWN.value))
        .join(decided, decided.c.inspection_id == DispositionTable.inspection_id)
        .where(
            DispositionTable.shell_id == InspectionTable.shell_id,
            _near(decided.c.finished_at, InspectionTable.finished_at, same_shell_h),
        )
        .order_by(DispositionTable.disposition_id.desc())
        .limit(1)
        .correlate(InspectionTable)
        .scalar_subquery()
        .label("disposition")
    )


def _narrowed(
    wanted: Wanted, label: Label | None, same_shell_h: float, columns: Sequence[Any]
) -> Select[*tuple[Any, ...]]:
    later = InspectionTable.__table__.alias("later")
    seen_later = (
        select(later.c.inspection_id)
        .where(
            later.c.shell_id == InspectionTable.shell_id,
            later.c.attempt > InspectionTable.attempt,
            later.c.answer != Answer.CONFORMING.value,
            _near(later.c.finished_at, InspectionTable.finished_at, same_shell_h),
        )
        .exists()
    )
    worst = and_(FindingTable.inspection_id == InspectionTable.inspection_id, FindingTable.number == 0)
    query = select(*columns).select_from(InspectionTable).outerjoin(FindingTable, worst).where(_NOT_GREEN, ~seen_later)
    if label is Label.WITHDRAWN:
        query = query.where(_last_label.is_(None))
    elif label is not None:
        query = query.where(_last_label.is_(label.value))
    return wanted.narrow(query)
