"""Lengths at 20 degC, the reference temperature of ISO 1."""

from __future__ import annotations

from dataclasses import dataclass

from edgeinspect.shell.definition import Material

REFERENCE_C = 20.0


@dataclass(frozen=True)
class Temperature:
    """The shell's temperature while it was looked at. Not stated means that the station's usual range stands for it."""

    celsius: float
    u_celsius: float = 0.5
    stated: bool = True

    @staticmethod
    def within(low_c: float, high_c: float) -> Temperature:
        """Not stated: the middle of a range, evenly likely anywhere in it (JCGM 100, 4.3.7)."""
        return Temperature((low_c + high_c) / 2.0, (high_c - low_c) / 12.0**0.5, False)


def growth(material: Material, temperature: Temperature) -> float:
    """Length at the shell's temperature over length at 20 degC."""
    return 1.0 + material.expansion_per_k * (temperature.celsius - REFERENCE_C)


def u_growth(material: Material, temperature: Temperature) -> float:
    """Standard uncertainty of ``growth``: not knowing the temperature, and not knowing the material."""
    from_temperature = material.expansion_per_k * temperature.u_celsius
    from_material = material.u_expansion_per_k * (temperature.celsius - REFERENCE_C)
    return float((from_temperature**2 + from_material**2) ** 0.5)
