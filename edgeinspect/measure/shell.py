"""Measure one shell on one picture: the order of the steps, and what each one passes on.

fixture -> rough place -> datums of the shell -> ribbon and edge -> cut-outs -> frames, profiles, zones -> decals.
A step that cannot be done leaves a Stop; what does not depend on it is still measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from edgeinspect.geometry import PlaneShift
from edgeinspect.measure.alignment import combine, fit_along_normals, on_sheet
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.cutout import measure_cutouts
from edgeinspect.measure.decal import decal_result
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.frames import Datum, alignment, datum_of_hole_and_slot, datum_of_pips
from edgeinspect.measure.measurement import DecalResult, Flag, ShellMeasurement, Stop
from edgeinspect.measure.picture import GreyPicture, RawLevels
from edgeinspect.measure.pips import find_pips
from edgeinspect.measure.place import find_place, scan
from edgeinspect.measure.ribbon import Stations
from edgeinspect.measure.setup import Setup, Sight
from edgeinspect.measure.temperature import Temperature, growth, u_growth
from edgeinspect.measure.trim import CutOutFound, Edge, cutout_result, kept_curve, path_error, rim_result
from edgeinspect.measure.view import CALL, look
from edgeinspect.shell.definition import Arris, Check, DatumScheme, ShellDefinition

BAND_MM = 3.0  # half the search band of the rim: a cut further off than this is "not seen", never bridged
MISFIT_FACTOR = 2.5  # pips off their drawing by this many standard uncertainties: once in 3,000 by chance (chi-squared)
RIM_ROUNDS = 2  # Gauss-Newton from a start good to 0.05 px, with the blur of the marks: the third moves nothing
GREATEST_U_MM = 0.1  # a single station worse than this says nothing


class ShellGauge:
    """Measures shells of one definition in one fixture with one camera; prepare it once, use it for many.

    Raises ValueError when there is not exactly one camera.
    """

    def __init__(
        self,
        definition: ShellDefinition,
        cameras: Mapping[str, CameraCalibration],
        fixture: Fixture,
        seating: Seating,
    ) -> None:
        if len(cameras) != 1:
            raise ValueError(f"a shell is measured with one camera in this version, got {len(cameras)}")
        self.setup = Setup(definition, next(iter(cameras.values())), fixture, seating)

    def measure(
        self,
        variant: str,
        pictures: Mapping[str, RawLevels],
        temperature: Temperature,
        checks: frozenset[Check] | None = None,
    ) -> ShellMeasurement:
        """Everything that one picture says about one shell.

        ``pictures`` - raw levels (H, W) of 8 or 16 bits by camera name; ``checks`` - what to look at (default: the
        definition's). Raises ValueError when a picture has another size than its camera.
        """
        setup, definition, calibration = self.setup, self.setup.definition, self.setup.calibration
        checks = definition.checks if checks is None else checks
        result = ShellMeasurement(
            shell=definition.name,
            revision=definition.revision,
            definition_sha256=definition.sha256,
            variant=variant,
            checks=checks,
            temperature_c=temperature.celsius,
            temperature_stated=temperature.stated,
            u_temperature_c=temperature.u_celsius,
            views=(),
        )
        if calibration.camera not in pictures:
            return replace(
                result, stops=(Stop("picture", f"no picture from camera {calibration.camera}", "look again"),)
            )
        picture = GreyPicture(pictures[calibration.camera], calibration.bits)
        seen = look(picture, calibration, setup.fixture, setup.rim_seated.points_mm)
        result = replace(result, views=(seen.view,), notes=seen.notes)
        if seen.stop is not None or seen.marks.pose is None:
            return replace(result, stops=(seen.stop,) if seen.stop else ())
        material = definition.material
        sight = Sight(
            setup,
            picture,
            seen.marks.pose,
            seen.marks.blur_px,
            growth(material, temperature),
            u_growth(material, temperature),
        )
        return _measure(sight, result)


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
    """Measure a single shell; for many of a kind keep a ShellGauge."""
    return ShellGauge(definition, cameras, fixture, seating).measure(variant, pictures, temperature, checks)


def _measure(sight: Sight, result: ShellMeasurement) -> ShellMeasurement:
    setup, definition = sight.setup, sight.definition
    rough = find_place(sight.picture, setup.rim_seated, sight.model, sight.pose, sight.blur_px)
    if rough is None:
        words = "no shell found where the fixture holds it, or it is not this kind of shell"
        return replace(result, stops=(Stop("place", words, "check the shell and the order, reseat, look again"),))
    stops: list[Stop] = []
    datum, stop = _formed_datum(sight, rough)
    stops += [stop] if stop else []
    edge = find_edge(sight, rough, datum)
    cutouts = _find_cutouts(sight, edge, datum) if setup.cutouts else []
    if datum is None and stop is None:
        datum, stop = _cut_datum(sight, edge, cutouts)
        stops += [stop] if stop else []
    result = replace(result, cut=alignment("cut - fixture", edge.cut, edge.covariance, edge.rms_mm))
    if datum is not None and definition.datum is DatumScheme.PIPS:  # otherwise path or seating, cannot tell
        result = replace(result, seating=alignment("shell - fixture", datum.shift, datum.covariance, datum.rms_mm))
    if off := _off_its_seat(setup.seating, edge.cut if datum is None else datum.shift):
        return replace(result, stops=(off,))
    if datum is not None and (warped := _unlike_its_drawing(sight, datum)):
        return replace(result, stops=(warped,))
    if Check.TRIM in result.checks:
        if definition.arris is Arris.BACK:
            words = f"the drawing measures the back-face arris, which camera {sight.camera} does not see"
            stops.append(Stop("edge", words, f"{CALL}: name the show-face arris in the definition", Check.TRIM))
        else:
            result = _with_trim(sight, result, edge, cutouts, datum)
    if Check.DECAL in result.checks:
        decals, stop = _decals(sight, result.variant, datum)
        stops += [stop] if stop else []
        result = replace(result, decals=decals)
    return replace(result, stops=tuple(stops))


def _with_trim(
    sight: Sight, result: ShellMeasurement, edge: Edge, cutouts: list[CutOutFound], datum: Datum | None
) -> ShellMeasurement:
    setup = sight.setup
    rim = rim_result(sight, edge, datum)
    shift, turn = path_error(sight, edge)
    judged = (edge.cut if datum is None else datum.shift).pose().after(setup.seating.pose)
    kept = [kept_curve(sight, sight.definition.rim.name, edge.scan, edge.point_mm, rim.nominal)]
    for (_, stations), found in zip(setup.cutouts, cutouts, strict=True):
        here = found.fit.scan
        points = here.stations.points_mm + here.edges.d_mm[:, None] * here.stations.directions
        nominal = stations.scaled(sight.growth).placed(judged)
        kept.append(kept_curve(sight, found.cutout.curve.name, here, points, nominal))
    return replace(
        result,
        best_fit=rim.best_fit,
        profiles=rim.profiles,
        zones=rim.zones,
        path_shift=shift,
        path_rotation=turn,
        cutouts=tuple(cutout_result(sight, k, found, datum) for k, found in enumerate(cutouts)),
        traces=tuple(trace for trace, _ in kept),
        ribbons=tuple(ribbon for _, ribbon in kept),
    )


def _where_cut(sight: Sight, stations: Stations, cut: PlaneShift, datum: Datum | None) -> Stations:
    """Stations (shell frame) where the cutter ran, on the sheet as it sits."""
    seating = sight.setup.seating.pose
    shell = cut if datum is None else datum.shift
    return on_sheet(stations, cut.pose().after(seating), shell.pose().after(seating), sight.growth)


def find_edge(sight: Sight, shift: PlaneShift, datum: Datum | None) -> Edge:
    """The rim's edge on a ribbon that is laid again until it lies on the cut."""
    for _ in range(3):
        at = _where_cut(sight, sight.setup.rim, shift, datum)
        here = scan(sight.picture, at, BAND_MM, sight.model, sight.pose, sight.blur_px, rounds=RIM_ROUNDS)
        flags = here.edges.flags.copy()
        flags[here.edges.u_mm > GREATEST_U_MM] |= Flag.LOW_CONTRAST
        usable = (flags == 0) & np.isfinite(here.edges.d_mm)
        fit = fit_along_normals(at.points_mm, at.normals, np.nan_to_num(here.edges.d_mm), usable)
        shift = combine(fit.shift, shift)
        if np.hypot(fit.shift.dx_mm, fit.shift.dy_mm) < 0.3 and abs(fit.shift.rotation_deg) < 0.1:
            break
    edges = replace(here.edges, d_mm=here.edges.d_mm - here.edges.pull_mm(at.bend_per_mm), flags=flags)
    points = at.points_mm + edges.d_mm[:, None] * at.directions
    return Edge(replace(here, edges=edges), shift, fit.covariance, fit.rms_mm, usable, points)


def _find_cutouts(sight: Sight, edge: Edge, datum: Datum | None) -> list[CutOutFound]:
    every = sight.setup.cutouts
    assert sight.setup.cutout_stations is not None
    whole = _where_cut(sight, sight.setup.cutout_stations, edge.cut, datum)
    begins = [0, *sight.setup.cutout_ends[:-1]]
    here = [whole.part(slice(begin, end)) for begin, end in zip(begins, sight.setup.cutout_ends, strict=True)]
    wanted = [(cutout, at) for (cutout, _), at in zip(every, here, strict=True)]
    fits = measure_cutouts(sight.picture, wanted, sight.definition.sheet_mm, sight.model, sight.pose, sight.blur_px)
    middles = np.array([np.append(cutout.centre_mm, s.points_mm[:, 2].mean()) for cutout, s in every])
    nominal = edge.cut.pose().after(sight.setup.seating.pose).apply(middles)
    return [CutOutFound(c, at, nominal[k], fits[k]) for k, (c, at) in enumerate(wanted)]


def _formed_datum(sight: Sight, cut: PlaneShift) -> tuple[Datum | None, Stop | None]:
    """The shell itself, where its definition has datums that the cutter did not make."""
    setup, pips = sight.setup, sight.definition.pips
    if sight.definition.datum is DatumScheme.FIXTURE:
        return Datum(PlaneShift(0.0, 0.0, 0.0), np.zeros((3, 3)), 0.0), None
    if sight.definition.datum is not DatumScheme.PIPS:
        return None, None
    nominal = setup.seating.pose.apply(setup.pips_mm * sight.growth)
    start = cut.pose().apply(nominal)
    found = find_pips(sight.picture, pips, start, sight.model, sight.pose, sight.blur_px)
    datum = datum_of_pips(pips, found, nominal[:, :2], sight.formed_edge_mm)
    if datum is not None:
        return datum, None
    missing = ", ".join(pip.name for pip, one in zip(pips, found, strict=True) if one.centre_mm is None)
    words = f"datum not seen ({missing}): path or seating, cannot tell"
    return None, Stop("datum", words, "blow off, reseat, look again")


def _cut_datum(sight: Sight, edge: Edge, cutouts: list[CutOutFound]) -> tuple[Datum | None, Stop | None]:
    """Datums that the cutter made: what is measured from them says nothing about path against seating."""
    if sight.definition.datum is DatumScheme.BEST_FIT:
        return Datum(edge.cut, edge.covariance, edge.rms_mm), None
    hole, slot = cutouts[:2]
    if not (hole.fit.there and slot.fit.there):
        words = f"datum not seen ({hole.cutout.name}, {slot.cutout.name}): path or seating, cannot tell"
        return None, Stop("datum", words, "blow off, look again")
    seating = sight.setup.seating.pose
    flat = [np.append(c.centre_mm, s.points_mm[:, 2].mean()) for c, s in sight.setup.cutouts[:2]]
    nominal = seating.apply(np.array(flat) * sight.growth)[:, :2]
    return datum_of_hole_and_slot(hole.fit, slot.fit, hole.centre_mm[:2], slot.centre_mm[:2], nominal), None


def _off_its_seat(seating: Seating, shift: PlaneShift) -> Stop | None:
    off, turned = float(np.hypot(shift.dx_mm, shift.dy_mm)), abs(shift.rotation_deg)
    if off <= seating.limit_mm and turned <= seating.limit_deg:
        return None
    allowed = f"limit {seating.limit_mm:g} mm, {seating.limit_deg:g}°"
    return Stop(
        "seating", f"the shell sits {off:.1f} mm and {turned:.1f}° off its seat ({allowed})", "reseat and look again"
    )


def _unlike_its_drawing(sight: Sight, datum: Datum) -> Stop | None:
    """A shell that sits too high or tilted looks larger on one side: 1 mm is worth 0.2 mm at the rim, and one camera
    sees it only by pips that no longer fit their drawing.
    """
    if sight.definition.datum is not DatumScheme.PIPS:
        return None
    expected = sight.setup.u_pip_misfit(sight.u_growth, sight.formed_edge_mm)
    if datum.rms_mm <= MISFIT_FACTOR * expected:
        return None
    words = f"the pips lie {datum.rms_mm:.2f} mm off their drawing: half seated, warped, or not this kind of shell"
    return Stop("seating", words, "clean the nests, reseat and look again")


def _decals(sight: Sight, variant: str, datum: Datum | None) -> tuple[tuple[DecalResult, ...], Stop | None]:
    every = sight.definition.decals
    wanted = [k for k, decal in enumerate(every) if decal.variant == variant]
    if not wanted:
        words = f"the definition has no decal of variant {variant!r}"
        return (), Stop("decal", words, "choose the decal variant of this order", Check.DECAL)
    if datum is None:
        return tuple(DecalResult(every[k].name, None) for k in wanted), None
    first = len(sight.setup.cutouts)
    return tuple(decal_result(sight, first + k, every[k], datum) for k in wanted), None
