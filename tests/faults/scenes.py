"""Shells of the fast renderer with one thing wrong, and with one characteristic brought exactly to a chosen value.

The truth of each is checked by the simulator's own geometry (simulate/truth.py), which shares nothing with measuring.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import PlaneShift, Pose, frozen
from edgeinspect.simulate import bench, fast, toplid
from edgeinspect.simulate.camera import TrueCamera
from edgeinspect.simulate.cases import bump, natural_shell
from edgeinspect.simulate.light import exposed
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene
from edgeinspect.simulate.truth import cutout_truth, edge_truth, in_zone, zone_truth

Array = NDArray[np.float64]
Levels = NDArray[np.uint8]
ZONES = tuple(toplid.zone_spans_mm())
# limits of models/toplid/shell.toml for all that is judged; a minus sign is the lower side
LIMITS: dict[str, float] = {
    **{f"zone {zone} most": 0.5 for zone in ZONES},
    **{f"zone {zone} least": -0.5 for zone in ZONES},
    "path shift": 0.4,
    "path rotation": 0.15,
    "lock_hole position": 0.4,
    "hinge_slot_left position": 0.4,
    "hinge_slot_right position": 0.4,
    "lock_hole diameter": 0.25,
    "hinge_slot_left length": -0.3,
    "hinge_slot_left width": -0.3,
    "hinge_slot_right length": 0.3,
    "hinge_slot_right width": 0.3,
    "decal across": 1.0,
    "decal up": -1.0,
    "decal rotation": 0.8,
}


def scene_of(shell: CutShell | None, seed: int, camera: TrueCamera | None = None) -> Scene:
    return Scene(camera or bench.top_camera(), shell, seed=seed)


@cache
def good_picture(seed: int) -> Array:
    """A good shell without noise, 1.0 = white; rendered once, for the faults that happen to the picture."""
    picture = fast.picture(scene_of(natural_shell(seed), seed))
    picture.setflags(write=False)
    return picture


def taken(picture: Array, seed: int) -> Levels:
    """As the sensor gives it."""
    return np.asarray(exposed(scene_of(None, seed), np.asarray(picture)))


def brought_to(characteristic: str, value: float, seed: int) -> Scene:
    """A natural shell whose ``characteristic`` (of LIMITS) is exactly ``value`` [mm or deg]."""
    shell, random = natural_shell(seed), np.random.default_rng([seed, 1])
    words = characteristic.split()
    if words[0] == "zone":
        return scene_of(_with_zone(shell, words[1], value), seed)
    if words[0] == "path":
        return scene_of(_with_path(shell, words[1], value, random), seed)
    if words[0] == "decal":
        assert shell.decal is not None
        field = {"across": "dx_mm", "up": "dy_mm", "rotation": "rotation_deg"}[words[1]]
        return scene_of(replace(shell, decal=replace(shell.decal, **{field: value})), seed)
    if words[1] == "position":
        return scene_of(_with_hole_at(shell, words[0], value, random), seed)
    return scene_of(_with_size(shell, words[0], words[1], value), seed)


def true_values(scene: Scene) -> dict[str, float]:
    """What every one of LIMITS truly is in a scene, by the simulator's own geometry."""
    shell = scene.shell
    assert shell is not None
    assert shell.decal is not None
    values: dict[str, float] = {}
    for name, zone in zone_truth(edge_truth(scene)).items():
        values[f"zone {name} most"], values[f"zone {name} least"] = zone["datum_max_mm"], zone["datum_min_mm"]
    values["path shift"] = float(np.hypot(shell.path.dx_mm, shell.path.dy_mm))
    values["path rotation"] = shell.path.rotation_deg
    for name, cut in ((name, cutout_truth(scene)[name.replace("_", "-")]) for name in toplid.cutouts()):
        values[f"{name} position"] = float(np.hypot(*cut["off_mm"]))
        kinds = ("diameter",) if name == "lock_hole" else ("length", "width")
        for kind, nominal in zip(kinds, toplid.cutout_sizes_mm(name), strict=True):
            values[f"{name} {kind}"] = cut[f"{kind}_mm"] - nominal
    values |= {"decal across": shell.decal.dx_mm, "decal up": shell.decal.dy_mm}
    values["decal rotation"] = shell.decal.rotation_deg
    return values


def _with_zone(shell: CutShell, zone: str, value_mm: float) -> CutShell:
    """The zone's greatest (or, below zero, least) deviation in the datum frame at 20 degC is ``value_mm``."""
    start, end = toplid.zone_spans_mm()[zone]
    length = toplid.rim().length_mm
    span = (end - start) % length
    shape = bump((start + span / 2) % length, min(0.8 * span, 80.0), min(0.2 * span, 10.0))
    pick = np.max if value_mm > 0 else np.min

    def raised(height_mm: float) -> CutShell:
        return replace(shell, rim_deviation_mm=frozen(shell.rim_deviation_mm + height_mm * shape))

    def peak(height_mm: float) -> float:
        edge = edge_truth(scene_of(raised(height_mm), 0))
        return float(pick(edge.deviation_datum_mm[in_zone(edge.arc_mm, zone)]))

    return raised(_solved(peak, value_mm))


class UnreachableError(Exception):
    """A zone's natural waves reach further than the value that was asked for."""


def _solved(value: Callable[[float], float], target: float) -> float:
    """Secant."""
    a, b = 0.7 * target, target
    value_a, value_b = value(a), value(b)
    while abs(value_b - target) > 1e-6:
        if value_a == value_b:
            raise UnreachableError
        a, b, value_a = b, b + (target - value_b) * (b - a) / (value_b - value_a), value_b
        value_b = value(b)
    return b


def _with_path(shell: CutShell, kind: str, value: float, random: np.random.Generator) -> CutShell:
    """The whole cut off in the fixture, with the shell sitting off by the same, so that nothing else is near its
    limit. No waves: they have a small shift and turn of their own.
    """
    angle = random.uniform(0, 2 * np.pi)
    path = PlaneShift(value * float(np.cos(angle)), value * float(np.sin(angle)), 0.0)
    if kind == "rotation":
        path = PlaneShift(0.0, 0.0, value)
    seating = path.pose().after(shell.seating)
    return replace(shell, path=path, seating=seating, rim_deviation_mm=frozen(np.zeros(1)))


def _with_hole_at(shell: CutShell, name: str, value_mm: float, random: np.random.Generator) -> CutShell:
    """The cut-out's centre ``value_mm`` from its place in the shell's datum frame, in a random direction."""
    angle = random.uniform(0, 2 * np.pi)
    wanted = value_mm * np.array([np.cos(angle), np.sin(angle)])
    for _ in range(4):
        off = cutout_truth(scene_of(shell, 0))[name.replace("_", "-")]["off_mm"]
        change = shell.cutouts[name]
        dx, dy = np.array([change.dx_mm, change.dy_mm]) + wanted - off
        shell = _with_change(shell, name, replace(change, dx_mm=float(dx), dy_mm=float(dy)))
    return shell


def _with_size(shell: CutShell, name: str, kind: str, value_mm: float) -> CutShell:
    at = 1 if kind == "width" else 0
    nominal = toplid.cutout_sizes_mm(name)[at]
    sizes = list(shell.cutouts[name].size_change_mm)
    sizes[at] = (nominal + value_mm) * shell.growth - nominal  # cut in a warm shell
    return _with_change(shell, name, replace(shell.cutouts[name], size_change_mm=tuple(sizes)))


def _with_change(shell: CutShell, name: str, change: CutOutChange) -> CutShell:
    return replace(shell, cutouts={**shell.cutouts, name: change})


def seated(shell: CutShell, shift_mm: tuple[float, float, float], turn_deg: tuple[float, float, float]) -> CutShell:
    """A trimmed shell put back some other way: moved, turned about the nest's middle, and its cut with it."""
    moved = Pose.from_degrees(turn_deg, shift_mm)
    middle = bench.NOMINAL_SEATING.translation_mm
    away = moved.rotation @ (shell.seating.translation_mm - middle)
    seating = Pose(moved.rotation @ shell.seating.rotation, middle + away + shift_mm)
    return replace(shell, seating=seating, path=PlaneShift(shift_mm[0], shift_mm[1], turn_deg[2]))


def knocked(camera: TrueCamera, apparent_mm: float, seed: int) -> TrueCamera:
    """The camera turned and shifted some way, so far that a place on the rim seems to move by at most
    ``apparent_mm``.
    """
    random = np.random.default_rng([seed, 2])
    turn, shift = random.normal(0, 0.03, 3), random.normal(0, 0.1, 3)
    rim = bench.NOMINAL_SEATING.apply(toplid.rim().points_mm)[::20]
    depth = camera.pose.apply(rim)[:, 2]

    def by(share: float) -> float:
        there = camera.moved(tuple(share * turn), tuple(share * shift))
        away = np.linalg.norm(there.project(rim) - camera.project(rim), axis=1)
        return float((away * depth / camera.fx_px).max())

    share = _solved(by, apparent_mm)
    return camera.moved(tuple(share * turn), tuple(share * shift))
