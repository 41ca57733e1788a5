"""The drawing's arris where a camera sees the cut face: from the one step of each scan line to the arris that is meant.

Where both arrises are told apart, the one that the drawing names is measured. Where they cannot be, the edge lies
anywhere between: the middle is taken, and the uncertainty carries the gap. Where the cut face is hidden the picture's
edge is the show-face arris, and the back-face one is not seen.

Scan lines lie at the height of the show face. The back-face arris is told by its place in plan: as seen, less what a
square cut of this sheet puts it aside in the picture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from edgeinspect.geometry import Array
from edgeinspect.measure.arrises import (
    BETWEEN,
    SEEN_MM,
    SHARE,
    SHEET_SHARE,
    Arrises,
    blur_without_wall,
    find_arrises,
    none_seen,
)
from edgeinspect.measure.cutout import SQUARE_WITHIN, apparent_gap, wall_height
from edgeinspect.measure.edge import Edges, noise_of
from edgeinspect.measure.measurement import CutFace, Flag, Quantity
from edgeinspect.measure.place import Scan
from edgeinspect.measure.ribbon import ScanLines, Stations, lay_scan_lines
from edgeinspect.measure.shot import Shot, Shots
from edgeinspect.shell.definition import Arris

OF_ONE_STEP = Flag.POOR_FIT | Flag.RIVAL_EDGE | Flag.LOW_CONTRAST  # said of one step, no longer true of two
HIDDEN_MM = 0.01  # a square cut face seen less wide than this hides its back-face arris
LEAST_BLURS = 0.5  # a cut face that is nowhere wider than this part of the blur is one edge
FEW_SHARE = 0.3  # of the lines show a cut face: then the blur of the others is this curve's own


@dataclass(frozen=True)
class FaceSeen:
    """The cut face as it shows outside the show-face arris of a curve (N stations)."""

    width_mm: Array  # (N,) apparent; 0 where it is hidden
    bright: Array  # (N,) how bright it is: 0 as the ground behind, 1 as the show face


@dataclass(frozen=True)
class Traced:
    """One curve (N stations), all cameras together."""

    show: Edges  # at the show-face arris
    drawn: Edges  # at the arris that the drawing names
    seen_at_mm: Array  # (N,) where the drawn arris is seen along its scan line
    which_mm: Array  # (N,) standard uncertainty of which arris it is, and of the fit of both; 0 where there is but one
    square_mm: Array  # (N,) apparent width of a square cut face
    arrises: tuple[tuple[int, NDArray[np.intp], Arrises], ...]  # by camera: its number, its stations, what it sees

    def face_seen(self) -> FaceSeen:
        """Its width as traced where both arrises are told apart, else that of a square cut; its brightness where it was
        fitted, else as at the nearest such station of the same camera.
        """
        width, bright = self.square_mm.copy(), np.full(len(self.square_mm), 1.0 - SHARE)
        for _, own, seen in self.arrises:
            told, known = seen.told_apart, np.flatnonzero(np.isfinite(seen.share))
            width[own[told]] = seen.gap_mm[told]
            share = np.interp(own, own[known], seen.share[known], period=len(width))
            bright[own] = np.clip(1.0 - share, 0.0, 1.0)
        return FaceSeen(width, bright)


def cut_face_mm(shots: Shots, here: Scan, sheet_mm: float) -> Array:
    """Apparent width (N,) [mm] of a square cut face, as each station's own camera sees it; below 0 it is hidden, and
    the back-face arris lies so far behind the sheet.
    """
    stations = here.stations
    height, wall = wall_height(stations, sheet_mm), np.zeros(len(stations.arc_mm))
    for k, shot in enumerate(shots):
        own = stations.camera == k
        if shot is None or not own.any():
            continue
        # The neighbours of a station belong to the picture too, across a seam.
        lines = here.lines if own.all() else _laid(stations, shot)
        wall[own] = apparent_gap(stations, lines, height, shot.model, shot.pose)[own]
    return wall


def _laid(stations: Stations, shot: Shot) -> ScanLines:
    return lay_scan_lines(stations.points_mm, stations.directions, 1.0, shot.model, shot.pose)


def trace(shots: Shots, here: Scan, sheet_mm: float, arris: Arris) -> Traced:
    """Both arrises of a scanned curve, and its edge on the one that the drawing names.

    ``here`` - scan with the one step of each line, the blur's pull taken out.
    """
    stations, edges = here.stations, here.edges
    signed = cut_face_mm(shots, here, sheet_mm)
    wall = np.maximum(signed, 0.0)
    # Without more to tell by: the middle of the two.
    show = edges.d_mm - 0.5 * wall
    # Where none was thought to show, the edge was not taken for the middle: it is off by up to the whole width.
    which = BETWEEN * np.where(wall > 0.0, 1.0, 2.0) * shown_width(signed, SQUARE_WITHIN * sheet_mm)
    back, back_which = show.copy(), which.copy()
    flags, u = edges.flags.copy(), edges.u_mm.copy()
    found = []
    for k, shot in enumerate(shots):
        own = np.flatnonzero(stations.camera == k)
        if shot is None or not len(own):
            continue
        seen = _seen(shot, here, own, wall, edges)
        if not seen.seen.any():
            continue
        found.append((k, own, seen))
        told = seen.told_apart  # one step alone would be taken for either arris
        if told.any():
            # The bevel goes on beyond where a square cut would show: standing out, its face shows there too.
            bevel = float(seen.bevel_mm[told].mean())
            shown = np.maximum(signed[own] + bevel, 0.0)
            show[own], which[own] = edges.d_mm[own] - 0.5 * shown, BETWEEN * shown
            back[own], back_which[own] = show[own] + bevel, BETWEEN * shown
        better = own[told & (seen.u_show_mm < which[own])]
        at = np.searchsorted(own, better)
        show[better], which[better] = seen.show_mm[at], seen.u_show_mm[at]
        u[better], flags[better] = seen.u_line_mm[at], flags[better] & ~int(OF_ONE_STEP)
        u_back = np.hypot(seen.u_back_mm, SHEET_SHARE * seen.square_mm)
        at = np.flatnonzero(told & (u_back < back_which[own]))
        back[own[at]], back_which[own[at]] = (seen.show_mm + seen.bevel_mm)[at], u_back[at]
    at_show = replace(edges, d_mm=show, u_mm=u, flags=flags)
    if arris is Arris.SHOW:
        return Traced(at_show, at_show, show, which, wall, tuple(found))
    hidden = np.where(wall > HIDDEN_MM, 0, int(Flag.HIDDEN))
    place = np.where(hidden == 0, back, np.nan)
    drawn = replace(at_show, d_mm=place, flags=(flags | hidden).astype(np.int32))
    return Traced(at_show, drawn, place + wall, back_which, wall, tuple(found))


def shown_width(square_mm: Array, bevel_mm: float) -> Array:
    """(N,) root mean square width of a cut face whose square cut would show ``square_mm`` (below 0: hides by so much)
    and whose bevel is 0 with the standard deviation ``bevel_mm``, as nothing tells it: a cut that hides may show.
    """
    lies = square_mm / bevel_mm
    density = np.exp(-0.5 * lies**2) / np.sqrt(2.0 * np.pi)
    square = (square_mm**2 + bevel_mm**2) * ndtr(lies) + square_mm * bevel_mm * density
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))


def _seen(shot: Shot, here: Scan, own: NDArray[np.intp], wall: Array, edges: Edges) -> Arrises:
    lines = here.lines.part(own) if len(own) < len(wall) else here.lines
    px_per_mm, square = lines.px_per_mm, wall[own]
    ribbon = here.ribbon if len(own) == len(wall) else here.ribbon[own]
    shown = np.flatnonzero(square > SEEN_MM)
    if not len(shown) or square.max() < LEAST_BLURS * shot.blur_px / px_per_mm.mean():
        return none_seen(square)
    if np.mean(square > 0) < FEW_SHARE:  # next to all of the lines show one arris alone
        blur_px = float(np.nanmedian(edges.blur_mm[own]) * px_per_mm.mean())
    else:
        blur_px = blur_without_wall(ribbon, here.d_mm, px_per_mm, square, shot.blur_px)
    usable = ((edges.flags[own] & (Flag.NO_EDGE | Flag.OUTSIDE | Flag.SATURATED)) == 0) & np.isfinite(edges.d_mm[own])
    blur = blur_px / px_per_mm
    found = find_arrises(
        ribbon, here.d_mm, edges.d_mm[own], usable, square, here.stations.step_mm, blur, noise_of(ribbon[shown])
    )
    # Blur on a curve moves both towards its centre.
    pull = 0.5 * blur**2 * here.stations.bend_per_mm[own]
    return replace(found, show_mm=found.show_mm - pull)


def cut_faces(shots: Shots, curve: str, here: Scan, traced: Traced, sheet_mm: float) -> list[CutFace]:
    """What the record keeps of both arrises of one curve, camera by camera."""
    kept = []
    for k, own, seen in traced.arrises:
        shot = shots[k]
        at = np.flatnonzero(seen.seen)
        if shot is None or not len(at):
            continue
        lines, told = here.lines.part(own[at]), seen.told_apart[at]
        nothing = np.where(told, 0.0, np.nan)
        stations = here.stations
        height = wall_height(stations, sheet_mm)[own[at]]
        show, gap = seen.show_mm[at] + nothing, seen.gap_mm[at] + nothing
        bevel, u = _mean(seen.bevel_mm[at], seen.u_bevel_mm[at], told)
        angle = Quantity(float(np.rad2deg(np.arctan2(bevel, height.mean()))), float(np.rad2deg(u / height.mean())))
        kept.append(
            CutFace(
                curve,
                shot.camera,
                stations.arc_mm[own[at]],
                lines.at(show),
                lines.at(show + gap),
                gap,
                np.where(told, seen.u_gap_mm[at], np.nan),
                seen.square_mm[at],
                traced.which_mm[own[at]],
                stations.step_mm * float(len(at)),
                stations.step_mm * float(told.sum()),
                Quantity(bevel, u) if told.any() else None,
                angle if told.any() else None,
            )
        )
    return kept


def _mean(value: Array, u: Array, told: NDArray[np.bool_]) -> tuple[float, float]:
    """Mean over what was told apart; its uncertainty is that of one place: sheet and light are common to all."""
    if not told.any():
        return float("nan"), float("nan")
    return float(value[told].mean()), float(np.sqrt((u[told] ** 2).mean()))


def on_show_face(stations: Stations, sheet_mm: float) -> Stations:
    """Stations of a back-face arris (shell frame), lifted to the show face above: scan lines climb with the sheet."""
    points = stations.points_mm.copy()
    points[:, 2] += wall_height(stations, sheet_mm)
    return replace(stations, points_mm=points)


def sentence(face: CutFace, name: str) -> str:
    """What a person is told of one cut face; ``name`` - of its curve, in words."""
    where = f"{name}, camera {face.camera}: the cut face is seen over {face.seen_mm:.0f} mm"
    if face.bevel_deg is None or face.bevel is None:
        worst = 2.0 * float(np.nanmax(face.which_mm))
        return f"{where} and its two arrises cannot be told apart: ±{worst:.2f} mm of the edge's U is that"
    way = "out" if face.bevel.value >= 0 else "in"
    turn = f"{abs(face.bevel_deg.value):.1f}° ± {2 * face.bevel_deg.u:.1f}°"
    rest = face.seen_mm - face.told_apart_mm
    left = f"; over {rest:.0f} mm they cannot, and U carries the gap" if rest >= 1.0 else ""
    stands = f"the back-face arris stands {abs(face.bevel.value):.2f} ± {2 * face.bevel.u:.2f} mm further {way}"
    return f"{where}, both arrises told apart over {face.told_apart_mm:.0f} mm: {stands}, a bevel of {turn}{left}"
