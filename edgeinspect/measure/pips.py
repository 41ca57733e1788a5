"""Formed pips as datums: the sharp edge of each round flat top, found like any other closed edge."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import kernels
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.edge import fit_edges
from edgeinspect.measure.measurement import Flag
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.ribbon import lay_scan_lines, offsets, sample
from edgeinspect.shell.definition import Pip

LINES = 90
SEARCH_MM = 4.0
BAND_MM = 1.2  # the wall's foot follows about 1.7 mm further out and must stay outside
RADIUS_MAY_BE_OFF_MM = 0.4
HALF_WINDOW_PX = 2.0  # seen from the side the wall is only some 4 px wide: its foot must not pull at the fit


@dataclass(frozen=True)
class PipFound:
    """Centre in the fixture plane at the pip's height [mm], or None."""

    centre_mm: Array | None  # (2,)
    u_mm: float
    radius_mm: float


def find_pips(
    picture: GreyPicture, pips: tuple[Pip, ...], expected_mm: Array, model: CameraModel, pose: Pose, blur_px: float
) -> list[PipFound]:
    """Centres of pips near ``expected_mm`` (K, 3), fixture frame; heights are taken from there.

    Looks close by first, then once more where a ring of the pip's radius shows best within SEARCH_MM.
    """
    found = _fit(picture, pips, expected_mm, model, pose, blur_px)
    lost = [k for k, one in enumerate(found) if one.centre_mm is None]
    if lost:
        start = np.array([_search(picture, pips[k], expected_mm[k], model, pose) for k in lost])
        again = _fit(picture, tuple(pips[k] for k in lost), start, model, pose, blur_px)
        for k, one in zip(lost, again, strict=True):
            found[k] = one
    return found


def _fit(
    picture: GreyPicture, pips: tuple[Pip, ...], centres: Array, model: CameraModel, pose: Pose, blur_px: float
) -> list[PipFound]:
    """Circles fitted to the tops' edges, all pips on one ribbon."""
    angle = 2.0 * np.pi * np.arange(LINES) / LINES
    outward = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(LINES)])
    rows = np.column_stack([outward[:, :2], np.ones(LINES)])
    radius = np.array([pip.diameter_mm / 2.0 for pip in pips])
    found: list[PipFound] = []
    for _ in range(3):
        points = centres[:, None, :] + radius[:, None, None] * outward
        directions = np.broadcast_to(outward, points.shape)
        lines = lay_scan_lines(points.reshape(-1, 3), directions.reshape(-1, 3), BAND_MM, model, pose)
        d_mm = offsets(BAND_MM, float(lines.px_per_mm.mean()))
        edges = fit_edges(sample(picture, lines, d_mm), d_mm, lines.px_per_mm, blur_px, half_window_px=HALF_WINDOW_PX)
        usable = ((edges.flags & (Flag.NO_EDGE | Flag.OUTSIDE)) == 0).reshape(-1, LINES)
        offset = edges.d_mm.reshape(-1, LINES)
        circles = [_circle(rows, offset[k], usable[k]) for k in range(len(pips))]
        moves = np.array([[0.0, 0.0, 0.0] if c is None else [c.terms[0], c.terms[1], 0.0] for c in circles])
        centres = centres + moves
        found = [
            PipFound(None, float("nan"), float("nan"))
            if circle is None
            else PipFound(centres[k, :2].copy(), circle.u_mm, float(radius[k] + circle.terms[2]))
            for k, circle in enumerate(circles)
        ]
        if np.abs(moves).max() < 0.1:  # 0.1 mm beside the middle of a 4 mm circle is worth 0.001 mm
            break
    return found


@dataclass(frozen=True)
class _Circle:
    terms: Array  # dx, dy, radius less the nominal
    u_mm: float


def _circle(rows: Array, offset: Array, usable: NDArray[np.bool_]) -> _Circle | None:
    """Least-squares circle near the nominal one; None when too little of it is seen or it is not round."""
    if np.count_nonzero(usable) < 0.5 * len(rows):
        return None
    terms = np.asarray(kernels.robust_fit(rows, offset, usable, 2, 0.05))
    rest = offset - rows @ terms
    used = usable & (np.abs(rest) < 0.25)
    if np.count_nonzero(used) < 0.5 * len(rows):
        return None
    rms = float(np.sqrt((rest[used] ** 2).mean()))
    if abs(terms[2]) > RADIUS_MAY_BE_OFF_MM or rms > 0.25:
        return None
    # Neighbouring lines share blur and texture: half of them count.
    return _Circle(terms, rms * float(np.sqrt(4.0 / np.count_nonzero(used))))


def _search(picture: GreyPicture, pip: Pip, expected_mm: Array, model: CameraModel, pose: Pose) -> Array:
    """Best centre within SEARCH_MM: where most of a ring of the pip's radius is an edge of one direction."""
    half = SEARCH_MM + pip.diameter_mm / 2.0 + BAND_MM
    spacing = 0.2
    axis = np.arange(-half, half + spacing / 2, spacing)
    x, y = np.meshgrid(axis, axis)
    places = np.column_stack([expected_mm[0] + x.ravel(), expected_mm[1] + y.ravel(), np.full(x.size, expected_mm[2])])
    pixels = model.project(places, pose).astype(np.float32).reshape(*x.shape, 2)
    plan = cv2.remap(
        picture.levels, np.ascontiguousarray(pixels[..., 0]), np.ascontiguousarray(pixels[..., 1]), cv2.INTER_LINEAR
    )
    plan = cv2.GaussianBlur(plan, (0, 0), 1.5)
    radius = np.hypot(x, y)
    ring = pip.diameter_mm / 2.0
    inside = (radius < ring - 0.2) & (radius > ring - 1.4)
    outside = (radius > ring + 0.2) & (radius < ring + 1.4)
    kernel = np.where(outside, 1.0 / outside.sum(), 0.0) - np.where(inside, 1.0 / inside.sum(), 0.0)
    answer = np.abs(cv2.filter2D(plan, cv2.CV_32F, kernel.astype(np.float32), borderType=cv2.BORDER_REPLICATE))
    answer[radius > SEARCH_MM] = 0.0
    row, column = np.unravel_index(int(answer.argmax()), answer.shape)
    return np.asarray(expected_mm + np.array([axis[column], axis[row], 0.0]))
