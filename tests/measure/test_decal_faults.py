"""Is a decal whole? On decals drawn by an independent hand (decal_pictures), and from the picture to the verdict.

The long statistics are ``python -m tests.benchmarks.decals whole FILE``; this is a small fixed part of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import edgeinspect.simulate.badge
from edgeinspect.conformity import Answer, judge
from edgeinspect.conformity.decal import where_on
from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.decal_faults import Fault, cleared
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.measurement import DecalFault, FaultKind
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Decal, ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate import bench
from edgeinspect.simulate.scene import CutShell, Scene
from tests.benchmarks.decals import LETTERS, measured

from .decal_pictures import (
    Damage,
    Laid,
    Surface,
    bubble,
    drawn,
    glare,
    missing,
    smear,
    torn_corner,
    wrinkle,
)

Draw = Callable[[Scene], GreyPicture]
LAID = Laid((0.5, -0.4, 0.3, 0.002, -0.001), Surface(0.0, 300.0), seed=1, reach_mm=7.0, fine=3)


@pytest.fixture(scope="module")
def badge() -> Decal:
    return replace(load_shell(Path(__file__).parents[2] / "models" / "toplid").decals[0], bubbles=True)


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"slope": 0.25},
        {"exposure": 0.25, "bits": 8},
        {"beads": 5, "seed": 3},
        {"values": (-1.0, 1.0, -0.8, 0.003, -0.003), "surface": Surface(1200.0, 300.0)},
    ],
)
def test_a_good_one_has_no_fault(badge: Decal, change: dict[str, Any]) -> None:
    laid = replace(LAID, **change)
    fit = measured(drawn(badge.artwork, laid), laid, badge)
    assert fit.there is True
    assert fit.whole is not None
    assert fit.whole.faults == ()


GROUND = 0.025  # of the badge's grey, linear


@pytest.mark.parametrize(
    ("damage", "kind", "area"),
    [
        (torn_corner((1, 1), (5.6, 5.4)), FaultKind.TORN, 0.15),
        (torn_corner((-1, -1), (7.0, 8.0), seed=3), FaultKind.TORN, 0.15),
        (torn_corner((-1, 1), (6.5, 7.0), folded=0.6), FaultKind.TORN, 0.15),
        (missing(LETTERS[0], GROUND), FaultKind.MISSING, 0.2),
        (missing(LETTERS[4], GROUND), FaultKind.MISSING, 0.2),
        (smear((-12.0, 3.0), (7.0, 5.0), (4.0, 2.0)), FaultKind.SMEAR, 0.4),
        (bubble((-20.0, -10.0), 4.0, 0.5, 45.0, 120.0), FaultKind.BUBBLE, 0.35),
        (bubble((40.0, -10.0), 7.0, 0.8, 50.0, 200.0), FaultKind.BUBBLE, 0.2),
        (wrinkle((-10.0, -10.0), 12.0, 2.5, 0.4, 30.0, 45.0), FaultKind.BUBBLE, 0.4),
        (glare((0.0, 3.0), 5.0, 1.0), FaultKind.GLARE, 0.15),
        (glare((30.0, -8.0), 4.0, 0.3), FaultKind.GLARE, 0.15),
    ],
)
def test_each_kind_is_found_placed_and_sized(badge: Decal, damage: Damage, kind: FaultKind, area: float) -> None:
    """Area within a share of what was painted; of a wrinkle the calm ends do not show."""
    laid = replace(LAID, damage=(damage,))
    picture = drawn(badge.artwork, laid)
    fit = measured(picture, laid, badge)
    assert fit.there is True
    assert fit.whole is not None
    (fault,) = fit.whole.faults
    assert fault.kind is kind
    assert fault.at_mm == pytest.approx(picture.damaged_at_mm, abs=1.5)
    assert fault.area_mm2 == pytest.approx(picture.damaged_mm2, rel=area)
    assert fit.values[:2] == pytest.approx(LAID.values[:2], abs=0.003)  # and its place is measured as if it were whole


def test_where_the_print_is_as_bright_as_the_sheet_is_told(badge: Decal) -> None:
    """A sheet as dark as the badge's ground: a torn corner cannot show, and the share that cannot says so."""
    laid = replace(LAID, sheet=GROUND)
    dark = measured(drawn(badge.artwork, laid), laid, badge)
    bright = measured(drawn(badge.artwork, LAID), LAID, badge)
    assert dark.whole is not None
    assert bright.whole is not None
    assert dark.whole.hidden_share > 0.6
    assert bright.whole.hidden_share < 0.1


@pytest.mark.parametrize(
    "damage",
    [
        bubble((20.0, -13.0), 4.0, 0.4, 42.0, 10.0),
        bubble((-30.0, -14.0), 6.0, 0.6, 45.0, 250.0),
        wrinkle((30.0, -12.0), 10.0, 2.2, 0.25, 60.0, 42.0),
    ],
)
def test_on_nearly_black_print_in_a_dim_picture_a_bubble_is_never_passed(badge: Decal, damage: Damage) -> None:
    """2.5 % of the light comes back from the badge's ground: at 8 bits and this exposure 2.9 levels, of which a matte
    bubble changes half a level. It is found; in a picture with a fifth of that light the answer is that none can be.
    """
    laid = replace(LAID, damage=(damage,), exposure=0.45, bits=8, seed=5)
    picture = drawn(badge.artwork, laid)
    fit = measured(picture, laid, badge)
    assert fit.whole is not None
    (fault,) = fit.whole.faults
    assert fault.kind is FaultKind.BUBBLE
    assert fault.at_mm == pytest.approx(picture.damaged_at_mm, abs=1.0)
    dark = replace(laid, exposure=0.09)
    fit = measured(drawn(badge.artwork, dark), dark, badge)
    assert fit.whole is not None
    assert fit.whole.faults or fit.whole.unjudged > 0.3


def test_what_bubbles_would_read_is_known_beforehand(badge: Decal) -> None:
    light = [measured(drawn(badge.artwork, laid), laid, badge) for laid in (LAID, replace(LAID, exposure=0.15, bits=8))]
    shares = [fit.whole.unjudged for fit in light if fit.whole is not None]
    assert shares[0] < 0.02
    assert shares[1] > 0.5
    plain = measured(drawn(badge.artwork, LAID), LAID, replace(badge, bubbles=False))
    assert plain.whole is not None
    assert np.isnan(plain.whole.unjudged)


def _fault(kind: FaultKind, x: float) -> Fault:
    square = np.array([[-2.0, -2.0], [2.0, -2.0], [2.0, 2.0], [-2.0, 2.0]])
    return Fault(kind, 16.0, np.array([x, 0.0]), 4.0, 4.0, square + np.array([x, 0.0]))


def test_glare_is_cleared_only_by_a_camera_that_has_none_there() -> None:
    own = [_fault(FaultKind.GLARE, 0.0), _fault(FaultKind.TORN, 30.0)]
    assert cleared(own, []) == ([False, True], [])
    assert cleared(own, [_fault(FaultKind.GLARE, 1.0)]) == ([True, True], [False])
    assert cleared(own, [_fault(FaultKind.GLARE, 20.0)]) == ([False, True], [False])
    assert cleared(own, [_fault(FaultKind.BUBBLE, 1.0), _fault(FaultKind.BUBBLE, -30.0)]) == (
        [False, True],
        [True, False],
    )


def test_a_second_view_settles_glare_or_bubble(badge: Decal) -> None:
    """One drawing with a lamp mirrored on the print, with and without a bubble under it; the same decal without the
    mirror, as a camera beside sees it. One picture alone cannot judge; with both it is whole, or it is a bubble.
    """
    lamp, under = glare((20.0, 5.0), 7.0, 1.2), bubble((20.0, 5.0), 5.0, 0.6, 45.0, 30.0)

    def faults(*damage: Damage) -> tuple[Fault, ...]:
        laid = replace(LAID, damage=damage)
        fit = measured(drawn(badge.artwork, laid), laid, badge)
        assert fit.whole is not None
        return fit.whole.faults

    hidden = faults(lamp)
    assert {one.kind for one in hidden} == {FaultKind.GLARE}
    assert {one.kind for one in faults(under, lamp)} == {FaultKind.GLARE}
    assert cleared(hidden, faults()) == ([False] * len(hidden), [])
    seen = faults(under)
    remain, instead = cleared(hidden, seen)
    assert not any(remain)
    assert [one.kind for one, take in zip(seen, instead, strict=True) if take] == [FaultKind.BUBBLE]


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ((52.0, 20.0), "upper right corner"),
        ((-50.0, -19.0), "lower left corner"),
        ((30.0, 12.0), "upper right part"),
        ((-40.0, 2.0), "left part"),
        ((3.0, 12.0), "upper part"),
        ((1.0, -2.0), "middle"),
    ],
)
def test_words_for_the_place(badge: Decal, at: tuple[float, float], words: str) -> None:
    fault = DecalFault(FaultKind.TORN, 9.0, 4.0, 3.0, np.array(at), np.zeros((4, 2)))
    assert where_on(badge, fault) == words


def corner_gone(ink: Array, opacity: Array) -> tuple[Array, Array]:
    """The upper right 9 x 9 mm triangle of the badge, 10 px/mm."""
    rows, columns = np.indices(ink.shape)
    return ink, np.where(rows + (ink.shape[1] - 1 - columns) < 90, 0.0, opacity)


def letter_gone(ink: Array, opacity: Array) -> tuple[Array, Array]:
    """The M of "MOVO"."""
    printed = ink.copy()
    printed[108:272, 363:480] = np.minimum(printed[108:272, 363:480], np.median(ink))
    return printed, opacity


@pytest.mark.parametrize(
    ("change", "where", "words", "area"),
    [
        (corner_gone, "upper right corner", "mm² torn or folded", 32.8),
        (letter_gone, "middle", "of print missing", None),
    ],
)
def test_a_damaged_badge_is_red_in_words(
    draw: Draw,
    toplid_definition: ShellDefinition,
    calibration: CameraCalibration,
    fixture: Fixture,
    seating: Seating,
    change: Callable[[Array, Array], tuple[Array, Array]],
    where: str,
    words: str,
    area: float | None,
) -> None:
    """The fast renderer's own ink and opacity, damaged before they are drawn: from the picture to the verdict. Of the
    triangle's 40.5 mm² the badge's rounding takes 6² (1 - pi/4) = 7.7.
    """
    real = edgeinspect.simulate.badge.reflectance
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(edgeinspect.simulate.badge, "reflectance", lambda name: change(*real(name)))
        picture = draw(Scene(bench.top_camera(), CutShell(decal=PlaneShift(0.2, -0.1, 0.1))))
    gauge = ShellGauge(toplid_definition, {"top": calibration}, fixture, seating)
    measurement = gauge.measure("standard", {"top": picture.raw}, Temperature(20.0))
    verdict = judge(measurement, toplid_definition)
    assert verdict.answer is Answer.NONCONFORMING
    assert verdict.sentence.startswith(f"Badge on the lid, {where}: ")
    assert verdict.sentence.endswith(words)
    assert verdict.action == "lift it while it is wet and lay a new one, else set aside"
    (decal,) = measurement.decals
    if area is not None:
        assert decal.faults[0].area_mm2 == pytest.approx(area, rel=0.05)
    assert decal.faults[0].camera == "top"


def test_glare_is_no_result(
    good_shell: GreyPicture,
    toplid_definition: ShellDefinition,
    calibration: CameraCalibration,
    fixture: Fixture,
    seating: Seating,
) -> None:
    """A lamp mirrored in the badge, 4 mm across: nobody can tell whether there is a bubble under it."""
    raw = good_shell.raw.copy()
    x, y = bench.top_camera().project(np.array([[5.0, -25.0, 70.0]]))[0]
    rows, columns = np.indices(raw.shape)
    raw[np.hypot(columns - x, rows - y) < 8] = 65535
    gauge = ShellGauge(toplid_definition, {"top": calibration}, fixture, seating)
    verdict = judge(gauge.measure("standard", {"top": raw}, Temperature(20.0)), toplid_definition)
    assert verdict.answer is Answer.NO_RESULT
    assert "whether it is whole cannot be judged: glare" in verdict.sentence


def test_a_decal_on_the_wrong_panel_is_told(
    good_shell: GreyPicture,
    toplid_definition: ShellDefinition,
    calibration: CameraCalibration,
    fixture: Fixture,
    seating: Seating,
) -> None:
    """Two places on the lid: the badge lies where the plate belongs, and its own place 60 mm further up is bare."""
    badge = next(one for one in toplid_definition.decals if one.variant == "standard")
    own = badge.patch.points(np.array([0.0]), np.array([60.0]))[0]
    step = badge.patch.points(np.array([0.0]), np.array([60.01]))[0] - own
    normal = np.cross(badge.patch.x_axis, step / np.linalg.norm(step))
    patch = replace(badge.patch, origin_mm=own, normal=normal / np.linalg.norm(normal))
    negative = replace(badge.artwork, grey=1.0 - badge.artwork.grey[:, ::-1])
    plate = replace(badge, name="plate", words="plate", artwork=negative)
    definition = replace(toplid_definition, decals=(replace(badge, patch=patch), plate))
    gauge = ShellGauge(definition, {"top": calibration}, fixture, seating)
    measurement = gauge.measure("standard", {"top": good_shell.raw}, Temperature(20.0))
    assert measurement.decals[0].lies_at == "plate"
    verdict = judge(measurement, definition)
    assert verdict.answer is Answer.NONCONFORMING
    assert any("lies on the wrong panel, where plate belongs" in one.sentence for one in verdict.findings)
