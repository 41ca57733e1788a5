"""What measuring may cost at most (see bounds.py), by ratios in the same run, and that threads change no bit of it.

Wanted and not reached is said as such: a strict xfail fails as soon as the bound is kept, and then goes.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from edgeinspect.simulate import bench
from tests.benchmarks import bounds
from tests.benchmarks.bounds import Four, One
from tests.benchmarks.speed import as_the_worker
from tests.samples.truth import ROOT

REACHED_BLURS_20_MP = 2.0  # with what a neighbour on the machine adds


@pytest.fixture(scope="module")
def twenty(tmp_path_factory: pytest.TempPathFactory) -> One:
    folder = tmp_path_factory.mktemp("20MP")
    as_the_worker(bounds.make_pictures, folder, bounds.finer({"top": bench.top_camera()}, bounds.TWENTY_MP))
    return as_the_worker(bounds.one_picture, folder, bounds.TWENTY_MP)


@pytest.fixture(scope="module")
def four(tmp_path_factory: pytest.TempPathFactory) -> Four:
    folders = {scale: tmp_path_factory.mktemp("four") for scale in (1.0, bounds.TWELVE_MP)}
    for scale, folder in folders.items():
        as_the_worker(bounds.make_pictures, folder, bounds.finer(bounds.four_cameras(), scale))
    return as_the_worker(bounds.four_pictures, folders[bounds.TWELVE_MP], folders[1.0])


def test_a_trim_of_20_mp_costs_what_it_did(twenty: One) -> None:
    assert twenty.trim_ms <= REACHED_BLURS_20_MP * twenty.blur_ms, twenty


@pytest.mark.xfail(strict=True, reason="half a blur is wanted, 1.2 to 1.6 are reached: see DEVELOPERS.md")
def test_a_trim_of_20_mp_costs_half_a_blur(twenty: One) -> None:
    assert twenty.trim_ms <= bounds.MOST_BLURS_20_MP * twenty.blur_ms


@pytest.mark.xfail(strict=True, reason="ten times is wanted, five are reached: see DEVELOPERS.md")
def test_a_trim_of_20_mp_is_ten_times_faster_than_edges_of_the_whole_picture(twenty: One) -> None:
    assert twenty.whole_picture_ms >= bounds.LEAST_TIMES_FASTER * twenty.trim_ms


@pytest.mark.xfail(strict=True, reason="15 blurs are wanted, 36 are reached: see DEVELOPERS.md")
def test_four_pictures_of_12_mp_are_on_disk_within_15_blurs(four: Four) -> None:
    """By the processor's time: on two cores the wall's is no more but for waiting for the disk."""
    assert four.took_ms <= bounds.MOST_BLURS_FOUR * four.blur_ms, four


def test_memory_stays_within_twice_the_pictures(four: Four) -> None:
    assert four.memory <= bounds.MOST_MEMORY, four


@pytest.mark.xfail(strict=True, reason="bits differ; whether by calibration or by measuring is not known")
def test_threads_change_no_bit() -> None:
    """From the calibration pictures to trim and decal."""
    told = set()
    for threads in ("1", "2"):
        names = "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"
        env = {**os.environ, **dict.fromkeys(names, threads), "PYTHONHASHSEED": "0"}
        call = f"from tests.benchmarks.bounds import answer_sha256; print(answer_sha256({threads}))"
        done = subprocess.run([sys.executable, "-c", call], env=env, cwd=ROOT, capture_output=True, check=True)
        told.add(done.stdout)
    assert len(told) == 1
