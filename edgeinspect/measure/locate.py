"""Where everything of one shell is: its datums, the cut edge, the cut-outs, at the height that the shell really has."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from edgeinspect.geometry import PlaneShift
from edgeinspect.measure.alignment import combine, fit_along_normals, noise_covariance, on_sheet
from edgeinspect.measure.cut_face import trace
from edgeinspect.measure.cutout import CutOutFit, measure_cutouts
from edgeinspect.measure.cutout_arrises import on_drawn_arris
from edgeinspect.measure.film import without_doubtful
from edgeinspect.measure.frames import Datum, datum_of_hole_and_slot, datum_of_pips
from edgeinspect.measure.height import Heights, find_height
from edgeinspect.measure.measurement import CutFace, Flag, Stop
from edgeinspect.measure.pips import PipFound, find_pips
from edgeinspect.measure.place import Scan, scan
from edgeinspect.measure.ribbon import Stations
from edgeinspect.measure.setup import Sight
from edgeinspect.measure.shot import Shot
from edgeinspect.measure.temperature import Temperature
from edgeinspect.measure.trim import (
    CutOutFound,
    Edge,
    centre_covariance,
    fit_edge,
    which_covariance,
)
from edgeinspect.shell.definition import DatumScheme

RIM_ROUNDS = 2  # Gauss-Newton from a start good to 0.05 px, with the blur of the marks: the third moves nothing
HEIGHT_ROUNDS = 5  # the second nearly always settles it
SETTLED_MM = 0.01  # of height at the worst place of the rim: 0.002 mm of its edge, a third of what its noise leaves
GREATEST_U_MM = 0.1  # a single station worse than this says nothing


@dataclass(frozen=True)
class Located:
    """Where everything of a shell was found, with the set-up's height for its own."""

    datum: Datum | None
    stop: Stop | None  # why there is no datum
    pips: list[PipFound]
    edge: Edge
    as_cut: list[CutOutFound]  # show-face arrises
    cutouts: list[CutOutFound]  # on the drawing's arris
    walls: list[CutFace]


def _located(sight: Sight, start: PlaneShift) -> Located:
    datum, stop, pips = formed_datum(sight, start)
    edge = find_edge(sight, start, datum)
    as_cut = find_cutouts(sight, edge, datum) if sight.setup.cutouts else []
    cutouts, walls = on_drawn_arris(sight, as_cut)
    if datum is None and stop is None:
        datum, stop = cut_datum(sight, edge, cutouts)
    return Located(datum, stop, pips, edge, as_cut, cutouts, walls)


def locate(sight: Sight, start: PlaneShift, temperature: Temperature) -> tuple[Sight, Located, Heights]:
    """The shell measured where it really lies: found where the fixture holds it, and where its height is another,
    again until that settles.
    """
    seated, here = sight, _located(sight, start)
    heights = _height(sight, here, temperature)
    for _ in range(HEIGHT_ROUNDS):
        if heights.setup is None:
            break
        settled = heights.setup.rise_above(sight.setup) < SETTLED_MM  # on its seat to begin with, nearly always
        sight = replace(sight, setup=heights.setup)
        if settled:
            return sight, here, heights
        here = _located(sight, here.edge.cut)
        heights = _height(sight, here, temperature)
    if heights.setup is None and sight is not seated:  # of no use after all
        return seated, _located(seated, start), heights
    return sight, here, heights


def _height(sight: Sight, here: Located, temperature: Temperature) -> Heights:
    return find_height(sight, temperature, here.pips, here.as_cut, here.edge.scan.stations)


def _where_cut(sight: Sight, stations: Stations, cut: PlaneShift, datum: Datum | None) -> Stations:
    """Stations (shell frame) where the cutter ran, on the sheet as it sits."""
    setup, shell = sight.setup, cut if datum is None else datum.shift
    return on_sheet(stations, cut.pose().after(setup.seating.pose), shell.pose().after(setup.seat), sight.growth)


def find_edge(sight: Sight, shift: PlaneShift, datum: Datum | None) -> Edge:
    """The rim's edge on a ribbon that is laid again until it lies on the cut."""
    for _ in range(3):
        at = _where_cut(sight, sight.setup.rim, shift, datum)
        here = scan(sight.shots, at, sight.definition.search_band_mm, rounds=RIM_ROUNDS, pairs=True)
        flags = here.edges.flags.copy()
        flags[here.edges.u_mm > GREATEST_U_MM] |= Flag.LOW_CONTRAST
        usable = (flags == 0) & np.isfinite(here.edges.d_mm)
        fit = fit_along_normals(at.points_mm, at.normals, here.edges.d_mm, usable)
        before, shift = shift, combine(fit.shift, shift)
        if np.hypot(fit.shift.dx_mm, fit.shift.dy_mm) < 0.3 and abs(fit.shift.rotation_deg) < 0.1:
            break
    return edge_on(sight, here, before)


def edge_on(sight: Sight, here: Scan, before: PlaneShift) -> Edge:
    """The rim on the arris that the drawing names. ``here`` - scan of stations that lie where ``before`` puts them."""
    at, flags = here.stations, here.edges.flags.copy()
    flags[here.edges.u_mm > GREATEST_U_MM] |= Flag.LOW_CONTRAST
    edges = replace(here.edges, d_mm=here.edges.d_mm - here.edges.pull_mm(at.bend_per_mm), flags=flags)
    traced = trace(sight.shots, replace(here, edges=edges), sight.definition.sheet_mm, sight.definition.arris)
    traced, second = without_doubtful(sight.definition, here, traced)
    show, drawn = traced.show, traced.drawn
    # Laid on the show-face arris, which is seen all round; a bevel that is alike all round moves neither.
    seen = (show.flags == 0) & np.isfinite(show.d_mm)
    fit = fit_along_normals(at.points_mm, at.normals, show.d_mm, seen)
    spread = noise_covariance(at.points_mm, at.normals, show.u_mm, seen)
    spread = spread + which_covariance(at, traced.which_mm, seen)
    usable = (drawn.flags == 0) & np.isfinite(drawn.d_mm)
    points = at.points_mm + drawn.d_mm[:, None] * at.directions
    cut = combine(fit.shift, before)
    step_d_mm = np.where(flags == 0, edges.d_mm, np.nan)
    return Edge(replace(here, edges=show), cut, spread, fit.rms_mm, usable, points, traced, step_d_mm, second)


def find_cutouts(sight: Sight, edge: Edge, datum: Datum | None) -> list[CutOutFound]:
    every = sight.setup.cutouts
    assert sight.setup.cutout_stations is not None
    whole = _where_cut(sight, sight.setup.cutout_stations, edge.cut, datum)
    begins = [0, *sight.setup.cutout_ends[:-1]]
    here = [whole.part(slice(begin, end)) for begin, end in zip(begins, sight.setup.cutout_ends, strict=True)]
    wanted = [(cutout, at) for (cutout, _), at in zip(every, here, strict=True)]
    fits: list[CutOutFit | None] = [None] * len(wanted)
    for shot, own in _by_shot(sight, sight.setup.cutout_camera):
        some, sheet = [wanted[k] for k in own], sight.definition.sheet_mm
        found = measure_cutouts(shot.picture, some, sheet, shot.model, shot.pose, shot.blur_px)
        for k, fit in zip(own, found, strict=True):
            fits[k] = fit
    middles = np.array([np.append(cutout.centre_mm, s.points_mm[:, 2].mean()) for cutout, s in every])
    nominal = edge.cut.pose().after(sight.setup.seating.pose).apply(middles)
    nominal[:, 2] = [at.points_mm[:, 2].mean() for _, at in wanted]
    return [CutOutFound(c, at, nominal[k], fits[k]) for k, (c, at) in enumerate(wanted)]


def _by_shot(sight: Sight, cameras: list[int]) -> list[tuple[Shot, list[int]]]:
    """Every usable picture with the places in ``cameras`` that are its own."""
    every = [(shot, [k for k, camera in enumerate(cameras) if camera == c]) for c, shot in enumerate(sight.shots)]
    return [(shot, own) for shot, own in every if shot is not None and own]


def formed_datum(sight: Sight, cut: PlaneShift) -> tuple[Datum | None, Stop | None, list[PipFound]]:
    """The shell itself, where its definition has datums that the cutter did not make; and its pips."""
    nothing = [PipFound(None, float("nan"), float("nan"))] * len(sight.definition.pips)
    if sight.definition.datum is DatumScheme.FIXTURE:
        return Datum(PlaneShift(0.0, 0.0, 0.0), np.zeros((3, 3)), 0.0), None, nothing
    if sight.definition.datum is not DatumScheme.PIPS:
        return None, None, nothing
    return pip_datum(sight, cut)


def pip_datum(sight: Sight, cut: PlaneShift) -> tuple[Datum | None, Stop | None, list[PipFound]]:
    """The shell by its pips; ``cut`` - about where it lies."""
    setup, pips = sight.setup, sight.definition.pips
    found = [PipFound(None, float("nan"), float("nan"))] * len(pips)
    nominal = setup.seat.apply(setup.pips_mm * sight.growth)
    start = cut.pose().apply(nominal)
    for shot, own in _by_shot(sight, setup.pip_camera):
        some = tuple(pips[k] for k in own)
        here = find_pips(shot.picture, some, start[own], shot.model, shot.pose, shot.blur_px)
        for k, one in zip(own, here, strict=True):
            found[k] = one
    datum = datum_of_pips(pips, found, nominal[:, :2], sight.formed_edge_mm)
    if datum is not None:
        return datum, None, found
    missing = ", ".join(pip.name for pip, one in zip(pips, found, strict=True) if one.centre_mm is None)
    words = f"datum not seen ({missing}): path or seating, cannot tell"
    return None, Stop("datum", words, "blow off, reseat, look again"), found


def cut_datum(sight: Sight, edge: Edge, cutouts: list[CutOutFound]) -> tuple[Datum | None, Stop | None]:
    """Datums that the cutter made: what is measured from them says nothing about path against seating."""
    if sight.definition.datum is DatumScheme.BEST_FIT:
        form = fit_edge(sight, edge, None)
        assert form is not None, "the fixture holds what is not free"
        return Datum(form.shift, form.covariance, form.rms_mm), None
    datum = cutout_datum(sight, cutouts)
    if datum is not None:
        return datum, None
    words = f"datum not seen ({', '.join(one.cutout.name for one in cutouts[:2])}): path or seating, cannot tell"
    return None, Stop("datum", words, "blow off, look again")


def cutout_datum(sight: Sight, cutouts: list[CutOutFound]) -> Datum | None:
    """The shell by its first two cut-outs; None: they are not both seen."""
    setup, both = sight.setup, cutouts[:2]
    flat = [np.append(c.centre_mm, s.points_mm[:, 2].mean()) for c, s in setup.cutouts[:2]]
    nominal = setup.seat.apply(np.array(flat) * sight.growth)[:, :2]
    if not all(one.fit is not None and one.fit.there for one in both):
        return None
    centres = np.array([one.centre_mm[:2] for one in both])
    spread = np.array([centre_covariance(sight, k, one) for k, one in enumerate(both)])
    across = setup.across_slot() if both[1].cutout.kind == "slot" else None
    return datum_of_hole_and_slot(centres, spread, nominal, across)
