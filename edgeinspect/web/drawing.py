"""What is drawn over the pictures and along the rim: curves in picture pixels, profiles in mm.

Numbers only; static/*.js draws them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.conformity import Finding
from edgeinspect.geometry import Array, closed_arc_mm
from edgeinspect.measure.measurement import DeviationProfile, EdgeTrace, Ribbon, ShellMeasurement
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.web.flaws import flaw_findings_of

Point = tuple[float, float]
Numbers = list[float | None]

SEAM_MM = 14.0  # half the length of the line that marks a seam
ARROW_MM = 90.0  # length of the arrow that says which way the whole cut is off; its size is said in words


@dataclass(frozen=True)
class CurveDrawing:
    """The stretch of a curve that one camera measured, in its picture [px of the original picture, integer = pixel
    centre], station by station. Where several cameras look on, a curve may have several stretches.
    """

    curve: str
    is_rim: bool
    closed: bool  # it goes all the way round: its last station is joined to its first
    arc_mm: list[float]
    nominal_px: list[Point]
    edge_px: list[Point | None]  # None where not measured
    pixel_per_mm: list[Point]  # nominal_px + d * pixel_per_mm is the place d mm out of the material
    deviation_mm: Numbers  # what the colour shows: filtered along the rim, as measured round a cut-out


@dataclass(frozen=True)
class DecalDrawing:
    decal: str
    found_px: list[Point]  # corners of the artwork as found
    nominal_px: list[Point]  # where they belong
    fault_px: list[list[Point]]  # around each place where it is not whole


@dataclass(frozen=True)
class SeamDrawing:
    """Where one camera ends and the next goes on: a line across the edge in one of their pictures."""

    arc_mm: float
    from_px: Point  # inside the material
    to_px: Point
    words: str


@dataclass(frozen=True)
class PictureDrawing:
    """Everything drawn over one camera's picture."""

    camera: str
    width_px: int
    height_px: int
    curves: list[CurveDrawing]
    decals: list[DecalDrawing]
    seams: list[SeamDrawing]
    colour: bool  # decals' colours were read in it


@dataclass(frozen=True)
class Place:
    """Where to look: one place in one picture, or which way the whole cut is off, from the place to ``to_px``."""

    camera: str
    x_px: float
    y_px: float
    words: str
    to_px: Point | None = None


@dataclass(frozen=True)
class ProfileDrawing:
    frame: str
    arc_mm: list[float]
    deviation_mm: Numbers
    u_mm: Numbers


@dataclass(frozen=True)
class RibbonDrawing:
    """A ribbon as a strip: its picture has one column a station and one row a sample, out of the material upwards."""

    curve: str
    camera: str
    picture_url: str
    arc_mm: list[float]
    d_from_mm: float
    d_to_mm: float
    samples: int
    edge_d_mm: Numbers
    nominal_d_mm: Numbers  # the nominal outline on the same scan lines, as the shell's datums place it


def rounded(values: Array, digits: int) -> list[float]:
    """As JSON wants them; all at once, because a page has fifty thousand."""
    listed: list[float] = np.round(values.astype(np.float64), digits).tolist()
    return listed


def numbers(values: Array, digits: int) -> Numbers:
    """Rounded, None for nan."""
    finite = np.isfinite(values)
    if finite.all():
        return [*rounded(values, digits)]
    return [value if ok else None for value, ok in zip(rounded(values, digits), finite.tolist(), strict=True)]


def points(values: Array, digits: int = 3) -> list[Point]:
    xs, ys = rounded(values[:, 0], digits), rounded(values[:, 1], digits)
    return list(zip(xs, ys, strict=True))


def measured(trace: EdgeTrace) -> NDArray[np.bool_]:
    return np.asarray((trace.flags == 0) & np.isfinite(trace.pixel).all(axis=1), dtype=np.bool_)


def along_scan_mm(trace: EdgeTrace) -> Array:
    """Distance (N,) [mm] of the measured edge from the nominal outline along its scan line, nan where not measured."""
    step = trace.pixel_per_mm
    with np.errstate(invalid="ignore", divide="ignore"):
        d = np.sum((trace.pixel - trace.nominal_pixel) * step, axis=1) / np.sum(step * step, axis=1)
    return np.where(measured(trace), d, np.nan)


def rim_name(measurement: ShellMeasurement) -> str | None:
    """The longest curve traced is the rim."""
    if not measurement.traces:
        return None
    return max(measurement.traces, key=lambda trace: float(trace.arc_mm[-1]) if len(trace.arc_mm) else 0.0).curve


def judged_profile(measurement: ShellMeasurement) -> DeviationProfile | None:
    """The profile in the frame that most zones are judged in."""
    frames = Counter(zone.frame for zone in measurement.zones)
    order = [frame for frame, _ in frames.most_common()]
    return min(
        measurement.profiles, key=lambda one: order.index(one.frame) if one.frame in order else len(order), default=None
    )


def _filtered_mm(trace: EdgeTrace, profile: DeviationProfile) -> Array:
    """The filtered deviation at the stations of a rim trace, nan where the station itself was not seen, however near
    the next one is, and where the profile has no value within 1 mm.
    """
    good = np.flatnonzero(np.isfinite(profile.deviation_mm))
    if not len(good):
        return np.full(len(trace.arc_mm), np.nan)
    good = good[np.argsort(profile.arc_mm[good])]
    arc = profile.arc_mm[good]
    value = np.interp(trace.arc_mm, arc, profile.deviation_mm[good])
    after = np.clip(np.searchsorted(arc, trace.arc_mm), 0, len(arc) - 1)
    gap = np.minimum(np.abs(arc[after] - trace.arc_mm), np.abs(arc[np.maximum(after - 1, 0)] - trace.arc_mm))
    return np.where(measured(trace) & (gap <= 1.0), value, np.nan)


def stretches(trace: EdgeTrace, measurement: ShellMeasurement) -> tuple[list[NDArray[np.intp]], bool]:
    """Stations of a trace that follow each other along the curve, one array for each stretch, and whether they go all
    the way round. A camera that shares the curve with others has gaps.
    """
    count = len(trace.arc_mm)
    if count < 2:
        return ([np.arange(count)] if count else []), False
    step = float(np.median(np.diff(trace.arc_mm)))
    ends = (one.arc_mm[-1] for one in measurement.traces if one.curve == trace.curve and len(one.arc_mm))
    length = float(max(ends)) + step  # of the whole curve, to within a step
    parts = np.split(np.arange(count), np.flatnonzero(np.diff(trace.arc_mm) > 2 * step) + 1)
    over_start = trace.arc_mm[0] + length - trace.arc_mm[-1] <= 2 * step
    closed = bool(over_start) and len(parts) == 1
    if over_start and len(parts) > 1:
        parts = [np.concatenate([parts[-1], parts[0]]), *parts[1:-1]]
    return parts, closed


def curve_drawings(trace: EdgeTrace, measurement: ShellMeasurement, every: int = 1) -> list[CurveDrawing]:
    """``trace`` with each ``every``-th station."""
    is_rim = trace.curve == rim_name(measurement)
    profile = judged_profile(measurement) if is_rim else None
    deviation = along_scan_mm(trace) if profile is None else _filtered_mm(trace, profile)
    seen, (parts, closed) = measured(trace), stretches(trace, measurement)
    drawings = []
    for part in parts:
        pick = part[::every] if closed else np.append(part[:-1:every], part[-1:])  # both ends are drawn
        edge = zip(points(trace.pixel[pick]), seen[pick].tolist(), strict=True)
        drawings.append(
            CurveDrawing(
                curve=trace.curve,
                is_rim=is_rim,
                closed=closed,
                arc_mm=rounded(trace.arc_mm[pick], 3),
                nominal_px=points(trace.nominal_pixel[pick]),
                edge_px=[place if ok else None for place, ok in edge],
                pixel_per_mm=points(trace.pixel_per_mm[pick], 4),
                deviation_mm=numbers(deviation[pick], 4),
            )
        )
    return drawings


def seam_drawings(measurement: ShellMeasurement, camera: str) -> list[SeamDrawing]:
    """In the picture of one camera, those where it begins or ends."""
    rim = rim_name(measurement)
    trace = next((one for one in measurement.traces if (one.curve, one.camera) == (rim, camera)), None)
    drawings = []
    for seam in measurement.seams:
        if trace is None or camera not in (seam.before, seam.after):
            continue
        at = int(np.abs(trace.arc_mm - seam.arc_mm).argmin())
        across = SEAM_MM * trace.pixel_per_mm[at]
        inner, outer = points(np.array([trace.nominal_pixel[at] - across, trace.nominal_pixel[at] + across]), 2)
        other = f"camera {seam.before if camera == seam.after else seam.after} goes on here"
        drawings.append(SeamDrawing(round(float(seam.arc_mm), 2), inner, outer, other))
    return drawings


def picture_drawing(
    measurement: ShellMeasurement, camera: str, size_px: tuple[int, int], every_rim: int = 1
) -> PictureDrawing:
    rim = rim_name(measurement)
    return PictureDrawing(
        camera=camera,
        width_px=size_px[0],
        height_px=size_px[1],
        curves=[
            drawing
            for trace in measurement.traces
            if trace.camera == camera
            for drawing in curve_drawings(
                trace, measurement, every_rim if trace.curve == rim else max(1, every_rim // 2)
            )
        ],
        decals=[
            DecalDrawing(
                decal.name,
                points(decal.outline_pixel),
                points(decal.nominal_pixel),
                [points(fault.outline_pixel) for fault in decal.faults if fault.camera in ("", camera)],
            )
            for decal in measurement.decals
            if decal.outline_pixel is not None and decal.nominal_pixel is not None and decal.camera in ("", camera)
        ],
        seams=seam_drawings(measurement, camera),
        colour=any(decal.colour is not None and decal.colour.camera == camera for decal in measurement.decals),
    )


def profile_drawings(measurement: ShellMeasurement) -> list[ProfileDrawing]:
    """In order of arc length, the judged one first."""
    judged = judged_profile(measurement)
    drawings = []
    for profile in sorted(measurement.profiles, key=lambda one: one is not judged):
        order = np.argsort(profile.arc_mm, kind="stable")
        drawings.append(
            ProfileDrawing(
                frame=profile.frame.value,
                arc_mm=rounded(profile.arc_mm[order], 3),
                deviation_mm=numbers(profile.deviation_mm[order], 4),
                u_mm=numbers(profile.u_mm[order], 4),
            )
        )
    return drawings


def ribbon_drawing(ribbon: Ribbon, measurement: ShellMeasurement, picture_url: str) -> RibbonDrawing:
    """The strip and the two lines over it.

    Its scan lines were laid about the cut, so the nominal outline wanders on it.
    """
    edge = nominal = np.full(len(ribbon.arc_mm), np.nan)
    for trace in measurement.traces:
        if trace.curve == ribbon.curve and trace.camera == ribbon.camera and len(trace.arc_mm) == len(ribbon.arc_mm):
            from_nominal = along_scan_mm(trace)
            edge = np.where(np.isfinite(from_nominal), ribbon.edge_d_mm, np.nan)
            nominal = ribbon.edge_d_mm - from_nominal
    return RibbonDrawing(
        curve=ribbon.curve,
        camera=ribbon.camera,
        picture_url=picture_url,
        arc_mm=rounded(ribbon.arc_mm, 3),
        d_from_mm=round(float(ribbon.d_mm[0]), 4),
        d_to_mm=round(float(ribbon.d_mm[-1]), 4),
        samples=len(ribbon.d_mm),
        edge_d_mm=numbers(edge, 4),
        nominal_d_mm=numbers(nominal, 4),
    )


def ribbon_png(ribbon: Ribbon) -> bytes:
    """The ribbon as an 8-bit grey PNG, stretched to its own range of levels: stations from left to right, out of the
    material upwards.
    """
    levels = np.asarray(ribbon.levels, dtype=np.float32)
    finite = levels[np.isfinite(levels)]
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
    grey = np.nan_to_num((levels - low) / max(high - low, 1e-6), nan=0.0)
    strip = np.ascontiguousarray(np.rint(255.0 * np.clip(grey, 0.0, 1.0)).astype(np.uint8).T[::-1])
    done, coded = cv2.imencode(".png", strip, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    if not done:
        raise ValueError("the ribbon could not be written as PNG")
    return coded.tobytes()


def place_of(finding: Finding, measurement: ShellMeasurement, definition: ShellDefinition | None) -> Place | None:
    """Where in the pictures a finding lies, None where no picture shows it."""
    return places_of(measurement, definition)(finding)


def places_of(measurement: ShellMeasurement, definition: ShellDefinition | None) -> Callable[[Finding], Place | None]:
    """``place_of`` for many findings of one measurement."""
    rim = [trace for trace in measurement.traces if trace.curve == rim_name(measurement) and len(trace.arc_mm)]
    plans: dict[str, Callable[[Point], Point]] = {}  # by camera, made when asked for
    who = {f"cut-out {one.name}": one.camera for one in measurement.cutouts}
    who |= {f"decal {one.name}": one.camera for one in measurement.decals}
    flaws = flaw_findings_of(measurement)

    def plan(camera: str) -> tuple[str, Callable[[Point], Point]] | None:
        trace = next((one for one in rim if one.camera == camera), rim[0] if rim else None)
        if trace is None or definition is None:
            return None
        if trace.camera not in plans:
            plans[trace.camera] = _plan_to_pixel(trace, definition)
        return trace.camera, plans[trace.camera]

    def place(finding: Finding) -> Place | None:
        arc, flaw = finding.at_arc_mm, flaws.get(finding.characteristic)
        if flaw is not None:
            return Place(flaw.camera, float(flaw.pixel[0]), float(flaw.pixel[1]), finding.where)
        if arc is not None and rim:
            return _at_arc(rim, arc, finding.where)
        measured_by = next((camera for name, camera in who.items() if finding.characteristic.startswith(name)), "")
        found = plan(measured_by)
        if found is None or definition is None:
            return None
        camera, to_pixel = found
        if finding.at_shell_mm is not None:
            return Place(camera, *to_pixel(finding.at_shell_mm), finding.where)
        if finding.characteristic == "path shift" and measurement.cut is not None:
            shift = measurement.cut.shift
            reach = ARROW_MM / max(float(np.hypot(shift.dx_mm, shift.dy_mm)), 1e-6)
            x_mm, y_mm = (float(value) for value in definition.rim.points_mm[:, :2].mean(axis=0))
            to = to_pixel((x_mm + reach * shift.dx_mm, y_mm + reach * shift.dy_mm))
            return Place(camera, *to_pixel((x_mm, y_mm)), finding.where, to)
        return None

    return place


def _at_arc(rim: list[EdgeTrace], arc_mm: float, where: str) -> Place:
    """A place on the rim in the picture of the camera that measured it."""
    trace = min(rim, key=lambda one: float(np.abs(one.arc_mm - arc_mm).min()))
    at = int(np.abs(trace.arc_mm - arc_mm).argmin())
    seen = trace.flags[at] == 0 and np.isfinite(trace.pixel[at]).all()
    pixel = trace.pixel[at] if seen else trace.nominal_pixel[at]
    return Place(trace.camera, float(pixel[0]), float(pixel[1]), where)


def _plan_to_pixel(rim: EdgeTrace, definition: ShellDefinition) -> Callable[[Point], Point]:
    """Picture position of a place in the shell's plan, good to a few pixels: enough to put a ring round it."""
    arc, length = closed_arc_mm(definition.rim.points_mm)
    whole = np.append(arc, length)
    xy = np.vstack([definition.rim.points_mm, definition.rim.points_mm[:1]])[:, :2]
    few = slice(None, None, 8)  # three numbers a coordinate are looked for
    at, pixel = rim.arc_mm[few], rim.nominal_pixel[few]
    plan = np.column_stack([np.interp(at, whole, xy[:, k]) for k in (0, 1)])
    known = np.isfinite(pixel).all(axis=1)
    terms = np.column_stack([plan, np.ones(len(plan))])[known]
    fit, *_ = np.linalg.lstsq(terms, pixel[known], rcond=None)

    def to_pixel(place_mm: Point) -> Point:
        x, y = np.array([*place_mm, 1.0]) @ fit
        return float(x), float(y)

    return to_pixel
