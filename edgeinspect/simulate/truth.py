"""The truth of a scene: true deviations, cut-outs, visibility and the answer that a perfect gauge gives. From geometry
only, no picture.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.simulate import toplid
from edgeinspect.simulate.flaws import Flaw
from edgeinspect.simulate.form import CutOut, Form
from edgeinspect.simulate.plan import plan_normals
from edgeinspect.simulate.scene import CutShell, Scene

if TYPE_CHECKING:
    from edgeinspect.simulate.cases import ShellCase

# Limits of models/toplid/shell.toml, and the guard that the expected answers assume beside each.
GUARD_MM, GUARD_DEG = 0.03, 0.03
ZONE_LIMIT_MM, PATH_SHIFT_LIMIT_MM, PATH_ROTATION_LIMIT_DEG = 0.5, 0.4, 0.15
HOLE_POSITION_LIMIT_MM, HOLE_SIZE_LIMIT_MM, SLOT_SIZE_LIMIT_MM = 0.4, 0.25, 0.3
DECAL_OFFSET_LIMIT_MM, DECAL_ROTATION_LIMIT_DEG = 1.0, 0.8
PATH_GUARD_DEG = 0.01
FLAW_LENGTH_LIMIT_MM, FLAW_DEPTH_LIMIT_MM = 0.6, 0.3  # of a nick or burr: beyond both is too much


@dataclass(frozen=True)
class EdgeTruth:
    """The cut rim, point by point (N): where it is on the nominal rim, how far off, where the camera images it, and
    whether the cut face hides.
    """

    arc_mm: Array
    deviation_datum_mm: Array  # cut - shell, at 20 degC
    deviation_fixture_mm: Array  # cut - fixture, not scaled
    pixel: Array  # (N, 2) of the show-face arris
    face_hidden: NDArray[np.bool_]  # the camera does not see the cut face: the picture's edge is the arris


@lru_cache(maxsize=16)  # of forms that are drawn by the thousand only the newest
def _nominal_tree(form: Form) -> cKDTree:
    return cKDTree(form.rim().xy_mm)


def arc_and_deviation(xy_mm: Array, form: Form = toplid.LID) -> tuple[Array, Array]:
    """Arc length of the nearest nominal rim point, and signed distance to the nominal rim in plan (+ outside), for
    points (N, 2) near the rim.
    """
    nominal, arc = form.rim(), form.rim().arc_mm
    count = len(nominal.xy_mm)
    vertex = _nominal_tree(form).query(xy_mm)[1]
    best, along, sign = np.full(len(xy_mm), np.inf), np.zeros(len(xy_mm)), np.ones(len(xy_mm))
    for step in range(
        -4, 4
    ):  # the nearest segment is next to the nearest vertex, or not far where the steps are uneven
        start, end = (vertex + step) % count, (vertex + step + 1) % count
        a, side = nominal.xy_mm[start], nominal.xy_mm[end] - nominal.xy_mm[start]
        share = np.clip(np.sum((xy_mm - a) * side, axis=1) / np.sum(side**2, axis=1), 0.0, 1.0)
        gap = xy_mm - a - share[:, None] * side
        distance = np.linalg.norm(gap, axis=1)
        nearer = distance < best
        rise = np.where(end == 0, nominal.length_mm, arc[end]) - arc[start]
        best = np.where(nearer, distance, best)
        along = np.where(nearer, arc[start] + share * rise, along)
        sign = np.where(nearer, np.sign(side[:, 1] * gap[:, 0] - side[:, 0] * gap[:, 1]), sign)
    return along % nominal.length_mm, sign * best


def in_datum_frame(shell: CutShell, plan_mm: Array) -> Array:
    """Plan points (N, 2) of the material's own frame, in the datum frame: the same where pips are the datums. Where
    cut features are, the first one's centre is the origin and the second one's sets the direction (ISO 5459).
    """
    if shell.form.datum == "pips":
        return plan_mm
    centres = []
    for name in list(shell.form.cut)[:2]:
        xy = shell.cutout_xy(name)
        assert xy is not None
        centres.append(np.array(shapely.Polygon(shell.to_shell(shell.lifted(xy))[:, :2]).centroid.coords[0]))
    nominal = [np.array(hole.centre_mm) for hole in list(shell.form.cut.values())[:2]]
    got, want = centres[1] - centres[0], nominal[1] - nominal[0]
    angle = float(np.arctan2(want[1], want[0]) - np.arctan2(got[1], got[0]))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray((plan_mm - centres[0]) @ turn.T + nominal[0])


def decal_shift(shell: CutShell) -> PlaneShift | None:
    """Where the decal lies from its place in the datum frame; None without a decal."""
    if shell.decal is None or shell.form.datum == "pips":
        return shell.decal
    decal = shell.decal.pose()  # a flat sheet: the decal's (u, v) are plan coordinates from its place
    ends = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]])
    place = np.array(shell.form.decal.centre_mm)
    moved = in_datum_frame(shell, decal.apply(ends)[:, :2] + place) - place
    run = moved[1] - moved[0]
    return PlaneShift(float(moved[0][0]), float(moved[0][1]), float(np.rad2deg(np.arctan2(run[1], run[0]))))


def edge_truth(scene: Scene) -> EdgeTruth:
    """Raises ValueError if the scene has no shell."""
    if scene.shell is None:
        raise ValueError("the scene has no shell")
    shell = scene.shell
    xy = shell.rim_xy()
    arris = shell.lifted(xy)
    arc, datum = arc_and_deviation(in_datum_frame(shell, shell.to_shell(arris)[:, :2]), shell.form)
    _, fixture = arc_and_deviation(xy, shell.form)
    return EdgeTruth(arc, datum, fixture, scene.camera.project(arris), face_hidden(scene, arris, plan_normals(xy)))


def face_hidden(scene: Scene, arris_mm: Array, normals: Array) -> NDArray[np.bool_]:
    """Where the camera does not see the vertical cut face below fixture points (N, 3) with plan normals (N, 2) out of
    the material.
    """
    to_camera = scene.camera.centre_mm - arris_mm
    return np.asarray(np.sum(to_camera[:, :2] * normals, axis=1) < 0)


@dataclass(frozen=True)
class ArrisTruth:
    """Both arrises of one cut curve, point by point (N): where the camera images them, whether it sees the cut face
    between, and how far the back-face one stands out of the material before the show-face one, in plan.
    """

    show_pixel: Array  # (N, 2)
    back_pixel: Array  # (N, 2)
    seen: NDArray[np.bool_]
    back_out_mm: Array  # (N,)
    height_mm: Array  # (N,) of the cut face, along the cutter


def arris_truth(scene: Scene, name: str = "rim") -> ArrisTruth:
    """Raises ValueError if the scene has no shell, KeyError if it has no such curve."""
    if scene.shell is None:
        raise ValueError("the scene has no shell")
    shell = scene.shell
    show, back = shell.curves()[name], shell.curves(back=True)[name]
    above, below = shell.lifted(show.xy_mm), shell.lifted(back.xy_mm, back=True)
    out = ((back.xy_mm - show.xy_mm) * show.normals).sum(axis=1)
    # Seen is the cut face whose plane, along the outline and down to the back arris, has the camera before it.
    down = below - above
    ahead = np.column_stack([-show.normals[:, 1], show.normals[:, 0], np.zeros(len(above))])
    normal = np.cross(ahead, down)
    normal *= np.sign((normal[:, :2] * show.normals).sum(axis=1))[:, None]
    seen = np.sum((scene.camera.centre_mm - above) * normal, axis=1) > 0
    height = above[:, 2] - shell.lifted(show.xy_mm, back=True)[:, 2]
    return ArrisTruth(scene.camera.project(above), scene.camera.project(below), seen, out, height)


def in_zone(arc_mm: Array, name: str, form: Form = toplid.LID) -> NDArray[np.bool_]:
    start, end = form.zone_spans_mm()[name]
    if start < end:
        return (arc_mm >= start) & (arc_mm < end)
    return (arc_mm >= start) | (arc_mm < end)


def zone_truth(edge: EdgeTruth, form: Form = toplid.LID, flaws: Iterable[Flaw] = ()) -> dict[str, dict[str, float]]:
    """Zone by zone, without the stretches of the flaws: those are told of by themselves."""
    found, clear = {}, np.ones(len(edge.arc_mm), dtype=bool)
    length = form.rim().length_mm
    for flaw in flaws:
        away = np.abs((edge.arc_mm - flaw.arc_mm + length / 2) % length - length / 2)
        clear &= away > flaw.length_mm / 2 + 0.1
    for name in form.zone_spans_mm():
        here = in_zone(edge.arc_mm, name, form) & clear
        found[name] = {
            "datum_max_mm": round(float(edge.deviation_datum_mm[here].max()), 5),
            "datum_min_mm": round(float(edge.deviation_datum_mm[here].min()), 5),
            "fixture_max_mm": round(float(edge.deviation_fixture_mm[here].max()), 5),
            "fixture_min_mm": round(float(edge.deviation_fixture_mm[here].min()), 5),
            "face_hidden": round(float(edge.face_hidden[here].mean()), 3),
        }
    return found


def cutout_truth(scene: Scene) -> dict[str, dict[str, Any]]:
    """Centre and sizes of every cut-out's show-face arris in plan, shell datum frame at 20 degC."""
    shell = scene.shell
    assert shell is not None
    found: dict[str, dict[str, Any]] = {}
    for name, drawn in shell.form.cut.items():
        xy = shell.cutout_xy(name)
        if xy is None:
            found[name.replace("_", "-")] = {"missing": True}
            continue
        arris = shell.lifted(xy)
        polygon = shapely.Polygon(in_datum_frame(shell, shell.to_shell(arris)[:, :2]))
        centre = np.array(polygon.centroid.coords[0])
        off = centre - drawn.centre_mm
        entry: dict[str, Any] = {
            "missing": False,
            "centre_mm": np.round(centre, 5).tolist(),
            "off_mm": np.round(off, 5).tolist(),
            "face_hidden": round(float(face_hidden(scene, arris, -plan_normals(xy)).mean()), 3),
        }
        if drawn.kind == "hole":
            entry["diameter_mm"] = round(float(2 * np.sqrt(polygon.area / np.pi)), 5)
        else:
            corners = np.array(shapely.minimum_rotated_rectangle(polygon).exterior.coords)
            sides = np.sort(np.linalg.norm(np.diff(corners[:3], axis=0), axis=1))
            entry["width_mm"], entry["length_mm"] = (round(float(s), 5) for s in sides)
            long_side = max(np.diff(corners[:3], axis=0), key=lambda side: float(np.linalg.norm(side)))
            entry["angle_deg"] = round(float(np.rad2deg(np.arctan(long_side[1] / long_side[0]))), 4)
        found[name.replace("_", "-")] = entry
    return found


def _side(value: float, limit: float, guard: float) -> int:
    """0 inside the limit with the guard to spare, 1 too close to call, 2 beyond it."""
    return 0 if value < limit - guard else 1 if value <= limit + guard else 2


def zone_at(arc_mm: float, form: Form) -> str:
    """Name of the zone that holds an arc length."""
    return next(name for name in form.zone_spans_mm() if in_zone(np.array([arc_mm]), name, form)[0])


def flaw_truth(shell: CutShell) -> list[dict[str, Any]]:
    """Kind, place, length and depth of each flaw."""
    return [
        {
            "kind": flaw.kind,
            "zone": zone_at(flaw.arc_mm, shell.form),
            "arc_mm": round(flaw.arc_mm, 3),
            "length_mm": flaw.length_mm,
            "depth_mm": flaw.depth_mm,
        }
        for flaw in shell.flaws
    ]


def expected(scene: Scene, refusal: str | None = None, variant: str = "standard") -> dict[str, Any]:
    """What a gauge with no error of its own must answer, with the places that decide it and those within the guard.
    ``refusal``: why there can be no result; ``variant``: of the decal that was ordered.
    """
    if refusal is not None:
        return {"answer": "NO RESULT", "places": [refusal], "too_close": []}
    shell = scene.shell
    assert shell is not None
    sides: dict[str, int] = {}
    for name, zone in zone_truth(edge_truth(scene), shell.form, shell.flaws).items():
        sides[f"zone {name}"] = _side(max(zone["datum_max_mm"], -zone["datum_min_mm"]), ZONE_LIMIT_MM, GUARD_MM)
    sides["path shift"] = _side(float(np.hypot(shell.path.dx_mm, shell.path.dy_mm)), PATH_SHIFT_LIMIT_MM, GUARD_MM)
    sides["path rotation"] = _side(abs(shell.path.rotation_deg), PATH_ROTATION_LIMIT_DEG, PATH_GUARD_DEG)
    for name, found in cutout_truth(scene).items():
        sides[f"cut-out {name}"] = (
            2 if found["missing"] else _cutout_side(shell.form.cut[name.replace("-", "_")], found)
        )
    for flaw, told in zip(shell.flaws, flaw_truth(shell), strict=True):
        sides[f"{flaw.kind} in zone {told['zone']}"] = min(
            _side(flaw.length_mm, FLAW_LENGTH_LIMIT_MM, GUARD_MM), _side(flaw.depth_mm, FLAW_DEPTH_LIMIT_MM, GUARD_MM)
        )
    decal = f"decal {shell.form.decal.name}"
    shift = decal_shift(shell)
    if shift is None or shell.variant != variant:
        sides[decal] = 2
    else:
        offset = max(abs(shift.dx_mm), abs(shift.dy_mm))
        sides[decal] = max(
            _side(offset, shell.form.decal.offset_limit_mm, GUARD_MM),
            _side(abs(shift.rotation_deg), shell.form.decal.rotation_limit_deg, GUARD_DEG),
        )
    worst = max(sides.values())
    answer = ("CONFORMING", "NOT PROVEN", "NONCONFORMING")[worst]
    return {
        "answer": answer,
        "places": [place for place, side in sides.items() if side == worst] if worst else [],
        "too_close": [place for place, side in sides.items() if side == 1],
    }


def _cutout_side(drawn: CutOut, found: dict[str, Any]) -> int:
    sides = [_side(float(np.hypot(*found["off_mm"])), HOLE_POSITION_LIMIT_MM, GUARD_MM)]
    limit = HOLE_SIZE_LIMIT_MM if drawn.kind == "hole" else SLOT_SIZE_LIMIT_MM
    sizes = ("diameter_mm",) if drawn.kind == "hole" else ("length_mm", "width_mm")
    for size, nominal in zip(sizes, drawn.sizes_mm, strict=True):
        sides.append(_side(abs(found[size] - nominal), limit, GUARD_MM))
    return max(sides)


def shell_truth(case: ShellCase) -> dict[str, Any]:
    """Everything that is true of a shell, ready for truth.json. The cameras' own numbers are in "cameras"."""
    scene, shell = case.scene, case.scene.shell
    ordered = {"shell": case.ordered, "variant": case.variant}
    told: dict[str, Any] = {
        "expected": {**ordered, **expected(scene, case.refusal, case.variant)},
        "shell": None if shell is None else {"shell": shell.form.name, "variant": shell.variant},
        "cameras": list(case.scenes),
    }
    if case.picture_of is not None:
        told["picture_of"] = case.picture_of
    if shell is not None:
        told |= {
            "temperature_c": shell.temperature_c,
            "seating": {
                "rotation": np.round(shell.seating.rotation, 9).tolist(),
                "translation_mm": np.round(shell.seating.translation_mm, 6).tolist(),
            },
            "path": {"dx_mm": shell.path.dx_mm, "dy_mm": shell.path.dy_mm, "rotation_deg": shell.path.rotation_deg},
            "zones": zone_truth(edge_truth(scene), shell.form, shell.flaws),
            "cutouts": cutout_truth(scene),
            "flaws": flaw_truth(shell),
            "decal": _decal_told(shell),
        }
    return told | {
        "camera": camera_truth(scene),
        "covered_lens": scene.covered_lens,
        "noise": {
            "full_well_electrons": scene.sensor.full_well,
            "read_noise_electrons": scene.sensor.read_noise_electrons,
            "white_level": scene.sensor.white,
            "seed": scene.seed,
        },
    }


def _decal_told(shell: CutShell) -> dict[str, float] | None:
    shift = decal_shift(shell)
    if shift is None:
        return None
    told = {"dx_mm": shift.dx_mm, "dy_mm": shift.dy_mm, "rotation_deg": shift.rotation_deg}
    return {name: round(value, 6) for name, value in told.items()}


def camera_truth(scene: Scene) -> dict[str, Any]:
    camera = scene.camera
    names = ("k1", "k2", "p1", "p2", "k3")
    return {
        "width_px": camera.width_px,
        "height_px": camera.height_px,
        "fx_px": camera.fx_px,
        "fy_px": camera.fy_px,
        "cx_px": camera.cx_px,
        "cy_px": camera.cy_px,
        "distortion": dict(zip(names, camera.distortion, strict=True)),
        "fixture_to_camera": {
            "rotation": camera.pose.rotation.tolist(),
            "translation_mm": camera.pose.translation_mm.tolist(),
        },
        "centre_in_fixture_mm": camera.centre_mm.tolist(),
        "blur_sigma_px": {
            "optics": scene.sensor.blur_px,
            "with_pixel_box": round(float(np.hypot(scene.sensor.blur_px, 12**-0.5)), 4),
        },
    }
