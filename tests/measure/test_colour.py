"""Colours, and the colours of a decal: published numbers, an independent library, pictures by an independent hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from skimage import color

from edgeinspect.conformity.colour import colour_findings
from edgeinspect.conformity.verdict import Answer, Finding
from edgeinspect.errors import CalibrationError
from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import ColourCalibration
from edgeinspect.measure.colour import (
    WHITE,
    by_difference,
    difference,
    lab_of_xyz,
    srgb_of_lab,
    xyz_of_lab,
    xyz_of_srgb_light,
)
from edgeinspect.measure.colour_calibration import by_like, calibrate_colour
from edgeinspect.measure.colour_places import too_fine
from edgeinspect.measure.decal import DecalFit
from edgeinspect.measure.decal_colour import ColourShot, ColourSight, colours_of
from edgeinspect.measure.measurement import DecalColour, DecalResult, FaultKind
from edgeinspect.shell.artwork import read_artwork
from edgeinspect.shell.definition import Artwork, ColourLimit, Decal, Ink
from edgeinspect.shell.files import load_shell
from edgeinspect.shell.srgb import flat_colours, srgb_to_linear, which_flat
from tests.samples.truth import MODEL

from . import colour_pictures as pictures
from .colour_pictures import Setting
from .decal_pictures import Surface, decal_of

# Pairs of CIELAB and their CIEDE2000: G. Sharma, W. Wu, E. Dalal, "The CIEDE2000 color-difference formula:
# implementation notes, supplementary test data, and mathematical observations", Color Res. Appl. 30 (2005), table 1
# (numbers 1, 4, 7, 9, 13, 16, 17, 20, 24, 25, 29, 34; written here from memory).
SHARMA = np.array(
    [
        [50.0000, 2.6772, -79.7751, 50.0000, 0.0000, -82.7485, 2.0425],
        [50.0000, -1.3802, -84.2814, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, 0.0000, 0.0000, 50.0000, -1.0000, 2.0000, 2.3669],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0009, 7.1792],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0009, -2.4900, 4.8045],
        [50.0000, 2.5000, 0.0000, 50.0000, 0.0000, -2.5000, 4.3065],
        [50.0000, 2.5000, 0.0000, 73.0000, 25.0000, -18.0000, 27.1492],
        [50.0000, 2.5000, 0.0000, 58.0000, 24.0000, 15.0000, 19.4535],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.2592, 0.3350, 1.0000],
        [60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644],
        [22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373],
        [2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082],
    ]
)


def test_ciede2000_of_the_published_pairs() -> None:
    assert difference(SHARMA[:, :3], SHARMA[:, 3:6]) == pytest.approx(SHARMA[:, 6], abs=5e-5)
    assert difference(SHARMA[:, 3:6], SHARMA[:, :3]) == pytest.approx(SHARMA[:, 6], abs=5e-5)


def test_cielab_there_and_back_below_black_too() -> None:
    lab = np.random.default_rng(1).uniform([5, -40, -40], [100, 40, 40], (500, 3))
    for illuminant in ("D50", "D65"):
        assert lab_of_xyz(WHITE[illuminant], illuminant) == pytest.approx([100, 0, 0], abs=1e-9)
        here = lab[(lab[:, 0] + 16.0) / 116.0 > lab[:, 2] / 200.0]  # the others are no light at all
        assert lab_of_xyz(xyz_of_lab(here, illuminant), illuminant) == pytest.approx(here, abs=1e-3)
        black = lab_of_xyz(np.array([[0.0, 0.0, 0.0], [-1e-3, -1e-3, -1e-3]]), illuminant)[:, 0]
        assert black == pytest.approx([0.0, -0.9033], abs=1e-3)  # 903.3 Y: CIE 15


def test_small_steps_count_as_ciede2000_has_them() -> None:
    random = np.random.default_rng(3)
    lab = random.uniform([20, -50, 0], [90, 60, 60], (400, 3))  # without blues, whose turn is left out
    steps = 0.01 * random.standard_normal((400, 3))
    ours = np.linalg.norm(np.einsum("nij,nj->ni", by_difference(lab), steps), axis=1)
    theirs = color.deltaE_ciede2000(lab - steps / 2, lab + steps / 2)
    off = np.abs(ours / theirs - 1.0)
    assert np.percentile(off, 90) < 0.03
    assert off.max() < 0.2  # where the factor of a* changes fast


def test_srgb_as_scikit_image_has_it() -> None:
    """IEC 61966-2-1: white is L* 100 without colour under any illuminant; of D65 all as scikit-image (2 degrees)."""
    srgb = np.random.default_rng(2).uniform(0, 1, (500, 3))
    ours = lab_of_xyz(xyz_of_srgb_light(srgb_to_linear(srgb), "D65"), "D65")
    assert ours == pytest.approx(color.rgb2lab(srgb.reshape(1, -1, 3)).reshape(-1, 3), abs=0.02)
    for illuminant in ("D50", "D65"):
        assert lab_of_xyz(xyz_of_srgb_light(np.ones(3), illuminant), illuminant) == pytest.approx([100, 0, 0], abs=1e-6)
        lab = lab_of_xyz(xyz_of_srgb_light(srgb_to_linear(srgb), illuminant), illuminant)
        assert srgb_of_lab(lab, illuminant) == pytest.approx(srgb, abs=1e-4)


# -- the calibration

INKS_LAB = np.array([[18.0, 0.5, -3.0], [93.0, 0.0, 2.0], [72.0, 24.0, 68.0], [60.0, 0.0, 0.0]])
WORDS = ("black", "white", "amber", "grey")
SETTING = Setting(110.0, 45.0)
PLACES = np.array([[-55, -22.5, 0], [55, -22.5, 0], [55, 22.5, 0], [-55, 22.5, 0.0]])


@cache
def chart_levels() -> tuple[Array, Array]:
    return tuple(pictures.picture(SETTING, look(SETTING), k) for k, look in enumerate(LOOKS))  # type: ignore[return-value]


LOOKS = (pictures.chart_look, pictures.sheet_look)


def calibrated(chart: Array, sheet: Array, **changed: object) -> ColourCalibration:
    rest = {"patches": pictures.chart(SETTING), "illuminant": "D50"} | changed
    placed = (pictures.placed(one) for one in (chart, sheet))  # type: ignore[arg-type]
    return calibrate_colour(  # type: ignore[arg-type]
        *placed,
        rest["patches"],
        PLACES,
        SETTING.grey_patch_mm,
        SETTING.model,
        rest["illuminant"],
        "2026-11-27T10:00:00Z",
    )


@cache
def calibration() -> ColourCalibration:
    return calibrated(*chart_levels())


def test_what_is_said_of_the_chart_holds_for_other_colours() -> None:
    """Forty colours that the chart does not hold: their rms is 0.6 to 1.5 of what leaving out said."""
    random = np.random.default_rng(5)
    lab = random.uniform([25, -40, -40], [90, 40, 50], (40, 3))
    read = SETTING.seen(lab) / SETTING.seen(np.array(pictures.SHEET_LAB))
    here = calibration()
    plain = lab_of_xyz(read @ here.matrix.T, "D50")
    off = difference(lab, plain + by_like(lab, here.like_lab, here.missed_lab))
    assert len(here.like_lab) and np.mean(off**2) < np.mean(difference(lab, plain) ** 2)
    assert 0.6 < np.sqrt((off**2).mean()) / calibration().rms_de < 1.5


def test_what_like_colours_miss_is_taken_off_only_where_that_helps() -> None:
    """A chart whose file is off by chance, each patch its own way: like colours say nothing of each other."""
    chart, sheet = chart_levels()
    random = np.random.default_rng(8)
    off = [replace(one, lab=one.lab + random.normal(0.0, 1.2, 3)) for one in pictures.chart(SETTING)]
    assert len(calibrated(chart, sheet, patches=off).like_lab) == 0


def test_a_chart_that_cannot_be_used_is_refused_with_its_reason() -> None:
    chart, sheet = chart_levels()
    every = pictures.chart(SETTING)
    swapped = [replace(one, lab=other.lab) for one, other in zip(every, every[::-1], strict=True)]
    greys = [replace(one, lab=np.array([30.0 + 2 * k, 0.0, 0.0])) for k, one in enumerate(every)]
    bright = np.minimum(np.asarray(sheet, dtype=float) * 1.3, 255).astype(np.uint8)
    dim = (np.asarray(sheet, dtype=float) * 0.07).astype(np.uint8)
    shaded = sheet.copy()
    shaded[60:160, 150:300] = (shaded[60:160, 150:300] * 0.9).astype(np.uint8)
    aside = [replace(one, centre_mm=one.centre_mm + np.array([5.0, 0, 0])) for one in every]
    for words, took in (
        ("at least 12", lambda: calibrated(chart, sheet, patches=every[:11])),
        ("unlike its file|far darker", lambda: calibrated(chart, sheet, patches=swapped)),
        ("unlike its file|too much alike|far darker", lambda: calibrated(chart, sheet, patches=greys)),
        ("full scale in", lambda: calibrated(chart, bright)),
        ("grey patch reads|below 8 %", lambda: calibrated(chart, dim)),
        ("white sheet is not even", lambda: calibrated(chart, shaded)),
        ("is not even: is the chart where", lambda: calibrated(chart, sheet, patches=aside)),
    ):
        with pytest.raises(CalibrationError, match=words):
            took()


# -- decals


@cache
def badge() -> tuple[Decal, Artwork]:
    decal = load_shell(MODEL).decals[0]
    art = read_artwork((MODEL / "badge.png").read_bytes(), "badge", 110.0, 45.0, in_colour=True)
    inks = zip(flat_colours(art), INKS_LAB, WORDS, strict=True)
    limit = ColourLimit(4.0, inks=tuple(Ink(words, srgb, lab) for (_, srgb), lab, words in inks))
    return replace(decal, artwork=art, colour=limit), art


@cache
def label() -> Array:
    art = badge()[1]
    return which_flat(art, [srgb for _, srgb in flat_colours(art)])  # type: ignore[return-value]


VALUES = (0.4, -0.3, 0.5, 0.001, -0.002)


def told(
    inks: Array,
    *,
    setting: Setting = SETTING,
    seed: int = 3,
    region: object = None,
    printed: tuple[Decal, Array] | None = None,
    **how: object,
) -> tuple[DecalColour, DecalResult, Finding]:
    surface = Surface(0.0, 150.0)
    decal, which = printed or (badge()[0], label())
    decal = decal_of(decal, surface)
    look = pictures.decal_look(setting, which, inks, 10.0, VALUES, region)  # type: ignore[arg-type]
    levels = pictures.picture(setting, look, seed, surface=surface, **how)  # type: ignore[arg-type]
    here = calibration()
    picture = replace(pictures.placed(levels), black=here.black)
    shot = ColourShot("tint", picture, setting.model, setting.seen_blur_px, here, setting.grey_patch_mm)
    laid = DecalFit(True, np.array(VALUES) * [1, 1, np.pi / 180, 1, 1])
    colour, faults = colours_of(decal, Pose.identity(), laid, ColourSight((shot,)), lambda at: at, "top")
    result = DecalResult(decal.name, True, colour=colour, faults=faults)
    (finding,) = colour_findings(decal, result)
    return colour, result, finding


def test_a_good_print_is_green_and_its_inks_are_read_right() -> None:
    colour, result, finding = told(INKS_LAB, slope=0.2, lamp=(0.9, 0.9, 0.9))
    assert finding.answer is Answer.CONFORMING, finding.sentence
    assert not result.faults
    assert {ink.name for ink in colour.inks} == set(WORDS)
    for ink in colour.inks:
        assert ink.off_by is not None
        assert ink.off_by.value < 2.5 * ink.off_by.u


def test_one_wrong_ink_is_named_with_its_difference_and_place() -> None:
    wrong = INKS_LAB + np.array([[0, 0, 0], [0, 0, 0], [-4, 9, -16], [0, 0, 0]])
    _, result, finding = told(wrong)
    assert finding.answer is Answer.NONCONFORMING
    assert "amber field" in finding.sentence
    true = float(color.deltaE_ciede2000(INKS_LAB[2], wrong[2]))
    off = [fault for fault in result.faults if fault.ink == "amber"]
    assert off and off[0].kind is FaultKind.COLOUR and off[0].off_by is not None
    assert off[0].off_by.value == pytest.approx(true, abs=2.5 * off[0].off_by.u)
    assert off[0].at_mm[0] == pytest.approx(-41.0, abs=2.5)  # the two chevrons, see badge.py


def test_one_region_of_an_ink_is_told_with_its_size() -> None:
    box = (2.0, -21.5, 26.0, -13.5)
    _, result, finding = told(INKS_LAB, region=(*box, INKS_LAB + np.array([5.0, 3.0, 7.0])))
    assert finding.answer is Answer.NONCONFORMING
    region = result.faults[0]
    assert region.at_mm == pytest.approx([14.0, -17.5], abs=1.5)
    assert (region.length_mm, region.width_mm) == pytest.approx(
        (24.0, 8.0), abs=4.0
    )  # told over 11 mm in black print of 8 bits


def striped(width_mm: float) -> tuple[Decal, Array]:
    """The badge with a fifth ink: blue stripes in its black ground."""
    sheet = cv2.imread(str(MODEL / "badge.png"), cv2.IMREAD_UNCHANGED)
    for y in range(30, 120, 30):  # 10 px/mm
        sheet[y : y + round(10 * width_mm), 300:800, :3] = (200, 90, 30)
    art = read_artwork(cv2.imencode(".png", sheet)[1].tobytes(), "badge", 110.0, 45.0, in_colour=True)
    flats = flat_colours(art)
    others = iter(WORDS)
    words = ["blue" if srgb[2] > 1.5 * srgb[0] else next(others) for _, srgb in flats]
    lab = [BLUE_LAB if word == "blue" else INKS_LAB[WORDS.index(word)] for word in words]
    inks = tuple(Ink(word, srgb, one) for word, (_, srgb), one in zip(words, flats, lab, strict=True))
    decal = replace(badge()[0], artwork=art, colour=ColourLimit(4.0, inks=inks))
    return decal, which_flat(art, [srgb for _, srgb in flats])  # type: ignore[return-value]


BLUE_LAB = np.array([40.0, 5.0, -50.0])


def test_an_ink_printed_too_fine_is_named_before_and_in_the_verdict() -> None:
    decal, which = striped(0.6)
    assert decal.colour is not None
    assert too_fine(decal, 4.0, 0.8) == ("blue",)
    assert too_fine(striped(2.5)[0], 4.0, 0.8) == ()
    inks = np.array([one.lab for one in decal.colour.inks])
    colour, _, finding = told(inks, printed=(decal, which))
    assert [ink.name for ink in colour.inks if ink.off_by is None] == ["blue"]
    assert finding.answer is Answer.CONFORMING
    assert finding.sentence.endswith("; not told, printed too fine or not seen: blue")


def test_a_whole_batch_that_is_off_is_not_taken_for_light() -> None:
    faded = INKS_LAB + 0.25 * (np.array([93.0, 0.0, 2.0]) - INKS_LAB)
    assert told(faded)[2].answer is Answer.NONCONFORMING
    assert told(INKS_LAB + np.array([0.0, 5.0, 6.0]))[2].answer is Answer.NONCONFORMING


def test_another_lamp_is_no_result_and_never_green() -> None:
    """A lamp that fades to 70 % of all channels is taken out; one whose red falls by 6 % is not."""
    assert told(INKS_LAB, lamp=(0.7, 0.7, 0.7))[2].answer is Answer.CONFORMING
    finding = told(INKS_LAB, lamp=(0.94, 1.0, 1.0))[2]
    assert finding.answer is Answer.NO_RESULT
    assert "the lamp's colour has changed" in finding.sentence


def test_what_glare_hides_is_not_judged() -> None:
    finding = told(INKS_LAB, glare=(5.0, -15.0, 8.0, 1.2))[2]
    assert finding.answer in (Answer.NO_RESULT, Answer.NONCONFORMING)


def test_without_a_picture_in_colour_there_is_no_result() -> None:
    decal = badge()[0]
    colour, _ = colours_of(decal, Pose.identity(), DecalFit(True), ColourSight(), lambda at: at, "top")
    for result in (DecalResult(decal.name, True, colour=colour), DecalResult(decal.name, True)):
        (finding,) = colour_findings(decal, result)
        assert finding.answer is Answer.NO_RESULT
    assert not list(colour_findings(replace(decal, colour=None), DecalResult(decal.name, True)))
