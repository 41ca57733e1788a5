"""Whole shells from calibration to answer, thousands of them: ``python -m tests.benchmarks.whole_shells FOLDER``.

Every station is calibrated anew from simulated pictures of the board, and looks at 40 shells of its own
(shell_draws.py). What is measured is compared with the simulator's geometry, which shares nothing with measuring. One
line a shell goes into FOLDER/shells.jsonl as soon as it is measured; a run that was stopped goes on where it was.
``--table`` only prints what is there.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from operator import itemgetter
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.stats import binomtest

from edgeinspect.conformity import Answer, judge
from edgeinspect.geometry import PlaneShift
from edgeinspect.measure.alignment import combine
from edgeinspect.measure.deviation import filter_closed
from edgeinspect.measure.measurement import Quantity, ShellMeasurement
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check, Frame
from edgeinspect.simulate.scene import CutShell
from edgeinspect.simulate.truth import EdgeTruth, cutout_truth, edge_truth, in_zone
from tests.benchmarks import resumed
from tests.samples.truth import Profile

from .shell_draws import Drawn, DrawnShell, drawn, shell, taken
from .shell_limits import KINDS, looked_at, not_measured

Array = NDArray[np.float64]
SHELLS, EACH = 2000, 40  # of one calibration
AT_A_TIME = 10
CUTOFF_MM = 2.5
COVERED = 1.959964  # standard uncertainties: 95 % of a normal distribution


def signed_from(ring: Array, points: Array) -> tuple[Array, NDArray[np.intp]]:
    """Distance (N,) in plan of points (N, 2) from a closed counter-clockwise polyline (V, 2), + outside; and the
    nearest vertex.
    """
    nearest = np.asarray(cKDTree(ring).query(points)[1], dtype=np.intp)
    best, found = np.full(len(points), np.inf), np.zeros(len(points))
    for step in range(-3, 3):
        a, b = ring[(nearest + step) % len(ring)], ring[(nearest + step + 1) % len(ring)]
        side = b - a
        share = np.clip(((points - a) * side).sum(axis=1) / (side**2).sum(axis=1), 0.0, 1.0)
        gap = points - a - share[:, None] * side
        distance = np.hypot(gap[:, 0], gap[:, 1])
        sign = np.where(side[:, 1] * gap[:, 0] - side[:, 0] * gap[:, 1] >= 0, 1.0, -1.0)
        found = np.where(distance < best, sign * distance, found)
        best = np.minimum(distance, best)
    return found, nearest


def true_path(cut: CutShell) -> PlaneShift:
    """Path as applied, and the shift and turn that the waves of the cut have of their own: least squares over even
    arc length, along the nominal's normals.
    """
    rim = cut.form.rim()
    even = np.arange(0.0, rim.length_mm, 0.5)
    xy, normals = (
        np.column_stack([np.interp(even, rim.arc_mm, part[:, k], period=rim.length_mm) for k in range(2)])
        for part in (rim.xy_mm, rim.normals)
    )
    rows = np.column_stack([normals, xy[:, 0] * normals[:, 1] - xy[:, 1] * normals[:, 0]])
    dx, dy, turn = np.linalg.lstsq(rows, cut.deviation_at(even), rcond=None)[0].tolist()
    return combine(cut.path, PlaneShift(dx, dy, float(np.rad2deg(turn))))


def measured(at: Drawn, one: DrawnShell) -> ShellMeasurement:
    return at.gauge.measure("standard", {"top": taken(one)}, Temperature(one.stated_c), frozenset({Check.TRIM}))


def line(at: Drawn, number: int) -> dict[str, Any]:
    """One shell: what it was, and every error with the uncertainty claimed for it."""
    one = shell(at, number)
    found = measured(at, one)
    told: dict[str, Any] = {
        "station": at.number,
        "shell": number,
        "mm_per_px": at.mm_per_px,
        "sheet_mm": at.sheet_mm,
        "plain": one.plain,
        "condition": one.condition,
        "colour": one.colour,
        "flaws": len(found.flaws),
        "answer": judge(found, at.gauge.setup.definition).answer.value,
    }
    if found.stops:
        return told | {"stop": found.stops[0].reason} | ({} if one.plain else {"limits": not_measured()})
    cut = one.scene.shell
    assert cut is not None
    truth = edge_truth(one.scene)
    if not one.plain:
        random = np.random.default_rng([at.number, number, 15])
        told["limits"] = looked_at(found, at.gauge.setup.definition, truths(one, truth, found), random)
    told["stations"] = stations(at, found, cut, truth)
    told["quantities"] = [
        [*names, round(error, 7), round(q.u, 7)] for *names, error, q in quantities(one, found, truth)
    ]
    if one.plain:
        told["in_the_fixture"] = [[round(float(v), 7) for v in e] for e in centres_in_the_fixture(at, cut, found)]
    told["shares"] = {
        name: {share.source: round(share.u, 6) for share in quantity.shares} for name, quantity in _some(found)
    }
    return told


def truths(one: DrawnShell, truth: EdgeTruth, found: ShellMeasurement) -> dict[str, float]:
    """The true value of every characteristic that is judged, by its name; of zones "most" and "least"."""
    cut = one.scene.shell
    assert cut is not None
    true = _in_datum_frame(cut, truth)
    filtered = true.filtered_at(true.arc_mm)
    told = {}
    for zone in found.zones:
        here = filtered[in_zone(true.arc_mm, zone.zone)]
        told |= {f"zone {zone.zone} most": float(here.max()), f"zone {zone.zone} least": float(here.min())}
    path, form = true_path(cut), cut.form
    told |= {"path shift": float(np.hypot(path.dx_mm, path.dy_mm)), "path rotation": path.rotation_deg}
    for name, entry in cutout_truth(one.scene).items():
        told[f"cut-out {name} position"] = float(np.hypot(*entry["off_mm"]))
        sizes = form.cutout_sizes_mm(name.replace("-", "_"))
        for kind, nominal in zip(("diameter",) if len(sizes) == 1 else ("length", "width"), sizes, strict=True):
            told[f"cut-out {name} {kind}"] = entry[f"{kind}_mm"] - nominal
    return told


def _in_datum_frame(cut: CutShell, truth: EdgeTruth) -> Profile:
    order = np.argsort(truth.arc_mm)
    length = cut.form.rim().length_mm
    return Profile(truth.arc_mm[order], truth.deviation_datum_mm[order], truth.face_hidden[order], length)


def stations(at: Drawn, found: ShellMeasurement, cut: CutShell, truth: EdgeTruth) -> dict[str, list[float]]:
    """By frame: how many stations whose cut face is hidden, sum and sum of squares of their errors [mm], and how many
    lie within the 95 % interval (nan where none is claimed).
    """
    trace = found.traces[0]
    usable = trace.flags == 0
    ring = cut.rim_xy()
    error, nearest = signed_from(ring, np.nan_to_num(trace.point_mm[:, :2]))
    hidden = truth.face_hidden[nearest] & usable
    step = at.gauge.setup.rim.step_mm
    smooth, _ = filter_closed(error, usable, CUTOFF_MM, step)
    profiles = {profile.frame: profile for profile in found.profiles}
    told = {"cut, one station": _sums(error[hidden], None)}
    whole = hidden & np.isfinite(smooth)
    told["cut, filtered"] = _sums(smooth[whole], profiles[Frame.FIXTURE].u_mm[whole])
    datum = profiles[Frame.DATUM]
    true = _in_datum_frame(cut, truth)
    off = datum.deviation_mm - true.filtered_at(datum.arc_mm)
    whole = hidden & np.isfinite(off)
    told["datum, filtered"] = _sums(off[whole], datum.u_mm[whole])
    form = profiles[Frame.BEST_FIT]
    even = true.filtered_at(form.arc_mm)
    off = form.deviation_mm - (even - _rigid(at, even, np.isfinite(even)))
    whole = hidden & np.isfinite(off)
    told["form, filtered"] = _sums(off[whole], form.u_mm[whole])
    return told


def _rigid(at: Drawn, error: Array, used: NDArray[np.bool_]) -> Array:
    """The part (N,) of deviations that a shift and a turn explain: of place, not of form."""
    rim = at.gauge.setup.rim_seated
    normals, xy = rim.normals[used], rim.points_mm[used]
    rows = np.column_stack([normals[:, :2], xy[:, 0] * normals[:, 1] - xy[:, 1] * normals[:, 0]])
    return np.asarray(rows @ np.linalg.lstsq(rows, error[used], rcond=None)[0])


def _sums(error: Array, u: Array | None) -> list[float]:
    within = float("nan") if u is None else float(np.count_nonzero(np.abs(error) <= COVERED * u))
    return [len(error), float(error.sum()), float((error**2).sum()), within]


def quantities(
    one: DrawnShell, found: ShellMeasurement, truth: EdgeTruth
) -> Iterator[tuple[str, str, float, Quantity]]:
    """Kind, name, error and what was claimed."""
    cut = one.scene.shell
    assert cut is not None
    true = _in_datum_frame(cut, truth)
    filtered = true.filtered_at(true.arc_mm)
    for zone in found.zones:
        here = in_zone(true.arc_mm, zone.zone)
        kind = "zone" if float(true.hidden[here].mean()) > 0.999 else "zone with its cut face seen"
        yield kind, f"{zone.zone} most", zone.most.value - float(filtered[here].max()), zone.most
        yield kind, f"{zone.zone} least", zone.least.value - float(filtered[here].min()), zone.least
    path = true_path(cut)
    assert found.path_shift is not None
    assert found.path_rotation is not None
    assert found.cut is not None
    size = float(np.hypot(path.dx_mm, path.dy_mm))
    yield "path shift", "size", found.path_shift.value - size, found.path_shift
    across = found.path_shift  # the two axes that the size comes of: their u are alike to a tenth
    yield "path axis", "dx", found.cut.shift.dx_mm - path.dx_mm, across
    yield "path axis", "dy", found.cut.shift.dy_mm - path.dy_mm, across
    yield "path rotation", "rotation", found.path_rotation.value - path.rotation_deg, found.path_rotation
    wanted = cutout_truth(one.scene)
    for cutout in found.cutouts:
        if cutout.dx is None or cutout.dy is None:
            continue
        entry = wanted[cutout.name]
        yield "centre", f"{cutout.name} x", cutout.dx.value - entry["off_mm"][0], cutout.dx
        yield "centre", f"{cutout.name} y", cutout.dy.value - entry["off_mm"][1], cutout.dy
        names = ("diameter",) if len(cutout.sizes) == 1 else ("length", "width")
        for name, quantity in zip(names, cutout.sizes, strict=True):
            yield name, f"{cutout.name} {name}", quantity.value - entry[f"{name}_mm"], quantity


def centres_in_the_fixture(at: Drawn, cut: CutShell, found: ShellMeasurement) -> Iterator[Array]:
    """Errors (2,) [mm] of the cut-outs' centres where the fixture has them: without what the datum's pips add."""
    assert found.seating is not None
    shell_pose = found.seating.shift.pose().after(at.gauge.setup.seat)
    for one, (cutout, _) in zip(found.cutouts, at.gauge.setup.cutouts, strict=True):
        polygon = cut.cutout_xy(one.name.replace("-", "_"))
        if polygon is None or one.dx is None or one.dy is None:
            continue
        height = float(cutout.curve.points_mm[:, 2].mean())
        centre = np.array([cutout.centre_mm[0] + one.dx.value, cutout.centre_mm[1] + one.dy.value, height])
        seen = shell_pose.apply(centre[None] * cut.growth)[0, :2]
        yield seen - np.array(shapely.Polygon(polygon).centroid.coords[0])


def _some(found: ShellMeasurement) -> Iterator[tuple[str, Quantity]]:
    assert found.path_shift is not None
    assert found.path_rotation is not None
    yield "path shift", found.path_shift
    yield "path rotation", found.path_rotation
    yield "zone", found.zones[8].most
    for cutout in found.cutouts[:2]:
        if cutout.dx is not None:
            yield f"centre {cutout.name}", cutout.dx
            yield f"size {cutout.name}", cutout.sizes[0]


def lines(folder: Path) -> list[resumed.Row]:
    """What was measured so far."""
    return resumed.rows(folder / "shells.jsonl")


def run(folder: Path, shells: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    at: Drawn | None = None
    each_of = [(count // EACH, count % EACH) for count in range(shells)]
    each_of.sort(key=lambda one: one[1] // AT_A_TIME)  # every calibration first with a part of its shells

    def draw(place: tuple[int, int]) -> resumed.Row:
        nonlocal at
        station, number = place
        if at is None or at.number != station:
            at = drawn(station, folder)
        return line(at, number)

    resumed.go_on(folder / "shells.jsonl", itemgetter("station", "shell"), each_of, draw)


def table(rows: list[dict[str, Any]]) -> str:
    """Bias, spread and coverage, by what was measured."""
    good = [row for row in rows if "stop" not in row]
    stopped = [f"{row['condition']}, {row['colour']}: {row['stop']}" for row in rows if "stop" in row]
    stations_used = len({row["station"] for row in rows})
    said = [f"{len(rows)} shells of {stations_used} calibrations; not measured: {len(stopped)} {sorted(set(stopped))}"]
    said.append("| stations | n | bias [mm] | sd [mm] | within 95 % |\n|---|---|---|---|---|")
    for words, some in _groups(good):
        for frame in some[0]["stations"]:
            n, total, squares, within = np.sum([row["stations"][frame] for row in some], axis=0).tolist()
            bias = total / n
            sd = (squares / n - bias**2) ** 0.5
            inside = "" if np.isnan(within) else f"{100 * within / n:.1f} %"
            said.append(f"| {words}: {frame} | {n:.0f} | {bias:+.4f} | {sd:.4f} | {inside} |")
    said.append("\n| quantity | n | bias | rms | worst | mean u | rms of error/u | within 95 % |\n" + "|---" * 8 + "|")
    for words, some in _groups(good):
        kinds = list(dict.fromkeys(q[0] for row in some for q in row["quantities"]))
        for kind in kinds:
            e, u = np.array([q[2:] for row in some for q in row["quantities"] if q[0] == kind]).T
            rms, in_u = np.sqrt((e**2).mean()), np.abs(e) / u
            numbers = f"{e.mean():+.4f} | {rms:.4f} | {np.abs(e).max():.4f} | {u.mean():.4f}"
            inside = f"{np.sqrt((in_u**2).mean()):.2f} | {100 * np.mean(in_u <= COVERED):.1f} %"
            said.append(f"| {words}: {kind} | {len(e)} | {numbers} | {inside} |")
        centres = np.array([e for row in some for axes in row.get("in_the_fixture", []) for e in axes])
        if len(centres):
            numbers = f"{centres.mean():+.4f} | {np.sqrt((centres**2).mean()):.4f} | {np.abs(centres).max():.4f}"
            said.append(f"| {words}: centre, in the fixture | {len(centres)} | {numbers} | | | |")
    return "\n".join(said)


def limits_table(rows: list[dict[str, Any]]) -> str:
    """How often a good shell is refused and a bad one passed, all told and by what was at its limit."""
    every = [entry for row in rows for entry in row.get("limits", [])]
    words = {"zone": "zones", "path": "path", "position": "positions"}
    said = ["| limits set about its truth | counted | share (95 %) |", "|---|---|---|"]
    for kind in KINDS:
        of = [
            (
                words.get(name.split()[0], words.get(name.split()[-2], "sizes")) if name else "not measured",
                (answer != Answer.CONFORMING) == (kind == "good"),
            )
            for k, name, answer in every
            if k == kind
        ]
        counted = "not green" if kind == "good" else "green"
        for what in ("all", *dict.fromkeys(sorted(what for what, _ in of))):
            own = [odd for one, odd in of if what in ("all", one)]
            if own:
                said.append(f"| {kind}: {what} | {counted} | {interval(sum(own), len(own))} |")
    return "\n".join(said)


def interval(count: int, of: int) -> str:
    """SOURCE: Clopper and Pearson 1934, by scipy.stats.binomtest."""
    found = binomtest(count, of).proportion_ci(0.95, "exact")
    return f"{count} of {of}: {100 * count / of:.1f} % ({100 * found.low:.1f} to {100 * found.high:.1f} %)"


def _groups(rows: list[dict[str, Any]]) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    def chosen(**wanted: Any) -> list[dict[str, Any]]:
        return [row for row in rows if all(row[key] == value for key, value in wanted.items())]

    fine: dict[str, Any] = {"mm_per_px": 0.2, "plain": True}
    groups = {
        "all is drawn": chosen(plain=False),
        "plain, 0.2 mm/px, good light, no walls": chosen(**fine, condition="good", sheet_mm=0.05),
        "plain, 0.2 mm/px, good light, 3 mm walls": chosen(**fine, condition="good", sheet_mm=3.0),
        "plain, 0.29 mm/px, good light": chosen(mm_per_px=0.2865, plain=True, condition="good"),
        **{f"plain, {words}": chosen(plain=True, condition=words) for words in ("low contrast", "dim", "defocus")},
    }
    yield from ((words, some) for words, some in groups.items() if some)


def main() -> None:
    parser = argparse.ArgumentParser(prog="tests.benchmarks.whole_shells", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--shells", type=int, default=SHELLS)
    parser.add_argument("--table", action="store_true", help="only print what was measured so far")
    args = parser.parse_args()
    if not args.table:
        run(args.folder, args.shells)
    rows = lines(args.folder)
    print(table(rows), limits_table(rows), sep="\n\n")


if __name__ == "__main__":
    main()
