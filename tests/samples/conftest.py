"""Calibrated once, each picture measured and judged once; the tests of this folder only compare."""

from __future__ import annotations

import pytest

from . import looks
from .looks import SHELLS, Look
from .truth import Truth


@pytest.fixture(scope="session")
def truth() -> Truth:
    return looks.truth()


@pytest.fixture(scope="session")
def every_look() -> dict[str, Look]:
    return {shell_id: looks.look(shell_id) for shell_id in SHELLS}
