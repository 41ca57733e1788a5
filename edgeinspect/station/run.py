"""One look at one shell, start to end. The one place that knows the order:

    decode -> is it a new picture? -> measure -> judge -> inspection -> record

Whatever goes wrong on the way is a Stop in the measurement: every look at a known shell leaves a record, and only a
shell that was really measured can be CONFORMING.
"""

from __future__ import annotations

import hashlib
import logging
import shutil
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from edgeinspect import __version__
from edgeinspect.conformity import Answer, Verdict, judge
from edgeinspect.conformity.verdict import capital
from edgeinspect.errors import DefinitionError, InputError, PictureError
from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.measure.measurement import CALL, ShellMeasurement, Stop
from edgeinspect.measure.picture import RawLevels
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.process.limits import with_limits
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_with_files
from edgeinspect.station.basis import pack_basis
from edgeinspect.station.calibrations_in_use import calibrations_in_use, kept
from edgeinspect.station.config import CameraSetup, Station
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.pictures import Picture, read_picture, view_jpeg
from edgeinspect.station.thermometer import shell_temperature
from edgeinspect.store.bases import KeptBasis
from edgeinspect.store.calibrations import KeptCalibration
from edgeinspect.store.inspections import Store

ROOM_BYTES = 200_000_000  # a few shells' pictures: below this nothing more is measured
log = logging.getLogger("edgeinspect.run")


@dataclass(frozen=True)
class Ready:
    """A station set up for one shell. ``stop`` says why it cannot measure; then every picture gets NO RESULT."""

    station: Station
    expected: Expected
    definition: ShellDefinition | None = None
    gauge: ShellGauge | None = None
    kept_calibrations: tuple[KeptCalibration, ...] = ()  # as the record keeps them
    stop: Stop | None = None
    basis: KeptBasis | None = None  # all of the above that numbers rest on, as the record keeps it


@dataclass(frozen=True)
class Look:
    """What came of one set of pictures."""

    inspection: Inspection
    refused: frozenset[str]  # cameras whose file could not be used as a picture


def time_of_day() -> str:
    """Now, ISO 8601 UTC to the microsecond: the clock that the other functions are given."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def get_ready(
    station: Station, expected: Expected | None, calibrations: Path, chosen: Mapping[str, str] | None = None
) -> Ready:
    """Load what this shell needs; whatever is wrong with it becomes the ``stop``.

    Parameters: calibrations - folder of calibration files; chosen - id of the one in use by camera, as the record
    says; of any other camera the newest counts.
    """
    if expected is None:
        stop = Stop("set-up", "no shell is chosen at this station", "choose the shell on the page, then look again")
        return Ready(station, Expected("", ""), stop=stop)
    definition: ShellDefinition | None = None
    try:
        definition, files = _load_expected(station, expected)
        found = calibrations_in_use(station.cameras_for(expected.shell), calibrations, chosen or {})
        cameras = {name: calibration for name, (calibration, _) in found.items()}
        seating = station.seatings[expected.shell]
        gauge = ShellGauge(definition, cameras, station.fixture, seating)
        calibrated = tuple(kept(c, text) for c, text in found.values())
        basis = pack_basis(files, station.fixture, seating, calibrated)
    except InputError as error:
        more = f" (and {len(error.problems) - 1} more)" if len(error.problems) > 1 else ""
        return Ready(station, expected, definition, stop=Stop("set-up", error.problems[0] + more, CALL))
    except Exception as error:
        log.exception("the station cannot be made ready for %s", expected)
        return Ready(station, expected, definition, stop=Stop("set-up", f"the set-up cannot be used ({error})", CALL))
    return Ready(station, expected, definition, gauge, calibrated, basis=basis)


def only_variant(station: Station, shell: str) -> str:
    """The decal variant of a shell that has but one; "" otherwise. Raises DefinitionError."""
    if shell not in station.seatings:
        return ""
    variants = {decal.variant for decal in load_with_files(station.folders.models / shell)[0].decals}
    return variants.pop() if len(variants) == 1 else ""


def load_expected(station: Station, expected: Expected) -> ShellDefinition:
    """The definition of the shell that is expected. Raises DefinitionError: unknown, wrong, or not that variant."""
    return _load_expected(station, expected)[0]


def _load_expected(station: Station, expected: Expected) -> tuple[ShellDefinition, dict[str, bytes]]:
    if expected.shell not in station.seatings:
        known = ", ".join(station.seatings)
        raise DefinitionError(f"station {station.name} does not hold shell {expected.shell!r}, must be one of {known}")
    definition, files = load_with_files(station.folders.models / expected.shell)
    variants = sorted({decal.variant for decal in definition.decals}) or [""]
    if expected.variant not in variants:
        known = " or ".join(repr(name) for name in variants)
        raise DefinitionError(f"shell {expected.shell} has no variant {expected.variant!r}, must be {known}")
    return definition, files


def no_doubts() -> Sequence[Stop]:
    return ()


def inspect_set(
    came_in: PictureSet,
    ready: Ready,
    store: Store | None,
    clock: Callable[[], str],
    *,
    doubts: Callable[[], Sequence[Stop]] = no_doubts,
    given_up: Stop | None = None,
    stated: Temperature | None = None,
) -> Look:
    """Look at one shell. With a store, the inspection returned is on disk; without, it is only returned.

    Parameters: doubts - asked after measuring: what came up meanwhile that makes the answer worth nothing; given_up -
    why the pictures are not even to be opened; stated - the shell's temperature as an earlier look at these pictures
    had it: what is typed, read or usual now does not count then.
    Raises StoreError if the record cannot be read or kept: nothing may be shown, and the set is to be looked at again.
    """
    started_at = clock()
    pictures: dict[str, Picture] = {}
    contents: dict[str, bytes] = {}
    stops: list[Stop] = []
    if given_up is not None:
        stops.append(given_up)
    setups = {setup.name: setup for setup in ready.station.cameras_for(ready.expected.shell)}
    used = [item for item in came_in.arrived if item.camera in setups]
    for item in used if given_up is None else ():
        try:
            pictures[item.camera], contents[item.camera] = _read(
                item, setups[item.camera], ready.station.intake.picture_limit_bytes
            )
        except PictureError as error:
            reason, _, action = error.problems[0].rpartition(": ")
            stops.append(Stop("picture", reason, action, camera=item.camera))
        except Exception as error:
            stops.append(fault("reading the picture", error))
    stops += _missing(came_in, ready)
    stops += _not_new(came_in.shell_id, pictures, store)
    if ready.stop is not None:
        stops.append(ready.stop)
    limits, revision = limits_in_effect(came_in.shell_id, ready.definition, store, stops)
    if store is not None:
        stops += _no_room(store.data)

    data = None if store is None else store.data
    temperature, untold = (stated, "") if stated is not None else _temperature(ready, data, started_at)
    levels = {camera: picture.levels for camera, picture in pictures.items()}
    with ThreadPoolExecutor(1) as beside:  # the pictures to look at are made on the other core meanwhile
        looked_at = levels if store is not None else {}
        views = {camera: beside.submit(view_jpeg, levels[camera], setups[camera].bits) for camera in looked_at}
        measurement = _measured(levels, ready, temperature, stops)
    if untold:
        measurement = replace(measurement, notes=(*measurement.notes, untold))
    if came_up := tuple(doubts()):
        measurement = replace(measurement, stops=measurement.stops + came_up)
    if store is not None:
        before = store.before(came_in.shell_id, ready.expected.shell, started_at, ready.station.same_shell_h)
        measurement = replace(measurement, before=before)
    verdict = _judged(measurement, limits)
    inspection = Inspection(
        shell_id=came_in.shell_id,
        attempt=1,
        station=ready.station.name,
        started_at=started_at,
        finished_at=clock(),
        expected=ready.expected,
        pictures=tuple(_picture_file(item, pictures.get(item.camera), came_in.taken_at) for item in came_in.arrived),
        measurement=measurement,
        verdict=verdict,
        software=__version__,
        limits_revision=revision,
    )
    if store is not None:
        for calibration in ready.kept_calibrations:
            if store.calibrations.one(calibration.calibration_id) is None:
                store.calibrations.keep(calibration)
        if ready.basis is not None:
            inspection = replace(inspection, basis_sha256=store.bases.keep(ready.basis))
        inspection = store.save(inspection, contents, {camera: view.result() for camera, view in views.items()})
    return Look(inspection, frozenset(item.camera for item in came_in.arrived if item.camera not in pictures))


def limits_in_effect(
    shell_id: str, definition: ShellDefinition | None, store: Store | None, stops: list[Stop]
) -> tuple[ShellDefinition | None, int | None]:
    """The definition with the inspection limits in effect for this shell, and their revision; None: its own limits.

    Limits that cannot be used are a stop: never judged by others without a word.
    """
    revision = None if store is None or definition is None else store.limits.in_effect(definition.name, shell_id)
    if revision is None or definition is None:
        return definition, None
    number, action = revision.revision_id, f"{CALL}: approve limits anew, or return to the former ones"
    if revision.proposal.definition_sha256 != definition.sha256:
        reason = f"limits revision {number} was approved for another definition of {definition.name}"
        stops.append(Stop("set-up", reason, action))
        return definition, None
    try:
        return with_limits(definition, revision.changed), number
    except ValueError as error:
        stops.append(Stop("set-up", f"limits revision {number} cannot be used ({error})", action))
        return definition, None


def _read(item: Arrived, setup: CameraSetup, limit_bytes: int) -> tuple[Picture, bytes]:
    size = setup.width_px, setup.height_px
    return read_picture(item.path, *size, limit_bytes, bits=setup.bits, name=item.name, colour=setup.colour)


def _missing(came_in: PictureSet, ready: Ready) -> list[Stop]:
    here = {item.camera for item in came_in.arrived}
    return [
        Stop(
            "picture",
            f"no picture came from camera {name}",
            f"check camera {name}, then look again",
            camera=name,
        )
        for name in (setup.name for setup in ready.station.cameras_for(ready.expected.shell))
        if name not in here
    ]


def _no_room(data: Path) -> list[Stop]:
    """Said while it can still be recorded; later not even that."""
    free = shutil.disk_usage(data).free
    if free >= ROOM_BYTES:
        return []
    reason = f"the disk with the record has only {free / 1e6:.0f} MB left, must have {ROOM_BYTES / 1e6:.0f} MB"
    return [Stop("record", reason, "call plant IT: free some space, then look again")]


def _not_new(shell_id: str, pictures: Mapping[str, Picture], store: Store | None) -> list[Stop]:
    """A camera that hands out an old picture would have the last shell measured again."""
    stops: list[Stop] = []
    first: dict[str, str] = {}
    for camera, picture in pictures.items():
        earlier = None if store is None else store.shell_with_pixels(picture.pixels_sha256)
        if earlier is not None:
            same = "an earlier one of this shell" if earlier == shell_id else f"shell {earlier}"
            reason = f"the same picture as {same}: camera {camera} did not take a new one"
            stops.append(Stop("picture", reason, "take a new picture; if it comes back, check the camera"))
        elif picture.pixels_sha256 in first:
            reason = f"cameras {first[picture.pixels_sha256]} and {camera} delivered the same picture"
            stops.append(Stop("picture", reason, f"{CALL}: check how the cameras are connected"))
        first.setdefault(picture.pixels_sha256, camera)
    return stops


def expected_temperature(ready: Ready, data: Path | None, now: str) -> Temperature:
    """The temperature that a shell looked at now would be measured with; ``now`` - ISO 8601."""
    return _temperature(ready, data, now)[0]


def _temperature(ready: Ready, data: Path | None, now: str) -> tuple[Temperature, str]:
    station = ready.station
    typed_c = ready.expected.temperature_c
    return shell_temperature(typed_c, station.thermometer, station.temperature_range_c, data, now)


def _measured(
    levels: Mapping[str, RawLevels], ready: Ready, temperature: Temperature, stops: list[Stop]
) -> ShellMeasurement:
    """What is wrong with one camera's picture leaves the others to be measured; all else that is wrong, nothing."""
    definition, expected = ready.definition, ready.expected
    if ready.gauge is not None and levels and all(stop.camera for stop in stops):
        try:
            measured = ready.gauge.measure(expected.variant, levels, temperature)
            known = {stop.camera for stop in stops}  # the gauge misses the same pictures, and knows less of why
            found = (stop for stop in measured.stops if not (stop.stage == "picture" and stop.camera in known))
            return replace(measured, stops=(*stops, *found))
        except Exception as error:
            stops.append(fault("measuring", error))
    return ShellMeasurement(
        shell=expected.shell,
        revision=definition.revision if definition else "",
        definition_sha256=definition.sha256 if definition else "",
        variant=expected.variant,
        checks=definition.checks if definition else frozenset(),
        temperature_c=temperature.celsius,
        temperature_stated=temperature.stated,
        u_temperature_c=temperature.u_celsius,
        views=(),
        stops=tuple(stops),
    )


def _judged(measurement: ShellMeasurement, definition: ShellDefinition | None) -> Verdict:
    if definition is None:
        return _no_result(measurement)
    try:
        verdict = judge(measurement, definition)
    except Exception as error:
        return _no_result(replace(measurement, stops=(fault("judging", error),)))
    if verdict.answer is Answer.CONFORMING and measurement.stops:  # cannot be: said here too, because green is earned
        return _no_result(measurement)
    return verdict


def fault(doing: str, error: Exception) -> Stop:
    """A fault of this program must not stop the line, and must never look good."""
    log.exception("%s broke off", doing)
    reason = f"{doing} broke off because of a fault in the program ({type(error).__name__})"
    return Stop("program", reason, f"look again; if it comes back, {CALL}")


def _no_result(measurement: ShellMeasurement) -> Verdict:
    stop = next(iter(measurement.stops), Stop("program", "nothing was measured", f"look again; then {CALL}"))
    sentence = capital(stop.reason)
    return Verdict(Answer.NO_RESULT, sentence, stop.action, (), "nothing was judged", measurement.definition_sha256)


def _picture_file(item: Arrived, picture: Picture | None, taken_at: str) -> PictureFile:
    if picture is not None:
        return PictureFile(item.camera, item.name, picture.sha256, picture.pixels_sha256, taken_at)
    return PictureFile(item.camera, item.name, file_sha256(item.path), "", taken_at)


def file_sha256(path: Path) -> str:
    """Of a file of any size; "" if it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
