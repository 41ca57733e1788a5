"""The numbers of many shells as arrays: all that judging needs of a measurement, and nothing else."""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from edgeinspect.conformity import Answer, Verdict, too_little_seen
from edgeinspect.conformity.flaws import MOST_LOOKS, under_strand
from edgeinspect.geometry import Array
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.process.flaws import KINDS, NOT_LOOKED, FlawReading, Flaws


class Seen(enum.IntEnum):
    """What there is of a characteristic."""

    WHOLE = 0  # numbers
    PARTLY = 1  # numbers, but too little was seen: can be bad, cannot be good
    NOTHING = 2  # no number: no result
    NOT_THERE = 3  # the thing itself is missing: bad under any limits
    NOT_LOOKED = 4  # not asked for when this shell was measured
    CLOSE = 5  # no number; not proven, as it was recorded
    GOOD = 6  # no number; good, as it was recorded
    COVERED = 7  # numbers, but a loose strand lies where it is highest: too much material there says nothing


class Held(enum.IntEnum):
    """What keeps a look from being green, whatever its numbers say."""

    NOTHING = 0
    LOOKED_AT_OFTEN = 1  # from the third look on quality decides
    STOPPED = 2  # something could not be measured


AS_RECORDED = {
    Answer.NONCONFORMING: Seen.NOT_THERE,
    Answer.NO_RESULT: Seen.NOTHING,
    Answer.NOT_PROVEN: Seen.CLOSE,
    Answer.CONFORMING: Seen.GOOD,
}


@dataclass(frozen=True)
class Reading:
    """The numbers of one look at one shell; K characteristics by name. A single value is both most and least."""

    characteristics: tuple[str, ...]
    units: tuple[str, ...]
    numbers: Array  # (K, 4) float64: least, its u, most, its u; nan where there is none
    seen: NDArray[np.uint8]  # (K,) values of Seen
    held: Held
    flaws: FlawReading = NOT_LOOKED


def reading_of(measurement: ShellMeasurement, verdict: Verdict) -> Reading:
    """Zones with both their ways from the measurement, all else as it was judged: that is the same number."""
    zones = {f"zone {zone.zone}": zone for zone in measurement.zones}
    rows: list[tuple[str, str, tuple[float, float, float, float], Seen]] = []
    for finding in sorted(verdict.findings, key=lambda finding: finding.characteristic):
        zone = zones.get(finding.characteristic)
        if finding.characteristic.split(" ")[0] in KINDS:
            continue  # all of them are kept, judged or not
        if zone is not None:
            numbers = (zone.least.value, zone.least.u, zone.most.value, zone.most.u)
            whole = all(map(math.isfinite, (*numbers, zone.seen_mm)))
            seen = Seen.NOTHING if not whole else Seen.PARTLY if too_little_seen(zone) else Seen.WHOLE
            if seen is Seen.WHOLE and _covered(zone.most_at_mm, measurement):
                seen = Seen.COVERED
        elif finding.value is not None and finding.u is not None:
            numbers, seen = (finding.value, finding.u, finding.value, finding.u), Seen.WHOLE
        else:
            numbers, seen = (math.nan,) * 4, AS_RECORDED[finding.answer]
        rows.append((finding.characteristic, finding.unit, numbers, seen))
    often = measurement.before.looks >= MOST_LOOKS
    return Reading(
        tuple(row[0] for row in rows),
        tuple(row[1] or "mm" for row in rows),
        np.array([row[2] for row in rows], dtype=np.float64).reshape(-1, 4),
        np.array([row[3] for row in rows], dtype=np.uint8),
        Held.STOPPED if measurement.stops else Held.LOOKED_AT_OFTEN if often else Held.NOTHING,
        FlawReading.of(measurement),
    )


def _covered(at_mm: float, measurement: ShellMeasurement) -> bool:
    """Whether a loose strand lies there; the rim's length is that of its profile."""
    arcs = [profile.arc_mm for profile in measurement.profiles if len(profile.arc_mm) > 1]
    if not (measurement.flaws and measurement.traces and arcs):
        return False
    return under_strand(at_mm, measurement, measurement.traces[0].curve, float(2 * arcs[0][-1] - arcs[0][-2]))


@dataclass(frozen=True)
class Readings:
    """The numbers of N shells, oldest first: one look each. K characteristics; what a shell has not is NOT_LOOKED."""

    characteristics: tuple[str, ...]  # (K,)
    units: tuple[str, ...]  # (K,)
    inspection_id: NDArray[np.int64]  # (N,)
    least: Array  # (N, K) mm or deg, worst towards the lower limit; nan where there is none
    u_least: Array  # (N, K)
    most: Array  # (N, K)
    u_most: Array  # (N, K)
    seen: NDArray[np.uint8]  # (N, K) values of Seen
    held: NDArray[np.uint8]  # (N,) values of Held
    recorded: NDArray[np.int8]  # (N,) the answer that was given then, a value of SEVERITY
    flaws: Flaws | None = None  # of these N shells; None: looked for on none of them

    def __post_init__(self) -> None:
        shape = (len(self.inspection_id), len(self.characteristics))
        for name in ("least", "u_least", "most", "u_most", "seen"):
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} is {getattr(self, name).shape}, must be {shape}")
        if self.flaws is not None and len(self.flaws.looked) != len(self):
            raise ValueError(f"flaws are of {len(self.flaws.looked)} shells, must be of {len(self)}")

    def __len__(self) -> int:
        return len(self.inspection_id)

    def part(self, which: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Readings:
        """Some of the shells."""
        kept = ("characteristics", "units", "flaws")
        rows = {f.name: getattr(self, f.name)[which] for f in fields(self) if f.name not in kept}
        return Readings(self.characteristics, self.units, **rows, flaws=self.all_flaws.part(which))

    @property
    def all_flaws(self) -> Flaws:
        return Flaws.not_looked(len(self)) if self.flaws is None else self.flaws

    @property
    def has_numbers(self) -> NDArray[np.bool_]:
        """(N, K) whether there is a number, even of a part only."""
        return np.asarray((self.seen <= Seen.PARTLY) | (self.seen == Seen.COVERED))

    def column(self, characteristic: str) -> int:
        return self.characteristics.index(characteristic)


def stack(
    rows: Iterable[tuple[int, int, int]],
    layouts: dict[int, tuple[Sequence[str], Sequence[str]]],
    numbers: Sequence[Array],
    seen: Sequence[NDArray[np.uint8]],
    held: Sequence[int],
    flaws: Sequence[FlawReading] | None = None,
) -> Readings:
    """Put looks of different layouts together.

    Parameters: rows - inspection id, layout, recorded severity of each of N looks; layouts - characteristics and their
    units by layout; numbers - (K, 4) each; seen - (K,) each; held, flaws - one each.
    """
    listed = list(rows)
    used = {layout for _, layout, _ in listed}
    names: dict[str, str] = {}
    for layout in sorted(used):
        for name, unit in zip(*layouts[layout], strict=True):
            names.setdefault(name, unit)
    at = {name: k for k, name in enumerate(names)}
    shape = (len(listed), len(names))
    out = np.full((*shape, 4), np.nan)
    is_seen = np.full(shape, Seen.NOT_LOOKED, np.uint8)
    of = np.array([layout for _, layout, _ in listed], dtype=np.int64)
    for layout in used:
        which = np.flatnonzero(of == layout)
        columns = np.array([at[name] for name in layouts[layout][0]], dtype=np.int64)
        cells = np.ix_(which, columns)
        out[cells] = np.stack([numbers[i] for i in which.tolist()])
        is_seen[cells] = np.stack([seen[i] for i in which.tolist()])
    return Readings(
        tuple(names),
        tuple(names.values()),
        np.array([row[0] for row in listed], dtype=np.int64),
        out[..., 0].copy(),
        out[..., 1].copy(),
        out[..., 2].copy(),
        out[..., 3].copy(),
        is_seen,
        np.array(held, dtype=np.uint8),
        np.array([row[2] for row in listed], dtype=np.int8),
        None if flaws is None else Flaws.stack(flaws),
    )
