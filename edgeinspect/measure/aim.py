"""A decal followed from picture to picture while it is laid: the fit goes on from where it lay last, on few pixels.

As exact as a hand can use (0.01 mm on the bench), in a tenth of the time of the full answer, which alone says whether
the decal is the right one, in place, straight and whole. When it is lost it is sought: first where it belongs, then one
other artwork, or way round, a picture, so that no single answer takes long.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.artwork_find import (
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
from edgeinspect.measure.artwork_fit import ABOUT, BESIDE_MM, BROAD_MM, Printed, Seen, fit, printed, seen, seen_in
from edgeinspect.measure.artwork_rivals import share_of_other
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.decal import (
    GONE,
    OTHER_SHARE,
    STRETCH,
    THERE,
    Candidate,
    DecalFit,
    Panel,
    candidates,
    right_way_up,
)
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.shell.definition import Decal

PIXELS = 9_000  # of the print: the ray-traced badge then reads within 0.003 mm of what all of them read
COARSEST_MM = 0.8  # between them
SETTLED = 1e-3  # mm, rad: of the last step
FIND_MM = 0.5  # between samples of the picture that a lost decal is sought in
BLUR_STEP_MM = 0.02  # the fit finds what is left of the blur itself, so that a print is blurred once and kept
FARTHEST_MM = 2.5  # between two pictures, for the fit to go on by itself; further, the place is sought
VIEW_PX_PER_MM, VIEW_BESIDE_MM = 6.0, 12.0


@dataclass(frozen=True)
class UprightView:
    """The picture along the surface for people: the print upright, its nominal place in the middle."""

    levels: NDArray[np.uint8]  # (H, W)
    half_mm: tuple[float, float]  # to the left and right, up and down


@dataclass(frozen=True)
class _Last:
    one: Candidate
    values: Array  # (5,) as artwork_fit


class Tracker:
    """Follows the decal of one name on one shell. Call it in the place of ``measure_decal``; of any other decal it says
    nothing.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.view: UprightView | None = None  # of the last picture that was looked at
        self._last: _Last | None = None
        self._turn = 0  # which of the other candidates is asked next
        self._missed = 0  # pictures in a row without it
        self._prints: dict[tuple[str, bool, bool, float], Printed] = {}

    def __call__(
        self,
        picture: GreyPicture,
        decal: Decal,
        shell_pose: Pose,
        model: CameraModel,
        pose: Pose,
        blur_px: float,
        rivals: Sequence[Decal] = (),
    ) -> DecalFit:
        if decal.name != self.name:
            return DecalFit(None)
        panel = Panel(picture, decal, pose.after(shell_pose), model, blur_px)
        every = candidates(decal, rivals)
        self.view = upright_view(picture, decal, panel.where, model)
        found, laid = self._followed(panel)
        if found is None:
            found, laid = self._sought(panel, every)
        if found is None:
            self._missed += 1
            # Only when everything that could lie there was asked: it lies there, but nobody can see it, looks the same.
            there = False if self._missed >= len(every) and laid.correlation < GONE else None
            return DecalFit(there, correlation=laid.correlation, nominal_pixel=panel.nominal_pixel)
        found, laid = self._told_apart(panel, every, found, laid)
        self._last, self._missed = found, 0
        laid = replace(laid, outline_pixel=panel.corners(found.one.artwork, found.values))
        return replace(right_way_up(laid), nominal_pixel=panel.nominal_pixel)

    def _followed(self, panel: Panel) -> tuple[_Last | None, DecalFit]:
        if self._last is None:
            return None, DecalFit(None)
        return self._fitted(panel, self._last.one, self._last.values)

    def _sought(self, panel: Panel, every: Sequence[Candidate]) -> tuple[_Last | None, DecalFit]:
        """Where it belongs, as it belongs; else turned any way, as one of all that might lie there."""
        art = panel.decal.artwork
        wide = np.full(2, np.hypot(art.width_mm, art.height_mm) / 2 + REACH_MM + 5.0)
        view = unroll(panel.picture, panel.decal, panel.where, panel.model, FIND_MM, (wide[0], wide[1]))
        found, laid = self._sought_as(panel, every[0], _about_its_place(view, panel), turns(NEAR_DEG, NEAR_STEP_DEG))
        if found is not None:
            return found, laid
        # The rivals the right way round first: a wrong decal is likelier than one laid upside down.
        order = sorted(every, key=lambda one: (one.mirrored, one.upside_down))
        self._turn = 1 if self._missed == 0 else self._turn + 1
        other = self._sought_as(panel, order[self._turn % len(order)], view, turns(WIDE_DEG, WIDE_STEP_DEG))
        return other if other[0] is not None or other[1].correlation > laid.correlation else (None, laid)

    def _sought_as(self, panel: Panel, one: Candidate, view: Unrolled, tried: Array) -> tuple[_Last | None, DecalFit]:
        turned, dx, dy, score = find_roughly(view, one.as_laid(), tried)
        if score < GONE:
            return None, DecalFit(False, correlation=score)
        start = np.array([dx, dy, np.deg2rad(turned), 0.0, 0.0])
        about = self._about(view, one, start)
        if not np.isfinite(about).all() or np.abs(about[:2] - start[:2]).max() > 3.0:
            return None, DecalFit(None, correlation=score)
        return self._fitted(panel, one, about)

    def _about(self, view: Unrolled, one: Candidate, start: Array) -> Array:
        return fit(seen_in(view, 1), self._printed(one, BROAD_MM), start, BROAD_MM, ABOUT).values

    def _fitted(self, panel: Panel, one: Candidate, start: Array) -> tuple[_Last | None, DecalFit]:
        pixels, blur = self._seen(panel, one, start), _kept_blur(panel)
        found = fit(pixels, self._printed(one, blur), start, blur, SETTLED)
        off = np.abs(found.values - start)
        sure = found.correlation >= THERE and off[:2].max() < FARTHEST_MM and np.abs(found.values[3:]).max() < STRETCH
        if not sure:
            return None, DecalFit(None, correlation=found.correlation)
        laid = DecalFit(
            True,
            found.values,
            found.covariance,
            found.correlation,
            variant=one.variant,
            upside_down=one.upside_down,
            mirrored=one.mirrored,
        )
        return _Last(one, found.values), laid

    def _told_apart(
        self, panel: Panel, every: Sequence[Candidate], found: _Last, laid: DecalFit
    ) -> tuple[_Last, DecalFit]:
        """Nearly like another? Of one that is new all others are asked, of one that is followed one a picture."""
        others = [one for one in every if _key(one) != _key(found.one)]
        if self._last is not None and _key(self._last.one) == _key(found.one) and others:
            others = [others[self._turn % len(others)]]
            self._turn += 1
        pixels, blur = self._seen(panel, found.one, found.values), _kept_blur(panel)
        own = self._printed(found.one, blur)
        shares = [share_of_other(pixels, own, self._printed(one, blur), found.values) for one in others]
        nearest = int(np.argmax(np.nan_to_num(shares))) if shares else 0
        if shares and shares[nearest] > OTHER_SHARE:
            instead, as_other = self._fitted(panel, others[nearest], found.values)
            if instead is not None and as_other.correlation > laid.correlation:
                return instead, as_other
        return found, laid

    def _seen(self, panel: Panel, one: Candidate, values: Array) -> Seen:
        art = one.artwork
        cos, sin = abs(np.cos(values[2])), abs(np.sin(values[2]))
        half = np.array([cos * art.width_mm + sin * art.height_mm, cos * art.height_mm + sin * art.width_mm]) / 2
        half = half + BESIDE_MM + FARTHEST_MM
        reach = np.array([values[0] - half[0], values[0] + half[0], values[1] - half[1], values[1] + half[1]])
        spacing = min(float(np.sqrt(art.width_mm * art.height_mm / PIXELS)), COARSEST_MM)
        return seen(panel.picture, panel.decal, panel.where, panel.model, min(panel.scale, 1.0 / spacing), reach)

    def _printed(self, one: Candidate, blur_mm: float) -> Printed:
        key = (one.variant, one.upside_down, one.mirrored, blur_mm)
        if key not in self._prints:
            if len(self._prints) > 64:  # the blur wandered
                self._prints.clear()
            self._prints[key] = printed(one.artwork, blur_mm).turned(one.upside_down, one.mirrored)
        return self._prints[key]


def upright_view(picture: GreyPicture, decal: Decal, where: Pose, model: CameraModel) -> UprightView:
    """The place of a decal with its print upright, as bright as can be; ``where`` - shell -> camera."""
    art = decal.artwork
    half = (art.width_mm / 2 + VIEW_BESIDE_MM, art.height_mm / 2 + VIEW_BESIDE_MM)
    size = (round(2 * half[0] * VIEW_PX_PER_MM), round(2 * half[1] * VIEW_PX_PER_MM))
    # Few places are projected, beyond the rim too, those between are laid evenly: bent by less than 0.1 px.
    few = (max(size[0] // 24, 3), max(size[1] // 24, 3))
    u, v = ((np.arange(-1, n + 1) + 0.5) / n * 2 * h - h for n, h in zip(few, half, strict=True))
    grid_u, grid_v = np.meshgrid(u, -v)
    pixels = model.project(decal.patch.points(grid_u, grid_v).reshape(-1, 3), where).reshape(*grid_u.shape, 2)
    rim = [round(side / n) for side, n in zip(size, few, strict=True)]
    wide = (size[0] + 2 * rim[0], size[1] + 2 * rim[1])
    inner = np.s_[rim[1] : rim[1] + size[1], rim[0] : rim[0] + size[0]]
    maps = [cv2.resize(pixels[..., k].astype(np.float32), wide, interpolation=cv2.INTER_LINEAR)[inner] for k in (0, 1)]
    shown = np.asarray(cv2.remap(picture.raw, maps[0], maps[1], cv2.INTER_LINEAR), dtype=np.float32)
    low, high = np.percentile(shown[::4, ::4], [1, 99.5])
    levels = np.clip((shown - low) * (255.0 / max(float(high - low), 1.0)), 0, 255).astype(np.uint8)
    return UprightView(levels, half)


def _about_its_place(view: Unrolled, panel: Panel) -> Unrolled:
    """The part of a view that a decal laid about right can lie in."""
    art, middle = panel.decal.artwork, (np.array(view.levels.shape) - 1) // 2
    up, across = (round((side / 2 + REACH_MM + 5.0) / FIND_MM) for side in (art.height_mm, art.width_mm))
    rows, columns = (slice(max(0, m - n), m + n + 1) for m, n in zip(middle, (up, across), strict=True))
    return replace(view, levels=np.ascontiguousarray(view.levels[rows, columns]))


def _kept_blur(panel: Panel) -> float:
    return max(1, round(panel.blur_mm / BLUR_STEP_MM)) * BLUR_STEP_MM


def _key(one: Candidate) -> tuple[str, bool, bool]:
    return one.variant, one.upside_down, one.mirrored
