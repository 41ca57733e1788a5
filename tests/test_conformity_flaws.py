"""Judging flaws: length x depth against their own limits, strands and second looks.

The rule is ISO 14253-1's (guard band g = k u on the inner side of a limit to prove good, on the outer to prove bad);
what a strand and a third look ask for is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from edgeinspect.conformity import Answer, Verdict, judge
from edgeinspect.errors import DefinitionError
from edgeinspect.measure.measurement import Before, FlawKind, FlawResult, Quantity, ShellMeasurement, Stop
from edgeinspect.shell.definition import FlawLimits, ShellDefinition
from edgeinspect.shell.files import load_shell
from tests.test_conformity import definition, measurement, zone

LIMITS = (FlawLimits("nick", 0.6, 0.3), FlawLimits("burr", 0.6, 0.3))
NICK, BURR, STRAND = FlawKind.NICK, FlawKind.BURR, FlawKind.STRAND


def flaw(
    kind: FlawKind, length_mm: float, depth_mm: float, *, at_mm: float = 120.0, u: float = 0.02, curve: str = "rim"
) -> FlawResult:
    size = Quantity(length_mm, u), Quantity(depth_mm, u)
    return FlawResult(kind, curve, "top", at_mm, *size, 0.2, np.zeros(3), np.zeros(2), np.zeros((4, 2)))


def limited(**changes: Any) -> ShellDefinition:
    return replace(definition(), **{"flaws": LIMITS, **changes})


def judged(*flaws: FlawResult, before: Before | None = None, **changes: Any) -> Verdict:
    return judge(measurement(flaws=flaws, before=before or Before(), **changes), limited())


# g = 1.65 x 0.02 = 0.033: proven short up to 0.567 mm, proven long from 0.633; shallow to 0.267, deep from 0.333
@pytest.mark.parametrize("kind", [NICK, BURR])
@pytest.mark.parametrize(
    ("length_mm", "depth_mm", "answer"),
    [
        (0.56, 0.26, Answer.CONFORMING),
        (0.56, 2.00, Answer.CONFORMING),  # short, however deep
        (5.00, 0.26, Answer.CONFORMING),  # shallow, however long
        (0.60, 0.40, Answer.NOT_PROVEN),
        (0.70, 0.30, Answer.NOT_PROVEN),
        (0.64, 0.34, Answer.NONCONFORMING),
        (0.64, 0.33, Answer.NOT_PROVEN),
        (0.63, 0.34, Answer.NOT_PROVEN),
    ],
)
def test_bad_is_what_is_both_long_and_deep(kind: FlawKind, length_mm: float, depth_mm: float, answer: Answer) -> None:
    verdict = judged(flaw(kind, length_mm, depth_mm))
    assert verdict.answer is answer
    (found,) = [f for f in verdict.findings if f.characteristic == f"{kind.value} at 120 mm"]
    assert found.answer is answer
    assert found.where == "front edge"
    assert found.value is not None
    assert found.upper is not None
    assert found.guard == pytest.approx(1.65 * 0.02)
    # what stands in the finding says the same by itself
    good, bad = found.value <= found.upper - found.guard, found.value > found.upper + found.guard
    assert found.answer is (Answer.CONFORMING if good else Answer.NONCONFORMING if bad else Answer.NOT_PROVEN)


def test_the_sentence_says_where_and_how_large() -> None:
    verdict = judged(flaw(NICK, 1.2, 0.45))
    assert verdict.sentence == ("Front edge: nick 1.20 mm long, 0.45 mm deep (limits 0.60 mm long and 0.30 mm deep)")
    assert verdict.worst is not None
    assert verdict.worst.at_arc_mm == 120.0


def test_a_flaw_of_a_cut_out_has_its_words() -> None:
    verdict = judged(flaw(BURR, 1.2, 0.45, at_mm=7.0, curve="lock"))
    assert verdict.sentence.startswith("Lock hole: burr 1.20 mm long, 0.45 mm high")
    assert verdict.worst is not None
    assert verdict.worst.characteristic == "burr at 7 mm of lock"


def test_the_flaw_is_told_before_the_zone_that_it_spoils() -> None:
    zones = (zone("front", 0.9, -0.1), zone("rear", 0.1, -0.1))
    verdict = judged(flaw(BURR, 1.2, 0.95), zones=zones)
    assert verdict.answer is Answer.NONCONFORMING
    assert "burr" in verdict.sentence
    assert verdict.findings[1].characteristic == "zone front"


def test_without_limits_flaws_are_told_and_not_judged() -> None:
    flaws = (flaw(NICK, 3.0, 1.0), flaw(BURR, 3.0, 1.0), flaw(NICK, 1.0, 1.0, at_mm=300.0))
    verdict = judge(measurement(flaws=flaws), definition())
    assert verdict.answer is Answer.CONFORMING
    assert verdict.sentence.endswith("; 2 nicks and 1 burr seen, no limits given")


@pytest.mark.parametrize("given", [(), LIMITS])
def test_a_strand_asks_for_a_second_look_whatever_the_limits(given: tuple[FlawLimits, ...]) -> None:
    small = flaw(STRAND, 0.3, 0.1, at_mm=350.0)
    verdict = judge(measurement(flaws=(small,)), limited(flaws=given))
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence == "Loose strand on the edge, rear edge: 0.3 mm long"
    assert verdict.action == "blow off and look again"


def test_what_lies_there_still_at_the_second_look_is_a_burr() -> None:
    first = Before(1, (flaw(STRAND, 1.5, 1.0, at_mm=118.5),))
    verdict = judged(flaw(STRAND, 1.4, 0.9), before=first)
    assert verdict.answer is Answer.NONCONFORMING
    assert "burr 1.40 mm long, 0.90 mm high, there at the look before too" in verdict.sentence
    small = judged(flaw(STRAND, 0.5, 0.1), before=first)
    assert small.answer is Answer.CONFORMING


@pytest.mark.parametrize(("at_mm", "curve"), [(115.0, "rim"), (120.0, "lock")])
def test_a_strand_at_another_place_is_blown_off_again(at_mm: float, curve: str) -> None:
    first = Before(1, (flaw(STRAND, 1.5, 1.0, at_mm=at_mm, curve=curve),))
    assert judged(flaw(STRAND, 1.4, 0.9), before=first).answer is Answer.NO_RESULT


def test_too_much_material_under_a_strand_says_nothing() -> None:
    zones = (zone("front", 0.9, -0.1), zone("rear", 0.1, -0.1))  # worst at 120 mm
    verdict = judged(flaw(STRAND, 2.0, 1.5), zones=zones)
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.action == "blow off and look again"
    elsewhere = judged(flaw(STRAND, 2.0, 1.5, at_mm=60.0), zones=zones)
    assert elsewhere.answer is Answer.NONCONFORMING
    deep = (zone("front", 0.1, -0.9), zone("rear", 0.1, -0.1))
    assert judged(flaw(STRAND, 2.0, 1.5, at_mm=30.0), zones=deep).answer is Answer.NONCONFORMING


@pytest.mark.parametrize("looks", [2, 3, 7])
def test_the_third_look_is_never_green(looks: int) -> None:
    verdict = judged(before=Before(looks))
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence == f"Looked at {looks + 1} times: quality decides"
    assert verdict.action == "take it to the quality shelf"


@pytest.mark.parametrize("looks", [0, 1])
def test_two_looks_may_be_green(looks: int) -> None:
    assert judged(before=Before(looks)).answer is Answer.CONFORMING


def test_a_bad_one_stays_bad_and_goes_to_quality() -> None:
    verdict = judged(flaw(NICK, 1.2, 0.45), before=Before(2))
    assert verdict.answer is Answer.NONCONFORMING
    assert "nick" in verdict.sentence
    assert verdict.action == "take it to the quality shelf"


def test_a_look_that_told_nothing_keeps_its_own_action() -> None:
    nothing = measurement(
        zones=(), cutouts=(), decals=(), path_shift=None, cut=None,
        stops=(Stop("light", "the picture is dark", "clean the lamp, look again"),), before=Before(2),
    )  # fmt: skip
    assert judge(nothing, limited()).action == "clean the lamp, look again"


@pytest.mark.parametrize("spoilt", [float("nan"), float("inf")])
def test_a_size_that_is_no_number_is_never_proven(spoilt: float) -> None:
    one = flaw(NICK, 1.2, 0.45)
    for name in ("length", "depth"):
        for part in ("value", "u"):
            broken = replace(one, **{name: replace(getattr(one, name), **{part: spoilt})})
            assert judged(broken).answer is Answer.NO_RESULT, (name, part)


def test_limits_must_make_sense() -> None:
    for kind, length_mm, depth_mm in (("strand", 1.0, 1.0), ("nick", 0.0, 1.0), ("burr", 1.0, -1.0)):
        with pytest.raises(ValueError, match="must be"):
            FlawLimits(kind, length_mm, depth_mm)


def test_every_mistake_of_a_flaw_table_is_told_at_once(tmp_path: Path) -> None:
    model = Path(__file__).parents[1] / "models" / "toplid"
    home = tmp_path / "toplid"
    home.mkdir()
    for file in model.iterdir():
        (home / file.name).write_bytes(file.read_bytes())
    assert {limit.kind: (limit.length_mm, limit.depth_mm) for limit in load_shell(home).flaws} == {
        "nick": (0.6, 0.3),
        "burr": (0.6, 0.3),
    }
    text = (home / "shell.toml").read_text()
    tables = '[[flaw]]\nkind = "strand"\nlength_limit_mm = -1.0\n\n[[flaw]]\nkind = "burr"\nlength_limit_mm = 1.0\n'
    (home / "shell.toml").write_text(text.replace("[[pip]]", tables + "depth_limit_mm = 1.0\n\n[[pip]]", 1))
    with pytest.raises(DefinitionError) as caught:
        load_shell(home)
    told = str(caught.value)
    assert "flaw[2].kind" in told
    assert "flaw[2].length_limit_mm" in told
    assert "flaw[2].depth_limit_mm is missing" in told
    assert 'flaw "burr" is there 2 times' in told


def test_looks_and_strands_are_all_that_judging_knows_of_before() -> None:
    plain: ShellMeasurement = measurement()
    assert plain.before == Before(0, ())
    assert judge(plain, limited()) == judge(replace(plain, before=Before(1)), limited())
