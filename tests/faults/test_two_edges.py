"""Film left over a part of the rim, and swarf that lies along an edge: what is underneath is not judged by what is on
top. A cut 0.75 mm too deep, and good shells beside it. Sizes and brightnesses are invented.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely

from edgeinspect.conformity import Answer
from edgeinspect.simulate import bench, fast, toplid
from edgeinspect.simulate.cases import bump, natural_shell, with_peak
from edgeinspect.simulate.scene import CutShell

from .conftest import See
from .scenes import Array, scene_of, taken

FILM, OPAQUE = 0.5, 0.6  # its brightness, and how much of what lies beneath it hides
SWARF = 0.565  # as bright as a light sheet
OVER_MM = 0.75  # cut too deep, at most; over 60 mm
SLOT = np.array([-110.0, 118.0])  # middle of the left hinge slot, 24 mm long and 8 mm wide


def middle_of(zone: str) -> float:
    start, end = toplid.zone_spans_mm()[zone]
    length = toplid.rim().length_mm
    return (start + ((end - start) % length) / 2) % length


def cut_too_deep(seed: int, zone: str) -> CutShell:
    return with_peak(natural_shell(seed), bump(middle_of(zone), 60.0, 40.0), zone, -OVER_MM)


def beside_rim(zone: str, half_mm: float, out_mm: float) -> tuple[Array, Array]:
    """Points (N, 2) of the drawing so far out of the nominal rim about the middle of a zone, and their normals."""
    rim, arc = toplid.rim(), middle_of(zone) + np.linspace(-half_mm, half_mm, 300)
    xy, normals = (
        np.column_stack([np.interp(arc, rim.arc_mm, part[:, k], period=rim.length_mm) for k in range(2)])
        for part in (rim.xy_mm, rim.normals)
    )
    return xy + out_mm * normals, normals


def strand(line: Array, width_mm: float) -> Array:
    return np.asarray(shapely.LineString(line).buffer(0.5 * width_mm, cap_style="flat").exterior.coords)


def laid_on(shell: CutShell, outline: Array, brightness: float, opaque: float, seed: int) -> Array:
    """The picture with something of this outline (N, 2; drawing) on the shell, as sharp as the lens shows it."""
    picture = fast.picture(scene_of(shell, seed))
    pixels = bench.top_camera().project(shell.lifted(outline))
    mask = np.zeros(picture.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(pixels * 16).astype(np.int32)], 255, shift=4, lineType=cv2.LINE_AA)
    share = opaque * cv2.GaussianBlur(mask / 255.0, (0, 0), 0.8)
    return np.asarray(picture * (1 - share) + brightness * share)


PLACES = [(5, "left-end"), (6, "right-end")]


@pytest.mark.parametrize("out_mm", [-0.1, 0.2])
@pytest.mark.parametrize(("seed", "zone"), PLACES)
def test_film_over_a_part_hides_no_cut_that_is_too_deep(seed: int, zone: str, out_mm: float, see: See) -> None:
    """It was green: the film's edge lies where the cut should."""
    shell = cut_too_deep(seed, zone)
    outer, normals = beside_rim(zone, 40.0, out_mm)
    film = np.vstack([outer, (outer - 12.0 * normals)[::-1]])
    look = see(taken(laid_on(shell, film, FILM, OPAQUE, seed), seed), shell.temperature_c)
    verdict = look.verdict
    assert verdict.answer is Answer.NO_RESULT, verdict.sentence
    assert f"second edge runs along {toplid.ZONE_WORDS[zone]}" in verdict.sentence
    assert "peel the film" in verdict.action
    # The rest is measured all the same.
    held = [finding.characteristic for finding in verdict.findings if finding.answer is Answer.NO_RESULT]
    assert held == [f"zone {zone}"]


@pytest.mark.parametrize(("seed", "zone"), [*PLACES, (7, "front-middle")])
def test_swarf_along_a_cut_that_is_too_deep_is_not_its_edge(seed: int, zone: str, see: See) -> None:
    """A slit 0.37 mm wide, 1.3 pixels, is all that shows of it. It was green."""
    shell = cut_too_deep(seed, zone)
    line, _ = beside_rim(zone, 30.0, -0.1)
    verdict = see(taken(laid_on(shell, strand(line, 0.3), SWARF, 1.0, seed), seed), shell.temperature_c).verdict
    assert verdict.answer is Answer.NO_RESULT, verdict.sentence
    assert f"second edge runs along {toplid.ZONE_WORDS[zone]}" in verdict.sentence
    assert "blow off" in verdict.action


@pytest.mark.parametrize("up_mm", [-3.8, -3.4])
def test_swarf_along_a_slot_is_no_nick(up_mm: float, see: See) -> None:
    """It was red, a nick of 3.6 x 0.42 mm beside the end of the swarf."""
    shell = natural_shell(5)
    line = SLOT + np.array([[-12.0, up_mm], [12.0, up_mm]])
    verdict = see(taken(laid_on(shell, strand(line, 0.45), SWARF, 1.0, 5), 5), shell.temperature_c).verdict
    assert verdict.answer is Answer.NO_RESULT, verdict.sentence
    assert "blow off" in verdict.action


def test_swarf_along_a_good_rim_is_no_burr(see: See) -> None:
    """It was red, a burr 8 mm long where the swarf begins to touch the edge."""
    shell = natural_shell(6)
    line, _ = beside_rim("left-end", 30.0, 0.35)
    verdict = see(taken(laid_on(shell, strand(line, 0.4), SWARF, 1.0, 6), 6), shell.temperature_c).verdict
    assert verdict.answer is Answer.NO_RESULT, verdict.sentence
    assert "blow off" in verdict.action


@pytest.mark.parametrize(("seed", "zone"), PLACES)
def test_the_same_shells_without_anything_on_them(seed: int, zone: str, see: See) -> None:
    """A good one is green, one cut too deep is red: otherwise the tests above would show nothing."""
    good, bad = natural_shell(seed), cut_too_deep(seed, zone)
    look = see(taken(fast.picture(scene_of(good, seed)), seed), good.temperature_c)
    assert look.verdict.answer is Answer.CONFORMING, look.verdict.sentence
    look = see(taken(fast.picture(scene_of(bad, seed)), seed), bad.temperature_c)
    assert look.verdict.answer is Answer.NONCONFORMING
    assert look.verdict.worst is not None
    assert look.verdict.worst.characteristic == f"zone {zone}"
