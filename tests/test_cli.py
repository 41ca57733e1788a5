"""The command line: what it says, what machines read, and its exit codes (listed at the top of cli.py)."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from edgeinspect import cli
from edgeinspect.conformity import Answer
from edgeinspect.errors import StoreError
from edgeinspect.station.calibrations import read_calibration
from edgeinspect.station.calibrations_in_use import keep_new
from edgeinspect.station.config import load_station
from edgeinspect.store.inspections import Store
from edgeinspect.store.lock import only_one
from edgeinspect.store.state import State

ROOT = Path(cli.__file__).parents[1]
SAMPLES = ROOT / "sample_images"
STATION = ("--station", str(SAMPLES / "station.toml"))
TOP, STANDARD = ("--camera", "top"), ("--variant", "standard")
DEFINITION = ROOT / "models" / "toplid"


def run(*arguments: str | Path) -> tuple[int, str, str]:
    """Exit code, standard output, standard error."""
    done = CliRunner().invoke(cli.app, [str(argument) for argument in arguments])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.stdout, done.stderr


def run_json(*arguments: str | Path) -> tuple[int, dict[str, Any]]:
    code, out, _ = run(*arguments, "--json")
    return code, json.loads(out)


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with a calibration from the sample pictures."""
    data = tmp_path_factory.mktemp("station") / "data"
    code, document = run_json("calibrate", SAMPLES / "calibration", *TOP, *STATION, "--data", data, "--who", "Kim")
    assert code == 0
    assert Path(document["file"]).parent == data / "calibrations"
    assert any(" mm" in line for line in document["report"])
    return data


# -- check


def test_a_definition_is_checked_and_drawn(tmp_path: Path) -> None:
    code, out, _ = run("check-shell", DEFINITION, "--draw", tmp_path / "lid.svg")
    assert code == 0
    assert "400 x 300 mm: right?" in out
    assert ET.parse(tmp_path / "lid.svg").getroot().tag.endswith("svg")
    code, document = run_json("check-shell", DEFINITION)
    assert (code, document["shell"]) == (0, "toplid")


def test_every_mistake_of_a_definition_is_told_at_once(tmp_path: Path) -> None:
    folder = tmp_path / "toplid"
    shutil.copytree(DEFINITION, folder)
    text = (folder / "shell.toml").read_text()
    (folder / "shell.toml").write_text(
        text.replace("sheet_mm = 3.0", "sheet_mm = -3.0").replace('arris = "show"', 'arris = "top"')
    )
    code, out, err = run("check-shell", folder)
    assert (code, out) == (2, "")
    assert "shell.sheet_mm is -3" in err and "shell.arris is" in err
    code, document = run_json("check-shell", folder)
    assert code == 2 and len(document["problems"]) == 2


def test_a_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    for command in (("check-shell", tmp_path / "none"), ("check-station", tmp_path / "none.toml")):
        code, out, err = run(*command)
        assert (code, out) == (2, "")
        assert len(err.strip().splitlines()) == 1


def test_a_drawing_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    code, _, err = run("check-shell", DEFINITION, "--draw", tmp_path / "none" / "lid.svg")
    assert code == 2 and "cannot be written" in err


def test_the_other_hand_is_written(tmp_path: Path) -> None:
    left = tmp_path / "lid_left"
    shutil.copytree(DEFINITION, left)
    toml = (left / "shell.toml").read_text().replace('hand = "none"', 'hand = "left"')
    (left / "shell.toml").write_text(toml.replace('name = "toplid"', 'name = "lid_left"'))
    code, out, _ = run("mirror-shell", left, tmp_path / "lid_right")
    assert code == 0 and "right-hand" in out and 'shell = "lid_right"' in " ".join(out.split())
    code, document = run_json("check-shell", tmp_path / "lid_right")
    assert (code, document["shell"]) == (0, "lid_right")
    code, _, err = run("mirror-shell", left, tmp_path / "lid_right")
    assert code == 2 and "must be a new folder" in err


def test_a_station_is_checked() -> None:
    code, out, _ = run("check-station", SAMPLES / "station.toml")
    assert code == 0 and "camera top: 1600 x 1200 px, 8 bits" in out
    code, document = run_json("check-station", SAMPLES / "station.toml")
    assert code == 0 and document["station"]


def test_sheets_are_drawn_and_what_does_not_fit_is_said(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "sheets"
    code, out, _ = run("print-sheets", *STATION, "--out", folder, "--paper", "A4")
    assert code == 0 and "measure both bars" in out and "do not fit on A4" in out
    assert {path.name for path in folder.iterdir()} == {"board.svg", "marks.svg", "grey-patch.svg"}
    code, document = run_json("print-sheets", *STATION, "--out", folder)
    assert (code, document["notes"]) == (0, [])
    for sheet in document["sheets"]:
        root = ET.parse(sheet["svg"]).getroot()
        assert root.get("width") == f"{sheet['width_mm']:g}mm"
    code, _, err = run("print-sheets", *STATION, "--out", folder / "board.svg")
    assert code == 2 and "cannot be made a folder" in err


# -- inspect


@pytest.mark.parametrize(
    ("answers", "code"),
    [
        ([Answer.CONFORMING, Answer.CONFORMING], 0),
        ([Answer.CONFORMING, Answer.NONCONFORMING, Answer.NO_RESULT], 1),
        ([Answer.CONFORMING, Answer.NOT_PROVEN], 3),
        ([Answer.NO_RESULT], 3),
        ([], 3),
    ],
)
def test_only_conforming_shells_give_zero(answers: list[Answer], code: int) -> None:
    assert cli.exit_code(answers) == code


SHELLS = json.loads((SAMPLES / "truth.json").read_text())["shells"]
CODES = {"CONFORMING": 0, "NONCONFORMING": 1, "NOT PROVEN": 3, "NO RESULT": 3}


@pytest.mark.parametrize("shell_id", ["L1001", "L1006", "L1008", "L1009"])
def test_inspecting_gives_the_answer_of_the_truth_file_and_its_exit_code(calibrated: Path, shell_id: str) -> None:
    """Truth: sample_images/truth.json, written from the scene without edgeinspect's measuring code."""
    truth = SHELLS[shell_id]
    picture = SAMPLES / "shells" / f"{shell_id}_top.webp"
    options = ("--shell", "toplid", *STANDARD, "--temperature", str(truth["temperature_c"]), *STATION)
    code, document = run_json("inspect", picture, *options, "--calibration", calibrated / "calibrations")
    (inspection,) = document["inspections"]
    assert (inspection["shell_id"], inspection["answer"]) == (shell_id, truth["expected"]["answer"])
    assert code == CODES[inspection["answer"]]
    assert inspection["sentence"] and inspection["verdict"]["action"]
    assert inspection["measurement"]["temperature_c"] == truth["temperature_c"]
    assert inspection["inspection_id"] is None


def test_inspections_are_recorded_when_asked(calibrated: Path) -> None:
    options = ("--shell", "toplid", *STANDARD, "--temperature", "20.6", *STATION, "--data", calibrated)
    code, out, _ = run("inspect", SAMPLES / "shells" / "L1001_top.webp", *options)
    assert code == 0 and "CONFORMING" in out and "zone left-end" in out and "U (k=2)" in out
    with Store.open(calibrated, read_only=True) as store:
        kept = store.latest()
        assert kept is not None and kept.shell_id == "L1001"
        assert store.calibrations.one(kept.measurement.views[0].calibration_id) is not None
    code, document = run_json("inspect", SAMPLES / "shells" / "L1001_top.webp", *options)
    assert code == 3 and "same picture" in document["inspections"][0]["sentence"]


def test_nothing_is_recorded_beside_a_running_station(calibrated: Path) -> None:
    options = ("--shell", "toplid", *STANDARD, *STATION, "--data", calibrated)
    with only_one(calibrated):
        code, document = run_json("inspect", SAMPLES / "shells" / "L1002_top.webp", *options)
    words = f"another edgeinspect is at work on {calibrated}: stop it, or use another folder"
    assert (code, document["problems"]) == (2, [words])
    with Store.open(calibrated, read_only=True) as store:
        assert store.attempts("L1002") == ()


def test_a_cut_off_picture_is_no_result_and_three(calibrated: Path, tmp_path: Path) -> None:
    picture = tmp_path / "L1_top.webp"
    picture.write_bytes((SAMPLES / "shells" / "L1001_top.webp").read_bytes()[:100_000])
    options = ("--shell", "toplid", *STANDARD, *STATION, "--calibration", calibrated / "calibrations")
    code, document = run_json("inspect", picture, *options)
    assert code == 3
    sentence = document["inspections"][0]["sentence"]
    assert sentence == "L1_top.webp is cut off after 100000 bytes, must be a whole picture"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("nothere_top.png", "--shell", "toplid"), "nothere_top.png is not there"),
        (("holiday.jpg", "--shell", "toplid"), "is not named as a picture must be"),
        ((str(SAMPLES / "shells" / "L1001_top.webp"), "--shell", "sidecover"), "does not hold shell 'sidecover'"),
        ((str(SAMPLES / "shells" / "L1001_top.webp"), "--shell", "toplid", "--variant", "x"), "has no variant 'x'"),
        (
            (str(SAMPLES / "shells" / "L1001_top.webp"), "--shell", "toplid", *STANDARD, "--calibration", "none"),
            "is not calibrated",
        ),
        ((str(DEFINITION.parent), "--shell", "toplid"), "holds no picture"),
    ],
)
def test_bad_input_is_one_sentence_and_two(arguments: tuple[str, ...], words: str) -> None:
    code, document = run_json("inspect", *arguments, *STATION)
    assert code == 2
    (problem,) = document["problems"]
    assert words in problem


# -- calibrations


@pytest.fixture(scope="module")
def twice_calibrated(calibrated: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with a second calibration, a day later, of a lens that looks 0.1 % longer."""
    data = tmp_path_factory.mktemp("twice")
    station = load_station(SAMPLES / "station.toml")
    first = read_calibration(next((calibrated / "calibrations").glob("*.json")), station.cameras[0])
    when = datetime.fromisoformat(first.made_at) + timedelta(days=1)
    name = f"top-{when:%Y%m%dt%H%M%Sz}-0123abcd"
    model = replace(first.model, fx=first.model.fx * 1.001, fy=first.model.fy * 1.001)
    second = replace(first, calibration_id=name, made_at=when.isoformat(), model=model)
    with Store.open(data) as store:
        for calibration, who in ((first, "Kim"), (second, "Lee")):
            keep_new(station, data, store, calibration, who)
    return data


def test_what_is_not_named_is_said_in_the_words_of_the_command(calibrated: Path) -> None:
    picture = SAMPLES / "shells" / "L1001_top.webp"
    code, _, err = run("inspect", picture, "--shell", "toplid", *STATION)
    assert code == 2 and err.strip().endswith("shell toplid has several: give one of cargo, standard")
    code, _, err = run("expected-uncertainty", "topli", *STATION, "--data", calibrated)
    assert code == 2 and "does not hold shell 'topli'" in err and "call the process engineer" not in err
    code, _, err = run("check-shell", DEFINITION / "shell.toml")
    assert code == 2 and err.strip().endswith(f"must be the folder of a shell definition: give {DEFINITION}")


def test_calibrations_are_listed_compared_and_gone_back_to(twice_calibrated: Path) -> None:
    where = (*STATION, "--data", twice_calibrated)
    code, listed = run_json("calibrations", *where)
    newest, oldest = listed["calibrations"]
    assert code == 0
    assert [(one["who"], one["in_use"]) for one in (newest, oldest)] == [("Lee", True), ("Kim", False)]
    assert len(oldest["lengths"]) == 8 and {"nominal_mm", "reading_mm"} < set(oldest["lengths"][0])
    code, out, _ = run("calibrations", *where)  # piped: a terminal of 80 columns
    assert code == 0 and "in use" in out and "by Lee: calibrated" in out
    lines = out.splitlines()
    assert [line.split("  ")[0] for line in lines[:4:2]] == [one["calibration_id"] for one in (newest, oldest)]
    worst = max(oldest["lengths"], key=lambda one: abs(one["reading_mm"] - one["nominal_mm"]))
    assert re.search(rf"worst length reads {worst['reading_mm']:.2f}.*$", lines[3]), (
        "number and place in one line, none cut"
    )

    ids = (oldest["calibration_id"], newest["calibration_id"])
    code, compared = run_json("compare-calibrations", *ids, *where)
    assert code == 0 and compared["hours_between"] == 24.0 and not compared["explained"]
    assert compared["parameters"][0]["second"] == pytest.approx(compared["parameters"][0]["first"] * 1.001)
    code, out, _ = run("compare-calibrations", *ids, *where)
    assert "the second was made 24.0 h after the first" in out and "in the worst corner" in out

    code, _, err = run("use-calibration", ids[0], "--who", "Ada", *where)
    assert code == 2 and err.strip() == "--why is missing, must be why"
    code, out, _ = run("use-calibration", ids[0], "--who", "Ada", "--why", "the lens was put back", *where)
    assert code == 0 and f"camera top measures with {ids[0]} from now on" in out
    _, listed = run_json("calibrations", *where)
    assert {one["calibration_id"] for one in listed["calibrations"] if one["in_use"]} == {ids[0]}
    assert [use["who"] for use in listed["uses"]] == ["Ada", "Lee", "Kim"]

    options = ("--shell", "toplid", *STANDARD, "--temperature", "20.6", *where)
    _, document = run_json("inspect", SAMPLES / "shells" / "L1001_top.webp", *options)
    (view,) = document["inspections"][0]["measurement"]["views"]
    assert view["calibration_id"] == ids[0], "the older one is in use, although a newer one lies beside it"


def test_calibrating_asks_who_did_it(tmp_path: Path) -> None:
    code, _, err = run("calibrate", SAMPLES / "calibration", *TOP, *STATION, "--data", tmp_path)
    assert code == 2 and err.strip() == "--who is missing, must be your name, for the record"
    assert not list(tmp_path.iterdir())


# -- the station


def test_a_station_is_set_to_a_shell(tmp_path: Path) -> None:
    code, document = run_json("expect", "toplid", "standard", "--temperature", "23.5", *STATION, "--data", tmp_path)
    assert code == 0
    assert document["expected"] == {"shell": "toplid", "variant": "standard", "temperature_c": 23.5}
    with State.open(tmp_path) as state:
        expected = state.now().expected
        assert expected is not None and expected.temperature_c == 23.5
    code, document = run_json("expect", "toplid", "purple", *STATION, "--data", tmp_path)
    assert code == 2 and "has no variant 'purple'" in document["problems"][0]


@pytest.mark.parametrize(
    "command",
    [
        ("expect", "toplid", "standard"),
        ("inspect", SAMPLES / "shells" / "L1001_top.webp", "--shell", "toplid", *STANDARD),
        ("expected-uncertainty", "toplid", "standard"),
    ],
)
@pytest.mark.parametrize("typed", ["nan", "inf", "-500", "1e9", "5000", "120.1"])
def test_a_temperature_that_no_shell_has_is_one_sentence_and_nothing_is_kept(
    command: tuple[str | Path, ...], typed: str, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    code, out, err = run(*command, f"--temperature={typed}", *STATION, "--data", data)
    assert (code, out) == (2, "")
    got = f"the temperature is {float(typed):g} °C, must be within -20 to 120 °C"
    assert err == f"{got}: say what the shell's is, or leave it out\n"
    assert not data.exists()


def test_a_taken_port_is_one_sentence(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        code, _, err = run("serve", *STATION, "--data", tmp_path / "data", "--port", str(port))
    assert code == 2 and f"port {port} of 127.0.0.1 cannot be had" in err


def test_the_demo_does_not_touch_a_folder_that_is_in_use(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    code, _, err = run("demo", "--folder", tmp_path, "--no-browser")
    assert code == 2 and "is not empty" in err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_the_demo_inspects_every_sample_there_and_then_and_ends_on_ctrl_c(tmp_path: Path) -> None:
    """The answers are those of sample_images/truth.json, which was written without edgeinspect's measuring code."""
    data = tmp_path / "data"
    command = [sys.executable, "-m", "edgeinspect", "demo", "--folder", str(data), "--no-browser", "--port", "0"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    log = (tmp_path / "out.txt").open("w")
    demo = subprocess.Popen([*command, "--every", "0"], cwd=tmp_path, env=environment, stdout=log, stderr=log)
    try:
        end_s = time.monotonic() + 600  # given up then, not failed for being slow
        answers: dict[str, str] = {}
        while len(answers) < len(SHELLS) and time.monotonic() < end_s and demo.poll() is None:
            time.sleep(0.5)
            # until its tables are made there is no record to read
            with contextlib.suppress(StoreError), Store.open(data, read_only=True) as store:
                answers = {row.shell_id: row.answer.value for row in store.listing()}
        demo.send_signal(signal.SIGINT)
        assert demo.wait(15) == 0, (tmp_path / "out.txt").read_text()
    finally:
        demo.kill()
        log.close()
    assert answers == {shell_id: truth["expected"]["answer"] for shell_id, truth in SHELLS.items()}
    with Store.open(data, read_only=True) as store:
        stated = {row.shell_id: store.inspection(row.inspection_id) for row in store.listing()}
        for shell_id, inspection in stated.items():
            assert inspection is not None
            if "temperature_c" in SHELLS[shell_id]:  # an empty fixture has none
                assert inspection.measurement.temperature_c == SHELLS[shell_id]["temperature_c"]
    assert list((data / "inbox").iterdir()) == list((data / "taken").iterdir()) == []
