"""The record of changes: who changed what, when and why; append-only, each row chained to the one before by SHA-256.

The last row's number and hash (the head) are also kept outside the table: in a small file of the data folder, and with
the inspections that were made since. So a row that was edited or taken out is noticed, and the last one too. The file
is begun before the first row is there, so that a missing one always means that it was removed.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, insert, select
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

from edgeinspect.errors import StoreError
from edgeinspect.store.database import READING, check_version, open_engine, plain_errors
from edgeinspect.store.files import write_durably
from edgeinspect.store.schema import ChangeSeenTable, ChangeTable

HEAD_FILE = "changes.head"
MISSING = f"{HEAD_FILE} is missing"
NOTHING = "0" * 64  # what the first row is chained to
log = logging.getLogger("edgeinspect.changes")
AT_THE_MACHINE = "at the machine"  # the role of a name that a command was given: nobody asked it for a password


@dataclass(frozen=True)
class Who:
    """The person who changes something, and in which role."""

    name: str
    role: str


@dataclass(frozen=True)
class Change:
    change_id: int
    at: str  # ISO 8601, UTC
    who: str
    role: str
    what: str  # "limits approved"
    subject: str  # "shell toplid"
    reason: str
    details: str  # JSON: the numbers before and after
    former_sha256: str  # of the row before
    sha256: str  # of all this


@dataclass(frozen=True)
class Checked:
    """Whether the record of changes is as it was written; ``problems`` name each row that is not."""

    rows: int
    head: str  # number and hash of the last row, as `head_words` says it
    problems: tuple[str, ...]

    @property
    def intact(self) -> bool:
        return not self.problems


def utc_text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Changes:
    """Open it with ``Changes.open``. All methods raise StoreError and may be called from any thread."""

    def __init__(self, data: Path, engine: Engine) -> None:
        self.engine = engine
        self._head_file = data / HEAD_FILE

    @staticmethod
    def open(data: Path) -> Changes:
        """The record in <data>/record.sqlite, which ``Store.open`` has made."""
        engine = open_engine(data, read_only=False)
        check_version(engine)
        return Changes(data, engine)

    @contextlib.contextmanager
    def change(
        self, at: str, who: Who, what: str, subject: str, reason: str = "", details: Mapping[str, Any] | None = None
    ) -> Iterator[Connection]:
        """A transaction in which something is changed, and the change recorded: both or neither.

        Parameters: at - ISO 8601, UTC; details - JSON values. What is raised inside changes nothing.
        """
        with plain_errors(self.engine), self.engine.begin() as connection:
            yield connection
            if last_change(connection) == (0, NOTHING) and self._head_in_file() == MISSING:
                self._write_head(0, NOTHING)
            _append(connection, (at, who.name, who.role, what, subject, reason, _json(details or {})))
        try:
            self._keep_head()
        except StoreError as error:  # the change is recorded all the same, and the next one keeps its head
            log.error(
                "%s (%s) is recorded, but not yet named by %s: %s", what, subject, HEAD_FILE, error.__cause__ or error
            )

    def all(self, subject: str | None = None, limit: int = -1, before_id: int | None = None) -> tuple[Change, ...]:
        """Newest first; ``subject`` narrows to what was done to one thing."""
        query = select(*_COLUMNS).order_by(ChangeTable.change_id.desc()).limit(limit)
        if subject is not None:
            query = query.where(ChangeTable.subject == subject)
        if before_id is not None:
            query = query.where(ChangeTable.change_id < before_id)
        with plain_errors(self.engine), self.engine.connect() as connection:
            rows = connection.execution_options(**READING).execute(query).all()
        return tuple(Change(**row._mapping) for row in rows)

    def check(self) -> Checked:
        """Every row against its hash and the row before; the last one against what was kept outside the table."""
        with plain_errors(self.engine), self.engine.connect() as opened:
            connection = opened.execution_options(**READING)
            hashes: dict[int, str] = {}
            problems: list[str] = []
            before, former = 0, NOTHING
            for row in connection.execute(select(*_COLUMNS).order_by(ChangeTable.change_id)):
                change = Change(**row._mapping)
                problems += _wrong(change, before, former)
                before, former = change.change_id, change.sha256
                hashes[before] = former
            seen = connection.execute(select(ChangeSeenTable.change_id, ChangeSeenTable.sha256)).all()
        problems += _ends_too_early(before, hashes, self._head_in_file(), tuple((one[0], one[1]) for one in seen))
        return Checked(len(hashes), head_words(before, former), tuple(problems))

    def _head_in_file(self) -> tuple[int, str] | str:
        """Number and hash, or why there is none."""
        try:
            text = self._head_file.read_text(encoding="ascii")
        except FileNotFoundError:
            return MISSING
        except (OSError, UnicodeDecodeError):
            return f"{HEAD_FILE} cannot be read"
        found = re.fullmatch(r"([0-9]{1,18}) ([0-9a-f]{64})\n?", text)
        return (int(found[1]), found[2]) if found else f"{HEAD_FILE} was edited"

    def _keep_head(self) -> None:
        """In the database's own lock, so that no other writer puts an older one; never over a head that is missing in
        the table, which is what it is there to show.
        """
        with plain_errors(self.engine), self.engine.begin() as connection:
            number, sha256 = last_change(connection)
            kept = self._head_in_file()
            if isinstance(kept, str):
                return
            row = select(ChangeTable.sha256).where(ChangeTable.change_id == kept[0])
            if kept == (0, NOTHING) or connection.execute(row).scalar() == kept[1]:
                self._write_head(number, sha256)

    def _write_head(self, number: int, sha256: str) -> None:
        write_durably(self._head_file, f"{head_words(number, sha256)}\n".encode())

    def close(self) -> None:
        self.engine.dispose()

    def __enter__(self) -> Changes:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


_COLUMNS = [getattr(ChangeTable, name) for name in Change.__dataclass_fields__]


def last_change(connection: Connection) -> tuple[int, str]:
    """Number and hash of the last row; (0, NOTHING) while there is none."""
    newest = select(ChangeTable.change_id, ChangeTable.sha256).order_by(ChangeTable.change_id.desc()).limit(1)
    row = connection.execute(newest).one_or_none()
    return (0, NOTHING) if row is None else (int(row[0]), str(row[1]))


def head_words(number: int, sha256: str) -> str:
    """How an inspection names the last change that was made before it."""
    return f"{number} {sha256}"


def see_last_change(connection: Connection, inspection_id: int) -> None:
    """Note, with the first inspection after it, which change was the last one."""
    number, sha256 = last_change(connection)
    if number:
        values = {"change_id": number, "sha256": sha256, "inspection_id": inspection_id}
        connection.execute(insert_sqlite(ChangeSeenTable).on_conflict_do_nothing(), values)


def _json(details: Mapping[str, Any]) -> str:
    return json.dumps(details, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))


def _sha256(number: int, written: tuple[str, ...], former: str) -> str:
    return hashlib.sha256(json.dumps([number, *written, former], ensure_ascii=True).encode("ascii")).hexdigest()


def _append(connection: Connection, written: tuple[str, str, str, str, str, str, str]) -> None:
    last, former = last_change(connection)
    names = ("at", "who", "role", "what", "subject", "reason", "details")
    sha256 = _sha256(last + 1, written, former)
    values = {"change_id": last + 1, **dict(zip(names, written, strict=True))}
    connection.execute(insert(ChangeTable), {**values, "former_sha256": former, "sha256": sha256})


def _wrong(change: Change, before: int, former: str) -> list[str]:
    """What is wrong with one row, given the one before it."""
    number = change.change_id
    problems = []
    if number != before + 1:
        gone = f"row {before + 1}" if number == before + 2 else f"rows {before + 1} to {number - 1}"
        problems.append(f"{gone} of the record of changes: removed")
    elif change.former_sha256 != former:
        problems.append(f"row {number} of the record of changes: does not follow the row before it, one was exchanged")
    written = (change.at, change.who, change.role, change.what, change.subject, change.reason, change.details)
    if _sha256(number, tuple(map(str, written)), change.former_sha256) != change.sha256:
        problems.append(f"row {number} of the record of changes: edited ({change.what}, {change.subject})")
    return problems


def _ends_too_early(
    last: int, hashes: Mapping[int, str], kept: tuple[int, str] | str, seen: tuple[tuple[int, str], ...]
) -> list[str]:
    """The table against the heads that were kept outside it."""
    heads = [(number, sha256, "an inspection names") for number, sha256 in seen]
    problems = []
    if not isinstance(kept, str):
        heads.append((*kept, f"{HEAD_FILE} names"))
    elif last or kept != MISSING:  # before the first change there is none
        problems.append(f"{kept}: take it from the same back-up as the record")
    beyond = max(heads, default=(0, "", ""))
    if beyond[0] > last:
        gone = f"row {last + 1}" if beyond[0] == last + 1 else f"rows {last + 1} to {beyond[0]}"
        problems.append(f"{gone} of the record of changes: removed at the end ({beyond[2]} row {beyond[0]})")
    for number, sha256, names in sorted(heads):
        if number in hashes and hashes[number] != sha256:
            problems.append(f"row {number} of the record of changes: written again ({names} another hash)")
    return problems
