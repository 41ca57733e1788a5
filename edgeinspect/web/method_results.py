"""What another method gave, shown as limits that are tried are shown: before, after, and who flips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.geometry import Array
from edgeinspect.process.readings import Readings
from edgeinspect.process.what_if import BY_SEVERITY, GREEN, Share, WhatIf
from edgeinspect.store.review_queue import Label
from edgeinspect.store.reviews import Reviews
from edgeinspect.store.studies import Studies
from edgeinspect.study.compared import compare, worst_of
from edgeinspect.study.method import MethodAsked, ShellAgain
from edgeinspect.study.method_run import Standing, of_line, standing
from edgeinspect.web.asked_limits import ALL_ZONES
from edgeinspect.web.look import LOOKS
from edgeinspect.web.parts import Parts
from edgeinspect.web.tuning_chart import Chart, drawn
from edgeinspect.web.what_if_parts import Count, Flips, counts_of, flips_of

WAYS = ("picture", "ribbon", "as then", "not")  # in which a shell is measured again
NO_CHANGE_MM = 0.0005  # half of what the page shows


@dataclass(frozen=True)
class MovedRow:
    """How far one shell is off at its worst, by both methods."""

    inspection_id: int
    shell_id: str
    by: str  # "picture", "ribbon" or "as then"
    before: float | None  # of the greatest amount; mm, or deg of a rotation
    after: float | None
    change: float | None  # of the amount: + is further off
    key_before: str
    word_before: str
    key_after: str
    word_after: str
    url: str


@dataclass(frozen=True)
class Changed:
    """The change of all shells' worst deviations."""

    shells: int
    mean: float
    sd: float
    least: float
    most: float
    moved: int  # shells of which it changed at all


@dataclass(frozen=True)
class Why:
    """Shells that could not be measured again, or that no method changes."""

    sentence: str
    shells: int
    some: list[str]  # shell ids


@dataclass(frozen=True)
class ZoneMove:
    characteristic: str
    bad_before: int
    bad_after: int
    close_before: int
    close_after: int
    none_before: int
    none_after: int
    green_after: Share


@dataclass(frozen=True)
class StudyRecord:
    """``/tune/method/{study_id}.json``: one study. Nothing of it is in force, no recorded answer is another one."""

    study_id: int
    shell: str
    words: str
    sample: str
    who: str
    role: str
    at: str
    expected_words: str
    limits_revision: int | None
    definition_revision: str
    definition_changed: bool  # since it was asked for
    standing: Standing
    of: str  # the characteristic whose spread is shown
    characteristics: list[str]
    unit: str
    by: dict[str, int]  # shells by how they were measured
    compared: int
    not_measured: list[Why]
    as_then: list[Why]
    narrow: str  # a sentence; "" no stored ribbon was too narrow
    labelled_bad: int
    labelled_good: int
    loud: list[str]
    warnings: list[str]
    counts: list[Count]
    green_before: Share
    green_after: Share
    lower: float  # limits of what is shown, in force
    upper: float
    guard: float | None
    chart: Chart | None
    changed: Changed | None
    moved: list[MovedRow]  # all that were compared, the greatest change first
    flips: list[Flips]
    zones: list[ZoneMove]


def study_record(parts: Parts, study_id: int, of: str = "") -> StudyRecord:
    """Raises InputError: no such study, no such characteristic."""
    kept = Studies(parts.data).one(study_id)
    asked = of_line(MethodAsked, kept.asked)
    rows = [of_line(ShellAgain, line) for line in kept.shells]
    limits = asked.judged_by
    of = of or ALL_ZONES
    names = [name for name in limits if name == of or (of == ALL_ZONES and name.startswith("zone "))]
    if not names:
        raise InputError(f"of is {of!r}, must be one of: {', '.join([ALL_ZONES, *limits])}")
    labels = Reviews(parts.changes, parts.station.same_shell_h).labels([row.inspection_id for row in rows])
    both = compare(rows, limits, {inspection_id: one.label for inspection_id, one in labels.items()})
    compared, before, found = both.both, both.before, both.found
    said = [labels[row.inspection_id].label if row.inspection_id in labels else None for row in compared]
    was, now = worst_of(before, names), worst_of(both.after, names)
    unit, guard = _unit(before, names), _guard(before, names, limits[names[0]].guard_factor)
    shell_ids, ids = [row.shell_id for row in compared], [row.inspection_id for row in compared]
    at_work = parts.background.at_work() == study_id
    loud, warnings = _said(asked, rows, found)
    return StudyRecord(
        study_id=study_id,
        shell=asked.shell,
        words=asked.words,
        sample=asked.sample.words,
        who=asked.who,
        role=asked.role,
        at=asked.at,
        expected_words=asked.expected_words,
        limits_revision=asked.limits_revision,
        definition_revision=asked.definition_revision,
        definition_changed=parts.shells.as_judged(asked.shell, asked.definition_sha256) is None,
        standing=standing(kept, asked, at_work=at_work),
        of=of,
        characteristics=[ALL_ZONES, *limits],
        unit=unit,
        by={by: sum(row.by == by for row in rows) for by in WAYS},
        compared=len(compared),
        not_measured=_whys([row for row in rows if row.by == "not"]),
        as_then=_whys([row for row in rows if row.by == "as then"]),
        narrow=next((row.why for row in rows if row.narrow), ""),
        labelled_bad=said.count(Label.TRULY_BAD),
        labelled_good=said.count(Label.GOOD),
        loud=loud,
        warnings=warnings,
        counts=counts_of(found),
        green_before=found.green_before,
        green_after=found.green_after,
        lower=limits[names[0]].lower,
        upper=limits[names[0]].upper,
        guard=guard,
        chart=_chart(asked, names, of, unit, was, now, guard),
        changed=_changed(was, now),
        moved=_moved(compared, found, was, now),
        flips=flips_of(parts, found, shell_ids, said, ids),
        zones=_zones(found),
    )


def _unit(readings: Readings, names: list[str]) -> str:
    return next((u for name, u in zip(readings.characteristics, readings.units, strict=True) if name in names), "mm")


def _guard(readings: Readings, names: list[str], factor: float) -> float | None:
    columns = [k for k, name in enumerate(readings.characteristics) if name in names]
    us = readings.u_most[:, columns][readings.has_numbers[:, columns]]
    return float(factor * np.median(us)) if us.size else None


def _chart(
    asked: MethodAsked, names: list[str], of: str, unit: str, was: Array, now: Array, guard: float | None
) -> Chart | None:
    there = np.isfinite(was) & np.isfinite(now)
    if not there.any():
        return None
    what = "each shell's worst zone" if of == ALL_ZONES else of
    words = ("by the method in force", "by the method tried")
    limit = asked.judged_by[names[0]]
    return drawn(
        f"How far off is {what}, by both methods?", unit, (was[there], now[there]), words, limit, limit, limit,
        guard or 0.0, None,
    )  # fmt: skip


def _changed(was: Array, now: Array) -> Changed | None:
    change = np.abs(now) - np.abs(was)
    change = change[np.isfinite(change)]
    if not len(change):
        return None
    sd = float(change.std(ddof=1)) if len(change) > 1 else 0.0
    moved = int(np.count_nonzero(np.abs(change) >= NO_CHANGE_MM))
    return Changed(len(change), float(change.mean()), sd, float(change.min()), float(change.max()), moved)


def _moved(rows: Sequence[ShellAgain], found: WhatIf, was: Array, now: Array) -> list[MovedRow]:
    change = np.abs(now) - np.abs(was)
    order = np.argsort(-np.nan_to_num(np.abs(change), nan=-1.0), kind="stable")
    moved = []
    for n in order.tolist():
        before, after = (LOOKS[BY_SEVERITY[int(s[n])]] for s in (found.severity_before, found.severity_after))
        old, new, by = (float(one) if np.isfinite(one) else None for one in (was[n], now[n], change[n]))
        moved.append(
            MovedRow(
                rows[n].inspection_id,
                rows[n].shell_id,
                rows[n].by,
                old,
                new,
                by,
                before.key,
                before.word,
                after.key,
                after.word,
                f"/inspections/{rows[n].inspection_id}",
            )
        )
    return moved


def _whys(rows: list[ShellAgain]) -> list[Why]:
    by_sentence: dict[str, list[str]] = {}
    for row in rows:
        by_sentence.setdefault(row.why, []).append(row.shell_id or f"look {row.inspection_id}")
    whys = [Why(sentence, len(ids), ids[:5]) for sentence, ids in by_sentence.items()]
    return sorted(whys, key=lambda why: -why.shells)


def _zones(found: WhatIf) -> list[ZoneMove]:
    bad, close, none = Answer.NONCONFORMING, Answer.NOT_PROVEN, Answer.NO_RESULT
    rows = [
        ZoneMove(
            one.characteristic, one.before[bad], one.after[bad], one.before[close], one.after[close],
            one.before[none], one.after[none], one.green_after,
        )
        for one in found.zones
    ]  # fmt: skip

    def differs(row: ZoneMove) -> bool:
        pairs = (
            (row.bad_before, row.bad_after),
            (row.close_before, row.close_after),
            (row.none_before, row.none_after),
        )
        return any(one != other for one, other in pairs)

    return sorted(rows, key=lambda row: (not differs(row), -row.bad_after, -row.close_after, -row.none_after))


def _said(asked: MethodAsked, rows: list[ShellAgain], found: WhatIf) -> tuple[list[str], list[str]]:
    """Loud: bad shells that would pass, and shells that could not be measured again. Then the rest."""
    loud = [sentence for sentence in found.warnings if "would pass" in sentence]
    rest = [sentence for sentence in found.warnings if sentence not in loud] if rows else []
    missing = [row for row in rows if row.by == "not"]
    if missing:
        green = sum(row.recorded == GREEN for row in missing)
        loud.append(
            f"{len(missing)} of {len(rows)} shells could not be measured again, {green} of them good ones: "
            "before and after are counted without them"
        )
    if left := asked.sample.bad_left_out:
        rest.append(f"{left} confirmed-bad shell{'s are' if left != 1 else ' is'} not in the sample")
    return loud, rest
