"""Measure with one thread, so that the same picture gives the same numbers to the last bit on every machine.

Sums are taken in another order when linear algebra or OpenCV share them out among threads: a calibration's focal length
then moves by 3e-9 px, and everything after it. A core that measuring leaves alone is the pages'.
"""

from __future__ import annotations

import os
import sys

import cv2
import scipy.linalg  # noqa: F401 - brings its own linear algebra, which must be there to be told
from threadpoolctl import threadpool_limits


def one_thread() -> None:
    """For this process, from now on, whatever the environment says. Every process that measures begins with it."""
    cv2.setNumThreads(1)
    threadpool_limits(1)


def give_way(niceness: int) -> None:
    """A page that a person waits for comes first: this process uses one core, and gives that up too.

    Parameters: niceness - 0 as everybody to 19; of two that give way, the lower one goes first.
    """
    one_thread()
    if hasattr(os, "nice"):
        os.nice(niceness)
    if sys.platform == "linux":
        os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))  # whoever wakes up goes first
