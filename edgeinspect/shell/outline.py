"""Nominal curves from drawing files: a layer of a DXF, or a CSV with columns x, y, z [mm], each one closed polyline.

Rules for every curve: closed, at least 8 points, no point twice, not crossing itself in plan, counter-clockwise seen
from outside (+z). A curve that was drawn clockwise is walked backwards from its same first point, so arc lengths never
depend on the direction it was drawn in.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from io import BytesIO, TextIOWrapper
from typing import TextIO

import numpy as np
import shapely
from ezdxf import filemanagement
from ezdxf.document import Drawing
from ezdxf.entities.dxfgfx import DXFGraphic
from ezdxf.lldxf.tagger import binary_tags_loader
from ezdxf.lldxf.validator import is_dxf_stream
from ezdxf.math import Vec3
from scipy.spatial import cKDTree
from shapely.validation import explain_validity

from edgeinspect.errors import DefinitionError
from edgeinspect.geometry import Array, closed_arc_mm, resample_closed, signed_area_mm2
from edgeinspect.tomlfile import GREATEST_MM

LEAST_POINTS, GREATEST_POINTS = 8, 200_000
CHORD_MM = 0.0005  # arcs and splines become chords no further off than this
JOIN_MM = 0.01  # ends of lines and arcs that meet within this are one point
REPEAT_MM = 0.001  # two neighbours closer than this are one point written twice
FACE_MM = (0.5, 25.0)  # how far inside the material the companion curve on the show face may run
STEEPEST = 3.0  # a show face that rises 3 mm per mm along the trim normal is no longer seen from above

_CURVES = ("LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE", "LWPOLYLINE", "POLYLINE")
# $INSUNITS of the DXF header: what it says, and mm per unit. 0 says nothing.
_UNITS = {
    1: "inches",
    2: "feet",
    3: "miles",
    5: "centimetres",
    6: "metres",
    7: "kilometres",
    8: "microinches",
    9: "mils",
    10: "yards",
}
_MILLIMETRES = (0, 4)
_BINARY_DXF = b"AutoCAD Binary DXF\r\n\x1a\x00"  # how a binary one begins, as ezdxf tells it


class DxfCurves:
    """The curves of the bytes of one DXF file, by layer. ``label`` is the file's name in sentences.

    ``unit_mistake`` is a sentence where the header names another unit than mm; the curves can be read all the same.
    Raises DefinitionError if it cannot be read.
    """

    def __init__(self, raw: bytes, label: str) -> None:
        self.label = label
        self._layers: dict[str, list[DXFGraphic]] = {}
        document = _read_dxf(raw, label)
        units = document.header.get("$INSUNITS", 0)
        words = _UNITS.get(units, "another unit")
        self.unit_mistake = (
            None
            if units in _MILLIMETRES
            else f"{label}: $INSUNITS is {units} ({words}), must be 4 (millimetres); export in mm"
        )
        for entity in document.modelspace():
            self._layers.setdefault(entity.dxf.layer, []).append(entity)

    def curve(self, layer: str) -> Array:
        """The one closed curve of a layer as polyline (N, 3) [mm]. Raises DefinitionError."""
        where = f"{self.label}: layer {layer}"
        entities = next((found for name, found in self._layers.items() if name.lower() == layer.lower()), None)
        if entities is None:
            there = ", ".join(sorted(self._layers)) or "none"
            raise DefinitionError(f"{where} is not there or empty; layers with something on them: {there}")
        others = sorted({entity.dxftype() for entity in entities} - set(_CURVES))
        if others:
            raise DefinitionError(
                f"{where} holds {', '.join(others)}, must hold only {', '.join(_CURVES)}; move or explode the rest"
            )
        pieces: list[Array] = []
        for entity in entities:
            pieces.extend(_pieces(entity, where))
        return closed_curve(_joined(pieces, where), where)


def csv_curve(raw: bytes, label: str) -> Array:
    """The closed curve of the bytes of a CSV file as polyline (N, 3) [mm].

    Columns x, y, z; one heading line allowed, # for remarks.

    Raises DefinitionError with every line that does not fit (the first ten).
    """
    try:
        lines = raw.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        raise DefinitionError(f"{label} is not UTF-8 text; save it as CSV, UTF-8") from error
    rows: list[list[float]] = []
    wrong: list[str] = []
    heading_allowed = True
    for number, line in enumerate(lines, start=1):
        text = line.split("#", 1)[0].strip()
        if not text:
            continue
        if ";" in text:
            wrong.append(
                f"{label}: line {number} holds ';', must be x,y,z with commas between and points as decimal marks"
            )
            break
        try:
            row = [float(cell) for cell in text.split(",")]
        except ValueError:
            if not heading_allowed:
                wrong.append(f'{label}: line {number} is "{text[:60]}", must be three numbers x,y,z')
            heading_allowed = False
            continue
        heading_allowed = False
        if len(row) != 3:
            wrong.append(f"{label}: line {number} has {len(row)} numbers, must have 3: x,y,z")
        else:
            rows.append(row)
    if wrong:
        raise DefinitionError(tuple(wrong[:10]))
    points = np.array(rows, dtype=np.float64).reshape(-1, 3)
    _check_numbers(points, label)
    if len(points) >= LEAST_POINTS:
        # Closing it is a step like the others, or it is open.
        gap = float(np.linalg.norm(points[0] - points[-1]))
        longest = float(np.linalg.norm(np.diff(points, axis=0), axis=1).max())
        if gap > max(1.001 * longest, JOIN_MM):
            raise DefinitionError(_open_sentence(label, points[-1], points[0]))
    return closed_curve(points, label)


def closed_curve(points_mm: Array, where: str) -> Array:
    """A polyline (N, 3) that keeps the rules at the top of this file; a last point that repeats the first is dropped.

    Raises DefinitionError with all that is wrong, each sentence starting with ``where``.
    """
    _check_numbers(points_mm, where)
    points = points_mm
    if len(points) > 1 and np.linalg.norm(points[0] - points[-1]) <= JOIN_MM:
        points = points[:-1]
    if len(points) < LEAST_POINTS:
        raise DefinitionError(f"{where} has {len(points)} points, must have at least {LEAST_POINTS}")
    wrong: list[str] = []
    steps = np.linalg.norm((np.roll(points, -1, axis=0) - points)[:, :2], axis=1)
    again = np.flatnonzero(steps < REPEAT_MM)
    if len(again):
        first = int(again[0])
        more = f" ({len(again)} such places)" if len(again) > 1 else ""
        pair = f"{first + 1} and {(first + 1) % len(points) + 1}"
        wrong.append(
            f"{where} repeats a point: {pair} lie together in plan at {place(points[first])}{more}; remove one"
        )
    outline = shapely.Polygon(points[:, :2])
    if not outline.is_valid:
        found = re.search(r"\[(\S+) (\S+)\]", explain_validity(outline))
        near = f" near ({float(found[1]):.2f}, {float(found[2]):.2f}) mm" if found else ""
        wrong.append(f"{where} crosses or touches itself{near}, must not")
    if wrong:
        raise DefinitionError(tuple(wrong))
    return points if signed_area_mm2(points) > 0 else np.vstack([points[:1], points[:0:-1]])


def place(point_mm: Array) -> str:
    """A place in plan, in words."""
    return f"({point_mm[0]:.2f}, {point_mm[1]:.2f}) mm"


def plan_normals(points_mm: Array) -> tuple[Array, Array]:
    """Unit tangents and normals (N, 2) in plan of a counter-clockwise closed polyline; normals leave the enclosed area.

    Each chord counts by the inverse of its length: exact on a circle with points at any spacing.
    """
    xy = points_mm[:, :2]
    ahead = np.roll(xy, -1, axis=0) - xy
    ahead = ahead / np.sum(ahead**2, axis=1, keepdims=True)
    back = xy - np.roll(xy, 1, axis=0)
    back = back / np.sum(back**2, axis=1, keepdims=True)
    tangents = ahead + back
    tangents /= np.maximum(np.linalg.norm(tangents, axis=1, keepdims=True), 1e-12)
    return tangents, np.column_stack([tangents[:, 1], -tangents[:, 0]])


def face_slope(points_mm: Array, face_mm: Array, *, is_hole: bool, where: str) -> Array:
    """Slope dz/dn (N,) of the show face along the trim normal (out of the material) at each point of a curve (N, 3).

    ``face_mm`` (M, 3) is the companion curve on the show face some mm inside the material. From its nearest point the
    way to the curve has a part along the normal and a part along the edge; the climb along the edge is known from the
    curve itself and is taken off.
    Raises DefinitionError where the companion is too near, too far or on the wrong side.
    """
    tangents, outward = plan_normals(points_mm)
    normals = -outward if is_hole else outward
    ahead = np.roll(points_mm, -1, axis=0) - points_mm
    back = points_mm - np.roll(points_mm, 1, axis=0)
    run = np.hypot(ahead[:, 0], ahead[:, 1]) + np.hypot(back[:, 0], back[:, 1])
    climb_along = (ahead[:, 2] + back[:, 2]) / run
    _, face = resample_closed(face_mm, max(0.25, closed_arc_mm(face_mm)[1] / GREATEST_POINTS))
    distance, nearest = cKDTree(face[:, :2]).query(points_mm[:, :2])
    way = points_mm - face[nearest]
    along_normal = np.sum(way[:, :2] * normals, axis=1)
    along_edge = np.sum(way[:, :2] * tangents, axis=1)
    for worst, wrong in (
        (int(np.argmin(along_normal)), along_normal.min() < FACE_MM[0]),
        (int(np.argmax(distance)), distance.max() > FACE_MM[1]),
    ):
        if wrong:
            raise DefinitionError(
                f"{where} runs {along_normal[worst]:.2f} mm inside the material at {place(points_mm[worst])}, "
                f"must run {FACE_MM[0]:g} to {FACE_MM[1]:g} mm inside (5 mm is usual)"
            )
    slope = (way[:, 2] - climb_along * along_edge) / along_normal
    steepest = int(np.argmax(np.abs(slope)))
    if abs(slope[steepest]) > STEEPEST:
        raise DefinitionError(
            f"{where} makes the show face rise {slope[steepest]:.1f} mm per mm at {place(points_mm[steepest])}, "
            f"must be at most {STEEPEST:g}"
        )
    return np.asarray(slope)


def _read_dxf(raw: bytes, label: str) -> Drawing:
    """As ezdxf reads a file, of bytes: a file opened once more could be another by then."""
    try:
        if raw.startswith(_BINARY_DXF):
            return Drawing.load(binary_tags_loader(raw, errors="surrogateescape"))
        if is_dxf_stream(_text(raw, "utf-8", "ignore")):
            encoding = filemanagement.dxf_stream_info(_text(raw, "utf-8", "ignore")).encoding
            return filemanagement.read(_text(raw, encoding, "surrogateescape"))
    except Exception as error:  # a damaged file makes the reader fail in any way: one sentence, whatever it was
        reason = " ".join(str(error).split())[:120]
        raise DefinitionError(
            f"{label} is damaged or not a DXF file ({type(error).__name__}: {reason}); export it again"
        ) from error
    raise DefinitionError(f"{label} is not a DXF file that can be read; export it again as DXF R2000 or later")


def _text(raw: bytes, encoding: str, errors: str) -> TextIO:
    return TextIOWrapper(BytesIO(raw), encoding=encoding, errors=errors)


def _pieces(entity: DXFGraphic, where: str) -> list[Array]:
    """Polylines (N, 3) of one entity, in the direction it was drawn in."""
    _check_entity(entity, where)
    try:
        return _flattened(entity)
    except Exception as error:  # geometry that makes no sense makes the flattening fail in any way
        raise DefinitionError(f"{where} holds a {entity.dxftype()} that makes no curve ({error})") from error


def _flattened(entity: DXFGraphic) -> list[Array]:
    shape: object = entity  # ezdxf's entities share no type with these calls
    kind = entity.dxftype()
    if kind == "LINE":
        return [_points([entity.dxf.start, entity.dxf.end])]
    if kind in {"ARC", "CIRCLE", "ELLIPSE", "SPLINE"}:
        flatten: Callable[[float], Iterable[Vec3]] = shape.flattening  # type: ignore[attr-defined]
        return [_points(flatten(CHORD_MM))]
    if kind == "POLYLINE" and not (shape.is_2d_polyline or shape.is_3d_polyline):  # type: ignore[attr-defined]
        raise ValueError("a mesh")
    if shape.has_arc:  # type: ignore[attr-defined]
        pieces = [piece for segment in shape.virtual_entities() for piece in _flattened(segment)]  # type: ignore[attr-defined]
        return _head_to_tail(pieces, _points(_vertices(shape))[0])
    points = _points(_vertices(shape))
    return [np.vstack([points, points[:1]]) if shape.is_closed else points]  # type: ignore[attr-defined]


def _vertices(shape: object) -> Iterable[Vec3]:
    lightweight = hasattr(shape, "vertices_in_wcs")
    found: Iterable[Vec3] = shape.vertices_in_wcs() if lightweight else shape.points_in_wcs()  # type: ignore[attr-defined]
    return found


def _points(vectors: Iterable[Vec3]) -> Array:
    return np.array([vector.xyz for vector in vectors], dtype=np.float64).reshape(-1, 3)


def _head_to_tail(pieces: list[Array], start: Array) -> list[Array]:
    """Segments of one polyline, each turned to start where the last one ended: right-hand arcs come backwards."""
    turned: list[Array] = []
    for piece in pieces:
        forward = np.linalg.norm(piece[0] - start) <= np.linalg.norm(piece[-1] - start)
        turned.append(piece if forward else piece[::-1])
        start = turned[-1][-1]
    return turned


def _joined(pieces: list[Array], where: str) -> Array:
    """One closed polyline from pieces in any order and direction, starting with the first piece."""
    left = [piece for piece in pieces if len(piece) > 2 or np.linalg.norm(piece[-1] - piece[0]) > REPEAT_MM]
    if not left:
        raise DefinitionError(f"{where} holds nothing but points, must hold a closed curve")
    for piece in left:
        _check_numbers(piece, where)
    chain = left.pop(0)
    links = [chain]
    start, end = chain[0], chain[-1]
    heads = np.array([piece[0] for piece in left]).reshape(-1, 3)
    tails = np.array([piece[-1] for piece in left]).reshape(-1, 3)
    free = np.ones(len(left), dtype=bool)
    while np.linalg.norm(end - start) > JOIN_MM or (len(links) == 1 and len(chain) == 2):
        to_head = np.where(free, np.linalg.norm(heads - end, axis=1), np.inf)
        to_tail = np.where(free, np.linalg.norm(tails - end, axis=1), np.inf)
        nearest = min(to_head.min(initial=np.inf), to_tail.min(initial=np.inf))
        if nearest > JOIN_MM:
            gaps = [(float(np.linalg.norm(end - start)), start)]
            if np.isfinite(nearest):
                near = heads[to_head.argmin()] if to_head.min() <= to_tail.min() else tails[to_tail.argmin()]
                gaps.append((float(nearest), near))
            raise DefinitionError(_open_sentence(where, end, min(gaps, key=lambda gap: gap[0])[1]))
        backwards = to_tail.min() < to_head.min()
        chosen = int(to_tail.argmin() if backwards else to_head.argmin())
        free[chosen] = False
        piece = left[chosen][::-1] if backwards else left[chosen]
        links.append(piece[1:])  # the joint is one point
        end = piece[-1]
    if free.any():
        at = left[int(np.flatnonzero(free)[0])][0]
        raise DefinitionError(f"{where} holds more than one closed curve, must hold one: another is at {place(at)}")
    return np.vstack(links)


def _open_sentence(where: str, end: Array, start: Array) -> str:
    gap = float(np.linalg.norm(end - start))
    return (
        f"{where} is open: {gap:.2f} mm lie between {place(end)} and {place(start)}; "
        "close it, or repeat the first point at the end"
    )


def _check_entity(entity: DXFGraphic, where: str) -> None:
    """Numbers of an entity before it is flattened: a radius of 1e300 would make a million points first."""
    numbers: list[float] = []
    for value in entity.dxf.all_existing_dxf_attribs().values():
        if isinstance(value, float):
            numbers.append(value)
        elif isinstance(value, Vec3):
            numbers.extend(tuple(value))
    for name in ("control_points", "fit_points"):
        numbers.extend(np.asarray(getattr(entity, name, ()), dtype=np.float64).ravel().tolist())
    values = np.array(numbers)
    if not np.isfinite(values).all():
        raise DefinitionError(f"{where} holds a {entity.dxftype()} with a value that is not a finite number")
    if len(values) and np.abs(values).max() > GREATEST_MM:
        most = np.abs(values).max()
        raise DefinitionError(
            f"{where} holds a {entity.dxftype()} with the value {most:g}, must be at most {GREATEST_MM:g} mm"
        )


def _check_numbers(points_mm: Array, where: str) -> None:
    if len(points_mm) > GREATEST_POINTS:
        raise DefinitionError(f"{where} has {len(points_mm)} points, must have at most {GREATEST_POINTS}")
    bad = np.flatnonzero(~np.isfinite(points_mm).all(axis=1))
    if len(bad):
        x, y, z = points_mm[bad[0]]
        raise DefinitionError(
            f"{where}: point {bad[0] + 1} is ({x:g}, {y:g}, {z:g}), must be three finite numbers of mm"
        )
    far = np.flatnonzero(np.abs(points_mm).max(axis=1, initial=0.0) > GREATEST_MM)
    if len(far):
        x, y, z = points_mm[far[0]]
        raise DefinitionError(
            f"{where}: point {far[0] + 1} is ({x:g}, {y:g}, {z:g}), must be within {GREATEST_MM:g} mm of 0"
        )
