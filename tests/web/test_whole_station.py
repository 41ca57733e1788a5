"""The whole station while it really measures: killed at random, and looked at by impatient people."""

from __future__ import annotations

import itertools
import os
import random
import statistics
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import httpx
import pytest

from edgeinspect.conformity import Answer
from edgeinspect.store.inspections import Store
from edgeinspect.store.state import State

from .whole_station import Pictures, Watcher, WholeStation, make_data, started

pytestmark = pytest.mark.alone
KILLS = int(os.environ.get("EDGEINSPECT_KILLS", "5"))
PAGES = ["/", "/station.json", "/inspections", "/inspections/{}", "/shift", "/health"]


@pytest.fixture(scope="module")
def pictures() -> Pictures:
    return Pictures()


def wait_for(what: Callable[[], bool], seconds: float) -> None:
    end_s = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.05)


def usual_s(times_s: list[float]) -> float:
    """The lower quartile: what other programs of a shared machine take away is only ever added."""
    return statistics.quantiles(times_s, n=4)[0]


def test_killed_at_random_moments_nothing_that_was_shown_is_missing(tmp_path: Path, pictures: Pictures) -> None:
    """Web and worker are killed at once while pictures come in faster than they are measured. Afterwards: every answer
    that any page showed is in the record as it was shown, every picture has exactly one inspection, and the shell that
    was being measured is named on the page.
    """
    data = tmp_path / "data"
    make_data(data)
    chance = random.Random()
    station, put = WholeStation(data), []
    station.start()
    watcher = Watcher(station)
    named = 0

    def feed_for(seconds: float) -> None:
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            waiting = len(list((data / "inbox").glob("*.png")))
            if waiting < 3:  # always something to do, and an end in sight
                shell_id = f"K{len(put):04d}"
                station.put(shell_id, pictures.make(len(put)))
                put.append(shell_id)
            time.sleep(min(chance.uniform(0.0, 0.1), max(0.0, end_s - time.monotonic())))

    try:
        for number in range(KILLS):
            feed_for(chance.uniform(0.0, 1.0) if number % 5 == 4 else 0.0)  # now and then while it still starts
            if number % 5 != 4:
                seen = len(watcher.answers)
                wait_for(lambda seen=seen: len(watcher.answers) > seen or not list((data / "inbox").glob("*.png")), 60)  # type: ignore[misc]
                feed_for(chance.uniform(0.0, 1.5))
            station.kill()
            with Store.open(data, read_only=True) as record, State.open(data) as state:
                measuring = state.now().measuring
                lost = measuring is not None and not record.attempts(measuring)
                for inspection_id, shown in {**watcher.listed, **watcher.answers}.items():
                    found = record.inspection(inspection_id)
                    assert found is not None, f"{shown} was shown and is gone"
                    verdict = found.verdict
                    assert (found.shell_id, verdict.answer.value, verdict.sentence) == shown
            watcher.said.clear()
            station.start()
            if lost:
                words = f"Shell {measuring} was being measured when the station stopped"
                wait_for(lambda: any(word[:4] == "LOOK" and words in said for word, said in watcher.said), 60)  # noqa: B023
                named += 1
        with Store.open(data, read_only=True) as record:
            wait_for(lambda: {row.shell_id for row in record.listing(10_000)} >= set(put), 60)
            rows = record.listing(10_000)
            wait_for(lambda: not list((data / "taken").iterdir()), 10)
    finally:
        watcher.stop()
        station.kill()
    assert sorted(row.shell_id for row in rows) == sorted(put)  # each once: no picture was lost, none looked at twice
    assert {row.answer for row in rows} >= {Answer.CONFORMING, Answer.NONCONFORMING} or KILLS < 5
    shown = len({**watcher.listed, **watcher.answers})
    print(f"{KILLS} kills, {len(rows)} inspections, {shown} shown, {named} shells named to look at again")


def test_pages_answer_in_a_tenth_of_the_time_that_a_shell_takes(tmp_path: Path, pictures: Pictures) -> None:
    """Both measured in this run, while one shell after the other is measured: a shell takes from one record to the
    next, a page until all of it is there. No inspection is asked for twice in a row.
    """
    data = tmp_path / "data"
    make_data(data)
    with started(data) as station, Store.open(data, read_only=True) as record, httpx.Client(timeout=20) as client:
        station.put("S0", pictures.make(0))
        wait_for(lambda: len(record.listing()) == 1, 60)
        for attempt in (1, 2):  # once more where another program took the machine for all of the first seconds
            for number in range(1, 13):
                station.put(f"A{attempt}-{number}", pictures.make(20 * attempt + number))
            took: dict[str, list[float]] = {path: [] for path in PAGES}
            for turn in itertools.count():
                looks = len(record.listing())
                if looks == 1 + 12 * attempt:
                    break
                for path in PAGES:
                    begun_s = time.perf_counter()
                    assert client.get(station.address + path.format(1 + turn % looks)).status_code == 200
                    took[path].append(time.perf_counter() - begun_s)
                    time.sleep(0.02)
            ends = sorted(datetime.fromisoformat(row.finished_at) for row in record.listing(12))
            shell_s = usual_s([(after - before).total_seconds() for before, after in itertools.pairwise(ends)])
            share = {path: usual_s(times) / shell_s for path, times in took.items()}
            print(f"one shell takes {shell_s:.2f} s; pages, as shares of it: {share}")
            if max(share.values()) <= 0.1:
                break
    assert len(took["/"]) >= 5
    assert max(share.values()) <= 0.1, share
