"""How a form names limits: the numbers that a person types, and the word for all zones at once."""

from __future__ import annotations

import math
from typing import TypeVar

from edgeinspect.errors import InputError

ALL_ZONES = "all zones"
Otherwise = TypeVar("Otherwise")


def number(name: str, text: str, otherwise: Otherwise) -> Otherwise | float:
    """A number as typed, with a comma or a true minus as well; ``otherwise`` where nothing is. Raises InputError."""
    if not text.strip():
        return otherwise
    try:
        value = float(text.strip().replace("−", "-").replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{name} is {text!r}, must be a number")
    return value
