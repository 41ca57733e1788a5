"""Can an artwork be measured: what is predicted against what the fit scatters by, and prints that look alike.

The scatter is that of the fit on a picture drawn by an independent hand (decal_pictures.py), each time with other shot
and read noise. The shapes' symmetries are geometry.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from edgeinspect.geometry import Array
from edgeinspect.measure.artwork_check import ArtworkTells, SeenBy, check_artwork, near_twins
from edgeinspect.measure.artwork_fit import fit, printed
from edgeinspect.measure.decal import Panel
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.shell.definition import Artwork, Decal
from edgeinspect.shell.files import load_shell
from tests.samples.truth import MODEL

from .decal_pictures import FULL_WELL, READ, SQUARELY, Laid, Surface, decal_of, drawn

SEEN_BY = SeenBy(px_per_mm=4.0, blur_px=0.76, exposure=0.9, sheet=0.48, full_well_e=FULL_WELL, read_e=READ)
DRAWS = 60  # the scatter of so many is known to 9 %


def art(
    look: Callable[[Array, Array], tuple[Array, Array]], width_mm: float = 40.0, height_mm: float = 40.0
) -> Artwork:
    """Ten pixels a mm; ``look`` gives grey and opacity at x, y [mm] of the centre."""
    x = (np.arange(round(10 * width_mm)) + 0.5) / 10 - width_mm / 2
    y = height_mm / 2 - (np.arange(round(10 * height_mm)) + 0.5) / 10
    grid_x, grid_y = np.meshgrid(x, y)
    grey, opacity = look(grid_x, grid_y)
    whole = np.zeros_like(grid_x)
    return Artwork(grey + whole, opacity + whole, width_mm, height_mm)


def on(here: Array, ink: float = 0.9, ground: float = 0.05) -> Array:
    return np.where(here, ink, ground)


ONE = np.array(1.0)
DISC = art(lambda x, y: (np.array(0.05), (np.hypot(x, y) < 18) * 1.0))
SQUARE = art(lambda x, y: (on(np.maximum(abs(x), abs(y)) < 10), ONE))
STRIPES = art(lambda x, y: (on((x // 2) % 2 < 1), ONE))
ENDLESS_LINE = art(lambda x, y: (on(abs(y) < 1, 0.9, 0.48), ONE), 60.0, 10.0)
LINE = art(lambda x, y: (np.array(0.05), (abs(y) < 1) * (abs(x) < 25) * 1.0), 60.0, 10.0)
LIKE_THE_SHEET = art(lambda x, y: (np.array(0.48), ONE))
KEY = art(lambda x, y: (on((abs(x) < 12) & (abs(y) < 2) | (np.hypot(x + 8, y - 6) < 4)), ONE))


@pytest.fixture(scope="module")
def badge() -> Decal:
    return load_shell(MODEL).decals[0]


def tells(artwork: Artwork) -> ArtworkTells:
    return check_artwork(artwork, SEEN_BY)


@pytest.mark.parametrize("of", ["badge", "key"])
def test_the_fit_scatters_as_predicted(of: str, badge: Decal) -> None:
    """Of a good gauge actual over predicted is 1; 0.7 to 1.4 leaves room for the draws' own scatter."""
    artwork = badge.artwork if of == "badge" else KEY
    clean = drawn(artwork, Laid(per_mm=SEEN_BY.px_per_mm, blur_px=0.7, reach_mm=6.0))
    light, noise, values = clean.picture.raw / 65535.0, np.random.default_rng(3), []
    sigma = np.sqrt(light * FULL_WELL + READ**2) / FULL_WELL
    for _ in range(DRAWS):
        raw = np.rint(65535 * np.clip(light + sigma * noise.standard_normal(light.shape), 0, 1)).astype(np.uint16)
        panel = Panel(GreyPicture(raw), decal_of(badge, Surface(), artwork), SQUARELY, clean.model, SEEN_BY.blur_px)
        pixels = panel.seen(artwork, np.zeros(5))
        values.append(fit(pixels, printed(artwork, panel.blur_mm), np.zeros(5), panel.blur_mm).values)
    told = tells(artwork)
    turn = np.deg2rad(told.u_rotation_deg)
    predicted = np.array([told.u_dx_mm, told.u_dy_mm, turn, told.u_stretch_along, told.u_stretch_across])
    ratio = np.std(values, axis=0, ddof=1) / predicted
    assert (ratio > 0.7).all() and (ratio < 1.4).all(), ratio


def test_a_disc_has_no_rotation() -> None:
    told = tells(DISC)
    assert told.problems == ("turned any way it looks the same: it has no rotation",)
    assert told.u_dx_mm < 0.01 and told.u_dy_mm < 0.01


def test_a_square_has_four() -> None:
    told = tells(SQUARE)
    assert told.problems == () and told.alike_turned_deg == (90.0, 180.0, 270.0)
    assert told.u_rotation_deg < 0.01


def test_stripes_lie_where_the_next_ones_do() -> None:
    told = tells(STRIPES)
    assert told.alike_shifted_mm is not None and abs(told.alike_shifted_mm[0]) == pytest.approx(4.0, abs=0.3)
    assert abs(told.alike_shifted_mm[1]) < 0.3 and "shifted by 4" in told.warnings[-1]


def test_a_line_says_less_along_itself() -> None:
    told, endless = tells(LINE), tells(ENDLESS_LINE)
    assert told.u_dx_mm > 2 * told.u_dy_mm
    assert endless.u_dx_mm > 2 * endless.u_dy_mm
    assert told.alike_turned_deg == (180.0,)


def test_a_print_as_bright_as_the_sheet_cannot_be_measured() -> None:
    assert len(tells(LIKE_THE_SHEET).problems) == 3


def test_a_print_without_symmetry_has_nothing_to_beware_of(badge: Decal) -> None:
    told = tells(badge.artwork)
    assert told.problems == told.warnings == () and told.u_dx_mm < 0.001


def test_a_sharper_picture_tells_more(badge: Decal) -> None:
    """u goes as the noise and as the blur on the surface, over the square root of the pixels."""
    coarse, fine = (check_artwork(badge.artwork, replace(SEEN_BY, px_per_mm=scale)) for scale in (2.0, 4.0))
    assert fine.u_dx_mm < 0.7 * coarse.u_dx_mm
    dim = check_artwork(badge.artwork, replace(SEEN_BY, exposure=0.1))
    assert dim.u_dx_mm > 2 * tells(badge.artwork).u_dx_mm


def variants(badge: Decal, other: Artwork) -> list[Decal]:
    return [replace(badge, variant="A", artwork=KEY), replace(badge, variant="B", artwork=other)]


def test_twins_in_the_library(badge: Decal) -> None:
    """Two letters more or less are told; the same print, or one hardly greyer, is not."""
    letters = np.array(KEY.grey)
    letters[340:370, 300:315] = letters[340:370, 325:340] = 0.9  # two bars of 3 x 1.5 mm
    assert near_twins(variants(badge, replace(KEY, grey=letters)), SEEN_BY) == ()
    (same,) = near_twins(variants(badge, KEY), SEEN_BY)
    assert (same.variant, same.other, same.difference) == ("A", "B", 0.0)
    faint = np.array(KEY.grey)
    faint[340:350, 300:305] = 0.08
    (hardly,) = near_twins(variants(badge, replace(KEY, grey=faint)), SEEN_BY)
    assert 0 < hardly.difference < 0.02


@pytest.mark.parametrize("name", ["px_per_mm", "blur_px", "sheet"])
def test_what_is_not_a_camera_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match=f"{name} is 0.0, must be above 0"):
        SeenBy(**{name: 0.0})
