"""What placing a decal and its full answer cost (see placing.py), by ratios in the same run."""

from __future__ import annotations

import pytest

from edgeinspect.simulate import bench
from tests.benchmarks import bounds, placing
from tests.benchmarks.placing import Cost
from tests.benchmarks.speed import as_the_worker

pytestmark = pytest.mark.alone


@pytest.fixture(scope="module")
def costs(tmp_path_factory: pytest.TempPathFactory) -> list[Cost]:
    folder = tmp_path_factory.mktemp("20MP")
    as_the_worker(bounds.make_pictures, folder, bounds.finer({"top": bench.top_camera()}, bounds.TWENTY_MP))
    return [as_the_worker(placing.decal_cost, folder) for _ in range(placing.TRIES)]


def test_an_answer_while_it_is_placed_costs_at_most_8_blurs(costs: list[Cost]) -> None:
    assert min(one.followed_ms / one.blur_ms for one in costs) <= placing.MOST_BLURS_AIM, costs
    assert min(one.sought_ms / one.blur_ms for one in costs) <= placing.MOST_BLURS_AIM, costs


def test_the_full_answer_costs_at_most_30_blurs(costs: list[Cost]) -> None:
    assert min(one.full_ms / one.blur_ms for one in costs) <= placing.MOST_BLURS_FULL, costs
