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
LEAST_GAP_BLURS = 0.2  # nearer than this two arrises are not taken to be
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
        self.square, self.stretch, self.noise = square_mm, stretch, noise
        self.blur, self.wider = blur_mm, 1.0  # its factor is fitted
        self.parts, lines = int(stretch[-1]) + 1, len(ribbon)
        self.seen = ribbon, float(d_mm[0]), float(d_mm[1] - d_mm[0]), square_mm, blur_mm, stretch, REACH_BLURS
        following = STRETCH_MM**0.5 * np.where(broken, APART, 1.0)
        # Of gap and share: what is known before, how well, and how near stretches are to the next.
        self.known = np.array([[0.0, BEVEL_MM], [SHARE, SHARE_SPREAD]]), np.outer([BEVEL_NEXT, SHARE_NEXT], following)
        self.bevel: Array = np.zeros(self.parts)
        self.share: Array = np.full(self.parts, SHARE)
        self.sums = np.empty((lines, arris_kernels.SUMS))
        middle = np.asarray(arris_kernels.middles(edge_mm, stretch, self.parts))[stretch]
        # Where the one step was found is nearer to the stretch's middle than two arrises are to each other, or it
        # jumped from one to the other.
        near = np.abs(edge_mm - middle) < 0.3 * square_mm + 0.05
        edge = np.where(near, edge_mm, middle)
        # The one step may be either arris or between: of some places and shares in each stretch what leaves least, the
        # share as good as it gets. A few lines tell.
        self.at = np.empty(lines)
        pace = max(1, lines // (FEW * self.parts))
        arris_kernels.start_stretches(*self.seen, pace, edge, np.array(STARTS), self.sums, self.at, self.share)
        self.normal, self.side = np.empty((2 * self.parts + 1,) * 2), np.empty(2 * self.parts + 1)
        self.own, self.follow = np.empty(lines), np.empty((lines, 3))
        self.covariance: Array = np.zeros_like(self.normal)

    @property
    def gap(self) -> Array:
        return np.asarray(np.maximum(self.square + self.bevel[self.stretch], LEAST_GAP_BLURS * self.blur))

    def settle(self) -> None:
        spread = 0.5 * float(self.blur.mean())
        for _ in range(ROUNDS):
            self._linearised()
            change = np.linalg.solve(self.normal, self.side)
            change[-1] = float(np.clip(change[-1], -0.1, 0.1))
            self.wider += change[-1]
            answer = self.stretch, self.own, self.follow
            moved, still = arris_kernels.step_stretches(
                change, *answer, spread, ENOUGH_MM, self.at, self.bevel, self.share
            )
            if moved < ENOUGH_MM and still > 0.95:  # a nick may go on
                break
        misfit = self._linearised()  # half-pixel samples share noise
        self.covariance = np.linalg.inv(self.normal) * misfit * 2.0 * BILINEAR_NOISE**2

    def _linearised(self) -> float:
        """Normal equations of gaps, shares and blur with each line's own place taken out, and how that follows: its
        change when nothing else changes (L,), less (L, 3) per unit of gap, share and blur. Returns the mean square of
        what is left.
        """
        now = self.at, self.bevel, self.share, self.wider
        known = self.noise, LEAST_GAP_BLURS, BLUR_SPREAD, *self.known
        found = self.sums, self.normal, self.side, self.own, self.follow
        return float(arris_kernels.linearise_stretches(*self.seen, *known, *now, *found))

    def told(self) -> tuple[Array, ...]:
        """Of each line: place, gap, u of the line, u shared of show, back and gap, share."""
        gap = self.gap
        show, back, wide = np.empty((3, len(gap)))
        arris_kernels.shared_by_lines(self.covariance, self.stretch, self.follow, show, back, wide)
        line = self.noise * np.sqrt(2.0 * BILINEAR_NOISE**2 / np.maximum(self.sums[:, 0], 1e-9))
        model = (MODEL_SHARE * gap) ** 2
        shared = (np.sqrt(variance + model) for variance in (show, back, wide))
        return (self.at, gap, line, *shared, self.share[self.stretch])
