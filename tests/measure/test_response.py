"""Whether a picture is linear in light, read off its noise, and the way back from a stated response.

SOURCES: photon transfer, variance = read + shot * level: EMVA Standard 1288, camera model. sRGB curve: IEC 61966-2-1.
Bound of "bent" and what linear cameras read: measured for this project, see DEVELOPERS.md.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from edgeinspect.geometry import Array
from edgeinspect.measure.edge import fit_edges
from edgeinspect.measure.noise import GREATEST_RESPONSE, read_noise, transfer
from edgeinspect.measure.picture import GreyPicture, linear_picture
from edgeinspect.measure.response import Response
from edgeinspect.measure.ribbon import ScanLines, sample

SHAPE = (480, 640)
SRGB = Response("srgb")


def scene(random: np.random.Generator, plate: float = 0.05, face: float = 0.5, white: float = 0.85) -> Array:
    """Light of a plate with a shell on it, a printed white patch, slow shading and soft edges."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    tilt = random.uniform(-0.1, 0.1, 2)
    shell = ndtr((180 + random.uniform(-20, 20) - np.hypot(x - 300, (y - 240) * 1.2)) / 0.8)
    mark = ndtr((x - 520) / 0.8) * ndtr((600 - x) / 0.8) * ndtr((y - 40) / 0.8) * ndtr((160 - y) / 0.8)
    light = plate + (face - plate) * shell + (white - plate) * mark
    return np.asarray(light * (1 + tilt[0] * (x / 640 - 0.5) + tilt[1] * (y / 480 - 0.5)))


def taken(
    light: Array,
    random: np.random.Generator,
    *,
    full_well: float = 10_500,
    read: float = 8,
    bits: int = 8,
    black: float = 0.0,
    curve: Response | None = None,
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Levels of a sensor; ``curve`` bends them as a camera's firmware does, after the noise and before rounding."""
    counted = random.poisson(np.maximum(light, 0) * full_well) + random.normal(0.0, read, light.shape)
    level = np.clip(counted / full_well + black, 0.0, 1.0)
    if curve is not None:
        axis = np.linspace(0.0, 1.0, 20_001)
        level = np.interp(level, curve.light(axis), axis)
    top = 2**bits - 1
    return np.rint(level * top).astype(np.uint8 if bits == 8 else np.uint16)


def reading(raw: NDArray[np.uint8] | NDArray[np.uint16], bits: int = 8) -> float:
    return read_noise(GreyPicture(raw, bits))[1]


def test_no_linear_picture_is_flagged() -> None:
    """200 of sensors of all kinds: 8 and 12 bits, full wells of 4,000 to 40,000 electrons, read noise up to that of
    500 electrons of light, black levels up to 4 % of full scale, dim and bright, with saturated parts.
    """
    readings = []
    for seed in range(200):
        random = np.random.default_rng(seed)
        full_well = float(np.exp(random.uniform(np.log(4_000), np.log(40_000))))
        light = scene(random, random.uniform(0.04, 0.15), random.uniform(0.3, 0.7), random.uniform(0.8, 1.1))
        raw = taken(
            light * random.uniform(0.5, 1.0),
            random,
            full_well=full_well,
            read=random.uniform(2, min(14.0, 0.15 * np.sqrt(full_well))),
            bits=int(random.choice([8, 12])),
            black=random.choice([0.0, 0.008, 0.04]),
        )
        readings.append(reading(raw, 8 if raw.dtype == np.uint8 else 12))
    assert not (np.array(readings) > GREATEST_RESPONSE).any(), np.sort(readings)[-5:]
    assert np.isfinite(readings).mean() > 0.9


@pytest.mark.parametrize("bits", [8, 12])
@pytest.mark.parametrize("curve", [Response(1.4), Response(1.8), Response(2.2), SRGB])
def test_bent_pictures_are_flagged(curve: Response, bits: int) -> None:
    for seed in range(10):
        random = np.random.default_rng(100 + seed)
        read = reading(taken(scene(random), random, bits=bits, curve=curve), bits)
        assert read > GREATEST_RESPONSE
        if curve.curve == 2.2:
            assert read == pytest.approx(2.25, abs=0.15)


def test_a_linear_camera_reads_one() -> None:
    readings = []
    for seed in range(20):
        random = np.random.default_rng(200 + seed)
        readings.append(reading(taken(scene(random), random, bits=12), 12))
    assert np.mean(readings) == pytest.approx(1.04, abs=0.05)
    assert 0.9 < min(readings) <= max(readings) < 1.2


def test_the_noise_is_the_sensors() -> None:
    """Variance within a tenth, at the plate's and the shell's level."""
    random = np.random.default_rng(5)
    noise = read_noise(GreyPicture(taken(scene(random), random, read=10), 8))[0]
    assert noise is not None
    for level in (0.05, 0.5):
        true = (10 / 10_500) ** 2 + level / 10_500 + 1 / 12 / 255**2
        assert noise.read + noise.shot * level == pytest.approx(true, rel=0.1)


def test_a_noisy_black_is_no_gamma_when_it_is_stated() -> None:
    """An amplified picture, 1,000 electrons at full scale and 12 of read noise: its dark noise takes the doubt away."""
    random = np.random.default_rng(6)
    picture = GreyPicture(taken(scene(random), random, full_well=1_000, read=12, bits=12), 12)
    assert read_noise(picture)[1] > GREATEST_RESPONSE
    assert read_noise(picture, dark=0.012)[1] == pytest.approx(1.0, abs=0.12)


@pytest.mark.parametrize("how", ["denoised", "JPEG"])
def test_a_processed_picture_says_nothing(how: str) -> None:
    """Smoothed noise is no photon transfer: cannot tell, and never a flag on a linear camera."""
    for seed in range(5):
        random = np.random.default_rng(300 + seed)
        raw = taken(scene(random), random)
        if how == "denoised":
            raw = cv2.GaussianBlur(raw, (0, 0), 0.8)
        else:
            raw = cv2.imdecode(cv2.imencode(".jpg", raw, [cv2.IMWRITE_JPEG_QUALITY, 80])[1], cv2.IMREAD_GRAYSCALE)
        assert not reading(raw) > GREATEST_RESPONSE
        assert how == "JPEG" or transfer(GreyPicture(raw)).smoothed


def edge_shift_px(raw: NDArray[np.uint16], response: Response) -> float:
    """How far off the edge at 0.3 px lies."""
    lines = 300
    centre = np.column_stack([np.full(lines, 20.0), 5.0 + np.arange(lines)])
    laid = ScanLines(centre, np.tile([1.0, 0.0], (lines, 1)), np.zeros((lines, 2)))
    d_px = np.arange(-28, 29) * 0.5
    ribbon = sample(linear_picture(raw, 12, response), laid, d_px)
    return float(np.nanmean(fit_edges(ribbon, d_px, np.ones(lines), 0.95).d_mm)) - 0.3


@pytest.mark.parametrize("curve", [Response(1.4), Response(1.8), Response(2.2), SRGB])
def test_the_stated_response_puts_the_edge_back(curve: Response) -> None:
    """Bent, the edge is off by more than 0.05 px; straightened, by less than 0.01 px."""
    x = np.arange(48) - 20.3
    light = np.tile(0.05 + 0.45 * ndtr(x / 0.85), (310, 1))
    raw = taken(light, np.random.default_rng(8), full_well=100_000, bits=12, curve=curve)
    assert abs(edge_shift_px(raw, Response())) > 0.05
    assert abs(edge_shift_px(raw, curve)) < 0.01


def test_points_say_the_same_as_a_gamma() -> None:
    level = np.linspace(0.0, 1.0, 101)
    points = Response(tuple(zip(level.tolist(), (level**2.2).tolist(), strict=True)))
    assert np.abs(points.light(np.linspace(0, 1, 1000)) - np.linspace(0, 1, 1000) ** 2.2).max() < 1e-4


def test_srgb_is_the_published_curve() -> None:
    """IEC 61966-2-1: level 0.5 is 0.2140 of light, the straight part ends at 0.04045 with 0.0031308."""
    assert SRGB.light(np.array([0.5, 0.04045])) == pytest.approx([0.2140, 0.0031308], abs=5e-5)


@pytest.mark.parametrize(
    "curve", ["gamma", 0.5, 5.0, ((0.0, 0.0), (0.5, 0.7)), ((0.0, 0.0), (0.6, 0.3), (0.5, 0.4), (1.0, 1.0))]
)
def test_what_is_no_response_is_refused(curve: object) -> None:
    with pytest.raises(ValueError, match="must"):
        Response(curve)  # type: ignore[arg-type]
