"""A second shell by formula: a small flat battery hatch without pips, known by a hole and a slot. Shell frame [mm],
origin at its middle. Invented.
"""

from __future__ import annotations

from edgeinspect.geometry import Array, Pose
from edgeinspect.simulate.form import CutOut, DecalPlace, Form, Sheet
from edgeinspect.simulate.plan import arc, line, scallop

LENGTH_MM, WIDTH_MM, CORNER_MM, SHEET_MM = 180.0, 120.0, 15.0, 3.0
SCALLOP_WIDTH_MM, SCALLOP_DEPTH_MM = 60.0, 6.0
SEATING = Pose.from_degrees((0.0, 0.0, 0.0), (0.0, 0.0, 40.0))  # shell -> fixture

ZONE_WORDS = {
    "right-side": "right side",
    "rear-right-corner": "rear right corner",
    "rear-side": "rear side",
    "rear-left-corner": "rear left corner",
    "left-side": "left side",
    "front-left-corner": "front left corner",
    "finger-scallop": "finger scallop, front",
    "front-right-corner": "front right corner",
}


def _pieces() -> tuple[tuple[str, Array], ...]:
    """The rim in order, counter-clockwise from (90, 0); each piece under the name of the zone that it belongs to."""
    hx, hy, r, half = LENGTH_MM / 2, WIDTH_MM / 2, CORNER_MM, SCALLOP_WIDTH_MM / 2
    return (
        ("right-side", line((hx, 0), (hx, hy - r))),
        ("rear-right-corner", arc((hx - r, hy - r), r, 0, 90)),
        ("rear-side", line((hx - r, hy), (-hx + r, hy))),
        ("rear-left-corner", arc((-hx + r, hy - r), r, 90, 180)),
        ("left-side", line((-hx, hy - r), (-hx, -hy + r))),
        ("front-left-corner", arc((-hx + r, -hy + r), r, 180, 270)),
        ("front-left-corner", line((-hx + r, -hy), (-half, -hy))),
        ("finger-scallop", scallop(0.0, -hy, SCALLOP_WIDTH_MM, SCALLOP_DEPTH_MM)),
        ("front-right-corner", line((half, -hy), (hx - r, -hy))),
        ("front-right-corner", arc((hx - r, -hy + r), r, 270, 360)),
        ("right-side", line((hx, -hy + r), (hx, 0))),
    )


HATCH = Form(
    "hatch",
    "Battery hatch",
    "none",
    colour="graphite grey",
    albedo=0.25,
    seating=SEATING,
    sheet=Sheet(SHEET_MM),
    extent_mm=(LENGTH_MM, WIDTH_MM),
    pieces=_pieces(),
    zone_words=ZONE_WORDS,
    cut={
        "pin_hole": CutOut("pin hole, left", (-70.0, 10.0), (12.0,)),  # the origin of its datum frame
        "pin_slot": CutOut("pin slot, right", (68.0, 10.0), (20.0, 8.0)),  # and what sets its direction
        "cable_hole": CutOut("cable hole, rear right", (45.0, 42.0), (10.0,)),
    },
    decal=DecalPlace("label", "label in the middle", (0.0, 2.0), (60.0, 24.0), {"standard": "label"}, patch="flat"),
    datum="hole_and_slot",
)
