"""Printed sheets as OpenCV sees them: drawn to pixels by resvg, each thing has its size in mm and can be read."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
import resvg_py
from numpy.typing import NDArray

from edgeinspect.errors import InputError
from edgeinspect.geometry import Array
from edgeinspect.measure.board import Board
from edgeinspect.measure.fixture import Mark
from edgeinspect.station import printables as module
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.printables import PAPERS, Sheet, printables

PX_PER_MM = 10.0
MM = 0.05  # what a place on paper may be off
CHARUCO = Board("charuco", 13, 9, 30.0, 22.0, "DICT_5X5_250", board_z_mm=3.0)
Picture = NDArray[np.uint8]


@pytest.fixture(scope="module")
def cell() -> Station:
    return load_station(Path(module.__file__).parents[2] / "sample_images" / "station.toml")


def drawn(sheet: Sheet) -> Picture:
    """Pixels as a printer of 254 dots an inch would make them; a place is (pixel + 0.5) / PX_PER_MM."""
    root = ElementTree.fromstring(sheet.svg)
    assert (root.get("width"), root.get("height")) == (f"{sheet.width_mm:g}mm", f"{sheet.height_mm:g}mm")
    picture = resvg_py.svg_to_bytes(svg_string=sheet.svg, dpi=25.4 * PX_PER_MM)
    levels = cv2.imdecode(np.frombuffer(bytes(picture), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert levels.shape == (round(sheet.height_mm * PX_PER_MM), round(sheet.width_mm * PX_PER_MM))
    return levels


def sheets_of(cell: Station, paper: str = "fit") -> dict[str, Sheet]:
    return {sheet.name: sheet for sheet in printables(cell, paper)[0]}


def words_of(sheet: Sheet) -> str:
    found = ElementTree.fromstring(sheet.svg).iter("{http://www.w3.org/2000/svg}text")
    return " | ".join(element.text or "" for element in found)


def charuco_corners_mm(levels: Picture, board: Board) -> Array:
    """By OpenCV's own detector and its own description of the board (docs.opencv.org, CharucoBoard)."""
    known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, str(board.dictionary)))
    size = (board.squares_x, board.squares_y)
    described = cv2.aruco.CharucoBoard(size, board.square_mm, float(board.marker_mm or 0), known)
    described.setLegacyPattern(board.legacy)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(described).detectBoard(levels)
    assert ids is not None and list(ids.ravel()) == list(range((size[0] - 1) * (size[1] - 1)))
    return (corners.reshape(-1, 2).astype(float) + 0.5) / PX_PER_MM


def chessboard_corners_mm(levels: Picture, board: Board) -> Array:
    found, corners = cv2.findChessboardCorners(levels, (board.squares_x - 1, board.squares_y - 1))
    assert found
    corners = corners.reshape(-1, 1, 2).astype(np.float32)
    cv2.cornerSubPix(levels, corners, (5, 5), (-1, -1), (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-4))
    places = corners.reshape(-1, 2).astype(float)
    return (places if places[0, 1] < places[-1, 1] else places[::-1]) / PX_PER_MM + 0.5 / PX_PER_MM


@pytest.mark.parametrize(
    "board",
    [
        pytest.param(CHARUCO, id="charuco"),
        pytest.param(replace(CHARUCO, squares_x=12, squares_y=8, square_mm=24.5, marker_mm=18.1), id="even"),
        pytest.param(replace(CHARUCO, squares_x=7, squares_y=10, square_mm=20, marker_mm=15, legacy=True), id="legacy"),
        pytest.param(Board("chessboard", 10, 7, 25.4, None, None), id="chessboard"),
    ],
)
def test_the_board_is_found_and_has_its_size(cell: Station, board: Board) -> None:
    sheet = sheets_of(replace(cell, board=board))["board"]
    levels = drawn(sheet)
    find = charuco_corners_mm if board.kind == "charuco" else chessboard_corners_mm
    corners = find(levels, board)
    column, row = np.meshgrid(np.arange(board.squares_x - 1), np.arange(board.squares_y - 1))
    wanted = np.column_stack([column.ravel(), row.ravel()]) * board.square_mm
    off = corners - wanted
    assert np.abs(off - off.mean(axis=0)).max() < MM, "neither stretched nor turned"
    first = off.mean(axis=0) - board.square_mm
    far = first + np.array([board.squares_x, board.squares_y]) * board.square_mm
    rim = (first - board.square_mm / 4, far + board.square_mm / 4)
    (x0, y0), (x1, y1) = (np.rint(end * PX_PER_MM).astype(int) for end in rim)
    (u0, v0), (u1, v1) = (np.rint(end * PX_PER_MM).astype(int) for end in (first, far))
    around = levels[y0:y1, x0:x1].copy()
    around[v0 - y0 - 1 : v1 - y0 + 1, u0 - x0 - 1 : u1 - x0 + 1] = 255
    assert around.min() > 250, "white all round, no line in it"


def bar_mm(levels: Picture) -> float:
    """Length of the bar in the lower left corner: between the middles of its first and last end line."""
    height = levels.shape[0]
    rows = slice(round(height - 13.4 * PX_PER_MM), round(height - 11.4 * PX_PER_MM))
    band = levels[rows, : round(120.0 * PX_PER_MM)]
    lines = 255.0 - band.max(axis=0)  # dark over the whole height of the band: an end line, not a letter
    groups = np.split(np.flatnonzero(lines > 20), np.flatnonzero(np.diff(np.flatnonzero(lines > 20)) > 1) + 1)
    middles = [float(np.average(group, weights=lines[group])) for group in groups]
    assert len(middles) == 3, "two ends and the middle"
    assert middles[1] - middles[0] == pytest.approx(50.0 * PX_PER_MM, abs=MM * PX_PER_MM)
    return (middles[2] - middles[0]) / PX_PER_MM


@pytest.mark.parametrize("paper", ["fit", "A4"])
def test_every_sheet_has_a_bar_each_way_and_says_to_measure_it(cell: Station, paper: str) -> None:
    small = replace(cell, board=replace(CHARUCO, squares_x=7, squares_y=5, square_mm=20, marker_mm=15))
    for sheet in printables(small, paper)[0]:
        levels = drawn(sheet)
        assert bar_mm(levels) == pytest.approx(100.0, abs=MM)
        turned = cv2.rotate(levels, cv2.ROTATE_90_CLOCKWISE)  # its right edge is at the foot now
        assert bar_mm(turned) == pytest.approx(100.0, abs=MM)
        words = words_of(sheet)
        assert "Print at 100 %" in words and "measure both bars" in words and "100.0 mm" in words
        assert cell.name in words
        assert f"@page {{ size: {sheet.width_mm:g}mm {sheet.height_mm:g}mm" in sheet.svg, "a browser prints it as it is"


def marks_mm(levels: Picture, dictionary: str) -> dict[int, Array]:
    known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    search = cv2.aruco.DetectorParameters()
    search.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    search.cornerRefinementMinAccuracy = 0.001
    corners, ids, _ = cv2.aruco.ArucoDetector(known, search).detectMarkers(levels)
    assert ids is not None
    assert len(set(ids.ravel())) == len(ids), "each once"
    places = [(np.asarray(c).reshape(4, 2).astype(float) + 0.5) / PX_PER_MM for c in corners]
    return dict(zip((int(i) for i in ids.ravel()), places, strict=True))


@pytest.mark.parametrize("paper", ["fit", "A4"])
def test_every_mark_is_found_upright_with_its_size(cell: Station, paper: str) -> None:
    sheet = sheets_of(cell, paper)["marks"]
    found = marks_mm(drawn(sheet), cell.fixture.dictionary)
    assert set(found) == {mark.mark_id for mark in cell.fixture.marks}
    upright = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])  # top-left, then clockwise; y down
    for mark in cell.fixture.marks:
        side = 25.0 if mark.mark_id < 4 else 14.0  # sample_images/station.toml
        off = found[mark.mark_id] - side * upright
        assert np.abs(off - off.mean(axis=0)).max() < MM
        assert f"mark {mark.mark_id}, {side:.2f} mm" in words_of(sheet)
    assert "centre x −215.00, y 160.00, z 0.00 | arrow to +y" in words_of(sheet)


def test_many_marks_go_on_several_sheets_each_on_one_and_none_over_the_rim(cell: Station) -> None:
    places = [(40.0 * (k % 6), 50.0 * (k // 6)) for k in range(18)]
    square = np.array([[-15.0, 15.0, 0.0], [15.0, 15.0, 0.0], [15.0, -15.0, 0.0], [-15.0, -15.0, 0.0]])
    marks = tuple(Mark(k, square + np.array([x, y, 0.0])) for k, (x, y) in enumerate(places))
    many = replace(cell, fixture=replace(cell.fixture, marks=marks))
    sheets = [sheet for sheet in printables(many, "A4")[0] if sheet.name.startswith("marks")]
    assert len(sheets) > 1 and [sheet.name for sheet in sheets] == [f"marks-{k + 1}" for k in range(len(sheets))]
    seen: list[int] = []
    for sheet in sheets:
        assert (sheet.width_mm, sheet.height_mm) in (PAPERS["A4"], PAPERS["A4"][::-1])
        levels = drawn(sheet)
        seen += marks_mm(levels, cell.fixture.dictionary)
        for edge in (levels[:90], levels[-90:], levels[:, :90], levels[:, -90:]):
            assert edge.min() == 255, "9 mm of every edge are left white"
    assert sorted(seen) == list(range(18))


def test_the_arrow_says_where_the_top_of_a_mark_points(cell: Station) -> None:
    """Turned counter-clockwise as seen from above, as turn_deg of a mark in station.toml means it."""
    turns = {0: (90.0, "to −x"), 1: (180.0, "to −y"), 2: (-90.0, "to +x"), 3: (-30.0, "30.0° clockwise from +y")}
    marks = list(cell.fixture.marks)
    for mark_id, (turn_deg, _) in turns.items():
        c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        corners, middle = marks[mark_id].corners_mm, marks[mark_id].corners_mm.mean(axis=0)
        turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        marks[mark_id] = Mark(mark_id, (corners - middle) @ turn + middle)
    sheet = sheets_of(replace(cell, fixture=replace(cell.fixture, marks=tuple(marks))))["marks"]
    for mark_id, (_, words) in turns.items():
        assert f"arrow {words} | mark {mark_id + 1}" in words_of(sheet)
    found = marks_mm(drawn(sheet), cell.fixture.dictionary)
    for mark_id in turns:
        across, down = found[mark_id][1] - found[mark_id][0], found[mark_id][3] - found[mark_id][0]
        assert np.abs([*(across - [25.0, 0.0]), *(down - [0.0, 25.0])]).max() < MM, "on paper it stands upright"


def test_the_grey_patch_is_half_as_light_as_paper(cell: Station) -> None:
    """SOURCE: IEC 61966-2-1: a level v above 0.04045 reflects ((v + 0.055) / 1.055) ** 2.4 of white."""
    levels = drawn(sheets_of(cell)["grey-patch"])
    level, count = np.unique(levels[(levels > 120) & (levels < 250)], return_counts=True)
    grey = level[count.argmax()] / 255.0
    assert ((grey + 0.055) / 1.055) ** 2.4 == pytest.approx(0.5, abs=0.01)
    rows, columns = np.nonzero(levels == level[count.argmax()])
    high, wide = (np.ptp(rows) + 1) / PX_PER_MM, (np.ptp(columns) + 1) / PX_PER_MM
    assert (wide, high) == (pytest.approx(26.0, abs=0.2), pytest.approx(14.0, abs=0.2))  # 24 x 12, a cut line's width


def test_what_does_not_fit_is_said_in_one_sentence_and_drawn_whole(cell: Station) -> None:
    sheets, (sentence,) = printables(cell, "A3")
    assert re.match(r"Calibration board .*: 420 x 300 mm do not fit on A3, .*: drawn for A2; ", sentence)
    assert (sheets[0].width_mm, sheets[0].height_mm) == PAPERS["A2"]
    assert printables(cell, "A2")[1] == []
    huge = replace(cell, board=replace(CHARUCO, squares_x=30, squares_y=20, square_mm=60.0, marker_mm=45.0,
                                       dictionary="DICT_5X5_1000"))  # fmt: skip
    sheets, (sentence,) = printables(huge, "A0")
    assert "on a page of its own" in sentence and sheets[0].width_mm > 1800


def test_an_unknown_paper_is_refused(cell: Station) -> None:
    with pytest.raises(InputError, match=r"--paper is 'letter', must be one of A4, A3, .* or fit"):
        printables(cell, "letter")
