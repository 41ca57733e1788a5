"""Calibrations in the record: each as its file said it, who made it, and which one the station measures with.

Nothing here is ever changed: going back to an older calibration is one more line, with who did it and why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, func, insert, select
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

from edgeinspect.store.changes import AT_THE_MACHINE, Changes, Who
from edgeinspect.store.database import READING, plain_errors
from edgeinspect.store.schema import CalibrationTable, CalibrationUseTable, InspectionTable, PictureTable


@dataclass(frozen=True)
class KeptCalibration:
    calibration_id: str
    camera: str
    made_at: str  # ISO 8601, UTC
    content: str  # the calibration file, as it was
    who: str = ""  # made it; "" where nobody was named


@dataclass(frozen=True)
class CalibrationUse:
    """From ``at`` on the camera measures with this calibration."""

    camera: str
    calibration_id: str
    at: str  # ISO 8601, UTC
    who: str
    why: str


@dataclass(frozen=True)
class Move:
    """How far a camera stood from where it was calibrated, in one inspection."""

    inspection_id: int
    shell_id: str
    finished_at: str
    camera: str
    moved_mm: float | None  # greatest apparent displacement at the shell; None where the marks were not seen


class CalibrationRecord:
    """Part of ``Store``. All methods raise StoreError and may be called from any thread."""

    def __init__(self, changes: Changes) -> None:
        self._changes = changes
        self._engine = changes.engine

    def keep(self, calibration: KeptCalibration, use: CalibrationUse | None = None, role: str = AT_THE_MACHINE) -> None:
        """Keep a calibration, and use it from now on where ``use`` says so. The same id twice is kept once.

        Which one is used is a change, made by the person that ``use`` names, in this role.
        """
        add = insert_sqlite(CalibrationTable).on_conflict_do_nothing()
        if use is None:
            with plain_errors(self._engine), self._engine.begin() as connection:
                connection.execute(add, vars(calibration))
            return
        who, details = Who(use.who, role), {"calibration": use.calibration_id}
        with self._changes.change(
            use.at, who, "calibration in use", f"camera {use.camera}", use.why, details
        ) as connection:
            connection.execute(add, vars(calibration))
            connection.execute(insert(CalibrationUseTable), vars(use))

    def all(self) -> tuple[KeptCalibration, ...]:
        """Newest first."""
        rows = self._rows(select(CalibrationTable).order_by(CalibrationTable.made_at.desc()))
        return tuple(KeptCalibration(**row._mapping) for row in rows)

    def one(self, calibration_id: str) -> KeptCalibration | None:
        rows = self._rows(select(CalibrationTable).where(CalibrationTable.calibration_id == calibration_id))
        return KeptCalibration(**rows[0]._mapping) if rows else None

    def uses(self) -> tuple[CalibrationUse, ...]:
        """Every change of the calibration in use, newest first."""
        columns = [getattr(CalibrationUseTable, name) for name in CalibrationUse.__dataclass_fields__]
        rows = self._rows(select(*columns).order_by(CalibrationUseTable.use_id.desc()))
        return tuple(CalibrationUse(**row._mapping) for row in rows)

    def in_use(self) -> dict[str, str]:
        """Calibration id by camera; a camera is missing as long as nobody has chosen for it."""
        last = select(func.max(CalibrationUseTable.use_id)).group_by(CalibrationUseTable.camera)
        rows = self._rows(
            select(CalibrationUseTable.camera, CalibrationUseTable.calibration_id).where(
                CalibrationUseTable.use_id.in_(last)
            )
        )
        return {row.camera: row.calibration_id for row in rows}

    def moves(self, inspections: int) -> tuple[Move, ...]:
        """Of every camera in the last so many inspections, the oldest first."""
        last = select(func.max(InspectionTable.inspection_id)).scalar_subquery()
        rows = self._rows(
            select(
                InspectionTable.inspection_id,
                InspectionTable.shell_id,
                InspectionTable.finished_at,
                PictureTable.camera,
                PictureTable.moved_mm,
            )
            .join(PictureTable, PictureTable.inspection_id == InspectionTable.inspection_id)
            .where(InspectionTable.inspection_id > last - inspections)
            .order_by(InspectionTable.inspection_id, PictureTable.camera)
        )
        return tuple(Move(**row._mapping) for row in rows)

    def _rows(self, query: Select[*tuple[Any, ...]]) -> list[Any]:
        with plain_errors(self._engine), self._engine.connect() as connection:
            return list(connection.execution_options(**READING).execute(query).all())
