"""Protective film that was not peeled off, or swarf along the cut: which of two edges is measured is chance, and a cut
that is too deep underneath would pass for a good one. Where a second edge runs along the first nothing is judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure.cut_face import Traced, cut_face_mm
from edgeinspect.measure.cutout import CutOutFit
from edgeinspect.measure.edge import Edges
from edgeinspect.measure.measurement import Flag, Stop
from edgeinspect.measure.place import Scan
from edgeinspect.measure.ribbon import Stations
from edgeinspect.measure.second_edge import SecondEdge, long_runs, second_edge
from edgeinspect.measure.shot import Shots
from edgeinspect.measure.trim import CutOutFound, Edge
from edgeinspect.shell.definition import Arris, Check, ShellDefinition

FILM_SHARE = 0.15  # of the rim: more is film all round
HELD_SHARE = 0.5  # of what is looked at where the rim was not found: an empty nest with its marks has 0.27, film 0.86
MOST_SHARE = 0.5  # of the rim in doubt: the rest does not tell where the cut lies
ALL_ROUND = Stop("edge", "a second edge stands all round the rim: protective film left on", "peel the film, look again")
PEEL_OR_BLOW = "peel the film, blow off, look again"


def film_left_on(shots: Shots, rim: Scan, sheet_mm: float) -> Stop | None:
    """Why a rim was not found, on stations where the fixture holds it: nearly all of it has a second edge."""
    share = _share_with_two(second_edge(rim), cut_face_mm(shots, rim, sheet_mm))
    return None if share < HELD_SHARE else ALL_ROUND


def without_doubtful(definition: ShellDefinition, rim: Scan, traced: Traced) -> tuple[Traced, SecondEdge]:
    """The rim with the zones flagged in which a second edge runs inside of the first; and where one stands.

    What lies on the edge reaches further than it shows, hence whole zones. Nothing is flagged where hardly anything
    would be left: two_edges tells of that.
    """
    second = second_edge(replace(rim, edges=traced.show))
    doubtful = _doubtful(definition, rim.stations, second)
    if not doubtful.any() or doubtful.mean() > MOST_SHARE:
        return traced, second

    def flagged(edges: Edges) -> Edges:
        return replace(edges, flags=np.where(doubtful, edges.flags | Flag.RIVAL_EDGE, edges.flags).astype(np.int32))

    return replace(traced, show=flagged(traced.show), drawn=flagged(traced.drawn)), second


def two_edges(definition: ShellDefinition, edge: Edge, cutouts: Sequence[CutOutFound]) -> Stop | None:
    """Why not all edges that were found are to be trusted: a second one runs along that of the rim or of a cut-out. It
    concerns the whole shell where too little of the rim is left.
    """
    stations, second = edge.scan.stations, edge.second
    if _share_with_two(second, edge.traced.square_mm) >= FILM_SHARE:
        return ALL_ROUND
    where, length = "", 0.0
    for first, count in long_runs(second.near, stations.step_mm)[:1]:
        middle = stations.arc_mm[(first + count // 2) % len(second.near)]
        zones = [zone.words for zone in definition.zones if bool(zone.holds(middle))]
        where, length = next(iter(zones), "the rim"), count * stations.step_mm
    for found in cutouts:
        own = _longest_mm(definition, found)
        where, length = (found.cutout.words, own) if own > length else (where, length)
    if not where:
        return None
    words = f"a second edge runs along {where} for {length:.0f} mm: film left on, or swarf lies along the edge"
    whole = float(_doubtful(definition, stations, second).mean()) > MOST_SHARE
    return Stop("edge", words, PEEL_OR_BLOW, None if whole else Check.TRIM)


def without_two_edges(definition: ShellDefinition, cutouts: Sequence[CutOutFound]) -> list[CutOutFound]:
    """Cut-outs (C), those not told that a second edge runs along."""
    return [
        replace(found, fit=replace(found.fit, there=None)) if found.fit and _longest_mm(definition, found) else found
        for found in cutouts
    ]


def beside_cutout(definition: ShellDefinition, fit: CutOutFit) -> NDArray[np.bool_]:
    """Where (N,) a second edge stands inside of that of a cut-out; all along it where no outline fits its edge, nowhere
    where the edge is the back-face arris, which has the other one inside.
    """
    if not fit.there:
        return np.ones(len(fit.scan.ribbon), dtype=bool)
    if definition.arris is Arris.BACK:
        return np.zeros(len(fit.scan.ribbon), dtype=bool)
    return second_edge(fit.scan).near


def _share_with_two(second: SecondEdge, face_mm: Array) -> float:
    """Of a rim; the lower end of a cut face in view, ``face_mm`` (N,) wide, is a step outside too and none of them."""
    return float((second.inside | second.outside & (face_mm <= 0.0)).mean())


def _longest_mm(definition: ShellDefinition, found: CutOutFound) -> float:
    """Of a second edge along a cut-out that was found; 0 where there is none."""
    if found.fit is None or not found.fit.there:
        return 0.0
    step_mm = found.fit.scan.stations.step_mm
    runs = long_runs(beside_cutout(definition, found.fit), step_mm)
    return runs[0][1] * step_mm if runs else 0.0


def _doubtful(definition: ShellDefinition, rim: Stations, second: SecondEdge) -> NDArray[np.bool_]:
    """Which stations (N,) of the rim lie in a long run of a second edge, or in a zone with a part of one."""
    count = len(rim.arc_mm)
    doubtful = np.zeros(count, dtype=bool)
    for first, length in long_runs(second.near, rim.step_mm):
        doubtful[np.arange(first, first + length) % count] = True
    if doubtful.any():
        for zone in [zone.holds(rim.arc_mm) for zone in definition.zones]:
            doubtful |= zone & doubtful[zone].any()
    return doubtful
