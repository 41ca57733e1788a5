"""The deviation along the outline: filtered profile and the worst place of each zone.

The largest of thousands of noisy points is biased (0.03 mm of noise over 3,000 points reads 0.11 mm on a perfect
edge), so a zone is judged on the profile behind a Gaussian filter of stated cut-off.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import kernels
from edgeinspect.measure.measurement import BudgetAlong, DeviationProfile, Quantity, Share, ZoneResult
from edgeinspect.shell.definition import Frame, Zone

GAUSSIAN_ALPHA = float(np.sqrt(np.log(2.0) / np.pi))  # ISO 16610-21: half of a wave of the cut-off's length passes
LEAST_WEIGHT = 0.5  # of the filter's window must be seen, or the profile has no value there


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
        square = np.broadcast_to((factor * np.asarray(values, dtype=np.float64)) ** 2, arc_mm.shape)
        known = np.isfinite(square)
        count = np.add.reduceat(known.astype(np.float64), first)
        with np.errstate(invalid="ignore"):
            row[:] = np.sqrt(np.add.reduceat(np.where(known, square, 0.0), first) / np.where(count, count, np.nan))
    return BudgetAlong(frame, tuple(shares), arc_mm[first], u)


def zone_result(zone: Zone, profile: DeviationProfile, step_mm: float, shares: Shares) -> ZoneResult:
    """Worst filtered deviation both ways in one zone. ``shares`` - parts of the uncertainty by source.

    Seen is what the filtered profile has a value for: single lost stations close, anything wider than half the
    filter's window stays open.
    """
    most, least, seen, whole = kernels.extremes(profile.deviation_mm, zone.holds(profile.arc_mm))
    seen_mm, length_mm = float(seen * step_mm), float(whole * step_mm)
    if not seen:
        nothing = Quantity(float("nan"), float("nan"))
        return ZoneResult(zone.name, zone.frame, nothing, float("nan"), nothing, float("nan"), length_mm, 0.0)

    def quantity(at: int) -> Quantity:
        parts = tuple(Share(source, factor * float(u[at % len(u)])) for source, (u, factor) in shares.items())
        return Quantity(float(profile.deviation_mm[at]), float(profile.u_mm[at]), parts)

    return ZoneResult(
        zone.name,
        zone.frame,
        quantity(most),
        float(profile.arc_mm[most]),
        quantity(least),
        float(profile.arc_mm[least]),
        length_mm,
        seen_mm,
    )
