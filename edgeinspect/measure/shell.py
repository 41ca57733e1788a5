"""Measure one shell on its pictures: the order of the steps, and what each one passes on.

fixture -> rough place -> which hand -> datums of the shell -> ribbon and edge -> cut-outs -> frames, profiles, zones
-> decals.
A step that cannot be done leaves a Stop; what does not depend on it is still measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from edgeinspect.geometry import PlaneShift
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.colour_calibration import ColourPicture
from edgeinspect.measure.cut_face import cut_faces
from edgeinspect.measure.decal import Find, measure_decal
from edgeinspect.measure.decal_colour import ColourShot, ColourSight
from edgeinspect.measure.decal_datum import decal_frame
from edgeinspect.measure.decal_result import decal_result
from edgeinspect.measure.film import beside_cutout, film_left_on, two_edges, without_two_edges
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.flaws import find_flaws, in_doubt
from edgeinspect.measure.frames import Datum, alignment, growth_of, left_by_shift, on_shell
from edgeinspect.measure.hand import wrong_hand
from edgeinspect.measure.height import Stray
from edgeinspect.measure.height_fit import beyond_chance
from edgeinspect.measure.locate import Located, locate
from edgeinspect.measure.measurement import (
    CALL,
    CameraView,
    CutFace,
    DecalResult,
    Flag,
    Seam,
    ShellMeasurement,
    Stop,
)
from edgeinspect.measure.picture import RawLevels, channels, linear_picture
from edgeinspect.measure.pips import PipFound
from edgeinspect.measure.place import find_place, scan
from edgeinspect.measure.seams import measure_seams
from edgeinspect.measure.setup import TEMPERATURE, Setup, Sight
from edgeinspect.measure.shot import Shot
from edgeinspect.measure.temperature import Temperature, growth, minutes_to_cool, u_growth, warm_words
from edgeinspect.measure.trim import (
    CutOutFound,
    Edge,
    cutout_result,
    kept_curve,
    light_covariance,
    path_error,
    rim_result,
)
from edgeinspect.measure.view import Look, look
from edgeinspect.shell.definition import Check, DatumScheme, ShellDefinition

WRONG_BY_K = 80.0  # so much may a temperature be mistaken: degrees Fahrenheit for Celsius
SEATING, ON_SHELL = "shell - fixture", "cut - shell"


class ShellGauge:
    """Measures shells of one definition in one fixture with one camera or several; prepare it once, use it for many.

    Cameras in colour read the colours of decals and measure nothing else. Raises ValueError when there is no other.
    """

    def __init__(
        self,
        definition: ShellDefinition,
        cameras: Mapping[str, CameraCalibration],
        fixture: Fixture,
        seating: Seating,
    ) -> None:
        grey = tuple(calibration for calibration in cameras.values() if not calibration.in_colour)
        self.setup = Setup(definition, grey, fixture, seating)
        self.in_colour = tuple(calibration for calibration in cameras.values() if calibration.in_colour)

    def measure(
        self,
        variant: str,
        pictures: Mapping[str, RawLevels],
        temperature: Temperature,
        checks: frozenset[Check] | None = None,
        find: Find = measure_decal,
    ) -> ShellMeasurement:
        """Everything that the pictures say about one shell.

        ``pictures`` - raw levels (H, W) of 8 or 16 bits by camera name; ``checks`` - what to look at (default: the
        definition's); ``find`` - how a decal is found. A camera without a usable picture leaves a Stop, and what it
        measures is not measured. Raises ValueError when a picture has another size than its camera.
        """
        setup, definition = self.setup, self.setup.definition
        shots: list[Shot | None] = []
        views, stops, notes = list[CameraView](), list[Stop](), list[str]()
        for calibration in setup.calibrations:
            shot, seen, stopped = _shot(setup, calibration, pictures)
            shots.append(shot)
            stops += [stopped] if stopped is not None else []
            if seen is not None:
                views.append(seen.view)
                notes += seen.notes
        checks = definition.checks if checks is None else checks
        colours: ColourSight | None = None
        if find is measure_decal and Check.DECAL in checks and _asks_for_colour(definition, variant):
            colours, looks, missing = self._colours(pictures)
            views += [seen.view for seen in looks]
            notes += [note for seen in looks for note in seen.notes]
            stops += missing
        result = ShellMeasurement(
            shell=definition.name,
            revision=definition.revision,
            definition_sha256=definition.sha256,
            variant=variant,
            checks=checks,
            temperature_c=temperature.celsius,
            temperature_stated=temperature.stated,
            u_temperature_c=temperature.u_celsius,
            warm_k=temperature.warm_k,
            wait_min=minutes_to_cool(definition.sheet_mm, temperature.warm_k),
            views=tuple(views),
            stops=tuple(stops),
            notes=tuple(notes),
        )
        if warm := warm_words(definition.sheet_mm, temperature.warm_k):
            result = replace(result, notes=(f"the shell is {warm}, then look again", *result.notes))
        if not any(shots):
            return result
        material = definition.material
        sight = Sight(setup, tuple(shots), growth(material, temperature), u_growth(material, temperature), colours)
        return _measure(sight, result, temperature, find)

    def _colours(self, pictures: Mapping[str, RawLevels]) -> tuple[ColourSight, list[Look], list[Stop]]:
        """The pictures in colour with their marks, and why there is none where there is none."""
        shots, looks, stops = list[ColourShot](), list[Look](), list[Stop]()
        sight = ColourSight()
        for calibration in self.in_colour:
            shot, seen, stopped = _shot(self.setup, calibration, pictures)
            looks += [seen] if seen is not None else []
            if stopped is None and calibration.colour is None:
                words = f"camera {calibration.camera} is not calibrated for colour"
                stopped = Stop("colour", words, f"{CALL}: calibrate-colour", Check.DECAL, calibration.camera)
            if stopped is not None:
                stops.append(stopped)
                sight = replace(sight, untold=stopped.reason, action=stopped.action)
            if shot is None or calibration.colour is None:
                continue
            light = channels(pictures[calibration.camera], calibration.bits, calibration.response)
            picture = ColourPicture(light, shot.pose, calibration.colour.black)
            patch = self.setup.fixture.grey_patch_mm
            shots.append(ColourShot(shot.camera, picture, shot.model, shot.blur_px, calibration.colour, patch))
        return replace(sight, shots=tuple(shots)), looks, stops


def _asks_for_colour(definition: ShellDefinition, variant: str) -> bool:
    return any(decal.colour is not None for decal in definition.decals if decal.variant == variant)


def _shot(
    setup: Setup, calibration: CameraCalibration, pictures: Mapping[str, RawLevels]
) -> tuple[Shot | None, Look | None, Stop | None]:
    """One camera's picture with its marks; or why there is none to measure on."""
    name = calibration.camera
    if name not in pictures:
        return None, None, Stop("picture", f"no picture from camera {name}", "look again", camera=name)
    picture = linear_picture(pictures[name], calibration.bits, calibration.response)
    outline = setup.rim_seated.points_mm
    seen = look(picture, calibration, setup.fixture, outline)
    pose = seen.marks.pose
    if seen.stop is not None or pose is None:
        return None, seen, seen.stop
    px_per_mm = calibration.model.fx / float(pose.apply(outline[:1])[0, 2])
    return Shot(name, picture, calibration.model, pose, seen.marks.blur_px, px_per_mm), seen, None


def _measure(sight: Sight, result: ShellMeasurement, temperature: Temperature, find: Find) -> ShellMeasurement:
    setup = sight.setup
    rough = find_place(sight.shots, setup.rim_seated)
    if wrong := wrong_hand(sight.shots, setup.hands, rough):
        return replace(result, stops=(wrong, *result.stops))  # says more than a picture that is missing
    if rough is None:
        held = scan(sight.shots, setup.rim_seated, sight.definition.search_band_mm)
        if film := film_left_on(sight.shots, held, sight.definition.sheet_mm):
            return replace(result, stops=(film, *result.stops))
        words = "no shell found where the fixture holds it: none there, not this kind of shell, or too little contrast"
        lost = Stop("place", words, "check the shell and the order, reseat, look again")
        return replace(result, stops=(*result.stops, lost))
    sight, here, heights = locate(sight, rough, temperature)
    beside = two_edges(sight.definition, here.edge, here.cutouts)
    if beside is not None and beside.concerns is None:
        return replace(result, stops=(beside, *result.stops))
    datum, edge, cutouts, height = here.datum, here.edge, here.cutouts, heights.record
    walls = here.walls
    stops = [*result.stops, *([here.stop] if here.stop else [])]
    result = _with_comparisons(sight, replace(result, height=height), edge, datum)
    if off := _off_its_seat(setup.seating, edge.cut if datum is None else datum.shift):
        return replace(result, stops=(*result.stops, off))
    result = replace(result, seams=tuple(measure_seams(sight, edge.scan.stations)))
    if ill := heights.stop or (_unlike_its_drawing(sight, datum, here.pips) if datum is not None else None):
        return replace(result, stops=(*result.stops, ill))
    apart, said = _cameras_apart(sight, result.seams)
    if apart is not None:
        return replace(result, stops=(*result.stops, apart))
    said += [f"{height.words}: measured at that height"] if height.used and height.moved else []
    result = replace(result, notes=(*result.notes, *said))
    if Check.TRIM in result.checks:
        cutouts = without_two_edges(sight.definition, cutouts)
        result = _with_trim(sight, result, edge, cutouts, walls, datum)
        stops = [*([beside] if beside else []), *stops, *_arris_unseen(sight, edge)]
    if Check.DECAL in result.checks:
        decals, stop = _decals(sight, result.variant, here, heights.strays, find)
        stops += [stop] if stop else []
        result = replace(result, decals=decals)
    return replace(result, stops=tuple(stops))


def _with_comparisons(sight: Sight, result: ShellMeasurement, edge: Edge, datum: Datum | None) -> ShellMeasurement:
    """Cut - fixture, shell - fixture and cut - shell, each by itself; or why one cannot be told."""
    setup, scheme = sight.setup, sight.definition.datum
    by_cut = {c: shifts for c, shifts in setup.cut_follows.items() if c != TEMPERATURE}
    told = edge.covariance + light_covariance(sight)
    spread = told + setup.shift_covariance(by_cut, sight.u_growth)
    result = replace(result, cut=alignment("cut - fixture", edge.cut, spread, edge.rms_mm))
    if datum is None:
        return replace(
            result, untold=(f"{SEATING} and {ON_SHELL}: the datum is not seen: path or seating, cannot tell",)
        )
    if scheme is DatumScheme.BEST_FIT:
        words = f"{SEATING} and {ON_SHELL}: cannot tell, the definition has no datum but the form of the cut"
        return replace(result, untold=(words,))
    untold: tuple[str, ...] = ()
    if scheme is DatumScheme.PIPS:
        spread = datum.covariance + setup.shift_covariance(setup.datum_follows, sight.u_growth)
        result = replace(result, seating=alignment(SEATING, datum.shift, spread, datum.rms_mm))
    elif scheme is DatumScheme.HOLE_AND_SLOT:
        untold = (f"{SEATING}: path or seating, cannot tell: the cutter made the datums itself",)
    else:
        untold = (f"{SEATING}: cannot tell, the shell is trusted to sit where the fixture holds it",)
    apart = {c: shifts - setup.datum_follows[c] for c, shifts in setup.cut_follows.items()}
    spread = told + datum.covariance + setup.shift_covariance(apart, sight.u_growth)
    cut = alignment(ON_SHELL, on_shell(edge.cut, datum.shift), spread, edge.rms_mm)
    return replace(result, cut_on_shell=cut, untold=untold)


def _with_trim(
    sight: Sight,
    result: ShellMeasurement,
    edge: Edge,
    cutouts: list[CutOutFound],
    walls: list[CutFace],
    datum: Datum | None,
) -> ShellMeasurement:
    setup = sight.setup
    rim = rim_result(sight, edge, datum)
    shift, turn = path_error(sight, edge)
    judged = (edge.cut if datum is None else datum.shift).pose().after(setup.seat)
    name, traced, sheet = sight.definition.rim.name, edge.traced, sight.definition.sheet_mm
    assert traced is not None
    drawn = replace(edge.scan, edges=traced.drawn)
    faces = [*cut_faces(sight.shots, name, edge.scan, traced, sheet), *walls]
    # In a nick the lower end of a cut face in view lies deeper: a second edge of its own.
    second = edge.second.trusted & (traced.square_mm <= 0.0)
    flaws = in_doubt(find_flaws(sight.shots, name, edge.scan, traced.face_seen()), edge.scan, second)
    kept = list(kept_curve(sight, name, drawn, edge.point_mm, rim.nominal, traced.seen_at_mm, edge.step_d_mm))
    for (_, stations), found in zip(setup.cutouts, cutouts, strict=True):
        if found.fit is None:
            continue
        here = found.fit.scan
        seen = find_flaws(sight.shots, found.cutout.curve.name, here)
        flaws += in_doubt(seen, here, beside_cutout(sight.definition, found.fit)) if seen else ()
        points = here.stations.points_mm + here.edges.d_mm[:, None] * here.stations.directions
        nominal = stations.scaled(sight.growth).placed(judged)
        kept += kept_curve(sight, found.cutout.curve.name, here, points, nominal, found.seen_at_mm)
    return replace(
        result,
        best_fit=rim.best_fit,
        profiles=rim.profiles,
        zones=rim.zones,
        budgets=rim.budgets,
        path_shift=shift,
        path_rotation=turn,
        cutouts=tuple(cutout_result(sight, k, found, datum) for k, found in enumerate(cutouts)),
        traces=tuple(trace for trace, _ in kept),
        ribbons=tuple(ribbon for _, ribbon in kept),
        flaws=tuple(flaws),
        cut_faces=tuple(faces),
        flaws_sought=True,
    )


def _cameras_apart(sight: Sight, seams: tuple[Seam, ...]) -> tuple[Stop | None, list[str]]:
    """Whether two cameras read the same edge too differently to be trusted, and what to say of smaller steps."""
    trust, notes = sight.setup.fixture.trust, list[str]()
    for seam in seams:
        if seam.step is None:
            continue
        step = abs(seam.step.value)
        words = f"cameras {seam.before} and {seam.after} read the same edge {step:.2f} mm apart"
        if step > trust.moved_stop_mm:
            words += ": half seated, or a camera is not where its marks say"
            return Stop("seam", words, f"reseat and look again; if it stays, {CALL}"), notes
        if step > max(trust.moved_note_mm, 3.0 * seam.step.u):
            notes.append(f"{words} at their seam ({seam.arc_mm:.0f} mm along the rim): tell the process engineer")
    return None, notes


def _arris_unseen(sight: Sight, edge: Edge) -> list[Stop]:
    """Where no camera sees the arris that the drawing names: it is not a matter of cleaning."""
    assert edge.traced is not None
    hidden = (edge.traced.drawn.flags & Flag.HIDDEN) != 0
    if not hidden.any():
        return []
    share = "nowhere" if hidden.all() else f"over {float((~hidden).mean()):.0%} of the rim only"
    words = f"the drawing measures the back-face arris, which the cameras see {share}"
    return [Stop("edge", words, f"{CALL}: a camera that looks at the cut face, or the show-face arris", Check.TRIM)]


def _off_its_seat(seating: Seating, shift: PlaneShift) -> Stop | None:
    off, turned = float(np.hypot(shift.dx_mm, shift.dy_mm)), abs(shift.rotation_deg)
    if off <= seating.limit_mm and turned <= seating.limit_deg:
        return None
    allowed = f"limit {seating.limit_mm:g} mm, {seating.limit_deg:g}°"
    return Stop(
        "seating", f"the shell sits {off:.1f} mm and {turned:.1f}° off its seat ({allowed})", "reseat and look again"
    )


def _unlike_its_drawing(sight: Sight, datum: Datum, pips: Sequence[PipFound]) -> Stop | None:
    """A shell that sits too high or tilted looks larger on one side: 1 mm is worth 0.2 mm at the rim, and one camera
    sees it only by pips that no longer fit their drawing.
    """
    if sight.definition.datum is not DatumScheme.PIPS:
        return None
    setup = sight.setup
    every = [(k, pip.centre_mm, pip.u_mm) for k, pip in enumerate(pips) if pip.centre_mm is not None]
    seen = [k for k, _, _ in every]
    at = np.array([[*centre, 0.0] for _, centre, _ in every])
    nominal = setup.seat.apply(setup.pips_mm * sight.growth)[seen, :2]
    own = [np.hypot(_shot_of(sight, k).formed_edge_mm, u) ** 2 for k, _, u in every]
    both = np.ravel([(2 * k, 2 * k + 1) for k in seen])
    spread = np.diag(np.repeat(own, 2)) + setup.pips_common(sight.u_growth)[np.ix_(both, both)]
    # Carried back to the seat: there the common causes are known.
    off = datum.shift.pose().inverse().apply(at)[:, :2] - nominal
    if not beyond_chance(*left_by_shift(nominal, off, spread)):
        return None
    words = f"the pips lie {datum.rms_mm:.2f} mm off their drawing"
    if not beyond_chance(*left_by_shift(nominal, off, spread, growing=True)):
        kelvin = growth_of(nominal, off, spread) / sight.definition.material.expansion_per_k
        if abs(kelvin) <= WRONG_BY_K:
            way = "warmer" if kelvin > 0 else "colder"
            words += f", as if the shell were {abs(kelvin):.0f} °C {way} than stated: its temperature, or half seated"
            return Stop("seating", words, "measure its temperature and state it; reseat and look again")
    return Stop(
        "seating",
        f"{words}: half seated, warped, or not this kind of shell",
        "clean the nests, reseat and look again",
    )


def _shot_of(sight: Sight, pip: int) -> Shot:
    shot = sight.shots[sight.setup.pip_camera[pip]]
    assert shot is not None, "what no camera sees is not found"
    return shot


def _decals(
    sight: Sight, variant: str, here: Located, strays: tuple[Stray, ...], find: Find
) -> tuple[tuple[DecalResult, ...], Stop | None]:
    every = sight.definition.decals
    wanted = [k for k, decal in enumerate(every) if decal.variant == variant]
    if not wanted:
        words = f"the definition has no decal of variant {variant!r}"
        return (), Stop("decal", words, "choose the decal variant of this order", Check.DECAL)
    results = list[DecalResult]()
    for k in wanted:
        frame = decal_frame(sight, here, every[k].datum)
        if frame is None:
            camera = sight.setup.cameras[sight.setup.decal_camera[k]]
            results.append(DecalResult(every[k].name, None, camera=camera, datum=every[k].datum.value))
        else:
            results.append(decal_result(sight, k, frame, here.edge, strays, find))
    return tuple(results), None
