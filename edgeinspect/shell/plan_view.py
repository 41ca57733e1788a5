"""The plan view of a shell definition's drawing: rim with zones and arc lengths, cut-outs, pips, decals, dimensions."""

from __future__ import annotations

import base64

import numpy as np
import shapely

from edgeinspect.geometry import Array
from edgeinspect.shell import svg
from edgeinspect.shell.artwork import artwork_png
from edgeinspect.shell.definition import Curve, CutOut, Decal, Pip, ShellDefinition
from edgeinspect.shell.outline import plan_normals
from edgeinspect.shell.summary import limits_words, size_words

GREATEST_WIDTH, GREATEST_HEIGHT = 800.0, 620.0  # of the shell on the page
BORDER = 92.0  # around it, for zone numbers and dimensions
_TINTS = ("#1f4e8c", "#86aeda", "#5d4a8a")  # the third only where an odd number of zones would put two alike together


def zone_tint(definition: ShellDefinition, place: int) -> str:
    count = len(definition.zones)
    return _TINTS[2] if count % 2 and count > 1 and place == count - 1 else _TINTS[place % 2]


def at_arc_mm(curve: Curve, arc_mm: float) -> Array:
    """The point (3,) of a curve at an arc length."""
    arc, points, at = curve.arc_mm, curve.points_mm, arc_mm % curve.length_mm
    k = int(np.searchsorted(arc, at, side="right")) - 1
    end, following = (arc[k + 1], points[k + 1]) if k + 1 < len(arc) else (curve.length_mm, points[0])
    return np.asarray(points[k] + (at - arc[k]) / (end - arc[k]) * (following - points[k]))


def stretch_mm(curve: Curve, from_mm: float, to_mm: float) -> Array:
    """Points (N, 3) of a curve from one arc length to another, over its start if ``to_mm`` is not above ``from_mm``."""
    arc, points = curve.arc_mm, curve.points_mm
    after, before = np.searchsorted(arc, from_mm, side="right"), np.searchsorted(arc, to_mm)
    middle = points[after:before] if to_mm > from_mm else np.vstack([points[after:], points[:before]])
    return np.vstack([at_arc_mm(curve, from_mm), middle, at_arc_mm(curve, to_mm)])


class PlanView:
    """Draws into ``parts`` on construction; ``bottom`` is where the next thing may start.

    ``bare`` leaves out zones, names and sizes: the shell as it is known by sight.
    """

    def __init__(
        self, definition: ShellDefinition, left: float, top: float, decals: tuple[Decal, ...], *, bare: bool = False
    ) -> None:
        self.definition = definition
        self.decals = decals
        self.parts: list[str] = []
        self._taken: list[shapely.Geometry] = []  # page areas that no label may cover
        rim = definition.rim.points_mm
        self._low, self._high = rim[:, :2].min(axis=0), rim[:, :2].max(axis=0)
        size = self._high - self._low
        self._scale = min(GREATEST_WIDTH / size[0], GREATEST_HEIGHT / size[1])
        self._corner = np.array([left + BORDER + (GREATEST_WIDTH - size[0] * self._scale) / 2, top + BORDER])
        self._normals = plan_normals(rim)[1]
        self.bottom = float(self._corner[1] + size[1] * self._scale + BORDER)
        if bare:
            self._bare()
        else:
            self._shell()
            self._labels()

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, width and height of the shell itself on the page."""
        (x0, y0), (x1, y1) = self._xy(np.array([[self._low[0], self._high[1]], [self._high[0], self._low[1]]]))
        return float(x0), float(y0), float(x1 - x0), float(y1 - y0)

    def _xy(self, points_mm: Array) -> Array:
        """Page positions (N, 2) of shell points (N, 2 or 3): y up in the shell is up on the page."""
        flat = np.atleast_2d(points_mm)[:, :2]
        return np.asarray(self._corner + (flat - [self._low[0], self._high[1]]) * [self._scale, -self._scale])

    def _spot(self, arc_mm: float) -> tuple[Array, Array]:
        """Page position of a place on the rim and the page direction out of the shell."""
        point = at_arc_mm(self.definition.rim, arc_mm)
        nearest = int(np.argmin(np.linalg.norm(self.definition.rim.points_mm - point, axis=1)))
        return self._xy(point)[0], self._normals[nearest] * [1.0, -1.0]

    def _shell(self) -> None:
        d = self.definition
        rim = self._xy(d.rim.points_mm)
        self.parts.append(svg.path(rim, True, fill=svg.SHEET))
        self._axes()
        for decal in self.decals:
            self._decal(decal)
        for place, zone in enumerate(d.zones):
            points = self._xy(stretch_mm(d.rim, zone.from_mm, zone.to_mm))
            self.parts.append(svg.path(points, fill="none", stroke=zone_tint(d, place), stroke_width="8"))
        self.parts.append(svg.path(rim, True, fill="none", stroke=svg.INK, stroke_width="1.2"))
        self._arc_lengths()
        self._zone_numbers()
        for cutout in d.cutouts:
            self._cutout(cutout)
        for pip in d.pips:
            self._pip(pip)
        self._start()
        self._dimensions()

    def _bare(self) -> None:
        bold = {"stroke": svg.INK, "stroke_width": "6"}
        self.parts.append(svg.path(self._xy(self.definition.rim.points_mm), True, fill=svg.SHEET, **bold))
        for decal in self.decals:
            self._artwork(decal)
        for cutout in self.definition.cutouts:
            self.parts.append(svg.path(self._xy(cutout.curve.points_mm), True, fill=svg.MUTED, **bold))
        for pip in self.definition.pips:
            at, radius = self._xy(pip.centre_mm)[0], pip.diameter_mm / 2 * self._scale
            self.parts.append(svg.circle(at, radius, fill="none", stroke=svg.INK, stroke_width="3"))

    def _axes(self) -> None:
        """The shell frame, where its origin lies on the shell."""
        if (self._low < 0).all() and (self._high > 0).all():
            x, y = self._xy(np.zeros((1, 2)))[0]
            self.parts += [
                svg.line((x, y), (x + 46, y), width=1.2),
                svg.line((x, y), (x, y - 46), width=1.2),
                svg.circle((x, y), 3, fill=svg.MUTED),
                svg.text((x + 50, y + 4), "x", 12, fill=svg.MUTED),
                svg.text((x - 4, y - 51), "y", 12, fill=svg.MUTED),
            ]
            self._taken += [shapely.box(x, y - 4, x + 58, y + 8), shapely.box(x - 6, y - 62, x + 6, y)]

    def _arc_lengths(self) -> None:
        every = 50.0 * np.ceil(36.0 / (50.0 * self._scale))  # every tick has its number where there is room for it
        for arc in np.arange(50.0, self.definition.rim.length_mm - 20.0, 50.0):
            at, outward = self._spot(arc)
            label = at - 24 * outward
            self.parts.append(svg.line(at, at - 12 * outward, svg.INK, 1.2))
            if arc % every:
                continue
            style = {"text_anchor": "middle", "fill": svg.MUTED}
            self.parts.append(svg.text((label[0], label[1] + 4), f"{arc:.0f}", 10.5, **style))
            self._taken.append(shapely.Point(label).buffer(14))

    def _zone_numbers(self) -> None:
        length = self.definition.rim.length_mm
        hull = shapely.LineString(self._xy(self.definition.rim.points_mm)).convex_hull
        for place, zone in enumerate(self.definition.zones):
            span = (zone.to_mm - zone.from_mm) % length or length
            middle = zone.from_mm + span / 2
            if min(middle % length, -middle % length) * self._scale < 60:  # the start arrow stands there
                ends = (zone.from_mm + 0.2 * span, zone.from_mm + 0.8 * span)
                middle = max(ends, key=lambda arc: min(arc % length, -arc % length))
            at, outward = self._spot(middle)
            spots = [at + reach * outward for reach in range(20, 90, 5)]  # out of scallops and notches
            free = (spot for spot in spots if hull.distance(shapely.Point(spot)) >= 15)
            spot = next(free, spots[0])
            self.parts.append(svg.number(spot, str(place + 1), zone_tint(self.definition, place)))
            self._taken.append(shapely.Point(spot).buffer(13))

    def _start(self) -> None:
        """Where arc length begins, and which way it runs."""
        at, outward = self._spot(0.0)
        along = np.array(
            [outward[1], -outward[0]]
        )  # counter-clockwise: a left turn from outwards, on a page with y down
        foot, label = at + 14 * outward, at + 58 * outward
        tip = foot + 34 * along
        self.parts += [
            svg.line(at - 14 * outward, at + 22 * outward, svg.INK, 2.0),
            svg.line(foot, tip - 8 * along, svg.INK, 2.0),
            svg.arrow_head(tip, along, svg.INK),
            svg.text((label[0], label[1] - 3), "start", 11.5, text_anchor="middle", font_weight="bold"),
            svg.text((label[0], label[1] + 11), "0 mm", 11.5, text_anchor="middle"),
        ]

    def _cutout(self, cutout: CutOut) -> None:
        x, y = self._xy(cutout.centre_mm)[0]
        points = self._xy(cutout.curve.points_mm)
        rx, ry = np.ptp(points, axis=0) / 2 + 7
        self.parts += [
            svg.path(points, True, fill=svg.PAPER, stroke=svg.INK, stroke_width="1.4"),
            svg.line((x - rx, y), (x + rx, y), width=0.8, dash="8 2 2 2"),
            svg.line((x, y - ry), (x, y + ry), width=0.8, dash="8 2 2 2"),
        ]
        self._taken.append(shapely.box(x - rx, y - ry, x + rx, y + ry))

    def _pip(self, pip: Pip) -> None:
        at, radius = self._xy(pip.centre_mm)[0], pip.diameter_mm / 2 * self._scale
        self.parts.append(svg.circle(at, radius, fill=svg.PAPER, stroke=svg.INK, stroke_width="1.4"))
        self.parts.append(svg.circle(at, 2, fill=svg.INK))
        self._taken.append(shapely.Point(at).buffer(radius))

    def _decal_edge(self, decal: Decal) -> Array:
        """Page outline (N, 2) of the artwork's rectangle on the surface."""
        edge, side = np.linspace(-0.5, 0.5, 21), np.full(21, 0.5)
        u = np.concatenate([edge, side, -edge, -side]) * decal.artwork.width_mm
        v = np.concatenate([-side, edge, side, -edge]) * decal.artwork.height_mm
        return self._xy(decal.patch.points(u, v))

    def _decal(self, decal: Decal) -> None:
        right, along = self._artwork(decal)
        edge = self._decal_edge(decal)
        self.parts += [
            svg.path(edge, True, fill="none", stroke=svg.ACCENT, stroke_width="1.4", stroke_dasharray="6 3"),
            svg.line(right, right + 22 * along, svg.ACCENT, 1.6),
            svg.arrow_head(right + 30 * along, along, svg.ACCENT),
        ]
        self._taken.append(shapely.Polygon(edge))

    def _artwork(self, decal: Decal) -> tuple[Array, Array]:
        """What is printed. Returns the middle of its right side on the page, and the reading direction."""
        half_width, half_height = decal.artwork.width_mm / 2, decal.artwork.height_mm / 2
        # Seen from above a patch is nearly flat: one affine placement of the picture, from its middle lines.
        u, v = np.array([0.0, half_width, 0.0]), np.array([0.0, 0.0, half_height])
        middle, right, up = self._xy(decal.patch.points(u, v))
        across, down = (right - middle) * 2, (middle - up) * 2  # row 0 of the picture is the top
        matrix = " ".join(f"{value:.4f}" for value in (*across, *down, *(middle - across / 2 - down / 2)))
        picture = base64.b64encode(artwork_png(decal.artwork)).decode()
        self.parts.append(
            f'<image transform="matrix({matrix})" width="1" height="1" preserveAspectRatio="none" '
            f'href="data:image/png;base64,{picture}"/>'
        )
        return right, across / max(float(np.linalg.norm(across)), 1e-6)

    def _labels(self) -> None:
        """Names and sizes, last, so that each can keep clear of all that was drawn."""
        d = self.definition
        inside = shapely.Polygon(self._xy(d.rim.points_mm)).simplify(0.1).buffer(-12)
        self._taken.append(inside.envelope.buffer(400).difference(inside))
        for decal in self.decals:
            bounds = shapely.LineString(self._decal_edge(decal)).bounds
            size = f"{decal.artwork.width_mm:g} × {decal.artwork.height_mm:g}"
            self._label(bounds, False, f"{decal.words} ({decal.variant})", size)
        for cutout in d.cutouts:
            bounds = shapely.LineString(self._xy(cutout.curve.points_mm)).bounds
            size = f"{size_words(cutout)}  {limits_words(cutout.size_limits)}"
            in_lower_half = bool(cutout.centre_mm[1] < (self._low[1] + self._high[1]) / 2)
            place = f"at ({cutout.centre_mm[0]:g}, {cutout.centre_mm[1]:g})"
            self._label(bounds, in_lower_half, cutout.words, size, place)
        for pip in d.pips:
            bounds = shapely.Point(self._xy(pip.centre_mm)[0]).buffer(pip.diameter_mm / 2 * self._scale).bounds
            self._label(bounds, False, pip.name, f"⌀ {pip.diameter_mm:g}")

    def _label(self, around: tuple[float, ...], above_first: bool, *lines: str) -> None:
        """Lines of text beside a feature with bounds (x0, y0, x1, y1): the first place around it that is free.

        A halo of the sheet's colour keeps lines underneath from disturbing it.
        """
        x0, y0, x1, y1 = around
        wide = max(7.6 * len(lines[0]), *(6.9 * len(words) for words in lines[1:]))
        high = 14.0 * len(lines)
        middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
        spots: list[tuple[float, float]] = []
        for away in (10.0, 30.0, 55.0):
            below, above = y1 + away + high / 2, y0 - away - high / 2
            right, left = x1 + away + wide / 2, x0 - away - wide / 2
            rows = (above, below) if above_first else (below, above)
            spots += [(middle_x, rows[0]), (middle_x, rows[1]), (right, middle_y), (left, middle_y)]
            spots += [(x, y) for y in rows for x in (right, left)]
        boxes = [shapely.box(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2) for x, y in spots]
        covered = [sum(box.intersection(other).area for other in self._taken) for box in boxes]
        best = int(np.argmin(covered))  # the first that is free, or the least bad
        self._taken.append(boxes[best])
        if best >= 4:  # not right beside it
            start, end = shapely.shortest_line(boxes[best], shapely.Point(middle_x, middle_y)).coords
            self.parts.append(svg.line(start, end, svg.MUTED, 0.8))
        x, y = spots[best]
        halo = {"stroke": svg.SHEET, "stroke_width": "4", "stroke_linejoin": "round", "paint_order": "stroke"}
        for at, words in enumerate(lines):
            weight, size = ("bold", 12.0) if at == 0 else ("normal", 11.5)
            style = {"text_anchor": "middle", "font_weight": weight, **halo}
            self.parts.append(svg.text((x, y - high / 2 + 11 + 14 * at), words, size, **style))

    def _dimensions(self) -> None:
        """Length and width of the whole rim."""
        (x0, y0), (x1, y1) = self._xy(np.array([self._low, self._high]))
        length, width = self._high - self._low
        y, x = y0 + 68, x0 - 68
        bold = {"text_anchor": "middle", "font_weight": "bold"}
        middle = (y0 + y1) / 2
        self.parts += [
            *(svg.line((at, y0 + 36), (at, y + 6), svg.FAINT) for at in (x0, x1)),
            *(svg.line((x0 - 36, at), (x - 6, at), svg.FAINT) for at in (y0, y1)),
            svg.line((x0, y), (x1, y), svg.INK),
            svg.line((x, y0), (x, y1), svg.INK),
            *(svg.line((at - 4, y + 4), (at + 4, y - 4), svg.INK, 1.6) for at in (x0, x1)),
            *(svg.line((x - 4, at + 4), (x + 4, at - 4), svg.INK, 1.6) for at in (y0, y1)),
            svg.text(((x0 + x1) / 2, y - 7), f"{length:.1f} mm", 15, **bold),
            svg.text((x - 7, middle), f"{width:.1f} mm", 15, transform=f"rotate(-90 {x - 7:.1f} {middle:.1f})", **bold),
        ]
