"""What measuring costs (see bounds.py), by ratios in the same run, and that threads change no bit of it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from functools import partial

import pytest

from edgeinspect import cli
from edgeinspect.one_thread import give_way
from edgeinspect.simulate import bench
from tests.benchmarks import bounds
from tests.benchmarks.bounds import Four, One
from tests.benchmarks.speed import as_the_worker
from tests.samples.truth import ROOT

# Half a blur, ten times and 15 blurs are wanted (bounds.py prints how far off that is); held here is that it gets no
# worse: measured 1.05 to 1.18, 6.7 and 13.8 to 14.5. A neighbour slows one of the two down: the best of three counts.
REACHED_BLURS_20_MP, REACHED_TIMES_FASTER, REACHED_BLURS_FOUR = 1.3, 5.5, 16.0
TRIES = 3
pytestmark = pytest.mark.alone


@pytest.fixture(scope="module")
def twenty(tmp_path_factory: pytest.TempPathFactory) -> list[One]:
    folder = tmp_path_factory.mktemp("20MP")
    as_the_worker(bounds.make_pictures, folder, bounds.finer({"top": bench.top_camera()}, bounds.TWENTY_MP))
    return [as_the_worker(bounds.one_picture, folder, bounds.TWENTY_MP) for _ in range(TRIES)]


@pytest.fixture(scope="module")
def four(tmp_path_factory: pytest.TempPathFactory) -> list[Four]:
    folders = {scale: tmp_path_factory.mktemp("four") for scale in (1.0, bounds.TWELVE_MP)}
    for scale, folder in folders.items():
        as_the_worker(bounds.make_pictures, folder, bounds.finer(bounds.four_cameras(), scale))
    return [as_the_worker(bounds.four_pictures, folders[bounds.TWELVE_MP], folders[1.0]) for _ in range(TRIES)]


def test_a_trim_of_20_mp_costs_no_more_than_it_did(twenty: list[One]) -> None:
    assert min(one.trim_ms / one.blur_ms for one in twenty) <= REACHED_BLURS_20_MP, twenty


def test_a_trim_of_20_mp_is_faster_than_edges_of_the_whole_picture(twenty: list[One]) -> None:
    assert max(one.whole_picture_ms / one.trim_ms for one in twenty) >= REACHED_TIMES_FASTER, twenty


def test_four_pictures_of_12_mp_to_disk_cost_no_more_than_they_did(four: list[Four]) -> None:
    """By the processor's time of all threads: on two cores the wall's is no more but for waiting for the disk."""
    assert min(one.took_ms / one.blur_ms for one in four) <= REACHED_BLURS_FOUR, four


def test_memory_stays_within_twice_the_pictures(four: list[Four]) -> None:
    assert max(one.memory for one in four) <= bounds.MOST_MEMORY, four


ANSWER = "from tests.benchmarks.bounds import answer_sha256; print(answer_sha256())"
THREADS = "from threadpoolctl import threadpool_info as info; import scipy.linalg\n"
THREADS += "print(cv2.getNumThreads(), *sorted(pool['num_threads'] for pool in info() if pool['user_api'] == 'blas'))"


def said_by(threads: int, begin: str, ask: str) -> bytes:
    """By a process that was given so many threads for everything, and does ``begin`` first."""
    names = "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"
    env = {**os.environ, **dict.fromkeys(names, str(threads)), "PYTHONHASHSEED": "0"}
    call = f"import cv2; cv2.setNumThreads({threads}); {begin}\n"
    call += ask
    return subprocess.run([sys.executable, "-c", call], env=env, cwd=ROOT, capture_output=True, check=True).stdout


def test_threads_change_no_bit() -> None:
    """From the calibration pictures to trim and decal; and it is ``one_thread`` that sees to it."""
    as_the_program = "from edgeinspect.one_thread import one_thread; one_thread()"
    assert said_by(2, as_the_program, ANSWER) == said_by(1, as_the_program, ANSWER)
    # Else nothing was tried here. Whether two threads change bits is chance: the order in which they come to an end.
    assert set(said_by(2, "", THREADS).split()) == {b"2"}
    assert set(said_by(2, as_the_program, THREADS).split()) == {b"1"}


@pytest.mark.parametrize("begins", [partial(give_way, 0), cli.main])  # the worker and the study begin with the first
def test_whatever_measures_begins_with_one_thread(begins: Callable[[], None], monkeypatch: pytest.MonkeyPatch) -> None:
    class CalledError(Exception):
        pass

    def one_thread() -> None:
        raise CalledError

    called = begins.func if isinstance(begins, partial) else begins
    monkeypatch.setattr(sys.modules[called.__module__], "one_thread", one_thread)
    with pytest.raises(CalledError):
        begins()
