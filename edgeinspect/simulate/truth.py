"""The truth of a scene: true deviations, cut-outs, visibility and the answer that a perfect gauge gives. From geometry
only, no picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from edgeinspect.geometry import Array
from edgeinspect.simulate import toplid
from edgeinspect.simulate.scene import Scene

# Limits of models/toplid/shell.toml, and the guard that the expected answers assume beside each.
GUARD_MM, GUARD_DEG = 0.03, 0.03
ZONE_LIMIT_MM, PATH_SHIFT_LIMIT_MM, PATH_ROTATION_LIMIT_DEG = 0.5, 0.4, 0.15
HOLE_POSITION_LIMIT_MM, HOLE_SIZE_LIMIT_MM, SLOT_SIZE_LIMIT_MM = 0.4, 0.25, 0.3
DECAL_OFFSET_LIMIT_MM, DECAL_ROTATION_LIMIT_DEG = 1.0, 0.8
PATH_GUARD_DEG = 0.01


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


@cache
def _nominal_tree() -> cKDTree:
    return cKDTree(toplid.rim().xy_mm)


def arc_and_deviation(xy_mm: Array) -> tuple[Array, Array]:
    """Arc length of the nearest nominal rim point, and signed distance to the nominal rim in plan (+ outside), for
    points (N, 2) near the rim.
    """
    nominal, arc = toplid.rim(), toplid.rim().arc_mm
    count = len(nominal.xy_mm)
    vertex = _nominal_tree().query(xy_mm)[1]
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


def edge_truth(scene: Scene) -> EdgeTruth:
    """Raises ValueError if the scene has no shell."""
    if scene.shell is None:
        raise ValueError("the scene has no shell")
    xy = scene.shell.rim_xy()
    arris = scene.shell.lifted(xy)
    arc, datum = arc_and_deviation(scene.shell.to_shell(arris)[:, :2])
    _, fixture = arc_and_deviation(xy)
    return EdgeTruth(
        arc, datum, fixture, scene.camera.project(arris), face_hidden(scene, arris, toplid.plan_normals(xy))
    )


def face_hidden(scene: Scene, arris_mm: Array, normals: Array) -> NDArray[np.bool_]:
    """Where the camera does not see the vertical cut face below fixture points (N, 3) with plan normals (N, 2) out of
    the material.
    """
    to_camera = scene.camera.centre_mm - arris_mm
    return np.asarray(np.sum(to_camera[:, :2] * normals, axis=1) < 0)


def in_zone(arc_mm: Array, name: str) -> NDArray[np.bool_]:
    start, end = toplid.zone_spans_mm()[name]
    if start < end:
        return (arc_mm >= start) & (arc_mm < end)
    return (arc_mm >= start) | (arc_mm < end)


def zone_truth(edge: EdgeTruth) -> dict[str, dict[str, float]]:
    found = {}
    for name in toplid.zone_spans_mm():
        here = in_zone(edge.arc_mm, name)
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
    for name in toplid.cutouts():
        xy = shell.cutout_xy(name)
        if xy is None:
            found[name.replace("_", "-")] = {"missing": True}
            continue
        arris = shell.lifted(xy)
        polygon = shapely.Polygon(shell.to_shell(arris)[:, :2])
        centre = np.array(polygon.centroid.coords[0])
        off = centre - toplid.cutout_centre_mm(name)
        entry: dict[str, Any] = {
            "missing": False,
            "centre_mm": np.round(centre, 5).tolist(),
            "off_mm": np.round(off, 5).tolist(),
            "face_hidden": round(float(face_hidden(scene, arris, -toplid.plan_normals(xy)).mean()), 3),
        }
        if name == "lock_hole":
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


def expected(scene: Scene, refusal: str | None = None) -> dict[str, Any]:
    """What a gauge with no error of its own must answer, with the places that decide it and those within the guard.
    ``refusal``: why there can be no result.
    """
    if refusal is not None:
        return {"answer": "NO RESULT", "places": [refusal], "too_close": []}
    shell = scene.shell
    assert shell is not None
    sides: dict[str, int] = {}
    for name, zone in zone_truth(edge_truth(scene)).items():
        sides[f"zone {name}"] = _side(max(zone["datum_max_mm"], -zone["datum_min_mm"]), ZONE_LIMIT_MM, GUARD_MM)
    sides["path shift"] = _side(float(np.hypot(shell.path.dx_mm, shell.path.dy_mm)), PATH_SHIFT_LIMIT_MM, GUARD_MM)
    sides["path rotation"] = _side(abs(shell.path.rotation_deg), PATH_ROTATION_LIMIT_DEG, PATH_GUARD_DEG)
    for name, found in cutout_truth(scene).items():
        sides[f"cut-out {name}"] = 2 if found["missing"] else _cutout_side(name, found)
    if shell.decal is not None:
        offset = max(abs(shell.decal.dx_mm), abs(shell.decal.dy_mm))
        sides["decal badge"] = max(
            _side(offset, DECAL_OFFSET_LIMIT_MM, GUARD_MM),
            _side(abs(shell.decal.rotation_deg), DECAL_ROTATION_LIMIT_DEG, GUARD_DEG),
        )
    worst = max(sides.values())
    answer = ("CONFORMING", "NOT PROVEN", "NONCONFORMING")[worst]
    return {
        "answer": answer,
        "places": [place for place, side in sides.items() if side == worst] if worst else [],
        "too_close": [place for place, side in sides.items() if side == 1],
    }


def _cutout_side(name: str, found: dict[str, Any]) -> int:
    sides = [_side(float(np.hypot(*found["off_mm"])), HOLE_POSITION_LIMIT_MM, GUARD_MM)]
    if name == "lock-hole":
        sides.append(_side(abs(found["diameter_mm"] - toplid.HOLE_DIAMETER_MM), HOLE_SIZE_LIMIT_MM, GUARD_MM))
    else:
        sides.append(_side(abs(found["length_mm"] - toplid.SLOT_LENGTH_MM), SLOT_SIZE_LIMIT_MM, GUARD_MM))
        sides.append(_side(abs(found["width_mm"] - toplid.SLOT_WIDTH_MM), SLOT_SIZE_LIMIT_MM, GUARD_MM))
    return max(sides)


def shell_truth(scene: Scene, refusal: str | None = None) -> dict[str, Any]:
    """Everything that is true of a shell picture, ready for truth.json."""
    shell = scene.shell
    assert shell is not None
    return {
        "expected": expected(scene, refusal),
        "temperature_c": shell.temperature_c,
        "seating": {
            "rotation": np.round(shell.seating.rotation, 9).tolist(),
            "translation_mm": np.round(shell.seating.translation_mm, 6).tolist(),
        },
        "path": {"dx_mm": shell.path.dx_mm, "dy_mm": shell.path.dy_mm, "rotation_deg": shell.path.rotation_deg},
        "zones": zone_truth(edge_truth(scene)),
        "cutouts": cutout_truth(scene),
        "decal": None
        if shell.decal is None
        else {"dx_mm": shell.decal.dx_mm, "dy_mm": shell.decal.dy_mm, "rotation_deg": shell.decal.rotation_deg},
        "camera": camera_truth(scene),
        "covered_lens": scene.covered_lens,
        "noise": {
            "full_well_electrons": scene.sensor.full_well,
            "read_noise_electrons": scene.sensor.read_noise_electrons,
            "seed": scene.seed,
        },
    }


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
