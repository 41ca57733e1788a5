"""What is printed on, ground into or grown on the surfaces: reflectance at a hit, by layer (drjit arrays, ray tracer
only).
"""

from __future__ import annotations

from typing import Any

import cv2
import drjit as dr
import mitsuba as mi
import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.simulate import bench
from edgeinspect.simulate.badge import PX_PER_MM, reflectance
from edgeinspect.simulate.mesh import Layer
from edgeinspect.simulate.scene import Scene
from edgeinspect.simulate.unrolled import STEP_MM, Unrolled, unrolled

GRAIN_PX_PER_MM, GRAIN_SIZE = 4.0, 2048


def _grain(seed: int, sigma_px: float) -> Array:
    """Tileable random texture (2048, 2048) of unit spread."""
    noise = np.random.default_rng(seed).normal(size=(GRAIN_SIZE, GRAIN_SIZE))
    smooth = cv2.GaussianBlur(np.pad(noise, 32, mode="wrap"), (0, 0), sigma_px)[32:-32, 32:-32]
    return np.asarray(smooth / smooth.std())


class _Texture:
    """A grey picture on the device, read bilinearly at fractional rows and columns."""

    def __init__(self, values: Array) -> None:
        self._height, self._width = values.shape
        self._values = mi.Float(np.ascontiguousarray(values, dtype=np.float32).ravel())

    def wrapped(self, column: Any, row: Any) -> Any:
        c0, r0 = dr.floor(column), dr.floor(row)
        fc, fr = column - c0, row - r0
        c, r = mi.UInt32(mi.Int32(c0) & (GRAIN_SIZE - 1)), mi.UInt32(mi.Int32(r0) & (GRAIN_SIZE - 1))
        c1, r1 = (c + 1) & (GRAIN_SIZE - 1), (r + 1) & (GRAIN_SIZE - 1)
        return self._mix(c, r, c1, r1, fc, fr, True)

    def clipped(self, column: Any, row: Any, active: Any) -> Any:
        column, row = dr.clip(column, 0, self._width - 1.001), dr.clip(row, 0, self._height - 1.001)
        c, r = mi.UInt32(column), mi.UInt32(row)
        return self._mix(c, r, c + 1, r + 1, column - mi.Float(c), row - mi.Float(r), active)

    def _mix(self, c: Any, r: Any, c1: Any, r1: Any, fc: Any, fr: Any, active: Any) -> Any:
        def get(row: Any, column: Any) -> Any:
            return dr.gather(mi.Float, self._values, row * self._width + column, active)

        return (get(r, c) * (1 - fc) + get(r, c1) * fc) * (1 - fr) + (get(r1, c) * (1 - fc) + get(r1, c1) * fc) * fr


class Surfaces:
    """Reflectance of every surface of one scene."""

    def __init__(self, scene: Scene) -> None:
        self._scene = scene
        self._fine_grain, self._coarse_grain = _Texture(_grain(1, 1.4)), _Texture(_grain(2, 5.0))
        rows = np.random.default_rng(3).normal(size=4096)
        self._lines = mi.Float(
            (cv2.GaussianBlur(rows[None, :], (0, 0), 1.1)[0] * 2.0).astype(np.float32)
        )  # 6 a mm along y
        self._cells = mi.UInt32(
            np.concatenate([bench.mark_cells(k).ravel() for k in sorted(bench.MARKS_MM)]).astype(np.uint32)
        )
        self._albedo = bench.ALBEDO["shell"] if scene.shell is None else scene.shell.form.albedo
        if scene.shell is not None and scene.shell.decal is not None:
            form = scene.shell.form
            ink, opacity = reflectance(form.decal.artworks[scene.shell.variant])
            self._ink, self._opacity = _Texture(ink), _Texture(opacity)
            self._patch = unrolled(form)
            self._more_u, self._more_v = _Texture(self._patch.more_u_mm), _Texture(self._patch.more_v_mm)
        self._board: Any = mi.UInt32(bench.board_print().ravel().astype(np.uint32)) if scene.board is not None else None

    def reflectance(self, layer: Any, point: Any) -> Any:
        """Share of the light that comes back from points of layers, matt part."""
        fine = self._fine_grain.wrapped(point.x * GRAIN_PX_PER_MM, point.y * GRAIN_PX_PER_MM)
        coarse = self._coarse_grain.wrapped(point.x * GRAIN_PX_PER_MM, point.y * GRAIN_PX_PER_MM)
        shell = self._albedo * (1 + 0.008 * fine + 0.006 * coarse)
        if self._scene.shell is not None and self._scene.shell.decal is not None:
            ink, opacity = self._decal(point)
            shell = dr.select(layer == int(Layer.FACE), shell * (1 - opacity) + ink * opacity, shell)
        result = dr.select(layer == int(Layer.PLATE), self._plate(point, fine, coarse), shell)
        result = dr.select(layer == int(Layer.NEST), bench.ALBEDO["nest"] * (1 + 0.08 * coarse), result)
        if self._board is not None:
            result = dr.select(layer == int(Layer.BOARD), self._print(point), result)
            result = dr.select(layer == int(Layer.BOARD_SIDE), 0.5, result)
        return result

    def _plate(self, point: Any, fine: Any, coarse: Any) -> Any:
        line = (point.y + 300.0) * 6.0
        k = mi.UInt32(dr.clip(line, 0, 4090))
        share = line - mi.Float(k)
        ground = dr.gather(mi.Float, self._lines, k) * (1 - share) + dr.gather(mi.Float, self._lines, k + 1) * share
        result = bench.ALBEDO["plate"] * (1 + 0.12 * ground + 0.05 * fine + 0.07 * coarse)
        for order, mark in enumerate(sorted(bench.MARKS_MM)):
            x, y, side = bench.MARKS_MM[mark]
            cell = side / bench.MARK_CELLS
            column, row = (point.x - x) / cell + 3.0, (y - point.y) / cell + 3.0
            tag = (column > -1) & (column < 7) & (row > -1) & (row < 7)
            black_square = (column >= 0) & (column < 6) & (row >= 0) & (row < 6)
            index = order * 36 + mi.UInt32(dr.clip(row, 0, 5.5)) * 6 + mi.UInt32(dr.clip(column, 0, 5.5))
            white = ~black_square | (dr.gather(mi.UInt32, self._cells, index, black_square) == 1)
            result = dr.select(tag, dr.select(white, bench.ALBEDO["white"], bench.ALBEDO["black"]), result)
        x, y, width, height = bench.PATCH_MM
        patch = (dr.abs(point.x - x) < width / 2) & (dr.abs(point.y - y) < height / 2)
        return dr.select(patch, bench.ALBEDO["patch"], result)

    def _decal(self, point: Any) -> tuple[Any, Any]:
        """Ink and opacity of the decal at points of the show face: unroll the sheet, then into the artwork."""
        shell, decal = self._scene.shell, self._scene.shell.decal if self._scene.shell else None
        assert shell is not None and decal is not None
        patch: Unrolled = self._patch
        x, y, z = (c / shell.growth for c in _transformed(shell.seating.inverse(), point))
        away = [c - o for c, o in zip((x, y, z), patch.origin.tolist(), strict=True)]
        w, t = (sum(a * c for a, c in zip(axis, away, strict=True)) for axis in patch.axes[:2].tolist())
        column, row = (w + patch.half_mm[0]) / STEP_MM, (t + patch.half_mm[1]) / STEP_MM
        u, v = w + self._more_u.clipped(column, row, True), t + self._more_v.clipped(column, row, True)
        u, v = u - decal.dx_mm, v - decal.dy_mm
        c, s = float(np.cos(np.deg2rad(decal.rotation_deg))), float(np.sin(np.deg2rad(decal.rotation_deg)))
        along, up = c * u + s * v, -s * u + c * v
        width, height = shell.form.decal.size_mm
        column, row = (along + width / 2) * PX_PER_MM - 0.5, (height / 2 - up) * PX_PER_MM - 0.5
        on = (dr.abs(along) < width / 2) & (dr.abs(up) < height / 2)
        return self._ink.clipped(column, row, on), dr.select(on, self._opacity.clipped(column, row, on), 0)

    def _print(self, point: Any) -> Any:
        assert self._scene.board is not None
        x, y, _ = _transformed(self._scene.board.inverse(), point)
        width, height = (n * bench.BOARD_SQUARE_MM for n in bench.BOARD_SQUARES)
        column, row = (x + width / 2) * bench.BOARD_PX_PER_MM, (height / 2 - y) * bench.BOARD_PX_PER_MM
        columns, rows = int(width * bench.BOARD_PX_PER_MM), int(height * bench.BOARD_PX_PER_MM)
        on = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
        index = mi.UInt32(dr.clip(row, 0, rows - 1)) * columns + mi.UInt32(dr.clip(column, 0, columns - 1))
        black = on & (dr.gather(mi.UInt32, self._board, index, on) == 0)
        return dr.select(black, bench.ALBEDO["black"], bench.ALBEDO["white"])


def _transformed(pose: Pose, point: Any) -> tuple[Any, Any, Any]:
    r, t = pose.rotation.tolist(), pose.translation_mm.tolist()
    x, y, z = (r[k][0] * point.x + r[k][1] * point.y + r[k][2] * point.z + t[k] for k in range(3))
    return x, y, z
