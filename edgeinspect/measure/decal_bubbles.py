"""Bubbles and wrinkles under a decal's film: not a spot that differs, but a shape that is lit on one side.

A film that stands off is brighter where it leans to the light and darker where it leans away, by a share of its level
whatever is printed there. On nearly black print that is a fraction of a level, far below the noise of one pixel, and
only what lies over a whole bubble tells: domes of several sizes and turns are held against the picture, every place
weighed by its noise (a matched filter: Turin, IRE Trans. Inf. Theory 6, 1960), the likeliest is fitted for its size,
taken away, and the next is looked for. What such a filter must read is known beforehand, too: where the least bubble
would drown in the noise, the picture is too dim to say that there is none.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft, optimize

from edgeinspect.geometry import Array

LEAST_MM = 4.0  # radius of a bubble that must not be missed
LEAST_WRINKLE_MM = (8.0, 2.0)  # length and width of a wrinkle that must not be missed
LEAST_SHADE = 0.12  # of the level, where a bubble is steepest: 0.4 mm high and 4 mm in radius under light from 40 deg
LEAST_WRINKLE_SHADE = 0.24  # the same of a wrinkle a tenth as high as it is wide
FAINTEST = 0.4  # times that: less is how films lie, or light
SURE = 6.0  # standard deviations: the surest of all places and shapes on a good print reads 3 to 5.5
ALLOWED = 2.5  # more: at the worst place the least wrinkle then falls short once in 160 times, all else more seldom
EXPLAINED = 0.85  # of what lies there beyond the noise, by the fitted dome: less is something else
STRONGEST = 0.9  # of the level: more no matte film changes by leaning away from the light or to it
MOST = 6
WIDEST_MM = 9.0  # half width: what is wider is light (gloss on a bent panel), and no bubble is told under it
AROUND = 1.7  # times as far as that light: what its own shape leaves is not told from bubbles either
RADII_MM = (4.0, 5.6, 8.0)
WIDTHS_MM, LENGTH_MM, TURNS = (2.0, 2.8, 4.0), 10.0, 8
LONGEST_MM = 30.0


@dataclass(frozen=True)
class Dome:
    """Film that stands off within an ellipse, as high as (1 - r²)²: round it is a bubble, long and narrow a wrinkle."""

    at_mm: Array  # (2,) on the artwork
    half_mm: tuple[float, float]  # along and across
    turn: float  # rad, of the first from reading direction
    lean: Array  # (2,) how the level changes with the film's slope to the right and upwards, times its height [mm]
    sure: float  # standard deviations
    explained: float  # share of what lies there beyond the noise

    @property
    def shaded(self) -> float:
        """Of the level, where it is steepest."""
        cos, sin = np.cos(self.turn), np.sin(self.turn)
        own = np.array([cos * self.lean[0] + sin * self.lean[1], cos * self.lean[1] - sin * self.lean[0]])
        return float(STEEPEST * np.linalg.norm(own / self.half_mm))

    @property
    def area_mm2(self) -> float:
        return float(np.pi * self.half_mm[0] * self.half_mm[1])

    def outline(self, count: int = 24) -> Array:
        """(count, 2) around it on the artwork."""
        t = np.arange(count) * 2 * np.pi / count
        p, q = self.half_mm[0] * np.cos(t), self.half_mm[1] * np.sin(t)
        cos, sin = np.cos(self.turn), np.sin(self.turn)
        return np.asarray(self.at_mm + np.column_stack([cos * p - sin * q, sin * p + cos * q]))

    def inside(self, x: Array, y: Array, times: float = 1.0) -> NDArray[np.bool_]:
        """Which places (...) on the artwork lie within the ellipse, made larger by so much."""
        p, q = x - self.at_mm[0], y - self.at_mm[1]
        cos, sin = np.cos(self.turn), np.sin(self.turn)
        return np.asarray(
            np.hypot((cos * p + sin * q) / self.half_mm[0], (cos * q - sin * p) / self.half_mm[1]) < times
        )

    def shade(self, x: Array, y: Array) -> Array:
        """By which share the level at places (...) on the artwork is changed."""
        by_x, by_y = _slopes(x - self.at_mm[0], y - self.at_mm[1], *self.half_mm, self.turn)
        return np.asarray(self.lean[0] * by_x + self.lean[1] * by_y)


def _slopes(x: Array, y: Array, along: float, across: float, turn: float) -> tuple[Array, Array]:
    """Slopes of (1 - r²)² to the right and upwards."""
    cos, sin = np.cos(turn), np.sin(turn)
    p, q = (cos * x + sin * y) / along, (cos * y - sin * x) / across
    steep = -4.0 * np.maximum(1.0 - p * p - q * q, 0.0)
    by_p, by_q = steep * p / along, steep * q / across
    return cos * by_p - sin * by_q, sin * by_p + cos * by_q


STEEPEST = 4.0 * (2.0 / 3.0) * 3.0**-0.5  # of (1 - r²)² along r


@dataclass(frozen=True)
class Shaded:
    """The print in even cells (R, C), row 0 at the top."""

    level: Array  # what the fit leads to expect
    off: Array  # what is seen less that
    variance: Array  # of the second; inf where nothing is seen, or something else lies there
    x: Array  # of the cells on the artwork [mm]
    y: Array
    cell_mm: float


@dataclass(frozen=True)
class Look:
    domes: tuple[Dome, ...]  # surest first
    unjudged: float  # share of the print that is too dim, or too unevenly lit, to show the least bubble or wrinkle


def look_for_bubbles(seen: Shaded) -> Look:
    """Every bubble and wrinkle, and where the least of them would not show."""
    filters = _Filters(seen)
    left, domes, uneven = np.array(seen.off), list[Dome](), np.zeros(seen.off.shape, dtype=bool)
    for _ in range(MOST):
        start = filters.likeliest(left)
        if start is None:
            break
        dome = _fitted(seen, left, start)
        left = left - dome.shade(seen.x, seen.y) * seen.level
        wide = min(dome.half_mm) > WIDEST_MM
        filters.free &= ~dome.inside(seen.x, seen.y, AROUND if wide else 1.0)
        if wide:
            uneven |= dome.inside(seen.x, seen.y, AROUND)
        elif dome.explained >= EXPLAINED and FAINTEST * LEAST_SHADE < dome.shaded < STRONGEST:
            domes.append(dome)
    known = np.isfinite(seen.variance)
    unsure = (filters.unsure() | uneven) & known
    return Look(tuple(domes), float(unsure.sum()) / float(known.sum()) if known.any() else 1.0)


def shaded_print(level: Array, off: Array, slipped: Array, count: Array, x_mm: Array, y_mm: Array) -> Shaded:
    """Four cells of a print together, with the noise of each.

    Parameters: level, off (R, C) as fitted, and what is seen less that; slipped (R, C) - standard deviation of
    what the fit leaves where nothing is wrong; count (R, C) - pixels in a cell, 0: not to be looked at; x_mm (C,),
    y_mm (R,) - of the cells on the artwork.
    """
    rows, columns = count.shape[0] // 2 * 2, count.shape[1] // 2 * 2

    def summed(image: Array) -> Array:
        four = image[:rows, :columns].reshape(rows // 2, 2, columns // 2, 2)
        return np.asarray(four.sum(axis=(1, 3)), dtype=np.float64)

    pixels = summed(count)
    there, many = pixels > 0.5, np.maximum(pixels, 0.5)
    level, off, slipped = (summed(image * count) / many for image in (level, off, slipped))
    # Noise of a pixel by level, from neighbours across the corner: a bubble is far too wide to be in their difference.
    pair = there[1:, 1:] & there[:-1, :-1]
    apart = (off[1:, 1:] - off[:-1, :-1])[pair] ** 2 / (1 / many[1:, 1:] + 1 / many[:-1, :-1])[pair]
    at, steep = 0.5 * (level[1:, 1:] + level[:-1, :-1])[pair], np.maximum(slipped[1:, 1:], slipped[:-1, :-1])[pair]
    calm = steep <= np.median(steep) if len(steep) else np.zeros(0, dtype=bool)
    variance = np.where(there, _by_level(at[calm], apart[calm], level) / many + slipped**2, np.inf)
    x, y = np.meshgrid(x_mm[:columns].reshape(-1, 2).mean(axis=1), y_mm[:rows].reshape(-1, 2).mean(axis=1))
    return Shaded(level, _evenly_lit(level, off, variance), variance, x, y, 2.0 * float(x_mm[1] - x_mm[0]))


def _evenly_lit(level: Array, off: Array, variance: Array) -> Array:
    """``off`` without slow light once more, by means and not by medians: of a few levels of 8 bits medians are wrong by
    parts of a level.
    """
    known = np.isfinite(variance)
    if known.sum() < 1000:
        return off
    rows, columns = off.shape
    q, p = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    terms = [p**i * q**j for i in range(5) for j in range(5 - i)]
    terms += [level * p**i * q**j for i in range(3) for j in range(3 - i)]
    matrix = np.column_stack([term[known] for term in terms])
    weight, target = 1.0 / variance[known], off[known]
    answer: Array = np.zeros(len(terms))
    for _ in range(3):
        weighted = matrix * weight[:, None]
        answer = np.linalg.lstsq(weighted.T @ matrix, weighted.T @ target, rcond=1e-10)[0]
        sure = np.abs(target - matrix @ answer) / np.sqrt(variance[known])
        weight = np.minimum(1.0, 4.0 / np.maximum(sure, 1e-9)) / variance[known]
    return np.asarray(off - sum(a * term for a, term in zip(answer, terms, strict=True)))


def _by_level(at: Array, squares: Array, level: Array) -> Array:
    """Variance at ``level`` by squares read ``at`` others: means of twelve bins, each without what lies far outside."""
    if len(at) < 200:
        return np.full(level.shape, np.inf)
    bins = np.array_split(np.argsort(at, kind="stable"), 12)
    known = []
    for one in bins:
        clip = 16.0 * float(np.median(squares[one])) / 0.455 + 1e-12
        known.append((float(at[one].mean()), float(np.minimum(squares[one], clip).mean())))
    mean, variance = np.array(known).T
    return np.asarray(np.interp(level, mean, np.maximum(variance, 1e-10)))


def disc(radius_mm: float, cell_mm: float) -> NDArray[np.uint8]:
    size = 2 * max(1, round(radius_mm / cell_mm)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), dtype=np.uint8)


@dataclass(frozen=True)
class _Shape:
    half_mm: tuple[float, float]
    turn: float
    least: float  # shade that must be found

    @property
    def is_round(self) -> bool:
        return self.half_mm[0] == self.half_mm[1]


def _shapes() -> tuple[_Shape, ...]:
    found = [_Shape((radius, radius), 0.0, LEAST_SHADE) for radius in RADII_MM]
    long = 0.5 * LENGTH_MM
    for width in WIDTHS_MM:
        found += [_Shape((long, width / 2), k * np.pi / TURNS, LEAST_WRINKLE_SHADE) for k in range(TURNS)]
    return tuple(found)


SHAPES = _shapes()
LEAST = (
    _Shape((LEAST_MM, LEAST_MM), 0.0, LEAST_SHADE),
    *(_Shape((LEAST_WRINKLE_MM[0] / 2, LEAST_WRINKLE_MM[1] / 2), k * np.pi / 4, LEAST_WRINKLE_SHADE) for k in range(4)),
)


@functools.lru_cache(maxsize=4)
def _templates(shapes: tuple[_Shape, ...], cell_mm: float, size: tuple[int, int]) -> tuple[Array, ...]:
    """Of each shape the transforms of what its correlation needs: a round one's shade to the right, upwards, their
    squares and product; a long one's shade across, and its square. 1 where it is steepest.
    """
    found = []
    rows, columns = ((np.arange(n) + n // 2) % n - n // 2 for n in size)  # the middle in the first cell
    x, y = np.meshgrid(columns * cell_mm, -rows * cell_mm)
    for shape in shapes:
        by_x, by_y = _slopes(x, y, *shape.half_mm, shape.turn)
        steep = shape.half_mm[1] / STEEPEST
        across = -np.sin(shape.turn) * by_x + np.cos(shape.turn) * by_y
        one = [steep * by_x, steep * by_y] if shape.is_round else [steep * across]
        squares = [one[0] ** 2, one[1] ** 2, one[0] * one[1]] if shape.is_round else [one[0] ** 2]
        found.append(np.conj(fft.rfft2(np.array(one + squares, dtype=np.float32), workers=1)))
    return tuple(found)


class _Filters:
    """What every shape reads everywhere on one print."""

    def __init__(self, seen: Shaded) -> None:
        self.seen = seen
        pad = int(np.ceil(2 * max(*RADII_MM, LENGTH_MM / 2) / seen.cell_mm))
        self.size = tuple(fft.next_fast_len(n + pad, real=True) for n in seen.level.shape)
        self.weight = np.asarray(seen.level / seen.variance)  # of what is off; 0 where nothing is seen
        share = self._transformed(seen.level)
        self.held = [self._sums(share, one[2 if shape.is_round else 1 :]) for shape, one in self._each(SHAPES)]
        self.scales: list[float] = []
        self.free = np.isfinite(seen.variance)
        self.scales = [
            max(1.0, self._scale(read, shape)) for read, shape in zip(self._read(seen.off), SHAPES, strict=True)
        ]

    def _transformed(self, image: Array) -> Array:
        """Of an image times its weight, in single precision: a part in a million of the brightest print's sum."""
        return np.asarray(fft.rfft2((image * self.weight).astype(np.float32), self.size, workers=1))

    def _each(self, shapes: tuple[_Shape, ...]) -> list[tuple[_Shape, Array]]:
        return list(zip(shapes, _templates(shapes, self.seen.cell_mm, self.size), strict=True))

    def _sums(self, transformed: Array, templates: Array) -> Array:
        rows, columns = self.seen.level.shape
        every = fft.irfft2(transformed[None] * templates, self.size, workers=1)
        return np.asarray(every[:, :rows, :columns])

    def _read(self, off: Array) -> list[tuple[Array, Array]]:
        """Of every shape: standard deviations (R, C), and the shade where it is steepest."""
        transformed = self._transformed(off)
        found = []
        for (shape, templates), held in zip(self._each(SHAPES), self.held, strict=True):
            sums = self._sums(transformed, templates[: 2 if shape.is_round else 1])
            if shape.is_round:
                xx, yy, xy = held
                det = np.maximum(xx * yy - xy * xy, 1e-12 * (xx * yy).max() + 1e-30)
                right, up = (yy * sums[0] - xy * sums[1]) / det, (xx * sums[1] - xy * sums[0]) / det
                found.append((np.sqrt(np.maximum(right * sums[0] + up * sums[1], 0.0)), np.hypot(right, up)))
            else:
                known = np.maximum(held[0], 1e-9 * held[0].max() + 1e-30)
                found.append((np.abs(sums[0]) / np.sqrt(known), np.abs(sums[0]) / known))
        return found

    def _scale(self, read: tuple[Array, Array], shape: _Shape) -> float:
        """What chance leads to, by the middle one of all places: 1 if it were the pixels' noise alone."""
        here = read[0][self.free]
        return float(np.median(here)) / (np.sqrt(2 * np.log(2)) if shape.is_round else 0.6745) if len(here) else 1.0

    def likeliest(self, off: Array) -> tuple[_Shape, float, float, float] | None:
        """Shape, x, y [mm] and standard deviations of the surest one; None where there is none."""
        best: tuple[_Shape, float, float, float] | None = None
        for shape, read, scale in zip(SHAPES, self._read(off), self.scales, strict=True):
            sure = np.where(self.free & (read[1] > FAINTEST * shape.least), read[0] / scale, 0.0)
            at = int(sure.argmax())
            if sure.flat[at] > max(SURE, best[3] if best else 0.0):
                best = shape, float(self.seen.x.flat[at]), float(self.seen.y.flat[at]), float(sure.flat[at])
        return best

    def unsure(self) -> NDArray[np.bool_]:
        share = self._transformed(self.seen.level)
        known = np.isfinite(self.seen.variance)
        found = np.zeros(known.shape, dtype=bool)
        whole = cv2.erode(np.pad(known, 1).astype(np.uint8), disc(LEAST_MM, self.seen.cell_mm))[1:-1, 1:-1] > 0
        for shape, templates in self._each(LEAST):
            held = self._sums(share, templates[2 if shape.is_round else 1 :])
            alike = [s for s, one in zip(self.scales, SHAPES, strict=True) if one.is_round == shape.is_round]
            if shape.is_round:
                xx, yy, xy = held
                held = 0.5 * (xx + yy) - np.hypot(0.5 * (xx - yy), xy)  # lit from the side that tells least
            else:
                held = held[0]
            found |= whole & (shape.least * np.sqrt(np.maximum(held, 0.0)) < (SURE + ALLOWED) * max(alike))
        return found


def _fitted(seen: Shaded, off: Array, start: tuple[_Shape, float, float, float]) -> Dome:
    """The dome that fits best from there on."""
    shape, x0, y0, sure = start
    reach = 2.2 * max(shape.half_mm)
    near = (np.hypot(seen.x - x0, seen.y - y0) < reach) & np.isfinite(seen.variance)
    x, y, level, there = seen.x[near], seen.y[near], seen.level[near], off[near]
    weight = 1.0 / np.sqrt(seen.variance[near])
    target = weight * there

    def lean(values: Array) -> tuple[Array, Array]:
        by_x, by_y = _slopes(x - values[0], y - values[1], np.exp(values[2]), np.exp(values[3]), values[4])
        rows = (weight * level)[:, None] * np.column_stack([by_x, by_y])
        normal = rows.T @ rows
        answer = np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(2), rows.T @ target)
        return answer, rows @ answer

    begin = np.array([x0, y0, *np.log(shape.half_mm), shape.turn])
    free = np.array([reach / 2, reach / 2, 0.0, 0.0, np.pi / 2 + 0.1])
    low, high = begin - free, begin + free
    low[2:4], high[2:4] = np.log(0.6), np.log(LONGEST_MM / 2)
    if shape.is_round:
        begin[2] += 0.05  # a circle has no turn to begin with
    found = optimize.least_squares(lambda v: lean(v)[1] - target, begin, bounds=(low, high), x_scale="jac", max_nfev=60)
    values = found.x
    answer, shaded = lean(values)
    half = np.exp(values[2:4])
    dome = Dome(values[:2], (float(half[0]), float(half[1])), float(values[4]), answer, sure, 0.0)
    inside = dome.inside(x, y)
    count = int(inside.sum())
    before, after = float((target[inside] ** 2).sum()), float(((target - shaded)[inside] ** 2).sum())
    allowed = count + 2.0 * np.sqrt(2.0 * count)
    explained = 1.0 - max(after - allowed, 0.0) / max(before - count, 1e-9)
    return replace(dome, explained=explained)
