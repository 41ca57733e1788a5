"""Flaws by the thousand on plates drawn by an independent hand: ``python -m tests.benchmarks.flaws run FILE [COUNT]``.

Every plate is a line of FILE, which is gone on with when the command is started again; good plates and spoilt ones take
turns, ten to one. ``... flaws table FILE`` prints what it holds.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.stats import binomtest

from edgeinspect.conformity.flaws import as_judged
from edgeinspect.measure.flaws import find_flaws
from edgeinspect.measure.measurement import Before, FlawKind, FlawResult
from tests.benchmarks.resumed import Row, go_on, rows
from tests.measure.edge_pictures import HALF_X, HALF_Y, LENGTH, Plate, at_arc, from_edge, look, picture, strand

MM_PER_PX = 0.2
ON_A_PLATE = ["nick"] * 3 + ["burr"] * 3 + ["strand"] * 2 + ["chatter"] * 2
SHAPES = {"parabola": 2 / 3, "half ellipse": np.pi / 4, "triangle": 1 / 2, "trapezoid": 3 / 4}  # area of 1 x 1
NEAR_MM = 3.0
GOOD_TO_ONE = 10
Array = NDArray[np.float64]


def size_of(kind: str, random: np.random.Generator) -> dict[str, Any]:
    """What is drawn; the smallest nicks and burrs are 0.6 mm long and 0.3 mm deep, strands 0.15 mm wide."""
    if kind in ("nick", "burr"):
        shape = str(random.choice(list(SHAPES), p=[0.4, 0.2, 0.2, 0.2]))
        return {"shape": shape, "length": random.uniform(0.6, 2.0), "depth": random.uniform(0.3, 0.6)}
    if kind == "strand":
        angle = float(np.deg2rad(random.uniform(-60, 60)))
        size = {"width": random.uniform(0.15, 0.4), "depth": random.uniform(0.8, 2.2), "angle": angle}
        return size | {"level": random.uniform(0.4, 0.55)}
    pitch = random.uniform(2.0, 6.0)
    return {"pitch": pitch, "length": int(random.integers(4, 8)) * pitch, "depth": random.uniform(0.06, 0.3)}


def spoilt(seed: int) -> tuple[Plate, list[dict[str, Any]]]:
    """A plate with ten flaws far apart."""
    random, plate = np.random.default_rng([seed, 77]), Plate(wave_mm=0.1)
    room = LENGTH / len(ON_A_PLATE)
    drawn = []
    for place, kind in enumerate(random.permutation(ON_A_PLATE).tolist()):
        flaw = {"kind": kind, "arc": room * (place + 0.5) + random.uniform(-1.0, 1.0), **size_of(kind, random)}
        if kind == "chatter":
            flaw["length"] = min(flaw["length"], np.floor(32.0 / flaw["pitch"]) * flaw["pitch"])
            plate.chatter.append((flaw["arc"], flaw["length"], flaw["pitch"], flaw["depth"]))
        drawn.append(flaw)
    for flaw in drawn:
        if flaw["kind"] in ("nick", "burr"):
            way = 1.0 if flaw["kind"] == "burr" else -1.0
            plate.spoil(flaw["arc"], flaw["length"], way * flaw["depth"], flaw["shape"])
        elif flaw["kind"] == "strand":
            way_out = np.array([np.sin(flaw["angle"]), np.cos(flaw["angle"])])
            ends = np.array([-2.0 * way_out, flaw["depth"] / np.cos(flaw["angle"]) * way_out])
            plate.loose.append((strand(from_edge(flaw["arc"], ends), flaw["width"]), flaw["level"]))
    return plate, drawn


def _seen(plate: Plate, seed: int, **more: Any) -> tuple[FlawResult, ...]:
    off = np.random.default_rng([seed, 9]).uniform(-0.5, 0.5, 2)
    raw, camera = picture(plate, seed, mm_per_px=MM_PER_PX, off_px=(off[0], off[1]), **more)
    shot, here = look(raw, camera)
    return find_flaws((shot,), "rim", here)


def _away(flaw: FlawResult, arc_mm: float) -> float:
    return float(abs((flaw.arc_mm - arc_mm + LENGTH / 2) % LENGTH - LENGTH / 2))


def spoilt_line(seed: int) -> dict[str, Any]:
    plate, drawn = spoilt(seed)
    found = _seen(plate, seed)
    used = set[int]()
    for flaw in drawn:
        reach = NEAR_MM + (0.5 * flaw["length"] if flaw["kind"] == "chatter" else 0.0)
        here = [k for k, one in enumerate(found) if _away(one, flaw["arc"]) < reach]
        used |= set(here)
        here.sort(key=lambda k: (found[k].kind.value != flaw["kind"], _away(found[k], flaw["arc"])))
        flaw["found"] = found[here[0]].kind.value if here else ""
        if here:
            one = found[here[0]]
            flaw |= {"is_length": one.length.value, "is_depth": one.depth.value, "is_area": one.area_mm2}
            flaw |= {"u_length": one.length.u, "u_depth": one.depth.u, "off": _away(one, flaw["arc"])}
            flaw["is_pitch"] = one.pitch.value if one.pitch else None
    if any(flaw["kind"] == "burr" and flaw["found"] == "strand" for flaw in drawn):
        _again(plate, seed, found, drawn)
    elsewhere = [_plain(one) for k, one in enumerate(found) if k not in used]
    return {"spoilt": seed, "flaws": drawn, "elsewhere": elsewhere}


def _again(plate: Plate, seed: int, found: tuple[FlawResult, ...], drawn: list[dict[str, Any]]) -> None:
    """A second look after blowing off: loose strands are gone, a burr that was taken for one is still there."""
    plate.loose.clear()
    before = Before(looks=1, strands=tuple(one for one in found if one.kind is FlawKind.STRAND))
    second = _seen(plate, seed + 1_000_000)
    for flaw in drawn:
        if flaw["kind"] == "burr" and flaw["found"] == "strand":
            told = [as_judged(one, before).value for one in second if _away(one, flaw["arc"]) < NEAR_MM]
            flaw["again"] = told[0] if told else ""


def _plain(one: FlawResult) -> list[Any]:
    return [one.kind.value, round(one.arc_mm, 2), round(one.length.value, 3), round(one.depth.value, 3)]


def good(seed: int) -> tuple[Plate, dict[str, Any]]:
    """A good plate, and what lies about: chips that touch nothing, scratches, clamps, hot pixels, soft shadows."""
    random = np.random.default_rng([seed, 78])
    plate = Plate(wave_mm=random.uniform(0.0, 0.15), wave_length_mm=random.uniform(40.0, 120.0))
    for _ in range(10):  # chips
        bend, off = random.uniform(-1, 1, 2), random.uniform(1.7, 3.0) * (1 if random.random() < 0.7 else -1)
        ends = np.array([(0.0, off), (bend[0], off + np.sign(off) * abs(bend[1]))])
        shape = strand(from_edge(random.uniform(0, LENGTH), ends), random.uniform(0.2, 0.8))
        plate.loose.append((shape, random.uniform(0.3, 0.6)))
    for _ in range(3):  # scratches of the face, brighter or darker by up to a fifth; some end at the edge
        depth = 0.0 if random.random() < 0.3 else random.uniform(0.5, 3.0)
        ends = np.array([(0.0, -depth), (random.uniform(-15, 15), -depth - random.uniform(3.0, 20.0))])
        line = strand(from_edge(random.uniform(0, LENGTH), ends), random.uniform(0.1, 0.2)).intersection(plate.area())
        plate.loose.append((line, plate.face * (1 + random.uniform(-0.2, 0.2))))
    for _ in range(2):  # clamps on the face and beside it
        (xy,), (normal,) = at_arc(random.uniform(0, LENGTH))
        way = 1.0 if random.random() < 0.5 else -1.0
        middle = xy + way * (2.2 + 5.0) * normal
        foot = shapely.affinity.rotate(
            shapely.box(-5, -random.uniform(3, 8), 5, random.uniform(3, 8)),
            float(np.degrees(np.arctan2(normal[1], normal[0]))),
            (0, 0),
        )
        foot = shapely.affinity.translate(foot, *middle)
        if foot.distance(plate.area().exterior) > 1.7:
            plate.loose.append((foot, random.uniform(0.1, 0.8)))
    hot = [(int(x), int(y)) for x, y in zip(random.uniform(20, 780, 40), random.uniform(20, 530, 40), strict=True)]
    angle, place = random.uniform(0, np.pi), random.uniform(-40, 40)
    deep, soft, wide = random.uniform(0.0, 0.3), random.uniform(5.0, 12.0), random.uniform(5.0, 30.0)
    fall = random.uniform(-0.15, 0.15, 2)

    def lit(x: Array, y: Array) -> Array:
        across = np.abs(np.cos(angle) * x + np.sin(angle) * y - place)
        band = 1.0 / (1.0 + np.exp((across - wide) / (0.4 * soft)))
        return np.asarray((1.0 - deep * band) * (1.0 + fall[0] * x / HALF_X + fall[1] * y / HALF_Y))

    return plate, {"hot": hot, "lit": lit}


def good_line(seed: int) -> dict[str, Any]:
    plate, more = good(seed)
    return {"good": seed, "false": [_plain(one) for one in _seen(plate, seed, **more)]}


def draws(count: int) -> Iterator[tuple[str, int]]:
    """Name and seed of every plate in the order in which they are drawn."""
    for n in range(count):
        yield ("spoilt", n // (GOOD_TO_ONE + 1)) if n % (GOOD_TO_ONE + 1) == 0 else ("good", n)


def run(file: Path, count: int) -> None:
    def draw(place: tuple[str, int]) -> Row:
        kind, seed = place
        return spoilt_line(seed) if kind == "spoilt" else good_line(seed)

    go_on(file, lambda row: next(iter(row.items())), draws(count), draw)


def share(hits: int, count: int) -> str:
    """Exact interval (Clopper-Pearson) of 95 %."""
    if not count:
        return "none drawn"
    low, high = binomtest(hits, count).proportion_ci(0.95)
    return f"{hits} of {count} ({100 * low:.1f} to {100 * high:.1f} %)"


def true_size(flaw: dict[str, Any], size: str) -> float:
    """As drawn; a strand reaches further out than its middle line by its round end."""
    return float(flaw[size] + (0.5 * flaw["width"] if (flaw["kind"], size) == ("strand", "depth") else 0.0))


def _median(values: list[float]) -> str:
    return f"{np.median(values):+.3f}" if values else "-"


def table(every: list[dict[str, Any]]) -> Iterator[str]:
    flaws = [flaw for line in every for flaw in line.get("flaws", ())]
    yield (
        "| kind | found (95 %) | told as such | as | length off: median [mm] | depth | pitch | area over true | "
        "error/u rms: length, depth |"
    )
    yield "|---|---|---|---|---|---|---|---|---|"
    for kind in ("nick", "burr", "strand", "chatter"):
        own = [flaw for flaw in flaws if flaw["kind"] == kind]
        here = [flaw for flaw in own if flaw["found"]]
        right = [flaw for flaw in here if flaw["found"] == kind]
        others = Counter(flaw["found"] for flaw in here if flaw["found"] != kind)
        length = [f["is_length"] - f["length"] for f in right if "length" in f]
        depth = [f["is_depth"] - true_size(f, "depth") for f in right]
        pitch = [f["is_pitch"] - f["pitch"] for f in right if kind == "chatter"]
        area = [f["is_area"] / (f["length"] * f["depth"] * SHAPES[f["shape"]]) for f in right if "shape" in f]
        over = [
            np.sqrt(np.mean([((f[f"is_{s}"] - true_size(f, s)) / f[f"u_{s}"]) ** 2 for f in right if s in f]) or np.nan)
            for s in ("length", "depth")
            if any(s in f for f in right)
        ]
        yield (
            f"| {kind} | {share(len(here), len(own))} | {share(len(right), len(own))} | "
            f"{', '.join(f'{n} {k}' for k, n in others.items())} | {_median(length)} | {_median(depth)} | "
            f"{_median(pitch)} | {f'{np.median(area):.2f}' if area else ''} | {', '.join(f'{v:.2f}' for v in over)} |"
        )
    again = [flaw for flaw in flaws if "again" in flaw]
    burrs = sum(flaw["again"] == "burr" for flaw in again)
    yield f"\nburrs taken for strands that are burrs at the second look: {burrs} of {len(again)}"
    narrow = [flaw for flaw in flaws if flaw["kind"] == "strand" and flaw["width"] < 0.2]
    yield f"strands 0.15 to 0.2 mm wide found: {share(sum(bool(f['found']) for f in narrow), len(narrow))}"
    parabola = [f for f in flaws if f.get("shape") == "parabola" and f["found"] == f["kind"]]
    sizes = [_median([f[f"is_{s}"] - f[s] for f in parabola]) for s in ("length", "depth")]
    yield f"parabolas ({len(parabola)}): length {sizes[0]} mm, depth {sizes[1]} mm"
    plates = [line for line in every if "flaws" in line]
    yield f"beside the drawn flaws of {len(plates)} plates: {[one for line in plates for one in line['elsewhere']]}"
    clean = [line for line in every if "false" in line]
    bad = [line for line in clean if line["false"]]
    yield f"good plates with a false flaw: {share(len(bad), len(clean))} {[line['false'] for line in bad][:20]}"


if __name__ == "__main__":
    if sys.argv[1] == "run":
        run(Path(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 1100)
    else:
        print("\n".join(table(rows(Path(sys.argv[2])))))
