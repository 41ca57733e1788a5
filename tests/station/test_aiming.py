"""Placing a decal: the worker answers ray-traced lids at once and checks by itself when the decal lies still.

The offsets are those that the pictures were made with (sample_images/truth.json, written from the scene).
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from edgeinspect.conformity import Answer
from edgeinspect.errors import StoreError
from edgeinspect.inspection import Expected
from edgeinspect.shell.definition import Check
from edgeinspect.station import run
from edgeinspect.station.aiming import AimAnswer, AimState, Asked
from edgeinspect.station.calibrations import write_calibration
from edgeinspect.station.config import Station
from edgeinspect.station.intake import Inbox
from edgeinspect.station.worker import AGAIN_S, Worker
from edgeinspect.store.inspections import Store
from edgeinspect.store.state import State
from tests.samples import looks
from tests.samples.truth import SAMPLES

STEP_S = 0.4  # between pictures: two and a half a second


class Bench:
    """A worker, its clock, and a camera that somebody moves a decal under."""

    def __init__(self, station: Station, data: Path) -> None:
        self.station, self.data, self.clock_s = station, data, 0.0
        self.asked: list[Asked] = []
        self.answers: list[AimAnswer] = []
        self.worker = Worker(
            station, data, clock_s=lambda: self.clock_s, now=self.now, aimed=self.answers.append, asked=self.pressed
        )

    def now(self) -> str:
        at = datetime(2026, 11, 27, 8, 0, tzinfo=UTC) + timedelta(seconds=self.clock_s)
        return at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def pressed(self) -> list[Asked]:
        asked, self.asked = self.asked, []
        return asked

    def see(self, sample: str, shell_id: str = "D1") -> AimAnswer:
        """A picture of a sample shell, like no other; the answer that the page shows in the end."""
        levels = looks.picture(sample)
        levels = levels.copy()
        levels[0, :3] = [round(self.clock_s * 10) // 10**k % 10 for k in range(3)]
        cv2.imwrite(str(self.data / "aim" / f"{shell_id}_top.png"), levels, [cv2.IMWRITE_PNG_COMPRESSION, 0])
        self.clock_s += STEP_S
        told = len(self.answers)
        for _ in range(4):  # it must stand still from one look at the folder to the next, then perhaps a check
            self.worker.step()
        assert len(self.answers) > told
        return self.answers[-1]

    def recorded(self) -> list[Answer]:
        with Store.open(self.data, read_only=True) as store:
            return [row.answer for row in store.listing(limit=20)]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    station, data = looks.station(), tmp_path / "data"
    Store.open(data).close()
    with State.open(data) as state:
        state.expect(Expected("toplid", "standard", 21.0), "2026-11-27T07:59:00Z")
    write_calibration(data / station.folders.calibrations, looks.calibration())
    bench = Bench(station, data)
    yield bench
    bench.worker.close()


def test_it_says_where_the_decal_lies_and_that_it_moves(bench: Bench) -> None:
    first, second = bench.see("L1002"), bench.see("L1007")
    true = looks.truth().shells["L1007"]["decal"]
    assert second.state is AimState.LAID, second.sentence
    assert not second.in_place and second.checked is None
    assert abs(second.dx_mm - true["dx_mm"]) < 0.03 and abs(second.dy_mm - true["dy_mm"]) < 0.03
    assert abs(second.rotation_deg - true["rotation_deg"]) < 0.03
    assert first.moving is None and second.moving is True and second.view.startswith(b"\xff\xd8")
    assert bench.see("L1007").moving is False
    assert bench.recorded() == []  # pictures for aiming are kept by nobody


def test_still_within_its_limits_it_is_checked_by_itself_and_once(bench: Bench) -> None:
    answers = [bench.see("L1001") for _ in range(4)]
    assert [one.checked is not None for one in answers] == [False, False, True, True]
    checked = answers[2].checked
    assert checked is not None and checked.answer is Answer.CONFORMING and checked.decal_good
    assert bench.recorded() == [Answer.CONFORMING]
    with Store.open(bench.data, read_only=True) as store:
        inspection = store.inspection(checked.inspection_id)
    assert inspection is not None and inspection.measurement.checks == {Check.TRIM, Check.DECAL}  # an ordinary look
    assert inspection.measurement.decals[0].faults_sought
    moved = bench.see("L1003")  # 0.2 mm up
    assert moved.moving and moved.checked is None
    assert bench.see("L1001").checked is None  # back again is another place to rest
    assert bench.recorded() == [Answer.CONFORMING]


def test_a_check_that_is_asked_for_waits_until_it_lies_still(bench: Bench) -> None:
    bench.see("L1007")
    bench.asked.append(Asked(check=True))
    waits = bench.see("L1002")
    assert waits.moving and waits.asked and bench.recorded() == []
    for _ in range(2):
        answer = bench.see("L1007")
    assert answer.asked and not answer.still
    answer = bench.see("L1007")
    assert (
        answer.checked is not None and answer.checked.answer is Answer.NONCONFORMING and not answer.checked.decal_good
    )
    bench.asked.append(Asked(check=True))  # a wet glove presses twice
    for _ in range(3):
        answer = bench.see("L1007")
    assert bench.recorded() == [Answer.NONCONFORMING]


def full(*_: object) -> None:
    raise StoreError("the disk is full: free some space")


def test_a_check_whose_pictures_cannot_be_kept_is_made_later(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(Inbox, "take_in", full)
        answers = [bench.see("L1001") for _ in range(3)]
    assert answers[-1].still and not answers[-1].checking and bench.recorded() == []
    bench.clock_s += AGAIN_S
    assert bench.see("L1001").checked is not None
    assert bench.recorded() == [Answer.CONFORMING]


@pytest.mark.parametrize(("of", "step"), [(State, "confirm"), (Inbox, "finish")])
def test_a_check_is_told_though_the_disk_failed_once_it_was_recorded(
    bench: Bench, of: type, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(of, step, full)
        for _ in range(3):
            bench.see("L1001")
    assert bench.recorded() == [Answer.CONFORMING]
    bench.clock_s += AGAIN_S
    bench.worker.step()
    checked = bench.answers[-1].checked
    assert checked is not None and checked.inspection_id == 1
    assert bench.see("L1001").checked == checked
    assert bench.recorded() == [Answer.CONFORMING]  # not a second time


def test_another_decal_has_words_and_no_arrows(bench: Bench) -> None:
    bench.see("L1001")
    answer = bench.see("L1012")
    assert answer.state is AimState.WRONG, answer.sentence
    assert not answer.in_place
    assert answer.sentence == "Wrong decal: found cargo, this order needs standard"
    for _ in range(4):
        answer = bench.see("L1012")
    assert answer.still and answer.checked is None  # not within its limits: it is not checked by itself


def test_none_there_and_no_shell_there(bench: Bench) -> None:
    bench.see("L1001")
    gone = bench.see("L1013")
    assert gone.state is AimState.UNSEEN, gone.sentence
    states = [bench.see("L1013").state for _ in range(9)]
    assert states[-1] is AimState.ABSENT
    stopped = bench.see("L1017")
    assert stopped.state is AimState.STOPPED and "No shell found" in stopped.sentence


@pytest.mark.parametrize(
    ("turned", "state", "action"),
    [(np.s_[::-1, ::-1], AimState.WRONG, "turn it half round"), (np.s_[:, ::-1], AimState.WRONG, "turn it over")],
)
def test_the_print_the_wrong_way_round(
    bench: Bench, turned: tuple[slice, slice], state: AimState, action: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The artwork of the definition is turned instead of the decal in the picture."""
    plain = run.load_with_files

    def load(folder: Path) -> object:
        definition, files = plain(folder)
        first, *others = definition.decals
        art = replace(first.artwork, grey=first.artwork.grey[turned], opacity=first.artwork.opacity[turned])
        return replace(definition, decals=(replace(first, artwork=art), *others)), files

    monkeypatch.setattr(run, "load_with_files", load)
    answers = [bench.see("L1001") for _ in range(10)]
    assert (answers[-1].state, answers[-1].action) == (state, action)
    assert bench.recorded() == []


def test_a_frozen_camera_lies_never_still(bench: Bench) -> None:
    bench.see("L1001")
    for _ in range(4):
        shutil.copy(SAMPLES / "shells/L1001_top.webp", bench.data / "aim" / "D1_top.webp")
        bench.clock_s += STEP_S
        for _ in range(3):
            bench.worker.step()
    assert bench.answers[-1].state is AimState.STOPPED
    assert bench.answers[-1].sentence == "the same picture again: camera top did not take a new one"
    assert bench.recorded() == []


def test_what_cannot_be_a_picture_is_said(bench: Bench, picture_of: Callable[[int], bytes]) -> None:
    (bench.data / "aim" / "lid.png").write_bytes(picture_of(1))
    (bench.data / "aim" / "D1_top.part").write_bytes(b"still being written")
    for _ in range(3):
        bench.worker.step()
    assert bench.answers[-1].state is AimState.STOPPED and "lid.png is not named" in bench.answers[-1].sentence
    assert [path.name for path in (bench.data / "aim").iterdir()] == ["D1_top.part"]
    (bench.data / "aim" / "D1_top.png").write_bytes(picture_of(1)[:200])
    for _ in range(3):
        bench.worker.step()
        bench.clock_s += 3.0
    assert "cut off" in bench.answers[-1].sentence
