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
    Seen,
    fit,
    printed,
    seen,
    seen_in,
    warp_mm,
)
from edgeinspect.measure.artwork_rivals import share_of_other
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.decal_faults import Wholeness, cleared, faults_of
from edgeinspect.measure.frames import Datum
from edgeinspect.measure.measurement import DecalFault, DecalResult, FaultKind
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.setup import Sight, quantity
from edgeinspect.shell.definition import Artwork, Decal

THERE = 0.75  # correlation at the fine place: artwork found by chance stays far below, printed well is above 0.95
GONE = 0.45  # below this at the best coarse place the panel is bare
OTHER_SHARE = 0.5  # of the difference between two artworks: from here on it is the other one (0 and 1 without noise)
STRETCH = 0.03  # more than this no decal stretches: something else was taken for it
_CORNERS = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * 0.5
SAME_PLACE_MM = 10.0  # decals of other variants as near as this could lie there instead


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

    def as_laid(self) -> Artwork:
        rows, columns = (-1 if self.upside_down else 1), (-1 if self.upside_down != self.mirrored else 1)
        art = self.artwork
        return replace(art, grey=art.grey[::rows, ::columns], opacity=art.opacity[::rows, ::columns])


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
        shares = [
            share_of_other(pixels, own, panel.printed(other), laid.values) if other is not now else 0.0
            for other in every
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


def decal_result(sight: Sight, index: int, decal: Decal, datum: Datum, find: Find = measure_decal) -> DecalResult:
    """One decal against the shell's datums, with uncertainties; ``index`` - its place in the set-up's list of
    places; ``find`` - another way to find it than the full one (see aim): then no other panel is looked at.
    """
    patch = decal.patch
    where = datum.shift.pose().after(sight.setup.seat)
    which = sight.setup.decal_camera[index - len(sight.setup.cutouts)]
    shot, camera = sight.shots[which], sight.setup.cameras[which]
    if shot is None:
        return DecalResult(decal.name, None, camera=camera)
    rivals = [one for one in sight.definition.decals if _could_lie_there(one, decal)]
    laid = find(shot.picture, decal, where, shot.model, shot.pose, shot.blur_px, rivals)
    if not laid.there or laid.covariance is None:
        seen, nominal = laid.correlation, laid.nominal_pixel
        panel = _wrong_panel(sight, decal, where) if find is measure_decal else ""
        there = False if panel else laid.there
        return DecalResult(decal.name, there, correlation=seen, nominal_pixel=nominal, camera=camera, lies_at=panel)
    axes = np.array([patch.x_axis, np.cross(patch.normal, patch.x_axis)])
    carried = (sight.growth - 1.0) * (axes @ patch.origin_mm)  # a warm shell carries its decal outwards
    values = np.array([laid.dx_mm, laid.dy_mm]) - carried
    common = sight.setup.place_causes(index, sight.u_growth)
    at = where.apply(patch.origin_mm[None])
    offsets = []
    for k in range(2):
        shares = {"picture noise and print": float(np.sqrt(laid.covariance[k, k])), **common}
        shares["datums"] = float(datum.u_along(at, where.turn(axes[k : k + 1]))[0])
        shares["light and edge shape"] = shot.edge_model_mm
        offsets.append(quantity(float(values[k]), shares))
    turn = {
        "picture noise and print": float(np.rad2deg(np.sqrt(laid.covariance[2, 2]))),
        "datums": float(np.rad2deg(np.sqrt(max(0.0, float(datum.covariance[2, 2]))))),
        "light and edge shape": float(np.rad2deg(shot.edge_model_mm / (0.5 * decal.artwork.width_mm))),
    }
    rotation = quantity(laid.rotation_deg, turn)
    stretches = []
    for k, side_mm in ((3, decal.artwork.width_mm), (4, decal.artwork.height_mm)):
        own = {
            "picture noise and print": 100.0 * float(np.sqrt(laid.covariance[k, k])),
            "light and edge shape": 100.0 * shot.edge_model_mm / (0.5 * side_mm),
            "temperature": 100.0 * sight.u_growth,
        }
        stretches.append(quantity(100.0 * (float(laid.values[k]) - (sight.growth - 1.0)), own))
    return DecalResult(
        decal.name,
        True,
        offsets[0],
        offsets[1],
        rotation,
        laid.correlation,
        laid.outline_pixel,
        laid.nominal_pixel,
        camera=camera,
        found_variant=laid.variant,
        upside_down=laid.upside_down,
        mirrored=laid.mirrored,
        stretch_along=stretches[0],
        stretch_across=stretches[1],
        warp_mm=laid.warp_mm,
        faults=_faults(sight, which, decal, where, laid, rivals),
        faults_sought=laid.whole is not None,
        hidden_share=laid.whole.hidden_share if laid.whole else float("nan"),
        bubbles_unjudged=laid.whole.unjudged if laid.whole else float("nan"),
    )


def _wrong_panel(sight: Sight, decal: Decal, where: Pose) -> str:
    """The decal in whose place this one lies instead of its own; "" none."""
    for k, other in enumerate(sight.definition.decals):
        if other.name == decal.name or _near(other, decal):
            continue
        shot = sight.shots[sight.setup.decal_camera[k]]
        if shot is None:
            continue
        there = replace(decal, patch=other.patch)
        if measure_decal(shot.picture, there, where, shot.model, shot.pose, shot.blur_px).there:
            return other.name
    return ""


def _faults(
    sight: Sight, which: int, decal: Decal, where: Pose, laid: DecalFit, rivals: Sequence[Decal]
) -> tuple[DecalFault, ...]:
    """Where glare hides the print, another camera that sees the decal is asked."""
    if laid.whole is None:
        return ()
    kept = list(zip(laid.whole.faults, laid.fault_pixels, strict=True))
    told = [(fault, pixel, sight.setup.cameras[which]) for fault, pixel in kept]
    for k, shot in enumerate(sight.shots):
        if k == which or shot is None or not any(fault.kind is FaultKind.GLARE for fault, _, _ in told):
            continue
        pose = shot.pose
        other = measure_decal(shot.picture, decal, where, shot.model, pose, shot.blur_px, rivals)
        if other.whole is None or (other.variant, other.upside_down) != (laid.variant, laid.upside_down):
            continue
        remain, instead = cleared([fault for fault, _, _ in told], other.whole.faults)
        theirs = zip(other.whole.faults, other.fault_pixels, instead, strict=True)
        told = [one for one, keep in zip(told, remain, strict=True) if keep]
        told += [(fault, pixel, sight.setup.cameras[k]) for fault, pixel, take in theirs if take]
    return tuple(
        DecalFault(fault.kind, fault.area_mm2, fault.length_mm, fault.width_mm, fault.at_mm, pixel, camera)
        for fault, pixel, camera in sorted(told, key=lambda one: -one[0].area_mm2)
    )


def _could_lie_there(one: Decal, decal: Decal) -> bool:
    return one.variant != decal.variant and _near(one, decal)


def _near(one: Decal, other: Decal) -> bool:
    return float(np.linalg.norm(one.patch.origin_mm - other.patch.origin_mm)) < SAME_PLACE_MM
