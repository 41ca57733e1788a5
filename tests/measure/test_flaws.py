"""Nicks, burrs and strands on pictures whose flaws are known, drawn by area coverage (edge_pictures: no code of
edgeinspect). Sizes are held to what was drawn. EDGEINSPECT_MANY=1 draws many more.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pytest

from edgeinspect.measure.edge import noise_of
from edgeinspect.measure.flaws import find_flaws, suspects
from edgeinspect.measure.measurement import FlawKind, FlawResult
from edgeinspect.measure.temperature import Temperature
from tests.faults.scenes import good_picture, taken
from tests.samples import looks

from .edge_pictures import LENGTH, Plate, from_edge, look, picture, strand

MANY = bool(os.environ.get("EDGEINSPECT_MANY"))
PLATES = 20 if MANY else 3  # of 12 flaws each
NICK, BURR, STRAND = FlawKind.NICK, FlawKind.BURR, FlawKind.STRAND


def seen(
    plate: Plate, seed: int, *, mm_per_px: float = 0.3, hot: list[tuple[int, int]] | None = None, noise: float = 0.006
) -> tuple[FlawResult, ...]:
    """What is found; the plate lies at a sub-pixel place of the seed's own."""
    off = np.random.default_rng([seed, 9]).uniform(-0.5, 0.5, 2)
    raw, camera = picture(plate, seed, off_px=(off[0], off[1]), mm_per_px=mm_per_px, hot=hot, noise=noise)
    shot, here = look(raw, camera)
    return find_flaws((shot,), "rim", here)


def places(random: np.random.Generator) -> list[float]:
    """Twelve places along the edge, straight and curved, at least 24 mm apart."""
    return (LENGTH / 12 * np.arange(12) + random.uniform(0, LENGTH / 12 - 24, 12) + 12).tolist()


def near(flaws: tuple[FlawResult, ...], arc_mm: float) -> list[FlawResult]:
    return [one for one in flaws if abs((one.arc_mm - arc_mm + LENGTH / 2) % LENGTH - LENGTH / 2) < 3.0]


@dataclass
class Tally:
    """What became of flaws of one kind."""

    drawn: int = 0
    kinds: Counter[FlawKind] = field(default_factory=Counter)
    length_off: list[float] = field(default_factory=list)
    depth_off: list[float] = field(default_factory=list)
    over_u: list[float] = field(default_factory=list)
    elsewhere: int = 0

    @property
    def found(self) -> int:
        return sum(self.kinds.values())


def tally(way: float, shape: str, *, least: bool, mm_per_px: float = 0.3) -> Tally:
    """Nicks (way -1) or burrs (+1): the smallest that must be found, or sizes up to 2 x 0.6 mm."""
    count = Tally()
    for seed in range(PLATES):
        random, plate = np.random.default_rng([seed, 1 if least else 2]), Plate(wave_mm=0.1)
        at = places(random)
        sizes = [(0.6, 0.3) if least else (random.uniform(0.7, 2.0), random.uniform(0.3, 0.6)) for _ in at]
        for arc, (length, depth) in zip(at, sizes, strict=True):
            plate.spoil(arc, length, way * depth, shape)
        flaws = seen(plate, seed, mm_per_px=mm_per_px)
        for arc, (length, depth) in zip(at, sizes, strict=True):
            count.drawn += 1
            for one in near(flaws, arc)[:1]:
                count.kinds[one.kind] += 1
                count.length_off.append(one.length.value - length)
                count.depth_off.append(one.depth.value - depth)
                count.over_u += [count.length_off[-1] / one.length.u, count.depth_off[-1] / one.depth.u]
        count.elsewhere += sum(not any(one in near(flaws, arc) for arc in at) for one in flaws)
    return count


@pytest.mark.parametrize("mm_per_px", [0.3, 0.2])
@pytest.mark.parametrize(("way", "kind"), [(-1.0, NICK), (1.0, BURR)])
def test_the_smallest_that_matter_are_found(way: float, kind: FlawKind, mm_per_px: float) -> None:
    """0.6 mm long and 0.3 mm deep (a parabola): two pixels by one."""
    count = tally(way, "parabola", least=True, mm_per_px=mm_per_px)
    print(f"{kind} 0.6 x 0.3 mm at {mm_per_px} mm/px: {count.found} of {count.drawn} found, {dict(count.kinds)}")
    assert count.found >= 0.99 * count.drawn
    assert count.elsewhere == 0
    others = set(count.kinds) - {kind, STRAND}  # a narrow burr may look like a strand: a second look tells
    assert not others
    assert count.kinds[kind] >= 0.8 * count.drawn


# A shape is told from another only where it is wide against the blur: in between, the sizes lie in between.
@pytest.mark.parametrize(
    ("shape", "length_mm", "depth_mm"),
    [("parabola", 0.05, 0.03), ("trapezoid", 0.10, 0.05), ("half ellipse", 0.12, 0.03), ("triangle", 0.15, 0.08)],
)
@pytest.mark.parametrize("way", [-1.0, 1.0])
def test_sizes_have_no_bias_by_blur(way: float, shape: str, length_mm: float, depth_mm: float) -> None:
    """Lengths of 0.7 to 2 mm, depths of 0.3 to 0.6 mm; the blur's sigma is 0.24 mm."""
    count = tally(way, shape, least=False)
    medians = float(np.median(count.length_off)), float(np.median(count.depth_off))
    spread = float(np.sqrt(np.mean(np.square(count.over_u))))
    print(f"{shape} {way:+.0f}: length {medians[0]:+.3f} mm, depth {medians[1]:+.3f} mm, rms of error/u {spread:.2f}")
    assert count.found == count.drawn
    assert abs(medians[0]) <= length_mm
    assert abs(medians[1]) <= depth_mm
    if shape == "parabola":
        assert spread <= 1.2


@pytest.mark.parametrize("blur_px", [0.6, 0.8, 1.1, 1.5])
def test_blur_does_not_change_the_size(blur_px: float) -> None:
    plate = Plate()
    for arc in (30.0, 150.0, 300.0):
        plate.spoil(arc, 1.2, -0.45)
    raw, camera = picture(plate, 4, blur_px=blur_px)
    shot, here = look(raw, camera, blur_px)
    flaws = find_flaws((shot,), "rim", here)
    assert [one.kind for one in flaws] == [NICK] * 3
    for one in flaws:
        assert one.length.value == pytest.approx(1.2, abs=max(0.12, 2.0 * one.length.u))
        assert one.depth.value == pytest.approx(0.45, abs=max(0.06, 2.0 * one.depth.u))
        assert one.area_mm2 == pytest.approx(2 / 3 * 1.2 * 0.45, rel=0.12)


def test_a_flaw_lies_where_it_was_drawn() -> None:
    plate = Plate()
    plate.spoil(150.0, 1.0, -0.5)
    raw, camera = picture(plate, 5)
    shot, here = look(raw, camera)
    (one,) = find_flaws((shot,), "rim", here)
    middle = from_edge(150.0, np.array([[0.0, -0.25]]))[0]
    assert one.arc_mm == pytest.approx(150.0, abs=0.05)
    assert one.point_mm[:2] == pytest.approx(middle, abs=0.1)
    assert one.pixel == pytest.approx(middle * [1, -1] * camera.fx / 900.0 + [camera.cx, camera.cy], abs=0.3)
    assert np.ptp(one.outline_pixel, axis=0).max() == pytest.approx(1.0 / 0.3, abs=0.6)


def strands(random: np.random.Generator) -> Iterator[tuple[float, float, float]]:
    """Place, angle from the normal [rad] and reach over the edge [mm]."""
    for arc in places(random):
        yield arc, float(np.deg2rad(random.uniform(-60, 60))), float(random.uniform(0.8, 2.2))


@pytest.mark.parametrize("width_mm", [0.3, 0.4])
@pytest.mark.parametrize("brightness", [0.55, 0.40])
def test_strands_are_found_and_are_strands(width_mm: float, brightness: float) -> None:
    """They lie over the edge and hang out by 0.8 to 2.2 mm; as bright as the plate, or in their own shade."""
    drawn, kinds, off = 0, Counter[FlawKind](), list[float]()
    for seed in range(PLATES):
        random, plate = np.random.default_rng([seed, 3]), Plate(wave_mm=0.1)
        specs = list(strands(random))
        for arc, angle, over in specs:
            way = np.array([np.sin(angle), np.cos(angle)])
            ends = np.array([-2.0 * way, over / np.cos(angle) * way])
            plate.loose.append((strand(from_edge(arc, ends), width_mm), brightness))
        flaws = seen(plate, seed)
        for arc, _, over in specs:
            drawn += 1
            here = sorted(near(flaws, arc), key=lambda one: one.kind is not STRAND)
            if here:
                kinds[here[0].kind] += 1
                off.append(here[0].depth.value - over)
    print(
        f"strands {width_mm} mm, level {brightness}: {kinds[STRAND]} of {drawn}, {dict(kinds)}; {np.median(off):+.2f}"
    )
    assert kinds[STRAND] >= 0.95 * drawn
    assert kinds[NICK] == 0
    assert abs(float(np.median(off))) <= 0.25


def test_a_curl_that_touches_the_edge_at_both_ends_is_a_strand() -> None:
    plate = Plate()
    bow = np.array([(-3.0, 0.1), (-1.5, 0.8), (1.5, 0.8), (3.0, 0.1)])
    plate.loose.append((strand(from_edge(100.0, bow), 0.4), 0.5))
    (one,) = seen(plate, 2)
    assert one.kind is STRAND
    assert one.length.value == pytest.approx(6.4, abs=0.6)


def test_nothing_is_found_on_good_plates_with_dirt_about() -> None:
    """Waves of the cut, chips on the ground and on the face that touch nothing, hot pixels."""
    wrong = 0
    for seed in range(100 if MANY else 8):
        random = np.random.default_rng([seed, 5])
        plate = Plate(wave_mm=0.15, wave_length_mm=60)
        for _ in range(10):
            arc, bend = random.uniform(0, LENGTH), random.uniform(-1, 1, 2)
            off = random.uniform(1.7, 3.0) * (1 if random.random() < 0.7 else -1)
            ends = np.array([(0.0, off), (bend[0], off + np.sign(off) * abs(bend[1]))])
            plate.loose.append((strand(from_edge(arc, ends), random.uniform(0.2, 0.8)), random.uniform(0.3, 0.6)))
        hot = [(int(random.uniform(20, 540)), int(random.uniform(20, 370))) for _ in range(40)]
        wrong += len(seen(plate, seed, hot=hot))
    assert wrong == 0


def test_a_long_step_is_form_and_no_flaw() -> None:
    """A section 25 mm long cut 0.4 mm too deep is what the zones are for."""
    plate = Plate()
    plate.spoil(150.0, 25.0, -0.4)
    assert not seen(plate, 1)


def test_more_noise_makes_no_flaws() -> None:
    for seed in range(20 if MANY else 4):
        assert not seen(Plate(wave_mm=0.1), seed, noise=0.03)


def test_good_lids_have_no_flaws() -> None:
    """The demo lid by the fast renderer, through the whole measurement, cut-outs too."""
    for seed in range(60 if MANY else 3):
        measurement = looks.gauge().measure("standard", {"top": taken(good_picture(seed), seed)}, Temperature(22.0))
        assert measurement.flaws == ()


def test_a_good_shell_costs_no_close_look() -> None:
    raw, camera = picture(Plate(wave_mm=0.1), 3)
    shot, here = look(raw, camera)
    assert noise_of(here.ribbon) < 0.01
    assert not suspects(here).any()
    assert find_flaws((shot,), "rim", here) == ()
