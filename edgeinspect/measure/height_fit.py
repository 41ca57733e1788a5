"""Pips, cut-outs and what two cameras see as readings of the shell's height, and one fit to all of them.

One generalised least-squares fit (GUM, JCGM 102): every cause of uncertainty is a part of the readings' covariance,
common causes (calibration, temperature) with their correlation over all places.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import chdtri

from edgeinspect.geometry import Array
from edgeinspect.measure import budget
from edgeinspect.measure.alignment import fit_points
from edgeinspect.measure.pips import PipFound
from edgeinspect.measure.setup import TEMPERATURE, Sight
from edgeinspect.measure.trim import FAR_WALL_SHARE, CutOutFound
from edgeinspect.measure.two_views import HeightAt

CUT_PLACE_MM = 0.03  # how exactly a cutter puts one cut-out beside the others: common practice, no source
CHANCE = 0.001  # what is less likely than this is no chance
WEAK_MM = 5.0  # before looking, a shell may lie this much higher or lower on any side
LEAST_SPARE = 2  # readings more than freedoms: else one cut-out out of place would look like a height
MOST_LEFT_OUT = 3
CUT_HERE_SHARE = 3.0**-0.5  # a shell is looked at as it was cut, or after it cooled or was put back: evenly likely


@dataclass(frozen=True)
class Readings:
    """What was read (n,) [mm] beside what was expected, and why it may be wrong: covariances by source."""

    rows: Array  # (n, 9): dx, dy, rotation of the shell; the same of the cut; lift [mm], tilt about x, about y [rad]
    values: Array  # (n,)
    sources: dict[str, Array]  # (n, n) each
    group: Array  # (n,) number of the place that a reading belongs to
    words: tuple[str, ...]  # of the places

    def without(self, places: Sequence[int]) -> Readings:
        keep = ~np.isin(self.group, places)
        cut = {source: part[np.ix_(keep, keep)] for source, part in self.sources.items()}
        return replace(self, rows=self.rows[keep], values=self.values[keep], sources=cut, group=self.group[keep])


@dataclass(frozen=True)
class HeightFit:
    """Lift at the seat's origin [mm] and tilts about the fixture's x and y [rad], with what they are made of."""

    terms: Array  # (3,)
    sources: dict[str, Array]  # (3, 3) covariances
    misfit: float  # chi-squared of what is left
    spare: int  # its degrees of freedom
    left_out: tuple[int, ...] = ()
    all_terms: Array = field(default_factory=lambda: np.zeros(9))  # (9,) of the readings' rows

    @property
    def covariance(self) -> Array:
        return np.asarray(sum(self.sources.values(), np.zeros((3, 3))))

    @property
    def hangs_together(self) -> bool:
        return self.spare > 0 and self.misfit <= chdtri(self.spare, CHANCE)


def beyond_chance(terms: Array, covariance: Array, chance: float = CHANCE) -> bool:
    """Whether numbers (n,) that should be zero are so far off, all together, by less than ``chance`` (chi-squared)."""
    return float(terms @ np.linalg.solve(covariance, terms)) > float(chdtri(len(terms), chance))


@dataclass(frozen=True)
class Feature:
    """A pip or cut-out that reads ``off_mm`` beside where it was expected."""

    words: str
    at_mm: Array  # (3,) where it was expected, fixture frame
    off_mm: Array  # (2,)
    slope: Array  # (2,) rise per mm of what it is read on
    noise: Array  # (2, 2) covariance
    place_mm: float  # how exactly it lies on the shell, and light
    eye_mm: Array  # (3,) the camera
    errors: Array  # (K, 2) of the calibrations
    cut: bool  # made by the cutter


def features_of(sight: Sight, pips: Sequence[PipFound], cutouts: Sequence[CutOutFound]) -> Iterator[Feature]:
    setup = sight.setup
    eyes = [None if shot is None else shot.pose.inverse().translation_mm for shot in sight.shots]
    expected = _carried_to(pips, setup.seat.apply(setup.pips_mm * sight.growth))
    for k, pip in enumerate(pips):
        which = setup.pip_camera[k]
        shot, eye = sight.shots[which], eyes[which]
        if pip.centre_mm is None or shot is None or eye is None:
            continue
        at, errors = expected[k], setup.feature_errors(k, which)
        noise: Array = np.eye(2) * pip.u_mm**2
        flat = np.zeros(2)
        name, off = sight.definition.pips[k].name, pip.centre_mm - at[:2]
        yield Feature(name, at, off, flat, noise, shot.formed_edge_mm, eye, errors, cut=False)
    for k, hole in enumerate(cutouts):
        which, fit = setup.cutout_camera[k], hole.fit
        eye = eyes[which]
        if fit is None or not fit.there or eye is None:
            continue
        place = float(np.hypot(CUT_PLACE_MM, FAR_WALL_SHARE * float(fit.wall_mm.max())))
        slope, errors = setup.cutout_slopes[k], setup.feature_errors(len(pips) + k, which)
        at, off, noise = hole.nominal_mm, fit.terms[:2], fit.covariance[:2, :2]
        yield Feature(hole.cutout.name, at, off, slope, noise, place, eye, errors, cut=True)


def _carried_to(pips: Sequence[PipFound], nominal_mm: Array) -> Array:
    """Nominal pips (P, 3) under the plane shift that fits those found: a shell turned on its seat by 2 degrees draws
    its pips in by 0.1 mm of cosine, which would read as half a millimetre too low.
    """
    seen = [k for k, pip in enumerate(pips) if pip.centre_mm is not None]
    if len(seen) < 2:
        return nominal_mm
    found = np.array([pips[k].centre_mm for k in seen])
    shift = fit_points(nominal_mm[seen, :2], found, np.ones(len(seen))).shift
    return shift.pose().apply(nominal_mm)


def _rows(features: Sequence[Feature], origin_mm: Array) -> Array:
    """(2 F, 9): what the freedoms do to where each reads."""
    at = np.array([feature.at_mm for feature in features])
    eyes = np.array([feature.eye_mm for feature in features])
    slopes = np.array([feature.slope for feature in features])
    cut = np.array([feature.cut for feature in features])
    x, y, z = (at - origin_mm).T
    shifts, rows = np.zeros((len(at), 2, 3)), np.zeros((len(at), 2, 9))
    shifts[:, 0, 0] = shifts[:, 1, 1] = 1.0
    shifts[:, 0, 2], shifts[:, 1, 2] = -y, x
    rows[~cut, :, :3], rows[cut, :, 3:6] = shifts[~cut], shifts[cut]
    rows[:, :, 6:] = budget.lean(eyes, at, slopes)[:, :, None] * budget.rise_rows(at, origin_mm)[:, None, :]
    rows[:, 0, 8] += np.where(cut, 0.0, z)  # a tilt carries pips sideways; the cutter runs where it runs
    rows[:, 1, 7] -= np.where(cut, 0.0, z)
    return rows.reshape(-1, 9)


def readings_of(
    sight: Sight, pips: Sequence[PipFound], cutouts: Sequence[CutOutFound], twice: HeightAt | None
) -> Readings:
    """All that bears on the height, as one list: pips and cut-outs, then what two cameras see."""
    features, origin = list(features_of(sight, pips, cutouts)), sight.setup.seat.translation_mm
    extra = 0 if twice is None else len(twice.height_mm)
    count = 2 * len(features)
    total, causes = count + extra, sight.setup.error_count
    rows, values, noise = np.zeros((total, 9)), np.zeros(total), np.zeros((total, total))
    if features:
        rows[:count] = _rows(features, origin)
    light, errors, warm, since = np.zeros(total), np.zeros((causes, total)), np.zeros(total), np.zeros(total)
    for k, feature in enumerate(features):
        own = slice(2 * k, 2 * k + 2)
        values[own], noise[own, own] = feature.off_mm, feature.noise
        light[own], errors[:, own] = feature.place_mm**2, feature.errors
        (since if feature.cut else warm)[own] = feature.at_mm[:2] - origin[:2]
    if twice is not None and extra:
        rows[count:, 6:], values[count:] = budget.rise_rows(twice.points_mm, origin), twice.height_mm
        noise[range(count, total), range(count, total)] = twice.noise_mm**2
        light[count:], errors[:, count:] = twice.light_mm**2, twice.errors_mm
    # A warm shell carries its pips outwards; cut-outs only if it warmed or cooled since it was cut.
    u_since = float(np.hypot(sight.growth - 1.0, sight.u_growth)) * CUT_HERE_SHARE
    sources: dict[str, Array] = {
        "picture noise": noise,
        "calibration and marks": np.asarray(errors.T @ errors),
        "places and light": np.diag(light),
        TEMPERATURE: sight.u_growth**2 * np.outer(warm, warm) + u_since**2 * np.outer(since, since),
    }
    group = np.concatenate([np.repeat(np.arange(len(features)), 2), len(features) + np.arange(extra)])
    words = (*(feature.words for feature in features), *(twice.words if twice is not None else ()))
    return Readings(rows, values, sources, group, words)


def fitted(readings: Readings) -> HeightFit | None:
    """Least squares with all covariances; places that do not belong to the others are left out, a few at most."""
    best = solved(readings)
    if best is None:
        return None
    left_out: list[int] = []
    while not best.hangs_together and len(left_out) < MOST_LEFT_OUT:
        rest = [int(k) for k in np.unique(readings.group) if k not in left_out]
        tried = [(one, solved(readings.without([*left_out, one]))) for one in rest]
        able = [(one, fit) for one, fit in tried if fit is not None and fit.spare >= LEAST_SPARE]
        if not able:
            break
        one, found = min(able, key=lambda pair: pair[1].misfit / pair[1].spare)
        left_out.append(one)
        best = replace(found, left_out=tuple(left_out))
    return best


def solved(readings: Readings) -> HeightFit | None:
    used = np.flatnonzero(np.abs(readings.rows).max(axis=0, initial=0.0) > 0)
    heights = np.flatnonzero(used >= 6)
    if len(heights) < 3:
        return None
    reach = float(np.abs(readings.rows[:, [2, 5, 7, 8]]).max(initial=1.0))
    scale = np.array([1.0, 1.0, reach, 1.0, 1.0, reach, 1.0, reach, reach])[used]
    rows = readings.rows[:, used] / scale
    spread = sum(readings.sources.values(), np.zeros((len(rows), len(rows))))
    weighted = np.linalg.solve(spread, np.column_stack([rows, readings.values]))  # an inverse takes thrice the time
    of_rows, of_values = weighted[:, :-1], weighted[:, -1]
    weak = np.zeros(len(used))
    weak[heights] = WEAK_MM**-2
    normal = rows.T @ of_rows + np.diag(weak)
    if np.linalg.cond(normal) > 1e12:
        return None
    gain = np.linalg.solve(normal, of_rows.T)
    scaled = gain @ readings.values
    rest = readings.values - rows @ scaled
    terms, to_terms = (scaled / scale)[heights], (gain / scale[:, None])[heights]
    sources = {source: to_terms @ part @ to_terms.T for source, part in readings.sources.items()}
    unseen = np.linalg.inv(normal)[np.ix_(heights, heights)] / np.outer(scale[heights], scale[heights])
    told = sum(sources.values(), np.zeros((3, 3)))
    sources["what is not seen"] = unseen - told  # of the weak belief from before looking: next to nothing if seen well
    every = np.zeros(9)
    every[used] = scaled / scale
    misfit, spare = float(rest @ (of_values - of_rows @ scaled)), len(readings.values) - len(used)
    return HeightFit(terms, sources, misfit, spare, all_terms=every)
