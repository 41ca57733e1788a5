"""Decals: there or not, which artwork, offset and rotation along the surface."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.artwork_find import (
    FINEST_MM,
    NEAR_DEG,
    NEAR_STEP_DEG,
    REACH_MM,
    WIDE_DEG,
    WIDE_STEP_DEG,
    Unrolled,
    find_roughly,
    turns,
    unroll,
)
from edgeinspect.measure.artwork_fit import (
    ABOUT,
    BESIDE_MM,
    BROAD_MM,
    Printed,
    PrintFit,
    Seen,
    fit,
    printed,
    seen,
    seen_in,
    warp_mm,
)
from edgeinspect.measure.artwork_rivals import share_of_other
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.decal_faults import Wholeness, faults_of
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.shell.definition import Artwork, Decal

THERE = 0.75  # correlation at the fine place: artwork found by chance stays far below, printed well is above 0.95
GONE = 0.45  # below this at the best coarse place the panel is bare
OTHER_SHARE = 0.5  # of the difference between two artworks: from here on it is the other one (0 and 1 without noise)
STRETCH = 0.03  # more than this no decal stretches: something else was taken for it
_CORNERS = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * 0.5


@dataclass(frozen=True)
class DecalFit:
    there: bool | None  # some decal, and ``variant`` says which
    values: Array = field(default_factory=lambda: np.full(5, np.nan))  # dx, dy [mm], rotation [rad], stretches [1]
    covariance: Array | None = None  # (5, 5) of these, from picture noise and misfit
    correlation: float = 0.0
    warp_mm: float = float("nan")  # what is left at the worst place once offset, rotation and stretch are taken away
    outline_pixel: Array | None = None
    nominal_pixel: Array | None = None
    variant: str | None = None
    upside_down: bool = False  # then the rotation is that of the artwork turned upside down
    mirrored: bool = False
    whole: Wholeness | None = None  # None: not looked at
    fault_pixels: tuple[Array, ...] = ()  # (K, 2) around each of its faults

    @property
    def dx_mm(self) -> float:
        return float(self.values[0])

    @property
    def dy_mm(self) -> float:
        return float(self.values[1])

    @property
    def rotation_deg(self) -> float:
        return float(np.rad2deg(self.values[2]))


@dataclass(frozen=True)
class Candidate:
    """An artwork that might lie in a place, and which way round."""

    variant: str
    artwork: Artwork
    upside_down: bool = False
    mirrored: bool = False

    @property
    def ways(self) -> tuple[int, int]:
        """Along the reading direction and up: -1 the other way round."""
        return (-1 if self.upside_down != self.mirrored else 1), (-1 if self.upside_down else 1)

    def as_laid(self) -> Artwork:
        (columns, rows), art = self.ways, self.artwork
        return replace(art, grey=art.grey[::rows, ::columns], opacity=art.opacity[::rows, ::columns], colour=None)


class Panel:
    """One place for a decal in one picture, and what was tried there so far."""

    def __init__(self, picture: GreyPicture, decal: Decal, where: Pose, model: CameraModel, blur_px: float) -> None:
        self.picture, self.decal, self.where, self.model = picture, decal, where, model
        corners = self.corners(decal.artwork, np.zeros(5))
        self.nominal_pixel = corners
        self.scale = float(np.hypot(*(corners[1] - corners[0]))) / decal.artwork.width_mm  # px per mm
        self.blur_mm = blur_px / self.scale
        self._views: dict[bool, Unrolled] = {}
        self._prints: dict[tuple[str, bool, bool], Printed] = {}

    def corners(self, art: Artwork, values: Array) -> Array:
        """Pixels (4, 2) of an artwork's corners where it is laid so."""
        return self.to_pixels(_CORNERS * (art.width_mm, art.height_mm), values)

    def to_pixels(self, on_artwork_mm: Array, values: Array) -> Array:
        """Pixels (N, 2) of places (N, 2) on an artwork where it is laid so."""
        cos, sin = np.cos(values[2]), np.sin(values[2])
        at = on_artwork_mm * (1.0 + values[3:5]) @ np.array([[cos, sin], [-sin, cos]]) + values[:2]
        return self.model.project(self.decal.patch.points(at[:, 0], at[:, 1]), self.where)

    def view(self, wide: bool) -> Unrolled:
        if wide not in self._views:
            art, reach = self.decal.artwork, REACH_MM + 5.0
            half = np.array([art.width_mm, art.height_mm]) / 2
            half = np.full(2, np.hypot(*half)) if wide else half
            spacing = max(1.0 / self.scale, FINEST_MM)
            self._views[wide] = unroll(
                self.picture, self.decal, self.where, self.model, spacing, (half[0] + reach, half[1] + reach)
            )
        return self._views[wide]

    def printed(self, one: Candidate) -> Printed:
        key = one.variant, one.upside_down, one.mirrored
        if key not in self._prints:
            if one.upside_down or one.mirrored:
                plain = self.printed(replace(one, upside_down=False, mirrored=False))
                self._prints[key] = plain.turned(one.upside_down, one.mirrored)
            else:
                self._prints[key] = printed(one.artwork, self.blur_mm)
        return self._prints[key]

    def seen(self, art: Artwork, values: Array) -> Seen:
        """The pixels that an artwork laid there covers, and a little around it."""
        cos, sin = abs(np.cos(values[2])), abs(np.sin(values[2]))
        half = np.array([cos * art.width_mm + sin * art.height_mm, cos * art.height_mm + sin * art.width_mm]) / 2
        half = 1.01 * half + BESIDE_MM + 1.0
        reach = np.array([values[0] - half[0], values[0] + half[0], values[1] - half[1], values[1] + half[1]])
        return seen(self.picture, self.decal, self.where, self.model, self.scale, reach)

    def fitted(self, one: Candidate, wide: bool) -> DecalFit:
        """One candidate laid where it fits best, near its place or (``wide``) turned any way."""
        art, view = one.as_laid(), self.view(wide)
        tried = turns(WIDE_DEG, WIDE_STEP_DEG) if wide else turns(NEAR_DEG, NEAR_STEP_DEG)
        turned, dx, dy, score = find_roughly(view, art, tried)
        if score < GONE:
            return DecalFit(False, correlation=score)
        start = np.array([dx, dy, np.deg2rad(turned), 0.0, 0.0])
        broad = float(np.hypot(self.blur_mm, BROAD_MM))
        about = fit(seen_in(view, max(1, round(0.5 / view.spacing_mm))), printed(art, broad), start, broad, ABOUT)
        if not np.isfinite(about.values).all() or np.abs(about.values[:2] - start[:2]).max() > 3.0:
            return DecalFit(None, correlation=about.correlation)
        pixels, ink = self.seen(art, about.values), self.printed(one)
        found = fit(pixels, ink, about.values, self.blur_mm)
        off = np.abs(found.values - about.values)
        if not (found.correlation >= THERE and off[:2].max() < 1.5 and np.abs(found.values[3:]).max() < STRETCH):
            return DecalFit(None, correlation=found.correlation)
        return DecalFit(
            True,
            found.values,
            found.covariance,
            found.correlation,
            warp_mm(pixels, ink, found),
            variant=one.variant,
            upside_down=one.upside_down,
            mirrored=one.mirrored,
            whole=faults_of(pixels, ink, found, bubbles=self.decal.bubbles),
        )


def candidates(decal: Decal, rivals: Sequence[Decal]) -> list[Candidate]:
    """All that might lie there; the first is what belongs there."""
    return [
        Candidate(one.variant, one.artwork, upside_down, mirrored)
        for one in (decal, *rivals)
        for upside_down in (False, True)
        for mirrored in (False, True)
    ]


def measure_decal(
    picture: GreyPicture,
    decal: Decal,
    shell_pose: Pose,
    model: CameraModel,
    pose: Pose,
    blur_px: float,
    rivals: Sequence[Decal] = (),
) -> DecalFit:
    """Find out which decal lies in a place, and how.

    Parameters: decal - that belongs there; shell_pose - shell -> fixture as seated (by its datums); pose - fixture ->
    camera; rivals - decals of other variants, that may lie there by mistake.
    """
    panel = Panel(picture, decal, pose.after(shell_pose), model, blur_px)
    every = candidates(decal, rivals)
    laid = _likeliest(panel, every)
    if laid.there:
        art = next(one for one in every if _is(laid, one)).artwork
        faults = laid.whole.faults if laid.whole else ()
        around = tuple(panel.to_pixels(fault.outline_mm, laid.values) for fault in faults)
        laid = replace(laid, outline_pixel=panel.corners(art, laid.values), fault_pixels=around)
        laid = right_way_up(laid)
    return replace(laid, nominal_pixel=panel.nominal_pixel)


def right_way_up(laid: DecalFit) -> DecalFit:
    """Turned by more than a quarter is the same as upside down and turned by less."""
    if abs(laid.values[2]) <= np.pi / 2:
        return laid
    values = laid.values - np.pi * np.sign(laid.values[2]) * np.array([0.0, 0.0, 1.0, 0.0, 0.0])
    return replace(laid, values=values, upside_down=not laid.upside_down)


def _is(laid: DecalFit, one: Candidate) -> bool:
    return (laid.variant, laid.upside_down, laid.mirrored) == (one.variant, one.upside_down, one.mirrored)


def _likeliest(panel: Panel, every: Sequence[Candidate]) -> DecalFit:
    """The candidate that fits; the first is the one that belongs there, the others, and further turned ones, are asked
    when there is doubt.
    """
    laid = panel.fitted(every[0], wide=False)
    if not laid.there:
        others = [panel.fitted(one, wide=True) for one in every]
        laid = max((one for one in others if one.there), key=lambda one: one.correlation, default=laid)
        if not laid.there:
            return laid
    for _ in every:
        now = next(one for one in every if _is(laid, one))
        pixels, own = panel.seen(now.artwork, laid.values), panel.printed(now)
        plain = [panel.printed(replace(other, upside_down=False, mirrored=False)) for other in every]
        shares = [
            share_of_other(pixels, own, print_, laid.values, other.ways) if other is not now else 0.0
            for other, print_ in zip(every, plain, strict=True)
        ]
        nearest = int(np.argmax(np.nan_to_num(shares)))
        if not shares[nearest] > OTHER_SHARE:
            break
        instead = panel.fitted(every[nearest], wide=False)
        if not instead.there or instead.correlation <= laid.correlation:
            break
        laid = instead
    return laid


Find = Callable[[GreyPicture, Decal, Pose, CameraModel, Pose, float, Sequence[Decal]], DecalFit]


def measured_again(
    picture: GreyPicture, decal: Decal, shell_pose: Pose, model: CameraModel, pose: Pose, blur_px: float, laid: DecalFit
) -> PrintFit | None:
    """The print that was found, in another picture, from where it was found on; None where it is not seen so there.
    Parameters as of measure_decal; ``decal`` - with the artwork that lies there.
    """
    panel = Panel(picture, decal, pose.after(shell_pose), model, blur_px)
    one = Candidate(laid.variant or decal.variant, decal.artwork, laid.upside_down, laid.mirrored)
    found = fit(panel.seen(decal.artwork, laid.values), panel.printed(one), laid.values, panel.blur_mm)
    return found if found.correlation >= THERE else None
