"""Measure with one thread, so that the same picture gives the same numbers to the last bit on every machine.

Sums are taken in another order when linear algebra or OpenCV share them out among threads: a calibration's focal length
then moves by 3e-9 px, and everything after it. A core that measuring leaves alone is the pages'.
"""

from __future__ import annotations

import cv2
import scipy.linalg  # noqa: F401 - brings its own linear algebra, which must be there to be told
from threadpoolctl import threadpool_limits


def one_thread() -> None:
    """For this process, from now on, whatever the environment says. Every process that measures begins with it."""
    cv2.setNumThreads(1)
    threadpool_limits(1)
