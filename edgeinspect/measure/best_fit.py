"""Best fit of the drawing to the cut: the form that is left when the outline may move in some ways or in all.

What is not free is held by the datums (the fixture's, where the best fit is itself the datum). By least squares, or by
the minimum zone: the narrowest tolerance zone about the drawing that holds the whole filtered profile (ISO 1101,
profile any line). A fit takes up what it can of a path error, so its result is "form only".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from edgeinspect.geometry import Array, PlaneShift, Pose
from edgeinspect.measure.alignment import combine, deviation_from, placed
from edgeinspect.measure.deviation import filter_closed
from edgeinspect.measure.ribbon import Stations
from edgeinspect.shell.definition import BestFit, FitBy, Freedom

ROUNDS = 4
SMALL_MM = 0.05  # a shift below this changes the deviation by its part along the normal, to 0.0001 mm
ENOUGH_MM = 1e-7  # of the zone's half width
TOUCHES_MM = 1e-5  # a place this near to the border of the minimum zone holds it
PLAY_MM = 0.01  # about one u of an edge
TOGETHER_MM = 20.0  # light and form are alike over this length of edge: one common cause


@dataclass(frozen=True)
class Touching:
    """Where the minimum zone (N stations, T freedoms) touches the cut, and what follows when the cut moves there."""

    stations: NDArray[np.intp]  # (M,)
    play: Array  # (T,) how uncertain each term is, per mm that the zone is wider on both sides
    answer: Array  # (T, M) change of the terms per mm of deviation at these stations
    left: Array  # (T, T) what they leave undecided is the least squares'


@dataclass(frozen=True)
class FormFit:
    """The drawing fitted to the cut: where it then lies, and what is left."""

    shift: PlaneShift  # from the nominal seating, fixture frame
    deviation_mm: Array  # (N,) of the cut from the fitted outline
    foot_mm: Array  # (N,) arc length of each foot point
    rows: Array  # (N, T) how each deviation answers to the free terms
    rms_mm: float  # of what is left
    covariance: Array  # (3, 3) of dx, dy [mm], rotation [rad] about the fixture's origin, from the picture
    u_mm: Array  # (N,) that the fit brings to each deviation, from the picture
    touching: Touching | None  # of a minimum zone

    def left_of(self, along_mm: Array) -> Array:
        """What a common cause leaves (K, N) of its displacements along the normals (K, N) once the fit has followed."""
        if self.touching is None:
            terms = np.linalg.lstsq(self.rows, along_mm.T, rcond=None)[0]
        else:
            followed = np.linalg.lstsq(self.rows, along_mm.T, rcond=None)[0]
            terms = self.touching.answer @ along_mm[:, self.touching.stations].T + self.touching.left @ followed
        return np.asarray(along_mm - (self.rows @ terms).T)


def fit_form(
    nominal: Stations,
    edge_mm: Array,
    usable: NDArray[np.bool_],
    how: BestFit,
    held: PlaneShift,
    start: PlaneShift,
    shell: Pose,
    u_edge_mm: Array,
    cutoff_mm: float,
    zone_middle_mm: Array | float = 0.0,
) -> FormFit:
    """Fit the drawing to the cut.

    Parameters: nominal - N stations as the fixture holds them at the shell's temperature, fixture frame; edge_mm -
    (N, 3) of the cut; usable - (N,); how - freedoms and criterion; held - where the datums hold the outline; start -
    where to begin when nothing is held; shell - shell frame -> fixture of the nominal seating: its axes and origin are
    those of the freedoms; u_edge_mm - (N,) standard uncertainty of one station, without common causes; cutoff_mm - of
    the profile filter, behind which the minimum zone is sought; zone_middle_mm - what the tolerance zone's middle lies
    off the outline (ISO 1660, UZ).
    """
    shift = start if how.is_free else held
    for _ in range(ROUNDS):
        at = placed(nominal, shift)
        deviation, foot = deviation_from(at, edge_mm)
        here = shift.pose().after(shell)
        rows = freedom_rows(at, here, how)
        offset = np.nan_to_num(deviation)
        terms, touching = _solved(rows, offset, usable, how, cutoff_mm, nominal.step_mm, zone_middle_mm)
        shift = combine(_as_shift(terms, here, how), shift)
        if np.abs(terms * np.abs(rows).max(axis=0)).max() < SMALL_MM:  # walking the outline again changes nothing
            deviation = deviation - rows @ terms
            break
    else:
        deviation, foot = deviation_from(placed(nominal, shift), edge_mm)
    rms = float(np.sqrt(np.mean(deviation[usable] ** 2)))
    own = _covariance(rows, usable, u_edge_mm, nominal.step_mm, touching)
    units = freedom_shifts(here, how)
    u = np.sqrt(np.maximum(((rows @ own) * rows).sum(axis=1), 0.0))
    return FormFit(shift, deviation, foot, rows, rms, units.T @ own @ units, u, touching)


def _as_shift(terms: Array, shell: Pose, how: BestFit) -> PlaneShift:
    """Terms of the free freedoms as a plane shift of the fixture frame."""
    value = dict(zip(_free(how), terms.tolist(), strict=True))
    along = np.array([value.get(Freedom.X, 0.0), value.get(Freedom.Y, 0.0)]) @ shell.rotation[:2, :2].T
    turn, origin = value.get(Freedom.TURN, 0.0), shell.translation_mm[:2]
    cos, sin = np.cos(turn), np.sin(turn)
    dx, dy = origin - np.array([[cos, -sin], [sin, cos]]) @ origin + along
    return PlaneShift(float(dx), float(dy), float(np.rad2deg(turn)))


def freedom_shifts(shell: Pose, how: BestFit) -> Array:
    """(T, 3): dx, dy [mm] and rotation [rad] about the fixture's origin per unit of each free term."""
    (x, y), origin = shell.rotation[:2, :2].T, shell.translation_mm
    rows = {Freedom.X: [*x, 0.0], Freedom.Y: [*y, 0.0], Freedom.TURN: [origin[1], -origin[0], 1.0]}
    return np.array([rows[freedom] for freedom in _free(how)])


def _free(how: BestFit) -> list[Freedom]:
    return [freedom for freedom in Freedom if freedom in how.freedoms]


def freedom_rows(at: Stations, shell: Pose, how: BestFit) -> Array:
    """(N, T): how each deviation's place moves along its normal per mm of x and y and per rad of turn, those that are
    free; axes and origin are those of ``shell`` (shell frame -> the stations' frame).
    """
    axes = shell.rotation[:2, :2].T
    away = at.points_mm[:, :2] - shell.translation_mm[:2]
    columns = {
        Freedom.X: at.normals[:, :2] @ axes[0],
        Freedom.Y: at.normals[:, :2] @ axes[1],
        Freedom.TURN: away[:, 0] * at.normals[:, 1] - away[:, 1] * at.normals[:, 0],
    }
    return np.column_stack([columns[freedom] for freedom in _free(how)])


def _solved(
    rows: Array,
    offset: Array,
    usable: NDArray[np.bool_],
    how: BestFit,
    cutoff_mm: float,
    step_mm: float,
    zone_middle_mm: Array | float,
) -> tuple[Array, Touching | None]:
    weighted = rows * usable[:, None]
    terms = np.asarray(np.linalg.lstsq(weighted.T @ rows, weighted.T @ offset, rcond=None)[0])
    if how.by is FitBy.LEAST_SQUARES:
        return terms, None
    profile = filter_closed(offset, usable, cutoff_mm, step_mm)[0] - zone_middle_mm
    seen = np.flatnonzero(np.isfinite(profile))
    found, half_width = minimum_zone(rows[seen], profile[seen], terms)
    apart = max(1, round(TOGETHER_MM / step_mm))
    return found, _touching(rows, seen, profile[seen] - rows[seen] @ found, half_width, apart)


def minimum_zone(rows: Array, offset: Array, near: Array) -> tuple[Array, float]:
    """Terms (T,) that make the greatest of |offset - rows @ terms| as small as it can be, and that greatest value.

    Parameters: rows - (N, T); offset - (N,) [mm]; near - (T,): where the greatest leaves a term undecided, it stays by
    this one. A linear programme on few places, to which the worst other place is added until there is none: its least
    value is then that of all. Exact to 1e-7 mm.
    """
    count, scale = rows.shape[1], np.maximum(np.abs(rows).max(axis=0), 1e-9)
    rows, near = rows / scale, near * scale
    rest = offset - rows @ near
    # A start all along the outline, or the first answers run away.
    few = set(np.linspace(0, len(rows) - 1, 24, dtype=int).tolist()) | {int(rest.argmax()), int(rest.argmin())}
    cost = np.concatenate([np.zeros(count), [1.0], np.full(count, 1e-7)])
    stay = np.hstack([np.eye(count), np.zeros((count, 1)), -np.eye(count)])
    stay = np.vstack([stay, stay * np.concatenate([np.full(count, -1.0), np.ones(count + 1)])])
    bounds = [(None, None)] * count + [(0, None)] * (count + 1)
    for _ in range(200):
        some = np.array(sorted(few))
        part, ones, none = rows[some], np.ones((len(some), 1)), np.zeros((len(some), count))
        above = np.vstack([np.hstack([-part, -ones, none]), np.hstack([part, -ones, none]), stay])
        below = np.concatenate([-rest[some], rest[some], np.zeros(2 * count)])
        answer = optimize.linprog(cost, A_ub=above, b_ub=below, bounds=bounds, method="highs")
        if answer.x is None:  # cannot be: the terms that it starts from are allowed
            raise ArithmeticError(f"no minimum zone: {answer.message}")
        left = rest - rows @ answer.x[:count]
        worst = [int(left.argmax()), int(left.argmin())]
        greatest = float(np.abs(left).max())
        if greatest <= float(answer.x[count]) + ENOUGH_MM:
            break
        few.update(worst)
    return np.asarray((near + answer.x[:count]) / scale), greatest


def _touching(rows: Array, seen: NDArray[np.intp], rest: Array, half_width: float, apart: int) -> Touching:
    """Each touching place says: deviation less fit is plus or minus the half width. Of neighbours (fewer than ``apart``
    stations away, they err together) the one that touches most speaks for all.
    """
    near = np.flatnonzero(np.abs(rest) >= half_width - TOUCHES_MM)
    order, chosen = near[np.argsort(-np.abs(rest[near]), kind="stable")], list[int]()
    for k in order.tolist():
        steps = [abs(int(seen[k] - seen[c])) for c in chosen if rest[c] * rest[k] > 0]
        if all(min(step, len(rows) - step) >= apart for step in steps):
            chosen.append(k)
    close = np.array(chosen, dtype=np.intp)
    at, scale = seen[close], np.abs(rows).max(axis=0)
    said = np.column_stack([rows[at] / scale, np.sign(rest[close])])
    back = np.linalg.pinv(said, rcond=1e-6)
    decided = (back @ said)[:-1, :-1]
    left = (np.eye(rows.shape[1]) - decided) * scale[None, :] / scale[:, None]
    few = np.unique(np.concatenate([np.arange(0, len(rest), max(1, apart // 4)), near]))
    return Touching(at, _play(rows[seen[few]], rest[few], half_width), back[:-1] / scale[:, None], left)


def _play(rows: Array, rest: Array, half_width: float) -> Array:
    """(T,) standard uncertainty of each term from the range that it has when the zone is PLAY_MM wider on both sides
    (JCGM 100, 4.3.7: half the range over the root of 3), per mm.

    Noise of the size of u moves which places hold the zone, not only the places: what holds it now says too little.
    """
    scale = np.maximum(np.abs(rows).max(axis=0), 1e-9)
    part, most = rows / scale, np.full(len(rows), half_width + PLAY_MM)
    above, below = np.vstack([part, -part]), np.concatenate([most + rest, most - rest])
    reach = []
    for way in np.eye(rows.shape[1]):
        ends = [optimize.linprog(sign * way, A_ub=above, b_ub=below, bounds=(None, None)).fun for sign in (1.0, -1.0)]
        reach.append(-0.5 * sum(ends) / 3.0**0.5)
    return np.asarray(np.array(reach) / scale / PLAY_MM)


def _covariance(
    rows: Array, usable: NDArray[np.bool_], u_edge_mm: Array, step_mm: float, touching: Touching | None
) -> Array:
    """(T, T) of the free terms: what the edge's own uncertainty does to the fit. Not the form that is left, which is
    the cut's.
    """
    weight = rows * usable[:, None]
    normal = np.linalg.pinv(weight.T @ rows)
    together = max(1.0, TOGETHER_MM / step_mm)
    u_used = u_edge_mm[usable]
    by_squares = normal * float(np.median(u_used[np.isfinite(u_used)]) ** 2) * together
    if touching is None:
        return np.asarray(by_squares)
    u = float(np.nanmedian(u_edge_mm))
    answer = touching.answer * np.nan_to_num(u_edge_mm[touching.stations], nan=u)
    covariance = answer @ answer.T + touching.left @ by_squares @ touching.left.T
    return np.asarray(covariance + np.diag(np.maximum((touching.play * u) ** 2 - np.diag(covariance), 0.0)))
