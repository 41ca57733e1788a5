"""What machines are told of the pages: OpenAPI, and whether the pages keep to it.

Judge: the jsonschema library, JSON Schema draft 2020-12, which OpenAPI 3.1 uses as it is.
"""

from __future__ import annotations

import json
import re
from typing import Any

import httpx
import pytest
from jsonschema import Draft202012Validator

from edgeinspect.interface import inspection_schema

from .conftest import Plant
from .test_routes import _routes


def test_every_json_route_is_in_openapi(plant: Plant, client: httpx.Client) -> None:
    document = client.get("/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    routes = {(route.path, method.lower()) for route in _routes(plant) for method in route.methods}
    json_routes = {(path, method) for path, method in routes if path.endswith(".json")}
    assert len(json_routes) >= 5
    told = {(path, method) for path, item in document["paths"].items() for method in item}
    assert json_routes <= told <= routes


def test_openapi_needs_nothing_from_outside(client: httpx.Client) -> None:
    """Identifiers of the standard are names, not addresses that anybody asks."""
    text = client.get("/openapi.json").text
    assert set(re.findall(r"https?://[^\"]*", text)) <= {"https://json-schema.org/draft/2020-12/schema"}
    assert {client.get(path).status_code for path in ("/docs", "/redoc")} == {404}


def test_openapi_holds_the_schema_that_the_command_prints(client: httpx.Client) -> None:
    content = client.get("/openapi.json").json()["paths"]["/inspections/{inspection_id}/record.json"]["get"]
    told = content["responses"]["200"]["content"]["application/json"]["schema"]
    assert told == json.loads(json.dumps(inspection_schema()))


def fits(openapi: dict[str, Any], path: str, answer: object) -> list[str]:
    schema = openapi["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
    whole = {**schema, "components": openapi["components"]}
    return [f"{error.json_path}: {error.message}" for error in Draft202012Validator(whole).iter_errors(answer)]


def test_the_pages_keep_to_openapi(plant: Plant, client: httpx.Client) -> None:
    openapi = client.get("/openapi.json").json()
    for number, kind in enumerate(("bad", "decal", "none"), start=1):
        plant.save(kind, f"L-{number}")
        for path in ("/station.json", "/inspections.json", "/inspections/{inspection_id}.json", "/health.json"):
            answer = client.get(path.replace("{inspection_id}", str(number)))
            assert fits(openapi, path, answer.json()) == [], (path, kind)


@pytest.mark.parametrize("kind", ["bad", "none"])
def test_the_whole_record_fits_its_schema(plant: Plant, client: httpx.Client, kind: str) -> None:
    kept = plant.save(kind)
    record = client.get("/inspections/1/record.json").json()
    assert fits(client.get("/openapi.json").json(), "/inspections/{inspection_id}/record.json", record) == []
    assert record["verdict"]["sentence"] == kept.verdict.sentence
    assert record["inspection_id"] == 1 and record["measurement"]["ribbons"] == []
    profiles = record["measurement"]["profiles"]
    assert [len(one["arc_mm"]) for one in profiles] == [len(one.arc_mm) for one in kept.measurement.profiles]


def test_ribbons_come_when_asked_for(plant: Plant, client: httpx.Client) -> None:
    kept = plant.save("good").measurement.ribbons[0]
    record = client.get("/inspections/1/record.json", params={"ribbons": True}).json()
    levels = record["measurement"]["ribbons"][0]["levels"]
    assert (len(levels), len(levels[0])) == kept.levels.shape
    assert levels[3][4] == pytest.approx(float(kept.levels[3, 4]), abs=1e-6)


def test_a_record_that_is_not_there(client: httpx.Client) -> None:
    answer = client.get("/inspections/9/record.json")
    assert answer.status_code == 404 and answer.json()["error"]["problems"] == ["There is no inspection 9."]
