"""The inner loop of the imagined picture, compiled by numba: how much of each pixel an outline covers."""

from __future__ import annotations

from math import ceil, floor

from numba import njit


@njit(cache=True)
def cover(corners, steps):
    """Add a closed polygon (N, 2) [px, pixel i from i to i + 1] to ``steps`` (H, W + 2): the running sum of a row is
    the share of each pixel that lies inside, + or - by the way it runs round. Exact but for rounding: each edge adds
    the trapezium that lies to its right. What is cut off by the sides may be wrong in the pixels there.
    """
    rows, columns = steps.shape[0], steps.shape[1] - 2
    for k in range(len(corners)):
        ax, ay = corners[k - 1]
        bx, by = corners[k]
        if ay == by:
            continue
        way = 1.0
        if ay > by:
            ax, ay, bx, by, way = bx, by, ax, ay, -1.0
        slope = (bx - ax) / (by - ay)
        for row in range(max(0, floor(ay)), min(rows, ceil(by))):
            top, foot = max(ay, float(row)), min(by, row + 1.0)
            if foot <= top:
                continue
            one, other = ax + (top - ay) * slope, ax + (foot - ay) * slope
            if one > other:
                one, other = other, one
            left, right = min(max(one, 0.0), float(columns)), min(max(other, 0.0), float(columns))
            tall = way * (foot - top)
            first, last = floor(left), floor(right)
            passed = so_far = 0.0  # of ``tall`` left of this column; what the column before is covered by
            for column in range(first, last + 1):
                p, q = max(left, float(column)), min(right, column + 1.0)
                part = tall if right - left < 1e-12 else tall * (q - p) / (right - left)
                covered = passed + part * (1.0 - (0.5 * (p + q) - column))
                steps[row, column] += covered - so_far
                passed, so_far = passed + part, covered
            steps[row, last + 1] += tall - so_far
