"""The demo shell by formula: a lid bent about a cylinder, its trim curves, pips and decal patch, and the same lid with
a hand. All in the shell frame [mm]. The lids are invented.

``LID`` is the one without a hand; the functions at the end are its own, by their short names.
"""

from __future__ import annotations

import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.simulate import bench, form, plan
from edgeinspect.simulate.form import CutOut, DecalPlace, Form, Sheet, TrimCurve

__all__ = ["HAND", "LEFT", "LID", "RIGHT", "TrimCurve"]

RADIUS_MM = 300.0
DROOP_FROM_MM, DROOP_PER_MM = 120.0, 0.00125
SHEET_MM = 3.0
LENGTH_MM, WIDTH_MM, CORNER_MM = 400.0, 300.0, 60.0
SCALLOP_X_MM, SCALLOP_WIDTH_MM, SCALLOP_DEPTH_MM = 85.0, 60.0, 6.0
NOTCH_HALF_MM, NOTCH_DEPTH_MM, NOTCH_MOUTH_MM, NOTCH_BOTTOM_MM = 7.0, 12.0, 2.5, 4.0
HAND_NOTCH_X_MM, VENT_CENTRE_MM, VENT_DIAMETER_MM = 30.0, (140.0, -60.0), 16.0  # of the right-hand lid
HOLE_CENTRE_MM, HOLE_DIAMETER_MM = (0.0, -118.0), 24.0
SLOT_CENTRES_MM = {"hinge_slot_left": (-110.0, 118.0), "hinge_slot_right": (110.0, 118.0)}
SLOT_LENGTH_MM, SLOT_WIDTH_MM = 30.0, 8.0
PIP_PLACES_MM = {"pip-left": (-165.0, 40.0), "pip-right": (165.0, 40.0), "pip-front": (0.0, -82.0)}
PIP_DIAMETER_MM, PIP_HEIGHT_MM, PIP_WALL = form.PIP_DIAMETER_MM, form.PIP_HEIGHT_MM, form.PIP_WALL
DECAL_V_MM = -25.0  # arc length from the crown
DECAL_SIZE_MM = (110.0, 45.0)
HAND_DECAL_CENTRE_MM, HAND_DECAL_SIZE_MM = (130.0, -20.0), (90.0, 36.0)  # of the right-hand lid
EXPANSION_PER_K, REFERENCE_C = form.EXPANSION_PER_K, form.REFERENCE_C

ZONE_WORDS = {
    "right-end": "right end",
    "rear-right-corner": "rear right corner",
    "rear-right-scallop": "rear right scallop",
    "rear-right-of-notch": "rear, right of the cable notch",
    "cable-notch": "cable notch",
    "rear-left-of-notch": "rear, left of the cable notch",
    "rear-left-scallop": "rear left scallop",
    "rear-left-corner": "rear left corner",
    "left-end": "left end",
    "front-left-corner": "front left corner",
    "front-left-scallop": "front left scallop",
    "front-middle": "front middle",
    "front-right-scallop": "front right scallop",
    "front-right-corner": "front right corner",
}


def _scallop(centre_x: float, side: float) -> Array:
    return plan.scallop(centre_x, side * WIDTH_MM / 2, SCALLOP_WIDTH_MM, SCALLOP_DEPTH_MM)


def _pieces(notch_x: float) -> tuple[tuple[str, Array], ...]:
    """The rim in order, counter-clockwise from (200, 0); each piece under the name of the zone that it belongs to."""
    hx, hy, r = LENGTH_MM / 2, WIDTH_MM / 2, CORNER_MM
    sx, half, c = SCALLOP_X_MM, SCALLOP_WIDTH_MM / 2, notch_x
    n, mouth, bottom, floor = NOTCH_HALF_MM, NOTCH_MOUTH_MM, NOTCH_BOTTOM_MM, WIDTH_MM / 2 - NOTCH_DEPTH_MM
    line, arc = plan.line, plan.arc
    return (
        ("right-end", line((hx, 0), (hx, hy - r))),
        ("rear-right-corner", arc((hx - r, hy - r), r, 0, 90)),
        ("rear-right-corner", line((hx - r, hy), (sx + half, hy))),
        ("rear-right-scallop", _scallop(sx, 1.0)),
        ("rear-right-of-notch", line((sx - half, hy), (c + n + mouth, hy))),
        ("cable-notch", arc((c + n + mouth, hy - mouth), mouth, 90, 180)),
        ("cable-notch", line((c + n, hy - mouth), (c + n, floor + bottom), 0.25)),
        ("cable-notch", arc((c + n - bottom, floor + bottom), bottom, 0, -90)),
        ("cable-notch", line((c + n - bottom, floor), (c - n + bottom, floor), 0.25)),
        ("cable-notch", arc((c - n + bottom, floor + bottom), bottom, -90, -180)),
        ("cable-notch", line((c - n, floor + bottom), (c - n, hy - mouth), 0.25)),
        ("cable-notch", arc((c - n - mouth, hy - mouth), mouth, 0, 90)),
        ("rear-left-of-notch", line((c - n - mouth, hy), (-sx + half, hy))),
        ("rear-left-scallop", _scallop(-sx, 1.0)),
        ("rear-left-corner", line((-sx - half, hy), (-hx + r, hy))),
        ("rear-left-corner", arc((-hx + r, hy - r), r, 90, 180)),
        ("left-end", line((-hx, hy - r), (-hx, -hy + r))),
        ("front-left-corner", arc((-hx + r, -hy + r), r, 180, 270)),
        ("front-left-corner", line((-hx + r, -hy), (-sx - half, -hy))),
        ("front-left-scallop", _scallop(-sx, -1.0)),
        ("front-middle", line((-sx + half, -hy), (sx - half, -hy))),
        ("front-right-scallop", _scallop(sx, -1.0)),
        ("front-right-corner", line((sx + half, -hy), (hx - r, -hy))),
        ("front-right-corner", arc((hx - r, -hy + r), r, 270, 360)),
        ("right-end", line((hx, -hy + r), (hx, 0))),
    )


def _lid(name: str, title: str, hand: str, notch_x: float, more_cut: dict[str, CutOut], decal: DecalPlace) -> Form:
    slot_sizes = (SLOT_LENGTH_MM, SLOT_WIDTH_MM)
    return Form(
        name,
        title,
        hand,
        colour="orange",
        albedo=0.45,
        seating=bench.NOMINAL_SEATING,
        sheet=Sheet(SHEET_MM, RADIUS_MM, DROOP_FROM_MM, DROOP_PER_MM),
        extent_mm=(LENGTH_MM, WIDTH_MM),
        pieces=_pieces(notch_x),
        zone_words=ZONE_WORDS,
        cut={
            "lock_hole": CutOut("lock hole, front middle", HOLE_CENTRE_MM, (HOLE_DIAMETER_MM,)),
            "hinge_slot_left": CutOut("hinge slot, rear left", SLOT_CENTRES_MM["hinge_slot_left"], slot_sizes),
            "hinge_slot_right": CutOut("hinge slot, rear right", SLOT_CENTRES_MM["hinge_slot_right"], slot_sizes),
            **more_cut,
        },
        decal=decal,
        pip_places_mm=PIP_PLACES_MM,
        nests_mm=bench.NESTS_MM,
    )


def _handed(hand: str) -> Form:
    """The lid with its cable notch, vent hole and badge on one side; the other hand is its mirror image in plan."""
    side = 1.0 if hand == "right" else -1.0
    vent = CutOut(f"vent hole, front {hand}", (side * VENT_CENTRE_MM[0], VENT_CENTRE_MM[1]), (VENT_DIAMETER_MM,))
    place = (side * HAND_DECAL_CENTRE_MM[0], HAND_DECAL_CENTRE_MM[1])
    decal = DecalPlace(
        "badge", f"badge on the {hand} end", place, HAND_DECAL_SIZE_MM, {"standard": "badge_hand"}, patch="mesh"
    )
    title = f"Top box lid, {hand} hand"
    return _lid(f"toplid_{hand}", title, hand, side * HAND_NOTCH_X_MM, {"vent_hole": vent}, decal)


LID = _lid(
    "toplid",
    "Top box lid",
    "none",
    0.0,
    {},
    DecalPlace(
        "badge",
        "badge on the lid",
        (0.0, RADIUS_MM * float(np.sin(DECAL_V_MM / RADIUS_MM))),
        DECAL_SIZE_MM,
        {"standard": "badge", "cargo": "badge_cargo"},
        patch="cylinder",
    ),
)
LEFT, RIGHT = _handed("left"), _handed("right")
HAND = {"left": LEFT, "right": RIGHT}

plan_normals, circle, slot = plan.plan_normals, plan.circle, plan.slot
surface_z, surface_slopes, surface_normal = LID.sheet.z, LID.sheet.slopes, LID.sheet.normal
back_z, on_surface = LID.sheet.back_z, LID.sheet.on
rim, zone_spans_mm, cutouts = LID.rim, LID.zone_spans_mm, LID.cutouts
cutout_centre_mm, cutout_sizes_mm, cutout_xy_mm = LID.cutout_centre_mm, LID.cutout_sizes_mm, LID.cutout_xy_mm
pip_tops_mm, pip_base_radius_mm, decal_frame = LID.pip_tops_mm, LID.pip_base_radius_mm, LID.decal_frame
