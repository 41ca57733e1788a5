"""Is every decal found and named? ``python -m tests.benchmarks.decals find FILE [COUNT]``.

Two decals a shell, badge and label, each of two variants. Drawn: the right one up to 15 mm off and turned any way,
upside down, mirrored, another variant's, on the other's panel, or none. Judged from the record, as a shell is. A line
of FILE a shell, which is gone on with.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from operator import itemgetter
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from edgeinspect.conformity.decal import decal_findings
from edgeinspect.conformity.verdict import Answer
from edgeinspect.geometry import PlaneShift
from edgeinspect.measure.decal_result import decal_result
from edgeinspect.measure.frames import Datum
from edgeinspect.shell.definition import Artwork, Decal, Patch, ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate.camera import TrueCamera
from tests.benchmarks.decal_station import Light, Print, Told, TruePatch, by, picture_of, sight_of
from tests.benchmarks.resumed import go_on, rows
from tests.measure.decal_pictures import Surface
from tests.samples import looks

LAID = ("right", "upside down", "mirrored", "another variant", "wrong panel", "none")
REACH_MM = 15.0


@cache
def shell() -> ShellDefinition:
    """The lid with a badge and, on a flat place behind it, a label; in two variants each."""
    lid = load_shell(looks.MODEL)
    badges = [replace(one, name="badge", words="badge") for one in lid.decals]
    label = load_shell(looks.MODEL.parent / "hatch").decals[0]
    flat = Patch(np.array([0.0, 62.0, -4.0]), np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    labels = [
        replace(label, name="label", words="label", variant=one.variant, patch=flat, artwork=art)
        for one, art in zip(badges, (label.artwork, _other(label.artwork)), strict=True)
    ]
    return replace(lid, decals=(badges[0], labels[0], badges[1], labels[1]))


def _other(art: Artwork) -> Artwork:
    """A near variant: the right third of the print is the left third's neighbour, exchanged."""
    grey, third = art.grey.copy(), art.grey.shape[1] // 3
    grey[:, -third:] = art.grey[:, third : 2 * third]
    grey[:, third : 2 * third] = art.grey[:, -third:]
    return replace(art, grey=grey)


def _true(decal: Decal) -> TruePatch:
    patch = decal.patch
    assert isinstance(patch, Patch)
    return TruePatch.about(patch.origin_mm, patch.x_axis, patch.normal, Surface(0.0, patch.radius_mm))


def one(number: int) -> dict[str, Any]:
    """Both decals of the order ``standard``: how one of them was laid, and what is said of both."""
    random = np.random.default_rng([number, 41])
    kind = LAID[number % len(LAID)]
    definition = shell()
    badge, label, other_badge, other_label = definition.decals
    which = int(random.integers(2))
    bent = kind in ("right", "upside down", "mirrored", "another variant")

    def values(turned: bool) -> tuple[float, ...]:
        x, y = random.uniform(-REACH_MM, REACH_MM, 2)
        turn = random.uniform(-180.0, 180.0) if turned and random.random() < 0.5 else random.uniform(-10.0, 10.0)
        return (x, y, turn, *random.uniform(-0.003, 0.003, 2))

    laid: list[Print] = []
    for k, (own, another) in enumerate(((badge, other_badge), (label, other_label))):
        if k != which:  # this one lies as it should
            laid += [] if kind == "wrong panel" else [Print(own.artwork, _true(own), (0.2, -0.1, 0.1, 0.0, 0.0))]
        elif kind == "wrong panel":  # where the other one belongs
            there = label if own is badge else badge
            laid.append(Print(own.artwork, _true(there), values(False)))
        elif kind != "none":
            art = another.artwork if kind == "another variant" else own.artwork
            laid.append(Print(art, _true(own), values(bent), kind == "upside down", kind == "mirrored"))
    station = looks.station()
    seating = replace(station.seatings["toplid"], u_height_mm=0.01)
    calibration = looks.calibration()
    light = Light(
        float(random.uniform(0.25, 0.6)), float(random.uniform(0.3, 0.95)), float(random.uniform(0.6, 1.0)), 8,
        float(random.uniform(-0.25, 0.25)),
    )  # fmt: skip
    model = calibration.model
    lens = model.parameters.tolist()
    true = TrueCamera(model.width_px, model.height_px, *lens[:4], tuple(lens[4:]), calibration.fixture_pose)
    picture = picture_of(true, seating.pose, 1.0, laid, light, number)
    told = Told(true, calibration, calibration.fixture_pose)
    sight = sight_of(definition, station.fixture, seating, [told], [picture], light.blur_px)
    frame = by(Datum(PlaneShift(0.0, 0.0, 0.0), np.zeros((3, 3)), 0.0))
    said = []
    for k in (0, 1):
        result = decal_result(sight, k, frame)
        findings = list(decal_findings(definition.decals[k], result, None))
        worst = max(findings, key=lambda finding: finding.answer is not Answer.CONFORMING)
        off = None
        if result.dx and result.dy and result.rotation:
            off = [result.dx.value, result.dy.value, result.rotation.value]
        said.append([result.there, worst.answer.value, worst.sentence, off])
    truth = [one for one in laid if kind not in ("none", "wrong panel")]
    return {
        "number": number,
        "kind": kind,
        "which": which,
        "said": said,
        "laid": [list(truth[which].values[:3])] if len(truth) == 2 else [],
    }


def right(row: dict[str, Any]) -> bool:
    """Whether what was laid is what is said, of both decals."""
    which, kind = row["which"], row["kind"]
    mine, other = row["said"][which], row["said"][1 - which]
    if kind == "wrong panel":
        # The other one's place holds the wrong decal, its own place none.
        place = ("badge", "label")[1 - which]
        return mine[2].endswith(f"lies on the wrong panel, where {place} belongs") and other[1] != "CONFORMING"
    if other[1] != "CONFORMING":
        return False
    if kind == "none":
        return bool(mine[2].endswith("not there") and mine[1] == "NONCONFORMING")
    if kind == "another variant":
        return bool(mine[2].endswith("found decal cargo, this order needs standard"))
    turned = abs(row["laid"][0][2]) > 90.0
    if kind == "mirrored":
        return bool(mine[2].endswith("the decal's print is mirrored"))
    if (kind == "upside down") != turned:
        return bool(mine[2].endswith("the decal is upside down"))
    way = np.array(mine[3] or [np.nan] * 3) - np.array(row["laid"][0])
    way[2] = (way[2] + 90.0) % 180.0 - 90.0
    return bool(mine[0] and np.abs(way).max() < 0.05)


def run(file: Path, count: int) -> None:
    cv2.setNumThreads(1)
    go_on(file, itemgetter("number"), range(count), one)


def table(file: Path) -> str:
    every = rows(file)
    lines = ["| laid | shells | found and named | not |", "|---|---|---|---|"]
    for kind in LAID:
        here = [row for row in every if row["kind"] == kind]
        missed = [row["number"] for row in here if not right(row)]
        lines.append(f"| {kind} | {len(here)} | {len(here) - len(missed)} | {', '.join(map(str, missed)) or 'none'} |")
    return "\n".join(lines)
