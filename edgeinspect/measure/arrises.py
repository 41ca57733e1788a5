"""Both arrises of a cut face that a camera sees: face, cut face and background make two steps, each traced and named.

The show-face arris, the gap to the back-face one and the brightness of the cut face between are fitted together: where
each line's first arris is (its own), the gap's departure from a square cut and the share of the step at the first
arris (one of each a stretch, alike from stretch to stretch), and the picture's blur. The gap over what a square cut of
this sheet would show is the bevel. Where the picture cannot tell the two apart the uncertainty says so: it is that of
the gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import arris_kernels
from edgeinspect.measure.edge import BILINEAR_NOISE, fit_edges
from edgeinspect.measure.picture import Levels

SEEN_MM = 0.05  # a cut face less wide than this leaves the strongest step at the arris
LEAST_LINES, FEW_SHARE = 6, 0.2
STRETCH_MM = 15.0
# What is known before: standard deviations of the gap's departure from a square cut and of the share of the step that
# lies at the show-face arris, and of how much both differ from one stretch to the next. Judged from pictures.
BEVEL_MM, SHARE, SHARE_SPREAD = 0.3, 0.4, 0.4
BEVEL_NEXT, SHARE_NEXT, APART = 0.005, 0.03, 5.0  # per root of a mm along the curve; so much more where it is broken
BLUR_SPREAD = 0.04  # of the blur of other edges of the picture: marks lie lower than the rim
SHEET_SHARE = 0.05  # of a sheet's thickness that it may be thinner where it was drawn (common practice, no source)
MODEL_SHARE = 0.03  # of the gap: the cut face is not of one brightness (two arrises of holes, ray-traced samples)
BETWEEN = 12.0**-0.5  # standard uncertainty of a place anywhere between the two, per mm of gap
STARTS, FEW = (0.0, 0.35, 0.65, 1.0), 6  # where the one step may lie between the two; lines of a stretch that tell
SURE = 0.5  # told apart is what is known this much better than "anywhere between"
REACH_BLURS = 4.0  # beside both arrises is looked at
LEAST_STEP = 0.1  # of the whole step must lie at each arris, or it is only one that is seen
ROUNDS, ENOUGH_MM = 12, 5e-4


@dataclass(frozen=True)
class Arrises:
    """Along one curve as one camera sees it (N stations), in mm along the scan lines; nan where the face is hidden."""

    seen: NDArray[np.bool_]  # (N,) the camera sees the cut face there
    square_mm: Array  # (N,) apparent width of a square cut; 0 where it is hidden
    show_mm: Array  # (N,) place of the show-face arris
    gap_mm: Array  # (N,) from there to the back-face arris
    u_line_mm: Array  # (N,) of the show-face arris, of one line by its noise
    u_show_mm: Array  # (N,) what neighbouring lines share of it
    u_back_mm: Array  # (N,) the same of the back-face arris, as seen
    u_gap_mm: Array  # (N,)
    share: Array  # (N,) of the whole step, face to background, that lies at the show-face arris

    @cached_property
    def told_apart(self) -> NDArray[np.bool_]:
        """(N,): both are seen, each by itself. A cut face as bright as the show face or as dark as the background shows
        one arris only, and which one it is the picture does not say.
        """
        lesser = np.minimum(np.abs(self.share), np.abs(1.0 - self.share))
        sure = self.u_gap_mm < SURE * BETWEEN * self.gap_mm  # nan is not sure
        return np.asarray(self.seen & sure & (lesser > LEAST_STEP))

    @cached_property
    def bevel_mm(self) -> Array:
        """(N,) how far the back-face arris stands out of the material before the show-face one; - behind it."""
        return self.gap_mm - self.square_mm

    @property
    def u_bevel_mm(self) -> Array:
        """(N,) the sheet's thickness counts too: a square cut of a thinner sheet looks less wide."""
        return np.asarray(np.hypot(self.u_gap_mm, SHEET_SHARE * self.square_mm))


def blur_without_wall(ribbon: Levels, d_mm: Array, px_per_mm: Array, square_mm: Array, blur_px: float) -> float:
    """Standard deviation [px] of the blur of lines (N, M) that show one arris alone; ``blur_px``, the picture's, where
    these are few.
    """
    alone = square_mm == 0
    if np.mean(alone) < FEW_SHARE:
        return blur_px
    edges = fit_edges(ribbon[alone], d_mm, px_per_mm[alone], blur_px)
    return float(edges.blur_mm[0] * px_per_mm[alone].mean())


def find_arrises(
    ribbon: Levels,
    d_mm: Array,
    edge_mm: Array,
    usable: NDArray[np.bool_],
    square_mm: Array,
    step_mm: float,
    blur_mm: Array,
    noise: float,
) -> Arrises:
    """Trace both arrises wherever a square cut face would be seen more than SEEN_MM wide.

    Parameters: ribbon - (N, M) levels at offsets d_mm (M,), the show face first; edge_mm - (N,) the one step that was
    found there, anywhere between the two; usable - (N,); square_mm - (N,) apparent width of a square cut, 0 where it is
    hidden; step_mm - between stations; blur_mm - (N,) standard deviation of the picture's blur along each line, from
    edges where nothing is between; noise - standard deviation of the picture's noise [levels].
    """
    count = len(ribbon)
    lines = np.flatnonzero((square_mm > SEEN_MM) & usable)
    none = np.full(count, np.nan)
    if len(lines) < LEAST_LINES:
        return none_seen(square_mm)
    stretch, broken = _stretches(lines, max(1, round(STRETCH_MM / step_mm)))
    fit = _Fit(ribbon[lines], d_mm, edge_mm[lines], square_mm[lines], stretch, broken, blur_mm[lines], noise)
    fit.settle()
    found = [none.copy() for _ in range(7)]
    for whole, part in zip(found, fit.told(), strict=True):
        whole[lines] = part
    seen = np.zeros(count, dtype=bool)
    seen[lines] = True
    return Arrises(seen, square_mm, *found)


def none_seen(square_mm: Array) -> Arrises:
    none = np.full(len(square_mm), np.nan)
    return Arrises(np.zeros(len(none), dtype=bool), square_mm, none, none, none, none, none, none, none)


def _stretches(lines: NDArray[np.intp], length: int) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Number of each line's stretch: runs of neighbours, cut into parts of about ``length`` stations; and whether the
    curve is broken (S - 1,) between one stretch and the next.
    """
    begins = np.flatnonzero(np.diff(lines, prepend=lines[0] - 10) > 3)
    number, parts, starts = np.empty(len(lines), dtype=np.intp), 0, list[int]()
    for begin, end in zip(begins, [*begins[1:], len(lines)], strict=True):
        pieces = max(1, round((end - begin) / length))
        number[begin:end] = parts + np.arange(end - begin) * pieces // (end - begin)
        starts.append(parts)
        parts += pieces
    broken = np.zeros(max(parts - 1, 0), dtype=bool)
    broken[np.array(starts[1:], dtype=np.intp) - 1] = True
    return number, broken


class _Fit:
    """Gauss-Newton on the lines (L) of S stretches."""

    def __init__(
        self,
        ribbon: Levels,
        d_mm: Array,
        edge_mm: Array,
        square_mm: Array,
        stretch: NDArray[np.intp],
        broken: NDArray[np.bool_],
        blur_mm: Array,
        noise: float,
    ) -> None:
        self.ribbon, self.square, self.stretch, self.noise = ribbon, square_mm, stretch, noise
        self.origin, self.spacing = float(d_mm[0]), float(d_mm[1] - d_mm[0])
        self.blur, self.wider = blur_mm, 1.0  # its factor is fitted
        self.parts = int(stretch[-1]) + 1
        self.following = STRETCH_MM**0.5 * np.where(broken, APART, 1.0)
        self.bevel: Array = np.zeros(self.parts)
        self.share: Array = np.full(self.parts, SHARE)
        self.sums = np.empty((len(ribbon), arris_kernels.SUMS))
        self.weight: Array = np.ones(len(ribbon))
        middle = np.asarray(arris_kernels.middles(edge_mm, stretch, self.parts))[stretch]
        # Where the one step was found is nearer to the stretch's middle than two arrises are to each other, or it
        # jumped from one to the other.
        near = np.abs(edge_mm - middle) < 0.3 * square_mm + 0.05
        self.edge = np.where(near, edge_mm, middle)
        self.at = self._start()
        self.covariance: Array = np.zeros((2 * self.parts + 1,) * 2)

    @property
    def gap(self) -> Array:
        return np.asarray(np.maximum(self.square + self.bevel[self.stretch], 0.2 * self.blur))

    def _start(self) -> Array:
        """The one step may be either arris or between: of some places and shares in each stretch what leaves least, the
        share as good as it gets. A few lines tell.
        """
        few = np.arange(len(self.edge)) % max(1, len(self.edge) // (FEW * self.parts)) == 0
        ribbon, stretch, sums = self.ribbon[few], self.stretch[few], self.sums[: np.count_nonzero(few)]
        edge, square, blur = self.edge[few], self.square[few], self.blur[few]
        # All by the same samples, or a place from which one arris is out of sight would look best.
        ends = edge - square - REACH_BLURS * blur, edge + square + REACH_BLURS * blur
        best, back, share = np.full(self.parts, np.inf), np.zeros(self.parts), self.share.copy()
        for away in STARTS:
            for some in (0.1, 0.5, 0.9):
                place, shares = edge - away * square, np.full(len(ribbon), some)
                self._sum(ribbon, ends, blur, place, square, shares, sums)
                of_share, pull, left = (np.bincount(stretch, sums[:, k], self.parts) for k in (4, 11, 14))
                better_by = np.clip(pull / np.maximum(of_share, 1e-12), -0.25, 0.25)
                rest = left - better_by * (2.0 * pull - better_by * of_share)
                better = rest < best
                best, back = np.where(better, rest, best), np.where(better, away, back)
                share = np.where(better, some + better_by, share)
        self.share = share
        return np.asarray(self.edge - back[self.stretch] * self.square)

    def _sum(
        self, ribbon: Levels, ends: tuple[Array, Array], blur: Array, at: Array, gap: Array, share: Array, sums: Array
    ) -> None:
        arris_kernels.both_arrises(ribbon, self.origin, self.spacing, *ends, blur, at, gap, share, sums)

    def settle(self) -> None:
        spread = 0.5 * float(self.blur.mean())
        for _ in range(ROUNDS):
            sums, misfit = self._linearised()
            normal, right, answer = self._common(sums, misfit)
            change = np.linalg.solve(normal, right)
            bevel, share = change[: self.parts], change[self.parts : -1]
            bevel, share = np.clip(bevel, -spread, spread), np.clip(share, -0.15, 0.15)
            blur = float(np.clip(change[-1], -0.1, 0.1))
            each = np.column_stack([bevel[self.stretch], share[self.stretch], np.full(len(self.at), blur)])
            step = np.clip(answer[0] - (answer[1] * each).sum(axis=1), -spread, spread)
            self.at, self.bevel = self.at + step, self.bevel + bevel
            self.share, self.wider = np.clip(self.share + share, -0.5, 1.5), self.wider + blur
            if np.abs(bevel).max() < ENOUGH_MM and np.mean(np.abs(step) < ENOUGH_MM) > 0.95:  # a nick may go on
                break
        sums, misfit = self._linearised()
        normal, _, self.answer = self._common(sums, misfit)
        self.covariance = np.linalg.inv(normal) * misfit * 2.0 * BILINEAR_NOISE**2  # half-pixel samples share noise

    def _linearised(self) -> tuple[Array, float]:
        gap, blur = self.gap, self.blur * self.wider
        ends = self.at - REACH_BLURS * blur, self.at + gap + REACH_BLURS * blur
        self._sum(self.ribbon, ends, blur, self.at, gap, self.share[self.stretch], self.sums)
        rest = self.sums[:, 14] / np.maximum(self.sums[:, 15], 1.0)
        usual = max(self.noise**2, float(np.median(rest)))
        self.weight = 1.0 / np.maximum(1.0, rest / (4.0 * usual)) ** 2  # a nick, a chip: not two steps
        return self.sums, max(self.noise**2, float((rest * self.weight).sum() / self.weight.sum()))

    def _common(self, sums: Array, misfit: float) -> tuple[Array, Array, tuple[Array, Array]]:
        """Normal equations of gaps, shares and blur with each line's own place taken out, and how that follows: its
        change when nothing else changes (L,), less (L, 3) per unit of gap, share and blur.
        """
        parts = self.parts
        of = [np.arange(parts), parts + np.arange(parts)]
        normal, side = np.zeros((2 * parts + 1,) * 2), np.zeros(2 * parts + 1)
        own, follow = np.empty(len(sums)), np.empty((len(sums), 3))
        arris_kernels.common_equations(sums, self.weight, self.stretch, normal, side, own, follow)
        for which, value, before, spread, following in (
            (of[0], self.bevel, 0.0, BEVEL_MM, BEVEL_NEXT * self.following),
            (of[1], self.share, SHARE, SHARE_SPREAD, SHARE_NEXT * self.following),
        ):
            normal[which, which] += misfit / spread**2
            side[which] += misfit / spread**2 * (before - value)
            if parts > 1:
                pull, apart = misfit / following**2, np.diff(value)
                for one, two, way in ((which[:-1], which[1:], 1.0), (which[1:], which[:-1], -1.0)):
                    normal[one, one] += pull
                    normal[one, two] -= pull
                    side[one] += pull * way * apart
        known = misfit / BLUR_SPREAD**2
        normal[-1, -1] += known
        side[-1] += known * (1.0 - self.wider)
        return normal, side, (own, follow)

    def told(self) -> tuple[Array, ...]:
        """Of each line: place, gap, u of the line, u shared of show, back and gap, share."""
        gap, parts = self.gap, self.parts
        which = np.column_stack([self.stretch, parts + self.stretch, np.full(len(gap), 2 * parts)])
        own = self.covariance[which[:, :, None], which[:, None, :]]  # (L, 3, 3) gap, share, blur
        follow = -self.answer[1]
        back = follow + np.array([1.0, 0.0, 0.0])
        shared = [np.sqrt(np.maximum(np.einsum("li,lij,lj->l", r, own, r), 0.0)) for r in (follow, back)]
        line = self.noise * np.sqrt(2.0 * BILINEAR_NOISE**2 / np.maximum(self.sums[:, 0], 1e-9))
        model = MODEL_SHARE * gap
        u_gap = np.hypot(np.sqrt(own[:, 0, 0]), model)
        share = self.share[self.stretch]
        return (self.at, gap, line, np.hypot(shared[0], model), np.hypot(shared[1], model), u_gap, share)
