"""Named persons with their roles, their passwords (argon2id) and who is signed in. Nobody is ever deleted."""

from __future__ import annotations

import enum
import functools
import hashlib
import secrets
import unicodedata
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import ColumnElement, Connection, delete, insert, select, update

from edgeinspect.errors import InputError
from edgeinspect.store.changes import Changes, Who, utc_text
from edgeinspect.store.database import READING, plain_errors
from edgeinspect.store.schema import PersonTable, SignedInTable

LONGEST_NAME = 60
SHORTEST_PASSWORD, LONGEST_PASSWORD = 12, 200  # characters
IDLE_H = 8.0  # without a page for this long a person is signed out: a shift
_NOTED_EACH_S = 60.0  # a page need not wait for the disk each time


class Role(enum.StrEnum):
    OPERATOR = "operator"  # needs no log-in at the station; a name of their own where one is wanted
    ENGINEER = "engineer"
    QUALITY = "quality"
    ADMINISTRATOR = "administrator"  # of persons; neither limits nor dispositions


@dataclass(frozen=True)
class Person:
    name: str
    role: Role
    active: bool  # switched off: may not sign in, and stays in the record
    since: str  # ISO 8601, UTC

    @property
    def who(self) -> Who:
        return Who(self.name, self.role.value)


class People:
    """The persons of one station. All methods raise StoreError and may be called from any thread.

    ``at`` is ISO 8601 UTC; ``by`` is who does it. Every change is in the record of changes.
    """

    def __init__(self, changes: Changes) -> None:
        self._changes = changes
        self._engine = changes.engine

    # -- who there is

    def all(self) -> tuple[Person, ...]:
        """By name."""
        with plain_errors(self._engine), self._engine.connect() as connection:
            rows = connection.execution_options(**READING).execute(_PEOPLE.order_by(PersonTable.name)).all()
        return tuple(_person(row) for row in rows)

    def one(self, name: str) -> Person | None:
        """However its capitals are written."""
        with plain_errors(self._engine), self._engine.connect() as connection:
            row = connection.execution_options(**READING).execute(_PEOPLE.where(_is(name))).one_or_none()
        return None if row is None else _person(row)

    # -- change

    def add(self, name: str, role: Role, password: str, at: str, by: Who) -> Person:
        """Raises InputError: no name, a name that is taken, a password that is too easy."""
        name, content = _checked_name(name), _hashed(password, name)
        with self._changes.change(at, by, "person added", f"person {name}", details={"role": role}) as connection:
            if connection.execute(_PEOPLE.where(_is(name))).one_or_none() is not None:
                raise InputError(f"there is a person {name!r} already: choose another name")
            values = {"key": _key(name), "name": name, "role": role, "password": content, "active": True, "since": at}
            connection.execute(insert(PersonTable), values)
        return Person(name, role, True, at)

    def give_role(self, name: str, role: Role, at: str, by: Who) -> None:
        """Raises InputError: no such person, or the last administrator."""
        before = self._known(name)
        details = {"before": before.role, "after": role}
        with self._changes.change(at, by, "role changed", f"person {before.name}", details=details) as connection:
            connection.execute(update(PersonTable).where(_is(name)).values(role=role))
            _keep_an_administrator(connection, before)

    def set_password(self, name: str, password: str, at: str, by: Who) -> None:
        """That person is signed out everywhere. Raises InputError: no such person, or too easy."""
        person = self._known(name)
        content = _hashed(password, person.name)
        with self._changes.change(at, by, "password set", f"person {person.name}") as connection:
            connection.execute(update(PersonTable).where(_is(name)).values(password=content))
            connection.execute(delete(SignedInTable).where(SignedInTable.key == _key(name)))

    def switch(self, name: str, active: bool, at: str, by: Who) -> None:
        """Off: may not sign in any more, and is signed out. Raises InputError: no such person, last administrator."""
        person = self._known(name)
        what = "person switched on" if active else "person switched off"
        with self._changes.change(at, by, what, f"person {person.name}") as connection:
            connection.execute(update(PersonTable).where(_is(name)).values(active=active))
            connection.execute(delete(SignedInTable).where(SignedInTable.key == _key(name)))
            _keep_an_administrator(connection, person)

    def _known(self, name: str) -> Person:
        person = self.one(name)
        if person is None:
            raise InputError(f"there is no person {name[:LONGEST_NAME]!r}")
        return person

    # -- signed in

    def right(self, name: str, password: str) -> Person | None:
        """The person, if this is the password; None for a wrong one, an unknown name and one switched off, each of
        which takes the same time: a hash is verified whatever happens.
        """
        query = select(PersonTable.password, *_COLUMNS).where(_is(name))
        with plain_errors(self._engine), self._engine.connect() as connection:
            row = connection.execution_options(**READING).execute(query).one_or_none()
        good = _verified(row.password if row is not None else _nobodys(), password)
        if row is None or not good or not row.active:
            return None
        if _hasher().check_needs_rehash(row.password):  # made by an earlier version's weaker settings
            with plain_errors(self._engine), self._engine.begin() as connection:
                content = _hasher().hash(_normal(password))
                connection.execute(update(PersonTable).where(_is(name)).values(password=content))
        return _person(row)

    def sign_in(self, person: Person, now: datetime) -> str:
        """A new secret for the person's browser. Only its hash is kept."""
        token = secrets.token_urlsafe(32)
        long_ago = utc_text(now - timedelta(hours=IDLE_H))
        values = {"token_sha256": _hash_of(token), "key": _key(person.name), "since": utc_text(now)}
        with plain_errors(self._engine), self._engine.begin() as connection:
            connection.execute(delete(SignedInTable).where(SignedInTable.seen_at < long_ago))
            connection.execute(insert(SignedInTable), {**values, "seen_at": utc_text(now)})
        return token

    def signed_in(self, token: str, now: datetime) -> Person | None:
        """Who the secret belongs to, in the role of today; None if nobody, or idle for too long."""
        query = (
            select(SignedInTable.seen_at, *_COLUMNS)
            .join(PersonTable, PersonTable.key == SignedInTable.key)
            .where(SignedInTable.token_sha256 == _hash_of(token), PersonTable.active)
        )
        with plain_errors(self._engine), self._engine.connect() as connection:
            row = connection.execution_options(**READING).execute(query).one_or_none()
        if row is None:
            return None
        idle_s = abs((now - datetime.fromisoformat(row.seen_at)).total_seconds())  # a clock may be put back as well
        if idle_s > IDLE_H * 3600:
            self.sign_out(token)
            return None
        if idle_s > _NOTED_EACH_S:
            seen = update(SignedInTable).where(SignedInTable.token_sha256 == _hash_of(token))
            with plain_errors(self._engine), self._engine.begin() as connection:
                connection.execute(seen.values(seen_at=utc_text(now)))
        return _person(row)

    def sign_out(self, token: str) -> None:
        with plain_errors(self._engine), self._engine.begin() as connection:
            connection.execute(delete(SignedInTable).where(SignedInTable.token_sha256 == _hash_of(token)))


_COLUMNS = [PersonTable.name, PersonTable.role, PersonTable.active, PersonTable.since]
_PEOPLE = select(*_COLUMNS)


def _is(name: str) -> ColumnElement[bool]:
    return PersonTable.key == _key(name)


def _person(row: Any) -> Person:
    return Person(row.name, Role(row.role), row.active, row.since)


def _key(name: str) -> str:
    """Two names that look alike are one."""
    return _normal(name).strip().casefold()


def _normal(words: str) -> str:
    """The same characters however a keyboard puts them together (NIST SP 800-63B-4, 3.1.1.2: NFKC or NFC)."""
    return unicodedata.normalize("NFKC", words)


def _hash_of(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()  # 256 random bits: nothing to guess, so no slow hash is needed


def _checked_name(name: str) -> str:
    name = " ".join(_normal(name).split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable() or not name[0].isalpha():
        rule = f"must be 1 to {LONGEST_NAME} printable characters, the first a letter"
        raise InputError(f"name is {name[:40]!r}, {rule}")
    return name


def _hashed(password: str, name: str) -> str:
    """Raises InputError for one that is guessed at once. The password itself is never repeated."""
    length, folded = len(_normal(password)), _key(password)
    problem = ""
    if not SHORTEST_PASSWORD <= length <= LONGEST_PASSWORD:
        problem = f"has {length} characters, must have {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}"
    elif len(set(folded)) < 5:
        problem = "has fewer than 5 different characters: use a few words"
    elif _key(name) in folded or "edgeinspect" in folded:
        problem = "holds the name of the person or of the program: use a few other words"
    if problem:
        raise InputError(f"password {problem}")
    return _hasher().hash(_normal(password))


@functools.cache
def _hasher() -> PasswordHasher:
    return PasswordHasher()  # argon2id with the library's settings: RFC 9106, the one for little memory


@functools.cache
def _nobodys() -> str:
    """Verified when a name is unknown, so that the answer takes as long."""
    return _hasher().hash(secrets.token_urlsafe(32))


def _verified(content: str, password: str) -> bool:
    try:
        return _hasher().verify(content, _normal(password)[: LONGEST_PASSWORD + 1])
    except (VerificationError, InvalidHashError):
        return False


def _keep_an_administrator(connection: Connection, changed: Person) -> None:
    left = select(PersonTable.key).where(PersonTable.active, PersonTable.role == Role.ADMINISTRATOR).limit(1)
    if changed.role is Role.ADMINISTRATOR and connection.execute(left).first() is None:
        raise InputError("this is the last administrator: make another one first")
