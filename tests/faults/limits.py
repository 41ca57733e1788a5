"""Simulated shells near their limits, by number: what ``many`` counts and CI looks at a few of.

The guard of a characteristic is the gauge's own, as it states it on a shell at the warm end of what the line makes.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from edgeinspect.conformity import Verdict, judge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check
from edgeinspect.simulate import fast
from edgeinspect.simulate.cases import natural_shell
from edgeinspect.simulate.scene import Scene
from tests.samples import looks

from .scenes import LIMITS, UnreachableError, brought_to, scene_of, true_values

WARM_C = 24.0
A_LITTLE = 1.1  # g differs from shell to shell by less than this


@cache
def guards() -> dict[str, float]:
    """g of everything in LIMITS, by one look at one good shell, and a little more."""
    shell = replace(natural_shell(5), temperature_c=WARM_C)
    found = looks.gauge().measure("standard", {"top": fast.render_quickly(scene_of(shell, 5))}, Temperature(WARM_C))
    told = {}
    for finding in judge(found, looks.gauge().setup.definition).findings:
        assert finding.guard is not None
        told[key(finding.characteristic)] = A_LITTLE * finding.guard
    return told


def key(characteristic: str) -> str:
    """A finding's characteristic as LIMITS calls it, without the side of a zone."""
    words = characteristic.removeprefix("cut-out ").replace("decal badge", "decal")
    for name in ("lock-hole", "hinge-slot-left", "hinge-slot-right"):
        words = words.replace(name, name.replace("-", "_"))
    return words


def guard(name: str) -> float:
    """g of one of LIMITS."""
    return guards()[" ".join(name.split()[:2]) if name.startswith("zone") else name]


def chosen(number: int, seed: int) -> str:
    """Every characteristic in turn, beginning anywhere."""
    names = list(LIMITS)
    return names[(int(np.random.default_rng(seed).integers(len(names))) + 7 * number) % len(names)]


def has_room(scene: Scene, but: str = "") -> bool:
    """Whether every true value but one stays 2 g inside its limits."""
    return all(
        abs(value) <= abs(LIMITS[name]) - 2 * guard(name) for name, value in true_values(scene).items() if name != but
    )


def good_shell(number: int) -> Scene:
    """One characteristic anywhere up to its limit less 2 g, the others natural."""
    for attempt in range(20):
        seed = 20_000 + 100 * number + attempt
        name = chosen(number, 1)
        share = np.random.default_rng([seed, 5]).uniform(0.3, 1.0)
        wanted = float(share * np.sign(LIMITS[name]) * (abs(LIMITS[name]) - 2 * guard(name)))
        try:
            scene = brought_to(name, wanted, seed)
        except UnreachableError:
            continue
        if has_room(scene):
            return scene
    raise AssertionError("no such shell in twenty")


def bad_shell(number: int, in_guards: float) -> tuple[str, Scene]:
    """One characteristic at its limit plus so many g, the others with room."""
    name = chosen(number, 2)
    value = float(np.sign(LIMITS[name]) * (abs(LIMITS[name]) + in_guards * guard(name)))
    for attempt in range(20):
        scene = brought_to(name, value, 60_000 + 100 * number + attempt)
        if has_room(scene, but=name):
            assert abs(true_values(scene)[name] - value) < 1e-3
            return name, scene
    raise AssertionError("no such shell in twenty")


def look_at(scene: Scene, checks: frozenset[Check] | None = None) -> Verdict:
    """What the demo's gauge says, told the true temperature."""
    assert scene.shell is not None
    temperature = Temperature(scene.shell.temperature_c)
    found = looks.gauge().measure("standard", {"top": fast.render_quickly(scene)}, temperature, checks)
    return judge(found, looks.gauge().setup.definition)


def checks_of(name: str) -> frozenset[Check]:
    """What one characteristic needs: the decal takes nine tenths of a look."""
    return frozenset({Check.TRIM, Check.DECAL} if name.startswith("decal") else {Check.TRIM})
