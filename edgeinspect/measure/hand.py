"""Is it the shell of the other hand? Its drawing is the ordered one's mirror image, x to -x in the shell frame.

A lid may have the same rim in both hands but for a notch and a hole, and then the ordered outline is found on either.
So only those places are asked where the drawings differ: how much of what only one hand has shows an edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from edgeinspect.geometry import PlaneShift
from edgeinspect.measure.alignment import placed
from edgeinspect.measure.fixture import Seating
from edgeinspect.measure.measurement import Stop
from edgeinspect.measure.place import find_place, has_picture, scan
from edgeinspect.measure.ribbon import Stations, lay_stations, together
from edgeinspect.measure.sharing import Sharing
from edgeinspect.measure.shot import Shots
from edgeinspect.shell.definition import Curve, ShellDefinition

OTHER = {"left": "right", "right": "left"}
STEP_MM = 1.0  # between the places that are asked
APART_MM = 3.0  # of an edge from every edge of the other hand: only one of them has it
BAND_MM = 2.5  # half the search band about a place that is known to a few tenths of a mm
NEAR_MM = 1.5  # an edge further off is another one
FEW = 15  # places that both hands differ in: below that they cannot be told apart
SEEN, UNSEEN = 0.7, 0.35  # share of what only one hand has: it is there, it is not


@dataclass(frozen=True)
class Hands:
    """Stations in the fixture, at the nominal seating."""

    ordered: str
    other_rim: Stations
    only_ordered: Stations | None  # on rim and cut-outs where the other hand has no edge; None: too few
    only_other: Stations


def mirrored(curve: Curve) -> Curve:
    """The curve of the other hand, counter-clockwise again."""
    points = curve.points_mm[::-1] * [-1.0, 1.0, 1.0]
    return Curve(curve.name, points, curve.face_slope[::-1], curve.is_hole)


def prepare_hands(definition: ShellDefinition, sharing: Sharing, seating: Seating) -> Hands | None:
    """What tells the hands of a shell apart; None where it has none or both look alike."""
    if definition.hand not in OTHER:
        return None
    curves = [definition.rim, *(cutout.curve for cutout in definition.cutouts)]
    own = _seated(curves, sharing, seating)
    other = _seated([mirrored(curve) for curve in curves], sharing, seating)
    only_ordered, only_other = _only(own, other), _only(other, own)
    if only_other is None:
        return None
    return Hands(definition.hand, other[0], only_ordered, only_other)


def wrong_hand(shots: Shots, hands: Hands | None, rough: PlaneShift | None) -> Stop | None:
    """Whether the shell of the other hand lies there instead; ``rough`` - where the ordered outline was found."""
    if hands is None:
        return None
    own = 0.0 if rough is None else _share(shots, hands.only_ordered, rough)
    if own is None or own > UNSEEN:
        return None
    found = find_place(shots, hands.other_rim)
    other = None if found is None else _share(shots, hands.only_other, found)
    if other is None or other < SEEN:
        return None
    hand = OTHER[hands.ordered]
    return Stop("hand", f"this is the {hand.upper()}-hand shell", f"choose the {hand}-hand shell or take it out")


def _seated(curves: Sequence[Curve], sharing: Sharing, seating: Seating) -> list[Stations]:
    every = []
    for curve in curves:
        stations = lay_stations(curve, STEP_MM).placed(seating.pose)
        camera = sharing.along(stations.points_mm, stations.normals, ())
        every.append(replace(stations, camera=camera))
    return every


def _only(own: list[Stations], other: list[Stations]) -> Stations | None:
    """The stations of one hand that lie apart from all of the other's."""
    whole = together(own)
    tree = cKDTree(np.vstack([stations.points_mm[:, :2] for stations in other]))
    apart = tree.query(whole.points_mm[:, :2])[0] > APART_MM
    return whole.part(np.flatnonzero(apart)) if apart.sum() >= FEW else None


def _share(shots: Shots, stations: Stations | None, shift: PlaneShift) -> float | None:
    """Share of the stations that show an edge where they say; None where too few are in a picture."""
    if stations is None:
        return None
    looked_at = has_picture(shots, stations)
    if looked_at.sum() < FEW:
        return None
    edges = scan(shots, placed(stations, shift), BAND_MM, rounds=2).edges
    return float(((edges.flags == 0) & (np.abs(edges.d_mm) < NEAR_MM))[looked_at].mean())
