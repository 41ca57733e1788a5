"""A record that an earlier edgeinspect wrote stays readable, to the last bit.

kept/record-<version>.zip holds a data folder with two looks at sample pictures, every twelfth station of their long
arrays, and beside it as_written.json: every field as it was before it went into the record, written without the
record's own code. A version that changes the record adds its own file and keeps the others:

    python tests/store/test_kept_record.py tests/store/kept/record-<version>.zip
"""

from __future__ import annotations

import dataclasses
import enum
import hashlib
import json
import sqlite3
import sys
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from edgeinspect import __version__
from edgeinspect.conformity import judge
from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.interface import inspection_document, inspection_schema
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.files import load_shell
from edgeinspect.station.calibrations import calibrate_folder
from edgeinspect.station.config import load_station
from edgeinspect.station.pictures import read_picture
from edgeinspect.store.inspections import Store

KEPT = Path(__file__).parent / "kept"
SAMPLES = Path(__file__).parents[2] / "sample_images"
SHELLS = ("L1006", "L1009")  # the lock hole is missing; the picture is dark
EVERY = 12  # station of long arrays


def as_written(value: Any) -> Any:
    """Fields by name; floats in hexadecimal, arrays by the hash of their bytes."""
    if isinstance(value, np.ndarray):
        about = {"dtype": value.dtype.str, "shape": list(value.shape)}
        if value.size < 40:
            return {**about, "hex": value.tobytes().hex()}
        first = [repr(float(number)) for number in value.reshape(-1)[:3]]
        return {**about, "sha256": hashlib.sha256(value.tobytes()).hexdigest(), "first": first}
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, float):
        return value.hex()
    if dataclasses.is_dataclass(value):
        return {item.name: as_written(getattr(value, item.name)) for item in dataclasses.fields(value)}
    if isinstance(value, frozenset):
        return sorted(as_written(item) for item in value)
    return [as_written(item) for item in value] if isinstance(value, tuple) else value


def only_known(got: Any, known: Any) -> Any:
    """``got`` without the fields that came later."""
    if isinstance(known, dict):
        return {key: only_known(got[key], known[key]) for key in known}
    if isinstance(known, list) and len(got) == len(known):
        return [only_known(one, other) for one, other in zip(got, known, strict=True)]
    return got


@pytest.mark.parametrize("name", sorted(path.name for path in KEPT.glob("record-*.zip")))
def test_a_kept_record_is_read_to_the_last_bit(name: str, tmp_path: Path) -> None:
    assert (KEPT / name).stat().st_size < 200_000
    with zipfile.ZipFile(KEPT / name) as kept:
        kept.extractall(tmp_path)
    known = json.loads((tmp_path / "as_written.json").read_text(encoding="utf-8"))
    schema = Draft202012Validator(inspection_schema())
    with Store.open(tmp_path / "data") as store:
        rows = store.listing()[::-1]
        assert [row.shell_id for row in rows] == [one["shell_id"] for one in known] != []
        for row, written in zip(rows, known, strict=True):
            inspection = store.inspection(row.inspection_id)
            assert inspection is not None
            got = as_written(inspection)
            assert only_known(got, written) == written
            assert list(schema.iter_errors(inspection_document(inspection))) == []
            assert row.answer.value == written["verdict"]["answer"]


def test_at_least_one_record_is_kept_with_something_of_everything() -> None:
    (first, *_) = sorted(KEPT.glob("record-*.zip"))
    with zipfile.ZipFile(first) as kept:
        written = json.loads(kept.read("as_written.json"))[0]["measurement"]
    for part in ("views", "traces", "ribbons", "profiles", "zones", "cutouts", "decals", "seating", "path_shift"):
        assert written[part], part


def thinned(value: Any) -> Any:
    if isinstance(value, np.ndarray) and len(value) > 200:
        return value[::EVERY]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {item.name: thinned(getattr(value, item.name)) for item in dataclasses.fields(value) if item.init}
        return dataclasses.replace(value, **fields)
    return tuple(thinned(item) for item in value) if isinstance(value, tuple) else value


def write(target: Path) -> None:
    """Look at the sample pictures and keep what this version makes of them."""
    station, definition = load_station(SAMPLES / "station.toml"), load_shell(SAMPLES.parent / "models/toplid")
    calibration, _ = calibrate_folder(SAMPLES / "calibration", station, "top", "2026-11-25T10:00:00Z")
    gauge = ShellGauge(definition, {"top": calibration}, station.fixture, station.seatings["toplid"])
    truth = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["shells"]
    kept: list[Inspection] = []
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "data"
        with Store.open(data) as store:
            for k, shell_id in enumerate(SHELLS):
                file = SAMPLES / f"shells/{shell_id}_top.webp"
                setup = station.cameras[0]
                limit = station.intake.picture_limit_bytes
                picture, _ = read_picture(file, setup.width_px, setup.height_px, limit, bits=setup.bits)
                celsius = truth[shell_id]["temperature_c"]
                measurement = gauge.measure("standard", {"top": picture.levels}, Temperature(celsius))
                times = [f"2026-11-25T10:00:0{k}.{tenth}00000Z" for tenth in (0, 1, 3)]
                known_as = PictureFile("top", file.name, picture.sha256, picture.pixels_sha256, times[0])
                expected = Expected("toplid", "standard", celsius)
                verdict, short = judge(measurement, definition), thinned(measurement)
                inspection = Inspection(
                    shell_id, 1, station.name, *times[1:], expected, (known_as,), short, verdict, __version__
                )
                kept.append(store.save(inspection, {}, {}))
        with sqlite3.connect(data / "record.sqlite") as record:
            record.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
        record.close()
        (Path(folder) / "as_written.json").write_text(json.dumps(as_written(tuple(kept)), indent=0))
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as together:
            for path in sorted(path for path in Path(folder).rglob("*") if path.is_file()):
                together.write(path, path.relative_to(folder))


if __name__ == "__main__":
    write(Path(sys.argv[1]))
