"""Are a decal's colours right? Where the measuring camera found the print, a colour camera reads CIELAB cell by cell.

Only fields that are wide enough count: at the edge of an ink the lens mixes two of them. What is expected is the
artwork's colour, blurred like the lens; what slow light adds across a decal is taken from how each ink itself grows
lighter or darker over it, so that an ink that is off as a whole stays off. Told is the greatest difference that a
coherent area reaches, whatever its limit is: a single cell is noise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import CameraModel, ColourCalibration
from edgeinspect.measure.colour import difference, lab_of_xyz
from edgeinspect.measure.colour_calibration import ColourPicture, by_like, inside, patch_colour, relative
from edgeinspect.measure.colour_places import CELL_MM, LEAST_READ, Places, blur_mm_of, majority, places_of
from edgeinspect.measure.decal import DecalFit
from edgeinspect.measure.measurement import CALL, DecalColour, DecalFault, FaultKind, InkColour, Quantity, Share
from edgeinspect.shell.definition import ColourLimit, Decal

WINDOWS = (3, 5, 7, 9, 11)  # cells along and across, that are averaged
QUIET = 0.3  # CIEDE2000: noise that is small enough
FULL = 0.985  # of full scale: glare says nothing
BRIGHT = 1.08  # of a perfect white: more is glare
DRIFT = 0.03  # red or blue against green, since the calibration: another lamp
GREATEST_SLOPE = 0.3  # of light, from the decal's middle to its end
U_LIGHT = 0.01  # of the light at the print against the white sheet's there; common practice, no source
BLACK = np.array([16.0, 0.0, 0.0])  # below black, where the cube roots of CIELAB begin
JOINED_MM = 2.5  # regions nearer than this are one
SEEN = 0.98  # of the places that can be told at all


@dataclass(frozen=True)
class ColourShot:
    """One picture of a colour camera, placed by the fixture marks in it."""

    camera: str
    picture: ColourPicture
    model: CameraModel
    blur_px: float
    calibration: ColourCalibration
    grey_patch_mm: Array  # (4, 3) fixture frame

    @property
    def pose(self) -> Pose:
        return self.picture.pose


@dataclass(frozen=True)
class ColourSight:
    """What the colour cameras of one look saw; ``untold`` says why there is no picture to read."""

    shots: tuple[ColourShot, ...] = ()
    untold: str = "no colour camera looks at this shell"
    action: str = f"{CALL}: a colour camera for it in station.toml, or no colour_limit_de"


@dataclass(frozen=True)
class _Cells:
    """What was read in cells (R * C,): nan where it was not. Differences are of CIELAB, smoothed over cells around."""

    expected: Array  # (K, 3) CIELAB
    off: Array  # (K, 3)
    label: NDArray[np.intp]
    difference: Array  # (K,) CIEDE2000
    noise: Array  # (inks + 1, 3) standard deviation of ``off``, of no flat colour first
    windows: list[int]  # over how many cells, along and across
    told_share: float


def on_decal(decal: Decal, laid: DecalFit, model: CameraModel, pose: Pose, at_mm: Array) -> Array:
    """(N, 2) where places (N, 2) on the artwork lie in a picture, as the decal was laid; ``pose`` - shell -> camera."""
    values = laid.values
    cos, sin = np.cos(values[2]), np.sin(values[2])
    on = at_mm * (1.0 + values[3:5]) @ np.array([[cos, sin], [-sin, cos]]) + values[:2]
    return model.project(decal.patch.points(on[:, 0], on[:, 1]), pose)


def colours_of(
    decal: Decal, where: Pose, laid: DecalFit, sight: ColourSight, to_pixels: Callable[[Array], Array], camera: str
) -> tuple[DecalColour, tuple[DecalFault, ...]]:
    """The colours of a decal that was found, and where they are off by more than its limit, largest first.

    Parameters: where - shell -> fixture; to_pixels - from places (K, 2) on the artwork to the picture of the measuring
    ``camera``, which regions are drawn in.
    """
    limit = decal.colour
    assert limit is not None
    untold = DecalColour("", limit.illuminant, limit.area_mm2)
    if not sight.shots:
        return replace(untold, untold=sight.untold, action=sight.action), ()
    shot = max(sight.shots, key=lambda one: _in_picture(decal, where, laid, one))
    untold = replace(untold, camera=shot.camera)
    if problem := _unfit(shot, limit):
        return replace(untold, untold=problem[0], action=problem[1]), ()
    corner, middle = (_pixels(decal, where, laid, shot, np.array([[0.5 * k, 0.0]])) for k in (-1.0, 1.0))
    per_mm = float(np.linalg.norm(corner - middle))
    places = places_of(decal.artwork, limit, blur_mm_of(shot.blur_px, per_mm))
    cells = _read(decal, where, laid, shot, places)
    told = np.flatnonzero(np.isfinite(cells.difference))
    if len(told) * CELL_MM**2 < limit.area_mm2:
        words = "no field of its print is wide enough, or seen without glare, to tell its colours"
        return replace(untold, untold=words, action="wipe the place dry, shade it from the lamp, look again"), ()
    worst, here = _reached(cells.difference, places.shape, limit.area_mm2)
    u = _quantity(worst, here, cells, shot.calibration)
    found = replace(
        untold,
        worst=u,
        worst_ink=_ink(here, cells, places),
        worst_at_mm=places.at_mm(here).mean(axis=0),
        told_share=cells.told_share,
        inks=tuple(_inks(cells, places, shot.calibration)),
    )
    from_here = max(limit.limit_de - decal.guard_factor * u.u, 0.5 * limit.limit_de)
    regions = [
        _region(region, cells, places, shot.calibration, limit, to_pixels, camera)
        for region in _regions(cells.difference > from_here, places.shape)
        if len(region) * CELL_MM**2 >= limit.area_mm2
    ]
    return found, tuple(sorted(regions, key=lambda one: -one.area_mm2))


def _unfit(shot: ColourShot, limit: ColourLimit) -> tuple[str, str] | None:
    """Why this picture's colours say nothing, and what to do."""
    calibration = shot.calibration
    if calibration.illuminant != limit.illuminant:
        words = f"its colours are stated for {limit.illuminant}, camera {shot.camera} is calibrated for "
        return words + calibration.illuminant, f"{CALL}: colour_illuminant, or calibrate-colour with the same one"
    level = patch_colour(shot.picture, shot.grey_patch_mm, shot.model)
    if not (np.isfinite(level).all() and (level < FULL).all() and (level > 0.01).all()):
        return f"camera {shot.camera} does not see the grey patch as it should", "clean and uncover it, look again"
    drift = level / calibration.patch_level
    drift = drift / drift[1] - 1.0
    at = int(np.argmax(np.abs(drift)))
    if abs(drift[at]) > DRIFT:
        name = ("red", "", "blue")[at]
        words = f"the lamp's colour has changed since the colour calibration: {drift[at]:+.0%} {name} against green"
        return words, f"{CALL}: clean the grey patch, check the lamp, calibrate-colour again"
    return None


def _pixels(decal: Decal, where: Pose, laid: DecalFit, shot: ColourShot, at_mm: Array) -> Array:
    return on_decal(decal, laid, shot.model, shot.pose.after(where), at_mm)


def _in_picture(decal: Decal, where: Pose, laid: DecalFit, shot: ColourShot) -> float:
    """Share of a decal that a camera sees."""
    half = np.array([decal.artwork.width_mm, decal.artwork.height_mm]) / 2
    grid = np.stack(np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 5)), axis=-1).reshape(-1, 2)
    pixels = _pixels(decal, where, laid, shot, grid * half)
    size = np.array([shot.model.width_px, shot.model.height_px]) - 1.0
    return float(((pixels >= 0) & (pixels <= size)).all(axis=1).mean())


def _read(decal: Decal, where: Pose, laid: DecalFit, shot: ColourShot, places: Places) -> _Cells:
    assert decal.colour is not None
    illuminant, calibration = decal.colour.illuminant, shot.calibration
    pixels = _pixels(decal, where, laid, shot, np.column_stack([places.u_mm, places.v_mm]))
    level = shot.picture.at(pixels)
    reference = patch_colour(shot.picture, shot.grey_patch_mm, shot.model)
    read = relative(level, pixels, reference, calibration.light, shot.model) @ calibration.matrix.T
    good = np.isfinite(level).all(axis=1) & (level < FULL).all(axis=1) & (read[:, 1] < BRIGHT)
    good &= inside(pixels, _wider(calibration.even_over))
    count = places.shape[0] * places.shape[1]

    def mean(values: Array, which: NDArray[np.bool_]) -> Array:
        sums = [np.bincount(places.cell[which], weights=values[which, k], minlength=count) for k in range(3)]
        return np.stack(sums, axis=1) / np.maximum(np.bincount(places.cell[which], minlength=count), 1)[:, None]

    every, seen = np.bincount(places.cell, minlength=count), np.bincount(places.cell[good], minlength=count)
    there = seen >= LEAST_READ
    expected, got = mean(places.expected, good), mean(read, good)
    label = majority(places, count)
    got = got / _slope(got, expected, label, there, places)[:, None]
    lab = lab_of_xyz(expected, illuminant)
    seen_lab = lab_of_xyz(got, illuminant) + by_like(lab, calibration.like_lab, calibration.missed_lab)
    off = np.where(there[:, None], seen_lab - lab, np.nan)
    smooth, noise, windows = _smoothed(off, lab, seen * there, label, places.shape, len(places.inks))
    apart = np.where(there, difference(lab, lab + smooth), np.nan)
    could = every >= LEAST_READ
    return _Cells(lab, smooth, label, apart, noise, windows, float((there & could).sum() / max(int(could.sum()), 1)))


def _wider(hull: Array) -> Array:
    """A millimetre or so around what the white sheet was read over, for a decal that lies a little off its place."""
    middle = hull.mean(axis=0)
    return np.asarray(middle + (hull - middle) * (1.0 + 12.0 / np.linalg.norm(hull - middle, axis=1, keepdims=True)))


def _slope(got: Array, expected: Array, label: NDArray[np.intp], there: NDArray[np.bool_], places: Places) -> Array:
    """(K,) light over that in the decal's middle: what all inks show alike within themselves."""
    at = places.at_mm(np.arange(len(label)))
    p = at / (CELL_MM * np.array(places.shape[::-1]) / 2)
    here = there & (got[:, 1] > 0) & (expected[:, 1] > 0)
    ratio = np.log(got[here, 1] / expected[here, 1])
    groups = [(label[here] == k).astype(np.float64) for k in range(-1, len(places.inks)) if (label[here] == k).any()]
    design = np.column_stack([p[here], *groups])
    by_light = np.sqrt(np.minimum(expected[here, 1], 0.3))  # dark print is all noise
    weight: Array = np.ones(len(ratio))
    answer: Array = np.zeros(design.shape[1])
    for _ in range(8):
        rows = (weight * by_light)[:, None]
        answer = np.linalg.lstsq(design * rows, ratio * rows[:, 0], rcond=1e-9)[0]
        off = np.abs(ratio - design @ answer)
        weight = 1.0 / np.maximum(1.0, off / (1.5 * float(np.median(off)) + 1e-4))
    return np.exp(p @ np.clip(answer[:2], -GREATEST_SLOPE, GREATEST_SLOPE))


def _smoothed(
    off: Array, expected: Array, weight: NDArray[np.intp], label: NDArray[np.intp], shape: tuple[int, int], count: int
) -> tuple[Array, Array, list[int]]:
    """Mean over the cells around, of each ink by itself, over as few of WINDOWS as leave little noise.

    Returns the differences (K, 3), standard deviations (inks + 1, 3) of such means and the windows [cells], of no flat
    colour first. Dark print is noisy: there a colour is told over more of it.
    """
    known, smooth = np.nan_to_num(off), np.full(off.shape, np.nan)
    noise, windows = np.zeros((count + 1, 3)), [WINDOWS[0]] * (count + 1)
    for ink in range(-1, count):
        here = np.isfinite(off[:, 0]) & (label == ink)
        if not here.any():
            continue
        own = (weight * here).astype(np.float64).reshape(shape)
        usual = np.mean(expected[here], axis=0)
        for window in WINDOWS:
            total = cv2.blur(own, (window, window), borderType=cv2.BORDER_CONSTANT)
            sums = [
                cv2.blur(known[:, k].reshape(shape) * own, (window, window), borderType=cv2.BORDER_CONSTANT)
                for k in range(3)
            ]
            mean = np.stack([one / np.maximum(total, 1e-9) for one in sums], axis=-1).reshape(-1, 3)[here]
            # As many cells as count there: what a cell differs by from their mean has 1 - 1/n of its variance.
            cells = np.maximum(window**2 * total.ravel()[here] / max(float(own.max()), 1e-9), 1.01)
            spread = 1.4826 * np.median(np.abs(known[here] - mean) / np.sqrt(1.0 - 1.0 / cells)[:, None], axis=0)
            own_noise = spread / np.sqrt(float(np.median(cells)))
            smooth[here], noise[ink + 1], windows[ink + 1] = mean, own_noise, window
            if float(difference(usual, usual + own_noise)) <= QUIET:
                break
    return smooth, noise, windows


def _reached(values: Array, shape: tuple[int, int], area_mm2: float) -> tuple[float, NDArray[np.intp]]:
    """The greatest value that a coherent area reaches all over, and its cells."""
    least = int(np.ceil(area_mm2 / CELL_MM**2))
    known = np.sort(values[np.isfinite(values)])
    image = np.nan_to_num(values, nan=-1.0).reshape(shape)
    low, high, cells = 0, len(known) - 1, np.flatnonzero(np.isfinite(values))
    best = float(known[0])
    while low <= high:
        middle = (low + high) // 2
        large = [one for one in _areas(image >= known[middle]) if len(one) >= least]
        if large:
            best, low = float(known[middle]), middle + 1
            cells = max(large, key=len)
        else:
            high = middle - 1
    return best, cells


def _areas(mask: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    count, label = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    flat = label.ravel()
    order = np.argsort(flat, kind="stable")
    ends = np.searchsorted(flat[order], np.arange(count + 1))
    return [order[ends[k] : ends[k + 1]] for k in range(1, count)]


def _regions(off: NDArray[np.bool_], shape: tuple[int, int]) -> list[NDArray[np.intp]]:
    """Coherent ones, those near each other together: the edges of an ink part what is off as one."""
    size = 2 * round(JOINED_MM / CELL_MM / 2) + 1
    wide = cv2.dilate(off.reshape(shape).astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    return [one[off[one]] for one in _areas(wide) if off[one].any()]


def _ink(cells: NDArray[np.intp], read: _Cells, places: Places) -> str:
    most = int(np.bincount(read.label[cells] + 1).argmax()) - 1
    return places.inks[most][0] if most >= 0 else ""


def _quantity(value: float, cells: NDArray[np.intp], read: _Cells, calibration: ColourCalibration) -> Quantity:
    """A difference over some cells, with what its uncertainty is made of."""
    expected, off = np.nanmean(read.expected[cells], axis=0), np.nanmean(read.off[cells], axis=0)
    seen = expected + off
    noise = float(difference(seen, seen + read.noise[read.label[cells] + 1].mean(axis=0)))
    lighter = (seen + BLACK) * np.cbrt(1.0 + U_LIGHT) - BLACK  # CIELAB is made of cube roots
    shares = (
        Share("colour calibration", calibration.u_de),
        Share("picture noise", noise),
        Share("light at the print", float(difference(seen, lighter))),
    )
    return Quantity(value, float(np.sqrt(sum(share.u**2 for share in shares))), shares)


def _inks(read: _Cells, places: Places, calibration: ColourCalibration) -> list[InkColour]:
    found = []
    known = np.isfinite(read.difference)
    for k, (name, lab) in enumerate(places.inks):
        cells = np.flatnonzero(known & (read.label == k))
        over_mm = read.windows[k + 1] * CELL_MM
        one = InkColour(name, lab, places.ink_mm2[k], len(cells) * CELL_MM**2, over_mm)
        if len(cells):
            mean = lab + np.mean(read.off[cells], axis=0)
            off_by = _quantity(float(difference(lab, mean)), cells, read, calibration)
            one = replace(one, read_lab=mean, off_by=off_by)
        found.append(one)
    return sorted(found, key=lambda ink: -ink.area_mm2)


def _region(
    cells: NDArray[np.intp],
    read: _Cells,
    places: Places,
    calibration: ColourCalibration,
    limit: ColourLimit,
    to_pixels: Callable[[Array], Array],
    camera: str,
) -> DecalFault:
    values = np.full(len(read.difference), np.nan)
    values[cells] = read.difference[cells]
    value, core = _reached(values, places.shape, limit.area_mm2)
    cells = cells[
        read.difference[cells] > 0.5 * value
    ]  # half of it: there the border lies, whatever it is averaged over
    at = places.at_mm(cells)
    # To the ink's edge, where no colour can be told, it is taken to go on.
    grown = CELL_MM / 2 + places.away_mm / 2
    corners = (at[:, None, :] + grown * np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]])).reshape(-1, 2)
    hull = cv2.convexHull(corners.astype(np.float32))
    outline = cv2.approxPolyDP(hull, 0.2, True).reshape(-1, 2).astype(np.float64)
    short, long = sorted(float(side) for side in cv2.minAreaRect(hull)[1])
    return DecalFault(
        FaultKind.COLOUR,
        len(cells) * CELL_MM**2,
        long,
        short,
        at.mean(axis=0),
        to_pixels(outline),
        camera,
        _ink(cells, read, places),
        _quantity(value, core, read, calibration),
    )
