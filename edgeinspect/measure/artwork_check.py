"""Can an artwork be measured at all? What its print tells of offset, rotation and stretch, before it is first laid.

The derivatives of every pixel's level by everything that the fit leaves free (light, blur, place; see artwork_kernels)
make its Fisher information; with the noise of the pixels it predicts what least squares scatter by (sandwich of both,
White 1980). Noise is all that it knows: light, surface and datums add theirs (see budget). What looks alike turned,
shifted, or as another variant cannot be told, however sharp it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.measure import artwork_kernels as kernels
from edgeinspect.measure.artwork_find import REACH_MM
from edgeinspect.measure.artwork_fit import BESIDE_MM, DENSE_MM, Printed, printed
from edgeinspect.measure.artwork_rivals import EVERY, LEAST_DIFFERENCE, LEAST_PIXELS, SOLID
from edgeinspect.measure.picture import Levels
from edgeinspect.shell.definition import Artwork, Decal

GREATEST_U_MM = 0.05  # at ±0.5 mm and Cp 1 a wrong answer is then rare enough; computed for this project
SURE_SHARE = 0.1  # u of the share of another artwork's difference (0 or 1): half way is then five of it off
ALIKE = 0.03  # of the contrast is left when one is laid on the other: they look alike
NEARLY_SHIFTED = 0.8  # correlation of the print with itself, shifted: the search may take one place for the other
ALIKE_PX_PER_MM, ALIKE_BLUR_MM = 4.0, 0.4
TURN_STEP_DEG = 15.0
_RIDGE = 1e-12


@dataclass(frozen=True)
class SeenBy:
    """How a station's camera sees a decal, as far as it is known before. Noise in electrons: of a small industrial
    sensor where nothing is stated (common practice, no source).
    """

    px_per_mm: float = 4.0
    blur_px: float = 0.9  # standard deviation
    exposure: float = 0.8  # of full scale, of a print that sends all light back
    sheet: float = 0.4  # of the light that the sheet sends back
    full_well_e: float = 10500.0
    read_e: float = 14.0

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"{name} is {value}, must be above 0")


@dataclass(frozen=True)
class ArtworkTells:
    """Standard uncertainties by the noise of one picture; inf where the print says nothing of it."""

    u_dx_mm: float
    u_dy_mm: float
    u_rotation_deg: float
    u_stretch_along: float  # [1]
    u_stretch_across: float
    alike_turned_deg: tuple[float, ...]  # turned by this it looks the same
    alike_shifted_mm: tuple[float, float] | None  # right, up: shifted by this it nearly looks the same
    problems: tuple[str, ...]  # why it cannot be measured
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Twins:
    """Two variants of one place that differ so little that which one lies there cannot be told surely."""

    variant: str
    other: str
    difference: float  # of the contrast
    u_share: float  # of how much of the difference a picture holds, which is 0 or 1; inf: nothing is told


def check_artwork(art: Artwork, seen_by: SeenBy) -> ArtworkTells:
    rows, level, _ = _derivatives(art, seen_by)
    covariance = _covariance(rows, _variance(level, seen_by))
    told = np.diag(covariance)[kernels.PLACE :]
    u = np.sqrt(np.where(told > 0, told, np.inf))
    half_mm = float(np.hypot(art.width_mm, art.height_mm)) / 2
    turned, shifted = alike_turned(art, seen_by), alike_shifted(art, seen_by)
    problems, warnings = [], []
    for of, u_mm in (("left and right", u[0]), ("up and down", u[1])):
        if not u_mm <= GREATEST_U_MM:
            problems.append(f"the print says too little of where it lies {of}: u = {_shown(u_mm)} mm by noise alone")
    if len(turned) == _turns_tried():
        problems.append("turned any way it looks the same: it has no rotation")
    elif not u[2] * half_mm <= GREATEST_U_MM:
        problems.append(f"the print says too little of its rotation: u = {_shown(np.rad2deg(u[2]))}° by noise alone")
    elif turned:
        words = ", ".join(f"{one:g}°" for one in turned)
        warnings.append(f"turned by {words} it looks the same: laid so, nobody can tell")
    if shifted is not None:
        words = f"{abs(shifted[0]):.1f} mm across and {abs(shifted[1]):.1f} mm up or down"
        warnings.append(f"shifted by {words} it looks nearly the same: it may be found there")
    along, across = float(u[3]), float(u[4])
    return ArtworkTells(
        float(u[0]),
        float(u[1]),
        float(np.rad2deg(u[2])),
        along,
        across,
        turned,
        shifted,
        tuple(problems),
        tuple(warnings),
    )


def near_twins(decals: Sequence[Decal], seen_by: SeenBy) -> tuple[Twins, ...]:
    """Of decals for one place, each pair of variants that cannot surely be told apart."""
    prints = [printed(decal.artwork, seen_by.blur_px / seen_by.px_per_mm) for decal in decals]
    found = []
    for k, decal in enumerate(decals):
        for m in range(k + 1, len(decals)):
            difference, u_share = _told_apart(decal.artwork, prints[k], prints[m], seen_by)
            if difference < LEAST_DIFFERENCE or u_share > SURE_SHARE:
                found.append(Twins(decal.variant, decals[m].variant, difference, u_share))
    return tuple(found)


def alike_turned(art: Artwork, seen_by: SeenBy) -> tuple[float, ...]:
    """Turns [deg] about its centre, of those tried (every 15), after which it looks the same."""
    side = round(np.hypot(art.width_mm, art.height_mm) * ALIKE_PX_PER_MM / 2 + 4) * 2 + 1
    still = _shown_on_sheet(art, seen_by, (side, side))
    middle = ((side - 1) / 2, (side - 1) / 2)
    found = []
    for k in range(1, _turns_tried() + 1):
        turn = k * TURN_STEP_DEG
        matrix = cv2.getRotationMatrix2D(middle, turn, 1.0)
        sheet = seen_by.sheet
        turned = cv2.warpAffine(still, matrix, (side, side), flags=cv2.INTER_CUBIC, borderValue=sheet)
        if float((turned - still).std()) < ALIKE * float(still.std()):
            found.append(turn)
    return tuple(found)


def alike_shifted(art: Artwork, seen_by: SeenBy) -> tuple[float, float] | None:
    """The shift (right, up) [mm] within the search's reach at which it fits itself best but for no shift at all, where
    that is nearly as good.
    """
    reach = REACH_MM * ALIKE_PX_PER_MM
    size = [round(length * ALIKE_PX_PER_MM) | 1 for length in (art.width_mm, art.height_mm)]
    template = _shown_on_sheet(art, seen_by, (size[0], size[1]))
    if float(template.std()) < 1e-6:
        return None
    wide = _shown_on_sheet(art, seen_by, (size[0] + 2 * round(reach), size[1] + 2 * round(reach)))
    score = cv2.matchTemplate(wide, template, cv2.TM_CCOEFF_NORMED)
    v, u = np.mgrid[-round(reach) : round(reach) + 1, -round(reach) : round(reach) + 1]
    best_around = cv2.dilate(score, np.ones((7, 7), np.uint8))
    elsewhere = (
        (score >= best_around) & (np.hypot(u, v) > ALIKE_PX_PER_MM) & (np.maximum(abs(u), abs(v)) < round(reach))
    )
    score = np.where(elsewhere, np.nan_to_num(score), -1.0)
    row, column = np.unravel_index(int(score.argmax()), score.shape)
    if score[row, column] < NEARLY_SHIFTED:
        return None
    return float(u[row, column] / ALIKE_PX_PER_MM), float(-v[row, column] / ALIKE_PX_PER_MM)


def _turns_tried() -> int:
    return round(360.0 / TURN_STEP_DEG) - 1


def _shown_on_sheet(art: Artwork, seen_by: SeenBy, size_px: tuple[int, int]) -> Levels:
    """The print on its sheet, in the middle of a picture (columns, rows) at ALIKE_PX_PER_MM, blurred."""
    own = art.grey.shape[1] / art.width_mm
    fine = cv2.GaussianBlur(art.grey * art.opacity - seen_by.sheet * art.opacity, (0, 0), max(0.3, 0.3 * own / 4.0))
    columns, rows = size_px
    u = (np.arange(columns) - (columns - 1) / 2) / ALIKE_PX_PER_MM * own + (art.grey.shape[1] - 1) / 2
    v = (np.arange(rows) - (rows - 1) / 2) / ALIKE_PX_PER_MM * own + (art.grey.shape[0] - 1) / 2
    at = np.meshgrid(u.astype(np.float32), v.astype(np.float32))
    laid = cv2.remap(fine.astype(np.float32), at[0], at[1], cv2.INTER_LINEAR, borderValue=0.0)
    shown = cv2.GaussianBlur(laid, (0, 0), ALIKE_BLUR_MM * ALIKE_PX_PER_MM)
    return np.asarray(shown + seen_by.sheet, dtype=np.float32)


def _places(art: Artwork, seen_by: SeenBy) -> tuple[Array, Array]:
    """Where pixels see the print and a little around it (N,), (N,) [mm]."""
    spacing = max(1.0 / seen_by.px_per_mm, DENSE_MM)
    u = np.arange(-art.width_mm / 2 - BESIDE_MM, art.width_mm / 2 + BESIDE_MM, spacing)
    v = np.arange(-art.height_mm / 2 - BESIDE_MM, art.height_mm / 2 + BESIDE_MM, spacing)
    grid = np.meshgrid(u, v)
    return grid[0].ravel(), grid[1].ravel()


def _derivatives(art: Artwork, seen_by: SeenBy) -> tuple[Array, Array, Array]:
    """Of every pixel's level by every unknown of the fit (N, 18), the levels (N,), and opacity (N,)."""
    shown = printed(art, seen_by.blur_px / seen_by.px_per_mm)
    u, v = _places(art, seen_by)
    light = np.zeros(kernels.LIGHT)
    light[kernels.SHEET], light[kernels.GAIN] = seen_by.exposure * seen_by.sheet, seen_by.exposure
    by = np.empty((len(u), 2))
    kernels.slopes(u, v, shown.ink, shown.cover, shown.per_mm, *shown.half_mm, np.zeros(5), light, by)
    ink, cover, ink_bend, cover_bend = (
        _under(image, shown, u, v) for image in (shown.ink, shown.cover, shown.ink_bend, shown.cover_bend)
    )
    p, q, one = u / shown.half_mm[0], v / shown.half_mm[1], np.ones_like(u)
    first, second = (one, p, q), (one, p, q, p * p, p * q, q * q)
    columns: list[Array] = [(1.0 - cover) * term for term in first]
    columns += [ink * term for term in second] + [cover * term for term in first]
    sheet, gain = light[kernels.SHEET], light[kernels.GAIN]
    columns.append(0.5 * (gain * ink_bend - sheet * cover_bend))
    columns += [by[:, 0], by[:, 1], u * by[:, 1] - v * by[:, 0], u * by[:, 0], v * by[:, 1]]
    return np.column_stack(columns), (1.0 - cover) * sheet + ink * gain, cover


def _under(image: Levels, shown: Printed, u: Array, v: Array) -> Array:
    height, width = image.shape
    column = np.clip(u * shown.per_mm + (width - 1) / 2, 0, width - 1.001)
    row = np.clip((height - 1) / 2 - v * shown.per_mm, 0, height - 1.001)
    c, r = column.astype(np.intp), row.astype(np.intp)
    x, y = column - c, row - r
    top = (1 - x) * image[r, c] + x * image[r, c + 1]
    return np.asarray((1 - y) * top + y * ((1 - x) * image[r + 1, c] + x * image[r + 1, c + 1]), dtype=np.float64)


def _variance(level: Array, seen_by: SeenBy) -> Array:
    """Of pixels' noise: shot and read, fractions of full scale squared."""
    electrons = np.maximum(level, 0.0) * seen_by.full_well_e + seen_by.read_e**2
    return np.asarray(electrons / seen_by.full_well_e**2)


def _covariance(rows: Array, variance: Array) -> Array:
    """Of unweighted least squares under that noise; inf for what no pixel tells of."""
    normal = rows.T @ rows
    diagonal = np.diag(normal)
    told = diagonal > 1e-9 * len(rows) * np.finfo(np.float32).eps
    scale = np.sqrt(np.where(told, diagonal, 1.0))
    scaled = normal / np.outer(scale, scale) + _RIDGE * np.eye(len(scale))
    spread = (rows / scale).T @ ((rows / scale) * variance[:, None])
    inverse = np.linalg.pinv(scaled, hermitian=True)
    covariance = inverse @ spread @ inverse / np.outer(scale, scale)
    covariance[~told, ~told] = np.inf
    return np.asarray(covariance)


def _told_apart(art: Artwork, own: Printed, other: Printed, seen_by: SeenBy) -> tuple[float, float]:
    """How far two prints differ where both are solid, as a share of the contrast, and u of the share of that in a
    picture, as artwork_rivals tells it.
    """
    u, v = _places(art, seen_by)
    solid = np.minimum(_under(own.cover, own, u, v), _inside(other, u, v) * _under(other.cover, other, u, v)) > SOLID
    if solid.sum() < LEAST_PIXELS * EVERY:
        return 0.0, float("inf")
    u, v = u[solid], v[solid]
    model = _under(own.ink, own, u, v)
    difference = _under(other.ink, other, u, v) - model
    share = float(difference.std() / max(float(model.std()), 1e-9))
    light = np.column_stack([np.ones_like(model), u / 50.0, v / 50.0])
    light = np.column_stack([light, light * model[:, None]])
    left = seen_by.exposure * (difference - light @ np.linalg.lstsq(light, difference, rcond=None)[0])
    variance = _variance(seen_by.exposure * model, seen_by)
    told = float((left**2).sum())
    return share, float("inf") if told < 1e-12 else float(np.sqrt(EVERY * (left**2 * variance).sum())) / told


def _inside(shown: Printed, u: Array, v: Array) -> Array:
    return np.asarray((np.abs(u) <= shown.half_mm[0]) & (np.abs(v) <= shown.half_mm[1]), dtype=np.float64)


def _shown(value: float) -> str:
    return f"{value:.2g}" if np.isfinite(value) and value < 1e3 else "endless"
