"""The calibration board: what is printed on it, and where its inner corners lie in a picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, frozen

KINDS = ("chessboard", "charuco")
FEWEST_CORNERS = 8  # fewer say next to nothing about a pose of six freedoms


@dataclass(frozen=True)
class Board:
    """A flat printed board. A ``charuco`` board carries a numbered mark in each white square, so that a part of it
    is enough.

    ``legacy`` is the layout that OpenCV printed before 4.6: with an even number of rows it starts with a white square,
    not with a black one. ``board_z_mm`` is the height of the printed face above the plate when the board lies in the
    fixture.
    """

    kind: str
    squares_x: int
    squares_y: int
    square_mm: float
    marker_mm: float | None
    dictionary: str | None
    legacy: bool = False
    board_z_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind is {self.kind!r}, must be one of {', '.join(KINDS)}")
        if self.squares_x < 4 or self.squares_y < 4:
            raise ValueError(f"the board has {self.squares_x} x {self.squares_y} squares, must have at least 4 x 4")
        if not (np.isfinite(self.square_mm) and self.square_mm > 0):
            raise ValueError(f"square_mm is {self.square_mm}, must be above 0")
        if not np.isfinite(self.board_z_mm):
            raise ValueError(f"board_z_mm is {self.board_z_mm}, must be a finite number")
        if self.kind == "charuco":
            if self.marker_mm is None or not 0 < self.marker_mm < self.square_mm:
                raise ValueError(f"marker_mm is {self.marker_mm}, must be above 0 and below square_mm {self.square_mm}")
            if self.dictionary is None or not hasattr(cv2.aruco, self.dictionary):
                raise ValueError(
                    f"dictionary is {self.dictionary!r}, must be the name of an ArUco dictionary, as DICT_5X5_250"
                )

    @property
    def corners_x(self) -> int:
        """Inner corners in a row; corner ``i`` lies in column i % corners_x, row i // corners_x."""
        return self.squares_x - 1

    @property
    def corners_y(self) -> int:
        return self.squares_y - 1

    def corner_mm(self, ids: NDArray[np.int32]) -> Array:
        """Places (N, 3) [mm] of inner corners: x to the right and y down as printed, z = 0, the first corner at one
        square from the edge.
        """
        column, row = ids % self.corners_x, ids // self.corners_x
        return np.column_stack([(column + 1) * self.square_mm, (row + 1) * self.square_mm, np.zeros(len(ids))])


@dataclass(frozen=True)
class BoardView:
    """The inner corners of the board that one picture shows."""

    ids: NDArray[np.int32]  # (N,)
    points_mm: Array  # (N, 3) in the board's frame, z = 0
    pixels: Array  # (N, 2)

    def __post_init__(self) -> None:
        ids = np.array(self.ids, dtype=np.int32)
        ids.setflags(write=False)
        object.__setattr__(self, "ids", ids)
        object.__setattr__(self, "points_mm", frozen(self.points_mm, (len(ids), 3), "points_mm"))
        object.__setattr__(self, "pixels", frozen(self.pixels, (len(ids), 2), "pixels"))


def find_board(levels: NDArray[Any], board: Board, window_px: int | None = None) -> BoardView | None:
    """Inner corners of the board in a picture, or None where it is not seen well enough (fewer than eight corners,
    or all in a line).

    Parameters: levels - (H, W) uint8 or uint16; window_px - half the side of the square window that a chessboard corner
        is refined in. Left out, it is a quarter of the smallest side of a square in the picture, at least 2: the window
        may not reach into the edges of the next corner (OpenCV's sample photographs: a quarter gives 0.20 px rms, half
        drags one view to 1.2 px).
    Notes: chessboards by cv2.findChessboardCorners and cornerSubPix, all inner corners or nothing. ChArUco corners are
        taken as cv2.aruco.CharucoDetector gives them, its own search run to 0.01 px: refined again they get worse.
    """
    picture = eight_bit(levels)
    ids, pixels = _chessboard(picture, board, window_px) if board.kind == "chessboard" else _charuco(picture, board)
    points = board.corner_mm(ids)
    if len(ids) < FEWEST_CORNERS or np.linalg.matrix_rank(points - points.mean(axis=0)) < 2:
        return None
    return BoardView(ids, points, pixels)


def looks_legacy(levels: NDArray[Any], board: Board) -> bool:
    """Whether a ChArUco board that was not found is found once its layout is taken as the other one of ``legacy``."""
    if board.kind != "charuco":
        return False
    return find_board(levels, replace(board, legacy=not board.legacy)) is not None


def eight_bit(levels: NDArray[Any]) -> NDArray[np.uint8]:
    """The picture for detectors that know 8 bits only; 16-bit levels are stretched to their own maximum (12 bits in
    16 use a sixteenth).
    """
    if levels.dtype == np.uint8:
        return np.ascontiguousarray(levels, dtype=np.uint8)
    top = max(float(levels.max()), 1.0)
    return np.asarray(np.round(levels * (255.0 / top)), dtype=np.uint8)


_NOTHING = (np.zeros(0, dtype=np.int32), np.zeros((0, 2)))


def _chessboard(picture: NDArray[np.uint8], board: Board, window_px: int | None) -> tuple[NDArray[np.int32], Array]:
    found, corners = cv2.findChessboardCorners(picture, (board.corners_x, board.corners_y))
    if not found:
        return _NOTHING
    corners = np.ascontiguousarray(corners, dtype=np.float32).reshape(-1, 1, 2)
    if window_px is None:
        grid = corners.reshape(board.corners_y, board.corners_x, 2)
        side = min(np.linalg.norm(np.diff(grid, axis=axis), axis=2).min() for axis in (0, 1))
        window_px = max(2, int(side / 4))
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 30, 1e-3)
    corners = cv2.cornerSubPix(picture, corners, (window_px, window_px), (-1, -1), criteria)
    return np.arange(board.corners_x * board.corners_y, dtype=np.int32), corners.reshape(-1, 2).astype(np.float64)


def charuco(board: Board) -> cv2.aruco.CharucoBoard:
    """A ChArUco board in OpenCV's words; lengths in mm, y down as printed."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, str(board.dictionary)))
    size = (board.squares_x, board.squares_y)
    printed = cv2.aruco.CharucoBoard(size, float(board.square_mm), float(board.marker_mm or 0.0), dictionary)
    printed.setLegacyPattern(board.legacy)
    return printed


def _charuco(picture: NDArray[np.uint8], board: Board) -> tuple[NDArray[np.int32], Array]:
    search = cv2.aruco.DetectorParameters()
    search.cornerRefinementMinAccuracy = 0.01  # the default stops at 0.1 px: 0.041 px of scatter instead of 0.024
    detector = cv2.aruco.CharucoDetector(charuco(board), cv2.aruco.CharucoParameters(), search)
    corners, ids, _, _ = detector.detectBoard(picture)
    if ids is None or len(ids) == 0:
        return _NOTHING
    return np.asarray(ids, dtype=np.int32).reshape(-1), np.asarray(corners, dtype=np.float64).reshape(-1, 2)
