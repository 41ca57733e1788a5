"""A station that looks at decals, drawn without the measuring code: true cameras, surfaces and prints on one side, what
the gauge is told of them on the other.

The pictures hold the decals only: marks and pips are read as points, off by what the gauge states for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure import budget
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.decal_datum import DecalFrame
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.frames import Datum, datum_of_pips
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.pips import PipFound
from edgeinspect.measure.setup import Setup, Sight
from edgeinspect.measure.shot import Shot
from edgeinspect.shell.definition import Artwork, ShellDefinition
from edgeinspect.simulate.camera import TrueCamera
from tests.measure.decal_pictures import FULL_WELL, READ, Surface

FINE = 3  # places looked up within a pixel, each way
ART_PX_PER_MM = 30.0


@dataclass(frozen=True)
class TruePatch:
    """A surface about a decal's place: ``axes`` (3, 3) reading direction, up and normal in the shell frame."""

    origin_mm: Array
    axes: Array
    surface: Surface

    @staticmethod
    def about(origin_mm: Array, x_axis: Array, normal: Array, surface: Surface) -> TruePatch:
        return TruePatch(np.asarray(origin_mm), np.array([x_axis, np.cross(normal, x_axis), normal]), surface)

    def off(self, height_mm: float, about_x_rad: float, about_y_rad: float, radius_mm: float) -> TruePatch:
        """The same, higher along its normal, tilted about its own axes, of another radius."""
        tilt = Pose.from_degrees(np.rad2deg([about_x_rad, about_y_rad, 0.0]), (0.0, 0.0, 0.0)).rotation
        curve = self.surface
        if radius_mm:
            curve = replace(curve, radius_v_mm=curve.radius_v_mm + radius_mm)
        return TruePatch(self.origin_mm + height_mm * self.axes[2], tilt.T @ self.axes, curve)


@dataclass(frozen=True)
class Print:
    art: Artwork
    on: TruePatch
    values: tuple[float, ...]  # dx, dy [mm], rotation [deg], stretches [1], at 20 degC
    upside_down: bool = False
    mirrored: bool = False


@dataclass(frozen=True)
class Light:
    sheet: float = 0.45
    exposure: float = 0.85
    blur_px: float = 0.8
    bits: int = 16
    slope: float = 0.0  # over the picture's width


def picture_of(
    camera: TrueCamera, shell: Pose, growth: float, prints: Sequence[Print], light: Light, seed: int | None
) -> GreyPicture:
    """``shell`` - shell -> fixture as it really lies, ``growth`` - of all its lengths since 20 degC."""
    level = np.full((camera.height_px, camera.width_px), light.sheet, dtype=np.float32)
    for one in prints:
        _lay(level, camera, shell, growth, one, light)
    level *= light.exposure * (1 + light.slope * np.linspace(-0.5, 0.5, camera.width_px, dtype=np.float32))
    if seed is not None:
        noise = np.random.default_rng(seed).standard_normal(level.shape, dtype=np.float32)
        level = level + noise * np.sqrt(np.maximum(level, 0) * FULL_WELL + READ**2) / FULL_WELL
    full = 2**light.bits - 1
    return GreyPicture(np.rint(np.clip(level, 0, 1) * full).astype(np.uint16 if light.bits > 8 else np.uint8))


def _lay(level: Array, camera: TrueCamera, shell: Pose, growth: float, one: Print, light: Light) -> None:
    width, height = one.art.width_mm, one.art.height_mm
    reach = float(np.hypot(width, height)) / 2 + 3.0 + float(np.hypot(*one.values[:2]))
    around = np.array([[-reach, -reach], [reach, -reach], [reach, reach], [-reach, reach]])
    corners = camera.project(shell.apply(growth * (one.on.origin_mm + around @ one.on.axes[:2])))
    size = np.array([camera.width_px, camera.height_px])
    left, top = np.clip(np.floor(corners.min(axis=0)).astype(int) - 8, 0, size).tolist()
    right, bottom = np.clip(np.ceil(corners.max(axis=0)).astype(int) + 9, 0, size).tolist()
    columns, rows = right - left, bottom - top
    if columns <= 0 or rows <= 0:
        return
    column = (np.arange(columns * FINE) + 0.5) / FINE - 0.5 + left
    row = (np.arange(rows * FINE) + 0.5) / FINE - 0.5 + top
    x, y = camera.ideal(*np.meshgrid(column, row))
    turn = one.on.axes @ shell.rotation.T @ camera.pose.rotation.T  # camera -> the patch's axes
    way = [turn[k, 0] * x + turn[k, 1] * y + turn[k, 2] for k in range(3)]
    eye = one.on.axes @ (shell.inverse().apply(camera.centre_mm[None])[0] / growth - one.on.origin_mm)
    reach_of = -eye[2] / way[2]
    for _ in range(4 if one.on.surface.radius_v_mm or one.on.surface.radius_u_mm else 0):
        high = one.on.surface.z(eye[0] + reach_of * way[0], eye[1] + reach_of * way[1])
        reach_of = (high - eye[2]) / way[2]  # converges by slope times angle
    u, v = one.on.surface.along(eye[0] + reach_of * way[0], eye[1] + reach_of * way[1])
    dx, dy, degrees, along, across = one.values
    cos, sin = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    art_x = (cos * (u - dx) + sin * (v - dy)) / (1 + along)
    art_y = (cos * (v - dy) - sin * (u - dx)) / (1 + across)
    art_x = -art_x if one.mirrored != one.upside_down else art_x
    art_y = -art_y if one.upside_down else art_y
    wide = (round(width * ART_PX_PER_MM), round(height * ART_PX_PER_MM))
    ink, opacity = (
        cv2.resize(part.astype(np.float32), wide, interpolation=cv2.INTER_CUBIC)
        for part in (one.art.grey, one.art.opacity)
    )
    at_column = (art_x * ART_PX_PER_MM + wide[0] / 2 - 0.5).astype(np.float32)
    at_row = (wide[1] / 2 - 0.5 - art_y * ART_PX_PER_MM).astype(np.float32)
    seen = cv2.remap(ink, at_column, at_row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    share = np.clip(cv2.remap(opacity, at_column, at_row, cv2.INTER_LINEAR, borderValue=0.0), 0, 1)
    parts = []
    for part in (share * seen, share):
        soft = cv2.GaussianBlur(part, (0, 0), light.blur_px * FINE)
        parts.append(soft.reshape(rows, FINE, columns, FINE).mean(axis=(1, 3)))
    here = level[top:bottom, left:right]
    here[:] = (1 - parts[1]) * here + parts[0]


@dataclass(frozen=True)
class Told:
    """What the gauge knows of one camera in one look, and the camera as it is."""

    true: TrueCamera
    calibration: CameraCalibration
    pose: Pose  # from the marks in this picture


def drawn_camera(calibration: CameraCalibration, fixture: Fixture, random: np.random.Generator) -> Told:
    """A true camera that the calibration may stand for, one standard uncertainty off in the root mean square, and the
    pose that the gauge finds by its marks.
    """
    known = np.sqrt(np.diag(calibration.covariance))
    scale = np.where(known > 0, known, 1.0)
    values, vectors = np.linalg.eigh(calibration.covariance / np.outer(scale, scale))
    off = scale * (vectors @ (np.sqrt(np.maximum(values, 0.0)) * random.standard_normal(len(scale))))
    fx, fy, cx, cy, *lens = (calibration.model.parameters + off).tolist()
    model, pose = calibration.model, calibration.fixture_pose
    true = TrueCamera(model.width_px, model.height_px, fx, fy, cx, cy, tuple(lens), pose)
    corners = fixture.in_view(model, pose).corners_mm.reshape(-1, 3)
    pixel = true.project(corners) + random.normal(0.0, budget.MARK_NOISE_PX, (len(corners), 2))
    turn, shift = cv2.Rodrigues(pose.rotation)[0], pose.translation_mm.reshape(3, 1).copy()
    _, turn, shift = cv2.solvePnP(
        corners,
        pixel,
        model.matrix,
        model.distortion,
        turn,
        shift,
        useExtrinsicGuess=True,
        flags=cv2.SOLVEPNP_ITERATIVE,
    )
    return Told(true, calibration, Pose(cv2.Rodrigues(turn)[0], shift.ravel()))


def pips_read(sight: Sight, told: Told, shell: Pose, growth: float, random: np.random.Generator) -> Datum:
    """The datum by the pips as this camera reads them, each off by what light does to a formed edge."""
    pips = sight.definition.pips
    px_per_mm = sight.shots[0].px_per_mm if sight.shots[0] else 1.0
    true = shell.apply(growth * np.array([pip.centre_mm for pip in pips]))
    pixel = told.true.project(true) + random.normal(0.0, sight.formed_edge_mm * px_per_mm, (len(pips), 2))
    nominal = sight.setup.seat.apply(sight.setup.pips_mm * sight.growth)
    eye = told.pose.inverse().translation_mm
    way = told.pose.inverse().turn(told.calibration.model.rays(pixel))
    read = eye + (nominal[:, 2] - eye[2])[:, None] / way[:, 2:] * way
    found = [PipFound(place[:2], 1e-4, pip.diameter_mm / 2) for place, pip in zip(read, pips, strict=True)]
    datum = datum_of_pips(pips, found, nominal[:, :2], sight.formed_edge_mm)
    assert datum is not None
    return datum


def sight_of(
    definition: ShellDefinition,
    fixture: Fixture,
    seating: Seating,
    told: Sequence[Told],
    pictures: Sequence[GreyPicture],
    blur_px: float,
    growth: float = 1.0,
    u_growth: float = 0.0,
) -> Sight:
    setup = Setup(definition, tuple(one.calibration for one in told), fixture, seating)
    outline = setup.rim_seated.points_mm[:1]
    shots = []
    for one, picture in zip(told, pictures, strict=True):
        px_per_mm = one.calibration.model.fx / float(one.pose.apply(outline)[0, 2])
        blur = float(np.hypot(blur_px, 12.0**-0.5))
        shots.append(Shot(one.calibration.camera, picture, one.calibration.model, one.pose, blur, px_per_mm))
    return Sight(setup, tuple(shots), growth, u_growth)


def by(datum: Datum) -> DecalFrame:
    return DecalFrame(datum, datum)
