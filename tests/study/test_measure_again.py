"""Measuring again: with nothing changed nothing may change; with one thing changed, that one number, by its amount."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.inspection import Expected
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.station.config import Station
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.run import get_ready, inspect_set
from edgeinspect.station.thermometer import Thermometer
from edgeinspect.store.inspections import Row, Store
from edgeinspect.study.measure_again import MeasuredAgain, measure_again, numbers_of, refitted, rim_again
from edgeinspect.study.stored import stored

from .conftest import AT, SAMPLES, edited_folder

REFERENCE_C = 20.0  # ISO 1
EXPANSION_PER_K = 80e-6  # of ABS, as models/toplid/shell.toml says


def again(
    store: Store, station: Station, data: Path, rows: list[Row] | None = None, chosen: dict[str, str] | None = None
) -> MeasuredAgain:
    rows = stored(store) if rows is None else rows
    return measure_again(store, rows, station, data / "calibrations", chosen or {}, lambda: AT, lambda *_: None)


def test_the_same_program_finds_the_same_and_a_lost_picture_leaves_its_ribbon(copied: Path, station: Station) -> None:
    (picture,) = (copied / "pictures").rglob("L1008_top_*.webp")
    picture.unlink()
    with Store.open(copied, read_only=True) as store:
        before = {row.shell_id: store.inspection(row.inspection_id) for row in stored(store)}
        done = again(store, station, copied)
    (look,) = done.pictures  # the only one that is not green and still there
    assert (look.shell_id, look.before, look.after) == ("L1004", Answer.NONCONFORMING, Answer.NONCONFORMING)
    was = before["L1004"]
    assert was is not None and {n.name for n in look.numbers} == numbers_of(was.measurement).keys()
    assert all(number.change == 0.0 for number in look.numbers)
    assert look.calibrations_before == look.calibrations_after
    assert [ribbon.shell_id for ribbon in done.ribbons] == ["L1001", "L1003", "L1008"]
    for ribbon in done.ribbons:
        assert ribbon.stations > 2500 and ribbon.lost == ribbon.gained == 0
        assert ribbon.greatest_change_mm == pytest.approx(0.0, abs=2e-5)  # single precision of what is kept
    assert (done.flips, done.neither, done.looked_at) == ((), (), 4)


def test_what_a_thermometer_said_then_counts(copied: Path, station: Station) -> None:
    """Nobody typed a temperature: the thermometer's file did, and what it says today is not the shell's of then."""
    warm = replace(station, thermometer=Thermometer(file="shell.txt", u_c=0.2))
    said = copied / "shell.txt"
    said.write_text("25.5", encoding="utf-8")
    at = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%S.%fZ}"
    (picture,) = (copied / "pictures").rglob("L1004_top_*.webp")
    file = Path(shutil.copy(picture, copied.parent / "L5_top.webp"))
    cover = np.array(Image.open(file))
    cover[:4, :4] ^= 1  # a picture of its own: the same twice is refused
    Image.fromarray(cover).save(file, lossless=True)
    with Store.open(copied) as store:
        ready = get_ready(warm, Expected("toplid", "standard"), copied / "calibrations")
        done = inspect_set(PictureSet("L5", at, (Arrived("top", file.name, file),)), ready, store, lambda: at)
        measured = done.inspection.measurement
        assert (measured.temperature_c, measured.u_temperature_c, measured.temperature_stated) == (25.5, 0.2, True)
        said.write_text("28.0", encoding="utf-8")
        rows = [row for row in stored(store) if row.shell_id == "L5"]
        (look,) = again(store, warm, copied, rows).pictures
    assert look.before is look.after and look.numbers
    assert all((number.change, number.u_after) == (0.0, number.u_before) for number in look.numbers)


def test_a_definition_of_today_changes_what_it_must(
    store: Store, data: Path, station: Station, tmp_path: Path, truths: dict[str, Any]
) -> None:
    """Sizes at 20 °C are what was measured over the growth 1 + a (T - 20) (thermal expansion; ISO 1 for the 20 °C)."""
    folder = edited_folder(tmp_path, lambda text: text.replace("expansion_per_k = 80e-6", "expansion_per_k = 900e-6"))
    moved = replace(station, folders=replace(station.folders, models=folder.parent))
    rows = [row for row in stored(store) if row.shell_id == "L1004"]
    (look,) = again(store, moved, data, rows).pictures
    warm_k = truths["L1004"]["temperature_c"] - REFERENCE_C
    shrink = (1 + EXPANSION_PER_K * warm_k) / (1 + 900e-6 * warm_k)
    size = next(number for number in look.numbers if number.name == "cut-out hinge-slot-left size 1")
    assert size.before is not None and size.change == pytest.approx(size.before * (shrink - 1), abs=0.002)
    assert abs(size.before * (shrink - 1)) > 0.02  # ten times the tolerance of this comparison


def test_the_calibration_is_the_chosen_one_else_the_newest(copied: Path, station: Station) -> None:
    (file,) = (copied / "calibrations").iterdir()
    older, newer = file.stem, "top-20271125t100000z-00000000"
    content = file.read_text(encoding="utf-8").replace(older, newer)
    (copied / "calibrations" / f"{newer}.json").write_text(content, encoding="utf-8")
    with Store.open(copied, read_only=True) as store:
        rows = stored(store)[-1:]
        (by_newest,) = again(store, station, copied, rows).pictures
        (by_chosen,) = again(store, station, copied, rows, {"top": older}).pictures
    assert (by_newest.calibrations_before, by_newest.calibrations_after) == ((older,), (newer,))
    assert by_chosen.calibrations_after == (older,)


def test_an_edge_that_moved_is_told_by_as_much(store: Store, current: ShellDefinition) -> None:
    """A ribbon whose samples are pushed one place outwards has its edge one spacing further out: by definition."""
    row = next(row for row in stored(store) if row.shell_id == "L1001")
    inspection = store.inspection(row.inspection_id)
    assert inspection is not None
    measurement = inspection.measurement
    rim = next(ribbon for ribbon in measurement.ribbons if ribbon.curve == "rim")
    spacing_mm = float(rim.d_mm[1] - rim.d_mm[0])
    pushed = np.roll(rim.levels, 1, axis=1)
    pushed[:, 0] = rim.levels[:, 0]
    found, why = rim_again(row, replace(measurement, ribbons=(replace(rim, levels=pushed),)), current)
    assert why is None
    assert found[0].mean_change_mm == pytest.approx(spacing_mm, abs=1e-4)
    assert found[0].rms_change_mm == pytest.approx(spacing_mm, abs=1e-4)
    assert found[0].greatest_change_mm == pytest.approx(spacing_mm, abs=1e-3)


def test_a_stretch_that_is_dark_is_lost_and_one_that_moved_is_placed(store: Store, current: ShellDefinition) -> None:
    row = next(row for row in stored(store) if row.shell_id == "L1001")
    inspection = store.inspection(row.inspection_id)
    assert inspection is not None
    rim = next(ribbon for ribbon in inspection.measurement.ribbons if ribbon.curve == "rim")
    trace = next(trace for trace in inspection.measurement.traces if trace.curve == "rim")
    levels = rim.levels.copy()
    levels[100:140] = 0.2  # no edge left
    levels[2000:2040] = np.roll(levels[2000:2040], 2, axis=1)
    blur_px = inspection.measurement.views[0].blur_px
    found = refitted(row, replace(rim, levels=levels), trace, blur_px, current)
    assert found is not None and found.lost == 40
    assert found.greatest_change_mm == pytest.approx(2 * float(rim.d_mm[1] - rim.d_mm[0]), rel=0.02)
    assert found.at_arc_mm is not None and rim.arc_mm[2000] <= found.at_arc_mm <= rim.arc_mm[2040]
    nothing = refitted(row, replace(rim, levels=np.full_like(levels, 0.2)), trace, blur_px, current)
    assert nothing is not None and nothing.stations == 0 and nothing.greatest_change_mm is None


def test_what_cannot_be_repeated_is_said_and_why(copied: Path, station: Station) -> None:
    shutil.rmtree(copied / "ribbons")
    with Store.open(copied, read_only=True) as store:
        done = again(store, station, copied, stored(store)[:1])
    assert done.neither == ("L1001 (look 1): neither its picture nor a ribbon of the rim is kept",)


def test_a_ribbon_of_other_stations_is_not_compared(store: Store, current: ShellDefinition) -> None:
    row = stored(store)[0]
    inspection = store.inspection(row.inspection_id)
    assert inspection is not None
    found, why = rim_again(row, inspection.measurement, replace(current, step_mm=0.4))
    assert found == [] and why == "the outline has other stations today, so its ribbon cannot be compared"


def test_a_picture_that_was_not_new_stays_so(copied: Path, station: Station) -> None:
    """Measured by itself it would look good; it is the picture of an earlier look."""
    with Store.open(copied) as store:
        ready = get_ready(station, Expected("toplid", "standard", 20.6), copied / "calibrations")
        file = SAMPLES / "shells" / "L1001_top.webp"
        inspect_set(PictureSet("L2", AT, (Arrived("top", "L2_top.webp", file),)), ready, store, lambda: AT)
        row = stored(store)[-1]
        assert (row.shell_id, row.answer) == ("L2", Answer.NO_RESULT)
        done = again(store, station, copied, [row])
    assert done.pictures == () and "L2 (look 1): the same picture as shell L1001" in done.neither[0]


def test_a_station_that_cannot_measure_is_one_sentence(store: Store, station: Station, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="camera top is not calibrated"):
        again(store, station, tmp_path)
