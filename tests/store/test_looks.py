"""Which looks are attempts at one shell, which of them measured it, and what the next one must know of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from edgeinspect.inspection import Expected, Inspection
from edgeinspect.measure.measurement import Before, FlawKind, FlawResult, Quantity, Stop
from edgeinspect.shell.definition import Check
from edgeinspect.store.inspections import Store
from edgeinspect.store.looks import one_shell, still_the_same

MakeInspection = Callable[..., Inspection]
COVERED = Stop("marks", "camera top sees none of the 8 fixture marks", "clear the lens")
ONE_CAMERA = replace(COVERED, camera="rear")
WET = Stop("decal", "the decal is wet", "wait", Check.DECAL)


def flaw(kind: FlawKind, arc_mm: float) -> FlawResult:
    size, corners = Quantity(2.0, 0.05), np.arange(8.0).reshape(4, 2)
    return FlawResult(kind, "rim", "top", arc_mm, size, size, 3.0, np.ones(3), np.array([10.0, 20.0]), corners)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path) as opened:
        yield opened


@dataclass(frozen=True)
class At:
    finished_at: str


def hours(*of_the_day: float) -> list[At]:
    return [At(f"2024-11-{25 + int(h // 24)}T{int(h % 24):02}:{round(h % 1 * 60):02}:00Z") for h in of_the_day]


def test_looks_are_of_one_shell_until_it_was_not_seen_for_too_long() -> None:
    """Three days of one id: seen within 24 hours of the last time it is the same shell, however long that goes on."""
    looks = hours(6, 6.5, 30, 54.1, 60)
    assert one_shell(looks, 24.0) == [tuple(looks[:3]), tuple(looks[3:])]
    assert still_the_same(looks, "2024-11-28T11:59:00Z", 24.0) == tuple(looks[3:])
    assert still_the_same(looks, "2024-11-28T12:01:00Z", 24.0) == ()
    assert still_the_same([], "2024-11-28T12:01:00Z", 24.0) == ()
    set_back = hours(30, 6)
    assert one_shell(set_back, 1.0) == [tuple(set_back)]


@pytest.mark.parametrize(
    ("stops", "counts"),
    [((), True), ((WET,), True), ((COVERED,), False), ((ONE_CAMERA,), False), ((WET, COVERED), False)],
)
def test_a_look_counts_when_it_measured_the_shell(
    store: Store, make_inspection: MakeInspection, stops: tuple[Stop, ...], counts: bool
) -> None:
    """The record is asked by its JSON; ``Inspection.measured`` says the same of what was read whole."""
    made = make_inspection("L1")
    store.save(replace(made, measurement=replace(made.measurement, stops=stops)), {}, {})
    store.save(replace(made, measurement=replace(made.measurement, stops=stops, cut=None)), {}, {})
    store.save(make_inspection("L2", measurement=replace(made.measurement, stops=())), {}, {})
    assert store.measured("L1") == ({1} if counts else set())
    for inspection_id in (1, 2, 3):
        found = store.inspection(inspection_id)
        assert found is not None and found.measured == (inspection_id in store.measured(found.shell_id))


def test_the_next_look_knows_how_many_went_before_and_the_last_ones_strands(
    store: Store, make_inspection: MakeInspection
) -> None:
    def keep(
        shell_id: str, minute: int, *flaws: FlawResult, stops: tuple[Stop, ...] = (), shell: str = "toplid"
    ) -> None:
        made = make_inspection(shell_id, finished_at=f"2024-11-25T10:{minute:02}:00.000000Z")
        measurement = replace(made.measurement, flaws=flaws, stops=stops)
        store.save(replace(made, measurement=measurement, expected=Expected(shell, "standard")), {}, {})

    def before(at: str = "2024-11-25T11:00:00Z", shell: str = "toplid") -> Before:
        return store.before("L1", shell, at, 24.0)

    assert before() == Before()
    keep("L1", 1, flaw(FlawKind.STRAND, 100.0))
    keep("L2", 2, flaw(FlawKind.STRAND, 200.0))
    assert [one.arc_mm for one in before().strands] == [100.0] and before().looks == 1
    keep("L1", 3, flaw(FlawKind.NICK, 5.0), flaw(FlawKind.STRAND, 101.0), flaw(FlawKind.STRAND, 300.0))
    keep("L1", 4, stops=(COVERED,))  # does not count, and does not hide the strands of the one before
    keep("L1", 5, flaw(FlawKind.STRAND, 400.0), shell="panel-left")  # another kind of shell with the same number
    found = before()
    assert found.looks == 2 and [one.arc_mm for one in found.strands] == [101.0, 300.0]
    np.testing.assert_array_equal(found.strands[0].pixel, [10.0, 20.0])
    assert before(shell="panel-left").looks == 1
    assert before("2024-11-26T10:04:30Z").looks == 2
    assert before("2024-11-26T10:05:30Z") == Before(), "the id was not seen for more than 24 hours: counted anew"
