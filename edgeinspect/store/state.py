"""What the station is doing now: one row that the page and the worker both read and write."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine, select, update

from edgeinspect.inspection import Expected
from edgeinspect.store.database import READING, check_version, open_engine, plain_errors
from edgeinspect.store.schema import StateTable


@dataclass(frozen=True)
class StationState:
    expected: Expected | None  # None: nobody has chosen yet
    expected_since: str | None  # times are ISO 8601, UTC
    measuring: str | None  # shell id, from the first sight of its picture until its record is on disk
    measuring_since: str | None
    heartbeat_at: str | None  # of the worker
    message: str  # the last thing to tell that is no inspection, as a picture that was refused; "" none
    message_at: str | None
    message_word: str  # what kind of message, in capitals: "PICTURE REFUSED"
    interrupted: str | None  # shell id that was being measured when the station last stopped or was killed
    interrupted_at: str | None  # when that was noticed
    interrupted_times: int  # in a row


class State:
    """Open it with ``State.open``. All methods raise StoreError and may be called from any thread."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    @staticmethod
    def open(data: Path) -> State:
        """The state kept in <data>/record.sqlite, which ``Store.open`` has made."""
        engine = open_engine(data, read_only=False)
        check_version(engine)
        return State(engine)

    def now(self) -> StationState:
        with plain_errors(self._engine), self._engine.connect() as connection:
            row = connection.execution_options(**READING).execute(select(StateTable.__table__)).one()
        expected = None
        if row.expected_shell is not None:
            expected = Expected(row.expected_shell, row.expected_variant or "", row.expected_temperature_c)
        return StationState(
            expected,
            row.expected_since,
            row.measuring,
            row.measuring_since,
            row.heartbeat_at,
            row.message,
            row.message_at,
            row.message_word,
            row.interrupted,
            row.interrupted_at,
            row.interrupted_times,
        )

    def expect(self, expected: Expected, at: str) -> None:
        """Set the station to a shell, variant and temperature."""
        self._set(
            expected_shell=expected.shell,
            expected_variant=expected.variant,
            expected_temperature_c=expected.temperature_c,
            expected_since=at,
        )

    def measuring(self, shell_id: str | None, at: str) -> None:
        self._set(measuring=shell_id, measuring_since=None if shell_id is None else at)

    def beat(self, at: str) -> None:
        self._set(heartbeat_at=at)

    def say(self, message: str, at: str, word: str = "PICTURE REFUSED") -> None:
        self._set(message=message, message_at=at, message_word=word)

    def interrupted(self, shell_id: str | None, at: str, times: int = 0) -> None:
        self._set(interrupted=shell_id, interrupted_at=None if shell_id is None else at, interrupted_times=times)

    def _set(self, **values: str | float | None) -> None:
        with plain_errors(self._engine), self._engine.begin() as connection:
            connection.execute(update(StateTable).where(StateTable.id == 1).values(**values))

    def close(self) -> None:
        self._engine.dispose()

    def __enter__(self) -> State:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
