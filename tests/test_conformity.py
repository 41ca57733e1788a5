"""Judging: the decision rule, what every reason says, and that nothing missing is ever green.

SOURCE of the rule: ISO 14253-1, decision rules for proving conformity or nonconformity (from memory): accept only
inside the limits by the guard band g, reject only outside by it, between them neither is proven; g = 1.65 u for 95 %.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from edgeinspect.conformity import SEVERITY, Answer, Finding, Verdict, decide, judge
from edgeinspect.geometry import PlaneShift
from edgeinspect.measure.measurement import (
    Alignment,
    CutOutResult,
    DecalResult,
    Quantity,
    ShellMeasurement,
    Stop,
    ZoneResult,
)
from edgeinspect.shell.definition import (
    Arris,
    Artwork,
    Check,
    Curve,
    CutOut,
    DatumScheme,
    Decal,
    Frame,
    Limits,
    Material,
    Patch,
    PathLimits,
    ShellDefinition,
    Zone,
)

BOTH = frozenset({Check.TRIM, Check.DECAL})
NAN = float("nan")


def square(name: str, half: float, at: tuple[float, float] = (0.0, 0.0), *, is_hole: bool = False) -> Curve:
    corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]]) + at
    return Curve(name, np.column_stack([corners, np.zeros(4)]), np.zeros(4), is_hole)


def definition() -> ShellDefinition:
    """A plate 100 x 100 mm: two zones, a hole, a slot, a decal."""
    limits = Limits(-0.25, 0.25)
    hole = CutOut(
        "lock",
        "lock hole",
        "hole",
        square("lock", 6, (10, 0), is_hole=True),
        np.array([10.0, 0]),
        (12.0,),
        0,
        0.4,
        limits,
    )
    slot = CutOut(
        "hinge", "hinge slot", "slot", square("hinge", 4, is_hole=True), np.zeros(2), (30.0, 8.0), 0.0, 0.4, limits
    )
    artwork = Artwork(np.full((4, 8), 0.5), np.ones((4, 8)), 40.0, 20.0)
    patch = Patch(np.array([0.0, 20.0, 0.0]), np.array([1.0, 0, 0]), np.array([0.0, 0, 1]))
    return ShellDefinition(
        name="plate",
        title="Plate",
        revision="A",
        hand="none",
        colour="orange",
        material=Material("ABS", 80e-6, 15e-6),
        sheet_mm=3.0,
        arris=Arris.SHOW,
        checks=BOTH,
        datum=DatumScheme.PIPS,
        rim=square("rim", 50),
        zones=(
            Zone("front", "front edge", 0.0, 200.0, Limits(-0.5, 0.5)),
            Zone("rear", "rear edge", 200.0, 400.0, Limits(-0.3, 0.6, guard_factor=2.0)),
        ),
        path=PathLimits(0.4, 0.15),
        cutouts=(hole, slot),
        decals=(Decal("badge", "badge", "standard", patch, artwork, 1.0, 0.8),),
        sha256="ab" * 32,
    )


def zone(name: str, most: float, least: float, u: float = 0.02) -> ZoneResult:
    return ZoneResult(name, Frame.DATUM, Quantity(most, u), 120.0, Quantity(least, u), 30.0, 200.0, 200.0)


def measurement(**changes: Any) -> ShellMeasurement:
    """Everything in the middle of its limits."""
    q = Quantity
    good = ShellMeasurement(
        shell="plate",
        revision="A",
        definition_sha256="ab" * 32,
        variant="standard",
        checks=BOTH,
        temperature_c=22.0,
        temperature_stated=True,
        u_temperature_c=0.5,
        views=(),
        cut=Alignment("cut - fixture", PlaneShift(0.05, -0.03, 0.01), 0.01, 0.01, 0.005, 0.02),
        zones=(zone("front", 0.1, -0.1), zone("rear", 0.1, -0.1)),
        path_shift=q(0.058, 0.01),
        path_rotation=q(0.01, 0.005),
        cutouts=(
            CutOutResult("lock", True, q(0.05, 0.01), q(-0.02, 0.01), (q(12.03, 0.02),), 1.0),
            CutOutResult("hinge", True, q(0.0, 0.01), q(0.0, 0.01), (q(30.0, 0.02), q(8.02, 0.02)), 1.0),
        ),
        decals=(DecalResult("badge", True, q(0.2, 0.02), q(-0.1, 0.02), q(0.1, 0.02), 0.98),),
    )
    return replace(good, **changes)


def judged(**changes: Any) -> Verdict:
    return judge(measurement(**changes), definition())


# ------------------------------------------------------------------------------------------------ the rule


@pytest.mark.parametrize(
    ("value", "answer"),
    [
        (0.0, Answer.CONFORMING),
        (0.4669, Answer.CONFORMING),  # 0.5 - 1.65 x 0.02 = 0.467
        (0.4671, Answer.NOT_PROVEN),
        (0.5, Answer.NOT_PROVEN),
        (0.5329, Answer.NOT_PROVEN),
        (0.5331, Answer.NONCONFORMING),
        (-0.3669, Answer.CONFORMING),
        (-0.3671, Answer.NOT_PROVEN),
        (-0.4329, Answer.NOT_PROVEN),
        (-0.4331, Answer.NONCONFORMING),
        (1e9, Answer.NONCONFORMING),
    ],
)
def test_guard_band_on_both_sides(value: float, answer: Answer) -> None:
    """SOURCE: ISO 14253-1; limits -0.4 to 0.5, u = 0.02, g = 0.033. Values beside each boundary by hand."""
    assert decide(value, 0.02, -0.4, 0.5, 1.65 * 0.02) is answer


def test_the_boundaries_themselves() -> None:
    """On L - g it is still proven good; on L + g nothing is proven yet. Binary fractions, so that they are exact."""
    assert decide(0.375, 0.1, None, 0.5, 0.125) is Answer.CONFORMING
    assert decide(0.625, 0.1, None, 0.5, 0.125) is Answer.NOT_PROVEN
    assert decide(-0.375, 0.1, -0.5, None, 0.125) is Answer.CONFORMING
    assert decide(-0.625, 0.1, -0.5, None, 0.125) is Answer.NOT_PROVEN
    assert decide(np.nextafter(0.625, 1), 0.1, None, 0.5, 0.125) is Answer.NONCONFORMING
    assert decide(np.nextafter(0.375, 1), 0.1, None, 0.5, 0.125) is Answer.NOT_PROVEN


def test_an_uncertainty_larger_than_the_limits_proves_nothing() -> None:
    assert decide(0.0, 0.4, -0.5, 0.5, 1.65 * 0.4) is Answer.NOT_PROVEN


@pytest.mark.parametrize("bad", [NAN, float("inf"), float("-inf")])
def test_what_is_not_a_number_is_no_result(bad: float) -> None:
    assert decide(bad, 0.02, -0.5, 0.5, 0.03) is Answer.NO_RESULT
    assert decide(0.0, bad, -0.5, 0.5, 0.03) is Answer.NO_RESULT
    assert decide(0.0, 0.02, -0.5, 0.5, bad) is Answer.NO_RESULT
    assert decide(0.0, 0.02, None, None, 0.03) is Answer.NO_RESULT


def test_a_u_below_zero_proves_nothing() -> None:
    for value in (0.0, 9.0, -9.0):
        assert decide(value, -0.01, -0.5, 0.5, -0.0165) is Answer.NO_RESULT
    assert decide(0.0, 0.01, NAN, 0.5, 0.0165) is not Answer.CONFORMING


@settings(max_examples=300, deadline=None)
@given(
    st.floats(-2, 2), st.floats(1e-4, 0.5), st.floats(-1, -0.05), st.floats(0.05, 1), st.floats(0, 4), st.floats(0, 0.5)
)
def test_more_doubt_never_makes_it_surer(
    value: float, u: float, lower: float, upper: float, factor: float, more: float
) -> None:
    sure, doubtful = (
        decide(value, u, lower, upper, factor * u),
        decide(value, u + more, lower, upper, factor * (u + more)),
    )
    assert doubtful in (sure, Answer.NOT_PROVEN)
    mirrored = decide(-value, u, -upper, -lower, factor * u)
    assert mirrored is sure


def conformance(y: float, u: float, lower: float = -np.inf, upper: float = np.inf) -> float:
    return float(norm.cdf((upper - y) / u) - norm.cdf((lower - y) / u))


def test_what_165_u_means() -> None:
    """SOURCE: JCGM 106:2012, clause 7: probability of conformance of three examples (inputs from memory), and at the
    guard band's edge 95 % (ISO 14253-1: default). The same formula, so that the factor's meaning is checked.
    """
    assert conformance(-5.47, 0.05, upper=-5.40) == pytest.approx(0.9192, abs=1e-4)
    assert conformance(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.6626, abs=1e-4)
    assert conformance(509.7, 8.6, lower=490.0) == pytest.approx(0.9890, abs=1e-4)
    default = Limits(-0.5, 0.5).guard_factor
    assert conformance(0.5 - default * 0.02, 0.02, upper=0.5) == pytest.approx(0.95, abs=0.001)
    # Their answers at 1.65 u: 92 % and 66 % are not proven, 98.9 % is.
    assert decide(-5.47, 0.05, None, -5.40, 1.65 * 0.05) is Answer.NOT_PROVEN
    assert decide(13.6, 1.8, 12.5, 16.3, 1.65 * 1.8) is Answer.NOT_PROVEN
    assert decide(509.7, 8.6, 490.0, None, 1.65 * 8.6) is Answer.CONFORMING


@settings(max_examples=200, deadline=None)
@given(st.floats(-1.5, 1.5), st.floats(0.001, 0.1))
def test_green_is_at_least_95_percent_sure(value: float, u: float) -> None:
    """SOURCE: JCGM 106, 7: with one limit near, green means conformance >= 95 %, red <= 5 %."""
    answer, sure = decide(value, u, -0.5, 0.5, 1.65 * u), conformance(value, u, -0.5, 0.5)
    assert answer is not Answer.CONFORMING or sure >= 0.95 - 0.0006
    assert answer is not Answer.NONCONFORMING or sure <= 0.05 + 0.0006


def test_profile_any_line() -> None:
    """SOURCE: ISO 1101:2017 and ISO 1660:2017 (worked example of this project): deviations up to 0.31 out of material
    and 0.18 into it read 2 max|d| = 0.62; UZ +0.1 gives 0.56, UZ -0.1 gives 0.82. As limits of one zone: a profile
    tolerance t about a centre line moved by UZ is UZ - t/2 to UZ + t/2, and conforms down to exactly these values.
    """
    d = [0.12, 0.31, 0.05, 0.2, -0.18, -0.10]
    for uz, value in [(0.0, 0.62), (0.1, 0.56), (-0.1, 0.82)]:
        for tolerance, fits in [(value + 1e-9, True), (value - 1e-3, False)]:
            answers = {decide(x, 0.0, uz - tolerance / 2, uz + tolerance / 2, 0.0) for x in d}
            assert (answers == {Answer.CONFORMING}) is fits


# ------------------------------------------------------------------------------------------------ all four answers


def test_conforming() -> None:
    verdict = judged()
    assert verdict.answer is Answer.CONFORMING
    assert verdict.action == "rack it"
    assert len(verdict.findings) == 2 + 2 + 2 + 3 + 3
    assert all(f.answer is Answer.CONFORMING for f in verdict.findings)
    assert verdict.sentence.startswith("All 12 characteristics are within their limits; closest: ")
    assert "1.65, 2 x u" in verdict.rule
    assert verdict.limits_sha256 == "ab" * 32


def found(verdict: Verdict, characteristic: str) -> Finding:
    return next(f for f in verdict.findings if f.characteristic == characteristic)


def test_too_much_material() -> None:
    verdict = judged(zones=(zone("front", 0.75, -0.1), zone("rear", 0.1, -0.1)))
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.sentence == "Front edge: 0.75 mm too much material (limit +0.50 mm)"
    assert verdict.action == "blow off and look again; still bad: set aside"
    worst = verdict.worst
    assert worst is not None
    assert (worst.characteristic, worst.value, worst.u, worst.lower, worst.upper) == (
        "zone front",
        0.75,
        0.02,
        -0.5,
        0.5,
    )
    assert worst.guard == pytest.approx(0.033)
    assert worst.at_arc_mm == 120.0
    assert worst.at_shell_mm is not None
    assert worst.frame == "from the shell's datums"


def test_cut_too_deep() -> None:
    verdict = judged(zones=(zone("front", 0.1, -0.1), zone("rear", 0.1, -0.42)))
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.sentence == "Rear edge: 0.42 mm cut too deep (limit -0.30 mm)"
    assert "set aside" in verdict.action
    assert "blow off" not in verdict.action


@pytest.mark.parametrize(
    ("rear", "answer"),
    [(0.55, Answer.CONFORMING), (0.57, Answer.NOT_PROVEN), (0.63, Answer.NOT_PROVEN), (0.65, Answer.NONCONFORMING)],
)
def test_the_zone_says_its_own_guard(rear: float, answer: Answer) -> None:
    """The rear edge has a factor of 2: g = 0.04 about 0.6."""
    verdict = judged(zones=(zone("front", 0.1, -0.1), zone("rear", rear, -0.1)))
    assert verdict.answer is answer
    assert found(verdict, "zone rear").guard == pytest.approx(0.04)


def test_too_close_to_call() -> None:
    verdict = judged(zones=(zone("front", 0.5, -0.1), zone("rear", 0.1, -0.1)))
    assert verdict.answer is Answer.NOT_PROVEN
    assert verdict.action == "too close to call: set aside"
    assert verdict.sentence == "Front edge: 0.50 mm too much material (limit +0.50 mm)"


def test_both_sides_of_a_zone_are_judged() -> None:
    """The larger number is not always the worse: 0.45 of 0.6 is good, -0.42 of -0.3 is bad."""
    verdict = judged(zones=(zone("front", 0.1, -0.1), zone("rear", 0.45, -0.42)))
    assert verdict.answer is Answer.NONCONFORMING
    assert "cut too deep" in verdict.sentence


@pytest.mark.parametrize("stage", ["picture", "light", "marks", "camera", "place", "seating", "datum"])
def test_a_stop_of_the_whole_shell(stage: str) -> None:
    nothing = {"cut": None, "zones": (), "path_shift": None, "path_rotation": None, "cutouts": (), "decals": ()}
    verdict = judged(**nothing, stops=(Stop(stage, "camera top has moved 0.31 mm", "call the process engineer"),))
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence == "Camera top has moved 0.31 mm"
    assert verdict.action == "call the process engineer"
    assert all(f.answer is Answer.NO_RESULT and f.value is None for f in verdict.findings)


def test_a_stop_beside_good_numbers_is_not_green() -> None:
    assert judged(stops=(Stop("gauge", "the gauge reads wrong", "call"),)).answer is Answer.NO_RESULT
    assert judged(stops=(Stop("decal", "glare", "look again", Check.DECAL),)).answer is Answer.NO_RESULT


def test_a_stop_of_the_decal_does_not_hide_a_red_trim() -> None:
    stop = Stop("decal", "no decal of variant 'x'", "choose the decal variant", Check.DECAL)
    verdict = judged(zones=(zone("front", 0.75, -0.1), zone("rear", 0.1, -0.1)), decals=(), stops=(stop,))
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.sentence.startswith("Front edge: 0.75 mm")
    assert found(verdict, "decal badge").answer is Answer.NO_RESULT
    assert found(verdict, "decal badge").action == "choose the decal variant"
    assert found(verdict, "zone rear").answer is Answer.CONFORMING


def test_bad_beats_unseen_beats_close() -> None:
    bad, close, good = zone("front", 0.9, 0.0), zone("front", 0.5, 0.0), zone("front", 0.1, 0.0)
    unseen = replace(zone("rear", 0.1, 0.0), seen_mm=100.0)
    rear = zone("rear", 0.1, 0.0)
    assert judged(zones=(bad, unseen)).answer is Answer.NONCONFORMING
    assert judged(zones=(close, unseen)).answer is Answer.NO_RESULT
    assert judged(zones=(close, rear)).answer is Answer.NOT_PROVEN
    assert judged(zones=(good, rear)).answer is Answer.CONFORMING
    order = sorted(SEVERITY, key=SEVERITY.__getitem__)
    assert order == [Answer.CONFORMING, Answer.NOT_PROVEN, Answer.NO_RESULT, Answer.NONCONFORMING]


def test_the_worst_of_the_worst_comes_first() -> None:
    verdict = judged(
        zones=(zone("front", 0.75, 0.0), zone("rear", 1.3, 0.0)),
        cutouts=(measurement().cutouts[0], replace(measurement().cutouts[1], there=False)),
    )
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.worst is not None
    assert verdict.worst.characteristic == "zone rear"
    assert [SEVERITY[f.answer] for f in verdict.findings] == sorted(SEVERITY[f.answer] for f in verdict.findings)[::-1]


def test_part_of_a_zone_was_not_seen() -> None:
    verdict = judged(zones=(replace(zone("front", 0.1, 0.0), seen_mm=188.0), zone("rear", 0.1, 0.0)))
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence == "Front edge: 12 mm of 200 mm of the edge not seen"
    assert verdict.action == "blow off, look again"
    # What was seen of it is bad: that is enough to be bad.
    verdict = judged(zones=(replace(zone("front", 0.9, 0.0), seen_mm=100.0), zone("rear", 0.1, 0.0)))
    assert verdict.answer is Answer.NONCONFORMING


# ------------------------------------------------------------------------------------------------ each characteristic


def test_the_path() -> None:
    cut = Alignment("cut - fixture", PlaneShift(0.62, -0.35, 0.05), 0.01, 0.01, 0.005, 0.02)
    verdict = judged(cut=cut, path_shift=Quantity(float(np.hypot(0.62, 0.35)), 0.01))
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.sentence == "The whole cut is off in the fixture by 0.62 mm right and 0.35 mm down (limit 0.40 mm)"
    assert "call the process engineer" in verdict.action
    assert found(verdict, "path shift").frame == "from the fixture"
    for turn, words in [(0.3, "counter-clockwise"), (-0.3, "clockwise")]:
        verdict = judged(path_rotation=Quantity(turn, 0.005))
        assert verdict.answer is Answer.NONCONFORMING
        assert verdict.sentence == f"The whole cut is turned 0.30° {words} in the fixture (limit 0.15°)"


def test_a_hole_that_is_not_there() -> None:
    missing = CutOutResult("lock", False, seen_share=0.1)
    verdict = judged(cutouts=(missing, measurement().cutouts[1]))
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.sentence == "Lock hole: not there"
    assert "check the trim program" in verdict.action
    assert verdict.worst is not None
    assert verdict.worst.at_shell_mm == (10.0, 0.0)


def test_a_hole_that_could_not_be_seen() -> None:
    verdict = judged(cutouts=(CutOutResult("lock", None), measurement().cutouts[1]))
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence == "Lock hole: its edge was not seen well enough"


def hole(dx: float, dy: float, diameter: float, u: float = 0.01) -> CutOutResult:
    return CutOutResult("lock", True, Quantity(dx, u), Quantity(dy, u), (Quantity(diameter, u),), 1.0)


@pytest.mark.parametrize(
    ("result", "sentence", "action"),
    [
        (hole(0.3, -0.4, 12.0), "Lock hole: 0.50 mm off its place (limit 0.40 mm)", "check the trim program"),
        (hole(0, 0, 12.4), "Lock hole: diameter 12.40 mm, 0.40 mm too large (limits -0.25 +0.25 mm)", "set aside"),
        (hole(0, 0, 11.6), "Lock hole: diameter 11.60 mm, 0.40 mm too small (limits -0.25 +0.25 mm)", "check the bit"),
    ],
)
def test_a_hole_that_is_off(result: CutOutResult, sentence: str, action: str) -> None:
    verdict = judged(cutouts=(result, measurement().cutouts[1]))
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.sentence == sentence
    assert action in verdict.action


def test_u_of_a_distance() -> None:
    """SOURCE: JCGM 100:2008, 5.1.2: u² of hypot(x, y) = (x ux)² + (y uy)² over the square of it; 3-4-5 by hand."""
    q = CutOutResult("lock", True, Quantity(0.3, 0.01), Quantity(0.4, 0.03), (Quantity(12.0, 0.01),), 1.0)
    position = found(judged(cutouts=(q, measurement().cutouts[1])), "cut-out lock position")
    assert position.value == pytest.approx(0.5)
    assert position.u == pytest.approx(np.sqrt((0.6 * 0.01) ** 2 + (0.8 * 0.03) ** 2))
    # On the spot there is no direction: the larger of the two.
    q = replace(q, dx=Quantity(0.0, 0.01), dy=Quantity(0.0, 0.03))
    assert found(judged(cutouts=(q, measurement().cutouts[1])), "cut-out lock position").u == pytest.approx(0.03)


def test_a_slot_has_a_length_and_a_width() -> None:
    slot = replace(measurement().cutouts[1], sizes=(Quantity(30.0, 0.01), Quantity(8.5, 0.01)))
    verdict = judged(cutouts=(measurement().cutouts[0], slot))
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.sentence == "Hinge slot: width 8.50 mm, 0.50 mm too large (limits -0.25 +0.25 mm)"
    assert found(verdict, "cut-out hinge length").answer is Answer.CONFORMING


def decal(dx: float, dy: float, turn: float) -> DecalResult:
    return DecalResult("badge", True, Quantity(dx, 0.02), Quantity(dy, 0.02), Quantity(turn, 0.02), 0.98)


@pytest.mark.parametrize(
    ("result", "sentence"),
    [
        (
            decal(0.1, 1.6, 0.2),
            "Badge: lies 0.10 mm to the right, 1.60 mm above its place, turned 0.20° counter-clockwise "
            "(limit up and down ±1.00 mm)",
        ),
        (
            decal(-1.5, -0.1, 0.0),
            "Badge: lies 1.50 mm to the left, 0.10 mm below its place, turned 0.00° counter-clockwise "
            "(limit sideways ±1.00 mm)",
        ),
        (
            decal(0.0, 0.0, -1.3),
            "Badge: lies 0.00 mm to the right, 0.00 mm above its place, turned 1.30° clockwise "
            "(limit of rotation ±0.80°)",
        ),
    ],
)
def test_a_decal_that_is_off(result: DecalResult, sentence: str) -> None:
    verdict = judged(decals=(result,))
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.sentence == sentence
    assert "lift and lay again" in verdict.action


def test_a_decal_that_is_not_there_or_not_readable() -> None:
    verdict = judged(decals=(DecalResult("badge", False),))
    assert (verdict.answer, verdict.sentence) == (Answer.NONCONFORMING, "Badge: not there")
    assert "lay the decal" in verdict.action
    verdict = judged(decals=(DecalResult("badge", None),))
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence.startswith("Badge: it could not be measured")


@pytest.mark.parametrize(("checks", "count"), [({Check.TRIM}, 9), ({Check.DECAL}, 3), (BOTH, 12)])
def test_only_what_is_asked_is_judged(checks: set[Check], count: int) -> None:
    verdict = judged(checks=frozenset(checks))
    assert verdict.answer is Answer.CONFORMING
    assert len(verdict.findings) == count


def test_nothing_asked_is_nothing_green() -> None:
    assert judged(checks=frozenset()).answer is Answer.NO_RESULT


def test_a_decal_of_another_variant_is_not_green() -> None:
    """A measurement of a variant that the definition (no longer) has: nothing of the decal is judged."""
    for decals in ((), measurement().decals):
        verdict = judged(variant="other", decals=decals)
        assert verdict.answer is Answer.NO_RESULT
        assert verdict.sentence == "Decal: the definition has none of variant 'other'"


def test_every_sentence_says_what_to_do() -> None:
    everything_wrong = measurement(
        zones=(zone("front", 0.9, 0.0), replace(zone("rear", 0.1, 0.0), seen_mm=10.0)),
        cutouts=(CutOutResult("lock", False), CutOutResult("hinge", None)),
        decals=(decal(1.5, 0.0, 0.0),),
        path_rotation=Quantity(0.15, 0.01),
    )
    for finding in judge(everything_wrong, definition()).findings:
        assert finding.sentence
        assert finding.sentence[0].isupper()
        assert finding.action
        assert finding.where


# ------------------------------------------------------------------------------------------------ never green by lack


def parts(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Paths to every number, record and list below a record that judging may look at."""
    if is_dataclass(value) and not isinstance(value, type):
        for item in fields(value):
            child = getattr(value, item.name)
            if item.name not in IRRELEVANT and child is not None:
                if item.name not in ("most", "least"):  # always there, by type
                    yield (*path, item.name)
                yield from parts(child, (*path, item.name))
    elif isinstance(value, tuple):
        for k, child in enumerate(value):
            yield (*path, k)
            yield from parts(child, (*path, k))


# What says where or how, not whether: names stay, places on the rim and counts of a cut-out's outline are not limits.
# No flaws, no faults of the decal and no earlier looks is what a good shell has: see test_conformity_flaws.py and
# measure/test_decal_faults.py.
IRRELEVANT = {
    "shell", "revision", "definition_sha256", "variant", "checks", "temperature_c", "temperature_stated",
    "u_temperature_c", "views", "stops", "traces", "ribbons", "seating", "best_fit", "profiles", "notes", "zone",
    "frame", "name", "there", "most_at_mm", "least_at_mm", "length_mm", "shares", "words", "u_dx_mm", "u_dy_mm",
    "u_rotation_deg", "rms_mm", "correlation", "outline_pixel", "nominal_pixel", "seen_share", "shift", "camera",
    "cameras", "seams", "found_variant", "upside_down", "mirrored", "flaws", "before",
    "cut_on_shell", "untold", "cut_faces", "warp_mm", "faults", "faults_sought", "hidden_share", "lies_at",
    "flaws_sought", "warm_k", "wait_min", "surface", "surface_doubt", "gap",
    "budgets", "bubbles_unjudged",
}  # fmt: skip


def changed(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    """The record with the part at ``path`` replaced; ``new`` None takes an entry out of a list."""
    if not path:
        return new
    head, rest = path[0], path[1:]
    if isinstance(value, tuple):
        if not rest and new is None:
            return value[:head] + value[head + 1 :]
        return (*value[:head], changed(value[head], rest, new), *value[head + 1 :])
    return replace(value, **{head: changed(getattr(value, head), rest, new)})


def at(value: Any, path: tuple[Any, ...]) -> Any:
    for step in path:
        value = value[step] if isinstance(value, tuple) else getattr(value, step)
    return value


PATHS = list(parts(measurement()))


@pytest.mark.parametrize("path", PATHS, ids=lambda path: ".".join(map(str, path)))
def test_nothing_that_is_missing_is_green(path: tuple[Any, ...]) -> None:
    """Every part of a good measurement taken out or made not-a-number, one after the other: never CONFORMING."""
    here = at(measurement(), path)
    if isinstance(here, float):
        spoilt: list[Any] = [NAN, float("inf")] + [float("-inf")] * (path[-1] == "value")
    else:
        spoilt = [()] if isinstance(here, tuple) else [None]
    for new in spoilt:
        verdict = judge(changed(measurement(), path, new), definition())
        assert verdict.answer is not Answer.CONFORMING, (path, new)
        if new is None or new == () or np.isnan(new):
            assert verdict.answer is Answer.NO_RESULT
        assert "nan" not in verdict.sentence.split()
        assert all(f.value is None or np.isfinite(f.value) for f in verdict.findings)


@pytest.mark.parametrize("part", ["cutouts", "decals"])
def test_what_may_not_be_there_is_not_green(part: str) -> None:
    first, *rest = getattr(measurement(), part)
    assert judged(**{part: (replace(first, there=None), *rest)}).answer is Answer.NO_RESULT
    assert judged(**{part: (replace(first, there=False), *rest)}).answer is Answer.NONCONFORMING


@pytest.mark.parametrize(("unjudged", "answer"), [(NAN, Answer.NO_RESULT), (0.5, Answer.NO_RESULT), (0.0, None)])
def test_bubbles_that_nobody_could_look_for_are_not_green(unjudged: float, answer: Answer | None) -> None:
    asked = replace(definition(), decals=tuple(replace(one, bubbles=True) for one in definition().decals))
    found = tuple(replace(one, bubbles_unjudged=unjudged) for one in measurement().decals)
    verdict = judge(replace(measurement(), decals=found), asked)
    assert verdict.answer is (answer or Answer.CONFORMING)
    assert "nan" not in verdict.sentence


@pytest.mark.parametrize(
    ("found", "words"),
    [
        ({"found_variant": "cargo"}, "found decal cargo, this order needs standard"),
        ({"found_variant": "cargo", "upside_down": True}, "found decal cargo, this order needs standard"),
        ({"found_variant": "standard", "upside_down": True}, "the decal is upside down"),
        ({"mirrored": True}, "the decal's print is mirrored"),
        ({"found_variant": "standard"}, ""),
    ],
)
def test_another_print_is_red_whatever_else_is_good(found: dict[str, Any], words: str) -> None:
    (decal,) = measurement().decals
    verdict = judged(decals=(replace(decal, **found),))
    assert verdict.answer is (Answer.NONCONFORMING if words else Answer.CONFORMING)
    if words:
        assert verdict.sentence.endswith(f": {words}")
        assert [f.characteristic for f in verdict.findings if f.characteristic.startswith("decal")] == [
            f"decal {decal.name} artwork"
        ]


def test_a_hole_that_has_become_a_slot_since() -> None:
    """Judging a stored measurement by a newer drawing: what it asks for was not measured."""
    slots = (replace(definition().cutouts[0], kind="slot", size_mm=(12.0, 10.0)), definition().cutouts[1])
    assert judge(measurement(), replace(definition(), cutouts=slots)).answer is Answer.NO_RESULT
    more = (*definition().zones, Zone("new", "new zone", 10.0, 20.0, Limits(-1, 1)))
    assert judge(measurement(), replace(definition(), zones=more)).answer is Answer.NO_RESULT


def test_the_paths_are_all_there() -> None:
    """2 zones x 5, path 2 x 2, cut alignment, 2 cut-outs, decal, with their lists: the walk above really walks."""
    dotted = {".".join(map(str, path)) for path in PATHS}
    assert {"zones.0.most.value", "zones.1.least.u", "zones.0.seen_mm", "path_shift.u", "cut"} <= dotted
    assert {"cutouts.1.sizes.1.value", "cutouts.0.dx", "decals.0.rotation.u", "decals.0"} <= dotted


NUMBERS = [path for path in PATHS if isinstance(at(measurement(), path), float)]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from(PATHS), min_size=1, max_size=4), st.floats(-3, 3), st.sampled_from(NUMBERS))
def test_spoilt_in_several_places_at_once(paths: list[tuple[Any, ...]], value: float, number: tuple[Any, ...]) -> None:
    """Whatever else a measurement says, one missing part keeps it from being green."""
    spoilt = changed(measurement(), number, value)
    for path in sorted(paths, key=len, reverse=True):  # deepest first, so that shallower paths still exist
        here = at(measurement(), path)
        try:
            spoilt = changed(spoilt, path, NAN if isinstance(here, float) else () if isinstance(here, tuple) else None)
        except (AttributeError, IndexError, TypeError):
            continue  # its parent is gone already
    assert judge(spoilt, definition()).answer is not Answer.CONFORMING


def test_judging_again_gives_the_same() -> None:
    """Measure once, judge many: other limits, other answer, from the same measurement."""
    kept = measurement(zones=(zone("front", 0.6, 0.0), zone("rear", 0.1, 0.0)))
    assert judge(kept, definition()) == judge(kept, definition())
    wider = replace(
        definition(), zones=(replace(definition().zones[0], limits=Limits(-0.8, 0.8)), definition().zones[1])
    )
    assert judge(kept, definition()).answer is Answer.NONCONFORMING
    assert judge(kept, wider).answer is Answer.CONFORMING
