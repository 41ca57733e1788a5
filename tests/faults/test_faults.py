"""One thing wrong at a time: never green, and the sentence says what it is. Which faults a line sees is common
practice, no source; the signs and words wanted are those of the project's notes on the trade.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from edgeinspect.conformity import Answer
from edgeinspect.simulate import bench, fast, toplid
from edgeinspect.simulate.cases import natural_shell
from edgeinspect.simulate.scene import Scene

from .conftest import See
from .scenes import Array, Levels, good_picture, knocked, scene_of, seated, taken

SHELL_SEEDS = (7, 8)
PLATE = 0.053  # brightness of the bare plate, 1.0 = white


def hidden(picture: Array, marks: tuple[int, ...]) -> Array:
    """Something as dark as the plate lies on these fixture marks."""
    covered = picture.copy()
    for mark in marks:
        pixels = bench.top_camera().project(bench.mark_corners_mm(mark))
        (left, top), (right, bottom) = pixels.min(axis=0).astype(int) - 8, pixels.max(axis=0).astype(int) + 9
        covered[max(0, top) : bottom, max(0, left) : right] = PLATE
    return covered


def covered(picture: Array, place_mm: Array, radius_px: float, brightness: float, seed: int) -> Array:
    """A soft-edged, wrinkled cloth or glove over a place (3,) of the seated shell."""
    random = np.random.default_rng([seed, 3])
    centre = bench.top_camera().project(bench.NOMINAL_SEATING.apply(place_mm[None]))[0]
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    wrinkled = radius_px * (1 + sum(0.1 * np.cos(k * turn + random.uniform(0, 6)) for k in (3, 5)))
    outline = centre + wrinkled[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    mask = np.zeros(picture.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 255, shift=4, lineType=cv2.LINE_AA)
    share = cv2.GaussianBlur(mask / 255.0, (0, 0), 1.5)
    folds = brightness * (1 + 0.8 * cv2.GaussianBlur(random.normal(size=picture.shape), (0, 0), 4.0))
    return np.asarray(picture * (1 - share) + folds * share)


Fault = tuple[Callable[[Array, int], Array], tuple[str, ...]]
IN_THE_PICTURE: dict[str, Fault] = {
    "lamp at half": (lambda p, _: 0.5 * p, ("light is at", "% of what it was")),
    "lamp off": (lambda p, _: 0.01 * p, ("dark",)),
    "saturated": (lambda p, _: 2.2 * p, ("overexposed",)),
    "out of focus": (lambda p, _: cv2.GaussianBlur(p, (0, 0), 2.0), ("out of focus",)),
    "mirrored": (lambda p, _: p[:, ::-1], ("mirrored",)),
    "all marks hidden": (lambda p, _: hidden(p, tuple(range(8))), ("does not see the fixture marks",)),
    "corner marks hidden": (lambda p, _: hidden(p, (0, 1, 2, 3)), ("marks",)),
    "glove on a pip": (lambda p, s: covered(p, toplid.pip_tops_mm()[s % 3], 30, 0.1, s), ("datum not seen", "pip-")),
    "cloth on the badge": (lambda p, s: covered(p, toplid.decal_frame()[0], 70, 0.3, s), ("badge on the lid",)),
}


@pytest.mark.parametrize("seed", SHELL_SEEDS)
@pytest.mark.parametrize("fault", IN_THE_PICTURE)
def test_fault_in_the_picture(fault: str, seed: int, see: See) -> None:
    spoil, words = IN_THE_PICTURE[fault]
    picture = np.asarray(spoil(good_picture(seed), seed))
    verdict = see(taken(picture, seed), natural_shell(seed).temperature_c).verdict
    assert verdict.answer is Answer.NO_RESULT
    for part in words:
        assert part in verdict.sentence.lower(), verdict.sentence
    assert verdict.action


@pytest.mark.parametrize("brightness", [0.05, 0.3, 0.8])
@pytest.mark.parametrize("zone", ["rear-right-corner", "left-end", "front-middle"])
def test_a_covered_zone_is_named(zone: str, brightness: float, see: See) -> None:
    """A glove or cloth over the rim. NO RESULT where the edge is lost or it looks like something loose; where the
    cloth's own edge looks like a cut, or its end like a burr, it is red, with "blow off and look again" or "set aside":
    never green, and the place is right.
    """
    start, end = toplid.zone_spans_mm()[zone]
    rim = toplid.rim()
    middle = rim.points_mm[np.abs(rim.arc_mm - (start + end) / 2).argmin()]
    picture = covered(good_picture(SHELL_SEEDS[0]), middle, 60, brightness, SHELL_SEEDS[0])
    verdict = see(taken(picture, 1), natural_shell(SHELL_SEEDS[0]).temperature_c).verdict
    assert verdict.answer in (Answer.NO_RESULT, Answer.NONCONFORMING)
    assert verdict.worst is not None
    stands_out = verdict.worst.characteristic.startswith(("strand ", "burr "))
    assert stands_out or verdict.worst.characteristic == f"zone {zone}"
    assert verdict.worst.where == toplid.ZONE_WORDS[zone]


@pytest.mark.parametrize("seed", SHELL_SEEDS)
def test_the_same_shells_are_green_without_a_fault(seed: int, see: See) -> None:
    """Otherwise the tests above would show nothing."""
    look = see(taken(good_picture(seed), seed), natural_shell(seed).temperature_c)
    assert look.verdict.answer is Answer.CONFORMING, look.verdict.sentence
    assert not look.measurement.notes


@pytest.mark.parametrize("hide", [(0,), (2, 5)])
def test_a_hidden_mark_is_told_beside_the_answer(hide: tuple[int, ...], see: See) -> None:
    seed = SHELL_SEEDS[0]
    look = see(taken(hidden(good_picture(seed), hide), seed), natural_shell(seed).temperature_c)
    (note,) = look.measurement.notes
    assert note == f"fixture mark {', '.join(map(str, hide))} is hidden or dirty"


@pytest.mark.parametrize("seed", SHELL_SEEDS)
def test_a_moved_camera_is_named_with_how_far(seed: int, see: See) -> None:
    shell = natural_shell(seed)
    moved = scene_of(shell, seed, knocked(bench.top_camera(), 0.30, seed))
    verdict = see(fast.render(moved), shell.temperature_c).verdict
    assert verdict.answer is Answer.NO_RESULT
    assert verdict.sentence in {f"Camera top has moved {far:.2f} mm" for far in (0.28, 0.29, 0.30, 0.31, 0.32)}
    assert "process engineer" in verdict.action


def test_a_camera_moved_a_little_is_compensated_and_told(see: See) -> None:
    shell = natural_shell(SHELL_SEEDS[0])
    look = see(fast.render(scene_of(shell, 3, knocked(bench.top_camera(), 0.12, 3))), shell.temperature_c)
    assert look.verdict.answer is Answer.CONFORMING
    assert any("camera top has moved 0.1" in note and "compensated" in note for note in look.measurement.notes)


def bare() -> Scene:
    return scene_of(None, 5)


def on_seat(shift: tuple[float, float, float], turn: tuple[float, float, float]) -> Scene:
    return scene_of(seated(natural_shell(SHELL_SEEDS[0]), shift, turn), 6)


@pytest.mark.parametrize(
    ("scene", "words"),
    [
        (bare(), "no shell found"),
        (replace(on_seat((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)), covered_lens=True), "the picture is dark"),
        (on_seat((8.0, 0.0, 0.0), (0.0, 0.0, 0.0)), "off its seat"),
        (on_seat((0.0, 0.0, 0.0), (0.0, 0.0, -4.0)), "off its seat"),
        (on_seat((0.0, 0.0, 0.0), (0.0, 0.3, 0.0)), "half seated"),  # one end 1 mm up, on a chip
        (on_seat((0.0, 0.0, 0.5), (0.0, 0.0, 0.0)), "half seated"),  # all round half a millimetre up
    ],
    ids=["no shell", "lens covered", "8 mm off", "4 deg off", "tilted", "too high"],
)
def test_a_shell_that_does_not_sit_or_is_not_there(scene: Scene, words: str, see: See) -> None:
    temperature_c = scene.shell.temperature_c if scene.shell else 20.0
    verdict = see(fast.render(scene), temperature_c).verdict
    assert verdict.answer is Answer.NO_RESULT
    assert words in verdict.sentence.lower(), verdict.sentence
    assert "seat" in verdict.action or "lens" in verdict.action


def turned_round(levels: Levels) -> Levels:
    """The shell turned by half a turn in its nest, the marks where they were: cut out, turned, put back."""
    rim = bench.top_camera().project(bench.NOMINAL_SEATING.apply(toplid.rim().points_mm))
    mask = np.zeros(levels.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(rim).astype(np.int32)], 1)
    mask = cv2.dilate(mask, np.ones((9, 9), np.uint8))
    (x, y), size = rim.mean(axis=0), levels.shape[::-1]
    turn = np.array([[-1.0, 0.0, 2 * x], [0.0, -1.0, 2 * y]])
    plate = np.where(mask > 0, np.uint8(round(PLATE * 225)), levels)
    turned = cv2.warpAffine(levels, turn, size, flags=cv2.INTER_CUBIC)
    return np.asarray(np.where(cv2.warpAffine(mask, turn, size) > 0, turned, plate), dtype=np.uint8)


def test_a_shell_the_wrong_way_round_is_not_measured(see: See) -> None:
    seed = SHELL_SEEDS[0]
    levels = turned_round(taken(good_picture(seed), seed))
    verdict = see(levels, natural_shell(seed).temperature_c).verdict
    assert verdict.answer is Answer.NO_RESULT
    assert "not this kind of shell" in verdict.sentence
