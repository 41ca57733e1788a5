"""From a camera's red, green and blue to the colours that people see: a chart of known colours, photographed once in
the fixture, and a white sheet where chart and decals lie, which tells how evenly the light falls there.

Every level is taken relative to the fixture's grey patch in the same picture, so that a lamp that fades changes
nothing; then relative to the white sheet at the same place. One 3 x 3 matrix carries that to XYZ, by least squares in
CIEDE2000, found together with what the camera reads where there is no light: two levels of 255 are a third of black
ink. What the chart's own colours miss when each is left out in turn is what a colour may be off (leave one out).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from edgeinspect.errors import CalibrationError
from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel, ColourCalibration
from edgeinspect.measure.colour import by_difference, difference, lab_of_xyz, xyz_of_lab
from edgeinspect.measure.picture import GreyPicture, patch_level

LEAST_PATCHES, MOST_PATCHES = 12, 500
FULL = 0.98  # of full scale: a level above says nothing
DIM = 0.08  # of full scale: the white sheet, or the chart's lightest patch, below it drowns in noise
INNER = 0.6  # of a patch's side: its edges are blurred
UNEVEN_PATCH = 0.08  # of its level, from one side of a patch to the other: it is not where the file says
UNEVEN_SHEET, UNEVEN_SHARE = (
    0.03,
    0.02,
)  # places of the white sheet may be so far off the slow light, this share of them
WORST_RMS, WORST_ONE = 3.0, 8.0  # CIEDE2000: more, and chart and file do not belong together
WHITE_OFF = 3.0
GREATEST_BLACK = 0.04  # of full scale
GREATEST_CONDITION = 300.0  # of the matrix' fit: a chart of greys cannot tell red from blue
ALIKE_LAB, ALIKE_LEAST = 12.0, 0.5  # so far apart colours are still alike; so many there must be to be believed half
_ORDER = 4  # of the polynomial of light over the picture
_NAMES = ("red", "green", "blue")
Channels = tuple[GreyPicture, GreyPicture, GreyPicture]


@dataclass(frozen=True)
class ChartPatch:
    """One flat square of a colour chart, lying in the fixture."""

    name: str
    centre_mm: Array  # (3,) fixture frame
    size_mm: float
    lab: Array  # (3,) CIELAB of the stated illuminant

    def corners_mm(self, share: float = 1.0) -> Array:
        half = 0.5 * share * self.size_mm * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
        return np.asarray(self.centre_mm + np.column_stack([half, np.zeros(4)]))


@dataclass(frozen=True)
class ColourPicture:
    """A picture of light in three channels, placed by the fixture marks in it."""

    channels: Channels
    pose: Pose  # fixture -> camera
    black: Array = field(default_factory=lambda: np.zeros(3))  # what it reads without light, fractions of full scale

    def at(self, pixels: Array) -> Array:
        """(N, 3) of full scale above black at places (N, 2), bilinear; nan outside."""
        return np.column_stack([one.at(pixels) for one in self.channels]).astype(np.float64) - self.black


def patch_colour(picture: ColourPicture, corners_mm: Array, model: CameraModel) -> Array:
    """(3,) levels above black of the fixture's grey patch."""
    return np.array([patch_level(one, corners_mm, model, picture.pose) for one in picture.channels]) - picture.black


def terms(pixels: Array, model: CameraModel) -> Array:
    """(N, 15) of the slow light over the picture: powers up to the fourth of the place in it."""
    x = 2.0 * pixels[:, 0] / model.width_px - 1.0
    y = 2.0 * pixels[:, 1] / model.height_px - 1.0
    return np.column_stack([x**i * y**j for i in range(_ORDER + 1) for j in range(_ORDER + 1 - i)])


def calibrate_colour(
    chart: ColourPicture,
    sheet: ColourPicture,
    patches: Sequence[ChartPatch],
    places_mm: Array,
    grey_patch_mm: Array,
    model: CameraModel,
    illuminant: str,
    made_at: str,
) -> ColourCalibration:
    """Parameters: chart, sheet - pictures of the chart, and of the white sheet; places_mm (N, 3) - where decals lie,
    fixture frame: the sheet covers them and the chart's places.

    Raises CalibrationError: too few patches, not lit right, the sheet not even, or colours unlike their file.
    """
    if len(patches) < LEAST_PATCHES:
        raise CalibrationError(f"the chart has {len(patches)} patches, must have at least {LEAST_PATCHES}: use another")
    covered_mm = np.vstack([*(one.corners_mm() for one in patches), places_mm])
    hull = _hull(model.project(covered_mm, sheet.pose))
    of_sheet, of_chart = (_reference(picture, grey_patch_mm, model) for picture in (sheet, chart))
    seen = [_patch_seen(chart, one, model) for one in patches]
    raw = _Raw(
        np.array([level for level, _ in seen]),
        np.array([place for _, place in seen]),
        of_chart,
        of_sheet,
        _even(sheet, hull, model),
        np.array([one.lab for one in patches]),
        illuminant,
    )
    black, matrix = _fitted(raw)
    plain, nearer = np.array([_left_out(raw, k) for k in range(len(patches))]).T
    helps = bool((nearer**2).mean() < (plain**2).mean())
    left_out = nearer if helps else plain
    _check(patches, raw.read(black), raw.lab, left_out)
    names = tuple(one.name for one in patches)
    like = (raw.lab, _missed(raw, black, matrix)) if helps else (np.zeros((0, 3)), np.zeros((0, 3)))
    return ColourCalibration(
        made_at, illuminant, matrix, of_chart - black, raw.light(black), hull, names, left_out, black, *like
    )


@dataclass(frozen=True)
class _Raw:
    """Levels as they are, black not taken away: of N patches, the grey patch in both pictures, and the white sheet."""

    levels: Array  # (N, 3)
    places: Array  # (N, 15) terms of the slow light
    of_chart: Array  # (3,)
    of_sheet: Array  # (3,)
    sheet: Array  # (3, 15)
    lab: Array  # (N, 3)
    illuminant: str

    def light(self, black: Array) -> Array:
        """(3, 15): the white sheet over the grey patch."""
        lower = self.sheet.copy()
        lower[:, 0] -= black
        return np.asarray(lower / (self.of_sheet - black)[:, None])

    def read(self, black: Array) -> Array:
        """(N, 3): the chart over the white sheet."""
        return np.asarray((self.levels - black) / (self.of_chart - black) / (self.places @ self.light(black).T))

    def without(self, k: int) -> _Raw:
        others = np.arange(len(self.lab)) != k
        return replace(self, levels=self.levels[others], places=self.places[others], lab=self.lab[others])


def _reference(picture: ColourPicture, grey_patch_mm: Array, model: CameraModel) -> Array:
    level = patch_colour(picture, grey_patch_mm, model)
    if not (np.isfinite(level).all() and (level > 0.02).all() and (level < FULL).all()):
        shown = ", ".join(f"{name} {value:.0%}" for name, value in zip(_NAMES, level, strict=True))
        raise CalibrationError(
            f"the grey patch reads {shown} of full scale, must be within 2 % to 98 %: set the exposure"
        )
    return level


def _hull(pixels: Array) -> Array:
    return np.asarray(cv2.convexHull(pixels.astype(np.float32)).reshape(-1, 2), dtype=np.float64)


def inside(pixels: Array, hull: Array) -> NDArray[np.bool_]:
    """Which places (N, 2) lie within a convex polygon (M, 2)."""
    side = np.roll(hull, -1, axis=0) - hull
    away = pixels[:, None, :] - hull[None]
    cross = side[None, :, 0] * away[..., 1] - side[None, :, 1] * away[..., 0]
    return np.asarray((cross >= -1e-6).all(axis=1) | (cross <= 1e-6).all(axis=1))


def _even(sheet: ColourPicture, hull: Array, model: CameraModel) -> Array:
    """(3, 15): the white sheet's level, as terms of the place in the picture."""
    low, high = hull.min(axis=0), hull.max(axis=0)
    x, y = (np.linspace(low[k], high[k], 60) for k in (0, 1))
    grid = np.column_stack([part.ravel() for part in np.meshgrid(x, y)])
    grid = grid[inside(grid, hull)]
    around = [grid + np.array([dx, dy]) for dx in (-2, 0, 2) for dy in (-2, 0, 2)]
    level = np.mean([sheet.at(place) for place in around], axis=0)
    if not np.isfinite(level).all():
        raise CalibrationError(
            "the chart, or a place of a decal, lies outside of the picture: move the chart, or the camera"
        )
    top = np.percentile(level, 99, axis=0)
    if (top >= FULL).any():
        name = _NAMES[int(np.argmax(top))]
        raise CalibrationError(
            f"the white sheet is at full scale in {name}: shorten the exposure, take both pictures again"
        )
    if (np.median(level, axis=0) < DIM).any():
        raise CalibrationError(f"the white sheet reads below {DIM:.0%} of full scale: more light, or a longer exposure")
    design = terms(grid, model)
    light = np.empty((3, design.shape[1]))
    off = np.zeros(len(grid))
    for k in range(3):
        weight: Array = np.ones(len(grid))
        for _ in range(6):
            light[k] = np.linalg.lstsq(design * weight[:, None], level[:, k] * weight, rcond=1e-9)[0]
            share = np.abs(level[:, k] / (design @ light[k]) - 1.0)
            weight = 1.0 / np.maximum(1.0, share / 0.01)
        off = np.maximum(off, share)
    if float((off > UNEVEN_SHEET).mean()) > UNEVEN_SHARE:
        raise CalibrationError(
            f"the white sheet is not even over {(off > UNEVEN_SHEET).mean():.0%} of the places of chart and decals: it "
            "must cover them all, flat, clean and without a shadow"
        )
    return light


def relative(levels: Array, pixels: Array, reference: Array, light: Array, model: CameraModel) -> Array:
    """(N, 3): levels (N, 3) over the grey patch's in the same picture, over the white sheet's at the same place."""
    return np.asarray(levels / reference / (terms(pixels, model) @ light.T))


def _patch_seen(chart: ColourPicture, patch: ChartPatch, model: CameraModel) -> tuple[Array, Array]:
    """(3,) mean level over the inner part of a patch, (15,) terms of the slow light there."""
    share = np.linspace(0.0, 1.0, 14)
    u, v = (part.reshape(-1, 1) for part in np.meshgrid(share, share))
    corners = patch.corners_mm(INNER)
    places = corners[0] + u * (corners[1] - corners[0]) + v * (corners[3] - corners[0])
    pixels = model.project(places, chart.pose)
    level = chart.at(pixels)
    if not np.isfinite(level).all():
        raise CalibrationError(f"patch {patch.name} lies outside of the picture")
    if float((level >= FULL).mean()) > 0.01:
        raise CalibrationError(f"patch {patch.name} is at full scale: shorten the exposure, take both pictures again")
    halves = [level[side].mean(axis=0) for side in (u[:, 0] < 0.5, u[:, 0] > 0.5, v[:, 0] < 0.5, v[:, 0] > 0.5)]
    uneven = max(float(np.abs(halves[k] - halves[k + 1]).max()) for k in (0, 2))
    if uneven > UNEVEN_PATCH * max(float(level.mean()), 0.05):
        raise CalibrationError(
            f"patch {patch.name} is not even: is the chart where its file says, clean and without glare?"
        )
    return np.asarray(level.mean(axis=0)), np.asarray(terms(pixels, model).mean(axis=0))


def _fitted(raw: _Raw) -> tuple[Array, Array]:
    """Black (3,) and the matrix (3, 3) from what is read to XYZ, by least squares of the difference (CIEDE2000)."""
    xyz = xyz_of_lab(raw.lab, raw.illuminant)
    step = 1e-4
    slopes = [  # (N, 3): how CIELAB changes with X, with Y, with Z at every known colour
        (lab_of_xyz(xyz + way, raw.illuminant) - lab_of_xyz(xyz - way, raw.illuminant)) / (2 * step)
        for way in step * np.eye(3)
    ]
    by = by_difference(raw.lab) @ np.stack(slopes, axis=-1)
    target = np.einsum("nij,nj->ni", by, xyz).reshape(-1)

    def solved(black: Array) -> tuple[Array, Array]:
        rows = np.einsum("nij,nk->nijk", by, raw.read(black)).reshape(-1, 9)
        scale = np.linalg.norm(rows, axis=0)
        answer, _, rank, singular = np.linalg.lstsq(rows / scale, target, rcond=None)
        if rank < rows.shape[1] or singular[0] > GREATEST_CONDITION * singular[-1]:
            raise CalibrationError(
                "the chart's colours are too much alike to tell red, green and blue apart: use another"
            )
        return np.asarray((answer / scale).reshape(3, 3)), np.asarray((rows / scale) @ answer - target)

    start = np.full(3, 0.002)
    least = least_squares(lambda black: solved(black)[1], start, bounds=(0.0, GREATEST_BLACK), x_scale=1e-3)
    return np.asarray(least.x), solved(least.x)[0]


def _missed(raw: _Raw, black: Array, matrix: Array) -> Array:
    """(N, 3) CIELAB of the chart less what is read of it."""
    return np.asarray(raw.lab - lab_of_xyz(raw.read(black) @ matrix.T, raw.illuminant))


def by_like(lab: Array, like_lab: Array, missed_lab: Array) -> Array:
    """(K, 3) what is to be added to what is read of colours (K, 3): the mean of what like ones (N, 3) of the chart are
    missed by, less where few are alike. An ink's spectrum is seen off the matrix as those of like colours are.
    """
    away = np.linalg.norm(lab[:, None, :] - like_lab[None], axis=2)
    weight = np.exp(-0.5 * (away / ALIKE_LAB) ** 2)
    return np.asarray(weight @ missed_lab / (weight.sum(axis=1, keepdims=True) + ALIKE_LEAST))


def _left_out(raw: _Raw, k: int) -> tuple[float, float]:
    """CIEDE2000 of one patch by black and the matrix that all others make; and by what they are missed by, too."""
    others = raw.without(k)
    black, matrix = _fitted(others)
    read = lab_of_xyz(raw.read(black)[k : k + 1] @ matrix.T, raw.illuminant)
    nearer = read + by_like(read, others.lab, _missed(others, black, matrix))
    return difference(raw.lab[k : k + 1], read).item(), difference(raw.lab[k : k + 1], nearer).item()


def _check(patches: Sequence[ChartPatch], read: Array, lab: Array, left_out: Array) -> None:
    white = int(np.argmax(lab[:, 0]))
    worst, rms = int(np.argmax(left_out)), float(np.sqrt((left_out**2).mean()))
    if read[white].mean() < 0.3 and lab[white, 0] > 60.0:
        raise CalibrationError(f"patch {patches[white].name} is far darker than the white sheet: is the chart there?")
    if lab[white, 0] < 80.0:
        raise CalibrationError(f"the lightest patch has L* {lab[white, 0]:.0f}, must be white (L* 80 and more)")
    if rms > WORST_RMS or left_out[worst] > WORST_ONE:
        raise CalibrationError(
            f"the chart's colours are unlike its file: {rms:.1f} rms and {left_out[worst]:.1f} at worst (patch "
            f"{patches[worst].name}), must be within {WORST_RMS:g} and {WORST_ONE:g} (CIEDE2000): is it this chart, "
            "the right way round, under this illuminant, and is the camera's response stated?"
        )
    if left_out[white] > WHITE_OFF:
        raise CalibrationError(
            f"the white patch {patches[white].name} is {left_out[white]:.1f} off (CIEDE2000), must be within "
            f"{WHITE_OFF:g}: clean chart and sheet, look for a reflection of something coloured"
        )


def report(calibration: ColourCalibration) -> list[str]:
    """What the calibration is good for, in words."""
    worst = int(np.argmax(calibration.left_out_de))
    room = f"{1.65 * calibration.u_de:.1f}"
    return [
        f"{len(calibration.patches)} patches, illuminant {calibration.illuminant}, 2 degree observer",
        "what like colours of the chart are missed by is taken off"
        if len(calibration.like_lab)
        else "by one matrix alone",
        f"each left out in turn is read {calibration.rms_de:.2f} off (rms, CIEDE2000), "
        f"{calibration.patches[worst]} worst: {calibration.left_out_de[worst]:.2f}",
        f"a colour is told with a standard uncertainty of {calibration.u_de:.2f} from the camera's colours alone: "
        f"of a limit that takes {room} for the guard band (1.65 u)",
    ]
