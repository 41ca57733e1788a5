"""Numbers come out again from nothing but the file: on a machine without the station's data, within 0.001 mm.

What the numbers should be is sample_images/truth.json, which the ray tracer wrote from the scene.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from edgeinspect.evidence.check import TOLERANCE
from edgeinspect.evidence.verify import check_file

from .conftest import DECAL, GREEN, RED, SAMPLES, STRAND, TWO, TWO_GREEN, Place

WANTED_MM = 0.001  # the requirement


@pytest.mark.parametrize("number", [GREEN, RED, DECAL, STRAND, TWO, TWO_GREEN])
def test_every_number_comes_out_again(place: Place, number: int) -> None:
    checked = check_file(place.files[number])
    assert checked.intact and checked.problems == () and checked.same_program
    assert len(checked.compared) > 100 and TOLERANCE <= WANTED_MM
    assert max(one.difference for one in checked.compared) < WANTED_MM


def test_a_green_file_tells_the_trim_by_its_ribbons_and_says_what_it_cannot_tell(place: Place) -> None:
    checked = check_file(place.files[GREEN])
    again = {one.name for one in checked.compared if one.by == "ribbons"}
    assert {"zone left-end most", "cut-out lock-hole size 1", "path shift", "path rotation"} <= again
    assert not any(one.by == "picture" for one in checked.compared)
    assert not any(one.name.startswith("decal ") and one.by != "limits" for one in checked.compared)
    said = " ".join(checked.not_again)
    assert "decal badge" in said and "not kept whole" in said and "pips" in said and "fixture marks" in said


def test_the_decal_comes_out_of_the_picture_and_is_where_the_truth_says(place: Place) -> None:
    checked = check_file(place.files[DECAL])
    again = {one.name: one.again for one in checked.compared if one.by == "picture"}
    truth = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["shells"]["L1007"]["decal"]
    assert again["decal badge dx"] == pytest.approx(truth["dx_mm"], abs=0.05)
    assert again["decal badge dy"] == pytest.approx(truth["dy_mm"], abs=0.05)
    assert again["decal badge rotation"] == pytest.approx(truth["rotation_deg"], abs=0.05)
    assert checked.not_again == ()


def test_both_cameras_edges_come_out_again(place: Place) -> None:
    names = {one.name.split(":")[0] for one in check_file(place.files[TWO]).compared}
    assert {"edge points of rim, camera top", "edge points of rim, camera rear"} <= names


def test_the_command_needs_no_station(place: Place, tmp_path: Path) -> None:
    """In an empty folder, by the command line: exit code 0, and 1 after one digit was changed."""
    file = tmp_path / "sent.html"
    file.write_bytes(place.files[RED].read_bytes())
    command = [sys.executable, "-m", "edgeinspect", "check-evidence", str(file), "--json"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(done.stdout)
    assert told["intact"] and told["shell_id"] == "L1004" and told["answer"] == "NONCONFORMING"
    assert all(one["agrees"] for one in told["numbers"])
    text = file.read_text(encoding="utf-8")
    assert " mm too much material" in text
    file.write_text(text.replace(" mm too much material", "1 mm too much material", 1), encoding="utf-8")
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 1 and "page's text was changed" in done.stdout


def test_what_is_no_evidence_is_said_so(tmp_path: Path) -> None:
    file = tmp_path / "a.html"
    file.write_text("<html></html>", encoding="utf-8")
    command = [sys.executable, "-m", "edgeinspect", "check-evidence", str(file)]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 2 and "is no file of evidence" in done.stderr
