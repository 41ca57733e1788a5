"""Who made a calibration, which one is in use since when and why, and how far each camera had moved."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("calibration", sa.Column("who", sa.String, nullable=False, server_default=""))
    op.create_table(
        "calibration_use",
        sa.Column("use_id", sa.Integer, primary_key=True),
        sa.Column("camera", sa.String, nullable=False),
        sa.Column("calibration_id", sa.String, sa.ForeignKey("calibration.calibration_id"), nullable=False),
        sa.Column("at", sa.String, nullable=False),
        sa.Column("who", sa.String, nullable=False),
        sa.Column("why", sa.String, nullable=False),
        sqlite_autoincrement=True,
    )
    for change in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER calibration_use_no_{change.lower()} BEFORE {change} ON calibration_use "
            "BEGIN SELECT RAISE(ABORT, 'which calibration was in use is never changed afterwards'); END"
        )
    op.add_column("picture", sa.Column("moved_mm", sa.Float, nullable=True))
    # What is measured as not a number stands in the record as a text, and stays NULL here.
    op.execute(
        "UPDATE picture SET moved_mm = (SELECT json_extract(view.value, '$.moved_mm') "
        "FROM inspection, json_each(inspection.record, '$.measurement.views') AS view "
        "WHERE inspection.inspection_id = picture.inspection_id "
        "AND json_extract(view.value, '$.camera') = picture.camera "
        "AND json_type(view.value, '$.moved_mm') IN ('real', 'integer'))"
    )
