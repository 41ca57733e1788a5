"""The same edge or cut-out in two cameras' pictures: where it lies in space, and so how high the shell is.

A place that lies higher than assumed reads wrong in plan, in each picture along that camera's own line of sight. Two
pictures differ by the height times the difference of both leans, along the edge's normal. Where that difference is
next to nothing (the edge runs along the line between the cameras) there is no height to be had: refused.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.measure import budget
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.cutout import CutOutFit, measure_cutouts
from edgeinspect.measure.place import scan
from edgeinspect.measure.ribbon import Stations
from edgeinspect.measure.sharing import Which, in_picture
from edgeinspect.measure.shot import Shot, Shots
from edgeinspect.shell.definition import CutOut

LEAST_SENSITIVITY = 0.02  # mm in plan per mm of height: below it a light edge's 0.006 mm is a third of a millimetre
SPACING_MM = 2.0  # of the rim's stations that both cameras read
TOGETHER_MM = 20.0  # stations this near each other share what light does to the edge: they count as one place
BAND_MM = 1.5
LEAST_STATIONS = 3  # of a place
FACE_MM = 0.05  # a cut face that looks wider than this may be taken for the arris
RIM_WORDS = "rim at"
SHOT_NOISE_FLOOR_MM = 1e-4


def meet(eye_one_mm: Array, at_one_mm: Array, eye_other_mm: Array, at_other_mm: Array) -> Array:
    """Places (N, 3) [mm]: the middle of the shortest line between two lines of sight each.

    Parameters: eyes - (3,) of both cameras; at - (N, 3) any point on each line of sight, all in one frame. Lines that
    run alike give nan or a place far away.
    """
    a, b = at_one_mm - eye_one_mm, at_other_mm - eye_other_mm
    a, b = a / np.linalg.norm(a, axis=1, keepdims=True), b / np.linalg.norm(b, axis=1, keepdims=True)
    apart = eye_other_mm - eye_one_mm
    ab, ea, eb = (a * b).sum(axis=1), a @ apart, b @ apart
    with np.errstate(divide="ignore", invalid="ignore"):
        along_a, along_b = (ea - ab * eb) / (1 - ab**2), (ab * ea - eb) / (1 - ab**2)
    return np.asarray(eye_one_mm + (along_a[:, None] * a + apart + along_b[:, None] * b) / 2)


@dataclass(frozen=True)
class Overlap:
    """What two cameras both see of one kind of shell, prepared. Errors are of the calibrations, one standard
    uncertainty each (K over all cameras), in what ``other`` reads more than ``one``.
    """

    one: int
    other: int
    stations: Which  # (N,) indices on the rim
    sensitivity: Array  # (N,) mm in plan per mm of height, along the normal
    errors_mm: Array  # (K, N) along the normal
    refused_mm: float  # length of rim that both see along their baseline
    cutouts: tuple[int, ...]  # that both see whole
    apart: Array  # (C, 2) mm in plan per mm of height, of their centres
    cutout_errors_mm: Array  # (K, C, 2)


@dataclass(frozen=True)
class HeightAt:
    """Heights (N,) above where the shell was taken to be, at places (N, 3) of the fixture."""

    words: tuple[str, ...]  # of each place
    points_mm: Array  # (N, 3)
    height_mm: Array  # (N,)
    noise_mm: Array  # (N,) standard uncertainty from the picture
    light_mm: Array  # (N,) the same from light and the arris's shape
    errors_mm: Array  # (K, N) from the calibrations


def prepare_overlaps(
    calibrations: Sequence[CameraCalibration],
    rim: Stations,
    cutouts: Sequence[Stations],
    sheet_mm: float,
    errors_at: Sequence[Array],
) -> tuple[Overlap, ...]:
    """Every pair of cameras that sees the same rim or cut-out.

    Parameters: rim, cutouts - stations at the nominal seating, fixture frame; errors_at - for every camera its
    displacement fields (K, R + C, 2) at all the rim's stations and the cut-outs' middles.
    """
    return tuple(
        overlap
        for one, other in combinations(range(len(calibrations)), 2)
        if (overlap := _overlap(calibrations, one, other, rim, cutouts, sheet_mm, errors_at)) is not None
    )


def _overlap(
    calibrations: Sequence[CameraCalibration],
    one: int,
    other: int,
    rim: Stations,
    cutouts: Sequence[Stations],
    sheet_mm: float,
    errors_at: Sequence[Array],
) -> Overlap | None:
    pair = (calibrations[one], calibrations[other])
    every = max(1, round(SPACING_MM / rim.step_mm))
    seen = np.logical_and(*(in_picture(camera, rim.points_mm) for camera in pair))
    leans = [budget.apparent_shift_per_height(camera.fixture_pose, rim.points_mm, rim.slopes) for camera in pair]
    along = [(lean * rim.normals[:, :2]).sum(axis=1) for lean in leans]
    clear = seen & (np.minimum(*along) * sheet_mm > -FACE_MM)
    sensitivity = along[1] - along[0]
    steep = np.abs(sensitivity) >= LEAST_SENSITIVITY
    # The same places for every pair of cameras: each camera reads them once.
    stations = np.flatnonzero(clear & steep & (np.arange(len(clear)) % every == 0))
    whole = [k for k, s in enumerate(cutouts) if all(in_picture(camera, s.points_mm).all() for camera in pair)]
    middles = np.array([cutouts[k].points_mm.mean(axis=0) for k in whole]).reshape(-1, 3)
    slopes = np.array([cutouts[k].slopes.mean(axis=0) for k in whole]).reshape(-1, 2)
    lean_one, lean_other = (budget.apparent_shift_per_height(camera.fixture_pose, middles, slopes) for camera in pair)
    apart = lean_other - lean_one
    steep_hole = np.hypot(apart[:, 0], apart[:, 1]) >= LEAST_SENSITIVITY
    whole = [k for k, good in zip(whole, steep_hole, strict=True) if good]
    refused_mm = float((clear & ~steep).sum() * rim.step_mm)
    if not (len(stations) or whole or refused_mm):
        return None
    between = _between(errors_at, one, other)
    normals, at_holes = rim.normals[stations, :2], len(rim.arc_mm) + np.array(whole, dtype=np.intp)
    along_normal = np.einsum("knj,nj->kn", between[:, stations], normals)
    return Overlap(
        one, other, stations, sensitivity[stations], along_normal, refused_mm, tuple(whole), apart[steep_hole],
        between[:, at_holes],
    )  # fmt: skip


def _between(errors_at: Sequence[Array], one: int, other: int) -> Array:
    """(K, N, 2): what ``other`` reads more than ``one``, by every cause of every camera."""
    parts = [np.zeros_like(field) for field in errors_at]
    parts[one], parts[other] = -errors_at[one], errors_at[other]
    return np.concatenate(parts)


@dataclass(frozen=True)
class OneView:
    """What one camera sees of a shell wherever another camera sees it too."""

    shot: Shot
    d_mm: Array  # (N,) of the rim's edge at all its stations; nan where it was not looked for or not seen
    u_mm: Array  # (N,)
    cutouts: dict[int, CutOutFit]  # by their number


def views_of(
    overlaps: Sequence[Overlap],
    shots: Shots,
    rim: Stations,
    cutouts: Sequence[tuple[CutOut, Stations]],
    fits: Sequence[CutOutFit | None],
    measured_by: Sequence[int],
    sheet_mm: float,
) -> dict[int, OneView]:
    """What every camera sees that has an overlap and a picture, by its number; read once, whatever the pairs.

    Parameters: rim, cutouts - where they were cut, fixture frame; fits - of the cut-outs as their own camera measured
    them, ``measured_by`` - which camera that was.
    """
    views = {}
    for k, shot in enumerate(shots):
        shared = [overlap for overlap in overlaps if k in (overlap.one, overlap.other)]
        if shot is None or not shared:
            continue
        d, u = np.full((2, len(rim.arc_mm)), np.nan)
        at = np.unique(np.concatenate([overlap.stations for overlap in shared]))
        if len(at):
            here = rim.part(at)
            here = replace(here, camera=np.zeros(len(at), dtype=np.intp))
            edges = scan((shot,), here, BAND_MM, rounds=2).edges
            seen = edges.flags == 0
            d[at[seen]], u[at[seen]] = edges.d_mm[seen], edges.u_mm[seen]
        both = sorted({c for overlap in shared for c in overlap.cutouts})
        own = {c: fit for c in both if measured_by[c] == k and (fit := fits[c]) is not None}
        if more := [c for c in both if measured_by[c] != k]:
            wanted = [cutouts[c] for c in more]
            found = measure_cutouts(shot.picture, wanted, sheet_mm, shot.model, shot.pose, shot.blur_px)
            own |= dict(zip(more, found, strict=True))
        views[k] = OneView(shot, d, u, own)
    return views


def heights_seen(
    overlap: Overlap, one: OneView, other: OneView, rim: Stations, cutouts: Sequence[tuple[CutOut, Stations]]
) -> HeightAt:
    """Heights at every place that both pictures show.

    Parameters: one, other - of the overlap's two cameras; rim, cutouts - where they were cut, fixture frame.
    """
    parts = [*_along_rim(overlap, one, other, rim), *_at_cutouts(overlap, one, other, cutouts)]
    empty = np.empty(0)
    none = HeightAt((), np.empty((0, 3)), empty, empty, empty, np.empty((len(overlap.errors_mm), 0)))
    return joined([none, *parts])


def joined(parts: Sequence[HeightAt]) -> HeightAt:
    """The places of several as one list."""
    words = tuple(word for part in parts for word in part.words)
    points, height, noise, light = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("points_mm", "height_mm", "noise_mm", "light_mm")
    )
    errors = np.concatenate([part.errors_mm for part in parts], axis=1)
    return HeightAt(words, points, height, noise, light, errors)


def _along_rim(overlap: Overlap, one: OneView, other: OneView, rim: Stations) -> Iterator[HeightAt]:
    at = overlap.stations
    if not len(at):
        return
    here, apart = rim.part(at), other.d_mm[at] - one.d_mm[at]
    usable = np.isfinite(apart)
    apart = np.where(usable, apart, 0.0)
    noise = np.where(usable, np.hypot(one.u_mm[at], other.u_mm[at]), 0.0)
    slope = np.where(usable, overlap.sensitivity, 0.0)
    place = np.floor(here.arc_mm / TOGETHER_MM).astype(np.intp)
    count = int(place.max()) + 1

    def summed(values: Array) -> Array:
        return np.asarray(np.bincount(place, values, count), dtype=np.float64)

    weight = summed(slope**2)
    good = np.flatnonzero(summed(usable.astype(np.float64)) >= LEAST_STATIONS)
    if not len(good):
        return
    with np.errstate(divide="ignore", invalid="ignore"):
        height = summed(slope * apart) / weight
        blurred = np.sqrt(summed((slope * noise) ** 2)) / weight
        middle = np.column_stack([summed(slope**2 * here.points_mm[:, k]) / weight for k in range(3)])
        light = float(np.hypot(one.shot.edge_model_mm, other.shot.edge_model_mm)) * summed(np.abs(slope)) / weight
        into = np.zeros((len(at), count))
        into[np.arange(len(at)), place] = slope
        errors = overlap.errors_mm @ into / weight
    words = tuple(f"{RIM_WORDS} {TOGETHER_MM * (k + 0.5):.0f} mm" for k in good)
    blurred = np.maximum(blurred, SHOT_NOISE_FLOOR_MM)
    yield HeightAt(words, middle[good], height[good], blurred[good], light[good], errors.reshape(-1, count)[:, good])


def _at_cutouts(
    overlap: Overlap, one: OneView, other: OneView, cutouts: Sequence[tuple[CutOut, Stations]]
) -> Iterator[HeightAt]:
    eyes = [view.shot.pose.inverse().translation_mm for view in (one, other)]
    for at, k in enumerate(overlap.cutouts):
        a, b = one.cutouts.get(k), other.cutouts.get(k)
        if a is None or b is None or not (a.there and b.there):
            continue
        middle, slope = cutouts[k][1].points_mm.mean(axis=0), cutouts[k][1].slopes.mean(axis=0)
        seen = [middle + np.append(fit.terms[:2], slope @ fit.terms[:2]) for fit in (a, b)]  # on the sheet
        place = meet(eyes[0], seen[0][None], eyes[1], seen[1][None])[0] - middle
        lever = overlap.apart[at] / float((overlap.apart[at] ** 2).sum())  # mm of height per mm apart in plan
        noise = float(np.sqrt(lever @ (a.covariance[:2, :2] + b.covariance[:2, :2]) @ lever))
        light = float(np.hypot(one.shot.edge_model_mm, other.shot.edge_model_mm) * np.linalg.norm(lever))
        errors = overlap.cutout_errors_mm[:, at] @ lever
        height = np.array([place[2] - slope @ place[:2]])
        yield HeightAt(
            (cutouts[k][0].name,), middle[None], height, np.array([noise]), np.array([light]), errors[:, None]
        )
