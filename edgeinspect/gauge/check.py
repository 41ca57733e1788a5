"""The check that every picture brings along: known lengths between fixture marks, read back by a pose that those
marks had no say in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from edgeinspect.measure.measurement import CameraView


@dataclass(frozen=True)
class GaugeCheck:
    """``worst_mm`` is the largest error of a known length; nan when none could be read."""

    words: str
    worst_mm: float

    @property
    def done(self) -> bool:
        return bool(np.isfinite(self.worst_mm))


def check_lengths(views: Sequence[CameraView]) -> GaugeCheck:
    """What the known lengths in these pictures say, in a shop person's words."""
    read = [(known, reading) for view in views for _, known, reading in view.lengths if np.isfinite(reading)]
    if not read:
        return GaugeCheck("no known length between marks could be read", float("nan"))
    known, reading = max(read, key=lambda pair: abs(pair[1] - pair[0]))
    return GaugeCheck(f"reads {reading:.2f} for {known:.2f} mm between marks", abs(reading - known))
