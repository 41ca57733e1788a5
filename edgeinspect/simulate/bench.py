"""The demo station by numbers: plate, printed marks, grey patch, nests, board and the camera "top". Fixture frame
[mm].
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.simulate.camera import TrueCamera, looking_at

NOMINAL_SEATING = Pose.from_degrees((0.0, 0.0, 0.0), (0.0, 0.0, 60.0))  # shell -> fixture
MARK_DICTIONARY, MARK_CELLS = "DICT_4X4_50", 6  # with its black border
MARKS_MM: dict[int, tuple[float, float, float]] = {  # id: centre x, y, side
    0: (-215.0, 160.0, 25.0),
    1: (215.0, 160.0, 25.0),
    2: (215.0, -160.0, 25.0),
    3: (-215.0, -160.0, 25.0),
    4: (0.0, 168.0, 14.0),
    5: (227.0, 0.0, 14.0),
    6: (0.0, -168.0, 14.0),
    7: (-227.0, 0.0, 14.0),
}
PATCH_MM = (110.0, 168.0, 24.0, 12.0)  # centre x, y, width, height


@dataclass(frozen=True)
class Plate:
    """What is printed on a plate [mm]: marks by id (centre x, y, side), grey patch (centre x, y, width, height)."""

    marks_mm: Mapping[int, tuple[float, float, float]]
    patch_mm: tuple[float, float, float, float]


PLATE = Plate(MARKS_MM, PATCH_MM)
NESTS_MM = (
    (-209.0, 55.0),
    (-209.0, -55.0),
    (209.0, 55.0),
    (209.0, -55.0),
)  # outer face x, y of blocks that carry the ends
NEST_WIDTH_MM, NEST_DEPTH_MM, NEST_TOP_MM = 22.0, 30.0, 32.0

BOARD_SQUARES, BOARD_SQUARE_MM, BOARD_MARKER_MM = (13, 9), 30.0, 22.0
BOARD_DICTIONARY = "DICT_5X5_250"
BOARD_SHEET_MM = (394.0, 274.0, 3.0)  # the printed sheet: 2 mm of white around the squares, 3 mm thick
BOARD_PX_PER_MM = 14  # 22 mm / 7 cells = 44 px: every edge of the print falls between pixels
BOARD_IN_FIXTURE = Pose.from_degrees((0.0, 0.0, 0.0), (0.0, 0.0, 3.0))

ALBEDO = {"plate": 0.04, "shell": 0.45, "white": 0.85, "black": 0.05, "patch": 0.50, "nest": 0.07}


def top_camera() -> TrueCamera:
    """The camera above the plate, as it stands when nobody has knocked it."""
    pose = looking_at((14.0, -9.0, 912.0), (0.6, 0.4, 0.0), roll_deg=0.35)
    return TrueCamera(1600, 1200, 3004.2, 3003.1, 805.3, 594.6, (-0.121, 0.103, 3.1e-4, -2.7e-4, 0.0), pose)


def rear_camera() -> TrueCamera:
    """A second one above the rear half (y from -12 to 186 mm): nearer, so finer; marks 0, 1, 4, 5 and 7 lie in it."""
    pose = looking_at((-10.0, 92.0, 780.0), (-2.0, 87.6, 0.0), roll_deg=-0.25)
    return TrueCamera(1760, 720, 2761.3, 2760.2, 874.1, 363.8, (-0.108, 0.091, -2.2e-4, 3.4e-4, 0.0), pose)


def cameras() -> dict[str, TrueCamera]:
    """The station's cameras by name."""
    return {"top": top_camera(), "rear": rear_camera()}


def mark_corners_mm(mark: int) -> Array:
    """Corners (4, 3) of the black square: top left, top right, bottom right, bottom left as the camera sees them."""
    x, y, side = MARKS_MM[mark]
    h = side / 2
    return np.array([[x - h, y + h, 0.0], [x + h, y + h, 0.0], [x + h, y - h, 0.0], [x - h, y - h, 0.0]])


@cache
def mark_cells(mark: int) -> NDArray[np.uint8]:
    """Cells (6, 6) of a mark, 1 = white, row 0 at the top."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARK_DICTIONARY))
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, mark, MARK_CELLS) > 127, dtype=np.uint8)


@cache
def board_print() -> NDArray[np.uint8]:
    """The board's print (H, W), 1 = white, row 0 at the top (+y of the board as it lies in the fixture)."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, BOARD_DICTIONARY))
    board = cv2.aruco.CharucoBoard(BOARD_SQUARES, BOARD_SQUARE_MM, BOARD_MARKER_MM, dictionary)
    size = tuple(int(n * BOARD_SQUARE_MM * BOARD_PX_PER_MM) for n in BOARD_SQUARES)
    return np.asarray(board.generateImage(size, marginSize=0, borderBits=1) > 127, dtype=np.uint8)
