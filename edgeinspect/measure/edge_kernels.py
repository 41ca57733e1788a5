"""The inner loops of the edge fit, compiled by numba: one scan line after the other, single-threaded as in kernels."""

from __future__ import annotations

from math import isfinite, sqrt

import numpy as np
from numba import njit

from edgeinspect.measure.algebra_kernels import median, solve
from edgeinspect.measure.kernels import FAST, NO_EDGE, OUTSIDE, POOR_FIT, RIVAL_EDGE, SATURATED, SQRT_2PI, normal

NEXT_LINE = 1.6  # times the distance of the line on the other side: further off it is not the next one of the curve


@njit(cache=True)
def usual_step(pixels):
    """Median distance of neighbours along a curve (N, 2); nan where none is known."""
    steps, used = np.empty(len(pixels)), 0
    for i in range(1, len(pixels)):
        steps[used] = np.hypot(pixels[i, 0] - pixels[i - 1, 0], pixels[i, 1] - pixels[i - 1, 1])
        used += np.isfinite(steps[used])
    return median(steps, used)


@njit(cache=True)
def beside(centre, first, part_px, apart_mm, centres, firsts):
    """Two scan lines for each (2, N, 2): a quarter of the way to the next lines on both sides, at most ``part_px`` off,
    and half of ``apart_mm`` back and ahead.

    On a parabola through three neighbours, so that a curve's bend is allowed for; at the end of a stretch straight on
    from its last two.
    """
    lines = len(centre)
    for i in range(lines):
        before, after = (i - 1) % lines, (i + 1) % lines
        back = np.hypot(centre[before, 0] - centre[i, 0], centre[before, 1] - centre[i, 1])
        on = np.hypot(centre[after, 0] - centre[i, 0], centre[after, 1] - centre[i, 1])
        part = min(0.25, part_px / max(min(back, on), 1e-9))
        for side in range(2):
            way = 2.0 * side - 1.0
            go = way * part
            b = a = 0.0
            if back <= NEXT_LINE * on and on <= NEXT_LINE * back:
                b, a = 0.5 * go * (go - 1.0), 0.5 * go * (go + 1.0)
            elif back <= NEXT_LINE * on:
                b = -go
            elif on <= NEXT_LINE * back:
                a = go
            c = 1.0 - a - b
            for k in range(2):
                firsts[side, i, k] = b * first[before, k] + c * first[i, k] + a * first[after, k]
                centres[side, i, k] = b * centre[before, k] + c * centre[i, k] + a * centre[after, k]
                centres[side, i, k] += 0.5 * way * apart_mm * firsts[side, i, k]


@njit(cache=True, fastmath=FAST)
def common_terms(ribbon, first, width, spacing, blur, inner, outer, weigh, pick, at, low, step, sums):
    """Normal equations (3, 4) of blur, inner and outer shading over the lines ``pick``, each line's own low, step and
    place taken out.
    """
    row = np.empty(7)
    full = np.zeros((6, 7))
    sums[:] = 0.0
    for k in range(len(pick)):
        i = pick[k]
        full[:] = 0.0
        for j in range(width):
            z = j * spacing - at[i]
            x = z / blur
            f, density = normal(x)
            density /= SQRT_2PI
            ramp_out = z * f + blur * density
            ramp_in = z - ramp_out
            weight = 1.0 / (weigh[0] + weigh[1] * max(low[i] + step[i] * f, 0.0))
            row[0], row[1] = 1.0, f + inner * ramp_in + outer * ramp_out
            row[2] = -step[i] * (density / blur + inner * (1.0 - f) + outer * f)
            row[3] = step[i] * density * (outer - inner - x / blur)
            row[4], row[5] = step[i] * ramp_in, step[i] * ramp_out
            row[6] = ribbon[i, first[i] + j] - low[i] - step[i] * row[1]
            for a in range(6):
                part = weight * row[a]
                for b in range(a, 7):
                    full[a, b] += part * row[b]
        for a in range(3):
            for b in range(a + 1, 6):
                share = full[a, b] / max(full[a, a], 1e-12)
                for c in range(b, 7):
                    full[b, c] -= share * full[a, c]
        for a in range(3):
            for b in range(4):
                sums[a, b] += full[3 + a, 3 + b] if b >= a else full[3 + b, 3 + a]


@njit(cache=True, fastmath=FAST)
def step_round(
    ribbon, first, width, spacing, blur, inner, outer, weigh, noise, at, low, step, spread, alike, last, variance
):  # fmt: skip
    """One Gauss-Newton round of level(d) = low + step * shape(d - at) on each line, over ``width`` samples from
    ``first``.

    The shape is a step blurred by ``blur``, with the shadings ``inner`` and ``outer`` on its sides. ``at`` is counted
    from the first sample. ``weigh`` and ``noise`` - read and shot: a sample has the weight of one over read + shot *
    level, and really a noise of that variance. Updates at, low, step (N,); ``spread`` gets the rms residual before the
    round, ``variance`` that of ``at``, where samples l apart share ``alike[l - 1]`` of their noise: in the ``last``
    round only, nobody asks before.
    """
    shape, slope, weight, own = np.empty(width), np.empty(width), np.empty(width), np.empty(width)
    for i in range(ribbon.shape[0]):
        per, size, place, base = 1.0 / blur, step[i], at[i], low[i]
        line = ribbon[i]
        seen = line[first[i] : first[i] + width]
        for j in range(width):
            z = j * spacing - place
            f, density = normal(z * per)
            density /= SQRT_2PI
            ramp_out = z * f + blur * density
            shape[j] = f + inner * (z - ramp_out) + outer * ramp_out
            slope[j] = -size * (density * per + inner * (1.0 - f) + outer * f)
            level = max(base + size * f, 0.0)
            weight[j] = 1.0 / (weigh[0] + weigh[1] * level)
            own[j] = noise[0] + noise[1] * level
        n11 = n12 = n13 = n22 = n23 = n33 = b1 = b2 = b3 = square = 0.0
        for j in range(width):
            w, f, g = weight[j], shape[j], slope[j]
            rest = seen[j] - base - size * f
            n11 += w
            n12 += w * f
            n13 += w * g
            n22 += w * f * f
            n23 += w * f * g
            n33 += w * g * g
            b1 += w * rest
            b2 += w * f * rest
            b3 += w * g * rest
            square += rest * rest
        spread[i] = sqrt(square / width)
        c11, c12, c13 = n22 * n33 - n23 * n23, n13 * n23 - n12 * n33, n12 * n23 - n13 * n22
        det = n11 * c11 + n12 * c12 + n13 * c13
        if not det > 1e-9 * n11 * n22 * n33:
            variance[i] = np.inf
            continue
        c22, c23, c33 = n11 * n33 - n13 * n13, n12 * n13 - n11 * n23, n11 * n22 - n12 * n12
        low[i] += (c11 * b1 + c12 * b2 + c13 * b3) / det
        step[i] += (c12 * b1 + c22 * b2 + c23 * b3) / det
        at[i] += min(max((c13 * b1 + c23 * b2 + c33 * b3) / det, -2.0 * blur), 2.0 * blur)
        if not last:
            continue
        # Each sample moves the place by its pull times its noise; samples near each other share theirs.
        for j in range(width):
            own[j] = sqrt(own[j]) * weight[j] * (c13 + c23 * shape[j] + c33 * slope[j]) / det
        total = 0.0
        for j in range(width):
            total += own[j] * own[j]
        for k in range(len(alike)):
            part = 0.0
            for j in range(width - 1 - k):
                part += own[j] * own[j + 1 + k]
            total += 2.0 * alike[k] * part
        variance[i] = total


@njit(cache=True)
def edges_found(
    ribbon, first, width, spacing, start, polarity, noise, at, step, spread, full, burnt_share, flags, d,
):  # fmt: skip
    """Offsets (N,) of the fitted edges, and the flags of what does not look like one."""
    for i in range(len(at)):
        size = abs(step[i])
        weak = step[i] * polarity <= 0.0 or not size >= 5.0 * noise
        if weak or not 0.0 < at[i] < (width - 1) * spacing:
            flags[i] |= NO_EDGE
        if not spread[i] <= 3.0 * noise + 0.1 * size:
            flags[i] |= POOR_FIT
        burnt = 0
        for j in range(width):
            if ribbon[i, first[i] + j] >= full:
                burnt += 1
        if burnt > burnt_share * width:
            flags[i] |= SATURATED
        lost = flags[i] & (NO_EDGE | OUTSIDE)
        d[i] = np.nan if lost else start + first[i] * spacing + at[i]


@njit(cache=True)
def begin(ribbon, place, strength, rival, half, spacing, rival_share, first, at, low, step, flags):
    """Where the fit of each line (N,) begins: first sample of its window of ``half`` samples on both sides of
    ``place``, edge, lower level and step from the window's ends. Returns the usual level; 0 where nothing is seen.
    """
    count, samples = ribbon.shape
    middles, used, width = np.empty(count), 0, 2 * half + 1
    for i in range(count):
        flags[i] = RIVAL_EDGE if rival[i] > rival_share * max(strength[i], 1e-9) else 0
        k = min(max(round(place[i]) - half, 0), samples - width)
        inner, outer = ribbon[i, k], ribbon[i, k + width - 1]
        first[i], at[i], low[i], step[i] = k, (place[i] - k) * spacing, inner, outer - inner
        if np.isfinite(inner + outer):
            middles[used] = 0.5 * (inner + outer)
            used += 1
        else:
            flags[i] |= OUTSIDE
    return median(middles, used) if used > 0 else 0.0


@njit(cache=True)
def settle(
    ribbon, first, width, spacing, start, polarity, noise, blur, weigh, own, alike, spread_blur, spread_slope, rounds,
    most, full, burnt_share, strength, at, low, step, flags, d, u,
):  # fmt: skip
    """Gauss-Newton rounds of all lines (see ``step_round``), between them the blur and the shadings that at ``most`` so
    many lines have in common (see ``common_terms``); then the edges (see ``edges_found``). ``spread_blur`` and
    ``spread_slope`` - what they are and usually change. A line whose greatest rise, ``strength`` (N,), is no five times
    the noise has no edge. ``u`` (N,) - standard uncertainty of the edges by noise. Returns the blur.
    """
    count = len(at)
    for i in range(count):
        if strength[i] < 5.0 * noise:
            flags[i] |= NO_EDGE
    pick, sums, spread = np.empty(count, np.int64), np.empty((3, 4)), np.empty(count)
    normal_equations, right = np.empty((3, 3)), np.empty(3)
    inner = outer = 0.0
    for turn in range(rounds):
        used = 0
        for i in range(count):
            if flags[i] == 0 and abs(step[i]) > 5.0 * noise:
                pick[used] = i
                used += 1
        if used > 0:
            pace = max(1, used // most)
            thinned = 0
            for k in range(0, used, pace):
                pick[thinned] = pick[k]
                thinned += 1
            common_terms(ribbon, first, width, spacing, blur, inner, outer, weigh, pick[:thinned], at, low, step, sums)
            value = (0.0, inner, outer)
            for a in range(3):
                known = (spread_blur * blur if a == 0 else spread_slope) ** -2.0
                right[a] = sums[a, 3] - known * value[a]
                for b in range(3):
                    normal_equations[a, b] = sums[a, b]
                normal_equations[a, a] += known
            change = solve(normal_equations, right)
            blur *= min(max(1.0 + change[0] / blur, 0.5), 2.0)
            inner, outer = inner + change[1], outer + change[2]
        step_round(
            ribbon, first, width, spacing, blur, inner, outer, weigh, own, at, low, step, spread, alike,
            turn == rounds - 1, u,
        )  # fmt: skip
    for i in range(count):
        u[i] = sqrt(u[i])
    edges_found(ribbon, first, width, spacing, start, polarity, noise, at, step, spread, full, burnt_share, flags, d)
    return blur


@njit(cache=True, inline="always")
def _level(line, place):
    """Between the samples of a line (M,), at a place counted in samples; nan is the first."""
    place = place if place > 0.0 else 0.0
    j = min(int(place), len(line) - 2)
    return line[j] + (place - j) * (line[j + 1] - line[j])


@njit(cache=True)
def steepness(ribbon, start, spacing, edge, near_mm, far_mm, part, rise, share):
    """Of the rise within ``far_mm`` of the edge (N,) [mm], nan where there is none, the ``share`` (P,) that lies within
    ``near_mm``, of all lines (N, M) of each ``part`` (N,). ``rise`` (P, 2) is for working in. nan of a part without
    edges.
    """
    rise[:] = 0.0
    near, far = near_mm / spacing, far_mm / spacing
    for i in range(len(edge)):
        at, line = (edge[i] - start) / spacing, ribbon[i]
        within = _level(line, at + near) - _level(line, at - near)
        beyond = _level(line, at + far) - _level(line, at - far)
        if isfinite(at) and isfinite(within) and isfinite(beyond):
            rise[part[i], 0] += within
            rise[part[i], 1] += beyond
    for k in range(len(share)):
        share[k] = rise[k, 0] / rise[k, 1] if rise[k, 1] != 0.0 else np.nan
