"""Lengths at 20 degC, the reference temperature of ISO 1, and how long a warm shell has to wait."""

from __future__ import annotations

import math
from dataclasses import dataclass

from edgeinspect.shell.definition import Material

REFERENCE_C = 20.0
U_CELSIUS = 0.5  # standard uncertainty of a shell's temperature that was measured by hand

# A sheet in still air gives its heat off on both faces, by free convection and radiation. Common practice, no source:
HEAT_J_PER_M3_K = 1.6e6  # of ABS, PC, PMMA, PS and HDPE, within a seventh
TRANSFER_W_PER_M2_K = 7.0  # of one face
COOL_WITHIN_K = 0.5  # of the room: then it counts as cooled


@dataclass(frozen=True)
class Temperature:
    """The shell's temperature while it was looked at. Not stated means that the station's usual range stands for it."""

    celsius: float
    u_celsius: float = U_CELSIUS
    stated: bool = True
    usual_c: tuple[float, float] | None = None  # lowest, highest of shells in that room; None: not known

    @staticmethod
    def within(low_c: float, high_c: float) -> Temperature:
        """Not stated: the middle of a range, evenly likely anywhere in it (JCGM 100, 4.3.7)."""
        return Temperature((low_c + high_c) / 2.0, (high_c - low_c) / 12.0**0.5, False, (low_c, high_c))

    @property
    def warm_k(self) -> float:
        """How much warmer than the room the shell was stated to be; 0 where that is usual."""
        if not self.stated or self.usual_c is None or self.celsius <= self.usual_c[1]:
            return 0.0
        return self.celsius - sum(self.usual_c) / 2.0


def growth(material: Material, temperature: Temperature) -> float:
    """Length at the shell's temperature over length at 20 degC."""
    return 1.0 + material.expansion_per_k * (temperature.celsius - REFERENCE_C)


def u_growth(material: Material, temperature: Temperature) -> float:
    """Standard uncertainty of ``growth``: not knowing the temperature, and not knowing the material."""
    from_temperature = material.expansion_per_k * temperature.u_celsius
    from_material = material.u_expansion_per_k * (temperature.celsius - REFERENCE_C)
    return float((from_temperature**2 + from_material**2) ** 0.5)


def cooling_s(sheet_mm: float) -> float:
    """Time [s] in which a sheet loses 63 % of what it is warmer than the air: Newton's law, the sheet at one
    temperature all through (its Biot number is 0.06 at 3 mm).
    """
    return HEAT_J_PER_M3_K * sheet_mm * 1e-3 / (2.0 * TRANSFER_W_PER_M2_K)


def minutes_to_cool(sheet_mm: float, warm_k: float) -> int:
    """Whole minutes until a sheet that is ``warm_k`` warmer than the room is within COOL_WITHIN_K of it; 0 if it is."""
    if warm_k <= COOL_WITHIN_K:
        return 0
    return math.ceil(cooling_s(sheet_mm) * math.log(warm_k / COOL_WITHIN_K) / 60.0)


def warm_words(sheet_mm: float, warm_k: float) -> str:
    """What to do with a warm shell, "" with one that is not."""
    minutes = minutes_to_cool(sheet_mm, warm_k)
    return f"about {warm_k:.0f} °C warm: wait {minutes} min" if minutes else ""
