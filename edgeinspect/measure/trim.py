"""From the edge as found to what is judged: profiles in each frame, zones, path error, cut-outs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure import budget, plane_kernels
from edgeinspect.measure.alignment import deviation_from, placed
from edgeinspect.measure.best_fit import FormFit, fit_form
from edgeinspect.measure.cut_face import Traced
from edgeinspect.measure.cutout import CutOutFit
from edgeinspect.measure.deviation import (
    Shares,
    budget_along,
    filter_closed,
    gaussian_weights,
    noise_left,
    without_noise,
    zone_result,
)
from edgeinspect.measure.frames import Datum, alignment
from edgeinspect.measure.measurement import (
    Alignment,
    BudgetAlong,
    CutOutResult,
    DeviationProfile,
    EdgeTrace,
    Quantity,
    Ribbon,
    ZoneResult,
)
from edgeinspect.measure.place import Scan
from edgeinspect.measure.ribbon import Stations, lay_scan_lines
from edgeinspect.measure.second_edge import SecondEdge
from edgeinspect.measure.setup import TEMPERATURE, Sight, quantity
from edgeinspect.shell.definition import CutOut, DatumScheme, Frame

# shares that differ from picture to picture
VARYING = {"picture noise", TEMPERATURE, "datums", "best fit", "which arris"}
FAR_WALL_SHARE = 0.01  # of the apparent wall: how far the fit of both arrises was off on ray-traced holes


@dataclass(frozen=True)
class Edge:
    """The rim as cut: scan at the outline as placed on the cut, and which stations can be trusted."""

    scan: Scan
    cut: PlaneShift
    covariance: Array
    rms_mm: float
    usable: NDArray[np.bool_]
    point_mm: Array  # (N, 3) of the drawing's arris, fixture frame
    traced: Traced  # both arrises; the scan's own edges are at the show-face one
    step_d_mm: Array  # (N,) of one step alone, before the arrises were told apart; nan where there is none
    second: SecondEdge  # where another one stands beside it


@dataclass(frozen=True)
class CutOutFound:
    cutout: CutOut
    stations: Stations  # where it was looked for, fixture frame
    nominal_mm: Array  # (3,) its nominal centre there
    fit: CutOutFit | None  # None: its camera has no picture
    which_mm: Array | None = None  # (T,) what is not known of its walls (which arris, bevel) moves each of fit.terms
    seen_at_mm: Array | None = None  # (N,) where the drawing's arris is seen along its scan lines

    @property
    def centre_mm(self) -> Array:
        """(3,) measured centre, fixture frame; nan where there is none."""
        if self.fit is None:
            return np.full(3, np.nan)
        return np.asarray(self.nominal_mm + np.array([self.fit.terms[0], self.fit.terms[1], 0.0]))


@dataclass(frozen=True)
class RimResult:
    best_fit: Alignment | None  # None: what is not free would be held by datums that were not found
    nominal: Stations  # where the outline belongs by the shell's datums (without them: where it was cut), fixture frame
    profiles: tuple[DeviationProfile, ...]
    zones: tuple[ZoneResult, ...]
    budgets: tuple[BudgetAlong, ...]  # of the frames that zones are judged in


def rim_result(sight: Sight, edge: Edge, datum: Datum | None) -> RimResult:
    """Deviation profiles in every frame that can be told, and the zones judged in them."""
    setup, definition = sight.setup, sight.definition
    warm = setup.rim.scaled(sight.growth).placed(setup.seat)
    form = fit_edge(sight, edge, None if datum is None else datum.shift)
    raw = {Frame.FIXTURE: deviation_from(setup.rim_seated, edge.point_mm)}
    if form is not None:
        raw[Frame.BEST_FIT] = form.deviation_mm, form.foot_mm
    nominal = placed(warm, edge.cut if datum is None else datum.shift)
    if datum is not None:
        raw[Frame.DATUM] = deviation_from(nominal, edge.point_mm)
    profiles: dict[Frame, tuple[DeviationProfile, Shares]] = {}
    length = definition.rim.length_mm
    for frame, (deviation, foot) in raw.items():
        at_20 = deviation if frame is Frame.FIXTURE else deviation / sight.growth
        filtered, kept = filter_closed(at_20, edge.usable, definition.filter_cutoff_mm, setup.rim.step_mm)
        alike = edge.scan.edges.alike
        if alike:  # the filter is not so much longer than what neighbouring lines share
            weights = gaussian_weights(definition.filter_cutoff_mm, setup.rim.step_mm)
            kept = noise_left(weights, alike) / float(np.sqrt(1.0 + 2.0 * sum(alike)))
        shares = _rim_shares(sight, frame, edge, datum, form, kept)
        if frame is Frame.BEST_FIT and setup.form_fields:
            square, varying = np.zeros(len(filtered)), set(shares)
        else:  # the others were squared and summed once for all shells
            light = sight.edge_model_mm**2 + sight.response_mm**2
            square, varying = setup.rim_variance[frame] + light, shares.keys() & VARYING
        for cause in varying:
            square = square + (shares[cause][0] * shares[cause][1]) ** 2
        u = np.sqrt(square)
        u = np.where(np.isfinite(filtered), u, np.nan)
        # A station that was not seen has no foot point: it stands where it was looked for.
        arc = np.where(edge.usable, np.mod(foot, length), setup.rim.arc_mm)
        profiles[frame] = (DeviationProfile(frame, arc, filtered, u, edge.traced.drawn.flags), shares)
    step, cutoff, judged = setup.rim.step_mm, definition.filter_cutoff_mm, {zone.frame for zone in definition.zones}
    parents = {f: without_noise(*told, cutoff, step) for f, told in profiles.items() if f in judged}
    zones = tuple(
        replace(
            zone_result(zone, profiles[zone.frame][0], step, profiles[zone.frame][1], parents[zone.frame]),
            cameras=setup.zone_cameras[zone.name],
        )
        for zone in definition.zones
        if zone.frame in profiles
    )
    best = None if form is None else alignment("form only", form.shift, form.covariance, form.rms_mm)
    budgets = tuple(
        budget_along(frame, shares, setup.rim.arc_mm, setup.rim.step_mm)
        for frame, (_, shares) in profiles.items()
        if any(zone.frame is frame for zone in definition.zones)
    )
    return RimResult(best, nominal, tuple(profile for profile, _ in profiles.values()), zones, budgets)


def fit_edge(sight: Sight, edge: Edge, datum: PlaneShift | None) -> FormFit | None:
    """The best fit of the drawing to the cut; None where datums that were not found would hold what is not free."""
    setup, definition = sight.setup, sight.definition
    held = PlaneShift(0.0, 0.0, 0.0) if definition.datum is DatumScheme.BEST_FIT else datum
    if held is None and not definition.best_fit.is_free:
        return None
    warm = setup.rim.scaled(sight.growth).placed(setup.seat)
    weights = gaussian_weights(definition.filter_cutoff_mm, setup.rim.step_mm)
    u = np.sqrt(_noise_of(edge) ** 2 * (weights**2).sum() + sight.edge_model_mm**2 + sight.response_mm**2)
    how, cutoff = definition.best_fit, definition.filter_cutoff_mm
    shell, middle = setup.seat, setup.zone_middle_mm
    return fit_form(warm, edge.point_mm, edge.usable, how, held or edge.cut, edge.cut, shell, u, cutoff, middle)


def _noise_of(edge: Edge) -> Array:
    """Standard uncertainty (N,) [mm] of each station from the picture's noise; the usual one where none was seen."""
    u_mm = edge.traced.drawn.u_mm
    if edge.usable.all():
        return u_mm
    return np.where(edge.usable, u_mm, np.median(u_mm[edge.usable]) if edge.usable.any() else np.nan)


def _rim_shares(
    sight: Sight, frame: Frame, edge: Edge, datum: Datum | None, form: FormFit | None, kept: float
) -> Shares:
    """Parts of the profile's uncertainty by source; ``kept`` - what the filter leaves of white noise."""
    stations = sight.setup.rim_seated
    shares: Shares = {"picture noise": (_noise_of(edge), kept)}
    fields = sight.setup.form_fields if frame is Frame.BEST_FIT and form is not None else {}
    for cause, u in sight.setup.rim_shares[frame].items():
        left = np.sqrt((form.left_of(fields[cause]) ** 2).sum(axis=0)) if form and cause in fields else u
        shares[cause] = (left, sight.u_growth if cause == TEMPERATURE else 1.0)
    if frame is Frame.DATUM and datum is not None:
        shares["datums"] = (datum.u_along(stations.points_mm, stations.normals), 1.0)
    if frame is Frame.BEST_FIT and form is not None:
        shares["best fit"] = (form.u_mm, 1.0)
    which = edge.traced.which_mm
    if which.max() > 0.003:
        shares["which arris"] = (which, 1.0)
    shares["light and edge shape"] = (sight.edge_model_mm, 1.0)
    shares[budget.RESPONSE] = (sight.response_mm, 1.0)
    return shares


def light_covariance(sight: Sight) -> Array:
    """(3, 3) of dx, dy [mm], rotation [rad] of the rim as cut: what light does to one side more than to the other."""
    reach = sight.setup.rim_reach_mm
    light = sight.usual_edge_model_mm
    side, turned = budget.LIGHT_SIDE * light, budget.LIGHT_TURN * light / reach
    return np.diag([side**2, side**2, turned**2])


def which_covariance(at: Stations, which_mm: Array, usable: NDArray[np.bool_]) -> Array:
    """(3, 3) of dx, dy [mm], rotation [rad] of the rim as cut: which arris it is errs alike all along a cut face."""
    product, _, pull = plane_kernels.squares(at.points_mm, at.normals, which_mm, usable)
    if not pull.any():
        return np.zeros((3, 3))
    shift = np.linalg.solve(product, pull)
    return np.outer(shift, shift)


def path_error(sight: Sight, edge: Edge) -> tuple[Quantity, Quantity]:
    """Shift (length of dx, dy) [mm] and rotation [deg] of the whole cut in the fixture."""
    covariances = {
        "picture noise": edge.covariance,
        **{c: shifts @ shifts.T for c, shifts in sight.setup.cut_follows.items() if c != TEMPERATURE},
        "light and edge shape": light_covariance(sight),
    }
    size = float(np.hypot(edge.cut.dx_mm, edge.cut.dy_mm))
    way = np.array([edge.cut.dx_mm, edge.cut.dy_mm]) / max(size, 1e-9)
    if size < 0.02:  # next to nothing has no direction: take both axes alike
        way = np.array([0.5**0.5, 0.5**0.5])
    shift = {cause: max(0.0, float(way @ c[:2, :2] @ way)) ** 0.5 for cause, c in covariances.items()}
    turn = {cause: float(np.rad2deg(np.sqrt(max(0.0, float(c[2, 2]))))) for cause, c in covariances.items()}
    return quantity(size, shift), quantity(edge.cut.rotation_deg, turn)


def centre_covariance(sight: Sight, index: int, found: CutOutFound) -> Array:
    """(2, 2) [mm²] of a cut-out's centre as the picture tells it, without common causes."""
    shot, fit = sight.shots[sight.setup.cutout_camera[index]], found.fit
    assert shot is not None and fit is not None, "only what was found has a centre"
    parts = FAR_WALL_SHARE * float(fit.wall_mm.max()), budget.LIGHT_SIDE * shot.edge_model_mm
    which = np.zeros(2) if found.which_mm is None else found.which_mm[:2]
    own = fit.covariance[:2, :2] + np.outer(which, which)
    return np.asarray(own + np.eye(2) * sum(part**2 for part in parts))


def cutout_result(sight: Sight, index: int, found: CutOutFound, datum: Datum | None) -> CutOutResult:
    """Offsets in the datum frame and sizes at 20 degC, with uncertainties."""
    cutout, fit = found.cutout, found.fit
    which = sight.setup.cutout_camera[index]
    shot, camera = sight.shots[which], sight.setup.cameras[which]
    if shot is None or fit is None:
        return CutOutResult(cutout.name, None, camera=camera)
    if not fit.there or datum is None:
        return CutOutResult(cutout.name, fit.there, seen_share=fit.seen_share, camera=camera)
    where = datum.shift.pose().after(sight.setup.seat)
    in_shell = where.inverse().apply(found.centre_mm[None])[0, :2] / sight.growth
    offset = in_shell - cutout.centre_mm
    wall = FAR_WALL_SHARE * float(fit.wall_mm.max())
    common = sight.setup.place_causes(index, sight.u_growth)
    offsets = []
    for k, axis in enumerate(np.eye(2)):
        shares = {"picture noise": float(np.sqrt(fit.covariance[k, k])), **common}
        shares["datums"] = float(datum.u_along(found.centre_mm[None], axis[None])[0])
        shares |= {"far wall": wall, "light and edge shape": budget.LIGHT_SIDE * shot.edge_model_mm}
        if found.which_mm is not None:
            shares["which arris"] = abs(float(found.which_mm[k]))
        offsets.append(quantity(float(offset[k]), shares))
    sizes = []
    for k, nominal in enumerate(cutout.size_mm):
        # Size terms are distances from the middle: all round for a width and a diameter, plus the extra for a length.
        pick = np.zeros(len(fit.terms))
        pick[2] = 2.0
        if len(cutout.size_mm) == 2 and k == 0:
            pick[3] = 2.0
        shares = {
            "picture noise": float(np.sqrt(pick @ fit.covariance @ pick)),
            "far wall": wall,
            "light and edge shape": 2.0 * budget.LIGHT_ALL_ROUND * shot.edge_model_mm,
            budget.RESPONSE: 2.0 * shot.response_mm,
            "temperature": nominal * sight.u_growth,
        }
        if found.which_mm is not None:
            shares["which arris"] = abs(float(pick @ found.which_mm))
        sizes.append(quantity((nominal + float(pick @ fit.terms)) / sight.growth, shares))
    return CutOutResult(cutout.name, True, offsets[0], offsets[1], tuple(sizes), fit.seen_share, camera)


def kept_curve(
    sight: Sight,
    curve: str,
    here: Scan,
    points_mm: Array,
    nominal: Stations,
    seen_at_mm: Array | None = None,
    step_d_mm: Array | None = None,
) -> Iterator[tuple[EdgeTrace, Ribbon]]:
    """What the record keeps of one curve: edge points and ribbon, of each camera its part. ``nominal`` - where the
    curve belongs, fixture frame; ``seen_at_mm`` - (N,) where the edge is seen along its scan line, where that is not
    where it is: the back-face arris lies lower; ``step_d_mm`` - (N,) of one step alone.
    """
    edges, arc = here.edges, here.stations.arc_mm
    pixel, contrast = here.lines.at(edges.d_mm if seen_at_mm is None else seen_at_mm), np.abs(edges.contrast)
    for k, shot in enumerate(sight.shots):
        mine = here.stations.camera == k
        if shot is None or not mine.any():
            continue
        own = slice(None) if mine.all() else np.flatnonzero(mine)
        lines = lay_scan_lines(nominal.points_mm[own], nominal.directions[own], 1.0, shot.model, shot.pose)
        trace = EdgeTrace(
            curve,
            shot.camera,
            arc[own],
            pixel[own],
            points_mm[own],
            edges.u_mm[own],
            contrast[own],
            lines.centre,
            lines.first,
            edges.flags[own],
        )
        step = None if step_d_mm is None else step_d_mm[own]
        ribbon = here.ribbon if mine.all() else here.ribbon[own]
        ribbon.setflags(write=False)  # it is large: kept as it is
        yield trace, Ribbon(curve, shot.camera, arc[own], here.d_mm, ribbon, edges.d_mm[own], step)
