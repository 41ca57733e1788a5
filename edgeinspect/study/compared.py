"""The shells of a method study: those that both methods measured, and what the limits say of them before and after."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from edgeinspect.conformity import Answer
from edgeinspect.geometry import Array
from edgeinspect.process.limits import Limits
from edgeinspect.process.readings import Reading, Readings, stack
from edgeinspect.process.what_if import BY_SEVERITY, WhatIf, what_if
from edgeinspect.store.review_queue import Label
from edgeinspect.study.method import ShellAgain


@dataclass(frozen=True)
class Compared:
    rows: tuple[ShellAgain, ...]  # all, in the order of measuring
    both: tuple[ShellAgain, ...]  # that were measured by both methods, oldest first: N
    before: Readings  # of these N
    after: Readings
    found: WhatIf

    def answers(self) -> Iterator[tuple[ShellAgain, Answer, Answer]]:
        """Of each shell that both methods measured."""
        old, new = self.found.severity_before.tolist(), self.found.severity_after.tolist()
        for row, was, now in zip(self.both, old, new, strict=True):
            yield row, BY_SEVERITY[was], BY_SEVERITY[now]


def compare(rows: Sequence[ShellAgain], limits: Limits, labels: Mapping[int, Label]) -> Compared:
    """``labels`` - by inspection id, of those that a person has said something of."""
    both = sorted((row for row in rows if row.before and row.after), key=lambda row: row.inspection_id)
    before, after = _readings(both)
    said = [labels.get(row.inspection_id) for row in both]
    bad, good = (np.array([one is wanted for one in said], dtype=bool) for wanted in (Label.TRULY_BAD, Label.GOOD))
    found = what_if(before, limits, limits, bad=bad, good=good, again=after)
    return Compared(tuple(rows), tuple(both), before, after, found)


def _readings(rows: Sequence[ShellAgain]) -> tuple[Readings, Readings]:
    """The same characteristics for before and after: what one of them has not, it was not looked at for."""
    pairs: list[tuple[ShellAgain, Reading]] = [(row, one) for row in rows if (one := row.before) is not None]
    pairs += [(row, one) for row in rows if (one := row.after) is not None]
    each = [one for _, one in pairs]
    layouts: dict[tuple[tuple[str, ...], tuple[str, ...]], int] = {}
    of = [layouts.setdefault((one.characteristics, one.units), len(layouts)) for one in each]
    whole = stack(
        [(row.inspection_id, layout, row.recorded) for (row, _), layout in zip(pairs, of, strict=True)],
        {number: layout for layout, number in layouts.items()},
        [one.numbers for one in each],
        [one.seen for one in each],
        [int(one.held) for one in each],
        [one.flaws for one in each],
    )
    return whole.part(slice(0, len(rows))), whole.part(slice(len(rows), None))


def worst_of(readings: Readings, names: Sequence[str]) -> Array:
    """(N,) the deviation of the greatest amount of each shell, with its sign; nan where there is none."""
    columns = [k for k, name in enumerate(readings.characteristics) if name in names]
    if not columns or not len(readings):
        return np.full(len(readings), np.nan)
    there = readings.has_numbers[:, columns]
    values = np.hstack([np.where(there, one[:, columns], np.nan) for one in (readings.most, readings.least)])
    at = np.where(np.isfinite(values), np.abs(values), -1.0).argmax(axis=1)
    return np.asarray(values[np.arange(len(values)), at])
