"""The inner loop of looking for a second edge beside the first, compiled by numba (see kernels.py for why)."""

from __future__ import annotations

import numpy as np
from numba import njit

from edgeinspect.measure.kernels import NO_EDGE, OUTSIDE


@njit(cache=True)
def second_step(
    ribbon, start, spacing, edge, contrast, blur, flags, block, lag_blurs, away_blurs, near_mm, inside, near, outside,
):  # fmt: skip
    """The greatest change of level on either side of the edge, over the edge's own step, of every ``block`` lines
    (N, M).

    The lines are averaged with their edges (N,) [mm] upon each other: noise must not pass for a step. Only a change the
    edge's own way counts: a shadow on the ground goes the other, and so does a white mark that shows behind the rim.
    Level changes over ``lag_blurs`` blurs (N,) [mm]; the edge's own step ends ``away_blurs`` from it. ``inside``, of it
    up to ``near_mm`` from the edge ``near``, ``outside`` (N / block, rounded up) - 0 where no line has an edge.
    """
    count, samples = ribbon.shape
    total = np.empty(2 * samples, np.float32)
    for k in range(len(inside)):
        total[:] = np.float32(0.0)
        low, high = -samples, samples  # of the samples, counted from the edge, those that all lines have
        step = wide = 0.0
        lines = 0
        for i in range(k * block, min((k + 1) * block, count)):
            if flags[i] & (NO_EDGE | OUTSIDE) != 0 or not np.isfinite(edge[i]):
                continue
            at = min(max(round((edge[i] - start) / spacing), 0), samples - 1)
            low, high = max(low, -at), min(high, samples - at)
            line, sums = ribbon[i], total[samples - at :]
            for j in range(samples):
                sums[j] += line[j]
            step, wide = step + contrast[i], wide + blur[i]
            lines += 1
        inside[k] = near[k] = outside[k] = 0.0
        if step == 0.0:
            continue
        lag = max(2, round(lag_blurs * wide / lines / spacing))
        beyond = away_blurs * wide / lines / spacing  # samples
        way = np.float32(1.0 if step > 0.0 else -1.0)
        most = most_near = np.float32(0.0)
        close = samples - near_mm / spacing - 0.5 * lag  # where a window's middle is so near
        for r in range(samples + low, min(samples + high - lag, int(samples - lag - beyond) + 1)):
            change = (total[r + lag] - total[r]) * way  # nan counts for nothing
            most = change if change > most else most
            most_near = change if change > most_near and r >= close else most_near
        inside[k], near[k] = most / abs(step), most_near / abs(step)
        most = np.float32(0.0)
        for r in range(max(samples + low, int(samples + beyond) + 1), samples + high - lag):
            change = (total[r + lag] - total[r]) * way
            most = change if change > most else most
        outside[k] = most / abs(step)
