"""Inspection limits with revisions: proposed with a prediction, approved by a second person, in effect from a named
shell on, returned from. What was judged stays as it was judged.
"""

from __future__ import annotations

import enum
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, insert, select

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.process.limits import Limit
from edgeinspect.store.changes import Changes, Who
from edgeinspect.store.database import READING, plain_errors
from edgeinspect.store.people import Role
from edgeinspect.store.schema import InspectionTable, LimitsRevisionTable, LimitsUseTable

MAY = (Role.ENGINEER, Role.QUALITY)
LOOKS_A_SHELL = 4  # at most read for each of them
FIRST = 100  # shells afterwards that are held against the prediction
LONGEST = 400  # characters of a reason


class Kind(enum.StrEnum):
    APPROVED = "approved"
    REFUSED = "refused"
    RETURNED = "returned"


@dataclass(frozen=True)
class ChangedLimit:
    """Four numbers of one characteristic, kept apart; None where there is none. In mm, of rotations in deg."""

    characteristic: str
    drawing_lower: float | None  # drawing tolerance
    drawing_upper: float | None
    lower: float | None  # inspection limit
    upper: float | None
    guard_factor: float  # the guard band is this times u
    warning: float | None  # either way: nothing is judged by it
    concession: str = ""  # its reference: what lets the inspection limit go beyond the drawing

    @property
    def beyond_drawing(self) -> bool:
        return self.limit.beyond(Limit(_low(self.drawing_lower), _high(self.drawing_upper), 0.0))

    @property
    def limit(self) -> Limit:
        return Limit(_low(self.lower), _high(self.upper), self.guard_factor)


@dataclass(frozen=True)
class Proposal:
    """What is to judge a shell instead of its definition's own limits, and why."""

    shell: str  # name of the definition
    definition_sha256: str  # what it is based on
    limits: tuple[ChangedLimit, ...]  # all that differ from the definition's, not only what is new
    reason: str
    population: str  # which shells the prediction is made of, in words
    prediction: dict[Answer, int]  # of these shells


@dataclass(frozen=True)
class Revision:
    revision_id: int
    proposal: Proposal
    former_id: int | None  # what was in effect when it was proposed; None: the definition's own limits
    at: str  # ISO 8601, UTC
    who: str
    role: str

    @property
    def changed(self) -> dict[str, Limit]:
        return {one.characteristic: one.limit for one in self.proposal.limits}


@dataclass(frozen=True)
class Use:
    """What became of a revision. A shell is judged by the last one that has begun."""

    use_id: int
    shell: str
    kind: Kind
    revision_id: int | None  # returned: the one that judges from then on; None: the definition's own limits
    from_shell_id: str  # it judges from this shell on; "" the next one
    after_id: int  # the newest inspection then
    reason: str
    at: str
    who: str
    role: str


class LimitsRecord:
    """All methods raise StoreError and may be called from any thread. ``at`` is ISO 8601, UTC."""

    def __init__(self, changes: Changes) -> None:
        self._changes = changes
        self._engine = changes.engine

    # -- change

    def propose(self, proposal: Proposal, at: str, by: Who) -> Revision:
        """Raises InputError: not this person's to do, no reason, or beyond the drawing without a concession."""
        _may(by)
        reason = _reason(proposal.reason)
        problems = [
            f"{one.characteristic}: an inspection limit beyond the drawing needs the reference of a concession"
            for one in proposal.limits
            if one.beyond_drawing and not one.concession.strip()
        ]
        if problems:
            raise InputError(problems)
        values: dict[str, Any] = {
            "shell": proposal.shell,
            "definition_sha256": proposal.definition_sha256,
            "limits": json.dumps([vars(one) for one in proposal.limits], allow_nan=False),
            "reason": reason,
            "population": proposal.population,
            "prediction": json.dumps(proposal.prediction),
            "at": at,
            "who": by.name,
            "role": by.role,
        }
        details = {**values, "limits": json.loads(values["limits"]), "prediction": dict(proposal.prediction)}
        subject = _subject(proposal.shell)
        with self._changes.change(at, by, "limits proposed", subject, reason, details) as connection:
            values["former_id"] = self._in_effect_id(connection, proposal.shell)
            added = insert(LimitsRevisionTable).returning(LimitsRevisionTable.revision_id)
            number = int(connection.execute(added, values).scalar_one())
        return self.one(number)

    def approve(
        self, revision_id: int, definition_sha256: str, at: str, by: Who, *, from_shell_id: str = "", reason: str = ""
    ) -> None:
        """``definition_sha256`` - of the definition of now. From ``from_shell_id`` on it judges, else from the next.

        Raises InputError: the same person, another definition or other limits meanwhile, decided already, or a
        concession that needs quality.
        """
        _may(by)
        revision = self.one(revision_id)
        proposal = revision.proposal
        if waiting := self.waiting(proposal.shell):
            raise InputError(
                f"revision {waiting.revision_id} waits for shell {waiting.from_shell_id}: return from it first"
            )
        if by.name.casefold() == revision.who.casefold():
            raise InputError(f"{by.name} proposed it: another person must approve")
        if any(one.beyond_drawing for one in proposal.limits) and by.role != Role.QUALITY:
            raise InputError("it goes beyond the drawing by concession: a person of quality must approve")
        if definition_sha256 != proposal.definition_sha256:
            raise InputError(f"the definition of {proposal.shell} is another one since: propose again")
        details = {"revision": revision_id, "from_shell_id": from_shell_id}
        with self._changes.change(at, by, "limits approved", _subject(proposal.shell), reason, details) as connection:
            self._undecided(connection, revision)
            if self._in_effect_id(connection, proposal.shell) != revision.former_id:
                raise InputError("other limits are in effect than when it was proposed: propose again")
            self._use(connection, proposal.shell, Kind.APPROVED, revision_id, at, by, reason, from_shell_id)

    def refuse(self, revision_id: int, reason: str, at: str, by: Who) -> None:
        _may(by)
        revision, reason = self.one(revision_id), _reason(reason)
        shell, details = revision.proposal.shell, {"revision": revision_id}
        with self._changes.change(at, by, "limits refused", _subject(shell), reason, details) as connection:
            self._undecided(connection, revision)
            self._use(connection, shell, Kind.REFUSED, revision_id, at, by, reason)

    def go_back(self, shell: str, reason: str, at: str, by: Who) -> int | None:
        """To what was in effect before, from the next shell on; what is approved and has not begun is called off.

        Returns the revision that judges from now on, None for the definition's own limits. Raises InputError: there
        is nothing to return from.
        """
        _may(by)
        waiting, now = self.waiting(shell), self.in_effect(shell)
        if waiting is None and now is None:
            raise InputError(f"{shell} is judged by its definition's own limits: there is nothing to return from")
        left = waiting.revision_id if waiting else now.revision_id if now else None
        former = now.revision_id if waiting and now else now.former_id if now and not waiting else None
        details = {"from": left, "to": former}
        with self._changes.change(at, by, "limits returned", _subject(shell), reason, details) as connection:
            self._use(connection, shell, Kind.RETURNED, former, at, by, reason)
        return former

    def _undecided(self, connection: Connection, revision: Revision) -> None:
        same = (LimitsUseTable.revision_id == revision.revision_id) & (LimitsUseTable.kind != Kind.RETURNED)
        row = connection.execute(select(LimitsUseTable.kind, LimitsUseTable.who).where(same)).first()
        if row is not None:
            raise InputError(f"revision {revision.revision_id} was {row.kind} by {row.who} already")

    def _use(
        self,
        connection: Connection,
        shell: str,
        kind: Kind,
        revision_id: int | None,
        at: str,
        by: Who,
        reason: str,
        from_shell_id: str = "",
    ) -> None:
        newest = connection.execute(select(func.max(InspectionTable.inspection_id))).scalar() or 0
        named = {"shell": shell, "kind": kind, "revision_id": revision_id, "from_shell_id": from_shell_id.strip()}
        said = {"after_id": newest, "reason": reason.strip(), "at": at, "who": by.name, "role": by.role}
        connection.execute(insert(LimitsUseTable), {**named, **said})

    # -- find

    def one(self, revision_id: int) -> Revision:
        """Raises InputError if there is none."""
        rows = self._rows(select(LimitsRevisionTable.__table__).where(LimitsRevisionTable.revision_id == revision_id))
        if not rows:
            raise InputError(f"there is no revision {revision_id} of limits")
        return _revision(rows[0])

    def revisions(self, shell: str | None = None) -> tuple[Revision, ...]:
        """Newest first."""
        query = select(LimitsRevisionTable.__table__).order_by(LimitsRevisionTable.revision_id.desc())
        return tuple(map(_revision, self._rows(_of(query, LimitsRevisionTable, shell))))

    def uses(self, shell: str | None = None) -> tuple[Use, ...]:
        """Newest first."""
        query = select(LimitsUseTable.__table__).order_by(LimitsUseTable.use_id.desc())
        rows = self._rows(_of(query, LimitsUseTable, shell))
        return tuple(Use(**{**row._mapping, "kind": Kind(row.kind)}) for row in rows)

    def in_effect(self, shell: str, shell_id: str = "") -> Revision | None:
        """What judges this shell (of the shop, by its id; "": one after all that were looked at); None: the
        definition's own limits.
        """
        with plain_errors(self._engine), self._engine.connect() as connection:
            number = self._in_effect_id(connection.execution_options(**READING), shell, shell_id)
        return None if number is None else self.one(number)

    def waiting(self, shell: str) -> Use | None:
        """What is approved and waits for its first shell."""
        newest = next((use for use in self.uses(shell) if use.kind is not Kind.REFUSED), None)
        if newest is None:
            return None
        with plain_errors(self._engine), self._engine.connect() as connection:
            begun = self._has_begun(connection.execution_options(**READING), newest, "")
        return None if begun else newest

    def _in_effect_id(self, connection: Connection, shell: str, shell_id: str = "") -> int | None:
        query = _of(select(LimitsUseTable.__table__).order_by(LimitsUseTable.use_id.desc()), LimitsUseTable, shell)
        for row in connection.execute(query.where(LimitsUseTable.kind != Kind.REFUSED)):
            if self._has_begun(connection, row, shell_id):
                return None if row.revision_id is None else int(row.revision_id)
        return None

    def _has_begun(self, connection: Connection, use: Any, shell_id: str) -> bool:
        return use.from_shell_id in ("", shell_id) or _begun_at(connection, use) is not None

    def first_shells(self, revision: Revision, first: int = FIRST) -> dict[Answer, int]:
        """The answers of the first shells that it judged, the last look at each."""
        shell = revision.proposal.shell
        used = [
            use for use in self.uses(shell) if use.revision_id == revision.revision_id and use.kind is Kind.APPROVED
        ]
        answers: dict[str, Answer] = {}
        with plain_errors(self._engine), self._engine.connect() as opened:
            connection = opened.execution_options(**READING)
            begun_at = _begun_at(connection, used[0]) if used else None
            if begun_at is not None:
                by = func.json_extract(InspectionTable.record, "$.limits_revision").label("by")
                looks = (
                    select(InspectionTable.shell_id, InspectionTable.answer, by)
                    .where(InspectionTable.shell == shell, InspectionTable.inspection_id >= begun_at)
                    .order_by(InspectionTable.inspection_id)
                    .limit(LOOKS_A_SHELL * first)
                )
                for row in connection.execute(looks):
                    if row.shell_id not in answers and len(answers) == first:
                        break
                    if row.by == revision.revision_id:
                        answers[row.shell_id] = Answer(row.answer)
        found = list(answers.values())
        return {answer: found.count(answer) for answer in Answer}

    def _rows(self, query: Any) -> Sequence[Any]:
        with plain_errors(self._engine), self._engine.connect() as connection:
            return connection.execution_options(**READING).execute(query).all()


def _begun_at(connection: Connection, use: Any) -> int | None:
    """The inspection from which on it judges; None: its first shell has not come yet."""
    if use.from_shell_id == "":
        return int(use.after_id) + 1
    looked = (InspectionTable.shell_id == use.from_shell_id) & (InspectionTable.inspection_id > use.after_id)
    found = connection.execute(select(func.min(InspectionTable.inspection_id)).where(looked)).scalar()
    return None if found is None else int(found)


def _of(query: Any, table: Any, shell: str | None) -> Any:
    return query if shell is None else query.where(table.shell == shell)


def _revision(row: Any) -> Revision:
    limits = tuple(ChangedLimit(**one) for one in json.loads(row.limits))
    prediction: Mapping[str, int] = json.loads(row.prediction)
    counts = {Answer(name): int(count) for name, count in prediction.items()}
    proposal = Proposal(row.shell, row.definition_sha256, limits, row.reason, row.population, counts)
    return Revision(row.revision_id, proposal, row.former_id, row.at, row.who, row.role)


def _subject(shell: str) -> str:
    return f"limits of {shell}"


def _may(by: Who) -> None:
    if by.role not in MAY:
        raise InputError(f"limits are for {' or '.join(MAY)}: {by.name} is {by.role}")


def _reason(words: str) -> str:
    words = words.strip()
    if not words or len(words) > LONGEST or not words.isprintable():
        raise InputError(f"reason is {words[:40]!r}, must be 1 to {LONGEST} printable characters")
    return words


def _low(value: float | None) -> float:
    return -math.inf if value is None else value


def _high(value: float | None) -> float:
    return math.inf if value is None else value
