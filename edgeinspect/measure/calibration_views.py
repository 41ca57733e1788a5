"""Whether a set of board pictures can fix a camera at all: enough of them, all over the picture, tipped enough. Each
refusal says what to do.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from edgeinspect.errors import CalibrationError
from edgeinspect.geometry import Array, Pose

CELLS_X, CELLS_Y = 8, 6
_ROWS, _COLUMNS = ("upper", "middle", "lower"), ("left", "centre", "right")


def place_words(pixel: Array, width_px: int, height_px: int) -> str:
    """Which ninth of the picture a pixel lies in: "upper left", "upper centre", "middle"."""
    column = int(np.clip(3 * (pixel[0] + 0.5) / width_px, 0, 2))
    row = int(np.clip(3 * (pixel[1] + 0.5) / height_px, 0, 2))
    return "middle" if (row, column) == (1, 1) else f"{_ROWS[row]} {_COLUMNS[column]}"


def listed(words: Sequence[str], at_most: int = 8) -> str:
    """ "a", "a and b", "a, b and c", "a, b and 7 more"."""
    words = list(words)
    if len(words) > at_most:
        words = [*words[: at_most - 1], f"{len(words) - at_most + 1} more"]
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def enough_views(camera: str, seen: Sequence[str], empty: Sequence[str], fewest: int) -> None:
    """Raises CalibrationError when the board was found in too few pictures, naming those in which it was not."""
    if len(seen) >= fewest:
        return
    if not seen and empty:
        raise CalibrationError(
            f"camera {camera}: no board was found in any of {len(empty)} pictures ({listed(empty)}): is the board the "
            "one described (kind, squares, dictionary, layout), sharp and wholly lit?"
        )
    missed = f"; no board was found in {listed(empty)}" if empty else ""
    raise CalibrationError(
        f"camera {camera}: the board was found in {len(seen)} pictures, must be at least {fewest}{missed}: take more, "
        "the board tipped differently in each"
    )


def hit_cells(
    pixels: Sequence[Array], width_px: int, height_px: int
) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """How many corners fall into each of 6 x 8 cells of the picture."""
    x, y = (np.vstack(list(pixels)) + 0.5).T
    cells, _, _ = np.histogram2d(y, x, bins=(CELLS_Y, CELLS_X), range=((0, height_px), (0, width_px)))
    return np.asarray(cells, dtype=np.int64)


def hit_share(pixels: Sequence[Array], width_px: int, height_px: int) -> float:
    return float((hit_cells(pixels, width_px, height_px) > 0).mean())


def coverage_problems(
    camera: str, pixels: Sequence[Array], width_px: int, height_px: int, empty_parts: int, least_share: float
) -> list[str]:
    """Parts of the picture that no corner reached: whole ninths, more than ``empty_parts``, or too much all over."""
    x, y = (np.vstack(list(pixels)) + 0.5).T
    ninths, _, _ = np.histogram2d(y, x, bins=(3, 3), range=((0, height_px), (0, width_px)))
    middles = [np.array([(c + 0.5) * width_px / 3, (r + 0.5) * height_px / 3]) for r, c in np.argwhere(ninths == 0)]
    if len(middles) > empty_parts:
        words = listed([place_words(m, width_px, height_px) for m in middles])
        return [
            f"camera {camera}: the board never reached the {words} of the picture: add pictures with the board there"
        ]
    share = hit_share(pixels, width_px, height_px)
    if share < least_share:
        return [
            f"camera {camera}: the board covered {share:.0%} of the picture, must be at least {least_share:.0%}: add "
            "pictures with the board nearer, and towards the edges"
        ]
    return []


def tilts_deg(poses: Sequence[Pose]) -> Array:
    """How far each board is tipped (V, 2) [deg]: left-right and up-down, against a board square to the camera."""
    normals = np.array([pose.rotation[:, 2] for pose in poses])
    normals *= np.sign(normals[:, 2:])
    return np.asarray(np.rad2deg(np.arctan2(normals[:, :2], normals[:, 2:])), dtype=np.float64)


def tilt_problems(camera: str, poses: Sequence[Pose], least_deg: float) -> list[str]:
    """Parallel boards cannot tell focal length from distance: the tip must differ by ``least_deg`` both ways."""
    spread = np.ptp(tilts_deg(poses), axis=0)
    problems = []
    for angle, words in zip(spread, ("left and right", "towards the camera and away from it"), strict=True):
        if angle < least_deg:
            problems.append(
                f"camera {camera}: the boards differ by {angle:.0f} degrees only, tipped {words}, must be at least "
                f"{least_deg:.0f}: add pictures with the board tipped {words}"
            )
    return problems
