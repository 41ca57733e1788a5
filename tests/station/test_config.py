"""A station definition as people write it: what is read, and one sentence for each mistake."""

from __future__ import annotations

import contextlib
import pickle
import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from edgeinspect.errors import DefinitionError
from edgeinspect.geometry import signed_area_mm2
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.printed import dictionary_sizes

TOML = """\
format = 1

[station]
name = "cell-1"
title = "Trimming cell 1"
temperature_range_c = [18.0, 28.0]

[[camera]]
name = "top"
width_px = 1600
height_px = 1200
bits = 12

[fixture]
dictionary = "DICT_4X4_50"
grey_patch = { centre_mm = [110.0, 168.0], size_mm = [24.0, 12.0] }

[[mark]]
id = 0
centre_mm = [-215.0, 160.0, 1.5]
side_mm = 25.0
turn_deg = 90.0

[[mark]]
id = 1
corners_mm = [[202.5, 172.5, 0.0], [227.5, 172.5, 0.0], [227.5, 147.5, 0.0], [202.5, 147.5, 0.0]]

[[mark]]
id = 2
centre_mm = [215.0, -160.0]
side_mm = 25.0

[[mark]]
id = 3
centre_mm = [-215.0, -160.0]
side_mm = 25.0

[[mark]]
id = 4
centre_mm = [0.0, 170.0]
side_mm = 25.0

[trust]
light_warn_share = 0.1

[[seating]]
shell = "toplid"
translation_mm = [0.0, 5.0, 60.0]
rotation_deg = [0.0, 0.0, 90.0]
limit_mm = 6.0
limit_deg = 3.0
u_height_mm = 0.1

[board]
kind = "charuco"
squares_x = 13
squares_y = 9
square_mm = 30.0
marker_mm = 22.0
dictionary = "DICT_5X5_250"
board_z_mm = 3.0

[intake]
set_timeout_s = 12.0

[folders]
models = "../models"
"""


def load(folder: Path, toml: str = TOML) -> Station:
    (folder / "line").mkdir(exist_ok=True)
    path = folder / "line" / "station.toml"
    path.write_text(toml, encoding="utf-8")
    return load_station(path)


def problems(folder: Path, toml: str) -> list[str]:
    with pytest.raises(DefinitionError) as caught:
        load(folder, toml)
    return [sentence.split("line/station.toml: ", 1)[1] for sentence in caught.value.problems]


def changed(old: str, new: str) -> str:
    assert old in TOML, f"the station has no {old!r}"
    return TOML.replace(old, new, 1)


def test_a_right_station_is_read(tmp_path: Path) -> None:
    station = load(tmp_path)
    assert (station.name, station.temperature_range_c) == ("cell-1", (18.0, 28.0))
    assert [(c.name, c.width_px, c.height_px, c.bits) for c in station.cameras] == [("top", 1600, 1200, 12)]
    assert (station.board.kind, station.board.squares_x, station.board.board_z_mm) == ("charuco", 13, 3.0)
    assert not station.board.legacy
    assert (station.fixture.trust.light_warn_share, station.fixture.trust.light_stop_share) == (0.1, 0.3)
    assert (station.fixture.trust.moved_note_mm, station.fixture.trust.moved_stop_mm) == (0.05, 0.2)
    assert (station.intake.set_timeout_s, station.intake.picture_limit_bytes) == (12.0, 64_000_000)
    assert station.folders.models.resolve() == (tmp_path / "models").resolve()
    assert station.folders.inbox == "inbox"
    assert len(station.sha256) == 64


def test_marks_by_centre_and_by_corners_mean_the_same(tmp_path: Path) -> None:
    """Top-left, then clockwise as printed; turned 90 degrees counter-clockwise its top-left is at the lower left."""
    marks = {mark.mark_id: mark.corners_mm for mark in load(tmp_path).fixture.marks}
    assert marks[0] == pytest.approx(
        np.array([[-227.5, 147.5, 1.5], [-227.5, 172.5, 1.5], [-202.5, 172.5, 1.5], [-202.5, 147.5, 1.5]])
    )
    assert marks[2][0] == pytest.approx([202.5, -147.5, 0.0])
    assert all(signed_area_mm2(corners) < 0 for corners in marks.values())


def test_corner_order_is_the_one_that_opencv_detects(tmp_path: Path) -> None:
    """A printed mark looked at straight from above (+y of the fixture up in the picture) is detected in this order."""
    corners = load(tmp_path).fixture.marks[1].corners_mm
    picture = np.full((300, 300), 255, dtype=np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    picture[50:250, 50:250] = cv2.aruco.generateImageMarker(dictionary, 1, 200)
    found, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    assert ids.ravel().tolist() == [1]
    local = (corners[:, :2] - corners[:, :2].mean(axis=0)) * [8, -8] + 149.5  # 25 mm are 200 px, y down
    assert np.abs(found[0].reshape(4, 2) - local).max() < 2.0


def test_seatings_place_the_shell_in_the_fixture(tmp_path: Path) -> None:
    seating = load(tmp_path).seatings["toplid"]
    assert seating.pose.apply(np.array([[10.0, 0.0, 0.0]]))[0] == pytest.approx([0.0, 15.0, 60.0])


def test_a_seating_names_the_cameras_that_look_at_its_shell(tmp_path: Path) -> None:
    second = '[[camera]]\nname = "rear"\nwidth_px = 1600\nheight_px = 1200\n\n[fixture]'
    two = changed("[fixture]", second)
    seen_by = {
        seating: [camera.name for camera in load(tmp_path, two.replace("limit_deg = 3.0", text)).cameras_for("toplid")]
        for seating, text in (
            ("all", "limit_deg = 3.0"),
            ("one", 'limit_deg = 3.0\ncameras = ["rear"]'),
            ("station's order", 'limit_deg = 3.0\ncameras = ["rear", "top"]'),
        )
    }
    assert seen_by == {"all": ["top", "rear"], "one": ["rear"], "station's order": ["top", "rear"]}


def test_a_station_can_go_to_the_measuring_process(tmp_path: Path) -> None:
    station = load(tmp_path)
    assert pickle.loads(pickle.dumps(station)).seatings["toplid"].limit_mm == 6.0


def test_optional_tables_have_defaults(tmp_path: Path) -> None:
    toml = re.sub(r"\[(intake|folders|trust)\]\n(.+\n)*", "", TOML)
    assert "[intake]" not in toml
    station = load(tmp_path, toml)
    assert station.fixture.trust.light_warn_share == 0.15
    assert station.folders.models == tmp_path / "line" / "models"


def test_a_chessboard(tmp_path: Path) -> None:
    toml = changed('kind = "charuco"', 'kind = "chessboard"').replace(
        'marker_mm = 22.0\ndictionary = "DICT_5X5_250"\n', ""
    )
    assert load(tmp_path, toml).board.marker_mm is None


ONE_CHANGE = [
    (
        "limit_mm = 6.0",
        'limit_mm = 6.0\ncameras = ["tip"]',
        'seating[0].cameras names "tip", must be one of top (did you',
    ),
    ("limit_mm = 6.0", "limit_mm = 6.0\ncameras = []", "seating[0].cameras has 0 entries, must have at least 1"),
    (
        "limit_mm = 6.0",
        'limit_mm = 6.0\ncameras = ["top", "top"]',
        'seating[0].cameras: "top" is there 2 times, must be there once',
    ),
    ("format = 1", "format = true", "format is true, must be 1"),
    ("[station]", "[sation]", "sation is not a known key; did you mean station?"),
    ("[station]", "[sation]", "[station] is missing"),
    ('name = "cell-1"', 'name = "Cell 1"', 'station.name is "Cell 1", must be lower-case letters'),
    ("[18.0, 28.0]", "[28.0, 18.0]", "station.temperature_range_c is [28.0, 18.0], must be [lowest, highest]"),
    ("[18.0, 28.0]", "[18.0, 300.0]", "station.temperature_range_c[1] is 300, must be at most 90"),
    ("[[camera]]", "[camera]", "camera is {'name': 'top',"),
    ("width_px = 1600", "width_px = 1600.5", 'camera "top".width_px is 1600.5, must be a whole number'),
    ("bits = 12", "bits = 10", 'camera "top".bits is 10, must be 8, 12 or 16'),
    ("DICT_4X4_50", "DICT_4x4_50", 'fixture.dictionary is "DICT_4x4_50", must be one of DICT_4X4_100, '),
    ("size_mm = [24.0, 12.0]", "corners_mm = []", "fixture.grey_patch.corners_mm has 0 entries, must have at least 4"),
    (", size_mm = [24.0, 12.0]", "", "fixture.grey_patch must have either corners_mm, or centre_mm and size_mm"),
    ("id = 0", "id = 50", "mark[0].id is 50, must be below 50 in DICT_4X4_50"),
    ("id = 0", "id = 1", 'mark id "1" is there 2 times, must be there once'),
    ("side_mm = 25.0\n", "", "mark[0] (id 0) must have either corners_mm, or centre_mm and side_mm"),
    ("side_mm = 25.0\n", "side_mm = 1.0\n", "mark[0].side_mm is 1, must be at least 2"),
    ("id = 1\n", "id = 1\nside_mm = 3.0\n", "mark[1] (id 1) must have either corners_mm, or centre_mm and side_mm"),
    (
        "[227.5, 147.5, 0.0]",
        "[227.5, 157.5, 0.0]",
        "mark[1].corners_mm (id 1) has sides of 25.00, 15.00, 26.93, 25.00 mm",
    ),
    (
        "[[202.5, 172.5, 0.0], [227.5, 172.5, 0.0], [227.5, 147.5, 0.0], [202.5, 147.5, 0.0]]",
        "[[202.5, 147.5, 0.0], [227.5, 147.5, 0.0], [227.5, 172.5, 0.0], [202.5, 172.5, 0.0]]",
        "mark[1].corners_mm (id 1) run counter-clockwise, must run clockwise seen from the cameras",
    ),
    ("[215.0, -160.0]", "[215.0, 160.0]", "marks 1 and 2 overlap, must not"),
    (
        "light_warn_share = 0.1",
        "light_warn_share = 0.4",
        "trust.light_warn_share is 0.4, must be below light_stop_share 0.3",
    ),
    ("light_warn_share = 0.1", "moved_stop_mm = 0.01", "trust.moved_note_mm is 0.05, must be below moved_stop_mm 0.01"),
    (
        "light_warn_share = 0.1",
        "light_warn = 0.1",
        "trust.light_warn is not a known key; did you mean light_warn_share?",
    ),
    ("limit_mm = 6.0", "limit_mm = 0.0", "seating[0].limit_mm is 0, must be at least 0.001"),
    ("marker_mm = 22.0", "marker_mm = 31.0", "board.marker_mm is 31, must be below square_mm 30"),
    ("marker_mm = 22.0\n", "", "board.marker_mm is missing, must be given for a charuco board"),
    ('"charuco"', '"chessboard"', "board.marker_mm is 22, must be left out for a chessboard"),
    ("DICT_5X5_250", "DICT_5X5_50", "board.dictionary DICT_5X5_50 has 50 marks, must have 58"),
    (
        "DICT_5X5_250",
        "DICT_4X4_250",
        "board.dictionary is DICT_4X4_250, must be another than the fixture's DICT_4X4_50",
    ),
    ("DICT_5X5_250", "DICT", 'board.dictionary is "DICT", must be one of'),
    ("set_timeout_s = 12.0", "set_timeout_s = inf", "intake.set_timeout_s is inf, must be a finite number"),
    (
        "set_timeout_s = 12.0",
        "upload_limit_mb = 10",
        "intake.upload_limit_mb is 10, must be at least picture_limit_mb 64",
    ),
    ('models = "../models"', 'inbox = "../x"', 'folders.inbox is "../x", must be lower-case letters'),
    ('models = "../models"', 'inbox = "taken"', 'folders "taken" is there 2 times, must be there once'),
    *(
        ('models = "../models"', f'aim = "{own}"', f'folders.aim is "{own}", must be none of the record\'s own folders')
        for own in ("pictures", "ribbons", "bases", "studies")
    ),
]


@pytest.mark.parametrize(("old", "new", "sentence"), ONE_CHANGE, ids=[case[2][:60] for case in ONE_CHANGE])
def test_each_mistake_has_its_sentence(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    found = problems(tmp_path, changed(old, new))
    assert any(one.startswith(sentence) for one in found), found


def test_of_a_camera_that_is_not_there_nothing_else_is_said(tmp_path: Path) -> None:
    found = problems(tmp_path, changed("limit_mm = 6.0", 'limit_mm = 6.0\ncameras = ["topp"]'))
    assert len(found) == 1 and found[0].startswith('seating[0].cameras names "topp", must be one of top'), found


def test_marks_must_be_five_and_not_in_a_line(tmp_path: Path) -> None:
    """With four, no known length can be read back by the others, and every look at a shell is NO RESULT."""
    four = TOML[: TOML.rindex("[[mark]]")] + TOML[TOML.index("[trust]") :]
    assert problems(tmp_path, four) == ["[[mark]] is there 4 times, must be there at least 5 times"]
    line = TOML
    for at, place in enumerate(("[-215.0, 160.0, 1.5]", "[215.0, -160.0]", "[-215.0, -160.0]", "[0.0, 170.0]")):
        line = line.replace(place, f"[{-200 + 100 * at}.0, 160.0]")
    assert problems(tmp_path, line) == ["the marks lie in one line, must surround the shell"]


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    toml = changed("id = 0", "id = 50").replace("bits = 12", "bits = 10").replace("square_mm = 30.0", "square_mm = -1")
    assert len(problems(tmp_path, toml)) == 3


def test_the_station_of_the_sample_pictures_loads() -> None:
    station = load_station(Path(__file__).parents[2] / "sample_images" / "station.toml")
    assert len(station.fixture.marks) == 8
    assert (station.folders.models / "toplid" / "shell.toml").is_file()


def test_dictionary_sizes_are_what_their_names_say() -> None:
    for name, size in dictionary_sizes().items():
        if re.fullmatch(r"DICT_\dX\d_\d+", name):
            assert size == int(name.rpartition("_")[2])


VALUES = [found.span(1) for found in re.finditer(r"(?m)(?:^\w+ = |[\[,{] *(?:\w+ = )?)([^\[\]{},\n]+)", TOML)]
VALUE = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(repr),
    st.integers().map(str),
    st.sampled_from(
        ["true", '""', "[]", "{}", "[[]]", "1979-05-27", '"x"', "[1.0, nan]", "9" * 400, "0x" + "f" * 5000]
    ),
)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(where=st.sampled_from(VALUES), value=VALUE)
def test_any_value_gives_a_station_or_sentences(tmp_path: Path, where: tuple[int, int], value: str) -> None:
    with contextlib.suppress(DefinitionError):
        load(tmp_path, TOML[: where[0]] + value + TOML[where[1] :])
