"""What a station needs on paper, drawn to be printed at its own size: calibration board, fixture marks, grey patch.

One SVG a sheet, all lines and no pixels. A sheet says its size in millimetres, for the browser's printing too, and has
a bar of 100.0 mm each way, because printers stretch paper more along than across.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

import cv2
import numpy as np
import shapely

from edgeinspect.errors import InputError
from edgeinspect.geometry import Array
from edgeinspect.measure.board import Board, charuco
from edgeinspect.measure.fixture import Fixture, Mark
from edgeinspect.shell import svg
from edgeinspect.station.config import Station

# ISO 216, landscape [mm]; smallest first.
PAPERS = {"A4": (297.0, 210.0), "A3": (420.0, 297.0), "A2": (594.0, 420.0), "A1": (841.0, 594.0), "A0": (1189.0, 841.0)}
FIT = "fit"  # a page of the print's own size
BAR_MM = 100.0

UNITS = 100.0  # drawing units per mm: svg.py writes a tenth of a unit, here a micrometre
MARGIN_MM = 10.0  # no printer prints to the rim
HEAD_MM, FOOT_MM, SIDE_MM = 31.0, 12.0, 14.0  # for words above, a bar below, a bar beside
LEAST_WIDTH_MM, LEAST_HEIGHT_MM = 190.0, BAR_MM + 4.0  # what words and bars need
FIT_ROW_MM = 380.0
GAP_MM = 8.0
CAPTION_MM, CAPTION_WIDTH_MM = 15.0, 58.0
QUIET_CELLS = 1.25  # white around a mark: one cell is needed, the rest is for the scissors
GREY = "#bcbcbc"  # half as light as the paper (IEC 61966-2-1); any even grey will do, it is compared with itself
GREY_RIM_MM = 1.0
CUT = "300 200"  # dashes of a cut line
PRINT = "Print at 100 % (never “fit to page”), then measure both bars: 100.0 mm each, or do not use it."


@dataclass(frozen=True)
class Sheet:
    """One page; ``svg`` is its drawing."""

    name: str  # of its file, without the ending
    words: str  # what is on it
    width_mm: float
    height_mm: float
    svg: str


@dataclass(frozen=True)
class _Item:
    """Something to be drawn whole; ``draw`` gets its upper left corner [mm] on the page."""

    width_mm: float
    height_mm: float
    draw: Callable[[float, float], str]


def printables(station: Station, paper: str) -> tuple[list[Sheet], list[str]]:
    """Every sheet that the station needs, and a sentence about each that does not fit on ``paper`` (one of PAPERS, or
    "fit"). Raises InputError for another paper.
    """
    if paper != FIT and paper not in PAPERS:
        raise InputError(f"--paper is {paper!r}, must be one of {', '.join(PAPERS)} or {FIT}")
    fixture, name = station.fixture, station.name
    marks = [_mark_item(mark, fixture) for mark in fixture.marks]
    sets = [
        ("board", f"Calibration board · {name}", _board_words(station.board), [_board_item(station.board)]),
        ("marks", f"Fixture marks · {name}", _mark_words(fixture), marks),
        ("grey-patch", f"Grey patch · {name}", _patch_words(), [_patch_item(fixture.grey_patch_mm)]),
    ]
    sheets: list[Sheet] = []
    sentences: list[str] = []
    for stem, title, words, items in sets:
        size, sentence = _page(title, items, paper)
        sentences += [sentence] if sentence else []
        pages = _fill(items, size)
        for at, page in enumerate(pages):
            number = f"-{at + 1}" if len(pages) > 1 else ""
            of = f", sheet {at + 1} of {len(pages)}" if len(pages) > 1 else ""
            sheets.append(_sheet(stem + number, title + of, words, page, size))
    return sheets, sentences


# -- the page


def _room(size: tuple[float, float]) -> tuple[float, float]:
    return size[0] - 2 * MARGIN_MM - SIDE_MM, size[1] - 2 * MARGIN_MM - HEAD_MM - FOOT_MM


def _page(title: str, items: Sequence[_Item], paper: str) -> tuple[tuple[float, float], str | None]:
    """Size [mm] of the page, and what to say when it is not the paper that was asked for."""
    widest, highest = max(item.width_mm for item in items), max(item.height_mm for item in items)
    if paper != FIT:
        larger = list(PAPERS)[list(PAPERS).index(paper) :]
        for name in larger:
            for size in (PAPERS[name], PAPERS[name][::-1]):
                room = _room(size)
                if widest <= room[0] and highest <= room[1]:
                    return size, None if name == paper else _too_large(title, widest, highest, paper, f"for {name}")
    width = max(LEAST_WIDTH_MM, widest, min(FIT_ROW_MM, sum(item.width_mm + GAP_MM for item in items) - GAP_MM))
    rows = _rows(items, width)
    high = sum(max(item.height_mm for item in row) + GAP_MM for row in rows) - GAP_MM
    own = np.ceil([width + 2 * MARGIN_MM + SIDE_MM, max(LEAST_HEIGHT_MM, high) + 2 * MARGIN_MM + HEAD_MM + FOOT_MM])
    size = (float(own[0]), float(own[1]))
    if paper == FIT:
        return size, None
    return size, _too_large(title, widest, highest, paper, f"on a page of its own, {size[0]:g} x {size[1]:g} mm")


def _too_large(title: str, widest: float, highest: float, paper: str, instead: str) -> str:
    room = _room(PAPERS[paper])
    return (
        f"{title}: {widest:.0f} x {highest:.0f} mm do not fit on {paper}, which has room for {room[0]:.0f} x "
        f"{room[1]:.0f} mm: drawn {instead}; let a print shop print it whole, never smaller and never in pieces"
    )


def _rows(items: Sequence[_Item], width: float) -> list[list[_Item]]:
    rows: list[list[_Item]] = []
    for item in items:
        if rows and sum(one.width_mm + GAP_MM for one in rows[-1]) + item.width_mm <= width + 1e-6:
            rows[-1].append(item)
        else:
            rows.append([item])
    return rows


def _fill(items: Sequence[_Item], size: tuple[float, float]) -> list[list[tuple[_Item, float, float]]]:
    """Pages of items with their upper left corners [mm]."""
    width, height = _room(size)
    pages: list[list[tuple[_Item, float, float]]] = [[]]
    down = 0.0
    for row in _rows(items, width):
        high = max(item.height_mm for item in row)
        if pages[-1] and down + high > height + 1e-6:
            pages.append([])
            down = 0.0
        across = 0.0
        for item in row:
            pages[-1].append((item, MARGIN_MM + across, MARGIN_MM + HEAD_MM + down))
            across += item.width_mm + GAP_MM
        down += high + GAP_MM
    return pages


def _sheet(
    name: str,
    title: str,
    words: Sequence[str],
    page: Sequence[tuple[_Item, float, float]],
    size: tuple[float, float],
) -> Sheet:
    width, height = size
    parts = [_words(MARGIN_MM, MARGIN_MM + 6.0, title, 6.0, font_weight="bold")]
    lines = [PRINT, *words]
    parts += [_words(MARGIN_MM, MARGIN_MM + 12.0 + 4.6 * at, line, 3.4) for at, line in enumerate(lines)]
    parts += [item.draw(x, y) for item, x, y in page]
    parts.append(_bar(np.array([MARGIN_MM, height - MARGIN_MM]), np.array([1.0, 0.0])))
    parts.append(_bar(np.array([width - MARGIN_MM, height - MARGIN_MM]), np.array([0.0, -1.0])))
    style = f"<style>@page {{ size: {width:g}mm {height:g}mm; margin: 0 }}</style>"
    drawing = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width * UNITS:g} {height * UNITS:g}" font-family="{escape(svg.FONT)}">'
        f"<title>{escape(title)}</title>{style}\n"
        + svg.rectangle((0, 0), width * UNITS, height * UNITS, fill=svg.PAPER)
        + "\n"
        + "\n".join(parts)
        + "\n</svg>\n"
    )
    return Sheet(name, title, width, height, drawing)


def _words(x: float, y: float, words: str, size_mm: float = 3.0, **style: str) -> str:
    return svg.text((x * UNITS, y * UNITS), words, size_mm * UNITS, **style)


def _line(start: Array, end: Array, width_mm: float) -> str:
    return svg.line(start * UNITS, end * UNITS, svg.INK, width_mm * UNITS)


def _bar(start: Array, along: Array) -> str:
    """A bar of 100.0 mm from ``start`` [mm]: it counts between the middles of its end lines."""
    across = np.array([along[1], -along[0]])
    end = start + BAR_MM * along
    ticks = [_line(at, at + 4.0 * across, 0.1) for at in (start, (start + end) / 2, end)]
    label = start + along * 17.0 + across * 1.6
    upright = {} if along[0] else {"transform": f"rotate(-90 {label[0] * UNITS:.1f} {label[1] * UNITS:.1f})"}
    return _line(start, end, 0.1) + "".join(ticks) + _words(label[0], label[1], "100.0 mm", 3.0, **upright)


def _cut_line(x: float, y: float, width: float, height: float) -> str:
    place = (x * UNITS, y * UNITS)
    dashes = {"fill": "none", "stroke": svg.MUTED, "stroke_width": f"{0.15 * UNITS:g}", "stroke_dasharray": CUT}
    return svg.rectangle(place, width * UNITS, height * UNITS, **dashes)


def _black(shape: shapely.Geometry, x: float, y: float) -> str:
    """Black at its place: ``shape`` in mm from (x, y)."""
    return svg.area(_on_page(shape, x, y), fill="#000000")


def _on_page(shape: shapely.Geometry, x: float, y: float) -> shapely.Geometry:
    """A shape [mm] with its origin at (x, y) [mm], in drawing units."""
    place = np.array([x, y])
    return shapely.transform(shape, lambda points: (points + place) * UNITS)


# -- the board


def _board_words(board: Board) -> list[str]:
    far = max(board.corners_x, board.corners_y) - 1
    marks = f", marks of {board.marker_mm:.2f} mm ({board.dictionary})" if board.kind == "charuco" else ""
    legacy = ", legacy layout" if board.legacy else ""
    return [
        f"Kind {board.kind}: {board.squares_x} x {board.squares_y} squares of {board.square_mm:.2f} mm{marks}{legacy}.",
        "Glue it flat on glass or aluminium: paper alone bends, and grows when it is damp. Keep the white rim.",
        f"Then measure it: {far} squares are {far * board.square_mm:.2f} mm. What you read, divided by {far}, is "
        "square_mm in station.toml.",
    ]


def _board_item(board: Board) -> _Item:
    """The board with half a square of white all round, which finding it needs."""
    rim = board.square_mm / 2
    wide, high = board.squares_x * board.square_mm, board.squares_y * board.square_mm
    black = board_black(board)

    def draw(x: float, y: float) -> str:
        return _cut_line(x, y, wide + 2 * rim, high + 2 * rim) + _black(black, x + rim, y + rim)

    return _Item(wide + 2 * rim, high + 2 * rim, draw)


def board_black(board: Board) -> shapely.Geometry:
    """All that is black on a board [mm], x right and y down from its upper left corner."""
    side = board.square_mm
    white: dict[tuple[int, int], shapely.Geometry] = {}
    if board.kind == "charuco":  # where OpenCV puts a mark the square is white; all others are black
        layout = charuco(board)
        for mark_id, corners in zip(np.ravel(layout.getIds()), layout.getObjPoints(), strict=True):
            places = np.asarray(corners, dtype=np.float64)[:, :2]
            column, row = (int(n) for n in places.mean(axis=0) // side)
            white[column, row] = mark_black(str(board.dictionary), int(mark_id), places[0], float(board.marker_mm or 0))
    else:
        squares = ((x, y) for x in range(board.squares_x) for y in range(board.squares_y))
        white = {(x, y): shapely.Polygon() for x, y in squares if (x + y) % 2}
    black = [
        shapely.box(x * side, y * side, (x + 1) * side, (y + 1) * side)
        for x in range(board.squares_x)
        for y in range(board.squares_y)
        if (x, y) not in white
    ]
    return shapely.MultiPolygon(black + [part for shape in white.values() for part in shapely.get_parts(shape)])


def mark_black(dictionary: str, mark_id: int, corner_mm: Array, side_mm: float) -> shapely.Geometry:
    """The black of a mark [mm], y down; ``corner_mm`` (2,) is its upper left corner."""
    known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    cells = known.markerSize + 2  # with its black border
    black = known.generateImageMarker(mark_id, cells) == 0
    at = np.linspace(0.0, side_mm, cells + 1)
    boxes = [shapely.box(at[x], at[y], at[x + 1], at[y + 1]) for y, x in np.argwhere(black)]
    whole = shapely.union_all(boxes)  # cells drawn one by one show hair lines between them
    return shapely.transform(whole, lambda points: points + corner_mm)


# -- fixture marks


def _mark_words(fixture: Fixture) -> list[str]:
    return [
        f"{len(fixture.marks)} marks of {fixture.dictionary}. Matt white paper; cut along the dashes, keep the white.",
        "Glue each flat at its place, its arrow as the words below it say (x and y are the fixture's).",
        "Then measure the corners of the black in the fixture and write them as corners_mm in station.toml.",
    ]


def _mark_item(mark: Mark, fixture: Fixture) -> _Item:
    corners = mark.corners_mm
    side = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).mean())
    cells = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, fixture.dictionary)).markerSize + 2
    quiet = QUIET_CELLS * side / cells
    tag = side + 2 * quiet
    captions = [
        f"mark {mark.mark_id}, {side:.2f} mm",
        f"centre x {_place(corners.mean(axis=0))}",
        f"arrow {_direction(corners[0] - corners[3] + corners[1] - corners[2])}",
    ]
    black = mark_black(fixture.dictionary, mark.mark_id, np.zeros(2), side)

    def draw(x: float, y: float) -> str:
        top = np.array([x + tag + 5.0, y])
        head = shapely.Polygon([(0.0, 0.0), (1.5, 3.5), (-1.5, 3.5)])
        foot = top + np.array([0.0, min(tag, 20.0)])
        arrow = svg.area(_on_page(head, *top), fill=svg.INK) + _line(top + np.array([0.0, 2.0]), foot, 0.5)
        words = "".join(_words(x, y + tag + 4.2 + 4.2 * at, line) for at, line in enumerate(captions))
        return _cut_line(x, y, tag, tag) + _black(black, x + quiet, y + quiet) + arrow + words

    return _Item(max(tag + 8.0, CAPTION_WIDTH_MM), tag + CAPTION_MM, draw)


def _place(centre: Array) -> str:
    x, y, z = (f"{value + 0.0:.2f}".replace("-", "−") for value in centre)
    return f"{x}, y {y}, z {z}"


def _direction(up: Array) -> str:
    """Which way "up as printed" points in the fixture."""
    turn = float(np.rad2deg(np.arctan2(-up[0], up[1])))
    for angle, axis in ((0.0, "+y"), (90.0, "−x"), (-90.0, "+x"), (180.0, "−y"), (-180.0, "−y")):
        if abs(turn - angle) < 0.05:
            return f"to {axis}"
    return f"{abs(turn):.1f}° {'counter-clockwise' if turn > 0 else 'clockwise'} from +y"


# -- the grey patch


def _patch_words() -> list[str]:
    return [
        "Matt paper, or paint: an even grey, about half as light as white. It is compared with itself at calibration.",
        "Cut along the dashes; it is 1 mm larger all round than its place.",
    ]


def _patch_item(corners_mm: Array) -> _Item:
    """The patch as seen from above, its first side along the page."""
    along = (corners_mm[1] - corners_mm[0])[:2] / np.linalg.norm((corners_mm[1] - corners_mm[0])[:2])
    flat = (corners_mm[:, :2] - corners_mm[0, :2]) @ np.column_stack([along, [along[1], -along[0]]])  # y down
    flat = flat - flat.min(axis=0)
    wide, high = (float(size) for size in flat.max(axis=0))
    grown = shapely.Polygon(flat + GREY_RIM_MM).buffer(GREY_RIM_MM, join_style="mitre")
    captions = [f"grey patch, {wide:.2f} x {high:.2f} mm", f"centre x {_place(corners_mm.mean(axis=0))}"]

    def draw(x: float, y: float) -> str:
        dashes = {"stroke": svg.MUTED, "stroke_width": f"{0.15 * UNITS:g}", "stroke_dasharray": CUT}
        words = "".join(
            _words(x, y + high + 2 * GREY_RIM_MM + 4.2 + 4.2 * at, line) for at, line in enumerate(captions)
        )
        return svg.area(_on_page(grown, x, y), fill=GREY, **dashes) + words

    return _Item(max(wide + 2 * GREY_RIM_MM, CAPTION_WIDTH_MM), high + 2 * GREY_RIM_MM + CAPTION_MM, draw)
