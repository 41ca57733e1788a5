"""Is every decal in a wrong colour found, and no good one? ``python -m tests.benchmarks.decals colour FILE [COUNT]``.

Eight cameras in colour, each with its own senses, light, bits and exposure, calibrated by its own drawn chart and white
sheet; the badge on a flat or a cylinder, placed as exactly as a measuring camera finds it. Drawn: COUNT prints in a
wrong colour (one ink, the whole batch, faded towards paper, one region), and five times as many good ones, whose inks
are up to 0.8 off (CIEDE2000). A line of FILE a print, which is gone on with.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from operator import itemgetter
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.stats import binomtest
from skimage import color

from edgeinspect.conformity.colour import colour_findings
from edgeinspect.conformity.verdict import Answer
from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.camera import ColourCalibration
from edgeinspect.measure.colour_calibration import calibrate_colour
from edgeinspect.measure.decal import DecalFit
from edgeinspect.measure.decal_colour import ColourShot, ColourSight, colours_of
from edgeinspect.measure.measurement import DecalResult
from edgeinspect.shell.artwork import read_artwork
from edgeinspect.shell.definition import ColourLimit, Decal, Ink
from edgeinspect.shell.files import load_shell
from edgeinspect.shell.srgb import flat_colours, which_flat
from tests.benchmarks.resumed import go_on, rows
from tests.measure import colour_pictures as pictures
from tests.measure.colour_pictures import SENSES, Setting
from tests.measure.decal_pictures import Surface, decal_of

MODEL = Path(__file__).parents[2] / "models" / "toplid"
BAD = ("ink", "batch", "faded", "region")
INKS_LAB = np.array([[18.0, 0.5, -3.0], [93.0, 0.0, 2.0], [72.0, 24.0, 68.0], [60.0, 0.0, 0.0]])
WORDS = ("black", "white", "amber", "grey")
PAPER_LAB = np.array([94.0, 0.0, 1.0])
LIMIT_DE, GOOD_DE, BAD_DE = 4.0, 0.8, (6.0, 14.0)
FAR_DE = 3.0  # a difference is a length: near none of it every error makes it longer
PLACE_U = np.array([0.03, 0.03, 0.0005, 0.0003, 0.0003])  # of what the measuring camera finds: mm, mm, rad, 1, 1
SURFACES = (Surface(), Surface(0.0, 150.0), Surface(0.0, 300.0), Surface(0.0, 400.0))
CAMERAS = 8


@cache
def badge() -> tuple[Decal, Array]:
    """With the inks that it is printed in, and which of them every pixel of the artwork is."""
    art = read_artwork((MODEL / "badge.png").read_bytes(), "badge", 110.0, 45.0, in_colour=True)
    flats = flat_colours(art)
    named = zip(flats, INKS_LAB, WORDS, strict=True)
    limit = ColourLimit(LIMIT_DE, inks=tuple(Ink(words, srgb, lab) for (_, srgb), lab, words in named))
    return replace(load_shell(MODEL).decals[0], artwork=art, colour=limit), np.asarray(
        which_flat(art, [srgb for _, srgb in flats])
    )


@cache
def camera(number: int) -> tuple[Setting, ColourCalibration]:
    """One of CAMERAS: every fifth is dim, half of them have 8 bits."""
    random = np.random.default_rng([number, 51])
    senses = SENSES + random.normal(0.0, 0.03, (3, 3))
    setting = Setting(
        110.0,
        45.0,
        per_mm=random.uniform(3.3, 4.5),
        blur_px=random.uniform(0.6, 1.0),
        fall_off=random.uniform(0.0, 0.25),
        fall_deg=random.uniform(0.0, 360.0),
        exposure=0.45 if number % 5 == 4 else random.uniform(0.7, 0.85),
        bits=8 if number % 2 else 16,
        senses=senses / (senses @ [0.9642, 1.0, 0.8252])[:, None],
    )
    chart, sheet = (
        pictures.placed(pictures.picture(setting, look(setting), 1000 * number + k))
        for k, look in enumerate((pictures.chart_look, pictures.sheet_look))
    )
    places = np.array([[-57, -24, 0], [57, -24, 0], [57, 24, 0], [-57, 24, 0.0]])
    patches, patch = pictures.chart(setting), setting.grey_patch_mm
    return setting, calibrate_colour(chart, sheet, patches, places, patch, setting.model, "D50", "2026-11-27T10:00:00Z")


def off_by(lab: Array, way: Array, de: float) -> Array:
    """A colour that is off by so much (CIEDE2000 of scikit-image) in a direction of CIELAB."""
    low, high = 0.0, 120.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if color.deltaE_ciede2000(lab, lab + middle * way) < de else (low, middle)
    return np.asarray(lab + low * way)


def _way(random: np.random.Generator) -> Array:
    way = random.standard_normal(3)
    return np.asarray(way / np.linalg.norm(way))


def printed(kind: str, random: np.random.Generator) -> tuple[Array, Any, list[int]]:
    """CIELAB of the inks as they came out, a region of others, and which inks are off."""
    inks = np.array([off_by(lab, _way(random), random.uniform(0.0, GOOD_DE)) for lab in INKS_LAB])
    de = random.uniform(*BAD_DE)
    if kind == "ink":
        which = int(random.integers(len(inks)))
        inks[which] = off_by(INKS_LAB[which], _way(random), de)
        return inks, None, [which]
    if kind == "batch":
        way = off_by(INKS_LAB[0], _way(random), de) - INKS_LAB[0]
        return INKS_LAB + way, None, [0, 1, 2, 3]
    if kind == "faded":
        away = PAPER_LAB - INKS_LAB
        share = np.linspace(0.0, 0.9, 181)
        most = [color.deltaE_ciede2000(INKS_LAB, INKS_LAB + s * away).max() for s in share]
        return INKS_LAB + share[int(np.searchsorted(most, de))] * away, None, [0, 2, 3]
    if kind == "region":
        size = np.array([random.uniform(12.0, 30.0), random.uniform(11.0, 18.0)])
        corner = random.uniform([-52.0, -20.0], [52.0 - size[0], 20.0 - size[1]])
        way = off_by(INKS_LAB[0], _way(random), de) - INKS_LAB[0]
        return inks, (*corner, *(corner + size), inks + way), [0]
    return inks, None, []


def one(kind: str, seed: int) -> dict[str, Any]:
    random = np.random.default_rng([("good", *BAD).index(kind), seed, 52])
    setting, calibration = camera(seed % CAMERAS)
    decal, label = badge()
    surface = SURFACES[random.integers(len(SURFACES))]
    decal = decal_of(decal, surface)
    limit, turn = decal.offset_limit_mm, decal.rotation_limit_deg
    values = (*random.uniform(-limit, limit, 2), random.uniform(-turn, turn), *random.uniform(-0.003, 0.003, 2))
    inks, region, off = printed(kind, random)
    lamp = random.uniform(0.85, 1.1) * (1.0 + random.uniform(-0.01, 0.01, 3))
    look = pictures.decal_look(setting, label, inks, 10.0, values, region)
    levels = pictures.picture(
        setting, look, seed + 7, surface=surface, lamp=tuple(lamp), slope=float(random.uniform(-0.15, 0.15))
    )
    laid = DecalFit(True, np.array(values) * [1, 1, np.pi / 180, 1, 1] + PLACE_U * random.standard_normal(5))
    picture = replace(pictures.placed(levels), black=calibration.black)
    shot = ColourShot("tint", picture, setting.model, setting.seen_blur_px, calibration, setting.grey_patch_mm)
    colour, faults = colours_of(decal, Pose.identity(), laid, ColourSight((shot,)), lambda at: at, "top")
    (finding,) = colour_findings(decal, DecalResult(decal.name, True, colour=colour, faults=faults))
    true = color.deltaE_ciede2000(INKS_LAB, inks if region is None else region[4])
    row: dict[str, Any] = {
        "kind": kind,
        "seed": seed,
        "answer": finding.answer.value,
        "sentence": finding.sentence,
        "worst": [round(colour.worst.value, 3), round(colour.worst.u, 3)] if colour.worst else None,
        "true": [round(float(x), 3) for x in true],
        "off": [WORDS[k] for k in off],
        "regions": [
            [f.ink, round(f.off_by.value, 2) if f.off_by else None, round(f.length_mm, 1), round(f.width_mm, 1)]
            + [round(float(x), 1) for x in f.at_mm]
            for f in faults
        ],
    }
    if region is None:
        read = {ink.name: ink for ink in colour.inks}
        row["inks"] = []
        for k, name in enumerate(WORDS):
            ink = read[name]
            if ink.off_by is not None and ink.read_lab is not None:
                error = float(color.deltaE_ciede2000(inks[k], np.asarray(ink.read_lab, dtype=float)))
                row["inks"].append([name, round(error, 3), round(ink.off_by.value - float(true[k]), 3), ink.off_by.u])
    else:
        row["box"] = [round(float(x), 1) for x in region[:4]]
    return row


def found(row: dict[str, Any]) -> bool:
    """Held back, and told where: in an ink that is off, or in the region."""
    if row["answer"] not in (Answer.NONCONFORMING.value, Answer.NOT_PROVEN.value) or not row["regions"]:
        return False
    if "box" in row:
        x0, y0, x1, y1 = row["box"]
        return any(x0 - 3 < r[4] < x1 + 3 and y0 - 3 < r[5] < y1 + 3 for r in row["regions"])
    return any(region[0] in row["off"] for region in row["regions"])


def run(file: Path, count: int) -> None:
    cv2.setNumThreads(1)
    each = max(1, count // len(BAD))
    places = [(kind, k) for k in range(each) for kind in BAD]
    good = [("good", k) for k in range(5 * count)]
    every = [one for k in range(len(places)) for one in (places[k], *good[5 * k : 5 * k + 5])]
    go_on(file, itemgetter("kind", "seed"), [*every, *good[5 * len(places) :]], lambda place: one(*place))


def table(file: Path) -> str:
    every = rows(file)
    lines = [
        "| drawn | prints | held back, place and ink told | red | too close | green | 95 % of found, or of false |"
    ]
    lines += ["|---|---|---|---|---|---|---|"]
    for kind in ("good", *BAD, "all wrong ones"):
        here = [row for row in every if row["kind"] == kind or (kind not in ("good", *BAD) and row["kind"] != "good")]
        if not here:
            continue
        answers = [row["answer"] for row in here]
        told = sum(found(row) for row in here)
        counted = answers.count("NONCONFORMING") if kind == "good" else told
        interval = binomtest(counted, len(here)).proportion_ci(0.95, "exact")
        counts = " | ".join(str(answers.count(one.value)) for one in (Answer.NONCONFORMING, Answer.NOT_PROVEN))
        lines.append(
            f"| {kind} | {len(here)} | {told if kind != 'good' else '-'} | {counts} | {answers.count('CONFORMING')} | "
            f"{100 * interval.low:.2f} to {100 * interval.high:.2f} % |"
        )
    reads = np.array([ink[1:] for row in every for ink in row.get("inks", [])])
    names = [ink[0] for row in every for ink in row.get("inks", [])]
    lines += [
        "",
        "| ink | reads | colour read off by (CIEDE2000): median, 95 % | ΔE told - true: mean, rms | u: mean | "
        "truly 3 and more off: rms of error/u |",
    ]
    lines += ["|---|---|---|---|---|---|"]
    true = [row["true"][WORDS.index(ink[0])] for row in every for ink in row.get("inks", [])]
    for name in WORDS:
        mine = reads[[one == name for one in names]]
        far = reads[[one == name and off >= FAR_DE for one, off in zip(names, true, strict=True)]]
        of_u = f"{np.sqrt(np.mean((far[:, 1] / far[:, 2]) ** 2)):.2f} ({len(far)})" if len(far) else ""
        error, told_off, u = mine.T
        lines.append(
            f"| {name} | {len(mine)} | {np.median(error):.2f}, {np.percentile(error, 95):.2f} | "
            f"{told_off.mean():+.2f}, {np.sqrt((told_off**2).mean()):.2f} | {u.mean():.2f} | {of_u} |"
        )
    return "\n".join(lines)
