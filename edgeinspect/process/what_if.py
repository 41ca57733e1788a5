"""Stored numbers under other limits: what would be red, what would pass, and how sure that is. The shell is the unit
of all statistics, not the point and not the look.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import betainccinv, betaincinv

from edgeinspect.conformity import SEVERITY, Answer, decide_many
from edgeinspect.process.flaws import KINDS, flaw_severities, is_limited
from edgeinspect.process.limits import FLAW_SIZES, Limit, Limits, flaw_limit
from edgeinspect.process.one_base import one_base
from edgeinspect.process.readings import AS_RECORDED, Held, Readings, Seen

GREEN, RED = SEVERITY[Answer.CONFORMING], SEVERITY[Answer.NONCONFORMING]
NO_RESULT = SEVERITY[Answer.NO_RESULT]
BY_SEVERITY = {severity: answer for answer, severity in SEVERITY.items()}
FIXED = {seen: answer for answer, seen in AS_RECORDED.items()}  # whatever the limits
CONFIDENCE = 0.95
EARLIER = 0.7  # of the shells, when limits are tuned on earlier ones and checked on later ones
SURPRISING = 0.01  # chance below which two parts are said to differ

Severities = NDArray[np.int8]


@dataclass(frozen=True)
class Share:
    """``count`` of ``of`` shells, with the exact two-sided interval of Clopper and Pearson."""

    count: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        return self.count / self.of if self.of else float("nan")


def share(count: int, of: int, confidence: float = CONFIDENCE) -> Share:
    """Source: Clopper and Pearson 1934, by quantiles of the beta distribution. Of no shells: 0 to 1."""
    if not 0 <= count <= of:
        raise ValueError(f"count is {count}, must be within 0 to {of}")
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if count == 0 else float(betaincinv(count, of - count + 1, tail))
    high = 1.0 if count == of else float(betainccinv(count + 1, of - count, tail))
    return Share(count, of, low, high)


def severities(readings: Readings, limits: Limits) -> tuple[Severities, Severities]:
    """What ``conformity.judge`` says of each characteristic (N, K) and each shell (N,), as values of SEVERITY. Flaws
    count for the shell; what is said of them by kind is ``flaw_severities``.

    A characteristic without a limit has no result; one that was not looked at has no say (-1).
    """
    none = Limit(-np.inf, np.inf, 0.0)
    chosen = [limits.get(name, none) for name in readings.characteristics]
    lower, upper, factor = (np.array([getattr(one, k) for one in chosen]) for k in ("lower", "upper", "guard_factor"))
    most = decide_many(readings.most, readings.u_most, np.full_like(upper, -np.inf), upper, factor)
    least = decide_many(readings.least, readings.u_least, lower, np.full_like(lower, np.inf), factor)
    seen, each = readings.seen, np.maximum(most, least)
    unknown = np.array([name not in limits for name in readings.characteristics], dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore"):  # as judging chooses between a zone's two ways
        decides = (most > least) | ((most == least) & (readings.most / upper >= readings.least / lower))
    hidden = (seen == Seen.COVERED) & decides & (most > GREEN) & (readings.most > 0)
    no_result = unknown[None, :] | ((seen == Seen.PARTLY) & (each != RED)) | (seen == Seen.NOTHING) | hidden
    each = np.where(no_result, NO_RESULT, each)
    for state, answer in FIXED.items():
        each = np.where(seen == state, SEVERITY[answer], each)
    each = np.where(seen == Seen.NOT_LOOKED, -1, each).astype(np.int8)
    worst = np.maximum(each.max(axis=1, initial=-1), flaw_severities(readings.all_flaws, limits).max(axis=1))
    shell = np.where(worst < 0, NO_RESULT, worst)  # nothing was judged
    stopped = (readings.held == Held.STOPPED) & (shell != RED)
    often = (readings.held == Held.LOOKED_AT_OFTEN) & (shell == GREEN)
    shell = np.where(stopped | often, NO_RESULT, shell)
    return each, shell.astype(np.int8)


def counted(which: Severities) -> dict[Answer, int]:
    return {answer: int(np.count_nonzero(which == severity)) for answer, severity in SEVERITY.items()}


@dataclass(frozen=True)
class ZoneEffect:
    """What one characteristic says of the shells, before and after."""

    characteristic: str
    before: dict[Answer, int]
    after: dict[Answer, int]
    green_after: Share


@dataclass(frozen=True)
class WhatIf:
    """Before: the limits in force, on the same stored numbers. Indices are into the readings' shells."""

    shells: int
    before: dict[Answer, int]
    after: dict[Answer, int]
    green_before: Share
    green_after: Share
    zones: tuple[ZoneEffect, ...]
    to_green: NDArray[np.int64]  # would pass, did not
    from_green: NDArray[np.int64]  # would not pass, did
    other_flips: NDArray[np.int64]  # neither was green
    bad_pass: NDArray[np.int64]  # confirmed bad, would pass
    good_fail: NDArray[np.int64]  # confirmed good, would be red
    warnings: tuple[str, ...]  # loudest first
    severity_before: Severities  # (N,)
    severity_after: Severities  # (N,)


def what_if(
    readings: Readings,
    before: Limits,
    after: Limits,
    *,
    bad: NDArray[np.bool_] | None = None,
    good: NDArray[np.bool_] | None = None,
    again: Readings | None = None,
) -> WhatIf:
    """Judge stored numbers by two sets of limits.

    Parameters: bad, good - (N,) confirmed by a person's label; again - the same shells and characteristics measured by
    another method, which ``after`` judges (default: the same numbers).
    """
    count, tried = len(readings), readings if again is None else again
    if (tried.characteristics, len(tried)) != (readings.characteristics, count):
        raise ValueError("the numbers measured again are not of the same shells and characteristics")
    is_bad = np.zeros(count, bool) if bad is None else bad
    is_good = np.zeros(count, bool) if good is None else good
    each_before, old = severities(readings, before)
    each_after, new = severities(tried, after)
    zones = _effects(readings, tried, each_before, each_after) + _flaw_effects(readings, tried, before, after)
    bad_pass = np.flatnonzero(is_bad & (new == GREEN))
    good_fail = np.flatnonzero(is_good & (new == RED))
    return WhatIf(
        shells=count,
        before=counted(old),
        after=counted(new),
        green_before=share(int(np.count_nonzero(old == GREEN)), count),
        green_after=share(int(np.count_nonzero(new == GREEN)), count),
        zones=zones,
        to_green=np.flatnonzero((new == GREEN) & (old != GREEN)),
        from_green=np.flatnonzero((new != GREEN) & (old == GREEN)),
        other_flips=np.flatnonzero((new != old) & (new != GREEN) & (old != GREEN)),
        bad_pass=bad_pass,
        good_fail=good_fail,
        warnings=(
            *_label_warnings(len(bad_pass), int(np.count_nonzero(is_bad & (old == GREEN))), len(good_fail)),
            *_population_warnings(readings),
            *_beyond_the_data(readings, before, after),
            *_flaws_beyond_the_data(readings, before, after),
        ),
        severity_before=old,
        severity_after=new,
    )


def _effects(readings: Readings, tried: Readings, old: Severities, new: Severities) -> tuple[ZoneEffect, ...]:
    """A row a characteristic, each of all shells on which its zone, cut-out or decal was looked at."""
    numbers = readings.has_numbers | tried.has_numbers
    (old, told), (new, _) = (one_base(readings.characteristics, each, numbers) for each in (old, new))
    return tuple(
        ZoneEffect(
            readings.characteristics[k],
            counted(old[:, k]),
            counted(new[:, k]),
            share(int(np.count_nonzero(new[:, k] == GREEN)), int(np.count_nonzero(new[:, k] >= 0))),
        )
        for k in told
    )


def _flaw_effects(readings: Readings, tried: Readings, before: Limits, after: Limits) -> tuple[ZoneEffect, ...]:
    """Of each kind what its worst flaw says, of the shells that were looked at for flaws; none found is good."""
    looked = readings.all_flaws.looked & tried.all_flaws.looked
    by_kind = [flaw_severities(one.all_flaws, by)[looked] for one, by in ((readings, before), (tried, after))]
    effects = []
    for code, kind in enumerate(KINDS):
        if looked.any() and is_limited(kind, after):
            old, new = (np.maximum(each[:, code], GREEN) for each in by_kind)
            green = share(int(np.count_nonzero(new == GREEN)), len(new))
            effects.append(ZoneEffect(kind, counted(old), counted(new), green))
    return tuple(effects)


def _label_warnings(bad_pass: int, bad_pass_now: int, good_fail: int) -> Sequence[str]:
    said = []
    if bad_pass:
        now = f" ({bad_pass_now} pass now)" if bad_pass_now else ""
        said.append(f"{bad_pass} confirmed-bad shell{'s' * (bad_pass != 1)} would pass{now}")
    if good_fail:
        said.append(f"{good_fail} confirmed-good shell{'s' * (good_fail != 1)} would be red")
    return said


def _population_warnings(readings: Readings) -> Sequence[str]:
    if not len(readings):
        return ["No shell fits: nothing can be said"]
    if not np.any(readings.recorded == GREEN):
        return ["Only shells that did not pass are here: what a tighter limit would turn red cannot be seen from them"]
    return []


def _beyond_the_data(readings: Readings, before: Limits, after: Limits) -> Sequence[str]:
    """A limit that was moved to where no shell has ever been: nothing stored says what lies between."""
    said = []
    there = readings.has_numbers
    for k, (name, unit) in enumerate(zip(readings.characteristics, readings.units, strict=True)):
        if name not in after or after[name] == before.get(name):
            continue
        limit, was, whole = after[name], before.get(name), there[:, k]
        if not whole.any():
            said.append(f"{name}: no shell here has a number")
            continue
        most, least = float(readings.most[whole, k].max()), float(readings.least[whole, k].min())
        beyond = f"{unit} lies beyond the data"
        if np.isfinite(limit.upper) and limit.upper > most and (was is None or limit.upper != was.upper):
            said.append(f"{name}: limit {limit.upper:+.2f} {beyond}; the highest is {most:+.2f} {unit}")
        if np.isfinite(limit.lower) and limit.lower < least and (was is None or limit.lower != was.lower):
            said.append(f"{name}: limit {limit.lower:+.2f} {beyond}; the lowest is {least:+.2f} {unit}")
    return said


def _flaws_beyond_the_data(readings: Readings, before: Limits, after: Limits) -> Sequence[str]:
    """What stored shells cannot say of a limit of flaws that was moved."""
    said, flaws = [], readings.all_flaws
    for kind in KINDS:
        moved = [s for s in FLAW_SIZES if after.get(name := flaw_limit(kind, s)) != before.get(name)]
        if not moved or not len(readings):
            continue
        if unknown := int(np.count_nonzero(~flaws.looked)):
            of = f"{unknown:,} of {len(readings):,} shells"
            said.append(f"{kind}s were not looked for on {of}: they say nothing of them")
        which = flaws.of_kind(kind)
        if not which.any():
            said.append(f"no {kind} was found on any shell here")
        for size in moved if which.any() else ():
            limit, values = after[flaw_limit(kind, size)].upper, flaws.size(size)[0][which]
            name, was = flaw_limit(kind, size), before.get(flaw_limit(kind, size))
            if was is not None and limit == was.upper:
                continue
            if limit > values.max():
                said.append(f"{name}: limit {limit:.2f} mm lies beyond the data; the greatest is {values.max():.2f} mm")
            elif limit < values.min():
                said.append(
                    f"{name}: limit {limit:.2f} mm lies beyond the data; the smallest is {values.min():.2f} mm, "
                    "and what is smaller is not told from a good cut"
                )
    return said


def earlier_and_later(readings: Readings) -> tuple[Readings, Readings]:
    """The earlier 70 % to tune on and the later 30 % to check on: by time, never by chance."""
    cut = round(EARLIER * len(readings))
    return readings.part(slice(0, cut)), readings.part(slice(cut, None))


def differ(one: Share, other: Share) -> float:
    """The chance of shares at least this far apart if both come from one process (Fisher's exact test)."""
    table = [[one.count, one.of - one.count], [other.count, other.of - other.count]]
    return float(stats.fisher_exact(table).pvalue)
