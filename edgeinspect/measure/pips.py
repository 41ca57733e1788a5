"""Formed pips as datums: the sharp edge of each round flat top, found like any other closed edge."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.edge import fit_edges
from edgeinspect.measure.measurement import Flag
from edgeinspect.measure.ribbon import Levels, lay_scan_lines, offsets, sample
from edgeinspect.shell.definition import Pip

LINES = 90
SEARCH_MM = 4.0
BAND_MM = 1.2  # the wall's foot follows about 1.7 mm further out and must stay outside
RADIUS_MAY_BE_OFF_MM = 0.4


@dataclass(frozen=True)
class PipFound:
    """Centre in the fixture plane at the pip's height [mm], or None."""

    centre_mm: Array | None  # (2,)
    u_mm: float
    radius_mm: float


def _circle(centre: Array, radius_mm: float, count: int) -> tuple[Array, Array]:
    angle = 2.0 * np.pi * np.arange(count) / count
    outward = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(count)])
    return centre + radius_mm * outward, outward


def find_pip(picture: Levels, pip: Pip, expected_mm: Array, model: CameraModel, pose: Pose, blur_px: float) -> PipFound:
    """Centre of a pip near ``expected_mm`` (3,), fixture frame; its height is taken from there."""
    found = _fit(picture, pip, expected_mm, model, pose, blur_px)
    if found.centre_mm is None:
        found = _fit(picture, pip, _search(picture, pip, expected_mm, model, pose), model, pose, blur_px)
    return found


def _fit(picture: Levels, pip: Pip, centre: Array, model: CameraModel, pose: Pose, blur_px: float) -> PipFound:
    radius = pip.diameter_mm / 2.0
    found = PipFound(None, float("nan"), float("nan"))
    for _ in range(3):
        points, outward = _circle(centre, radius, LINES)
        lines = lay_scan_lines(points, outward, BAND_MM, model, pose)
        d_mm = offsets(BAND_MM, float(np.median(lines.px_per_mm)))
        ribbon = sample(picture, lines, d_mm)
        edges = fit_edges(ribbon, d_mm, lines.px_per_mm, blur_px)
        usable = (edges.flags & (Flag.NO_EDGE | Flag.OUTSIDE)) == 0
        if usable.mean() < 0.6:
            return PipFound(None, float("nan"), float("nan"))
        rows = np.column_stack([outward[:, 0], outward[:, 1], np.ones(LINES)])
        d = np.nan_to_num(edges.d_mm)
        used, terms, rms = usable, np.zeros(3), 0.0
        for _ in range(3):
            terms = np.linalg.solve(rows[used].T @ rows[used], rows[used].T @ d[used])
            rest = d - rows @ terms
            rms = float(np.sqrt(np.mean(rest[used] ** 2)))
            used = usable & (np.abs(rest) < max(0.05, 3.0 * rms))
            if used.mean() < 0.5:
                return PipFound(None, float("nan"), float("nan"))
        if abs(terms[2]) > RADIUS_MAY_BE_OFF_MM or rms > 0.25:
            return PipFound(None, float("nan"), float("nan"))
        centre = centre + np.array([terms[0], terms[1], 0.0])
        u = (
            rms * float(np.sqrt(2.0 / used.sum())) * np.sqrt(2.0)
        )  # neighbouring lines share blur and texture: half of them count
        found = PipFound(centre[:2].copy(), u, radius + float(terms[2]))
        if np.hypot(terms[0], terms[1]) < 0.05:
            return found
    return found


def _search(picture: Levels, pip: Pip, expected_mm: Array, model: CameraModel, pose: Pose) -> Array:
    """Best centre within SEARCH_MM: where most of a ring of the pip's radius is an edge of one direction."""
    half = SEARCH_MM + pip.diameter_mm / 2.0 + BAND_MM
    spacing = 0.2
    axis = np.arange(-half, half + spacing / 2, spacing)
    x, y = np.meshgrid(axis, axis)
    places = np.column_stack([expected_mm[0] + x.ravel(), expected_mm[1] + y.ravel(), np.full(x.size, expected_mm[2])])
    pixels = model.project(places, pose).astype(np.float32).reshape(*x.shape, 2)
    plan = cv2.remap(
        picture, np.ascontiguousarray(pixels[..., 0]), np.ascontiguousarray(pixels[..., 1]), cv2.INTER_LINEAR
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
