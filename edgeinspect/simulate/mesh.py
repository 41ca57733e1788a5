"""Triangles of everything in the picture, in the fixture frame. The shell is meshed from its cut curves: the mesh is
the truth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import Delaunay

from edgeinspect.geometry import Array, Pose
from edgeinspect.simulate import bench
from edgeinspect.simulate.flaws import STRAND_THICK_MM, STRAND_WIDTH_MM
from edgeinspect.simulate.form import PIP_DIAMETER_MM, PIP_WALL, Form
from edgeinspect.simulate.scene import CutShell

Faces = NDArray[np.int64]
RING_OFFSETS_MM, GRID_MM, PIP_POINTS = (0.6, 1.6, 3.2), 4.0, 180
PLATE_HALF_MM = 900.0


class Layer(IntEnum):
    """A surface that is shaded by itself: light may jump from one layer to the next, never within one."""

    PLATE = 0
    FACE = 1
    CUT = 2
    PIP_TOP = 3
    PIP_WALL = 4
    BACK = 5
    NEST = 6
    CHIP = 7
    BOARD = 8
    BOARD_SIDE = 9


_UPWARD = (Layer.FACE, Layer.PIP_TOP, Layer.PIP_WALL)


@dataclass(frozen=True)
class Mesh:
    """Vertices (V, 3), unit normals (V, 3) for shading, triangles (F, 3) and the layer of each (F,)."""

    vertices: Array
    normals: Array
    faces: Faces
    layers: NDArray[np.int64]


def joined(parts: list[Mesh]) -> Mesh:
    starts = np.cumsum([0, *(len(p.vertices) for p in parts[:-1])])
    return Mesh(
        np.vstack([p.vertices for p in parts]),
        np.vstack([p.normals for p in parts]),
        np.vstack([p.faces + s for p, s in zip(parts, starts, strict=True)]),
        np.concatenate([p.layers for p in parts]),
    )


def flat_mesh(vertices: Array, faces: Faces, layer: Layer) -> Mesh:
    """Triangles that share no vertex, each with its own flat normal."""
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    own = np.arange(3 * len(faces)).reshape(-1, 3)
    return Mesh(corners.reshape(-1, 3), np.repeat(normals, 3, axis=0), own, np.full(len(faces), int(layer)))


def _rings(material: shapely.Polygon) -> list[Array]:
    """Rings of points at a few depths inside the material, so that every boundary edge is a Delaunay edge."""
    rings = []
    for depth in RING_OFFSETS_MM:
        inside = material.buffer(-depth, quad_segs=32)
        for ring in [inside.exterior, *inside.interiors]:
            count = int(np.ceil(ring.length / max(0.5, 0.8 * depth)))
            rings.append(np.array([ring.interpolate(k / count, normalized=True).coords[0] for k in range(count)]))
    return rings


def _assert_edges(triangles: Faces, boundaries: list[NDArray[np.int64]]) -> None:
    edges = np.sort(np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    present = set(map(tuple, edges.tolist()))
    wanted = np.vstack([np.sort(np.column_stack([b, np.roll(b, -1)]), axis=1) for b in boundaries])
    missing = [pair for pair in map(tuple, wanted.tolist()) if pair not in present]
    if missing:
        raise RuntimeError(f"the triangulation lost {len(missing)} boundary edges")


def shell_mesh(shell: CutShell) -> Mesh:
    """The seated shell: show face, pips, vertical cut walls and back face.

    The boundary vertices lie exactly on ``shell.curves()`` lifted onto the seated show face; the wall drops along the
    fixture's z, as the cutter ran.
    """
    curves = shell.curves()
    upper = {name: shell.lifted(curve.xy_mm) for name, curve in curves.items()}
    lower = {name: shell.lifted(curve.xy_mm, back=True) for name, curve in curves.items()}
    plan = {name: shell.to_shell(points)[:, :2] for name, points in upper.items()}  # where the surface is simple
    form = shell.form
    points, triangles, kinds = _triangulated(plan, form)
    back = shell.to_fixture(np.column_stack([points, form.sheet.back_z(points[:, 0], points[:, 1])]))
    back[: sum(map(len, lower.values()))] = np.vstack(list(lower.values()))
    downwards = -shell.seating.turn(form.sheet.normal(points[:, 0], points[:, 1]))
    return joined(
        [
            *(_surface_part(shell, points, triangles[kinds == kind], kind) for kind in _UPWARD),
            Mesh(back, downwards, triangles[:, ::-1], np.full(len(triangles), int(Layer.BACK))),
            *(_wall(upper[name], lower[name], curves[name].normals) for name in curves),
        ]
    )


def _triangulated(plan: dict[str, Array], form: Form) -> tuple[Array, Faces, NDArray[np.int64]]:
    """Points (V, 2) of the shell in plan, the boundary curves' first, triangles (F, 3), and each one's upward layer."""
    material = shapely.Polygon(plan["rim"], [plan[n] for n in plan if n != "rim"])
    angles = np.arange(PIP_POINTS) * (2 * np.pi / PIP_POINTS)
    tops, bases = [], []
    for place, centre in enumerate(form.pip_tops_mm()):
        around = np.column_stack([np.cos(angles), np.sin(angles)])
        tops.append(centre[:2] + PIP_DIAMETER_MM / 2 * around)
        bases.append(centre[:2] + form.pip_base_radius_mm(place, angles)[:, None] * around)
    boundaries = [*plan.values(), *tops, *bases]
    (half_x, half_y) = (side / 2 + GRID_MM for side in form.extent_mm)
    gx, gy = np.meshgrid(np.arange(-half_x, half_x + 0.1, GRID_MM), np.arange(-half_y, half_y + 0.1, GRID_MM))
    grid = np.column_stack([gx.ravel(), gy.ravel()])
    keep = shapely.contains_xy(material.buffer(-4.2), grid[:, 0], grid[:, 1])
    free = np.vstack([*_rings(material), grid[keep]])
    for base in bases:
        free = free[~shapely.contains_xy(shapely.Polygon(base).buffer(0.4), free[:, 0], free[:, 1])]
    points = np.vstack([*boundaries, free])
    triangles = _counter_clockwise(points, np.asarray(Delaunay(points).simplices, dtype=np.int64))
    ends = np.cumsum([len(b) for b in boundaries])
    _assert_edges(triangles, [np.arange(end - len(b), end) for end, b in zip(ends, boundaries, strict=True)])
    x, y = points[triangles].mean(axis=1).T
    inside = shapely.contains_xy(material, x, y)
    triangles, x, y = triangles[inside], x[inside], y[inside]
    kinds = np.full(len(triangles), int(Layer.FACE))
    for circles, kind in ((bases, Layer.PIP_WALL), (tops, Layer.PIP_TOP)):
        for circle in circles:
            kinds[shapely.contains_xy(shapely.Polygon(circle), x, y)] = int(kind)
    return points, triangles, kinds


def _counter_clockwise(points: Array, triangles: Faces) -> Faces:
    a, b, c = (points[triangles[:, k]] for k in range(3))
    flipped = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]) < 0
    return np.where(flipped[:, None], triangles[:, ::-1], triangles)


def _surface_part(shell: CutShell, plan: Array, triangles: Faces, kind: Layer) -> Mesh:
    """One upward layer with its own vertices and analytic normals."""
    used, faces = np.unique(triangles, return_inverse=True)
    xy = plan[used]
    form = shell.form
    points, normals = form.sheet.on(xy), form.sheet.normal(xy[:, 0], xy[:, 1])
    if kind != Layer.FACE and len(xy):
        centres = form.pip_tops_mm()
        away = xy[:, None, :] - centres[None, :, :2]
        nearest = np.argmin(np.sum(away**2, axis=2), axis=1)
        radial = away[np.arange(len(xy)), nearest]
        radius = np.linalg.norm(radial, axis=1)
        points[:, 2] = centres[nearest, 2] - PIP_WALL * np.maximum(radius - PIP_DIAMETER_MM / 2, 0.0)
        if kind == Layer.PIP_TOP:
            normals = np.tile([0.0, 0.0, 1.0], (len(xy), 1))
        else:
            normals = np.column_stack([PIP_WALL * radial / radius[:, None], np.ones(len(xy))])
            normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return Mesh(
        shell.to_fixture(points),
        shell.seating.turn(normals),
        faces.reshape(-1, 3),
        np.full(len(faces.reshape(-1, 3)), int(kind)),
    )


def _wall(upper: Array, lower: Array, normals: Array) -> Mesh:
    """The cut face between the two arrises, smooth along the cut, facing out of the material."""
    count = len(upper)
    here, after = np.arange(count), np.roll(np.arange(count), -1)
    outward = np.column_stack([normals, np.zeros(count)])
    one = np.column_stack([here, here + count, after])
    two = np.column_stack([after, here + count, after + count])
    return Mesh(
        np.vstack([upper, lower]),
        np.vstack([outward, outward]),
        np.vstack([one, two]),
        np.full(2 * count, int(Layer.CUT)),
    )


def box(
    low: tuple[float, float, float], high: tuple[float, float, float], layer: Layer, pose: Pose | None = None
) -> Mesh:
    """A block by two opposite corners, placed by ``pose``."""
    (x0, y0, z0), (x1, y1, z1) = low, high
    corners = np.array([[x, y, z] for z in (z0, z1) for y in (y0, y1) for x in (x0, x1)], dtype=np.float64)
    faces = np.array(
        [
            [4, 5, 7],
            [4, 7, 6],
            [0, 2, 3],
            [0, 3, 1],
            [0, 1, 5],
            [0, 5, 4],
            [2, 6, 7],
            [2, 7, 3],
            [0, 4, 6],
            [0, 6, 2],
            [1, 3, 7],
            [1, 7, 5],
        ]
    )
    return flat_mesh(corners if pose is None else pose.apply(corners), faces, layer)


def bench_mesh(nests_mm: Sequence[tuple[float, float]]) -> Mesh:
    """The plate and the blocks that carry a shell's ends (lifted out for the board)."""
    h = PLATE_HALF_MM
    plate = flat_mesh(
        np.array([[-h, -h, 0.0], [h, -h, 0.0], [h, h, 0.0], [-h, h, 0.0]]),
        np.array([[0, 1, 2], [0, 2, 3]]),
        Layer.PLATE,
    )
    nests = []
    for x, y in nests_mm:
        inner = x - np.sign(x) * bench.NEST_DEPTH_MM
        half = bench.NEST_WIDTH_MM / 2
        nests.append(box((min(x, inner), y - half, 0.0), (max(x, inner), y + half, bench.NEST_TOP_MM), Layer.NEST))
    return joined([plate, *nests])


def board_mesh(pose: Pose) -> Mesh:
    """The board: its printed face in the board's xy plane, the sheet below it."""
    w, h, t = bench.BOARD_SHEET_MM
    face = np.array([[-w / 2, -h / 2, 0.0], [w / 2, -h / 2, 0.0], [w / 2, h / 2, 0.0], [-w / 2, h / 2, 0.0]])
    front = flat_mesh(pose.apply(face), np.array([[0, 1, 2], [0, 2, 3]]), Layer.BOARD)
    return joined([front, box((-w / 2, -h / 2, -t), (w / 2, h / 2, -0.001), Layer.BOARD_SIDE, pose)])


def chip_meshes(seed: int, form: Form, count: int = 7) -> Mesh | None:
    """Curls of swarf on the plate, well away from the rim and from the printed marks."""
    random = np.random.default_rng(seed)
    rim = shapely.Polygon(form.rim().xy_mm).buffer(17.0)
    kept_clear = [
        shapely.box(x - s / 2 - 9, y - s / 2 - 9, x + s / 2 + 9, y + s / 2 + 9) for x, y, s in bench.MARKS_MM.values()
    ]
    kept_clear.append(shapely.box(92.0, 156.0, 128.0, 180.0))
    parts: list[Mesh] = []
    for _ in range(2000):
        x, y = random.uniform(-235.0, 235.0), random.uniform(-176.0, 176.0)
        spot = shapely.Point(x, y).buffer(4.0)
        if rim.intersects(spot) or any(k.intersects(spot) for k in kept_clear):
            continue
        parts.append(_curl(random, x, y))
        if len(parts) == count:
            break
    return joined(parts) if parts else None


def _curl(random: np.random.Generator, x: float, y: float) -> Mesh:
    """A thin bent ribbon of plastic."""
    radius, sweep = random.uniform(1.2, 3.5), random.uniform(1.2, 4.0)
    width, thick = random.uniform(0.5, 1.1), random.uniform(0.25, 0.5)
    angle = np.linspace(0, sweep, 16) + random.uniform(0, 2 * np.pi)
    middle = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    middle += [x, y] - middle.mean(axis=0)
    outward = np.column_stack([np.cos(angle), np.sin(angle)]) * (np.linspace(0.4, 1, 16) * width / 2)[:, None]
    lift = np.linspace(0, random.uniform(0.0, 2.0), 16)
    return _ribbon(np.column_stack([middle, lift]), outward, thick)


def strand_mesh(middle: Array) -> Mesh:
    """A strand by its middle line (N, 3): it lies on what is below the line."""
    run = np.gradient(middle[:, :2], axis=0)
    run /= np.linalg.norm(run, axis=1, keepdims=True)
    return _ribbon(middle, np.column_stack([-run[:, 1], run[:, 0]]) * (STRAND_WIDTH_MM / 2), STRAND_THICK_MM)


def _ribbon(middle: Array, outward: Array, thick: float) -> Mesh:
    """A bar of rectangular section along the middle of its underside (N, 3); ``outward`` (N, 2) is half its width."""
    n = len(middle)
    corners = [(s, z) for s, z in ((-1, thick), (1, thick), (1, 0.0), (-1, 0.0))]
    vertices = np.vstack([middle + np.column_stack([s * outward, np.full(n, z)]) for s, z in corners])
    faces = []
    for a in range(4):
        b = (a + 1) % 4
        for k in range(n - 1):
            faces += [[a * n + k, b * n + k, a * n + k + 1], [b * n + k, b * n + k + 1, a * n + k + 1]]
    faces += [[0, 3 * n, n], [n, 3 * n, 2 * n], [n - 1, 2 * n - 1, 4 * n - 1], [2 * n - 1, 3 * n - 1, 4 * n - 1]]
    return flat_mesh(vertices, np.array(faces), Layer.CHIP)
