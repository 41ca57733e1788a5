"""What a limit costs: bad shells that pass and good ones that do not, from the process spread and the gauge's u.

A true value is taken as normal with the process's mean and standard deviation, a reading as the true value plus a
normal error of standard deviation u. The stored spread is that of readings: the gauge's own part is taken out of it.
Source: JCGM 106:2012, clause 9 (risks of consumer and producer).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import ndtr

from edgeinspect.geometry import Array
from edgeinspect.process.limits import Limits
from edgeinspect.process.readings import Held, Readings, Seen
from edgeinspect.process.what_if import CONFIDENCE, Share, share

NODES, WEIGHTS = np.polynomial.legendre.leggauss(96)
REACH = 9.0  # standard deviations beyond which nothing is left (1e-19)
BLOCKS = 20  # of time, for intervals: whole blocks are left out, so that drift and likeness of neighbours count
FEWEST = 2 * BLOCKS  # shells; fewer say nothing of a spread


def bad_and_inside(
    mean: Array, sd: Array, u: Array, tolerance: tuple[Array, Array], inside: tuple[Array, Array]
) -> Array:
    """The chance that the true value is out of ``tolerance`` and its reading lies ``inside``; arrays broadcast.

    Legendre quadrature over the true value, only where there is anything: absolute error below 1e-12.
    """
    mean, sd, u = np.broadcast_arrays(*(np.asarray(a, float) for a in (mean, sd, u)))
    total = np.zeros(mean.shape)
    low_in, high_in = inside
    for sign in (1.0, -1.0):
        edge, far = (tolerance[1], high_in) if sign > 0 else (-tolerance[0], -low_in)
        centre = sign * mean
        start = np.maximum(edge, centre - REACH * sd)
        end = np.minimum(centre + REACH * sd, far + REACH * u)
        with np.errstate(invalid="ignore"):
            half = np.where(np.isfinite(start) & (end > start), (end - start) / 2.0, 0.0)
        middle = np.where(half > 0, start + half, centre)
        true = sign * (middle[..., None] + half[..., None] * NODES)
        spread, gauge = np.maximum(sd, 1e-9)[..., None], np.maximum(u, 1e-12)[..., None]
        density = np.exp(-0.5 * ((true - mean[..., None]) / spread) ** 2) / (spread * np.sqrt(2.0 * np.pi))
        read_in = ndtr((np.asarray(high_in)[..., None] - true) / gauge) - ndtr(
            (np.asarray(low_in)[..., None] - true) / gauge
        )
        total = total + half * np.sum(WEIGHTS * density * read_in, axis=-1)
    return np.asarray(total)


@dataclass(frozen=True)
class Risk:
    """Chances per shell at one limit, of the whole production (not of one reading). All are shares of all shells."""

    false_accept: Array  # bad, and passes: the consumer's
    false_reject: Array  # good, and does not pass: the producer's
    false_red: Array  # of those: good, and called bad
    accepted: Array
    bad: Array  # truly out of tolerance


def risk(
    mean: Array, sd: Array, u: Array, tolerance: tuple[Array, Array], limit: tuple[Array, Array], guard: Array
) -> Risk:
    """``sd`` - of the true values. ``tolerance`` decides what is good, ``limit`` with its guard band what passes:
    readings within the limits by more than the guard pass, readings outside by more are red (ISO 14253-1).
    """
    mean, sd, u = (np.asarray(a, float) for a in (mean, sd, u))
    lower, upper = np.asarray(limit[0], float), np.asarray(limit[1], float)
    passes, not_red = (lower + guard, upper - guard), (lower - guard, upper + guard)
    whole = np.hypot(sd, u)

    def within(span: tuple[Array, Array], width: Array) -> Array:
        scale = np.maximum(width, 1e-12)
        return np.asarray(np.maximum(ndtr((span[1] - mean) / scale) - ndtr((span[0] - mean) / scale), 0.0))

    good = within((np.asarray(tolerance[0]), np.asarray(tolerance[1])), sd)
    accepted = np.where(passes[1] > passes[0], within(passes, whole), 0.0)
    false_accept = np.where(passes[1] > passes[0], bad_and_inside(mean, sd, u, tolerance, passes), 0.0)
    # good and not inside = good - (inside - (bad and inside)); differences of sums near 1 stay exact to 1e-15
    false_reject = np.maximum(good - (accepted - false_accept), 0.0)
    false_red = np.maximum(good - (within(not_red, whole) - bad_and_inside(mean, sd, u, tolerance, not_red)), 0.0)
    return Risk(false_accept, false_reject, false_red, accepted, 1.0 - good)


@dataclass(frozen=True)
class Estimate:
    """A chance with its 95 % interval, from leaving out one block of time after the other."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class SideRisk:
    """One way of one characteristic: too much, too little, or both where it is a single number."""

    characteristic: str
    way: str  # "most", "least" or "both"
    mean: float
    sd: float  # of the process: the readings' with the gauge's part taken out
    u: float  # rms of the gauge's standard uncertainty
    false_accept: Estimate
    false_reject: Estimate
    false_red: Estimate
    expected_green: float  # share of shells that this model lets pass on this way
    seen_green: Share  # share that did: outside its interval the spread is not normal and the risks are not to be had


@dataclass(frozen=True)
class Risks:
    sides: tuple[SideRisk, ...]
    false_accept: Estimate  # per shell; its upper end is no less than the sum over all sides
    false_reject: Estimate  # per shell: good in every way, and does not pass
    shells: int  # that have every number
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Sides:
    """F ways of N shells: values, u, tolerance, limit."""

    names: list[tuple[str, str]]
    values: Array  # (N, F)
    u: Array  # (N, F)
    tolerance: tuple[Array, Array]  # (F,) each
    limit: tuple[Array, Array]
    factor: Array  # (F,)


def _sides(readings: Readings, tolerance: Limits, limits: Limits) -> _Sides:
    names: list[tuple[str, str]] = []
    columns, us, tol, lim, factor = [], [], [], [], []
    for k, name in enumerate(readings.characteristics):
        if name not in limits or name not in tolerance:
            continue
        drawing, limit = tolerance[name], limits[name]
        single = np.array_equal(readings.least[:, k], readings.most[:, k], equal_nan=True)
        ways = {"both": (-np.inf, np.inf)} if single else {"least": (0.0, np.inf), "most": (-np.inf, 0.0)}
        for way in ways:
            low, high = way != "most", way != "least"
            names.append((name, way))
            columns.append((readings.least if way == "least" else readings.most)[:, k])
            us.append((readings.u_least if way == "least" else readings.u_most)[:, k])
            tol.append((drawing.lower if low else -np.inf, drawing.upper if high else np.inf))
            lim.append((limit.lower if low else -np.inf, limit.upper if high else np.inf))
            factor.append(limit.guard_factor)
    shape = (len(readings), 0)
    t, m = np.array(tol).reshape(-1, 2), np.array(lim).reshape(-1, 2)
    return _Sides(
        names,
        np.column_stack(columns) if columns else np.zeros(shape),
        np.column_stack(us) if us else np.zeros(shape),
        (t[:, 0], t[:, 1]),
        (m[:, 0], m[:, 1]),
        np.array(factor),
    )


def spread(values: Array, u: Array) -> tuple[Array, Array, Array]:
    """Mean, standard deviation of the true values, rms u, each (F,), of N shells (N, F).

    The variance of readings is the process's plus the gauge's; where the gauge's is the greater one the process's is 0.
    """
    rms_u = np.sqrt(np.mean(u**2, axis=0))
    process = np.var(values, axis=0, ddof=1) - rms_u**2
    return values.mean(axis=0), np.sqrt(np.maximum(process, 0.0)), rms_u


def spreads_without(values: Array, u: Array, parts: list[NDArray[np.int64]]) -> tuple[Array, Array, Array]:
    """``spread`` without one part, for each of B parts, (B, F) each: from sums over the parts, in one pass."""
    middle = values.mean(axis=0)
    off = values - middle  # sums of squares lose digits away from 0
    starts = [int(part[0]) for part in parts]
    sums = [np.add.reduceat(a, starts, axis=0) for a in (off, off**2, u**2)]
    first, second, gauge = (one.sum(axis=0) - one for one in sums)
    count = (len(values) - np.array([len(part) for part in parts]))[:, None]
    rms_u = np.sqrt(gauge / count)
    process = (second - first**2 / count) / (count - 1) - rms_u**2
    return middle + first / count, np.sqrt(np.maximum(process, 0.0)), rms_u


def _jackknife(whole: Array, left_out: Array) -> list[Estimate]:
    """Intervals (F,) of chances from B estimates without one block each (B, F), on the scale of log odds."""
    count = len(left_out)
    centre, each = (np.log(p / (1 - p)) for p in (np.clip(a, 1e-12, 1 - 1e-12) for a in (whole, left_out)))
    error = np.sqrt((count - 1) / count * np.sum((each - each.mean(axis=0)) ** 2, axis=0))
    reach = stats.t.ppf(0.5 + CONFIDENCE / 2, count - 1) * error
    low, high = (1 / (1 + np.exp(-(centre + sign * reach))) for sign in (-1, 1))
    return [Estimate(float(v), float(a), float(b)) for v, a, b in zip(whole, low, high, strict=True)]


def risks(readings: Readings, tolerance: Limits, limits: Limits) -> Risks | None:
    """Risks of ``limits`` where ``tolerance`` (the drawing's) says what is good. Shells are oldest first.

    None where fewer than 40 shells have every number: they say too little of the spread.
    """
    sides = _sides(readings, tolerance, limits)
    judged = [k for k, name in enumerate(readings.characteristics) if name in limits and name in tolerance]
    whole = (readings.seen[:, judged] == Seen.WHOLE).all(axis=1) & (readings.held != Held.STOPPED)
    if np.count_nonzero(whole) < FEWEST or not sides.names:
        return None
    kept, values, u = readings.part(whole), sides.values[whole], sides.u[whole]
    parts: list[NDArray[np.int64]] = np.array_split(np.arange(len(values)), BLOCKS)
    mean, sd, rms_u = (
        np.vstack(pair) for pair in zip(spread(values, u), spreads_without(values, u, parts), strict=True)
    )  # (1 + B, F)
    guard = sides.factor * rms_u
    found = risk(mean, sd, rms_u, sides.tolerance, sides.limit, guard)
    accept, reject, red = (
        _jackknife(one[0], one[1:]) for one in (found.false_accept, found.false_reject, found.false_red)
    )
    green = _green_by_side(values, u, sides)
    all_of_them = 1.0 - (1.0 - CONFIDENCE) / len(sides.names)  # so that one of many is not called strange by chance
    rows = tuple(
        SideRisk(
            name, way, float(mean[0, f]), float(sd[0, f]), float(rms_u[0, f]), accept[f], reject[f], red[f],
            float(found.accepted[0, f]), share(int(green[:, f].sum()), len(values), all_of_them),
        )
        for f, (name, way) in enumerate(sides.names)
    )  # fmt: skip
    shell_accept, shell_reject = _per_shell(values, sides, (mean[0], sd[0], rms_u[0]), parts)
    most = min(1.0, sum(one.high for one in accept))
    shell_accept = Estimate(shell_accept.value, min(shell_accept.low, most), max(shell_accept.high, most))
    return Risks(rows, shell_accept, shell_reject, len(kept), tuple(_warnings(rows)))


def _green_by_side(values: Array, u: Array, sides: _Sides) -> Array:
    guard = sides.factor * u
    return np.asarray((values >= sides.limit[0] + guard) & (values <= sides.limit[1] - guard))


def _per_shell(
    values: Array, sides: _Sides, model: tuple[Array, Array, Array], parts: list[NDArray[np.int64]]
) -> tuple[Estimate, Estimate]:
    """False accept and false reject of whole shells. A path that is off moves many zones at once, so zones must not be
    multiplied as if apart: the stored shells themselves, each drawn in towards the mean until the spread is that of
    the true values, stand for the true shells; each is then looked at again by chance.
    """
    mean, sd, u = model
    read = np.hypot(sd, u)
    true = mean + np.where(read > 0, sd / np.where(read > 0, read, 1.0), 0.0) * (values - mean)
    guard = sides.factor * u
    scale = np.maximum(u, 1e-12)
    passes = np.prod(
        np.maximum(ndtr((sides.limit[1] - guard - true) / scale) - ndtr((sides.limit[0] + guard - true) / scale), 0.0),
        axis=1,
    )
    good = ((true >= sides.tolerance[0]) & (true <= sides.tolerance[1])).all(axis=1)
    estimates = []
    for each in (np.where(good, 0.0, passes), np.where(good, 1.0 - passes, 0.0)):
        without = np.array([(each.sum() - each[part].sum()) / (len(each) - len(part)) for part in parts])
        estimates += _jackknife(np.array([each.mean()]), without[:, None])
    return estimates[0], estimates[1]


def _warnings(rows: tuple[SideRisk, ...]) -> list[str]:
    said = []
    for row in rows:
        if not row.seen_green.low <= row.expected_green <= row.seen_green.high:
            said.append(
                f"{row.characteristic} ({row.way}): a normal spread lets {100 * row.expected_green:.2f} % pass, "
                f"{100 * row.seen_green.share:.2f} % did: its risks are not to be trusted"
            )
        if row.sd < row.u:
            said.append(f"{row.characteristic} ({row.way}): the gauge spreads more than the process")
    return said
