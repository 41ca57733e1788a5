"""Flaws of a cut edge: nicks, burrs, loose strands and chatter, by length and depth. Words: ISO 13715.

A quick look at every station of the ribbon finds the few places where something is unlike its neighbours. Only there
scan lines are laid half a pixel apart, and what the neighbours lead to expect is taken away from the levels: what is
left, in shares of the step from background to material, is material too much (+) or missing (-): see flaw_close.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from edgeinspect.geometry import Array
from edgeinspect.measure import flaw_kernels
from edgeinspect.measure.arrises import SEEN_MM
from edgeinspect.measure.chatter import find_chatter
from edgeinspect.measure.cut_face import FaceSeen
from edgeinspect.measure.edge import noise_of
from edgeinspect.measure.flaw_close import GREATEST_MM, CloseLook
from edgeinspect.measure.measurement import Flag, FlawKind, FlawResult
from edgeinspect.measure.place import Scan
from edgeinspect.measure.ribbon import Stations, lay_scan_lines, sample
from edgeinspect.measure.shot import Shots

# So much of the edge on both sides of a place says what belongs there; less where it is bent, because what is seen of
# the cut face changes with its direction.
AROUND_MM, LEAST_AROUND_MM, AROUND_RADII = 8.0, 3.0, 0.75
TOGETHER_MM = 3.0  # suspect stations nearer than this are looked at together
OFF_PX = 0.14  # an edge this far off its neighbours is looked at closely
UNLIKE_SHARE = 0.1  # of the step: as bright beside the edge as this is looked at closely
FINE_PX = 0.5  # between the scan lines of a close look
UNLIKE_EACH_OTHER = 0.15  # of the step, a fifth of them more: neighbours that differ so (a clamp begins) say nothing
HUBER_ROUNDS = 3
MARK_SHARE = 1.3  # of the depth of chatter: a nick in it that is deeper is one of its own


def find_flaws(shots: Shots, curve: str, here: Scan, face: FaceSeen | None = None) -> tuple[FlawResult, ...]:
    """Nicks, burrs, strands and runs of chatter of one closed curve, in the order of its arc length.

    Parameters: shots - the pictures; here - the curve's ribbon with its edges, laid on the cut, fixture frame; face -
    what shows of its cut face, where that comes and goes with the curve's direction (None: it does not).
    Stations without a picture or a trustworthy neighbourhood are passed over: that is for the zones to say.
    """
    odd = suspects(here)
    runs = list(find_chatter(shots, curve, here))
    found: list[FlawResult] = []
    for stretch in _stretches(odd, here.stations.step_mm) if odd.any() else ():
        close = _look_closely(shots, here, odd, stretch, face)
        if close is not None:
            found += close.flaws(curve)
    length = len(odd) * here.stations.step_mm
    found = [flaw for flaw in found if not any(_mark_of(flaw, run, length) for run in runs)]
    return tuple(sorted([*found, *runs], key=lambda flaw: flaw.arc_mm))


def in_doubt(flaws: Iterable[FlawResult], here: Scan, second: NDArray[np.bool_]) -> list[FlawResult]:
    """The same flaws of one closed curve, nicks and burrs that touch a ``second`` (N,) edge as strands: that asks for a
    second look.
    """
    step, arc = here.stations.step_mm, here.stations.arc_mm
    length = len(arc) * step

    def doubtful(flaw: FlawResult) -> bool:
        away = np.abs((arc - flaw.arc_mm + 0.5 * length) % length - 0.5 * length)
        return flaw.kind is not FlawKind.CHATTER and bool(second[away <= 0.5 * flaw.length.value + step].any())

    return [replace(flaw, kind=FlawKind.STRAND) if doubtful(flaw) else flaw for flaw in flaws]


def _mark_of(flaw: FlawResult, run: FlawResult, length_mm: float) -> bool:
    """Whether a nick or burr is one of the marks of a run of chatter on a curve of this length."""
    away = abs((flaw.arc_mm - run.arc_mm + 0.5 * length_mm) % length_mm - 0.5 * length_mm)
    within = away <= 0.5 * run.length.value + flaw.length.value
    return within and flaw.kind is not FlawKind.STRAND and flaw.depth.value <= MARK_SHARE * run.depth.value


def suspects(here: Scan) -> NDArray[np.bool_]:
    """(N,) stations whose edge, or whose levels beside it, are unlike their neighbours'."""
    edges, d_mm = here.edges, here.d_mm
    odd = np.empty(len(edges.d_mm), dtype=np.bool_)
    around = _around_mm(float(flaw_kernels.upper_quartile(here.stations.bend_per_mm))) if len(odd) else 0.0
    flaw_kernels.unlike_neighbours(
        here.ribbon,
        float(d_mm[0]),
        float(d_mm[1] - d_mm[0]),
        here.stations.step_mm,
        edges.d_mm,
        edges.u_mm,
        edges.contrast,
        edges.blur_mm,
        edges.flags,
        int(Flag.POOR_FIT | Flag.RIVAL_EDGE | Flag.NO_EDGE),
        here.lines.px_per_mm,
        around,
        OFF_PX,
        UNLIKE_SHARE,
        odd,
    )
    return odd


def _around_mm(bend_per_mm: float) -> float:
    return float(np.clip(AROUND_RADII / max(bend_per_mm, 1e-6), LEAST_AROUND_MM, AROUND_MM))


def _stretches(odd: NDArray[np.bool_], step_mm: float) -> list[tuple[int, int]]:
    """First and last station of every stretch of suspects on a closed curve; the last may lie beyond the end."""
    where = np.flatnonzero(odd)
    ends = np.flatnonzero(np.diff(where) * step_mm > TOGETHER_MM)
    firsts, lasts = where[np.append(0, ends + 1)].tolist(), where[np.append(ends, len(where) - 1)].tolist()
    if len(firsts) > 1 and (firsts[0] + len(odd) - lasts[-1]) * step_mm <= TOGETHER_MM:
        lasts = [*lasts[1:-1], lasts[0] + len(odd)]
        firsts = firsts[1:]
    return list(zip(firsts, lasts, strict=True))


def _look_closely(
    shots: Shots, here: Scan, odd: NDArray[np.bool_], stretch: tuple[int, int], face: FaceSeen | None
) -> CloseLook | None:
    stations, edges, count = here.stations, here.edges, len(here.edges.d_mm)
    first, last = stretch
    step, middle = stations.step_mm, (first + last) // 2 % count
    shot = shots[int(stations.camera[middle])]
    if shot is None or (last - first) * step > 4.0 * GREATEST_MM:
        return None
    whole = np.arange(first - round(LEAST_AROUND_MM / step), last + round(LEAST_AROUND_MM / step) + 1) % count
    around = round(_around_mm(float(np.abs(stations.bend_per_mm[whole]).max())) / step)
    around = min(around, (count - 2 - (last - first)) // 2)
    beside = np.arange(first - around - 1, last + around + 2)
    beside = beside[(beside < first - 1) | (beside > last + 1)]
    at = beside % count
    good = ~odd[at] & (edges.flags[at] == 0) & np.isfinite(edges.d_mm[at])
    good &= (stations.camera[at] == stations.camera[middle]) & np.isfinite(here.ribbon[at]).all(axis=1)
    beside, at = beside[good], at[good]
    if len(at) < 10:
        return None
    own = stations.camera == stations.camera[middle]
    # A cut face in view widens the edge, but not the lens's blur: the marks' blur bounds it.
    blur_px = min(float(edges.blur_mm[middle] * here.lines.px_per_mm[own].mean()), 1.05 * shot.blur_px)
    scale = float(here.lines.px_per_mm[middle])
    blur = blur_px / scale
    margin = 1.0 + 4.0 * blur
    begin, end = first * step - margin, last * step + margin
    arc = np.linspace(begin, end, max(8, int(np.ceil((end - begin) * scale / FINE_PX))) + 1)
    fine = _between(stations, arc)
    lines = lay_scan_lines(fine.points_mm, fine.directions, float(here.d_mm[-1]), shot.model, shot.pose)
    levels = sample(shot.picture, lines, here.d_mm).astype(np.float64)
    along = float(np.hypot(*np.diff(lines.centre, axis=0).T).sum()) / (end - begin)  # px per mm of arc
    trim = _smooth(beside * step, edges.d_mm[at], arc)
    shown = None if face is None else _shown(face, here, at, arc / step, blur)
    expected, contrast, told = _expected(here, beside * step, at, arc, trim, blur, shown)
    if not np.isfinite(levels).all() or np.abs(contrast).min() < 1e-3:
        return None
    noise = noise_of(here.ribbon[at]) / float(np.abs(contrast).min())
    inner = (first * step - 0.5 * margin, last * step + 0.5 * margin)
    rest = np.where(told, (levels - expected) / contrast[:, None], 0.0)
    return CloseLook(shot, arc, trim, here.d_mm, rest, lines, fine, blur, blur_px / along, noise, inner, count * step)


def _between(stations: Stations, arc_mm: Array) -> Stations:
    """Stations (n,) between those of a closed curve, on its curvature."""
    count, place = len(stations.arc_mm), arc_mm / stations.step_mm
    k = np.floor(place).astype(np.intp)
    part = place - k
    near, far = k % count, (k + 1) % count

    def mixed(values: Array) -> Array:
        share = part[:, None] if values.ndim == 2 else part
        return np.asarray(values[near] * (1.0 - share) + values[far] * share)

    normals = mixed(stations.normals)
    bend = mixed(stations.bend_per_mm)
    sag = 0.5 * bend * part * (1.0 - part) * stations.step_mm**2  # a chord lies on the inner side of its arc
    return replace(
        stations.part(near),
        arc_mm=np.mod(arc_mm, count * stations.step_mm),
        points_mm=mixed(stations.points_mm) - sag[:, None] * normals,
        normals=normals / np.linalg.norm(normals, axis=1)[:, None],
        tangents=mixed(stations.tangents),
        climb=mixed(stations.climb),
        bend_per_mm=bend,
    )


def _smooth(at_mm: Array, values: Array, wanted_mm: Array) -> Array:
    """A parabola through values (k,), without what lies far off it, at other places (n,)."""
    middle = float(wanted_mm.mean())
    at, wanted = (at_mm - middle) / AROUND_MM, (wanted_mm - middle) / AROUND_MM
    return np.asarray(flaw_kernels.parabola(at, values, wanted))


def _shown(
    face: FaceSeen, here: Scan, at: NDArray[np.intp], place: Array, blur_mm: float
) -> tuple[Array, Array] | None:
    """What the cut face adds to a blurred step, in shares of it, at neighbours (k, M) and at places between stations
    (n, M). None where it shows alike at all of them: then the neighbours say it themselves.
    """
    own = np.flatnonzero(here.stations.camera == here.stations.camera[at[0]])
    count = len(face.width_mm)
    width, bright = (np.interp(place, own, part[own], period=count) for part in (face.width_mm, face.bright))
    every = np.append(width, face.width_mm[at])
    if every.max() - every.min() < SEEN_MM:
        return None
    added = []
    for wide, how in ((face.width_mm[at], face.bright[at]), (width, bright)):
        x = here.d_mm / blur_mm
        added.append(how[:, None] * (ndtr(x) - ndtr(x - (wide / blur_mm)[:, None])))
    return added[0], added[1]


def _expected(
    here: Scan,
    beside_mm: Array,
    at: NDArray[np.intp],
    arc_mm: Array,
    trim_mm: Array,
    blur_mm: float,
    shown: tuple[Array, Array] | None = None,
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Levels (n, M) that a sound edge would have by its neighbours, the step from background to material (n,), and
    where (n, M) the neighbours are so much alike that they tell.

    Each neighbour is counted from its own edge; along the curve every distance from the edge follows a parabola, as
    light changes slowly. The cut face that is seen does so too on an even curve; where it comes and goes it is taken
    from the neighbours and given to the lines as wide as each shows it.
    """
    d_mm, spacing = here.d_mm, float(here.d_mm[1] - here.d_mm[0])
    from_edge = _shifted(here.ribbon[at], here.edges.d_mm[at] / spacing)
    middle = float(arc_mm.mean())
    rows, wanted = (np.vander((x - middle) / AROUND_MM, 3) for x in (beside_mm, arc_mm))
    band = (np.abs(d_mm) > 2.0 * blur_mm + 0.3) & (np.abs(d_mm) < 2.0 * blur_mm + 1.2)

    def step_of(levels: Array) -> Array:
        return np.asarray(levels[:, band & (d_mm < 0)].mean(axis=1) - levels[:, band & (d_mm > 0)].mean(axis=1))

    if shown is not None:
        from_edge = from_edge - step_of(from_edge)[:, None] * shown[0]
    to_terms = np.linalg.pinv(rows)
    terms = to_terms @ from_edge
    for _ in range(HUBER_ROUNDS):  # a hot pixel on one of the neighbours must not bend what all of them say
        rest = from_edge - rows @ terms
        usual = 1.5 * 1.4826 * np.median(np.abs(rest), axis=0)
        terms = terms + to_terms @ np.clip(rest, -usual, usual)
    sound = wanted @ terms
    contrast = step_of(sound)
    most = np.quantile(np.abs(from_edge - rows @ terms), 0.8, axis=0)
    apart = most / float(np.median(np.abs(contrast)))
    unlike = np.interp(d_mm - trim_mm[:, None], d_mm, (apart > UNLIKE_EACH_OTHER).astype(np.float64)) > 0
    if shown is not None:
        sound = sound + contrast[:, None] * shown[1]
    return _shifted(sound, -trim_mm / spacing), contrast, ~unlike


def _shifted(rows: Array, by: Array) -> Array:
    """Rows (n, M) read ``by`` (n,) samples further on, linear in between; the ends are carried on."""
    found = np.empty(rows.shape)
    flaw_kernels.shifted(rows, by, found)
    return found
