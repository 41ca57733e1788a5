"""From where a print was found to what is told of a decal: offsets, rotation and stretches, from what its drawing
names, with the shares of their uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import decal_budget
from edgeinspect.measure.decal import DecalFit
from edgeinspect.measure.decal_surface import UNLIKE, SurfaceDoubt, light_covariance
from edgeinspect.measure.frames import Datum
from edgeinspect.measure.measurement import Quantity
from edgeinspect.measure.setup import TEMPERATURE, Sight, quantity
from edgeinspect.shell.definition import Decal

_UNIT = np.array([1.0, 1.0, np.rad2deg(1.0), 100.0, 100.0])  # mm, mm, deg, %, %


@dataclass(frozen=True)
class DecalNumbers:
    dx: Quantity
    dy: Quantity
    rotation: Quantity
    stretch_along: Quantity
    stretch_across: Quantity


def numbers(
    sight: Sight, k: int, decal: Decal, laid: DecalFit, place: Datum, told: Datum, doubt: SurfaceDoubt | None
) -> DecalNumbers:
    """``k`` - the decal's number in the definition; ``place`` - where the shell lies, by which the print was found;
    ``told`` - what it is told from.
    """
    shot = sight.shots[sight.setup.decal_camera[k]]
    assert shot is not None and laid.covariance is not None, "only what was found is told"
    values = laid.values + _to_named(sight, decal, laid, place, told)
    axes = np.array([decal.patch.x_axis, np.cross(decal.patch.normal, decal.patch.x_axis)])
    warm = sight.growth - 1.0
    values[:2] -= warm * (axes @ decal.patch.origin_mm)  # a warm shell carries its decal outwards
    values[3:] -= warm
    shares = {
        source: _UNIT * np.sqrt(np.maximum(np.diag(part), 0.0))
        for source, part in covariances(sight, k, decal, laid.covariance, told, doubt).items()
    }
    five = [quantity(float(values[i] * _UNIT[i]), {s: float(u[i]) for s, u in shares.items()}) for i in range(5)]
    return DecalNumbers(*five)


def covariances(
    sight: Sight, k: int, decal: Decal, of_picture: Array, told: Datum, doubt: SurfaceDoubt | None
) -> dict[str, Array]:
    """(5, 5) of dx, dy [mm], rotation [rad] and stretches [1] by source."""
    setup = sight.setup
    shot = sight.shots[setup.decal_camera[k]]
    assert shot is not None, "only what was found is told"
    found = {"picture noise and print": of_picture}
    for cause, errors in setup.decal_errors[k].items():
        own = errors * (sight.u_growth if cause == TEMPERATURE else 1.0)
        found[cause] = own @ own.T
    follows = setup.decal_follows[k]
    found["datums"] = follows @ told.covariance @ follows.T
    u = decal_budget.surface_u(decal)
    eye = setup.calibrations[setup.decal_camera[k]].fixture_pose.inverse().translation_mm
    for cause, way in decal_budget.surface_ways(decal, setup.seating.pose, eye).items():
        found[cause] = u[cause] ** 2 * (way @ way.T)
    if doubt is not None:
        found[UNLIKE] = np.diag(doubt.u**2)
    found["light and edge shape"] = light_covariance(shot, decal)
    return found


def _to_named(sight: Sight, decal: Decal, laid: DecalFit, place: Datum, told: Datum) -> Array:
    """(5,) that a print found on the shell as it lies reads more from another datum."""
    if told is place:
        return np.zeros(5)
    seat: Pose = sight.setup.seat
    carry = told.shift.pose().after(seat).inverse().after(place.shift.pose().after(seat))
    here = decal.patch.points(laid.values[:1], laid.values[1:2])
    off = (carry.apply(here) - here)[0]
    along, up = decal_budget.tangents(decal.patch, float(laid.values[0]), float(laid.values[1]))
    about = np.array([carry.rotation[2, 1], carry.rotation[0, 2], carry.rotation[1, 0]])  # of a turn by little
    return np.array([along @ off, up @ off, np.arcsin(np.clip(about @ np.cross(along, up), -1, 1)), 0.0, 0.0])
