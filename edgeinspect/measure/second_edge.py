"""A second edge that runs beside the first along a curve: film's, or that of swarf which lies along the cut.

Film lets light through, so that the picture steps down twice, from the sheet to the film and from the film to the
plate; between a cut and a strand along it there is a dark slit. Beside a clean edge level changes, over 10 mm of arc,
by up to 0.04 of the edge's own step on ray-traced rims, 0.03 on drawn ones and 0.05 where they have a contrast of 0.12;
under film and behind a slit of 0.4 mm by 0.13 and more. Of a slit of 0.2 mm a picture of 0.3 mm a pixel shows next to
nothing.

What is measured is one of the two. Where it is the inner one it is the cut, and what lies outside does no harm; so the
fixture's own marks and the lower end of a cut face, which lie outside too, need not be told from swarf.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.measure import second_edge_kernels
from edgeinspect.measure.place import Scan

SECOND_SHARE = 0.08  # of the edge's own step
TOGETHER_MM = 2.0  # of arc: what is averaged
LEAST_MM = 10.0  # of arc: a strand that crosses the edge, or dirt beside it, is shorter
NEAR_MM = 1.2  # from the first: what is further in is a clamp on the face, a scratch, a print
LAG_BLURS, AWAY_BLURS = 2.0, 2.0  # a step is over within two blurs on either side, to 2 % of it


@dataclass(frozen=True)
class SecondEdge:
    """Where along a closed curve a second edge stands beside the first, by stretches of TOGETHER_MM."""

    inside: NDArray[np.bool_]  # (N,) further in the material
    outside: NDArray[np.bool_]  # (N,)
    # (N,) inside, but for stretches of which no line is trusted anyway: a white mark behind the rim, say.
    trusted: NDArray[np.bool_]
    near: NDArray[np.bool_]  # (N,) of these what is so near to the first that it may be the cut


def second_edge(here: Scan) -> SecondEdge:
    edges, d_mm, count = here.edges, here.d_mm, len(here.ribbon)
    block = max(1, round(TOGETHER_MM / here.stations.step_mm))
    inside, near, outside = np.empty((3, -(-count // block)))
    second_edge_kernels.second_step(
        here.ribbon,
        float(d_mm[0]),
        float(d_mm[1] - d_mm[0]),
        edges.d_mm,
        edges.contrast,
        edges.blur_mm,
        edges.flags,
        block,
        LAG_BLURS,
        AWAY_BLURS,
        NEAR_MM,
        inside,
        near,
        outside,
    )
    seen = np.logical_or.reduceat(edges.flags == 0, np.arange(0, count, block))
    trusted = (inside > SECOND_SHARE) & seen
    sides = inside > SECOND_SHARE, outside > SECOND_SHARE, trusted, (near > SECOND_SHARE) & seen
    return SecondEdge(*(np.repeat(side, block)[:count] for side in sides))


def long_runs(there: NDArray[np.bool_], step_mm: float) -> list[tuple[int, int]]:
    """First station and number of stations of every run of LEAST_MM and more on a closed curve (N,), the longest one
    first; a gap of up to TOGETHER_MM does not end a run.
    """
    count, gap = len(there), max(1, round(TOGETHER_MM / step_mm))
    at = np.flatnonzero(there)
    if not len(at):
        return []
    ends = np.flatnonzero(np.diff(np.append(at, at[0] + count)) > gap + 1)
    if not len(ends):
        return [(int(at[0]), count)]
    firsts, lasts = at[(ends + 1) % len(at)], np.roll(at[ends], -1)
    runs = [(first, (last - first) % count + 1) for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True)]
    return sorted((run for run in runs if run[1] * step_mm >= LEAST_MM), key=lambda run: -run[1])
