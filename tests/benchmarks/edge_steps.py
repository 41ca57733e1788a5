"""Pictures of one blurred step with exactly known place, and what their raw pixels can tell of it at best.

A pixel's level is the exact integral over its square of the step behind a Gaussian blur: closed forms for a straight
edge, quadrature for a round one. Nothing of the measuring code is used. Noise: Poisson of counted electrons, Gaussian
of reading, rounding to levels.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]
STEP_PX = 0.005  # of the tables of levels across the edge
REACH_PX = 18.0


@dataclass(frozen=True)
class Sensor:
    full_well: float  # electrons at full scale
    read: float  # electrons
    bits: int

    def variance(self, level: Array) -> Array:
        """Of a pixel [full scale, squared]."""
        rounding = 1.0 / (12.0 * (2**self.bits - 1) ** 2)
        return np.asarray((self.read / self.full_well) ** 2 + rounding + np.maximum(level, 0.0) / self.full_well)

    def expose(self, level: Array, random: np.random.Generator) -> NDArray[np.uint8] | NDArray[np.uint16]:
        counted = random.poisson(np.maximum(level, 0.0) * self.full_well)
        counted = counted + random.normal(0.0, self.read, level.shape)
        top = 2**self.bits - 1
        levels = np.clip(np.rint(counted / self.full_well * top), 0, top)
        return levels.astype(np.uint8) if self.bits == 8 else levels.astype(np.uint16)


@dataclass(frozen=True)
class Step:
    """From ``low`` inside to ``high`` outside; ``inner``, ``outer`` - slopes of the level on both sides [per px]."""

    blur: float  # px, of the optics; the pixel's square comes on top
    low: float
    high: float
    inner: float = 0.0
    outer: float = 0.0


def _once(x: Array, s: float) -> Array:
    """Integral of the normal distribution function of x / s over x; below, twice and three times."""
    return np.asarray(x * ndtr(x / s) + s * s * _bell(x, s))


def _twice(x: Array, s: float) -> Array:
    return np.asarray(0.5 * ((x * x + s * s) * ndtr(x / s) + x * s * s * _bell(x, s)))


def _thrice(x: Array, s: float) -> Array:
    return np.asarray((x * (x * x + 3 * s * s) * ndtr(x / s) + (x * x + 2 * s * s) * s * s * _bell(x, s)) / 6.0)


def _bell(x: Array, s: float) -> Array:
    return np.asarray(np.exp(-0.5 * (x / s) ** 2) / (s * np.sqrt(2 * np.pi)))


@cache
def straight(step: Step, angle_rad: float) -> tuple[Array, Array]:
    """Distances [px] from the edge and the levels of pixels there; the normal lies at ``angle_rad`` to x."""
    d = np.arange(-REACH_PX, REACH_PX, STEP_PX)
    a, b = sorted((abs(np.cos(angle_rad)) / 2, abs(np.sin(angle_rad)) / 2))
    s = step.blur
    if a < 1e-3:
        share = (_once(d + b, s) - _once(d - b, s)) / (2 * b)
        ramp = (_twice(d + b, s) - _twice(d - b, s)) / (2 * b)
    else:
        share, ramp = (
            (f(d + a + b, s) - f(d + a - b, s) - f(d - a + b, s) + f(d - a - b, s)) / (4 * a * b)
            for f in (_twice, _thrice)
        )
    return d, step.low + (step.high - step.low) * share + step.outer * ramp + step.inner * (d - ramp)


@cache
def round_edge(step: Step, radius: float) -> tuple[Array, Array]:
    """Distances [px] from a disc's middle and the levels there behind the blur, before the pixel's square."""
    s = step.blur
    r = np.arange(0.0, radius + REACH_PX, STEP_PX)
    y = np.linspace(-6 * s, 6 * s, 1201)
    weight = np.exp(-0.5 * (y / s) ** 2)
    weight /= weight.sum()
    chord = np.sqrt(np.maximum(radius**2 - y**2, 0.0))
    inside = np.zeros_like(r)
    for half, share in zip(chord, weight, strict=True):
        inside += share * (ndtr((half - r) / s) - ndtr((-half - r) / s))
    return r, step.high + (step.low - step.high) * inside


def straight_picture(shape: tuple[int, int], step: Step, angle_rad: float, offset: float) -> Array:
    """The edge lies ``offset`` px from the middle."""
    y, x = (np.arange(n) - (n - 1) / 2 for n in shape)
    d = np.cos(angle_rad) * x[None, :] + np.sin(angle_rad) * y[:, None] - offset
    return np.interp(np.clip(d, -REACH_PX, REACH_PX - 1), *straight(step, angle_rad))


def round_picture(size: int, step: Step, radius: float, centre: Array) -> Array:
    """A disc; the pixel's square by 4 x 4 Gauss-Legendre points."""
    nodes, weights = np.polynomial.legendre.leggauss(4)
    y, x = np.mgrid[:size, :size].astype(float)
    table = round_edge(step, radius)
    total = np.zeros((size, size))
    for u, wu in zip(nodes / 2, weights / 2, strict=True):
        for v, wv in zip(nodes / 2, weights / 2, strict=True):
            total += wu * wv * np.interp(np.hypot(x + u - centre[0], y + v - centre[1]), *table)
    return total


def bound_px(step: Step, angle_rad: float, sensor: Sensor, half_px: float, length_px: float = 300.0) -> float:
    """Cramér-Rao bound [px] of the place of 1 px of a straight edge, place, both levels and blur unknown.

    From the Fisher information of all raw pixels whose middle lies within ``half_px`` of the edge, along ``length_px``
    of it; N px of edge are known sqrt(N) times better. (That the noise itself depends on the level tells less than
    0.2 % more, and is left out.)
    """
    half = int(length_px / 2 + half_px) + 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    d = np.cos(angle_rad) * x + np.sin(angle_rad) * y - 0.2137
    along = -np.sin(angle_rad) * x + np.cos(angle_rad) * y
    d = d[(np.abs(d) <= half_px) & (np.abs(along) <= length_px / 2)]

    def level(move: float = 0.0, low: float = 0.0, high: float = 0.0, blur: float = 0.0) -> Array:
        other = Step(step.blur + blur, step.low + low, step.high + high, step.inner, step.outer)
        return np.interp(d - move, *straight(other, angle_rad))

    e = 0.01
    slopes = [(level(**{name: e}) - level(**{name: -e})) / (2 * e) for name in ("move", "low", "high", "blur")]
    rows = np.array(slopes)
    information = (rows / sensor.variance(level())) @ rows.T
    return float(np.sqrt(np.linalg.inv(information)[0, 0] * length_px))
