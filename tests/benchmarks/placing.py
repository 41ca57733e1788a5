"""What a decal costs, in single-threaded blurs of the same picture of 20 MP in the same run: placing it, and the check.

``python -m tests.benchmarks.placing`` prints them. Wanted: at most 8 blurs for an answer while it is placed, 30 for
the full answer.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from edgeinspect.measure.aim import Tracker
from edgeinspect.shell.definition import Check
from edgeinspect.simulate import bench
from tests.benchmarks import bounds
from tests.benchmarks.speed import as_the_worker

MOST_BLURS_AIM, MOST_BLURS_FULL = 8.0, 30.0
TRIES = 3
ONLY_DECAL, BOTH = frozenset({Check.DECAL}), frozenset({Check.TRIM, Check.DECAL})


@dataclass(frozen=True)
class Cost:
    """Processor's time [ms] of a picture in memory, fixture marks included."""

    blur_ms: float
    followed_ms: float  # the decal lies about where it lay in the picture before
    sought_ms: float  # it was lost and is found where it belongs
    full_ms: float  # to the verdict, trim and decal


def decal_cost(folder: Path, scale: float = bounds.TWENTY_MP, rounds: int = 5) -> Cost:
    here = bounds.line(folder, bounds.finer({"top": bench.top_camera()}, scale))
    decal = here.gauge.setup.definition.decals[0].name
    follows = Tracker(decal)

    def aim(tracker: Tracker) -> object:
        found = here.gauge.measure("standard", here.pictures, bounds.temperature(), ONLY_DECAL, tracker)
        assert found.decals[0].there
        return found

    def seek() -> object:
        follows._last = None  # lost, and its prints at hand as they then are
        return aim(follows)

    picture = here.pictures["top"]
    works = partial(bounds.blurred, picture), partial(aim, follows), seek, partial(here.look, BOTH)
    return Cost(*bounds.alternating_ms(rounds, *works))


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as fresh:
        as_the_worker(bounds.make_pictures, Path(fresh), bounds.finer({"top": bench.top_camera()}, bounds.TWENTY_MP))
        for _ in range(TRIES):
            cost = as_the_worker(decal_cost, Path(fresh))
            blurs = [ms / cost.blur_ms for ms in (cost.followed_ms, cost.sought_ms, cost.full_ms)]
            words = "followed {:.1f}, sought {:.1f}, full {:.1f} blurs".format(*blurs)
            print(f"a blur {cost.blur_ms:.1f} ms; {words}", flush=True)
