"""What people say afterwards: a label on the answer of a look, what is done with a shell, what was changed at the cell.

Nothing here is ever changed or deleted: what is said later replaces what was said before, for showing only.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Engine, Select, func, insert, select

from edgeinspect.errors import InputError
from edgeinspect.store import review_queue
from edgeinspect.store.changes import Changes, Who
from edgeinspect.store.database import READING, plain_errors
from edgeinspect.store.review_queue import Disposition, Label, Order, Queued
from edgeinspect.store.schema import ChangeMarkTable, DispositionTable, InspectionTable, LabelTable
from edgeinspect.store.search import ALL, Wanted

LONGEST_REASON = 500  # characters


class MarkKind(enum.StrEnum):
    """What was changed at the cell."""

    BIT = "bit"
    PROGRAM = "program"
    FIXTURE = "fixture"
    LOT = "lot"
    LIGHT = "light"


@dataclass(frozen=True)
class Labelled:
    label_id: int
    inspection_id: int
    label: Label
    reason: str
    who: str
    role: str
    at: str  # ISO 8601, UTC


@dataclass(frozen=True)
class Disposed:
    disposition_id: int
    shell_id: str
    inspection_id: int  # the look it was decided on
    disposition: Disposition
    reason: str
    who: str
    role: str
    at: str


@dataclass(frozen=True)
class ChangeMark:
    change_mark_id: int
    kind: MarkKind
    from_at: str  # ISO 8601, UTC, when it was done
    from_shell_id: str  # the first shell made with it, "" not said
    reason: str
    who: str
    role: str
    at: str  # when it was entered


class Reviews:
    """Of one station. All methods raise StoreError and may be called from any thread.

    ``at`` is ISO 8601 UTC. Whatever is said is in the record of changes too, in the same transaction. A shell id not
    seen for ``same_shell_h`` is another shell.
    """

    def __init__(self, changes: Changes, same_shell_h: float = 24.0) -> None:
        self._changes = changes
        self._same_shell_h = same_shell_h
        self._engine: Engine = changes.engine

    # -- say

    def label(self, inspection_id: int, label: Label, reason: str, at: str, by: Who) -> Labelled:
        """Raises InputError: no such inspection, the reason is too long."""
        self._shell_id(inspection_id)
        said = _said(reason, at, by)
        values = {"inspection_id": inspection_id, "label": label.value, **said}
        number = self._say(LabelTable, values, "labelled", f"inspection {inspection_id}", {"label": label})
        return Labelled(number, inspection_id, label, said["reason"], by.name, by.role, at)

    def dispose(self, inspection_id: int, disposition: Disposition, reason: str, at: str, by: Who) -> Disposed:
        """Of the shell that was looked at. Raises InputError: no such inspection, no reason, or too long a one."""
        shell_id = self._shell_id(inspection_id)
        said = _said(reason, at, by)
        if not said["reason"] and disposition is not Disposition.WITHDRAWN:
            raise InputError(f"reason is missing: say why shell {shell_id} is for {disposition}")
        values = {"shell_id": shell_id, "inspection_id": inspection_id, "disposition": disposition.value, **said}
        details = {"disposition": disposition, "inspection_id": inspection_id}
        number = self._say(DispositionTable, values, "disposition", f"shell {shell_id}", details)
        return Disposed(number, shell_id, inspection_id, disposition, said["reason"], by.name, by.role, at)

    def mark(self, kind: MarkKind, from_at: str, from_shell_id: str, reason: str, at: str, by: Who) -> ChangeMark:
        """Raises InputError: no note, or too long a one."""
        said = _said(reason, at, by)
        if not said["reason"]:
            raise InputError(f"note is missing: say what was done to the {kind}")
        values = {"kind": kind.value, "from_at": from_at, "from_shell_id": from_shell_id, **said}
        details = {"kind": kind, "from_at": from_at, "from_shell_id": from_shell_id}
        number = self._say(ChangeMarkTable, values, "change mark", f"cell: {kind}", details)
        return ChangeMark(number, kind, from_at, from_shell_id, said["reason"], by.name, by.role, at)

    def _say(self, table: Any, values: dict[str, Any], what: str, subject: str, details: dict[str, Any]) -> int:
        who = Who(values["who"], values["role"])
        with self._changes.change(values["at"], who, what, subject, values["reason"], details) as connection:
            key = table.__table__.primary_key.columns.values()[0]
            return int(connection.execute(insert(table).returning(key), values).scalar_one())

    def _shell_id(self, inspection_id: int) -> str:
        found = self._rows(select(InspectionTable.shell_id).where(InspectionTable.inspection_id == inspection_id))
        if not found:
            raise InputError(f"there is no inspection {inspection_id}")
        return str(found[0][0])

    # -- what was said

    def labels(self, inspection_ids: Sequence[int] | None = None) -> dict[int, Labelled]:
        """The label that counts, by inspection; one that was withdrawn is none. None: of all inspections."""
        last = select(func.max(LabelTable.label_id)).group_by(LabelTable.inspection_id)
        if inspection_ids is not None:
            last = last.where(LabelTable.inspection_id.in_(inspection_ids))
        query = _all_of(LabelTable, Labelled).where(
            LabelTable.label_id.in_(last), LabelTable.label != Label.WITHDRAWN.value
        )
        return {one.inspection_id: one for one in self._labels(query)}

    def labels_said(self, inspection_id: int) -> tuple[Labelled, ...]:
        """Everything that was said of one look, the last first."""
        query = _all_of(LabelTable, Labelled).where(LabelTable.inspection_id == inspection_id)
        return self._labels(query.order_by(LabelTable.label_id.desc()))

    def dispositions_said(self, shell_id: str) -> tuple[Disposed, ...]:
        """Everything that was decided on one shell, the last first: that one counts."""
        query = _all_of(DispositionTable, Disposed).where(DispositionTable.shell_id == shell_id)
        rows = self._rows(query.order_by(DispositionTable.disposition_id.desc()))
        return tuple(Disposed(**{**row._mapping, "disposition": Disposition(row.disposition)}) for row in rows)

    def marks(self, since: str | None = None, until: str | None = None, limit: int = -1) -> tuple[ChangeMark, ...]:
        """Newest first. Only those that hold from after ``since`` and not after ``until`` (ISO 8601, UTC); a mark that
        names a shell holds from the first look at it, whatever its time says.
        """
        first = select(func.min(InspectionTable.started_at)).where(
            InspectionTable.shell_id == ChangeMarkTable.from_shell_id
        )
        holds_from = func.coalesce(first.correlate(ChangeMarkTable).scalar_subquery(), ChangeMarkTable.from_at)
        query = _all_of(ChangeMarkTable, ChangeMark)
        if since is not None:
            query = query.where(holds_from > since)
        if until is not None:
            query = query.where(holds_from <= until)
        rows = self._rows(query.order_by(holds_from.desc(), ChangeMarkTable.change_mark_id.desc()).limit(limit))
        return tuple(ChangeMark(**{**row._mapping, "kind": MarkKind(row.kind)}) for row in rows)

    def _labels(self, query: Select[*tuple[Any, ...]]) -> tuple[Labelled, ...]:
        return tuple(Labelled(**{**row._mapping, "label": Label(row.label)}) for row in self._rows(query))

    # -- the queue

    def queue(
        self, wanted: Wanted = ALL, label: Label | None = None, order: Order = Order.NEWEST, limit: int = 200
    ) -> tuple[Queued, ...]:
        """Shells that were not green, each by its newest look that was not.

        ``label`` narrows to those that have it now, WITHDRAWN to those that have none.
        """
        rows = self._rows(review_queue.queued(wanted, label, order, self._same_shell_h).limit(limit))
        return tuple(Queued(**row._mapping) for row in rows)

    def queue_length(self, wanted: Wanted = ALL, label: Label | None = None, most: int = 1000) -> int:
        """How many shells ``queue`` would give without a limit, not counted further than ``most``."""
        return int(self._rows(review_queue.how_many(wanted, label, self._same_shell_h, most))[0][0])

    def _rows(self, query: Select[*tuple[Any, ...]]) -> list[Any]:
        with plain_errors(self._engine), self._engine.connect() as connection:
            return list(connection.execution_options(**READING).execute(query).all())


def _said(reason: str, at: str, by: Who) -> dict[str, str]:
    reason = " ".join(reason.split())
    if len(reason) > LONGEST_REASON:
        raise InputError(f"reason has {len(reason)} characters, must have up to {LONGEST_REASON}")
    return {"reason": reason, "who": by.name, "role": by.role, "at": at}


def _all_of(table: Any, record: type) -> Select[*tuple[Any, ...]]:
    return select(*(getattr(table, name) for name in record.__dataclass_fields__))  # type: ignore[attr-defined]
