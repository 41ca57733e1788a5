"""measure-again with another method: the same study as the page makes, with its progress here."""

from __future__ import annotations

import math

from edgeinspect.errors import InputError
from edgeinspect.process.what_if import GREEN
from edgeinspect.shell.files import load_shell
from edgeinspect.station.config import Station
from edgeinspect.station.run import time_of_day
from edgeinspect.store.changes import AT_THE_MACHINE
from edgeinspect.store.inspections import Store
from edgeinspect.store.review_queue import Label
from edgeinspect.store.reviews import Reviews
from edgeinspect.store.search import Wanted
from edgeinspect.store.studies import Studies
from edgeinspect.study.compared import Compared, compare, worst_of
from edgeinspect.study.method import Method, MethodAsked, ShellAgain, choose
from edgeinspect.study.method_run import ask, go_on, of_line, standing
from edgeinspect.study.printing import NOTHING_CHANGED, answer_table, print_flip
from edgeinspect.study.stored import utc
from edgeinspect.terminal import aside, bar, out, print_json

POPULATION = 10_000  # shells to choose a sample from: the newest
TOLD = 5  # shell ids behind a reason


def begin(
    store: Store,
    station: Station,
    method: Method,
    *,
    shell: str | None,
    since: str | None,
    how: str,
    count: int,
    who: str,
    quiet: bool,
) -> int:
    """Keep what is to be studied and say how long it takes; returns the study's id. Raises InputError."""
    newest = store.listing(1)
    name = shell or (newest[0].shell if newest else "")
    if not name:
        raise InputError(f"{store.data} holds no inspection of a shell: there is nothing to measure")
    wanted = Wanted(shell=name, since=None if since is None else utc(since))
    population = store.population(wanted, POPULATION, station.same_shell_h)
    sample = choose(store, population, _labels(store, station), shell=name, how=how, count=count)
    study_id, asked = ask(
        store, Studies(store.data), station, load_shell(station.folders.models / name), method, sample,
        who=who, role=AT_THE_MACHINE, at=time_of_day(),
    )  # fmt: skip
    if not quiet:
        aside.print(f"study {study_id}: {asked.words}; {sample.words}", markup=False, soft_wrap=True)
        aside.print(f"it takes: {asked.expected_words}", markup=False, soft_wrap=True)
    return study_id


def measure(store: Store, station: Station, study_id: int, *, as_json: bool) -> None:
    """Measure what is left of a study, and print what came of it. Ctrl-C leaves a study that can be gone on with."""
    studies = Studies(store.data)
    before = studies.one(study_id, 1)
    asked = of_line(MethodAsked, before.asked)
    if not standing(before, asked, at_work=False).can_go_on:
        raise InputError(f"study {study_id} is done: there is nothing to go on with")
    studies.forget_cancel(study_id)
    try:
        with bar("measuring again", quiet=as_json) as show:
            go_on(store, studies, station, study_id, clock=time_of_day, progress=show)
    except KeyboardInterrupt:
        aside.print(f"study {study_id} is interrupted: measure-again --go-on {study_id} goes on with it", markup=False)
        raise
    kept = studies.one(study_id)
    rows = [of_line(ShellAgain, line) for line in kept.shells]
    word = standing(kept, asked, at_work=False).word
    found = compare(rows, asked.judged_by, _labels(store, station))
    if as_json:
        print_json(_document(study_id, asked, word, found))
    else:
        _print(study_id, asked, word, found)


def _labels(store: Store, station: Station) -> dict[int, Label]:
    return {i: one.label for i, one in Reviews(store.changes, station.same_shell_h).labels().items()}


def _worst(asked: MethodAsked, found: Compared) -> list[tuple[float | None, float | None]]:
    zones = [name for name in asked.limits if name.startswith("zone ")]
    values = [worst_of(one, zones).tolist() for one in (found.before, found.after)]
    return [(_known(was), _known(now)) for was, now in zip(*values, strict=True)]


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _document(study_id: int, asked: MethodAsked, word: str, found: Compared) -> dict[str, object]:
    """Lengths in mm; null where there is none."""
    answers = {
        row.inspection_id: (was.value, now.value, *worst)
        for (row, was, now), worst in zip(found.answers(), _worst(asked, found), strict=True)
    }
    names = ("before", "after", "worst_zone_before_mm", "worst_zone_after_mm")
    return {
        "study_id": study_id,
        "shell": asked.shell,
        "method": asked.words,
        "sample": asked.sample.words,
        "expected_s": asked.expected_s,
        "state": word,
        "before": {answer.value: count for answer, count in found.found.before.items()},
        "after": {answer.value: count for answer, count in found.found.after.items()},
        "warnings": list(found.found.warnings),
        "shells": [
            {
                "inspection_id": row.inspection_id,
                "shell_id": row.shell_id,
                "by": row.by,
                "why": row.why,
                "ribbon_too_narrow": row.narrow,
                "took_s": row.took_s,
                **dict(zip(names, answers.get(row.inspection_id, (None,) * 4), strict=True)),
            }
            for row in found.rows
        ],
    }


def _print(study_id: int, asked: MethodAsked, word: str, found: Compared) -> None:
    for sentence in found.found.warnings:
        aside.print(sentence, markup=False, soft_wrap=True)
    out.print(answer_table(found.found.before, found.found.after, "method in force", "method tried"))
    flips = 0
    for (row, was, now), (old, new) in zip(found.answers(), _worst(asked, found), strict=True):
        if was is not now:
            flips += 1
            numbers = f", worst zone {old:+.3f} → {new:+.3f} mm" if old is not None and new is not None else ""
            print_flip(row.shell_id, was, now, f"by its {row.by}{numbers}")
    reasons: dict[str, list[str]] = {}
    for row in found.rows:
        if row.by == "not":
            reasons.setdefault(row.why, []).append(row.shell_id)
    for why, ids in reasons.items():
        more = ", …" if len(ids) > TOLD else ""
        aside.print(f"{len(ids)} not measured ({', '.join(ids[:TOLD])}{more}): {why}", markup=False, soft_wrap=True)
    words = f"{len(found.both)} shells by both methods, {flips} answers flip"
    if lost := sum(row.recorded == GREEN for row in found.rows if row.by == "not"):
        words += f"; {lost} good shells could not be measured again and are not counted"
    out.print(f"study {study_id} {word}: {words}. {NOTHING_CHANGED}", soft_wrap=True, markup=False)
