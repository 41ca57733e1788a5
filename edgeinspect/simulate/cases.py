"""The pictures of sample_images/: twelve board poses, the board in the fixture and ten shells, each with its story."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from edgeinspect.geometry import Array, PlaneShift, Pose, frozen
from edgeinspect.simulate import bench, toplid
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene
from edgeinspect.simulate.truth import edge_truth, in_zone

# centre of the printed face [mm], then rotations about x, y, z [deg]: the board is held in the air above the plate
BOARD_POSES = (
    ((0.0, 0.0, 24.0), (2.0, -1.5, 1.0)),
    ((-38.0, 30.0, 66.0), (20.0, 3.0, -2.0)),
    ((42.0, 28.0, 80.0), (-2.0, 22.0, 2.0)),
    ((60.0, -44.0, 82.0), (-24.0, -4.0, 3.0)),
    ((-44.0, -30.0, 90.0), (3.0, -25.0, -1.0)),
    ((0.0, 0.0, 112.0), (30.0, 10.0, 4.0)),
    ((0.0, 10.0, 118.0), (2.0, 33.0, 5.0)),
    ((10.0, -5.0, 130.0), (5.0, -34.0, -8.0)),
    ((-5.0, 0.0, 92.0), (-33.0, -4.0, 10.0)),
    ((4.0, -3.0, 82.0), (8.0, 15.0, 90.0)),
    ((60.0, 42.0, 86.0), (-12.0, 14.0, 178.0)),
    ((-66.0, -54.0, 104.0), (14.0, -16.0, -6.0)),
)


def board_scenes() -> dict[str, Scene]:
    """Calibration pictures by name: board_01 to board_12 and fixture_board."""
    camera = bench.top_camera()
    scenes = {"fixture_board": Scene(camera, board=bench.BOARD_IN_FIXTURE, seed=100)}
    for number, (centre, turn) in enumerate(BOARD_POSES, start=1):
        scenes[f"board_{number:02d}"] = Scene(camera, board=Pose.from_degrees(turn, centre), seed=100 + number)
    return scenes


@dataclass(frozen=True)
class ShellCase:
    """One shell picture: what it shows, in words, and why there can be no result (None if there can)."""

    words: str
    scene: Scene
    refusal: str | None = None


def _even_arc() -> Array:
    length = toplid.rim().length_mm
    return np.asarray(np.linspace(0.0, length, int(np.ceil(length / 0.5)), endpoint=False))


def waviness(random: np.random.Generator, peak_mm: float) -> Array:
    """Low-frequency cutter waviness over the rim (harmonics 3 to 14: waves of 450 to 95 mm), greatest value
    ``peak_mm``.
    """
    turn = 2 * np.pi * _even_arc() / toplid.rim().length_mm
    waves = sum(random.normal() / k**0.5 * np.cos(k * turn + random.uniform(0, 2 * np.pi)) for k in range(3, 15))
    return frozen(np.asarray(waves) * (peak_mm / np.abs(waves).max()))


def bump(centre_mm: float, length_mm: float, flat_mm: float = 0.0) -> Array:
    """A smooth bump of height 1 over the rim, centred at an arc length, with a flat top and raised-cosine ends."""
    length = toplid.rim().length_mm
    away = np.abs((_even_arc() - centre_mm + length / 2) % length - length / 2)
    end = (length_mm - flat_mm) / 2
    t = np.clip((away - flat_mm / 2) / end, 0.0, 1.0)
    return frozen(0.5 * (1 + np.cos(np.pi * t)))


def _natural_cutout(random: np.random.Generator) -> CutOutChange:
    dx, dy = np.round(random.normal(0, 0.02, 2), 4).tolist()
    return CutOutChange(dx, dy, tuple(np.round(random.normal(0, 0.03, 2), 4).tolist()))


def natural_shell(seed: int) -> CutShell:
    """A shell as the line makes it on a good day: a little scatter in everything, drawn from the seed."""
    random = np.random.default_rng(seed)
    angle, far = random.uniform(0, 2 * np.pi), random.uniform(0.05, 0.18)
    # One camera cannot see height, so the nests must hold it: +-0.008 mm and 0.0015 deg here. Ten times that would
    # cost 0.02 mm at the rim.
    turn = (random.normal(0, 0.0015), random.normal(0, 0.0015), random.uniform(-0.022, 0.022))
    path_angle, path_far = random.uniform(0, 2 * np.pi), random.uniform(0.0, 0.04)
    return CutShell(
        seating=Pose.from_degrees(
            turn, (far * np.cos(angle), far * np.sin(angle), 60.0 + random.uniform(-0.008, 0.008))
        ),
        temperature_c=round(random.uniform(20.0, 24.0), 1),
        path=PlaneShift(
            round(path_far * np.cos(path_angle), 4),
            round(path_far * np.sin(path_angle), 4),
            round(random.uniform(-0.006, 0.006), 4),
        ),
        rim_deviation_mm=waviness(random, random.uniform(0.03, 0.08)),
        cutouts={name: _natural_cutout(random) for name in toplid.cutouts()},
        decal=PlaneShift(
            round(random.uniform(-0.35, 0.35), 3),
            round(random.uniform(-0.35, 0.35), 3),
            round(random.uniform(-0.2, 0.2), 3),
        ),
    )


def with_peak(shell: CutShell, shape: Array, zone: str, target_mm: float) -> CutShell:
    """The shell with ``shape`` added to its rim so high that the greatest datum-frame deviation of the zone at 20 degC
    is ``target_mm``.
    """

    def raised(height_mm: float) -> CutShell:
        return replace(shell, rim_deviation_mm=frozen(shell.rim_deviation_mm + height_mm * shape))

    def peak(height_mm: float) -> float:
        edge = edge_truth(Scene(bench.top_camera(), raised(height_mm)))
        return float(edge.deviation_datum_mm[in_zone(edge.arc_mm, zone)].max())

    return raised(_secant(peak, target_mm))


def _secant(value: Callable[[float], float], target: float) -> float:
    a, b = 0.5 * target, target
    va, vb = value(a), value(b)
    for _ in range(20):
        if abs(vb - target) < 1e-7:
            break
        a, va, b = b, vb, b + (target - vb) * (b - a) / (vb - va)
        vb = value(b)
    return b


@cache
def shell_cases() -> dict[str, ShellCase]:
    """The ten shells by id."""
    camera = bench.top_camera()
    spans = toplid.zone_spans_mm()

    def middle(zone: str) -> float:
        return sum(spans[zone]) / 2

    def case(words: str, shell: CutShell, seed: int) -> ShellCase:
        return ShellCase(words, Scene(camera, shell, seed=seed))

    off_path = replace(natural_shell(1005), path=PlaneShift(0.62, -0.35, 0.05))
    without_hole = natural_shell(1006)
    without_hole = replace(without_hole, cutouts=without_hole.cutouts | {"lock_hole": CutOutChange(missing=True)})
    knocked = camera.moved((0.035, -0.030, 0.020), (0.06, -0.07, 0.04))
    return {
        "L1001": case("good", natural_shell(1001), 1001),
        "L1002": case("good", natural_shell(1002), 1002),
        "L1003": case(
            "good, the left end at 0.7 of its limit",
            with_peak(natural_shell(1003), bump(middle("left-end"), 80.0), "left-end", 0.35),
            1003,
        ),
        "L1004": case(
            "rear left corner left long by 0.75 mm over about 60 mm",
            with_peak(natural_shell(1004), bump(middle("rear-left-corner"), 84.0, 36.0), "rear-left-corner", 0.75),
            1004,
        ),
        "L1005": case("the cutter's path is shifted", off_path, 1005),
        "L1006": case("lock hole missing", without_hole, 1006),
        "L1007": case("decal too high and turned", replace(natural_shell(1007), decal=PlaneShift(0.9, 1.6, 1.3)), 1007),
        "L1008": case(
            "front middle exactly at its limit: too close to call",
            with_peak(natural_shell(1008), bump(middle("front-middle"), 70.0, 10.0), "front-middle", 0.5),
            1008,
        ),
        "L1009": ShellCase(
            "lens covered", Scene(camera, natural_shell(1009), covered_lens=True, seed=1009), "no light"
        ),
        "L1010": ShellCase(
            "somebody knocked the camera; the shell is good",
            Scene(knocked, natural_shell(1010), seed=1010),
            "camera moved",
        ),
    }
