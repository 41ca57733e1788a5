"""The picture that a camera would take of a shell exactly as drawn, before there is any: only to be measured, so that
what will be reported as uncertainty is known before the first shell is cut.

It is no test of the measuring: it is drawn with the same camera model. Cut faces are as dark as the plate, as on the
ray-traced samples: where they are lighter, which arris is seen adds to u. The noise is a fixed pattern, so that the
same set-up always leads to the same numbers; how strong it is, the calibration says or the asker.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import imagined_kernels
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.fixture import Fixture, Mark, Seating
from edgeinspect.measure.marks import white_cells
from edgeinspect.measure.noise import Noise
from edgeinspect.measure.picture import Levels, RawLevels
from edgeinspect.shell.definition import Decal, ShellDefinition

# Levels of full scale where nothing better is known: an exposure that leaves room above the sheet, a dark plate below
# it. Common practice, no source.
BACKGROUND, CONTRAST = 0.05, 0.35
USUAL_NOISE = Noise(0.002**2, 1e-4)  # read noise 0.2 %, 10,000 electrons at full scale: common practice, no source
PIP_WALL, PIP_FOOT_MM = 0.75, 1.7  # level of a pip's wall over the sheet's, and how far out its foot lies
PAPER, INK = 0.6, 0.04  # of printed marks
SAMPLING = 1.0 / 6.0 + 1.0 / 12.0  # px²: what bilinear sampling and the pixel's area add to the lens's blur


@dataclass(frozen=True)
class Conditions:
    """What is assumed of light and camera. Levels are shares of full scale."""

    contrast: float = CONTRAST  # from the background to the sheet
    background: float = BACKGROUND
    noise: Noise | None = None  # None: each camera's as its calibration pictures showed it, else the usual one

    def __post_init__(self) -> None:
        if not (self.contrast >= 0.02 and self.background >= 0.0 and self.contrast + self.background <= 0.95):
            raise ValueError(
                f"contrast is {self.contrast:g}, must be from 0.02 to {0.95 - self.background:g} of full scale"
            )

    def noise_of(self, calibration: CameraCalibration) -> Noise:
        if self.noise is not None:
            return self.noise
        return USUAL_NOISE if calibration.pixel_noise is None else Noise(*calibration.pixel_noise)


def imagined_picture(
    definition: ShellDefinition,
    variant: str,
    calibration: CameraCalibration,
    fixture: Fixture,
    seating: Seating,
    growth: float,
    conditions: Conditions,
) -> RawLevels:
    """Raw levels (H, W), linear in light, of one camera: plate, marks, grey patch, and the shell as held, grown by
    ``growth``, with its decals of ``variant``.
    """
    drawing = _Drawing(calibration.model, calibration.fixture_pose, conditions.background)
    for mark in fixture.in_view(calibration.model, calibration.fixture_pose).marks:
        drawing.mark(mark, white_cells(fixture.dictionary, mark.mark_id))
    drawing.fill([fixture.grey_patch_mm], calibration.grey_level)
    sheet = conditions.background + conditions.contrast

    def placed(points: Array) -> Array:
        return seating.pose.apply(points * growth)

    rim, holes = definition.rim, [cutout.curve for cutout in definition.cutouts]
    drawing.fill([placed(rim.points_mm)], sheet)
    for pip in definition.pips:
        for radius, level in ((pip.diameter_mm / 2 + PIP_FOOT_MM, PIP_WALL * sheet), (pip.diameter_mm / 2, sheet)):
            drawing.fill([placed(pip.centre_mm + radius * _ring())], level)
    levels = drawing.levels()
    for decal in definition.decals:
        if decal.variant == variant:
            _print(levels, decal, calibration.model, calibration.fixture_pose, placed, sheet)
    drawing = _Drawing(calibration.model, calibration.fixture_pose, 0.0)
    for hole in holes:
        drawing.fill([placed(hole.points_mm)], 1.0)
    through = drawing.levels()
    levels += through * (np.float32(conditions.background) - levels)
    lens = max(calibration.blur_px**2 - SAMPLING, 0.01) ** 0.5
    return _exposed(
        cv2.GaussianBlur(levels, (0, 0), lens).astype(np.float32), conditions.noise_of(calibration), calibration.bits
    )


def _ring() -> Array:
    angle = np.linspace(0.0, 2.0 * np.pi, 180, endpoint=False)
    return np.column_stack([np.cos(angle), np.sin(angle), np.zeros(len(angle))])


class _Drawing:
    """Filled outlines over an even background, one over the other, by the area that they cover of each pixel."""

    def __init__(self, model: CameraModel, pose: Pose, background: float) -> None:
        self._model, self._pose = model, pose
        self._levels: Levels = np.full((model.height_px, model.width_px), background, dtype=np.float32)

    def fill(self, outlines_mm: Sequence[Array], level: float) -> None:
        """Closed outlines (N, 3), fixture frame, that do not touch each other."""
        pixels = [self._model.project(outline, self._pose) for outline in outlines_mm]
        low = np.floor(np.min([p.min(axis=0) for p in pixels], axis=0)).astype(int) - 1
        high = np.ceil(np.max([p.max(axis=0) for p in pixels], axis=0)).astype(int) + 2
        low, high = np.maximum(low, 0), np.minimum(high, [self._model.width_px, self._model.height_px])
        width, height = (high - low).tolist()
        if width <= 0 or height <= 0:
            return
        steps = np.zeros((height, width + 2))
        for outline in pixels:
            imagined_kernels.cover(outline - low + 0.5, steps)
        covered = np.abs(np.cumsum(steps, axis=1)[:, :width]).astype(np.float32)
        part = self._levels[low[1] : high[1], low[0] : high[0]]
        part += covered * (np.float32(level) - part)

    def mark(self, mark: Mark, white: NDArray[np.bool_]) -> None:
        """A printed mark of cells (n, n) with one white cell around it."""
        count = len(white)

        def square(row: float, column: float, rows: float, columns: float) -> Array:
            u = np.array([column, column + columns, column + columns, column])[:, None] / count
            v = np.array([row, row, row + rows, row + rows])[:, None] / count
            a, b, c, d = mark.corners_mm
            return np.asarray((1 - v) * ((1 - u) * a + u * b) + v * ((1 - u) * d + u * c))

        self.fill([square(-1, -1, count + 2, count + 2)], PAPER)
        self.fill([square(0, 0, count, count)], INK)
        for row, column in np.argwhere(white).tolist():
            self.fill([square(row, column, 1, 1)], PAPER)

    def levels(self) -> Levels:
        return self._levels


def _print(
    levels: Levels,
    decal: Decal,
    model: CameraModel,
    pose: Pose,
    placed: Callable[[Array], Array],
    sheet: float,
) -> None:
    """Lay a decal's print on the levels (H, W): each pixel the mean of what falls into it."""
    art = decal.artwork
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * [art.width_mm / 2, art.height_mm / 2]
    there = placed(decal.patch.points(corners[:, 0], corners[:, 1]))
    scale = float(model.fx / pose.apply(there)[:, 2].min())
    counts = [max(8, int(np.ceil(3.0 * scale * side))) for side in (art.width_mm, art.height_mm)]
    u = (np.arange(counts[0]) + 0.5) / counts[0]
    v = (np.arange(counts[1]) + 0.5) / counts[1]
    columns, rows = (u * art.grey.shape[1]).astype(np.intp), (v * art.grey.shape[0]).astype(np.intp)
    grey, opacity = (values[np.ix_(rows, columns)].ravel() for values in (art.grey, art.opacity))
    across, up = np.meshgrid((u - 0.5) * art.width_mm, (0.5 - v) * art.height_mm)
    pixels = np.rint(model.project(placed(decal.patch.points(across.ravel(), up.ravel())), pose)).astype(np.intp)
    inside = ((pixels >= 0) & (pixels < [model.width_px, model.height_px])).all(axis=1)
    at = pixels[inside, 1] * model.width_px + pixels[inside, 0]
    ink, size = opacity[inside], levels.size
    count = np.bincount(at, minlength=size)
    cover = np.bincount(at, ink, minlength=size) / np.maximum(count, 1)
    tone = np.bincount(at, ink * grey[inside], minlength=size) / np.maximum(count, 1)
    white = min(0.9, 2.0 * sheet)  # a white film sends back twice what the sheet does
    flat = levels.reshape(-1)
    flat += (white * tone - cover * flat).astype(np.float32)


def _exposed(levels: Levels, noise: Noise, bits: int) -> RawLevels:
    full = float(2**bits - 1)
    kind = np.uint8 if bits == 8 else np.uint16
    raw = np.empty(levels.shape, dtype=kind)
    for start, part in _rows(levels):
        spread = np.sqrt(noise.read + noise.shot * np.maximum(part, 0.0))
        first = start * levels.shape[1]
        noisy = part + spread * _pattern(first, part.size).reshape(part.shape)
        raw[start : start + len(part)] = np.clip(np.rint(noisy * full), 0.0, full).astype(kind)
    return raw


def _rows(levels: Levels, count: int = 256) -> Iterator[tuple[int, Levels]]:
    for start in range(0, len(levels), count):
        yield start, levels[start : start + count]


def _pattern(first: int, count: int) -> Array:
    """(count,) numbers spread as the normal distribution and unlike their neighbours, always the same for a place: its
    number, its bits mixed by multiplying and shifting until none hangs on another (the finisher of MurmurHash3).
    """
    x = np.arange(first, first + count, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    for shift, factor in ((33, 0xFF51AFD7ED558CCD), (33, 0xC4CEB9FE1A85EC53)):
        x ^= x >> np.uint64(shift)
        x *= np.uint64(factor)
    x ^= x >> np.uint64(33)
    return np.asarray(ndtri(((x >> np.uint64(11)).astype(np.float64) + 0.5) / 2.0**53))
