"""Placing a decal: every picture is answered at once with where to push it, and when it lies still it is checked.

The quick answer is never green. The check is an ordinary look at the shell, by the same gauge and judge as every
other, and in the record before it is shown. It is made when the decal lies still within its limits, once for each place
that it lies at, or when somebody asks for it: then as soon as it lies still, wherever that is.
"""

from __future__ import annotations

import enum
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from edgeinspect.conformity import Answer
from edgeinspect.conformity.decal import decal_findings
from edgeinspect.conformity.verdict import capital
from edgeinspect.errors import PictureError
from edgeinspect.geometry import Array
from edgeinspect.inspection import Inspection
from edgeinspect.measure.aim import Tracker
from edgeinspect.measure.measurement import CALL, DecalResult, ShellMeasurement, Stop
from edgeinspect.measure.picture import RawLevels
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check, Decal, ShellDefinition
from edgeinspect.station.aim_folder import AimFolder, Came
from edgeinspect.station.pictures import decode
from edgeinspect.station.run import Ready, fault

MOVING_MM = 0.1  # between two pictures, at the decal's farthest corner: the turn counts there as well
STILL_PICTURES, STILL_S = 3, 0.7  # so many, over so long, within MOVING_MM of the newest: it lies still
HELD_S = 3.0  # a picture of another camera that is older belongs to what was before
ASKED_S = 20.0  # a check that was asked for waits no longer for the decal to lie still
PRESSED_AGAIN_S = 2.0  # after an answer: a wet glove presses twice
ONLY_DECAL = frozenset({Check.DECAL})
_CORNERS = np.array([[-0.5, -0.5], [-0.5, 0.5], [0.5, 0.5], [0.5, -0.5]])


class AimState(enum.StrEnum):
    LAID = "laid"  # the right decal, the right way round: where to push it
    WRONG = "wrong"  # another decal, mirrored or upside down
    ABSENT = "absent"  # no decal there
    UNSEEN = "unseen"  # a hand, glare, or it lies too far off
    STOPPED = "stopped"  # the picture or the shell cannot be measured


@dataclass(frozen=True)
class DecalChoice:
    name: str
    words: str


@dataclass(frozen=True)
class DecalChecked:
    """What the full look said, as the record holds it."""

    inspection_id: int
    answer: Answer
    sentence: str
    action: str
    finished_at: str
    decal_good: bool  # whatever else is wrong with the shell


@dataclass(frozen=True)
class AimAnswer:
    """The answer to one picture. Offsets as the decal lies: right and up of the print, counter-clockwise, are +."""

    at: str  # ISO 8601 UTC, when it was made
    shell_id: str
    shell: str
    variant: str
    decals: tuple[DecalChoice, ...]  # that this variant has
    decal: DecalChoice  # that is being placed
    state: AimState
    sentence: str = ""  # what is wrong; "" where it is LAID
    action: str = ""
    dx_mm: float = float("nan")
    dy_mm: float = float("nan")
    rotation_deg: float = float("nan")
    offset_limit_mm: float = float("nan")
    rotation_limit_deg: float = float("nan")
    within: tuple[bool, bool, bool] = (False, False, False)  # right, up, turn: proven inside their limits
    moving: bool | None = None  # None: there is only one picture
    still: bool = False
    asked: bool = False  # somebody wants a check, it waits for the decal to lie still
    checking: bool = False  # the full look is being made
    checked: DecalChecked | None = None  # of the decal as it lies in this picture
    size_mm: tuple[float, float] = (0.0, 0.0)  # of the artwork
    view: bytes = b""  # JPEG with the print upright, its place in the middle
    view_half_mm: tuple[float, float] = (0.0, 0.0)
    notes: tuple[str, ...] = ()

    @property
    def in_place(self) -> bool:
        return self.state is AimState.LAID and all(self.within)


@dataclass(frozen=True)
class Asked:
    """What is pressed on the page."""

    decal: str | None = None  # place this one
    check: bool = False


@dataclass(frozen=True)
class ToCheck:
    """Pictures for an ordinary look: file name and content by camera."""

    shell_id: str
    contents: dict[str, tuple[str, bytes]]


@dataclass(frozen=True)
class _Held:
    came: Came
    levels: RawLevels
    pixels_sha256: str
    at_s: float


@dataclass(frozen=True)
class _Rest:
    """Where the decal lay: corners (4, 2) [mm] at its place, None where it was not found."""

    state: AimState
    corners_mm: Array | None
    at_s: float

    def apart_mm(self, other: _Rest) -> float:
        if self.corners_mm is None or other.corners_mm is None:
            return float("nan")
        return float(np.linalg.norm(self.corners_mm - other.corners_mm, axis=1).max())


class Aimer:
    """Answers the pictures in one folder. The caller brings the clock, which only runs forward [s]."""

    def __init__(self, folder: AimFolder) -> None:
        self._folder = folder
        self._decal = ""  # name of the one that is being placed; "": the first
        self._of: tuple[object, ...] = ()  # gauge, shell id and decal that all below is about
        self._tracker = Tracker("")
        self._held: dict[str, _Held] = {}
        self._rests: deque[_Rest] = deque(maxlen=60)
        self._asked_s: float | None = None
        self._answered_s = -np.inf  # when the last check was answered
        self._checked: tuple[DecalChecked, _Rest] | None = None
        self._checking: _Rest | None = None

    def ask(self, asked: Asked, clock_s: float) -> None:
        if asked.decal is not None:
            self._decal = asked.decal
        if asked.check and self._checking is None and clock_s - self._answered_s >= PRESSED_AGAIN_S:
            self._asked_s = clock_s

    def look(
        self,
        ready: Ready,
        limits_of: Callable[[str], ShellDefinition | Stop],
        temperature_of: Callable[[], Temperature],
        clock_s: float,
        now: str,
    ) -> AimAnswer | None:
        """The answer to what came in since the last call, None where nothing did. Raises StoreError.

        Parameters: limits_of - the definition with the limits in effect for a shell id, or why there is none; now - the
        time of day, ISO 8601 UTC.
        """
        came, problems = self._folder.newest(clock_s)
        if not came and not problems:
            return None
        shell_id = came[0].shell_id if came else ""
        limits = ready.definition if ready.stop is not None else limits_of(shell_id)
        stop = limits if isinstance(limits, Stop) else ready.stop
        limits = ready.definition if isinstance(limits, Stop) else limits
        decals = _decals(limits, ready.expected.variant)
        decal = next((one for one in decals if one.name == self._decal), decals[0] if decals else None)
        answer = AimAnswer(
            at=now,
            shell_id=shell_id,
            shell=ready.expected.shell,
            variant=ready.expected.variant,
            decals=tuple(DecalChoice(one.name, one.words) for one in decals),
            decal=DecalChoice(decal.name, decal.words) if decal else DecalChoice("", ""),
            state=AimState.STOPPED,
        )
        if stop is not None or ready.gauge is None or limits is None:
            stop = stop or Stop("set-up", "the set-up cannot be used", CALL)
            return _stopped(answer, capital(stop.reason), stop.action)
        if decal is None:
            return _stopped(answer, f"{limits.title} has no decal to be placed", "choose the shell and its decal")
        if not came:
            return _stopped(answer, problems[0], "check what the camera program saves into the folder for aiming")
        about = (ready.gauge, shell_id, decal.name)
        if about != self._of:
            self._of, self._tracker, self._checked = about, Tracker(decal.name), None
            self._rests.clear()
            self._held.clear()
        answer = replace(
            answer,
            size_mm=(decal.artwork.width_mm, decal.artwork.height_mm),
            offset_limit_mm=decal.offset_limit_mm,
            rotation_limit_deg=decal.rotation_limit_deg,
        )
        problem = self._hold(ready, came, clock_s)
        if problem is not None:
            return _stopped(answer, *problem)
        setup = ready.gauge.setup
        index = next(k for k, one in enumerate(limits.decals) if one is decal)
        camera = setup.cameras[setup.decal_camera[index]]
        if camera not in {one.camera for one in came}:
            return None  # the decal's own picture is still to come
        try:
            return self._answered(ready, decal, camera, temperature_of(), clock_s, answer)
        except Exception as error:
            broke = fault("placing the decal", error)
            return _stopped(answer, capital(broke.reason), broke.action)

    def _hold(self, ready: Ready, came: Sequence[Came], clock_s: float) -> tuple[str, str] | None:
        """Decode what came in; what is wrong with it, and what to do."""
        setups = {setup.name: setup for setup in ready.station.cameras_for(ready.expected.shell)}
        for one in came:
            setup = setups.get(one.camera)
            if setup is None:
                continue
            try:
                size = setup.width_px, setup.height_px  # one in colour is held for the check
                picture = decode(one.content, one.name, *size, setup.bits, colour=setup.colour)
            except PictureError as error:
                reason, _, action = error.problems[0].rpartition(": ")
                return reason, action
            before = self._held.get(one.camera)
            if before is not None and before.pixels_sha256 == picture.pixels_sha256:
                reason = f"the same picture again: camera {one.camera} did not take a new one"
                return reason, "check the camera"
            self._held[one.camera] = _Held(one, picture.levels, picture.pixels_sha256, clock_s)
        self._held = {name: one for name, one in self._held.items() if clock_s - one.at_s <= HELD_S}
        return None

    def _answered(
        self,
        ready: Ready,
        decal: Decal,
        camera: str,
        temperature: Temperature,
        clock_s: float,
        answer: AimAnswer,
    ) -> AimAnswer:
        assert ready.gauge is not None
        self._tracker.view = None
        levels = {name: one.levels for name, one in self._held.items()}
        found = ready.gauge.measure(ready.expected.variant, levels, temperature, ONLY_DECAL, self._tracker)
        result = next((one for one in found.decals if one.name == decal.name), None)
        answer = replace(_told(answer, decal, result, _why(found, camera)), notes=found.notes)
        if self._tracker.view is not None:
            levels_seen = self._tracker.view.levels
            _, encoded = cv2.imencode(".jpg", levels_seen, [cv2.IMWRITE_JPEG_QUALITY, 85])
            answer = replace(answer, view=encoded.tobytes(), view_half_mm=self._tracker.view.half_mm)
        rest = _Rest(answer.state, _corners(decal, answer), clock_s)
        moving = self._moving(rest)
        self._rests.append(rest)
        if self._asked_s is not None and clock_s - self._asked_s > ASKED_S:
            self._asked_s = None
        return replace(
            answer,
            moving=moving,
            still=self._is_still(rest),
            asked=self._asked_s is not None,
            checked=self._check_of(rest),
        )

    def _moving(self, rest: _Rest) -> bool | None:
        if rest.corners_mm is None or not self._rests or self._rests[-1].corners_mm is None:
            return None
        return self._rests[-1].apart_mm(rest) > MOVING_MM

    def _is_still(self, newest: _Rest) -> bool:
        """Against creeping all the last pictures count, not two of them."""
        alike = []
        for rest in reversed(self._rests):
            if not rest.apart_mm(newest) <= MOVING_MM:
                break
            alike.append(rest)
        return len(alike) >= STILL_PICTURES and newest.at_s - alike[-1].at_s >= STILL_S

    def _check_of(self, rest: _Rest) -> DecalChecked | None:
        """What the check said, as long as the decal lies where it lay then. A hand before it hides the answer; a decal
        that was moved or taken off has none any more.
        """
        if self._checked is None:
            return None
        checked, then = self._checked
        if then.corners_mm is None:
            same = rest.state is then.state
        elif rest.corners_mm is None:
            if rest.state is AimState.ABSENT:
                self._checked = None
            return None
        else:
            same = rest.state is then.state and rest.apart_mm(then) <= MOVING_MM
        if not same:
            self._checked = None
        return checked if same else None

    def to_check(self, answer: AimAnswer) -> ToCheck | None:
        """The pictures of this answer, if it is time for a check."""
        found = answer.state in (AimState.LAID, AimState.WRONG)
        by_itself = answer.in_place and answer.still and self._checked is None
        if self._checking is not None or not (by_itself or (answer.asked and (answer.still or not found))):
            return None
        self._asked_s = None
        self._checking = self._rests[-1] if self._rests else _Rest(answer.state, None, 0.0)
        return ToCheck(answer.shell_id, {name: (one.came.name, one.came.content) for name, one in self._held.items()})

    def check_lost(self) -> None:
        """The look that was asked for will not be made: the next picture may ask for one again."""
        self._checking = None

    def checked(self, inspection: Inspection, clock_s: float) -> DecalChecked | None:
        """What the look said that was asked for, once it is in the record."""
        if self._checking is None or inspection.inspection_id is None:
            return None
        verdict = inspection.verdict
        about = [one for one in verdict.findings if one.characteristic.split(" ")[:2] == ["decal", self._tracker.name]]
        told = DecalChecked(
            inspection.inspection_id,
            verdict.answer,
            verdict.sentence,
            verdict.action,
            inspection.finished_at,
            bool(about) and all(one.answer is Answer.CONFORMING for one in about),
        )
        self._checked, self._checking, self._answered_s = (told, self._checking), None, clock_s
        return told


def _decals(definition: ShellDefinition | None, variant: str) -> list[Decal]:
    return [one for one in definition.decals if one.variant == variant] if definition else []


def _stopped(answer: AimAnswer, reason: str, action: str) -> AimAnswer:
    return replace(answer, state=AimState.STOPPED, sentence=reason, action=action)


def _why(found: ShellMeasurement, camera: str) -> Stop | None:
    """Why the decal cannot be measured; what another camera lacks is no reason."""
    return next((stop for stop in found.stops if stop.camera in ("", camera)), None)


def _told(answer: AimAnswer, decal: Decal, result: DecalResult | None, stop: Stop | None) -> AimAnswer:
    """The decal as the judge of every look would have it, except for its being whole."""
    if result is None or (result.there is None and stop is not None):
        stop = stop or Stop("decal", "the decal was not looked at", CALL)
        return _stopped(answer, capital(stop.reason), stop.action)
    findings = list(decal_findings(decal, result, stop))
    if result.there is None:
        words = "the decal cannot be seen"
        return replace(
            answer, state=AimState.UNSEEN, sentence=capital(words), action="hands off; lay it near its place"
        )
    if not result.there:
        return replace(answer, state=AimState.ABSENT, sentence=capital(f"{decal.words}: not there"), action="lay it on")
    if result.dx is None or result.dy is None or result.rotation is None:  # what it is told from is not seen
        return _stopped(answer, capital(result.untold or "the decal's datum is not seen"), "blow off, look again")
    answer = replace(
        answer, dx_mm=result.dx.value, dy_mm=result.dy.value, rotation_deg=result.rotation.value, state=AimState.LAID
    )
    if result.found_variant != decal.variant:
        words = f"wrong decal: found {result.found_variant}, this order needs {decal.variant}"
        return replace(answer, state=AimState.WRONG, sentence=capital(words), action="lift it; take the right one")
    if result.mirrored:
        words = "the print is mirrored: its back is up"
        return replace(answer, state=AimState.WRONG, sentence=capital(words), action="turn it over")
    if result.upside_down:
        words = "the print is upside down"
        return replace(answer, state=AimState.WRONG, sentence=capital(words), action="turn it half round")
    inside = {one.characteristic.rpartition(" ")[2] for one in findings if one.answer is Answer.CONFORMING}
    return replace(answer, within=("across" in inside, "up" in inside, "rotation" in inside))


def _corners(decal: Decal, answer: AimAnswer) -> Array | None:
    if answer.state not in (AimState.LAID, AimState.WRONG):
        return None
    angle = np.deg2rad(answer.rotation_deg)
    cos, sin = np.cos(angle), np.sin(angle)
    at = _CORNERS * (decal.artwork.width_mm, decal.artwork.height_mm) @ np.array([[cos, sin], [-sin, cos]])
    return np.asarray(at + np.array([answer.dx_mm, answer.dy_mm]))
