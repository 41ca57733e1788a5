"""What uncertainty is to be expected of a shell, before the first one is cut."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response

from edgeinspect.errors import InputError
from edgeinspect.gauge.foreseen import Foreseen, foresee
from edgeinspect.inspection import Expected
from edgeinspect.measure.imagined import CONTRAST, Conditions
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.station.run import expected_temperature, get_ready
from edgeinspect.station.thermometer import HIGHEST_C, LOWEST_C
from edgeinspect.web.budget import BudgetRecord, budget_chart, budget_record
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.shells import Choice
from edgeinspect.web.twin import as_json

KEPT = 16  # answers; each takes a second or more of computing

routes = APIRouter()

ShellName = Annotated[str, Query(max_length=64)]
Contrast = Annotated[float, Query(ge=0.02, le=0.9, allow_inf_nan=False)]
Celsius = Annotated[float | None, Query(ge=LOWEST_C, le=HIGHEST_C, allow_inf_nan=False)]


@dataclass(frozen=True)
class UncertaintyRecord:
    """``/uncertainty.json``: what is to be expected before any shell of this kind was looked at."""

    shell: str
    title: str
    variant: str
    definition_sha256: str
    calibrations: list[str]  # ids of those in use
    contrast: float  # of the sheet against the plate, share of full scale
    temperature_c: float | None  # null: not stated, the station's range counts
    problem: str  # why nothing can be told; "" otherwise
    budget: BudgetRecord | None
    problems: list[str]  # what could not be measured even on the imagined picture
    missing: list[str]  # characteristics without an answer
    assumed: list[str]
    not_foreseen: list[str]


_kept: OrderedDict[tuple[Any, ...], Foreseen] = OrderedDict()
_lock = threading.Lock()  # one at a time: it takes a whole core


def _asked(
    parts: Parts, shell: str, variant: str, contrast: float, celsius: float | None
) -> tuple[UncertaintyRecord, Foreseen | None, ShellDefinition | None, list[Choice]]:
    choices, _ = parts.shells.choices()
    if not choices:
        raise InputError("no shell definition can be read: check it with check-shell")
    chosen = next((one for one in choices if one.shell == shell and variant in ("", one.variant)), None)
    if shell and chosen is None:
        known = ", ".join(f"{one.shell}/{one.variant}" for one in choices)
        raise InputError(f"shell is {shell!r} with decal {variant!r}, must be one of {known}")
    chosen = chosen or choices[0]
    folder = parts.data / parts.station.folders.calibrations
    expected = Expected(chosen.shell, chosen.variant, celsius)
    ready = get_ready(parts.station, expected, folder, parts.store.calibrations.in_use())
    definition = ready.definition
    sha256 = definition.sha256 if definition else ""
    ids = [one.calibration_id for one in ready.kept_calibrations]
    head = (chosen.shell, chosen.title, chosen.variant, sha256, ids, contrast, celsius)
    if ready.stop is not None or ready.gauge is None or definition is None:
        why = f"{ready.stop.reason}: {ready.stop.action}" if ready.stop else "the station is not ready"
        return UncertaintyRecord(*head, why, None, [], [], [], []), None, None, choices
    temperature = expected_temperature(ready, parts.data, parts.clock().isoformat())
    key = (sha256, chosen.variant, *ids, contrast, temperature, parts.station.sha256)
    with _lock:
        found = _kept.get(key)
        if found is None:
            found = foresee(ready.gauge, chosen.variant, temperature, Conditions(contrast=contrast))
            _kept[key] = found
            while len(_kept) > KEPT:
                _kept.popitem(last=False)
    budget = budget_record(
        found.rows, found.along, definition, parts.store.repeatability(chosen.shell, parts.station.same_shell_h)
    )
    rest = list(found.problems), list(found.missing), list(found.assumed), list(found.not_foreseen)
    return UncertaintyRecord(*head, "", budget, *rest), found, definition, choices


@routes.get("/uncertainty.json", response_model=UncertaintyRecord)
def uncertainty_record(
    parts: PartsHere,
    shell: ShellName = "",
    variant: ShellName = "",
    contrast: Contrast = CONTRAST,
    celsius: Celsius = None,
) -> Response:
    return as_json(_asked(parts, shell, variant, contrast, celsius)[0])


@routes.get("/uncertainty", response_class=HTMLResponse)
def uncertainty_page(
    request: Request,
    parts: PartsHere,
    shell: ShellName = "",
    variant: ShellName = "",
    contrast: Contrast = CONTRAST,
    celsius: Celsius = None,
) -> Response:
    """Which limits can be measured at all, zone by zone, before the first shell is cut."""
    record, found, definition, choices = _asked(parts, shell, variant, contrast, celsius)
    chart = None
    if found is not None and found.along is not None and definition is not None:
        chart = budget_chart(found.along, definition, parts.plans.bare(definition))
    context = {"record": record, "chart": chart, "choices": choices, "here": "uncertainty"}
    return parts.pages.TemplateResponse(request, "uncertainty.html", context)
