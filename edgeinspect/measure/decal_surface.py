"""Is the surface under a decal what the definition says? A second camera, and formed places on the sheet, give it away.

One camera cannot tell a surface that lies higher from a print laid elsewhere. Two that read the same print on the
surface as drawn read it at two places when it is not there; pips that do not lie where the rest of the shell puts them
say the same of the sheet. What they disagree by is compared with all that may explain it, the surface's own tolerances
included: beyond three standard uncertainties the surface does not fit its definition, and what that may do to the decal
is added to its uncertainty.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import budget, decal_budget
from edgeinspect.measure.calibration_uncertainty import calibration_displacements
from edgeinspect.measure.decal import DecalFit, measured_again
from edgeinspect.measure.height import Stray
from edgeinspect.measure.setup import Sight
from edgeinspect.measure.sharing import in_picture
from edgeinspect.measure.shot import Shot
from edgeinspect.shell.definition import Decal

CHANCE = 0.0027  # beyond three standard uncertainties
UNLIKE = "surface unlike its definition"
NOT_FITTING = "the surface does not fit its definition"
FURTHER = 10.0  # tolerances: so far off a surface may be before anything is known of it
_CAUSES = (decal_budget.SURFACE_HEIGHT, decal_budget.SURFACE_TILT, decal_budget.SURFACE_RADIUS)


@dataclass(frozen=True)
class SurfaceDoubt:
    """Why the surface is not what the definition says, and what that may do: (5,) standard uncertainties of dx, dy
    [mm], rotation [rad] and stretches [1].
    """

    words: str
    u: Array


def light_covariance(shot: Shot, decal: Decal) -> Array:
    """(5, 5) of a decal's numbers, from light: as much on each of its edges as on a cut one."""
    light, art = shot.edge_model_mm, decal.artwork
    half = np.array([art.width_mm, art.height_mm]) / 2
    return np.diag([light, light, light / half[0], *(light / half)]) ** 2


def surface_doubt(
    sight: Sight, k: int, decal: Decal, where: Pose, laid: DecalFit, strays: Sequence[Stray]
) -> SurfaceDoubt | None:
    """None: nothing speaks against the surface. ``k`` - the decal's number; ``where`` - shell -> fixture."""
    found = [*_by_cameras(sight, k, decal, where, laid), *_by_strays(sight, k, decal, where, strays)]
    if not found:
        return None
    words = "; ".join(one.words for one in found)
    return SurfaceDoubt(f"{NOT_FITTING}: {words}", np.max([one.u for one in found], axis=0))


def _by_cameras(sight: Sight, k: int, decal: Decal, where: Pose, laid: DecalFit) -> Iterator[SurfaceDoubt]:
    """Every other camera that sees the whole decal."""
    setup, which = sight.setup, sight.setup.decal_camera[k]
    own = sight.shots[which]
    if own is None or laid.covariance is None:
        return
    here = setup.decal_places[k].placed(where)
    eye = own.pose.inverse().translation_mm
    ways = _ways(decal, where, eye)
    before = _before(sight, decal)
    for other, shot in enumerate(sight.shots):
        calibration = setup.calibrations[other]
        if other == which or shot is None or not in_picture(calibration, here.points_mm).all():
            continue
        again = measured_again(shot.picture, decal, where, shot.model, shot.pose, shot.blur_px, laid)
        if again is None:
            continue
        their_eye = shot.pose.inverse().translation_mm
        apart, lever = again.values - laid.values, _ways(decal, where, their_eye) - ways
        spread = laid.covariance + again.covariance + light_covariance(own, decal) + light_covariance(shot, decal)
        for camera, at in ((which, eye), (other, their_eye)):
            calibrated = setup.calibrations[camera]
            field = calibration_displacements(calibrated, setup.fixture, here.points_mm, budget.MARK_NOISE_PX)
            errors = decal_budget.of_plane_field(field, here, at)
            spread = spread + errors @ errors.T
        expected = spread + lever @ before @ lever.T
        if float(apart @ np.linalg.solve(expected, apart)) <= float(chdtri(5, CHANCE)):
            continue
        wide = before * FURTHER**2
        gain = wide @ lever.T @ np.linalg.inv(spread + lever @ wide @ lever.T)
        off = gain @ apart
        left = wide - gain @ lever @ wide
        u = np.sqrt((ways @ off) ** 2 + np.maximum(np.diag(ways @ left @ ways.T), 0.0))
        way = "higher" if off[0] >= 0 else "lower"
        words = f"camera {shot.camera} reads this decal {float(np.hypot(*apart[:2])):.2f} mm beside camera {own.camera}"
        tilt = float(np.rad2deg(np.hypot(*off[1:3])))
        yield SurfaceDoubt(f"{words}, as if it lay {abs(off[0]):.2f} mm {way} and tilted by {tilt:.2f}°", u)


def _by_strays(sight: Sight, k: int, decal: Decal, where: Pose, strays: Sequence[Stray]) -> Iterator[SurfaceDoubt]:
    """What lies off the sheet's place there may lie off as far here, and the more tilted the nearer it is."""
    shot = sight.shots[sight.setup.decal_camera[k]]
    if shot is None:
        return
    ways = _ways(decal, where, shot.pose.inverse().translation_mm)
    for stray in strays:
        away = float(np.linalg.norm(stray.at_mm - where.apply(decal.patch.origin_mm[None])[0]))
        off = stray.height_mm * np.array([1.0, 1.0 / away, 1.0 / away, 0.0])
        words = f"{stray.words} reads as if the sheet lay {abs(stray.height_mm):.1f} mm too "
        yield SurfaceDoubt(words + ("high" if stray.height_mm > 0 else "low"), np.sqrt(((ways * off) ** 2).sum(axis=1)))


def _ways(decal: Decal, where: Pose, eye_mm: Array) -> Array:
    """(5, 4): height, both tilts, radius."""
    every = decal_budget.surface_ways(decal, where, eye_mm)
    parts = [every.get(cause, np.zeros((5, 1))) for cause in _CAUSES]
    return np.hstack(parts)


def _before(sight: Sight, decal: Decal) -> Array:
    """(4, 4) covariance of height, both tilts and radius: the surface's tolerances and how the shell sits."""
    u = decal_budget.surface_u(decal)
    own = np.diag([u[_CAUSES[0]], u[_CAUSES[1]], u[_CAUSES[1]], u[_CAUSES[2]]]) ** 2
    setup = sight.setup
    origin = setup.seating.pose.apply(decal.patch.origin_mm[None])
    rows = np.zeros((4, 3))
    rows[0] = budget.rise_rows(origin, setup.seating.pose.translation_mm)[0]
    rows[1, 1] = rows[2, 2] = 1.0
    seat = rows @ setup.heights.T
    return own + seat @ seat.T
