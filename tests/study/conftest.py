"""A data folder with four looks at sample shells, measured once; the truth of them is sample_images/truth.json."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import edgeinspect
from edgeinspect.inspection import Expected
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.station.calibrations import calibrate_folder, write_calibration
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.run import get_ready, inspect_set
from edgeinspect.store.inspections import Store

ROOT = Path(edgeinspect.__file__).parents[1]
SAMPLES, MODEL = ROOT / "sample_images", ROOT / "models" / "toplid"
SHELLS = ("L1001", "L1003", "L1004", "L1008")  # nothing but a zone decides about these
AT = "2026-11-25T10:00:00.000000Z"


@pytest.fixture(scope="session")
def truths() -> dict[str, Any]:
    shells: dict[str, Any] = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["shells"]
    return shells


@pytest.fixture(scope="session")
def station() -> Station:
    return load_station(SAMPLES / "station.toml")


@pytest.fixture(scope="session")
def current() -> ShellDefinition:
    return load_shell(MODEL)


@pytest.fixture(scope="session")
def data(tmp_path_factory: pytest.TempPathFactory, station: Station, truths: dict[str, Any]) -> Path:
    """Do not write into it: ``copied`` is for that."""
    data = tmp_path_factory.mktemp("studied") / "data"
    calibration, _ = calibrate_folder(SAMPLES / "calibration", station, "top", AT)
    write_calibration(data / "calibrations", calibration)
    with Store.open(data) as store:
        for day, shell_id in enumerate(SHELLS):
            expected = Expected("toplid", "standard", truths[shell_id]["temperature_c"])
            ready = get_ready(station, expected, data / "calibrations")
            file = SAMPLES / "shells" / f"{shell_id}_top.webp"
            at = f"2026-11-{21 + day}T10:00:00.000000Z"
            inspect_set(PictureSet(shell_id, at, (Arrived("top", file.name, file),)), ready, store, lambda at=at: at)
    return data


@pytest.fixture
def copied(data: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(data, tmp_path / "data"))


@pytest.fixture
def store(data: Path) -> Iterator[Store]:
    with Store.open(data, read_only=True) as store:
        yield store


def edited_folder(parent: Path, change: Callable[[str], str]) -> Path:
    """The definition of the lid with its shell.toml put through a function, in a folder of its own."""
    folder = Path(shutil.copytree(MODEL, parent / "edited" / "toplid"))
    text = (folder / "shell.toml").read_text(encoding="utf-8")
    assert change(text) != text
    (folder / "shell.toml").write_text(change(text), encoding="utf-8")
    return folder
