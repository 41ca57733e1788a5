"""A real inspection as other programs get it: it fits its schema, and its numbers are those of the truth file."""

from __future__ import annotations

import copy
import json
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.interface import inspection_document, inspection_schema

from . import looks

MEASURED, DARK = "L1003", "L1009"


def inspection_of(shell_id: str) -> Inspection:
    look = looks.look(shell_id)
    picture = PictureFile("top", f"{shell_id}_top.png", "ab" * 32, "cd" * 32, "2026-11-25T10:00:00.000000Z")
    times = ("2026-11-25T10:00:00.100000Z", "2026-11-25T10:00:00.200000Z")
    expected = Expected("toplid", "standard", look.measurement.temperature_c)
    return Inspection(
        shell_id, 1, "cell-1", *times, expected, (picture,), look.measurement, look.verdict, "0.1.0", inspection_id=7
    )


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    """Only what comes through as JSON, and JSON of the standard: without nan."""
    whole: dict[str, Any] = json.loads(json.dumps(inspection_document(inspection_of(MEASURED)), allow_nan=False))
    return whole


@pytest.fixture(scope="module")
def short(document: dict[str, Any]) -> dict[str, Any]:
    """With every hundredth station: judging all of them takes seconds."""

    def thinned(value: Any) -> Any:
        if isinstance(value, list):
            return [thinned(item) for item in (value[::100] if len(value) > 50 else value)]
        return {key: thinned(item) for key, item in value.items()} if isinstance(value, dict) else value

    thin: dict[str, Any] = thinned(document)
    return thin


@pytest.fixture(scope="module")
def validator() -> Draft202012Validator:
    return Draft202012Validator(inspection_schema())


def test_it_fits_its_schema(document: dict[str, Any], validator: Draft202012Validator) -> None:
    assert list(validator.iter_errors(document)) == []


def test_a_shell_that_could_not_be_measured_fits_too(validator: Draft202012Validator) -> None:
    document = inspection_document(inspection_of(DARK))
    assert document["verdict"]["answer"] == "NO RESULT" and document["measurement"]["stops"]
    assert list(validator.iter_errors(document)) == []


DAMAGE = [
    (("format",), 2),
    (("verdict", "answer"), "GREEN"),
    (("measurement", "temperature_c"), "22"),
    (("measurement", "profiles", 0, "frame"), "table"),
    (("measurement", "profiles", 0, "arc_mm"), 1.0),
    (("measurement", "profiles", 0, "flags"), [0.5]),
    (("measurement", "traces", 0, "point_mm", 0), [1.0, 2.0]),
    (("measurement", "traces", 0, "pixel"), [[[1.0, 2.0]]]),
    (("measurement", "cut", "shift"), {"dx_mm": 0.0}),
    (("measurement", "zones", 0, "surprise"), 1),
    (("shell_id",), None),
]


@pytest.mark.parametrize(("place", "wrong"), DAMAGE)
def test_the_schema_refuses_anything_else(
    short: dict[str, Any], validator: Draft202012Validator, place: tuple[Any, ...], wrong: object
) -> None:
    damaged = copy.deepcopy(short)
    assert validator.is_valid(damaged)
    inner: Any = damaged
    for step in place[:-1]:
        inner = inner[step]
    inner[place[-1]] = wrong
    assert not validator.is_valid(damaged)


def test_a_missing_key_is_refused(short: dict[str, Any], validator: Draft202012Validator) -> None:
    for key in short:
        assert not validator.is_valid({name: value for name, value in short.items() if name != key}), key


def test_everything_measured_is_in_it(document: dict[str, Any]) -> None:
    measurement = document["measurement"]
    assert {profile["frame"] for profile in measurement["profiles"]} == {"datum", "fixture", "best_fit"}
    rim = next(trace for trace in measurement["traces"] if trace["curve"] == "rim")
    for profile in measurement["profiles"]:
        stations = {len(profile[key]) for key in ("arc_mm", "deviation_mm", "u_mm", "flags")}
        assert stations == {len(rim["arc_mm"])}
        for key in ("arc_mm", "deviation_mm", "u_mm"):
            kept = getattr(_profile(profile["frame"]), key)
            got = np.array(profile[key], dtype=float)  # None becomes nan
            np.testing.assert_allclose(got, kept, atol=1e-6, rtol=1e-6)
        assert profile["flags"] == rim["flags"]
    assert len(measurement["zones"]) == 14 and len(measurement["cutouts"]) == 3 and len(measurement["decals"]) == 1
    assert {finding["characteristic"] for finding in document["verdict"]["findings"]} >= {"path shift", "path rotation"}


def _profile(frame: str) -> Any:
    return next(one for one in looks.look(MEASURED).measurement.profiles if one.frame == frame)


def test_a_reader_of_the_json_alone_finds_the_answer_of_the_truth_file(document: dict[str, Any]) -> None:
    """Truth: sample_images/truth.json, written from the scene without edgeinspect's measuring code."""
    assert document["verdict"]["answer"] == looks.truth().shells[MEASURED]["expected"]["answer"]
    limits = [f for f in document["verdict"]["findings"] if f["unit"] == "mm" and f["upper"] is not None and f["u"]]
    assert limits
    for finding in limits:
        low = -np.inf if finding["lower"] is None else finding["lower"]
        inside = low + finding["guard"] <= finding["value"] <= finding["upper"] - finding["guard"]
        assert (finding["answer"] == "CONFORMING") is inside, finding["characteristic"]
