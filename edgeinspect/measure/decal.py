"""Decals: there or not, offset and rotation along the surface.

The picture is sampled on a grid in the decal's own surface coordinates (through camera, pose and patch, so a curved
patch is no special case) and the artwork, blurred like the lens, is laid on it: coarsely by masked correlation, then
by Gauss-Newton with brightness gain and a light gradient.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.frames import Datum
from edgeinspect.measure.measurement import DecalResult
from edgeinspect.measure.picture import GreyPicture, Levels
from edgeinspect.measure.setup import Sight, quantity
from edgeinspect.shell.definition import Artwork, Decal

REACH_MM = 15.0
REACH_DEG = 24.0
COARSE_MM = 1.0
COARSE_DEG = 3.0
THERE = 0.75  # correlation at the fine place: artwork found by chance stays far below, printed well is above 0.95
GONE = 0.45  # below this at the best coarse place the panel is bare


@dataclass(frozen=True)
class DecalFit:
    there: bool | None
    dx_mm: float = float("nan")
    dy_mm: float = float("nan")
    rotation_deg: float = float("nan")
    covariance: Array | None = None  # (3, 3) of dx, dy [mm], rotation [rad], from picture noise and misfit
    correlation: float = 0.0
    outline_pixel: Array | None = None
    nominal_pixel: Array | None = None


@dataclass(frozen=True)
class _Unrolled:
    """The picture along the surface: levels at even spacing, u to the right and v up, origin in the middle."""

    levels: Levels
    spacing_mm: float


def measure_decal(
    picture: GreyPicture, decal: Decal, shell_pose: Pose, model: CameraModel, pose: Pose, blur_px: float
) -> DecalFit:
    """Fit one decal. ``shell_pose`` - shell -> fixture as seated (by its datums); ``pose`` - fixture -> camera."""
    art = decal.artwork
    where = pose.after(shell_pose)
    corners = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * (art.width_mm / 2, art.height_mm / 2)
    nominal = model.project(decal.patch.points(corners[:, 0], corners[:, 1]), where)
    scale = float(np.hypot(*(nominal[1] - nominal[0]))) / art.width_mm  # px per mm
    fine_mm = 1.0 / scale
    view = _unroll(picture, decal, where, model, fine_mm)
    turned, dx, dy, score = _coarse(view, art)
    if score < GONE:
        return DecalFit(False, correlation=score, nominal_pixel=nominal)
    blur_mm = blur_px / scale
    start = np.array([dx, dy, np.deg2rad(turned)])
    values, covariance, correlation = _fine(view, art, start, blur_mm)
    if not np.isfinite(values).all() or correlation < THERE or np.abs(values[:2] - start[:2]).max() > 3.0:
        return DecalFit(None, correlation=correlation, nominal_pixel=nominal)
    cos, sin = np.cos(values[2]), np.sin(values[2])
    found = corners @ np.array([[cos, sin], [-sin, cos]]) + values[:2]
    outline = model.project(decal.patch.points(found[:, 0], found[:, 1]), where)
    return DecalFit(
        True,
        float(values[0]),
        float(values[1]),
        float(np.rad2deg(values[2])),
        covariance,
        correlation,
        outline,
        nominal,
    )


def _unroll(picture: GreyPicture, decal: Decal, where: Pose, model: CameraModel, spacing_mm: float) -> _Unrolled:
    half_u = decal.artwork.width_mm / 2 + REACH_MM + 5.0
    half_v = decal.artwork.height_mm / 2 + REACH_MM + 5.0
    u = np.arange(-round(half_u / spacing_mm), round(half_u / spacing_mm) + 1) * spacing_mm
    v = np.arange(round(half_v / spacing_mm), -round(half_v / spacing_mm) - 1, -1) * spacing_mm
    grid_u, grid_v = np.meshgrid(u, v)
    pixels = model.project(decal.patch.points(grid_u, grid_v).reshape(-1, 3), where)
    maps = [pixels[:, k].astype(np.float32).reshape(grid_u.shape) for k in range(2)]
    border = cv2.BORDER_CONSTANT
    levels = cv2.remap(picture.levels, maps[0], maps[1], cv2.INTER_LINEAR, borderMode=border, borderValue=0.0)
    return _Unrolled(np.asarray(levels, dtype=np.float32), spacing_mm)


def _printed(art: Artwork, blur_mm: float) -> tuple[Levels, Levels, float]:
    """Artwork and opacity blurred like the picture, and the artwork's pixels per mm."""
    per_mm = art.grey.shape[1] / art.width_mm
    pad = int(np.ceil(4 * blur_mm * per_mm)) + 1
    grey = np.pad(art.grey.astype(np.float32), pad, mode="edge")
    opacity = np.pad(art.opacity.astype(np.float32), pad)
    sigma = max(blur_mm * per_mm, 0.3)
    solid = cv2.GaussianBlur(opacity, (0, 0), sigma)
    ink = cv2.GaussianBlur(grey * opacity, (0, 0), sigma)
    return np.asarray(ink, dtype=np.float32), np.asarray(solid, dtype=np.float32), per_mm


def _at_spacing(art: Artwork, spacing_mm: float) -> tuple[Levels, Levels]:
    size = (round(art.width_mm / spacing_mm), round(art.height_mm / spacing_mm))
    grey = cv2.resize(art.grey.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    opacity = cv2.resize(art.opacity.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(grey, dtype=np.float32), np.asarray(opacity, dtype=np.float32)


def _coarse(view: _Unrolled, art: Artwork) -> tuple[float, float, float, float]:
    """Rotation [deg], dx, dy [mm] and correlation of the best place, by masked correlation at COARSE_MM."""
    factor = view.spacing_mm / COARSE_MM
    small = cv2.resize(view.levels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    grey, opacity = _at_spacing(art, COARSE_MM)
    best = (0.0, 0.0, 0.0, -1.0)
    side = int(np.ceil(np.hypot(*grey.shape))) | 1
    for turn in np.arange(-REACH_DEG, REACH_DEG + 0.1, COARSE_DEG):
        height, width = grey.shape
        matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), float(turn), 1.0)
        rows = int(np.ceil(height * np.cos(np.deg2rad(turn)) + width * abs(np.sin(np.deg2rad(turn)))))
        size = (min(side, width + 8) | 1, min(side, max(rows, height)) | 1)
        matrix[:, 2] += ((size[0] - width) / 2, (size[1] - height) / 2)
        template = cv2.warpAffine(grey, matrix, size)
        mask = (cv2.warpAffine(opacity, matrix, size) > 0.5).astype(np.float32)
        if size[0] > small.shape[1] or size[1] > small.shape[0] or mask.sum() < 20:
            continue
        score = np.nan_to_num(cv2.matchTemplate(small, template, cv2.TM_CCOEFF_NORMED, mask=mask), posinf=-1, neginf=-1)
        row, column = np.unravel_index(int(score.argmax()), score.shape)
        if 1.01 >= score[row, column] > best[3]:
            x = column + (size[0] - 1) / 2 - (small.shape[1] - 1) / 2
            y = (small.shape[0] - 1) / 2 - row - (size[1] - 1) / 2
            best = (float(turn), x * COARSE_MM, y * COARSE_MM, float(score[row, column]))
    return best


def _fine(view: _Unrolled, art: Artwork, start: Array, blur_mm: float) -> tuple[Array, Array, float]:
    """dx, dy [mm], rotation [rad], covariance and correlation by Gauss-Newton over the artwork's solid part."""
    ink, solid, per_mm = _printed(art, blur_mm)
    ink_x, ink_y = cv2.Sobel(ink, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(ink, cv2.CV_32F, 0, 1, scale=0.125)
    height, width = view.levels.shape
    columns, rows = np.meshgrid(np.arange(width), np.arange(height))
    u = ((columns - (width - 1) / 2) * view.spacing_mm).astype(np.float32)
    v = (((height - 1) / 2 - rows) * view.spacing_mm).astype(np.float32)
    values = start.copy()
    covariance, correlation = np.full((3, 3), np.nan), 0.0
    half_u, half_v = (ink.shape[1] - 1) / 2, (ink.shape[0] - 1) / 2
    for _ in range(12):
        cos, sin = np.float32(np.cos(values[2])), np.float32(np.sin(values[2]))
        across, up = u - np.float32(values[0]), v - np.float32(values[1])
        art_u, art_v = cos * across + sin * up, -sin * across + cos * up
        map_x, map_y = art_u * np.float32(per_mm) + np.float32(half_u), np.float32(half_v) - art_v * np.float32(per_mm)
        cover = cv2.remap(solid, map_x, map_y, cv2.INTER_LINEAR)
        inside = cover > 0.98
        if inside.sum() < 50:
            return np.full(3, np.nan), covariance, 0.0
        pick = np.nonzero(inside)
        model, gx, gy = (cv2.remap(a, map_x, map_y, cv2.INTER_LINEAR)[pick] for a in (ink, ink_x, ink_y))
        level = view.levels[pick]
        au, av = art_u[pick], art_v[pick]
        light = np.column_stack([np.ones_like(au), au / 50.0, av / 50.0])
        columns_of = np.column_stack([light, light * model[:, None]])
        coefficient, *_ = np.linalg.lstsq(columns_of, level, rcond=None)
        residual = level - columns_of @ coefficient
        gain = light @ coefficient[3:]
        # How the artwork under a fixed place changes when the decal moves by (dx, dy, rotation).
        du, dv = gx * np.float32(per_mm), -gy * np.float32(per_mm)
        move = (
            np.column_stack(
                [
                    -(du * cos - dv * sin),
                    -(du * sin + dv * cos),
                    du * av - dv * au,
                ]
            )
            * gain[:, None]
        )
        jacobian = np.column_stack([columns_of, move]).astype(np.float64)
        spread = 1.4826 * float(np.median(np.abs(residual))) + 1e-6
        weight = 1.0 / np.maximum(1.0, np.abs(residual) / (2.0 * spread))
        weighted = jacobian * weight[:, None]
        normal = weighted.T @ jacobian
        change = np.linalg.solve(normal + 1e-12 * np.eye(len(normal)), weighted.T @ residual)[6:]
        values = values + np.clip(change, -1.0, 1.0)
        # Residuals are correlated over the blur (texture, printing): count one value for each blur patch.
        patch = max(1.0, 4.0 * np.pi * (blur_mm / view.spacing_mm) ** 2)
        noise = float(np.sqrt((weight * residual**2).sum() / weight.sum()))
        covariance = np.linalg.inv(normal)[6:, 6:] * noise**2 * patch
        total = float(((level - level.mean()) ** 2).sum())
        correlation = float(np.sqrt(max(0.0, 1.0 - float((residual.astype(np.float64) ** 2).sum()) / max(total, 1e-9))))
        if np.abs(change).max() < 1e-5:
            break
    return values, covariance, correlation


def decal_result(sight: Sight, index: int, decal: Decal, datum: Datum) -> DecalResult:
    """One decal against the shell's datums, with uncertainties; ``index`` - its place in the set-up's list of
    places.
    """
    patch, seating = decal.patch, sight.setup.seating.pose
    where = datum.shift.pose().after(seating)
    which = sight.setup.decal_camera[index - len(sight.setup.cutouts)]
    shot, camera = sight.shots[which], sight.setup.cameras[which]
    if shot is None:
        return DecalResult(decal.name, None, camera=camera)
    fit = measure_decal(shot.picture, decal, where, shot.model, shot.pose, shot.blur_px)
    if not fit.there or fit.covariance is None:
        seen, nominal = fit.correlation, fit.nominal_pixel
        return DecalResult(decal.name, fit.there, correlation=seen, nominal_pixel=nominal, camera=camera)
    axes = np.array([patch.x_axis, np.cross(patch.normal, patch.x_axis)])
    carried = (sight.growth - 1.0) * (axes @ patch.origin_mm)  # a warm shell carries its decal outwards
    values = np.array([fit.dx_mm, fit.dy_mm]) - carried
    common = sight.setup.place_causes(index, sight.u_growth)
    at = where.apply(patch.origin_mm[None])
    offsets = []
    for k in range(2):
        shares = {"picture noise and print": float(np.sqrt(fit.covariance[k, k])), **common}
        shares["datums"] = float(datum.u_along(at, where.turn(axes[k : k + 1]))[0])
        shares["light and edge shape"] = shot.edge_model_mm
        offsets.append(quantity(float(values[k]), shares))
    turn = {
        "picture noise and print": float(np.rad2deg(np.sqrt(fit.covariance[2, 2]))),
        "datums": float(np.rad2deg(np.sqrt(max(0.0, float(datum.covariance[2, 2]))))),
        "light and edge shape": float(np.rad2deg(shot.edge_model_mm / (0.5 * decal.artwork.width_mm))),
    }
    rotation = quantity(fit.rotation_deg, turn)
    return DecalResult(
        decal.name,
        True,
        offsets[0],
        offsets[1],
        rotation,
        fit.correlation,
        fit.outline_pixel,
        fit.nominal_pixel,
        camera=camera,
    )
