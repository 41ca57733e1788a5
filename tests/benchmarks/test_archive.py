"""The archive of known statistics: what is predicted from it is true of its process, and pages open on it.

20,000 inspections; a million with EDGEINSPECT_MANY=1. Times of pages are printed by
``python -m tests.benchmarks.pages``: no test fails by them.
"""

from __future__ import annotations

import os
import sqlite3
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad
from scipy.stats import binomtest

from edgeinspect.conformity import SEVERITY, Answer
from edgeinspect.process.limits import Limit, limits_of
from edgeinspect.process.readings import Seen
from edgeinspect.process.risks import risks
from edgeinspect.process.what_if import earlier_and_later, severities, share, what_if
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.store.inspections import Store
from edgeinspect.store.search import Wanted
from tests.benchmarks.archive import MODEL, U_FLAW_MM, VARIANT, FlawProcess, Process, write_archive
from tests.benchmarks.pages import ASKED, measure

COUNT = 1_000_000 if os.environ.get("EDGEINSPECT_MANY") else 20_000
WHOLE = 200


@pytest.fixture(scope="module")
def lid() -> ShellDefinition:
    return load_shell(MODEL)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory, lid: ShellDefinition) -> Path:
    data = tmp_path_factory.mktemp("archive") / "data"
    data.mkdir()
    assert list(write_archive(data, COUNT, lid, WHOLE))[-1] == COUNT
    return data


def tighter(limits: dict[str, Limit]) -> dict[str, Limit]:
    return {
        name: Limit(-0.4, 0.4, one.guard_factor) if name.startswith("zone ") else one for name, one in limits.items()
    }


def test_what_was_recorded_is_what_the_numbers_say(archive: Path, lid: ShellDefinition) -> None:
    with Store.open(archive, read_only=True) as store:
        found = store.population(Wanted(shell=lid.name), 20_000)
        assert len(found.readings) == 20_000 and sum(store.counts().values()) == COUNT
    _, shell = severities(found.readings, limits_of(lid, VARIANT))
    assert (shell == found.readings.recorded).all()
    assert set(shell.tolist()) == set(SEVERITY.values())


def test_predicted_yield_and_risks_are_true_of_the_process(archive: Path, lid: ShellDefinition) -> None:
    """10,000 stored shells predict what limits of 0.4 mm instead of 0.5 mm do; the truth is counted on 200,000 other
    shells of the same process, whose true values are known.
    """
    limits = limits_of(lid, VARIANT)
    with Store.open(archive, read_only=True) as store:
        readings = store.population(Wanted(shell=lid.name), 10_000).readings
    found, predicted = what_if(readings, limits, tighter(limits)), risks(readings, limits, tighter(limits))
    true, read = Process().draw(200_000, 77, limits)
    everything = (read.seen == Seen.WHOLE).all(axis=1)
    passes = severities(read, tighter(limits))[1] == SEVERITY[Answer.CONFORMING]
    but_flaws = severities(replace(read, flaws=None), tighter(limits))[1] == SEVERITY[Answer.CONFORMING]
    lower, upper = (np.array([getattr(limits[n], way) for n in true.characteristics]) for way in ("lower", "upper"))
    good = ((true.most <= upper) & (true.least >= lower)).all(axis=1)
    assert predicted is not None
    for name, interval, happened in (
        ("passes", found.green_after, passes),
        ("false reject", predicted.false_reject, (good & ~but_flaws)[everything]),
        ("false accept", predicted.false_accept, (~good & but_flaws)[everything]),
    ):
        counted = binomtest(int(happened.sum()), len(happened)).proportion_ci(0.95)
        assert interval.low <= counted.high and counted.low <= interval.high, (name, interval, counted)
    assert found.green_before.share - found.green_after.share > 0.005  # and there was something to predict


def chance_red(spread: FlawProcess, limits: dict[str, Limit], kind: str) -> float:
    """Of one shell: Poisson many flaws, each red when length and depth both read beyond their limits by the guard
    band; what is read is the log-normal size plus a normal error. By quadrature, without this project's judging.
    """
    both = 1.0
    for size, median, u in zip(("length", "depth"), (spread.length_mm, spread.depth_mm), U_FLAW_MM, strict=True):
        limit = limits[f"{kind} {size}"]
        beyond = limit.upper + limit.guard_factor * u
        true = stats.lognorm(spread.spread, scale=median)
        ends = true.ppf([1e-9, 1 - 1e-9])
        both *= quad(lambda x, t=true, b=beyond, u=u: t.pdf(x) * stats.norm.sf((b - x) / u), *ends, limit=500)[0]
    return float(1.0 - np.exp(-spread.a_shell * both))


@pytest.mark.parametrize(
    ("kind", "size", "to_mm"), [("nick", "depth", 0.2), ("nick", "length", 0.4), ("burr", "depth", 0.2)]
)
def test_a_limit_of_flaws_predicts_what_is_true_of_the_process(
    archive: Path, lid: ShellDefinition, kind: str, size: str, to_mm: float
) -> None:
    """Shares of red shells before and after, by this kind alone, within their exact 95 % intervals."""
    limits = limits_of(lid, VARIANT)
    moved = {**limits, f"{kind} {size}": replace(limits[f"{kind} {size}"], upper=to_mm)}
    with Store.open(archive, read_only=True) as store:
        readings = store.population(Wanted(shell=lid.name), 10_000).readings
    found = what_if(readings, limits, moved)
    (row,) = [zone for zone in found.zones if zone.characteristic == kind]
    looked = int(readings.all_flaws.looked.sum())
    assert 9_300 < looked < 9_700 and sum(row.after.values()) == looked
    truth = [chance_red(getattr(Process(), kind), which, kind) for which in (limits, moved)]
    for red, expected in zip((row.before, row.after), truth, strict=True):
        counted = share(red[Answer.NONCONFORMING], looked)
        print(f"{kind} {size}: {100 * counted.share:.2f} % ({100 * counted.low:.2f} to {100 * counted.high:.2f}),"
              f" truth {100 * expected:.2f} %")  # fmt: skip
        assert counted.low <= expected <= counted.high
    assert truth[1] > 1.3 * truth[0] and len(found.from_green) > 0  # and there was something to predict
    assert found.green_before.share - found.green_after.share > 0.001
    assert f"{kind}s were not looked for on {len(readings) - looked} of 10,000 shells" in " ".join(found.warnings)


def test_ten_thousand_shells_within_a_second(archive: Path, lid: ShellDefinition) -> None:
    """Printed, by the processor's own clock; bound: 1 s, reading them from the disk and all."""
    limits = limits_of(lid, VARIANT)
    moved = {**limits, "nick depth": replace(limits["nick depth"], upper=0.2)}
    with Store.open(archive, read_only=True) as store:
        store.population(Wanted(shell=lid.name), 100)
        start = time.process_time()
        readings = store.population(Wanted(shell=lid.name), 10_000).readings
        read_s = time.process_time() - start
    start = time.process_time()
    what_if(readings, limits, moved)
    tried_s = time.process_time() - start
    print(f"10,000 shells with {len(readings.all_flaws.kind)} flaws: read {read_s:.2f} s, tried {tried_s:.3f} s")
    assert read_s + tried_s < 1.0


def test_tuned_on_the_earlier_holds_on_the_later(archive: Path, lid: ShellDefinition) -> None:
    limits = limits_of(lid, VARIANT)
    with Store.open(archive, read_only=True) as store:
        earlier, later = earlier_and_later(store.population(Wanted(shell=lid.name), 10_000).readings)
    shares = [what_if(part, limits, tighter(limits)).green_after for part in (earlier, later)]
    assert shares[0].low <= shares[1].high and shares[1].low <= shares[0].high


def test_stopped_and_started_again_it_comes_to_the_same(tmp_path: Path, lid: ShellDefinition) -> None:
    dumps = []
    for name, stops in (("once", False), ("twice", True)):
        data = tmp_path / name
        data.mkdir()
        if stops:
            assert next(write_archive(data, 6_000, lid, 10)) == 5_000  # and no further
        assert list(write_archive(data, 6_000, lid, 10))[-1] == 6_000
        record = sqlite3.connect(data / "record.sqlite")
        dumps.append(
            [
                record.execute(f"SELECT * FROM {table} WHERE inspection_id <= 5990").fetchall()
                for table in ("finding", "reading", "known_length")
            ]
        )
        record.close()
    assert dumps[0] == dumps[1]


def test_every_page_opens_on_it(archive: Path) -> None:
    assert [asked.what for asked, _, _ in measure(archive, 2)] == [asked.what for asked in ASKED]
