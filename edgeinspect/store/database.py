"""The SQLite file: how it is opened, brought up to date, and what its failures mean in plain words."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import ConnectionPoolEntry

from edgeinspect.errors import StoreError

RECORD_FILE = "record.sqlite"
BUSY_TIMEOUT_MS = 5000  # how long to wait for another program's lock
READING: dict[str, Any] = {"edgeinspect_reading": True}  # execution option of a connection that only reads
HEAD = "0011"  # the newest step in migrations/versions; a test compares the two


def open_engine(data: Path, *, read_only: bool) -> Engine:
    """An engine on <data>/record.sqlite. A reader sees everything as soon as it is committed and can change nothing."""
    # A reader opens the file as a writer would and is then bound by query_only: SQLite's own read-only mode cannot look
    # past a log that a crashed writer left behind.
    engine = create_engine(f"sqlite:///{data / RECORD_FILE}", connect_args={"timeout": BUSY_TIMEOUT_MS / 1000})

    @event.listens_for(engine, "connect")
    def _set_up(connection: DBAPIConnection, _entry: ConnectionPoolEntry) -> None:
        connection.isolation_level = None  # this module says BEGIN itself, below
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        cursor.execute("PRAGMA foreign_keys = ON")
        if read_only:
            cursor.execute("PRAGMA query_only = ON")
        else:
            cursor.execute("PRAGMA journal_mode = WAL")
            cursor.execute("PRAGMA synchronous = FULL")  # with NORMAL the last answers are lost at a power cut
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A writer takes its lock at once: a lock asked for half-way through cannot wait.
        reading = read_only or READING.items() <= connection.get_execution_options().items()
        connection.exec_driver_sql("BEGIN" if reading else "BEGIN IMMEDIATE")

    return engine


def prepare(engine: Engine) -> None:
    """Bring the tables up to this version of edgeinspect. Raises StoreError if they are of a newer one."""
    found = version_found(engine)
    if found == HEAD:
        return
    if found is not None and found > HEAD:
        raise _newer(engine, found)
    from alembic import command  # noqa: PLC0415  a tenth of a second that most starts do not need
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", "edgeinspect.store:migrations")
    config.set_main_option("path_separator", "os")
    with plain_errors(engine), engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def check_version(engine: Engine) -> None:
    """Raises StoreError unless the tables are exactly of this version: a reader does not change them."""
    found = version_found(engine)
    if found is None:
        raise StoreError(f"{engine.url.database} holds no record yet: start the station once")
    if found > HEAD:
        raise _newer(engine, found)
    if found < HEAD:
        raise StoreError(f"{engine.url.database} is of an older version ({found}, now {HEAD}): start the station once")


def version_found(engine: Engine) -> str | None:
    with plain_errors(engine), engine.connect() as connection:
        if connection.execute(text("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'")).first() is None:
            return None
        return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _newer(engine: Engine, found: str) -> StoreError:
    return StoreError(
        f"{engine.url.database} was made by a newer edgeinspect ({found}, this one knows {HEAD}): update edgeinspect"
    )


@contextlib.contextmanager
def plain_errors(engine: Engine) -> Iterator[None]:
    """Failures of SQLite as one StoreError with one plain sentence."""
    try:
        yield
    except (DBAPIError, sqlite3.Error) as error:
        cause = error.orig if isinstance(error, DBAPIError) else error
        raise StoreError(_sentence(str(cause), engine.url.database or RECORD_FILE)) from error


def _sentence(cause: str, file: str) -> str:
    if "disk is full" in cause:
        return f"the disk with {file} is full: free some space, then measure this shell again; it was not recorded"
    if "locked" in cause or "busy" in cause:
        return (
            f"{file} has been locked by another program for {BUSY_TIMEOUT_MS // 1000} s: close it; nothing was recorded"
        )
    if "readonly" in cause:
        return f"{file} is read-only for this program: give it the right to write there; nothing was recorded"
    if "unable to open" in cause:
        return f"{file} cannot be opened: check that its folder is there and may be written to"
    if "malformed" in cause or "not a database" in cause:
        return f"{file} is damaged or not a record: put it aside and take the last back-up"
    return f"{file} cannot be used ({cause}); nothing was recorded"
