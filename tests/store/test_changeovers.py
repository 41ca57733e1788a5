"""What the station was set to: another shell or variant is a changeover, kept with its time and its confirmation."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from edgeinspect.inspection import Expected, Inspection
from edgeinspect.store.inspections import Store
from edgeinspect.store.state import Changeover, State

MakeInspection = Callable[..., Inspection]
LEFT, RIGHT = Expected("panel-left", "blue"), Expected("panel-right", "blue")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path) as opened:
        yield opened


@pytest.fixture
def state(store: Store) -> Iterator[State]:
    with State.open(store.data) as opened:
        yield opened


def test_only_another_shell_or_variant_is_a_changeover(state: State) -> None:
    assert state.now().changeover is None
    state.expect(LEFT, "t1", "station page at 10.0.0.7")
    first = state.now().changeover
    assert first == Changeover(1, "panel-left", "blue", "t1", "station page at 10.0.0.7", 0)
    state.expect(Expected("panel-left", "blue", 31.5), "t2")  # only its temperature
    assert state.now().changeover == first and state.now().expected == Expected("panel-left", "blue", 31.5)
    state.expect(Expected("panel-left", "red"), "t3")
    state.expect(RIGHT, "t4")
    assert [(one.shell, one.variant, one.at) for one in state.changeovers("t1", "t4")] == [
        ("panel-left", "red", "t3"),
        ("panel-left", "blue", "t1"),
    ]


def test_the_first_inspection_that_fits_confirms_and_nothing_is_changed_afterwards(
    store: Store, state: State, make_inspection: MakeInspection
) -> None:
    store.save(make_inspection("L1"), {}, {})
    state.expect(LEFT, "t1", "page")
    for shell_id in ("L2", "L3"):
        store.save(make_inspection(shell_id), {}, {})
    state.confirm(1, 2, "t2")
    state.confirm(1, 3, "t3")
    assert state.now().changeover == Changeover(1, "panel-left", "blue", "t1", "page", 1, "t2", 2)
    state.expect(RIGHT, "t4")
    state.confirm(1, 3, "t5")  # of the one before, by a worker that was slow
    now = state.now().changeover
    assert now is not None and now.confirmed_at is None and now.after_id == 3
    with sqlite3.connect(store.data / "record.sqlite") as other:
        for change in (
            "DELETE FROM changeover",
            "UPDATE changeover SET who = 'nobody' WHERE changeover_id = 2",
            "UPDATE changeover SET confirmed_at = NULL WHERE changeover_id = 1",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="never changed afterwards"):
                other.execute(change)
    other.close()
