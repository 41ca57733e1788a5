"""Whether what is said of a decal's uncertainty holds: ``python -m tests.benchmarks.decals anew FILE [COUNT]``.

Calibration, marks, pips, how the shell sits and how warm it is, the surface under the decal, light and the picture's
noise are drawn anew for every decal from what is stated of them (JCGM 101); the gauge is told the stated values. Then
error over standard uncertainty has a root mean square of one. A line of FILE a decal, which is gone on with.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from operator import itemgetter
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from edgeinspect.geometry import Pose
from edgeinspect.measure.decal_result import decal_result
from edgeinspect.measure.fixture import Seating
from edgeinspect.measure.temperature import Temperature, growth, u_growth
from edgeinspect.shell.definition import Patch, ShellDefinition, SurfaceLimits
from edgeinspect.shell.files import load_shell
from tests.benchmarks.decal_station import Light, Print, TruePatch, by, drawn_camera, picture_of, pips_read, sight_of
from tests.benchmarks.resumed import go_on, rows
from tests.measure.decal_pictures import Surface
from tests.samples import looks

RADII = (0.0, 150.0, 300.0, 400.0)  # 0: flat
U_HEIGHT_MM = 0.05  # of the seat, wide enough to be felt
NUMBERS = ("dx [mm]", "dy [mm]", "rotation [deg]", "stretch along [%]", "stretch across [%]")


@cache
def lid() -> ShellDefinition:
    return load_shell(looks.MODEL)


def one(number: int) -> dict[str, Any]:
    random = np.random.default_rng([number, 31])
    radius = RADII[number % len(RADII)]
    badge = lid().decals[0]
    assert isinstance(badge.patch, Patch)
    limits = SurfaceLimits(float(random.uniform(0.0, 0.3)), float(random.uniform(0.0, 0.3)), 0.02 * radius, assumed=())
    decal = replace(badge, patch=replace(badge.patch, radius_mm=radius), surface=limits)
    definition = replace(lid(), decals=(decal,))
    station = looks.station()
    told = drawn_camera(looks.calibration(), station.fixture, random)
    nominal = station.seatings["toplid"].pose
    seating = Seating("toplid", nominal, 10.0, 5.0, U_HEIGHT_MM)
    temperature = Temperature(float(random.uniform(18.0, 28.0)))
    material = definition.material
    u_c, u_k = temperature.u_celsius, material.u_expansion_per_k
    real_c = temperature.celsius + random.normal(0.0, u_c)
    real_growth = 1.0 + (material.expansion_per_k + random.normal(0.0, u_k)) * (real_c - 20.0)

    # How the shell really lies: lift and tilt from the seat's statement, shift and turn anyhow.
    reach = float(np.abs(nominal.apply(definition.rim.points_mm)[:, :2]).max())
    lift, by_x, by_y = random.normal(0.0, U_HEIGHT_MM, 3)
    tilt = Pose.from_degrees(np.rad2deg([by_x / reach, by_y / reach, 0.0]), (0.0, 0.0, 0.0)).rotation
    seat = Pose(tilt @ nominal.rotation, nominal.translation_mm + np.array([0.0, 0.0, lift]))
    aside = Pose.from_degrees((0.0, 0.0, random.uniform(-1.5, 1.5)), (*random.uniform(-3.0, 3.0, 2), 0.0))
    shell = aside.after(seat)

    about = TruePatch.about(decal.patch.origin_mm, decal.patch.x_axis, decal.patch.normal, Surface(0.0, radius))
    off = random.uniform(-1.0, 1.0, 4) * [
        limits.height_mm, np.deg2rad(limits.tilt_deg), np.deg2rad(limits.tilt_deg), limits.radius_mm,
    ]  # fmt: skip
    place, turn = random.uniform(-1.0, 1.0, 2), random.uniform(-0.8, 0.8)
    truth = np.array([*place, turn, *random.uniform(-0.003, 0.003, 2)])
    light = Light(
        float(random.uniform(0.25, 0.6)),
        float(random.uniform(0.5, 0.95)),
        float(random.uniform(0.6, 1.0)),
        8 if random.random() < 0.5 else 16,
        float(random.uniform(-0.25, 0.25)),
    )
    # What light does to edges, as the gauge allows for it: this drawing has no gloss.
    edge_mm = 0.02 / (looks.calibration().model.fx / float(told.pose.apply(nominal.apply(np.zeros((1, 3))))[0, 2]))
    half = np.array([decal.artwork.width_mm, decal.artwork.height_mm]) / 2
    by_light = edge_mm * random.standard_normal(5) * [1, 1, np.rad2deg(1 / half[0]), 1 / half[0], 1 / half[1]]
    seen = Print(decal.artwork, about.off(*off), tuple(truth + by_light))
    picture = picture_of(told.true, shell, real_growth, [seen], light, number)

    known = growth(material, temperature), u_growth(material, temperature)
    sight = sight_of(definition, station.fixture, seating, [told], [picture], light.blur_px, *known)
    result = decal_result(sight, 0, by(pips_read(sight, told, shell, real_growth, random)))
    row: dict[str, Any] = {"number": number, "radius": radius, "there": result.there}
    quantities = (result.dx, result.dy, result.rotation, result.stretch_along, result.stretch_across)
    if all(quantities):
        units = np.array([1, 1, 1, 100, 100])
        read = np.array([q.value for q in quantities if q])
        noise = [next(s.u for s in q.shares if s.source == "picture noise and print") for q in quantities if q]
        row["error"] = [round(float(x), 6) for x in read - truth * units]
        row["u"] = [round(q.u, 6) for q in quantities if q]
        row["noise"] = [round(x, 6) for x in noise]
    return row


def run(file: Path, count: int) -> None:
    cv2.setNumThreads(1)
    go_on(file, itemgetter("number"), range(count), one)


def ratios(every: list[dict[str, Any]]) -> np.ndarray[Any, Any]:
    """(N, 5) error over u of the decals that were measured."""
    return np.array([np.array(row["error"]) / row["u"] for row in every if "u" in row]).reshape(-1, 5)


def table(file: Path) -> str:
    every = [row for row in rows(file) if "u" in row]
    lines = [
        "| number | decals | error: mean | rms | u: rms | rms of error/u | within U (k = 2) "
        "| rms of error / picture's noise alone |",
        "|---|---|---|---|---|---|---|---|",
    ]
    error, u, noise = (np.array([row[key] for row in every]) for key in ("error", "u", "noise"))
    for k, name in enumerate(NUMBERS):
        ratio = error[:, k] / u[:, k]
        lines.append(
            f"| {name} | {len(every)} | {error[:, k].mean():+.4f} | {np.sqrt((error[:, k] ** 2).mean()):.4f} | "
            f"{np.sqrt((u[:, k] ** 2).mean()):.4f} | {np.sqrt((ratio**2).mean()):.2f} | "
            f"{100 * (np.abs(ratio) <= 2).mean():.1f} % | {np.sqrt(((error[:, k] / noise[:, k]) ** 2).mean()):.0f} |"
        )
    return "\n".join(lines)
