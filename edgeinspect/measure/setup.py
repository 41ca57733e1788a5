"""One shell definition in one fixture before its calibrated cameras, prepared: all that does not depend on the
pictures.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import budget, decal_budget
from edgeinspect.measure.best_fit import freedom_rows, freedom_shifts
from edgeinspect.measure.calibration_uncertainty import calibration_displacements
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.cut_face import on_show_face
from edgeinspect.measure.decal_colour import ColourSight
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.hand import prepare_hands
from edgeinspect.measure.measurement import Quantity, Share
from edgeinspect.measure.ribbon import Stations, lay_stations, together
from edgeinspect.measure.sharing import Sharing, Which
from edgeinspect.measure.shot import Shots
from edgeinspect.measure.two_views import prepare_overlaps
from edgeinspect.shell.definition import (
    Arris,
    Curve,
    CutOut,
    DatumScheme,
    Decal,
    DecalDatum,
    FitBy,
    Frame,
    ShellDefinition,
)

TEMPERATURE = "temperature"
SCHEME_OF = {DecalDatum.CUTOUTS: DatumScheme.HOLE_AND_SLOT, DecalDatum.PIPS: DatumScheme.PIPS}
SEAM_REACH_MM = 12.0  # of the edge on either side of a seam is read by both cameras


@dataclass(frozen=True)
class SeamPlace:
    """Stations on both sides of a place where the rim passes from one camera to the next."""

    arc_mm: float
    before: int
    after: int
    stations: Which  # indices on the rim
    u_calibrated_mm: float  # of the difference of both readings, from calibration alone
    u_mm: float  # and from the height


class Setup:
    """Stations along every curve, which camera measures what, and the shares of the common causes of uncertainty,
    worked out once.

    Raises ValueError when there is no camera.
    """

    def __init__(
        self,
        definition: ShellDefinition,
        calibrations: Sequence[CameraCalibration],
        fixture: Fixture,
        seating: Seating,
    ) -> None:
        if not calibrations:
            raise ValueError("a shell is measured with one camera or several, got none")
        self.definition, self.calibrations, self.fixture, self.seating = definition, calibrations, fixture, seating
        self.cameras = tuple(calibration.camera for calibration in calibrations)
        sharing = Sharing(calibrations, seating.u_height_mm, definition.sheet_mm, definition.arris)
        self.hands = prepare_hands(definition, sharing, seating)
        rim = self._laid(definition.rim)
        seated = rim.placed(seating.pose)
        zones = [np.asarray(zone.holds(rim.arc_mm)) for zone in definition.zones]
        camera = sharing.along(seated.points_mm, seated.normals, zones)
        self.rim, self.rim_seated = replace(rim, camera=camera), replace(seated, camera=camera)
        self.rim_reach_mm = float(np.hypot(*seated.points_mm[:, :2].T).max())  # from the fixture's origin
        self.zone_cameras = {
            zone.name: tuple(self.cameras[k] for k in np.unique(camera[holds]))
            for zone, holds in zip(definition.zones, zones, strict=True)
        }
        self.cutouts: list[tuple[CutOut, Stations]] = []
        for cutout in definition.cutouts:
            laid = self._laid(cutout.curve)
            there = laid.placed(seating.pose)
            one = sharing.whole(there.points_mm, there.normals)
            self.cutouts.append((cutout, replace(laid, camera=np.full(len(laid.arc_mm), one, dtype=np.intp))))
        # All cut-outs one after the other: what is done along them is done once.
        self.cutout_ends = np.cumsum([len(stations.arc_mm) for _, stations in self.cutouts])
        self.cutout_stations = together([stations for _, stations in self.cutouts]) if self.cutouts else None
        self.cutout_camera = [int(stations.camera[0]) for _, stations in self.cutouts]
        self.pips_mm = np.array([pip.centre_mm for pip in definition.pips]).reshape(-1, 3)
        self.pip_camera = [sharing.whole(seating.pose.apply(pip[None])) for pip in self.pips_mm]
        # The shell lies where the fixture holds it, until its height is measured (see height).
        self.seat = seating.pose
        self.u_seat = budget.seat_heights(seating, seated.points_mm)
        self.lifted: Array = np.zeros(3)  # by how much: terms of budget.rise_rows
        self.heights = np.diag(self.u_seat)
        self.decal_camera = [sharing.whole(seating.pose.apply(_corners(decal))) for decal in definition.decals]
        self.decal_places = [decal_budget.places_of(decal) for decal in definition.decals]
        self.prints = [here.placed(seating.pose) for here in self.decal_places]
        self._eyes = [calibrations[k].fixture_pose.inverse().translation_mm for k in self.decal_camera]
        self.decal_follows = [  # (5, 3): what a shift and turn of a decal's datum do to its numbers
            decal_budget.of_plane_shift(here, eye) for here, eye in zip(self.prints, self._eyes, strict=True)
        ]
        # Where form alone is judged, the tolerance zone floats about its own middle.
        self.zone_middle_mm = np.zeros(len(rim.arc_mm))
        for zone, holds in zip(definition.zones, zones, strict=True):
            if zone.frame is Frame.BEST_FIT:
                self.zone_middle_mm[holds] = zone.limits.middle
        self.form_rows = freedom_rows(self.rim_seated, seating.pose, definition.best_fit)
        self._prepare_budget()
        self.seams = tuple(self._seams())
        self._prepare_height()

    def _laid(self, curve: Curve) -> Stations:
        laid = lay_stations(curve, self.definition.step_mm)
        return laid if self.definition.arris is Arris.SHOW else on_show_face(laid, self.definition.sheet_mm)

    def _prepare_budget(self) -> None:
        """Shares of common causes along the rim, at the cut-outs and the decals, in each frame (see budget)."""
        centres = [np.append(cutout.centre_mm, stations.points_mm[:, 2].mean()) for cutout, stations in self.cutouts]
        rim, pips = self.rim_seated, self.seating.pose.apply(self.pips_mm)
        places = self.seating.pose.apply(np.array(centres).reshape(-1, 3))
        self._places = (rim.points_mm, pips, places, *(here.points_mm for here in self.prints))
        points = np.vstack(self._places)
        of_prints = np.repeat(self.decal_camera, [len(here.points_mm) for here in self.prints])
        camera = np.concatenate([rim.camera, self.pip_camera, self.cutout_camera, of_prints]).astype(np.intp)
        self._place_camera = camera
        self.rim_shares: dict[Frame, dict[str, Array]] = {frame: {} for frame in Frame}
        self.place_shares: dict[str, Array] = {}
        self.cut_follows: dict[str, Array] = {}  # (3, K) plane shifts by which the cut outline reads wrong
        self.datum_follows: dict[str, Array] = {}  # the same of the shell's datums
        self.pip_fields: dict[str, Array] = {}  # (K, P, 2) by cause: how the pips read wrong
        # By cause (5, K): how dx, dy [mm], rotation [rad] and stretches of each decal read wrong from its datum.
        self.decal_errors: list[dict[str, Array]] = [{} for _ in self.prints]
        self.form_fields: dict[str, Array] = {}  # (K, N) along the rim's normals, before a best fit takes up its part
        causes = budget.common_causes(self.calibrations, camera, self.fixture, self.seating, points, self.heights)
        for cause, every in causes.items():
            self._share_out(cause, every)
        self._sum_rim_variance()

    def _share_out(self, cause: str, every: Array) -> None:
        """What one cause, fields (K, N, 2) at all places, leaves in each frame."""
        rim, (_, pips, places, *_) = self.rim_seated, self._places
        ends = np.cumsum([len(part) for part in self._places[:-1]])
        on_rim, on_pips, on_places, *on_prints = np.split(every, ends, axis=1)
        on_features = on_rim, on_pips, on_places, pips, places
        follows = self._datum_follows(self.definition.datum, *on_features)
        in_datum = budget.left_after(on_rim, rim.points_mm, follows)
        placed_in_datum = budget.left_after(on_places, places, follows)
        self.datum_follows[cause] = follows
        self.cut_follows[cause] = budget.outline_follows(on_rim, rim.points_mm, rim.normals)
        self.pip_fields[cause] = on_pips
        self.rim_shares[Frame.DATUM][cause] = budget.along_normals(in_datum, rim.normals)
        held = on_rim if self.definition.datum is DatumScheme.BEST_FIT else in_datum
        along = np.einsum("knj,nj->kn", held, rim.normals[:, :2])
        left = along - (self.form_rows @ np.linalg.lstsq(self.form_rows, along.T, rcond=None)[0]).T
        self.rim_shares[Frame.BEST_FIT][cause] = np.sqrt((left**2).sum(axis=0))
        if self.definition.best_fit.by is FitBy.MINIMUM_ZONE:  # what it takes up is known when it has been fitted
            self.form_fields[cause] = along
        self.place_shares[cause] = np.sqrt((placed_in_datum**2).sum(axis=0).mean(axis=1))
        for k, (decal, field) in enumerate(zip(self.definition.decals, on_prints, strict=True)):
            own = self._decal_datum_follows(decal.datum, cause, *on_features)
            left = budget.left_after(field, self.prints[k].points_mm, own)
            self.decal_errors[k][cause] = decal_budget.of_plane_field(left, self.prints[k], self._eyes[k])
        if cause != TEMPERATURE:  # the fixture frame tells where the cutter ran and is not brought to 20 degC
            self.rim_shares[Frame.FIXTURE][cause] = budget.along_normals(on_rim, rim.normals)

    def _sum_rim_variance(self) -> None:
        self.rim_variance = {
            frame: sum((u**2 for cause, u in shares.items() if cause != TEMPERATURE), np.zeros(len(self.rim.arc_mm)))
            for frame, shares in self.rim_shares.items()
        }

    def _decal_datum_follows(
        self, datum: DecalDatum, cause: str, on_rim: Array, on_pips: Array, on_places: Array, pips: Array, places: Array
    ) -> Array:
        """The same of what a decal is told from."""
        if datum is DecalDatum.SHELL:
            return self.datum_follows[cause]
        if datum is DecalDatum.EDGE:
            return self.cut_follows[cause]
        scheme = SCHEME_OF.get(datum, DatumScheme.FIXTURE)
        return self._datum_follows(scheme, on_rim, on_pips, on_places, pips, places)

    def _datum_follows(
        self, scheme: DatumScheme, on_rim: Array, on_pips: Array, on_places: Array, pips: Array, places: Array
    ) -> Array:
        """Plane shifts (3, K) by which the datums of a scheme read wrong when fields (K, N, 2) of displacement act."""
        if scheme is DatumScheme.PIPS:
            return budget.points_follow(on_pips, pips)
        if scheme is DatumScheme.HOLE_AND_SLOT:
            return budget.hole_and_slot_follow(on_places[:, :2], places[:2, :2], self.across_slot())
        if scheme is DatumScheme.BEST_FIT:
            along = np.einsum("knj,nj->kn", on_rim, self.rim_seated.normals[:, :2])
            terms = np.linalg.lstsq(self.form_rows, along.T, rcond=None)[0]
            return np.asarray(freedom_shifts(self.seating.pose, self.definition.best_fit).T @ terms)
        return np.zeros((3, len(on_rim)))

    def across_slot(self) -> Array:
        """(2,) unit vector at the nominal seating along which the second cut-out holds the datum frame's turn: across a
        slot's width, square to the line between two holes.
        """
        hole, other = self.definition.cutouts[:2]
        if other.kind == "slot":
            angle = np.deg2rad(other.angle_deg)
            across = np.array([-np.sin(angle), np.cos(angle), 0.0])
        else:
            run = other.centre_mm - hole.centre_mm
            across = np.array([-run[1], run[0], 0.0])
        there = self.seating.pose.turn(across[None])[0, :2]
        return np.asarray(there / np.linalg.norm(there))

    def shift_covariance(self, follows: Mapping[str, Array], u_growth: float) -> Array:
        """(3, 3) of dx, dy [mm], rotation [rad]: what the common causes do to a plane shift that follows them so."""
        parts = [(u_growth if c == TEMPERATURE else 1.0) ** 2 * (shifts @ shifts.T) for c, shifts in follows.items()]
        return np.asarray(sum(parts, np.zeros((3, 3))))

    def _prepare_height(self) -> None:
        """What telling the height needs: how wrong each camera may read pips and cut-outs, and what two see both."""
        seated = [stations.placed(self.seating.pose) for _, stations in self.cutouts]
        middles = np.array([stations.points_mm.mean(axis=0) for stations in seated]).reshape(-1, 3)
        self.cutout_slopes = [stations.slopes.mean(axis=0) for stations in seated]
        pips, rim = self.seating.pose.apply(self.pips_mm), self.rim_seated.points_mm
        # A plane is highest and lowest at the outline: a tenth of its places tells that to 0.001 mm.
        self.rim_rise = budget.rise_rows(rim[::10], self.seating.pose.translation_mm)
        points = np.vstack([pips, middles, rim]) if len(self.calibrations) > 1 else np.vstack([pips, middles])
        fields: list[Array] = [np.zeros((0, len(points), 2)) for _ in self.calibrations]
        if len(points):
            every = self.calibrations
            fields = [calibration_displacements(c, self.fixture, points, budget.MARK_NOISE_PX) for c in every]
        self.error_count, count = sum(len(field) for field in fields), len(pips) + len(middles)
        self._feature_errors = [field[:, :count] for field in fields]
        beside = [np.concatenate([field[:, count:], field[:, len(pips) : count]], axis=1) for field in fields]
        sheet_mm = self.definition.sheet_mm
        self.overlaps = prepare_overlaps(self.calibrations, self.rim_seated, seated, sheet_mm, beside)

    def feature_errors(self, feature: int, camera: int) -> Array:
        """(K, 2) [mm]: how wrong one camera may read a pip or cut-out (pips first), by every cause of every camera."""
        none: list[Array] = [np.zeros((len(field), 2)) for field in self._feature_errors]
        none[camera] = self._feature_errors[camera][:, feature]
        return np.concatenate(none)

    @property
    def height_costs_mm(self) -> float:
        """Standard uncertainty [mm] that the height brings to the worst place of the rim, from the shell's datums."""
        return float(self.rim_shares[Frame.DATUM][budget.HEIGHT].max())

    def rise_above(self, other: Setup) -> float:
        """Greatest difference of the rim's height [mm] to another set-up of the same shell."""
        return float(np.abs(self.rim_rise @ (self.lifted - other.lifted)).max())

    def at_height(self, terms: Array, covariance: Array) -> Setup:
        """The same with the shell lifted and tilted: ``terms`` (3,) of ``budget.rise_rows`` with their covariance."""
        other = copy.copy(self)
        other.lifted = terms
        tilt = Pose.from_degrees((*np.rad2deg(terms[1:]), 0.0), (0.0, 0.0, 0.0)).rotation
        raised = self.seating.pose.translation_mm + np.array([0.0, 0.0, terms[0]])
        other.seat = Pose(tilt @ self.seating.pose.rotation, raised)
        values, vectors = np.linalg.eigh(covariance)
        other.heights = np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T
        # Of all that is known of the causes only the height's part changes.
        other.rim_shares = {frame: dict(shares) for frame, shares in self.rim_shares.items()}
        for name in ("place_shares", "cut_follows", "datum_follows", "pip_fields", "form_fields"):
            setattr(other, name, dict(getattr(self, name)))
        other.decal_errors = [dict(errors) for errors in self.decal_errors]
        points = np.vstack(self._places)
        lifted = budget.height_cause(self.calibrations, self._place_camera, self.seating, points, other.heights)
        other._share_out(budget.HEIGHT, lifted)
        other._sum_rim_variance()
        other.seams = tuple(other._at_height(seam) for seam in self.seams)
        return other

    def _at_height(self, seam: SeamPlace) -> SeamPlace:
        """The same seam with what this set-up knows of the height, which does the same to both cameras."""
        points, normals = self.rim_seated.points_mm[seam.stations], self.rim_seated.normals[seam.stations]
        before, after = (
            budget.height_cause(self.calibrations, np.full(len(points), k), self.seating, points, self.heights)
            for k in (seam.before, seam.after)
        )
        u_height = float(np.sqrt((budget.along_normals(after - before, normals) ** 2).mean()))
        return replace(seam, u_mm=float(np.hypot(seam.u_calibrated_mm, u_height)))

    def _seams(self) -> Iterator[SeamPlace]:
        camera, rim = self.rim.camera, self.rim_seated
        reach = max(1, round(SEAM_REACH_MM / self.rim.step_mm))
        for at in np.flatnonzero(camera != np.roll(camera, 1)):
            around = np.mod(at + np.arange(-reach, reach), len(camera))
            before, after = int(camera[at - 1]), int(camera[at])
            points, normals = rim.points_mm[around], rim.normals[around]
            # The calibrations err independently.
            fields = [
                calibration_displacements(self.calibrations[k], self.fixture, points, budget.MARK_NOISE_PX)
                for k in (before, after)
            ]
            u = float(np.linalg.norm([np.sqrt((budget.along_normals(f, normals) ** 2).mean()) for f in fields]))
            seam = SeamPlace(float(self.rim.arc_mm[at]), before, after, around.astype(np.intp), u, u)
            yield self._at_height(seam)

    def place_causes(self, index: int, u_growth: float) -> dict[str, float]:
        """Common shares [mm] at one cut-out, in the order of the definition."""
        return {c: float(u[index]) * (u_growth if c == TEMPERATURE else 1.0) for c, u in self.place_shares.items()}

    def pips_common(self, u_growth: float) -> Array:
        """(2 P, 2 P) [mm²]: covariance that the common causes give to where the pips read, x and y of each."""
        parts = [
            (u_growth if cause == TEMPERATURE else 1.0) ** 2 * (each.T @ each)
            for cause, field in self.pip_fields.items()
            for each in [field.reshape(len(field), -1)]
        ]
        return np.asarray(sum(parts, np.zeros((2 * len(self.pips_mm),) * 2)))


@dataclass(frozen=True)
class Sight:
    """The pictures of one look at one shell, and what every step needs to know of it."""

    setup: Setup
    shots: Shots
    growth: float  # length at the shell's temperature over length at 20 degC
    u_growth: float
    colours: ColourSight | None = None  # None: no decal's colours are looked at

    @property
    def definition(self) -> ShellDefinition:
        return self.setup.definition

    @cached_property
    def edge_model_mm(self) -> Array:
        """(N,) standard uncertainty of the rim's place from light and the arris's shape; nan without a picture."""
        return self._along_rim([np.nan if shot is None else shot.edge_model_mm for shot in self.shots])

    @cached_property
    def usual_edge_model_mm(self) -> float:
        return float(np.nanmean(self.edge_model_mm))

    @cached_property
    def response_mm(self) -> Array:
        """(N,) the same from the cameras' responses."""
        return self._along_rim([np.nan if shot is None else shot.response_mm for shot in self.shots])

    def _along_rim(self, of_shots: Sequence[float]) -> Array:
        return np.array(of_shots)[self.setup.rim.camera]

    @property
    def formed_edge_mm(self) -> float:
        """The same of the worst of the formed edges."""
        return max((shot.formed_edge_mm for shot in self.shots if shot is not None), default=float("nan"))


def _corners(decal: Decal) -> Array:
    """Corners (4, 3) of a decal where it belongs, shell frame."""
    half = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * (decal.artwork.width_mm / 2, decal.artwork.height_mm / 2)
    return decal.patch.points(half[:, 0], half[:, 1])


def quantity(value: float, shares: dict[str, float]) -> Quantity:
    """A value with the root sum of squares of its shares (JCGM 100, 5.1.2)."""
    u = math.sqrt(sum(part * part for part in shares.values()))
    return Quantity(value, u, tuple(Share(source, part) for source, part in shares.items()))
