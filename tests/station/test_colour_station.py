"""A station with a colour camera, from its files to the record: good prints green, others red or no result, and the
numbers come out again from the record's basis.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from edgeinspect.conformity import Answer
from edgeinspect.errors import CalibrationError, DefinitionError, PictureError
from edgeinspect.evidence.check import check
from edgeinspect.evidence.contents import gather
from edgeinspect.inspection import Expected, Inspection
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.measurement import FaultKind
from edgeinspect.process.limits import limits_of, with_limits
from edgeinspect.shell.files import load_shell
from edgeinspect.station.calibrations import read_calibration, write_calibration
from edgeinspect.station.colour_chart import read_chart, with_colour
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.pictures import decode, view_jpeg
from edgeinspect.station.run import get_ready, inspect_set, time_of_day
from edgeinspect.store.inspections import Store
from edgeinspect.study.drawing import other_drawing
from tests.samples import looks

from . import colour_station as here

EXPECTED = Expected("toplid", "standard", 20.0)
GOOD, SHELL = 1, 8
WRONG = {"#f0aa28": (68.0, 36.0, 46.0)}


@dataclass(frozen=True)
class Plant:
    folder: Path
    station: Station
    top: CameraCalibration
    tint: CameraCalibration  # not calibrated for colour
    coloured: CameraCalibration
    report: list[str]


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    folder = tmp_path_factory.mktemp("plant")
    station = load_station(here.write_station(folder))
    top = looks.calibration()
    tint = replace(top, camera="tint", calibration_id="tint-20261127t080000z-00000000", in_colour=True)
    chart, sheet, file = here.write_chart(folder)
    setup = station.cameras[1]
    coloured, report = with_colour(tint, station, setup, chart, sheet, file, "D50", "2026-11-27T09:00:00Z")
    for name, inks in (("G1", None), ("A1", WRONG)):
        shell = here.shell_of(SHELL)
        here.save(folder / f"{name}_top.png", here.grey(shell, GOOD if name == "G1" else 2))
        here.save(folder / f"{name}_tint.png", here.tint(shell, GOOD if name == "G1" else 2, inks))
    return Plant(folder, station, top, tint, coloured, report)


def looked_at(
    plant: Plant, name: str, tint: CameraCalibration, cameras: tuple[str, ...], store: Store | None, folder: Path
) -> Inspection:
    for one in (plant.top, tint):
        write_calibration(folder, one)
    ready = get_ready(plant.station, EXPECTED, folder)
    assert ready.stop is None, ready.stop
    arrived = tuple(
        Arrived(camera, f"{name}_{camera}.png", plant.folder / f"{name}_{camera}.png") for camera in cameras
    )
    return inspect_set(PictureSet(name, "2026-11-27T10:00:00.000000Z", arrived), ready, store, time_of_day).inspection


def test_the_calibration_says_what_it_is_good_for_and_comes_back_from_its_file(plant: Plant, tmp_path: Path) -> None:
    assert any("24 patches, illuminant D50" in line for line in plant.report)
    assert any("decals of toplid" in line for line in plant.report)
    again = read_calibration(write_calibration(tmp_path, plant.coloured), plant.station.cameras[1])
    assert again.in_colour
    assert again.colour is not None and plant.coloured.colour is not None
    assert again.colour.matrix == pytest.approx(plant.coloured.colour.matrix)
    assert again.colour.light == pytest.approx(plant.coloured.colour.light)
    with pytest.raises(CalibrationError, match="in colour, the station's camera in grey"):
        read_calibration(tmp_path / f"{again.calibration_id}.json", replace(plant.station.cameras[1], colour=False))


def test_good_and_wrong_print_from_the_pictures_to_the_record(plant: Plant, tmp_path: Path) -> None:
    with Store.open(tmp_path / "data") as store:
        good = looked_at(plant, "G1", plant.coloured, ("top", "tint"), store, tmp_path)
        assert good.verdict.answer is Answer.CONFORMING, good.verdict.sentence
        assert {finding.characteristic for finding in good.verdict.findings} >= {"decal badge colour"}
        wrong = looked_at(plant, "A1", plant.coloured, ("top", "tint"), store, tmp_path)
        assert wrong.verdict.answer is Answer.NONCONFORMING
        assert "amber field" in wrong.verdict.sentence
        kept = store.inspection(wrong.inspection_id or 0)
        assert kept is not None
        (decal,) = kept.measurement.decals
        assert next(fault.ink for fault in decal.faults if fault.kind is FaultKind.COLOUR) == "amber"
        assert [view.camera for view in kept.measurement.views] == ["top", "tint"]

        # From nothing but what the record keeps: the same numbers.
        assert wrong.inspection_id is not None
        checked = check(gather(store, plant.station, wrong.inspection_id, "2026-11-28T10:00:00Z"))
        assert checked.intact, checked.sentence()
        assert {"decal badge: colours", "decal badge: ink amber"} <= {one.name for one in checked.compared}


def test_without_its_picture_or_its_calibration_nothing_is_green(plant: Plant, tmp_path: Path) -> None:
    missing = looked_at(plant, "G1", plant.coloured, ("top",), None, tmp_path / "a")
    assert missing.verdict.answer is Answer.NO_RESULT
    assert "no picture came from camera tint" in missing.verdict.sentence.lower()
    plain = looked_at(plant, "G1", plant.tint, ("top", "tint"), None, tmp_path / "b")
    assert plain.verdict.answer is Answer.NO_RESULT
    assert "not calibrated for colour" in plain.verdict.sentence
    assert "calibrate-colour" in plain.verdict.action
    wrong = looked_at(plant, "A1", plant.tint, ("top", "tint"), None, tmp_path / "b")
    assert wrong.verdict.answer is Answer.NO_RESULT


# -- pictures and files


def _as(kind: str, levels: NDArray[np.generic]) -> bytes:
    if levels.dtype == np.uint16:  # Pillow writes no colour of 16 bits
        return bytes(cv2.imencode(f".{kind}", levels[..., ::-1])[1].tobytes())
    out = io.BytesIO()
    options = {"lossless": True} if kind == "webp" else {}
    Image.fromarray(np.asarray(levels, dtype=np.uint8)).save(out, "TIFF" if kind == "tif" else kind.upper(), **options)
    return out.getvalue()


@pytest.mark.parametrize(("kind", "bits"), [("png", 8), ("tif", 8), ("webp", 8), ("png", 16), ("tif", 16)])
def test_a_colour_picture_comes_in_as_it_was_taken(kind: str, bits: int) -> None:
    levels = np.random.default_rng(1).integers(0, 2**bits, (100, 120, 3)).astype(np.uint8 if bits == 8 else np.uint16)
    read = decode(_as(kind, levels), f"s_tint.{kind}", 120, 100, bits, colour=True)
    assert read.levels.dtype == levels.dtype
    assert (read.levels == levels).all()
    red_first = cv2.imdecode(np.frombuffer(view_jpeg(read.levels, bits), np.uint8), cv2.IMREAD_COLOR)
    assert red_first.shape == (100, 120, 3)
    with pytest.raises(PictureError, match="colour"):
        decode(_as(kind, levels), f"s_top.{kind}", 120, 100, bits)


def test_a_grey_picture_of_a_colour_camera_is_refused() -> None:
    with pytest.raises(PictureError, match="must be red, green and blue"):
        decode(_as("png", np.zeros((100, 120), np.uint8)), "s_tint.png", 120, 100, 8, colour=True)


def test_mistakes_of_a_charts_file_are_all_told(tmp_path: Path) -> None:
    path = tmp_path / "chart.csv"
    path.write_text("name,x_mm,y_mm,size_mm,L,a,b\nA1,0,0,10,50,0,0\nA1,0,0,1,150,x,0\n")
    with pytest.raises(CalibrationError) as caught:
        read_chart(path)
    said = str(caught.value)
    for words in ("line 3: size_mm is", "line 3: L is", "line 3: a is", "patch A1 is there twice"):
        assert words in said
    for text in ("name,x_mm,y_mm,size_mm,L,a,b\nA1,0,0,10,50,0,0\n" + "A" * 140_000, "A" * 140_000):
        path.write_text(text)  # a field longer than csv takes: 131,072 characters
        with pytest.raises(CalibrationError, match=rf"chart.csv line {1 + text.count(chr(10))} is no line of a CSV"):
            read_chart(path)
    path.write_text("name,x_mm\nA1,0\n")
    with pytest.raises(CalibrationError, match="has no column y_mm"):
        read_chart(path)


def test_a_seating_needs_a_camera_that_measures(tmp_path: Path) -> None:
    path = here.write_station(tmp_path)
    path.write_text(path.read_text().replace('cameras = ["top", "tint"]', 'cameras = ["tint"]'))
    with pytest.raises(DefinitionError, match="cameras in colour only"):
        load_station(path)


def test_an_ink_must_be_in_the_artwork_and_belong_to_a_limit(tmp_path: Path) -> None:
    here.write_station(tmp_path)
    file = tmp_path / "models" / "toplid" / "shell.toml"
    text = file.read_text()
    file.write_text(text.replace('"#f0aa28"', '"#00ff00"'))
    with pytest.raises(DefinitionError, match=r"must be a colour of the artwork: #282c34"):
        load_shell(file.parent)
    file.write_text(text.replace("colour_limit_de = 4.0\n", ""))
    with pytest.raises(DefinitionError, match="so colour_limit_de must be too"):
        load_shell(file.parent)


def test_another_limit_is_judged_again_and_another_ink_is_measured(tmp_path: Path) -> None:
    here.write_station(tmp_path)
    folder = tmp_path / "models" / "toplid"
    one, text = load_shell(folder), (folder / "shell.toml").read_text()
    for old, new, places in (
        ("colour_limit_de = 4.0", "colour_limit_de = 5.0", []),
        ("[72.0, 24.0, 68.0]", "[70.0, 24.0, 68.0]", ["decals[badge].colour.inks[amber].lab"]),
        ("colour_limit_de = 4.0", "colour_limit_de = 4.0\ncolour_area_mm2 = 9.0", ["decals[badge].colour.area_mm2"]),
    ):
        (folder / "shell.toml").write_text(text.replace(old, new))
        assert other_drawing(one, load_shell(folder)) == places
    limits = limits_of(one, "standard")
    assert limits["decal badge colour"].upper == 4.0
    wider = with_limits(one, {"decal badge colour": replace(limits["decal badge colour"], upper=4.5)})
    assert wider.decals[0].colour is not None and wider.decals[0].colour.limit_de == 4.5
