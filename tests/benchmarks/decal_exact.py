"""How exactly a decal is measured at 0.065 mm a pixel, condition by condition: ``python -m tests.benchmarks.decals
exact FILE [COUNT]``.

COUNT draws of each condition on each surface, drawn by an independent hand (tests/measure/decal_pictures.py), noise
included; a line of FILE each, which is gone on with when the command is started again.
"""

from __future__ import annotations

from itertools import product
from operator import itemgetter
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from edgeinspect.geometry import Pose
from edgeinspect.measure.decal import DecalFit, measure_decal
from edgeinspect.shell.definition import Decal
from edgeinspect.shell.files import load_shell
from tests.benchmarks.resumed import Row, go_on, rows
from tests.measure.decal_pictures import SQUARELY, Laid, Surface, decal_of, drawn

MODEL = Path(__file__).parents[2] / "models" / "toplid"
PER_MM = 1.0 / 0.065
SURFACES = {
    "flat": Surface(),
    "R 150": Surface(0.0, 150.0),
    "R 300": Surface(0.0, 300.0),
    "R 400": Surface(0.0, 400.0),
    "bent both ways": Surface(1200.0, 300.0),
}
CONDITIONS: dict[str, dict[str, Any]] = {
    "plain": {},
    "dim": {"exposure": 0.25},
    "gradient of 25 %": {"slope": 0.25},
    "dark shell": {"sheet": 0.05},
    "shell as bright as the print": {"sheet": 0.025},  # as its ground: the outline does not show
    "beads of water on it": {"beads_on": 12, "beads": 4},
    "carrier film": {"carrier_mm": 1.5},
    "several together": {
        "exposure": 0.25,
        "slope": -0.25,
        "sheet": 0.05,
        "beads_on": 12,
        "beads": 4,
        "carrier_mm": 1.5,
    },
}
AIMS = (0.001, 0.004, 0.003, 50.0)  # bias [mm], worst offset [mm], worst rotation [deg], worst stretch [ppm]


def laid_so(condition: str, surface: str, seed: int, badge: Decal) -> Laid:
    random = np.random.default_rng([list(CONDITIONS).index(condition), list(SURFACES).index(surface), seed])
    limit, turn = badge.offset_limit_mm, badge.rotation_limit_deg
    values = (*random.uniform(-limit, limit, 2), random.uniform(-turn, turn), *random.uniform(-0.003, 0.003, 2))
    usual: dict[str, Any] = {
        "per_mm": PER_MM,
        "blur_px": float(random.uniform(0.6, 1.0)),
        "sheet": float(random.uniform(0.3, 0.6)),
        "exposure": float(random.uniform(0.7, 0.95)),
        "bits": 8,
    }
    seed = int(random.integers(1_000_000))
    return Laid(values, SURFACES[surface], seed=seed, reach_mm=7.0, fine=2, **usual | CONDITIONS[condition])


def fitted(laid: Laid, badge: Decal) -> DecalFit:
    picture = drawn(badge.artwork, laid)
    blur = float(np.hypot(laid.blur_px, 12.0**-0.5))
    return measure_decal(picture.picture, decal_of(badge, laid.surface), Pose.identity(), picture.model, SQUARELY, blur)


def errors(laid: Laid, badge: Decal) -> list[float]:
    """dx, dy [mm], rotation [deg], stretches [ppm] off the truth; nan where it was not found."""
    off = fitted(laid, badge).values - np.array(laid.values) * [1, 1, np.pi / 180, 1, 1]
    return [float(x) for x in off * [1, 1, 180 / np.pi, 1e6, 1e6]]


def run(file: Path, count: int) -> None:
    cv2.setNumThreads(1)
    badge = load_shell(MODEL).decals[0]

    def draw(place: tuple[int, str, str]) -> Row:
        seed, condition, surface = place
        off = errors(laid_so(condition, surface, seed, badge), badge)
        return {"condition": condition, "surface": surface, "seed": seed, "off": [round(x, 6) for x in off]}

    go_on(file, itemgetter("seed", "condition", "surface"), product(range(count), CONDITIONS, SURFACES), draw)


def table(file: Path) -> str:
    lines = [
        "| condition | decals | measured | bias dx, dy [mm] | dx, dy: worst [mm] | rotation: worst [deg] "
        "| stretch: mean off, worst [ppm] |",
        "|---|---|---|---|---|---|---|",
    ]
    every = rows(file)
    groups = [(name, [r for r in every if r["condition"] == name]) for name in CONDITIONS]
    groups += [(name, [r for r in every if r["surface"] == name]) for name in SURFACES]
    for name, here in groups:
        if not here:
            continue
        off = np.array([row["off"] for row in here], dtype=float)
        off = off[np.isfinite(off).all(axis=1)]
        if not len(off):
            lines.append(f"| {name} | {len(here)} | 0 | | | | |")
            continue
        bias, size = off.mean(axis=0), np.abs(off)
        lines.append(
            f"| {name} | {len(here)} | {len(off)} | {bias[0]:+.4f}, {bias[1]:+.4f} | {size[:, :2].max():.4f} | "
            f"{size[:, 2].max():.4f} | {size[:, 3:].mean():.0f}, {size[:, 3:].max():.0f} |"
        )
    return "\n".join(lines)
