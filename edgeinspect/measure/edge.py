"""Sub-pixel edges: a blurred step fitted on every scan line at once by Gauss-Newton, with its own standard uncertainty.

Model on one scan line: level(d) = a + b * S((d - d0) / s). S is a step blurred by s, F the normal distribution's
integral, with a slope of its own on either side: light falls off towards an edge, and a slope that is not in the model
moves the step (0.2 % of it per pixel by 0.01 px). Blur and slopes are shared by the whole curve; level, step and place
are each line's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import edge_kernels, kernels
from edgeinspect.measure.noise import BILINEAR_NOISE, RibbonNoise, noise_of, ribbon_noise, shared_along_line
from edgeinspect.measure.picture import Levels

__all__ = ["BILINEAR_NOISE", "Edges", "fit_edges", "noise_of", "polarity_of"]

# Samples within this of the edge are fitted, more where the blur is wide: beyond it a step says nothing of its place.
HALF_WINDOW_PX, HALF_WINDOW_BLURS = 4.0, 3.7
# How much the samples weigh alike. Weights by the noise alone would lean on the dark side, and there a real edge is
# least like a blurred step (a rounded arris, its shadow): on ray-traced rims the worst zone read 0.013 instead of
# 0.008 mm. It costs 4 % of the precision.
EVEN = 0.85
SATURATED_LEVEL = 0.999  # of full scale
BURNT_SHARE = 1 / 6  # of a line's window: a face that is clipped at 1.03 of full scale moves its edge 0.04 px
RIVAL_SHARE = 0.7  # a second step this strong beside the first makes the place doubtful
COMMON_LINES = 400  # that tell blur and slopes of a whole curve: the others would add nothing to see
SHADED_LINES = 150  # from which on slopes are sought: on a small round hole its own bend would pass for shading
SPREAD_SLOPE, SPREAD_BLUR = 0.01, 0.3  # what slopes [of the step per px] and blur [of itself] usually are and change


@dataclass(frozen=True)
class Edges:
    """One edge a scan line; ``d_mm`` is nan where there is none."""

    d_mm: Array  # (N,)
    # (N,) from the picture's noise, as one of many lines that err independently: neighbours that share pixels are
    # allowed for, so a single line may scatter less by sqrt(1 + 2 alike.sum())
    u_mm: Array
    contrast: Array  # (N,) step b, signed, in levels of full scale
    blur_mm: Array  # (N,) the same on all lines that are fitted together
    flags: NDArray[np.int32]  # (N,) bits of Flag
    alike: tuple[float, ...] = ()  # correlation of the errors of lines 1, 2, ... apart

    def pull_mm(self, bend_per_mm: Array) -> Array:
        """(N,) how far blur moves the half level of a curved edge towards the centre of its curvature."""
        return 0.5 * self.blur_mm**2 * bend_per_mm

    def part(self, lines: slice) -> Edges:
        return Edges(
            self.d_mm[lines],
            self.u_mm[lines],
            self.contrast[lines],
            self.blur_mm[lines],
            self.flags[lines],
            self.alike,
        )


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
    pace_px: float | None = None,
) -> Edges:
    """The edge on every scan line of a ribbon.

    Parameters: ribbon - (N, M) levels, from the material outwards; d_mm - (M,) even offsets; px_per_mm - (N,) picture
    scale along the lines; blur_px - first guess of the blur's standard deviation, refined here; polarity - +1 brighter
    outwards, -1 darker (default: the majority decides); noise - standard deviation of the picture's noise [levels]
    where it is known and even (default: by level, from the ribbon); half_window_px - how much beside the edge is
    fitted, where something else is near; pace_px - how far apart the lines of a ribbon of pairs lie in the picture (see
    ribbon.sample).
    Returns Edges. A line with no step of five times the noise is flagged NO_EDGE, never guessed.
    u is what the noise of the samples leads to through the fit itself, samples near each other sharing theirs; with
    level and step known it would be (noise/contrast) sqrt(2 s sqrt(pi)) px for a line 1 px wide (Cramér-Rao).
    """
    count, samples = ribbon.shape
    spacing = float(d_mm[1] - d_mm[0])
    scale = float(px_per_mm.mean())
    polarity = polarity_of(ribbon) if polarity is None else polarity
    blur = blur_px / scale  # mm
    place, strength, rival, at, low, step, d, u_mm = np.empty((8, count))
    first, flags = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int32)
    kernels.seek(ribbon, polarity, max(2, round(3.0 * blur / spacing)), place, strength, rival)
    reach_px = max(HALF_WINDOW_PX, HALF_WINDOW_BLURS * blur_px) if half_window_px is None else half_window_px
    half = min(max(3, round(reach_px / (scale * spacing))), (samples - 1) // 2)
    usual = edge_kernels.begin(ribbon, place, strength, rival, half, spacing, RIVAL_SHARE, first, at, low, step, flags)
    if noise is None:
        model = ribbon_noise(ribbon, place, 3.0 * blur / spacing, spacing * scale, pace_px)
    else:
        model = RibbonNoise.of_pixels(noise)
    noise = model.sd(usual) / BILINEAR_NOISE
    alike = shared_along_line(spacing * scale, pace_px)
    own = model.read, model.shot
    weigh = model.read + EVEN * model.shot * max(usual, 0.0), (1.0 - EVEN) * model.shot
    # None are sought where something else is near [of the step per mm].
    slopes = SPREAD_SLOPE * scale if half_window_px is None and count >= SHADED_LINES else 1e-9
    window, known = (ribbon, first, 2 * half + 1, spacing), (SPREAD_BLUR, slopes, rounds, COMMON_LINES)
    lost, lines = (SATURATED_LEVEL, BURNT_SHARE), (strength, at, low, step, flags, d, u_mm)
    light = float(d_mm[0]), polarity, noise, blur, weigh, own, alike
    blur = edge_kernels.settle(*window, *light, *known, *lost, *lines)
    u_mm *= math.sqrt(1.0 + 2.0 * sum(model.alike))
    return Edges(d, u_mm, step, np.full(count, blur), flags, model.alike)
