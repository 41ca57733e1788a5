"""Sub-pixel edges: a blurred step fitted on every scan line at once by Gauss-Newton, with its own standard uncertainty.

Model on one scan line: level(d) = a + b * F((d - d0) / s), F the normal distribution's integral, s the blur, shared
by the whole curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import kernels
from edgeinspect.measure.measurement import Flag
from edgeinspect.measure.picture import Levels

# Samples within this of the edge are fitted, more where the blur is wide: beyond it a step says nothing of its place.
HALF_WINDOW_PX, HALF_WINDOW_BLURS = 3.5, 3.7
SATURATED_LEVEL = 0.999  # of full scale
BURNT_SHARE = 1 / 6  # of a line's window: a face that is clipped at 1.03 of full scale moves its edge 0.04 px
RIVAL_SHARE = 0.7  # a second step this strong beside the first makes the place doubtful
BILINEAR_NOISE = (
    2.0 / 3.0
)  # mean reduction of white noise by bilinear sampling at every sub-pixel phase, both directions


@dataclass(frozen=True)
class Edges:
    """One edge a scan line; ``d_mm`` is nan where there is none."""

    d_mm: Array  # (N,)
    u_mm: Array  # (N,) one scan line, from the picture's noise
    contrast: Array  # (N,) step b, signed, in levels of full scale
    blur_mm: Array  # (N,) the same on all lines of one picture
    flags: NDArray[np.int32]  # (N,) bits of Flag

    def pull_mm(self, bend_per_mm: Array) -> Array:
        """(N,) how far blur moves the half level of a curved edge towards the centre of its curvature."""
        return 0.5 * self.blur_mm**2 * bend_per_mm

    def part(self, lines: slice) -> Edges:
        return Edges(self.d_mm[lines], self.u_mm[lines], self.contrast[lines], self.blur_mm[lines], self.flags[lines])


def noise_of(ribbon: Levels) -> float:
    """Standard deviation of the raw pixels' noise [levels], from differences between neighbouring scan lines.

    Third differences along the curve cancel level, slope and slow shading; the median absolute deviation ignores
    edges and dirt. Scan lines lie more than a pixel apart, so their samples are independent but for the bilinear
    sampling, which is allowed for.
    """
    spread = 1.4826 * float(kernels.median_third_difference(ribbon)) if len(ribbon) > 3 else 0.0
    return spread / float(np.sqrt(20.0)) / BILINEAR_NOISE


def polarity_of(ribbon: Levels) -> float:
    """+1 where the picture gets brighter out of the material, -1 where it gets darker: the majority of the scan lines
    that are seen whole decides.
    """
    return 1.0 if int(kernels.rise_outwards(ribbon)) >= 0 else -1.0


def fit_edges(
    ribbon: Levels,
    d_mm: Array,
    px_per_mm: Array,
    blur_px: float,
    *,
    polarity: float | None = None,
    noise: float | None = None,
    half_window_px: float | None = None,
    rounds: int = 3,
) -> Edges:
    """The edge on every scan line of a ribbon.

    Parameters: ribbon - (N, M) levels, from the material outwards; d_mm - (M,) even offsets; px_per_mm - (N,) picture
    scale along the lines; blur_px - first guess of the blur's standard deviation, refined here; polarity - +1 brighter
    outwards, -1 darker (default: the majority decides); noise - standard deviation of the picture's noise [levels]
    (default: from the ribbon); half_window_px - how much beside the edge is fitted, where something else is near.
    Returns Edges. A line with no step of five times the noise is flagged NO_EDGE, never guessed.
    Reference for u: Cramér-Rao bound of a blurred step in white noise, u = (noise/contrast) sqrt(2 s sqrt(pi)) px for
    a line 1 px wide.
    """
    count, samples = ribbon.shape
    spacing = float(d_mm[1] - d_mm[0])
    scale = float(px_per_mm.mean())
    polarity = polarity_of(ribbon) if polarity is None else polarity
    noise = noise_of(ribbon) if noise is None else noise
    blur = blur_px / scale  # mm
    flags = np.zeros(count, dtype=np.int32)
    place, strength, rival = np.empty(count), np.empty(count), np.empty(count)
    kernels.seek(ribbon, polarity, max(2, round(3.0 * blur / spacing)), place, strength, rival)
    flags[rival > RIVAL_SHARE * np.maximum(strength, 1e-9)] |= Flag.RIVAL_EDGE
    flags[strength < 5.0 * noise] |= Flag.NO_EDGE
    reach_px = max(HALF_WINDOW_PX, HALF_WINDOW_BLURS * blur_px) if half_window_px is None else half_window_px
    half = min(max(3, round(reach_px / (scale * spacing))), (samples - 1) // 2)
    width = 2 * half + 1
    first = np.clip(np.rint(place).astype(np.int64) - half, 0, samples - width)
    rows = np.arange(count)
    ends = ribbon[rows, first], ribbon[rows, first + width - 1]
    flags[~np.isfinite(ends[0] + ends[1])] |= Flag.OUTSIDE
    low, step = ends[0].astype(np.float64), (ends[1] - ends[0]).astype(np.float64)
    at = (place - first) * spacing
    spread, widen = np.empty(count), np.empty((count, 2))
    for _ in range(rounds):
        kernels.step_round(ribbon, first, width, spacing, blur, at, low, step, spread, widen)
        # One blur for the whole curve, from lines that look like an edge.
        up, down = widen[(flags == 0) & (np.abs(step) > 5.0 * noise)].sum(axis=0)
        if down > 0:
            blur = float(np.clip(blur + up / down, 0.5 * blur, 2.0 * blur))
    d, u_mm = np.empty(count), np.empty(count)
    start = float(d_mm[0])
    kernels.edges_found(
        ribbon, first, width, spacing, start, polarity, noise, blur, px_per_mm, at, step, spread, SATURATED_LEVEL,
        BURNT_SHARE, flags, d, u_mm,
    )  # fmt: skip
    return Edges(d, u_mm, step, np.full(count, blur), flags)
