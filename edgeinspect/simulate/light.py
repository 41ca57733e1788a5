"""The light of the demo station: a soft dome and a large ring, and what the camera's sensor makes of it."""

from __future__ import annotations

from functools import cache, lru_cache
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from edgeinspect.geometry import Array, frozen
from edgeinspect.simulate import kernels
from edgeinspect.simulate.camera import TrueCamera, undistort
from edgeinspect.simulate.scene import Scene

RING_CENTRE_MM, RING_RADII_MM, RING_SOFT_MM = (25.0, 40.0, 800.0), (360.0, 560.0), 25.0
DOME_RADIANCE, RING_RADIANCE = 0.55, 3.2


def sky_parts(ox: Any, oy: Any, oz: Any, dx: Any, dy: Any, dz: Any, larger: Any, smaller: Any) -> Any:
    """Radiance that arrives along a ray (origin o [mm], direction d upwards) that meets nothing; numpy or drjit arrays.

    ``larger`` and ``smaller`` are the array library's elementwise maximum and minimum. Below the horizon it is dark.
    """
    up = larger(dz, 1e-4)
    reach = (RING_CENTRE_MM[2] - oz) / up
    rx, ry = ox + reach * dx - RING_CENTRE_MM[0], oy + reach * dy - RING_CENTRE_MM[1]
    radius = (rx * rx + ry * ry) ** 0.5
    inner, outer = (radius - RING_RADII_MM[0]) / RING_SOFT_MM, (RING_RADII_MM[1] - radius) / RING_SOFT_MM
    ring = larger(0.0, smaller(1.0, inner + 0.5)) * larger(0.0, smaller(1.0, outer + 0.5))
    above = smaller(1.0, larger(0.0, dz) * 50.0)
    return above * (DOME_RADIANCE * (0.75 + 0.25 * dz) + RING_RADIANCE * ring)


@cache
def reference_radiance() -> float:
    """Radiance of a perfectly white matt surface at the fixture origin with nothing around it: the exposure is set by
    it.
    """
    n = 400
    a, b = np.meshgrid((np.arange(n) + 0.5) / n, (np.arange(n) + 0.5) / n)
    sine, angle = np.sqrt(a), 2 * np.pi * b
    zero = np.zeros_like(a)
    light = sky_parts(
        zero, zero, zero, sine * np.cos(angle), sine * np.sin(angle), np.sqrt(1 - a), np.maximum, np.minimum
    )
    return float(np.mean(light))


def fall_off(camera: TrueCamera) -> Array:
    """Relative illumination (H, W) of the picture: cosine to the fourth."""
    return _fall_off(
        camera.width_px, camera.height_px, camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, camera.distortion
    )


@lru_cache(maxsize=4)
def _fall_off(
    width: int, height: int, fx: float, fy: float, cx: float, cy: float, distortion: tuple[float, ...]
) -> Array:
    # Smooth all over the picture: a polynomial through a few points of it is exact to 1e-9, and forty times faster.
    nodes = np.cos(np.pi * (np.arange(24) + 0.5) / 24)
    ends = np.array([width - 1, height - 1]) / 2.0
    u, v = np.meshgrid((nodes + 1.0) * ends[0], (nodes + 1.0) * ends[1])
    x, y = undistort((u - cx) / fx, (v - cy) / fy, distortion)
    at_nodes = np.linalg.inv(chebyshev.chebvander(nodes, 23))
    terms = at_nodes @ (1.0 + x * x + y * y) ** -2.0 @ at_nodes.T
    across, down = (chebyshev.chebvander(np.linspace(-1.0, 1.0, n), 23) for n in (width, height))
    return frozen(down @ terms @ across.T)


def exposed(scene: Scene, picture: Array) -> NDArray[np.uint8]:
    """The 8-bit picture (H, W) of radiances relative to a white tag (1.0), with shot and read noise."""
    sensor, random = scene.sensor, np.random.default_rng([scene.seed, 77])
    if scene.covered_lens:
        picture = leak_of_light(scene.camera)
    gain = 255.0 / sensor.full_well  # levels per electron
    electrons = np.maximum(picture * sensor.white / gain, 0.0)
    noisy = random.poisson(electrons) + random.normal(0.0, sensor.read_noise_electrons, electrons.shape)
    return np.asarray(np.clip(np.rint(noisy * gain + 2.0), 0, 255), dtype=np.uint8)  # 2 levels of black offset


def exposed_quickly(scene: Scene, picture: Array) -> NDArray[np.uint8]:
    """As ``exposed`` in an eighth of the time, for pictures by the thousand: shot and read noise as one normal error.
    From 100 electrons on (the bare plate has 400) a Poisson number differs from it by a skewness below 0.1.
    """
    sensor, random = scene.sensor, np.random.default_rng([scene.seed, 77])
    noise = random.standard_normal(picture.shape, dtype=np.float32)
    gain = 255.0 / sensor.full_well
    return kernels.exposed(picture, noise, sensor.white / gain, sensor.read_noise_electrons, gain, 2.0)


def leak_of_light(camera: TrueCamera) -> Array:
    """What is left with the lens covered: a faint glow that comes in at one corner."""
    u, v = np.meshgrid(np.linspace(0, 1, camera.width_px), np.linspace(0, 1, camera.height_px))
    return np.asarray(0.004 + 0.022 * np.exp(-((1 - u) ** 2 + v**2) / 0.18))
