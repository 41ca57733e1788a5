"""Another method tried on a stated sample of stored shells: filter cut-off, drawing's arris, search band.

Where the picture of a look is kept, it is measured twice with the program of today and the calibration of then: by the
method in force and by the one that is tried. Else both are made from the stored edge and ribbon. So what differs is the
method's doing. Recorded answers stay.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import select

from edgeinspect.conformity import SEVERITY, Answer
from edgeinspect.errors import InputError
from edgeinspect.process.limits import Limit, Limits, limits_of
from edgeinspect.process.readings import Reading
from edgeinspect.shell.definition import STEPS_A_CUTOFF, Arris, ShellDefinition
from edgeinspect.shell.tables import ShellTable
from edgeinspect.store.inspections import Store
from edgeinspect.store.readings import Population
from edgeinspect.store.review_queue import Label
from edgeinspect.store.schema import PictureTable

USUAL, MOST = 200, 2000  # shells of a sample


@dataclass(frozen=True)
class Method:
    """What differs from the definition in force; None: as it is."""

    filter_cutoff_mm: float | None = None
    arris: Arris | None = None
    search_band_mm: float | None = None  # half width

    def of(self, definition: ShellDefinition) -> ShellDefinition:
        """The definition by this method. Raises InputError: out of range, or nothing differs."""
        mistakes = [
            f"{name} is {value:g}, must be within {low:g} to {high:g}"
            for name in ("filter_cutoff_mm", "search_band_mm")
            if (value := getattr(self, name)) is not None
            for low, high in [bounds(name)]
            if not low <= value <= high
        ]
        if mistakes:
            raise InputError(mistakes)
        given = {name: getattr(self, name) for name in NAMES}
        changed = {name: value for name, value in given.items() if value not in (None, getattr(definition, name))}
        if not changed:
            raise InputError(f"nothing differs from the method of {definition.name} in force: {words_of(definition)}")
        tried = replace(definition, **changed)
        finest = tried.filter_cutoff_mm / STEPS_A_CUTOFF
        return replace(tried, step_mm=finest) if tried.step_mm > finest * (1 + 1e-9) else tried

    def words(self, definition: ShellDefinition) -> str:
        """Each difference, from and to."""
        said = {name: (getattr(definition, name), getattr(self, name)) for name in NAMES}
        return ", ".join(f"{WORDS[n]} {_as(n, a)} → {_as(n, b)}" for n, (a, b) in said.items() if b not in (None, a))


NAMES = ("filter_cutoff_mm", "arris", "search_band_mm")
WORDS = {"filter_cutoff_mm": "filter cut-off", "arris": "arris", "search_band_mm": "search band"}


def words_of(definition: ShellDefinition) -> str:
    return ", ".join(f"{WORDS[name]} {_as(name, getattr(definition, name))}" for name in NAMES)


def _as(name: str, value: float | Arris) -> str:
    return f"{value} face" if name == "arris" else f"{'±' if name == 'search_band_mm' else ''}{value:g} mm"


def bounds(name: str) -> tuple[float, float]:
    """What shell.toml allows for a key of its [shell]: lowest and highest."""
    limits = {type(rule).__name__: rule for rule in ShellTable.model_fields[name].metadata}
    return float(limits["Ge"].ge), float(limits["Le"].le)


@dataclass(frozen=True)
class Sample:
    """The shells that a method is tried on, and how they were chosen."""

    inspection_ids: tuple[int, ...]  # oldest first
    of: int  # shells to choose from
    not_passed: int  # of the sample, when they were looked at
    with_picture: int  # of the sample: their pictures are kept
    bad_left_out: int  # confirmed bad, and not in the sample
    words: str


def choose(
    store: Store,
    population: Population,
    labels: Mapping[int, Label],
    *,
    shell: str,
    how: str = "newest",
    count: int = USUAL,
    labelled: str = "also",
) -> Sample:
    """A sample whatever the answers were: failures are in it as they came.

    Parameters: labels - by inspection id; how - "newest", or "evenly": spread over all of them; labelled - "also": with
    every shell that is labelled good or truly bad, "only": of these alone, "": as they come.
    Raises InputError: a count out of range.
    """
    if not 1 <= count <= MOST:
        raise InputError(f"count is {count}, must be within 1 to {MOST}")
    ids = population.readings.inspection_id
    known = np.array([labels.get(i) in (Label.GOOD, Label.TRULY_BAD) for i in ids.tolist()], dtype=bool)
    from_these = np.flatnonzero(known) if labelled == "only" else np.arange(len(ids))
    of = len(from_these)
    if how == "newest":
        picked = from_these[-count:]
    elif how == "evenly":
        picked = from_these[np.unique(np.linspace(0, max(of - 1, 0), min(count, of)).round().astype(np.intp))]
    else:
        raise InputError(f"how is {how!r}, must be newest or evenly")
    more = np.setdiff1d(np.flatnonzero(known), picked) if labelled == "also" else picked[:0]
    which = np.union1d(picked, more)
    bad = [labels.get(i) is Label.TRULY_BAD for i in np.delete(ids, which).tolist()]
    chosen = tuple(int(i) for i in ids[which])
    not_passed = int(np.count_nonzero(population.readings.recorded[which] != SEVERITY[Answer.CONFORMING]))
    kept = _with_picture(store, chosen)
    way = "the newest" if how == "newest" else "spread evenly over their time"
    spread = "all of them" if len(picked) == of else way
    of_words = f"{len(picked):,} of {of:,} {'labelled ' if labelled == 'only' else ''}shells of {shell}, {spread}"
    also = f", and {len(more)} more that a person has labelled" if len(more) else ""
    failures = f"failures included: {not_passed} of these {len(chosen):,} did not pass"
    return Sample(chosen, of, not_passed, kept, sum(bad), f"{of_words}{also}; {failures}")


def _with_picture(store: Store, ids: Sequence[int]) -> int:
    has = PictureTable.original_file.is_not(None) & PictureTable.inspection_id.in_(ids)
    return len(store.rows(select(PictureTable.inspection_id).where(has).group_by(PictureTable.inspection_id)))


@dataclass(frozen=True)
class MethodAsked:
    """The first line of such a study: all that it takes to do it, or to go on with it."""

    shell: str
    definition_sha256: str  # of the definition in force
    definition_revision: str
    method: Method
    words: str  # the differences
    sample: Sample
    limits: dict[str, tuple[float, float, float]]  # lower, upper, guard factor: what judges both
    limits_revision: int | None  # None: the definition's own
    expected_s: float | None  # None: could not be told
    expected_words: str
    who: str
    role: str
    at: str  # ISO 8601, UTC
    software: str

    @property
    def judged_by(self) -> Limits:
        return {name: Limit(*numbers) for name, numbers in self.limits.items()}


@dataclass(frozen=True)
class ShellAgain:
    """What came of one shell."""

    inspection_id: int
    shell_id: str
    by: str  # "picture", "ribbon", "as then" (no method changes what it was) or "not"
    why: str = ""  # not, or as then
    narrow: bool = False  # not, because its stored ribbon is too narrow
    took_s: float = 0.0
    recorded: int = 0  # answer that was given then, a value of SEVERITY
    before: Reading | None = None
    after: Reading | None = None


def limits_in_force(store: Store, definition: ShellDefinition) -> tuple[dict[str, Limit], int | None]:
    """The limits that judge the next shell, of every decal variant, and their revision."""
    variants = sorted({decal.variant for decal in definition.decals}) or [""]
    limits = {name: limit for variant in variants for name, limit in limits_of(definition, variant).items()}
    revision = store.limits.in_effect(definition.name)
    if revision is None:
        return limits, None
    return {**limits, **{n: v for n, v in revision.changed.items() if n in limits}}, revision.revision_id
