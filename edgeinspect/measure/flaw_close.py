"""One close look at a suspect stretch of an edge: what is left there after the expected levels, piece by piece.

Each connected piece is material too much (+) or missing (-). Its sum across the edge is how deep it is, whatever the
blur; along the edge a shape is fitted through the blur. Words: ISO 13715.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from edgeinspect.geometry import Array
from edgeinspect.measure import flaw_kernels
from edgeinspect.measure.measurement import FlawKind, FlawResult, Quantity, Share
from edgeinspect.measure.ribbon import ScanLines, Stations
from edgeinspect.measure.setup import quantity
from edgeinspect.measure.shot import Shot

LEAST_DEPTH_PX, LEAST_AREA_PX = 0.35, 0.5  # anything smaller is not told from the roughness of a good cut
BLUR_SHARE = 0.03  # standard uncertainty of the blur at one place, common practice, no source
# Of the blur: so far off is the length of what is no 1 - |t|^p. Drawn on plates: half ellipses long, trapezia short.
ENDS_SHARE = 0.35
SHARP = 0.6  # of the blur's own area: a spot smaller than that did not come through the lens
# What makes a strand of too much material. In doubt it is one: that asks for a second look.
TALL = 0.85  # depth over length: a burr is rooted with its whole width
FREE_PX, FREE_SHARE = 0.5, 0.3  # mean gap between edge and material, also in shares of its depth
USUAL_SHAPE, SHAPE_SPREAD = np.log(2.0), 0.6  # 1 - |t|^p: between triangle (p = 1) and square, where nothing says more
BESIDE_STRAND_MM = 0.6  # what lies this near to a strand belongs to it
SHARE = 0.1  # of the step, or four times the noise: what is left beyond this belongs to a flaw
BRIGHT_SPOT = 4.0  # times what belongs to a flaw: a spot as bright as that, and too sharp, is taken out beforehand
GREATEST_MM = 10.0  # what is longer is form, which the zones judge, not a flaw


@dataclass(frozen=True)
class CloseLook:
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


class _Part:
    """One connected piece of what is left, while its size is worked out."""

    def __init__(self, close: CloseLook, part: NDArray[np.bool_], x_mm: Array, left: Array) -> None:
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
            sizes = self._stretched()
            if sizes is None:
                return None  # nothing hangs over
            length, depth = sizes
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

    def _stretched(self) -> tuple[Quantity, Quantity] | None:
        """A strand's own length and how far it reaches over the edge, to half of its own brightness."""
        over = self.rest * self.part * (self.x > -self.close.blur_mm)
        if not (over > 0).any():
            return None
        bright = over > 0.5 * float(np.percentile(over[over > 0], 90))
        arc = np.broadcast_to(self.arc[:, None], self.x.shape)[bright]
        across = self.x[bright]
        u = float(np.hypot(0.5 / self.close.shot.px_per_mm, 0.3 * self.close.blur_mm))
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
