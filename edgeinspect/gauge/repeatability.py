"""How well the gauge repeats: the scatter of repeated looks at one shell (JCGM 100, 4.2: type A), beside the u that
these looks reported.

One shell looked at again and again, taken out and put back in between, shows the picture's noise, how the shell is held
and what moves in between. It does not show what every look shares, such as the calibration: so it stands beside the
budget, and u must be no smaller than it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.stats import chi2

from edgeinspect.geometry import Array

LEAST_LOOKS = 5
BOUND = 0.95  # of the standard deviation, one-sided
BY_CHANCE = 0.001  # so seldom a scatter as large as u is taken for a larger one


class Looks(Protocol):
    """Numbers of N looks, K characteristics: ``process.readings.Readings``."""

    @property
    def characteristics(self) -> Sequence[str]: ...
    @property
    def units(self) -> Sequence[str]: ...
    @property
    def least(self) -> Array: ...  # (N, K) mm or deg
    @property
    def u_least(self) -> Array: ...
    @property
    def most(self) -> Array: ...
    @property
    def u_most(self) -> Array: ...


@dataclass(frozen=True)
class Scatter:
    """Of one characteristic over repeated looks at one shell; of a zone the worse of its two ways."""

    characteristic: str
    unit: str
    looks: int
    s: float  # standard deviation
    s_at_most: float  # with 95 % confidence
    u: float  # root mean square of what the looks reported

    @property
    def beyond_u(self) -> bool:
        """Whether it scatters more than its uncertainty allows, by more than chance."""
        freedoms = self.looks - 1
        return bool(freedoms * self.s**2 > chi2.ppf(1.0 - BY_CHANCE, freedoms) * self.u**2)


@dataclass(frozen=True)
class Repeatability:
    shell_id: str
    looks: int
    first_at: str  # ISO 8601, UTC
    last_at: str
    scatter: dict[str, Scatter]  # by characteristic

    @property
    def beyond_u(self) -> list[str]:
        return [name for name, one in self.scatter.items() if one.beyond_u]


def scatter_of(looks: Looks) -> dict[str, Scatter]:
    """Of looks at one and the same shell; what was measured in fewer than LEAST_LOOKS of them is left out."""
    found: dict[str, Scatter] = {}
    for k, name in enumerate(looks.characteristics):
        ways = [
            one
            for value, u in ((looks.least[:, k], looks.u_least[:, k]), (looks.most[:, k], looks.u_most[:, k]))
            if (one := _scatter(name, looks.units[k], value, u)) is not None
        ]
        if ways:
            found[name] = max(ways, key=lambda one: one.s)
    return found


def _scatter(name: str, unit: str, value: Array, u: Array) -> Scatter | None:
    there = np.isfinite(value) & np.isfinite(u)
    count = int(there.sum())
    if count < LEAST_LOOKS:
        return None
    s = float(np.std(value[there], ddof=1))
    at_most = s * float(np.sqrt((count - 1) / chi2.ppf(1.0 - BOUND, count - 1)))
    return Scatter(name, unit, count, s, at_most, float(np.sqrt((u[there] ** 2).mean())))


def repeatability_words(found: Repeatability | None) -> str:
    if found is None:
        return f"repeatability: unknown, no shell of this kind was looked at {LEAST_LOOKS} times or more"
    said = (
        f"repeatability: shell {found.shell_id} was looked at {found.looks} times; s is the standard deviation of its "
        "numbers (at most, with 95 % confidence), and u must be no smaller"
    )
    worse = found.beyond_u
    if not worse:
        return said
    return (
        f"{said}. It scatters more than its uncertainty says: {', '.join(worse)}: look for what moves (clamps, camera, "
        "marks, light), and trust no green there until it is found"
    )
