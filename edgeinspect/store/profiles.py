"""The deviation profiles of many inspections, read without the rest of their records."""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Engine, func, select

from edgeinspect.conformity import Answer
from edgeinspect.measure.measurement import DeviationProfile
from edgeinspect.store.codec import from_plain, unpack_some
from edgeinspect.store.database import READING, plain_errors
from edgeinspect.store.schema import ArraysTable, InspectionTable

KEPT = 200  # inspections' profiles in memory, about 0.2 MB each
_NOTHING = np.empty(0)


@dataclass(frozen=True)
class KeptProfiles:
    """Of one inspection: one profile a frame; none where the shell was not measured."""

    inspection_id: int
    shell_id: str
    answer: Answer
    profiles: tuple[DeviationProfile, ...]


class Profiles:
    """Of one station's record. All methods raise StoreError and may be called from any thread."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._kept: OrderedDict[int, KeptProfiles] = OrderedDict()  # the ones asked for last at the end
        self._lock = threading.Lock()

    def before(self, inspection_id: int, shell: str, count: int) -> tuple[KeptProfiles, ...]:
        """Of the last so many shells of this definition before an inspection, the newest first: each by its last look
        until then.
        """
        row = InspectionTable
        query = (
            select(row.inspection_id, row.shell_id)
            .where(row.shell == shell, row.inspection_id < inspection_id)
            .order_by(row.inspection_id.desc())
            .limit(3 * count)  # a third look goes to the quality shelf, so there are hardly more
        )
        with plain_errors(self._engine), self._engine.connect() as opened:
            connection = opened.execution_options(**READING)
            own = connection.execute(select(row.shell_id).where(row.inspection_id == inspection_id)).scalar()
            rows = connection.execute(query).all()
        last: dict[str, int] = {}
        for number, shell_id in rows:
            if shell_id != own:
                last.setdefault(shell_id, number)
        return self.of(list(last.values())[:count])

    def of(self, inspection_ids: Sequence[int]) -> tuple[KeptProfiles, ...]:
        """In the order asked for; an inspection that is not there is left out."""
        with self._lock:
            found = {number: self._kept[number] for number in inspection_ids if number in self._kept}
        missing = [number for number in inspection_ids if number not in found]
        found.update({one.inspection_id: one for one in self._read(missing)} if missing else {})
        with self._lock:
            for number, profiles in found.items():
                self._kept[number] = profiles
                self._kept.move_to_end(number)
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return tuple(found[number] for number in inspection_ids if number in found)

    def _read(self, inspection_ids: Sequence[int]) -> list[KeptProfiles]:
        query = (
            select(
                InspectionTable.inspection_id,
                InspectionTable.shell_id,
                InspectionTable.answer,
                func.json_extract(InspectionTable.record, "$.measurement.profiles").label("profiles"),
                ArraysTable.content,
            )
            .join(ArraysTable, ArraysTable.inspection_id == InspectionTable.inspection_id)
            .where(InspectionTable.inspection_id.in_(inspection_ids))
        )
        with plain_errors(self._engine), self._engine.connect() as connection:
            rows = connection.execution_options(**READING).execute(query).all()
        return [KeptProfiles(row[0], row[1], Answer(row[2]), _profiles(row[3], row[4])) for row in rows]


def _profiles(record: str | None, content: bytes) -> tuple[DeviationProfile, ...]:
    plain = json.loads(record or "[]")
    which = {value["array"] for one in plain for value in one.values() if isinstance(value, dict)}
    if not which:
        return ()
    found = unpack_some(content, which)
    arrays = [found.get(number, _NOTHING) for number in range(max(which) + 1)]
    profiles: tuple[DeviationProfile, ...] = from_plain(tuple[DeviationProfile, ...], plain, arrays)
    return profiles
