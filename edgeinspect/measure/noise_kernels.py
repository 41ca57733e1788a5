"""Differences of a picture's pixels that only noise fills, and their spread by level; compiled by numba."""

from __future__ import annotations

import numpy as np
from numba import njit

from edgeinspect.measure.algebra_kernels import median, select

CLUSTER, APART = 8, 5  # places side by side lie on the same lines of memory; 5 px apart they share no pixel
TRUNCATED = 0.9121  # variance of a normal distribution within 2.5 standard deviations
QUANTILE, AT_QUANTILE = 0.3, 0.3853  # of the size of normal values: the low ones are the flat places


@njit(cache=True, inline="always")
def _difference(raw, row, column, lag):
    """Second difference along rows of the second difference along columns: 36 times the variance of white noise, and
    nothing of an edge along an axis, of a slope or of slow shading.

    Source of the mask: J. Immerkaer, Fast noise variance estimation, CVIU 64 (1996) 300-302 (from memory).
    """
    up, down, left, right = row - lag, row + lag, column - lag, column + lag
    corners = float(raw[up, left]) + float(raw[up, right]) + float(raw[down, left]) + float(raw[down, right])
    sides = float(raw[up, column]) + float(raw[down, column]) + float(raw[row, left]) + float(raw[row, right])
    return (corners - 2.0 * sides + 4.0 * raw[row, column]) / 6.0


@njit(cache=True)
def differences(raw, pace, full, level, fine, coarse, change):
    """At clusters of places ``pace`` rows apart: mean of 5 x 5 pixels, difference of neighbours and of every second
    pixel [sd of white noise], greatest change of level over four pixels. Returns how many; places that touch 0 or
    ``full`` are left out.
    """
    height, width = raw.shape
    wide = max(2 * pace, CLUSTER * APART + 8)
    used = 0
    for row in range(pace // 2 + 2, height - 2, pace):
        for start in range(2, width - CLUSTER * APART, wide):
            for k in range(CLUSTER):
                column = start + k * APART
                total, inside = 0.0, True
                for r in range(row - 2, row + 3, 2):
                    for c in range(column - 2, column + 3, 2):
                        value = raw[r, c]
                        inside = inside and 0 < value < full
                        total += value
                if not inside:
                    continue
                across, down = 0.0, 0.0
                for j in range(-2, 3, 2):
                    across += float(raw[row + j, column + 2]) - float(raw[row + j, column - 2])
                    down += float(raw[row + 2, column + j]) - float(raw[row - 2, column + j])
                level[used] = total / 9.0
                fine[used] = _difference(raw, row, column, 1)
                coarse[used] = _difference(raw, row, column, 2)
                change[used] = max(abs(across), abs(down)) / 3.0
                used += 1
    return used


@njit(cache=True)
def _clipped(values, flat, begin, end, variance):
    """Variance of the values without those beyond 2.5 standard deviations, and how many places were flat."""
    used = 0
    for _ in range(12):
        limit, total, count, used = 6.25 * variance, 0.0, 0, 0
        for j in range(begin, end):
            if flat[j]:
                used += 1
                square = values[j] * values[j]
                if square <= limit:
                    total += square
                    count += 1
        if count == 0:
            return variance, used
        new = total / count / TRUNCATED
        same = abs(new - variance) < 1e-4 * variance
        variance = max(new, 1e-4)
        if same:
            break
    return variance, used


@njit(cache=True)
def _by_bins(level, edges, ends):
    """Numbers of the places (N,) in the order of their bins of level: those of bin k from ``ends[k]`` on to
    ``ends[k + 1]``, those outside of all bins left out.
    """
    bins, own = len(edges) - 1, np.empty(len(level), np.int64)
    ends[:] = 0
    for i in range(len(level)):
        own[i] = -1
        if edges[0] <= level[i] < edges[bins]:
            low, high = 0, bins
            while high - low > 1:
                middle = (low + high) // 2
                if edges[middle] <= level[i]:
                    low = middle
                else:
                    high = middle
            own[i] = low
            ends[low + 1] += 1
    for k in range(bins):
        ends[k + 1] += ends[k]
    order, filled = np.empty(ends[bins], np.int64), ends.copy()
    for i in range(len(level)):
        if own[i] >= 0:
            order[filled[own[i]]] = i
            filled[own[i]] += 1
    return order


@njit(cache=True)
def _taken(values, order):
    taken = np.empty(len(order))
    for i in range(len(order)):
        taken[i] = values[order[i]]
    return taken


@njit(cache=True)
def by_level(level, fine, coarse, change, edges, flat_sd, floor, least, found):
    """Fill ``found`` (K - 1, 4): mean level, variance of neighbours, of every second pixel, and number of flat places
    between each two of ``edges`` (K,) of level; zeros where they are fewer than ``least``. Flat: the level changes by
    less than ``flat_sd`` standard deviations, those from a first look at all places. ``floor`` - least variance.
    """
    bins, ends = len(edges) - 1, np.empty(len(edges), np.int64)
    order = _by_bins(level, edges, ends)
    level, fine, coarse, change = (
        _taken(level, order),
        _taken(fine, order),
        _taken(coarse, order),
        _taken(change, order),
    )
    sizes = np.empty(len(order))
    s0 = s1 = s2 = t0 = t1 = 0.0
    first = np.empty(bins)
    for k in range(bins):
        count = ends[k + 1] - ends[k]
        if count < 30:
            continue
        for j in range(count):
            sizes[j] = abs(fine[ends[k] + j])
        first[k] = max((select(sizes, count, int(QUANTILE * count)) / AT_QUANTILE) ** 2, floor)
        weight = count / first[k] ** 2
        middle = 0.5 * (edges[k] + edges[k + 1])
        s0 += weight
        s1 += weight * middle
        s2 += weight * middle * middle
        t0 += weight * first[k]
        t1 += weight * middle * first[k]
    found[:] = 0.0
    det = s0 * s2 - s1 * s1
    if s0 <= 0.0:
        return
    shot = max(0.0, (s0 * t1 - s1 * t0) / det) if det > 1e-9 * s0 * s2 else 0.0
    read = (t0 - shot * s1) / s0
    flat = np.empty(len(level), dtype=np.bool_)
    for k in range(bins):
        begin, end = ends[k], ends[k + 1]
        if end - begin < least:
            continue
        total = 0.0
        for j in range(begin, end):
            flat[j] = change[j] * change[j] < flat_sd * flat_sd * max(read + shot * level[j], floor)
            if flat[j]:
                total += level[j]
        variance, used = _clipped(fine, flat, begin, end, first[k])
        if used >= least:
            found[k, 0], found[k, 1], found[k, 3] = total / used, variance, used
            found[k, 2] = _clipped(coarse, flat, begin, end, variance)[0]


@njit(cache=True)
def beside_edge(ribbon, place, clear, stride, room, size, level):
    """Medians (2,) of the sizes of third differences along the curve between lines ``stride`` apart, and of their
    levels: of the inner and the outer side, at least ``clear`` samples from the edge at ``place`` (N,), thinned evenly
    to ``room``; nan where there are none.
    """
    lines, samples = ribbon.shape
    sizes, levels = np.empty((2, room)), np.empty((2, room))
    # samples half a pixel apart: an even step would stay at one sub-pixel phase
    pace = max(1, lines * ((samples + 2) // 3) // (2 * room) + 1)
    inner, outer = 0, 0
    for i in range(0, lines - 3 * stride, pace):
        low = high = place[i]
        for k in range(1, 4):
            low, high = min(low, place[i + k * stride]), max(high, place[i + k * stride])
        for j in range(i % 3, samples, 3):
            if low - clear <= j <= high + clear:
                continue
            one, two = ribbon[i, j], ribbon[i + stride, j]
            three, four = ribbon[i + 2 * stride, j], ribbon[i + 3 * stride, j]
            third = abs(four - 3.0 * three + 3.0 * two - one)
            if not third < 1e6:
                continue
            if j < low and inner < room:
                sizes[0, inner], levels[0, inner] = third, 0.5 * (two + three)
                inner += 1
            elif j > high and outer < room:
                sizes[1, outer], levels[1, outer] = third, 0.5 * (two + three)
                outer += 1
    for side, count in enumerate((inner, outer)):
        size[side], level[side] = median(sizes[side], count), median(levels[side], count)


@njit(cache=True)
def shared_by_samples(apart):
    """Correlation of the noise of bilinear samples so far apart [px], mean over all sub-pixel phases: the triangle of
    the interpolation with itself.
    """
    x = min(abs(apart), 2.0)
    return 1.5 * (2.0 / 3.0 - x * x + 0.5 * x * x * x if x <= 1.0 else (2.0 - x) ** 3 / 6.0)


@njit(cache=True)
def shared_by_pairs(step, pair, across, count):
    """Correlation (count,) of the noise of samples 1, 2, ... times ``step`` [px] apart, each the mean of two that lie
    ``pair`` apart in the same direction and share ``across`` of what they would share without the other direction.
    """
    shared = np.empty(count)
    itself = 2.0 + across * 2.0 * shared_by_samples(pair)
    for k in range(count):
        apart = step * (k + 1)
        both = shared_by_samples(apart + pair) + shared_by_samples(apart - pair)
        shared[k] = (2.0 * shared_by_samples(apart) + across * both) / itself
    return shared
