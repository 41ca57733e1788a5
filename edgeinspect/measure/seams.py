"""Where one camera ends and the next goes on: how far both agree on the same edge.

Nothing is shifted to make them meet: a step is what calibration, height and light leave, and it is told. A large one
means that the shell lies at another height than assumed, or that a camera is not where its marks say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from edgeinspect.measure.measurement import Quantity, Seam
from edgeinspect.measure.place import scan
from edgeinspect.measure.ribbon import Stations
from edgeinspect.measure.setup import SeamPlace, Sight, quantity

BAND_MM = 1.5  # the ribbon lies on the edge already
LEAST_SHARE = 0.5  # of the stations about a seam must be seen by both


def measure_seams(sight: Sight, at: Stations) -> Iterator[Seam]:
    """``at`` - the rim's stations on the cut (fixture frame), as the edge was found on them."""
    cameras = sight.setup.cameras
    for place in sight.setup.seams:
        step = _step(sight, at.part(place.stations), place)
        yield Seam(place.arc_mm, cameras[place.before], cameras[place.after], step)


def _step(sight: Sight, here: Stations, place: SeamPlace) -> Quantity | None:
    one, two = sight.shots[place.before], sight.shots[place.after]
    if one is None or two is None:
        return None
    here = replace(here, camera=np.zeros(len(here.arc_mm), dtype=np.intp))
    before, after = (scan((shot,), here, BAND_MM).edges for shot in (one, two))
    both = (before.flags == 0) & (after.flags == 0)
    if both.mean() < LEAST_SHARE:
        return None
    apart = (after.d_mm - before.d_mm)[both]
    noise = 1.4826 * float(np.median(np.abs(apart - np.median(apart)))) * (2.0 / len(apart)) ** 0.5
    shares = {"picture noise": noise, "calibration and height": place.u_mm}
    shares["light and edge shape"] = float(np.hypot(one.edge_model_mm, two.edge_model_mm))
    return quantity(float(np.median(apart)), shares)
