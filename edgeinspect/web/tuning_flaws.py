"""What stored shells say of one limit of nicks or burrs: on how many there are any, and how large."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.conformity import SEVERITY, Answer
from edgeinspect.geometry import Array
from edgeinspect.process.flaws import Flaws, size_answers
from edgeinspect.process.limits import FLAW_SIZES, Limits
from edgeinspect.process.what_if import Share, share


@dataclass(frozen=True)
class FlawsSeen:
    """Of the shells in question. "Not looked for" is neither with nor without: older records do not say."""

    kind: str  # "nick", "burr" or "chatter"
    size: str  # whose limit is moved, "length" or "depth"
    other: str  # the other one: a flaw is bad only when it is beyond both
    other_limit_mm: float  # as it is tried with
    looked: int
    not_looked: int
    having: Share  # of those looked at: at least one was found
    found: int


def flaws_seen(flaws: Flaws, kind: str, size: str, limits: Limits) -> FlawsSeen:
    looked = int(np.count_nonzero(flaws.looked))
    which = flaws.of_kind(kind)
    having = len(np.unique(flaws.shell[which]))
    other = next(one for one in FLAW_SIZES if one != size)
    return FlawsSeen(
        kind, size, other, limits[f"{kind} {other}"].upper, looked, len(flaws.looked) - looked,
        share(having, looked), int(np.count_nonzero(which)),
    )  # fmt: skip


def worst_sizes(flaws: Flaws, kind: str, size: str, limits: Limits) -> tuple[Array, Array]:
    """The worst flaw of each shell that has any [mm]: first of shells on which this size decides, because the other
    one is not proven within its limit, then of those that pass whatever this size is.
    """
    which = flaws.of_kind(kind)
    other = next(one for one in FLAW_SIZES if one != size)
    counts = which & (size_answers(flaws, kind, other, limits) != SEVERITY[Answer.CONFORMING])
    values = flaws.size(size)[0]
    deciding, all_of_them = (_greatest(flaws, one, values) for one in (counts, which))
    passing = np.isnan(deciding) & ~np.isnan(all_of_them)
    return deciding[~np.isnan(deciding)], all_of_them[passing]


def _greatest(flaws: Flaws, which: NDArray[np.bool_], values: Array) -> Array:
    """(N,) nan where a shell has none."""
    found = np.full(len(flaws.looked), np.nan)
    np.fmax.at(found, flaws.shell[which], values[which])
    return found


def beyond(flaws: Flaws, kind: str, size: str, warning_mm: float) -> NDArray[np.bool_]:
    """(N,) whether a shell has one that is greater."""
    found = np.zeros(len(flaws.looked), np.bool_)
    found[flaws.shell[flaws.of_kind(kind) & (flaws.size(size)[0] > warning_mm)]] = True
    return found
