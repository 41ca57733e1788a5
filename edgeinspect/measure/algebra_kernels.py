"""Small linear systems and middle values for the compiled loops.

numpy's own, called from compiled code, took most of the time that compiling took (linalg.solve two seconds a kernel),
and more than the arithmetic for three unknowns.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True)
def solve(matrix, right):
    """(n,) x of ``matrix`` (n, n) x = ``right`` (n,), by elimination with the largest pivot. Raises ZeroDivisionError
    for a matrix that is singular.
    """
    count = len(right)
    left, found = matrix.copy(), right.copy()
    for k in range(count):
        best = k
        for i in range(k + 1, count):
            if abs(left[i, k]) > abs(left[best, k]):
                best = i
        if best != k:
            for j in range(k, count):
                left[k, j], left[best, j] = left[best, j], left[k, j]
            found[k], found[best] = found[best], found[k]
        for i in range(k + 1, count):
            share = left[i, k] / left[k, k]
            for j in range(k + 1, count):
                left[i, j] -= share * left[k, j]
            found[i] -= share * found[k]
    for k in range(count - 1, -1, -1):
        for j in range(k + 1, count):
            found[k] -= left[k, j] * found[j]
        found[k] /= left[k, k]
    return found


@njit(cache=True)
def select(values, used, k):
    """The value of rank ``k`` among the first ``used`` values, which are reordered: none before it is larger then, none
    behind it smaller. Source: C. A. R. Hoare, Algorithm 65: Find, CACM 4 (1961) 321 (from memory).
    """
    low, high = 0, used - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while pivot < values[j]:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    return values[k]


@njit(cache=True)
def median(values, used):
    """Median of the first ``used`` values, which are reordered; none of them may be nan. nan of none."""
    if used == 0:
        return np.nan
    upper = select(values, used, used // 2)
    if used % 2 == 1:
        return upper
    lower = values[0]
    for i in range(1, used // 2):
        lower = max(lower, values[i])
    return 0.5 * (lower + upper)
