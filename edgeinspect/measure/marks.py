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
from edgeinspect.measure import budget
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.edge import fit_edges
from edgeinspect.measure.fixture import Fixture, Mark
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.ribbon import lay_scan_lines, offsets, sample

LINES_A_SIDE = 14
BAND_CELLS = 0.75  # half the search band, in cells of the mark: stays within its black border and quiet zone
LEAST_MARKS = 3
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


def _nothing() -> MarksFound:
    return MarksFound(
        None, np.zeros((6, 6)), (), (), *(np.zeros((0, 4, 2)),) * 2, np.zeros((0, 8, 6)), float("nan"), float("nan")
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


@lru_cache(maxsize=256)
def _cells(dictionary: str, mark_id: int) -> NDArray[np.bool_]:
    """Which cells of a mark, its black border included, are white (n, n), row 0 at the top."""
    entry = _dictionary(dictionary)
    bits = cv2.aruco.Dictionary.getBitsFromByteList(entry.bytesList[mark_id : mark_id + 1], entry.markerSize)
    return np.pad(np.asarray(bits, dtype=bool), 1)


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
        corners, blur, ids = _corners(picture, model, fixture, pose)
        if len(ids) < LEAST_MARKS:
            return found
        found = _pose_of(corners, blur, ids, model, fixture, pose)
        if found.pose is None:
            return found
        known = np.vstack([mark.corners_mm for mark in fixture.marks])
        moved = float(np.abs(model.project(known, found.pose) - model.project(known, pose)).max())
        pose = found.pose
        if moved < 0.2:  # scan lines this close to the edges no longer change the answer
            break
    return found


def _corners(
    picture: GreyPicture, model: CameraModel, fixture: Fixture, pose: Pose
) -> tuple[Array, float, tuple[int, ...]]:
    """Corners (K, 4, 2) [px] of the marks that are where ``pose`` puts them and readable, the blur [px], their ids."""
    marks = fixture.marks
    starts = np.array([mark.corners_mm for mark in marks])  # (K, 4, 3)
    sides = np.roll(starts, -1, axis=1) - starts
    upward = np.cross(sides[:, 1], sides[:, 0])  # towards the camera for corners given clockwise
    outward = np.cross(sides, upward[:, None, :])
    outward /= -np.linalg.norm(outward, axis=2, keepdims=True)
    along = np.linspace(0.12, 0.88, LINES_A_SIDE)
    points = starts[:, :, None, :] + along[None, None, :, None] * sides[:, :, None, :]
    directions = np.broadcast_to(outward[:, :, None, :], points.shape)
    cells = len(_cells(fixture.dictionary, marks[0].mark_id))
    half_mm = BAND_CELLS * float(np.linalg.norm(sides, axis=2).min()) / cells
    lines = lay_scan_lines(points.reshape(-1, 3), directions.reshape(-1, 3), half_mm, model, pose)
    d_mm = offsets(half_mm, float(lines.px_per_mm.mean()))
    # Always from a narrow blur: it sets the window, and a wide one would reach the cells inside a small mark.
    edges = fit_edges(sample(picture, lines, d_mm), d_mm, lines.px_per_mm, 0.9, polarity=1.0)
    fitted = edges.d_mm.reshape(len(marks), 4, LINES_A_SIDE)
    offset, slope, full = _side_lines(fitted, along - 0.5)
    # A corner moves so that it lies on both of its displaced sides.
    at_start, at_end = offset - 0.5 * slope, offset + 0.5 * slope
    before = np.roll(outward, 1, axis=1)
    cos = np.einsum("kij,kij->ki", before, outward)
    one, two = np.roll(at_end, 1, axis=1), at_start
    share = 1.0 / (1.0 - cos**2)
    moved = starts + (
        ((one - cos * two) * share)[..., None] * before + ((two - cos * one) * share)[..., None] * outward
    )
    pixels = model.project(np.nan_to_num(moved).reshape(-1, 3), pose).reshape(-1, 4, 2)
    step = float(np.median(np.abs(edges.contrast)))
    good = full & _read(picture, model, fixture.dictionary, marks, moved, pose) & (step > 0.02)
    ids = tuple(mark.mark_id for mark, fine in zip(marks, good, strict=True) if fine)
    return pixels[good], float(edges.blur_mm[0] * lines.px_per_mm.mean()), ids


def _side_lines(d: Array, t: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Offset and slope (K, 4) of a line through each side's edge offsets (K, 4, L); False where a side has too few
    lines.

    Two rounds: lines that lie more than three robust deviations from the first are dirt or a scratch and are left out.
    """
    weight = np.isfinite(d).astype(np.float64)
    d = np.nan_to_num(d)
    offset = slope = np.zeros(d.shape[:2])
    for _ in range(2):
        s0, s1, s2 = weight.sum(-1), (weight * t).sum(-1), (weight * t * t).sum(-1)
        b0, b1 = (weight * d).sum(-1), (weight * t * d).sum(-1)
        det = np.maximum(s0 * s2 - s1 * s1, 1e-12)
        offset, slope = (s2 * b0 - s1 * b1) / det, (s0 * b1 - s1 * b0) / det
        away = np.abs(d - offset[..., None] - slope[..., None] * t)
        spread = 1.4826 * np.median(away, axis=-1, keepdims=True) + 1e-4
        weight = weight * (away < 3.0 * spread)
    return offset, slope, (weight.sum(-1) >= 0.6 * d.shape[-1]).all(axis=1)


def _read(
    picture: GreyPicture, model: CameraModel, dictionary: str, marks: tuple[Mark, ...], corners_mm: Array, pose: Pose
) -> NDArray[np.bool_]:
    """Whether the cells between corners (K, 4, 3) are those of each mark's id (one cell in ten may be dirty)."""
    white = np.array([_cells(dictionary, mark.mark_id).ravel() for mark in marks])  # (K, n²)
    side = round(white.shape[1] ** 0.5)
    middle = (np.arange(side) + 0.5) / side
    u, v = (grid.reshape(-1, 1) for grid in np.meshgrid(middle, middle))
    share = np.hstack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v])  # of each corner in each cell's middle
    places = share @ np.nan_to_num(corners_mm)  # (K, n², 3)
    levels = picture.at(model.project(places.reshape(-1, 3), pose)).reshape(white.shape)
    bright = levels > 0.5 * (levels.max(axis=1) + levels.min(axis=1))[:, None]
    return np.asarray(((bright != white).mean(axis=1) <= 0.1) & np.isfinite(corners_mm).all(axis=(1, 2)))


def _pose_of(
    corners: Array, blur: float, ids: tuple[int, ...], model: CameraModel, fixture: Fixture, start: Pose
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
        matrix = np.asarray(jacobian, dtype=np.float64)[:, :6]
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
    return MarksFound(pose, covariance, seen, stray, corners[keep], residual[keep], jacobians, rms, blur)


def _stray(jacobian: Array, residual: Array, used: NDArray[np.intp]) -> int | None:
    """The mark without which the others agree best, if they put it elsewhere.

    Least squares spreads the error of one mark that was moved over all of them, so each is judged by the pose that
    the others alone give (as in read_length).
    """
    if len(used) <= LEAST_MARKS:
        return None
    rows, rest = jacobian[used], residual[used]
    squares = np.einsum("kji,kjl->kil", rows, rows)
    pull = np.einsum("kji,kj->ki", rows, rest)
    change = np.linalg.solve(squares.sum(axis=0) - squares, -pull[..., None])[..., 0]  # of the pose, without each mark
    off = ((rest - np.einsum("kji,ui->ukj", rows, change)) ** 2).mean(axis=2)  # (without u, of mark k) [px²]
    away = np.diag(off)
    among = (off.sum(axis=1) - away) / (len(used) - 1)
    one = int(np.argmin(among))
    return int(used[one]) if away[one] > max(STRAY_PX**2, STRAY_SPREAD**2 * among[one]) else None


def read_length(
    found: MarksFound, fixture: Fixture, model: CameraModel, first: int, second: int
) -> tuple[float, float, float]:
    """Known and read distance [mm] between the centres of two seen marks, through a pose fitted to all the others,
    and the standard uncertainty that the noise of those others gives to it.

    The two marks have no say in the pose that reads them: that makes it a check, the best there is until a reference
    piece exists. Where the others lie far away or few they hold the pose badly, and the check says little: see u.
    Taking two marks out of the normal equations gives the others' pose without fitting it again.
    """
    assert found.pose is not None
    known = {mark.mark_id: mark.corners_mm for mark in fixture.marks}
    pair = [found.seen.index(first), found.seen.index(second)]
    theirs = found.jacobian[pair].reshape(-1, 6)
    every = found.jacobian.reshape(-1, 6)
    others = np.linalg.inv(every.T @ every - theirs.T @ theirs)
    change = others @ (-theirs.T @ found.residuals_px[pair].reshape(-1))
    pose = _pose(cv2.Rodrigues(found.pose.rotation)[0].ravel() + change[:3], found.pose.translation_mm + change[3:])
    rays = model.rays(found.corners_px[pair].reshape(-1, 2)) @ pose.rotation
    camera = pose.inverse().translation_mm
    corners = np.vstack([known[first], known[second]])
    places = camera + rays * ((corners[:, 2] - camera[2]) / rays[:, 2])[:, None]
    span = places[4:].mean(axis=0) - places[:4].mean(axis=0)
    read = float(np.linalg.norm(span))
    follow = [_centre_follows(found, k, known[mark]) for k, mark in zip(pair, (first, second), strict=True)]
    slope = span[:2] / read @ (follow[1] - follow[0])
    u = budget.MARK_NOISE_PX * float(np.sqrt(slope @ others @ slope))
    return float(np.linalg.norm(known[second].mean(axis=0) - known[first].mean(axis=0))), read, u


def _centre_follows(found: MarksFound, k: int, corners_mm: Array) -> Array:
    """(2, 6): how the centre of the k-th mark seen, read through the pose, follows the pose [mm per rad, mm]: its
    pixels stay, so it moves against them.
    """
    mm, px = corners_mm[:, :2] - corners_mm[:, :2].mean(axis=0), found.corners_px[k] - found.corners_px[k].mean(axis=0)
    px_per_mm = np.linalg.solve(mm.T @ mm, mm.T @ px).T
    return -np.linalg.solve(px_per_mm, found.jacobian[k].reshape(4, 2, 6).mean(axis=0))
