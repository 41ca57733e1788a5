"""A station's record of sample shells, measured once, and the file of evidence of each; their truth is
sample_images/truth.json.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

import edgeinspect
from edgeinspect.evidence.page import issue
from edgeinspect.inspection import Expected
from edgeinspect.station.calibrations import calibrate_folder, write_calibration
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.run import get_ready, inspect_set
from edgeinspect.store.changes import Who
from edgeinspect.store.inspections import Store
from edgeinspect.store.review_queue import Disposition, Label
from edgeinspect.store.reviews import Reviews

SAMPLES = Path(edgeinspect.__file__).parents[1] / "sample_images"
MADE_AT, ISSUED_AT = "2026-11-20T10:00:00.000000Z", "2026-11-27T10:00:00.000000Z"
# shell id, whose pictures: green, red, decal red, no result and looked at three times, two cameras red and green
LOOKS = [
    ("L1001", "L1001"),
    ("L1004", "L1004"),
    ("L1007", "L1007"),
    ("L1011", "L1011"),
    ("L1011", "L1009"),
    ("L1011", "L1011"),
    ("R1023", "R1023"),
    ("R1021", "R1021"),
]
GREEN, RED, DECAL, STRAND, TWO, TWO_GREEN = 1, 2, 3, 4, 7, 8  # numbers of the inspections
REASON = '<script>alert("x")</script> & <img src=x onerror=alert(1)> </template><template data-part="record">AAAA'


@dataclass(frozen=True)
class Place:
    """The folders of one station."""

    station: Station
    data: Path
    files: dict[int, Path]  # of evidence, by inspection


@pytest.fixture(scope="session")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Do not write into it."""
    folder = tmp_path_factory.mktemp("evidence")
    station, data = load_station(SAMPLES / "station.toml"), folder / "data"
    truths = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["shells"]
    for camera, pictures in (("top", SAMPLES / "calibration"), ("rear", SAMPLES / "calibration" / "rear")):
        write_calibration(data / "calibrations", calibrate_folder(pictures, station, camera, MADE_AT)[0])
    files = {}
    with Store.open(data) as store:
        for minute, (shell_id, pictures_of) in enumerate(LOOKS):
            asked = truths[shell_id]["expected"]
            expected = Expected(asked["shell"], asked["variant"], truths[shell_id]["temperature_c"])
            ready = get_ready(station, expected, data / "calibrations")
            arrived = tuple(
                Arrived(path.stem.partition("_")[2], f"{shell_id}_{path.name.partition('_')[2]}", path)
                for path in sorted((SAMPLES / "shells").glob(f"{pictures_of}_*"))
            )
            at = f"2026-11-25T10:{minute:02d}:00.000000Z"
            inspect_set(PictureSet(shell_id, at, arrived), ready, store, lambda at=at: at)
        reviews = Reviews(store.changes)
        quality = Who("Quin <b>Quality</b>", "quality")
        reviews.label(RED, Label.TRULY_BAD, REASON, "2026-11-26T08:00:00.000Z", quality)
        reviews.dispose(RED, Disposition.SCRAP, REASON, "2026-11-26T08:01:00.000Z", quality)
        for number in (GREEN, RED, DECAL, STRAND, TWO, TWO_GREEN):
            files[number] = folder / f"{number}.html"
            files[number].write_text(issue(store, station, number, ISSUED_AT), encoding="utf-8")
    return Place(station, data, files)


@pytest.fixture
def copied(place: Place, tmp_path: Path) -> Callable[[int], Path]:
    """A copy of a file of evidence, to be tampered with."""

    def copy(number: int) -> Path:
        return Path(shutil.copy(place.files[number], tmp_path / f"{number}.html"))

    return copy
