"""Decals drawn by an independent hand, whole and damaged: ``python -m tests.benchmarks.decals whole FILE [COUNT]``.

Every draw is a line of FILE, which is gone on with when the command is started again. ``... decals table FILE`` prints
what it holds. ``... decals exact FILE [COUNT]``: how exactly they are measured (decal_exact); ``anew``: whether what is
said of their uncertainty holds (decal_anew); ``find``: whether each is found and named (decal_finding);
``colour``: whether each in a wrong colour is found, and no good one (decal_colour).
"""

from __future__ import annotations

import sys
from operator import itemgetter
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from edgeinspect.conformity.decal import UNJUDGED
from edgeinspect.geometry import Pose
from edgeinspect.measure.decal import DecalFit, measure_decal
from edgeinspect.shell.definition import Decal
from edgeinspect.shell.files import load_shell
from tests.benchmarks import decal_anew, decal_colour, decal_exact, decal_finding
from tests.benchmarks.resumed import go_on, rows
from tests.measure import decal_pictures as pictures
from tests.measure.decal_pictures import SQUARELY, Drawn, Laid, Surface, decal_of, drawn

MODEL = Path(__file__).parents[2] / "models" / "toplid"
OTHERS = {"exact": decal_exact, "anew": decal_anew, "find": decal_finding, "colour": decal_colour}
KINDS = ("good", "torn", "folded", "missing", "bubble", "wrinkle", "smear", "glare")
SAYS = {"folded": ("torn",), "wrinkle": ("bubble",)}  # the same in one picture
LETTERS = [(-18.7 + 12.4 * k, -4.6, -6.9 + 12.4 * k, 11.7) for k in range(4)]  # "MOVO" and "48" on the badge [mm]
LETTERS += [(31.0, 0.4, 38.7, 11.5), (39.6, 0.4, 47.3, 11.5)]
SURFACES = (Surface(), Surface(0.0, 150.0), Surface(0.0, 300.0), Surface(0.0, 400.0), Surface(1200.0, 300.0))


def scene(kind: str, seed: int, badge: Decal) -> Laid:
    """How the decal of one draw lies: within its limits, stretched by up to 0.3 %, light falling off by up to 25 %."""
    random = np.random.default_rng([KINDS.index(kind), seed])
    limit, turn = badge.offset_limit_mm, badge.rotation_limit_deg
    dim = random.random() < 0.2
    laid = Laid(
        (*random.uniform(-limit, limit, 2), random.uniform(-turn, turn), *random.uniform(-0.003, 0.003, 2)),
        SURFACES[random.integers(len(SURFACES))],
        per_mm=random.uniform(3.3, 4.5),
        blur_px=random.uniform(0.6, 1.0),
        sheet=random.uniform(0.3, 0.6),
        exposure=0.45 if dim else random.uniform(0.7, 0.95),
        slope=random.uniform(-0.25, 0.25),
        seed=seed,
        bits=8 if random.random() < 0.5 else 16,
        beads=int(random.integers(1, 6)) if random.random() < 0.3 else 0,
        reach_mm=7.0,
        fine=3,
    )
    return pictures.replace(laid, damage=(_damage(kind, random, badge),) if kind != "good" else ())


def _damage(kind: str, random: np.random.Generator, badge: Decal) -> pictures.Damage:
    half = np.array([badge.artwork.width_mm, badge.artwork.height_mm]) / 2
    at = tuple(random.uniform(-1, 1, 2) * (half - 9.0))
    side = (int(random.choice([-1, 1])), int(random.choice([-1, 1])))
    if kind in ("torn", "folded"):  # of the corner's triangle its rounding takes 0.215 x 6 x 6 = 7.7 mm² beforehand
        legs = tuple(random.uniform(5.3, 8.5, 2))
        back = random.uniform(0.4, 0.8) if kind == "folded" else None
        return pictures.torn_corner(side, legs, back, int(random.integers(1000)))
    if kind == "missing":
        return pictures.missing(LETTERS[random.integers(len(LETTERS))], float(np.median(badge.artwork.grey)))
    lamp = random.uniform(40.0, 55.0)
    if kind == "bubble":
        radius = random.uniform(4.0, 8.0)
        return pictures.bubble(at, radius, radius * random.uniform(0.1, 0.16), lamp, random.uniform(0, 360))
    if kind == "wrinkle":
        width = random.uniform(2.0, 4.0)
        size = (random.uniform(8.0, 20.0), width, width * random.uniform(0.1, 0.16))
        return pictures.wrinkle(at, *size, random.uniform(0, 180), lamp)
    if kind == "smear":
        box = LETTERS[random.integers(len(LETTERS))]
        middle = ((box[0] + box[2]) / 2 + random.uniform(-2, 2), (box[1] + box[3]) / 2 + random.uniform(-2, 2))
        angle, far = random.uniform(0, 2 * np.pi), random.uniform(3.0, 7.0)
        return pictures.smear(
            middle, (random.uniform(4, 9), random.uniform(4, 9)), (far * np.cos(angle), far * np.sin(angle))
        )
    return pictures.glare(at, random.uniform(2.0, 6.0), random.uniform(0.3, 1.5))


def measured(picture: Drawn, laid: Laid, badge: Decal) -> DecalFit:
    blur = float(np.hypot(laid.blur_px, 12.0**-0.5))
    return measure_decal(picture.picture, decal_of(badge, laid.surface), Pose.identity(), picture.model, SQUARELY, blur)


def one(kind: str, seed: int, badge: Decal) -> dict[str, Any]:
    laid = scene(kind, seed, badge)
    picture = drawn(badge.artwork, laid)
    fit = measured(picture, laid, badge)
    truth = np.array(laid.values) * [1, 1, np.pi / 180, 1, 1]
    faults = fit.whole.faults if fit.whole else ()
    row: dict[str, Any] = {
        "kind": kind,
        "seed": seed,
        "there": fit.there,
        "error": [round(float(x), 6) for x in fit.values - truth],
        "warp": round(fit.warp_mm, 4),
        "unjudged": round(fit.whole.unjudged, 4) if fit.whole else None,
        "true_mm2": round(picture.damaged_mm2, 2),
        "found": [[str(f.kind), round(f.area_mm2, 2), *(round(float(x), 2) for x in f.at_mm)] for f in faults],
    }
    if faults and kind != "good":
        off = [float(np.hypot(*(f.at_mm - picture.damaged_at_mm))) for f in faults]
        row["nearest"], row["off_mm"] = int(np.argmin(off)), round(min(off), 2)
    return row


def run(kind_counts: dict[str, int], file: Path) -> None:
    cv2.setNumThreads(1)
    badge = pictures.replace(load_shell(MODEL).decals[0], bubbles=True)
    places = list[tuple[str, int]]()
    most = max(kind_counts.values())
    for number in range(most):  # of every kind its share, as far as it gets
        for kind, count in kind_counts.items():
            share = most // count if count else 0
            if count and number % share == 0 and number // share < count:
                places.append((kind, number // share))
    go_on(file, itemgetter("kind", "seed"), places, lambda place: one(*place, badge))


def table(file: Path) -> str:
    """Found: a fault that is not merely glare, unless glare was drawn. Right: told as what it is."""
    lines = [
        "| drawn | decals | with a fault | told as such | bubbles not judged | off [mm]: median, 95 %, worst "
        "| area over true: median, 5 to 95 % |",
        "|---|---|---|---|---|---|---|",
    ]
    every = rows(file)
    for kind in KINDS:
        here = [row for row in every if row["kind"] == kind]
        if not here:
            continue
        found = [row for row in here if row["found"]]
        right = sum(any(f[0] in SAYS.get(kind, (kind,)) for f in row["found"]) for row in found)
        off = np.array([row["off_mm"] for row in found if "off_mm" in row] or [np.nan])
        size = np.array(
            [row["found"][row["nearest"]][1] / row["true_mm2"] for row in found if "nearest" in row] or [np.nan]
        )
        lines.append(
            f"| {kind} | {len(here)} | {len(found)} | {right} | {sum(row['unjudged'] > UNJUDGED for row in here)} | "
            f"{np.median(off):.2f}, {np.percentile(off, 95):.2f}, {off.max():.2f} | "
            f"{np.median(size):.2f}, {np.percentile(size, 5):.2f} to {np.percentile(size, 95):.2f} |"
        )
    return "\n".join(lines)


def main(arguments: list[str]) -> None:
    what, file = arguments[0], Path(arguments[1])
    count = int(arguments[2]) if len(arguments) > 2 else 200
    if what in OTHERS:
        OTHERS[what].run(file, count)
        print(OTHERS[what].table(file))
        return
    if what == "whole":
        run({kind: 5 * count if kind == "good" else count for kind in KINDS}, file)
    print(table(file))


if __name__ == "__main__":
    main(sys.argv[1:])
