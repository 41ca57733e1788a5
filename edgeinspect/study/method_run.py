"""A method tried on one stored look after the other: what each gives, how long it takes, and going on after a break."""

from __future__ import annotations

import base64
import functools
import logging
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import select

from edgeinspect import __version__
from edgeinspect.conformity import SEVERITY, judge
from edgeinspect.errors import EdgeinspectError, InputError
from edgeinspect.inspection import Inspection
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.from_ribbon import NotAgain
from edgeinspect.measure.measurement import ShellMeasurement
from edgeinspect.measure.picture import RawLevels
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.process.limits import Limits, with_limits
from edgeinspect.process.readings import reading_of
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.station.calibrations import recorded_calibration
from edgeinspect.station.config import Station
from edgeinspect.station.pictures import decode
from edgeinspect.store.codec import Arrays, from_plain, pack, to_plain, unpack
from edgeinspect.store.inspections import Store
from edgeinspect.store.schema import InspectionTable
from edgeinspect.store.studies import KeptStudy, Line, Studies
from edgeinspect.study.by_ribbon import ByRibbon
from edgeinspect.study.method import Method, MethodAsked, Sample, ShellAgain, limits_in_force

# Stops that do not come from measuring: no method changes them, and measured without them a shell would look good.
NOT_MEASURING = frozenset({"picture", "set-up", "record", "clock", "program"})
TIMED = 3  # stored looks that are measured to tell how long it will take
GAUGES = 4  # set-ups that are kept: looks of one time have one calibration
log = logging.getLogger("edgeinspect.study")
Value = TypeVar("Value")


def as_line(value: object) -> Line:
    """A record as one JSON value, arrays and all."""
    arrays: Arrays = []
    plain = to_plain(value, arrays)
    return {"of": plain, "arrays": base64.b64encode(pack(arrays)).decode()} if arrays else {"of": plain}


def of_line(kind: type[Value], line: Line) -> Value:
    arrays = unpack(base64.b64decode(line["arrays"])) if "arrays" in line else []
    found: Value = from_plain(kind, line["of"], arrays)
    return found


class MethodBench:
    """Measures stored looks by the method in force and by another one.

    Raises InputError if the limits do not fit the definition.
    """

    def __init__(
        self, store: Store, station: Station, definition: ShellDefinition, method: Method, limits: Limits
    ) -> None:
        self._store, self._station, self._definition = store, station, definition
        self._tried = method.of(definition)
        try:
            self._judged_by = with_limits(definition, limits)
        except ValueError as error:
            raise InputError(str(error)) from None
        if definition.name not in station.seatings:
            raise InputError(f"station {station.name} does not hold shell {definition.name!r}")
        seating = station.seatings[definition.name]
        self._ribbons = ByRibbon(definition, self._tried, station.fixture, seating, self._calibrations)
        self._gauges = functools.lru_cache(GAUGES)(self._made_gauges)

    def again(self, inspection_id: int) -> ShellAgain:
        """One look; whatever goes wrong with it is told of it and stops nothing. Raises StoreError."""
        begun = time.perf_counter()
        inspection = self._store.inspection(inspection_id)
        if inspection is None:
            return ShellAgain(inspection_id, "", "not", "its record is not there any more")
        try:
            found = self._again(inspection_id, inspection)
        except InputError as error:
            found = ShellAgain(inspection_id, inspection.shell_id, "not", error.problems[0])
        except EdgeinspectError:
            raise
        except Exception as error:
            log.exception("measuring look %s again broke off", inspection_id)
            words = f"measuring it broke off because of a fault in the program ({type(error).__name__})"
            found = ShellAgain(inspection_id, inspection.shell_id, "not", words)
        recorded = SEVERITY[inspection.verdict.answer]
        return replace(found, recorded=recorded, took_s=time.perf_counter() - begun)

    def _again(self, inspection_id: int, inspection: Inspection) -> ShellAgain:
        then = inspection.measurement
        shell_id = inspection.shell_id
        apart = next((stop for stop in then.stops if stop.stage in NOT_MEASURING), None)
        if apart is not None:
            return self._read(inspection_id, shell_id, "as then", (then, then), apart.reason)
        levels = self._levels(inspection_id, inspection)
        if levels is not None:
            return self._read(inspection_id, shell_id, "picture", self._by_picture(then, levels))
        both = self._ribbons.measure(then)
        if isinstance(both, NotAgain):
            return ShellAgain(inspection_id, shell_id, "not", both.reason, both.narrow)
        return self._read(inspection_id, shell_id, "ribbon", both)

    def _read(
        self, inspection_id: int, shell_id: str, by: str, both: tuple[ShellMeasurement, ShellMeasurement], why: str = ""
    ) -> ShellAgain:
        before, after = (reading_of(one, judge(one, self._judged_by)) for one in both)
        return ShellAgain(inspection_id, shell_id, by, why, before=before, after=after)

    def _levels(self, inspection_id: int, inspection: Inspection) -> dict[str, RawLevels] | None:
        """The pictures of a look by camera; None where not all of them are kept."""
        setups = {setup.name: setup for setup in self._station.cameras_for(self._definition.name)}
        found = dict[str, RawLevels]()
        for picture in inspection.pictures:
            content = self._store.picture(inspection_id, picture.camera)
            setup = setups.get(picture.camera)
            if content is None or setup is None:
                return None
            size = setup.width_px, setup.height_px
            found[picture.camera] = decode(content, picture.name, *size, setup.bits, colour=setup.colour).levels
        return found or None

    def _by_picture(
        self, then: ShellMeasurement, levels: dict[str, RawLevels]
    ) -> tuple[ShellMeasurement, ShellMeasurement]:
        gauges = self._gauges(tuple((view.camera, view.calibration_id) for view in then.views))
        one, other = (
            replace(gauge.measure(then.variant, levels, then.temperature, then.checks), before=then.before)
            for gauge in gauges
        )
        return one, other

    def _made_gauges(self, calibrated: Sequence[tuple[str, str]]) -> tuple[ShellGauge, ShellGauge]:
        """By the method in force and by the one tried, with the calibrations of then."""
        cameras = self._calibrations(calibrated)
        seating = self._station.seatings[self._definition.name]
        return tuple(ShellGauge(d, cameras, self._station.fixture, seating) for d in (self._definition, self._tried))  # type: ignore[return-value]

    def _calibrations(self, calibrated: Sequence[tuple[str, str]]) -> dict[str, CameraCalibration]:
        cameras = {}
        for camera, calibration_id in calibrated:
            kept = self._store.calibrations.one(calibration_id)
            if kept is None:
                raise InputError(f"its calibration {calibration_id} is not in the record")
            cameras[camera] = recorded_calibration(kept.content, calibration_id)
        if not cameras:
            raise InputError("the record does not say by which calibration it was measured")
        return cameras


# -- before it is begun


@dataclass(frozen=True)
class Expectation:
    seconds: float | None  # None: cannot be told
    words: str
    narrow: str  # a sentence, where the ribbons that were tried are too narrow; "" they are not


def expect(store: Store, bench: MethodBench, sample: Sample) -> Expectation:
    """How long it will take: ribbons by measuring a few of this sample now, pictures by how long these looks took."""
    ids, with_picture = sample.inspection_ids, sample.with_picture
    if not ids:
        return Expectation(0.0, "no shell fits: there is nothing to measure", "")
    rows = store.rows(_times_of(ids))
    took = [_seconds(row.started_at, row.finished_at) for row in rows]
    known = sorted(one for one in took if one > 0.0)
    green = [row.inspection_id for row in rows if row.answer == "CONFORMING"]  # of these no picture is kept
    tried = [bench.again(one) for one in green[:: max(1, len(green) // TIMED)][:TIMED]]
    narrow = next((one.why for one in tried if one.narrow), "")
    parts, seconds = [], 0.0
    if ribbons := len(ids) - with_picture:
        if not tried:
            return Expectation(None, "how long it takes is told after the first shells", narrow)
        each = statistics.median(one.took_s for one in tried)
        seconds += each * ribbons
        parts.append(f"{ribbons:,} by stored ribbons at {1000 * each:.0f} ms, as {len(tried)} timed just now")
    if with_picture:
        if not known:
            return Expectation(None, "how long it takes is told after the first shells", narrow)
        each = 2.0 * statistics.median(known)  # by both methods
        seconds += each * with_picture
        parts.append(f"{with_picture:,} by pictures at {each:.1f} s, twice what these looks took")
    return Expectation(seconds, f"about {span_words(seconds)}: {'; '.join(parts)}", narrow)


def _times_of(ids: Sequence[int]) -> Any:
    row = InspectionTable
    columns = (row.inspection_id, row.answer, row.started_at, row.finished_at)
    return select(*columns).where(row.inspection_id.in_(ids)).order_by(row.inspection_id)


def _seconds(started_at: str, finished_at: str) -> float:
    return (datetime.fromisoformat(finished_at) - datetime.fromisoformat(started_at)).total_seconds()


def span_words(seconds: float) -> str:
    if seconds < 90:
        return f"{max(1.0, seconds):.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def ask(
    store: Store,
    studies: Studies,
    station: Station,
    definition: ShellDefinition,
    method: Method,
    sample: Sample,
    *,
    who: str,
    role: str,
    at: str,
) -> tuple[int, MethodAsked]:
    """Keep what is to be studied, with the time that it is expected to take; nothing is measured yet but to time it."""
    if not sample.inspection_ids:
        raise InputError("no shell fits: there is nothing to measure")
    limits, revision = limits_in_force(store, definition)
    expected = expect(store, MethodBench(store, station, definition, method, limits), sample)
    asked = MethodAsked(
        shell=definition.name,
        definition_sha256=definition.sha256,
        definition_revision=definition.revision,
        method=method,
        words=method.words(definition),
        sample=sample,
        limits={name: (limit.lower, limit.upper, limit.guard_factor) for name, limit in limits.items()},
        limits_revision=revision,
        expected_s=expected.seconds,
        expected_words=expected.words,
        who=who,
        role=role,
        at=at,
        software=__version__,
    )
    return studies.add(as_line(asked)), asked


# -- measuring


def go_on(
    store: Store,
    studies: Studies,
    station: Station,
    study_id: int,
    *,
    clock: Callable[[], str],
    stopped: Callable[[], str] = lambda: "",
    progress: Callable[[int, int, str], None] = lambda *_: None,
) -> None:
    """Measure what is left of a study. How it ended stands in its file.

    Parameters: stopped - asked before each shell: why it must stop now, "" it need not.
    Raises InputError: there is no such study, or another one is being measured, or the definition has changed.
    """

    def event(word: str, why: str = "", who: str = "") -> None:
        studies.append(study_id, {"event": word, "at": clock(), "why": why, "who": who})

    with studies.at_work_on(study_id):
        kept = studies.one(study_id)
        asked = of_line(MethodAsked, kept.asked)
        event("begun")
        try:
            definition = load_shell(station.folders.models / asked.shell)
            if definition.sha256 != asked.definition_sha256:
                words = f"the definition of {asked.shell} was changed since this study was asked"
                raise InputError(f"{words}: start another")
            bench = MethodBench(store, station, definition, asked.method, asked.judged_by)
            done = {line["of"]["inspection_id"] for line in kept.shells}
            for inspection_id in asked.sample.inspection_ids:
                if inspection_id in done:
                    continue
                if why := stopped():
                    event("stopped", why)
                    return
                if (who := studies.asked_to_cancel(study_id)) is not None:
                    event("cancelled", who=who)
                    return
                found = bench.again(inspection_id)
                studies.append(study_id, as_line(found))
                done.add(inspection_id)
                progress(len(done), len(asked.sample.inspection_ids), found.shell_id)
        except EdgeinspectError as error:
            event("broke off", str(error).splitlines()[0])
            raise
        except KeyboardInterrupt:
            event("stopped", "it was stopped by hand")
            raise
        event("done")


@dataclass(frozen=True)
class Standing:
    """How far a study is."""

    word: str  # "waiting", "measuring", "done", "cancelled" or "interrupted"
    why: str
    done: int
    of: int
    left_s: float | None  # at the pace of the shells measured so far; None: not known, or not measuring
    can_go_on: bool


def standing(kept: KeptStudy, asked: MethodAsked, *, at_work: bool) -> Standing:
    """``at_work`` - a process measures it, or is about to."""
    done, of = kept.done, len(asked.sample.inspection_ids)
    last = kept.events[-1] if kept.events else {"event": "", "why": "", "who": ""}
    left = None
    if done and at_work:
        left = (of - done) * statistics.fmean(line["of"]["took_s"] for line in kept.shells[-50:])
    if last["event"] == "done":
        return Standing("done", "", done, of, None, False)
    if at_work:
        return Standing("measuring" if done or last["event"] == "begun" else "waiting", "", done, of, left, False)
    if last["event"] == "cancelled":
        return Standing("cancelled", f"by {last['who']}", done, of, None, True)
    why = {"": "it was never begun", "begun": "the program was ended while it measured"}.get(last["event"], last["why"])
    return Standing("interrupted", why, done, of, None, True)
