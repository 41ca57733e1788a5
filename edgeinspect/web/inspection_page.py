"""One inspection: what was asked, what was measured, how it was judged, and what made it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePath
from typing import Annotated

from fastapi import APIRouter, HTTPException, Path, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response

from edgeinspect.evidence.page import issue
from edgeinspect.gauge.budget_map import budget_map
from edgeinspect.inspection import Inspection
from edgeinspect.interface import inspection_document, inspection_schema
from edgeinspect.store.files import plain_name
from edgeinspect.web.budget import budget_chart
from edgeinspect.web.drawing import ribbon_png
from edgeinspect.web.inspection_record import InspectionRecord, inspection_record
from edgeinspect.web.look import iso_time
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.twin import as_json

routes = APIRouter(prefix="/inspections")

InspectionId = Annotated[int, Path(ge=1, le=2**62)]
Name = Annotated[str, Path(pattern=r"^[A-Za-z0-9_.-]{1,64}$")]


def _found(parts: Parts, inspection_id: int) -> Inspection:
    return there(parts.recent.inspection(inspection_id), inspection_id)


def there(inspection: Inspection | None, inspection_id: int) -> Inspection:
    if inspection is None:
        raise HTTPException(404, f"There is no inspection {inspection_id}.")
    return inspection


@routes.get("/{inspection_id}.json", response_model=InspectionRecord)
def inspection_twin(parts: PartsHere, inspection_id: InspectionId) -> Response:
    return as_json(inspection_record(parts, _found(parts, inspection_id)))


@routes.get(
    "/{inspection_id}/record.json",
    responses={200: {"content": {"application/json": {"schema": inspection_schema()}}}},
)
def whole_record(parts: PartsHere, inspection_id: InspectionId, ribbons: bool = False) -> JSONResponse:
    """Everything that was measured and how it was judged, profiles and edge points included, as documented by
    ``edgeinspect schema inspection``. The levels of the ribbons only when asked for.
    """
    found = _found(parts, inspection_id)
    if not ribbons:
        found = replace(found, measurement=replace(found.measurement, ribbons=()))
    return JSONResponse(inspection_document(found))


@routes.get("/{inspection_id}/pictures/{camera}.jpg")
def view(parts: PartsHere, inspection_id: InspectionId, camera: Name) -> Response:
    """The JPEG for looking."""
    content = parts.store.view(inspection_id, camera)
    if content is None:
        raise HTTPException(404, f"There is no picture of camera {camera} for inspection {inspection_id}.")
    return Response(content, media_type="image/jpeg")


@routes.get("/{inspection_id}/pictures/{camera}/original")
def original(parts: PartsHere, inspection_id: InspectionId, camera: Name) -> Response:
    """The file that was measured, as it came in."""
    content = parts.store.picture(inspection_id, camera)
    name = parts.store.picture_name(inspection_id, camera)
    if content is None or name is None:
        raise HTTPException(404, f"The original picture of camera {camera} is not kept for inspection {inspection_id}.")
    kind = {".png": "image/png", ".webp": "image/webp"}.get(PurePath(name).suffix.lower(), "image/tiff")
    safe = "".join(letter if letter.isascii() and (letter.isalnum() or letter in "._-") else "_" for letter in name)
    return Response(content, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{safe}"'})


@routes.get("/{inspection_id}/evidence.html", response_class=Response)
def evidence(parts: PartsHere, inspection_id: InspectionId) -> Response:
    """One file with all that is known of this look, to be sent to a customer; see ``edgeinspect check-evidence``."""
    found = there(parts.store.inspection(inspection_id, ribbons=False), inspection_id)
    text = issue(parts.store, parts.station, inspection_id, iso_time(parts.clock()))
    name = f"evidence_{plain_name(found.shell_id)}_{inspection_id}.html"
    return Response(text, media_type="text/html", headers={"Content-Disposition": f'attachment; filename="{name}"'})


@routes.get("/{inspection_id}/ribbons/{number}.png")
def ribbon(parts: PartsHere, inspection_id: InspectionId, number: Annotated[int, Path(ge=0, le=999)]) -> Response:
    """One ribbon, by its place in the record."""
    ribbons = _found(parts, inspection_id).measurement.ribbons
    if number >= len(ribbons):
        raise HTTPException(404, f"Inspection {inspection_id} keeps {len(ribbons)} ribbons.")
    return Response(ribbon_png(ribbons[number]), media_type="image/png")


@routes.get("/{inspection_id}", response_class=HTMLResponse)
def inspection_page(request: Request, parts: PartsHere, inspection_id: InspectionId) -> Response:
    found = parts.store.inspection(inspection_id, ribbons=False)
    record = inspection_record(parts, there(found, inspection_id), drawn=False)
    chart = None
    if found is not None and record.budget is not None:
        definition = parts.shells.as_judged(record.shell, record.definition_sha256)
        along = None if definition is None else budget_map(found.measurement, definition)
        if along is not None and definition is not None:
            chart = budget_chart(along, definition, parts.plans.bare(definition))
    context = {"record": record, "chart": chart, "here": "inspections"}
    return parts.pages.TemplateResponse(request, "inspection.html", context)
