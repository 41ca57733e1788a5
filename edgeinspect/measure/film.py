"""Protective film that was not peeled off: a second edge along the rim, nearly all round.

Film stands over the trim in waves and lets light through, so that the picture steps down twice, from the sheet to the
film and from the film to the plate. Which of the two is measured is chance, and so would be the answer. A clean rim
has no second step: none on any of the ray-traced samples, seven lines of ten or more under a simulated film.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import kernels
from edgeinspect.measure.edge import polarity_of
from edgeinspect.measure.measurement import Flag, Stop
from edgeinspect.measure.place import Scan
from edgeinspect.measure.shot import Shots

SECOND_SHARE = 0.1  # of the first step: what is fainter stands out from no noise
THINNED = 4  # every fourth line tells as much
FILM_SHARE = 0.15  # of the rim, where the cut face is hidden: what a strand or a shadow makes is shorter


def film_left_on(shots: Shots, rim: Scan) -> Stop | None:
    """Why the rim's edge is not to be trusted, where it has a second one beside it over a large part."""
    hidden = ~_cut_face_seen(shots, rim)
    if not hidden.any():
        return None
    second = _second_step(rim) > SECOND_SHARE
    if float(second[hidden].mean()) < FILM_SHARE:
        return None
    return Stop("edge", "a second edge stands all round the rim: protective film left on", "peel the film, look again")


def _second_step(rim: Scan) -> Array:
    """The strongest step beside the edge that was found, of the same direction, over that edge's own step, for every
    THINNED-th line; 0 where no edge was found. Outside it, or inside where the film's own edge was the stronger one.
    """
    ribbon, d_mm, edges = rim.ribbon, rim.d_mm, rim.edges
    spacing, blur_mm = float(d_mm[1] - d_mm[0]), float(np.nanmedian(edges.blur_mm[::THINNED]))
    lag = min(max(2, round(3.0 * blur_mm / spacing)), ribbon.shape[1] // 4)
    found = np.zeros(len(ribbon[::THINNED]))
    there = (edges.flags & (Flag.NO_EDGE | Flag.OUTSIDE)) == 0
    kernels.second_rise(ribbon, THINNED, lag, float(d_mm[0]), spacing, polarity_of(ribbon), edges.d_mm, there, found)
    return found


def _cut_face_seen(shots: Shots, rim: Scan) -> NDArray[np.bool_]:
    """Where the camera looks at the cut face, of every THINNED-th line: its lower end is a second step too."""
    stations = rim.stations.part(slice(None, None, THINNED))
    seen = np.zeros(len(stations.arc_mm), dtype=bool)
    for k, shot in enumerate(shots):
        own = stations.camera == k
        if shot is not None and own.any():
            to_camera = shot.pose.inverse().translation_mm[:2] - stations.points_mm[own, :2]
            seen[own] = (to_camera * stations.normals[own, :2]).sum(axis=1) > 0
    return seen
