"""Plausible inspections of the lid, for each answer and more.

Nothing here is measured: deviations are written down and pictures are drawn from them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeinspect.conformity import judge
from edgeinspect.geometry import PlaneShift, Pose, closed_arc_mm
from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.measure.measurement import (
    Alignment,
    CameraView,
    CutOutResult,
    DecalColour,
    DecalResult,
    DeviationProfile,
    EdgeTrace,
    Flag,
    FlawKind,
    FlawResult,
    InkColour,
    Quantity,
    Ribbon,
    Share,
    ShellMeasurement,
    Stop,
    ZoneResult,
)
from edgeinspect.shell.definition import Check, Frame, ShellDefinition

from .samples import HEIGHT_PX, PX_PER_MM, WIDTH_PX, Array, badge, circle_xy, height_mm, lifted, rim_xy, slot_xy, to_px

KINDS = ("good", "bad", "close", "none", "hole", "decal", "flaws")


@cache
def _stations(step_mm: float, which: str) -> tuple[Array, Array, Array, float]:
    """Arc lengths, plan places, trim normals (out of the material), whole length, of one curve of the lid."""
    sources = {
        "rim": rim_xy(),
        "lock_hole": circle_xy(0.0, -118.0, 12.0),
        "hinge_left": slot_xy(-110.0, 118.0, 30.0, 8.0),
        "hinge_right": slot_xy(110.0, 118.0, 30.0, 8.0),
    }
    points = lifted(sources[which])
    arc, length = closed_arc_mm(points)
    at = np.arange(0.0, length, step_mm)
    whole = np.vstack([points, points[:1]])[:, :2]
    xy = np.column_stack([np.interp(at, np.append(arc, length), whole[:, k]) for k in (0, 1)])
    run = np.roll(xy, -1, axis=0) - np.roll(xy, 1, axis=0)
    run /= np.linalg.norm(run, axis=1)[:, None]
    normal = np.column_stack([run[:, 1], -run[:, 0]]) * (1.0 if which == "rim" else -1.0)
    return at, xy, normal, length


def _deviation(kind: str, arc: Array, length: float) -> Array:
    share = arc / length
    wave = 0.09 * np.sin(2 * np.pi * 2 * share + 0.7) + 0.05 * np.sin(2 * np.pi * 5 * share)
    noise = np.convolve(np.random.default_rng(5).normal(0, 0.03, len(arc) + 8), np.ones(9) / 9, "valid")
    peak = {"bad": (0.295, 0.66), "close": (0.70, -0.46)}.get(kind, (0.5, 0.0))
    bump = peak[1] * np.exp(-(((share - peak[0]) / 0.02) ** 2))
    return np.asarray(wave + noise + bump)


def _trace(kind: str, which: str) -> EdgeTrace:
    arc, xy, normal, length = _stations(0.5, which)
    d = _deviation(kind, arc, length) if which == "rim" else np.full(len(arc), 0.03)
    flags = np.zeros(len(arc), np.int32)
    if which == "rim":
        flags[(arc > 1010) & (arc < 1012)] = Flag.LOW_CONTRAST
    nominal = to_px(xy)
    step = PX_PER_MM * normal * [1, -1]
    pixel = nominal + d[:, None] * step
    pixel[flags != 0] = np.nan
    point = np.column_stack([xy + d[:, None] * normal, height_mm(xy) + 60.0])
    return EdgeTrace(
        which, "top", arc, pixel, point, np.full(len(arc), 0.012), np.full(len(arc), 0.4), nominal, step, flags
    )


def _ribbon(trace: EdgeTrace, d_true: Array) -> Ribbon:
    d = np.linspace(-3.0, 3.0, 41)
    shade = np.array([[0.5 - 0.5 * math.erf((x - at) / 0.6) for x in d] for at in d_true[::4]])
    levels = 0.05 + 0.4 * np.repeat(shade, 4, axis=0)[: len(d_true)]
    levels += np.random.default_rng(1).normal(0, 0.006, levels.shape)
    return Ribbon(trace.curve, "top", trace.arc_mm, d, levels.astype(np.float32), d_true)


SHARES = (
    Share("picture noise", 0.006),
    Share("calibration", 0.012),
    Share("height of the rim", 0.015),
    Share("datum pips", 0.010),
    Share("temperature", 0.018),
)


def quantity(value: float, u: float = 0.028) -> Quantity:
    return Quantity(value, u, SHARES)


def _zones(kind: str, definition: ShellDefinition, profile: DeviationProfile) -> tuple[ZoneResult, ...]:
    rows = []
    for zone in definition.zones:
        inside = np.flatnonzero(zone.holds(profile.arc_mm))
        values = profile.deviation_mm[inside]
        most, least = inside[np.nanargmax(values)], inside[np.nanargmin(values)]
        rows.append(
            ZoneResult(
                zone.name,
                Frame.DATUM,
                quantity(float(profile.deviation_mm[most])),
                float(profile.arc_mm[most]),
                quantity(float(profile.deviation_mm[least])),
                float(profile.arc_mm[least]),
                0.5 * len(inside),
                0.5 * float(np.isfinite(values).sum()),
            )
        )
    return tuple(rows)


def _measure(kind: str, definition: ShellDefinition) -> ShellMeasurement:
    view = CameraView(
        "top",
        "top-20241125-1f3c",
        Pose.identity(),
        0.02,
        8,
        8,
        0.021,
        0.97,
        0.81,
        (("marks 0 to 1", 430.0, 430.02), ("marks 1 to 2", 320.0, 319.99)),
    )
    measurement = ShellMeasurement(
        definition.name, definition.revision, definition.sha256, "standard", frozenset(Check), 22.5, True, 1.0, (view,)
    )
    if kind == "none":
        blind = replace(view, fixture_pose=None, marks_seen=0, mark_residual_px=math.nan, grey_ratio=0.02, lengths=())
        stop = Stop("marks", "camera top sees none of the 8 fixture marks", "Clear the lens of camera top, look again")
        return replace(measurement, views=(blind,), stops=(stop,))
    traces = [_trace(kind, "rim"), _trace(kind, "hinge_left"), _trace(kind, "hinge_right")]
    if kind != "hole":
        traces.append(_trace(kind, "lock_hole"))
    rim = traces[0]
    d = _deviation(kind, rim.arc_mm, float(_stations(0.5, "rim")[3]))
    seen = np.where(rim.flags == 0, d, np.nan)
    datum = DeviationProfile(Frame.DATUM, rim.arc_mm, seen, np.full(len(d), 0.028) + 0.006 * np.sin(rim.arc_mm / 90))
    fixture = DeviationProfile(
        Frame.FIXTURE, rim.arc_mm, seen + 0.08 * np.sin(rim.arc_mm / 210), np.full(len(d), 0.022)
    )
    form = DeviationProfile(Frame.BEST_FIT, rim.arc_mm, seen - float(np.nanmean(seen)), np.full(len(d), 0.02))
    up = 1.24 if kind == "decal" else 0.21
    turn = -0.4 if kind == "decal" else 0.1
    box = np.array([[-55, 22.5], [55, 22.5], [55, -22.5], [-55, -22.5]], dtype=float)
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    found = box @ np.array([[c, s], [-s, c]]) + [0.0, up]
    return replace(
        measurement,
        traces=tuple(traces),
        ribbons=tuple(
            _ribbon(trace, d if trace.curve == "rim" else np.full(len(trace.arc_mm), 0.03)) for trace in traces
        ),
        cut=Alignment("cut - fixture", PlaneShift(0.08, -0.07, 0.012), 0.006, 0.006, 0.002, 0.081),
        seating=Alignment("shell - fixture", PlaneShift(0.21, 0.13, -0.020), 0.010, 0.010, 0.004, 0.012),
        best_fit=Alignment("form only", PlaneShift(0.05, -0.06, 0.010), 0.006, 0.006, 0.002, 0.078),
        profiles=(fixture, form, datum),
        zones=_zones(kind, definition, datum),
        path_shift=quantity(0.11, 0.02),
        path_rotation=quantity(0.012, 0.004),
        cutouts=(
            CutOutResult("lock-hole", False)
            if kind == "hole"
            else CutOutResult("lock-hole", True, quantity(0.03), quantity(-0.02), (quantity(24.05),), 0.98),
            CutOutResult(
                "hinge-slot-left", True, quantity(0.01), quantity(0.04), (quantity(29.94), quantity(8.02)), 1.0
            ),
            CutOutResult(
                "hinge-slot-right", True, quantity(-0.02), quantity(0.03), (quantity(30.01), quantity(8.04)), 1.0
            ),
        ),
        decals=(
            DecalResult(
                "badge",
                True,
                quantity(-0.31, 0.05),
                quantity(up, 0.05),
                quantity(turn, 0.05),
                0.97,
                to_px(found + np.array([0.0, -20.0])),
                to_px(box + np.array([0.0, -20.0])),
                colour=colours_of_badge(),
            ),
        ),
        flaws=flaws_of(traces) if kind == "flaws" else (),
        flaws_sought=True,
        notes=("camera top has moved 0.02 mm: compensated",),
    )


def colours_of_badge() -> DecalColour:
    """Three inks: one as it should be, one off, one printed too fine to be told."""
    black, amber, white = np.array([18.0, 0.5, -3.0]), np.array([72.0, 24.0, 68.0]), np.array([93.0, 0.0, 2.0])
    inks = (
        InkColour("black", black, 3900.0, 3200.0, 7.0, black + 0.3, quantity(0.4, 0.6)),
        InkColour("amber", amber, 300.0, 160.0, 3.0, amber + np.array([0, 4, -9]), quantity(4.4, 0.6)),
        InkColour("white", white, 40.0, 0.0, 3.0),
    )
    return DecalColour("tint", "D50", 25.0, "", "", quantity(4.4, 0.6), "amber", np.array([-40.0, 2.0]), 1.0, inks)


def flaws_of(traces: list[EdgeTrace]) -> tuple[FlawResult, ...]:
    """A nick in the rim of each camera, too long and too deep, and a strand on the left hinge slot."""
    rim = [(trace, FlawKind.NICK, 0.4) for trace in traces if trace.curve in ("rim", "outline")]
    slot = [(trace, FlawKind.STRAND, 0.5) for trace in traces if trace.curve == "hinge_left"]
    found = []
    for trace, kind, share in rim + slot:
        at = int(share * len(trace.arc_mm))
        pixel, out = trace.nominal_pixel[at], trace.pixel_per_mm[at]
        along = np.array([-out[1], out[0]])
        side = -0.8 if kind is FlawKind.NICK else 0.8
        corners = [pixel - along, pixel + along, pixel + along + side * out, pixel - along + side * out]
        arc = float(trace.arc_mm[at])
        found.append(
            FlawResult(
                kind, trace.curve, trace.camera, arc, quantity(1.5, 0.05), quantity(0.7, 0.03), 0.6,
                trace.point_mm[at], pixel, np.array(corners),
            )
        )  # fmt: skip
    return tuple(found)


def _iso(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def make_inspection(
    kind: str, shell_id: str, definition: ShellDefinition, *, age_s: float = 0.0, **changes: Any
) -> Inspection:
    """One of KINDS, finished ``age_s`` ago."""
    measurement = _measure(kind, definition)
    done = datetime.now(UTC) - timedelta(seconds=age_s)
    picture = PictureFile(
        "top", f"{shell_id}_top.png", f"{abs(hash((kind, shell_id))):064x}", "0" * 64, _iso(done - timedelta(seconds=3))
    )
    whole = Inspection(
        shell_id=shell_id,
        attempt=1,
        station="trim-1",
        started_at=_iso(done - timedelta(seconds=2)),
        finished_at=_iso(done),
        expected=Expected("toplid", "standard", 22.5),
        pictures=(picture,),
        measurement=measurement,
        verdict=judge(measurement, definition),
        software="0.1.0",
    )
    return replace(whole, **changes)


def draw_picture(inspection: Inspection) -> NDArray[np.uint8]:
    """A picture that fits the inspection well enough to look at."""
    rng = np.random.default_rng(3)
    picture = np.full((HEIGHT_PX, WIDTH_PX), 16.0, np.float32)
    if not inspection.measurement.traces:
        return np.clip(picture * 0.3 + rng.normal(0, 1, picture.shape), 0, 255).astype(np.uint8)

    def fill(points: Array, level: float) -> None:
        cv2.fillPoly(picture, [np.rint(points * 16).astype(np.int32)], level, cv2.LINE_AA, 4)

    for at, centre in enumerate(
        [(-215, 160), (215, 160), (215, -160), (-215, -160), (0, 168), (227, 0), (0, -168), (-227, 0)]
    ):
        half = 16.0 if at < 4 else 9.3
        corner = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
        fill(to_px(np.array(centre) + half * corner), 225)
        fill(to_px(np.array(centre) + 0.78 * half * corner), 10)
        fill(to_px(np.array(centre) + 0.3 * half * corner), 225)
    fill(to_px(np.array([110, 168]) + np.array([[-12, 6], [12, 6], [12, -6], [-12, -6]])), 125)
    for trace in inspection.measurement.traces:
        edge = np.where(np.isfinite(trace.pixel), trace.pixel, trace.nominal_pixel)
        fill(edge, 112 if trace.curve == "rim" else 18)
    yy, xx = np.mgrid[0:HEIGHT_PX, 0:WIDTH_PX]
    picture *= (1.08 - 0.22 * ((xx - 800) / 1600) ** 2 - 0.3 * ((yy - 560) / 1200) ** 2).astype(np.float32)
    for decal in inspection.measurement.decals:
        if decal.outline_pixel is None:
            continue
        art = badge(1100, 450)
        corners = np.array([[0, 0], [1099, 0], [1099, 449], [0, 449]], np.float32)
        warp = cv2.getPerspectiveTransform(corners, decal.outline_pixel.astype(np.float32))
        laid = cv2.warpPerspective(art, warp, (WIDTH_PX, HEIGHT_PX), flags=cv2.INTER_AREA)
        there = cv2.warpPerspective(np.full_like(art, 255), warp, (WIDTH_PX, HEIGHT_PX)) > 127
        picture[there] = laid[there] * 0.8
    picture = cv2.GaussianBlur(picture, (0, 0), 0.9) + rng.normal(0, 1.5, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def encode(picture: NDArray[np.uint8]) -> tuple[bytes, bytes]:
    """The picture as PNG (as it came in) and as JPEG (for looking)."""
    png, jpeg = cv2.imencode(".png", picture)[1], cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])[1]
    return png.tobytes(), jpeg.tobytes()
