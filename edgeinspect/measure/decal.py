"""Decals: there or not, which artwork, offset and rotation along the surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.artwork_fit import Unrolled, find_roughly, fit, printed, share_of_other, unroll
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.frames import Datum
from edgeinspect.measure.measurement import DecalResult
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.setup import Sight, quantity
from edgeinspect.shell.definition import Artwork, Decal

THERE = 0.75  # correlation at the fine place: artwork found by chance stays far below, printed well is above 0.95
GONE = 0.45  # below this at the best coarse place the panel is bare
OTHER_SHARE = 0.5  # of the difference between two artworks: from here on it is the other one (0 and 1 without noise)
FINEST_MM = 0.25  # between samples: at 20 MP every pixel (0.09 mm) takes four times as long and reads the same to 2 um
SAME_PLACE_MM = 10.0  # decals of other variants as near as this could lie there instead


@dataclass(frozen=True)
class DecalFit:
    there: bool | None  # some decal, and ``variant`` says which
    dx_mm: float = float("nan")
    dy_mm: float = float("nan")
    rotation_deg: float = float("nan")  # of the artwork as it was found, turned upside down or not
    covariance: Array | None = None  # (3, 3) of dx, dy [mm], rotation [rad], from picture noise and misfit
    correlation: float = 0.0
    outline_pixel: Array | None = None
    nominal_pixel: Array | None = None
    variant: str | None = None
    upside_down: bool = False
    mirrored: bool = False

    @property
    def values(self) -> Array:
        """dx, dy [mm], rotation [rad]."""
        return np.array([self.dx_mm, self.dy_mm, np.deg2rad(self.rotation_deg)])


@dataclass(frozen=True)
class _Candidate:
    """An artwork that might lie there, and which way round."""

    variant: str
    artwork: Artwork
    upside_down: bool = False
    mirrored: bool = False

    def as_laid(self) -> Artwork:
        rows, columns = (-1 if self.upside_down else 1), (-1 if self.upside_down != self.mirrored else 1)
        art = self.artwork
        return replace(art, grey=art.grey[::rows, ::columns], opacity=art.opacity[::rows, ::columns])


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
    art = decal.artwork
    where = pose.after(shell_pose)
    corners = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * (0.5, 0.5)
    nominal_mm = corners * (art.width_mm, art.height_mm)
    nominal = model.project(decal.patch.points(nominal_mm[:, 0], nominal_mm[:, 1]), where)
    scale = float(np.hypot(*(nominal[1] - nominal[0]))) / art.width_mm  # px per mm
    spacing_mm = max(1.0 / scale, FINEST_MM)
    view, blur_mm = unroll(picture, decal, where, model, spacing_mm), blur_px / scale
    every = [
        _Candidate(one.variant, one.artwork, upside_down, mirrored)
        for one in (decal, *rivals)
        for upside_down in (False, True)
        for mirrored in (False, True)
    ]
    laid = _likeliest(view, every, blur_mm)
    if laid.there:
        found = next(one for one in every if _is(laid, one)).artwork
        found_mm = corners * (found.width_mm, found.height_mm)
        cos, sin = np.cos(laid.values[2]), np.sin(laid.values[2])
        found_mm = found_mm @ np.array([[cos, sin], [-sin, cos]]) + laid.values[:2]
        laid = replace(laid, outline_pixel=model.project(decal.patch.points(found_mm[:, 0], found_mm[:, 1]), where))
    return replace(laid, nominal_pixel=nominal)


def _is(laid: DecalFit, one: _Candidate) -> bool:
    return (laid.variant, laid.upside_down, laid.mirrored) == (one.variant, one.upside_down, one.mirrored)


def _likeliest(view: Unrolled, every: Sequence[_Candidate], blur_mm: float) -> DecalFit:
    """The candidate that fits; the first is the one that belongs there, the others are asked when there is doubt."""
    laid = _fitted(view, every[0], blur_mm)
    if not laid.there:
        others = [_fitted(view, one, blur_mm) for one in every[1:]]
        laid = max((one for one in others if one.there), key=lambda one: one.correlation, default=laid)
        if not laid.there:
            return laid
    prints = {one.variant: printed(one.artwork, blur_mm) for one in every if not (one.upside_down or one.mirrored)}
    shown = [prints[one.variant].turned(one.upside_down, one.mirrored) for one in every]
    for _ in every:
        now = next(place for place, one in enumerate(every) if _is(laid, one))
        shares = [
            share_of_other(view, shown[now], other, laid.values) if other is not shown[now] else 0.0 for other in shown
        ]
        nearest = int(np.argmax(np.nan_to_num(shares)))
        if not shares[nearest] > OTHER_SHARE:
            break
        instead = _fitted(view, every[nearest], blur_mm)
        if not instead.there or instead.correlation <= laid.correlation:
            break
        laid = instead
    return laid


def _fitted(view: Unrolled, one: _Candidate, blur_mm: float) -> DecalFit:
    art = one.as_laid()
    turned, dx, dy, score = find_roughly(view, art)
    if score < GONE:
        return DecalFit(False, correlation=score)
    start = np.array([dx, dy, np.deg2rad(turned)])
    values, covariance, correlation = fit(view, printed(art, blur_mm), start, blur_mm)
    if not np.isfinite(values).all() or correlation < THERE or np.abs(values[:2] - start[:2]).max() > 3.0:
        return DecalFit(None, correlation=correlation)
    return DecalFit(
        True,
        float(values[0]),
        float(values[1]),
        float(np.rad2deg(values[2])),
        covariance,
        correlation,
        variant=one.variant,
        upside_down=one.upside_down,
        mirrored=one.mirrored,
    )


def decal_result(sight: Sight, index: int, decal: Decal, datum: Datum) -> DecalResult:
    """One decal against the shell's datums, with uncertainties; ``index`` - its place in the set-up's list of
    places.
    """
    patch = decal.patch
    where = datum.shift.pose().after(sight.setup.seat)
    which = sight.setup.decal_camera[index - len(sight.setup.cutouts)]
    shot, camera = sight.shots[which], sight.setup.cameras[which]
    if shot is None:
        return DecalResult(decal.name, None, camera=camera)
    rivals = [one for one in sight.definition.decals if _could_lie_there(one, decal)]
    laid = measure_decal(shot.picture, decal, where, shot.model, shot.pose, shot.blur_px, rivals)
    if not laid.there or laid.covariance is None:
        seen, nominal = laid.correlation, laid.nominal_pixel
        return DecalResult(decal.name, laid.there, correlation=seen, nominal_pixel=nominal, camera=camera)
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
    )


def _could_lie_there(one: Decal, decal: Decal) -> bool:
    off = float(np.linalg.norm(one.patch.origin_mm - decal.patch.origin_mm))
    return one.variant != decal.variant and off < SAME_PLACE_MM
