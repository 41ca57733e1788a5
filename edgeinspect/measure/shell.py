"""Measure one shell on one picture: the order of the steps, and what each one passes on.

fixture -> rough place -> ribbon and edge -> cut-outs -> datums -> frames and profiles -> zones -> decals. A step that cannot be done leaves a
Stop; what does not depend on it is still measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, PlaneShift, Pose
from edgeinspect.measure import budget
from edgeinspect.measure.alignment import combine, deviation_from, fit_along_normals, placed, shift_rows
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.cutout import CutOutFit, apparent_wall, measure_cutout, wall_height
from edgeinspect.measure.decal import DecalFit, measure_decal
from edgeinspect.measure.deviation import filter_closed, zone_result
from edgeinspect.measure.edge import Edges
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.frames import Datum, alignment, datum_of_hole_and_slot, datum_of_pips, form_only
from edgeinspect.measure.measurement import (
    Alignment,
    CutOutResult,
    DecalResult,
    DeviationProfile,
    EdgeTrace,
    Flag,
    Quantity,
    Ribbon,
    Share,
    ShellMeasurement,
    Stop,
    ZoneResult,
)
from edgeinspect.measure.picture import RawLevels, as_levels
from edgeinspect.measure.pips import find_pip
from edgeinspect.measure.place import Scan, find_place, scan
from edgeinspect.measure.ribbon import Levels, Stations, lay_scan_lines, lay_stations
from edgeinspect.measure.temperature import Temperature, growth, u_growth
from edgeinspect.measure.view import CALL, Look, look
from edgeinspect.shell.definition import Arris, Check, CutOut, DatumScheme, Decal, Frame, ShellDefinition

BAND_MM = 3.0  # half the search band of the rim: a cut further off than this is "not seen", never bridged
GREATEST_U_MM = 0.1  # a single station worse than this says nothing


@dataclass(frozen=True)
class Edge:
    """The rim as cut: scan at the outline as placed on the cut, and which stations can be trusted."""

    scan: Scan
    cut: PlaneShift
    covariance: Array
    rms_mm: float
    usable: NDArray[np.bool_]
    point_mm: Array  # (N, 3) fixture frame


@dataclass
class Findings:
    """What has been measured so far."""

    stops: list[Stop] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    traces: list[EdgeTrace] = field(default_factory=list)
    ribbons: list[Ribbon] = field(default_factory=list)


class ShellGauge:
    """One shell definition in one fixture before one calibrated camera, prepared: everything that does not depend on the picture.

    Raises ValueError when there is not exactly one camera.
    """

    def __init__(
        self, definition: ShellDefinition, cameras: Mapping[str, CameraCalibration], fixture: Fixture, seating: Seating
    ) -> None:
        if len(cameras) != 1:
            raise ValueError(f"a shell is measured with one camera in this version, got {len(cameras)}")
        self.definition, self.fixture, self.seating = definition, fixture, seating
        (self.calibration,) = cameras.values()
        self.rim = lay_stations(definition.rim, definition.step_mm)
        self.rim_seated = self.rim.placed(seating.pose)
        self.cutouts = [(cutout, lay_stations(cutout.curve, definition.step_mm)) for cutout in definition.cutouts]
        self.pips_mm = np.array([pip.centre_mm for pip in definition.pips]).reshape(-1, 3)
        self._prepare_budget()

    def _prepare_budget(self) -> None:
        """Shares of common causes along the rim, at the cut-outs and the decals, in each frame (see budget)."""
        centres = [np.append(cutout.centre_mm, stations.points_mm[:, 2].mean()) for cutout, stations in self.cutouts]
        centres += [decal.patch.origin_mm for decal in self.definition.decals]
        rim, pips = self.rim_seated, self.seating.pose.apply(self.pips_mm)
        places = self.seating.pose.apply(np.array(centres).reshape(-1, 3))
        points = np.vstack([rim.points_mm, pips, places])
        causes = budget.with_growth(budget.camera_causes(self.calibration, self.fixture, self.seating, points), 1.0)
        ends = np.cumsum([len(rim.points_mm), len(pips)])
        self.rim_shares: dict[Frame, dict[str, Array]] = {frame: {} for frame in Frame}
        self.place_shares: dict[str, Array] = {}
        self.path_causes: dict[str, Array] = {}
        by_pips = self.definition.datum is DatumScheme.PIPS
        for cause, every in causes.fields.items():
            on_rim, on_pips, on_places = np.split(every, ends, axis=1)
            warm = cause == "temperature"
            in_datum, placed_in_datum = on_rim, on_places
            if by_pips:
                in_datum = budget.left_after_points(on_rim, rim.points_mm, on_pips, pips)
                placed_in_datum = budget.left_after_points(on_places, places, on_pips, pips)
            self.rim_shares[Frame.DATUM][cause] = budget.along_normals(in_datum, rim.normals)
            fitted = budget.left_after_outline(on_rim, rim.points_mm, rim.normals)
            self.rim_shares[Frame.BEST_FIT][cause] = budget.along_normals(fitted, rim.normals)
            self.place_shares[cause] = np.sqrt((placed_in_datum**2).sum(axis=0).mean(axis=1))
            if not warm:  # the fixture frame tells where the cutter ran and is not brought to 20 degC
                self.rim_shares[Frame.FIXTURE][cause] = budget.along_normals(on_rim, rim.normals)
                self.path_causes[cause] = budget.outline_shift_covariance(on_rim, rim.points_mm, rim.normals)

    def measure(
        self,
        variant: str,
        pictures: Mapping[str, RawLevels],
        temperature: Temperature,
        checks: frozenset[Check] | None = None,
    ) -> ShellMeasurement:
        """Everything that one picture says about one shell. ``checks`` (default: the definition's) says what to look at."""
        wanted = self.definition.checks if checks is None else checks
        empty = ShellMeasurement(
            self.definition.name, self.definition.revision, self.definition.sha256, variant, wanted,
            temperature.celsius, temperature.stated, temperature.u_celsius, (),
        )  # fmt: skip
        camera = self.calibration.camera
        if camera not in pictures:
            return replace(empty, stops=(Stop("picture", f"no picture from camera {camera}", "look again"),))
        picture = as_levels(pictures[camera])
        seen = look(picture, self.calibration, self.fixture, self.rim_seated.points_mm)
        base = replace(empty, views=(seen.view,), notes=seen.notes)
        if seen.stop is not None or seen.marks.pose is None:
            return replace(base, stops=(seen.stop,) if seen.stop else ())
        return _Shell(self, picture, seen, seen.marks.pose, temperature, wanted, variant).measure(base)


class _Shell:
    """One shell on one picture, step by step."""

    def __init__(
        self, gauge: ShellGauge, picture: Levels, seen: Look, pose: Pose, temperature: Temperature, wanted: frozenset[Check], variant: str
    ) -> None:
        self.gauge, self.picture, self.pose, self.wanted, self.variant = gauge, picture, pose, wanted, variant
        self.definition = gauge.definition
        self.model, self.camera = gauge.calibration.model, gauge.calibration.camera
        self.blur_px = seen.marks.blur_px
        self.growth = growth(self.definition.material, temperature)
        self.u_growth = u_growth(self.definition.material, temperature)
        self.found = Findings(notes=list(seen.notes))
        self.px_per_mm = self.model.fx / float(pose.apply(gauge.rim_seated.points_mm[:1])[0, 2])

    def measure(self, base: ShellMeasurement) -> ShellMeasurement:
        shift = find_place(self.picture, self.gauge.rim_seated, self.model, self.pose, self.blur_px)
        if shift is None:
            words = "no shell found where the fixture holds it, or it is not this kind of shell"
            return replace(base, stops=(Stop("place", words, "check the shell and the order, reseat, look again"),))
        edge = self._edge(shift)
        cutouts = self._cutouts(edge) if self.gauge.cutouts else []
        datum = self._datum(edge, cutouts)
        stopped = self._seating_stop(datum, edge)
        cut = alignment("cut - fixture", edge.cut, edge.covariance, edge.rms_mm)
        seating = None if datum is None else alignment("shell - fixture", datum.shift, datum.covariance, datum.rms_mm)
        if datum is not None and self.definition.datum in (DatumScheme.FIXTURE, DatumScheme.BEST_FIT):
            seating = None  # nothing formed was looked at
        if stopped is not None:
            return replace(base, stops=(stopped,), cut=cut, seating=seating, notes=tuple(self.found.notes))
        result = replace(base, cut=cut, seating=seating)
        if Check.TRIM in self.wanted:
            result = self._trim(result, edge, datum, cutouts)
        if Check.DECAL in self.wanted:
            result = replace(result, decals=self._decals(datum))
        return replace(
            result, stops=tuple(self.found.stops), notes=tuple(self.found.notes), traces=tuple(self.found.traces),
            ribbons=tuple(self.found.ribbons),
        )  # fmt: skip

    # --- the edge ---------------------------------------------------------------------------------------------------------------------

    def _edge(self, shift: PlaneShift) -> Edge:
        nominal = self.gauge.rim_seated
        for _ in range(3):
            here = scan(self.picture, placed(nominal, shift), BAND_MM, self.model, self.pose, self.blur_px)
            flags = here.edges.flags.copy()
            flags[here.edges.u_mm > GREATEST_U_MM] |= Flag.LOW_CONTRAST
            usable = (flags == 0) & np.isfinite(here.edges.d_mm)
            at = here.stations
            fit = fit_along_normals(at.points_mm, at.normals, np.nan_to_num(here.edges.d_mm), usable)
            shift = combine(fit.shift, shift)
            if np.hypot(fit.shift.dx_mm, fit.shift.dy_mm) < 0.3 and abs(fit.shift.rotation_deg) < 0.1:
                break
        edges = replace(here.edges, flags=flags)
        points = at.points_mm + edges.d_mm[:, None] * at.directions
        return Edge(replace(here, edges=edges), shift, fit.covariance, fit.rms_mm, usable, points)

    def _cutouts(self, edge: Edge) -> list[tuple[CutOut, Stations, CutOutFit]]:
        where = edge.cut.pose().after(self.gauge.seating.pose)
        fits = []
        for cutout, stations in self.gauge.cutouts:
            here = stations.placed(where)
            fit = measure_cutout(self.picture, cutout, here, self.definition.sheet_mm, self.model, self.pose, self.blur_px)
            fits.append((cutout, here, fit))
        return fits

    # --- the datums -------------------------------------------------------------------------------------------------------------------

    def _datum(self, edge: Edge, cutouts: list[tuple[CutOut, Stations, CutOutFit]]) -> Datum | None:
        scheme = self.definition.datum
        if scheme is DatumScheme.FIXTURE:
            return Datum(PlaneShift(0.0, 0.0, 0.0), np.zeros((3, 3)), 0.0)
        if scheme is DatumScheme.BEST_FIT:
            return Datum(edge.cut, edge.covariance, edge.rms_mm)
        if scheme is DatumScheme.PIPS:
            nominal = self.gauge.seating.pose.apply(self.gauge.pips_mm * self.growth)
            start = edge.cut.pose().apply(nominal)
            found = [
                find_pip(self.picture, pip, at, self.model, self.pose, self.blur_px)
                for pip, at in zip(self.definition.pips, start, strict=True)
            ]
            datum = datum_of_pips(self.definition.pips, found, nominal[:, :2])
            if datum is None:
                missing = ", ".join(
                    pip.name for pip, one in zip(self.definition.pips, found, strict=True) if one.centre_mm is None
                )
                words = f"datum not seen ({missing}): path or seating, cannot tell"
                self.found.stops.append(Stop("datum", words, "blow off, reseat, look again"))
            return datum
        (hole, hole_at, hole_fit), (slot, slot_at, slot_fit) = cutouts[:2]
        if not (hole_fit.there and slot_fit.there):
            words = f"datum not seen ({hole.name}, {slot.name}): path or seating, cannot tell"
            self.found.stops.append(Stop("datum", words, "blow off, look again"))
            return None
        both = [self._centre(c, s, f, edge)[:2] for c, s, f in cutouts[:2]]
        flat = np.array([np.append(c.centre_mm, s.points_mm[:, 2].mean()) for c, s, _ in cutouts[:2]])
        flat[:, 2] -= self.gauge.seating.pose.translation_mm[2]
        nominal = self.gauge.seating.pose.apply(flat * self.growth)[:, :2]
        return datum_of_hole_and_slot(hole_fit, slot_fit, both[0], both[1], nominal)

    def _centre(self, cutout: CutOut, stations: Stations, fit: CutOutFit, edge: Edge) -> Array:
        """Centre (3,) of a measured cut-out in the fixture frame."""
        height = self.gauge.seating.pose.inverse().apply(stations.points_mm.mean(axis=0)[None])[0, 2]
        nominal = np.append(cutout.centre_mm, height)[None]
        centre = edge.cut.pose().after(self.gauge.seating.pose).apply(nominal)[0]
        return np.asarray(centre + np.array([fit.terms[0], fit.terms[1], 0.0]))

    def _seating_stop(self, datum: Datum | None, edge: Edge) -> Stop | None:
        limits = self.gauge.seating
        shift = edge.cut if datum is None else datum.shift
        off = float(np.hypot(shift.dx_mm, shift.dy_mm))
        if off <= limits.limit_mm and abs(shift.rotation_deg) <= limits.limit_deg:
            return None
        words = f"the shell sits {off:.1f} mm and {abs(shift.rotation_deg):.1f}° off its seat (limit {limits.limit_mm:g} mm, {limits.limit_deg:g}°)"
        return Stop("seating", words, "reseat and look again")

    # --- the trim ---------------------------------------------------------------------------------------------------------------------

    def _trim(
        self, result: ShellMeasurement, edge: Edge, datum: Datum | None, cutouts: list[tuple[CutOut, Stations, CutOutFit]]
    ) -> ShellMeasurement:
        if self.definition.arris is Arris.BACK:
            words = f"the drawing measures the back-face arris, which camera {self.camera} does not see"
            self.found.stops.append(Stop("edge", words, f"{CALL}: name the show-face arris in the definition", Check.TRIM))
            return result
        warm = self.gauge.rim.scaled(self.growth).placed(self.gauge.seating.pose)
        best, form_deviation, form_foot = form_only(warm, edge.cut, edge.point_mm, edge.usable)
        raw: dict[Frame, tuple[Array, Array]] = {
            Frame.FIXTURE: deviation_from(self.gauge.rim_seated, edge.point_mm),
            Frame.BEST_FIT: (form_deviation, form_foot),
        }
        if datum is not None:
            raw[Frame.DATUM] = deviation_from(placed(warm, datum.shift), edge.point_mm)
        profiles: dict[Frame, tuple[DeviationProfile, dict[str, Array]]] = {}
        for frame, (deviation, foot) in raw.items():
            at_20 = deviation if frame is Frame.FIXTURE else deviation / self.growth
            filtered, kept = filter_closed(at_20, edge.usable, self.definition.filter_cutoff_mm, self.gauge.rim.step_mm)
            shares = self._rim_shares(frame, edge, datum, kept)
            u = np.sqrt(np.sum([share**2 for share in shares.values()], axis=0))
            u = np.where(np.isfinite(filtered), u, np.nan)
            length = self.definition.rim.length_mm
            profiles[frame] = (DeviationProfile(frame, np.mod(foot, length), filtered, u), shares)
        zones: list[ZoneResult] = []
        for zone in self.definition.zones:
            if zone.frame in profiles:
                profile, shares = profiles[zone.frame]
                zones.append(zone_result(zone, profile, self.gauge.rim.step_mm, shares))
        shift, turn = self._path(edge)
        judged = datum.shift if datum is not None else edge.cut
        self._keep_rim(edge, placed(warm, judged))
        return replace(
            result, best_fit=best, profiles=tuple(profile for profile, _ in profiles.values()), zones=tuple(zones),
            path_shift=shift, path_rotation=turn, cutouts=tuple(self._cutout_result(k, *one, edge, datum) for k, one in enumerate(cutouts)),
        )  # fmt: skip

    def _rim_shares(self, frame: Frame, edge: Edge, datum: Datum | None, kept: float) -> dict[str, Array]:
        """Parts (N,) of the profile's uncertainty by source."""
        stations = self.gauge.rim_seated
        noise = np.where(edge.usable, edge.scan.edges.u_mm, np.nanmedian(edge.scan.edges.u_mm)) * kept
        common = self.gauge.rim_shares[frame]
        shares: dict[str, Array] = {"picture noise": noise}
        shares |= {cause: (u * self.u_growth if cause == "temperature" else u) for cause, u in common.items()}
        if frame is Frame.DATUM and datum is not None:
            shares["datums"] = datum.u_along(stations.points_mm, stations.normals)
        wall = apparent_wall(edge.scan.stations, wall_height(edge.scan.stations, self.definition.sheet_mm), self.model, self.pose)
        if wall.max() > 0.01:
            shares["which arris"] = wall / np.sqrt(12.0)
        shares["light and edge shape"] = np.full(len(noise), budget.EDGE_MODEL_PX / self.px_per_mm)
        return shares

    def _path(self, edge: Edge) -> tuple[Quantity, Quantity]:
        covariances = {"fit of the outline": edge.covariance, **self.gauge.path_causes}
        reach = float(np.hypot(*self.gauge.rim_seated.points_mm[:, :2].T).max())
        model_mm = budget.EDGE_MODEL_PX / self.px_per_mm
        edge_model = np.diag([(0.5 * model_mm) ** 2, (0.5 * model_mm) ** 2, (0.5 * model_mm / reach) ** 2])
        covariances["light and edge shape"] = edge_model
        size = float(np.hypot(edge.cut.dx_mm, edge.cut.dy_mm))
        way = np.array([edge.cut.dx_mm, edge.cut.dy_mm]) / max(size, 1e-9)
        # Near zero a length has no direction of its own: take the mean of both axes.
        if size < 0.02:
            way = np.array([0.5**0.5, 0.5**0.5])
        shift = {cause: float(max(0.0, float(way @ c[:2, :2] @ way)) ** 0.5) for cause, c in covariances.items()}
        turn = {cause: float(np.rad2deg(np.sqrt(max(0.0, c[2, 2])))) for cause, c in covariances.items()}
        return _quantity(size, shift), _quantity(edge.cut.rotation_deg, turn)

    def _keep_rim(self, edge: Edge, nominal: Stations) -> None:
        lines = lay_scan_lines(nominal.points_mm, nominal.directions, 1.0, self.model, self.pose)
        self._keep(self.definition.rim.name, edge.scan, lines.centre, lines.first, edge.point_mm)

    def _keep(self, curve: str, here: Scan, nominal_px: Array, px_per_mm: Array, points: Array) -> None:
        edges: Edges = here.edges
        pixel = here.lines.at(edges.d_mm)
        self.found.traces.append(
            EdgeTrace(
                curve, self.camera, here.stations.arc_mm, pixel, points, edges.u_mm, np.abs(edges.contrast), nominal_px, px_per_mm,
                edges.flags,
            )
        )  # fmt: skip
        self.found.ribbons.append(Ribbon(curve, self.camera, here.stations.arc_mm, here.d_mm, here.ribbon))

    # --- cut-outs and decals ----------------------------------------------------------------------------------------------------------

    def _cutout_result(
        self, index: int, cutout: CutOut, stations: Stations, fit: CutOutFit, edge: Edge, datum: Datum | None
    ) -> CutOutResult:
        shift = datum.shift if datum is not None else edge.cut
        where = shift.pose().after(self.gauge.seating.pose)
        nominal = self.gauge.cutouts[index][1].scaled(self.growth).placed(where)
        lines = lay_scan_lines(nominal.points_mm, nominal.directions, 1.0, self.model, self.pose)
        here = fit.scan
        points = here.stations.points_mm + here.edges.d_mm[:, None] * here.stations.directions
        self._keep(cutout.curve.name, here, lines.centre, lines.first, points)
        if not fit.there or datum is None:
            return CutOutResult(cutout.name, fit.there, seen_share=fit.seen_share)
        centre = where.inverse().apply(self._centre(cutout, stations, fit, edge)[None])[0]
        offset = centre[:2] / self.growth - cutout.centre_mm
        model_mm = budget.EDGE_MODEL_PX / self.px_per_mm
        wall = float(fit.wall_mm.max()) * 0.03  # how far the two-arris fit was seen to be off, on ray-traced holes
        axes = np.eye(2)
        common = {cause: float(u[index]) * (self.u_growth if cause == "temperature" else 1.0) for cause, u in self.gauge.place_shares.items()}
        results = []
        for k in range(2):
            shares = {"picture noise": float(np.sqrt(fit.covariance[k, k])), **common}
            shares["datums"] = float(datum.u_along(self._centre(cutout, stations, fit, edge)[None], axes[k : k + 1])[0])
            shares["far wall"] = wall
            shares["light and edge shape"] = 0.5 * model_mm
            results.append(_quantity(float(offset[k]), shares))
        sizes = []
        for k, nominal_size in enumerate(cutout.size_mm):
            # Size terms are distances from the centre line: all round for the width and a diameter, plus the extra along for a length.
            along = len(cutout.size_mm) == 2 and k == 0
            grown = 2.0 * (fit.terms[2] + (fit.terms[3] if along else 0.0))
            pick = np.zeros(len(fit.terms))
            pick[2], pick[3:4] = 2.0, 2.0 if along else 0.0
            shares = {
                "picture noise": float(np.sqrt(pick @ fit.covariance @ pick)),
                "far wall": wall,
                "light and edge shape": 2.0 * model_mm,
                "temperature": nominal_size * self.u_growth,
            }
            blur = 0.5 * fit.scan.edges.blur_mm**2 / (nominal_size / 2.0) if len(cutout.size_mm) == 1 else 0.0
            sizes.append(_quantity((nominal_size + grown + 2.0 * blur) / self.growth, shares))
        return CutOutResult(cutout.name, True, results[0], results[1], tuple(sizes), fit.seen_share)

    def _decals(self, datum: Datum | None) -> tuple[DecalResult, ...]:
        wanted = [d for d in self.definition.decals if d.variant == self.variant]
        if not wanted:
            words = f"the definition has no decal of variant {self.variant!r}"
            self.found.stops.append(Stop("decal", words, "choose the decal variant of this order", Check.DECAL))
            return ()
        if datum is None:
            return tuple(DecalResult(decal.name, None) for decal in wanted)
        return tuple(self._decal(decal, datum) for decal in wanted)

    def _decal(self, decal: Decal, datum: Datum) -> DecalResult:
        where = datum.shift.pose().after(self.gauge.seating.pose)
        fit: DecalFit = measure_decal(self.picture, decal, where, self.model, self.pose, self.blur_px)
        if not fit.there or fit.covariance is None:
            return DecalResult(decal.name, fit.there, correlation=fit.correlation, nominal_pixel=fit.nominal_pixel)
        patch = decal.patch
        axes = np.array([patch.x_axis, np.cross(patch.normal, patch.x_axis)])
        grown = (self.growth - 1.0) * (axes @ patch.origin_mm)  # a warm shell carries its decal outwards
        index = len(self.gauge.cutouts) + self.definition.decals.index(decal)
        common = {cause: float(u[index]) * (self.u_growth if cause == "temperature" else 1.0) for cause, u in self.gauge.place_shares.items()}
        at = where.apply(patch.origin_mm[None])
        values = np.array([fit.dx_mm, fit.dy_mm]) - grown
        offsets = []
        for k in range(2):
            shares = {"picture noise and print": float(np.sqrt(fit.covariance[k, k])), **common}
            shares["datums"] = float(datum.u_along(at, where.turn(axes[k : k + 1]))[0])
            shares["light and edge shape"] = budget.EDGE_MODEL_PX / self.px_per_mm
            offsets.append(_quantity(float(values[k]), shares))
        turn = {
            "picture noise and print": float(np.rad2deg(np.sqrt(fit.covariance[2, 2]))),
            "datums": float(np.rad2deg(np.sqrt(max(0.0, datum.covariance[2, 2])))),
            "light and edge shape": float(np.rad2deg(budget.EDGE_MODEL_PX / self.px_per_mm / (0.5 * decal.artwork.width_mm))),
        }
        return DecalResult(
            decal.name, True, offsets[0], offsets[1], _quantity(fit.rotation_deg, turn), fit.correlation, fit.outline_pixel,
            fit.nominal_pixel,
        )  # fmt: skip


def _quantity(value: float, shares: Mapping[str, float]) -> Quantity:
    """A value with the root sum of squares of its shares (JCGM 100, 5.1.2)."""
    u = float(np.sqrt(sum(part**2 for part in shares.values())))
    return Quantity(value, u, tuple(Share(source, part) for source, part in shares.items()))


def measure_shell(
    definition: ShellDefinition,
    variant: str,
    pictures: Mapping[str, RawLevels],
    cameras: Mapping[str, CameraCalibration],
    fixture: Fixture,
    seating: Seating,
    temperature: Temperature,
    checks: frozenset[Check] | None = None,
) -> ShellMeasurement:
    """Measure one shell from raw levels (H, W) by camera name. For many shells prepare a ShellGauge once."""
    return ShellGauge(definition, cameras, fixture, seating).measure(variant, pictures, temperature, checks)


__all__ = ["Alignment", "ShellGauge", "measure_shell", "shift_rows"]
