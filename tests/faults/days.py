"""Twenty kinds of bad day, each drawn anew from a seed: what the gauge said, and what must be in it.

Which faults a line sees is common practice, no source; the words wanted are those of the project's notes on the trade.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path

import cv2
import numpy as np

from edgeinspect.conformity import Answer, Verdict, judge
from edgeinspect.geometry import Pose
from edgeinspect.inspection import Expected
from edgeinspect.measure.camera import CameraCalibration, CameraModel
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.files import load_shell
from edgeinspect.simulate import bench, fast, hatch, toplid
from edgeinspect.simulate.camera import TrueCamera, looking_at
from edgeinspect.simulate.cases import natural_shell
from edgeinspect.simulate.light import exposed_quickly
from edgeinspect.simulate.scene import Scene
from edgeinspect.station.calibrations import write_calibration
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.run import Ready, get_ready, inspect_set
from edgeinspect.store.inspections import Store
from tests.samples import looks
from tests.samples.truth import MODEL

from .scenes import Array, Levels, knocked, scene_of, seated

PLATE = 0.053  # brightness of the bare plate, 1.0 = white
TAKEN_AT = "2026-11-25T10:00:00.000000Z"


@dataclass(frozen=True)
class Told:
    answer: Answer
    sentence: str
    wanted: tuple[str, ...]  # one of these must be in the sentence

    @property
    def named(self) -> bool:
        return any(words.lower() in self.sentence.lower() for words in self.wanted)


@lru_cache(maxsize=2)
def picture_of(seed: int) -> Array:
    """A good shell without noise."""
    picture = fast.picture(scene_of(natural_shell(seed), seed))
    picture.setflags(write=False)
    return picture


def taken(picture: Array, seed: int) -> Levels:
    return exposed_quickly(scene_of(None, seed), np.asarray(picture))


def said(verdict: Verdict, *wanted: str) -> Told:
    return Told(verdict.answer, verdict.sentence, wanted)


def judged(levels: Levels, seed: int, *wanted: str, gauge: ShellGauge | None = None) -> Told:
    gauge = looks.gauge() if gauge is None else gauge
    found = gauge.measure("standard", {"top": levels}, Temperature(natural_shell(seed).temperature_c))
    return said(judge(found, gauge.setup.definition), *wanted)


def _spoilt(spoil: Callable[[Array, int], Array], *wanted: str) -> Callable[[int], Told]:
    return lambda seed: judged(taken(np.asarray(spoil(picture_of(seed), seed)), seed), seed, *wanted)


def _drawn(scene: Callable[[int], Scene], *wanted: str) -> Callable[[int], Told]:
    return lambda seed: judged(fast.render_quickly(scene(seed)), seed, *wanted)


def _random(seed: int, what: int) -> np.random.Generator:
    return np.random.default_rng([seed, what, 33])


def hidden(picture: Array, marks: tuple[int, ...]) -> Array:
    """Something as dark as the plate lies on these fixture marks."""
    under = picture.copy()
    for mark in marks:
        pixels = bench.top_camera().project(bench.mark_corners_mm(mark))
        (left, top), (right, bottom) = pixels.min(axis=0).astype(int) - 8, pixels.max(axis=0).astype(int) + 9
        under[max(0, top) : bottom, max(0, left) : right] = PLATE
    return under


def laid_over(picture: Array, outline: Array, brightness: float, seed: int) -> Array:
    """Something soft-edged and wrinkled within an outline (N, 2) [px]."""
    mask = np.zeros(picture.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 255, shift=4, lineType=cv2.LINE_AA)
    share = cv2.GaussianBlur(mask / 255.0, (0, 0), 1.5)
    rough = _random(seed, 1).normal(size=picture.shape)
    folds = brightness * (1 + 0.8 * cv2.GaussianBlur(rough, (0, 0), 4.0))
    return np.asarray(picture * (1 - share) + folds * share)


def _rim_pixels() -> Array:
    return bench.top_camera().project(bench.NOMINAL_SEATING.apply(toplid.rim().points_mm))


def hand(seed: int) -> Told:
    """An arm in a glove, from the picture's border to somewhere on the rim."""
    random, rim = _random(seed, 2), _rim_pixels()
    at = int(random.integers(len(rim)))
    way = rim[at] - rim.mean(axis=0)
    way /= np.linalg.norm(way)
    across = np.array([-way[1], way[0]])
    width = random.uniform(45, 80)  # 13 to 23 mm: fingers
    run = np.linspace(-40, 900, 60)
    side = width * (1 + 0.1 * np.sin(run / 25 + random.uniform(0, 6)))
    near = rim[at] + run[:, None] * way + side[:, None] / 2 * across
    far = rim[at] + run[:, None] * way - side[:, None] / 2 * across
    picture = laid_over(picture_of(seed), np.vstack([near, far[::-1]]), float(random.uniform(0.08, 0.7)), seed)
    places = [words for name, words in toplid.ZONE_WORDS.items() if name in _zones_near(at, 60.0)]
    return judged(taken(picture, seed), seed, *places, "marks")


def _zones_near(vertex: int, reach_mm: float) -> set[str]:
    rim = toplid.rim()
    away = np.linalg.norm(rim.xy_mm - rim.xy_mm[vertex], axis=1)
    near = rim.arc_mm[away < reach_mm]
    found = set()
    for name, (start, end) in toplid.zone_spans_mm().items():
        inside = (near >= start) & (near < end) if start < end else (near >= start) | (near < end)
        found |= {name} if inside.any() else set()
    return found


def masked(seed: int) -> Told:
    """A dark cloth over a whole zone."""
    random = _random(seed, 3)
    names = list(toplid.zone_spans_mm())
    zone = names[int(random.integers(len(names)))]
    start, end = toplid.zone_spans_mm()[zone]
    rim, length = toplid.rim(), toplid.rim().length_mm
    middle = (start + ((end - start) % length) / 2) % length
    vertex = int(np.abs(rim.arc_mm - middle).argmin())
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    radius = 60 * (1 + sum(0.1 * np.cos(k * turn + random.uniform(0, 6)) for k in (3, 5)))
    outline = _rim_pixels()[vertex] + radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    picture = laid_over(picture_of(seed), outline, PLATE, seed)
    places = [words for name, words in toplid.ZONE_WORDS.items() if name in _zones_near(vertex, 35.0)]
    return judged(taken(picture, seed), seed, *places, "marks")


def film(seed: int) -> Told:
    """Protective film that was not peeled off: it stands over the edge all round in waves, and lets half through."""
    random, rim = _random(seed, 4), toplid.rim()
    t = 2 * np.pi * rim.arc_mm / rim.length_mm
    over = 1.1 + sum(random.normal(0, 0.25) * np.cos(k * t + random.uniform(0, 6)) for k in range(9, 40, 2))
    outer = rim.xy_mm + np.maximum(over, 0.15)[:, None] * rim.normals
    shell = natural_shell(seed)
    pixels = bench.top_camera().project(bench.NOMINAL_SEATING.apply(np.column_stack([outer, rim.points_mm[:, 2]])))
    assert shell.form is toplid.LID
    mask = np.zeros(picture_of(seed).shape, np.uint8)
    cv2.fillPoly(mask, [np.round(pixels * 16).astype(np.int32)], 255, shift=4, lineType=cv2.LINE_AA)
    share = cv2.GaussianBlur(mask / 255.0, (0, 0), 0.8)
    picture = picture_of(seed)
    veiled = 0.55 * picture + 0.45 * float(random.uniform(0.35, 0.6))
    return judged(
        taken(picture * (1 - share) + veiled * share, seed), seed, "film", "too much material", "strand", "burr"
    )


def half_seated(seed: int) -> Scene:
    """One end or one side 0.8 to 3 mm up, on a chip."""
    random = _random(seed, 5)
    up, angle = float(random.uniform(0.8, 3.0)), random.uniform(0, 2 * np.pi)
    x, y = float(np.cos(angle)) * np.rad2deg(up / 300.0), float(np.sin(angle)) * np.rad2deg(up / 400.0)
    return scene_of(seated(natural_shell(seed), (0.0, 0.0, up / 2), (x, y, 0.0)), seed)


def like_camera(seed: int) -> TrueCamera:
    """A camera of the same make over a like fixture: another lens, hung a few millimetres elsewhere."""
    random, own = _random(seed, 6), bench.top_camera()
    place = (14.0 + random.normal(0, 3.0), -9.0 + random.normal(0, 3.0), 912.0 + random.normal(0, 3.0))
    pose = looking_at(place, (random.normal(0, 1.0), random.normal(0, 1.0), 0.0), random.normal(0, 0.3))
    fx, fy, cx, cy = np.array([own.fx_px, own.fy_px, own.cx_px, own.cy_px]) + random.normal(0, [8.0, 8.0, 5.0, 5.0])
    lens = tuple((np.array(own.distortion) * (1 + random.normal(0, 0.1, 5))).tolist())
    return TrueCamera(own.width_px, own.height_px, float(fx), float(fy), float(cx), float(cy), lens, pose)


def wrong_calibration(seed: int) -> Told:
    """The file of a like camera: pictures are ours."""
    other, own, station = like_camera(seed), looks.calibration(), looks.station()
    model = CameraModel(1600, 1200, other.fx_px, other.fy_px, other.cx_px, other.cy_px, np.array(other.distortion))
    calibration: CameraCalibration = replace(own, model=model, fixture_pose=other.pose)
    definition = looks.gauge().setup.definition
    gauge = ShellGauge(definition, {"top": calibration}, station.fixture, station.seatings["toplid"])
    return judged(taken(picture_of(seed), seed), seed, "has moved", "miss their places", "gauge reads", gauge=gauge)


@cache
def left_gauge() -> ShellGauge:
    station = looks.station()
    definition = load_shell(MODEL.parent / "toplid_left")
    return ShellGauge(definition, {"top": looks.calibration()}, station.fixture, station.seatings["toplid_left"])


def wrong_hand(seed: int) -> Told:
    levels = fast.render_quickly(scene_of(natural_shell(seed, toplid.RIGHT), seed))
    return judged(levels, seed, "RIGHT-hand", gauge=left_gauge())


def invisible(seed: int) -> Scene:
    """A clear shell over a clear plate: a hundredth of full scale between them, or less."""
    tone = float(_random(seed, 7).uniform(0.038, 0.05))
    form = replace(toplid.LID, albedo=tone)
    return scene_of(replace(natural_shell(seed), form=form, decal=None), seed)


# What goes through the station's own way in: files, a record, a definition.


def _ready() -> Ready:
    temperature_c = 21.0
    return Ready(
        looks.station(), Expected("toplid", "standard", temperature_c), looks.gauge().setup.definition, looks.gauge()
    )


def _came_in(folder: Path, shell_id: str, files: dict[str, bytes]) -> PictureSet:
    arrived = []
    for camera, content in files.items():
        name = f"{shell_id}_{camera}.png"
        path = folder / f"20261125T100000.000000Z_{name}"
        path.write_bytes(content)
        arrived.append(Arrived(camera, name, path))
    return PictureSet(shell_id, TAKEN_AT, tuple(arrived))


def _png(levels: Levels) -> bytes:
    return bytes(cv2.imencode(".png", levels, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes())


def _clock() -> str:
    return TAKEN_AT


def truncated(seed: int) -> Told:
    content = _png(taken(picture_of(seed), seed))
    cut = content[: int(_random(seed, 8).uniform(0.02, 0.999) * len(content))]
    with tempfile.TemporaryDirectory() as folder:
        look = inspect_set(_came_in(Path(folder), "L1", {"top": cut}), _ready(), None, _clock)
    return said(look.inspection.verdict, "cut off", "damaged")


def stale(seed: int) -> Told:
    content = _png(taken(picture_of(seed), seed))
    seconds = iter(range(10, 60))

    def clock() -> str:
        return f"2026-11-25T10:00:{next(seconds)}.000000Z"

    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "data") as store:
        inspect_set(_came_in(Path(folder), "L1", {"top": content}), _ready(), store, clock)
        look = inspect_set(_came_in(Path(folder), "L2", {"top": content}), _ready(), store, clock)
        return said(look.inspection.verdict, "the same picture as shell")


@cache
def _two_cameras(folder: str) -> Ready:
    """The right-hand lid's station with both cameras: the second one's calibration is its true one."""
    station, rear = looks.station(), bench.rear_camera()
    model = CameraModel(1760, 720, rear.fx_px, rear.fy_px, rear.cx_px, rear.cy_px, np.array(rear.distortion))
    other = replace(
        looks.calibration(),
        camera="rear",
        calibration_id="rear-20261125t100000z-00000000",
        model=model,
        fixture_pose=rear.pose,
    )
    for calibration in (looks.calibration(), other):
        write_calibration(Path(folder), calibration)
    return get_ready(station, Expected("toplid_right", "standard", 21.0), Path(folder))


def swapped(seed: int) -> Told:
    """Each camera's picture under the other one's name."""
    shell = natural_shell(seed, toplid.RIGHT)
    top, rear = (fast.render_quickly(scene_of(shell, seed, camera)) for camera in bench.cameras().values())
    with tempfile.TemporaryDirectory() as folder:
        ready = _two_cameras(tempfile.mkdtemp(prefix="edgeinspect-two-"))
        came = _came_in(Path(folder), "R1", {"top": _png(rear), "rear": _png(top)})
        look = inspect_set(came, ready, None, _clock)
    return said(look.inspection.verdict, "1760 x 720", "1600 x 1200")


def nan_in_definition(seed: int) -> Told:
    """One number of shell.toml is nan."""
    with tempfile.TemporaryDirectory() as folder:
        models = Path(folder) / "models"
        shutil.copytree(MODEL, models / "toplid")
        path = models / "toplid/shell.toml"
        text = path.read_text(encoding="utf-8")
        numbers = list(re.finditer(r"(?m)^(\w+) = (-?\d+\.\d+)$", text))
        one = numbers[int(_random(seed, 9).integers(len(numbers)))]
        path.write_text(text[: one.start(2)] + "nan" + text[one.end(2) :], encoding="utf-8")
        station = replace(looks.station(), folders=replace(looks.station().folders, models=models))
        ready = get_ready(station, Expected("toplid", "standard", 21.0), Path(folder))
        came = _came_in(Path(folder), "L1", {"top": _png(taken(picture_of(seed), seed))})
        look = inspect_set(came, ready, None, _clock)
    return said(look.inspection.verdict, f"{one.group(1)} is nan")


FAULTS: dict[str, Callable[[int], Told]] = {
    "lens covered": _drawn(lambda seed: replace(scene_of(natural_shell(seed), seed), covered_lens=True), "is dark"),
    "lamp at half": _spoilt(lambda p, s: float(_random(s, 20).uniform(0.4, 0.6)) * p, "light is at"),
    "saturated": _spoilt(lambda p, s: float(_random(s, 21).uniform(2.0, 3.0)) * p, "overexposed"),
    "blur": _spoilt(lambda p, s: cv2.GaussianBlur(p, (0, 0), float(_random(s, 22).uniform(1.6, 3.0))), "out of focus"),
    "camera moved": _drawn(lambda s: scene_of(natural_shell(s), s, knocked(bench.top_camera(), 0.30, s)), "has moved"),
    "marks hidden": _spoilt(
        lambda p, s: hidden(p, tuple(_random(s, 23).permutation(8)[: int(_random(s, 24).integers(6, 9))].tolist())),
        "marks",
    ),
    "wrong camera": _drawn(lambda s: scene_of(natural_shell(s), s, like_camera(s)), "has moved", "miss their places"),
    "swapped cameras": swapped,
    "stale frame": stale,
    "no shell": _drawn(lambda seed: scene_of(None, seed), "no shell found"),
    "half seated": _drawn(half_seated, "half seated", "off its seat"),
    "hand in view": hand,
    "film left on": film,
    "wrong hand": wrong_hand,
    "wrong shell": _drawn(
        lambda s: scene_of(replace(natural_shell(s, hatch.HATCH), seating=_hatch_seat(s)), s), "not this kind of shell"
    ),
    "wrong calibration": wrong_calibration,
    "clear on clear": _drawn(invisible, "contrast"),
    "zone masked": masked,
    "truncated picture": truncated,
    "nan in a definition": nan_in_definition,
}


def _hatch_seat(seed: int) -> Pose:
    x, y = _random(seed, 10).uniform(-3, 3, 2)
    return Pose.from_degrees((0.0, 0.0, 0.0), (float(x), float(y), 60.0))
