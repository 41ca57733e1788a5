"""All that a measurement rests on besides its pictures, in one zip file: the files of the shell definition as they
were, the fixture, the seating, and the calibrations of the cameras. What it holds is enough to measure again anywhere.
"""

from __future__ import annotations

import io
import json
import tempfile
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path, PurePosixPath

import numpy as np

from edgeinspect.errors import EdgeinspectError, InputError
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.station.calibrations import recorded_calibration
from edgeinspect.store.bases import KeptBasis
from edgeinspect.store.calibrations import KeptCalibration
from edgeinspect.store.codec import Arrays, from_plain, to_plain

FIXTURE_FILE, SHELL_FOLDER, CALIBRATIONS_FOLDER = "fixture.json", "shell", "calibrations"
GREATEST_BYTES = 100_000_000  # unpacked: what comes from elsewhere must not fill the memory
_LONG_AGO = (1980, 1, 1, 0, 0, 0)  # a zip wants a date: the same content has the same bytes


@dataclass(frozen=True)
class Basis:
    definition: ShellDefinition
    fixture: Fixture
    seating: Seating
    calibrations: tuple[CameraCalibration, ...]  # in the order of the station's cameras

    @cached_property
    def gauge(self) -> ShellGauge:
        cameras = {calibration.camera: calibration for calibration in self.calibrations}
        return ShellGauge(self.definition, cameras, self.fixture, self.seating)


@dataclass(frozen=True)
class _Place:
    """The part of a station that measuring needs."""

    fixture: Fixture
    seating: Seating


def pack_basis(
    files: Mapping[str, bytes], fixture: Fixture, seating: Seating, calibrations: Sequence[KeptCalibration]
) -> KeptBasis:
    """``files`` - of the definition, by name, as they were read; ``calibrations`` - in the order of the cameras."""
    arrays: Arrays = []
    plain = to_plain(_Place(fixture, seating), arrays)
    order = [one.calibration_id for one in calibrations]
    place = {"format": 1, "calibrations": order, "place": plain, "arrays": [array.tolist() for array in arrays]}
    inside = {FIXTURE_FILE: json.dumps(place, indent=1).encode()}
    inside |= {f"{SHELL_FOLDER}/{name}": content for name, content in sorted(files.items())}
    inside |= {f"{CALIBRATIONS_FOLDER}/{one.calibration_id}.json": one.content.encode() for one in calibrations}
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as file:
        for name, content in inside.items():
            file.writestr(zipfile.ZipInfo(name, _LONG_AGO), content, zipfile.ZIP_DEFLATED)
    return KeptBasis(packed.getvalue())


def read_basis(content: bytes) -> Basis:
    """Raises InputError: damaged, or made by another version of edgeinspect."""
    try:
        inside = _unpacked(content)
        place = json.loads(inside[FIXTURE_FILE])
        arrays = [np.array(values, dtype=np.float64) for values in place["arrays"]]
        here: _Place = from_plain(_Place, place["place"], arrays)
        order = [str(name) for name in place["calibrations"]]
        texts = {name: inside[f"{CALIBRATIONS_FOLDER}/{name}.json"].decode() for name in order}
        calibrations = tuple(recorded_calibration(text, name) for name, text in texts.items())
        definition = _definition(inside, here.seating.shell)
    except (zipfile.BadZipFile, EdgeinspectError, ValueError, KeyError, TypeError, OSError) as error:
        raise InputError(f"the basis of the measurement is damaged ({str(error).splitlines()[0]})") from error
    return Basis(definition, here.fixture, here.seating, calibrations)


def _unpacked(content: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(content)) as file:
        entries = file.infolist()
        if sum(entry.file_size for entry in entries) > GREATEST_BYTES:
            raise ValueError(f"it unpacks to more than {GREATEST_BYTES / 1e6:.0f} MB")
        return {entry.filename: file.read(entry) for entry in entries}


def _definition(inside: Mapping[str, bytes], shell: str) -> ShellDefinition:
    if PurePosixPath(shell).name != shell:
        raise ValueError(f"{shell!r} is no name of a shell")
    with tempfile.TemporaryDirectory(prefix="edgeinspect-basis-") as folder:
        home = Path(folder) / shell
        home.mkdir()
        for name, content in inside.items():
            where, _, plain = name.partition("/")
            if where != SHELL_FOLDER:
                continue
            parts = PurePosixPath(plain).parts
            if not parts or ".." in parts or PurePosixPath(plain).is_absolute() or "\\" in plain:
                raise ValueError(f"{name!r} is no name of a file")  # never out of the folder
            (home / plain).parent.mkdir(parents=True, exist_ok=True)
            (home / plain).write_bytes(content)
        return load_shell(home)
