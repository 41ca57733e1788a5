"""The ray tracer: own camera rays through mitsuba's scene, shaded layer by layer.

Two passes keep the ray tracer's noise far below the camera's. First the light that each layer (plate, show face, cut
face, ...) sends to the camera is gathered by path tracing on a half-size grid and smoothed within the layer. Then
every pixel is covered by 81 stratified rays, each of which finds its surface, looks up that layer's light and
multiplies it by the surface's own reflectance (print, decal, machining lines, grain): edges are as sharp as the
triangles. The optics' blur is a Gaussian on a three times finer grid, the pixel's box comes last.

mitsuba is a development-only dependency, imported here alone; it needs DRJIT_LIBLLVM_PATH on some systems (see
samples.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import drjit as dr
import mitsuba as mi
import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.simulate import bench, toplid
from edgeinspect.simulate.light import fall_off, reference_radiance, sky_parts
from edgeinspect.simulate.mesh import Layer, Mesh, bench_mesh, board_mesh, chip_meshes, joined, shell_mesh, strand_mesh
from edgeinspect.simulate.scene import Scene

mi.set_variant("llvm_ad_mono")
from edgeinspect.simulate.surface import Surfaces  # noqa: E402  (needs the variant)

FINE = 3  # fine pixels per pixel, each way
CELLS = 3  # stratified samples per fine pixel, each way
HALF = 2  # pixels per cell of the light map, each way
BOUNCES = 3
STRIP_ROWS = 60
# reflectance for light that bounces, mirror reflectance at right angles, roughness of the gloss, smoothing of the
# light map [cells]
_OF_THE_SHELL = (Layer.FACE, Layer.CUT, Layer.PIP_TOP, Layer.PIP_WALL, Layer.BACK, Layer.CHIP)
_LOOKS: dict[Layer, tuple[float, float, float, float]] = {
    Layer.PLATE: (0.045, 0.012, 0.25, 2.0),
    Layer.FACE: (0.45, 0.045, 0.10, 3.0),
    Layer.CUT: (0.45, 0.02, 0.30, 1.5),
    Layer.PIP_TOP: (0.45, 0.045, 0.10, 1.2),
    Layer.PIP_WALL: (0.45, 0.045, 0.10, 0.8),
    Layer.BACK: (0.40, 0.02, 0.30, 2.0),
    Layer.NEST: (bench.ALBEDO["nest"], 0.03, 0.25, 1.2),
    Layer.CHIP: (0.45, 0.04, 0.20, 0.8),
    Layer.BOARD: (0.40, 0.012, 0.25, 2.0),
    Layer.BOARD_SIDE: (0.5, 0.01, 0.3, 1.5),
}


@dataclass(frozen=True)
class Quality:
    """Path-traced samples per cell of the light map, in rounds of 16; a draft has 9 rays a pixel instead of 81."""

    light_rounds: int = 40
    draft: bool = False


class _Traced:
    """The scene's triangles in mitsuba, with what is needed at a hit."""

    def __init__(self, mesh: Mesh) -> None:
        shape: Any = mi.Mesh("scene", vertex_count=len(mesh.vertices), face_count=len(mesh.faces))
        parameters = mi.traverse(shape)
        parameters["vertex_positions"] = mi.Float(mesh.vertices.ravel().astype(np.float32))
        parameters["faces"] = mi.UInt32(mesh.faces.ravel().astype(np.uint32))
        parameters.update()
        self.scene: Any = mi.load_dict({"type": "scene", "mesh": shape})
        corners = mesh.vertices[mesh.faces]
        flat = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        flat /= np.linalg.norm(flat, axis=1, keepdims=True)
        self._first = [mi.Float(corners[:, 0, k].astype(np.float32)) for k in range(3)]
        self._flat = [mi.Float(flat[:, k].astype(np.float32)) for k in range(3)]
        smooth = mesh.normals[mesh.faces].astype(np.float32)
        self._smooth = [[mi.Float(smooth[:, c, k].copy()) for k in range(3)] for c in range(3)]
        self._layer = mi.UInt32(mesh.layers.astype(np.uint32))

    def meet(self, ray: Any, coherent: bool, active: Any = True) -> tuple[Any, Any, Any, Any, Any]:
        """(hit, layer, point, shading normal, flat normal); the normals face the ray. The point is refined on the
        triangle's plane.
        """
        found = self.scene.ray_intersect_preliminary(ray, coherent=coherent, active=active)
        hit = found.is_valid() & active
        k = found.prim_index
        flat = mi.Vector3f(*[dr.gather(mi.Float, part, k, hit) for part in self._flat])
        first = mi.Point3f(*[dr.gather(mi.Float, part, k, hit) for part in self._first])
        point = ray.o + ray.d * (dr.dot(first - ray.o, flat) / dr.dot(ray.d, flat))
        b1, b2 = found.prim_uv.x, found.prim_uv.y
        corner = [mi.Vector3f(*[dr.gather(mi.Float, part, k, hit) for part in parts]) for parts in self._smooth]
        normal = dr.normalize(corner[0] * (1 - b1 - b2) + corner[1] * b1 + corner[2] * b2)
        away = dr.dot(flat, ray.d) > 0
        return (
            hit,
            dr.gather(mi.UInt32, self._layer, k, hit),
            point,
            dr.select(away, -normal, normal),
            dr.select(away, -flat, flat),
        )


def _sky(origin: Any, direction: Any) -> Any:
    return sky_parts(origin.x, origin.y, origin.z, direction.x, direction.y, direction.z, dr.maximum, dr.minimum)


def _camera_ray(scene: Scene, u: Any, v: Any) -> Any:
    """Rays of pixel positions; the lens is inverted in double precision."""
    camera = scene.camera
    x, y = camera.ideal(mi.Float64(u), mi.Float64(v))
    to_fixture = camera.pose.inverse()
    r = to_fixture.rotation.tolist()
    d = [r[k][0] * x + r[k][1] * y + r[k][2] for k in range(3)]
    length = dr.sqrt(d[0] * d[0] + d[1] * d[1] + d[2] * d[2])
    return mi.Ray3f(mi.Point3f(*to_fixture.translation_mm.tolist()), mi.Vector3f(*[mi.Float(c / length) for c in d]))


def _random(size: int, start: int) -> Any:
    state: Any = dr.opaque(mi.UInt64, start)  # opaque: another number must not mean another kernel
    generator: Any = mi.PCG32
    return generator(size=size, initstate=state)


def _table(values: list[float]) -> Any:
    return mi.Float(np.asarray(values, dtype=np.float32))


def _light_maps(scene: Scene, traced: _Traced, rounds: int) -> tuple[Array, Array]:
    """Matt light for a white surface, and gloss, of each layer: two (layers, H/2, W/2) maps."""
    width, height = scene.camera.width_px // HALF, scene.camera.height_px // HALF
    cells, layers = width * height, len(Layer)
    matt, gloss, weight = (dr.zeros(mi.Float, cells * layers) for _ in range(3))
    bounce, mirror, rough = (_table([_LOOKS[layer][k] for layer in Layer]) for k in range(3))
    if scene.shell is not None:
        darker = scene.shell.form.albedo / bench.ALBEDO["shell"]
        bounce = _table([_LOOKS[layer][0] * (darker if layer in _OF_THE_SHELL else 1.0) for layer in Layer])
    for number in range(rounds):
        size = cells * 16
        random = _random(size, 7919 * number + scene.seed + 1)
        index = dr.arange(mi.UInt32, size)
        cell, one = index // 16, index % 16
        u = mi.Float(cell % width) * HALF - 0.5 + HALF * (mi.Float(one % 4) + random.next_float32()) / 4
        v = mi.Float(cell // width) * HALF - 0.5 + HALF * (mi.Float(one // 4) + random.next_float32()) / 4
        ray = _camera_ray(scene, u, v)
        hit, layer, point, normal, flat = traced.meet(ray, coherent=True)
        slot = layer * cells + cell
        # directions of the first bounce are stratified 4 x 4 over the samples of the cell (another order than their
        # places)
        turn = (one * 7 + 3) % 16
        sample = mi.Point2f(
            (mi.Float(turn % 4) + random.next_float32()) / 4, (mi.Float(turn // 4) + random.next_float32()) / 4
        )
        came = _gathered(traced, bounce, random, point, normal, flat, mi.warp.square_to_cosine_hemisphere(sample), hit)
        dr.scatter_reduce(dr.ReduceOp.Add, matt, came, slot, hit)
        dr.scatter_reduce(dr.ReduceOp.Add, weight, mi.Float(1), slot, hit)
        away = ray.d - 2 * dr.dot(ray.d, normal) * normal
        spread = dr.gather(mi.Float, rough, layer, hit)
        jitter = mi.warp.square_to_std_normal(mi.Point2f(random.next_float32(), random.next_float32())) * spread
        frame = mi.Frame3f(away)
        glossy = dr.normalize(away + frame.s * jitter.x + frame.t * jitter.y)
        facing = dr.maximum(-dr.dot(ray.d, normal), 0)
        base = dr.gather(mi.Float, mirror, layer, hit)
        share = base + (1 - base) * (1 - facing) ** 5 * 0.6
        local = mi.Frame3f(normal).to_local(glossy)
        shiny = share * _gathered(traced, bounce, random, point, normal, flat, local, hit & (local.z > 0))
        dr.scatter_reduce(dr.ReduceOp.Add, gloss, shiny, slot, hit)
        dr.eval(matt, gloss, weight)
    shape = (layers, height, width)
    count = weight.numpy().reshape(shape)
    sigmas = [_LOOKS[layer][3] for layer in Layer]
    return tuple(  # type: ignore[return-value]
        np.stack([_smoothed(total[k], count[k], sigmas[k]) for k in range(layers)])
        for total in (matt.numpy().reshape(shape), gloss.numpy().reshape(shape))
    )


def _gathered(
    traced: _Traced, bounce: Any, random: Any, point: Any, normal: Any, flat: Any, local: Any, active: Any
) -> Any:
    """Light that arrives at points along local directions, over up to BOUNCES matt bounces."""
    light, passed = mi.Float(0), mi.Float(1)
    direction = mi.Frame3f(normal).to_world(local)
    for step in range(BOUNCES):
        ray = mi.Ray3f(point + flat * 0.01, direction)
        hit, layer, found, face, triangle = traced.meet(ray, coherent=False, active=active)
        light = light + dr.select(active & ~hit, passed * _sky(ray.o, direction), 0)
        if step == BOUNCES - 1:
            break
        active = active & hit
        passed = passed * dr.gather(mi.Float, bounce, layer, active)
        point, flat = found, triangle
        local = mi.warp.square_to_cosine_hemisphere(mi.Point2f(random.next_float32(), random.next_float32()))
        direction = mi.Frame3f(face).to_world(local)
    return light


def _smoothed(total: Array, count: Array, sigma: float) -> Array:
    """Mean of a layer, blurred within the layer only, and carried on beyond its border."""
    if count.max() == 0:
        return np.zeros_like(total)
    light = np.zeros_like(total)
    for wider in (64.0, 16.0, 4.0, 1.0):  # the finest blur that saw enough samples wins
        fine_total = cv2.GaussianBlur(total, (0, 0), sigma * wider, borderType=cv2.BORDER_REFLECT)
        fine_count = cv2.GaussianBlur(count, (0, 0), sigma * wider, borderType=cv2.BORDER_REFLECT)
        trust = np.clip(fine_count / (0.08 * count.max()), 0.0, 1.0)
        light = np.where(
            fine_count > 1e-6, trust * fine_total / np.maximum(fine_count, 1e-6) + (1 - trust) * light, light
        )
    return light


def render(scene: Scene, quality: Quality = Quality()) -> Array:
    """The noise-free picture (H, W), 1.0 = a white tag at the fixture origin on the axis."""
    camera = scene.camera
    form = toplid.LID if scene.shell is None else scene.shell.form  # an empty fixture is the lid's
    parts = [bench_mesh(form.nests_mm if scene.board is None else ())]
    if scene.shell is not None:
        parts += [shell_mesh(scene.shell), *(strand_mesh(middle) for middle in scene.shell.strands())]
    if scene.board is None:
        chips = chip_meshes(scene.seed, form)
        parts += [chips] if chips is not None else []
    if scene.board is not None:
        parts.append(board_mesh(scene.board))
    traced = _Traced(joined(parts))
    matt_map, gloss_map = _light_maps(scene, traced, quality.light_rounds)
    surfaces = Surfaces(scene)
    matt, gloss = mi.Float(matt_map.ravel().astype(np.float32)), mi.Float(gloss_map.ravel().astype(np.float32))
    half_width, half_height = camera.width_px // HALF, camera.height_px // HALF
    cells = half_width * half_height
    across = 1 if quality.draft else CELLS
    fine_width, fine_rows = camera.width_px * FINE, STRIP_ROWS * FINE
    fine = np.empty((camera.height_px * FINE, fine_width), dtype=np.float32)
    for top in range(0, camera.height_px, STRIP_ROWS):
        size = fine_width * fine_rows * across**2
        random = _random(size, 104729 * top + scene.seed + 5)
        index = dr.arange(mi.UInt32, size)
        pixel, one = index // across**2, index % across**2
        start = dr.opaque(mi.Float, float(top))
        u = (mi.Float(pixel % fine_width) + (mi.Float(one % across) + random.next_float32()) / across) / FINE - 0.5
        v = (
            (mi.Float(pixel // fine_width) + (mi.Float(one // across) + random.next_float32()) / across) / FINE
            - 0.5
            + start
        )
        hit, layer, point, _, _ = traced.meet(_camera_ray(scene, u, v), coherent=True)
        mu, mv = dr.clip((u - 0.5) / HALF, 0, half_width - 1.001), dr.clip((v - 0.5) / HALF, 0, half_height - 1.001)
        column, row = mi.UInt32(mu), mi.UInt32(mv)
        fu, fv = mu - mi.Float(column), mv - mi.Float(row)
        base = layer * cells + row * half_width + column

        def light(table: Any) -> Any:
            corners = [dr.gather(mi.Float, table, base + step, hit) for step in (0, 1, half_width, half_width + 1)]  # noqa: B023
            return (corners[0] * (1 - fu) + corners[1] * fu) * (1 - fv) + (corners[2] * (1 - fu) + corners[3] * fu) * fv  # noqa: B023

        radiance = dr.select(hit, surfaces.reflectance(layer, point) * light(matt) + light(gloss), 0)
        mean = dr.block_sum(radiance, across**2) / across**2 if across > 1 else radiance
        fine[top * FINE : (top + STRIP_ROWS) * FINE] = mean.numpy().reshape(fine_rows, fine_width)
    blurred = cv2.GaussianBlur(fine, (0, 0), scene.sensor.blur_px * FINE, borderType=cv2.BORDER_REFLECT)
    picture = blurred.reshape(camera.height_px, FINE, camera.width_px, FINE).mean(axis=(1, 3), dtype=np.float64)
    return np.asarray(picture * fall_off(camera) / (reference_radiance() * bench.ALBEDO["white"]))
