"""Simulated stations and shells, drawn anew from their number: the inputs of whole_shells.

Everything that the gauge states an uncertainty for is drawn from what it states (JCGM 101): the calibration by
calibrating anew from pictures of the board, the height and tilt of a seated shell with the station's ``u_height_mm``,
its temperature and growth with theirs, the picture's noise, and what light does to edges: this renderer has no gloss
and no rounded arris, so the edges are drawn a little beside the truth (``as_seen``), as far as the gauge allows for.
The gauge is told the stated values, never the true ones. Every other shell is plain: it is measured at its true
temperature and height and its edges lie where they are, so that what is left is the gauge's own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtri

from edgeinspect.geometry import Array, PlaneShift, Pose, frozen
from edgeinspect.measure.board import find_board
from edgeinspect.measure.budget import BENT_EDGE, EDGE_MODEL_PX, FORMED_EDGE_PX, LIGHT_ALL_ROUND, LIGHT_SIDE, LIGHT_TURN
from edgeinspect.measure.calibration import calibrate
from edgeinspect.measure.calibration_fixture import in_fixture
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture, Mark, Seating
from edgeinspect.measure.height_fit import CUT_PLACE_MM
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.trim import FAR_WALL_SHARE
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate import bench, fast, toplid
from edgeinspect.simulate.camera import TrueCamera, looking_at
from edgeinspect.simulate.cases import BOARD_POSES, waviness
from edgeinspect.simulate.form import EXPANSION_PER_K, REFERENCE_C, Form
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene, Sensor
from edgeinspect.station.calibrations import FIXTURE_PICTURE, read_calibration, write_calibration
from edgeinspect.station.config import CameraSetup, Station
from tests.samples import looks
from tests.samples.truth import MODEL

from .scaled import finer

COLOURS = {"orange": 0.45, "white": 0.75, "slate": 0.22}  # albedo of the sheet; the plate has 0.04
LOW_CONTRAST = 0.12
GOOD = Sensor()
SENSORS = {"good": GOOD, "low contrast": GOOD, "dim": replace(GOOD, white=165.0), "defocus": replace(GOOD, blur_px=1.2)}
CONDITIONS = ("good",) * 7 + ("low contrast", "dim", "defocus")  # in turn
OVAL_MM = 0.03  # standard deviation: a robot leaves holes round to some hundredths (invented)
SHEETS_MM = (0.05, 3.0)  # a foil, whose cut face hides everywhere, and the lid's own with its walls in the holes
FINE_MM, COARSE_MM = 0.2, 0.2865  # per pixel at the shell: two stations of four have the demo's own
REACH_MM, REACH_DEG = 10.0, 5.0
GOLDEN, ONE_IN = 0.6180339887498949, 20  # multiples of the golden section fill 0 to 1 evenly; drawn shells a station
BLUR_PX = 0.9  # standard deviation of a good picture's blur, the pixel's own included
CLEAR_MM = 1.0  # between a mark's white and the search band
# The demo's marks lie so near that a lid 10 mm off covers them: these leave room for that all round.
PLATE = bench.Plate(
    {k: bench.MARKS_MM[k] for k in range(4)}
    | {4: (187.0, 178.0, 14.0), 5: (232.0, -128.0, 14.0), 6: (-187.0, -178.0, 14.0), 7: (-232.0, 128.0, 14.0)},
    (-184.0, 178.0, 24.0, 12.0),
)
U_HEIGHT_MM, U_TEMPERATURE_C, U_EXPANSION = 0.01, 0.5, 15e-6 / 80e-6


@dataclass(frozen=True)
class Drawn:
    """One station: its true camera, which nobody tells the gauge, and the gauge as calibrated from pictures."""

    number: int
    camera: TrueCamera
    sheet_mm: float
    mm_per_px: float
    nominal: Pose  # shell -> fixture
    gauge: ShellGauge


@dataclass(frozen=True)
class DrawnShell:
    scene: Scene  # the truth
    seen: Scene  # with its edges where light puts them
    plain: bool
    condition: str
    colour: str
    stated_c: float


@cache
def form(sheet_mm: float, albedo: float) -> Form:
    return replace(toplid.LID, albedo=albedo, sheet=replace(toplid.LID.sheet, thickness_mm=sheet_mm))


def true_camera(number: int) -> tuple[TrueCamera, float]:
    """Another lens of the same make, hung a few millimetres elsewhere; and its scale at the shell [mm per px]."""
    random = np.random.default_rng([number, 11])
    place = np.array([14.0, -9.0, 912.0]) + random.normal(0, 1.5, 3)
    at = random.normal(0, 1.0, 2)
    own = bench.top_camera()
    lens = (np.array(own.distortion) * (1 + random.normal(0, 0.1, 5))).tolist()
    pose = looking_at(tuple(place.tolist()), (float(at[0]), float(at[1]), 0.0), float(random.normal(0.0, 0.4)))
    fx = own.fx_px * (1 + random.normal(0, 0.003))
    cx, cy = random.normal(0, 4.0, 2)
    # A little more in view than the demo's camera has: a lid that lies 10 mm and 5 degrees off must be in it whole.
    camera = TrueCamera(1660, 1280, fx, fx * (1 + random.normal(0, 3e-4)), 829.5 + cx, 639.5 + cy, tuple(lens), pose)
    mm_per_px = COARSE_MM if number % 4 >= 2 else FINE_MM
    return finer(camera, COARSE_MM / mm_per_px), mm_per_px


def board_scenes(number: int, camera: TrueCamera) -> dict[str, Scene]:
    """The board as somebody else would hold it, and lying in the fixture."""
    random = np.random.default_rng([number, 12])
    scenes = {"fixture_board": Scene(camera, board=bench.BOARD_IN_FIXTURE, seed=1000 * number, plate=PLATE)}
    for k, (centre, turn) in enumerate(BOARD_POSES, start=1):
        at = np.array(centre) + random.normal(0, [8.0, 8.0, 5.0])
        pose = Pose.from_degrees(np.array(turn) + random.normal(0, 2.0, 3), at)
        scenes[f"board_{k:02d}"] = Scene(camera, board=pose, seed=1000 * number + k, plate=PLATE)
    return scenes


@cache
def fixture() -> Fixture:
    def corners(x: float, y: float, width: float, height: float) -> Array:
        half = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]) * (width / 2, height / 2)
        return np.column_stack([half + np.array([x, y]), np.zeros(4)])

    marks = tuple(Mark(k, corners(x, y, side, side)) for k, (x, y, side) in PLATE.marks_mm.items())
    return replace(looks.station().fixture, marks=marks, grey_patch_mm=corners(*PLATE.patch_mm))


def _station(camera: TrueCamera) -> Station:
    setup = CameraSetup("top", camera.width_px, camera.height_px, 8)
    return replace(looks.station(), cameras=(setup,), fixture=fixture())


def calibration(number: int, folder: Path) -> CameraCalibration:
    """From 13 pictures of the board, as a station does it; what is in ``folder`` already is read."""
    camera, _ = true_camera(number)
    station = _station(camera)
    known = folder / f"calibration_{number:03d}"
    if found := list(known.glob("top-*.json")):
        return read_calibration(found[0], station.cameras[0])
    levels = {name: fast.render_quickly(scene) for name, scene in board_scenes(number, camera).items()}
    views = {name: find_board(picture, station.board) for name, picture in levels.items()}
    solved = calibrate("top", views, station.board, camera.width_px, camera.height_px)
    lying, name = levels[FIXTURE_PICTURE], f"top-20261125t100000z-{number:08x}"
    made = in_fixture(solved, lying, views[FIXTURE_PICTURE], station.board, station.fixture, name, looks.MADE_AT)
    known.mkdir(parents=True, exist_ok=True)
    write_calibration(known, made)
    return made


def drawn(number: int, folder: Path) -> Drawn:
    random = np.random.default_rng([number, 13])
    camera, mm_per_px = true_camera(number)
    sheet_mm = SHEETS_MM[number % 2]
    nominal = Pose.from_degrees((0.0, 0.0, 0.0), (0.0, 0.0, float(random.uniform(49.0, 60.0))))
    definition = replace(load_shell(MODEL), sheet_mm=sheet_mm)
    seating = Seating("toplid", nominal, 2 * REACH_MM, 2 * REACH_DEG, U_HEIGHT_MM, ("top",))
    gauge = ShellGauge(definition, {"top": calibration(number, folder)}, fixture(), seating)
    return Drawn(number, camera, sheet_mm, mm_per_px, nominal, gauge)


def shell(at: Drawn, number: int) -> DrawnShell:
    """Shell ``number`` of a station: trimmed, and put back up to 10 mm and 5 degrees off, its cut with it."""
    random = np.random.default_rng([at.number, number, 14])
    condition = CONDITIONS[int(random.integers(len(CONDITIONS)))]
    colour = list(COLOURS)[int(random.integers(len(COLOURS)))]
    albedo = LOW_CONTRAST if condition == "low contrast" else COLOURS[colour]
    of = form(at.sheet_mm, albedo)
    reach = float(np.abs(at.nominal.apply(of.rim().points_mm)[:, :2]).max())
    plain = number % 2 == 0
    lift, by_x, by_y = random.normal(0.0, 0.0 if plain else U_HEIGHT_MM, 3)
    tilt = Pose.from_degrees(np.rad2deg([by_y / reach, -by_x / reach, 0.0]), (0.0, 0.0, lift))
    x, y, turn = _clear_of_marks(at, of, random)
    # About the middle of the fixture, tilt included: the nests are not where the shell was meant to lie.
    beside, beside_deg = random.normal(0.0, 0.08, 2), random.normal(0.0, 0.012)
    seating = PlaneShift(x + beside[0], y + beside[1], turn + beside_deg).pose().after(tilt.after(at.nominal))
    stated_c = float(round(random.uniform(18.0, 26.0), 1))
    # One number a shell, and the greatest cause of all in the datum frame: drawn evenly over its distribution, so that
    # some hundred shells stand for it (McKay, Beckman, Conover 1979), and not by each shell's own luck.
    share = (0.5 + GOLDEN * (ONE_IN * at.number + number // 2)) % 1.0
    error_c = float(ndtri(share)) * float(np.hypot(U_TEMPERATURE_C, (stated_c - REFERENCE_C) * U_EXPANSION))
    true_growth = stated_c - REFERENCE_C + (0.0 if plain else error_c)
    ovals = random.spawn(1)[0].normal(0.0, OVAL_MM, len(of.cutouts())).tolist()
    cut = CutShell(
        seating=seating,
        temperature_c=REFERENCE_C + float(true_growth),  # grows by EXPANSION_PER_K a degree: so both errors are in it
        path=PlaneShift(x, y, turn),
        rim_deviation_mm=frozen(waviness(random, float(random.uniform(0.03, 0.08)), of)),
        cutouts={
            name: CutOutChange(
                *random.normal(0, CUT_PLACE_MM, 2).tolist(),
                tuple(random.normal(0, 0.05, 2).tolist()),
                oval_mm=oval if len(of.cutout_sizes_mm(name)) == 1 else 0.0,
            )
            for name, oval in zip(of.cutouts(), ovals, strict=True)
        },
        decal=None,
        form=of,
    )
    assert at.gauge.setup.definition.material.expansion_per_k == EXPANSION_PER_K
    scene = Scene(at.camera, cut, sensor=SENSORS[condition], seed=100_000 * (at.number + 1) + number, plate=PLATE)
    seen = scene if plain else replace(scene, shell=as_seen(cut, at, random))
    return DrawnShell(scene, seen, plain, condition, colour, stated_c)


def _clear_of_marks(at: Drawn, of: Form, random: np.random.Generator) -> tuple[float, float, float]:
    """Somewhere within reach, where no mark shows in the search band: a plate's marks are printed where no shell comes
    near them, or their white would be taken for swarf.
    """
    rim = at.nominal.apply(of.rim().points_mm)[::10]
    marks = [shapely.Polygon(at.camera.project(corners)) for corners in _white_squares()]
    band_px = (at.gauge.setup.definition.search_band_mm + CLEAR_MM) / at.mm_per_px
    while True:
        x, y = random.uniform(-REACH_MM, REACH_MM, 2).tolist()
        turn = float(random.uniform(-REACH_DEG, REACH_DEG))
        outline = shapely.Polygon(at.camera.project(PlaneShift(x, y, turn).pose().apply(rim)))
        if min(outline.distance(mark) for mark in marks) > band_px:
            return x, y, turn


@cache
def _white_squares() -> list[Array]:
    """Corners (4, 3) of each mark with its quiet zone."""
    found = []
    for x, y, side in PLATE.marks_mm.values():
        h = side / 2 + side / bench.MARK_CELLS
        found.append(np.array([[x - h, y - h, 0.0], [x + h, y - h, 0.0], [x + h, y + h, 0.0], [x - h, y + h, 0.0]]))
    return found


def apparent_wall_mm(at: Drawn, cut: CutShell, name: str) -> float:
    """How wide the far wall of a cut-out looks from the true camera, beside its show-face arris."""
    x, y = cut.form.cutout_centre_mm(name)
    centre = cut.seating.apply(np.array([[x, y, cut.form.sheet.z(x, y)]]))[0]
    away = at.camera.centre_mm - centre
    return at.sheet_mm * float(np.hypot(away[0], away[1]) / away[2])


def as_seen(cut: CutShell, at: Drawn, random: np.random.Generator) -> CutShell:
    """The shell with its edges beside the truth, as light and a rounded arris put them: cut edges all round by the
    same, more on what faces one way than the other, and by a turn (measure/budget.py); formed edges pip by pip; each
    place and size of a cut-out by what its wall, which is nowhere as even as here, does to it (measure/trim.py).
    """
    mm_per_px = at.mm_per_px
    edge_mm = EDGE_MODEL_PX * mm_per_px
    all_round = LIGHT_ALL_ROUND * edge_mm * float(random.normal())
    # The camera's response, too, moves all edges alike: any bend up to its bound is as likely (measure/budget.py).
    bent = float(random.spawn(1)[0].uniform(-1.0, 1.0))
    all_round += bent * 3.0**0.5 * BENT_EDGE * BLUR_PX * mm_per_px
    side = LIGHT_SIDE * edge_mm * random.normal(size=2)
    turn = LIGHT_TURN * edge_mm * float(random.normal()) / float(np.hypot(*cut.form.rim().xy_mm.T).max())
    rim = cut.form.rim()
    even = np.arange(0.0, rim.length_mm, 0.5)
    x_mm, y_mm, nx, ny = (np.interp(even, rim.arc_mm, v, period=rim.length_mm) for v in (*rim.xy_mm.T, *rim.normals.T))
    deviation = cut.deviation_at(even) + all_round + nx * side[0] + ny * side[1] + turn * (x_mm * ny - y_mm * nx)
    cutouts = {}
    for name, change in cut.cutouts.items():
        wall = FAR_WALL_SHARE * apparent_wall_mm(at, cut, name) * random.normal(size=2 + len(change.size_change_mm))
        x, y = cut.form.cutout_centre_mm(name)[:2]
        sizes = zip(change.size_change_mm, wall[2:].tolist(), strict=True)
        cutouts[name] = replace(
            change,
            dx_mm=change.dx_mm + float(side[0] + wall[0]) - turn * y,
            dy_mm=change.dy_mm + float(side[1] + wall[1]) + turn * x,
            size_change_mm=tuple(size - 2 * all_round + by_wall for size, by_wall in sizes),
        )
    pips = {
        name: tuple((np.array(place) + random.normal(0.0, FORMED_EDGE_PX * mm_per_px, 2)).tolist())
        for name, place in cut.form.pip_places_mm.items()
    }
    return replace(cut, rim_deviation_mm=frozen(deviation), cutouts=cutouts, form=replace(cut.form, pip_places_mm=pips))


def taken(drawn_shell: DrawnShell) -> NDArray[np.uint8]:
    return fast.render_quickly(drawn_shell.seen)
