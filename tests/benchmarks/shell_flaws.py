"""Flaws on whole shells, and good ones among clutter: ``python -m tests.benchmarks.shell_flaws FOLDER [COUNT]``.

Shells, stations and their calibrations are those of shell_draws, all at 0.2 mm a pixel. Every other shell is spoilt
(three nicks, three burrs, two strands round its rim; good light only, so fewer of them), the others are good: dim,
faint and out-of-focus ones too, with chips, scratches, clamps, hot pixels and a soft shadow in view, which touch no
edge but for scratches that end at one. One line a shell in FOLDER/flaws.jsonl, which is gone on with; ``FOLDER table``
only prints what it holds.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure.measurement import FlawResult, ShellMeasurement
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check
from edgeinspect.simulate import fast
from edgeinspect.simulate.flaws import Flaw
from edgeinspect.simulate.light import exposed_quickly
from edgeinspect.simulate.scene import CutShell, Scene
from edgeinspect.simulate.truth import in_zone

from .flaws import NEAR_MM, share
from .resumed import Row, go_on, rows
from .shell_draws import Drawn, DrawnShell, drawn, shell

ON_A_SHELL = ["nick"] * 3 + ["burr"] * 3 + ["strand"] * 2
SHELLS, EACH = 2000, 80  # of one station: half of them good
FINE = 4  # clutter is drawn so much finer than the picture
Picture = NDArray[np.float64]


def stations() -> Iterator[int]:
    """Numbers of those at 0.2 mm a pixel, in turn with a foil and a sheet of 3 mm."""
    number = 0
    while True:
        yield from (number, number + 1)
        number += 4


def spoiled(cut: CutShell, random: np.random.Generator) -> CutShell:
    """With flaws far apart round its rim, not where two zones meet at a corner of the cable notch."""
    length = cut.form.rim().length_mm
    room = length / len(ON_A_SHELL)
    made = []
    for place, kind in enumerate(random.permutation(ON_A_SHELL).tolist()):
        arc = (room * (place + 0.5) + random.uniform(-0.35, 0.35) * room) % length
        while in_zone(np.array([arc]), "cable-notch", cut.form)[0]:
            arc = (arc + 2.0) % length
        if kind == "strand":
            made.append(Flaw(kind, float(arc), float(random.uniform(5.0, 9.0)), float(random.uniform(0.8, 2.2))))
        else:
            made.append(Flaw(kind, float(arc), float(random.uniform(0.6, 2.0)), float(random.uniform(0.3, 0.6))))
    return replace(cut, flaws=tuple(made))


def cluttered(scene: Scene, random: np.random.Generator) -> NDArray[np.uint8]:
    """The picture with what lies about: sizes as in flaws.good, brightnesses relative to the sheet's."""
    light, cut = fast.picture(scene), scene.shell
    assert cut is not None
    rim, camera = cut.lifted(cut.rim_xy()), scene.camera
    outside = np.asarray(cut.form.rim().normals)

    def at(along_out: Array, place: int) -> Array:
        """Places (N, 2) in the picture of (along, out) from one place of the rim."""
        turned = cut.seating.rotation[:2, :2] @ outside[place]
        tangent = np.array([-turned[1], turned[0]])
        xy = rim[place, :2] + along_out[:, :1] * tangent + along_out[:, 1:] * turned
        return camera.project(np.column_stack([xy, np.full(len(xy), rim[place, 2])]))

    curves = [cut.lifted(curve.xy_mm) for curve in cut.curves().values()]
    edges = shapely.MultiLineString([camera.project(np.vstack([one, one[:1]])) for one in curves])
    per_mm = float(np.linalg.norm(np.diff(camera.project(rim[:2]), axis=0)) / np.linalg.norm(rim[1] - rim[0]))

    whole, *holes = (shapely.Polygon(camera.project(one)) for one in curves)
    face = whole.difference(shapely.union_all(holes)).buffer(-0.15 * per_mm)

    def clear(line: Array, width_mm: float, of_mm: float) -> bool:
        """Whether a piece lies so far from every edge."""
        return bool(shapely.LineString(line).distance(edges) > (of_mm + 0.5 * width_mm) * per_mm)

    def level_at(pixel: Array) -> float:
        column, row = (round(float(v)) for v in pixel)
        return float(light[np.clip(row, 0, light.shape[0] - 1), np.clip(column, 0, light.shape[1] - 1)])

    for _ in range(10):  # chips
        bend, off = random.uniform(-1, 1, 2), random.uniform(1.7, 3.0) * (1 if random.random() < 0.7 else -1)
        ends = np.array([(0.0, off), (bend[0], off + np.sign(off) * abs(bend[1]))])
        line, width = at(ends, int(random.integers(len(rim)))), random.uniform(0.2, 0.8)
        if clear(line, width, 1.3):
            _draw(light, line, width * per_mm, scene.sensor.blur_px, random.uniform(0.2, 0.6))
    for _ in range(3):  # scratches; some end at the edge
        depth = 0.2 if random.random() < 0.3 else random.uniform(0.5, 3.0)
        ends = np.array([(0.0, -depth), (random.uniform(-15, 15), -depth - random.uniform(3.0, 20.0))])
        # Square ends: its corners must not stand out of the edge.
        piece = shapely.LineString(at(ends, int(random.integers(len(rim))))).intersection(face)
        if piece.geom_type != "LineString" or piece.is_empty:
            continue
        line = np.asarray(piece.coords)
        level = level_at(line.mean(axis=0)) * (1 + random.uniform(-0.2, 0.2))
        _draw(light, line, random.uniform(0.1, 0.2) * per_mm, scene.sensor.blur_px, level)
    for _ in range(2):  # clamps: on the face, and beside the shell
        way, half = (1.0 if random.random() < 0.5 else -1.0), random.uniform(3.0, 8.0)
        middle = np.array([(-half, way * 7.2), (half, way * 7.2)])
        line = at(middle, int(random.integers(len(rim))))
        if clear(line, 10.0, 1.7):
            _draw(light, line, 10.0 * per_mm, scene.sensor.blur_px, random.uniform(0.1, 0.7))
    rows_, columns = light.shape
    x, y = np.meshgrid(np.linspace(-1, 1, columns), np.linspace(-1, 1, rows_))
    angle, place = random.uniform(0, np.pi), random.uniform(-0.6, 0.6)
    across = np.abs(np.cos(angle) * x + np.sin(angle) * y - place)
    band = 1.0 / (1.0 + np.exp((across - random.uniform(0.1, 0.4)) / random.uniform(0.05, 0.12)))
    seen = exposed_quickly(scene, light * (1.0 - random.uniform(0.0, 0.3) * band))
    hot = random.uniform(0.0, 1.0, (40, 2)) * [columns - 1, rows_ - 1]
    seen[hot[:, 1].astype(int), hot[:, 0].astype(int)] = 242
    return seen


def _draw(light: Picture, line: Array, width_px: float, blur_px: float, level: float) -> None:
    """A straight piece (2, 2) with square ends, as blurred as the picture."""
    way = (line[1] - line[0]) / max(float(np.linalg.norm(line[1] - line[0])), 1e-6)
    aside = 0.5 * width_px * np.array([-way[1], way[0]])
    corners = np.array([line[0] + aside, line[1] + aside, line[1] - aside, line[0] - aside])
    low = np.floor(corners.min(axis=0)).astype(int) - 5
    high = np.ceil(corners.max(axis=0)).astype(int) + 6
    low, high = np.maximum(low, 0), np.minimum(high, np.array(light.shape[::-1]))
    if (high - low < 2).any():
        return
    mask = np.zeros(((high[1] - low[1]) * FINE, (high[0] - low[0]) * FINE), dtype=np.uint8)
    fine = ((corners - low + 0.5) * FINE - 0.5) * 16
    cv2.fillPoly(mask, [np.rint(fine).astype(np.int32)], 255, lineType=cv2.LINE_8, shift=4)
    soft = cv2.GaussianBlur(mask.astype(np.float32) / 255.0, (0, 0), blur_px * FINE)
    cover = cv2.resize(soft, (int(high[0] - low[0]), int(high[1] - low[1])), interpolation=cv2.INTER_AREA)
    window = light[low[1] : high[1], low[0] : high[0]]
    window += cover * (level - window)


def measured(at: Drawn, one: DrawnShell, levels: NDArray[np.uint8]) -> ShellMeasurement:
    return at.gauge.measure("standard", {"top": levels}, Temperature(one.stated_c), frozenset({Check.TRIM}))


def _plain(flaw: FlawResult) -> list[Any]:
    return [flaw.kind.value, flaw.curve, *(round(v, 3) for v in (flaw.arc_mm, flaw.length.value, flaw.depth.value))]


def good_line(at: Drawn, number: int) -> Row:
    one = shell(at, number)
    found = measured(at, one, cluttered(one.seen, np.random.default_rng([at.number, number, 61])))
    row = {"condition": one.condition, "colour": one.colour, "sheet_mm": at.sheet_mm}
    return row | {"stop": [stop.reason for stop in found.stops], "false": [_plain(flaw) for flaw in found.flaws]}


def spoilt_line(at: Drawn, number: int) -> Row:
    one = shell(at, number)
    row: Row = {"condition": one.condition, "colour": one.colour, "sheet_mm": at.sheet_mm}
    if one.condition != "good":
        return row | {"left_out": True}
    assert one.seen.shell is not None
    cut = spoiled(one.seen.shell, np.random.default_rng([at.number, number, 62]))
    found = measured(at, one, fast.render_quickly(replace(one.seen, shell=cut)))
    length, used, told = cut.form.rim().length_mm, set[int](), []
    for flaw in cut.flaws:
        away = [abs((f.arc_mm - flaw.arc_mm + length / 2) % length - length / 2) for f in found.flaws]
        reach = NEAR_MM + (flaw.length_mm if flaw.kind == "strand" else 0.0)
        here = [k for k, f in enumerate(found.flaws) if f.curve == "rim" and away[k] < reach]
        used |= set(here)
        here.sort(key=lambda k: (found.flaws[k].kind.value != flaw.kind, away[k]))
        entry = {"kind": flaw.kind, "arc": flaw.arc_mm, "length": flaw.length_mm, "depth": flaw.depth_mm}
        entry["found"] = found.flaws[here[0]].kind.value if here else ""
        if here:
            best = found.flaws[here[0]]
            entry |= {"is_length": best.length.value, "is_depth": best.depth.value}
            entry |= {"u_length": best.length.u, "u_depth": best.depth.u}
        told.append(entry)
    elsewhere = [_plain(flaw) for k, flaw in enumerate(found.flaws) if k not in used]
    return row | {"stop": [stop.reason for stop in found.stops], "flaws": told, "elsewhere": elsewhere}


def run(folder: Path, count: int) -> None:
    at: Drawn | None = None
    number = stations()
    order = [n for n, _ in zip(number, range(-(-count // EACH)), strict=False)]

    def draw(place: tuple[str, int, int]) -> Row:
        nonlocal at
        kind, station, which = place
        if at is None or at.number != station:
            at = drawn(station, folder)
        line = good_line(at, which) if kind == "good" else spoilt_line(at, which)
        return {"kind": kind, "station": station, "shell": which} | line

    places = [(kind, n, k) for n in order for k in range(EACH // 2) for kind in ("good", "spoilt")]
    go_on(folder / "flaws.jsonl", lambda row: (row["kind"], row["station"], row["shell"]), places[:count], draw)


def table(every: list[Row]) -> Iterator[str]:
    spoilt = [row for row in every if row["kind"] == "spoilt" and "flaws" in row]
    every_flaw = [(flaw, row) for row in spoilt if not row["stop"] for flaw in row["flaws"]]
    yield "| kind | found (95 %) | told as such | as | length off: median [mm] | depth | error/u rms: length, depth |"
    yield "|---|---|---|---|---|---|---|"
    for kind in ("nick", "burr", "strand"):
        own = [flaw for flaw, _ in every_flaw if flaw["kind"] == kind]
        here = [flaw for flaw in own if flaw["found"]]
        right = [flaw for flaw in here if flaw["found"] == kind]
        other = sorted({flaw["found"] for flaw in here} - {kind})
        as_other = ", ".join(f"{sum(f['found'] == word for f in here)} {word}" for word in other)
        sizes = ("length", "depth") if kind != "strand" else ()
        off = [np.array([f[f"is_{s}"] - f[s] for f in right]) for s in sizes]
        of_u = [np.array([(f[f"is_{s}"] - f[s]) / f[f"u_{s}"] for f in right]) for s in sizes]
        words = [f"{np.median(one):+.3f}" for one in off] or ["", ""]
        spread = ", ".join(f"{np.sqrt((one**2).mean()):.2f}" for one in of_u)
        yield (
            f"| {kind} | {share(len(here), len(own))} | {share(len(right), len(own))} | {as_other} | "
            f"{' | '.join(words)} | {spread} |"
        )
    odd = [(row["station"], row["shell"], one) for row in spoilt for one in row["elsewhere"]]
    yield f"\n{len(spoilt)} spoilt shells; not measured: {sum(bool(row['stop']) for row in spoilt)}; beside: {odd[:20]}"
    good = [row for row in every if row["kind"] == "good"]
    bad = [row for row in good if row["false"]]
    yield f"good shells with a false flaw: {share(len(bad), len(good))}"
    told = [tuple(row[key] for key in ("station", "shell", "condition", "colour", "false")) for row in bad]
    yield f"of them: {told[:20]}"
    stopped = [(row["station"], row["shell"], row["condition"], row["stop"][0]) for row in good if row["stop"]]
    yield f"good shells without a result: {len(stopped)} {stopped[:20]}"


if __name__ == "__main__":
    where = Path(sys.argv[1])
    if sys.argv[2:] != ["table"]:
        run(where, int(sys.argv[2]) if len(sys.argv) > 2 else SHELLS)
    print("\n".join(table(rows(where / "flaws.jsonl"))))
