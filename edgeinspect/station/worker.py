"""What the measuring process does: take pictures in, look at each shell, record it; whatever happens meanwhile is said.

An answer is worth nothing if the clock jumped, or the definition changed, while it was measured: such a look is NO
RESULT. A picture that the program broke off at again and again is given up, so that the line does not stand.
"""

from __future__ import annotations

import contextlib
import logging
import os
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from edgeinspect.errors import StoreError
from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.measure.measurement import CALL, Stop
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.station.aim_folder import AimFolder
from edgeinspect.station.aiming import AimAnswer, Aimer, Asked
from edgeinspect.station.clock import ClockWatch
from edgeinspect.station.config import Station
from edgeinspect.station.intake import Inbox, PictureSet
from edgeinspect.station.run import (
    Ready,
    expected_temperature,
    file_sha256,
    get_ready,
    inspect_set,
    limits_in_effect,
    time_of_day,
)
from edgeinspect.store.changes import Who
from edgeinspect.store.files import UNFINISHED
from edgeinspect.store.inspections import Store
from edgeinspect.store.state import Changeover, State

POLL_S = 0.2
AIM_POLL_S, AIMING_S = 0.05, 10.0  # between looks at the folders while somebody places a decal; for so long after it
AGAIN_S = 5.0  # after the disk or the set-up failed, until it is tried again
GIVE_UP_AFTER = 3  # times that the program broke off at the same picture
log = logging.getLogger("edgeinspect.worker")

_Stamps = tuple[tuple[str, int, int, int], ...]  # name, times of content and of change, size of files
_ReadyFor = tuple[Expected | None, dict[str, str], _Stamps]


class Worker:
    """Watches the inbox of one station. The caller brings the clocks and calls ``step`` again and again.

    ``trouble`` is told, in one sentence, what keeps the station from giving answers, and "" when it is over: not by way
    of the record, which may be the trouble. ``aimed`` is told every answer to a decal that is being placed, ``asked``
    brings what was pressed meanwhile.
    """

    def __init__(
        self,
        station: Station,
        data: Path,
        *,
        clock_s: Callable[[], float],
        now: Callable[[], str] = time_of_day,
        trouble: Callable[[str], None] = lambda _: None,
        aimed: Callable[[AimAnswer], None] = lambda _: None,
        asked: Callable[[], Iterable[Asked]] = lambda: (),
    ) -> None:
        self._station, self._clock_s, self._now, self._trouble = station, clock_s, now, trouble
        self._data, self._aimed, self._asked = data, aimed, asked
        self._calibrations = data / station.folders.calibrations
        self._store = Store.open(data)
        self._store.clear_half_written()
        self._state = State.open(data)
        self._inbox = Inbox(station, data)
        self._again = self._inbox.resume(
            self._is_kept, self._expected_shell()
        )  # sets to be looked at before any new one
        self._aimer = Aimer(AimFolder(station, data))
        self._aim_at_s = -AIMING_S  # when a picture for aiming came last
        self._aim_check: tuple[str, AimAnswer] | None = None  # when its pictures were taken in, and for which answer
        self._again_at_s = 0.0
        self._in_trouble = False
        self._shown: str | None = None
        self._ready_for: _ReadyFor | None = None
        self._ready: Ready | None = None
        self._loaded_s = 0.0  # when that was loaded
        self._changeover: Changeover | None = None  # that the next shell may confirm
        self._limits: dict[str, int | None] = {}  # revision that judged last, by definition
        self._broke_off: dict[str, int] = {}  # shell id, how often in a row
        self._clock = ClockWatch(clock_s, now)
        self._say_what_was_interrupted()

    def step(self) -> bool:
        """Do what there is to do now; False if there was nothing. Never raises."""
        if self._clock_s() < self._again_at_s:
            return False
        try:
            did = self._step()
        except Exception as error:  # StoreError, or a fault of this program
            log.error("%s", error, exc_info=not isinstance(error, StoreError))
            self._again_at_s = self._clock_s() + AGAIN_S
            self._in_trouble = True
            self._trouble(self._trouble_words(error))
            return False
        if self._in_trouble:
            self._in_trouble = False
            self._trouble("")
        return did

    def beat(self) -> None:
        self._state.beat(self._now())

    def close(self) -> None:
        self._state.close()
        self._store.close()

    def _step(self) -> bool:
        jump = self._clock.jump()
        if jump is not None:
            log.warning("the clock jumped %s", jump)
            words = f"This computer's clock jumped {jump}: times in the record before and after it do not fit together"
            self._state.say(words, self._now(), "CLOCK JUMPED")
        if self._again:
            self._look_at(self._again[0])
            del self._again[0]
            return True
        came_in, refused = self._inbox.poll(self._clock_s(), self._now(), self._expected_shell())
        if came_in is not None:
            self._again.append(came_in)
        if refused:
            self._state.say("; ".join(refused), self._now())
        waiting = came_in.shell_id if came_in is not None else self._inbox.waiting
        self._show(waiting)
        if came_in is None:
            ready = self._get_ready()  # while there is time
            self._aim(ready)
        return came_in is not None or bool(self._again)

    @property
    def pause_s(self) -> float:
        """How long to wait before the next step that may find nothing to do [s]."""
        return AIM_POLL_S if self._clock_s() - self._aim_at_s < AIMING_S else POLL_S

    def _aim(self, ready: Ready) -> None:
        """Answer the newest picture of a decal that is being placed; shells that wait come first."""
        for one in self._asked():
            self._aimer.ask(one, self._clock_s())
        now = self._now()

        def limits_of(shell_id: str) -> ShellDefinition | Stop:
            stops: list[Stop] = []
            limits, _ = limits_in_effect(shell_id, ready.definition, self._store, stops)
            return limits if limits is not None and not stops else (*stops, Stop("set-up", "no definition", CALL))[0]

        def temperature() -> Temperature:
            return expected_temperature(ready, self._data, now)

        answer = self._aimer.look(ready, limits_of, temperature, self._clock_s(), now)
        if answer is None:
            return
        self._aim_at_s = self._clock_s()
        check = self._aimer.to_check(answer)
        self._aimed(answer if check is None else replace(answer, checking=True))
        if check is not None:
            try:
                came_in = self._inbox.take_in(check.shell_id, check.contents, now)
            except Exception:
                self._aimer.check_lost()
                self._aimed(replace(answer, asked=False))
                raise
            self._again.append(came_in)
            self._aim_check = came_in.taken_at, answer

    def _say_check(self, inspection: Inspection) -> None:
        """The answer that the check was made for is told again, with what came of it."""
        if self._aim_check is None or {one.taken_at for one in inspection.pictures} != {self._aim_check[0]}:
            return
        answer, self._aim_check = self._aim_check[1], None
        told = self._aimer.checked(inspection, self._clock_s())
        self._aimed(replace(answer, at=self._now(), checked=told, asked=False))

    def _expected_shell(self) -> str:
        expected = self._state.now().expected
        return "" if expected is None else expected.shell

    def _look_at(self, came_in: PictureSet) -> None:
        self._show(came_in.shell_id)
        kept = [self._kept(item.path, came_in.taken_at) for item in came_in.arrived]
        if all(kept):  # recorded before the last stop, but not yet cleared away
            looks = self._store.attempts(came_in.shell_id) if self._aim_check is not None else ()
            if looks and (inspection := self._store.inspection(looks[-1].inspection_id, ribbons=False)) is not None:
                self._say_check(inspection)
            self._show(None)
            self._inbox.finish(came_in, [one.camera for one in kept if one and not one.pixels_sha256])
            return
        ready = self._get_ready()
        self._clock.jump()  # what came before does not concern this look
        given_up = None
        if (times := self._broke_off.get(came_in.shell_id, 0)) >= GIVE_UP_AFTER:
            reason = f"the program broke off {times} times while it measured this picture"
            given_up = Stop("program", reason, f"take a new picture, look again; if it comes back, {CALL}")
        try:
            look = inspect_set(came_in, ready, self._store, self._now, doubts=self._doubts, given_up=given_up)
        except StoreError:
            raise
        except Exception:
            self._broke_off[came_in.shell_id] = times + 1
            raise
        self._broke_off.pop(came_in.shell_id, None)
        inspection = look.inspection
        self._confirm(inspection)
        self._say_limits(inspection)
        log.info("%s: %s, %s", inspection.shell_id, inspection.verdict.answer, inspection.verdict.sentence)
        self._say_check(inspection)
        self._show(None)
        self._inbox.finish(came_in, look.refused)  # last: without its files a shell would be looked at in vain again

    def _confirm(self, inspection: Inspection) -> None:
        """The first shell that fits what the station was set to confirms it; done before the page shows its answer."""
        made, asked = self._changeover, inspection.expected
        if made is None or made.confirmed_at is not None or inspection.inspection_id is None:
            return
        if inspection.fits and (made.shell, made.variant) == (asked.shell, asked.variant):
            self._state.confirm(made.changeover_id, inspection.inspection_id, self._now())

    def _doubts(self) -> list[Stop]:
        """What happened while a shell was measured that makes its answer worth nothing."""
        doubts = []
        if self._ready_for is not None and self._stamps(self._ready_for[0]) != self._ready_for[2]:
            reason = "the shell's definition or a calibration was changed while this shell was measured"
            doubts.append(Stop("set-up", reason, "look again"))
        if (jump := self._clock.jump()) is not None:
            reason = f"this computer's clock jumped {jump} while this shell was measured"
            doubts.append(Stop("clock", reason, "look again; if it comes back, call plant IT"))
        return doubts

    def _say_what_was_interrupted(self) -> None:
        """After a start: the shell that the page showed as being measured, if the record does not hold it."""
        before = self._state.now()
        shell_id = before.measuring
        if shell_id is not None:
            looks = self._store.attempts(shell_id)
            if not looks or looks[-1].finished_at < (before.measuring_since or ""):
                times = before.interrupted_times + 1 if before.interrupted == shell_id else 1
                self._state.interrupted(shell_id, self._now(), times)
                if any(came_in.shell_id == shell_id for came_in in self._again):
                    self._broke_off[shell_id] = times
        self._state.measuring(None, self._now())

    def _trouble_words(self, error: Exception) -> str:
        shell = f"Shell {self._again[0].shell_id} is not recorded: " if self._again else ""
        if isinstance(error, StoreError):
            return f"{shell}{error}"
        return f"{shell}a fault in the program ({type(error).__name__}): see worker.log"

    def _stamps(self, expected: Expected | None) -> _Stamps:
        """Of every file that a measurement depends on, in subfolders too."""
        folders = [self._calibrations]
        if expected is not None:
            folders.append(self._station.folders.models / expected.shell)
        stamps = []
        for folder in folders:
            for inside, _, names in os.walk(folder):
                for path in (Path(inside, name) for name in names if not name.endswith(UNFINISHED)):
                    with contextlib.suppress(OSError):  # gone since its folder was read, or an editor's dangling link
                        found = path.stat()
                        times = found.st_mtime_ns, found.st_ctime_ns  # the first can be set back, the second cannot
                        stamps.append((path.relative_to(folder).as_posix(), *times, found.st_size))
        return tuple(sorted(stamps))

    def _get_ready(self) -> Ready:
        """Loaded anew when another shell is expected, another calibration is in use, or their files have changed; and
        now and then while it cannot measure: a file that could not be read leaves no mark when it can be again.
        """
        now, chosen = self._state.now(), self._store.calibrations.in_use()
        expected, self._changeover = now.expected, now.changeover
        wanted = (expected, chosen, self._stamps(expected))
        again = self._ready and self._ready.stop and self._clock_s() - self._loaded_s >= AGAIN_S
        if self._ready is None or again or wanted != self._ready_for:
            before = self._ready
            self._loaded_s = self._clock_s()
            self._ready = get_ready(self._station, expected, self._calibrations, chosen)
            self._ready_for = wanted
            self._say_what_changed(before, self._ready)
        return self._ready

    def _say_what_changed(self, before: Ready | None, now: Ready) -> None:
        """Limits are never changed silently."""
        old, new = (before.definition if before else None), now.definition
        if old is None or new is None or old.name != new.name or old.sha256 == new.sha256:
            return
        revision = f"revision {old.revision}, now {new.revision}" if old.revision != new.revision else "same revision"
        words = (
            f"The definition of shell {new.name} was changed ({revision}): from now on shells are judged by the new one"
        )
        log.warning("%s; its hash is %s, was %s", words, new.sha256, old.sha256)
        at, who = self._now(), Who("not named", "files of the definition")
        details = {"sha256_before": old.sha256, "sha256_after": new.sha256}
        with self._store.changes.change(at, who, "definition changed", f"shell {new.name}", revision, details):
            pass  # the files were changed by whoever may write there: all that can be known is that they were
        self._state.say(words, at, "DEFINITION CHANGED")

    def _say_limits(self, inspection: Inspection) -> None:
        """That other inspection limits judge from this shell on."""
        shell, now = inspection.expected.shell, inspection.limits_revision
        before = self._limits.get(shell, now)
        self._limits[shell] = now
        if now != before:
            by = "the definition's own limits" if now is None else f"revision {now} of the limits"
            words = f"From shell {inspection.shell_id} on, {shell} is judged by {by}"
            log.warning(words)
            self._state.say(words, self._now(), "LIMITS CHANGED")

    def _kept(self, path: Path, taken_at: str) -> PictureFile | None:
        return self._store.kept_picture(file_sha256(path), taken_at)

    def _is_kept(self, path: Path, taken_at: str) -> bool:
        return self._kept(path, taken_at) is not None

    def _show(self, shell_id: str | None) -> None:
        if shell_id != self._shown:
            self._state.measuring(shell_id, self._now())
            self._shown = shell_id
