"""Fit a printed artwork to the pixels of the raw picture along a surface.

Nothing is resampled: pixels that see the surface are carried onto it (through camera, pose and patch, so that a curved
patch is no special case), and the artwork, blurred like the lens, is laid under them by Gauss-Newton. A decal is laid
on by hand and stretches: offset, rotation and stretch along and across are found together, all about the artwork's
centre, with the light: what the bare sheet shows, how the light on the ink falls off, haze, and the blur.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import artwork_kernels as kernels
from edgeinspect.measure.artwork_find import Unrolled
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.picture import GreyPicture, Levels
from edgeinspect.shell.definition import Artwork, Decal

DENSE_MM = 0.2  # between the pixels that are used: at 20 MP every ninth reads the same to 1 um
BESIDE_MM = 1.0  # the sheet this far around the print is looked at too
BROAD_MM = 0.7  # blur of the first fit, which starts a millimetre off
BURNT = 0.995  # of full scale: glare says nothing
LEAST_PIXELS = 300
PASSES = 14
SETTLED, ABOUT = 1e-4, 2e-2  # mm at the worst corner: the last step of a fit, of one that another follows
GIVE_MM = 0.001  # a print's edges may lie so far beside the artwork's before their pixels count less; a warped print's
# as far as half its tiles do: counted less, the middle of what its edges say would be the answer and not their mean
WARP_TILES = (5, 3)  # along and across: how far the print is off in each, after the fit
WARP_U_MM = 0.02  # a tile with too little print in it to tell its place better says nothing


@dataclass(frozen=True)
class Seen:
    """Pixels that see the surface: where on it (N,), (N,) [mm], and their levels (N,)."""

    u_mm: Array
    v_mm: Array
    level: Array
    spacing_mm: float
    burnt_mm: Array = field(default_factory=lambda: np.empty((0, 2)))  # (M, 2) where others are at full scale


@dataclass(frozen=True)
class Printed:
    """An artwork's light (ink times opacity) and its opacity (H, W) as blurred as the picture, and their second
    derivatives [1/mm²].
    """

    ink: Levels
    cover: Levels
    ink_bend: Levels
    cover_bend: Levels
    per_mm: float  # pixels
    half_mm: tuple[float, float]  # of the artwork

    def turned(self, upside_down: bool, mirrored: bool) -> Printed:
        rows, columns = (-1 if upside_down else 1), (-1 if upside_down != mirrored else 1)

        def flipped(image: Levels) -> Levels:
            return np.ascontiguousarray(image[::rows, ::columns])

        ink, cover = flipped(self.ink), flipped(self.cover)
        return replace(self, ink=ink, cover=cover, ink_bend=flipped(self.ink_bend), cover_bend=flipped(self.cover_bend))


@dataclass(frozen=True)
class PrintFit:
    """``values`` (5,): dx, dy [mm], rotation [rad], stretch along and across [1], of the artwork's centre;
    ``covariance`` (5, 5) from picture noise and misfit; all nan where there was nothing to fit.
    """

    values: Array
    covariance: Array
    correlation: float
    light: Array  # (12,) see artwork_kernels
    residual: Array  # (N,) of every pixel seen, nan beside the print


def seen(picture: GreyPicture, decal: Decal, where: Pose, model: CameraModel, scale: float, reach_mm: Array) -> Seen:
    """Pixels over the rectangle around a place on the surface.

    Parameters: where - shell -> camera; scale - px per mm there; reach_mm (4,) - left, right, lower, upper [mm].
    """
    spacing = max(1.0 / scale, DENSE_MM)
    u = np.arange(reach_mm[0], reach_mm[1] + spacing, spacing)
    v = np.arange(reach_mm[2], reach_mm[3] + spacing, spacing)
    grid_u, grid_v = np.meshgrid(u, v)
    pixels = model.project(decal.patch.points(grid_u, grid_v).reshape(-1, 3), where).reshape(*grid_u.shape, 2)
    # The pixel next to every place, and how far from there it lies on the surface: the map bends by less than 1e-5 px
    # within half a pixel.
    by_u = np.asarray(np.gradient(pixels, spacing, axis=1))
    by_v = np.asarray(np.gradient(pixels, spacing, axis=0))
    # Where pixels are left out, every row and column begins elsewhere: or an edge along them falls between all of them.
    room = spacing - min(spacing, 1.0 / scale)
    begin_u, begin_v = _spread_out(len(v), room)[:, None], _spread_out(len(u), room)
    pixels = pixels + begin_u[..., None] * by_u + begin_v[:, None] * by_v
    grid_u, grid_v = grid_u + begin_u, grid_v + begin_v
    nearest = np.rint(pixels)
    area = by_u[..., 0] * by_v[..., 1] - by_u[..., 1] * by_v[..., 0]
    off = nearest - pixels
    with np.errstate(divide="ignore", invalid="ignore"):  # a surface seen edge-on
        u_mm = grid_u + (off[..., 0] * by_v[..., 1] - off[..., 1] * by_v[..., 0]) / area
        v_mm = grid_v + (off[..., 1] * by_u[..., 0] - off[..., 0] * by_u[..., 1]) / area
    height, width = picture.raw.shape
    column, row = nearest[..., 0], nearest[..., 1]
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height) & np.isfinite(u_mm + v_mm)
    column, row = column[inside].astype(np.intp), row[inside].astype(np.intp)
    level = picture.raw[row, column] * picture.scale
    good = level < BURNT
    u_mm, v_mm = u_mm[inside], v_mm[inside]
    return Seen(u_mm[good], v_mm[good], level[good], spacing, np.column_stack([u_mm[~good], v_mm[~good]]))


def _spread_out(count: int, room_mm: float) -> Array:
    """(count,) places within a room that fill it evenly, neighbours far apart: multiples of the golden section."""
    return np.asarray(room_mm * (np.mod(np.arange(count) * (5.0**0.5 - 1.0) / 2.0, 1.0) - 0.5))


def seen_in(view: Unrolled, every: int = 1) -> Seen:
    """The samples of a picture along the surface, blurred by BROAD_MM: for a first fit that starts a millimetre off."""
    smooth = cv2.GaussianBlur(view.levels, (0, 0), BROAD_MM / view.spacing_mm)[::every, ::every]
    height, width = view.levels.shape
    columns, rows = np.meshgrid(np.arange(width)[::every], np.arange(height)[::every])
    u, v = (columns - (width - 1) / 2) * view.spacing_mm, ((height - 1) / 2 - rows) * view.spacing_mm
    return Seen(
        u.ravel().astype(np.float64),
        v.ravel().astype(np.float64),
        smooth.ravel().astype(np.float64),
        every * view.spacing_mm,
    )


def printed(art: Artwork, blur_mm: float) -> Printed:
    """``blur_mm`` - standard deviation of the blur along the surface."""
    own = art.grey.shape[1] / art.width_mm
    finer = int(np.clip(np.ceil(1.0 / (blur_mm * own)), 1, 4))  # so that straight lines between pixels are good enough
    per_mm = own * finer
    pad = int(np.ceil(max(4 * blur_mm, BESIDE_MM) * per_mm)) + 2

    def seen_so(image: Array) -> Levels:
        wide = np.asarray(image, dtype=np.float32)
        if finer > 1:
            size = (wide.shape[1] * finer, wide.shape[0] * finer)
            wide = np.asarray(cv2.resize(wide, size, interpolation=cv2.INTER_CUBIC), dtype=np.float32)
        return np.asarray(cv2.GaussianBlur(np.pad(wide, pad), (0, 0), blur_mm * per_mm), dtype=np.float32)

    ink, cover = seen_so(art.grey * art.opacity), seen_so(art.opacity)
    bent = [np.asarray(cv2.Laplacian(image, cv2.CV_32F, scale=per_mm**2), dtype=np.float32) for image in (ink, cover)]
    return Printed(ink, cover, bent[0], bent[1], per_mm, (art.width_mm / 2, art.height_mm / 2))


def fit(pixels: Seen, art: Printed, start: Array, blur_mm: float, settled: float = SETTLED) -> PrintFit:
    """``start`` (5,) - from where on; ``blur_mm`` as the artwork was blurred."""
    values, light, blur = np.array(start, dtype=np.float64), np.zeros(kernels.LIGHT), 0.0
    residual = np.empty(len(pixels.level))
    prints = (art.ink, art.cover, art.ink_bend, art.cover_bend, art.per_mm, *art.half_mm)
    nothing = PrintFit(np.full(5, np.nan), np.full((5, 5), np.nan), 0.0, light, residual)
    clip = cut = np.inf
    give_mm = least_give_mm = GIVE_MM
    reach_mm = float(np.hypot(*art.half_mm))
    for turn in range(PASSES):
        normal, right, weights, squares, count = kernels.gather(
            pixels.u_mm, pixels.v_mm, pixels.level, *prints, values, light, blur, clip, cut, give_mm, residual
        )
        if count < LEAST_PIXELS or not weights > 0:
            return nothing
        unknowns = kernels.LIGHT if turn < 2 else kernels.UNKNOWNS  # before it knows the light it knows no slopes
        change = _solved(normal[:unknowns, :unknowns], right[:unknowns])
        light = light + change[: kernels.LIGHT]
        if turn < 2:
            spread = np.inf if turn == 0 else _spread(residual)
            clip = 2.0 * spread
            continue
        blur = float(np.clip(blur + change[kernels.BLUR], -0.5 * blur_mm**2, blur_mm**2))
        move = np.clip(change[kernels.PLACE :], *_STRIDE)
        values = values + move
        spread = _spread(residual)
        step_mm = float(np.abs(move * [1.0, 1.0, reach_mm, reach_mm, reach_mm]).max())
        clip, cut = 2.0 * spread, (8.0 * spread if np.abs(move[:2]).max() < 0.05 else np.inf)
        if step_mm < settled:
            warp = _off_by_tile(pixels, art, values, light, residual)
            if least_give_mm > GIVE_MM or len(warp) == 0 or float(np.median(warp)) <= GIVE_MM:
                break
            least_give_mm = float(np.median(warp))
        give_mm = least_give_mm + min(step_mm, 0.1)
    # Residuals are alike over the blur (texture, printing): one value for each blurred patch.
    patch = max(1.0, 4.0 * np.pi * (blur_mm / pixels.spacing_mm) ** 2)
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-30))
    inverse = np.linalg.inv(normal / np.outer(scale, scale) + _RIDGE * np.eye(len(scale))) / np.outer(scale, scale)
    covariance = inverse[kernels.PLACE :, kernels.PLACE :] * (squares / weights) * patch
    there = np.isfinite(residual)
    level = pixels.level[there]
    share = float((residual[there] ** 2).sum()) / max(float(((level - level.mean()) ** 2).sum()), 1e-12)
    found = PrintFit(values, covariance, float(np.sqrt(max(0.0, 1.0 - share))), light, residual)
    if not np.isfinite(values).all() or not np.isfinite(covariance).all():
        return nothing
    return found


def warp_mm(pixels: Seen, art: Printed, found: PrintFit) -> float:
    """How far the print is off [mm] at the worst of its tiles, each let move by itself after the fit; nan where no tile
    holds enough print to tell.
    """
    off = _off_by_tile(pixels, art, found.values, found.light, found.residual)
    return float(off.max()) if len(off) else float("nan")


def _off_by_tile(pixels: Seen, art: Printed, values: Array, light: Array, residual: Array) -> Array:
    """(T,) [mm] of the tiles that hold enough print to tell."""
    by = np.empty((len(pixels.level), 2))
    prints = (art.ink, art.cover, art.per_mm, *art.half_mm)
    kernels.slopes(pixels.u_mm, pixels.v_mm, *prints, values, light, by)
    there = np.isfinite(residual)
    residual, by = residual[there], by[there]
    spread = _spread(residual)
    weight = np.minimum(1.0, 2.0 * spread / np.maximum(np.abs(residual), 1e-12))
    tile = np.zeros(len(residual), dtype=np.intp)
    for place, centre, half, count in zip(
        (pixels.u_mm[there], pixels.v_mm[there]), values[:2], art.half_mm, WARP_TILES, strict=True
    ):
        share = np.clip((place - centre) / (2 * half) + 0.5, 0.0, 1.0 - 1e-9)
        tile = tile * count + (share * count).astype(np.intp)
    sums = [
        np.bincount(tile, weights=weight * part, minlength=WARP_TILES[0] * WARP_TILES[1])
        for part in (by[:, 0] ** 2, by[:, 0] * by[:, 1], by[:, 1] ** 2, by[:, 0] * residual, by[:, 1] * residual)
    ]
    uu, uv, vv, ur, vr = sums
    det = uu * vv - uv * uv
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.hypot((vv * ur - uv * vr) / det, (uu * vr - uv * ur) / det)
        u_mm = spread * np.sqrt((uu + vv) / det)
    return np.asarray(off[np.isfinite(off) & (u_mm < WARP_U_MM)])


_RIDGE = 1e-9
_STRIDE = (np.array([-1.0, -1.0, -0.05, -0.01, -0.01]), np.array([1.0, 1.0, 0.05, 0.01, 0.01]))


def _solved(normal: Array, right: Array) -> Array:
    """Unknowns of very different size, some of which may say the same: the ridge shares it out."""
    scale = np.sqrt(np.maximum(np.diag(normal), 1e-30))
    matrix = normal / np.outer(scale, scale) + _RIDGE * np.eye(len(scale))
    return np.asarray(np.linalg.solve(matrix, right / scale) / scale)


def _spread(residual: Array) -> float:
    known = residual[np.isfinite(residual)]
    return 1.4826 * float(np.median(np.abs(known))) + 1e-6
