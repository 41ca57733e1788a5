"""Whether the parts of a shell definition agree with each other and with the outline.

Each check says its mistakes and goes on.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from edgeinspect.geometry import Array, closed_arc_mm
from edgeinspect.shell.definition import (
    STEPS_A_CUTOFF,
    Check,
    Curve,
    DatumScheme,
    DecalDatum,
    Frame,
    Patch,
    SurfaceLimits,
)
from edgeinspect.shell.tables import BestFitTable, CutOutTable, DecalTable, PipTable, ShellTable, ZoneTable
from edgeinspect.tomlfile import Mistakes, shown

EXTENT_MM = 0.5  # drawings give the size in whole mm
NOMINAL_MM = 0.05  # how far a cut-out's numbers may be off its curve
ANGLE_DEG = 0.2
JOINT_MM = 0.1  # zones that meet within this are joined; a wider gap or overlap is a mistake
AXIS = 1e-3  # axes written with a few digits are made exact; further off they are a mistake
LEAST_SPREAD = 0.1  # of datum pips across the line through them, as a share of their spread along it
SLOT_POINTS_DEG = 70.0  # a slot holds the turn by its width: it must point at the hole, more or less
_UNIT_MM = {"inches": 25.4, "centimetres": 10.0, "metres": 1000.0, "feet": 304.8}

Rows = Sequence[ZoneTable | None]
Pips = Sequence[PipTable | None]
CutOuts = Sequence[CutOutTable | None]
Decals = Sequence[DecalTable | None]


def step_mm(shell: ShellTable) -> float:
    return shell.step_mm if shell.step_mm is not None else shell.filter_cutoff_mm / STEPS_A_CUTOFF


def sizes_mm(row: CutOutTable) -> tuple[float, ...]:
    """(diameter,) of a hole, (length, width) of a slot; what is missing is left out."""
    wanted = (row.diameter_mm,) if row.kind == "hole" else (row.length_mm, row.width_mm)
    return tuple(size for size in wanted if size is not None)


def check_shell(shell: ShellTable, folder: str, mistakes: Mistakes) -> None:
    if shell.name != folder:
        mistakes.say(f'shell.name is {shown(shell.name)}, must be "{folder}" like its folder')
    greatest = shell.filter_cutoff_mm / STEPS_A_CUTOFF
    if step_mm(shell) > greatest * (1 + 1e-9):
        most = f"filter_cutoff_mm / {STEPS_A_CUTOFF} = {greatest:g}"
        mistakes.say(f"shell.step_mm is {shown(step_mm(shell))}, must be at most {most}")
    if len(set(shell.checks)) < len(shell.checks):
        mistakes.say(f"shell.checks is {shown([str(check) for check in shell.checks])}, must name each check once")


def check_something_to_do(shell: ShellTable, zones: Rows, decals: Decals, mistakes: Mistakes) -> None:
    if not zones:
        mistakes.say("[[zone]] is missing, must be there at least once: the whole rim needs limits")
    if Check.DECAL in shell.checks and not decals:
        mistakes.say('shell.checks holds "decal", so there must be a [[decal]]')


def check_limits(zones: Rows, cutouts: CutOuts, mistakes: Mistakes) -> None:
    for at, zone in enumerate(zones):
        if zone:
            _check_zone_limits(zone, f"zone[{at}]", mistakes)
    for at, row in enumerate(cutouts):
        if not row:
            continue
        key = f"cutout[{at}]"
        if not row.size_lower_mm < row.size_upper_mm:
            lower, upper = shown(row.size_lower_mm), shown(row.size_upper_mm)
            mistakes.say(f"{key}.size_lower_mm is {lower}, must be below size_upper_mm {upper}")
        wanted = ("diameter_mm",) if row.kind == "hole" else ("length_mm", "width_mm", "angle_deg")
        for name in ("diameter_mm", "length_mm", "width_mm", "angle_deg"):
            given = getattr(row, name) is not None
            if name in wanted and not given:
                mistakes.say(f"{key}.{name} is missing, must be given for a {row.kind}")
            if given and name not in wanted:
                mistakes.say(f"{key}.{name} is {shown(getattr(row, name))}, must be left out for a {row.kind}")
        if (
            row.kind == "slot"
            and row.length_mm is not None
            and row.width_mm is not None
            and row.length_mm <= row.width_mm
        ):
            mistakes.say(f"{key}.length_mm is {shown(row.length_mm)}, must be above width_mm {shown(row.width_mm)}")


def _check_zone_limits(zone: ZoneTable, key: str, mistakes: Mistakes) -> None:
    """Either lower_mm and upper_mm, or the width of the zone and how far its middle lies off."""
    given = {"lower_mm": zone.lower_mm, "upper_mm": zone.upper_mm}
    if zone.profile_mm is not None:
        for name, value in given.items():
            if value is not None:
                mistakes.say(f"{key}.{name} is {shown(value)}, must be left out where profile_mm is given")
        return
    if zone.uz_mm is not None:
        mistakes.say(f"{key}.uz_mm is {shown(zone.uz_mm)}, must be left out where profile_mm is not given")
    for name, value in given.items():
        if value is None:
            mistakes.say(f"{key}.{name} is missing")
    if zone.lower_mm is not None and zone.upper_mm is not None and not zone.lower_mm < zone.upper_mm:
        mistakes.say(f"{key}.lower_mm is {shown(zone.lower_mm)}, must be below upper_mm {shown(zone.upper_mm)}")


def zone_limits_mm(row: ZoneTable) -> tuple[float, float]:
    """Lower and upper limit of the deviation [mm], however they are written."""
    if row.profile_mm is not None:
        middle, half = row.uz_mm or 0.0, 0.5 * row.profile_mm
        return middle - half, middle + half
    assert row.lower_mm is not None and row.upper_mm is not None, "said by check_limits"
    return row.lower_mm, row.upper_mm


def check_best_fit(best_fit: BestFitTable, datum: DatumScheme | None, zones: Rows, mistakes: Mistakes) -> None:
    """Form alone hides an error of the path: it judges only where the drawing says so."""
    freedoms = [str(freedom) for freedom in best_fit.freedoms]
    if not freedoms or len(set(freedoms)) < len(freedoms):
        mistakes.say(f'best_fit.freedoms is {shown(freedoms)}, must name at least one of "x", "y", "turn", each once')
    if best_fit.drawing is not None:
        return
    unless = "unless best_fit.drawing says where the drawing wants form alone judged: it hides an error of the path"
    if datum is DatumScheme.BEST_FIT:
        mistakes.say(f'shell.datum is "best_fit", must be "fixture", "pips" or "hole_and_slot" {unless}')
    for at, zone in enumerate(zones):
        if zone and zone.frame is Frame.BEST_FIT:
            mistakes.say(f'zone[{at}].frame is "best_fit", must be "datum" or "fixture" {unless}')


def check_names(zones: Rows, pips: Pips, cutouts: CutOuts, decals: Decals, mistakes: Mistakes) -> None:
    mistakes.no_name_twice([row.name for row in zones if row], "zone")
    mistakes.no_name_twice([row.name for row in pips if row], "pip")
    mistakes.no_name_twice([row.name for row in cutouts if row], "cutout")
    # The same badge may come in two variants, but each variant has it once.
    mistakes.no_name_twice([f"{row.name} of variant {row.variant}" for row in decals if row], "decal")


def check_datum(
    datum: DatumScheme, pips: Pips, cutouts: CutOuts, mistakes: Mistakes, key: str = "shell.datum", value: str = ""
) -> None:
    """A datum scheme must have what it needs to place the shell, or a decal: ``key`` asks for it by ``value``."""
    asked = f'{key} is "{value or datum}"'
    if datum is DatumScheme.PIPS:
        if len(pips) < 3:
            mistakes.say(f"{asked} with {len(pips)} [[pip]], must have at least 3")
        elif all(pips):
            centres = np.array([row.centre_mm[:2] for row in pips if row])
            spread = np.linalg.svd(centres - centres.mean(axis=0), compute_uv=False)
            if spread[1] <= LEAST_SPREAD * spread[0]:
                mistakes.say(f"{asked} and they lie in one line, must make a triangle")
    if datum is DatumScheme.HOLE_AND_SLOT:
        if len(cutouts) < 2:
            mistakes.say(f"{asked} with {len(cutouts)} [[cutout]], must have 2: origin, direction")
        elif cutouts[0] and cutouts[0].kind != "hole":
            mistakes.say(f'cutout[0].kind is {shown(cutouts[0].kind)}, must be "hole" because {asked}')
        elif cutouts[0] and cutouts[1] and cutouts[1].kind == "slot" and cutouts[1].angle_deg is not None:
            x, y = np.subtract(cutouts[1].centre_mm, cutouts[0].centre_mm)
            away = (np.degrees(np.arctan2(y, x)) - cutouts[1].angle_deg + 90.0) % 180.0 - 90.0
            if abs(away) > SLOT_POINTS_DEG:
                mistakes.say(
                    f"cutout[1].angle_deg is {shown(cutouts[1].angle_deg)}, {abs(away):.0f} degrees off the line to "
                    f"the hole: must be within {SLOT_POINTS_DEG:g}, a slot holds the direction by its width"
                )


def check_decals(datum: DatumScheme, pips: Pips, cutouts: CutOuts, decals: Decals, mistakes: Mistakes) -> None:
    """What a decal is told from must be there; its limits of the gap must leave room."""
    needs = {DecalDatum.PIPS: DatumScheme.PIPS, DecalDatum.CUTOUTS: DatumScheme.HOLE_AND_SLOT}
    for at, row in enumerate(decals):
        if row is None:
            continue
        if row.datum in needs and needs[row.datum] is not datum:
            check_datum(needs[row.datum], pips, cutouts, mistakes, f"decal[{at}].datum", row.datum)
        lower, upper = row.gap_lower_mm, row.gap_upper_mm
        if lower is not None and upper is not None and not lower < upper:
            mistakes.say(f"decal[{at}].gap_lower_mm is {shown(lower)}, must be below gap_upper_mm {shown(upper)}")
        if row.patch.radius_tolerance_mm is not None and row.patch.kind != "cylinder":
            tolerance = shown(row.patch.radius_tolerance_mm)
            key = f"decal[{at}].patch.radius_tolerance_mm"
            mistakes.say(f"{key} is {tolerance}, must be left out for a {row.patch.kind} patch")
        elif row.patch.radius_mm is not None and (row.patch.radius_tolerance_mm or 0.0) >= 0.5 * row.patch.radius_mm:
            tolerance, most = shown(row.patch.radius_tolerance_mm), 0.5 * row.patch.radius_mm
            mistakes.say(f"decal[{at}].patch.radius_tolerance_mm is {tolerance}, must be below half of it: {most:g}")


RADIUS_SHARE = 0.01  # of a formed radius, assumed where the drawing states no tolerance: common practice, no source


def surface_limits(row: DecalTable) -> SurfaceLimits:
    """How far the surface may be off; what the drawing does not state is assumed."""
    given, usual = row.patch, SurfaceLimits()
    stated = {"height": given.height_tolerance_mm, "tilt": given.tilt_tolerance_deg}
    radius = 0.0
    if given.radius_mm is not None:
        stated["radius"] = given.radius_tolerance_mm
        radius = RADIUS_SHARE * given.radius_mm if given.radius_tolerance_mm is None else given.radius_tolerance_mm
    height, tilt = given.height_tolerance_mm, given.tilt_tolerance_deg
    return SurfaceLimits(
        usual.height_mm if height is None else height,
        usual.tilt_deg if tilt is None else tilt,
        radius,
        tuple(name for name, value in stated.items() if value is None),
    )


def patch(row: DecalTable, at: int, mistakes: Mistakes) -> Patch | None:
    """The surface under a decal, its axes made exact; None after saying what is wrong with them.

    Of a mesh it is the plane that touches it at the origin.
    """
    given, key = row.patch, f"decal[{at}].patch"
    before = len(mistakes.sentences)
    x_axis, normal = np.array(given.x_axis), np.array(given.normal)
    for name, axis in (("x_axis", x_axis), ("normal", normal)):
        length = float(np.hypot(np.hypot(axis[0], axis[1]), axis[2]))
        if not abs(length - 1) <= AXIS:
            mistakes.say(f"{key}.{name} has length {length:.6g}, must be 1")
    if len(mistakes.sentences) == before:
        lean = float(x_axis @ normal)
        if abs(lean) > AXIS:
            angle = np.degrees(np.arccos(np.clip(lean, -1, 1)))
            mistakes.say(f"{key}.x_axis lies at {angle:.2f} degrees to normal, must be square to it (90)")
        if normal[2] <= 0:
            mistakes.say(
                f"{key}.normal points away from the cameras (z is {shown(float(normal[2]))}), must point outwards"
            )
    if given.kind == "cylinder" and given.radius_mm is None:
        mistakes.say(f"{key}.radius_mm is missing, must be given for a cylinder")
    elif given.kind != "cylinder" and given.radius_mm is not None:
        mistakes.say(f"{key}.radius_mm is {shown(given.radius_mm)}, must be left out for a {given.kind} patch")
    elif given.radius_mm is not None and row.height_mm >= np.pi * given.radius_mm:
        half_way = np.pi * given.radius_mm
        mistakes.say(f"decal[{at}].height_mm is {shown(row.height_mm)}, must be below half way around: {half_way:.1f}")
    if given.kind == "mesh" and given.file is None:
        mistakes.say(f"{key}.file is missing, must be given for a mesh")
    elif given.kind != "mesh" and given.file is not None:
        mistakes.say(f"{key}.file is {shown(given.file)}, must be left out for a {given.kind} patch")
    if len(mistakes.sentences) > before:
        return None
    normal = normal / np.linalg.norm(normal)
    x_axis = x_axis - (x_axis @ normal) * normal
    return Patch(np.array(given.origin_mm), x_axis / np.linalg.norm(x_axis), normal, given.radius_mm or 0.0)


def extent_is_right(rim_mm: Array, extent_mm: tuple[float, float], mistakes: Mistakes) -> bool:
    """Whether the rim is as long and wide as the drawing says; the usual mistake is another unit."""
    size = np.ptp(rim_mm[:, :2], axis=0)
    wanted = np.array(extent_mm)
    if np.abs(size - wanted).max() <= EXTENT_MM:
        return True
    sentence = f"the outline is {size[0]:.2f} x {size[1]:.2f}, the definition says {wanted[0]:g} x {wanted[1]:g} mm"
    looks = [unit for unit, mm in _UNIT_MM.items() if (np.abs(size * mm - wanted) < 0.02 * wanted).all()]
    if looks:
        sentence += f": it looks like {looks[0]}; export in mm"
    elif np.abs(size[::-1] - wanted).max() <= EXTENT_MM:
        sentence += ": length and width are exchanged"
    else:
        sentence += f", must agree within {EXTENT_MM:g} mm (shell.extent_mm)"
    mistakes.say(sentence)
    return False


def check_zones(rim: Curve, zones: Rows, mistakes: Mistakes) -> None:
    """Every place of the rim lies in exactly one zone."""
    length = rim.length_mm
    for at, row in enumerate(zones):
        if row and row.from_mm >= length:
            mistakes.say(f"zone[{at}].from_mm is {shown(row.from_mm)}, must be below the rim's length {length:.2f}")
        if row and row.to_mm > length + JOINT_MM:
            mistakes.say(f"zone[{at}].to_mm is {shown(row.to_mm)}, must be at most the rim's length {length:.2f}")
        if row and row.from_mm == row.to_mm:
            mistakes.say(
                f"zone[{at}].to_mm is {shown(row.to_mm)} like from_mm: empty; the whole rim is 0 to {length:.2f}"
            )
    rows = [row for row in zones if row]
    bad = any(row.from_mm >= length or row.to_mm > length + JOINT_MM or row.from_mm == row.to_mm for row in rows)
    if bad or not rows or len(rows) < len(zones):
        return  # gaps beside a zone that is wrong itself would only confuse
    order = sorted(rows, key=lambda row: row.from_mm)
    first = order[0]
    reach, holder = first.to_mm + (length if first.to_mm < first.from_mm else 0.0), first
    for row in [*order[1:], None]:
        begin = row.from_mm if row else first.from_mm + length
        if begin > reach + JOINT_MM:
            mistakes.say(
                f"no zone holds the rim from {reach % length:.2f} to {begin % length:.2f} mm, must be without gaps"
            )
        if begin < reach - JOINT_MM:
            other = row or first
            until = min(reach, begin + (other.to_mm - other.from_mm) % length)
            stretch = f"from {begin % length:.2f} to {until % length:.2f} mm"
            mistakes.say(f'zones "{holder.name}" and "{other.name}" overlap {stretch}, must not')
        if row:
            end = row.to_mm + (length if row.to_mm < row.from_mm else 0.0)
            if end > reach:
                reach, holder = end, row


def joined_zones(rim: Curve, zones: Sequence[ZoneTable]) -> list[tuple[float, float]]:
    """From and to of each zone [mm], each ending exactly where the next begins: no place falls into a rounding gap."""
    begins = sorted(row.from_mm for row in zones)
    if len(zones) == 1:
        return [(0.0, rim.length_mm)]
    following = {begin: after for begin, after in zip(begins, [*begins[1:], begins[0]], strict=True)}
    return [(row.from_mm, following[row.from_mm] or rim.length_mm) for row in zones]


def check_places(
    rim: Curve, pips: Pips, cutouts: CutOuts, holes: Sequence[Curve | None], decals: Decals, mistakes: Mistakes
) -> None:
    """Cut-outs like their numbers, inside the rim and apart; pips on the sheet; decals on the shell."""
    inside = shapely.Polygon(rim.points_mm[:, :2])
    shapely.prepare(inside)
    areas: dict[str, shapely.Polygon] = {}
    for at, (row, curve) in enumerate(zip(cutouts, holes, strict=True)):
        if row and curve:
            area = shapely.Polygon(curve.points_mm[:, :2])
            if not inside.contains(area):
                mistakes.say(f"cutout[{at}].curve {shown(row.curve)} lies outside the rim or cuts it, must lie inside")
            for name, other in areas.items():
                if area.intersects(other):
                    mistakes.say(f'cutouts "{name}" and "{row.name}" overlap, must not')
            areas[row.name] = area
            _check_size(row, curve, f"cutout[{at}]", mistakes)
    tops: dict[str, shapely.Polygon] = {}
    for at, pip in enumerate(pips):
        if pip:
            top = shapely.Point(pip.centre_mm[:2]).buffer(pip.diameter_mm / 2)
            if not inside.contains(top):
                mistakes.say(
                    f"pip[{at}].centre_mm is {shown(list(pip.centre_mm))}, must lie inside the rim with its whole top"
                )
            for name, area in {**areas, **tops}.items():
                if top.intersects(area):
                    mistakes.say(f'pip[{at}].centre_mm is {shown(list(pip.centre_mm))}, must be clear of "{name}"')
            tops[pip.name] = top
    for at, decal in enumerate(decals):
        # A shell may bulge beyond its trim line, so only a decal that is nowhere near is certainly wrong.
        if decal and inside.distance(shapely.Point(decal.patch.origin_mm[:2])) > max(decal.width_mm, decal.height_mm):
            mistakes.say(f"decal[{at}].patch.origin_mm is {shown(list(decal.patch.origin_mm))}, must lie on the shell")


def _check_size(row: CutOutTable, curve: Curve, key: str, mistakes: Mistakes) -> None:
    """A cut-out's size, place and angle as its own curve has them."""
    wanted = sizes_mm(row)
    if len(wanted) != (1 if row.kind == "hole" else 2):
        return  # said already
    xy = curve.points_mm[:, :2]
    if row.kind == "hole":
        centre, radius, off = circle_of(xy)
        found: tuple[tuple[str, float], ...] = (("diameter_mm", 2 * radius),)
        if off > NOMINAL_MM:
            mistakes.say(f"{key}.curve {shown(row.curve)} is up to {off:.2f} mm off a circle, must be round for a hole")
            return
    else:
        centre, angle = _long_axis(xy)
        turn = (angle - (row.angle_deg or 0.0) + 90) % 180 - 90
        if abs(turn) > ANGLE_DEG:
            mistakes.say(f"{key}.angle_deg is {shown(row.angle_deg)}, must be {angle:.2f} like its curve")
        along = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
        found = (("length_mm", float(np.ptp(xy @ along))), ("width_mm", float(np.ptp(xy @ [-along[1], along[0]]))))
    for (name, size), want in zip(found, wanted, strict=True):
        if abs(size - want) > NOMINAL_MM:
            mistakes.say(f"{key}.{name} is {shown(want)}, must be {size:.2f} like its curve (within {NOMINAL_MM:g})")
    if np.abs(centre - row.centre_mm).max() > NOMINAL_MM:
        right = f"[{centre[0]:.2f}, {centre[1]:.2f}]"
        mistakes.say(f"{key}.centre_mm is {shown(list(row.centre_mm))}, must be {right} like its curve")


def circle_of(xy_mm: Array) -> tuple[Array, float, float]:
    """Centre (2,), radius and greatest departure [mm] of the circle through drawn points (N, 2).

    Linear least squares on x² + y²: exact for points that do lie on a circle, and drawn points do or are refused.
    """
    middle = xy_mm.mean(axis=0)
    local = xy_mm - middle
    solution, *_ = np.linalg.lstsq(
        np.column_stack([2 * local, np.ones(len(local))]), np.sum(local**2, axis=1), rcond=None
    )
    radius = float(np.sqrt(max(solution[2] + solution[0] ** 2 + solution[1] ** 2, 0.0)))
    off = np.abs(np.linalg.norm(local - solution[:2], axis=1) - radius).max()
    return middle + solution[:2], radius, float(off)


def _long_axis(xy_mm: Array) -> tuple[Array, float]:
    """Centre of area (2,) and direction [deg, -90 to 90] of the long axis, from the outline's own second moments."""
    area = shapely.Polygon(xy_mm)
    centre = np.array([area.centroid.x, area.centroid.y])
    local = xy_mm - centre
    weight = closed_arc_mm(local)[0]
    share = np.diff(np.append(weight, closed_arc_mm(local)[1]))
    middles = (local + np.roll(local, -1, axis=0)) / 2
    moments = (middles * share[:, None]).T @ middles
    _, axes = np.linalg.eigh(moments)
    angle = float(np.degrees(np.arctan2(axes[1, 1], axes[0, 1])))
    return centre, (angle + 90) % 180 - 90
