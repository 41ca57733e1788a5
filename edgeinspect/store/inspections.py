"""Append inspections and find them again."""

from __future__ import annotations

import hashlib
import json
import math
import sqlite3
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, Select, func, insert, select

from edgeinspect.conformity import Answer
from edgeinspect.errors import StoreError
from edgeinspect.gauge.repeatability import Repeatability
from edgeinspect.inspection import Inspection, PictureFile
from edgeinspect.measure.measurement import Before, FlawKind, Ribbon
from edgeinspect.store import bases, files, looks, readings, search, studies
from edgeinspect.store.calibrations import CalibrationRecord
from edgeinspect.store.changes import Changes, head_words, last_change, see_last_change
from edgeinspect.store.codec import Arrays, from_plain, pack, to_plain, unpack
from edgeinspect.store.database import READING, RECORD_FILE, check_version, open_engine, plain_errors, prepare
from edgeinspect.store.limits import LimitsRecord
from edgeinspect.store.profiles import Profiles
from edgeinspect.store.readings import Population
from edgeinspect.store.review_queue import how_bad
from edgeinspect.store.schema import ArraysTable, InspectionTable, LayoutTable, PictureTable
from edgeinspect.store.search import ALL, LengthRead, PlaceCount, Wanted


@dataclass(frozen=True)
class Row:
    """What a list of inspections shows of one."""

    inspection_id: int
    shell_id: str
    attempt: int
    shell: str
    variant: str
    answer: Answer
    sentence: str
    action: str
    characteristic: str  # the worst one, "" where nothing was judged
    where: str
    started_at: str
    finished_at: str


@dataclass(frozen=True)
class KeptFiles:
    """Of one picture; they may be thrown away earlier than the record."""

    view: bool  # the JPEG for looking
    original: bool  # as it came in


MOST_REPEATS = 100  # looks at one shell
_FOLDERS = ("pictures", "ribbons", bases.FOLDER)
OWN_FOLDERS = (*_FOLDERS, studies.FOLDER)  # of the data folder: nothing else may be put there
_LAYOUT_COLUMNS = [LayoutTable.layout_id, LayoutTable.characteristics]
_ROW_COLUMNS = [getattr(InspectionTable, name) for name in Row.__dataclass_fields__]


class Store:
    """The record of one station, in one data folder. One process writes inspections (the worker); any number read.

    Open it with ``Store.open``. All methods raise StoreError and may be called from any thread.
    """

    def __init__(self, data: Path, engine: Engine) -> None:
        self.data = data
        self.changes = Changes(data, engine)
        self.bases = bases.Bases(data)
        self.calibrations = CalibrationRecord(self.changes)
        self.profiles = Profiles(engine)
        self.limits = LimitsRecord(self.changes)
        self._engine = engine
        self._watch: sqlite3.Connection | None = None
        self._watch_lock = threading.Lock()

    @staticmethod
    def open(data: Path, *, read_only: bool = False) -> Store:
        """The record in the folder ``data``. A writer makes what is missing."""
        engine = open_engine(data, read_only=read_only)
        if read_only:
            if not (data / RECORD_FILE).is_file():
                raise StoreError(f"{data / RECORD_FILE} is not there: start the station once")
            check_version(engine)
        else:
            try:
                for name in _FOLDERS:
                    (data / name).mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise files.explained(error, data / RECORD_FILE) from error
            prepare(engine)
        return Store(data, engine)

    def clear_half_written(self) -> None:
        """What a power cut left. Only for the process that writes inspections: another may be writing just now."""
        try:
            for name in _FOLDERS:
                files.sweep(self.data / name)
        except OSError as error:
            raise files.explained(error, self.data / RECORD_FILE) from error

    # -- append

    def save(self, inspection: Inspection, pictures: Mapping[str, bytes], views: Mapping[str, bytes]) -> Inspection:
        """Keep one inspection; after this returns it is on disk and may be shown, before that it is nowhere.

        Parameters: pictures - original file bytes by camera (kept unless the answer is CONFORMING); views - JPEGs for
        looking, by camera.
        Returns the inspection with its id and attempt. Raises StoreError; then nothing can be found of it.
        """
        measurement = inspection.measurement
        # Files first: a row that can be found must never name a file that is not there. A file without a row does no
        # harm: its name comes from its content, and the shell will be measured again.
        ribbons_file = self._write_ribbons(inspection) if measurement.ribbons else None
        rows = [self._write_picture(inspection, picture, pictures, views) for picture in inspection.pictures]

        with plain_errors(self._engine), self._engine.begin() as connection:
            last = select(func.max(InspectionTable.attempt)).where(InspectionTable.shell_id == inspection.shell_id)
            attempt = (connection.execute(last).scalar() or 0) + 1
            after_change = head_words(*last_change(connection))
            inspection = replace(inspection, attempt=attempt, inspection_id=None, after_change=after_change)
            arrays: Arrays = []
            plain = to_plain(replace(inspection, measurement=replace(measurement, ribbons=())), arrays)
            worst = inspection.verdict.worst
            strain = None if worst is None or worst.value is None else worst.strain
            values = {
                "shell_id": inspection.shell_id,
                "attempt": inspection.attempt,
                "shell": inspection.expected.shell,
                "variant": inspection.expected.variant,
                "answer": inspection.verdict.answer.value,
                "sentence": inspection.verdict.sentence,
                "action": inspection.verdict.action,
                "characteristic": worst.characteristic if worst else "",
                "where": worst.where if worst else "",
                "started_at": inspection.started_at,
                "finished_at": inspection.finished_at,
                "record": json.dumps(plain, ensure_ascii=False, allow_nan=False, separators=(",", ":")),
                "ribbons_file": ribbons_file,
                "how_bad": how_bad(inspection.verdict.answer, strain),
            }
            inspection_id = connection.execute(
                insert(InspectionTable).returning(InspectionTable.inspection_id), values
            ).scalar_one()
            connection.execute(insert(ArraysTable), {"inspection_id": inspection_id, "content": pack(arrays)})
            search.keep_for_counting(connection, inspection, inspection_id)
            readings.keep(connection, inspection, inspection_id)
            see_last_change(connection, inspection_id)
            for row in rows:
                connection.execute(insert(PictureTable), {**row, "inspection_id": inspection_id})
        return replace(inspection, inspection_id=inspection_id)

    def _write_ribbons(self, inspection: Inspection) -> str:
        arrays: Arrays = []
        plain = to_plain(inspection.measurement.ribbons, arrays)
        content = json.dumps(plain, allow_nan=False).encode() + b"\n" + pack(arrays)
        name = _file_name(inspection, "ribbons", _sha256(content), ".ribbons")
        files.write_durably(self.data / "ribbons" / name, content)
        return name

    def _write_picture(
        self, inspection: Inspection, picture: PictureFile, pictures: Mapping[str, bytes], views: Mapping[str, bytes]
    ) -> dict[str, str | float | None]:
        moved_mm = {view.camera: view.moved_mm for view in inspection.measurement.views}.get(picture.camera, math.nan)
        row: dict[str, str | float | None] = {
            "camera": picture.camera,
            "name": picture.name,
            "sha256": picture.sha256,
            "pixels_sha256": picture.pixels_sha256,
            "taken_at": picture.taken_at,
            "original_file": None,
            "view_file": None,
            "moved_mm": moved_mm if math.isfinite(moved_mm) else None,
        }
        original, view = pictures.get(picture.camera), views.get(picture.camera)
        if original is not None and inspection.verdict.answer is not Answer.CONFORMING:
            ending = Path(picture.name).suffix.lower()
            row["original_file"] = _file_name(inspection, picture.camera, picture.sha256, ending)
            files.write_durably(self.data / "pictures" / str(row["original_file"]), original)
        if view is not None:
            row["view_file"] = _file_name(inspection, picture.camera, _sha256(view), "_view.jpg")
            files.write_durably(self.data / "pictures" / str(row["view_file"]), view)
        return row

    # -- find

    def inspection(self, inspection_id: int, *, ribbons: bool = True) -> Inspection | None:
        """One inspection, all of it; without ribbons it is read faster. Ribbons no longer kept come back as ()."""
        return self._one(
            select(InspectionTable.inspection_id).where(InspectionTable.inspection_id == inspection_id), ribbons
        )

    def latest(self) -> Inspection | None:
        """The newest inspection, without its ribbons."""
        return self._one(
            select(InspectionTable.inspection_id).order_by(InspectionTable.inspection_id.desc()).limit(1), False
        )

    def _one(self, which: Select[int], ribbons: bool) -> Inspection | None:
        found = self._rows(
            select(
                InspectionTable.inspection_id, InspectionTable.record, InspectionTable.ribbons_file, ArraysTable.content
            )
            .join(ArraysTable, ArraysTable.inspection_id == InspectionTable.inspection_id)
            .where(InspectionTable.inspection_id == which.scalar_subquery())
        )
        if not found:
            return None
        inspection_id, record, ribbons_file, content = found[0]
        inspection: Inspection = from_plain(Inspection, json.loads(record), unpack(content))
        inspection = replace(inspection, inspection_id=inspection_id)
        if ribbons and ribbons_file is not None and (packed := self._file("ribbons", ribbons_file)) is not None:
            header, _, body = packed.partition(b"\n")
            kept: tuple[Ribbon, ...] = from_plain(tuple[Ribbon, ...], json.loads(header), unpack(body))
            inspection = replace(inspection, measurement=replace(inspection.measurement, ribbons=kept))
        return inspection

    def attempts(self, shell_id: str) -> tuple[Row, ...]:
        """Every look at one shell, the first one first."""
        return self._list(
            select(*_ROW_COLUMNS).where(InspectionTable.shell_id == shell_id).order_by(InspectionTable.attempt)
        )

    def measured(self, shell_id: str) -> frozenset[int]:
        """Ids of the looks at one shell that measured it (``Inspection.measured``)."""
        return frozenset(row[0] for row in self._rows(looks.measured(shell_id)))

    def before(self, shell_id: str, shell: str, at: str, same_shell_h: float) -> Before:
        """What went before a look at a shell at this moment (ISO 8601, UTC), measured by the definition ``shell``."""
        earlier = looks.still_the_same(self.attempts(shell_id), at, same_shell_h)
        counted = [row for row in earlier if row.shell == shell]
        if counted:
            ids = self.measured(shell_id)
            counted = [row for row in counted if row.inspection_id in ids]
        last = self.inspection(counted[-1].inspection_id, ribbons=False) if counted else None
        if last is None:
            return Before()
        strands = tuple(flaw for flaw in last.measurement.flaws if flaw.kind is FlawKind.STRAND)
        return Before(len(counted), strands)

    def last_good(self, inspection_id: int, shell: str) -> int | None:
        """The last look at a shell of this definition before an inspection that was green."""
        row = InspectionTable
        earlier = (row.shell == shell, row.inspection_id < inspection_id, row.answer == Answer.CONFORMING.value)
        found = self._rows(select(row.inspection_id).where(*earlier).order_by(row.inspection_id.desc()).limit(1))
        return int(found[0][0]) if found else None

    def neighbours(self, inspection_id: int) -> tuple[int | None, int | None]:
        """The ids of the inspections before and after one, None where there is none."""
        number = InspectionTable.inspection_id
        earlier = select(func.max(number)).where(number < inspection_id).scalar_subquery()
        later = select(func.min(number)).where(number > inspection_id).scalar_subquery()
        ((before, after),) = self._rows(select(earlier, later))
        return before, after

    def listing(self, limit: int = 50, before_id: int | None = None, wanted: Wanted = ALL) -> tuple[Row, ...]:
        """Up to ``limit`` inspections, newest first; ``before_id`` goes on after the last id of a former page."""
        query = select(*_ROW_COLUMNS).order_by(InspectionTable.inspection_id.desc()).limit(limit)
        if before_id is not None:
            query = query.where(InspectionTable.inspection_id < before_id)
        return self._list(wanted.narrow(query))

    def found(self, wanted: Wanted) -> Wanted:
        """The same, with its words looked for once where few hold them: it is asked for several times."""
        if not wanted.words.split():
            return wanted
        rows = self._rows(wanted.with_words().limit(search.FEW + 1))
        if len(rows) > search.FEW:
            return replace(wanted, common=True)
        return replace(wanted, ids=tuple(row[0] for row in rows))

    # -- count

    def counts(self, wanted: Wanted = ALL) -> dict[Answer, int]:
        """How often each answer was given."""
        found = {row[0]: int(row[1]) for row in self._rows(search.answers(wanted))}
        return {answer: found.get(answer.value, 0) for answer in Answer}

    def answer_times(self, wanted: Wanted) -> list[tuple[str, Answer]]:
        """When each answer was given."""
        return [(row[0], Answer(row[1])) for row in self._rows(search.answer_times(wanted))]

    def reds(self, wanted: Wanted = ALL) -> list[PlaceCount]:
        """Where shells were bad, the place of most of them first."""
        return [PlaceCount(**row._mapping) for row in self._rows(search.reds(wanted))]

    def lengths(self, wanted: Wanted) -> list[LengthRead]:
        """The known lengths between fixture marks as the pictures read them, oldest first."""
        return [LengthRead(**row._mapping) for row in self._rows(search.lengths(wanted))]

    def population(self, wanted: Wanted, limit: int, same_shell_h: float = 24.0) -> Population:
        """The numbers of the newest ``limit`` looks that fit, one look a shell: the last one."""
        rows = self._rows(readings.newest(wanted, limit))
        return readings.population(rows, self._layouts(), limit, same_shell_h)

    def repeatability(self, shell: str, same_shell_h: float = 24.0) -> Repeatability | None:
        """How the shell of this kind that was looked at again and again last repeats; None where none was."""
        found = self._rows(readings.looked_at_often(shell))
        if not found:
            return None
        rows = self._rows(readings.newest(Wanted(shell_id=found[0][0], shell=shell), MOST_REPEATS))
        return readings.repeatability(rows, self._layouts(), same_shell_h)

    def _layouts(self) -> dict[int, str]:
        return {row.layout_id: row.characteristics for row in self._rows(select(*_LAYOUT_COLUMNS))}

    # -- pictures

    def picture(self, inspection_id: int, camera: str) -> bytes | None:
        """The original file of a picture; None where it is not kept."""
        name = self._picture_column(PictureTable.original_file, inspection_id, camera)
        return None if name is None else self._file("pictures", name)

    def picture_name(self, inspection_id: int, camera: str) -> str | None:
        """The name that the original file came in with; None where the file is not kept."""
        kept = self._picture_column(PictureTable.original_file, inspection_id, camera)
        return None if kept is None else self._picture_column(PictureTable.name, inspection_id, camera)

    def view(self, inspection_id: int, camera: str) -> bytes | None:
        """A JPEG of a picture, for looking only; None where there is none."""
        name = self._picture_column(PictureTable.view_file, inspection_id, camera)
        return None if name is None else self._file("pictures", name)

    def kept_files(self, inspection_id: int) -> dict[str, KeptFiles]:
        """By camera, which of its files are there, without reading them."""
        columns = (PictureTable.camera, PictureTable.view_file, PictureTable.original_file)
        rows = self._rows(select(*columns).where(PictureTable.inspection_id == inspection_id))
        pictures = self.data / "pictures"
        return {
            camera: KeptFiles(*(name is not None and (pictures / name).is_file() for name in names))
            for camera, *names in rows
        }

    def viewed(self, inspection_ids: Sequence[int]) -> dict[int, str]:
        """A camera of which a view is kept, by inspection; without looking whether the files are still there."""
        columns = (PictureTable.inspection_id, func.min(PictureTable.camera))
        of_these = PictureTable.inspection_id.in_(inspection_ids) & PictureTable.view_file.is_not(None)
        rows = self._rows(select(*columns).where(of_these).group_by(PictureTable.inspection_id))
        return {row[0]: row[1] for row in rows}

    def shell_with_pixels(self, pixels_sha256: str) -> str | None:
        """The shell id of an earlier picture with exactly these pixels."""
        query = (
            select(InspectionTable.shell_id)
            .join(PictureTable, PictureTable.inspection_id == InspectionTable.inspection_id)
            .where(PictureTable.pixels_sha256 == pixels_sha256)
            .order_by(InspectionTable.inspection_id)
            .limit(1)
        )
        found = self._rows(query)
        return str(found[0][0]) if found else None

    def kept_picture(self, sha256: str, taken_at: str) -> PictureFile | None:
        """What the record says of this very file, taken in at this time; None: it is still to be looked at."""
        found = self._rows(select(PictureTable).where(PictureTable.sha256 == sha256, PictureTable.taken_at == taken_at))
        return (
            PictureFile(**{name: getattr(found[0], name) for name in PictureFile.__dataclass_fields__})
            if found
            else None
        )

    def _picture_column(self, column: Any, inspection_id: int, camera: str) -> str | None:
        found = self._rows(
            select(column).where(PictureTable.inspection_id == inspection_id, PictureTable.camera == camera)
        )
        return found[0][0] if found else None

    def _file(self, folder: str, name: str) -> bytes | None:
        """A file of the record; None if it has been thrown away to save space."""
        path = self.data / folder / name
        try:
            return path.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise files.explained(error, path) from error

    def _list(self, query: Select[*tuple[Any, ...]]) -> tuple[Row, ...]:
        return tuple(Row(**{**row._mapping, "answer": Answer(row.answer)}) for row in self._rows(query))

    def rows(self, query: Select[*tuple[Any, ...]]) -> list[Any]:
        """What a query reads."""
        return self._rows(query)

    def _rows(self, query: Select[*tuple[Any, ...]]) -> list[Any]:
        with plain_errors(self._engine), self._engine.connect() as connection:
            return list(connection.execution_options(**READING).execute(query).all())

    # -- watch

    def version(self) -> int:
        """A number that changes when anybody else has committed anything; cheap enough to ask every 0.2 s."""
        with self._watch_lock, plain_errors(self._engine):
            if self._watch is None:  # the number is only comparable on one and the same connection
                self._watch = sqlite3.connect(self.data / RECORD_FILE, isolation_level=None, check_same_thread=False)
            return int(self._watch.execute("PRAGMA data_version").fetchone()[0])

    def close(self) -> None:
        with self._watch_lock:
            if self._watch is not None:
                self._watch.close()
                self._watch = None
        self._engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _file_name(inspection: Inspection, part: str, sha256: str, ending: str) -> str:
    """Below its folder, one folder a day: findable by a person, and the same bytes always have the same name."""
    shell_id = files.plain_name(inspection.shell_id)
    return f"{inspection.finished_at[:10]}/{shell_id}_{files.plain_name(part)}_{sha256[:16]}{ending}"
