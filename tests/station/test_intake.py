"""Pictures come in whole, in sets, in order; nothing is lost at any moment of a stop. The clocks are the test's own."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from edgeinspect.errors import PictureError, StoreError
from edgeinspect.station.config import Station
from edgeinspect.station.intake import SETTLE_S, Inbox, PictureSet, receive_upload
from edgeinspect.store import files

PictureOf = Callable[[int], bytes]


class Cell:
    """A station's folders and a clock that runs when told to."""

    def __init__(self, station: Station, data: Path) -> None:
        self.data, self.station = data, station
        self.inbox = Inbox(station, data)
        self.clock_s = 100.0
        self.sentences: list[str] = []
        self.shell = "toplid"  # that is expected

    def put(self, name: str, content: bytes) -> Path:
        path = self.data / "inbox" / name
        path.write_bytes(content)
        return path

    def now(self) -> str:
        return (datetime(2024, 11, 25, 10) + timedelta(seconds=self.clock_s)).isoformat() + "+00:00"

    def wait(self, seconds: float) -> PictureSet | None:
        """Poll every 0.2 s until a set comes or the time is over."""
        end_s = self.clock_s + seconds
        while True:
            came_in, sentences = self.inbox.poll(self.clock_s, self.now(), self.shell)
            self.sentences += sentences
            if came_in is not None or self.clock_s >= end_s:
                return came_in
            self.clock_s += 0.2

    def names(self, folder: str) -> list[str]:
        return sorted(path.name for path in (self.data / folder).iterdir())


def cameras(came_in: PictureSet) -> list[str]:
    return [item.camera for item in came_in.arrived]


@pytest.fixture
def cell(station: Station, tmp_path: Path) -> Cell:
    return Cell(station, tmp_path / "data")


@pytest.fixture
def two(two_cameras: Station, tmp_path: Path) -> Cell:
    return Cell(two_cameras, tmp_path / "data")


def test_a_whole_picture_is_taken_once_it_stands_still(cell: Cell, picture_of: PictureOf) -> None:
    cell.put("L1_top.png", picture_of(1))
    assert cell.wait(0.0) is None
    assert cell.inbox.waiting == "L1"
    came_in = cell.wait(SETTLE_S + 0.2)
    assert came_in is not None
    assert came_in.shell_id == "L1"
    (item,) = came_in.arrived
    assert item.path.read_bytes() == picture_of(1)
    assert cell.names("inbox") == [] and item.path.parent.name == "taken"
    assert cell.inbox.waiting is None


def test_a_half_written_picture_waits_until_it_is_whole(cell: Cell, picture_of: PictureOf) -> None:
    content = picture_of(1)
    cell.put("L1_top.png", content[:5000])
    assert cell.wait(5.0) is None
    cell.put("L1_top.png", content[:9000])  # still being written
    assert cell.wait(8.0) is None
    cell.put("L1_top.png", content)
    came_in = cell.wait(1.0)
    assert came_in is not None and came_in.arrived[0].path.read_bytes() == content


def test_a_picture_that_never_ends_is_handed_on_to_be_refused_in_words(cell: Cell, picture_of: PictureOf) -> None:
    cell.put("L1_top.png", picture_of(1)[:5000])
    assert cell.wait(9.5) is None
    came_in = cell.wait(1.0)
    assert came_in is not None and came_in.arrived[0].name == "L1_top.png"


def test_an_empty_file_waits_too(cell: Cell) -> None:
    cell.put("L1_top.png", b"")
    assert cell.wait(9.5) is None
    assert cell.wait(1.0) is not None


@pytest.mark.parametrize("name", ["L1_top.png.part", "L1_top.png.tmp", ".L1_top.png", "L1_top.png~", "Thumbs.db"])
def test_names_of_files_still_being_written_are_left_alone(cell: Cell, picture_of: PictureOf, name: str) -> None:
    cell.put(name, picture_of(1))
    (cell.data / "inbox" / "folder").mkdir()
    assert cell.wait(30.0) is None
    assert sorted([name, "folder"]) == cell.names("inbox")
    assert cell.sentences == []


def test_a_wrong_name_is_refused_with_a_sentence_and_kept(cell: Cell, picture_of: PictureOf) -> None:
    cell.put("IMG_0001.png", picture_of(1))
    cell.put("L1_top.png", picture_of(2))
    assert cell.wait(2.0) is not None
    assert cell.sentences == ["IMG_0001.png names camera 0001, must be one of top: rename it and put it in again"]
    (kept,) = cell.names("refused")
    assert kept.endswith("_IMG_0001.png")


def test_a_set_is_complete_when_every_camera_is_in(two: Cell, picture_of: PictureOf) -> None:
    two.put("L1_top.png", picture_of(1))
    two.put("L2_top.png", picture_of(2))
    assert two.wait(3.0) is None
    two.put("L2_rear.tif", picture_of(3))  # what is in it is not the inbox's business
    came_in = two.wait(1.0)
    assert came_in is not None and came_in.shell_id == "L2"
    assert [(item.camera, item.name) for item in came_in.arrived] == [("top", "L2_top.png"), ("rear", "L2_rear.tif")]


def test_a_missing_camera_is_named_after_the_time_out(two: Cell, picture_of: PictureOf) -> None:
    two.put("L1_rear.png", picture_of(1))
    assert two.wait(9.5) is None
    came_in = two.wait(1.0)
    assert came_in is not None and cameras(came_in) == ["rear"]


def test_a_set_is_complete_with_the_cameras_that_look_at_the_expected_shell(
    a_lid_and_a_hatch: Station, tmp_path: Path, picture_of: PictureOf
) -> None:
    cell = Cell(a_lid_and_a_hatch, tmp_path / "data")
    cell.shell = "hatch"
    cell.put("H1_top.png", picture_of(1))
    came_in = cell.wait(1.0)
    assert came_in is not None and cameras(came_in) == ["top"]
    cell.put("L1_top.png", picture_of(2))
    cell.shell = "toplid"  # another shell is chosen while its first picture settles
    assert cell.wait(3.0) is None
    cell.put("L1_rear.png", picture_of(3))
    came_in = cell.wait(1.0)
    assert came_in is not None and cameras(came_in) == ["top", "rear"]
    assert cell.sentences == []


def test_the_picture_of_a_camera_that_does_not_look_at_the_shell_makes_no_set_of_its_own(
    a_lid_and_a_hatch: Station, tmp_path: Path, picture_of: PictureOf
) -> None:
    """Where every camera is triggered for every shell; before its set and after it."""
    cell = Cell(a_lid_and_a_hatch, tmp_path / "data")
    cell.shell = "hatch"
    for number, order in enumerate((("rear", "top"), ("top", "rear"))):
        for camera in order:
            cell.put(f"H{number}_{camera}.png", picture_of(number))
            came_in = cell.wait(1.0)
            assert (came_in is not None) == (camera == "top")
            assert came_in is None or cameras(came_in) == ["top"]
            assert cell.inbox.waiting is None
    assert cell.sentences == [f"H{k}_rear.png is not used: camera rear does not look at hatch" for k in (0, 1)]
    assert [name.partition("_")[2] for name in cell.names("refused")] == ["H0_rear.png", "H1_rear.png"]
    assert cell.wait(20.0) is None


def test_the_time_out_does_not_run_while_a_picture_is_still_coming(two: Cell, picture_of: PictureOf) -> None:
    two.put("L1_rear.png", picture_of(1))
    content = picture_of(2)
    for length in range(1000, 8000, 1000):
        two.put("L1_top.png", content[:length])
        assert two.wait(3.0) is None
    two.put("L1_top.png", content)
    came_in = two.wait(1.0)
    assert came_in is not None and cameras(came_in) == ["top", "rear"]


def test_shells_are_taken_one_by_one_in_the_order_they_came(cell: Cell, picture_of: PictureOf) -> None:
    for number, name in enumerate(("L9", "L1", "L5")):
        cell.put(f"{name}_top.png", picture_of(number))
        assert cell.wait(0.0) is None
        cell.clock_s += 0.01
    order = [came_in.shell_id for came_in in (cell.wait(1.0), cell.wait(1.0), cell.wait(1.0)) if came_in]
    assert order == ["L9", "L1", "L5"]


def test_two_files_for_one_camera_are_two_looks(cell: Cell, picture_of: PictureOf) -> None:
    cell.put("L1_top.png", picture_of(1))
    cell.put("L1_top.tif", picture_of(1))
    first, second = cell.wait(1.0), cell.wait(1.0)
    assert first is not None and second is not None
    assert first.taken_at != second.taken_at or first.arrived[0].path != second.arrived[0].path


def test_two_looks_at_the_same_moment_do_not_overwrite_each_other(cell: Cell, picture_of: PictureOf) -> None:
    kept = []
    for number in (1, 2):
        cell.put("L1_top.png", picture_of(number))
        cell.inbox.poll(0.0, cell.now())
        came_in, _ = cell.inbox.poll(10.0, cell.now())
        assert came_in is not None
        kept.append(came_in.arrived[0].path)
    assert [path.read_bytes() for path in kept] == [picture_of(1), picture_of(2)]


def test_a_set_is_taken_as_a_whole_or_not_at_all(
    two: Cell, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program may still hold one of the files open."""
    two.put("L1_top.png", picture_of(1))
    two.put("L1_rear.png", picture_of(2))
    move = os.replace

    def hold(source: Path, target: Path) -> None:
        if Path(source).name == "L1_rear.png":
            raise PermissionError(13, "Permission denied")
        move(source, target)

    with monkeypatch.context() as patched, pytest.raises(StoreError):
        patched.setattr(os, "replace", hold)
        two.wait(1.0)
    assert two.names("inbox") == ["L1_rear.png", "L1_top.png"] and two.names("taken") == []
    came_in = two.wait(1.0)
    assert came_in is not None and cameras(came_in) == ["top", "rear"]


def test_what_came_another_way_is_taken_as_a_whole_or_not_at_all(
    two: Cell, picture_of: PictureOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full at the second picture: half a set would be looked at after the next start."""
    contents = {"top": ("L1_top.png", picture_of(1)), "rear": ("L1_rear.png", picture_of(2))}
    write = files.write_durably

    def full(path: Path, content: bytes) -> None:
        if path.name.endswith("rear.png"):
            raise StoreError(f"{path} cannot be written: no space left on the disk")
        write(path, content)

    with monkeypatch.context() as patched, pytest.raises(StoreError):
        patched.setattr(files, "write_durably", full)
        two.inbox.take_in("L1", contents, two.now())
    assert two.names("taken") == []
    assert cameras(two.inbox.take_in("L1", contents, two.now())) == ["top", "rear"]


def test_what_was_taken_is_looked_at_again_after_a_stop(cell: Cell, picture_of: PictureOf) -> None:
    cell.put("L1_top.png", picture_of(1))
    taken = cell.wait(1.0)
    again = Cell(cell.station, cell.data).inbox.resume(lambda path, at: False)
    assert again == [taken]


def test_a_set_cut_apart_by_a_power_cut_is_completed_in_the_inbox(two: Cell, picture_of: PictureOf) -> None:
    two.put("L1_top.png", picture_of(1))
    two.put("L1_rear.png", picture_of(2))
    taken = two.wait(1.0)
    assert taken is not None
    # as if the power had gone between the two moves
    os.replace(taken.arrived[1].path, two.data / "inbox" / "L1_rear.png")
    after = Cell(two.station, two.data)
    assert after.inbox.resume(lambda path, at: False) == []
    came_in = after.wait(1.0)
    assert came_in is not None and cameras(came_in) == ["top", "rear"]


def test_a_set_left_behind_is_whole_by_the_cameras_of_the_expected_shell(
    a_lid_and_a_hatch: Station, tmp_path: Path, picture_of: PictureOf
) -> None:
    cell = Cell(a_lid_and_a_hatch, tmp_path / "data")
    cell.shell = "hatch"
    cell.put("H1_top.png", picture_of(1))
    taken = cell.wait(1.0)
    after = Cell(a_lid_and_a_hatch, cell.data)
    assert after.inbox.resume(lambda path, at: False, "hatch") == [taken]
    assert after.inbox.resume(lambda path, at: False, "toplid") == []  # it waits in the inbox for its other picture
    assert cell.names("inbox") == ["H1_top.png"]


def test_what_the_record_holds_is_not_put_back(two: Cell, picture_of: PictureOf) -> None:
    two.put("L1_top.png", picture_of(1))
    taken = two.wait(11.0)
    assert taken is not None and cameras(taken) == ["top"]
    asked: list[tuple[Path, str]] = []

    def is_recorded(path: Path, taken_at: str) -> bool:
        asked.append((path, taken_at))
        return True

    assert Cell(two.station, two.data).inbox.resume(is_recorded) == [taken]
    assert asked == [(taken.arrived[0].path, taken.taken_at)]


def test_finished_pictures_go_and_refused_ones_are_kept(two: Cell, picture_of: PictureOf) -> None:
    two.put("L1_top.png", picture_of(1))
    two.put("L1_rear.png", picture_of(2))
    taken = two.wait(1.0)
    assert taken is not None
    two.inbox.finish(taken, {"rear"})
    two.inbox.finish(taken, {"rear"})  # once more does no harm
    assert two.names("taken") == []
    (kept,) = two.names("refused")
    assert kept.endswith("_L1_rear.png")


def test_strange_files_in_taken_are_put_aside(cell: Cell) -> None:
    (cell.data / "taken" / "notes.txt").write_text("who put me here?")
    assert Cell(cell.station, cell.data).inbox.resume(lambda path, at: False) == []
    assert cell.names("refused") == ["notes.txt"]


def test_a_folder_that_has_gone_is_one_sentence(cell: Cell) -> None:
    (cell.data / "inbox").rmdir()
    with pytest.raises(StoreError, match="inbox cannot be read"):
        cell.wait(0.0)


def test_an_upload_is_whole_or_not_there(cell: Cell, picture_of: PictureOf) -> None:
    receive_upload(cell.station, cell.data, "L1_top.png", picture_of(1))
    assert cell.names("inbox") == ["L1_top.png"]
    with pytest.raises(PictureError, match="already waiting"):
        receive_upload(cell.station, cell.data, "L1_top.png", picture_of(2))
    assert (cell.data / "inbox" / "L1_top.png").read_bytes() == picture_of(1)
    with pytest.raises(PictureError, match=r"has 1\.1 MB, must have at most 1\.0 MB"):
        receive_upload(cell.station, cell.data, "L2_top.png", bytes(1_100_000))
    for name in ("../L3_top.png", "L3.png", "/etc/L3_top.png"):
        with pytest.raises(PictureError):
            receive_upload(cell.station, cell.data, name, picture_of(3))
    assert cell.names("inbox") == ["L1_top.png"]
