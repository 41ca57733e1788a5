"""Board corners in drawn pictures of exactly known geometry: half-pixel convention, the window rule, what is not a
board.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure.board import Board, find_board, looks_legacy

CHARUCO = Board("charuco", 9, 6, 30.0, 22.0, "DICT_5X5_250")
CHESSBOARD = Board("chessboard", 9, 6, 30.0, None, None)
FINE = 5  # samples a pixel, each way
# Places on the board [mm] into pixels, pixel centres at integers: tipped, turned, nothing symmetric.
TO_PIXELS = np.array([[1.9, 0.21, 61.3], [-0.14, 1.8, 70.7], [1e-4, 2e-4, 1.0]])


def _print(board: Board) -> tuple[NDArray[np.uint8], float]:
    """The board as printed, and its pixels per mm."""
    scale = 8
    size = (int(board.squares_x * board.square_mm * scale), int(board.squares_y * board.square_mm * scale))
    if board.kind == "charuco":
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, str(board.dictionary)))
        printed = cv2.aruco.CharucoBoard(
            (board.squares_x, board.squares_y), board.square_mm, float(board.marker_mm or 0), dictionary
        )
        printed.setLegacyPattern(board.legacy)
        return np.asarray(printed.generateImage(size, marginSize=0), dtype=np.uint8), scale
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    side = board.square_mm * scale
    return np.asarray(255 * ((x // side + y // side) % 2), dtype=np.uint8), scale


@cache
def _picture(board: Board) -> NDArray[np.uint8]:
    """640 x 480: the print sampled at 5 x 5 places in every pixel and averaged, blurred by 0.7 px, with noise."""
    printed, scale = _print(board)
    offsets = (np.arange(FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid((np.arange(640)[:, None] + offsets).ravel(), (np.arange(480)[:, None] + offsets).ravel())
    place = np.linalg.inv(TO_PIXELS) @ np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    column, row = np.floor(place[:2] / place[2] * scale).astype(int)
    inside = (column >= 0) & (column < printed.shape[1]) & (row >= 0) & (row < printed.shape[0])
    levels = np.full(x.size, 230.0)
    levels[inside] = 30.0 + 200.0 / 255.0 * printed[row[inside], column[inside]]
    sharp = levels.reshape(480, FINE, 640, FINE).mean(axis=(1, 3))
    noisy = cv2.GaussianBlur(sharp, (0, 0), 0.7) + np.random.default_rng(3).normal(0.0, 1.0, sharp.shape)
    return np.asarray(np.clip(np.round(noisy), 0, 255), dtype=np.uint8)


def _expected(board: Board, ids: NDArray[np.int32]) -> Array:
    column, row = ids % (board.squares_x - 1), ids // (board.squares_x - 1)
    place = TO_PIXELS @ np.stack([(column + 1) * 30.0, (row + 1) * 30.0, np.ones(len(ids))])
    return np.asarray((place[:2] / place[2]).T)


def test_charuco_corners_lie_where_they_were_drawn() -> None:
    view = find_board(_picture(CHARUCO), CHARUCO)
    assert view is not None and sorted(view.ids) == list(range(40))
    apart = view.pixels - _expected(CHARUCO, view.ids)
    assert np.abs(apart.mean(axis=0)).max() < 0.015, "half a pixel off would read 0.5"
    assert apart.std() < 0.03


def test_chessboard_corners_lie_where_they_were_drawn() -> None:
    view = find_board(_picture(CHESSBOARD), CHESSBOARD)
    assert view is not None and list(view.ids) == list(range(40))
    expected = _expected(CHESSBOARD, view.ids)
    either_way_up = min(
        (view.pixels - expected, view.pixels - expected[::-1]), key=lambda apart: float(abs(apart).max())
    )
    assert np.abs(either_way_up.mean(axis=0)).max() < 0.015
    assert either_way_up.std() < 0.03


@pytest.mark.parametrize("board", [CHARUCO, CHESSBOARD])
def test_twelve_bits_in_sixteen_give_the_same_corners(board: Board) -> None:
    picture = _picture(board)
    one, two = find_board(picture, board), find_board(picture.astype(np.uint16) * 16, board)
    assert one is not None and two is not None
    assert np.abs(one.pixels - two.pixels).max() < 0.05


def test_a_part_of_a_charuco_board_is_enough() -> None:
    picture = _picture(CHARUCO).copy()
    picture[:, 330:] = 230
    view = find_board(picture, CHARUCO)
    assert view is not None and 8 <= len(view.ids) < 40
    assert np.abs(view.pixels - _expected(CHARUCO, view.ids)).max() < 0.2
    picture[:, 150:] = 230
    assert find_board(picture, CHARUCO) is None


@pytest.mark.parametrize(
    "other",
    [replace(CHARUCO, dictionary="DICT_4X4_50"), replace(CHARUCO, squares_x=8), replace(CHESSBOARD, squares_x=8)],
)
def test_another_board_is_not_found(other: Board) -> None:
    drawn = CHARUCO if other.kind == "charuco" else CHESSBOARD
    assert find_board(_picture(drawn), other) is None


def test_nothing_is_found_in_nothing() -> None:
    black: NDArray[Any] = np.zeros((480, 640), dtype=np.uint8)
    for levels in (black, black.astype(np.uint16), black + np.uint8(200)):
        assert find_board(levels, CHARUCO) is None and find_board(levels, CHESSBOARD) is None


def test_the_other_layout_is_noticed() -> None:
    """With an even number of rows the two layouts differ (OpenCV 4.6 changed it): the wrong one finds nothing, and
    says why.
    """
    picture = _picture(replace(CHARUCO, legacy=True))
    assert find_board(picture, CHARUCO) is None
    assert looks_legacy(picture, CHARUCO)
    assert find_board(picture, replace(CHARUCO, legacy=True)) is not None
    assert not looks_legacy(_picture(CHESSBOARD), CHARUCO)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"kind": "dots"}, "kind is 'dots', must be one of chessboard, charuco"),
        ({"squares_x": 3}, "must have at least 4 x 4"),
        ({"square_mm": 0.0}, "square_mm is 0.0, must be above 0"),
        ({"square_mm": float("nan")}, "square_mm is nan"),
        ({"marker_mm": 30.0}, "marker_mm is 30.0, must be above 0 and below square_mm 30.0"),
        ({"marker_mm": None}, "marker_mm is None"),
        ({"dictionary": "DICT_9X9"}, "dictionary is 'DICT_9X9'"),
        ({"board_z_mm": float("inf")}, "board_z_mm is inf"),
    ],
)
def test_impossible_boards_are_refused(change: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        replace(CHARUCO, **change)
