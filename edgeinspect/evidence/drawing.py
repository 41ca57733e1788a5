"""The pictures and charts of a file of evidence, as SVG paths and small PNGs; no script is needed to see them."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.conformity import Answer, Finding
from edgeinspect.evidence.contents import Evidence
from edgeinspect.geometry import Array
from edgeinspect.measure.measurement import DeviationProfile, EdgeTrace, Ribbon
from edgeinspect.shell.definition import Frame, ShellDefinition

EVERY = 3  # stations of a curve over a whole picture: 1.5 mm
CLOSE_MM = 11.0  # half the width of a close-up
ROWS = 4  # that the ribbon of a rim is broken into: a page is not a metre wide
WIDE, HIGH, LEFT, BOTTOM, TOP = 1000.0, 300.0, 54.0, 34.0, 14.0  # of the profile chart, in its own units
ROW_HIGH = 84.0  # of a ribbon's row, 1000 wide
MOST_CLOSE_UPS = 3

Box = tuple[float, float, float, float]  # x, y, width, height [px]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class Curves:
    """SVG path data in pixels of the camera's picture."""

    nominal: str
    edge: str
    zone: str  # the tolerance zone, an area; "" where limits are not of a line
    decal_nominal: str
    decal_found: str
    decal_faults: str  # around each place where a decal is not whole


@dataclass(frozen=True)
class CloseUp:
    camera: str
    words: str
    box: str  # viewBox
    curves: Curves


@dataclass(frozen=True)
class PictureShown:
    camera: str
    width_px: int
    height_px: int
    curves: Curves


@dataclass(frozen=True)
class Tick:
    at: float
    words: str


@dataclass(frozen=True)
class Chart:
    """A deviation profile with limits and guard bands."""

    frame: Frame
    curve: str
    limits: str
    drawing: str  # the drawing's limits where others judged; "" where they are the same
    guard: str  # an area
    zero_y: float
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    zones: tuple[Tick, ...]  # the middle of each, with its number in the table
    worst: tuple[tuple[float, float], ...]
    words: str


@dataclass(frozen=True)
class RibbonRow:
    curve: str
    camera: str
    words: str
    picture: str  # PNG as base64
    edge: str
    nominal: str
    zone: str
    zero_words: str


# -- over pictures


def pictures_shown(evidence: Evidence) -> list[PictureShown]:
    """Of every picture that is in the file, its curves over it."""
    rests_on = evidence.rests_on
    sizes = {one.camera: one.model for one in rests_on.calibrations} if rests_on else {}
    shown = []
    for held in evidence.context.pictures:
        content = (evidence.originals if held.camera not in evidence.views else evidence.views).get(held.camera)
        if not held.kind or content is None:
            continue
        model = sizes.get(held.camera)
        size = (model.width_px, model.height_px) if model else size_of(content)
        if size is not None:
            shown.append(PictureShown(held.camera, *size, _curves(evidence, held.camera, EVERY)))
    return shown


def size_of(content: bytes) -> tuple[int, int] | None:
    levels = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_UNCHANGED)
    return None if levels is None else (int(levels.shape[1]), int(levels.shape[0]))


def _curves(evidence: Evidence, camera: str, every: int, box: Box | None = None) -> Curves:
    nominal, edge, zone = [], [], []
    digits = 1 if box is None else 2
    rim = rim_name(evidence)
    for trace in evidence.measurement.traces:
        if trace.camera != camera:
            continue
        for part, closed in _stretches(trace, whole=rim != trace.curve, rim_length=_rim_length(evidence)):
            keep = part[::every] if closed or len(part) < 2 else np.append(part[:-1:every], part[-1])
            nominal.append(path(trace.nominal_pixel[keep], box, closed=closed, digits=digits))
            seen = trace.flags[keep] == 0
            edge.append(path(np.where(seen[:, None], trace.pixel[keep], np.nan), box, closed=closed, digits=digits))
            if trace.curve == rim:
                zone += list(_tolerance(evidence, trace, keep, box))
    decals = [one for one in evidence.measurement.decals if one.camera in ("", camera)]
    faults = [fault for one in evidence.measurement.decals for fault in one.faults]
    return Curves(
        " ".join(nominal),
        " ".join(edge),
        " ".join(zone),
        " ".join(path(one.nominal_pixel, box, closed=True) for one in decals if one.nominal_pixel is not None),
        " ".join(path(one.outline_pixel, box, closed=True) for one in decals if one.outline_pixel is not None),
        " ".join(path(it.outline_pixel, box, closed=True) for it in faults if it.camera in ("", camera)),
    )


def rim_name(evidence: Evidence) -> str:
    """Of the curve that is the rim: the longest one, where the definition is not at hand."""
    if evidence.rests_on is not None:
        return evidence.rests_on.definition.rim.name
    longest = max(evidence.measurement.traces, key=lambda trace: len(trace.arc_mm), default=None)
    return longest.curve if longest else ""


def _rim_length(evidence: Evidence) -> float:
    if evidence.rests_on is not None:
        return evidence.rests_on.definition.rim.length_mm
    return max((float(t.arc_mm.max(initial=0.0)) for t in evidence.measurement.traces), default=0.0)


def _stretches(trace: EdgeTrace, *, whole: bool, rim_length: float) -> list[tuple[Index, bool]]:
    """Indices of a trace in stretches without a gap, and whether it is one that closes."""
    index = np.arange(len(trace.arc_mm))
    if whole or len(index) < 3:
        return [(index, True)]
    step = float(np.median(np.diff(trace.arc_mm)))
    parts = np.split(index, np.flatnonzero(np.diff(trace.arc_mm) > 2.0 * step) + 1)
    over_start = float(trace.arc_mm[0]) + rim_length - float(trace.arc_mm[-1]) <= 2.0 * step
    if over_start and len(parts) == 1:
        return [(index, True)]
    if over_start:
        parts = [np.concatenate([parts[-1], parts[0]]), *parts[1:-1]]
    return [(part, False) for part in parts]


def _tolerance(evidence: Evidence, trace: EdgeTrace, keep: Index, box: Box | None) -> Iterator[str]:
    """One area a zone: between its limits about the nominal outline."""
    if evidence.judged_by is None:
        return
    along = trace.arc_mm[keep]
    for zone in evidence.judged_by.zones:
        inside = np.flatnonzero(zone.holds(along) & _near(trace.nominal_pixel[keep], box))
        for run in np.split(inside, np.flatnonzero(np.diff(inside) > 1) + 1):
            if len(run) < 2:
                continue
            at = keep[run]
            sides = [
                trace.nominal_pixel[at] + limit * trace.pixel_per_mm[at]
                for limit in (zone.limits.upper, zone.limits.lower)
            ]
            yield path(np.vstack([sides[0], sides[1][::-1]]), closed=True, digits=1 if box is None else 2)


def _near(points: Array, box: Box | None) -> NDArray[np.bool_]:
    """Which points (N, 2) lie in a box (x, y, width, height) or beside it; all without a box."""
    if box is None:
        return np.ones(len(points), dtype=bool)
    x, y, width, height = box
    beyond = (points > (x - width, y - height)).all(axis=1) & (points < (x + 2 * width, y + 2 * height)).all(axis=1)
    return np.asarray(beyond)


def path(points: Array, box: Box | None = None, *, closed: bool, digits: int = 1) -> str:
    """SVG path data through points (N, 2); a nan breaks it, and what is far off the box."""
    points = np.asarray(points, dtype=np.float64)
    known = np.isfinite(points).all(axis=1) & _near(points, box)
    parts, begin = [], True
    for (x, y), good in zip(points.tolist(), known.tolist(), strict=True):
        if good:
            parts.append(f"{'M' if begin else 'L'}{x:.{digits}f} {y:.{digits}f}")
        begin = not good
    return "".join(parts) + ("Z" if parts and closed and bool(known.all()) else "")


def close_ups(evidence: Evidence, shown: Sequence[PictureShown]) -> list[CloseUp]:
    """Where it is worst: every bad place, at most a few; of a good shell the one place that is closest to a limit."""
    cameras = {one.camera for one in shown}
    findings = evidence.inspection.verdict.findings
    wanted = [one for one in findings if one.answer is not Answer.CONFORMING] or list(findings[:1])
    found: dict[str, CloseUp] = {}
    for finding in wanted:
        place = _place(evidence, finding)
        if place is None or place[0] not in cameras or len(found) == MOST_CLOSE_UPS:
            continue
        camera, x, y, half = place
        box = (x - half, y - 0.625 * half, 2 * half, 1.25 * half)
        key = f"{camera} {round(x / half)} {round(y / half)}"
        if key not in found:
            curves = _curves(evidence, camera, 1, box)
            view = " ".join(f"{value:.2f}" for value in box)
            found[key] = CloseUp(camera, finding.sentence, view, curves)
    return list(found.values())


def _place(evidence: Evidence, finding: Finding) -> tuple[str, float, float, float] | None:
    """Camera, middle and half width [px] of what is to be shown of a finding."""
    measurement, name = evidence.measurement, finding.characteristic
    if (arc_mm := finding.at_arc_mm) is not None:
        rim = [one for one in measurement.traces if one.curve == rim_name(evidence) and len(one.arc_mm)]
        if not rim:
            return None
        trace = min(rim, key=lambda one: float(np.abs(one.arc_mm - arc_mm).min()))
        at = int(np.abs(trace.arc_mm - arc_mm).argmin())
        scale = float(np.hypot(*trace.pixel_per_mm[at]))
        x, y = map(float, trace.nominal_pixel[at])
        return trace.camera, x, y, CLOSE_MM * scale
    for decal in measurement.decals:
        if name == f"decal {decal.name} whole" and decal.faults and len(decal.faults[0].outline_pixel):
            camera, x, y, half = _around(decal.faults[0].camera or decal.camera, decal.faults[0].outline_pixel)
            return camera, x, y, 2.0 * half  # and the print around it
        corners = decal.nominal_pixel if decal.nominal_pixel is not None else decal.outline_pixel
        if name.startswith(f"decal {decal.name} ") and corners is not None:
            return _around(decal.camera or measurement.views[0].camera, corners)
    definition = evidence.judged_by
    curves = {cutout.name: cutout.curve.name for cutout in definition.cutouts} if definition else {}
    for cutout in measurement.cutouts:
        if name == f"cut-out {cutout.name}" or name.startswith(f"cut-out {cutout.name} "):
            drawn = [one for one in measurement.traces if one.curve == curves.get(cutout.name)]
            return _around(drawn[0].camera, drawn[0].nominal_pixel) if drawn else None
    return None


def _around(camera: str, points: Array) -> tuple[str, float, float, float]:
    low, high = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
    middle = (low + high) / 2.0
    half = max(float(high[0] - low[0]), 1.6 * float(high[1] - low[1])) * 0.65
    return camera, float(middle[0]), float(middle[1]), half


# -- charts


def charts(evidence: Evidence) -> list[Chart]:
    """The profile of each frame that a zone is judged in."""
    definition = evidence.judged_by
    if definition is None:
        judged = {zone.frame for zone in evidence.measurement.zones}
        return [_chart(evidence, one, None) for one in evidence.measurement.profiles if one.frame in judged]
    judged = {zone.frame for zone in definition.zones}
    return [_chart(evidence, one, definition) for one in evidence.measurement.profiles if one.frame in judged]


def _chart(evidence: Evidence, profile: DeviationProfile, definition: ShellDefinition | None) -> Chart:
    findings = {finding.characteristic: finding for finding in evidence.inspection.verdict.findings}
    zones = [zone for zone in definition.zones if zone.frame is profile.frame] if definition else []
    length = definition.rim.length_mm if definition else float(profile.arc_mm.max(initial=1.0))
    known = profile.deviation_mm[np.isfinite(profile.deviation_mm)]
    reach = max([abs(limit) for zone in zones for limit in (zone.limits.lower, zone.limits.upper)] or [0.5])
    reach = 1.2 * max(reach, float(np.abs(known).max(initial=0.0)))

    def x(arc_mm: float) -> float:
        return LEFT + (WIDE - LEFT - 6.0) * arc_mm / length

    def y(value: float) -> float:
        return TOP + (HIGH - TOP - BOTTOM) * (0.5 - 0.5 * value / reach)

    limits, guards, drawn, middles = [], [], [], []
    own = {zone.name: zone for zone in evidence.rests_on.definition.zones} if evidence.rests_on else {}
    for number, zone in enumerate(definition.zones if definition else (), 1):
        if zone.frame is not profile.frame:
            continue
        finding = findings.get(f"zone {zone.name}")
        guard = (finding.guard or 0.0) if finding else 0.0
        spans = [(zone.from_mm, zone.to_mm)]
        if zone.from_mm > zone.to_mm:
            spans = [(zone.from_mm, length), (0.0, zone.to_mm)]
        for begin, end in spans:
            for limit in (zone.limits.lower, zone.limits.upper):
                limits.append(f"M{x(begin):.1f} {y(limit):.1f}H{x(end):.1f}")
                low, high = y(limit - guard), y(limit + guard)
                guards.append(f"M{x(begin):.1f} {low:.1f}H{x(end):.1f}V{high:.1f}H{x(begin):.1f}Z")
            if own[zone.name].limits != zone.limits:
                drawn += [
                    f"M{x(begin):.1f} {y(limit):.1f}H{x(end):.1f}"
                    for limit in (own[zone.name].limits.lower, own[zone.name].limits.upper)
                ]
        longest = max(spans, key=lambda span: span[1] - span[0])
        middles.append(Tick(x(sum(longest) / 2.0), str(number)))
    order = np.argsort(profile.arc_mm, kind="stable")
    arc, value = profile.arc_mm[order].astype(np.float64), profile.deviation_mm[order].astype(np.float64)
    places = np.column_stack([[x(a) for a in arc], [y(v) for v in value]])
    worst = [
        (x(finding.at_arc_mm), y(finding.value))
        for zone in zones
        for finding in [findings.get(f"zone {zone.name}")]
        if finding and finding.at_arc_mm is not None and finding.value is not None
        and finding.answer is not Answer.CONFORMING
    ]  # fmt: skip
    step = next(s for s in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 1e9) if reach / s <= 5)
    ups = np.arange(-np.floor(reach / step), np.floor(reach / step) + 1) * step
    across = 100.0 if length < 1600 else 250.0
    least, most = (float(known.min()), float(known.max())) if len(known) else (np.nan, np.nan)
    return Chart(
        frame=profile.frame,
        curve=path(places, closed=False),
        limits="".join(limits),
        drawing="".join(drawn),
        guard="".join(guards),
        zero_y=y(0.0),
        x_ticks=tuple(Tick(x(at), f"{at:.0f}") for at in np.arange(0.0, length + 1e-6, across)),
        y_ticks=tuple(Tick(y(at), f"{at:+.1f}".replace("-", "−") if abs(at) > 1e-9 else "0") for at in ups.tolist()),
        zones=tuple(middles),
        worst=tuple(worst),
        words=f"deviation along {length:.0f} mm of rim, from {least:+.2f} to {most:+.2f} mm".replace("-", "−"),
    )


# -- ribbons


def ribbon_rows(evidence: Evidence) -> list[RibbonRow]:
    traces = {(one.curve, one.camera): one for one in evidence.measurement.traces}
    rim = rim_name(evidence)
    rows: list[RibbonRow] = []
    several = len({ribbon.camera for ribbon in evidence.measurement.ribbons}) > 1
    for ribbon in evidence.measurement.ribbons:
        trace = traces.get((ribbon.curve, ribbon.camera))
        if trace is None or len(trace.arc_mm) != len(ribbon.arc_mm) or len(ribbon.arc_mm) < 2:
            continue
        parts = [part for part, _ in _stretches(trace, whole=ribbon.curve != rim, rim_length=_rim_length(evidence))]
        stations = sum(len(part) for part in parts)
        for part in parts:
            count = max(1, round(ROWS * len(part) / max(stations, 1))) if ribbon.curve == rim else 1
            rows += [_row(evidence, ribbon, trace, some, several) for some in np.array_split(part, count)]
    return rows


def _row(evidence: Evidence, ribbon: Ribbon, trace: EdgeTrace, some: Index, several: bool) -> RibbonRow:
    levels = np.asarray(ribbon.levels, dtype=np.float32)
    low, high = np.nanmin(levels), np.nanmax(levels)
    grey = np.nan_to_num((levels[some] - low) / max(float(high - low), 1e-6))
    strip = np.ascontiguousarray(np.rint(255.0 * np.clip(grey, 0.0, 1.0)).astype(np.uint8).T[::-1])
    done, coded = cv2.imencode(".png", strip, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    assert done
    half = float(ribbon.d_mm[-1])
    across = np.arange(len(some)) * 1000.0 / max(len(some) - 1, 1)

    def line(d_mm: Array) -> str:
        return path(np.column_stack([across, ROW_HIGH * (0.5 - 0.5 * d_mm / half)]), closed=False)

    from_nominal = along_scan_mm(trace)[some]
    seen = (trace.flags[some] == 0) & np.isfinite(from_nominal)
    edge = np.where(seen, ribbon.edge_d_mm[some], np.nan)
    nominal = np.where(seen, ribbon.edge_d_mm[some] - from_nominal, np.nan)
    begin, end = float(ribbon.arc_mm[some[0]]), float(ribbon.arc_mm[some[-1]])
    what = "" if ribbon.curve == rim_name(evidence) else f"{ribbon.curve}, "
    camera = f", camera {ribbon.camera}" if several else ""
    return RibbonRow(
        ribbon.curve,
        ribbon.camera,
        f"{what}{begin:.0f} to {end:.0f} mm{camera}",
        base64.b64encode(coded.tobytes()).decode("ascii"),
        line(edge),
        line(nominal),
        _limits_on_ribbon(evidence, ribbon, some, nominal, across, half),
        f"±{half:.1f} mm",
    )


def _limits_on_ribbon(
    evidence: Evidence, ribbon: Ribbon, some: Index, nominal: Array, across: Array, half: float
) -> str:
    """The lines of both limits beside the nominal outline, on a ribbon of the rim."""
    if evidence.judged_by is None or ribbon.curve != rim_name(evidence):
        return ""
    lower, upper = np.full(len(some), np.nan), np.full(len(some), np.nan)
    for zone in evidence.judged_by.zones:
        inside = zone.holds(ribbon.arc_mm[some])
        lower[inside], upper[inside] = zone.limits.lower, zone.limits.upper
    lines = [np.column_stack([across, ROW_HIGH * (0.5 - 0.5 * (nominal + one) / half)]) for one in (lower, upper)]
    return " ".join(path(one, closed=False) for one in lines)


def along_scan_mm(trace: EdgeTrace) -> Array:
    """(N,) how far the edge lies from the nominal outline along its scan line, unfiltered."""
    scale = (trace.pixel_per_mm**2).sum(axis=1)
    return np.asarray(((trace.pixel - trace.nominal_pixel) * trace.pixel_per_mm).sum(axis=1) / scale)
