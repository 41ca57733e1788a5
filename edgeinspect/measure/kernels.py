"""The inner loops of measuring, compiled by numba: one scan line after the other, no temporary arrays.

The same arithmetic in numpy costs four times as much on thousands of short lines. Single-threaded on purpose: results
are the same on every machine, and a station measures in a worker process of its own.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
from numba import njit
from scipy.special import ndtr

from edgeinspect.measure.algebra_kernels import median, solve
from edgeinspect.measure.measurement import Flag

SQRT_2PI = sqrt(2.0 * np.pi)
NO_EDGE, POOR_FIT, SATURATED, OUTSIDE, RIVAL_EDGE = (
    int(flag) for flag in (Flag.NO_EDGE, Flag.POOR_FIT, Flag.SATURATED, Flag.OUTSIDE, Flag.RIVAL_EDGE)
)
# Sums may be taken in another order, which lets the compiler use wide registers; nan and infinity keep their meaning.
FAST = {"reassoc", "contract", "arcp", "nsz"}


# F and its density by table: linear between 4096 steps from -6 to 6, error below 3e-7, five times faster than exp.
TABLE_STEPS, TABLE_END = 4096, 6.0
TABLE_LAST = TABLE_END - 1e-9
_X = np.linspace(-TABLE_END, TABLE_END, TABLE_STEPS + 1)
TABLE_F = ndtr(_X)
TABLE_DENSITY = np.exp(-0.5 * _X * _X)


@njit(cache=True, inline="always")
def normal(x):
    """Integral F(x) of the normal distribution, and exp(-x²/2)."""
    x = x if x > -TABLE_END else -TABLE_END  # nan too: it must not become a place in a table
    x = x if x < TABLE_LAST else TABLE_LAST
    place = (x + TABLE_END) * (TABLE_STEPS / (2.0 * TABLE_END))
    k = np.uint32(place)  # without a sign: nothing is counted from a table's end
    part, following = place - k, k + np.uint32(1)
    return (
        TABLE_F[k] + part * (TABLE_F[following] - TABLE_F[k]),
        TABLE_DENSITY[k] + part * (TABLE_DENSITY[following] - TABLE_DENSITY[k]),
    )


@njit(cache=True, fastmath=FAST)
def _total(values):
    total = 0.0
    for j in range(len(values)):
        total += values[j]
    return total


@njit(cache=True)
def rise_outwards(ribbon):
    """How many more lines (N, M) are brighter in their last third than darker; nan counts for neither."""
    count, samples = ribbon.shape
    third = max(1, samples // 3)
    more = 0
    for i in range(count):
        rise = _total(ribbon[i, samples - third :]) - _total(ribbon[i, :third])
        if rise > 0.0:
            more += 1
        elif rise < 0.0:
            more -= 1
    return more


@njit(cache=True, fastmath=True)
def _greatest(values):
    """Of values none of which is nan; 0 where all are below."""
    best = np.float32(0.0)
    for j in range(len(values)):
        best = values[j] if values[j] > best else best
    return best


@njit(cache=True)
def seek(ribbon, polarity, lag, place, strength, rival):
    """Strongest rise of ``polarity`` over ``lag`` samples on each line (N, M), and the strongest away from it.

    ``place`` (N,) [samples] is its middle, refined by a parabola.
    """
    count, samples = ribbon.shape
    last, way = samples - lag, np.float32(polarity)
    rise, none = np.empty(last, np.float32), np.float32(0.0)
    for i in range(count):
        behind = ribbon[i]
        ahead = behind[lag:]
        for j in range(last):
            up = (ahead[j] - behind[j]) * way
            rise[j] = up if up > none else none  # nan counts for nothing
        best, at = _greatest(rise), 0
        while best > none and rise[at] != best:
            at += 1
        away = int(1.6 * lag)
        second = max(_greatest(rise[: max(0, at - away)]), _greatest(rise[at + away + 1 :]))
        part = 0.0
        if 0 < at < last - 1:
            before = (ribbon[i, at - 1 + lag] - ribbon[i, at - 1]) * polarity
            after = (ribbon[i, at + 1 + lag] - ribbon[i, at + 1]) * polarity
            bend = before - 2.0 * best + after
            if bend < 0.0:
                part = 0.5 * (before - after) / bend
        place[i], strength[i], rival[i] = at + 0.5 * lag + part, best, second


@njit(cache=True)
def extremes(values, inside):
    """Where among places (N,) that are ``inside`` (N,) the value is greatest and least, how many have one and how many
    are inside; nan is no value. The places are -1 where there is none.
    """
    most, least, seen, whole = -1, -1, 0, 0
    for i in range(len(values)):
        if inside[i]:
            whole += 1
            if np.isfinite(values[i]):
                seen += 1
                most = i if most < 0 or values[i] > values[most] else most
                least = i if least < 0 or values[i] < values[least] else least
    return most, least, seen, whole


@njit(cache=True)
def block_rms(values, count, factor, width, found):
    """Root mean squares of ``factor`` times values (N,), or of one value all along, over each ``width`` of ``count``
    places; nan is left out, and is what it is where there is nothing else.
    """
    for k in range(len(found)):
        total, known = 0.0, 0
        for i in range(k * width, min((k + 1) * width, count)):
            value = factor * values[i % len(values)]
            if np.isfinite(value):
                total += value * value
                known += 1
        found[k] = sqrt(total / known) if known > 0 else np.nan


@njit(cache=True)
def median_third_difference(ribbon):
    """Median size of the third difference along the curve, over a thinned ribbon (N, M); nan is left out."""
    count, samples = ribbon.shape
    sizes = np.empty(((count + 2) // 3) * ((samples + 2) // 3))
    used = 0
    for i in range(0, count - 3, 3):
        for j in range(0, samples, 3):  # samples half a pixel apart: an even step would stay at one sub-pixel phase
            size = abs(ribbon[i + 3, j] - 3.0 * ribbon[i + 2, j] + 3.0 * ribbon[i + 1, j] - ribbon[i, j])
            if size < 1e6:
                sizes[used] = size
                used += 1
    return median(sizes, used) if used > 0 else 0.0


@njit(cache=True, fastmath=FAST)
def two_steps(ribbon, first, width, origin, spacing, blurs, common, at, gap, share, sums):
    """Normal equations (N, 10) of every line as two steps ``gap`` apart, ``share`` of the whole at the first,
    blurred by ``blurs`` (N,), which are each a fixed part of the ``common`` one.

    Level and step are each line's own and taken out. In a row: place with place, place with share, share with share,
    place with blur, share with blur, blur with blur [1/(noise variance)]; right sides of place, share, blur; mean
    square of what is left. Zeros where the line is not seen.
    """
    part = np.zeros(5)  # shape, its slopes by place, share and blur, value
    total = np.zeros(5)
    product = np.zeros((5, 5))
    for i in range(ribbon.shape[0]):
        count, blur = 0.0, blurs[i]
        reach = 4.0 * blur
        total[:] = 0.0
        product[:] = 0.0
        for j in range(width):
            d = origin + (first[i] + j) * spacing
            if d < at[i] - reach or d > at[i] + gap[i] + reach:
                continue
            x, y = (d - at[i]) / blur, (d - at[i] - gap[i]) / blur
            near, near_density = normal(x)
            far, far_density = normal(y)
            near_density, far_density = share[i] * near_density, (1.0 - share[i]) * far_density
            part[0] = share[i] * near + (1.0 - share[i]) * far
            part[1] = -(near_density + far_density) / (blur * SQRT_2PI)
            part[2] = near - far
            part[3] = -(x * near_density + y * far_density) / (common * SQRT_2PI)
            part[4] = ribbon[i, first[i] + j]
            count += 1.0
            for a in range(5):
                total[a] += part[a]
                for b in range(a + 1):
                    product[a, b] += part[a] * part[b]
        sums[i] = 0.0
        if count < 4.0 or total[4] * 0.0 != 0.0:
            continue
        # Everything less its mean, then less its part along the shape.
        for a in range(5):
            for b in range(a + 1):
                product[a, b] -= total[a] * total[b] / count
        size = product[0, 0]
        if size < 1e-9:
            continue
        step = product[4, 0] / size
        for a in range(4, 0, -1):
            for b in range(a, 0, -1):
                product[a, b] -= product[a, 0] * product[b, 0] / size
        sums[i, 0], sums[i, 1], sums[i, 2] = product[1, 1], product[2, 1], product[2, 2]
        sums[i, 3], sums[i, 4], sums[i, 5] = product[3, 1], product[3, 2], product[3, 3]
        for a in range(6):
            sums[i, a] *= step * step
        sums[i, 6], sums[i, 7], sums[i, 8] = step * product[4, 1], step * product[4, 2], step * product[4, 3]
        sums[i, 9] = max(product[4, 4], 0.0) / count


@njit(cache=True)
def walk_outline(plan, nominal, tangent, normal, bend, pace, deviation, index, ahead):
    """Foot and signed deviation of point i (N, 2) on a closed outline, starting at station i (see
    alignment.deviation_from).
    """
    count = len(nominal)
    for i in range(count):
        at, along = i, 0.0
        for _ in range(4):
            along = (plan[i, 0] - nominal[at, 0]) * tangent[at, 0] + (plan[i, 1] - nominal[at, 1]) * tangent[at, 1]
            if not abs(along) < 1e6:
                break
            hop = min(max(round(along / pace[at]), -20), 20)
            if hop == 0:
                break
            at = (at + hop) % count
        dx, dy = plan[i, 0] - nominal[at, 0], plan[i, 1] - nominal[at, 1]
        along = dx * tangent[at, 0] + dy * tangent[at, 1]
        deviation[i] = dx * normal[at, 0] + dy * normal[at, 1] - 0.5 * along * along * bend[at]
        index[i], ahead[i] = at, along


@njit(cache=True)
def weighted_fit(rows, target, weight, ridge):
    """Least squares of target (N,) on rows (N, T), weights (N,), ``ridge`` (T,) added to the normal equations."""
    terms = rows.shape[1]
    normal, right = np.zeros((terms, terms)), np.zeros(terms)
    for i in range(len(rows)):
        if weight[i] > 0.0:
            for a in range(terms):
                part = weight[i] * rows[i, a]
                right[a] += part * target[i]
                for b in range(a + 1):
                    normal[a, b] += part * rows[i, b]
    for a in range(terms):
        normal[a, a] += ridge[a]
        for b in range(a):
            normal[b, a] = normal[a, b]
    return solve(normal, right)


@njit(cache=True)
def robust_fit(rows, target, usable, rounds, floor):
    """Least squares over the usable lines, then without those off by over 5.2 median residuals and ``floor``."""
    ridge = np.full(rows.shape[1], 1e-12)
    weight = usable.astype(np.float64)
    terms = weighted_fit(rows, target, weight, ridge)
    away, sizes = np.empty(len(rows)), np.empty(len(rows))
    for _ in range(rounds):
        used = 0
        for i in range(len(rows)):
            rest = target[i]
            for a in range(rows.shape[1]):
                rest -= rows[i, a] * terms[a]
            away[i] = abs(rest)
            if weight[i] > 0.0:
                sizes[used] = away[i]
                used += 1
        limit = max(floor, 5.2 * median(sizes, used))
        for i in range(len(rows)):
            weight[i] = 1.0 if usable[i] and away[i] < limit else 0.0
        terms = weighted_fit(rows, target, weight, ridge)
    return terms


@njit(cache=True)
def fit_shift(points, normals, offset, usable, flaw, largest_flaw_share, tolerate):
    """Plane shift (dx, dy, rotation about the origin) that explains offsets (N,) along normals (see alignment).

    Returns the three terms, which points were used (N,), their rms residual and the normal matrix (3, 3).
    """
    count = len(points)
    used = usable.copy()
    seen = np.count_nonzero(usable)
    terms, rest, normal, right = np.zeros(3), np.empty(count), np.zeros((3, 3)), np.zeros(3)
    sizes = np.empty(seen)
    for _ in range(8):
        normal[:] = 0.0
        right[:] = 0.0
        for i in range(count):
            if used[i]:
                x, y = normals[i, 0], normals[i, 1]
                turn = points[i, 0] * y - points[i, 1] * x
                row = (x, y, turn)
                for a in range(3):
                    right[a] += row[a] * offset[i]
                    for b in range(3):
                        normal[a, b] += row[a] * row[b]
        terms = solve(normal, right)
        k = 0
        for i in range(count):
            x, y = normals[i, 0], normals[i, 1]
            rest[i] = offset[i] - terms[0] * x - terms[1] * y - terms[2] * (points[i, 0] * y - points[i, 1] * x)
            if usable[i]:
                sizes[k] = rest[i]
                k += 1
        if not tolerate:
            break
        middle = median(sizes, seen)
        for i in range(seen):
            sizes[i] = abs(sizes[i] - middle)
        limit = max(flaw, 4.0 * 1.4826 * median(sizes, seen))
        kept = 0
        for i in range(count):
            if usable[i] and abs(rest[i]) < limit:
                kept += 1
        whole = kept < (1.0 - largest_flaw_share) * seen
        same = True
        for i in range(count):
            keep = usable[i] and (whole or abs(rest[i]) < limit)
            same = same and keep == used[i]
            used[i] = keep
        if same:
            break
    total, square = 0, 0.0
    for i in range(count):
        if used[i]:
            total += 1
            square += rest[i] * rest[i]
    return terms, used, np.sqrt(square / max(total, 1)), normal


@njit(cache=True)
def excess_of_most(values, sigma, inside, side, every):
    """How much the largest of some values (N,), those ``inside`` (N,), with noise sigma (N,) lies above the largest
    value, on average: the mean of the largest less the largest; ``side`` -1: the same of the least, downwards. Only
    each ``every``-th counts, from the largest on both ways: between them noise is shared. nan counts for nothing.
    """
    count, top = len(values), -1
    for i in range(count):
        if inside[i] and values[i] == values[i] and (top < 0 or side * values[i] > side * values[top]):
            top = i
    if top < 0 or not sigma[top] > 0.0:
        return 0.0
    rivals, near = np.empty(count, dtype=np.int64), 0
    for i in range(top % every, count, every):
        if inside[i] and sigma[i] > 0.0 and side * (values[top] - values[i]) < 3.0 * (sigma[top] + sigma[i]):
            rivals[near] = i
            near += 1
    # Integral of (1 - P) above and of -P below the largest value, P the probability that all are less.
    step, total = 0.4 * sigma[top], 0.0
    for k in range(-12, 14):
        level = (k + 0.5) * step
        below = 1.0
        for j in range(near):
            i = rivals[j]
            below *= normal((side * (values[top] - values[i]) + level) / sigma[i])[0]
            if below < 1e-6:
                break
        total += (1.0 - below if level > 0.0 else -below) * step
    return total
