"""How high the shell sits: six freedoms of its seating from what it carries, pips, cut-outs, and what two cameras see.

A place that lies higher looks larger. The rim alone cannot tell that from an even over-trim; pips and cut-outs can,
because they lie where the drawing puts them: what they read off their places is explained by a shift and turn of the
shell (dx, dy, rotation), a shift and turn of the cut-outs as the cutter made them, and the height (lift and two
tilts). Warmth looks like a lift too, 8 degC of ABS like half a millimetre, and two cameras tell the two apart: their
lines of sight meet where the place is, whatever size the shell has. The fit itself: height_fit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import budget
from edgeinspect.measure.height_fit import (
    LEAST_SPARE,
    HeightFit,
    Readings,
    beyond_chance,
    features_of,
    fitted,
    readings_of,
)
from edgeinspect.measure.measurement import PairHeight, Quantity, ShellHeight, Stop
from edgeinspect.measure.pips import PipFound
from edgeinspect.measure.ribbon import Stations
from edgeinspect.measure.setup import TEMPERATURE, Setup, Sight, quantity
from edgeinspect.measure.temperature import Temperature, minutes_to_cool
from edgeinspect.measure.trim import CutOutFound
from edgeinspect.measure.two_views import (
    LEAST_SENSITIVITY,
    RIM_WORDS,
    TOGETHER_MM,
    HeightAt,
    Overlap,
    heights_seen,
    joined,
    views_of,
)

GREATEST_U_MM = 0.5  # a height less sure than this at the worst place of the rim tells nothing
BEYOND = 1.65  # standard uncertainties that a height must lie beyond its limit to be called so: ISO 14253-1
# By chance: a seat that what is read contradicts so much is no longer trusted as far as it claims; and one that is
# contradicted so much is not where it was. At 0.1 % two in a thousand good shells were measured at a tilt they had not.
UNLIKELY, PROVEN = 0.01, 1e-4
BETTER = 0.5  # a height this much surer than the seat's claim is used even where both agree
AS_HELD = "as high as the fixture holds it"
WARM_K = 15.0  # no shell on the line is this much warmer than its range: judgement, no source
EVEN_SHARE = 0.5  # a lift that differs less than this over the rim is "all round"


@dataclass(frozen=True)
class Stray:
    """A place on the sheet that reads off by more than chance, as if it lay higher than the drawing has it."""

    words: str
    at_mm: Array  # (3,) fixture frame
    height_mm: float


@dataclass(frozen=True)
class Heights:
    """What was found of the height: the record, and the set-up at that height where it is to be used."""

    record: ShellHeight
    setup: Setup | None = None  # None: the height stays the seat's
    strays: tuple[Stray, ...] = ()  # formed places that do not belong to the others; all of them, if none does
    stop: Stop | None = None  # it is lifted further than the seat allows, or it cannot be told whether it is


def find_height(
    sight: Sight,
    temperature: Temperature,
    pips: Sequence[PipFound],
    cutouts: Sequence[CutOutFound],
    rim: Stations,
) -> Heights:
    """Decide on the shell's height.

    Parameters: pips, cutouts - as found with the set-up's height; rim - its stations where it was cut, fixture frame.
    """
    seen_twice, pairs = _pairs(sight, rim, cutouts)
    readings = readings_of(sight, pips, cutouts, seen_twice)
    fit = fitted(readings)
    decided = _decided(sight, temperature, readings, fit, pairs)
    return decided if fit is None else replace(decided, strays=tuple(_strays(sight, readings, fit, pips, cutouts)))


def _strays(
    sight: Sight, readings: Readings, fit: HeightFit, pips: Sequence[PipFound], cutouts: Sequence[CutOutFound]
) -> Iterator[Stray]:
    """What the sheet would have to be off by, at the pips that do not belong to the other places; a cut-out beside its
    place is the cutter's doing. Where nothing hangs together every pip and cut-out has its say.
    """
    if fit.spare < LEAST_SPARE:
        return
    rest = readings.values - readings.rows @ fit.all_terms
    spread = sum(readings.sources.values(), np.zeros((len(rest), len(rest))))
    for k, feature in enumerate(features_of(sight, pips, cutouts)):
        if fit.hangs_together and (feature.cut or k not in fit.left_out):
            continue
        own = slice(2 * k, 2 * k + 2)
        lean = readings.rows[own, 6]
        square = float(lean @ lean)
        if square < LEAST_SENSITIVITY**2:
            continue
        height = float(lean @ rest[own]) / square
        if height**2 > 9.0 * float(lean @ spread[own, own] @ lean) / square**2:
            yield Stray(feature.words, feature.at_mm, height)


def _decided(
    sight: Sight, temperature: Temperature, readings: Readings, fit: HeightFit | None, pairs: tuple[PairHeight, ...]
) -> Heights:
    setup = sight.setup
    unknown = ShellHeight(False, "", costs_mm=setup.height_costs_mm, pairs=pairs)
    if fit is None or fit.spare < LEAST_SPARE:
        reason = "the rim alone does not say, an even over-trim looks like a lift"
        if readings.words:
            reason = f"told by {', '.join(_seen_by(readings, ()))} only, one out of place would look like a lift"
        return Heights(replace(unknown, words=f"cannot tell: {reason}"))
    unknown = replace(unknown, seen_by=_seen_by(readings, fit.left_out))
    if not fit.hangs_together:
        reason = "pips, cut-outs and cameras do not agree: warped, or one of them is out of place"
        return Heights(replace(unknown, words=f"cannot tell: {reason}"))
    over = setup.rim_rise
    terms, covariance, seat = fit.terms + setup.lifted, fit.covariance, np.diag(setup.u_seat**2)
    heights, u_heights = over @ terms, _u_at(over, covariance)
    u_worst = float(u_heights.max())
    record = replace(
        unknown,
        told=True,
        words=AS_HELD,
        lift=_told(fit, terms, 0),
        tilt_x=_told(fit, terms, 1),
        tilt_y=_told(fit, terms, 2),
        highest_mm=float(heights.max()),
        u_worst_mm=u_worst,
        moved=beyond_chance(terms, covariance + seat, PROVEN),
    )
    if not temperature.stated:
        by_warmth = fit.sources[TEMPERATURE]
        faked_mm = float(np.sqrt(by_warmth[0, 0])) / sight.u_growth * setup.definition.material.expansion_per_k * WARM_K
        tilted = beyond_chance(terms[1:], (covariance + seat)[1:, 1:])
        if beyond_chance(terms, covariance - by_warmth + seat) and not tilted and abs(terms[0]) < faked_mm:
            stop = _lifted_or_warm(sight, terms)
            record = replace(record, told=False, words=f"cannot tell: {stop.reason}")
            return Heights(record, stop=stop if record.moved else None)
    if u_worst > GREATEST_U_MM:
        words = f"cannot tell: not known better than {2 * u_worst:.1f} mm (k = 2)"
        return Heights(replace(record, told=False, words=words))
    if record.moved:
        record = replace(record, words=height_words(heights, _plan(over), setup.seating.pose))
        # Half seated is a matter of the limit, not of chance: what is not surely beyond it is measured where it lies.
        if float((np.abs(heights) - BEYOND * u_heights).max()) > setup.seating.limit_height_mm:
            half = Stop("seating", f"{record.words}: half seated", "clean the nests, reseat and look again")
            return Heights(record, stop=half)
    elif u_worst > BETTER * float(_u_at(over, seat).max()):
        if not beyond_chance(terms, covariance + seat, UNLIKELY):
            return Heights(record)
        # Neither proven nor likely to be as the seat claims: it lies as the one says or as the other, each half of what
        # is between them away, which is the standard deviation of two values as likely as each other.
        words = f"{height_words(heights, _plan(over), setup.seating.pose)}, not surely: measured half way"
        record = replace(record, words=words)
        terms, covariance = 0.5 * terms, seat + np.outer(terms, terms) / 4.0
    setup = setup.at_height(terms, covariance)
    return Heights(replace(record, used=True, costs_mm=setup.height_costs_mm), setup)


def _plan(over: Array) -> Array:
    """(N, 2) where the places of ``over`` (N, 3) of budget.rise_rows lie, fixture axes from the seat's origin."""
    return np.column_stack([-over[:, 2], over[:, 1]])


def _seen_by(readings: Readings, left_out: Sequence[int]) -> tuple[str, ...]:
    words = [word for k, word in enumerate(readings.words) if k not in left_out]
    rim = "the rim, by two cameras"
    return tuple(dict.fromkeys(rim if word.startswith(RIM_WORDS) else word for word in words))


def _u_at(over: Array, covariance: Array) -> Array:
    """(N,) standard uncertainties of the height at places, ``over`` (N, 3) of budget.rise_rows."""
    return np.asarray(np.sqrt(np.einsum("ni,ij,nj->n", over, covariance, over)))


def _told(fit: HeightFit, terms: Array, k: int) -> Quantity:
    unit = 1.0 if k == 0 else float(np.rad2deg(1.0))
    shares = {source: unit * float(np.sqrt(max(0.0, part[k, k]))) for source, part in fit.sources.items()}
    return quantity(unit * float(terms[k]), shares)


def _lifted_or_warm(sight: Sight, terms: Array) -> Stop:
    """An even lift in both its readings."""
    setup = sight.setup
    away = setup.calibrations[0].fixture_pose.inverse().translation_mm[2] - setup.seating.pose.translation_mm[2]
    warm = float(terms[0] / away) / setup.definition.material.expansion_per_k
    reseat = "measure the shell's temperature and state it; if it is as assumed, reseat and look again"
    if warm < 0:
        return Stop("seating", f"{-terms[0]:.1f} mm too low or {-warm:.0f} °C colder than assumed, cannot tell", reseat)
    wait = minutes_to_cool(setup.definition.sheet_mm, warm)
    reason = f"{terms[0]:.1f} mm lifted or {warm:.0f} °C warmer than assumed, cannot tell"
    return Stop("seating", reason, f"wait {wait} min or measure its temperature and state it; reseat and look again")


def height_words(heights_mm: Array, plan_mm: Array, seat: Pose) -> str:
    """Which side of the shell lies how much too high or too low.

    Parameters: heights (N,) at the rim's places (N, 2), fixture axes from the seat's origin.
    """
    high, low = float(heights_mm.max()), float(heights_mm.min())
    worst, way = (high, "lifted") if high >= -low else (-low, "too low")
    if high - low < EVEN_SHARE * worst:
        return f"the shell is {way} by about {worst:.1f} mm all round"
    place = plan_mm[int(np.argmax(heights_mm) if way == "lifted" else np.argmin(heights_mm))]
    x, y = seat.inverse().turn(np.append(place, 0.0)[None])[0][:2] / np.abs(plan_mm).max(axis=0)
    along, across = ("rear" if y > 0 else "front"), ("right" if x > 0 else "left")
    rise = np.linalg.lstsq(np.column_stack([np.ones(len(plan_mm)), plan_mm]), heights_mm, rcond=None)[0][1:]
    lean = np.abs(seat.inverse().turn(np.append(rise, 0.0)[None])[0][:2]) * np.abs(plan_mm).max(axis=0)
    side = f"{along} {across} corner"
    if lean[1] > 2.0 * lean[0]:
        side = along
    elif lean[0] > 2.0 * lean[1]:
        side = f"{across} end"
    return f"{side} {way} by about {worst:.1f} mm"


def _pairs(
    sight: Sight, rim: Stations, cutouts: Sequence[CutOutFound]
) -> tuple[HeightAt | None, tuple[PairHeight, ...]]:
    """What every two cameras see of the same rim and cut-outs, all places and pooled."""
    places, pairs = list[HeightAt](), list[PairHeight]()
    setup, sheet = sight.setup, sight.definition.sheet_mm
    holes, fits = [(found.cutout, found.stations) for found in cutouts], [found.fit for found in cutouts]
    views = views_of(setup.overlaps, sight.shots, rim, holes, fits, setup.cutout_camera, sheet)
    for overlap in setup.overlaps:
        one, other = views.get(overlap.one), views.get(overlap.other)
        if one is None or other is None:
            continue
        seen = heights_seen(overlap, one, other, rim, holes)
        places.append(seen)
        pairs.append(_pooled(setup, overlap, (one.shot.camera, other.shot.camera), seen, cutouts))
    return (joined(places) if places else None), tuple(pairs)


def _pooled(
    setup: Setup, overlap: Overlap, cameras: tuple[str, str], seen: HeightAt, cutouts: Sequence[CutOutFound]
) -> PairHeight:
    """One height above the seat of all that both cameras see, each place with the weight of its own uncertainty."""
    names = tuple(found.cutout.name for found in cutouts)
    holes = tuple(word for word in seen.words if word in names)
    refused = overlap.refused_mm
    if not seen.words:
        why = "both do not see the same edge well enough"
        if refused and not (len(overlap.stations) or overlap.cutouts):
            why = f"the edge runs along the line between them (less than {LEAST_SENSITIVITY:g} mm per mm of height)"
        return PairHeight(*cameras, None, 0.0, (), refused, f"no height: {why}")
    weight = 1.0 / (seen.noise_mm**2 + seen.light_mm**2)
    weight /= weight.sum()
    shares = {
        "picture noise": float(np.linalg.norm(weight * seen.noise_mm)),
        "light and edge shape": float(np.linalg.norm(weight * seen.light_mm)),
        "calibration and marks": float(np.linalg.norm(seen.errors_mm @ weight)),
    }
    so_far = budget.rise_rows(seen.points_mm, setup.seating.pose.translation_mm) @ setup.lifted
    lift = quantity(float(weight @ (seen.height_mm + so_far)), shares)
    return PairHeight(*cameras, lift, TOGETHER_MM * (len(seen.words) - len(holes)), holes, refused)
