"""The third red at one place in one shift: then the trimming cell stops, and its process engineer is called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from edgeinspect.conformity import Answer
from edgeinspect.inspection import Inspection
from edgeinspect.station.shifts import ShiftPlan
from edgeinspect.store.inspections import Store
from edgeinspect.store.search import PlaceCount, Wanted
from edgeinspect.web.look import iso_time, ordinal, parse_time
from edgeinspect.web.places import WHOLE, PlaceRow

THIRD = 3  # reds in one place: stop
Row = TypeVar("Row", PlaceCount, PlaceRow)


@dataclass(frozen=True)
class RedsHere:
    """How many shells were red at one place in a shift, the one just judged too, as the shift's page counts them."""

    where: str
    shells: int
    words: str  # "third red here: stop, call the process engineer"
    note: str  # "3 reds at the badge on the lid in this shift"


def often_red(rows: Sequence[Row]) -> list[Row]:
    """Those of one kind of shell with the third red or more; a path that is off makes places all round it red, and is
    then the only one.
    """
    often = [row for row in rows if row.shells >= THIRD]
    return [row for row in often if row.where == WHOLE] or often


def reds_here(store: Store, shifts: ShiftPlan, inspection: Inspection) -> RedsHere | None:
    """Of the worst of its bad places that has its third red in the shift; None where none has."""
    bad = [one.where for one in inspection.verdict.findings if one.answer is Answer.NONCONFORMING]
    if not bad:
        return None
    shift = shifts.at(parse_time(inspection.finished_at))
    wanted = Wanted(shell=inspection.measurement.shell, since=iso_time(shift.begins), until=iso_time(shift.ends))
    often = {row.where: row.shells for row in often_red(store.reds(wanted))}
    where = next((where for where in bad if where in often), None)
    if where is None:
        return None
    which = "third" if often[where] == THIRD else ordinal(often[where])
    words = f"{which} red here: stop, call the process engineer"
    return RedsHere(where, often[where], words, f"{often[where]} reds at the {where} in this shift")
