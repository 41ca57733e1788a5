"""Which limits judge, who proposed and approved them, what was predicted and what came; and the way back."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.process.limits import Limit, guard_group, limits_of, with_limits
from edgeinspect.process.what_if import SURPRISING, Share, counted, differ, severities, share
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.store.limits import FIRST, ChangedLimit, Proposal, Revision, Use
from edgeinspect.store.people import Person, Role
from edgeinspect.store.search import Wanted
from edgeinspect.web.asked_limits import ALL_ZONES, number
from edgeinspect.web.look import LOOKS, iso_time, local_time, parse_time
from edgeinspect.web.parts import Parts, PartsHere
from edgeinspect.web.sign_in import person

MOST = 10_000  # shells that a prediction is made of: the newest

routes = APIRouter()
Approver = Annotated[Person, Depends(person(Role.ENGINEER, Role.QUALITY))]
Words = Annotated[str, Form(max_length=400)]
Name = Annotated[str, Form(max_length=120)]
Number = Annotated[int, Form(ge=1, le=2**62)]


@dataclass(frozen=True)
class AnswerRow:
    """How often one answer came, against what was predicted."""

    key: str
    word: str
    predicted: Share
    came: Share  # with its exact interval (Clopper and Pearson, 95 %)
    chance: float  # of shares so far apart if nothing had changed (Fisher's exact test)
    surprising: bool


@dataclass(frozen=True)
class RevisionRow:
    revision: Revision
    uses: list[Use]  # the first one first
    judged: int  # of the first shells afterwards
    answers: list[AnswerRow]
    concession: bool  # it goes beyond the drawing: quality must approve
    another_definition: bool  # it is based on another one than that of now


@dataclass(frozen=True)
class LimitsPageRecord:
    """``/limits.json``. Lengths in mm, rotations in deg; null where there is no limit."""

    shell: str
    shells: list[str]
    definition_revision: str
    definition_sha256: str
    in_effect: int | None  # revision of the limits; null: the definition's own
    waiting: Use | None  # approved, and begins with a shell that has not come yet
    returns_to: int | None  # by one click; null: the definition's own limits
    can_return: bool
    limits: list[ChangedLimit]  # of every characteristic, in effect
    proposed: list[RevisionRow]
    decided: list[RevisionRow]  # newest first
    first: int  # shells afterwards that are held against the prediction


def _record(parts: Parts, shell: str) -> LimitsPageRecord:
    names = list(parts.shells.names())
    if not names:
        raise InputError("there is no shell definition here")
    definition = parts.shells.definition(shell or names[0])
    limits = parts.limits
    now, waiting, uses = (
        limits.in_effect(definition.name),
        limits.waiting(definition.name),
        limits.uses(definition.name),
    )
    rows = [_row(parts, one, uses, definition) for one in limits.revisions(definition.name)]
    former = (now.revision_id if now else None) if waiting else (now.former_id if now else None)
    return LimitsPageRecord(
        shell=definition.name,
        shells=names,
        definition_revision=definition.revision,
        definition_sha256=definition.sha256,
        in_effect=now.revision_id if now else None,
        waiting=waiting,
        returns_to=former,
        can_return=waiting is not None or now is not None,
        limits=_all_limits(definition, now),
        proposed=[row for row in rows if not row.uses],
        decided=[row for row in rows if row.uses],
        first=FIRST,
    )


def _row(parts: Parts, revision: Revision, uses: tuple[Use, ...], definition: ShellDefinition) -> RevisionRow:
    own = [use for use in reversed(uses) if use.revision_id == revision.revision_id]
    came = parts.limits.first_shells(revision)
    of = sum(came.values())
    predicted = revision.proposal.prediction
    expected_of = sum(predicted.values())
    answers = []
    for answer, look in LOOKS.items():
        told, found = share(predicted.get(answer, 0), expected_of), share(came[answer], of)
        chance = differ(told, found) if of and expected_of else math.nan
        answers.append(AnswerRow(look.key, look.word, told, found, chance, chance < SURPRISING))
    return RevisionRow(
        revision,
        own,
        of,
        answers,
        any(one.beyond_drawing for one in revision.proposal.limits),
        revision.proposal.definition_sha256 != definition.sha256,
    )


def _drawing(definition: ShellDefinition) -> dict[str, Limit]:
    variants = sorted({decal.variant for decal in definition.decals}) or [""]
    return {name: limit for variant in variants for name, limit in limits_of(definition, variant).items()}


def _all_limits(definition: ShellDefinition, now: Revision | None) -> list[ChangedLimit]:
    changed = {one.characteristic: one for one in now.proposal.limits} if now else {}
    return [changed.get(name, _unchanged(name, limit)) for name, limit in _drawing(definition).items()]


def _unchanged(name: str, limit: Limit) -> ChangedLimit:
    lower, upper = _finite(limit.lower), _finite(limit.upper)
    return ChangedLimit(name, lower, upper, lower, upper, limit.guard_factor, None)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


@routes.get("/limits", response_class=HTMLResponse)
def limits_page(request: Request, parts: PartsHere, shell: Annotated[str, Query(max_length=64)] = "") -> Response:
    record = _record(parts, shell)
    content = {"record": record, "all_zones": ALL_ZONES, "here": "limits"}
    return parts.pages.TemplateResponse(request, "limits.html", content)


@routes.get("/limits.json")
def limits_record(parts: PartsHere, shell: Annotated[str, Query(max_length=64)] = "") -> LimitsPageRecord:
    return _record(parts, shell)


# -- change


@routes.post("/limits/propose")
def propose(
    parts: PartsHere,
    who: Approver,
    shell: Name,
    of: Name,
    reason: Words,
    lower: Name = "",
    upper: Name = "",
    guard_factor: Name = "",
    warning: Name = "",
    concession: Name = "",
    since: Annotated[str, Form(alias="from", max_length=40)] = "",
    until: Annotated[str, Form(alias="to", max_length=40)] = "",
    exclude: Annotated[str, Form(max_length=4000)] = "",
) -> Response:
    """Other limits of one characteristic, or of all zones, on top of what is in effect; what stays empty stays.

    The prediction is made here, of stored shells judged again; those whose id is in a line of ``exclude`` are left
    out ("id: why").
    """
    definition = parts.shells.definition(shell)
    now = parts.limits.in_effect(shell)
    before = {one.characteristic: one for one in _all_limits(definition, now)}
    names = [name for name in before if name == of or (of == ALL_ZONES and name.startswith("zone "))]
    if not names:
        raise InputError(f"of is {of!r}, must be one of: {', '.join([ALL_ZONES, *before])}")
    changed = {one.characteristic: one for one in now.proposal.limits} if now else {}
    sharing = {other for name in names for other in _sharing(name)} & before.keys()
    groups = {guard_group(name) for name in names}
    for name, one in before.items():
        new = one if name not in sharing else _other_limits(one, lower, upper, warning, concession)
        if guard_group(name) in groups:
            new = replace(new, guard_factor=number("guard_factor", guard_factor, one.guard_factor))
        if new != one:
            changed[name] = new
    if tuple(changed.values()) == (now.proposal.limits if now else ()):
        raise InputError("nothing differs from the limits in effect: give another number")
    population, prediction = _predicted(parts, definition, tuple(changed.values()), since, until, exclude)
    asked = Proposal(shell, definition.sha256, tuple(changed.values()), reason, population, prediction)
    parts.limits.propose(asked, iso_time(parts.clock()), who.who)
    return _back(shell)


@routes.post("/limits/approve")
def approve(
    parts: PartsHere,
    who: Approver,
    revision_id: Number,
    from_shell_id: Annotated[str, Form(max_length=64, pattern=r"^[A-Za-z0-9_. -]*$")] = "",
    reason: Words = "",
) -> Response:
    shell = parts.limits.one(revision_id).proposal.shell
    sha256, at = parts.shells.definition(shell).sha256, iso_time(parts.clock())
    parts.limits.approve(revision_id, sha256, at, who.who, from_shell_id=from_shell_id, reason=reason)
    return _back(shell)


@routes.post("/limits/refuse")
def refuse(parts: PartsHere, who: Approver, revision_id: Number, reason: Words) -> Response:
    parts.limits.refuse(revision_id, reason, iso_time(parts.clock()), who.who)
    return _back(parts.limits.one(revision_id).proposal.shell)


@routes.post("/limits/return")
def go_back(parts: PartsHere, who: Approver, shell: Name, reason: Words = "") -> Response:
    """To the former limits, from the next shell on."""
    parts.limits.go_back(shell, reason, iso_time(parts.clock()), who.who)
    return _back(shell)


def _back(shell: str) -> Response:
    return RedirectResponse(f"/limits?{urlencode({'shell': shell})}", status_code=303)


def _other_limits(one: ChangedLimit, lower: str, upper: str, warning: str, concession: str) -> ChangedLimit:
    """What is empty stays; what has one number both ways follows the upper one."""
    top = None if one.upper is None else number("upper", upper, one.upper)
    low = None if one.lower is None else number("lower", lower, one.lower)
    if one.characteristic.startswith(("path rotation", "decal ")) and not lower.strip() and top is not None:
        low = -top
    warned, reference = number("warning", warning, one.warning), concession.strip() or one.concession
    return replace(one, lower=low, upper=top, warning=warned, concession=reference)


def _sharing(name: str) -> tuple[str, ...]:
    """The characteristics that have one and the same limit in a definition."""
    for one, other in ((" length", " width"), (" across", " up")):
        for end, pair in ((one, other), (other, one)):
            if name.endswith(end) and not name.startswith("zone "):
                return name, name.removesuffix(end) + pair
    return (name,)


def _predicted(
    parts: Parts,
    definition: ShellDefinition,
    changed: tuple[ChangedLimit, ...],
    since: str,
    until: str,
    exclude: str,
) -> tuple[str, dict[Answer, int]]:
    """Of which shells, in words, and what they would be. Raises InputError: limits that cannot be."""
    try:
        made = with_limits(definition, {one.characteristic: one.limit for one in changed})
    except ValueError as error:
        raise InputError(str(error)) from None
    left_out = {line.partition(":")[0].strip() for line in exclude.splitlines() if line.strip()}
    wanted = Wanted(shell=definition.name, since=_utc("from", since), until=_utc("to", until))
    found = parts.store.population(wanted, MOST, parts.station.same_shell_h)
    kept = [k for k, shell_id in enumerate(found.shell_ids) if shell_id not in left_out]
    _, answers = severities(found.readings, _drawing(made))
    prediction = counted(answers[kept])
    if not kept:
        return f"no shells of {definition.name} are stored yet", prediction
    first, last = (local_time(found.finished_at[k])[:16] for k in (kept[0], kept[-1]))
    words = f"{len(kept)} shells of {definition.name}, {first} to {last}"
    if out := len(found.shell_ids) - len(kept):
        words += f", without {out} excluded: {'; '.join(exclude.splitlines())[:300]}"
    return words, prediction


def _utc(name: str, local: str) -> str | None:
    """A time of the station's own clock, as the record compares it."""
    if not local.strip():
        return None
    try:
        return iso_time(parse_time(local.strip())).removesuffix("Z")
    except (ValueError, OverflowError):
        raise InputError(f"{name} is {local!r}, must be a date, as 2026-11-25, or a date and a time") from None
