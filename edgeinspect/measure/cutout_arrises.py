"""Cut-outs on the arris that the drawing names, and the bevel of their walls.

The first fit of all cut-outs (two_arrises) takes the walls for square: where the far wall shows, its width is known
from sheet and view. Here it is made again from there with one bevel a cut-out left free, so that shape and bevel are
told together, each with what the other leaves of it. The shape is what tells one arris from the other where only one
shows: the near side, whose wall is hidden, is sure. The back-face arris is seen on the far walls alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import arris_kernels, kernels, wall_kernels
from edgeinspect.measure.arrises import BETWEEN, LEAST_STEP, REACH_BLURS, SEEN_MM, SHEET_SHARE, Arrises
from edgeinspect.measure.cut_face import HIDDEN_MM, Traced, cut_faces
from edgeinspect.measure.cutout import (
    SQUARE_WITHIN,
    CutOutFit,
    apparent_gap,
    by_roughness,
    counted_from,
    evenly_lit,
    long_axis,
    shape_rows,
    wall_height,
)
from edgeinspect.measure.edge import BILINEAR_NOISE, Edges, noise_of
from edgeinspect.measure.measurement import CutFace, Flag
from edgeinspect.measure.place import Scan
from edgeinspect.measure.setup import Sight
from edgeinspect.measure.shot import Shot
from edgeinspect.measure.trim import CutOutFound
from edgeinspect.measure.two_arrises import (
    LOOSE_MM,
    SPREAD,
    SPREAD_CUTOUT,
    SPREAD_FACING,
    USUAL_SHARE,
    WALL_HARMONICS,
)
from edgeinspect.shell.definition import Arris

LEAST_SHARE = 0.3  # of the outline must show its back-face arris, or the shape hangs on too little
WALL_MODEL = 0.1  # of its width: what the brightness of a wall that is not even leaves, on ray-traced holes
MOST_BEVELS = 3.0  # standard deviations of what a cutter is set square to: so much bevel is looked for
BEVEL_TOLD = 0.25  # of what was known of a bevel before is still unknown: then the picture tells it
BLUR_SPREAD = 0.1  # of the blur from one step a line, walls and all
ROUNDS, ENOUGH_MM = 8, 5e-4


def on_drawn_arris(sight: Sight, found: list[CutOutFound]) -> tuple[list[CutOutFound], list[CutFace]]:
    """The cut-outs on the drawing's arris, and what is seen of both; one that was not found stays as it is."""
    every, faces = list(found), list[CutFace]()
    for c, shot in enumerate(sight.shots):
        own = [k for k, camera in enumerate(sight.setup.cutout_camera) if camera == c and _shows_wall(found[k])]
        if shot is None or not own:
            continue
        walls = _Walls(shot, [found[k] for k in own], sight.definition.sheet_mm)
        walls.settle()
        for k, (shaped, seen) in zip(own, walls.told(), strict=True):
            every[k], more = _one(sight, c, shaped, seen)
            faces += more
    if sight.definition.arris is Arris.BACK:
        every = [one if _shows_wall(was) else _unseen(one) for one, was in zip(every, found, strict=True)]
    return every, faces


def _shows_wall(found: CutOutFound) -> bool:
    return found.fit is not None and found.fit.there is True and float(found.fit.wall_mm.max()) > SEEN_MM


def _unseen(found: CutOutFound) -> CutOutFound:
    """A back-face arris that no line shows."""
    if found.fit is None or found.fit.there is not True:
        return found
    return replace(found, fit=replace(found.fit, there=None, seen_share=0.0))


class _Walls:
    """All cut-outs (C) of one picture, their lines (N) one after the other: shapes, walls, bevels, blur.

    The terms: those of the shapes, one cut-out after the other; the walls' brightness, common, its waves by the way a
    wall faces, each cut-out's own; a bevel a cut-out; how much thicker the sheet is, as a share; the blur's factor.
    """

    def __init__(self, shot: Shot, found: list[CutOutFound], sheet_mm: float) -> None:
        self.found = found
        self.fits = [one.fit for one in found if one.fit is not None]
        scans = [fit.scan for fit in self.fits]
        self.lines = _one_after_the_other([len(fit.wall_mm) for fit in self.fits])
        self.shapes = [_rows(one) for one in found]
        self.columns = _one_after_the_other([rows.shape[1] for rows in self.shapes])
        self.ribbon = np.concatenate([evenly_lit(scan) for scan in scans])
        self.origin, self.spacing = float(scans[0].d_mm[0]), float(scans[0].d_mm[1] - scans[0].d_mm[0])
        self.square = np.concatenate([fit.wall_mm for fit in self.fits])
        self.signed = np.concatenate([_gap(scan, shot, sheet_mm) for scan in scans])
        px_per_mm = np.concatenate([scan.lines.px_per_mm for scan in scans])
        blur_mm = np.concatenate([scan.edges.blur_mm for scan in scans])  # of the picture, to start from: it is fitted
        self.blur = blur_mm * float(px_per_mm.mean()) / px_per_mm
        self.noise = noise_of(self.ribbon)
        self.pull = 0.5 * self.blur**2 * np.concatenate([scan.stations.bend_per_mm for scan in scans])
        arris = np.concatenate([scan.edges.d_mm for scan in scans])
        self.usable = np.isfinite(arris)
        shapes, waves, count = self.columns[-1].stop, 2 * WALL_HARMONICS, len(found)
        self.square_within = SQUARE_WITHIN * sheet_mm
        self.first_bevel = shapes + 1 + waves + count
        spreads = np.repeat(
            [SPREAD, SPREAD_FACING, SPREAD_CUTOUT, self.square_within, SHEET_SHARE, BLUR_SPREAD],
            [1, waves, count, count, 1, 1],
        )
        self.known = np.concatenate([np.zeros(shapes), spreads**-2.0])
        self.usual = np.zeros(len(self.known))
        self.usual[shapes], self.usual[-1] = USUAL_SHARE, 1.0
        self.value = self.usual.copy()
        for rows, here, own in zip(self.shapes, self.lines, self.columns, strict=True):
            weight = self.usable[here].astype(np.float64)
            self.value[own] = kernels.weighted_fit(rows, arris[here], weight, np.full(rows.shape[1], 1e-12))
        self.answers = self._answers(np.concatenate([scan.stations.normals for scan in scans]))
        self.sums = np.empty((len(self.square), arris_kernels.SUMS))
        self.off: Array = np.zeros(len(self.square))
        self.covariance: Array = np.zeros((len(self.known),) * 2)

    def _answers(self, normals: Array) -> tuple[NDArray[np.intp], Array, NDArray[np.intp]]:
        """Which terms each line answers to, by how much, and in which part of the fit (wall_kernels)."""
        most, waves = max(rows.shape[1] for rows in self.shapes), 2 * WALL_HARMONICS
        kind = np.repeat([0, 1, 2, 3], [most, waves + 2, 2, 1])
        column, slope = np.zeros((len(normals), len(kind)), dtype=np.intp), np.zeros((len(normals), len(kind)))
        common = self.columns[-1].stop
        for k, (rows, here, own) in enumerate(zip(self.shapes, self.lines, self.columns, strict=True)):
            terms = rows.shape[1]
            column[here, :terms], slope[here, :terms] = np.arange(own.start, own.stop), rows
            column[here, -4], column[here, -3] = common + 1 + waves + k, self.first_bevel + k
        facing = np.arctan2(normals[:, 1], normals[:, 0])
        column[:, most:-4], column[:, -2:] = common + np.arange(waves + 1), len(self.known) + np.array([-2, -1])
        slope[:, most], slope[:, -4], slope[:, -1] = 1.0, 1.0, 1.0
        for k in range(WALL_HARMONICS):
            turn = (k + 1) * facing
            slope[:, most + 1 + 2 * k], slope[:, most + 2 + 2 * k] = np.cos(turn), np.sin(turn)
        # A bevel that stands out shows where a square wall would hide.
        shows = self.signed > -MOST_BEVELS * self.square_within
        slope[:, -3], slope[:, -2] = shows, np.where(shows, self.signed, 0.0)
        return column, slope, kind

    def settle(self) -> None:
        seen = self.ribbon, self.origin, self.spacing, self.blur, self.signed, self.pull, self.usable
        known = self.known, self.usual, self.noise
        ends = REACH_BLURS, SEEN_MM, 0.5 * LEAST_STEP, LOOSE_MM, ROUNDS, ENOUGH_MM
        normal, misfit = wall_kernels.settle_walls(*seen, *self.answers, *known, *ends, self.value, self.sums, self.off)
        self.covariance = np.linalg.inv(normal) * misfit * 2.0 * BILINEAR_NOISE**2

    def told(self) -> list[tuple[CutOutFound, Arrises]]:
        """Each cut-out with its shape of now, and both its arrises."""
        value, done = self.value, list[tuple[CutOutFound, Arrises]]()
        show, gap, share, place, back = np.empty((5, len(self.square)))
        now = value, self.covariance, self.signed, self.off
        wall_kernels.tell_walls(*self.answers, *now, show, gap, share, place, back)
        seen, model = (self.square > SEEN_MM) & self.usable, WALL_MODEL * self.square
        nothing = np.where(seen, 0.0, np.nan)
        line = self.noise * np.sqrt(2.0 * BILINEAR_NOISE**2 / np.maximum(self.sums[:, 0], 1e-9))
        u_show, u_back = np.sqrt(place) + nothing, np.sqrt(back + model**2) + nothing
        d_mm, gap, share = np.where(self.usable, show, np.nan), gap + nothing, share + nothing
        for k, found in enumerate(self.found):
            here, own, bevel, fit = self.lines[k], self.columns[k], self.first_bevel + k, found.fit
            assert fit is not None
            u_bevel = float(np.sqrt(self.covariance[bevel, bevel]))
            arrises = Arrises(
                seen[here],
                self.square[here],
                (show + nothing)[here],
                gap[here],
                (line + nothing)[here],
                u_show[here],
                u_back[here],
                np.hypot(u_bevel, model[here]) + nothing[here],
                share[here],
            )
            # What is not known of the bevel is told by itself, as "which arris".
            which = self.covariance[own, bevel] / u_bevel
            shaped = replace(found, which_mm=which)
            if arrises.told_apart.any() or u_bevel < BEVEL_TOLD * self.square_within:
                # Else the first fit, which leans on a square wall, knows more.
                rest = np.clip(self.off[here], -0.1, 0.1)
                spread = self.covariance[own, own] - np.outer(which, which)
                spread += by_roughness(self.shapes[k], rest, line[here], self.usable[here])
                edges = replace(fit.scan.edges, d_mm=d_mm[here])
                fitted = replace(fit, terms=value[own], covariance=spread, scan=replace(fit.scan, edges=edges))
                shaped = replace(shaped, fit=counted_from(fitted, _carried_mm(found)))
            done.append((shaped, arrises))
        return done


def _gap(scan: Scan, shot: Shot, sheet_mm: float) -> Array:
    """(N,) how wide a square wall shows; below 0 it hides by so much."""
    return apparent_gap(scan.stations, scan.lines, wall_height(scan.stations, sheet_mm), shot.model, shot.pose)


def _one_after_the_other(lengths: list[int]) -> list[slice]:
    ends = np.cumsum(lengths).tolist()
    return [slice(end - length, end) for end, length in zip(ends, lengths, strict=True)]


def _rows(found: CutOutFound) -> Array:
    fit = found.fit
    assert fit is not None
    stations = fit.scan.stations
    angle = long_axis(stations) if found.cutout.kind == "slot" else 0.0
    return shape_rows(found.cutout, stations, stations.points_mm[:, :2].mean(axis=0), angle)


def _carried_mm(found: CutOutFound) -> Array:
    """(2,) how far the scanned stations lie from where the cut-out was looked for."""
    assert found.fit is not None
    return np.asarray((found.fit.scan.stations.points_mm - found.stations.points_mm).mean(axis=0)[:2])


def _one(sight: Sight, camera: int, found: CutOutFound, seen: Arrises) -> tuple[CutOutFound, list[CutFace]]:
    fit = found.fit
    assert fit is not None
    edges, wall, told = fit.scan.edges, fit.wall_mm, seen.told_apart
    every: NDArray[np.intp] = np.arange(len(wall))
    if sight.definition.arris is Arris.BACK:
        u_back = np.hypot(seen.u_back_mm, SHEET_SHARE * wall)
        place = np.where(told, seen.show_mm + seen.bevel_mm, np.nan)
        flags = np.where(told, 0, np.where(wall > HIDDEN_MM, int(Flag.NO_EDGE), int(Flag.HIDDEN))).astype(np.int32)
        drawn, which = replace(edges, d_mm=place, flags=flags), np.where(told, u_back, BETWEEN * wall)
        done = _shaped(found, fit, drawn, np.where(told, u_back, 0.0))
        traced = Traced(edges, drawn, place + wall, which, wall, ((camera, every, seen),))
    else:
        done, which = found, np.where(seen.seen, np.nan_to_num(seen.u_show_mm), 0.0)
        traced = Traced(edges, edges, edges.d_mm, which, wall, ((camera, every, seen),))
    name = found.cutout.curve.name
    faces = cut_faces(sight.shots, name, fit.scan, traced, sight.definition.sheet_mm)
    return replace(done, seen_at_mm=traced.seen_at_mm), faces


def _shaped(found: CutOutFound, fit: CutOutFit, edges: Edges, which_mm: Array) -> CutOutFound:
    """The shape fitted to edges as traced; not seen where they are too few. ``which_mm`` (N,) errs alike all along."""
    rows, used = _rows(found), np.isfinite(edges.d_mm) & (edges.flags == 0)
    here = replace(fit.scan, edges=edges)
    if used.mean() < LEAST_SHARE:
        return replace(found, fit=replace(fit, there=None, seen_share=float(used.mean()), scan=here))
    inverse = np.linalg.inv(rows[used].T @ rows[used])
    terms = inverse @ rows[used].T @ edges.d_mm[used]
    rest = edges.d_mm[used] - rows[used] @ terms
    # Neighbouring lines share blur: half of them count. What errs alike on the far walls moves all terms together.
    alike = inverse @ rows[used].T @ which_mm[used]
    covariance = 2.0 * float((rest**2).mean()) * inverse
    done = replace(fit, terms=terms, covariance=covariance, seen_share=float(used.mean()), scan=here)
    return replace(found, fit=counted_from(done, _carried_mm(found)), which_mm=alike)
