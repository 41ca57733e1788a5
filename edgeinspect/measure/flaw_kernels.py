"""The inner loops of looking for flaws, compiled by numba (see kernels.py for why)."""

from __future__ import annotations

from math import cos, exp, log, pi, sin, sqrt

import numpy as np
from numba import njit

from edgeinspect.measure.algebra_kernels import median, select, solve

CELL = 0.2  # of the blur: step of the grid that a flaw's shape is passed on from
FAR = 6.5  # blurs: beyond it nothing of a cell arrives
ROUNDS, ENOUGH = 100, 1e-8  # mm, or share of a length
# Sums may be taken in another order, which lets the compiler use wide registers; nan and infinity keep their meaning.
FAST = {"reassoc", "contract", "arcp", "nsz"}


@njit(cache=True)
def _middle(values, used):
    """Of the first ``used`` values the one that as many are below as above; of two the upper. By counting: for twenty
    values that is faster than sorting.
    """
    for i in range(used):
        below = not_above = 0
        for j in range(used):
            below += values[j] < values[i]
            not_above += values[j] <= values[i]
        if below <= used // 2 < not_above:
            return values[i]
    return np.nan


@njit(cache=True)
def local_median(values, reach, stride, found):
    """Median (N,) of every second value (N,) on a closed curve over ``reach`` stations both ways; nan is left out, and
    where less than a third is left it is nan. Worked out at every ``stride``-th station, a straight line in between.
    """
    count = len(values)
    near = np.empty(reach + 1)
    places = (count + stride - 1) // stride
    at_places = np.empty(places + 1)
    for k in range(places):
        used = 0
        for j in range(k * stride - reach, k * stride + reach + 1, 2):
            near[used] = values[j + count if j < 0 else j - count if j >= count else j]
            used += not np.isnan(near[used])
        at_places[k] = _middle(near, used) if 3 * used > reach else np.nan
    at_places[places] = at_places[0]
    for k in range(places):
        width = min(stride, count - k * stride)
        for i in range(width):
            found[k * stride + i] = at_places[k] + i / width * (at_places[k + 1] - at_places[k])


@njit(cache=True)
def band_means(ribbon, start, spacing, trim, near, far, outside, inside):
    """Mean level (N,) of each line (N, M) from ``near`` to ``far`` [mm] outside of the trim line (N,), and inside."""
    count, samples = ribbon.shape
    for i in range(count):
        outside[i] = inside[i] = np.nan
        if not np.isnan(trim[i]):
            for way in (1.0, -1.0):
                ends = (trim[i] + way * near - start) / spacing, (trim[i] + way * far - start) / spacing
                first, last = max(0, round(min(ends[0], ends[1]))), min(samples - 1, round(max(ends[0], ends[1])))
                total = 0.0
                for j in range(first, last + 1):
                    total += ribbon[i, j]
                mean = total / (last - first + 1) if last >= first else np.nan
                if way > 0.0:
                    outside[i] = mean
                else:
                    inside[i] = mean


@njit(cache=True)
def upper_quartile(values):
    """Of the sizes of values (N,); numpy's own takes longer than all else that is looked at here."""
    sizes, last = np.empty(len(values)), len(values) - 1
    for i in range(len(values)):
        sizes[i] = abs(values[i])
    rank = 3 * last // 4
    lower = select(sizes, len(values), rank)
    part = 0.75 * last - rank
    if part == 0.0:
        return lower
    upper = sizes[rank + 1]
    for i in range(rank + 2, len(values)):
        upper = min(upper, sizes[i])
    return lower + part * (upper - lower)


@njit(cache=True)
def unlike_neighbours(
    ribbon, start, spacing, step, d, u, contrast, blur, flags, doubtful, px_per_mm, reach_mm, off_px, share, odd
):  # fmt: skip
    """Which lines (N,) of a closed curve's ribbon are unlike those within ``reach_mm``: their edge by ``off_px``, their
    level outside of it by ``share`` of the step, inside by two and a half times that, or flagged ``doubtful``.
    """
    count = len(d)
    trim, usual = np.empty(count), np.empty(count)
    outside, inside = np.empty(count), np.empty(count)
    sound, steps, seen = np.full(count, np.nan), np.empty(count), 0
    for i in range(count):
        odd[i] = False
        if flags[i] == 0 and np.isfinite(d[i]):
            sound[i], steps[seen] = d[i], abs(contrast[i])
            seen += 1
    if seen < 12:
        return
    reach, stride = max(4, min(round(reach_mm / step), count // 3)), max(1, round(1.5 / step))
    local_median(sound, reach, stride, trim)
    known = 0
    for i in range(count):
        usual[known] = blur[i]
        known += not np.isnan(blur[i])
    wide = 2.0 * median(usual, known)
    band_means(ribbon, start, spacing, trim, wide, wide + 0.5, outside, inside)
    for i in range(count):
        odd[i] = abs(sound[i] - trim[i]) > max(off_px / px_per_mm[i], 6.0 * u[i])
        odd[i] |= flags[i] & doubtful != 0 and np.isfinite(trim[i])
    limit = share * median(steps, seen)
    for level, most in ((outside, limit), (inside, 2.5 * limit)):
        local_median(level, reach, stride, usual)
        for i in range(count):
            odd[i] |= abs(level[i] - usual[i]) > most


@njit(cache=True)
def parabola(at, values, wanted):
    """A parabola through values (k,) at (k,), without what lies far off it, at other places (n,)."""
    keep, away = np.ones(len(at), np.bool_), np.empty(len(at))
    terms, powers, sizes = np.zeros(3), np.ones(3), np.empty(len(at))
    for _ in range(3):
        normal, right = np.zeros((3, 3)), np.zeros(3)
        for i in range(len(at)):
            if keep[i]:
                powers[1], powers[2] = at[i], at[i] * at[i]
                for a in range(3):
                    right[a] += powers[a] * values[i]
                    for b in range(3):
                        normal[a, b] += powers[a] * powers[b]
        terms = solve(normal, right)
        for i in range(len(at)):
            sizes[i] = away[i] = abs(values[i] - terms[0] - at[i] * (terms[1] + at[i] * terms[2]))
        limit, closer = max(0.02, 4.0 * median(sizes, len(at))), 0
        for i in range(len(at)):
            closer += away[i] <= limit
        if closer >= 8:
            for i in range(len(at)):
                keep[i] = away[i] <= limit
    found = np.empty(len(wanted))
    for i in range(len(wanted)):
        found[i] = terms[0] + wanted[i] * (terms[1] + wanted[i] * terms[2])
    return found


@njit(cache=True)
def shifted(rows, by, found):
    """Rows (n, M) read ``by`` (n,) samples further on, linear in between; the ends are carried on."""
    last = rows.shape[1] - 1.001
    for i in range(rows.shape[0]):
        for j in range(rows.shape[1]):
            place = min(max(j + by[i], 0.0), last)
            k = int(place)
            part = place - k
            found[i, j] = rows[i, k] * (1.0 - part) + rows[i, k + 1] * part


@njit(cache=True)
def _through_blur(arc, blur, begin, cells, first, weights):
    """What of each cell arrives at arc lengths (N,): weights (N, W) of the cells from ``first`` (N,) on."""
    for i in range(len(arc)):
        at = (arc[i] - begin) / (CELL * blur)
        first[i] = min(max(0, int(at - FAR / CELL)), cells - weights.shape[1])
        for k in range(weights.shape[1]):
            away = (at - first[i] - k) * CELL
            weights[i, k] = CELL / sqrt(2.0 * pi) * exp(-0.5 * away * away)


@njit(cache=True)
def _shape(terms, begin, cell, part):
    """Mean (4, cells) of 1 - |t|^p over each cell, so that the ends move the sum smoothly, and its slopes by the
    middle, the log of the length and p.
    """
    half, power = 0.5 * exp(terms[1]), exp(terms[3])
    before = np.zeros(4)
    for k in range(part.shape[1] + 1):
        t = min(max((begin + (k - 0.5) * cell - terms[0]) / half, -1.0), 1.0)
        raised = abs(t) ** power
        tail = raised * t / (power + 1.0)
        whole = t - tail
        by_middle = (raised - 1.0) / half
        by_length = (raised - 1.0) * t
        by_power = -tail * (log(abs(t)) - 1.0 / (power + 1.0)) if t != 0.0 else 0.0
        if k > 0:
            part[0, k - 1] = (whole - before[0]) * half / cell
            part[1, k - 1] = (by_middle - before[1]) * half / cell
            part[2, k - 1] = (by_length - before[2]) * half / cell + part[0, k - 1]
            part[3, k - 1] = (by_power - before[3]) * half / cell
        before[0], before[1], before[2], before[3] = whole, by_middle, by_length, by_power


@njit(cache=True, fastmath=FAST)
def _seen(part, first, weights, deep, power, depth, slopes):
    """Depth (N,) of the shape as seen through the blur, and its slopes (N, 4) by the terms of ``fit_shape``."""
    for i in range(len(depth)):
        mean = by_middle = by_length = by_power = 0.0
        for k in range(weights.shape[1]):
            weight = weights[i, k]
            mean += weight * part[0, first[i] + k]
            by_middle += weight * part[1, first[i] + k]
            by_length += weight * part[2, first[i] + k]
            by_power += weight * part[3, first[i] + k]
        depth[i] = deep * mean
        slopes[i, 0], slopes[i, 1] = deep * by_middle, deep * by_length
        slopes[i, 2], slopes[i, 3] = mean, deep * power * by_power


@njit(cache=True)
def fit_shape(arc, seen, u, blur, usual, spread, start, low, high):
    """Middle, log of the length, depth and log of p (4,) of depth * (1 - |t|^p), t from -1 to 1 over the length, that
    fits the depths ``seen`` (N,) through the blur best, each of uncertainty ``u``, within bounds (4,). p is held near
    ``usual`` (log) as far as ``spread`` says. Returns them, the normal matrix (4, 4) and half the sum of squares.

    Levenberg-Marquardt; terms that press against a bound are held there.
    """
    begin, cell = arc[0] - 3.0 * blur, CELL * blur
    cells = int(np.ceil((arc[-1] + 3.0 * blur - begin) / cell))
    part, width = np.empty((4, cells)), min(cells, int(2.0 * FAR / CELL) + 2)
    first, weights = np.empty(len(arc), np.int64), np.empty((len(arc), width))
    _through_blur(arc, blur, begin, cells, first, weights)
    depth, slopes = np.empty(len(arc)), np.empty((len(arc), 4))
    normal, pull, trial = np.zeros((4, 4)), np.zeros(4), np.empty(4)
    matrix, right = np.empty((4, 4)), np.empty(4)
    for a in range(4):
        trial[a] = min(max(start[a], low[a]), high[a])
    terms = trial
    cost, damping = np.inf, 1e-3
    for _ in range(ROUNDS):
        _shape(trial, begin, cell, part)
        _seen(part, first, weights, trial[2], exp(trial[3]), depth, slopes)
        prior = (trial[3] - usual) / spread
        now = 0.5 * prior * prior
        for i in range(len(arc)):
            depth[i] = (depth[i] - seen[i]) / u
            now += 0.5 * depth[i] * depth[i]
        if now < cost:
            terms, cost, damping = trial, now, 0.1 * damping
            normal[:] = 0.0
            pull[:] = 0.0
            for i in range(len(arc)):
                for a in range(4):
                    pull[a] += slopes[i, a] / u * depth[i]
                    for b in range(4):
                        normal[a, b] += slopes[i, a] * slopes[i, b] / (u * u)
            normal[3, 3] += 1.0 / spread**2
            pull[3] += prior / spread
        else:
            damping *= 10.0
        for a in range(4):
            for b in range(4):
                matrix[a, b] = normal[a, b]
            matrix[a, a], right[a] = normal[a, a] * (1.0 + damping) + 1e-12, -pull[a]
        for a in range(4):
            if (terms[a] <= low[a] and pull[a] > 0.0) or (terms[a] >= high[a] and pull[a] < 0.0):
                for b in range(4):
                    matrix[a, b] = matrix[b, a] = 0.0
                matrix[a, a], right[a] = 1.0, 0.0
        trial, moved = solve(matrix, right), 0.0
        for a in range(4):
            trial[a] = min(max(terms[a] + trial[a], low[a]), high[a])
            moved = max(moved, abs(trial[a] - terms[a]))
        if moved < ENOUGH:
            break
    return terms, normal, cost


@njit(cache=True)
def _running_mean(values, width, mean):
    """Of values (N,) on a closed curve over ``width`` stations (made odd)."""
    count, half, total = len(values), max(1, width // 2), 0.0
    for j in range(-half, half + 1):
        total += values[j % count]
    for i in range(count):
        mean[i] = total / (2 * half + 1)
        total += values[(i + half + 1) % count] - values[(i - half) % count]


@njit(cache=True)
def _closed(values, known, whole):
    """Values (N,) of a closed curve, straight lines where they are not ``known`` (N,)."""
    count, last = len(values), 0
    while not known[last]:
        last += 1
    for k in range(last + 1, last + count + 1):
        if known[k % count]:
            before, after = values[last % count], values[k % count]
            for j in range(last + 1, k + 1):
                whole[j % count] = before + (after - before) * ((j - last) / (k - last))
            whole[k % count] = after
            last = k


@njit(cache=True)
def loud_places(d, u, flags, gone, trend, local, loud_mm, loud_noise, rest, sound, loud):
    """Where along a closed curve (N,) the edge does not lie as a good cut does: ``rest``, what a slow ``trend`` leaves
    of it, is ``loud`` over ``local`` stations by its rms [mm] and against its noise. ``sound`` - there is an edge, none
    of the flags ``gone``; nowhere loud where that is less than half of all. Returns the usual noise.
    """
    count, used = len(d), 0
    sizes, whole, once, twice = np.empty((4, count))
    for i in range(count):
        loud[i] = False
        sound[i] = np.isfinite(d[i]) and flags[i] & gone == 0
        if sound[i]:
            sizes[used] = u[i]
            used += 1
    noise = median(sizes, used)
    if 2 * used < count or used == 0:
        return noise
    _closed(d, sound, whole)
    _running_mean(whole, trend, once)
    _running_mean(once, trend, twice)
    for i in range(count):
        rest[i] = whole[i] - twice[i] if sound[i] else 0.0
        whole[i] = rest[i] * rest[i]
    _running_mean(whole, local, once)
    for i in range(count):
        loud[i] = once[i] > max(loud_mm, loud_noise * noise) ** 2
    return noise


@njit(cache=True, fastmath=FAST)
def _wave_at(rest, window, across, along):
    """Sums of values (W,) and of their squares through ``window`` (W,): with both phases of a wave, and by itself."""
    a = b = square = 0.0
    for j in range(len(rest)):
        a += rest[j] * across[j]
        b += rest[j] * along[j]
        square += rest[j] * rest[j] * window[j]
    return a, b, square


@njit(cache=True)
def waves(rest, sound, half, per_station, least, amplitude, explained):
    """At each of some stations in a row (N,) the wave of ``per_station`` periods a station, fitted through a raised
    cosine of ``half`` stations both ways: ``amplitude`` (N,) and the share of the mean square that it explains (N,); 0
    where less than half the window is ``sound`` (N,). Returns where among those that explain ``least`` the amplitude is
    greatest; -1: nowhere.
    """
    count, width = len(rest), 2 * half + 1
    window, across, along = np.empty(width), np.empty(width), np.empty(width)
    for j in range(width):
        window[j] = 0.5 * (1.0 + cos(pi * (j - half) / (half + 1)))
        phase = 2.0 * pi * (j - half) * per_station
        across[j], along[j] = window[j] * cos(phase), window[j] * sin(phase)
    best, greatest = -1, 0.0
    for i in range(count):
        begin, end = max(0, i - half), min(count, i + half + 1)
        skipped = begin - i + half
        weight = 0.0
        for j in range(begin, end):
            weight += window[skipped + j - begin] if sound[j] else 0.0
        weight, last = max(weight, 1e-9), skipped + end - begin
        a, b, square = _wave_at(rest[begin:end], window[skipped:last], across[skipped:last], along[skipped:last])
        amplitude[i] = 2.0 * sqrt(a * a + b * b) / weight
        explained[i] = 0.0
        if weight >= 0.5 * (half + 1):  # the window's sum is half + 1
            explained[i] = 0.5 * amplitude[i] * amplitude[i] / max(square / weight, 1e-12)
        if explained[i] >= least and amplitude[i] > greatest:
            best, greatest = i, amplitude[i]
    return best
