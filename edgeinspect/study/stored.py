"""Which inspections a study looks at."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime

from edgeinspect.errors import InputError
from edgeinspect.inspection import Inspection
from edgeinspect.store.inspections import Row, Store
from edgeinspect.store.search import Wanted

AT_ONCE = 500  # rows read in one go


def stored(store: Store, *, shell: str | None = None, since: str | None = None) -> list[Row]:
    """Rows of the record, the oldest first: of one shell definition, and not older than ``since`` (ISO 8601).

    A time without an offset is UTC, as the record's own. Raises InputError if ``since`` is no time, StoreError.
    """
    wanted = Wanted(shell=shell, since=None if since is None else utc(since))
    rows: list[Row] = []
    while page := store.listing(AT_ONCE, rows[-1].inspection_id if rows else None, wanted):
        rows += page
    return rows[::-1]


def read(store: Store, rows: list[Row], progress: Callable[[int, int, str], None]) -> Iterator[Inspection]:
    """The inspections of ``rows`` one by one, without their ribbons."""
    for done, row in enumerate(rows):
        progress(done, len(rows), row.shell_id)
        inspection = store.inspection(row.inspection_id, ribbons=False)
        if inspection is not None:
            yield inspection


def utc(since: str) -> str:
    """A time as the record compares it. Raises InputError."""
    try:
        at = datetime.fromisoformat(since)
        return (at if at.tzinfo is None else at.astimezone(UTC)).replace(tzinfo=None).isoformat()
    except (ValueError, OverflowError):  # the latter where it lies beyond the year 9999 in UTC
        raise InputError(
            f"--since is {since!r}, must be a day or a time such as 2026-11-24 or 2026-11-24T06:00"
        ) from None
