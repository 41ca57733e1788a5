"""One decal of a shell: from the picture to its record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from edgeinspect.geometry import Pose
from edgeinspect.measure.decal import DecalFit, Find, measure_decal
from edgeinspect.measure.decal_colour import colours_of, on_decal
from edgeinspect.measure.decal_datum import DecalFrame
from edgeinspect.measure.decal_faults import cleared
from edgeinspect.measure.decal_gap import gap_profile
from edgeinspect.measure.decal_surface import surface_doubt
from edgeinspect.measure.decal_told import numbers
from edgeinspect.measure.height import Stray
from edgeinspect.measure.measurement import DecalFault, DecalResult, FaultKind
from edgeinspect.measure.setup import Sight
from edgeinspect.measure.trim import Edge
from edgeinspect.shell.definition import Decal

SAME_PLACE_MM = 10.0  # decals of other variants as near as this could lie there instead


def decal_result(
    sight: Sight,
    k: int,
    frame: DecalFrame,
    edge: Edge | None = None,
    strays: Sequence[Stray] = (),
    find: Find = measure_decal,
) -> DecalResult:
    """One decal, with uncertainties.

    Parameters: k - its number in the definition; frame - where the shell lies and what the decal is told from; edge -
    the rim as cut, for the gap to it; strays - places on the sheet that do not fit; find - another way to find it than
    the full one (see aim): then neither other panels nor other cameras are looked at, nor the gap to the edge.
    """
    decal, wholly = sight.definition.decals[k], find is measure_decal
    where = frame.place.shift.pose().after(sight.setup.seat)
    which = sight.setup.decal_camera[k]
    shot, camera = sight.shots[which], sight.setup.cameras[which]
    named, surface = decal.datum.value, decal.surface.words
    if shot is None:
        return DecalResult(decal.name, None, camera=camera, datum=named)
    rivals = [one for one in sight.definition.decals if _could_lie_there(one, decal)]
    laid = find(shot.picture, decal, where, shot.model, shot.pose, shot.blur_px, rivals)
    if not laid.there or laid.covariance is None:
        seen, nominal = laid.correlation, laid.nominal_pixel
        panel = _wrong_panel(sight, decal, where) if wholly else ""
        there = False if panel else laid.there
        return DecalResult(
            decal.name, there, correlation=seen, nominal_pixel=nominal, camera=camera, lies_at=panel, datum=named
        )
    as_found = next((replace(decal, artwork=one.artwork) for one in rivals if one.variant == laid.variant), decal)
    doubt = surface_doubt(sight, k, as_found, where, laid, strays) if wholly else None
    told = gap = None
    if frame.told is not None:
        told = numbers(sight, k, as_found, laid, frame.place, frame.told, doubt)
    if wholly and edge is not None and not (laid.mirrored or laid.upside_down):
        gap = gap_profile(sight, k, as_found, laid, where, frame.place, edge, doubt)
    faults, colour = _faults(sight, which, decal, where, laid, rivals), None
    right = laid.variant == decal.variant and not (laid.mirrored or laid.upside_down)
    if wholly and right and decal.colour is not None and sight.colours is not None:
        model, pose = shot.model, shot.pose.after(where)
        colour, off = colours_of(
            decal, where, laid, sight.colours, lambda at_mm: on_decal(decal, laid, model, pose, at_mm), camera
        )
        faults += off
    return DecalResult(
        decal.name,
        True,
        told.dx if told else None,
        told.dy if told else None,
        told.rotation if told else None,
        laid.correlation,
        laid.outline_pixel,
        laid.nominal_pixel,
        camera=camera,
        found_variant=laid.variant,
        upside_down=laid.upside_down,
        mirrored=laid.mirrored,
        stretch_along=told.stretch_along if told else None,
        stretch_across=told.stretch_across if told else None,
        warp_mm=laid.warp_mm,
        faults=faults,
        faults_sought=laid.whole is not None,
        hidden_share=laid.whole.hidden_share if laid.whole else float("nan"),
        bubbles_unjudged=laid.whole.unjudged if laid.whole else float("nan"),
        datum=named,
        untold=frame.untold,
        surface=surface,
        surface_doubt="" if doubt is None else doubt.words,
        gap=gap,
        colour=colour,
    )


def _wrong_panel(sight: Sight, decal: Decal, where: Pose) -> str:
    """The decal in whose place this one lies instead of its own; "" none."""
    for k, other in enumerate(sight.definition.decals):
        if other.name == decal.name or _near(other, decal):
            continue
        shot = sight.shots[sight.setup.decal_camera[k]]
        if shot is None:
            continue
        there = replace(decal, patch=other.patch)
        if measure_decal(shot.picture, there, where, shot.model, shot.pose, shot.blur_px).there:
            return other.name
    return ""


def _faults(
    sight: Sight, which: int, decal: Decal, where: Pose, laid: DecalFit, rivals: Sequence[Decal]
) -> tuple[DecalFault, ...]:
    """Where glare hides the print, another camera that sees the decal is asked."""
    if laid.whole is None:
        return ()
    kept = list(zip(laid.whole.faults, laid.fault_pixels, strict=True))
    told = [(fault, pixel, sight.setup.cameras[which]) for fault, pixel in kept]
    for k, shot in enumerate(sight.shots):
        if k == which or shot is None or not any(fault.kind is FaultKind.GLARE for fault, _, _ in told):
            continue
        pose = shot.pose
        other = measure_decal(shot.picture, decal, where, shot.model, pose, shot.blur_px, rivals)
        if other.whole is None or (other.variant, other.upside_down) != (laid.variant, laid.upside_down):
            continue
        remain, instead = cleared([fault for fault, _, _ in told], other.whole.faults)
        theirs = zip(other.whole.faults, other.fault_pixels, instead, strict=True)
        told = [one for one, keep in zip(told, remain, strict=True) if keep]
        told += [(fault, pixel, sight.setup.cameras[k]) for fault, pixel, take in theirs if take]
    return tuple(
        DecalFault(fault.kind, fault.area_mm2, fault.length_mm, fault.width_mm, fault.at_mm, pixel, camera)
        for fault, pixel, camera in sorted(told, key=lambda one: -one[0].area_mm2)
    )


def _could_lie_there(one: Decal, decal: Decal) -> bool:
    return one.variant != decal.variant and _near(one, decal)


def _near(one: Decal, other: Decal) -> bool:
    return float(np.linalg.norm(one.patch.origin_mm - other.patch.origin_mm)) < SAME_PLACE_MM
