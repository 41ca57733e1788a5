"""Decals on a surface given by a mesh: the lengths along it against surfaces known by formula, and every mistake.

The meshes are trimesh's (the cylinder) or made here of points that lie on the surface exactly (the cap of a sphere):
between its corners a facet of 1 mm lies up to c²/2R below the surface, c² = 0.5 mm² (its circumscribed circle).
"""

from __future__ import annotations

import pickle
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from edgeinspect.errors import DefinitionError
from edgeinspect.geometry import Array
from edgeinspect.shell.definition import Patch, SurfacePatch
from edgeinspect.shell.drawing import draw
from edgeinspect.shell.files import load_shell
from edgeinspect.shell.surface import surface_patch
from tests.shell.small_shell import TOML, write_shell

SIZE_MM = (110.0, 45.0)
X, Z = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
ON_TOP = Patch(np.zeros(3), X, Z)
Field = Callable[[Array, Array], Array]


def sheet(height: Field, half_mm: float = 80.0, step_mm: float = 1.0) -> trimesh.Trimesh:
    """A height field over a square, two triangles in each of its cells."""
    x, y = np.meshgrid(*[np.arange(-half_mm, half_mm + step_mm / 2, step_mm)] * 2)
    count = len(x)
    index = np.arange(count * count).reshape(count, count)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    faces = np.vstack([np.stack(corners, axis=-1).reshape(-1, 3) for corners in ((a, b, c), (a, c, d))])
    return trimesh.Trimesh(np.stack([x, y, height(x, y)], axis=-1).reshape(-1, 3), faces, process=False)


def sphere(radius_mm: float) -> trimesh.Trimesh:
    return sheet(lambda x, y: np.sqrt(radius_mm**2 - x**2 - y**2) - radius_mm)


def cylinder(radius_mm: float, facets: int) -> trimesh.Trimesh:
    """A whole solid cylinder about the x direction, its top line through the origin."""
    solid = trimesh.creation.cylinder(radius=radius_mm, height=400.0, sections=facets)
    solid.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
    return solid.apply_translation([0.0, 0.0, -radius_mm])


def grid() -> tuple[Array, Array]:
    """Over a decal of SIZE_MM and 15 mm around it."""
    u, v = np.meshgrid(np.linspace(-70.0, 70.0, 141), np.linspace(-37.5, 37.5, 76))
    return u, v


def read(mesh: trimesh.Trimesh, patch: Patch = ON_TOP, kind: str = "stl") -> SurfacePatch:
    return surface_patch(mesh.export(file_type=kind), f"lid.{kind}", patch, SIZE_MM, 'shell.toml: decal "badge".patch')


@pytest.mark.parametrize(("radius_mm", "bound_mm"), [(300.0, 0.001), (120.0, 0.004)])
@pytest.mark.parametrize("kind", ["stl", "ply"])
def test_lengths_on_a_sphere(radius_mm: float, bound_mm: float, kind: str) -> None:
    """By formula: v runs on a great circle, then u on the circle of radius R cos(v/R) that a plane square to y cuts.
    Measured: 0.0006 mm at R = 300, 0.0029 mm at R = 120; the facets' own c²/2R is 0.0008 and 0.0021 mm.
    """
    u, v = grid()
    circle = radius_mm * np.cos(v / radius_mm)
    turn = u / circle
    truth = np.stack([circle * np.sin(turn), radius_mm * np.sin(v / radius_mm), circle * np.cos(turn) - radius_mm], -1)
    found = read(sphere(radius_mm), kind=kind).points(u, v)
    assert np.linalg.norm(found - truth, axis=-1).max() < bound_mm


@pytest.mark.parametrize(("facets", "bound_mm"), [(1885, 0.001), (600, 0.006)])
def test_lengths_on_a_cylinder_are_those_of_the_cylinder_by_formula(facets: int, bound_mm: float) -> None:
    """Facets of 1 and 3.1 mm; a closed solid, of which the outer side counts. Measured: 0.0004 and 0.0045 mm."""
    angle = -25.0 / 300.0
    normal = np.array([0.0, np.sin(angle), np.cos(angle)])
    by_formula = Patch(300.0 * normal - [0.0, 0.0, 300.0], X, normal, 300.0)
    u, v = grid()
    off = read(cylinder(300.0, facets), by_formula).points(u, v) - by_formula.points(u, v)
    assert np.linalg.norm(off, axis=-1).max() < bound_mm


def test_a_reading_direction_across_the_cylinder() -> None:
    """u runs around it, v along it: by formula u = R x angle."""
    u, v = grid()
    found = read(cylinder(300.0, 1885), Patch(np.zeros(3), np.array([0.0, 1.0, 0.0]), Z)).points(u, v)
    truth = np.stack([-v, 300.0 * np.sin(u / 300.0), 300.0 * (np.cos(u / 300.0) - 1.0)], -1)
    assert np.linalg.norm(found - truth, axis=-1).max() < 0.001


def test_a_normal_that_is_a_little_off_is_put_right() -> None:
    lean = np.radians(3.0)
    tilted = Patch(
        np.zeros(3), np.array([np.cos(lean), 0.0, -np.sin(lean)]), np.array([np.sin(lean), 0.0, np.cos(lean)])
    )
    patch = read(sphere(300.0), tilted)
    assert patch.normal == pytest.approx(Z, abs=5e-5)  # 0.003 degrees
    assert patch.x_axis == pytest.approx(X, abs=5e-5)


def test_steps_are_as_long_along_the_surface_as_they_say() -> None:
    """On a surface of no simple formula: neighbours along u lie as far apart as their u, along v on the middle line."""
    patch = read(sheet(lambda x, y: -0.002 * x**2 - 0.0015 * y**2 + 0.8 * np.sin(x / 15.0) * np.cos(y / 20.0)))
    u = np.linspace(-60.0, 60.0, 1201)
    for v in (-30.0, 0.0, 25.0):
        lengths = np.linalg.norm(np.diff(patch.points(u, np.full_like(u, v)), axis=0), axis=1)
        assert lengths.sum() == pytest.approx(120.0, abs=0.005)
        assert lengths == pytest.approx(0.1, abs=0.001)  # facets of 1 mm bend the spline between its points
    up = patch.points(np.zeros_like(u), 0.6 * u)
    assert np.linalg.norm(np.diff(up, axis=0), axis=1).sum() == pytest.approx(72.0, abs=0.005)


def test_beyond_the_known_points_it_goes_on_straight() -> None:
    patch = read(sheet(lambda x, y: 0.0 * x))
    far = np.array([-150.0, 90.0, 0.0]), np.array([0.0, 80.0, -120.0])
    assert patch.points(*far) == pytest.approx(np.column_stack([*far, np.zeros(3)]), abs=1e-6)
    assert pickle.loads(pickle.dumps(patch)).points(*far) == pytest.approx(patch.points(*far))


def test_beside_the_decal_the_mesh_may_end() -> None:
    """Only 3 mm of it are left beside the decal: under the decal nothing changes."""
    whole = sphere(300.0)
    near = np.abs(whole.triangles_center[:, :2]) < np.array(SIZE_MM) / 2 + 3.0
    small = trimesh.Trimesh(whole.vertices, whole.faces[near.all(axis=1)], process=False)
    u, v = np.meshgrid(np.linspace(-55.0, 55.0, 111), np.linspace(-22.5, 22.5, 46))
    off = read(small).points(u, v) - read(whole).points(u, v)
    assert np.linalg.norm(off, axis=-1).max() < 0.001


# -- mistakes


def with_hole(mesh: trimesh.Trimesh, x: float, y: float, radius: float) -> trimesh.Trimesh:
    away = np.hypot(*(mesh.triangles_center[:, :2] - [x, y]).T) > radius
    return trimesh.Trimesh(mesh.vertices, mesh.faces[away], process=False)


def moved(*by_mm: float) -> trimesh.Trimesh:
    return sphere(300.0).apply_translation(by_mm)


BAD_MESHES = [
    (lambda: with_hole(sphere(300.0), 30.0, 10.0, 4.0), r"lid\.stl ends or has a hole under the decal, near \[\d"),
    (lambda: sphere(300.0).slice_plane([40.0, 0.0, 0.0], [-1.0, 0.0, 0.0]), r"ends or has a hole under the decal"),
    (lambda: with_hole(sphere(300.0), 0.0, 0.0, 9.0), r"lies 8\.\d\d mm off the surface of lid\.stl, must lie on it"),
    (lambda: moved(0.0, 0.0, 0.3), r'decal "badge"\.patch\.origin_mm lies 0\.30 mm off .*nearest is \[.*0\.300\]'),
    (lambda: moved(40.0, 20.0, 3.346), r"patch\.normal is 8\.\d degrees off"),
    (lambda: sheet(lambda x, y: np.where(x > 30.0, -40.0, 0.0)), "turns away by more than 75 degrees under the decal"),
    (lambda: cylinder(300.0, 1885).apply_translation([0.0, 0.0, 600.0]), r"lies 600\.00 mm inside lid\.stl"),
]


@pytest.mark.parametrize(("mesh", "words"), BAD_MESHES)
def test_a_mesh_that_does_not_fit_is_told(mesh: Callable[[], trimesh.Trimesh], words: str) -> None:
    with pytest.raises(DefinitionError, match=words):
        read(mesh())


def test_a_mesh_in_metres_is_told() -> None:
    """With an origin away from the file's own zero, as it is on a real shell."""
    normal = np.array([0.1, 0.0, np.sqrt(0.99)])
    place = Patch(300.0 * normal - [0, 0, 300.0], np.array([np.sqrt(0.99), 0.0, -0.1]), normal)
    with pytest.raises(DefinitionError, match=r"lid\.stl looks like metres: export it in mm"):
        read(sphere(300.0).apply_scale(0.001), place)


@pytest.mark.parametrize(
    ("raw", "kind", "words"),
    [
        (b"", "stl", "cannot be read as a mesh|holds no triangles"),
        (b"solid nothing\nendsolid nothing\n", "stl", "cannot be read as a mesh|holds no triangles"),
        (b"%PDF-1.7 drawing", "ply", "cannot be read as a mesh"),
        (b"ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\nend_header\n"
         b"0 0 0\n", "ply", "cannot be read as a mesh|holds no triangles"),
        (b"v 0 0 0", "obj", r"must be a mesh: \.stl or \.ply"),
    ],
)  # fmt: skip
def test_what_is_no_mesh_is_told(raw: bytes, kind: str, words: str) -> None:
    with pytest.raises(DefinitionError, match=words):
        surface_patch(raw, f"lid.{kind}", ON_TOP, SIZE_MM, 'shell.toml: decal "badge".patch')


@pytest.mark.parametrize("seed", range(12))
def test_a_damaged_mesh_is_a_sentence_or_a_surface(seed: int) -> None:
    random = np.random.default_rng(seed)
    for kind in ("stl", "ply"):
        raw: NDArray[np.uint8] = np.frombuffer(sheet(lambda x, y: 0 * x, 80, 8).export(file_type=kind), np.uint8).copy()
        raw[random.integers(0, len(raw), 20)] = random.integers(0, 256, 20)
        try:
            patch = surface_patch(raw[: random.integers(1, len(raw))].tobytes(), f"a.{kind}", ON_TOP, SIZE_MM, "w")
            assert np.isfinite(patch.points_mm).all()
        except DefinitionError as error:
            assert error.problems


# -- in a definition

MESH = 'patch = { kind = "mesh", file = "lid.stl", '


def small_with_mesh(folder: Path, mesh: trimesh.Trimesh, toml: str = TOML) -> Path:
    home = write_shell(folder, toml.replace('patch = { kind = "flat", ', MESH))
    (home / "lid.stl").write_bytes(mesh.export(file_type="stl"))
    return home


def test_a_definition_with_a_mesh_is_read_hashed_and_drawn(tmp_path: Path) -> None:
    home = small_with_mesh(tmp_path, sheet(lambda x, y: -0.001 * (y - 10) ** 2))
    first = load_shell(home)
    (decal,) = first.decals
    assert isinstance(decal.patch, SurfacePatch)
    assert decal.patch.origin_mm == pytest.approx([0.0, 10.0, 0.0], abs=1e-3)
    assert decal.patch.points(np.array([5.0]), np.array([0.0]))[0] == pytest.approx([5.0, 10.0, 0.0], abs=1e-3)
    assert "<image" in draw(first)
    (home / "lid.stl").write_bytes(sheet(lambda x, y: -0.0011 * (y - 10) ** 2).export(file_type="stl"))
    assert load_shell(home).sha256 != first.sha256


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('file = "lid.stl", ', "", 'decal "badge".patch.file is missing, must be given for a mesh'),
        ("lid.stl", "lid.ply", 'decal "badge".patch.file is "lid.ply", must be a file that is there; there are'),
        ("lid.stl", "badge.png", "must be a mesh: .stl or .ply"),
        ("lid.stl", "../lid.stl", "must be a file inside the shell's folder"),
        ('kind = "mesh"', 'kind = "flat"', 'decal "badge".patch.file is "lid.stl", must be left out for a flat patch'),
        ('file = "lid.stl", ', 'file = "lid.stl", radius_mm = 3.0, ', "must be left out for a mesh patch"),
        (
            "[0.0, 10.0, 0.0]",
            "[0.0, 10.0, 5.0]",
            'shell.toml: decal "badge".patch.origin_mm lies 5.00 mm off the surface',
        ),
    ],
)
def test_each_mistake_has_its_sentence(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    home = small_with_mesh(tmp_path, sheet(lambda x, y: 0 * x))
    toml = (home / "shell.toml").read_text()
    assert old in toml
    (home / "shell.toml").write_text(toml.replace(old, new))
    with pytest.raises(DefinitionError) as caught:
        load_shell(home)
    assert any(sentence in problem for problem in caught.value.problems), caught.value.problems
