"""Looks at one shell: which of them belong together, and which of them measured it.

A shell id comes again when the shell is looked at again, and, much later, when somebody begins to count anew. So looks
belong together as long as no more than ``same_shell_h`` hours lie between one and the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Protocol, TypeVar

from sqlalchemy import ColumnElement, Select, String, and_, exists, func, select, true

from edgeinspect.store.schema import InspectionTable


class Finished(Protocol):
    @property
    def finished_at(self) -> str: ...


Look = TypeVar("Look", bound=Finished)


def one_shell(looks: Sequence[Look], same_shell_h: float) -> list[tuple[Look, ...]]:
    """The looks at one shell id, first one first, parted where it was not seen for too long.

    A clock that was set back parts nothing: in doubt it is the same shell.
    """
    parts: list[list[Look]] = []
    for look in looks:
        if parts and not too_long(parts[-1][-1].finished_at, look.finished_at, same_shell_h):
            parts[-1].append(look)
        else:
            parts.append([look])
    return [tuple(part) for part in parts]


def still_the_same(looks: Sequence[Look], at: str, same_shell_h: float) -> tuple[Look, ...]:
    """Those of the looks that one at this moment goes on from."""
    if not looks or too_long(looks[-1].finished_at, at, same_shell_h):
        return ()
    return one_shell(looks, same_shell_h)[-1]


def too_long(earlier: str, later: str, same_shell_h: float) -> bool:
    """Whether a shell id that comes again so much later (ISO 8601 each) is another shell."""
    apart = datetime.fromisoformat(later) - datetime.fromisoformat(earlier)
    return apart > timedelta(hours=same_shell_h)


def measured(shell_id: str) -> Select[int]:
    """Ids of the looks at a shell that measured it: the same as ``Inspection.measured``, without reading them all."""
    stop = func.json_each(InspectionTable.record, "$.measurement.stops").table_valued("value", name="stop")
    of_all: ColumnElement[Any] = func.json_extract(stop.c.value, "$.concerns", type_=String).is_(None)
    stopped = exists(select(true()).select_from(stop).where(of_all))
    found = func.json_type(InspectionTable.record, "$.measurement.cut") == "object"
    return select(InspectionTable.inspection_id).where(and_(InspectionTable.shell_id == shell_id, found, ~stopped))
