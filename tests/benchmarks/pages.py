"""How long pages take on a large archive: ``python -m tests.benchmarks.pages DATA [ROUNDS]`` (DATA by archive.py).

Asked in process, as a browser would, with other searches each time; the 95th percentile of the answers, and how much
memory the process holds before and after.
"""

from __future__ import annotations

import asyncio
import random
import resource
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import httpx
import numpy as np

from edgeinspect.station.config import load_station
from edgeinspect.store.inspections import Store
from edgeinspect.web.app import create_app
from edgeinspect.web.parts import Parts
from tests.benchmarks.archive import EVERY_S, LAST, WHOLE
from tests.samples.truth import SAMPLES

ROUNDS = 40


@dataclass(frozen=True)
class Asked:
    what: str
    search: bool  # a search may take 1 s, a page 0.5 s
    path: Callable[[random.Random, int], str]  # by chance, of so many inspections


def _day(chance: random.Random, count: int) -> str:
    ago = chance.uniform(1, max(1.0, count * EVERY_S / 86400 - 1))
    return (LAST - timedelta(days=ago)).strftime("%Y-%m-%d")


def _span(chance: random.Random, count: int, days: int) -> str:
    first = LAST - timedelta(days=chance.uniform(days, max(days, count * EVERY_S / 86400)))
    return f"from={first:%Y-%m-%dT%H:%M}&to={first + timedelta(days=days):%Y-%m-%dT%H:%M}"


ASKED = (
    Asked("list, newest", False, lambda c, n: "/inspections"),
    Asked("list, older page", False, lambda c, n: f"/inspections?before_id={c.randrange(100, n)}"),
    Asked("list of one day", False, lambda c, n: f"/inspections?from={(d := _day(c, n))}&to={d}"),
    Asked("one inspection", False, lambda c, n: f"/inspections/{c.randrange(max(1, n - WHOLE + 1), n)}"),
    Asked("one inspection's JSON", False, lambda c, n: f"/inspections/{c.randrange(max(1, n - WHOLE + 1), n)}.json"),
    Asked("an old inspection, numbers only", False, lambda c, n: f"/inspections/{c.randrange(1, n)}"),
    Asked("shift, now", False, lambda c, n: "/shift"),
    Asked("shift of one day", False, lambda c, n: f"/shift?day={_day(c, n)}"),
    Asked("health", False, lambda c, n: "/health"),
    Asked("calibrations", False, lambda c, n: "/calibrations"),
    Asked("review queue", False, lambda c, n: "/review"),
    Asked("review queue, worst first", False, lambda c, n: "/review?order=worst"),
    Asked("review of one", False, lambda c, n: f"/review/{c.randrange(max(1, n - WHOLE + 1), n)}"),
    Asked("limits", False, lambda c, n: "/limits?shell=toplid"),
    Asked("changes", False, lambda c, n: "/changes"),
    Asked("search: shell id", True, lambda c, n: f"/inspections?shell_id=A{c.randrange(1, n)}"),
    Asked("search: shell ids that begin so", True, lambda c, n: f"/inspections?shell_id=A{c.randrange(100, 999)}*"),
    Asked("search: bad ones", True, lambda c, n: "/inspections?answer=NONCONFORMING"),
    Asked("search: bad at a place", True, lambda c, n: "/inspections?answer=NONCONFORMING&place=rear+left+scallop"),
    Asked("search: not good at a place, 30 days", True, lambda c, n: f"/inspections?place=left+end&{_span(c, n, 30)}"),
    Asked("search: words in the reason", True, lambda c, n: f"/inspections?words=scallop+0.5{c.randrange(9)}"),
    Asked(
        "tune: a limit on the newest 10,000",
        True,
        lambda c, n: f"/tune?shell=toplid&upper=0.{c.randrange(35, 60)}&part=results",
    ),
    Asked("tune: other 10,000 shells each time", True, lambda c, n: f"/tune?shell=toplid&upper=0.4&{_span(c, n, 12)}"),
)


def _memory_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measure(data: Path, rounds: int) -> Iterator[tuple[Asked, float, float]]:
    """What was asked, median and 95th percentile [s]."""
    with Store.open(data, read_only=True) as store:
        count = store.listing(1)[0].inspection_id
    station = load_station(SAMPLES / "station.toml")
    app = create_app(station, data, clock=lambda: LAST, host_names=["testserver"])

    beside = ThreadPoolExecutor(1)  # a test of pages in a browser, earlier in this process, keeps a loop in this thread

    def get(path: str) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(app)
            async with httpx.AsyncClient(transport=transport, base_url="http://testserver", timeout=60) as client:
                return await client.get(path, headers={"accept": "text/html"})

        return beside.submit(asyncio.run, ask()).result()

    get("/inspections")  # definitions are read, templates made
    for asked in ASKED:
        chance, took = random.Random(asked.what), []
        for _ in range(rounds):
            path = asked.path(chance, count)
            began = time.perf_counter()
            answer = get(path)
            took.append(time.perf_counter() - began)
            assert answer.status_code == 200, (path, answer.status_code, answer.text[:300])
        yield asked, float(np.median(took)), float(np.percentile(took, 95))
    parts: Parts = app.state.parts
    parts.changes.close()
    parts.state.close()
    parts.store.close()


def main() -> None:
    data, rounds = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else ROUNDS
    print("| page | median [ms] | p95 [ms] |\n|---|---|---|")
    first = 0.0
    for asked, median, p95 in measure(data, rounds):
        first = first or _memory_mb()
        over = "" if p95 <= (1.0 if asked.search else 0.5) else " **over**"
        print(f"| {asked.what} | {1000 * median:.0f} | {1000 * p95:.0f}{over} |", flush=True)
    print(f"\nmemory held: {first:.0f} MB after the first page, {_memory_mb():.0f} MB after all")


if __name__ == "__main__":
    main()
