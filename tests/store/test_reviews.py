"""What people say of looks: the last word counts, nothing is lost, and the queue is what was not green."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.inspection import Inspection
from edgeinspect.store.changes import Changes, Who
from edgeinspect.store.inspections import Store
from edgeinspect.store.reviews import Disposition, Label, MarkKind, Order, Reviews
from edgeinspect.store.search import Wanted

MakeInspection = Callable[..., Inspection]
ANNA, BO = Who("Anna", "engineer"), Who("Bo", "quality")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path) as opened:
        yield opened


@pytest.fixture
def changes(store: Store) -> Iterator[Changes]:
    with Changes.open(store.data) as opened:
        yield opened


@pytest.fixture
def reviews(changes: Changes) -> Reviews:
    return Reviews(changes)


def judged(inspection: Inspection, value: float | None, answer: Answer) -> Inspection:
    finding = replace(inspection.verdict.findings[0], value=value, answer=answer)
    return replace(inspection, verdict=replace(inspection.verdict, answer=answer, findings=(finding,)))


def test_the_last_label_counts_and_every_one_is_kept(
    store: Store, changes: Changes, reviews: Reviews, make_inspection: MakeInspection
) -> None:
    store.save(make_inspection("L1"), {}, {})
    store.save(make_inspection("L2"), {}, {})
    reviews.label(1, Label.LOOSE_CHIP, "", "t1", ANNA)
    second = reviews.label(1, Label.TRULY_BAD, "looked  at it\nmyself", "t2", BO)
    assert reviews.labels() == reviews.labels([1, 2]) == {1: second}
    assert second.reason == "looked at it myself"
    assert [(one.label, one.who, one.role, one.at) for one in reviews.labels_said(1)] == [
        (Label.TRULY_BAD, "Bo", "quality", "t2"),
        (Label.LOOSE_CHIP, "Anna", "engineer", "t1"),
    ]
    reviews.label(1, Label.WITHDRAWN, "", "t3", ANNA)
    assert reviews.labels() == {} and len(reviews.labels_said(1)) == 3
    kept = changes.all("inspection 1")
    assert [(one.who, one.at, one.what) for one in kept] == [
        ("Anna", "t3", "labelled"),
        ("Bo", "t2", "labelled"),
        ("Anna", "t1", "labelled"),
    ]
    assert changes.check().intact


def test_a_disposition_has_a_reason_and_belongs_to_the_shell(
    store: Store, reviews: Reviews, make_inspection: MakeInspection
) -> None:
    store.save(make_inspection("L1"), {}, {})
    with pytest.raises(InputError, match="reason is missing: say why shell L1 is for scrap"):
        reviews.dispose(1, Disposition.SCRAP, "  ", "t1", ANNA)
    with pytest.raises(InputError, match="there is no inspection 9"):
        reviews.dispose(9, Disposition.SCRAP, "cut", "t1", ANNA)
    with pytest.raises(InputError, match="reason has 501 characters"):
        reviews.label(1, Label.GOOD, "x" * 501, "t1", ANNA)
    reviews.dispose(1, Disposition.HOLD, "ask Bo", "t1", ANNA)
    reviews.dispose(1, Disposition.SCRAP, "too deep", "t2", BO)
    assert [(one.disposition, one.who, one.reason) for one in reviews.dispositions_said("L1")] == [
        (Disposition.SCRAP, "Bo", "too deep"),
        (Disposition.HOLD, "Anna", "ask Bo"),
    ]
    assert [one.disposition for one in reviews.queue()] == [Disposition.SCRAP]


@pytest.mark.parametrize("table", ["label", "disposition", "change_mark"])
@pytest.mark.parametrize("words", ["UPDATE {} SET who = 'Eve'", "DELETE FROM {}"])
def test_what_was_said_cannot_be_changed_by_hand(
    store: Store, reviews: Reviews, make_inspection: MakeInspection, table: str, words: str
) -> None:
    store.save(make_inspection("L1"), {}, {})
    reviews.label(1, Label.GOOD, "", "t1", ANNA)
    reviews.dispose(1, Disposition.HOLD, "ask", "t1", ANNA)
    reviews.mark(MarkKind.BIT, "t0", "", "new bit", "t1", ANNA)
    with sqlite3.connect(store.data / "record.sqlite") as other, pytest.raises(sqlite3.IntegrityError, match="anew"):
        other.execute(words.format(table))


def test_a_mark_holds_from_the_first_look_at_the_shell_that_it_names(
    store: Store, reviews: Reviews, make_inspection: MakeInspection
) -> None:
    at = "2024-11-25T1{}:00:00.000Z".format
    for shell_id, hour in (("L1", 0), ("L2", 2), ("L3", 4)):
        store.save(make_inspection(shell_id, started_at=at(hour), finished_at=at(hour)), {}, {})
    reviews.mark(MarkKind.BIT, at(1), "", "bit 12", at(5), ANNA)
    reviews.mark(MarkKind.LOT, at(0), "L3", "sheet lot 77", at(5), ANNA)  # at 14:00, whatever its time says
    reviews.mark(MarkKind.LIGHT, at(6), "L9", "lamp", at(5), ANNA)  # no such shell yet: its time counts
    with pytest.raises(InputError, match="note is missing: say what was done to the fixture"):
        reviews.mark(MarkKind.FIXTURE, at(1), "", "", at(5), ANNA)
    assert [one.kind for one in reviews.marks()] == [MarkKind.LIGHT, MarkKind.LOT, MarkKind.BIT]
    assert [one.kind for one in reviews.marks(at(0), at(2))] == [MarkKind.BIT]
    assert [one.kind for one in reviews.marks(at(2), at(4))] == [MarkKind.LOT]
    assert reviews.marks(at(4), at(5)) == ()


# -- the queue


def ids(queue: tuple[Any, ...]) -> list[int]:
    return [one.inspection_id for one in queue]


@pytest.fixture
def filled(store: Store, make_inspection: MakeInspection) -> Store:
    answers: list[tuple[str, float | None, Answer]] = [
        ("A", -0.61, Answer.NONCONFORMING),  # 1, strain 1.22, looked at again: 6
        ("B", 0.10, Answer.CONFORMING),  # 2
        ("C", 0.49, Answer.NOT_PROVEN),  # 3
        ("D", None, Answer.NO_RESULT),  # 4
        ("E", 0.90, Answer.NONCONFORMING),  # 5, strain 1.8
        ("A", -0.55, Answer.NONCONFORMING),  # 6, strain 1.1
        ("E", 0.30, Answer.CONFORMING),  # 7: green at last, and its red is still to be looked at
        ("F", None, Answer.NONCONFORMING),  # 8: missing
    ]
    for shell_id, value, answer in answers:
        store.save(judged(make_inspection(shell_id), value, answer), {}, {})
    return store


def test_the_queue_holds_each_shell_that_was_not_green_once(filled: Store, reviews: Reviews) -> None:
    assert ids(reviews.queue()) == [8, 6, 5, 4, 3]
    assert reviews.queue_length() == 5 and reviews.queue_length(most=3) == 3
    assert [one.strain for one in reviews.queue()] == pytest.approx([None, 1.1, 1.8, None, 0.98])
    assert ids(reviews.queue(limit=2)) == [8, 6]


def test_worst_first_is_by_answer_then_by_how_far(filled: Store, reviews: Reviews) -> None:
    assert ids(reviews.queue(order=Order.WORST)) == [8, 5, 6, 4, 3]


def test_the_queue_is_narrowed(filled: Store, reviews: Reviews) -> None:
    reviews.label(5, Label.LOOSE_CHIP, "", "t1", ANNA)
    reviews.label(6, Label.TRULY_BAD, "", "t1", ANNA)
    reviews.label(6, Label.WITHDRAWN, "", "t2", ANNA)
    assert ids(reviews.queue(label=Label.WITHDRAWN)) == [8, 6, 4, 3]  # not labelled
    assert ids(reviews.queue(label=Label.LOOSE_CHIP)) == [5]
    assert ids(reviews.queue(Wanted(shell_id="A"))) == [6]
    assert ids(reviews.queue(Wanted(answer=Answer.NO_RESULT))) == [4]
    assert ids(reviews.queue(Wanted(place="right end"))) == [8, 6, 5, 4, 3]
    assert ids(reviews.queue(Wanted(place="left end"))) == []
    assert ids(reviews.queue(Wanted(words="cut deep"))) == [8, 6, 5, 4, 3]
    assert reviews.queue_length(Wanted(words="nothing such")) == 0
    assert ids(reviews.queue(Wanted(until="2024-11-25T10:00:02"))) == []


def test_a_shell_id_that_comes_again_later_is_another_shell(
    store: Store, reviews: Reviews, make_inspection: MakeInspection
) -> None:
    store.save(make_inspection("L1", finished_at="2024-11-25T10:00:00.000Z"), {}, {})
    reviews.dispose(1, Disposition.SCRAP, "too deep", "t1", ANNA)
    store.save(make_inspection("L1", finished_at="2024-11-26T11:00:00.000Z"), {}, {})
    assert [(one.inspection_id, one.disposition) for one in reviews.queue()] == [(2, None), (1, Disposition.SCRAP)]


def test_the_queue_reads_only_what_was_not_green(filled: Store) -> None:
    """Of a million looks some thousands are not green: the plan must not read the others."""
    with sqlite3.connect(filled.data / "record.sqlite") as other:
        seen = [row[3] for row in other.execute("EXPLAIN QUERY PLAN " + _queue_sql())]
    assert "SCAN inspection USING INDEX ix_inspection_not_green" in seen, seen
    assert not any(line.startswith("SCAN") for line in seen[1:]), seen


def _queue_sql() -> str:
    from sqlalchemy.dialects import sqlite  # noqa: PLC0415

    from edgeinspect.store import review_queue  # noqa: PLC0415

    query = review_queue.queued(Wanted(), None, Order.NEWEST, 24.0).limit(50)
    return str(query.compile(dialect=sqlite.dialect(), compile_kwargs={"literal_binds": True}))
