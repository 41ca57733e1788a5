"""Sub-pixel edges: a blurred step fitted on every scan line at once by Gauss-Newton, with its own standard uncertainty.

Model on one scan line: level(d) = a + b * F((d - d0) / s), F the normal distribution's integral, s the blur, shared
by the whole curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure.measurement import Flag
from edgeinspect.measure.ribbon import Levels

HALF_WINDOW_PX = 3.5  # samples within this of the edge are fitted: beyond it a step says nothing more about its place
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
    inner: Array  # (N,) level a on the material's side
    blur_mm: float
    flags: NDArray[np.int32]  # (N,) bits of Flag


def normal_integral(x: Levels) -> tuple[Levels, Levels]:
    """F(x) and its density times sqrt(2 pi) for float32 ``x``.

    Abramowitz and Stegun 7.1.26 (absolute error below 1e-7 in F): shares the exponential with the density and is five
    times faster than erf.
    """
    density = np.exp(np.float32(-0.5) * x * x)
    t = 1.0 / (1.0 + np.float32(0.3275911 / np.sqrt(2.0)) * np.abs(x))
    poly = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    tail = np.float32(0.5) * poly.astype(np.float32) * density
    return np.where(x >= 0, np.float32(1.0) - tail, tail), density


def noise_of(ribbon: Levels) -> float:
    """Standard deviation of the raw pixels' noise [levels], from differences between neighbouring scan lines.

    Third differences along the curve cancel level, slope and slow shading; the median absolute deviation ignores
    edges and dirt. Scan lines lie more than a pixel apart, so their samples are independent but for the bilinear
    sampling, which is allowed for.
    """
    third = ribbon[3:] - 3.0 * ribbon[2:-1] + 3.0 * ribbon[1:-2] - ribbon[:-3]
    thin = third[::3, ::4]
    spread = 1.4826 * float(np.nanmedian(np.abs(thin))) if thin.size else 0.0
    return spread / float(np.sqrt(20.0)) / BILINEAR_NOISE


def polarity_of(ribbon: Levels) -> float:
    """+1 where the picture gets brighter out of the material, -1 where it gets darker: the majority of the scan lines
    decides.
    """
    third = max(1, ribbon.shape[1] // 3)
    return 1.0 if np.nanmedian(ribbon[:, -third:].mean(axis=1) - ribbon[:, :third].mean(axis=1)) >= 0 else -1.0


@dataclass(frozen=True)
class Steps:
    """First guess: the strongest step of the right direction on each scan line."""

    index: NDArray[np.intp]  # (N,) sample nearest to it
    strength: Levels  # (N,) levels across the step
    rival: Levels  # (N,) strongest step elsewhere on the line


def seek(ribbon: Levels, polarity: float, blur_samples: float) -> Steps:
    """Strongest rise of ``polarity`` on each line (N, M), over a base about as wide as the blurred step."""
    lag = max(2, round(3.0 * blur_samples))
    rise = (ribbon[:, lag:] - ribbon[:, :-lag]) * np.float32(polarity)
    rise = np.nan_to_num(rise, nan=0.0, copy=False)
    peak = rise.argmax(axis=1)
    rows = np.arange(len(ribbon))
    strength = rise[rows, peak]
    away = np.abs(np.arange(rise.shape[1])[None, :] - peak[:, None]) > 1.6 * lag
    rival = np.where(away, rise, 0.0).max(axis=1)
    return Steps(peak + lag // 2, strength, rival)


def fit_edges(
    ribbon: Levels,
    d_mm: Array,
    px_per_mm: Array,
    blur_px: float,
    *,
    polarity: float | None = None,
    start_mm: Array | None = None,
    noise: float | None = None,
    full_scale: float = 1.0,
    rounds: int = 3,
) -> Edges:
    """The edge on every scan line of a ribbon.

    Parameters: ribbon - (N, M) levels, from the material outwards; d_mm - (M,) even offsets; px_per_mm - (N,) picture
    scale along the lines; blur_px - first guess of the blur's standard deviation, refined here; start_mm - (N,) where
    to look (default: the strongest step); noise - standard deviation of the picture's noise [levels] (default: from
    the ribbon); full_scale - level of a saturated pixel.
    Returns Edges. A line with no step of five times the noise is flagged NO_EDGE, never guessed.
    Reference for u: Cramér-Rao bound of a blurred step in white noise, u = (noise/contrast) sqrt(2 s sqrt(pi)) px for
    a line 1 px wide.
    """
    count, samples = ribbon.shape
    spacing = float(d_mm[1] - d_mm[0])
    scale = float(np.median(px_per_mm))
    polarity = polarity_of(ribbon) if polarity is None else polarity
    noise = noise_of(ribbon) if noise is None else noise
    blur = blur_px / scale  # mm
    flags = np.zeros(count, dtype=np.int32)
    flags[~np.isfinite(ribbon).all(axis=1)] |= Flag.OUTSIDE
    if start_mm is None:
        steps = seek(ribbon, polarity, blur / spacing)
        index = steps.index
        flags[steps.rival > RIVAL_SHARE * np.maximum(steps.strength, 1e-9)] |= Flag.RIVAL_EDGE
        flags[steps.strength < 5.0 * noise] |= Flag.NO_EDGE
    else:
        index = np.rint((start_mm - d_mm[0]) / spacing).astype(np.intp)
    half = max(3, round(HALF_WINDOW_PX / (scale * spacing)))
    half = min(half, (samples - 1) // 2)
    first = np.clip(index - half, 0, samples - 2 * half - 1)
    window = np.arange(2 * half + 1)
    values = np.nan_to_num(np.take_along_axis(ribbon, first[:, None] + window[None, :], axis=1))
    origin = d_mm[0] + first * spacing
    local = (window * spacing).astype(np.float32)
    start = (d_mm[0] + index * spacing) if start_mm is None else start_mm
    at = (start - origin).astype(np.float32)
    basis = np.ones((count, len(window), 3), dtype=np.float32)
    low = values[:, :2].mean(axis=1)
    step = values[:, -2:].mean(axis=1) - low
    for _ in range(rounds):
        x = (local[None, :] - at[:, None]) / np.float32(blur)
        integral, density = normal_integral(x)
        slope = density * (step / np.float32(blur * np.sqrt(2.0 * np.pi)))[:, None]
        basis[:, :, 1] = integral
        basis[:, :, 2] = -slope
        residual = values - low[:, None] - step[:, None] * integral
        moment = basis.transpose(0, 2, 1)
        normal = (moment @ basis).astype(np.float64)
        normal[:, range(3), range(3)] += 1e-12 + 1e-9 * normal[:, range(3), range(3)]
        change = np.linalg.solve(normal, (moment @ residual[:, :, None]).astype(np.float64))[:, :, 0].astype(np.float32)
        low = low + change[:, 0]
        step = step + change[:, 1]
        at = at + np.clip(change[:, 2], -2.0 * blur, 2.0 * blur)
        # One blur for the whole curve: the pooled derivative with respect to s, on lines that look like an edge.
        widening = -slope * x
        good = (flags == 0) & (np.abs(step) > 5.0 * noise)
        if good.any():
            wide = widening[good]
            power = float(np.vdot(wide, wide))
            blur = float(
                np.clip(blur + float(np.vdot(wide, residual[good])) / max(power, 1e-12), 0.5 * blur, 2.0 * blur)
            )
    d = origin + at
    contrast = step.astype(np.float64)
    weak = (np.sign(contrast) != polarity) | (np.abs(contrast) < 5.0 * noise)
    inside = (at > 0) & (at < local[-1]) & np.isfinite(at)
    flags[weak | ~inside] |= Flag.NO_EDGE
    scatter = np.sqrt(np.mean(residual * residual, axis=1, dtype=np.float64))
    flags[scatter > 3.0 * noise + 0.1 * np.abs(contrast)] |= Flag.POOR_FIT
    flags[(values >= 0.999 * full_scale).sum(axis=1) > len(window) // 3] |= Flag.SATURATED
    blur_in_px = blur * px_per_mm
    u_px = noise / np.maximum(np.abs(contrast), 1e-9) * np.sqrt(2.0 * blur_in_px * np.sqrt(np.pi))
    d = np.where(flags & (Flag.NO_EDGE | Flag.OUTSIDE), np.nan, d)
    return Edges(d, u_px / px_per_mm, contrast, low.astype(np.float64), blur, flags)
