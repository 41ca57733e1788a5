"""Inner loops of the fit of both arrises along a curve, compiled by numba."""

from __future__ import annotations

import numpy as np
from numba import njit

from edgeinspect.measure.algebra_kernels import median
from edgeinspect.measure.kernels import FAST, SQRT_2PI, normal, robust_fit

PARTS = 4  # place of the show-face arris, share of the step there, gap to the back-face one, blur
SUMS = 16  # ten products of the parts, their four right sides, what is left, and of how many samples


@njit(cache=True)
def middles(values, stretch, parts):
    """Median (parts,) of the values (N,) of each stretch, whose numbers (N,) do not fall."""
    found, own, begin = np.empty(parts), np.empty(len(values)), 0
    for k in range(parts):
        used = 0
        while begin + used < len(values) and stretch[begin + used] == k:
            own[used] = values[begin + used]
            used += 1
        found[k] = median(own, used)
        begin += used
    return found


@njit(cache=True, fastmath=FAST)
def both_arrises(ribbon, origin, spacing, begin, end, blur, at, gap, share, sums):
    """Normal equations (N, 16) of every line (N, M) as two steps of ``blur`` (N,): ``share`` of the whole at ``at``,
    the rest ``gap`` further on, (N,) all, from ``begin`` to ``end`` (N,). Level and whole step are each line's own and
    taken out.

    In a row: upper triangle of the products of place, share, gap and the blur's factor, row by row; their right sides;
    the sum of squares of what is left, and the number of samples. Zeros where the line is not seen.
    """
    product = np.zeros((5, 6))
    for i in range(ribbon.shape[0]):
        sums[i] = 0.0
        width = blur[i]
        low = max(int(np.floor((begin[i] - origin) / spacing)) + 1, 0)
        high = min(int(np.floor((end[i] - origin) / spacing)) + 1, ribbon.shape[1])
        count = high - low
        if count < 6:
            continue
        # Shape, its slopes by place, share, gap and the blur's factor, value: t sums, q products with the shape, then
        # those of the slopes among each other and with the value.
        t0 = t1 = t2 = t3 = t4 = t5 = q0 = q1 = q2 = q3 = q4 = q5 = 0.0
        p11 = p12 = p13 = p14 = p15 = p22 = p23 = p24 = p25 = p33 = p34 = p35 = p44 = p45 = p55 = 0.0
        for j in range(low, high):
            d = origin + j * spacing
            x, y = (d - at[i]) / width, (d - at[i] - gap[i]) / width
            near, near_density = normal(x)
            far, far_density = normal(y)
            near_density = share[i] * near_density / SQRT_2PI
            far_density = (1.0 - share[i]) * far_density / SQRT_2PI
            a = share[i] * near + (1.0 - share[i]) * far
            b = -(near_density + far_density) / width
            c = near - far
            e = -far_density / width
            f = -(x * near_density + y * far_density)
            v = ribbon[i, j]
            t0, t1, t2, t3, t4, t5 = t0 + a, t1 + b, t2 + c, t3 + e, t4 + f, t5 + v
            q0, q1, q2, q3, q4, q5 = q0 + a * a, q1 + a * b, q2 + a * c, q3 + a * e, q4 + a * f, q5 + a * v
            p11, p12, p13, p14, p15 = p11 + b * b, p12 + b * c, p13 + b * e, p14 + b * f, p15 + b * v
            p22, p23, p24, p25 = p22 + c * c, p23 + c * e, p24 + c * f, p25 + c * v
            p33, p34, p35 = p33 + e * e, p34 + e * f, p35 + e * v
            p44, p45, p55 = p44 + f * f, p45 + f * v, p55 + v * v
        if t5 * 0.0 != 0.0:
            continue
        size = q0 - t0 * t0 / count
        if size < 1e-9:
            continue
        sum_of = (t1, t2, t3, t4, t5)
        with_shape = (
            q1 - t0 * t1 / count,
            q2 - t0 * t2 / count,
            q3 - t0 * t3 / count,
            q4 - t0 * t4 / count,
            q5 - t0 * t5 / count,
        )
        product[0, 0], product[0, 1], product[0, 2], product[0, 3], product[0, 4] = p11, p12, p13, p14, p15
        product[1, 1], product[1, 2], product[1, 3], product[1, 4] = p22, p23, p24, p25
        product[2, 2], product[2, 3], product[2, 4] = p33, p34, p35
        product[3, 3], product[3, 4], product[4, 4] = p44, p45, p55
        step, k = with_shape[4] / size, 0
        for m in range(5):
            for n in range(m, 5):
                product[m, n] -= sum_of[m] * sum_of[n] / count + with_shape[m] * with_shape[n] / size
        for m in range(4):
            for n in range(m, 4):
                sums[i, k] = step * step * product[m, n]
                k += 1
        for m in range(4):
            sums[i, 10 + m] = step * product[m, 4]
        sums[i, 14], sums[i, 15] = max(product[4, 4], 0.0), count


@njit(cache=True)
def common_equations(sums, weight, stretch, normal, side, own, follow):
    """Normal equations of what is common to the lines, each line's own place taken out.

    ``sums`` (N, 16) of ``both_arrises``, ``weight`` (N,), ``stretch`` (N,) of S. Adds to ``normal`` (2S + 1, 2S + 1)
    and ``side`` (2S + 1,): gaps, shares, the blur's factor. Fills ``own`` (N,): the change of each line's place when
    nothing else changes, and ``follow`` (N, 3): less this per unit of gap, share and blur.
    """
    parts = (len(side) - 1) // 2
    place, at = np.zeros(3), np.zeros(3, dtype=np.int64)
    inner, right = np.zeros((3, 3)), np.zeros(3)
    for i in range(len(sums)):
        line = sums[i]
        power = max(line[0], 1e-12)
        place[0], place[1], place[2] = line[2], line[1], line[3]
        inner[0, 0], inner[0, 1], inner[0, 2] = line[7], line[5], line[8]
        inner[1, 0], inner[1, 1], inner[1, 2] = line[5], line[4], line[6]
        inner[2, 0], inner[2, 1], inner[2, 2] = line[8], line[6], line[9]
        right[0], right[1], right[2] = line[12], line[11], line[13]
        at[0], at[1], at[2] = stretch[i], parts + stretch[i], 2 * parts
        own[i] = line[10] / power
        for a in range(3):
            follow[i, a] = place[a] / power
            side[at[a]] += weight[i] * (right[a] - place[a] * own[i])
            for b in range(3):
                normal[at[a], at[b]] += weight[i] * (inner[a, b] - place[a] * place[b] / power)


@njit(cache=True)
def start_stretches(ribbon, origin, spacing, square, blur, stretch, reach, pace, edge, starts, sums, at, share):
    """Where the fit of stretches begins, by every ``pace``-th line: of the shares ``starts`` (K,) of the gap that
    ``edge`` (N,), the one step, may lie behind the show-face arris, and of three shares of the step, those that leave
    least. Sets ``at`` (N,) and ``share`` (S,).
    """
    lines, parts = len(edge), len(share)
    few = (lines + pace - 1) // pace
    thin = np.empty((few, ribbon.shape[1]), ribbon.dtype)
    begin, end, width, place, gap, tried = np.empty((6, few))
    for i in range(few):
        k = i * pace
        # All by the same samples, or a place from which one arris is out of sight would look best.
        begin[i], end[i] = edge[k] - square[k] - reach * blur[k], edge[k] + square[k] + reach * blur[k]
        width[i], gap[i] = blur[k], square[k]
        for j in range(ribbon.shape[1]):
            thin[i, j] = ribbon[k, j]
    best, back = np.full(parts, np.inf), np.zeros(parts)
    of_share, pull, left = np.empty((3, parts))
    for away in starts:
        for some in (0.1, 0.5, 0.9):
            for i in range(few):
                place[i], tried[i] = edge[i * pace] - away * gap[i], some
            both_arrises(thin, origin, spacing, begin, end, width, place, gap, tried, sums[:few])
            of_share[:], pull[:], left[:] = 0.0, 0.0, 0.0
            for i in range(few):
                s = stretch[i * pace]
                of_share[s] += sums[i, 4]
                pull[s] += sums[i, 11]
                left[s] += sums[i, 14]
            for s in range(parts):
                better_by = min(max(pull[s] / max(of_share[s], 1e-12), -0.25), 0.25)
                rest = left[s] - better_by * (2.0 * pull[s] - better_by * of_share[s])
                if rest < best[s]:
                    best[s], back[s], share[s] = rest, away, some + better_by
    for i in range(lines):
        at[i] = edge[i] - back[stretch[i]] * square[i]


@njit(cache=True)
def linearise_stretches(
    ribbon, origin, spacing, square, blur, stretch, reach, noise, least_gap, spread_blur, known, following,
    at, bevel, share, wider, sums, normal, side, own, follow,
):  # fmt: skip
    """Normal equations ``normal`` (2S + 1, 2S + 1), ``side`` of the lines (N, M) of S stretches where they are now (see
    ``common_equations``), with what is ``known`` before (2, 2) of gap and share: value and spread; and how near each
    stretch is to the next, ``following`` (2, S - 1). A line that is not two steps (a nick, a chip) counts less. Returns
    the mean square of what is left.
    """
    lines, parts = len(at), len(bevel)
    begin, end, width, gap, shares, rest, weight = np.empty((7, lines))
    for i in range(lines):
        width[i], shares[i] = blur[i] * wider, share[stretch[i]]
        gap[i] = max(square[i] + bevel[stretch[i]], least_gap * blur[i])
        begin[i], end[i] = at[i] - reach * width[i], at[i] + gap[i] + reach * width[i]
    both_arrises(ribbon, origin, spacing, begin, end, width, at, gap, shares, sums)
    for i in range(lines):
        rest[i] = sums[i, 14] / max(sums[i, 15], 1.0)
        weight[i] = rest[i]
    usual, total, count = max(noise * noise, median(weight, lines)), 0.0, 0.0
    for i in range(lines):
        weight[i] = 1.0 / max(1.0, rest[i] / (4.0 * usual)) ** 2
        total += rest[i] * weight[i]
        count += weight[i]
    misfit = max(noise * noise, total / count)
    normal[:], side[:] = 0.0, 0.0
    common_equations(sums, weight, stretch, normal, side, own, follow)
    for which in range(2):
        value, first = bevel if which == 0 else share, which * parts
        sure = misfit / known[which, 1] ** 2
        for k in range(first, first + parts):
            normal[k, k] += sure
            side[k] += sure * (known[which, 0] - value[k - first])
        for k in range(first, first + parts - 1):
            pull, apart = misfit / following[which, k - first] ** 2, value[k - first + 1] - value[k - first]
            normal[k, k] += pull
            normal[k + 1, k + 1] += pull
            normal[k, k + 1] -= pull
            normal[k + 1, k] -= pull
            side[k] += pull * apart
            side[k + 1] -= pull * apart
    sure = misfit / spread_blur**2
    normal[2 * parts, 2 * parts] += sure
    side[2 * parts] += sure * (1.0 - wider)
    return misfit


@njit(cache=True)
def step_stretches(change, stretch, own, follow, spread, enough, at, bevel, share):
    """Takes a step ``change`` (2S + 1,) of gaps, shares and blur, no part too far, and each line's place with it.
    Returns the greatest change of a gap and the share of lines that moved by less than ``enough``.
    """
    parts, greatest, still = len(bevel), 0.0, 0
    for k in range(parts):
        change[k] = min(max(change[k], -spread), spread)
        change[parts + k] = min(max(change[parts + k], -0.15), 0.15)
        bevel[k] += change[k]
        share[k] = min(max(share[k] + change[parts + k], -0.5), 1.5)
        greatest = max(greatest, abs(change[k]))
    for i in range(len(at)):
        s = stretch[i]
        step = own[i] - follow[i, 0] * change[s] - follow[i, 1] * change[parts + s] - follow[i, 2] * change[2 * parts]
        step = min(max(step, -spread), spread)
        at[i] += step
        still += abs(step) < enough
    return greatest, still / len(at)


@njit(cache=True)
def shared_by_lines(covariance, stretch, follow, show, back, gap):
    """Variances (N,) that the lines of a stretch share: of the show-face arris, of the back-face one and of the gap, by
    the ``covariance`` (2S + 1, 2S + 1) of gaps, shares and blur and by how each line follows them (N, 3).
    """
    parts, at = (len(covariance) - 1) // 2, np.zeros(3, np.int64)
    for i in range(len(stretch)):
        at[0], at[1], at[2] = stretch[i], parts + stretch[i], 2 * parts
        show[i] = back[i] = 0.0
        for a in range(3):
            for b in range(3):
                part = covariance[at[a], at[b]]
                show[i] += follow[i, a] * part * follow[i, b]
                back[i] += ((a == 0) - follow[i, a]) * part * ((b == 0) - follow[i, b])
        show[i], back[i], gap[i] = max(show[i], 0.0), max(back[i], 0.0), covariance[at[0], at[0]]


@njit(cache=True)
def lit_evenly(ribbon, origin, spacing, edge, clear, points, directions, least, unlike, most, even):
    """Lines (N, M) of one cut-out without the slope of the light along them; False where too little of its face shows.

    The light is a plane in plan, by the mean level of each line's face up to ``clear`` (N,) before its ``edge`` (N,).
    ``least`` - share of the lines that must show it; ``unlike`` - of its level: what is further off is not the face;
    ``most`` - greatest slope [1/mm]; points, directions - of the lines (N, 3).
    """
    count, samples = ribbon.shape
    rows, level, lit = np.ones((count, 3)), np.zeros(count), np.zeros(count, np.bool_)
    sizes, used, middle_x, middle_y = np.empty(count), 0, 0.0, 0.0
    for i in range(count):
        if edge[i] != edge[i]:
            continue
        last = min(max(int(np.floor((edge[i] - clear[i] - origin) / spacing)) + 1, 0), samples)
        for j in range(last):
            level[i] += ribbon[i, j]
        if last == 0 or level[i] * 0.0 != 0.0:
            continue
        level[i] /= last
        away = origin + 0.5 * (last - 1) * spacing
        rows[i, 1], rows[i, 2] = points[i, 0] + away * directions[i, 0], points[i, 1] + away * directions[i, 1]
        middle_x, middle_y = middle_x + rows[i, 1], middle_y + rows[i, 2]
        sizes[used], lit[i] = level[i], True
        used += 1
    if used < max(least * count, 3.0):
        return False
    for i in range(count):
        rows[i, 1], rows[i, 2] = rows[i, 1] - middle_x / used, rows[i, 2] - middle_y / used
    plane = robust_fit(rows, level, lit, 2, unlike * median(sizes, used))
    for i in range(count):
        per = (plane[1] * directions[i, 0] + plane[2] * directions[i, 1]) / plane[0]
        per = min(max(per, -most), most) if lit[i] else 0.0
        for j in range(samples):
            even[i, j] = ribbon[i, j] / (1.0 + per * (origin + j * spacing - edge[i])) if lit[i] else ribbon[i, j]
    return True
