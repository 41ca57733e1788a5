"""The demo station, calibrated from the sample pictures, looks at simulated shells. The fast renderer's camera is the
sample pictures' own; its lens, light and brightnesses are simple ones (see simulate/fast.py).
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from edgeinspect.conformity import judge
from edgeinspect.measure.temperature import Temperature
from tests.samples import looks
from tests.samples.looks import Look

from .scenes import Levels

See = Callable[[Levels, float], Look]


@pytest.fixture(scope="session")
def see() -> See:
    """Measure and judge a picture of a shell at a stated temperature."""
    gauge = looks.gauge()

    def look_at(levels: Levels, temperature_c: float) -> Look:
        measurement = gauge.measure("standard", {"top": levels}, Temperature(temperature_c))
        return Look(measurement, judge(measurement, gauge.setup.definition))

    return look_at
