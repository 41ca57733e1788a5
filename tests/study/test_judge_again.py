"""Judging again. Truth: the deviations in sample_images/truth.json, written from the scene without measuring code."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from edgeinspect.conformity import Answer
from edgeinspect.errors import DefinitionError, InputError
from edgeinspect.inspection import Inspection
from edgeinspect.shell.definition import Arris, Check, DatumScheme, Frame, Limits, PathLimits, ShellDefinition
from edgeinspect.store.codec import from_plain, to_plain
from edgeinspect.store.inspections import Store
from edgeinspect.study.drawing import other_drawing
from edgeinspect.study.judge_again import Change, JudgedAgain, judge_again
from edgeinspect.study.stored import read, stored

from .conftest import SHELLS

CLEAR_MM = 0.06  # from a limit: beyond the guard band of every zone
GREEN, BAD = Answer.CONFORMING, Answer.NONCONFORMING


def no_progress(*_: object) -> None:
    pass


def looks(store: Store) -> list[Inspection]:
    return list(read(store, stored(store), no_progress))


def within(limit_mm: float, definition: ShellDefinition) -> ShellDefinition:
    """The definition with this limit both ways on every zone."""
    zones = [replace(zone, limits=Limits(-limit_mm, limit_mm, zone.limits.guard_factor)) for zone in definition.zones]
    return replace(definition, zones=tuple(zones), sha256="of others")


def worst_zone(truth: dict[str, Any]) -> tuple[str, float]:
    zones = truth["zones"].items()
    return max(
        ((name, max(zone["datum_max_mm"], -zone["datum_min_mm"])) for name, zone in zones), key=lambda one: one[1]
    )


@pytest.mark.parametrize("limit", [0.25, 0.6, 1.0])
def test_answers_flip_as_the_truth_says(
    store: Store, truths: dict[str, Any], current: ShellDefinition, limit: float
) -> None:
    done = judge_again(looks(store), within(limit, current), current)
    recorded = {row.shell_id: row.answer for row in stored(store)}
    want = {}
    for shell_id in SHELLS:
        name, worst = worst_zone(truths[shell_id])
        assert abs(worst - limit) > CLEAR_MM, "this limit says nothing about this shell"
        answer = GREEN if worst < limit else BAD
        if answer is not recorded[shell_id]:
            want[shell_id] = (recorded[shell_id], answer, name, worst)
    assert want, "this limit flips nothing"
    assert {flip.shell_id for flip in done.flips} == want.keys()
    for flip in done.flips:
        before, after, name, worst = want[flip.shell_id]
        first = flip.changes[0]
        assert (flip.before, flip.after) == (before, after)
        assert first.characteristic == f"zone {name}" and first.value is not None
        assert abs(first.value) == pytest.approx(worst, abs=CLEAR_MM)
        assert f"limits ±0.5 → ±{limit:g} mm" in flip.why and name in flip.why


def test_before_and_after_are_counted(store: Store, current: ShellDefinition) -> None:
    done = judge_again(looks(store), within(0.25, current), current)
    recorded = [row.answer for row in stored(store)]
    assert done.before == {answer: recorded.count(answer) for answer in Answer}
    assert sum(done.after.values()) == done.judged == len(SHELLS)
    for answer in Answer:
        came = sum(flip.after is answer for flip in done.flips)
        went = sum(flip.before is answer for flip in done.flips)
        assert done.after[answer] == done.before[answer] + came - went


def test_the_limits_of_then_flip_nothing(store: Store, current: ShellDefinition) -> None:
    done = judge_again(looks(store), current, current)
    assert (done.flips, done.program_flips, done.limits_unknown, done.other_drawing) == ((), 0, 0, 0)
    assert done.before == done.after


def test_nothing_stored_is_changed(copied: Path, current: ShellDefinition) -> None:
    def digest() -> dict[str, str]:
        files = [path for path in copied.rglob("*") if path.is_file() and "-shm" not in path.name]
        return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in files if path.stat().st_size}

    before = digest()
    with Store.open(copied, read_only=True) as store:
        assert judge_again(looks(store), within(0.25, current), current).flips
    assert digest() == before


def test_a_program_that_judges_differently_is_not_taken_for_the_limits(store: Store, current: ShellDefinition) -> None:
    """Here the record is what changed: a look that was once told NO RESULT and today is judged green."""
    first = looks(store)[0]
    told = replace(first, verdict=replace(first.verdict, answer=Answer.NO_RESULT, findings=()))
    done = judge_again([told], current, current)
    assert done.program_flips == 1
    assert done.flips[0].why.startswith("All ")  # nothing to compare with: the new sentence


def test_a_look_by_a_definition_that_is_gone_is_judged_but_counted(store: Store, current: ShellDefinition) -> None:
    first = looks(store)[0]
    gone = replace(first, measurement=replace(first.measurement, definition_sha256="00" * 32))
    done = judge_again([gone], current, current)
    assert (done.judged, done.limits_unknown, done.other_drawing) == (1, 1, 0)
    zones = tuple(replace(zone, zone=zone.zone + "-x") for zone in first.measurement.zones)
    other = replace(gone, measurement=replace(gone.measurement, zones=zones))
    shorter = replace(first.measurement.zones[0], length_mm=first.measurement.zones[0].length_mm - 5)
    moved = replace(gone, measurement=replace(gone.measurement, zones=(shorter, *first.measurement.zones[1:])))
    done = judge_again([other, moved], current, current)
    assert (done.judged, done.other_drawing, done.flips) == (0, 2, ())


# -- what may differ


def _first(parts: tuple[Any, ...], **changes: Any) -> tuple[Any, ...]:
    return (replace(parts[0], **changes), *parts[1:])


OTHER_DRAWINGS: dict[str, Callable[[ShellDefinition], ShellDefinition]] = {
    "sheet_mm": lambda d: replace(d, sheet_mm=4.0),
    "arris": lambda d: replace(d, arris=Arris.BACK),
    "checks": lambda d: replace(d, checks=frozenset({Check.TRIM})),
    "datum": lambda d: replace(d, datum=DatumScheme.FIXTURE),
    "filter_cutoff_mm": lambda d: replace(d, filter_cutoff_mm=8.0),
    "material.expansion_per_k": lambda d: replace(d, material=replace(d.material, expansion_per_k=70e-6)),
    "rim.points_mm": lambda d: replace(d, rim=replace(d.rim, points_mm=d.rim.points_mm + np.array([0.01, 0, 0]))),
    "zones[right-end].from_mm": lambda d: replace(d, zones=_first(d.zones, from_mm=1200.0)),
    "zones[right-end].frame": lambda d: replace(d, zones=_first(d.zones, frame=Frame.FIXTURE)),
    "zones": lambda d: replace(d, zones=d.zones[1:]),
    "cutouts[lock-hole].centre_mm": lambda d: replace(d, cutouts=_first(d.cutouts, centre_mm=np.array([1.0, -118.0]))),
    "cutouts[lock-hole].size_mm": lambda d: replace(d, cutouts=_first(d.cutouts, size_mm=(25.0,))),
    "pips[": lambda d: replace(d, pips=_first(d.pips, diameter_mm=9.0)),
    "decals[badge].patch.radius_mm": lambda d: replace(
        d, decals=_first(d.decals, patch=replace(d.decals[0].patch, radius_mm=200.0))
    ),
}


@pytest.mark.parametrize("place", OTHER_DRAWINGS)
def test_another_drawing_is_refused_and_the_place_named(current: ShellDefinition, place: str) -> None:
    with pytest.raises(DefinitionError, match="only limits may differ") as refused:
        judge_again([], OTHER_DRAWINGS[place](current), current)
    assert all(f"toplid: {place}" in problem for problem in refused.value.problems)


def test_every_limit_may_differ(current: ShellDefinition) -> None:
    """By the kinds of the fields, so that a limit added later is either known as one or breaks this test."""
    limits = Limits(-9.0, 9.0, 3.0)
    changed = replace(
        current,
        revision="Z",
        path=PathLimits(9.0, 9.0, 3.0),
        zones=tuple(replace(zone, limits=limits, words="there") for zone in current.zones),
        cutouts=tuple(
            replace(cutout, position_limit_mm=9.0, size_limits=limits, guard_factor=3.0) for cutout in current.cutouts
        ),
        decals=tuple(
            replace(decal, offset_limit_mm=9.0, rotation_limit_deg=9.0, guard_factor=3.0) for decal in current.decals
        ),
    )
    assert other_drawing(current, changed) == []
    called = {
        field.name
        for part in (current, current.path, *current.zones, *current.cutouts, *current.decals)
        for field in dataclasses.fields(part)
        if "limit" in field.name or "guard" in field.name or type(part).__name__.endswith("Limits")
    }
    assert called == {
        "limits", "position_limit_mm", "size_limits", "offset_limit_mm", "rotation_limit_deg", "guard_factor",
        "shift_mm", "rotation_deg",
    }  # fmt: skip


# -- which looks


def test_looks_are_chosen_by_shell_and_time(store: Store) -> None:
    assert [row.shell_id for row in stored(store)] == list(SHELLS)
    assert [row.shell_id for row in stored(store, shell="toplid", since="2026-11-23")] == list(SHELLS[2:])
    assert [row.shell_id for row in stored(store, since="2026-11-23T11:30:00+02:00")] == list(SHELLS[2:])
    assert [row.shell_id for row in stored(store, since="2026-11-23T10:00:01")] == list(SHELLS[3:])
    assert stored(store, shell="hatch") == []
    for wrong in ("yesterday", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00"):  # no years in UTC
        with pytest.raises(InputError, match=rf"--since is '{re.escape(wrong)}', must be"):
            stored(store, since=wrong)


def test_a_long_record_is_read_in_pieces(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("edgeinspect.study.stored.AT_ONCE", 3)
    assert [row.shell_id for row in stored(store)] == list(SHELLS)


def test_the_words_of_limits() -> None:
    one = Change("path shift", "", "mm", 0.45, 0.01, BAD, GREEN, None, 0.4, None, 0.5)
    assert one.words == "path shift +0.450 mm, limits at most 0.4 → at most 0.5 mm: NONCONFORMING → CONFORMING"
    two = replace(one, value=None, lower_before=-0.2, lower_after=-0.5)
    assert two.words == "path shift not measured, limits -0.2 … +0.4 → ±0.5 mm: NONCONFORMING → CONFORMING"


def test_the_result_is_plain_for_machines(store: Store, current: ShellDefinition) -> None:
    done = judge_again(looks(store), within(0.25, current), current)
    plain = json.loads(json.dumps(to_plain(done, []), allow_nan=False))
    assert plain["flips"][0]["before"] in set(Answer)
    assert from_plain(JudgedAgain, plain, []).flips == done.flips
