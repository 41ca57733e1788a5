"""The fast renderer: the same scenes as the ray tracer's in about a second, for the thousands of pictures that
statistics need.

Every region (plate, marks, show face, cut face where it is seen, pips, board, decal) has one brightness and covers
exactly the area that its projected outline encloses; the optics' blur is a Gaussian on a three times finer grid, the
pixel's box comes last, then fall-off and noise. There are no shadows, gloss or grain: those are the ray tracer's.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from edgeinspect.geometry import Array
from edgeinspect.simulate import badge, bench, kernels
from edgeinspect.simulate.camera import TrueCamera
from edgeinspect.simulate.coverage import covered
from edgeinspect.simulate.flaws import STRAND_WIDTH_MM
from edgeinspect.simulate.form import PIP_DIAMETER_MM, PIP_WALL
from edgeinspect.simulate.light import exposed, exposed_quickly, fall_off
from edgeinspect.simulate.scene import CutShell, Scene
from edgeinspect.simulate.unrolled import unrolled

FINE = 3  # fine pixels per pixel, each way
LINE_STEP_MM = (
    2.5  # straight edges are cut this short before projection: the lens bends them by less than 0.001 px in between
)
BRIGHTNESS = {
    "plate": 0.045,
    "face": 0.48,
    "cut": 0.32,
    "pip_top": 0.48,
    "pip_wall": 0.33,
    "white": 0.85,
    "black": 0.05,
    "patch": 0.50,
}
Fine = NDArray[np.float32]


def render(scene: Scene) -> NDArray[np.uint8]:
    """The 8-bit picture (H, W) of a scene with its noise; the same scene gives the same picture. Truth:
    ``truth.edge_truth`` and its like.
    """
    return exposed(scene, picture(scene))


def render_quickly(scene: Scene) -> NDArray[np.uint8]:
    """The same with noise that is drawn faster: other noise, of the same size."""
    return exposed_quickly(scene, picture(scene))


def picture(scene: Scene) -> Array:
    """The picture (H, W) without noise, 1.0 = white tag on the axis."""
    if scene.covered_lens:
        return np.zeros((scene.camera.height_px, scene.camera.width_px))
    canvas = _Canvas(scene.camera)
    _paint_plate(canvas, scene.plate)
    if scene.board is not None:
        _paint_board(canvas, scene)
    if scene.shell is not None:
        _paint_shell(canvas, scene.shell)
    return canvas.developed(scene.sensor.blur_px) / BRIGHTNESS["white"]


class _Canvas:
    """Brightness on the fine grid."""

    def __init__(self, camera: TrueCamera) -> None:
        self.camera = camera
        self.values: Fine = np.full(
            (camera.height_px * FINE, camera.width_px * FINE), BRIGHTNESS["plate"], dtype=np.float32
        )

    def to_fine(self, points_mm: Array) -> Array:
        """Fixture points (N, 3) in fine pixels (N, 2)."""
        return self.camera.project(points_mm) * FINE + (FINE - 1) / 2

    def paint(self, *nested: tuple[list[Array], float]) -> None:
        """Cover areas with one brightness each; every area lies within the one before it (they may share an edge).

        An area is rings (N, 2) in fine px, clockwise in the picture, holes the other way.
        """
        window = self.window(nested[0][0])
        if window is None:
            return
        left, top, right, bottom = window
        under, before = self.values[top:bottom, left:right], None
        for rings, brightness in nested:
            edges = covered(rings, left, top, right - left, bottom - top)
            if before is None:
                kernels.cover(*edges, under, brightness)
            else:
                kernels.cover_over(*edges, under, brightness, before)
            before = brightness

    def window(self, rings: list[Array]) -> tuple[int, int, int, int] | None:
        """Left, top, right, bottom of the part of the canvas that the rings touch, or None."""
        height, width = self.values.shape
        low, high = np.min([r.min(axis=0) for r in rings], axis=0), np.max([r.max(axis=0) for r in rings], axis=0)
        left, top = (int(max(0, np.floor(v) - 1)) for v in low)
        right, bottom = (int(min(limit, np.ceil(v) + 2)) for v, limit in zip(high, (width, height), strict=True))
        return (left, top, right, bottom) if right > left and bottom > top else None

    def developed(self, blur_px: float) -> Array:
        """Blurred by the optics, summed over each pixel, with the lens's fall-off: (H, W)."""
        kernel = _kernel(blur_px)
        rows = np.empty((self.values.shape[0], self.camera.width_px), dtype=np.float32)
        both = np.empty((self.camera.height_px, self.camera.width_px), dtype=np.float32)
        kernels.blurred_rows(self.values, kernel, FINE, rows)
        kernels.blurred_columns(rows, kernel, FINE, both)
        return np.asarray(both * fall_off(self.camera), dtype=np.float64)


def _kernel(blur_px: float) -> Array:
    """The pixel's box after the optics' Gaussian, on the fine grid."""
    sigma = max(blur_px * FINE, 1e-3)
    half = int(np.ceil(5 * sigma))
    gauss = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    return np.convolve(gauss / gauss.sum(), np.full(FINE, 1.0 / FINE))


def _line(points: Array) -> Array:
    """A closed polygon of corners (N, 3) with its sides cut short."""
    sides = [
        a + np.arange(n)[:, None] / n * (b - a)
        for a, b in zip(points, np.roll(points, -1, axis=0), strict=True)
        for n in [max(1, int(np.ceil(np.linalg.norm(b - a) / LINE_STEP_MM)))]
    ]
    return np.vstack(sides)


def _rectangle(x0: float, y0: float, x1: float, y1: float) -> Array:
    """A rectangle in the plane z = 0, clockwise in the picture: seen from above, y up, that is clockwise too."""
    return _line(np.array([[x0, y0, 0.0], [x0, y1, 0.0], [x1, y1, 0.0], [x1, y0, 0.0]]))


def _paint_plate(canvas: _Canvas, plate: bench.Plate) -> None:
    for mark, (x, y, side) in plate.marks_mm.items():
        cell = side / bench.MARK_CELLS
        h = side / 2 + cell  # with the quiet zone
        tag = [canvas.to_fine(_rectangle(x - h, y - h, x + h, y + h))]
        black = [
            canvas.to_fine(_rectangle(x0, y1 - cell, x0 + cell, y1))
            for row, column in np.argwhere(bench.mark_cells(mark) == 0).tolist()
            for x0, y1 in [(x - side / 2 + column * cell, y + side / 2 - row * cell)]
        ]
        canvas.paint((tag, BRIGHTNESS["white"]), (black, BRIGHTNESS["black"]))
    x, y, width, height = plate.patch_mm
    canvas.paint(
        (
            [canvas.to_fine(_rectangle(x - width / 2, y - height / 2, x + width / 2, y + height / 2))],
            BRIGHTNESS["patch"],
        )
    )


def _paint_board(canvas: _Canvas, scene: Scene) -> None:
    pose = scene.board
    assert pose is not None
    w, h, _ = bench.BOARD_SHEET_MM
    sheet = [canvas.to_fine(pose.apply(_rectangle(-w / 2, -h / 2, w / 2, h / 2)))]
    outlines = [_rectangle(*corners) for corners in _board_black()]
    ends = np.cumsum([len(outline) for outline in outlines])[:-1]
    black = np.split(canvas.to_fine(pose.apply(np.vstack(outlines))), ends)  # all at once: there are some thousand
    canvas.paint((sheet, BRIGHTNESS["white"]), (black, BRIGHTNESS["black"]))


@lru_cache(maxsize=1)
def _board_black() -> list[tuple[float, float, float, float]]:
    """Black rectangles x0, y0, x1, y1 [mm] of the board's print, none over another."""
    print_px, square, marker = bench.board_print(), bench.BOARD_SQUARE_MM, bench.BOARD_MARKER_MM
    columns, rows = bench.BOARD_SQUARES
    left, top = -columns * square / 2, rows * square / 2
    cell, edge = marker / 7, (square - marker) / 2
    found = []
    for row in range(rows):
        for column in range(columns):
            x, y = left + column * square, top - row * square
            if not print_px[
                int((row + 0.03) * square * bench.BOARD_PX_PER_MM),
                int((column + 0.03) * square * bench.BOARD_PX_PER_MM),
            ]:
                found.append((x, y - square, x + square, y))
                continue
            for j in range(7):
                for i in range(7):
                    at_x, at_y = column * square + edge + (i + 0.5) * cell, row * square + edge + (j + 0.5) * cell
                    if not print_px[int(at_y * bench.BOARD_PX_PER_MM), int(at_x * bench.BOARD_PX_PER_MM)]:
                        found.append(
                            (
                                x + edge + i * cell,
                                y - edge - (j + 1) * cell,
                                x + edge + (i + 1) * cell,
                                y - edge - j * cell,
                            )
                        )
    return found


def _paint_shell(canvas: _Canvas, shell: CutShell) -> None:
    """Cut face first where it looks out beside the show face, then the show face, the decal on it and the pips."""
    upper, solid, back = {}, {}, shell.curves(back=True)
    for name, curve in shell.curves().items():
        upper[name] = canvas.to_fine(shell.lifted(curve.xy_mm))
        above = shapely.Polygon(upper[name])
        below = shapely.Polygon(canvas.to_fine(shell.lifted(back[name].xy_mm, back=True)))
        # the silhouette is what either arris encloses; a hole is open where both its arrises are
        solid[name] = above.union(below) if name == "rim" else above.intersection(below)
    holes = [area for name, area in solid.items() if name != "rim"]
    silhouette = solid["rim"].difference(shapely.union_all(holes))
    face = shapely.Polygon(upper["rim"], [upper[n] for n in upper if n != "rim"])
    tone = shell.form.albedo / bench.ALBEDO["shell"]
    cut = BRIGHTNESS["cut"] if shell.cut_brightness is None else shell.cut_brightness
    canvas.paint((_rings(silhouette), tone * cut), (_rings(face), tone * BRIGHTNESS["face"]))
    if shell.decal is not None:
        _paint_decal(canvas, shell)
    angles = np.arange(720) * (2 * np.pi / 720)
    for place, centre in enumerate(shell.form.pip_tops_mm()):
        areas = []
        for radius in (shell.form.pip_base_radius_mm(place, angles), np.full(720, PIP_DIAMETER_MM / 2)):
            height = centre[2] - PIP_WALL * (radius - PIP_DIAMETER_MM / 2)
            ring = np.column_stack([centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles), height])
            areas.append(_rings(shapely.Polygon(canvas.to_fine(shell.to_fixture(ring)))))
        canvas.paint((areas[0], tone * BRIGHTNESS["pip_wall"]), (areas[1], tone * BRIGHTNESS["pip_top"]))
    for middle in shell.strands():
        px_per_mm = FINE * canvas.camera.fx_px / float(canvas.camera.pose.apply(middle)[:, 2].mean())
        strand = shapely.LineString(canvas.to_fine(middle)).buffer(STRAND_WIDTH_MM / 2 * px_per_mm, cap_style="flat")
        canvas.paint((_rings(strand), tone * BRIGHTNESS["face"]))


def _rings(area: shapely.Polygon | shapely.MultiPolygon) -> list[Array]:
    """Rings of an area in px: outer ones clockwise in the picture (y down), holes the other way."""
    rings = []
    for polygon in shapely.get_parts(area):
        if isinstance(polygon, shapely.Polygon):
            turned = shapely.geometry.polygon.orient(
                polygon, sign=1.0
            )  # counter-clockwise with y up is clockwise with y down
            rings += [np.asarray(ring.coords)[:-1] for ring in (turned.exterior, *turned.interiors)]
    return rings


def _paint_decal(canvas: _Canvas, shell: CutShell) -> None:
    """The artwork where its fine pixels see it: each fine pixel's ray meets the sheet, unrolled into the artwork."""
    decal, place, patch = shell.decal, shell.form.decal, unrolled(shell.form)
    assert decal is not None
    ink, opacity = badge.reflectance(place.artworks[shell.variant])
    width, height = place.size_mm
    c, s = np.cos(np.deg2rad(decal.rotation_deg)), np.sin(np.deg2rad(decal.rotation_deg))
    corners = (
        np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [width / 2 + 1, height / 2 + 1] @ np.array([[c, s], [-s, c]])
    )
    on_sheet = patch.points(corners[:, 0] + decal.dx_mm, corners[:, 1] + decal.dy_mm)
    window = canvas.window([canvas.to_fine(shell.to_fixture(on_sheet))])
    if window is None:
        return
    left, top, right, bottom = window
    column, row = np.meshgrid(np.arange(left, right), np.arange(top, bottom))
    x, y = canvas.camera.ideal((column - (FINE - 1) / 2) / FINE, (row - (FINE - 1) / 2) / FINE)
    u, v = patch.at(_met(canvas.camera, shell, x, y, float(patch.origin[2])))
    u, v = u - decal.dx_mm, v - decal.dy_mm
    along, up = c * u + s * v, -s * u + c * v
    at = [(height / 2 - up) * badge.PX_PER_MM - 0.5, (along + width / 2) * badge.PX_PER_MM - 0.5]
    seen_ink = map_coordinates(ink, at, order=1, mode="nearest")
    share = map_coordinates(opacity, at, order=1, mode="constant")
    under = canvas.values[top:bottom, left:right]
    under += (share * (seen_ink - under)).astype(np.float32)


def _met(camera: TrueCamera, shell: CutShell, x: Array, y: Array, first_z_mm: float) -> Array:
    """Where the rays of ideal image points (H, W) meet the show face (H, W, 3), shell frame at 20 degC: Newton."""
    turn = (shell.seating.rotation.T @ camera.pose.rotation.T).tolist()  # camera -> shell
    dx, dy, dz = (turn[k][0] * x + turn[k][1] * y + turn[k][2] for k in range(3))
    start, sheet = shell.to_shell(camera.centre_mm[None, :])[0], shell.form.sheet
    reach = (first_z_mm - start[2]) / dz
    for _ in range(4):
        at_x, at_y = start[0] + reach * dx, start[1] + reach * dy
        sx, sy = sheet.slopes(at_x, at_y)
        reach = reach - (start[2] + reach * dz - sheet.z(at_x, at_y)) / (dz - sx * dx - sy * dy)
    return np.stack([start[0] + reach * dx, start[1] + reach * dy, start[2] + reach * dz], axis=-1)
