"""Every look at one shell, side by side: which of them count, which is the last."""

from __future__ import annotations

from dataclasses import dataclass

from edgeinspect.inspection import Inspection
from edgeinspect.store.inspections import Store
from edgeinspect.store.looks import one_shell
from edgeinspect.web.look import LOOKS, ordinal

QUALITY_FROM = 3  # this look and every later one go to the quality shelf, whatever they say


@dataclass(frozen=True)
class AttemptNow:
    inspection_id: int
    attempt: int  # 1 is the first under this shell id, ever
    look_number: int | None  # 1 is the first that measured the shell; None: it was not measured, so it does not count
    key: str
    word: str
    sentence: str
    finished_at: str
    is_last: bool
    url: str
    picture_url: str | None  # None: none is kept, or not asked for


def attempts_at(
    store: Store, inspection: Inspection, same_shell_h: float, *, pictures: bool = False
) -> tuple[list[AttemptNow], int]:
    """The looks at the shell of one inspection, first one first; and how many there are of other shells that had the
    same id at other times.
    """
    rows = store.attempts(inspection.shell_id)
    parts = one_shell(rows, same_shell_h)
    own = next((part for part in parts if any(row.inspection_id == inspection.inspection_id for row in part)), ())
    measured = store.measured(inspection.shell_id)
    found: list[AttemptNow] = []
    counted: dict[str, int] = {}  # by shell: each kind may have its own numbers
    for row in own:
        counts = row.inspection_id in measured
        counted[row.shell] = counted.get(row.shell, 0) + counts
        url, look = f"/inspections/{row.inspection_id}", LOOKS[row.answer]
        files = store.kept_files(row.inspection_id) if pictures else {}
        seen = next((f"{url}/pictures/{camera}.jpg" for camera, kept in files.items() if kept.view), None)
        found.append(
            AttemptNow(
                inspection_id=row.inspection_id,
                attempt=row.attempt,
                look_number=counted[row.shell] if counts else None,
                key=look.key,
                word=look.word,
                sentence=row.sentence,
                finished_at=row.finished_at,
                is_last=row is own[-1],
                url=url,
                picture_url=seen,
            )
        )
    return found, len(rows) - len(own)


def look_of(inspection: Inspection) -> int | None:
    """Which look it was when it was judged, of those that measured the shell; None: it does not count."""
    return inspection.measurement.before.looks + 1 if inspection.measured else None


def look_words(look: int | None) -> str:
    """As the station says it; "" for the first, and for one that does not count."""
    if look is None or look < 2:
        return ""
    words = {2: "second", 3: "third"}.get(look, ordinal(look)) + " look"
    return words if look < QUALITY_FROM else f"{words}: quality"
