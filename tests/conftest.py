"""What every test may ask for."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import NoReturn

import pytest

MissingPart = Callable[[str], NoReturn]


@pytest.fixture(scope="session")
def missing_part() -> MissingPart:
    """Call it when a part outside Python is not there: a skip that says what to install, in CI a failure."""

    def say(sentence: str) -> NoReturn:
        if os.environ.get("CI") == "true":
            pytest.fail(sentence)
        pytest.skip(sentence)

    return say
