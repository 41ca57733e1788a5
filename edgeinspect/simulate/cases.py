"""The pictures of sample_images/: twelve board poses, the board in the fixture and ten shells, each with its story."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np

from edgeinspect.geometry import Array, PlaneShift, Pose, frozen
from edgeinspect.simulate import bench, hatch, toplid
from edgeinspect.simulate.flaws import Flaw
from edgeinspect.simulate.form import Form
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene, Sensor
from edgeinspect.simulate.truth import edge_truth, in_zone

Triple = tuple[float, float, float]
# The mean of four exposures: a quarter of the noise variance, and files a quarter smaller.
MEAN_OF_FOUR = Sensor(full_well=42000.0, read_noise_electrons=28.0)

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
REAR_BOARD_POSES = (  # the camera "rear" sees part of the board
    ((-6.0, 88.0, 26.0), (2.0, -1.5, 1.0)),
    ((-12.0, 84.0, 92.0), (25.0, 3.0, -2.0)),
    ((-4.0, 92.0, 92.0), (-26.0, -4.0, 3.0)),
    ((-8.0, 86.0, 100.0), (-3.0, 25.0, 2.0)),
    ((-4.0, 90.0, 104.0), (4.0, -26.0, -3.0)),
    ((0.0, 96.0, 90.0), (14.0, -22.0, 178.0)),
)


def board_scenes() -> dict[str, Scene]:
    """Calibration pictures of the camera "top" by name: board_01 to board_12 and fixture_board."""
    return _boards(Scene(bench.top_camera(), seed=100), BOARD_POSES)


def rear_board_scenes() -> dict[str, Scene]:
    """Calibration pictures of the camera "rear"."""
    return _boards(Scene(bench.rear_camera(), sensor=MEAN_OF_FOUR, seed=200), REAR_BOARD_POSES)


def _boards(
    empty: Scene, poses: Sequence[tuple[tuple[float, float, float], tuple[float, float, float]]]
) -> dict[str, Scene]:
    scenes = {"fixture_board": replace(empty, board=bench.BOARD_IN_FIXTURE)}
    for number, (centre, turn) in enumerate(poses, start=1):
        scenes[f"board_{number:02d}"] = replace(empty, board=Pose.from_degrees(turn, centre), seed=empty.seed + number)
    return scenes


@dataclass(frozen=True)
class ShellCase:
    """One shell: what it shows, in words, its picture by camera, what was ordered, and why there can be no result
    (None if there can). ``picture_of``: the other shell whose pictures are handed in again.
    """

    words: str
    scene: Scene  # of the camera "top"
    refusal: str | None = None
    rear: Scene | None = None
    ordered: str = "toplid"
    variant: str = "standard"
    picture_of: str | None = None

    @property
    def scenes(self) -> dict[str, Scene]:
        """By camera."""
        return {"top": self.scene} | ({} if self.rear is None else {"rear": self.rear})


def _even_arc(form: Form) -> Array:
    length = form.rim().length_mm
    return np.asarray(np.linspace(0.0, length, int(np.ceil(length / 0.5)), endpoint=False))


def waviness(random: np.random.Generator, peak_mm: float, form: Form = toplid.LID) -> Array:
    """Low-frequency cutter waviness over the rim (harmonics 3 to 14: waves of 450 to 95 mm on the lid), greatest value
    ``peak_mm``.
    """
    turn = 2 * np.pi * _even_arc(form) / form.rim().length_mm
    waves = sum(random.normal() / k**0.5 * np.cos(k * turn + random.uniform(0, 2 * np.pi)) for k in range(3, 15))
    return frozen(np.asarray(waves) * (peak_mm / np.abs(waves).max()))


def bump(centre_mm: float, length_mm: float, flat_mm: float = 0.0, form: Form = toplid.LID) -> Array:
    """A smooth bump of height 1 over the rim, centred at an arc length, with a flat top and raised-cosine ends."""
    length = form.rim().length_mm
    away = np.abs((_even_arc(form) - centre_mm + length / 2) % length - length / 2)
    end = (length_mm - flat_mm) / 2
    t = np.clip((away - flat_mm / 2) / end, 0.0, 1.0)
    return frozen(0.5 * (1 + np.cos(np.pi * t)))


def _natural_cutout(random: np.random.Generator) -> CutOutChange:
    dx, dy = np.round(random.normal(0, 0.02, 2), 4).tolist()
    return CutOutChange(dx, dy, tuple(np.round(random.normal(0, 0.03, 2), 4).tolist()))


def natural_shell(seed: int, form: Form = toplid.LID) -> CutShell:
    """A shell as the line makes it on a good day: a little scatter in everything, drawn from the seed."""
    random = np.random.default_rng(seed)
    angle, far = random.uniform(0, 2 * np.pi), random.uniform(0.05, 0.18)
    # One camera cannot see height, so the nests must hold it: +-0.008 mm and 0.0015 deg here. Ten times that would
    # cost 0.02 mm at the rim.
    turn = (random.normal(0, 0.0015), random.normal(0, 0.0015), random.uniform(-0.022, 0.022))
    path_angle, path_far = random.uniform(0, 2 * np.pi), random.uniform(0.0, 0.04)
    return CutShell(
        seating=Pose.from_degrees(
            turn,
            (far * np.cos(angle), far * np.sin(angle), form.seating.translation_mm[2] + random.uniform(-0.008, 0.008)),
        ),
        temperature_c=round(random.uniform(20.0, 24.0), 1),
        path=PlaneShift(
            round(path_far * np.cos(path_angle), 4),
            round(path_far * np.sin(path_angle), 4),
            round(random.uniform(-0.006, 0.006), 4),
        ),
        rim_deviation_mm=waviness(random, random.uniform(0.03, 0.08), form),
        cutouts={name: _natural_cutout(random) for name in form.cutouts()},
        decal=PlaneShift(
            round(random.uniform(-0.35, 0.35), 3),
            round(random.uniform(-0.35, 0.35), 3),
            round(random.uniform(-0.2, 0.2), 3),
        ),
        form=form,
    )


def with_peak(shell: CutShell, shape: Array, zone: str, target_mm: float) -> CutShell:
    """The shell with ``shape`` added to its rim so high that the greatest (below zero: the least) datum-frame deviation
    of the zone at 20 degC is ``target_mm``.
    """
    pick = np.max if target_mm > 0 else np.min

    def raised(height_mm: float) -> CutShell:
        return replace(shell, rim_deviation_mm=frozen(shell.rim_deviation_mm + height_mm * shape))

    def peak(height_mm: float) -> float:
        edge = edge_truth(Scene(bench.top_camera(), raised(height_mm)))
        return float(pick(edge.deviation_datum_mm[in_zone(edge.arc_mm, zone, shell.form)]))

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
    """All shells by id: ten under one camera, then faults, then the lids with a hand and the hatch."""
    return _first_cases() | _fault_cases() | hand_cases() | hatch_cases()


def _first_cases() -> dict[str, ShellCase]:
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


def _fault_cases() -> dict[str, ShellCase]:
    """Bad days of the lid without a hand, camera "top"."""
    camera, spans = bench.top_camera(), toplid.zone_spans_mm()
    good = Scene(camera, sensor=MEAN_OF_FOUR)

    def case(number: int, words: str, refusal: str | None = None, **changes: Any) -> ShellCase:
        shell = replace(natural_shell(number), **changes)
        return ShellCase(words, replace(good, shell=shell, seed=number), refusal)

    def under(number: int, words: str, refusal: str, sensor: Sensor) -> ShellCase:
        return ShellCase(words, replace(good, shell=natural_shell(number), sensor=sensor, seed=number), refusal)

    strand = Flaw("strand", spans["front-left-scallop"][0] - 22.0, 8.0, 4.0)
    return {
        "L1011": case(1011, "a strand of swarf lies on the edge, front left corner", "loose strand", flaws=(strand,)),
        "L1012": case(1012, "the decal of the cargo variant on a standard lid", variant="cargo"),
        "L1013": case(1013, "no decal", decal=None),
        "L1014": under(1014, "the light gives 45 % of what it should", "too dark", replace(MEAN_OF_FOUR, white=101.0)),
        "L1015": under(1015, "out of focus", "blurred", replace(MEAN_OF_FOUR, blur_px=2.2)),
        "L1016": case(1016, "half seated: the right end is 3 mm up", "not seated", seating=_half_seated()),
        "L1017": ShellCase("no shell in the fixture", replace(good, seed=1017), "no shell"),
        "L1018": replace(
            _first_cases()["L1001"], words="the picture of L1001 again", refusal="same picture", picture_of="L1001"
        ),
    }


def _half_seated() -> Pose:
    """The lid rests on its left nests and is held 3 mm up at its right end; it was cut so."""
    pivot = np.array([-195.0, 0.0, -8.0])
    turn = Pose.from_degrees((0.0, -float(np.rad2deg(np.arcsin(3.0 / 395.0))), 0.0), (0.0, 0.0, 0.0))
    return Pose(turn.rotation, toplid.LID.seating.translation_mm + pivot - turn.rotation @ pivot)


def hand_cases() -> dict[str, ShellCase]:
    """Right-hand lids under both cameras, and one delivered while a left-hand one was ordered."""
    form = toplid.RIGHT
    spans = form.zone_spans_mm()

    def case(number: int, words: str, shell: CutShell) -> ShellCase:
        scenes = [Scene(c, shell, sensor=MEAN_OF_FOUR, seed=number) for c in bench.cameras().values()]
        return ShellCase(words, scenes[0], rear=scenes[1], ordered=form.name)

    deep_zone = "rear-left-of-notch"
    deep = with_peak(natural_shell(1023, form), bump(sum(spans[deep_zone]) / 2, 52.0, 20.0, form), deep_zone, -0.72)
    nick = Flaw("nick", spans[deep_zone][0] + 30.0, 1.2, 0.6)
    burr = Flaw("burr", 40.0, 1.6, 0.6)
    shifted = natural_shell(1026, form)
    shifted = replace(shifted, cutouts=shifted.cutouts | {"hinge_slot_right": CutOutChange(0.50, -0.25)})
    turned = replace(natural_shell(1022, form), path=PlaneShift(0.03, -0.02, 0.21))
    return {
        "R1021": case(1021, "good, right hand", natural_shell(1021, form)),
        "R1022": case(1022, "the cutter's path is turned", turned),
        "R1023": case(1023, "rear, left of the cable notch, cut too deep by 0.72 mm over about 50 mm", deep),
        "R1024": case(1024, "a nick, rear, left of the cable notch", replace(natural_shell(1024, form), flaws=(nick,))),
        "R1025": case(1025, "a burr on the right end", replace(natural_shell(1025, form), flaws=(burr,))),
        "R1026": case(1026, "the right hinge slot is shifted", shifted),
        "R1027": replace(
            case(1027, "a good right-hand lid where a left-hand one was ordered", natural_shell(1027, form)),
            refusal="right hand instead of left",
            ordered=toplid.LEFT.name,
        ),
    }


def hatch_cases() -> dict[str, ShellCase]:
    """The battery hatch, camera "top"."""
    form = hatch.HATCH
    bad_zone = "rear-side"
    bad = with_peak(
        natural_shell(1032, form),
        bump(sum(form.zone_spans_mm()[bad_zone]) / 2 - 20.0, 44.0, 12.0, form),
        bad_zone,
        0.7,
    )
    shells = {
        "H1031": ("good hatch", natural_shell(1031, form)),
        "H1032": ("rear side of the hatch left long by 0.7 mm over about 40 mm", bad),
    }
    return {
        shell_id: ShellCase(
            words,
            Scene(bench.top_camera(), shell, sensor=MEAN_OF_FOUR, seed=int(shell_id[1:])),
            ordered=form.name,
        )
        for shell_id, (words, shell) in shells.items()
    }
