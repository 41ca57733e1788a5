"""Raw levels at sub-pixel places, and the camera that says where places are, against independent libraries."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from edgeinspect.geometry import Pose
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.fixture import Fixture
from edgeinspect.measure.picture import GreyPicture, patch_level
from edgeinspect.simulate import bench

RANDOM = np.random.default_rng(11)


@pytest.mark.parametrize(("kind", "bits"), [(np.uint8, 8), (np.uint16, 12), (np.uint16, 16)])
def test_bilinear_as_scipy_does_it(kind: type, bits: int) -> None:
    """SOURCE: scipy.ndimage.map_coordinates, order 1; pixel centres have integer coordinates in both."""
    top = 2**bits - 1
    raw = RANDOM.integers(0, top + 1, (40, 60)).astype(kind)
    raw[0, 0] = top
    pixels = np.column_stack([RANDOM.uniform(0, 58.9, 500), RANDOM.uniform(0, 38.9, 500)])
    wanted = map_coordinates(raw.astype(np.float64) / top, [pixels[:, 1], pixels[:, 0]], order=1)
    picture = GreyPicture(raw, bits=top.bit_length())
    assert np.abs(picture.at(pixels) - wanted).max() < 2e-7  # float32
    assert picture.levels.max() == 1.0
    assert np.abs(picture.levels - raw / top).max() < 1e-7


def test_along_lines_is_the_same_as_at_points() -> None:
    raw = RANDOM.integers(0, 256, (60, 80)).astype(np.uint8)
    centre = np.column_stack([RANDOM.uniform(25, 55, 20), RANDOM.uniform(20, 40, 20)])
    first, second = RANDOM.normal(0, 3, (20, 2)), RANDOM.normal(0, 0.05, (20, 2))
    d = np.linspace(-3, 3, 13)
    found = GreyPicture(raw).along(centre[None], first[None], second, d)
    places = centre[:, None] + d[None, :, None] * first[:, None] + (d**2)[None, :, None] * second[:, None]
    at = GreyPicture(raw).at(places.reshape(-1, 2)).reshape(20, 13)
    assert np.array_equal(np.isnan(found), np.isnan(at))
    assert np.nanmax(np.abs(found - at)) < 2e-7  # float32: mixed in single precision along lines, in double at points


def test_a_ramp_is_read_exactly() -> None:
    """Bilinear sampling of a plane is that plane: no half pixel anywhere. SOURCE: its definition."""
    x, y = np.meshgrid(np.arange(100), np.arange(80))
    raw = (400 * x + 300 * y).astype(np.uint16)
    pixels = np.column_stack([RANDOM.uniform(0, 98.9, 300), RANDOM.uniform(0, 78.9, 300)])
    assert np.abs(GreyPicture(raw).at(pixels) * 65535 - pixels @ [400, 300]).max() < 0.01


def test_outside_is_nan_never_a_number() -> None:
    raw = np.full((40, 60), 100, dtype=np.uint8)
    outside = [(-0.01, 5), (5, -0.01), (59.01, 5), (5, 39.01), (1e9, 1), (np.nan, 3), (3, np.nan), (-np.inf, 2)]
    assert np.isnan(GreyPicture(raw).at(np.array(outside))).all()
    assert np.isfinite(GreyPicture(raw).at(np.array([(0.0, 0.0), (58.9, 38.9)]))).all()


@pytest.mark.parametrize(
    "raw", [np.zeros((4, 4, 3), np.uint8), np.zeros((4, 4)), np.zeros(4, np.uint8), np.zeros((4, 4), np.int16)]
)
def test_only_grey_pictures_of_8_or_16_bits(raw: np.ndarray) -> None:
    with pytest.raises(ValueError, match="must be"):
        GreyPicture(raw)


def test_bits_must_fit_the_levels() -> None:
    """A dark picture of 12 bits must not be taken for one of 16, nor one of 8 for either: the camera says which."""
    with pytest.raises(ValueError, match="12 bits"):
        GreyPicture(np.zeros((4, 4), np.uint8), 12)
    with pytest.raises(ValueError, match="8 bits"):
        GreyPicture(np.zeros((4, 4), np.uint16), 8)
    dim = np.full((4, 4), 410, np.uint16)
    assert GreyPicture(dim, 12).levels[0, 0] == pytest.approx(0.1, abs=2e-4)
    assert GreyPicture(dim, 16).levels[0, 0] == pytest.approx(410 / 65535)


LENSES = [
    (0.0, 0.0, 0.0, 0.0, 0.0),
    (-0.121, 0.103, 3.1e-4, -2.7e-4, 0.0),
    (-0.3, 0.12, -1e-3, 2e-3, -0.03),
    (0.08, -0.02, 5e-4, 5e-4, 0.01),
]


def camera(lens: tuple[float, ...]) -> CameraModel:
    return CameraModel(1600, 1200, 3004.2, 2998.7, 805.3, 594.6, np.array(lens))


@pytest.mark.parametrize("lens", LENSES)
def test_projection_as_opencv_does_it(lens: tuple[float, ...]) -> None:
    """SOURCE: cv2.projectPoints."""
    pose = Pose.from_degrees((178.0, 1.5, 3.0), (-12.0, 8.0, 905.0))
    points = RANDOM.uniform((-240, -180, 0), (240, 180, 90), (400, 3))
    model = camera(lens)
    wanted, _ = cv2.projectPoints(
        points, cv2.Rodrigues(pose.rotation)[0], pose.translation_mm, model.matrix, model.distortion
    )
    assert np.abs(model.project(points, pose) - wanted.reshape(-1, 2)).max() < 1e-9


@pytest.mark.parametrize("lens", LENSES)
def test_rays_go_back_through_the_pixels(lens: tuple[float, ...]) -> None:
    model = camera(lens)
    x, y = np.meshgrid(np.linspace(0, 1599, 25), np.linspace(0, 1199, 19))
    pixels = np.column_stack([x.ravel(), y.ravel()])
    rays = model.rays(pixels)
    assert (rays[:, 2] == 1.0).all()
    assert np.abs(model.project(rays * 731.0, Pose.identity()) - pixels).max() < 1e-6


def test_the_middle_of_the_picture_looks_along_the_axis() -> None:
    model = camera(LENSES[1])
    assert np.abs(model.rays(np.array([[805.3, 594.6]]))[0] - [0, 0, 1]).max() < 1e-9


def test_patch_level(empty_plate: np.ndarray, model: CameraModel, fixture: Fixture) -> None:
    """The renderer's patch is 0.50 of white 0.85, exposed to 0.88; the lens takes cos⁴ off the axis. Off the picture
    it is nan.
    """
    pose = bench.top_camera().pose
    centre = pose.apply(fixture.grey_patch_mm.mean(axis=0, keepdims=True))[0]
    wanted = 0.88 * 0.50 / 0.85 * (centre[2] / np.linalg.norm(centre)) ** 4
    assert patch_level(GreyPicture(empty_plate), fixture.grey_patch_mm, model, pose) == pytest.approx(wanted, rel=0.005)
    away = fixture.grey_patch_mm + np.array([400.0, 0.0, 0.0])
    assert np.isnan(patch_level(GreyPicture(empty_plate), away, model, pose))
