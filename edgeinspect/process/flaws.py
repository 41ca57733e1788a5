"""Nicks, burrs and strands of many shells as arrays, and what limits say of them. How many a shell has differs, and a
nick is bad only when it is both too long and too deep: so every one is kept with both its sizes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.conformity import SEVERITY, Answer, decide_many
from edgeinspect.conformity.flaws import as_judged
from edgeinspect.geometry import Array, frozen
from edgeinspect.measure.measurement import FlawKind, ShellMeasurement
from edgeinspect.process.limits import FLAW_SIZES, Limits, flaw_limit
from edgeinspect.shell.definition import Check

KINDS = tuple(kind.value for kind in FlawKind)  # a flaw's kind is kept as its place in here
_ROW = 33  # bytes of one flaw: its kind, then four little-endian doubles


@dataclass(frozen=True)
class FlawReading:
    """The flaws of one look, F of them, by the kinds that they were judged as."""

    looked: bool  # False: flaws were not looked for, which is not the same as that there were none
    kind: NDArray[np.uint8]  # (F,) into KINDS
    sizes: Array  # (F, 4) mm: length, its u, depth, its u

    @staticmethod
    def of(measurement: ShellMeasurement) -> FlawReading:
        """A record of before ``flaws_sought`` was kept says that they were looked for only by having some."""
        if Check.TRIM not in measurement.checks or not (measurement.flaws_sought or measurement.flaws):
            return NOT_LOOKED
        flaws = measurement.flaws
        return FlawReading(
            True,
            np.array([KINDS.index(as_judged(flaw, measurement.before).value) for flaw in flaws], np.uint8),
            np.array([(f.length.value, f.length.u, f.depth.value, f.depth.u) for f in flaws], float).reshape(-1, 4),
        )

    def content(self) -> bytes:
        """One byte and the flaws; nothing where they were not looked for, as in rows of before."""
        if not self.looked:
            return b""
        return b"\1" + self.kind.astype(np.uint8).tobytes() + self.sizes.astype("<f8").tobytes()

    @staticmethod
    def read(content: bytes) -> FlawReading:
        """From ``content``."""
        if len(content) < _ROW:
            return NONE_FOUND if content else NOT_LOOKED
        count = (len(content) - 1) // _ROW
        sizes = np.frombuffer(content, "<f8", 4 * count, 1 + count).reshape(count, 4)
        return FlawReading(True, np.frombuffer(content, np.uint8, count, 1), sizes)


NOT_LOOKED = FlawReading(False, np.zeros(0, np.uint8), frozen(np.zeros((0, 4))))
NONE_FOUND = FlawReading(True, np.zeros(0, np.uint8), frozen(np.zeros((0, 4))))


@dataclass(frozen=True)
class Flaws:
    """The F flaws of N shells, in the order of the shells."""

    looked: NDArray[np.bool_]  # (N,) whether flaws were looked for
    shell: NDArray[np.int64]  # (F,) which of the N, ascending
    kind: NDArray[np.uint8]  # (F,) into KINDS, as judged
    sizes: Array  # (F, 4) mm: length, its u, depth, its u

    @staticmethod
    def stack(each: Sequence[FlawReading]) -> Flaws:
        having = [n for n, one in enumerate(each) if len(one.kind)]
        counts = [len(each[n].kind) for n in having]
        return Flaws(
            np.array([one.looked for one in each], dtype=np.bool_),
            np.repeat(np.array(having, dtype=np.int64), counts),
            np.concatenate([each[n].kind for n in having]) if having else np.zeros(0, np.uint8),
            np.concatenate([each[n].sizes for n in having]) if having else np.zeros((0, 4)),
        )

    @staticmethod
    def not_looked(count: int) -> Flaws:
        return Flaws(np.zeros(count, np.bool_), np.zeros(0, np.int64), NOT_LOOKED.kind, NOT_LOOKED.sizes)

    def part(self, which: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Flaws:
        """Some of the shells, each at most once and in their order."""
        old = np.arange(len(self.looked))[which]
        new = np.full(len(self.looked), -1, np.int64)
        new[old] = np.arange(len(old))
        kept = new[self.shell] >= 0
        return Flaws(self.looked[old], new[self.shell[kept]], self.kind[kept], self.sizes[kept])

    def of_kind(self, kind: str) -> NDArray[np.bool_]:
        """(F,)"""
        return np.asarray(self.kind == KINDS.index(kind))

    def size(self, size: str) -> tuple[Array, Array]:
        """Values and standard uncertainties (F,) of "length" or "depth"."""
        at = 2 * FLAW_SIZES.index(size)
        return self.sizes[:, at], self.sizes[:, at + 1]


def size_answers(flaws: Flaws, kind: str, size: str, limits: Limits) -> NDArray[np.int8]:
    """What one size of each flaw (F,) says by itself, as values of SEVERITY: the better of the two decides."""
    limit, (value, u) = limits[flaw_limit(kind, size)], flaws.size(size)
    low, high, factor = (np.float64(x) for x in (-np.inf, limit.upper, limit.guard_factor))
    return decide_many(value, u, np.asarray(low), np.asarray(high), np.asarray(factor))


def is_limited(kind: str, limits: Limits) -> bool:
    """Whether flaws of this kind are judged: strands are, by being there."""
    return kind == FlawKind.STRAND or all(flaw_limit(kind, size) in limits for size in FLAW_SIZES)


def flaw_answers(flaws: Flaws, limits: Limits) -> NDArray[np.int8]:
    """What is said of each flaw (F,), as values of SEVERITY; -1 where its kind has no limits."""
    found = np.full(len(flaws.kind), -1, np.int8)
    for kind in KINDS:
        which = flaws.of_kind(kind)
        if kind == FlawKind.STRAND:
            found[which] = SEVERITY[Answer.NO_RESULT]
        elif is_limited(kind, limits):
            found[which] = np.minimum(*(size_answers(flaws, kind, size, limits) for size in FLAW_SIZES))[which]
    return found


def flaw_severities(flaws: Flaws, limits: Limits) -> NDArray[np.int8]:
    """What ``conformity.judge`` says of the worst flaw of each kind (N, len(KINDS)), as values of SEVERITY; -1 where
    there is none or its kind has no limits.
    """
    found = np.full((len(flaws.looked), len(KINDS)), -1, np.int8)
    np.maximum.at(found, (flaws.shell, flaws.kind), flaw_answers(flaws, limits))
    return found
