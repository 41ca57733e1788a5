"""Try other limits on stored shells: what would turn red, what would pass, and what that costs. Changes nothing."""

from __future__ import annotations

import hashlib
import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Literal
from urllib.parse import urlencode

import numpy as np
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.process.limits import Limit, Limits, beyond_drawing, flaw_of, guard_group, limits_of
from edgeinspect.process.readings import Readings
from edgeinspect.process.risks import FEWEST, Estimate, Risks, SideRisk, risks
from edgeinspect.process.what_if import SURPRISING, Share, WhatIf, differ, earlier_and_later, what_if
from edgeinspect.store.limits import Revision
from edgeinspect.store.review_queue import Label
from edgeinspect.store.reviews import Reviews
from edgeinspect.web.asked_limits import ALL_ZONES, number
from edgeinspect.web.inspection_list import Asked
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.tuning_chart import Chart, chart_of, chart_of_flaws
from edgeinspect.web.tuning_flaws import FlawsSeen, beyond, flaws_seen
from edgeinspect.web.twin import as_json
from edgeinspect.web.what_if_parts import Count, Flips, counts_of, flips_of, populations, usual_shell

routes = APIRouter()
Text = Annotated[str, Field(max_length=64)]
KEPT = 8  # risks


class Tried(BaseModel):
    """What is tried, on which shells. Times are the station's own clock; limits in mm (deg of rotations)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    shell: Text = ""  # the first definition where nothing is asked
    variant: Text = ""
    since: Annotated[str, Field(alias="from", max_length=40)] = ""
    until: Annotated[str, Field(alias="to", max_length=40)] = ""
    labelled: Literal["", "only"] = ""  # only shells that a person has labelled good or truly bad
    exclude: Annotated[str, Field(max_length=4000)] = ""  # a line each: shell id, colon, why
    of: Annotated[str, Field(max_length=120)] = ALL_ZONES  # the characteristic whose limit is moved
    lower: Text = ""  # "" as it is in force
    upper: Text = ""
    guard_factor: Text = ""
    warning: Text = ""  # warning limit, both ways: inside it nothing needs to be said
    concession: Annotated[str, Field(max_length=80)] = ""  # its reference; needed to go beyond the drawing
    split: Literal["", "on"] = ""  # tune on the earlier 70 %, check on the later 30 %
    part: Literal["", "results"] = ""  # of the page


TriedHere = Annotated[Tried, Query()]


@dataclass(frozen=True)
class FourNumbers:
    """Kept apart. Infinite where there is none; None: none chosen."""

    unit: str
    drawing_lower: float
    drawing_upper: float
    lower_before: float  # inspection limits in force
    upper_before: float
    lower: float  # inspection limits as tried
    upper: float
    guard_factor: float
    guard: float | None  # median guard band of these shells
    warning: float | None
    beyond_warning: int  # shells that would pass and lie beyond the warning limit


@dataclass(frozen=True)
class ZoneRow:
    characteristic: str
    moved: bool
    bad_before: int
    bad_after: int
    close_before: int
    close_after: int
    none_before: int
    none_after: int
    green_after: Share
    ways: list[SideRisk]


@dataclass(frozen=True)
class Check:
    """Limits tuned on the earlier 70 % of the shells, on the later 30 %."""

    earlier: Share
    later: Share
    chance: float  # of shares so far apart if nothing had changed
    sentence: str


@dataclass(frozen=True)
class TuningRecord:
    """``/tune.json``: a study. Nothing of it is in force, nothing is recorded."""

    asked: dict[str, str]
    shell: str
    revision: str
    variants: list[str]
    characteristics: list[str]
    shells: int
    first_at: str | None
    last_at: str | None
    repeats: int  # earlier looks at the same shells, left out
    older_left_out: bool  # more fit than are read
    excluded: list[tuple[str, str, int]]  # shell id, why, how many of the shells
    labelled_bad: int
    labelled_good: int
    numbers: FourNumbers
    loud: list[str]  # warnings that must not be overlooked: shells that would pass, limits beyond the drawing
    warnings: list[str]  # the others
    counts: list[Count]
    green_before: Share
    green_after: Share
    false_accept: Estimate | None  # per shell; None: too few shells
    false_reject: Estimate | None
    zones: list[ZoneRow]
    flaws: FlawsSeen | None  # null: the limit that is moved is not one of flaws
    flips: list[Flips]
    check: Check | None
    chart: Chart | None
    beyond_drawing: list[str]  # not without a concession


def _exclusions(text: str) -> dict[str, str]:
    """Shell id and why; a reason is asked for. Raises InputError."""
    found, problems = {}, []
    for line in filter(None, map(str.strip, text.splitlines())):
        shell_id, _, why = (part.strip() for part in line.partition(":"))
        if not (shell_id and why):
            problems.append(f"exclude is {line!r}, must be a shell id, a colon and the reason")
        found[shell_id] = why
    if problems:
        raise InputError(problems)
    return found


def _moved(tried: Tried, limits: Limits) -> tuple[dict[str, Limit], list[str]]:
    """The limits as tried, and which were moved. Raises InputError."""
    names = [name for name in limits if name == tried.of or (tried.of == ALL_ZONES and name.startswith("zone "))]
    if not names:
        raise InputError(f"of is {tried.of!r}, must be one of: {', '.join([ALL_ZONES, *limits])}")
    after = dict(limits)
    for name in names:
        one = limits[name]
        lower = -math.inf if math.isinf(one.lower) else number("lower", tried.lower, one.lower)
        try:
            after[name] = Limit(
                lower,
                number("upper", tried.upper, one.upper),
                number("guard_factor", tried.guard_factor, one.guard_factor),
            )
        except ValueError as error:
            raise InputError(str(error)) from None
        if (flaw := flaw_of(name)) and after[name].upper <= 0:
            raise InputError(f"upper is {after[name].upper:g}, must be above 0: it is the {flaw[1]} of a {flaw[0]}")
    groups = {guard_group(name): after[name].guard_factor for name in names}
    for name, one in after.items():  # as it will be where it judges
        after[name] = replace(one, guard_factor=groups.get(guard_group(name), one.guard_factor))
    return after, names


class _Costs:
    """Risks worked out last: they take most of the time, and a limit of flaws that moves does not change them."""

    def __init__(self) -> None:
        self._kept: dict[tuple[object, ...], Risks | None] = {}
        self._lock = threading.Lock()

    def get(self, parts: Parts, readings: Readings, tolerance: Limits, limits: Limits) -> Risks | None:
        which = hashlib.sha256(readings.inspection_id.tobytes()).digest()  # what is stored of them never changes
        by = tuple((name, tolerance[name], limits[name]) for name in tolerance if not flaw_of(name))
        key = (str(parts.data), which, by)
        with self._lock:
            if key in self._kept:
                return self._kept[key]
        found = risks(readings, tolerance, limits)
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > KEPT:
                del self._kept[next(iter(self._kept))]
        return found


_costs = _Costs()


def _record(parts: Parts, tried: Tried) -> TuningRecord:
    names = parts.shells.names()
    if not names:
        raise InputError("there is no shell definition here")
    definition = parts.shells.definition(tried.shell or usual_shell(parts) or names[0])
    variants = list(dict.fromkeys(decal.variant for decal in definition.decals)) or [""]
    variant = tried.variant or variants[0]
    drawing = limits_of(definition, variant)
    in_effect = parts.limits.in_effect(definition.name)
    before = {**drawing, **({k: v for k, v in in_effect.changed.items() if k in drawing} if in_effect else {})}
    after, moved = _moved(tried, before)
    excluded = _exclusions(tried.exclude)
    asked = Asked.model_validate({"shell": definition.name, "from": tried.since, "to": tried.until})
    everybody = populations.get(parts, asked)
    labels = Reviews(parts.changes, parts.station.same_shell_h).labels()
    stands = [labels[i].label if i in labels else None for i in everybody.readings.inspection_id.tolist()]
    kept = np.array([shell_id not in excluded for shell_id in everybody.shell_ids], dtype=bool)
    if tried.labelled:
        kept &= np.array([label in (Label.GOOD, Label.TRULY_BAD) for label in stands], dtype=bool)
    which = np.flatnonzero(kept)
    readings = everybody.readings.part(which)
    said = [stands[i] for i in which.tolist()]
    bad, good = (np.array([label is wanted for label in said], dtype=bool) for wanted in (Label.TRULY_BAD, Label.GOOD))
    found = what_if(readings, before, after, bad=bad, good=good)
    tuned = readings
    check = None
    if tried.split and len(readings) > 1:
        tuned, later = earlier_and_later(readings)
        check = _check(what_if(tuned, before, after).green_after, what_if(later, before, after).green_after)
    costs = _costs.get(parts, tuned, drawing, after)
    numbers = _four_numbers(tried, drawing, before, after, moved, readings, found, _warning_now(in_effect, moved))
    out_of_drawing = beyond_drawing({name: after[name] for name in moved}, drawing)
    loud, quiet = _warnings(found, out_of_drawing, tried, check, costs, len(tuned))
    flaw, flaws = flaw_of(moved[0]), readings.all_flaws
    shown = numbers.guard or 0.0, numbers.warning
    at = [everybody.finished_at[i] for i in which.tolist()]
    return TuningRecord(
        asked={k: v for k, v in tried.model_dump(by_alias=True, exclude={"part"}).items() if v},
        shell=definition.name,
        revision=definition.revision,
        variants=variants,
        characteristics=[ALL_ZONES, *drawing],
        shells=len(readings),
        first_at=at[0] if at else None,
        last_at=at[-1] if at else None,
        repeats=everybody.repeats,
        older_left_out=everybody.more,
        excluded=[(one, why, everybody.shell_ids.count(one)) for one, why in excluded.items()],
        labelled_bad=int(bad.sum()),
        labelled_good=int(good.sum()),
        numbers=numbers,
        loud=loud,
        warnings=quiet,
        counts=counts_of(found),
        green_before=found.green_before,
        green_after=found.green_after,
        false_accept=costs.false_accept if costs else None,
        false_reject=costs.false_reject if costs else None,
        zones=_zones(found, costs, moved),
        flaws=flaws_seen(flaws, *flaw, after) if flaw else None,
        flips=flips_of(parts, found, [everybody.shell_ids[i] for i in which.tolist()], said,
                       readings.inspection_id.tolist()),
        check=check,
        chart=chart_of_flaws(flaws, *flaw, drawing, before, after, *shown) if flaw else chart_of(
            readings, tried.of, moved, numbers.unit, drawing[moved[0]], before[moved[0]], after[moved[0]], *shown),
        beyond_drawing=out_of_drawing,
    )  # fmt: skip


def _check(earlier: Share, later: Share) -> Check:
    chance = differ(earlier, later)
    verdict = "The later shells agree" if chance >= SURPRISING else "The later shells differ: something has changed"
    return Check(earlier, later, chance, f"{verdict} (so far apart by chance in {100 * chance:.1f} % of cases)")


def _warning_now(in_effect: Revision | None, moved: Sequence[str]) -> float | None:
    known = {one.characteristic: one.warning for one in in_effect.proposal.limits} if in_effect else {}
    return known.get(moved[0])


def _four_numbers(
    tried: Tried,
    drawing: Limits,
    before: Limits,
    after: Limits,
    moved: Sequence[str],
    readings: Readings,
    found: WhatIf,
    warning_now: float | None,
) -> FourNumbers:
    one, old, new = drawing[moved[0]], before[moved[0]], after[moved[0]]
    columns = [k for k, name in enumerate(readings.characteristics) if name in moved]
    unit = readings.units[columns[0]] if columns else "mm"
    us = readings.u_most[:, columns][readings.has_numbers[:, columns]]
    warning = number("warning", tried.warning, math.nan) if tried.warning else warning_now
    off: NDArray[np.bool_] = np.zeros(len(readings), np.bool_)
    if flaw := flaw_of(moved[0]):
        flaws = readings.all_flaws
        us = flaws.size(flaw[1])[1][flaws.of_kind(flaw[0])]
        off = off if warning is None else beyond(flaws, *flaw, warning)
    elif warning is not None and columns:
        most, least = readings.most[:, columns], readings.least[:, columns]
        off = np.any((most > warning) | (least < -warning), axis=1)
    return FourNumbers(
        unit, one.lower, one.upper, old.lower, old.upper, new.lower, new.upper, new.guard_factor,
        float(new.guard_factor * np.median(us)) if us.size else None, warning,
        int(np.count_nonzero(off & (found.severity_after == 0))),
    )  # fmt: skip


def _warnings(
    found: WhatIf, beyond: Sequence[str], tried: Tried, check: Check | None, costs: Risks | None, tuned: int
) -> tuple[list[str], list[str]]:
    loud = [sentence for sentence in found.warnings if "would pass" in sentence]
    rest = _few([sentence for sentence in found.warnings if sentence not in loud])
    if beyond and not tried.concession.strip():
        more = f" (and {len(beyond) - 1} more)" if len(beyond) > 1 else ""
        loud.append(f"{beyond[0]}{more}: not without a concession reference")
    if check is not None and check.chance < SURPRISING:
        rest.append(check.sentence)
    if costs is not None:
        rest += costs.warnings
    elif found.shells:
        rest.append(f"Risks need {FEWEST} shells with every number: of the {tuned} here too few have")
    return loud, rest


def _few(sentences: Sequence[str]) -> list[str]:
    """A limit of all zones may lie beyond the data of many of them: two are told, the others counted."""
    beyond = [sentence for sentence in sentences if "beyond the data" in sentence]
    told = [sentence for sentence in sentences if sentence not in beyond] + beyond[:2]
    return told + ([f"and beyond the data of {len(beyond) - 2} more"] if len(beyond) > 2 else [])


def _zones(found: WhatIf, costs: Risks | None, moved: Sequence[str]) -> list[ZoneRow]:
    ways: dict[str, list[SideRisk]] = {}
    for side in costs.sides if costs else ():
        ways.setdefault(side.characteristic, []).append(side)
    kinds = [*moved, *(flaw[0] for flaw in map(flaw_of, moved) if flaw)]
    bad, close, none = Answer.NONCONFORMING, Answer.NOT_PROVEN, Answer.NO_RESULT
    rows = [
        ZoneRow(
            zone.characteristic, zone.characteristic in kinds, zone.before[bad], zone.after[bad], zone.before[close],
            zone.after[close], zone.before[none], zone.after[none], zone.green_after, ways.get(zone.characteristic, []),
        )
        for zone in found.zones
    ]  # fmt: skip
    return sorted(rows, key=lambda row: (not row.moved, -row.bad_after, -row.close_after))


@routes.get("/tune", response_class=HTMLResponse)
def tuning_page(request: Request, parts: PartsHere, tried: TriedHere) -> Response:
    record = _record(parts, tried)
    shown = {**Tried().model_dump(by_alias=True), **record.asked, "shell": record.shell}
    twin = f"/tune.json?{urlencode(record.asked)}"
    return parts.pages.TemplateResponse(
        request,
        "tuning_results.html" if tried.part else "tuning.html",
        {"record": record, "asked": shown, "shells": parts.shells.names(), "twin": twin, "here": "tune"},
    )


@routes.get("/tune.json", response_model=TuningRecord)
def tuning_record(parts: PartsHere, tried: TriedHere) -> Response:
    return as_json(_record(parts, tried))
