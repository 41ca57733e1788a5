"""The record behind the station page: what the board says at this moment."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Literal

from edgeinspect.conformity import Answer
from edgeinspect.conformity.verdict import capital
from edgeinspect.errors import DefinitionError, StoreError
from edgeinspect.gauge.check import check_lengths
from edgeinspect.inspection import Expected, Inspection
from edgeinspect.station.config import Station
from edgeinspect.store.inspections import Row, Store
from edgeinspect.store.search import Wanted
from edgeinspect.store.state import Changeover, State, StationState
from edgeinspect.web.attempts import AttemptNow, attempts_at, look_of, look_words
from edgeinspect.web.drawing import PictureDrawing, Place, picture_drawing, place_of
from edgeinspect.web.look import LOOKS, OLD_AFTER_S, age_s, clock, iso_time
from edgeinspect.web.shells import Shells, hand_words, picture_url
from edgeinspect.web.third_red import RedsHere, reds_here

WORKER_SILENT_AFTER_S = 5.0  # it beats every second, also while measuring
FORGET_AFTER_S = 900.0  # an answer as old as this is about no shell that is still here: the board waits instead
MESSAGE_FOR_S = 120.0

BoardState = Literal["trouble", "stopped", "measuring", "interrupted", "changed", "waiting", "answer"]


@dataclass(frozen=True)
class BoardPicture(PictureDrawing):
    url: str


@dataclass(frozen=True)
class AnswerNow:
    inspection_id: int
    shell_id: str
    attempt: int
    answer: Answer
    key: str
    word: str
    term: str
    sentence: str
    action: str
    finished_at: str
    age_s: float  # by a clock that only runs forward, as far as this program has seen it
    attempts: list[AttemptNow]
    look_number: int | None  # which look this is, of those that measured the shell; None: it does not count
    look_words: str  # "second look", "third look: quality"; "" for the first
    third_red: RedsHere | None
    picture: BoardPicture | None
    place: Place | None  # the one worst place


@dataclass(frozen=True)
class ChangeoverNow:
    """When the station was set to this shell, and which shell confirmed it by fitting."""

    at: str
    who: str  # from where; nobody logs in at a station
    confirmed: bool
    confirmed_at: str | None
    confirmed_by: int | None  # inspection id
    words: str  # "changed to Top box lid, decal standard: confirm with the first shell"
    note: str  # "confirmed 14:05 by shell L1001", "changed 14:03"


@dataclass(frozen=True)
class ExpectedNow:
    shell: str
    variant: str
    temperature_c: float | None
    title: str
    words: str  # revision, decal and temperature, as the board says them
    hand: str  # "LEFT hand", "RIGHT hand", "" where there is only one
    picture_url: str  # "" where its definition cannot be read
    changeover: ChangeoverNow | None  # None: set before changeovers were kept


@dataclass(frozen=True)
class GaugeNow:
    """How far to trust the gauge, from the known lengths between fixture marks in the last picture that showed them."""

    words: str
    note: str
    good: bool
    measured_at: str


@dataclass(frozen=True)
class TodayNow:
    answer: Answer
    key: str
    word: str
    count: int


@dataclass(frozen=True)
class BoardRecord:
    """``/station.json``. Lengths in mm, places in pixels of the original picture, times ISO 8601 UTC."""

    station: str
    now: str
    state: BoardState
    measuring: str | None  # shell id
    measuring_since: str | None
    worker_silent_s: float | None  # None: it has never been heard
    trouble: str  # what keeps the station from giving answers, "" nothing
    expected: ExpectedNow | None
    message: str  # the last thing to tell, as a picture that was refused; "" none
    message_at: str | None
    message_word: str  # what kind of message, in capitals
    interrupted: str | None  # shell id that was being measured when the station stopped and has no record since
    answer: AnswerNow | None  # only in the state "answer"
    gauge: GaugeNow | None
    today: list[TodayNow]
    old_after_s: float = OLD_AFTER_S
    message_for_s: float = MESSAGE_FOR_S

    def without_ages(self) -> BoardRecord:
        """What a page has to be told of when it changes."""
        answer = None if self.answer is None else replace(self.answer, age_s=0.0)
        message_at = None if self.message_word.startswith("LOOK") else self.message_at
        return replace(self, now="", worker_silent_s=None, answer=answer, message_at=message_at)


class Freshness:
    """How old something is, however the time of day jumps: never younger than the time since it was first seen here."""

    def __init__(self) -> None:
        self._seen: object = None
        self._seen_s = 0.0
        self._age_then_s = 0.0

    def age_s(self, what: object, at: str | None, now: datetime) -> float | None:
        """Of ``what``, made ``at`` (ISO 8601, UTC) by the time of day; None if there is nothing."""
        if at is None:
            return None
        by_day_s = age_s(at, now)
        if what != self._seen:
            self._seen, self._seen_s, self._age_then_s = what, time.monotonic(), by_day_s
        return max(by_day_s, self._age_then_s + time.monotonic() - self._seen_s)


class Board:
    """Builds the record; what belongs to one inspection is built once and kept."""

    def __init__(
        self,
        station: Station,
        store: Store,
        state: State,
        shells: Shells,
        clock: Callable[[], datetime],
        trouble: Callable[[], str],
    ) -> None:
        self._station = station
        self._store = store
        self._state = state
        self._shells = shells
        self._clock = clock
        self._trouble = trouble
        self._heartbeat = Freshness()
        self._answered = Freshness()
        self._note_mm = station.fixture.trust.moved_note_mm  # less is not worth a word
        self._lock = threading.Lock()
        self._answer: AnswerNow | None = None
        self._row: Row | None = None  # of the answer
        self._gauge: GaugeNow | None = None
        self._gauge_sought = False
        self._confirmed_by: dict[int, str] = {}  # shell id by inspection id, of the last changeover

    def record(self) -> BoardRecord:
        """The board now. Raises StoreError when the record cannot be read: then nothing may be shown."""
        with self._lock:
            return self._record()

    def unreadable(self, error: StoreError) -> BoardRecord:
        """The board when the record cannot be read: what is wrong, and nothing else."""
        return BoardRecord(
            station=self._station.title,
            now=iso_time(self._clock()),
            state="trouble",
            measuring=None,
            measuring_since=None,
            worker_silent_s=None,
            trouble=capital(str(error)),
            expected=None,
            message="",
            message_at=None,
            message_word="",
            interrupted=None,
            answer=None,
            gauge=None,
            today=[],
        )

    def _record(self) -> BoardRecord:
        # The station's state is read before the list: a shell that is no longer measuring has its record already.
        state = self._state.now()
        newest = self._store.listing(limit=1)
        if newest and (self._answer is None or self._answer.inspection_id != newest[0].inspection_id):
            self._take(newest[0])
        now = self._clock()
        silent = self._silent_s(state, now)
        if self._answer is not None:
            age = self._answered.age_s(self._answer.inspection_id, self._answer.finished_at, now)
            self._answer = replace(self._answer, age_s=round(age or 0.0, 1))
        trouble = self.trouble()
        interrupted, again = self._interrupted(state, now)
        what: BoardState = "waiting"
        if trouble:
            what = "trouble"
        elif silent is None or silent > WORKER_SILENT_AFTER_S:
            what = "stopped"
        elif state.measuring is not None:
            what = "measuring"
        elif interrupted is not None and (
            self._answer is None or self._answer.finished_at < (state.interrupted_at or "")
        ):
            what = "interrupted"  # the answer before it is of a shell that is no longer here
        elif self._is_of_before(state):
            what = "changed"
        elif self._answer is not None and self._answer.age_s < FORGET_AFTER_S:
            what = "answer"
        counts = self._store.counts(Wanted(since=_start_of_day(now)))
        message, message_at, message_word = state.message, state.message_at, state.message_word
        if again:
            message, message_at, message_word = again, iso_time(now), "LOOK AGAIN" if interrupted else "LOOKED AGAIN"
        return BoardRecord(
            station=self._station.title,
            now=iso_time(now),
            state=what,
            measuring=state.measuring,
            measuring_since=state.measuring_since,
            worker_silent_s=silent,
            trouble=trouble,
            expected=self._expected(state),
            message=message,
            message_at=message_at,
            message_word=message_word,
            interrupted=interrupted,
            answer=self._answer if what == "answer" else None,
            gauge=self._gauge,
            today=[TodayNow(answer, look.key, look.word, counts[answer]) for answer, look in LOOKS.items()],
        )

    def _is_of_before(self, state: StationState) -> bool:
        """Whether the station was set to another shell since, and no answer yet is about one of those."""
        made = state.changeover
        if made is None or made.confirmed_at is not None:
            return False
        answer, row = self._answer, self._row
        if answer is None or row is None or answer.inspection_id <= made.after_id:
            return True
        return (row.shell, row.variant) != (made.shell, made.variant)  # it was being measured when all changed

    def trouble(self) -> str:
        """What keeps the worker from giving answers, in one sentence; "" nothing."""
        return capital(self._trouble())

    def silent_s(self, state: StationState) -> float | None:
        """How long the worker has not been heard; None: never."""
        with self._lock:
            return self._silent_s(state, self._clock())

    def _silent_s(self, state: StationState, now: datetime) -> float | None:
        age = self._heartbeat.age_s(state.heartbeat_at, state.heartbeat_at, now)
        return None if age is None else round(age, 1)

    def _interrupted(self, state: StationState, now: datetime) -> tuple[str | None, str]:
        """The shell to look at again, None once it has a record; and what to say of it, "" nothing any more."""
        shell_id, at = state.interrupted, state.interrupted_at
        if shell_id is None or at is None:
            return None, ""
        looks = self._store.attempts(shell_id)
        if looks and looks[-1].finished_at >= at:
            word = LOOKS[looks[-1].answer].word
            said = f"Shell {shell_id} was being measured when the station stopped. Its answer now is: {word}"
            return None, said if age_s(at, now) < MESSAGE_FOR_S else ""
        return shell_id, (
            f"Shell {shell_id} was being measured when the station stopped and has no answer: "
            "wait for it, or look at it again"
        )

    def _take(self, newest: Row) -> None:
        inspection = self._store.inspection(newest.inspection_id, ribbons=False)
        if inspection is None:
            return
        self._answer, self._row = self._answer_now(inspection), newest
        self._gauge = gauge_now(inspection, self._note_mm) or self._gauge
        if self._gauge is None and not self._gauge_sought:
            self._gauge_sought = True  # once, at start: the newest pictures may show no marks at all
            earlier = (
                self._store.inspection(row.inspection_id, ribbons=False) for row in self._store.listing(limit=10)
            )
            self._gauge = next(
                (gauge for one in earlier if one is not None and (gauge := gauge_now(one, self._note_mm))), None
            )

    def _answer_now(self, inspection: Inspection) -> AnswerNow:
        assert inspection.inspection_id is not None
        verdict, measurement = inspection.verdict, inspection.measurement
        look = LOOKS[verdict.answer]
        definition = self._shells.as_judged(measurement.shell, measurement.definition_sha256)
        place = None
        if verdict.worst is not None and verdict.answer is not Answer.CONFORMING:
            place = place_of(verdict.worst, measurement, definition)
        return AnswerNow(
            inspection_id=inspection.inspection_id,
            shell_id=inspection.shell_id,
            attempt=inspection.attempt,
            answer=verdict.answer,
            key=look.key,
            word=look.word,
            term=look.term,
            sentence=verdict.sentence,
            action=verdict.action,
            finished_at=inspection.finished_at,
            age_s=0.0,
            attempts=attempts_at(self._store, inspection, self._station.same_shell_h)[0],
            look_number=look_of(inspection),
            look_words=look_words(look_of(inspection)),
            third_red=reds_here(self._store, self._station.shifts, inspection),
            picture=self._picture(inspection, place),
            place=place,
        )

    def _picture(self, inspection: Inspection, place: Place | None) -> BoardPicture | None:
        cameras = {setup.name: setup for setup in self._station.cameras}
        shown = [picture.camera for picture in inspection.pictures if picture.camera in cameras]
        if place is not None and place.camera in shown:
            shown = [place.camera]
        assert inspection.inspection_id is not None
        files = self._store.kept_files(inspection.inspection_id) if shown else {}
        for camera in shown:
            if camera not in files or not files[camera].view:
                continue
            size = (cameras[camera].width_px, cameras[camera].height_px)
            drawing = picture_drawing(inspection.measurement, camera, size, every_rim=6)
            return BoardPicture(**vars(drawing), url=view_url(inspection.inspection_id, camera))
        return None

    def _expected(self, state: StationState) -> ExpectedNow | None:
        expected = state.expected
        if expected is None:
            return None
        hand = picture = ""
        try:
            definition = self._shells.definition(expected.shell)
            title, revision, hand = definition.title, f"revision {definition.revision}", hand_words(definition)
            picture = picture_url(expected.shell, expected.variant)
        except DefinitionError:
            title, revision = expected.shell, "its definition cannot be read"
        decal = f"decal {expected.variant}" if expected.variant else ""
        words = [hand, revision, decal, self.temperature_words(expected)]
        whole = ", ".join(word for word in (title, hand, decal) if word)
        return ExpectedNow(
            expected.shell,
            expected.variant,
            expected.temperature_c,
            title,
            ", ".join(word for word in words if word),
            hand,
            picture,
            None if state.changeover is None else self._changeover(state.changeover, whole),
        )

    def _changeover(self, made: Changeover, whole: str) -> ChangeoverNow:
        confirmed = made.confirmed_at is not None
        if made.confirmed_at is not None and made.confirmed_by is not None:
            if made.confirmed_by not in self._confirmed_by:
                found = self._store.listing(limit=1, before_id=made.confirmed_by + 1)
                self._confirmed_by = {made.confirmed_by: found[0].shell_id if found else ""}
            shell_id = self._confirmed_by[made.confirmed_by]
            note = f"confirmed {clock(made.confirmed_at)} by shell {shell_id}"
            words = f"changed to {whole}: {note}"
        else:
            note = f"changed {clock(made.at)}"
            words = f"changed to {whole}: confirm with the first shell"
        return ChangeoverNow(made.at, made.who, confirmed, made.confirmed_at, made.confirmed_by, words, note)

    def temperature_words(self, expected: Expected) -> str:
        if expected.temperature_c is not None:
            return f"{expected.temperature_c:.1f} °C stated"
        thermometer = self._station.thermometer
        if thermometer.shell_c is not None:
            return f"{thermometer.shell_c:.1f} °C, kept by the room"
        if thermometer.file is not None:
            return "by the thermometer"
        low, high = self._station.temperature_range_c
        return f"{low:.0f} to {high:.0f} °C assumed"


def view_url(inspection_id: int, camera: str) -> str:
    return f"/inspections/{inspection_id}/pictures/{camera}.jpg"


def gauge_now(inspection: Inspection, note_mm: float) -> GaugeNow | None:
    """What the known lengths say, or that a camera has moved; None when no picture shows the marks."""
    views = inspection.measurement.views
    check = check_lengths(views)
    if not check.done:
        return None
    moved = max((view for view in views if view.moved_mm >= note_mm), key=lambda view: view.moved_mm, default=None)
    if moved is not None and check.worst_mm <= note_mm:
        words = f"Camera {moved.camera} moved {moved.moved_mm:.2f} mm"
        return GaugeNow(words, "compensated: tell the process engineer,", False, inspection.finished_at)
    count = sum(len(view.lengths) for view in views)
    words = capital(check.words)
    return GaugeNow(words, f"worst of {count},", check.worst_mm <= note_mm, inspection.finished_at)


def _start_of_day(now: datetime) -> str:
    """Midnight of the station's own clock, as UTC."""
    return iso_time(now.astimezone().replace(hour=0, minute=0, second=0, microsecond=0).astimezone(UTC))
