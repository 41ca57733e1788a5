"""Is a decal whole? What is left of the picture when the fitted print is taken away: regions with place, size, kind.

The residual of every pixel is laid on the artwork and smoothed, and compared with what the same print leaves
everywhere else. Only the print is looked at: the edge of a carrier film beside it is no defect. What lies there is told
by what the picture shows: the bare sheet, print without its contrast, print under other light, or light that hides it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import artwork_kernels as kernels
from edgeinspect.measure.artwork_fit import BESIDE_MM, Printed, PrintFit, Seen
from edgeinspect.measure.decal_bubbles import Dome, Look, look_for_bubbles, shaded_print
from edgeinspect.measure.measurement import FaultKind
from edgeinspect.measure.picture import Levels

CELL_MM = 0.25  # of the artwork; the pixels' own spacing where that is more
COVERED = 0.5  # opacity, as blurred as the picture: from here on it is print
# Looked at twice, small and strong or wide and weak: smoothing (standard deviation) [mm], least share of the print's
# contrast, how many times what the print leaves elsewhere, least area [mm²].
PASSES = ((0.4, 0.04, 9.0, 2.5), (0.4, 0.0015, 5.0, 3.0), (0.8, 0.0006, 3.5, 4.0))
UNEVEN = 0.02  # of the level itself: light that the fit's own terms do not follow
SLIP_MM = 0.04  # the print may lie this far off its fit anywhere (creases of the film, printing): no fault
JOINED_MM = 2.0  # regions nearer than this are one fault: a bubble has a bright and a dark side
AT_EDGE_MM = 1.0
ROUND = 0.4  # width over length of what shows of a bubble; less is a wrinkle
BEYOND = 1.35  # times the brightest that sheet and print show: shading of a matte bubble stays below
SHEET_LIKE = 0.3  # how far a level may lie off the sheet's, as a share of the way from the print to the sheet
SHADED = 0.7  # of the level: more no matte film changes by lying askew, and print that is lost or drawn out does
BURNT_SHARE = 0.08
THINNED = 3  # of the cells, along and across, that slow light is taken from
BESIDE_FAULT_MM = 2.5  # around what else is wrong no bubble is looked for
HIDDEN = 0.08  # share of the contrast: where the sheet is as near to the print as this a missing piece does not show


@dataclass(frozen=True)
class Fault:
    """On the artwork: origin at its centre, x in reading direction, y up [mm]."""

    kind: FaultKind
    area_mm2: float
    at_mm: Array  # (2,) middle
    length_mm: float
    width_mm: float
    outline_mm: Array  # (K, 2)


@dataclass(frozen=True)
class Wholeness:
    faults: tuple[Fault, ...]  # largest first
    hidden_share: float  # of the print, where the sheet is as bright as it: a missing piece would not show
    unjudged: float = float("nan")  # share too dim or uneven to show a bubble; nan: not looked for


@dataclass(frozen=True)
class _Sheet:
    """The print in even cells (R, C), row 0 at the top: level, what the fit says it should be, what the bare sheet
    would show there, how much of it is print and how fast the level changes [1/mm].
    """

    level: Levels
    model: Levels
    bare: Levels
    cover: Levels
    slope: Levels
    seen: Levels  # pixels in the cell
    burnt: Levels  # pixels at full scale
    cell_mm: float

    @property
    def print_(self) -> NDArray[np.bool_]:
        return np.asarray(self.cover >= COVERED)

    def smooth(self, image: Levels, by_mm: float) -> Levels:
        """Mean over the pixels around each cell; cells without a pixel, or beside the print, have no say."""
        weight = self.seen * (self.cover >= COVERED)
        around = [cv2.GaussianBlur(one, (0, 0), by_mm / self.cell_mm) for one in (image * weight, weight)]
        return np.asarray(around[0] / np.maximum(around[1], 1e-6))


def faults_of(pixels: Seen, art: Printed, found: PrintFit, *, bubbles: bool) -> Wholeness:
    """``pixels`` that the fit ``found`` of ``art`` is of; ``bubbles`` - whether what only shades the print counts: a
    lamp's gloss on a bent panel is as weak and as wide, so that it may be asked for where light is even.
    """
    sheet = _laid_out(pixels, art, found)
    here = sheet.print_ & (sheet.seen > 0)
    if not here.any():
        return Wholeness((), 1.0)
    contrast = float(np.subtract(*np.percentile(sheet.model[here], [98, 2])))
    contrast = max(contrast, float(np.median(np.abs(sheet.bare - sheet.model)[here])), 1e-4)
    residual = _without_light(sheet, here)
    suspect = sheet.smooth(sheet.burnt, 0.3) > 0.5
    suspect &= sheet.print_
    strong = suspect
    for by_mm, share, times, least_mm2 in PASSES if bubbles else PASSES[:1]:
        smooth, slope = sheet.smooth(residual, by_mm), sheet.smooth(sheet.slope, by_mm)
        own = 1.4826 * float(np.median(np.abs(smooth[here])))  # what the print leaves elsewhere
        beyond = np.abs(smooth) > times * own + SLIP_MM * slope + share * contrast + UNEVEN * sheet.model
        suspect = suspect | _large(beyond & sheet.print_, least_mm2 / sheet.cell_mm**2)
        strong = suspect if share == PASSES[0][1] else strong
    bright = BEYOND * max(float(np.percentile(sheet.model[here], 99.5)), float(np.median(sheet.bare[here])))
    every = [(region, _fault(region, sheet, residual, contrast, bright)) for region in _regions(suspect, sheet.cell_mm)]
    # What only weakly shades the print is a bubble if it is lit like one (below), else it is light.
    told = [(region, one) for region, one in every if one.kind is not FaultKind.BUBBLE or bool((region & strong).any())]
    regions, faults = [region for region, _ in told], [one for _, one in told]
    unjudged = float("nan")
    if bubbles:
        clear = [
            one.kind in (FaultKind.TORN, FaultKind.MISSING)
            or (one.kind is FaultKind.GLARE and float(sheet.burnt[region].mean()) > 0.5)
            for one, region in zip(faults, regions, strict=True)
        ]
        hurt = [region for region, it in zip(regions, clear, strict=True) if it]
        look = _lit(sheet, residual, hurt)
        faults, unjudged = _with_bubbles(faults, clear, look.domes), look.unjudged
    else:
        faults = [one for one in faults if one.kind is not FaultKind.BUBBLE]
    hidden = float((np.abs(sheet.bare - sheet.model)[here] < HIDDEN * contrast).mean())
    return Wholeness(tuple(sorted(faults, key=lambda one: -one.area_mm2)), hidden, unjudged)


def _lit(sheet: _Sheet, residual: Levels, hurt: Sequence[NDArray[np.bool_]]) -> Look:
    """Bubbles and wrinkles, where nothing else is wrong."""
    seen = sheet.seen * sheet.print_ * (sheet.burnt < 0.01)
    for region in hurt:
        seen = seen * ~_wider(region, BESIDE_FAULT_MM, sheet.cell_mm)
    x, y = np.arange(seen.shape[1]) - seen.shape[1] // 2, seen.shape[0] // 2 - np.arange(seen.shape[0])
    at = (np.asarray(x * sheet.cell_mm), np.asarray(y * sheet.cell_mm))
    slipped = np.hypot(SLIP_MM * sheet.slope, UNEVEN * sheet.model)
    return look_for_bubbles(shaded_print(sheet.model, residual, slipped, seen, *at))


def _with_bubbles(faults: Sequence[Fault], clear: Sequence[bool], domes: Sequence[Dome]) -> list[Fault]:
    """What the print's cells say, and what is lit like film that stands off, which explains nearly all of what is off
    there: so it is that, whatever it looks like cell by cell, if nothing is ``clear`` there.
    """
    lit: list[Fault] = []
    for dome in domes:
        half = dome.half_mm
        one = Fault(FaultKind.BUBBLE, dome.area_mm2, dome.at_mm, 2 * max(half), 2 * min(half), dome.outline())
        taken = any(sure and same_place(one, other) for sure, other in zip(clear, faults, strict=True))
        if not taken and not any(same_place(one, other) for other in lit):  # what an own shape leaves of a surer one
            lit.append(one)
    return [one for one in faults if not any(same_place(one, other) for other in lit)] + lit


def _laid_out(pixels: Seen, art: Printed, found: PrintFit) -> _Sheet:
    cell = max(CELL_MM, pixels.spacing_mm)
    half = np.array(art.half_mm) + BESIDE_MM
    columns, rows = (2 * np.ceil(half / cell).astype(int) + 1).tolist()
    slopes = np.empty((len(pixels.level), 2))
    prints = (art.ink, art.cover, art.per_mm, *art.half_mm)
    kernels.slopes(pixels.u_mm, pixels.v_mm, *prints, found.values, found.light, slopes)
    there = np.isfinite(found.residual)
    u, v = _on_artwork(pixels.u_mm[there], pixels.v_mm[there], found.values)
    at = _cells(u, v, cell, (rows, columns))
    count = np.bincount(at, minlength=rows * columns + 1)[:-1].reshape(rows, columns)
    level, residual = pixels.level[there], found.residual[there]

    def mean(values: Array) -> Levels:
        sums = np.bincount(at, weights=values, minlength=rows * columns + 1)[:-1].reshape(rows, columns)
        return np.asarray(sums / np.maximum(count, 1), dtype=np.float32)

    burnt_u, burnt_v = _on_artwork(pixels.burnt_mm[:, 0], pixels.burnt_mm[:, 1], found.values)
    burnt = np.bincount(_cells(burnt_u, burnt_v, cell, (rows, columns)), minlength=rows * columns + 1)[:-1]
    burnt = burnt.reshape(rows, columns)
    grid_u, grid_v = np.meshgrid(np.arange(columns) - columns // 2, rows // 2 - np.arange(rows))
    p, q = grid_u * cell / art.half_mm[0], grid_v * cell / art.half_mm[1]
    height, width = art.cover.shape
    at_column = (grid_u * cell * art.per_mm + (width - 1) / 2).astype(np.float32)
    at_row = ((height - 1) / 2 - grid_v * cell * art.per_mm).astype(np.float32)
    cover = cv2.remap(art.cover, at_column, at_row, cv2.INTER_LINEAR)
    bare = found.light[0] + found.light[1] * p + found.light[2] * q
    seen = np.asarray(count, dtype=np.float32) + np.asarray(burnt, dtype=np.float32)
    full = np.asarray(burnt / np.maximum(count + burnt, 1), dtype=np.float32)
    shown = mean(level) * (1 - full) + full
    model = mean(level - residual)
    model = np.where(count > 0, model, _filled(model, count > 0, cell))
    return _Sheet(
        np.asarray(shown, np.float32),
        np.asarray(model, np.float32),
        np.asarray(bare, np.float32),
        np.asarray(cover, np.float32),
        mean(np.hypot(slopes[there, 0], slopes[there, 1])),
        seen,
        full,
        cell,
    )


def _without_light(sheet: _Sheet, here: NDArray[np.bool_]) -> Levels:
    """Level less model (R, C), less what slow light adds that the fit has no terms for: sheen on a bent coat up to
    quartics, its share on the ink up to squares. A bubble of some millimetres is far too short for these.
    """
    residual = sheet.level - sheet.model
    rows, columns = residual.shape
    q, p = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    terms = [sheet.cover * p**i * q**j for i in range(5) for j in range(5 - i)]
    terms += [sheet.cover * sheet.model * p**i * q**j for i in range(3) for j in range(3 - i)]
    every = np.zeros_like(here)
    every[::THINNED, ::THINNED] = True
    columns_here = np.column_stack([term[here & every] for term in terms])
    target = residual[here & every].astype(np.float64)
    weight: Array = np.ones(len(target))
    answer: Array = np.zeros(len(terms))
    for _ in range(5):
        weighted = columns_here * weight[:, None]
        answer = np.linalg.lstsq(weighted.T @ columns_here, weighted.T @ target, rcond=1e-10)[0]
        off = np.abs(target - columns_here @ answer)
        weight = 1.0 / np.maximum(1.0, off / (1.5 * float(np.median(off)) + 1e-6)) ** 2
    return np.asarray(residual - sum(a * term for a, term in zip(answer, terms, strict=True)), dtype=np.float32)


def _filled(image: Levels, known: NDArray[np.bool_], cell: float) -> Levels:
    """Where no pixel is known: what is around."""
    weight = np.asarray(known, dtype=np.float32)
    around = [cv2.GaussianBlur(one, (0, 0), 1.5 / cell) for one in (image * weight, weight)]
    return np.asarray(around[0] / np.maximum(around[1], 1e-6), dtype=np.float32)


def _on_artwork(u_mm: Array, v_mm: Array, values: Array) -> tuple[Array, Array]:
    x, y = u_mm - values[0], v_mm - values[1]
    cos, sin = np.cos(values[2]), np.sin(values[2])
    return (cos * x + sin * y) / (1.0 + values[3]), (cos * y - sin * x) / (1.0 + values[4])


def _cells(u_mm: Array, v_mm: Array, cell: float, shape: tuple[int, int]) -> NDArray[np.intp]:
    """Index of each place's cell, the one after the last for places beside the print."""
    row, column = shape[0] // 2 - np.rint(v_mm / cell), np.rint(u_mm / cell) + shape[1] // 2
    inside = (row >= 0) & (row < shape[0]) & (column >= 0) & (column < shape[1])
    return np.where(inside, row * shape[1] + column, shape[0] * shape[1]).astype(np.intp)


def _large(mask: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    keep = np.zeros(count, dtype=bool)
    keep[1:] = stats[1:, cv2.CC_STAT_AREA] >= least
    return np.asarray(keep[labels])


def _disc(radius_mm: float, cell: float) -> NDArray[np.uint8]:
    size = 2 * max(1, round(radius_mm / cell)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), dtype=np.uint8)


def _wider(mask: NDArray[np.bool_], by_mm: float, cell: float) -> NDArray[np.bool_]:
    return np.asarray(cv2.dilate(mask.astype(np.uint8), _disc(by_mm, cell)) > 0)


def _regions(suspect: NDArray[np.bool_], cell: float) -> list[NDArray[np.bool_]]:
    """Connected ones, those near each other together."""
    count, labels = cv2.connectedComponents(_wider(suspect, JOINED_MM / 2, cell).astype(np.uint8), connectivity=8)
    return [suspect & (labels == k) for k in range(1, count) if (suspect & (labels == k)).any()]


def _fault(region: NDArray[np.bool_], sheet: _Sheet, residual: Levels, contrast: float, bright: float) -> Fault:
    calm = np.abs(sheet.smooth(residual, 0.3))
    core = region & (calm > 0.5 * np.percentile(calm[region], 90))  # the region without what smoothing added
    around = _wider(region, 1.0, sheet.cell_mm) & (sheet.cover > 0.2) & (sheet.seen > 0)
    kind, instead = _kind(region, core, sheet, residual, contrast, bright)
    part = core
    if instead is not None:  # the lost share of every cell, whatever the blur
        way = instead - sheet.model
        tells = around & (np.abs(way) > 0.12 * contrast)
        share = np.clip(np.where(tells, residual / np.where(tells, way, 1.0), 0.0), 0.0, 1.0)
        share = np.where(share > 0.15, share, 0.0)
        part = share > 0.5
        size = float((share * sheet.cover).sum())
        if kind is FaultKind.TORN:  # and what is folded over beside it
            folded = around & (share <= 0.5) & ~_wider(part, 0.5, sheet.cell_mm) & (calm > 0.1 * contrast)
            part |= folded
            size += float(folded.sum())
    else:
        part = region if kind is FaultKind.BUBBLE else core
        size = float(part.sum())
    if part.sum() < 3:
        part = region
    rows, columns = np.nonzero(part)
    x = (columns - sheet.cover.shape[1] // 2) * sheet.cell_mm
    y = (sheet.cover.shape[0] // 2 - rows) * sheet.cell_mm
    hull = cv2.convexHull(np.column_stack([x, y]).astype(np.float32))
    short, long = (float(side) + sheet.cell_mm for side in sorted(cv2.minAreaRect(hull)[1]))
    outline = cv2.approxPolyDP(hull, 0.5 * sheet.cell_mm, True).reshape(-1, 2).astype(np.float64)
    middle, area = np.array([x.mean(), y.mean()]), size * sheet.cell_mm**2
    if kind is FaultKind.BUBBLE:  # a bright and a dark side show; what lies between and the calm brim do not
        area, middle = max(area, float(cv2.contourArea(hull))), (outline.max(axis=0) + outline.min(axis=0)) / 2
        if short > ROUND * long:
            area = np.pi / 4 * long**2
    return Fault(kind, area, middle, long, short, outline)


def _kind(
    region: NDArray[np.bool_],
    core: NDArray[np.bool_],
    sheet: _Sheet,
    residual: Levels,
    contrast: float,
    bright: float,
) -> tuple[FaultKind, Levels | float | None]:
    """What a region is, and what shows in it instead of the print: the bare sheet, the plain ground; None: neither."""
    level, model, off = sheet.level[core], sheet.model[core], residual[core]
    way = sheet.bare - sheet.model
    tells = np.abs(way) > 0.15 * contrast
    bare = tells & (np.abs(residual / np.where(tells, way, np.inf) - 1.0) < SHEET_LIKE)
    bare_share, burnt = float(bare[core].mean()), float(sheet.burnt[region].mean()) > BURNT_SHARE
    inside = np.pad((sheet.cover >= COVERED).astype(np.uint8), 1)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5)[1:-1, 1:-1] * sheet.cell_mm
    if bool((depth[region] < AT_EDGE_MM).any()) and max(bare_share, float(bare[region].mean())) > 0.25 and not burnt:
        return FaultKind.TORN, sheet.bare
    if burnt or float(np.percentile(level, 90)) > bright:
        return FaultKind.GLARE, None
    one_way = float(max((off > 0).mean(), (off < 0).mean())) > 0.9
    plain = float(level.std()) < 0.12 * contrast
    if one_way and plain and float(np.median(np.abs(off))) > 0.2 * contrast:
        ring = _wider(region, 2.0, sheet.cell_mm) & ~_wider(region, 0.5, sheet.cell_mm) & sheet.print_
        ground = float(np.median(sheet.level[ring])) if ring.any() else float("nan")
        if abs(float(np.median(level)) - ground) < 0.12 * contrast:
            return FaultKind.MISSING, ground
        if bare_share > 0.6:
            return FaultKind.MISSING, sheet.bare
    has_print = float(model.std()) > 0.1 * contrast
    slope = float(
        ((model - model.mean()) * (level - level.mean())).sum() / max(((model - model.mean()) ** 2).sum(), 1e-12)
    )
    strong = np.abs(off) / np.maximum(model, 1e-4)
    if one_way and off.mean() > 0 and float(np.median(strong)) > 0.6 and (slope > 0.7 or not has_print):
        return FaultKind.GLARE, None
    if float(np.percentile(strong, 85)) < SHADED:
        return FaultKind.BUBBLE, None
    return (FaultKind.SMEAR if has_print else FaultKind.OTHER), None


def same_place(one: Fault, other: Fault) -> bool:
    """Whether two faults' boxes come nearer to each other than JOINED_MM."""
    low = np.maximum(one.outline_mm.min(axis=0), other.outline_mm.min(axis=0))
    high = np.minimum(one.outline_mm.max(axis=0), other.outline_mm.max(axis=0))
    return bool((low - high < JOINED_MM).all())


def cleared(own: Sequence[Fault], other: Sequence[Fault]) -> tuple[list[bool], list[bool]]:
    """Glare in one picture, seen by another camera that looks along another way and has no glare there: which of the
    own faults remain, and which of the other's take the place of those that do not.
    """
    hidden = [one for one in own if one.kind is FaultKind.GLARE]
    gone = [one for one in hidden if not any(same_place(one, it) for it in other if it.kind is FaultKind.GLARE)]
    remain = [not any(one is it for it in gone) for one in own]
    return remain, [it.kind is not FaultKind.GLARE and any(same_place(one, it) for one in gone) for it in other]
