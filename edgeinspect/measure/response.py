"""How a camera's levels answer to light, as its owner states it, and the way back to levels that are light.

A blurred edge lies at half of the light. In levels that a curve has bent the half level is somewhere else: a gamma of
2.2 moves edges by 0.2 px, and makes holes 0.1 mm too large or too small.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array

GREATEST_GAMMA = 4.0
Points = tuple[tuple[float, float], ...]
Levels = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True)
class Response:
    """``curve``: "linear"; "srgb" (IEC 61966-2-1); a gamma, level = light ** (1 / gamma); or points (level, light) from
    (0, 0) to (1, 1), straight in between. Levels and light are shares of full scale. Raises ValueError if it is none.
    """

    curve: str | float | Points = "linear"

    def __post_init__(self) -> None:
        curve = self.curve
        if isinstance(curve, str):
            if curve not in ("linear", "srgb"):
                raise ValueError(f'is "{curve}", must be "linear", "srgb", a gamma, or points [level, light]')
        elif isinstance(curve, float | int):
            if not 1.0 <= curve <= GREATEST_GAMMA:
                raise ValueError(f"is {curve:g}, a gamma must be 1 to {GREATEST_GAMMA:g}")
        else:
            points = np.array(curve, dtype=np.float64)
            if len(points) < 2 or points[0].any() or (points[-1] != 1.0).any():
                raise ValueError("must begin with the point [0, 0] and end with [1, 1]")
            if not (np.diff(points, axis=0) > 0.0).all():
                raise ValueError("must rise from point to point, in level and in light")

    @property
    def is_linear(self) -> bool:
        return self.curve in ("linear", 1.0)

    def light(self, level: Array) -> Array:
        """Light of levels, both as shares of full scale."""
        if isinstance(self.curve, str):
            if self.curve == "linear":
                return level
            return np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
        if isinstance(self.curve, float | int):
            return np.asarray(level ** float(self.curve))
        points = np.array(self.curve, dtype=np.float64)
        return np.interp(level, points[:, 0], points[:, 1])

    def straightened(self, levels: Levels, bits: int) -> Levels:
        """Levels of ``bits`` as 16-bit levels of light; a linear camera's as they are."""
        return levels if self.is_linear else np.asarray(_table(self, bits)[levels])


LINEAR = Response()


@lru_cache(maxsize=8)
def _table(response: Response, bits: int) -> NDArray[np.uint16]:
    level = np.arange(2**bits) / (2**bits - 1)
    return np.rint(response.light(level) * 65535).astype(np.uint16)
