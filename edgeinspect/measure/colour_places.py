"""Where on an artwork a colour can be told, and what is expected there: fields that are wide enough, blurred like the
lens. At the edge of an ink the lens mixes two of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure.colour import lab_of_xyz, xyz_of_lab, xyz_of_srgb_light
from edgeinspect.shell.definition import Artwork, ColourLimit, Decal
from edgeinspect.shell.srgb import ALIKE, flat_colours, which_flat

CELL_MM = 1.0
SPACING_MM = 0.25  # of the places that are read; of the artwork at this scale too
BLURS, SLIP_MM = 2.5, 0.15  # a place counts so many standard deviations of blur, and so far, from an ink's edge
BETWEEN_PX = 6.0**-0.5  # standard deviation of what reading between pixels blurs, on average over where
UNEVEN_TONE = 0.02  # of light: print that is of no flat colour counts where it changes less
LEAST_READ = 4  # places in a cell


@lru_cache(maxsize=8)  # of the artwork alone, the same for every shell of a day
def _expected(art: Artwork, limit: ColourLimit) -> tuple[list[tuple[str, Array]], Array, NDArray[np.int8]]:
    assert art.colour is not None
    flats = flat_colours(art)
    label = which_flat(art, [colour for _, colour in flats])
    xyz = xyz_of_srgb_light(art.colour, limit.illuminant)
    inks = []
    for k, (name, colour) in enumerate(flats):
        here = label == k
        known = next((one for one in limit.inks if np.abs(one.artwork - colour).max() < ALIKE), None)
        if known is not None:
            xyz[here] = xyz_of_lab(known.lab, limit.illuminant)
        inks.append((name if known is None else known.name, lab_of_xyz(np.median(xyz[here], axis=0), limit.illuminant)))
    return inks, xyz, label


@dataclass(frozen=True)
class Places:
    """The artwork at SPACING_MM: places (N,) where a colour can be told, each with its cell."""

    u_mm: Array
    v_mm: Array
    cell: NDArray[np.intp]  # index into (rows, columns), row 0 at the top
    expected: Array  # (N, 3) XYZ as blurred as the picture
    label: NDArray[np.int8]
    shape: tuple[int, int]  # rows, columns of cells
    inks: list[tuple[str, Array]]
    ink_mm2: list[float]  # of each ink in the whole print
    away_mm: float  # from an ink's edge

    def at_mm(self, cells: NDArray[np.intp]) -> Array:
        """(K, 2) middles of cells."""
        rows, columns = np.divmod(cells, self.shape[1])
        x = (columns - (self.shape[1] - 1) / 2) * CELL_MM
        return np.column_stack([x, ((self.shape[0] - 1) / 2 - rows) * CELL_MM])


@lru_cache(maxsize=8)
def places_of(art: Artwork, limit: ColourLimit, blur_mm: float) -> Places:
    """``blur_mm`` - standard deviation of the picture's blur along the surface."""
    inks, xyz, label = _expected(art, limit)
    per_mm = art.grey.shape[1] / art.width_mm
    away_mm = BLURS * blur_mm + SLIP_MM
    size = 2 * max(1, int(np.ceil(away_mm * per_mm))) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))

    def inner(field: NDArray[np.bool_]) -> NDArray[np.bool_]:
        image = field.astype(np.uint8)
        return np.asarray(cv2.erode(image, disc, borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0)

    clear = np.zeros(label.shape, dtype=bool)
    for k in range(len(inks)):
        clear |= inner(label == k)
    calm = inner(art.opacity > 0.99) & (label < 0)
    for k in range(3) if calm.any() else ():
        light = np.asarray(art.colour, dtype=np.float32)[..., k]
        calm &= np.asarray(cv2.dilate(light, disc) - cv2.erode(light, disc)) < UNEVEN_TONE
    clear |= calm
    blurred = np.dstack([cv2.GaussianBlur(xyz[..., k], (0, 0), blur_mm * per_mm) for k in range(3)])
    half = np.array([art.width_mm, art.height_mm]) / 2
    u, v = (np.arange(-h + SPACING_MM / 2, h, SPACING_MM) for h in half)
    grid_u, grid_v = (part.ravel() for part in np.meshgrid(u, v))
    column = np.clip(((grid_u + half[0]) * per_mm).astype(np.intp), 0, label.shape[1] - 1)
    row = np.clip(((half[1] - grid_v) * per_mm).astype(np.intp), 0, label.shape[0] - 1)
    here = clear[row, column]
    columns, rows = (int(2 * np.ceil(h / CELL_MM - 0.5)) + 1 for h in half)
    at_column = np.rint(grid_u / CELL_MM).astype(np.intp) + columns // 2
    at_row = rows // 2 - np.rint(grid_v / CELL_MM).astype(np.intp)
    area = [float((label == k).sum()) / per_mm**2 for k in range(len(inks))]
    cell = (at_row * columns + at_column)[here]
    return Places(
        grid_u[here], grid_v[here], cell, blurred[row, column][here], label[row, column][here], (rows, columns), inks,
        area, away_mm,
    )  # fmt: skip


def too_fine(decal: Decal, px_per_mm: float, blur_px: float) -> tuple[str, ...]:
    """Inks whose colour a picture so fine tells nowhere: no field of them is wide enough."""
    if decal.colour is None or decal.artwork.colour is None:
        return ()
    places = places_of(decal.artwork, decal.colour, blur_mm_of(blur_px, px_per_mm))
    count = places.shape[0] * places.shape[1]
    told = np.bincount(places.cell, minlength=count) >= LEAST_READ
    wide = set(majority(places, count)[told].tolist())
    return tuple(name for k, (name, _) in enumerate(places.inks) if k not in wide)


def blur_mm_of(blur_px: float, px_per_mm: float) -> float:
    return round(max(float(np.hypot(blur_px, BETWEEN_PX)) / px_per_mm, 0.02), 2)


def majority(places: Places, count: int) -> NDArray[np.intp]:
    """Flat colour that most places of a cell are of, -1 none."""
    votes = [np.bincount(places.cell[places.label == k], minlength=count) for k in range(-1, len(places.inks))]
    return np.asarray(np.argmax(np.array(votes), axis=0) - 1, dtype=np.intp)
