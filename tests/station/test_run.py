"""One look at one shell: whatever is wrong becomes NO RESULT in one sentence, is recorded, and is never green.

The pictures here are noise; shells that can be measured are in the tests of the sample pictures.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from edgeinspect.conformity import Answer, Verdict
from edgeinspect.errors import DefinitionError, StoreError
from edgeinspect.geometry import PlaneShift
from edgeinspect.inspection import Expected, Inspection
from edgeinspect.measure.measurement import Alignment, ShellMeasurement, Stop
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.station import run
from edgeinspect.station.config import Station
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.run import Ready, get_ready, inspect_set, load_expected
from edgeinspect.store.inspections import Store

PictureOf = Callable[[int], bytes]
TOPLID = Path(run.__file__).parents[2] / "models" / "toplid"
TAKEN_AT = "2024-11-25T10:00:00.000000Z"


@functools.cache
def toplid() -> ShellDefinition:
    return load_shell(TOPLID)


class Clock:
    """Every look at it is a second later."""

    def __init__(self) -> None:
        self.seconds = 0

    def __call__(self) -> str:
        self.seconds += 1
        return f"2024-11-25T10:00:{self.seconds:02}.000000Z"


class Gauge:
    """In place of a prepared gauge: does with the pictures what the test wants."""

    def __init__(self, does: Callable[[Mapping[str, Any]], ShellMeasurement]) -> None:
        self.does = does
        self.asked = 0

    def measure(self, variant: str, pictures: Mapping[str, Any], temperature: Temperature) -> ShellMeasurement:
        self.asked += 1
        return self.does(pictures)


def nothing_found(_pictures: Mapping[str, Any]) -> ShellMeasurement:
    return ShellMeasurement("toplid", "A", "ab", "standard", frozenset(), 20.0, True, 0.5, ())


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "data") as opened:
        yield opened


def picture_set(folder: Path, contents: Mapping[str, bytes]) -> PictureSet:
    """Files ``<shell-id>_<camera>.png`` of one shell, as they lie in taken/."""
    arrived = []
    for name, content in contents.items():
        path = folder / f"20241125T100000.000000Z_{name}"
        path.write_bytes(content)
        arrived.append(Arrived(Path(name).stem.partition("_")[2], name, path))
    shell_id = next(iter(contents)).partition("_")[0]
    return PictureSet(shell_id, TAKEN_AT, tuple(arrived))


def ready_with(station: Station, does: Callable[[Mapping[str, Any]], ShellMeasurement]) -> Ready:
    return Ready(station, Expected("toplid", "standard", 20.0), toplid(), Gauge(does))  # type: ignore[arg-type]


def look(came_in: PictureSet, ready: Ready, store: Store | None) -> Inspection:
    inspection = inspect_set(came_in, ready, store, Clock()).inspection
    if store is not None and inspection.inspection_id is not None:
        found = store.inspection(inspection.inspection_id)
        assert found is not None and found.verdict == inspection.verdict  # what is told is what is on disk
    assert inspection.verdict.answer is not Answer.CONFORMING
    return inspection


def test_a_bad_picture_is_a_recorded_no_result(
    station: Station, store: Store, tmp_path: Path, picture_of: PictureOf
) -> None:
    came_in = picture_set(tmp_path, {"L1_top.png": picture_of(1)[:5000]})
    ready = ready_with(station, nothing_found)
    done = inspect_set(came_in, ready, store, Clock())
    verdict = done.inspection.verdict
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence == "L1_top.png is cut off after 5000 bytes, must be a whole picture"
    assert verdict.action == "copy it again"
    assert done.refused == {"top"}
    assert ready.gauge.asked == 0  # type: ignore[union-attr]
    (picture,) = done.inspection.pictures
    assert len(picture.sha256) == 64 and picture.pixels_sha256 == ""
    assert store.picture(1, "top") is None and store.view(1, "top") is None


def test_the_same_picture_twice_names_the_shell_it_was_of(
    station: Station, store: Store, tmp_path: Path, picture_of: PictureOf
) -> None:
    ready = ready_with(station, nothing_found)
    look(picture_set(tmp_path, {"L1003_top.png": picture_of(1)}), ready, store)
    again = look(picture_set(tmp_path, {"L1004_top.png": picture_of(1)}), ready, store)
    assert again.verdict.sentence == "The same picture as shell L1003: camera top did not take a new one"
    once_more = look(picture_set(tmp_path, {"L1003_top.png": picture_of(1)}), ready, store)
    assert (
        once_more.verdict.sentence
        == "The same picture as an earlier one of this shell: camera top did not take a new one"
    )
    assert once_more.attempt == 2
    assert ready.gauge.asked == 1  # type: ignore[union-attr]


def test_two_cameras_with_one_picture_are_named(
    two_cameras: Station, store: Store, tmp_path: Path, picture_of: PictureOf
) -> None:
    came_in = picture_set(tmp_path, {"L1_top.png": picture_of(1), "L1_rear.png": picture_of(1)})
    inspection = look(came_in, ready_with(two_cameras, nothing_found), store)
    assert inspection.verdict.sentence == "Cameras top and rear delivered the same picture"


def test_a_missing_camera_is_named(two_cameras: Station, store: Store, tmp_path: Path, picture_of: PictureOf) -> None:
    came_in = picture_set(tmp_path, {"L1_top.png": picture_of(1)})
    inspection = look(came_in, ready_with(two_cameras, nothing_found), store)
    assert inspection.verdict.sentence == "No picture came from camera rear"
    assert store.picture(1, "top") == picture_of(1)


def test_one_cameras_fault_leaves_the_others_to_be_measured(
    two_cameras: Station, store: Store, tmp_path: Path, picture_of: PictureOf
) -> None:
    """What the gauge says of the same camera is not said twice; what else it found stays, in the station's order."""
    used: list[list[str]] = []

    def measured(pictures: Mapping[str, Any]) -> ShellMeasurement:
        used.append(sorted(pictures))
        lost = Stop("picture", "no picture from camera rear", "look again", camera="rear")
        moved = Stop("camera", "camera top has moved 0.31 mm", "call", camera="top")
        return replace(nothing_found(pictures), stops=(lost, moved))

    ready = ready_with(two_cameras, measured)
    for rear in ({}, {"L1_rear.png": b"not even a picture"}):
        inspection = look(picture_set(tmp_path, {"L1_top.png": picture_of(len(used)), **rear}), ready, store)
        stops = inspection.measurement.stops
        assert [(stop.stage, stop.camera) for stop in stops] == [("picture", "rear"), ("camera", "top")]
        assert stops[0].reason != "no picture from camera rear"
        assert inspection.verdict.answer is Answer.NO_RESULT
    assert used == [["top"], ["top"]]


def test_only_the_cameras_that_look_at_the_expected_shell_are_used(
    a_lid_and_a_hatch: Station, store: Store, tmp_path: Path, picture_of: PictureOf
) -> None:
    used: list[list[str]] = []

    def measured(pictures: Mapping[str, Any]) -> ShellMeasurement:
        used.append(sorted(pictures))
        return nothing_found(pictures)

    ready = replace(ready_with(a_lid_and_a_hatch, measured), expected=Expected("hatch", "standard", 20.0))
    look(picture_set(tmp_path, {"H1_top.png": picture_of(1)}), ready, store)
    came_in = picture_set(tmp_path, {"H2_top.png": picture_of(2), "H2_rear.png": b"not even a picture"})
    done = inspect_set(came_in, ready, store, Clock())
    assert used == [["top"], ["top"]] and not done.inspection.measurement.stops
    assert done.refused == {"rear"}
    only_rear = look(picture_set(tmp_path, {"H3_rear.png": picture_of(3)}), ready, store)
    assert only_rear.verdict.sentence == "No picture came from camera top"


def test_only_the_cameras_that_look_at_the_shell_need_a_calibration(a_lid_and_a_hatch: Station, tmp_path: Path) -> None:
    station = replace(a_lid_and_a_hatch, folders=replace(a_lid_and_a_hatch.folders, models=TOPLID.parent))
    station = replace(station, cameras=station.cameras[::-1])  # the rear one is asked for first where it is needed
    needed = get_ready(station, Expected("toplid", "standard"), tmp_path)
    assert needed.stop is not None and needed.stop.reason == "camera rear is not calibrated: calibrate it"
    seating = replace(station.seatings["toplid"], cameras=("top",))
    needed = get_ready(replace(station, seatings={"toplid": seating}), Expected("toplid", "standard"), tmp_path)
    assert needed.stop is not None and needed.stop.reason == "camera top is not calibrated: calibrate it"


def test_a_fault_while_measuring_is_a_no_result_and_is_logged(
    station: Station, store: Store, tmp_path: Path, picture_of: PictureOf, caplog: pytest.LogCaptureFixture
) -> None:
    def fault(_pictures: Mapping[str, Any]) -> ShellMeasurement:
        raise ZeroDivisionError("inside")

    inspection = look(picture_set(tmp_path, {"L1_top.png": picture_of(1)}), ready_with(station, fault), store)
    assert inspection.verdict.answer is Answer.NO_RESULT
    assert inspection.verdict.sentence == "Measuring broke off because of a fault in the program (ZeroDivisionError)"
    assert "ZeroDivisionError: inside" in caplog.text  # with its traceback
    assert store.picture(1, "top") == picture_of(1)  # so that the fault can be found


def test_a_fault_while_judging_is_a_no_result(
    station: Station, store: Store, tmp_path: Path, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fault(*_: object) -> None:
        raise KeyError("zone")

    monkeypatch.setattr(run, "judge", fault)
    ready = ready_with(station, nothing_found)
    inspection = look(picture_set(tmp_path, {"L1_top.png": picture_of(1)}), ready, store)
    assert "judging broke off" in inspection.verdict.sentence.lower()


def test_a_stop_can_never_be_green(
    station: Station, store: Store, tmp_path: Path, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even if judging were wrong: a verdict of CONFORMING on a measurement with a stop is turned into NO RESULT."""
    green = Verdict(Answer.CONFORMING, "all good", "rack it", (), "", "")
    monkeypatch.setattr(run, "judge", lambda *_: green)
    stopped = replace(nothing_found({}), stops=(Stop("edge", "the rim cannot be seen", "blow off"),))
    ready = ready_with(station, lambda _: stopped)
    inspection = look(picture_set(tmp_path, {"L1_top.png": picture_of(1)}), ready, store)
    assert inspection.verdict.sentence == "The rim cannot be seen"


def test_a_look_knows_how_many_measured_the_same_shell_before_it(
    station: Station, store: Store, tmp_path: Path, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And judging sees it: a third look may not be green."""
    judged: list[int] = []

    def count(measurement: ShellMeasurement, _definition: ShellDefinition) -> Verdict:
        judged.append(measurement.before.looks)
        return Verdict(Answer.NOT_PROVEN, "too close", "set aside", (), "", "")

    monkeypatch.setattr(run, "judge", count)
    cut = Alignment("cut - fixture", PlaneShift(0.0, 0.0, 0.0), 0.01, 0.01, 0.001, 0.02)
    covered = Stop("marks", "camera top sees none of the 8 fixture marks", "clear the lens")
    for number, stops in enumerate([(), (covered,), (), ()]):
        ready = ready_with(station, lambda _, stops=stops: replace(nothing_found({}), cut=cut, stops=stops))  # type: ignore[misc]
        found = look(picture_set(tmp_path, {"L1_top.png": picture_of(number)}), ready, store)
        assert found.measurement.before.looks == judged[-1]
    assert judged == [0, 1, 1, 2]
    look(picture_set(tmp_path, {"L2_top.png": picture_of(9)}), ready, store)
    assert judged[-1] == 0


def test_without_a_shell_chosen_nothing_is_measured(
    station: Station, store: Store, tmp_path: Path, picture_of: PictureOf
) -> None:
    ready = get_ready(station, None, tmp_path)
    inspection = look(picture_set(tmp_path, {"L1_top.png": picture_of(1)}), ready, store)
    assert inspection.verdict.sentence == "No shell is chosen at this station"
    assert inspection.verdict.action == "choose the shell on the page, then look again"


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        (Expected("../../etc", ""), "station trim-1 does not hold shell '../../etc', must be one of toplid"),
        (Expected("toplid", "purple"), "shell toplid has no variant 'purple', must be 'cargo' or 'standard'"),
    ],
)
def test_what_cannot_be_expected_is_one_sentence(station: Station, expected: Expected, words: str) -> None:
    here = replace(station, folders=replace(station.folders, models=TOPLID.parent))
    with pytest.raises(DefinitionError) as caught:
        load_expected(here, expected)
    assert caught.value.problems == (words,)
    ready = get_ready(here, expected, Path())
    assert ready.gauge is None and ready.stop is not None and ready.stop.reason == words


def test_an_uncalibrated_camera_and_a_missing_definition_are_said(station: Station, tmp_path: Path) -> None:
    ready = get_ready(station, Expected("toplid", "standard"), tmp_path)  # its models folder is not there
    assert ready.stop is not None and "toplid/shell.toml" in ready.stop.reason
    here = replace(station, folders=replace(station.folders, models=TOPLID.parent))
    ready = get_ready(here, Expected("toplid", "standard"), tmp_path)
    assert ready.stop is not None and ready.stop.reason.startswith("camera top is not calibrated")
    (tmp_path / "top-20241125t100000z-00000000.json").write_text("{")
    ready = get_ready(here, Expected("toplid", "standard"), tmp_path)
    assert ready.stop is not None and "is not a calibration file or is damaged" in ready.stop.reason


def test_what_cannot_be_recorded_is_not_returned(
    station: Station, store: Store, tmp_path: Path, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(Store, "save", full)
    with pytest.raises(StoreError, match="the disk is full"):
        look(picture_set(tmp_path, {"L1_top.png": picture_of(1)}), ready_with(station, nothing_found), store)
