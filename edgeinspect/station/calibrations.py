"""Calibrations on disk: made from a folder of pictures, written so that a power cut leaves the old file or the new
one, checked when read.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, fields, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import Field

from edgeinspect.errors import CalibrationError, PictureError
from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.board import BoardView, find_board, looks_legacy
from edgeinspect.measure.calibration import CalibrationResult, calibrate
from edgeinspect.measure.calibration_fixture import in_fixture, places_on_plane
from edgeinspect.measure.calibration_report import report
from edgeinspect.measure.calibration_uncertainty import good_to
from edgeinspect.measure.camera import CameraCalibration, CameraModel, ColourCalibration, LengthCheck
from edgeinspect.measure.colour_calibration import LEAST_PATCHES, MOST_PATCHES
from edgeinspect.measure.noise import read_noise
from edgeinspect.measure.picture import RawLevels, linear_picture
from edgeinspect.measure.response import Response
from edgeinspect.station.pictures import KINDS, read_picture
from edgeinspect.store.files import write_durably
from edgeinspect.tomlfile import CALIBRATION_ID, Count, Mistakes, Name, Number, Positive, Table, Text, short_path

if TYPE_CHECKING:
    from edgeinspect.station.config import CameraSetup, Station

FIXTURE_PICTURE = "fixture_board"  # name, without its ending, of the picture with the board lying in the fixture
PICTURE_ENDINGS = tuple(ending for endings in KINDS.values() for ending in endings)
GREATEST_BYTES = 200_000
Progress = Callable[[int, int, str], None]  # pictures done, of how many, what is being looked at

Row3 = tuple[Number, Number, Number]
Level = Annotated[Number, Field(gt=0, le=1)]
MarkId = Annotated[int, Field(strict=True, ge=0)]
Row9 = tuple[Number, Number, Number, Number, Number, Number, Number, Number, Number]


class _Length(Table):
    words: Text
    nominal_mm: Positive
    reading_mm: Positive
    u_mm: Annotated[Number, Field(ge=0)]


class _Colour(Table):
    """As measure.camera.ColourCalibration says it."""

    made_at: Text
    illuminant: Literal["D50", "D65"]
    matrix: tuple[Row3, Row3, Row3]
    patch_level: tuple[Level, Level, Level]
    light: tuple[tuple[Number, ...], tuple[Number, ...], tuple[Number, ...]]
    even_over: Annotated[tuple[tuple[Number, Number], ...], Field(min_length=3, max_length=1000)]
    patches: Annotated[tuple[Text, ...], Field(min_length=LEAST_PATCHES, max_length=MOST_PATCHES)]
    left_out_de: tuple[Annotated[Number, Field(ge=0)], ...]
    black: Row3
    like_lab: tuple[Row3, ...] = ()
    missed_lab: tuple[Row3, ...] = ()


class _Calibration(Table):
    """The file is this, field by field, as measure.camera.CameraCalibration says it."""

    calibration_id: Annotated[str, Field(strict=True, max_length=120, pattern=CALIBRATION_ID)]
    camera: Name
    made_at: Text
    width_px: Count
    height_px: Count
    fx: Positive
    fy: Positive
    cx: Number
    cy: Number
    distortion: tuple[Number, Number, Number, Number, Number]
    covariance: tuple[Row9, Row9, Row9, Row9, Row9, Row9, Row9, Row9, Row9]
    rms_px: Positive
    views: Count
    fixture_rotation: tuple[Row3, Row3, Row3]
    fixture_translation_mm: Row3
    grey_level: Annotated[Number, Field(gt=0, le=1)]
    blur_px: Positive
    bits: Literal[8, 12, 16]
    response: str | float | tuple[tuple[float, float], ...] = "linear"
    dark_noise: Annotated[Number, Field(ge=0, le=1)] = 0.0
    pixel_noise: tuple[Annotated[Number, Field(ge=0, le=1)], Annotated[Number, Field(ge=0, le=1)]] | None = None
    lengths: tuple[_Length, ...]
    in_colour: bool = False
    colour: _Colour | None = None
    mark_blurs_px: tuple[tuple[MarkId, Positive], ...] = ()


class _File(Table):
    format: Literal[1]
    calibration: _Calibration


def calibration_path(folder: Path, calibration_id: str) -> Path:
    return folder / f"{calibration_id}.json"


def write_calibration(folder: Path, calibration: CameraCalibration) -> Path:
    """Writes ``<folder>/<calibration_id>.json``: beside it first, flushed to the disk, then renamed.

    Raises StoreError when the disk does not keep it; nothing half-written stays behind.
    """
    model = calibration.model
    entry = {
        "calibration_id": calibration.calibration_id,
        "camera": calibration.camera,
        "made_at": calibration.made_at,
        "width_px": model.width_px,
        "height_px": model.height_px,
        "fx": model.fx,
        "fy": model.fy,
        "cx": model.cx,
        "cy": model.cy,
        "distortion": model.distortion.tolist(),
        "covariance": calibration.covariance.tolist(),
        "rms_px": calibration.rms_px,
        "views": calibration.views,
        "fixture_rotation": calibration.fixture_pose.rotation.tolist(),
        "fixture_translation_mm": calibration.fixture_pose.translation_mm.tolist(),
        "grey_level": calibration.grey_level,
        "blur_px": calibration.blur_px,
        "bits": calibration.bits,
        "response": calibration.response.curve,
        "dark_noise": calibration.dark_noise,
        "pixel_noise": calibration.pixel_noise,
        "lengths": [asdict(check) for check in calibration.lengths],
        "in_colour": calibration.in_colour,
        "colour": None if calibration.colour is None else _plain(calibration.colour),
        "mark_blurs_px": calibration.mark_blurs_px,
    }
    content = _File.model_validate({"format": 1, "calibration": entry})  # what could not be read again is not written
    path = calibration_path(folder, calibration.calibration_id)
    write_durably(path, (content.model_dump_json(indent=1) + "\n").encode())
    return path


def _plain(colour: ColourCalibration) -> dict[str, object]:
    values = {item.name: getattr(colour, item.name) for item in fields(colour)}
    return {name: one.tolist() if isinstance(one, np.ndarray) else one for name, one in values.items()}


def read_calibration(path: Path, setup: CameraSetup) -> CameraCalibration:
    """The calibration in a file, for one camera of the station.

    Raises CalibrationError, every mistake at once: not a calibration file, damaged, of another camera or another
    picture size.
    """
    label = short_path(path)
    calibration = _parsed(_json(path, label), label)
    if problems := _problems(calibration, path.stem, setup):
        raise CalibrationError([f"{label}: {problem}" for problem in problems])
    return calibration


@lru_cache(maxsize=64)
def recorded_calibration(content: str, calibration_id: str) -> CameraCalibration:
    """A calibration as the record keeps it: the text of its file. It may be of a camera that is no longer there.

    Raises CalibrationError if it is damaged or is another one.
    """
    try:
        parsed = json.loads(content)
    except ValueError as error:
        raise CalibrationError(f"{calibration_id} is damaged in the record ({error})") from error
    calibration = _parsed(parsed if isinstance(parsed, dict) else {}, calibration_id)
    if calibration.calibration_id != calibration_id:
        raise CalibrationError(f"{calibration_id} holds {calibration.calibration_id} in the record")
    return calibration


def _parsed(content: dict[str, object], label: str) -> CameraCalibration:
    mistakes = Mistakes(label)
    mistakes.known_keys(content, ("format", "calibration"))
    mistakes.format_is_one(content)
    table = mistakes.table(_Calibration, content, "calibration")
    if table is None or mistakes.sentences:
        raise CalibrationError(tuple(mistakes.sentences))
    try:
        return CameraCalibration(
            table.calibration_id,
            table.camera,
            table.made_at,
            CameraModel(
                table.width_px, table.height_px, table.fx, table.fy, table.cx, table.cy, np.array(table.distortion)
            ),
            np.array(table.covariance),
            table.rms_px,
            table.views,
            Pose(np.array(table.fixture_rotation), np.array(table.fixture_translation_mm)),
            table.grey_level,
            table.blur_px,
            tuple(LengthCheck(c.words, c.nominal_mm, c.reading_mm, c.u_mm) for c in table.lengths),
            table.bits,
            Response(table.response),
            table.dark_noise,
            table.pixel_noise,
            table.in_colour,
            None if table.colour is None else ColourCalibration(**_arrays(table.colour)),
            table.mark_blurs_px,
        )
    except ValueError as error:
        raise CalibrationError(f"{label}: {error}: the file is damaged, calibrate again") from error


def _arrays(colour: _Colour) -> dict[str, Any]:
    arrays = ("matrix", "patch_level", "light", "even_over", "left_out_de", "black")
    found = {name: np.array(one) if name in arrays else one for name, one in dict(colour).items()}
    return found | {name: np.array(found[name]).reshape(-1, 3) for name in ("like_lab", "missed_lab")}


def _json(path: Path, label: str) -> dict[str, object]:
    try:
        if path.stat().st_size > GREATEST_BYTES:
            raise CalibrationError(
                f"{label} has {path.stat().st_size} bytes, must have at most {GREATEST_BYTES}: it is not a "
                "calibration file"
            )
        content = json.loads(path.read_bytes())
    except OSError as error:
        raise CalibrationError(f"{label} cannot be read: {error.strerror or 'no such file'}") from error
    except (ValueError, RecursionError) as error:
        raise CalibrationError(f"{label} is not a calibration file or is damaged ({error}): calibrate again") from error
    if not isinstance(content, dict):
        raise CalibrationError(f"{label} is not a calibration file: calibrate again")
    return content


def _problems(calibration: CameraCalibration, name: str, setup: CameraSetup) -> list[str]:
    """Whether the numbers can belong to this camera."""
    model, found = calibration.model, list[str]()
    if calibration.bits != setup.bits:
        found.append(f"bits is {calibration.bits}, the station's camera has {setup.bits}: calibrate again")
    if calibration.response != setup.response:
        stated = f"{calibration.response.curve}, the station's camera has {setup.response.curve}"
        found.append(f"response is {stated}: calibrate again")
    if calibration.in_colour != setup.colour:
        kinds = ("in grey", "in colour")
        found.append(
            f"it is {kinds[calibration.in_colour]}, the station's camera {kinds[setup.colour]}: calibrate again"
        )
    if calibration.camera != setup.name:
        found.append(f"it is the calibration of camera {calibration.camera}, must be of camera {setup.name}")
    if (model.width_px, model.height_px) != (setup.width_px, setup.height_px):
        found.append(
            f"it is for pictures of {model.width_px} x {model.height_px} px, camera {setup.name} takes "
            f"{setup.width_px} x {setup.height_px}: calibrate again"
        )
    if name != calibration.calibration_id:
        found.append(f"calibration.calibration_id is {calibration.calibration_id}, must be the file's name {name}")
    longest = max(model.width_px, model.height_px)
    if (
        not 0.2 * longest < min(model.fx, model.fy) <= max(model.fx, model.fy) < 100 * longest
        or abs(model.fx / model.fy - 1) > 0.1
    ):
        found.append(f"fx {model.fx:g} and fy {model.fy:g} cannot be of a lens on such a picture")
    if not (0 < model.cx < model.width_px and 0 < model.cy < model.height_px):
        found.append(f"cx, cy is {model.cx:g}, {model.cy:g}, must lie in the picture")
    covariance = calibration.covariance
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    if (
        not (np.diag(covariance) >= 0).all()
        or np.abs((covariance - covariance.T) / np.outer(scale, scale)).max() > 1e-6
    ):
        found.append("covariance is not one: it must be symmetric with no negative variance")
    elif np.linalg.eigvalsh(covariance / np.outer(scale, scale)).min() < -1e-6:
        found.append("covariance is not one: it has a direction of negative variance")
    if calibration.fixture_pose.inverse().translation_mm[2] <= 0:
        found.append("fixture_translation_mm puts the camera below the fixture plate")
    return found


def calibrate_folder(
    folder: Path, station: Station, camera: str, made_at: str, progress: Progress | None = None
) -> tuple[CameraCalibration, list[str]]:
    """A camera's calibration from its pictures of the board, and the report in words. Writes nothing.

    Parameters: folder - holds the pictures of the board in the hand, and one named fixture_board.* with the board lying
        in the fixture; made_at - ISO 8601 UTC, the caller's clock.
    Raises CalibrationError or PictureError: no such camera or folder, unreadable pictures (all named), or pictures that
    are not good enough.
    """
    setup = next((c for c in station.cameras if c.name == camera), None)
    if setup is None:
        known = ", ".join(c.name for c in station.cameras)
        raise CalibrationError(f"station {station.name} has no camera {camera}, known are {known}")
    files = _pictures(folder)
    levels, views, digest = _look(files, station, setup, progress)
    result = _solve(views, levels, station, setup)
    name = next(path.name for path in files if path.stem == FIXTURE_PICTURE)
    when = datetime.fromisoformat(made_at).astimezone(UTC)
    calibration_id = f"{camera}-{when:%Y%m%dt%H%M%Sz}-{digest[:8]}"
    calibration = in_fixture(
        result,
        levels,
        views[name],
        station.board,
        station.fixture,
        calibration_id,
        made_at,
        setup.bits,
        setup.response,
    )
    noise = read_noise(linear_picture(levels, setup.bits, setup.response), setup.dark_noise)[0]
    seen = None if noise is None else (noise.read, noise.shot)
    calibration = replace(
        calibration,
        dark_noise=setup.dark_noise,
        response=setup.response,
        pixel_noise=seen,
        in_colour=setup.colour,
    )
    good = good_to(calibration, station.fixture, seen_outline(calibration, station))
    if progress is not None:
        progress(len(files), len(files), "done")
    return calibration, report(result, calibration, good)


def _pictures(folder: Path) -> list[Path]:
    try:
        files = sorted(
            p for p in folder.iterdir() if p.suffix.lower() in PICTURE_ENDINGS and not p.name.startswith(".")
        )
    except OSError as error:
        raise CalibrationError(
            f"folder {short_path(folder)} cannot be read: {error.strerror or 'no such folder'}"
        ) from error
    if not files:
        raise CalibrationError(f"folder {short_path(folder)} holds no pictures ({', '.join(PICTURE_ENDINGS)})")
    lying = [p.name for p in files if p.stem == FIXTURE_PICTURE]
    if len(lying) != 1:
        raise CalibrationError(
            f"folder {short_path(folder)} holds {len(lying)} pictures named {FIXTURE_PICTURE}.*, must be one: lay the "
            "board in the fixture, leave the marks free, and take a picture"
        )
    return files


def _look(
    files: list[Path], station: Station, setup: CameraSetup, progress: Progress | None
) -> tuple[RawLevels, dict[str, BoardView | None], str]:
    """Levels of the fixture picture, the board in every picture by name, and a hash of all of them."""
    views: dict[str, BoardView | None] = {}
    digest, problems = hashlib.sha256(), list[str]()
    lying: RawLevels | None = None
    for done, path in enumerate(files):
        if progress is not None:
            progress(done, len(files), path.name)
        try:
            limit = station.intake.picture_limit_bytes
            size = setup.width_px, setup.height_px
            picture, _ = read_picture(path, *size, limit, bits=setup.bits, colour=setup.colour)
        except PictureError as error:
            problems += error.problems
            continue
        digest.update(f"{path.name} {picture.sha256}\n".encode())
        views[path.name] = find_board(linear_picture(picture.levels, setup.bits, setup.response).raw, station.board)
        if path.stem == FIXTURE_PICTURE:
            lying = picture.levels
    if problems or lying is None:
        raise PictureError(problems)
    return lying, views, digest.hexdigest()


def _solve(
    views: dict[str, BoardView | None], lying: RawLevels, station: Station, setup: CameraSetup
) -> CalibrationResult:
    try:
        return calibrate(setup.name, views, station.board, setup.width_px, setup.height_px)
    except CalibrationError as error:
        if any(view is not None for view in views.values()) or not looks_legacy(
            linear_picture(lying, setup.bits, setup.response).raw, station.board
        ):
            raise
        other = str(not station.board.legacy).lower()
        raise CalibrationError(
            f"camera {setup.name}: the board in the pictures is printed in the other layout: set legacy = {other} in "
            "the station definition"
        ) from error


def seen_outline(calibration: CameraCalibration, station: Station) -> Array:
    """What the camera sees (N, 3) [mm] at the height of the shells: the edge of its picture, a twentieth inwards."""
    heights = [seating.pose.translation_mm[2] for seating in station.seatings.values()]
    width, height = calibration.model.width_px, calibration.model.height_px
    x, y = np.linspace(0.05, 0.95, 9) * width, np.linspace(0.05, 0.95, 7) * height
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    border = np.vstack([grid[0], grid[1:-1, -1], grid[-1, ::-1], grid[-2:0:-1, 0]])
    z_mm = float(np.mean(heights)) if heights else 0.0
    return places_on_plane(border, calibration.model, calibration.fixture_pose, z_mm)
