"""Several cameras over one shell: who measured what, and the seams between them."""

from __future__ import annotations

from dataclasses import dataclass

from edgeinspect.geometry import Array
from edgeinspect.inspection import Inspection
from edgeinspect.measure.measurement import Quantity
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.plan_view import at_arc_mm, stretch_mm
from edgeinspect.web.look import plain, signed
from edgeinspect.web.places import PlanDrawing, Plans

Point = tuple[float, float]

SEAM_MM = 0.03  # of the shell's longer side: half the length of the line that marks a seam in the plan
BESIDE_MM = 0.14  # of it: how far inside the rim a camera's name stands


@dataclass(frozen=True)
class SeamRow:
    arc_mm: float
    before: str  # camera up to here, along the arc length
    after: str
    step: Quantity | None  # what ``after`` reads more than ``before`` [mm]; None: not both saw the edge there
    words: str


@dataclass(frozen=True)
class CameraStretch:
    """A stretch of the rim in the shell's plan [mm], x right, y up."""

    camera: str
    number: int  # of the camera: each is drawn in its own way
    points_mm: list[Point]
    name_at_mm: Point


@dataclass(frozen=True)
class CameraPlan:
    """The shell from above, with the stretches of its rim that each camera measured."""

    plan: PlanDrawing
    stretches: list[CameraStretch]
    seams: list[tuple[Point, Point]]  # a line across the rim each


def seam_rows(inspection: Inspection) -> list[SeamRow]:
    rows = []
    for seam in sorted(inspection.measurement.seams, key=lambda one: one.arc_mm):
        step = "not both saw the edge there"
        if seam.step is not None:
            step = f"{seam.after} reads {signed(seam.step.value, 3)} mm more, ± {plain(2 * seam.step.u, 3)} (k = 2)"
        words = f"At {seam.arc_mm:.0f} mm camera {seam.after} goes on after camera {seam.before}: {step}"
        rows.append(SeamRow(float(seam.arc_mm), seam.before, seam.after, seam.step, words))
    return rows


def camera_plan(seams: list[SeamRow], definition: ShellDefinition | None, plans: Plans) -> CameraPlan | None:
    """None with one camera, or when the definition has changed since."""
    if definition is None or len(seams) < 2:
        return None
    whole, rim = plans.bare(definition), definition.rim
    longer = 100.0 * whole.unit_mm
    names = list(dict.fromkeys(seam.after for seam in seams))
    middle = rim.points_mm[:, :2].mean(axis=0)

    def inward(arc_mm: float, by_mm: float) -> Array:
        place = at_arc_mm(rim, arc_mm)[:2]
        to_middle = middle - place
        moved: Array = place + by_mm * to_middle / max(float(abs(to_middle).max()), 1e-6)
        return moved

    stretches = []
    for seam, after in zip(seams, [*seams[1:], seams[0]], strict=True):
        points = stretch_mm(rim, seam.arc_mm, after.arc_mm)
        half = ((after.arc_mm - seam.arc_mm) % rim.length_mm or rim.length_mm) / 2
        name_at = inward((seam.arc_mm + half) % rim.length_mm, BESIDE_MM * longer)
        stretches.append(
            CameraStretch(seam.after, names.index(seam.after), [_point(p) for p in points], _point(name_at))
        )
    across = [
        (_point(inward(seam.arc_mm, SEAM_MM * longer)), _point(inward(seam.arc_mm, -SEAM_MM * longer)))
        for seam in seams
    ]
    return CameraPlan(whole, stretches, across)


def _point(place: Array) -> Point:
    return round(float(place[0]), 2), round(float(place[1]), 2)
