"""The fast renderer against the known scene, the ray tracer's pictures and the arithmetic of light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erf

from edgeinspect.geometry import PlaneShift
from edgeinspect.shell.definition import Patch
from edgeinspect.simulate import bench, fast, toplid, truth
from edgeinspect.simulate.cases import shell_cases
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene, Sensor

Array = NDArray[np.float64]
Edges = Callable[[Array, Array], Array]


@pytest.fixture(scope="module")
def scene() -> Scene:
    return shell_cases()["L1003"].scene


@pytest.fixture(scope="module")
def clean(scene: Scene) -> Array:
    return fast.picture(scene) * 225.0


def test_edge_lies_where_the_scene_says(scene: Scene, clean: Array, edge_offsets: Edges) -> None:
    edge = truth.edge_truth(scene)
    off = edge_offsets(clean, edge.pixel)[edge.face_hidden & ~truth.in_zone(edge.arc_mm, "cable-notch")]
    assert abs(np.median(off)) < 0.003
    assert np.std(off) < 0.01
    assert np.abs(off).max() < 0.05  # a half-level edge runs inside a bend: the scallops


@pytest.mark.parametrize("shell_id", ["L1001", "L1003", "L1005"])
def test_edge_agrees_with_the_ray_tracer(shell_id: str, sample_images: Path, edge_offsets: Edges) -> None:
    scene = shell_cases()[shell_id].scene
    edge = truth.edge_truth(scene)
    traced = cv2.imread(str(sample_images / f"shells/{shell_id}_top.webp"), cv2.IMREAD_GRAYSCALE)
    difference = (edge_offsets(traced, edge.pixel) - edge_offsets(fast.picture(scene) * 225.0, edge.pixel))[
        edge.face_hidden
    ]
    assert abs(np.median(difference)) < 0.01
    assert np.std(difference) < 0.05  # noise and grain of the ray traced picture


def test_a_straight_edge_is_the_error_function(scene: Scene, clean: Array) -> None:
    """A Gaussian-blurred step is erf, widened by the pixel's box (variance 1/12). SOURCE: any text on point spread
    functions; scipy.special.erf.
    """
    u, v = bench.top_camera().project(np.array([[-108.0, 164.0, 0.0], [98.0, 168.0, 0.0]]))[1]  # left side of the patch
    row = clean[round(float(v)) - 2 : round(float(v)) + 3, :]
    at = np.arange(round(float(u)) - 6, round(float(u)) + 7)
    slope = np.diff(bench.top_camera().project(np.array([[98.0, 167.0, 0.0], [98.0, 169.0, 0.0]])), axis=0)[0]
    for k, values in enumerate(row[:, at]):
        edge = u + (round(float(v)) - 2 + k - v) * slope[0] / slope[1]
        sigma = np.hypot(scene.sensor.blur_px, 12**-0.5)
        model = 0.5 * (1 + erf((at - edge) / (np.sqrt(2) * sigma)))
        seen = (values - values[0]) / (values[-1] - values[0])
        assert np.abs(seen - model).max() < 0.01


def test_noise_follows_the_photon_transfer(scene: Scene) -> None:
    """Variance = gain x level + read noise. SOURCE: EMVA Standard 1288, the photon transfer method."""
    flat = [fast.render(replace(scene, seed=s)).astype(np.float64) for s in (1, 2)]
    difference = flat[0] - flat[1]
    sensor = scene.sensor
    for level in (30, 110, 120):
        here = np.abs((flat[0] + flat[1]) / 2 - level) < 3
        electrons = (level - 2) * sensor.full_well / 255
        wanted = (electrons + sensor.read_noise_electrons**2) * (255 / sensor.full_well) ** 2 + 1 / 12
        if here.sum() > 2000:
            assert np.var(difference[here]) / 2 == pytest.approx(wanted, rel=0.1)
    assert (np.abs(difference) > 0).any()


def test_the_same_scene_gives_the_same_picture(scene: Scene) -> None:
    assert np.array_equal(fast.render(scene), fast.render(scene))


def test_what_is_missing_is_missing() -> None:
    camera = bench.top_camera()
    hole = camera.project(np.array([[0.0, -118.0, 36.0]]))[0].round().astype(int)
    badge = camera.project(np.array([[20.0, -40.0, 57.0]]))[0].round().astype(int)
    whole = fast.picture(Scene(camera, CutShell()))
    bare = fast.picture(Scene(camera, CutShell(cutouts={"lock_hole": CutOutChange(missing=True)}, decal=None)))
    assert whole[hole[1], hole[0]] < 0.1
    assert bare[hole[1], hole[0]] > 0.4
    assert whole[badge[1], badge[0]] < 0.2
    assert bare[badge[1], badge[0]] > 0.4


def decal_sides(scene: Scene) -> list[Array]:
    """Pixels along the straight parts of the badge's four sides, by the definition's own patch (shell.definition),
    seen by the true camera.
    """
    assert scene.shell is not None
    assert scene.shell.decal is not None
    origin, normal = toplid.decal_frame()
    patch = Patch(origin, np.array([1.0, 0.0, 0.0]), normal, toplid.RADIUS_MM)
    turned = scene.shell.decal.pose()
    t = np.linspace(-1.0, 1.0, 201)
    half_u, half_v = (
        toplid.DECAL_SIZE_MM[0] / 2 - 0.1,
        toplid.DECAL_SIZE_MM[1] / 2 - 0.1,
    )  # less the artwork's clear border
    sides = [(-half_u + 0 * t, -15 * t), (half_u + 0 * t, 15 * t), (45 * t, -half_v + 0 * t), (-45 * t, half_v + 0 * t)]
    moved = [turned.apply(np.column_stack([u, v, 0 * t])) for u, v in sides]
    return [scene.camera.project(scene.shell.to_fixture(patch.points(m[:, 0], m[:, 1]))) for m in moved]


@pytest.mark.parametrize("decal", [PlaneShift(0.0, 0.0, 0.0), PlaneShift(1.5, -0.8, 0.0), PlaneShift(0.9, 1.6, 1.3)])
def test_the_decal_lies_where_the_scene_says(decal: PlaneShift, edge_offsets: Edges) -> None:
    scene = Scene(bench.top_camera(), CutShell(decal=decal))
    clean = fast.picture(scene) * 225.0
    for side in decal_sides(scene):
        off = edge_offsets(clean, side)[5:-5]
        assert abs(np.median(off)) < 0.005
        assert np.std(off) < 0.02


@pytest.mark.parametrize("shell_id", ["L1001", "L1007"])
def test_the_ray_traced_decal_too(shell_id: str, sample_images: Path, edge_offsets: Edges) -> None:
    traced = cv2.imread(str(sample_images / f"shells/{shell_id}_top.webp"), cv2.IMREAD_GRAYSCALE)
    for side in decal_sides(shell_cases()[shell_id].scene):
        off = edge_offsets(traced, side)[5:-5]
        assert abs(np.median(off)) < 0.02
        assert np.std(off) < 0.05


def test_a_covered_lens_is_nearly_black(scene: Scene) -> None:
    dark = fast.render(replace(scene, covered_lens=True))
    assert dark.mean() < 8


def test_blur_and_light_are_what_they_are_set_to(scene: Scene) -> None:
    brighter = fast.render(replace(scene, sensor=Sensor(white=112.5))).astype(np.float64)
    assert np.mean(fast.render(scene) - 2.0) / np.mean(brighter - 2.0) == pytest.approx(2.0, rel=0.01)
