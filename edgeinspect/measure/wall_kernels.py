"""Inner loops of the fits of cut-outs with their walls, compiled by numba."""

from __future__ import annotations

import numpy as np
from numba import njit

from edgeinspect.measure.algebra_kernels import solve
from edgeinspect.measure.arris_kernels import both_arrises
from edgeinspect.measure.kernels import two_steps


@njit(cache=True)
def joint_equations(sums, weight, column, slope, kind, normal, side):
    """Normal equations of terms that many lines share.

    ``sums`` (N, 16) of ``both_arrises``; line i answers to the terms ``column[i]`` (P,) by ``slope[i]`` (P,), each in
    its part ``kind`` (P,): 0 place, 1 share, 2 gap, 3 the blur's factor. Adds to ``normal`` (T, T) and ``side`` (T,).
    """
    product, used = np.empty((4, 4)), np.empty(len(kind), np.int64)
    for i in range(len(sums)):
        if weight[i] == 0.0 or sums[i, 0] == 0.0:
            continue
        k = count = 0
        for a in range(4):
            for b in range(a, 4):
                product[a, b] = product[b, a] = weight[i] * sums[i, k]
                k += 1
        for p in range(len(kind)):
            if slope[i, p] != 0.0:
                used[count] = p
                count += 1
        for m in range(count):
            p = used[m]
            side[column[i, p]] += slope[i, p] * weight[i] * sums[i, 10 + kind[p]]
            for n in range(count):
                q = used[n]
                normal[column[i, p], column[i, q]] += slope[i, p] * slope[i, q] * product[kind[p], kind[q]]


@njit(cache=True)
def _lay_walls(column, slope, kind, value, signed, pull, blur, reach, at, share, gap, width, begin, end):
    """Where each line's (N,) arrises lie by the terms ``value`` (T,), how wide they are blurred, and from where to
    where they are looked at. ``signed`` (N,) - gap of a square wall, below 0 where it hides by so much.
    """
    for i in range(len(at)):
        at[i], share[i], gap[i], width[i] = pull[i], 0.0, signed[i], 0.0
        for p in range(len(kind)):
            part = slope[i, p] * value[column[i, p]]
            if kind[p] == 0:
                at[i] += part
            elif kind[p] == 1:
                share[i] += part
            elif kind[p] == 2:
                gap[i] += part
            else:
                width[i] += blur[i] * part
        gap[i] = max(gap[i], 0.0)
        begin[i], end[i] = at[i] - reach * width[i], at[i] + gap[i] + reach * width[i]


@njit(cache=True)
def settle_walls(
    ribbon, origin, spacing, blur, signed, pull, usable, column, slope, kind, known, usual, noise, reach, seen_mm,
    least_step, loose_mm, rounds, enough, value, sums, off,
):  # fmt: skip
    """Gauss-Newton on shapes, walls, bevels and blur of many cut-outs at once (see cutout_arrises): the terms ``value``
    (T,), of which those that are no shape are ``known`` (T,) [1/variance] to be ``usual`` (T,).

    ``column``, ``slope`` (N, P), ``kind`` (P,) - see ``joint_equations``. Fills ``sums`` (N, 16) and ``off`` (N,): each
    line's show-face arris beside its shape. Returns the last normal equations (T, T) and the mean square of what is
    left.
    """
    lines, terms = len(signed), len(value)
    at, share, gap, width, begin, end, weight = np.empty((7, lines))
    normal, right, misfit = np.empty((terms, terms)), np.empty(terms), noise * noise
    for i in range(lines):
        weight[i] = 1.0 if usable[i] else 0.0
    settled = False
    for turn in range(rounds + 1):
        _lay_walls(column, slope, kind, value, signed, pull, blur, reach, at, share, gap, width, begin, end)
        both_arrises(ribbon, origin, spacing, begin, end, width, at, gap, share, sums)
        for i in range(lines):
            if gap[i] == 0.0:  # hidden: a little more or less bevel shows nothing of it, so all that is the gap's goes
                sums[i, 2] = sums[i, 5] = sums[i, 7] = sums[i, 8] = sums[i, 12] = 0.0
        rest, used = 0.0, 0
        for i in range(lines):
            if usable[i]:
                rest += sums[i, 14] / max(sums[i, 15], 1.0)
                used += 1
            else:
                sums[i] = 0.0
        misfit = max(noise * noise, rest / max(used, 1))
        normal[:], right[:] = 0.0, 0.0
        joint_equations(sums, weight, column, slope, kind, normal, right)
        for a in range(terms):
            normal[a, a] += misfit * known[a] + 1e-12
            right[a] += misfit * known[a] * (usual[a] - value[a])
        if settled or turn == rounds:
            break
        change, moved, alone = solve(normal, right), 0.0, turn > 0
        for a in range(terms):
            change[a] = min(max(change[a], -0.2), 0.2)
            value[a] += change[a]
            moved = max(moved, abs(change[a])) if known[a] == 0.0 else moved
        for i in range(lines):
            off[i], lies = sums[i, 10] / max(sums[i, 0], 1e-12), 0.0
            for p in range(len(kind)):
                if kind[p] == 0:
                    off[i] -= slope[i, p] * change[column[i, p]]
                elif kind[p] == 1:
                    lies += slope[i, p] * value[column[i, p]]
            off[i] = min(max(off[i], -9.0), 9.0)
            weight[i] = 1.0 / max(1.0, abs(off[i]) / loose_mm) if usable[i] else 0.0
            # Every wall as dark as what lies behind it, or as bright as the face: nothing more will be told.
            alone = alone and (gap[i] <= seen_mm or min(abs(lies), abs(1.0 - lies)) < least_step)
        settled = moved < enough or alone
    return normal, misfit


@njit(cache=True)
def tell_walls(column, slope, kind, value, covariance, signed, off, show, gap, share, place, back):
    """Of each line (N,) once ``settle_walls`` is done: where its show-face arris lies, the gap to the back-face one,
    the share of the step that lies at the first, and the variances of both places that lines share.
    """
    parts = len(kind)
    for i in range(len(signed)):
        show[i], share[i], gap[i], place[i], back[i] = off[i], 0.0, signed[i], 0.0, 0.0
        for p in range(parts):
            part = slope[i, p] * value[column[i, p]]
            if kind[p] == 0:
                show[i] += part
            elif kind[p] == 1:
                share[i] += part
            elif kind[p] == 2:
                gap[i] += part
            for q in range(parts):
                # Place and bevel alone: what moves the one arris, and the other with it.
                if slope[i, p] != 0.0 and slope[i, q] != 0.0 and kind[p] in (0, 2) and kind[q] in (0, 2):
                    both = slope[i, p] * covariance[column[i, p], column[i, q]] * slope[i, q]
                    back[i] += both
                    place[i] += both if kind[p] == 0 and kind[q] == 0 else 0.0
        gap[i] = max(gap[i], 0.0)
        place[i], back[i] = max(place[i], 0.0), max(back[i], 0.0)


@njit(cache=True)
def _shapes_and_shares(sums, weight, rows, walls, full, right):
    """Normal equations (T + W + 1,) of shapes (N, T), shares (N, W) and the blur from ``sums`` (N, 10) of
    ``two_steps``.
    """
    shapes, parts = rows.shape[1], rows.shape[1] + walls.shape[1] + 1
    slope, used = np.empty(parts), np.empty(parts, np.int64)
    product = np.empty((3, 3))
    full[:], right[:] = 0.0, 0.0
    for i in range(len(sums)):
        if weight[i] == 0.0 or sums[i, 0] == 0.0:
            continue
        product[0, 0], product[0, 1], product[0, 2] = sums[i, 0], sums[i, 1], sums[i, 3]
        product[1, 0], product[1, 1], product[1, 2] = sums[i, 1], sums[i, 2], sums[i, 4]
        product[2, 0], product[2, 1], product[2, 2] = sums[i, 3], sums[i, 4], sums[i, 5]
        count = 0
        for a in range(parts):  # a line answers to its own cut-out's terms, not to the others'
            part = rows[i, a] if a < shapes else walls[i, a - shapes] if a < parts - 1 else 1.0
            if part != 0.0:
                used[count], slope[count] = a, part
                count += 1
        for k in range(count):
            a = used[k]
            one = 0 if a < shapes else 1 if a < parts - 1 else 2
            part = weight[i] * slope[k]
            right[a] += part * sums[i, 6 + one]
            for n in range(k + 1):
                b = used[n]
                other = 0 if b < shapes else 1 if b < parts - 1 else 2
                full[a, b] += part * slope[n] * product[one, other]
    for a in range(parts):
        for b in range(a):
            full[b, a] = full[a, b]


@njit(cache=True)
def settle_square_walls(
    ribbon, start, spacing, blur, wider, noise, half, wall, rows, pull, walls, usable, spread, usual, rounds, enough,
    greatest, loose, terms, shares, full, sums, off,
):  # fmt: skip
    """Gauss-Newton on shapes ``terms`` (T,), walls ``shares`` (W,) and blur (see two_arrises), which is ``wider`` (N,)
    on one line than on the next; ``half`` - samples that are looked at on either side of the wall's middle.

    Fills ``full`` (T + W + 1,)², ``sums`` (N, 10) and ``off`` (N,). Returns the mean square of what is left.
    """
    lines, samples, shapes = len(wall), ribbon.shape[1], len(terms)
    last = shapes + len(shares)
    width, misfit = min(2 * half + 1, samples), noise * noise
    at, share, weight, first = np.empty(lines), np.empty(lines), np.empty(lines), np.empty(lines, np.int64)
    right, blurs = np.empty(last + 1), np.empty(lines)
    for i in range(lines):
        weight[i] = 1.0 if usable[i] else 0.0
    for _ in range(rounds):
        for i in range(lines):
            at[i], share[i], blurs[i] = pull[i], 0.0, blur * wider[i]
            for a in range(shapes):
                at[i] += rows[i, a] * terms[a]
            for a in range(len(shares)):
                share[i] += walls[i, a] * shares[a]
            middle = round((at[i] + 0.5 * wall[i] - start) / spacing)
            first[i] = min(max(middle - half, 0), samples - width)
        two_steps(ribbon, first, width, start, spacing, blurs, blur, at, wall, share, sums)
        rest, seen = 0.0, 0
        for i in range(lines):
            if usable[i]:
                rest += sums[i, 9]
                seen += 1
            else:
                sums[i] = 0.0
        _shapes_and_shares(sums, weight, rows, walls, full, right)
        for a in range(last + 1):
            full[a, a] += 1e-12
            if shapes <= a < last:
                known = misfit / spread[a - shapes] ** 2
                full[a, a] += known
                right[a] += known * (usual[a - shapes] - shares[a - shapes])
        change, moved = solve(full, right), 0.0
        for a in range(last + 1):
            change[a] = min(max(change[a], -greatest), greatest)
            if a < shapes:
                terms[a] += change[a]
                moved = max(moved, abs(change[a]))
            elif a < last:
                shares[a - shapes] += change[a]
        blur *= min(max(1.0 + change[last] / blur, 0.8), 1.25)
        for i in range(lines):
            off[i] = sums[i, 6] / max(sums[i, 0], 1e-12)
            for a in range(shapes):
                off[i] -= rows[i, a] * change[a]
            weight[i] = 1.0 / max(1.0, abs(off[i]) / loose) if usable[i] else 0.0
        # What the two steps leave counts as noise when the walls are judged: more than the sensor's own.
        misfit = max(noise * noise, rest / max(seen, 1))
        if moved < enough:
            break
    return misfit
