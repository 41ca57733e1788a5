"""What the station is doing now: one row that the page and the worker both read and write; what it was set to, when."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine, func, insert, select, update

from edgeinspect.inspection import Expected
from edgeinspect.store.database import READING, check_version, open_engine, plain_errors
from edgeinspect.store.schema import ChangeoverTable, InspectionTable, StateTable


@dataclass(frozen=True)
class Changeover:
    """The station was set to another shell or decal variant. It counts as done once a shell that fits confirms it."""

    changeover_id: int
    shell: str
    variant: str
    at: str  # ISO 8601, UTC
    who: str  # from where it was done, as "station page at 10.0.0.7"; nobody logs in at a station
    after_id: int  # the newest inspection then, 0 none: only later ones can be of this shell
    confirmed_at: str | None = None
    confirmed_by: int | None = None  # id of the first inspection that fitted


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
    changeover: Changeover | None = None  # the last one


_CHANGEOVERS = select(*(getattr(ChangeoverTable, name) for name in Changeover.__dataclass_fields__)).order_by(
    ChangeoverTable.changeover_id.desc()
)


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
        with plain_errors(self._engine), self._engine.connect() as opened:
            connection = opened.execution_options(**READING)
            row = connection.execute(select(StateTable.__table__)).one()
            last = connection.execute(_CHANGEOVERS.limit(1)).one_or_none()
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
            None if last is None else Changeover(**last._mapping),
        )

    def expect(self, expected: Expected, at: str, who: str = "") -> None:
        """Set the station to a shell, variant and temperature; another shell or variant is a changeover.

        ``who`` - from where it was done.
        """
        with plain_errors(self._engine), self._engine.begin() as connection:
            before = connection.execute(select(StateTable.expected_shell, StateTable.expected_variant)).one()
            if (before.expected_shell, before.expected_variant) != (expected.shell, expected.variant):
                newest = connection.execute(select(func.max(InspectionTable.inspection_id))).scalar() or 0
                made = {"shell": expected.shell, "variant": expected.variant, "at": at, "who": who, "after_id": newest}
                connection.execute(insert(ChangeoverTable), made)
            values = {
                "expected_shell": expected.shell,
                "expected_variant": expected.variant,
                "expected_temperature_c": expected.temperature_c,
                "expected_since": at,
            }
            connection.execute(update(StateTable).where(StateTable.id == 1).values(**values))

    def confirm(self, changeover_id: int, inspection_id: int, at: str) -> None:
        """The shell of this inspection fitted what the station was set to; the first one counts."""
        first = (ChangeoverTable.changeover_id == changeover_id) & ChangeoverTable.confirmed_at.is_(None)
        with plain_errors(self._engine), self._engine.begin() as connection:
            connection.execute(update(ChangeoverTable).where(first).values(confirmed_at=at, confirmed_by=inspection_id))

    def changeovers(self, since: str, until: str) -> tuple[Changeover, ...]:
        """From ``since`` to before ``until`` (ISO 8601, UTC, without the Z), newest first."""
        within = _CHANGEOVERS.where(ChangeoverTable.at >= since, ChangeoverTable.at < until)
        with plain_errors(self._engine), self._engine.connect() as connection:
            rows = connection.execution_options(**READING).execute(within).all()
        return tuple(Changeover(**row._mapping) for row in rows)

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
