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
from edgeinspect.measure import arris_kernels
from edgeinspect.measure.arrises import BETWEEN, LEAST_STEP, REACH_BLURS, SEEN_MM, SHEET_SHARE, Arrises
from edgeinspect.measure.cut_face import HIDDEN_MM, Traced, cut_faces
from edgeinspect.measure.cutout import (
    SQUARE_WITHIN,
    CutOutFit,
    by_roughness,
    counted_from,
    evenly_lit,
    long_axis,
    shape_rows,
)
from edgeinspect.measure.edge import BILINEAR_NOISE, Edges, noise_of
from edgeinspect.measure.measurement import CutFace, Flag
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
    """All cut-outs (C) of one picture, their lines (N) one after the other: shapes (T terms), walls, bevels, blur."""

    def __init__(self, shot: Shot, found: list[CutOutFound], sheet_mm: float) -> None:
        self.found = found
        self.fits = [one.fit for one in found if one.fit is not None]
        scans = [fit.scan for fit in self.fits]
        self.ends = np.cumsum([len(fit.wall_mm) for fit in self.fits])
        self.ribbon = np.concatenate([evenly_lit(scan) for scan in scans])
        self.origin, self.spacing = float(scans[0].d_mm[0]), float(scans[0].d_mm[1] - scans[0].d_mm[0])
        self.square = np.concatenate([fit.wall_mm for fit in self.fits])
        px_per_mm = np.concatenate([scan.lines.px_per_mm for scan in scans])
        blur_mm = np.concatenate([scan.edges.blur_mm for scan in scans])  # of the picture, to start from: it is fitted
        self.blur = blur_mm * float(px_per_mm.mean()) / px_per_mm
        self.wider, self.noise = 1.0, noise_of(self.ribbon)
        normals = np.concatenate([scan.stations.normals for scan in scans])
        self.pull = 0.5 * self.blur**2 * np.concatenate([scan.stations.bend_per_mm for scan in scans])
        each = [_rows(one) for one in found]
        self.parts = np.cumsum([rows.shape[1] for rows in each])
        self.rows, self.terms = np.zeros((self.ends[-1], self.parts[-1])), np.zeros(self.parts[-1])
        arris = np.concatenate([scan.edges.d_mm for scan in scans])
        self.usable = np.isfinite(arris)
        self.own = np.zeros((self.ends[-1], len(found)))
        for k, (lines, columns) in enumerate(self._of()):
            here = self.usable[lines]
            self.rows[lines, columns] = each[k]
            self.terms[columns] = np.linalg.lstsq(each[k][here], arris[lines][here], rcond=None)[0]
            self.own[lines, k] = 1.0
        facing = np.arctan2(normals[:, 1], normals[:, 0])
        waves = [wave(k * facing) for k in range(1, WALL_HARMONICS + 1) for wave in (np.cos, np.sin)]
        self.walls = np.column_stack([np.ones(len(facing)), *waves, self.own])
        self.shown = (self.square > SEEN_MM)[:, None] * self.own  # a bevel shows on walls that show
        square = np.full(len(found), SQUARE_WITHIN * sheet_mm)
        shares = np.concatenate([[SPREAD], np.full(len(waves), SPREAD_FACING), np.full(len(found), SPREAD_CUTOUT)])
        self.known = np.concatenate([np.zeros(self.parts[-1]), shares**-2.0, square**-2.0, [BLUR_SPREAD**-2.0]])
        start = np.zeros(len(self.known))
        start[self.parts[-1]], start[-1] = USUAL_SHARE, 1.0
        self.usual, self.value = start.copy(), start
        self.value[: self.parts[-1]] = self.terms
        self.cuts = np.cumsum([self.parts[-1], self.walls.shape[1], len(found)])
        self.sums = np.empty((len(facing), arris_kernels.SUMS))
        self.weight: Array = self.usable.astype(np.float64)
        self.off: Array = np.zeros(len(facing))
        self.covariance: Array = np.zeros((len(start),) * 2)

        self.answers = self._answers(each)

    def _answers(self, each: list[Array]) -> tuple[NDArray[np.intp], Array, NDArray[np.intp]]:
        """Which terms each line answers to, by how much, and in which part of the fit (arris_kernels)."""
        most, waves = max(rows.shape[1] for rows in each), self.walls.shape[1] - len(each)
        kind = np.repeat([0, 1, 2, 3], [most, waves + 1, 1, 1])
        column = np.zeros((len(self.square), len(kind)), dtype=np.intp)
        slope = np.zeros(column.shape)
        for k, (lines, terms) in enumerate(self._of()):
            count = each[k].shape[1]
            column[lines, :count], slope[lines, :count] = np.arange(terms.start, terms.stop), each[k]
            shared = [*(self.cuts[0] + np.arange(waves)), self.cuts[0] + waves + k, self.cuts[1] + k, self.cuts[2]]
            column[lines, most:] = shared
            slope[lines, most : most + waves] = self.walls[lines, :waves]
            slope[lines, most + waves], slope[lines, -2] = 1.0, self.shown[lines, k]
            slope[lines, -1] = 1.0
        return column, slope, kind

    def _of(self) -> list[tuple[slice, slice]]:
        """Lines and terms of each cut-out."""
        lines = zip([0, *self.ends[:-1]], self.ends, strict=True)
        terms = zip([0, *self.parts[:-1]], self.parts, strict=True)
        return [(slice(*a), slice(*b)) for a, b in zip(lines, terms, strict=True)]

    @property
    def gap(self) -> Array:
        wide = self.square + self.shown @ self.value[self.cuts[1] : self.cuts[2]]
        return np.asarray(np.where(self.square > 0, np.maximum(wide, 0.0), 0.0))

    def settle(self) -> None:
        for turn in range(ROUNDS):
            normal, right, misfit = self._linearised()
            change = np.clip(np.linalg.solve(normal, right), -0.2, 0.2)
            self.value = self.value + change
            off = self.sums[:, 10] / np.maximum(self.sums[:, 0], 1e-12) - self.rows @ change[: self.cuts[0]]
            self.off = np.clip(off, -9.0, 9.0)
            self.weight = self.usable / np.maximum(1.0, np.abs(self.off) / LOOSE_MM)
            if np.abs(change[: self.cuts[0]]).max() < ENOUGH_MM or (turn > 0 and self._one_arris_alone()):
                break
        normal, _, misfit = self._linearised()
        self.covariance = np.linalg.inv(normal) * misfit * 2.0 * BILINEAR_NOISE**2

    def _one_arris_alone(self) -> bool:
        """Every wall is as dark as what lies behind it, or as bright as the face: nothing more will be told."""
        share = self.walls[self.square > SEEN_MM] @ self.value[self.cuts[0] : self.cuts[1]]
        return bool(np.minimum(np.abs(share), np.abs(1.0 - share)).max() < 0.5 * LEAST_STEP)

    def _linearised(self) -> tuple[Array, Array, float]:
        cuts, value = self.cuts, self.value
        at, gap, blur = self.rows @ value[: cuts[0]] + self.pull, self.gap, self.blur * value[-1]
        share = self.walls @ value[cuts[0] : cuts[1]]
        ends = at - REACH_BLURS * blur, at + gap + REACH_BLURS * blur
        arris_kernels.both_arrises(self.ribbon, self.origin, self.spacing, *ends, blur, at, gap, share, self.sums)
        self.sums[~self.usable] = 0.0
        rest = self.sums[self.usable, 14] / np.maximum(self.sums[self.usable, 15], 1.0)
        misfit = max(self.noise**2, float(rest.mean()))
        normal, right = np.zeros_like(self.covariance), np.zeros(len(value))
        arris_kernels.joint_equations(self.sums, self.weight, *self.answers, normal, right)
        prior = misfit * self.known
        normal[np.diag_indices_from(normal)] += prior + 1e-12
        return normal, right + prior * (self.usual - value), misfit

    def told(self) -> list[tuple[CutOutFound, Arrises]]:
        """Each cut-out with its shape of now, and both its arrises."""
        cuts, value, done = self.cuts, self.value, list[tuple[CutOutFound, Arrises]]()
        share, gap, at = self.walls @ value[cuts[0] : cuts[1]], self.gap, self.rows @ value[: cuts[0]]
        line = self.noise * np.sqrt(2.0 * BILINEAR_NOISE**2 / np.maximum(self.sums[:, 0], 1e-9))
        spread = self.covariance[: cuts[0], : cuts[0]]
        u_place = np.sqrt(((self.rows @ spread) * self.rows).sum(axis=1).clip(0.0))
        for k, ((lines, terms), found) in enumerate(zip(self._of(), self.found, strict=True)):
            fit, bevel = found.fit, cuts[1] + k
            assert fit is not None
            seen = (self.square[lines] > SEEN_MM) & self.usable[lines]
            nothing = np.where(seen, 0.0, np.nan)
            model = WALL_MODEL * self.square[lines]
            u_bevel = float(np.sqrt(self.covariance[bevel, bevel]))
            show = at[lines] + self.off[lines]
            follow = self.covariance[bevel, terms] @ self.rows[lines, terms].T  # of place with bevel
            u_back = np.sqrt((u_place[lines] ** 2 + 2.0 * follow + u_bevel**2).clip(0.0) + model**2)
            arrises = Arrises(
                seen,
                self.square[lines],
                show + nothing,
                gap[lines] + nothing,
                line[lines] + nothing,
                u_place[lines] + nothing,
                u_back + nothing,
                np.hypot(u_bevel, model) + nothing,
                share[lines] + nothing,
            )
            edges = replace(fit.scan.edges, d_mm=np.where(self.usable[lines], show, np.nan))
            # What is not known of the bevel is told by itself, as "which arris".
            which = self.covariance[terms, bevel] / u_bevel
            own, rows, used = self.covariance[terms, terms], self.rows[lines, terms], self.usable[lines]
            rest = np.clip(self.off[lines][used], -0.1, 0.1)
            spread = own - np.outer(which, which) + by_roughness(rows[used], rest, line[lines][used])
            now = replace(fit, terms=value[terms], covariance=spread, scan=replace(fit.scan, edges=edges))
            shaped = replace(found, which_mm=which)
            if arrises.told_apart.any():  # else the first fit, which leans on a square wall, knows more
                shaped = replace(shaped, fit=counted_from(now, _carried_mm(found)))
            done.append((shaped, arrises))
        return done


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
