"""Inner loop of the fit of both arrises, compiled by numba."""

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
def joint_equations(sums, weight, column, slope, kind, normal, side):
    """Normal equations of terms that many lines share.

    ``sums`` (N, 16) of ``both_arrises``; line i answers to the terms ``column[i]`` (P,) by ``slope[i]`` (P,), each in
    its part ``kind`` (P,): 0 place, 1 share, 2 gap, 3 the blur's factor. Adds to ``normal`` (T, T) and ``side`` (T,).
    """
    product = np.empty((4, 4))
    for i in range(len(sums)):
        if weight[i] == 0.0 or sums[i, 0] == 0.0:
            continue
        k = 0
        for a in range(4):
            for b in range(a, 4):
                product[a, b] = product[b, a] = weight[i] * sums[i, k]
                k += 1
        for p in range(len(kind)):
            if slope[i, p] == 0.0:
                continue
            side[column[i, p]] += slope[i, p] * weight[i] * sums[i, 10 + kind[p]]
            for q in range(len(kind)):
                normal[column[i, p], column[i, q]] += slope[i, p] * slope[i, q] * product[kind[p], kind[q]]


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
