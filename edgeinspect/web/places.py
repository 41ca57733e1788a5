"""Where shells were bad: counts by place, and a small picture of the shell's outline with them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from edgeinspect.errors import DefinitionError
from edgeinspect.geometry import Array
from edgeinspect.shell.definition import Decal, ShellDefinition, Zone
from edgeinspect.shell.outline import plan_normals
from edgeinspect.shell.plan_view import at_arc_mm, stretch_mm
from edgeinspect.store.search import PlaceCount
from edgeinspect.web.shells import Shells

Point = tuple[float, float]

WHOLE = "whole outline"  # where a path that is off is said to be
STEP_MM = 4.0  # of a drawn outline
PIN_OUT = 0.055  # of the shell's longer side: how far outside the rim a zone's count stands


@dataclass(frozen=True)
class PlaceRow:
    """How many shells were bad at one place; ``url`` lists them."""

    shell: str
    where: str
    shells: int
    inspections: int
    last_at: str
    last_url: str
    url: str


@dataclass(frozen=True)
class Pin:
    where: str
    shells: int
    at_mm: Point
    url: str


@dataclass(frozen=True)
class PlanDrawing:
    """The shell from above in its own frame [mm], x right, y up, with the places where shells were bad."""

    shell: str
    title: str
    unit_mm: float  # a hundredth of the longer side: what line widths and letters are measured in
    low_mm: Point  # of what is drawn
    high_mm: Point
    outline: list[Point]
    cutouts: list[list[Point]]
    decals: list[list[Point]]
    stretches: list[list[Point]]  # of the rim, where shells were bad
    pins: list[Pin]
    not_drawn: list[str]  # places that this definition does not have, or that are all over it


def place_rows(counts: Sequence[PlaceCount], url: Callable[[PlaceCount], str]) -> list[PlaceRow]:
    return [
        PlaceRow(
            one.shell,
            one.where,
            one.shells,
            one.inspections,
            one.last_at,
            f"/inspections/{one.last_id}",
            url(one),
        )
        for one in counts
    ]


def place_names(shells: Shells, shell: str = "") -> list[str]:
    """Every place of the shells that can be chosen, or of one of them, as findings call it."""
    names: dict[str, None] = {}
    for name in shells.names():
        if shell in ("", name):
            try:
                definition = shells.definition(name)
            except DefinitionError:
                continue
            names |= dict.fromkeys(zone.words for zone in definition.zones)
            names |= dict.fromkeys(cutout.words for cutout in definition.cutouts)
            names |= dict.fromkeys(decal.words for decal in definition.decals)
    return [*names, WHOLE]


@dataclass(frozen=True)
class _Whole:
    """What is the same in every picture of one definition: the shell itself, and where each place's count stands."""

    drawing: PlanDrawing
    at_mm: dict[str, Point]
    stretches: dict[str, list[Point]]


class Plans:
    """Pictures of the shells that can be chosen; the shell itself is drawn once. Safe from any thread."""

    def __init__(self, shells: Shells) -> None:
        self._shells = shells
        self._kept: dict[str, _Whole] = {}  # by hash of the definition

    def drawings(self, rows: Sequence[PlaceRow]) -> list[PlanDrawing]:
        """One picture for each shell that has a bad place and whose definition can be read."""
        found = []
        for name in dict.fromkeys(row.shell for row in rows):
            try:
                definition = self._shells.definition(name)
            except DefinitionError:
                continue
            found.append(_with_counts(self._drawn(definition), [row for row in rows if row.shell == name]))
        return found

    def bare(self, definition: ShellDefinition) -> PlanDrawing:
        """The shell itself, nothing marked on it."""
        return self._drawn(definition).drawing

    def _drawn(self, definition: ShellDefinition) -> _Whole:
        whole = self._kept.get(definition.sha256)
        if whole is None:
            whole = self._kept[definition.sha256] = _whole(definition)
        return whole


def _with_counts(whole: _Whole, rows: Sequence[PlaceRow]) -> PlanDrawing:
    return replace(
        whole.drawing,
        stretches=[whole.stretches[row.where] for row in rows if row.where in whole.stretches],
        pins=[Pin(row.where, row.shells, whole.at_mm[row.where], row.url) for row in rows if row.where in whole.at_mm],
        not_drawn=[row.where for row in rows if row.where not in whole.at_mm],
    )


def _whole(definition: ShellDefinition) -> _Whole:
    rim = definition.rim
    low, high = rim.points_mm[:, :2].min(axis=0), rim.points_mm[:, :2].max(axis=0)
    longer = float((high - low).max())
    at = {zone.words: _outside(definition, zone, PIN_OUT * longer) for zone in definition.zones}
    at |= {cutout.words: cutout.centre_mm for cutout in definition.cutouts}
    at |= {decal.words: decal.patch.origin_mm for decal in definition.decals}
    drawing = PlanDrawing(
        shell=definition.name,
        title=definition.title,
        unit_mm=round(longer / 100, 3),
        low_mm=_point(low - 2 * PIN_OUT * longer),
        high_mm=_point(high + 2 * PIN_OUT * longer),
        outline=_points(rim.points_mm),
        cutouts=[_points(cutout.curve.points_mm, 0.5) for cutout in definition.cutouts],
        decals=[_decal(decal) for decal in definition.decals[:1]],  # variants lie in one place
        stretches=[],
        pins=[],
        not_drawn=[],
    )
    stretches = {zone.words: _points(stretch_mm(rim, zone.from_mm, zone.to_mm)) for zone in definition.zones}
    return _Whole(drawing, {words: _point(place) for words, place in at.items()}, stretches)


def _outside(definition: ShellDefinition, zone: Zone, distance_mm: float) -> Array:
    """A place (2,) beside the middle of a zone, off the shell."""
    rim = definition.rim
    length = (zone.to_mm - zone.from_mm) % rim.length_mm or rim.length_mm
    middle = at_arc_mm(rim, zone.from_mm + length / 2)
    nearest = int(np.argmin(np.linalg.norm(rim.points_mm - middle, axis=1)))
    return np.asarray(middle[:2] + distance_mm * plan_normals(rim.points_mm)[1][nearest])


def _decal(decal: Decal) -> list[Point]:
    u, v = decal.artwork.width_mm / 2, decal.artwork.height_mm / 2
    corners = decal.patch.points(np.array([-u, u, u, -u]), np.array([-v, -v, v, v]))
    return [_point(corner) for corner in corners]


def _points(points_mm: Array, step_mm: float = STEP_MM) -> list[Point]:
    """In plan, one of each ``step_mm`` along the curve, with both ends."""
    steps = np.linalg.norm(np.diff(points_mm[:, :2], axis=0), axis=1)
    number = np.floor(np.append(0.0, np.cumsum(steps)) / step_mm)
    kept = np.append(True, np.diff(number) > 0)
    kept[-1] = True
    return [_point(place) for place in points_mm[kept]]


def _point(place: Array) -> Point:
    return round(float(place[0]), 2), round(float(place[1]), 2)
