"""The fixture's pose from its printed marks: their edges by blurred-step fits, looked for where they belong.

Default corner detection is 0.6 px off; straight lines fitted to the four edges of each mark through the full camera
model reach 0.01 px.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import budget, mark_kernels
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.edge import fit_edges
from edgeinspect.measure.fixture import Fixture
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.ribbon import lay_scan_lines, offsets, sample
from edgeinspect.measure.sharpness import own_blurs_mm

LINES_A_SIDE = 14
BAND_CELLS = 0.75  # half the search band, in cells of the mark: stays within its black border and quiet zone
LEAST_SIDE = 0.6  # of a side's lines must agree, or the mark is not used
LEAST_MARKS = 3  # they hold the pose
LEAST_TRUSTED = LEAST_MARKS + 2  # a length between two of them is read by the pose that the others hold
STRAY_PX = 0.25  # a mark this far from where all the others put it is left out and named ...
STRAY_SPREAD = 3.0  # ... unless the others agree no better than this among themselves


@dataclass(frozen=True)
class MarksFound:
    """``pose`` (fixture -> camera) is None when fewer than three marks were found."""

    pose: Pose | None
    covariance: Array  # (6, 6) of the rotation vector [rad] and translation [mm]
    seen: tuple[int, ...]
    stray: tuple[int, ...]  # found, but not where the others say they are
    corners_px: Array  # (K, 4, 2) of the seen marks
    residuals_px: Array  # (K, 4, 2) corners less where the pose puts them
    jacobian: Array  # (K, 8, 6) how the corners [px] answer to rotation vector [rad] and translation [mm]
    residual_px: float  # rms of them
    blur_px: float  # as sampled: bilinear sampling adds about 1/6 px² to the lens's own variance
    blurs_px: Array  # (K,) of each seen mark by itself


def _nothing() -> MarksFound:
    return MarksFound(
        None,
        np.zeros((6, 6)),
        (),
        (),
        *(np.zeros((0, 4, 2)),) * 2,
        np.zeros((0, 8, 6)),
        float("nan"),
        float("nan"),
        np.zeros(0),
    )


def find_marks(picture: GreyPicture, model: CameraModel, fixture: Fixture, expected_pose: Pose | None) -> MarksFound:
    """Fixture pose from the marks in one picture.

    Looks where ``expected_pose`` puts the marks; where they are not there (or no pose is given), searches the whole
    picture once.
    """
    if expected_pose is not None:
        found = _refine(picture, model, fixture, expected_pose)
        expected = len(fixture.in_view(model, expected_pose).marks)
        if len(found.seen) >= max(LEAST_MARKS, (expected + 1) // 2):
            return found
    start = _search(picture, model, fixture)
    return _nothing() if start is None else _refine(picture, model, fixture, start)


@lru_cache(maxsize=8)
def _dictionary(name: str) -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


@lru_cache(maxsize=8)
def _white(dictionary: str, ids: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which cells of marks, their black borders included, are white (K, n, n), row 0 at the top."""
    entry = _dictionary(dictionary)
    bits = [cv2.aruco.Dictionary.getBitsFromByteList(entry.bytesList[i : i + 1], entry.markerSize) for i in ids]
    return np.array([np.pad(np.asarray(cells, dtype=bool), 1) for cells in bits])


def white_cells(dictionary: str, mark_id: int) -> NDArray[np.bool_]:
    """Which cells (n, n) of one mark, its black border included, are white, row 0 at the top."""
    return np.asarray(_white(dictionary, (mark_id,))[0])


def _search(picture: GreyPicture, model: CameraModel, fixture: Fixture) -> Pose | None:
    grey = cv2.convertScaleAbs(picture.levels, alpha=255.0)
    corners, ids, _ = cv2.aruco.ArucoDetector(_dictionary(fixture.dictionary)).detectMarkers(grey)
    known = {mark.mark_id: mark for mark in fixture.marks}
    hits = (
        []
        if ids is None
        else [(known[int(i)], c) for i, c in zip(ids.ravel(), corners, strict=True) if int(i) in known]
    )
    if len(hits) < LEAST_MARKS:
        return None
    places = np.vstack([mark.corners_mm for mark, _ in hits])
    pixels = np.ascontiguousarray(np.vstack([np.asarray(c).reshape(4, 2) for _, c in hits]), dtype=np.float64)
    fine, turn, shift = cv2.solvePnP(places, pixels, model.matrix, model.distortion, flags=cv2.SOLVEPNP_SQPNP)
    return _pose(turn, shift) if fine else None


def _pose(turn: Any, shift: Any) -> Pose:
    rotation = np.asarray(cv2.Rodrigues(np.asarray(turn))[0], dtype=np.float64)
    return Pose(rotation, np.asarray(shift, dtype=np.float64).ravel())


def _refine(picture: GreyPicture, model: CameraModel, fixture: Fixture, pose: Pose) -> MarksFound:
    found = _nothing()
    fixture = fixture.in_view(model, pose)
    if len(fixture.marks) < LEAST_MARKS:
        return found
    for _ in range(3):
        corners, blurs, ids = _corners(picture, model, fixture, pose)
        if len(ids) < LEAST_MARKS:
            return found
        found = _pose_of(corners, blurs, ids, model, fixture, pose)
        if found.pose is None:
            return found
        known = fixture.corners_mm.reshape(-1, 3)
        moved = float(np.abs(model.project(known, found.pose) - model.project(known, pose)).max())
        pose = found.pose
        if moved < 0.2:  # scan lines this close to the edges no longer change the answer
            break
    return found


def _corners(
    picture: GreyPicture, model: CameraModel, fixture: Fixture, pose: Pose
) -> tuple[Array, tuple[float, Array], tuple[int, ...]]:
    """Corners (K, 4, 2) [px] of the marks that are where ``pose`` puts them and readable, the blur [px] of all and of
    each (K,), their ids.
    """
    starts = fixture.corners_mm
    white = _white(fixture.dictionary, tuple(mark.mark_id for mark in fixture.marks))
    along = np.linspace(0.12, 0.88, LINES_A_SIDE)
    outward = np.empty_like(starts)
    points, directions = (np.empty((len(starts), 4, LINES_A_SIDE, 3)) for _ in range(2))
    side_mm = mark_kernels.lay_sides(starts, along, outward, points, directions)
    half_mm = BAND_CELLS * side_mm / white.shape[1]
    lines = lay_scan_lines(points.reshape(-1, 3), directions.reshape(-1, 3), half_mm, model, pose)
    d_mm = offsets(half_mm, float(lines.px_per_mm.mean()))
    # Always from a narrow blur: it sets the window, and a wide one would reach the cells inside a small mark.
    ribbon = sample(picture, lines, d_mm)
    edges = fit_edges(ribbon, d_mm, lines.px_per_mm, 0.9, polarity=1.0)
    moved, whole = np.empty_like(starts), np.empty(len(starts), dtype=np.bool_)
    fitted = edges.d_mm.reshape(len(starts), 4, LINES_A_SIDE)
    mark_kernels.meet(starts, outward, fitted, along - 0.5, LEAST_SIDE, moved, whole)
    pixels = model.project(moved.reshape(-1, 3), pose).reshape(-1, 4, 2)
    step = float(np.median(np.abs(edges.contrast)))
    good = whole & _read(picture, model, white, moved, pose) & (step > 0.02)
    ids = tuple(mark.mark_id for mark, fine in zip(fixture.marks, good, strict=True) if fine)
    blur_mm, px_per_mm = float(edges.blur_mm[0]), float(lines.px_per_mm.mean())
    mark_of = np.repeat(np.arange(len(starts)), 4 * LINES_A_SIDE)
    own_mm = own_blurs_mm(ribbon, d_mm, edges.d_mm, blur_mm, mark_of, len(starts), BAND_CELLS * half_mm)
    return pixels[good], (blur_mm * px_per_mm, own_mm[good] * px_per_mm), ids


def _read(
    picture: GreyPicture, model: CameraModel, white: NDArray[np.bool_], corners_mm: Array, pose: Pose
) -> NDArray[np.bool_]:
    """Whether the cells between corners (K, 4, 3) are those of each mark, ``white`` (K, n, n); one cell in ten may be
    dirty.
    """
    places = _middles(white.shape[1]) @ corners_mm  # (K, n², 3)
    levels = picture.at(model.project(places.reshape(-1, 3), pose)).reshape(len(white), -1)
    bright = levels > 0.5 * (levels.max(axis=1) + levels.min(axis=1))[:, None]
    return np.asarray((bright != white.reshape(len(white), -1)).mean(axis=1) <= 0.1)


@lru_cache(maxsize=8)
def _middles(side: int) -> Array:
    """(n², 4): shares of a mark's corners in the middle of each of its cells."""
    middle = (np.arange(side) + 0.5) / side
    u, v = (grid.reshape(-1, 1) for grid in np.meshgrid(middle, middle))
    return np.hstack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v])


def _pose_of(
    corners: Array, blurs: tuple[float, Array], ids: tuple[int, ...], model: CameraModel, fixture: Fixture, start: Pose
) -> MarksFound:
    known = {mark.mark_id: mark.corners_mm for mark in fixture.marks}
    places = np.array([known[i] for i in ids])
    keep = np.ones(len(ids), dtype=bool)
    turn, shift = cv2.Rodrigues(start.rotation)[0].ravel(), start.translation_mm.copy()
    residual = np.zeros_like(corners)
    matrix: Array = np.zeros((8 * len(ids), 6))
    normal: Array = np.eye(6)
    for _ in range(12):
        predicted, jacobian = cv2.projectPoints(places.reshape(-1, 1, 3), turn, shift, model.matrix, model.distortion)
        residual = corners - np.asarray(predicted).reshape(-1, 4, 2)
        matrix = np.ascontiguousarray(np.asarray(jacobian, dtype=np.float64)[:, :6])
        used = matrix * np.repeat(keep, 8)[:, None]
        normal = used.T @ matrix
        change = np.linalg.solve(normal, used.T @ residual.reshape(-1))
        turn, shift = turn + change[:3], shift + change[3:]
        if np.abs(change[:3]).max() < 1e-9 and np.abs(change[3:]).max() < 1e-6:
            stray_one = _stray(matrix.reshape(-1, 8, 6), residual.reshape(-1, 8), np.flatnonzero(keep))
            if stray_one is None:
                break
            keep[stray_one] = False
    freedom = max(1, 8 * int(keep.sum()) - 6)
    rms = float(np.sqrt((residual[keep] ** 2).sum() / freedom))
    covariance = np.linalg.inv(normal) * max(rms, 0.01) ** 2
    seen = tuple(i for i, k in zip(ids, keep, strict=True) if k)
    stray = tuple(i for i, k in zip(ids, keep, strict=True) if not k)
    pose = _pose(turn, shift)
    jacobians = matrix.reshape(-1, 8, 6)[keep]
    blur_px, each = blurs
    return MarksFound(pose, covariance, seen, stray, corners[keep], residual[keep], jacobians, rms, blur_px, each[keep])


def _stray(jacobian: Array, residual: Array, used: NDArray[np.intp]) -> int | None:
    """The mark without which the others agree best, if they put it elsewhere.

    Least squares spreads the error of one mark that was moved over all of them, so each is judged by the pose that
    the others alone give (as in read_length).
    """
    if len(used) <= LEAST_MARKS:
        return None
    one, away, among = mark_kernels.stray(jacobian, residual, used)
    return int(used[one]) if away > max(STRAY_PX**2, STRAY_SPREAD**2 * among) else None


def read_length(
    found: MarksFound, fixture: Fixture, model: CameraModel, first: int, second: int
) -> tuple[float, float, float]:
    """Known and read distance [mm] between the centres of two seen marks, through a pose fitted to all the others,
    and the standard uncertainty that the noise of those others gives to it.

    The two marks have no say in the pose that reads them: that makes it a check, the best there is until a reference
    piece exists. Where the others lie far away or few they hold the pose badly, and the check says little: see u.
    """
    assert found.pose is not None
    known = {mark.mark_id: mark.corners_mm for mark in fixture.marks}
    corners = np.array([known[i] for i in found.seen])
    pair = [found.seen.index(first), found.seen.index(second)]
    rays = model.rays(found.corners_px[pair].reshape(-1, 2)).reshape(2, 4, 3)
    turn = cv2.Rodrigues(found.pose.rotation)[0].ravel()
    residual = found.residuals_px.reshape(-1, 8)
    read, u_per_px = mark_kernels.length_by_others(
        found.jacobian, residual, found.corners_px, rays, corners, turn, found.pose.translation_mm, *pair
    )
    length = float(np.linalg.norm(known[second].mean(axis=0) - known[first].mean(axis=0)))
    return length, float(read), budget.MARK_NOISE_PX * float(u_per_px)
