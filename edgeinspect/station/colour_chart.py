"""Calibrate a camera for colour: its pictures of a chart and of a white sheet in the fixture, and the chart's file.

The chart's file is a CSV with the columns name, x_mm, y_mm, size_mm, L, a, b and, where it does not lie on the plate,
z_mm: the middle of each square patch in the fixture frame, the length of its side, and its CIELAB of one illuminant.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from edgeinspect.errors import CalibrationError, InputError, PictureError
from edgeinspect.geometry import Array
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.colour_calibration import (
    MOST_PATCHES,
    ChartPatch,
    ColourPicture,
    calibrate_colour,
    report,
)
from edgeinspect.measure.picture import channels, linear_picture
from edgeinspect.measure.view import look
from edgeinspect.shell.files import load_shell
from edgeinspect.station.calibrations import seen_outline
from edgeinspect.station.config import CameraSetup, Station
from edgeinspect.station.pictures import read_picture
from edgeinspect.tomlfile import short_path, shown

COLUMNS = ("name", "x_mm", "y_mm", "size_mm", "L", "a", "b")
GREATEST_BYTES = 200_000
_RANGES = {"x_mm": (-1e4, 1e4), "y_mm": (-1e4, 1e4), "z_mm": (-1e3, 1e3), "size_mm": (2.0, 1e3)}
_RANGES |= {"L": (0.0, 100.0), "a": (-130.0, 130.0), "b": (-130.0, 130.0)}


def read_chart(path: Path) -> list[ChartPatch]:
    """The patches in a CSV. Raises CalibrationError with every mistake of the file."""
    label = short_path(path)
    try:
        if path.stat().st_size > GREATEST_BYTES:
            raise CalibrationError(f"{label} has more than {GREATEST_BYTES} bytes: it is not the file of a chart")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise CalibrationError(f"{label} cannot be read ({getattr(error, 'strerror', None) or 'no UTF-8'})") from error
    reader = csv.DictReader(io.StringIO(text), skipinitialspace=True)
    try:
        columns, rows = reader.fieldnames or (), list(reader)
    except csv.Error as error:
        where = f"{label} line {reader.line_num + 1}"
        raise CalibrationError(f"{where} is no line of a CSV ({error}): save the chart's table as CSV anew") from error
    missing = [name for name in COLUMNS if name not in columns]
    if missing:
        raise CalibrationError(
            f"{label} has no column {', '.join(missing)}, must have {', '.join(COLUMNS)} in its first line"
        )
    problems, patches = list[str](), list[ChartPatch]()
    for at, row in enumerate(rows, start=2):
        values = {}
        for name, (low, high) in _RANGES.items():
            given = row.get(name) or ("0" if name == "z_mm" else "")
            try:
                value = float(given)
            except ValueError:
                value = math.nan
            if not low <= value <= high:
                problems.append(f"{label} line {at}: {name} is {shown(given)}, must be {low:g} to {high:g}")
            values[name] = value
        name = (row["name"] or "").strip()
        if not name or len(name) > 40 or not name.isprintable():
            problems.append(f"{label} line {at}: name is {shown(name)}, must be 1 to 40 letters")
        centre = np.array([values["x_mm"], values["y_mm"], values["z_mm"]])
        patches.append(ChartPatch(name, centre, values["size_mm"], np.array([values["L"], values["a"], values["b"]])))
    names = [one.name for one in patches]
    problems += [f"{label}: patch {name} is there twice" for name in sorted({n for n in names if names.count(n) > 1})]
    if len(patches) > MOST_PATCHES:
        problems.append(f"{label} has {len(patches)} patches, must have at most {MOST_PATCHES}")
    if problems:
        raise CalibrationError(problems)
    return patches


def with_colour(
    base: CameraCalibration,
    station: Station,
    setup: CameraSetup,
    chart_picture: Path,
    sheet_picture: Path,
    chart_file: Path,
    illuminant: str,
    made_at: str,
) -> tuple[CameraCalibration, list[str]]:
    """A camera's calibration with what it needs for colour, under a new id, and the report in words. Writes nothing.

    Raises InputError: not a camera in colour, pictures or file that cannot be used.
    """
    if not setup.colour:
        raise CalibrationError(f"camera {setup.name} is grey in the station definition, must have colour = true")
    patches = read_chart(chart_file)
    places, shells = decal_places(station, setup.name)
    (chart, one), (sheet, other) = (_picture(path, base, station, setup) for path in (chart_picture, sheet_picture))
    if one == other:
        raise PictureError(
            "the pictures of chart and white sheet are the same: give the chart's first, then the sheet's"
        )
    patch = station.fixture.grey_patch_mm
    try:
        colour = calibrate_colour(chart, sheet, patches, places, patch, base.model, illuminant, made_at)
    except CalibrationError as error:
        raise CalibrationError([f"camera {setup.name}: {problem}" for problem in error.problems]) from error
    digest = hashlib.sha256(f"{base.calibration_id} {one} {other} {illuminant} ".encode() + chart_file.read_bytes())
    when = datetime.fromisoformat(made_at).astimezone(UTC)
    name = f"{setup.name}-{when:%Y%m%dt%H%M%Sz}-{digest.hexdigest()[:8]}"
    covered = ", ".join(shells) or "no shell: none asks for the colours of a decal (colour_limit_de)"
    return replace(base, calibration_id=name, made_at=made_at, colour=colour), [
        *report(colour),
        f"the white sheet covers the chart and the decals of {covered}",
        f"lens and place as in {base.calibration_id}",
    ]


def decal_places(station: Station, camera: str) -> tuple[Array, list[str]]:
    """Where decals lie whose colours this camera is to tell (N, 3) [mm], fixture frame, and of which shells."""
    places: list[Array] = [np.empty((0, 3))]
    shells = list[str]()
    grid = np.stack(np.meshgrid(np.linspace(-0.5, 0.5, 5), np.linspace(-0.5, 0.5, 5)), axis=-1).reshape(-1, 2)
    for name, seating in station.seatings.items():
        if camera not in [setup.name for setup in station.cameras_for(name)]:
            continue
        asked = [decal for decal in load_shell(station.folders.models / name).decals if decal.colour is not None]
        for decal in asked:
            at = grid * (decal.artwork.width_mm, decal.artwork.height_mm)
            places.append(seating.pose.apply(decal.patch.points(at[:, 0], at[:, 1])))
        shells += [name] if asked else []
    return np.vstack(places), shells


def _picture(path: Path, base: CameraCalibration, station: Station, setup: CameraSetup) -> tuple[ColourPicture, str]:
    """A picture with its marks, and its hash."""
    limit = station.intake.picture_limit_bytes
    read, _ = read_picture(path, setup.width_px, setup.height_px, limit, bits=setup.bits, colour=True)
    seen = look(
        linear_picture(read.levels, setup.bits, setup.response), base, station.fixture, seen_outline(base, station)
    )
    if seen.stop is not None or seen.marks.pose is None:
        words = f"{seen.stop.reason}: {seen.stop.action}" if seen.stop else "the fixture marks are not seen"
        raise InputError(f"{path.name}: {words}")
    return ColourPicture(channels(read.levels, setup.bits, setup.response), seen.marks.pose), read.sha256
