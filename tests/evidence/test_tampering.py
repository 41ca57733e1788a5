"""What was changed in a file of evidence is found and named: by the hashes, and when those are made anew as well, by
numbers that no longer come out.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from edgeinspect.conformity import Answer
from edgeinspect.evidence.check import Checked
from edgeinspect.evidence.contents import Evidence
from edgeinspect.evidence.file import LIST, open_file, sealed
from edgeinspect.evidence.page import page
from edgeinspect.evidence.verify import check_file
from edgeinspect.store.inspections import Store

from .conftest import GREEN, RED, TWO, Place

Copy = Callable[[int], Path]


def changed_part(path: Path, name: str, change: Callable[[bytes], bytes]) -> Checked:
    """One part of the file changed, its hash left as it was."""
    text, content = path.read_text(encoding="utf-8"), open_file(path).parts[name]
    old = base64.b64encode(content).decode()
    assert text.count(old) == 1
    path.write_text(text.replace(old, base64.b64encode(change(content)).decode()), encoding="utf-8")
    return check_file(path)


def written_anew(path: Path, change: Callable[[Evidence], Evidence]) -> Checked:
    """By somebody who has this program and makes page and hashes anew."""
    path.write_text(sealed(page(change(open_file(path).evidence()))), encoding="utf-8")
    checked = check_file(path)
    assert not any("SHA-256" in problem or "text" in problem for problem in checked.problems)
    return checked


def test_a_digit_on_the_page(copied: Copy) -> None:
    path = copied(RED)
    text = path.read_text(encoding="utf-8")
    assert "0.74 mm too much material" in text
    path.write_text(text.replace("0.74 mm too much", "0.44 mm too much", 1), encoding="utf-8")
    checked = check_file(path)
    assert not checked.intact and "the page's text was changed" in checked.problems[0]
    assert "0.44 mm too much" in checked.problems[1] and "0.74 mm too much" in checked.problems[1]


def test_a_digit_on_the_page_and_its_hash(copied: Copy) -> None:
    path = copied(RED)
    text = re.sub(f'(<template data-part="{LIST}">)[^<]*', r"\1", path.read_text(encoding="utf-8"))
    path.write_text(sealed(text.replace("0.74 mm too much", "0.44 mm too much", 1)), encoding="utf-8")
    checked = check_file(path)
    assert not checked.intact and "its data say" in checked.problems[0]


def test_a_digit_of_a_deviation_in_the_record(copied: Copy) -> None:
    def change(content: bytes) -> bytes:
        at = content.index(b'"most": {"value": 0.')
        place = at + len(b'"most": {"value": 0.0')
        digit = b"7" if content[place : place + 1] != b"7" else b"3"
        return content[:place] + digit + content[place + 1 :]

    checked = changed_part(copied(GREEN), "record", change)
    assert not checked.intact and checked.problems[0].startswith("the record was changed: its SHA-256 is")


def test_a_deviation_by_somebody_who_makes_the_hashes_anew(copied: Copy) -> None:
    def change(evidence: Evidence) -> Evidence:
        zones = list(evidence.measurement.zones)
        most = replace(zones[0].most, value=zones[0].most.value + 0.002)
        zones[0] = replace(zones[0], most=most)
        measurement = replace(evidence.measurement, zones=tuple(zones))
        return replace(evidence, inspection=replace(evidence.inspection, measurement=measurement))

    checked = written_anew(copied(GREEN), change)
    wrong = [one.name for one in checked.compared if not one.agrees]
    assert "zone right-end most" in wrong and all("right-end" in name for name in wrong)


def test_edge_points_that_were_moved(copied: Copy) -> None:
    """Points and profile moved together, so that they still agree with each other: the ribbon tells otherwise."""

    def change(evidence: Evidence) -> Evidence:
        ribbons = tuple(replace(one, edge_d_mm=one.edge_d_mm - 0.01) for one in evidence.measurement.ribbons)
        measurement = replace(evidence.measurement, ribbons=ribbons)
        return replace(evidence, inspection=replace(evidence.inspection, measurement=measurement))

    checked = written_anew(copied(GREEN), change)
    assert any(one.name.startswith("scan lines off the outline") and not one.agrees for one in checked.compared)


def test_a_limit(copied: Copy) -> None:
    def change(content: bytes) -> bytes:
        return rezipped(content, "shell/shell.toml", lambda toml: toml.replace(b"upper_mm = 0.5", b"upper_mm = 0.9"))

    checked = changed_part(copied(RED), "basis", change)
    assert not checked.intact and checked.problems[0].startswith("the basis was changed")
    said = " ".join(checked.problems)
    assert "the basis is another than the record names" in said
    assert "the shell definition is another" in said and "the limits are others" in said
    assert any("upper limit" in one.name and not one.agrees for one in checked.compared)


def test_a_limit_by_somebody_who_makes_the_hashes_anew(copied: Copy) -> None:
    def change(evidence: Evidence) -> Evidence:
        assert evidence.basis is not None
        wider = rezipped(evidence.basis, "shell/shell.toml", lambda t: t.replace(b"upper_mm = 0.5", b"upper_mm = 0.9"))
        inspection = replace(evidence.inspection, basis_sha256=hashlib.sha256(wider).hexdigest())
        return replace(evidence, basis=wider, inspection=inspection)

    said = " ".join(written_anew(copied(RED), change).problems)
    assert "the shell definition is another" in said and "the limits are others" in said
    assert "the answer is CONFORMING, the record says NONCONFORMING" in said


def test_a_verdict(copied: Copy) -> None:
    def change(evidence: Evidence) -> Evidence:
        verdict = replace(evidence.inspection.verdict, answer=Answer.CONFORMING)
        return replace(evidence, inspection=replace(evidence.inspection, verdict=verdict))

    said = " ".join(written_anew(copied(RED), change).problems)
    assert "the answer is NONCONFORMING, the record says CONFORMING" in said


def test_a_byte_of_a_picture(copied: Copy) -> None:
    checked = changed_part(copied(RED), "original top", lambda c: c[:5000] + bytes([c[5000] ^ 1]) + c[5001:])
    assert not checked.intact and checked.problems[0].startswith("the original top was changed")
    assert "the picture of camera top is another than the record names" in " ".join(checked.problems)


def test_a_picture_retouched_and_recorded_anew(copied: Copy) -> None:
    """A bad corner painted over, and its hashes put into the record: the numbers no longer come out of it."""

    def change(evidence: Evidence) -> Evidence:
        levels = cv2.imdecode(np.frombuffer(evidence.originals["top"], np.uint8), cv2.IMREAD_UNCHANGED)
        assert levels is not None
        levels[:400, :400] = cv2.GaussianBlur(levels[:400, :400], (31, 31), 0)
        coded = cv2.imencode(".webp", levels, [cv2.IMWRITE_WEBP_QUALITY, 101])[1].tobytes()
        picture = replace(evidence.inspection.pictures[0], sha256=hashlib.sha256(coded).hexdigest())
        return replace(evidence, originals={"top": coded}, inspection=replace(evidence.inspection, pictures=(picture,)))

    checked = written_anew(copied(RED), change)
    assert "shows something else than the record names" in " ".join(checked.problems)
    assert any(one.by == "picture" and not one.agrees for one in checked.compared)


@pytest.mark.parametrize("number", [GREEN, TWO])
def test_another_calibration(copied: Copy, number: int) -> None:
    """The camera's focal length altered by 0.1 %, every hash made anew: edge points no longer lie where the picture has
    them.
    """

    def other(content: bytes) -> bytes:
        told: dict[str, Any] = json.loads(content)
        told["calibration"]["fx"] *= 1.001
        return json.dumps(told).encode()

    def change(evidence: Evidence) -> Evidence:
        assert evidence.basis is not None and evidence.rests_on is not None
        name = f"calibrations/{evidence.rests_on.calibrations[0].calibration_id}.json"
        basis = rezipped(evidence.basis, name, other)
        inspection = replace(evidence.inspection, basis_sha256=hashlib.sha256(basis).hexdigest())
        return replace(evidence, basis=basis, inspection=inspection)

    checked = written_anew(copied(number), change)
    wrong = {one.name for one in checked.compared if not one.agrees}
    assert "edge points off calibration and pose, at most" in wrong


def test_the_calibration_of_another_day(copied: Copy) -> None:
    def change(evidence: Evidence) -> Evidence:
        views = tuple(
            replace(view, calibration_id="top-20200101t000000z-00000000") for view in evidence.measurement.views
        )
        measurement = replace(evidence.measurement, views=views)
        return replace(evidence, inspection=replace(evidence.inspection, measurement=measurement))

    said = " ".join(written_anew(copied(GREEN), change).problems)
    assert "the calibration of camera top is" in said and "measured with top-20200101t000000z-00000000" in said


def test_the_station_knows_better(place: Place, copied: Copy) -> None:
    """What fits together in itself, and still is not what the station recorded: shell id and time."""

    def change(evidence: Evidence) -> Evidence:
        return replace(evidence, inspection=replace(evidence.inspection, shell_id="L9999"))

    path = copied(GREEN)
    assert written_anew(path, change).intact
    with Store.open(place.data, read_only=True) as store:
        assert check_file(place.files[GREEN], store).intact
        assert check_file(path, store).problems == (
            "inspection 1 is another one in the station's record than in this file",
        )


def test_a_part_that_unpacks_without_end_is_refused(copied: Copy, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("edgeinspect.station.basis.GREATEST_BYTES", 1000)
    checked = check_file(copied(GREEN))
    assert not checked.intact and "unpacks to more than" in " ".join(checked.problems)


def test_a_name_in_the_basis_that_leaves_its_folder(copied: Copy) -> None:
    def change(evidence: Evidence) -> Evidence:
        assert evidence.basis is not None
        packed = io.BytesIO(evidence.basis)
        with zipfile.ZipFile(packed, "a") as file:
            file.writestr("shell/../../escaped.toml", "x")
        return replace(evidence, basis=packed.getvalue())

    path = copied(GREEN)
    evidence = open_file(path).evidence()
    checked = changed_part(path, "basis", lambda _: change(evidence).basis or b"")
    assert "is no name of a file" in " ".join(checked.problems)


def rezipped(content: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        assert name in old.namelist()
        for entry in old.infolist():
            inside = old.read(entry)
            if entry.filename == name:
                assert change(inside) != inside
                inside = change(inside)
            new.writestr(entry, inside)
    return packed.getvalue()
