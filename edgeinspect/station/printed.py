"""What is printed, as station.toml gives it: fixture marks, grey patch, calibration board; and what is wrong there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

import cv2
import numpy as np
import shapely
from pydantic import Field

from edgeinspect.geometry import Array, signed_area_mm2
from edgeinspect.measure.fixture import Mark
from edgeinspect.measure.marks import LEAST_TRUSTED
from edgeinspect.tomlfile import AngleDeg, LengthMm, Mistakes, PlaceMm, PointMm, Table, Text, one_of, shown

LEAST_MARKS = LEAST_TRUSTED  # fewer, and no look at a shell could be trusted
SQUARE_SHARE = 0.05  # sides and diagonals of a mark may differ by this; more is a typing mistake

Point2or3 = Annotated[tuple[PlaceMm, ...], Field(min_length=2, max_length=3)]
Corners = Annotated[tuple[PointMm, ...], Field(min_length=4, max_length=4)]


class PatchTable(Table):
    """The grey patch that the light is watched by: either its corners, or its centre and size."""

    corners_mm: Corners | None = None  # in the fixture frame, in order around it
    centre_mm: Point2or3 | None = None  # in the fixture frame; without z it lies on the plate
    size_mm: tuple[LengthMm, LengthMm] | None = None  # along x and y


class MarkTable(Table):
    """One printed fixture mark: either its four corners as measured, or its centre and side."""

    id: Annotated[int, Field(strict=True, ge=0, le=100_000)]  # its number in the dictionary
    corners_mm: Corners | None = None  # fixture frame: top-left, top-right, bottom-right, bottom-left as printed
    centre_mm: Point2or3 | None = None  # in the fixture frame; without z it lies on the plate
    side_mm: LengthMm | None = None  # of the printed square
    turn_deg: AngleDeg = 0.0  # counter-clockwise; 0: its top points along y


class BoardTable(Table):
    """The calibration board."""

    kind: Literal["chessboard", "charuco"]  # of print
    squares_x: Annotated[int, Field(strict=True, ge=4, le=200)]  # in a row
    squares_y: Annotated[int, Field(strict=True, ge=4, le=200)]  # rows
    square_mm: LengthMm  # side of a square, as measured
    marker_mm: LengthMm | None = None  # side of the printed marks; charuco only
    dictionary: Text | None = None  # of the printed marks; charuco only
    legacy: Annotated[bool, Field(strict=True)] = False  # the layout that OpenCV printed before 4.6
    board_z_mm: PlaceMm  # of its printed face above the plate when it lies in the fixture


def dictionary_sizes() -> dict[str, int]:
    """Number of marks in each dictionary of printed marks that OpenCV knows by name."""
    names = [name for name in dir(cv2.aruco) if name.startswith("DICT_")]
    return {name: len(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)).bytesList) for name in names}


def _rectangle(centre: Sequence[float], size_mm: tuple[float, float], turn_deg: float = 0.0) -> Array:
    """Corners (4, 3): top-left, then clockwise, seen from the cameras."""
    half = np.array([[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]]) * size_mm
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    place = np.array([*centre, 0.0][:3])
    corners: Array = np.column_stack([half @ np.array([[c, s], [-s, c]]), np.zeros(4)]) + place
    return corners


def patch_corners(table: PatchTable, mistakes: Mistakes) -> Array | None:
    key = "fixture.grey_patch"
    short = (table.centre_mm, table.size_mm)
    if (table.corners_mm is None) == (None in short) or (table.corners_mm is not None and short != (None, None)):
        mistakes.say(f"{key} must have either corners_mm, or centre_mm and size_mm")
        return None
    if table.corners_mm is not None:
        corners = np.array(table.corners_mm)
    else:
        assert table.centre_mm is not None and table.size_mm is not None
        corners = _rectangle(table.centre_mm, table.size_mm)
    area = shapely.Polygon(corners[:, :2])
    if not area.is_valid or area.area < 1.0:
        mistakes.say(f"{key}.corners_mm do not go around a patch, must go around it in order")
        return None
    return corners


def printed_mark(row: MarkTable, at: int, mistakes: Mistakes) -> Mark | None:
    key = f"mark[{at}]"
    short = (row.centre_mm, row.side_mm)
    if (row.corners_mm is None) == (None in short) or (row.corners_mm is not None and short != (None, None)):
        mistakes.say(f"{key} (id {row.id}) must have either corners_mm, or centre_mm and side_mm")
        return None
    if row.corners_mm is None:
        assert row.centre_mm is not None and row.side_mm is not None
        if row.side_mm < 2.0:
            mistakes.say(f"{key}.side_mm is {shown(row.side_mm)}, must be at least 2")
            return None
        return Mark(row.id, _rectangle(row.centre_mm, (row.side_mm, row.side_mm), row.turn_deg))
    corners = np.array(row.corners_mm)
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    diagonals = np.linalg.norm(corners[:2] - corners[2:], axis=1) / np.sqrt(2)
    lengths = np.append(sides, diagonals)
    if lengths.min() < 2.0 or np.ptp(lengths) > SQUARE_SHARE * lengths.max():
        words = ", ".join(f"{side:.2f}" for side in sides)
        mistakes.say(f"{key}.corners_mm (id {row.id}) has sides of {words} mm, must be a square of at least 2 mm")
        return None
    if signed_area_mm2(corners) > 0:
        mistakes.say(
            f"{key}.corners_mm (id {row.id}) run counter-clockwise, must run clockwise seen from the cameras: "
            "top-left, top-right, bottom-right, bottom-left as printed"
        )
        return None
    return Mark(row.id, corners)


def check_marks(marks: Sequence[Mark | None], dictionary: str | None, mistakes: Mistakes) -> None:
    if len(marks) < LEAST_MARKS:
        mistakes.say(f"[[mark]] is there {len(marks)} times, must be there at least {LEAST_MARKS} times")
    found = [mark for mark in marks if mark]
    mistakes.no_name_twice([str(mark.mark_id) for mark in found], "mark id")
    sizes = dictionary_sizes()
    if dictionary is not None and dictionary not in sizes:
        mistakes.say(f"fixture.dictionary is {shown(dictionary)}, must be {one_of(dictionary, tuple(sizes))}")
    elif dictionary is not None:
        for at, mark in enumerate(marks):
            if mark and mark.mark_id >= sizes[dictionary]:
                mistakes.say(f"mark[{at}].id is {mark.mark_id}, must be below {sizes[dictionary]} in {dictionary}")
    areas = [shapely.Polygon(mark.corners_mm[:, :2]) for mark in found]
    for at, area in enumerate(areas):
        for other in range(at):
            if area.intersects(areas[other]):
                mistakes.say(f"marks {found[other].mark_id} and {found[at].mark_id} overlap, must not")
    if len(found) == len(marks) >= LEAST_MARKS:
        centres = np.array([mark.corners_mm[:, :2].mean(axis=0) for mark in found])
        spread = np.linalg.svd(centres - centres.mean(axis=0), compute_uv=False)
        if spread[1] < 0.1 * spread[0]:
            mistakes.say("the marks lie in one line, must surround the shell")


def check_board(board: BoardTable, fixture_dictionary: str | None, ids: list[int], mistakes: Mistakes) -> None:
    if board.kind == "chessboard":
        for name in ("marker_mm", "dictionary"):
            if getattr(board, name) is not None:
                mistakes.say(f"board.{name} is {shown(getattr(board, name))}, must be left out for a chessboard")
        return
    if board.marker_mm is None:
        mistakes.say("board.marker_mm is missing, must be given for a charuco board")
    elif board.marker_mm >= board.square_mm:
        mistakes.say(f"board.marker_mm is {shown(board.marker_mm)}, must be below square_mm {shown(board.square_mm)}")
    sizes = dictionary_sizes()
    if board.dictionary is None:
        mistakes.say("board.dictionary is missing, must be given for a charuco board")
        return
    if board.dictionary not in sizes:
        mistakes.say(f"board.dictionary is {shown(board.dictionary)}, must be {one_of(board.dictionary, tuple(sizes))}")
        return
    printed = board.squares_x * board.squares_y // 2
    if printed > sizes[board.dictionary]:
        mistakes.say(f"board.dictionary {board.dictionary} has {sizes[board.dictionary]} marks, must have {printed}")
    if (
        fixture_dictionary is not None
        and fixture_dictionary in sizes
        and _same_marks(fixture_dictionary, board.dictionary)
        and any(number < printed for number in ids)
    ):
        mistakes.say(
            f"board.dictionary is {board.dictionary}, must be another than the fixture's {fixture_dictionary}: "
            "the board's marks would be taken for fixture marks"
        )


def _same_marks(first: str, second: str) -> bool:
    """Whether two dictionaries print the same marks for the same ids: a smaller one may begin a larger one."""
    one, two = (cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)) for name in (first, second))
    common = min(len(one.bytesList), len(two.bytesList))
    return bool(one.markerSize == two.markerSize and np.array_equal(one.bytesList[:common], two.bytesList[:common]))
