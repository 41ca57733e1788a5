"""Flaws of a cut edge: nicks, burrs, loose strands and chatter, by length and depth. Words: ISO 13715.

A quick look at every station of the ribbon finds the few places where something is unlike its neighbours. Only there
scan lines are laid half a pixel apart, and what the neighbours lead to expect is taken away from the levels: what is
left, in shares of the step from background to material, is material too much (+) or missing (-). Its sum across the
edge is how deep it is, whatever the blur; along the edge a shape is fitted through the blur.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.special import ndtr

from edgeinspect.geometry import Array
from edgeinspect.measure import flaw_kernels
from edgeinspect.measure.arrises import SEEN_MM
from edgeinspect.measure.chatter import find_chatter
from edgeinspect.measure.cut_face import FaceSeen
from edgeinspect.measure.edge import noise_of
from edgeinspect.measure.measurement import Flag, FlawKind, FlawResult, Quantity, Share
from edgeinspect.measure.place import Scan
from edgeinspect.measure.ribbon import ScanLines, Stations, lay_scan_lines, sample
from edgeinspect.measure.setup import quantity
from edgeinspect.measure.shot import Shot, Shots

# So much of the edge on both sides of a place says what belongs there; less where it is bent, because what is seen of
# the cut face changes with its direction.
AROUND_MM, LEAST_AROUND_MM, AROUND_RADII = 8.0, 3.0, 0.75
GREATEST_MM = 10.0  # what is longer is form, which the zones judge, not a flaw
TOGETHER_MM = 3.0  # suspect stations nearer than this are looked at together
OFF_PX = 0.14  # an edge this far off its neighbours is looked at closely
UNLIKE_SHARE = 0.1  # of the step: as bright beside the edge as this is looked at closely
BESIDE_STRAND_MM = 0.6  # what lies this near to a strand belongs to it
FINE_PX = 0.5  # between the scan lines of a close look
SHARE = 0.1  # of the step, or four times the noise: what is left beyond this belongs to a flaw
LEAST_DEPTH_PX, LEAST_AREA_PX = 0.35, 0.5  # anything smaller is not told from the roughness of a good cut
BLUR_SHARE = 0.03  # standard uncertainty of the blur at one place, common practice, no source
# Of the blur: so far off is the length of what is no 1 - |t|^p. Drawn on plates: half ellipses long, trapezia short.
ENDS_SHARE = 0.35
SHARP = 0.6  # of the blur's own area: a spot smaller than that did not come through the lens
BRIGHT_SPOT = 4.0  # times what belongs to a flaw: a spot as bright as that, and too sharp, is taken out beforehand
UNLIKE_EACH_OTHER = 0.15  # of the step, rms: neighbours that differ so much (a clamp begins) say nothing there
# What makes a strand of too much material. In doubt it is one: that asks for a second look.
TALL = 0.85  # depth over length: a burr is rooted with its whole width
FREE_PX, FREE_SHARE = 0.5, 0.3  # mean gap between edge and material, also in shares of its depth
USUAL_SHAPE, SHAPE_SPREAD = np.log(2.0), 0.6  # 1 - |t|^p: between triangle (p = 1) and square, where nothing says more


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


@dataclass(frozen=True)
class _Close:
    """Scan lines half a pixel apart over one stretch, with what is left after the expected levels."""

    shot: Shot
    arc_mm: Array  # (n,)
    trim_mm: Array  # (n,) smooth trim line
    d_mm: Array  # (M,)
    rest: Array  # (n, M) levels less what belongs there, over the step: + is material too much
    lines: ScanLines
    stations: Stations
    blur_mm: float  # across the edge
    along_mm: float  # the same along it: a mm looks shorter across a slope than along it
    noise: float  # of one sample of ``rest``
    inner: tuple[float, float]  # arc lengths that the middle of a flaw must lie between
    round_mm: float  # length of the whole curve

    def flaws(self, curve: str) -> list[FlawResult]:
        found = list(self._parts(curve))
        strands = [flaw for flaw in found if flaw.kind is FlawKind.STRAND]
        # A strand's darker part on the face, or its shadow there, looks like a nick beside it.
        return [flaw for flaw in found if flaw.kind is FlawKind.STRAND or not any(_touch(flaw, s) for s in strands)]

    def _parts(self, curve: str) -> Iterator[FlawResult]:
        x = self.d_mm - self.trim_mm[:, None]
        least = max(SHARE, 4.0 * self.noise)
        regions, count = label(np.abs(self.rest) > least, np.ones((3, 3)))
        spots = [k for k in range(1, count + 1) if self._is_spot(regions == k, BRIGHT_SPOT * least)]
        rest = np.where(np.isin(regions, spots), 0.0, self.rest) if spots else self.rest
        for k in range(1, count + 1):
            part = regions == k
            if k in spots or np.abs(x[part]).min() > self.blur_mm:
                continue  # lies on the plate or on the face, and does not touch the edge
            one = _Part(self, part, x, rest)
            found = one.result(curve)
            if found is not None:
                yield found

    def _is_spot(self, part: NDArray[np.bool_], bright: float) -> bool:
        """A hot pixel by itself: beside an edge it must not lend its light to what noise leaves there."""
        own = np.abs(self.rest[part])
        peak, cell = float(own.max()), float((self.d_mm[1] - self.d_mm[0]) * (self.arc_mm[1] - self.arc_mm[0]))
        return peak > bright and float(own.sum()) * cell < SHARP * 2.0 * np.pi * self.blur_mm * self.along_mm * peak


def _touch(one: FlawResult, other: FlawResult) -> bool:
    reach = 0.5 * (one.length.value + other.length.value) + BESIDE_STRAND_MM
    return abs(one.arc_mm - other.arc_mm) < reach


def _look_closely(
    shots: Shots, here: Scan, odd: NDArray[np.bool_], stretch: tuple[int, int], face: FaceSeen | None
) -> _Close | None:
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
    return _Close(shot, arc, trim, here.d_mm, rest, lines, fine, blur, blur_px / along, noise, inner, count * step)


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
    terms = np.linalg.lstsq(rows, from_edge, rcond=None)[0]
    sound = wanted @ terms
    contrast = step_of(sound)
    apart = np.sqrt(((from_edge - rows @ terms) ** 2).mean(axis=0)) / float(np.median(np.abs(contrast)))
    unlike = np.interp(d_mm - trim_mm[:, None], d_mm, (apart > UNLIKE_EACH_OTHER).astype(np.float64)) > 0
    if shown is not None:
        sound = sound + contrast[:, None] * shown[1]
    return _shifted(sound, -trim_mm / spacing), contrast, ~unlike


def _shifted(rows: Array, by: Array) -> Array:
    """Rows (n, M) read ``by`` (n,) samples further on, linear in between; the ends are carried on."""
    found = np.empty(rows.shape)
    flaw_kernels.shifted(rows, by, found)
    return found


class _Part:
    """One connected piece of what is left, while its size is worked out."""

    def __init__(self, close: _Close, part: NDArray[np.bool_], x_mm: Array, left: Array) -> None:
        self.close = close
        blur, spacing = close.blur_mm, float(close.d_mm[1] - close.d_mm[0])
        lines, samples = np.flatnonzero(part.any(axis=1)), x_mm[part]
        pace = float(close.arc_mm[1] - close.arc_mm[0])
        more = int(np.ceil(2.5 * close.along_mm / pace))
        self.rows = slice(max(0, lines[0] - more), min(len(part), lines[-1] + more + 1))
        self.arc = close.arc_mm[self.rows]
        x = x_mm[self.rows]
        within = (x > samples.min() - 2.0 * blur) & (x < samples.max() + 2.0 * blur)
        rest = np.where(within, left[self.rows], 0.0)
        self.way = 1.0 if rest.sum() > 0 else -1.0
        self.width = rest.sum(axis=1) * spacing  # (n,) depth through the blur along the edge
        self.u_width = close.noise * spacing * float(np.sqrt(within.sum(axis=1).max()))
        self.area = abs(float(self.width.sum())) * pace
        self.rest, self.x, self.part, self.spacing, self.pace = rest, x, part[self.rows], spacing, pace

    def result(self, curve: str) -> FlawResult | None:
        close, scale = self.close, self.close.shot.px_per_mm
        if self.area * scale**2 < LEAST_AREA_PX or self._too_sharp():
            return None
        length, depth, middle = self._fitted()
        kind = self._kind(length.value, depth.value)
        if kind is FlawKind.STRAND:
            length, depth = self._stretched(length, depth)
        inside = close.inner[0] <= middle <= close.inner[1]
        if not inside or depth.value * scale < LEAST_DEPTH_PX or kind is None:
            return None
        if kind is not FlawKind.STRAND and length.value > min(GREATEST_MM, 0.95 * float(np.ptp(self.arc))):
            return None
        return self._placed(curve, kind, middle, length, depth)

    def _too_sharp(self) -> bool:
        """A hot pixel: what comes through the lens is at least as wide as its blur."""
        peak = float(np.abs(self.rest[self.part]).max())
        return self.area < SHARP * 2.0 * np.pi * self.close.blur_mm * self.close.along_mm * peak

    def _fitted(self) -> tuple[Quantity, Quantity, float]:
        """Length and depth of depth * (1 - |t|^p), t from -1 to 1 over the length, seen through the blur; and its
        middle.
        """
        blur, width = self.close.along_mm, self.way * self.width
        weight = np.maximum(width, 0.0)
        total = float(weight.sum())
        middle = float(weight @ self.arc) / total
        spread = max(float(weight @ (self.arc - middle) ** 2) / total - blur**2, 0.02 * blur**2)
        length = max(4.47 * spread**0.5, 0.5 * blur)
        u_row = float(np.hypot(self.u_width, 0.03 * blur))
        start = np.array([middle, np.log(length), 1.5 * total * self.pace / length, USUAL_SHAPE])
        low = np.array([self.arc[0], np.log(0.2 * blur), 0.0, np.log(0.7)])
        high = np.array(
            [self.arc[-1], np.log(self.arc[-1] - self.arc[0]), 2.0 * float(self.close.d_mm[-1]), np.log(12.0)]
        )
        terms, normal, cost = flaw_kernels.fit_shape(
            self.arc, width, u_row, blur, USUAL_SHAPE, SHAPE_SPREAD, start, low, high
        )
        at, size, deep, _ = terms
        covariance = np.linalg.pinv(normal)
        noise = max(1.0, (2.0 * cost / max(len(self.arc) - 4, 1)) ** 0.5)  # rows share their blur
        light = self.close.shot.edge_model_mm
        size, unsure = float(np.exp(size)), noise * np.sqrt(np.diag(covariance))
        blurred = min(20.0 * BLUR_SHARE * blur**2 / size, blur)  # of a parabola: length² = 20 (spread² - blur²)
        shares = (
            {"picture noise and shape": size * float(unsure[1]), "blur": blurred},
            {"picture noise and shape": float(unsure[2]), "blur": float(deep) * min(blurred / size, 1.0)},
        )
        shares[0]["shape of its ends"] = ENDS_SHARE * blur
        for share, edges in zip(shares, (2.0, 1.0), strict=True):
            share["light and edge shape"] = edges**0.5 * light
        return quantity(size, shares[0]), quantity(float(deep), shares[1]), float(at)

    def _kind(self, length_mm: float, depth_mm: float) -> FlawKind | None:
        """By what is left over: missing material, material rooted in the edge, or something that lies over it."""
        blur = self.close.blur_mm
        # Distance from the edge to the middle of what is left: blur does not move it. None: it begins at the edge.
        middle = float((self.rest * self.x).sum()) / float(self.rest.sum())
        gap = self.way * middle - 0.5 * float((self.width**2).sum()) / abs(float(self.width.sum()))
        free = gap > max(FREE_PX / self.close.shot.px_per_mm, FREE_SHARE * depth_mm)
        if self.way * middle < -0.5 * blur or (self.way < 0 and free):
            return None  # bright or dark on the face, or on the ground: not the edge
        if self.way < 0:
            return FlawKind.NICK
        on_face = np.abs(self.rest * self.part)[self.x < -2.5 * blur].sum()
        over = on_face > 0.1 * np.abs(self.rest * self.part).sum()
        return FlawKind.STRAND if over or free or depth_mm > TALL * length_mm else FlawKind.BURR

    def _stretched(self, length: Quantity, depth: Quantity) -> tuple[Quantity, Quantity]:
        """A strand's own length and how far it reaches over the edge, to half of its own brightness."""
        over = self.rest * self.part * (self.x > -self.close.blur_mm)
        bright = over > 0.5 * float(np.percentile(over[over > 0], 90)) if (over > 0).any() else over > 0
        arc = np.broadcast_to(self.arc[:, None], self.x.shape)[bright]
        across = self.x[bright]
        u = float(np.hypot(0.5 / self.close.shot.px_per_mm, 0.3 * self.close.blur_mm))
        if not len(arc):
            return length, depth
        angles = np.arange(16) * np.pi / 16
        extent = np.ptp(np.outer(np.cos(angles), arc) + np.outer(np.sin(angles), across), axis=1).max()
        share = (Share("ends of a thin thing", u),)
        return Quantity(float(extent), u, share), Quantity(float(max(across.max(), 0.0)), u, share)

    def _placed(self, curve: str, kind: FlawKind, middle: float, length: Quantity, depth: Quantity) -> FlawResult:
        close = self.close
        places = np.rint(
            np.interp(middle + np.array([-0.5, 0.0, 0.5]) * length.value, close.arc_mm, np.arange(len(close.arc_mm)))
        )
        begin, k, end = (int(place) for place in places)
        deep = self.way * 0.5 * depth.value
        trim = float(close.trim_mm[k])
        corners = [(begin, 0.0), (end, 0.0), (end, 2.0 * deep), (begin, 2.0 * deep)]
        outline = np.array(
            [close.lines.part(slice(i, i + 1)).at(np.array([close.trim_mm[i] + d]))[0] for i, d in corners]
        )
        return FlawResult(
            kind,
            curve,
            close.shot.camera,
            float(middle % close.round_mm),
            length,
            depth,
            self.area,
            close.stations.points_mm[k] + (trim + deep) * close.stations.directions[k],
            close.lines.part(slice(k, k + 1)).at(np.array([trim + deep]))[0],
            outline,
        )
