"""The deviation along the outline: filtered profile and the worst place of each zone.

The largest of thousands of noisy points is biased (0.03 mm of noise over 3,000 points reads 0.11 mm on a perfect
edge), so a zone is judged on the profile behind a Gaussian filter of stated cut-off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import kernels
from edgeinspect.measure.measurement import BudgetAlong, DeviationProfile, Quantity, Share, ZoneResult
from edgeinspect.shell.definition import Frame, Zone

GAUSSIAN_ALPHA = float(np.sqrt(np.log(2.0) / np.pi))  # ISO 16610-21: half of a wave of the cut-off's length passes
LEAST_WEIGHT = 0.5  # of the filter's window must be seen, or the profile has no value there
NOISE = "picture noise"  # the share that differs from station to station
LIFT = "worst of many places"  # the share that noise has in their being the worst
# What of a filtered profile may be noise: what a filter so many times as long takes away, up to so many
# standard deviations of the noise (exceeded once in 16,000 by chance).
LONG_CUTOFFS, BEYOND_NOISE = 20.0, 4.0
HIGH = 2.5  # standard deviations: how high the largest of a zone's noise lies, half a hundred to some hundred places


def gaussian_weights(cutoff_mm: float, step_mm: float) -> Array:
    """Weights (2m+1,) of the profile filter of ISO 16610-21, cut off at one cut-off length, sum 1."""
    reach = int(np.ceil(cutoff_mm / step_mm))
    x = np.arange(-reach, reach + 1) * step_mm
    weights = np.exp(-np.pi * (x / (GAUSSIAN_ALPHA * cutoff_mm)) ** 2)
    return np.asarray(weights / weights.sum())


def noise_left(weights: Array, alike: tuple[float, ...] = ()) -> float:
    """What a filter of such weights leaves of the noise of a single station, where the noise of stations 1, 2, ...
    apart is correlated by ``alike``.
    """
    total = float(weights @ weights)
    for k, share in enumerate(alike[: len(weights) - 1], start=1):
        total += 2.0 * share * float(weights[k:] @ weights[:-k])
    return float(np.sqrt(total))


def filter_closed(
    deviation_mm: Array, usable: NDArray[np.bool_], cutoff_mm: float, step_mm: float
) -> tuple[Array, float]:
    """Filtered profile (N,) of a closed outline, nan where too little is seen, and the factor by which the filter
    reduces white noise.

    Unusable stations have no weight: their place is taken by no one, and nothing is bridged over more than half the
    window.
    """
    weights = gaussian_weights(cutoff_mm, step_mm)
    reach = len(weights) // 2
    left = float(np.sqrt((weights**2).sum()))
    if usable.all():
        whole = np.concatenate([deviation_mm[-reach:], deviation_mm, deviation_mm[:reach]])
        return np.convolve(whole, weights, mode="valid"), left
    mask = usable.astype(np.float64)
    values = np.where(usable, deviation_mm, 0.0)
    total = np.convolve(np.concatenate([mask[-reach:], mask, mask[:reach]]), weights, mode="valid")
    summed = np.convolve(np.concatenate([values[-reach:], values, values[:reach]]), weights, mode="valid")
    enough = total >= LEAST_WEIGHT
    filtered = np.where(enough, summed / np.where(enough, total, 1.0), np.nan)
    return filtered, left


BUDGET_STEP_MM = 5.0  # along the rim, between the places at which the record keeps what u is made of


# Parts of the uncertainty by source: an array (N,), or (1,) where it is the same all along, and a factor.
Shares = dict[str, tuple[Array, float]]


def budget_along(frame: Frame, shares: Shares, arc_mm: Array, step_mm: float) -> BudgetAlong:
    """The shares of a profile at stations (N,), thinned out for the record. What is nan somewhere (not seen) counts by
    the rest of its stretch.
    """
    first = np.arange(0, len(arc_mm), max(1, round(BUDGET_STEP_MM / step_mm)))
    u = np.empty((len(shares), len(first)))
    for row, (values, factor) in zip(u, shares.values(), strict=True):
        kernels.block_rms(values, len(arc_mm), factor, max(1, round(BUDGET_STEP_MM / step_mm)), row)
    return BudgetAlong(frame, tuple(shares), arc_mm[first], u)


@dataclass(frozen=True)
class WithoutNoise:
    """What noise may have raised a profile's worst places from."""

    deviation_mm: Array  # (N,) the profile without what may be noise
    noise_mm: Array  # (N,) standard deviation of that noise
    apart: int  # stations from which on each one's noise counts as its own where it is highest

    def lifts_most(self, inside: NDArray[np.bool_], side: float) -> float:
        """How much noise alone is expected to lift the largest (``side`` -1: the least, downwards) of some stations
        (N,).
        """
        return float(kernels.excess_of_most(self.deviation_mm, self.noise_mm, inside, side, self.apart))


def without_noise(profile: DeviationProfile, shares: Shares, cutoff_mm: float, step_mm: float) -> WithoutNoise:
    """The parent of a filtered profile: a much smoother one, and where the profile is off that by more than its noise
    can make, the rest of it.
    """
    u, factor = shares.get(NOISE, (np.zeros(1), 0.0))
    noise = np.broadcast_to(np.nan_to_num(factor * u), profile.deviation_mm.shape)
    seen = np.isfinite(profile.deviation_mm)
    long_mm = min(LONG_CUTOFFS * cutoff_mm, 0.25 * step_mm * len(seen))  # or it would average all of the outline
    smooth, _ = filter_closed(profile.deviation_mm, seen, max(cutoff_mm, long_mm), step_mm)
    off = profile.deviation_mm - smooth
    parent = profile.deviation_mm - np.clip(off, -BEYOND_NOISE * noise, BEYOND_NOISE * noise)
    # Filtered noise crosses a level h standard deviations high as often as independent numbers that lie the length of
    # what the filter averages over h apart exceed it (Rice 1944, of noise behind a Gaussian filter).
    weights = gaussian_weights(cutoff_mm, step_mm)
    apart = max(1, round(1.0 / (HIGH * float(weights @ weights))))
    return WithoutNoise(parent, np.ascontiguousarray(noise), apart)


def zone_result(
    zone: Zone, profile: DeviationProfile, step_mm: float, shares: Shares, parent: WithoutNoise
) -> ZoneResult:
    """Worst filtered deviation both ways in one zone. ``shares`` - parts of the uncertainty by source; ``parent`` - of
    the profile: where many places are nearly alike, noise picks the worst of them and lifts it. That is not taken off,
    a worst place must not read better than it was seen; it is a part of u (JCGM 100, F.2.4.5).

    Seen is what the filtered profile has a value for: single lost stations close, anything wider than half the
    filter's window stays open.
    """
    inside = zone.holds(profile.arc_mm)
    most, least, seen, whole = kernels.extremes(profile.deviation_mm, inside)
    seen_mm, length_mm = float(seen * step_mm), float(whole * step_mm)
    if not seen:
        nothing = Quantity(float("nan"), float("nan"))
        return ZoneResult(zone.name, zone.frame, nothing, float("nan"), nothing, float("nan"), length_mm, 0.0)

    def quantity(at: int, side: float) -> Quantity:
        parts = [Share(source, factor * float(u[at % len(u)])) for source, (u, factor) in shares.items()]
        lifted = parent.lifts_most(inside, side)
        parts.append(Share(LIFT, lifted))
        u = float(np.hypot(profile.u_mm[at], lifted))
        return Quantity(float(profile.deviation_mm[at]), u, tuple(parts))

    return ZoneResult(
        zone.name,
        zone.frame,
        quantity(most, 1.0),
        float(profile.arc_mm[most]),
        quantity(least, -1.0),
        float(profile.arc_mm[least]),
        length_mm,
        seen_mm,
    )
