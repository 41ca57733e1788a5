"""The first tables: inspections with arrays and pictures, calibrations, the station's state."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "inspection",
        sa.Column("inspection_id", sa.Integer, primary_key=True),
        sa.Column("shell_id", sa.String, nullable=False),
        sa.Column("attempt", sa.Integer, nullable=False),
        sa.Column("shell", sa.String, nullable=False),
        sa.Column("variant", sa.String, nullable=False),
        sa.Column("answer", sa.String, nullable=False),
        sa.Column("sentence", sa.String, nullable=False),
        sa.Column("action", sa.String, nullable=False),
        sa.Column("characteristic", sa.String, nullable=False),
        sa.Column("where", sa.String, nullable=False),
        sa.Column("started_at", sa.String, nullable=False),
        sa.Column("finished_at", sa.String, nullable=False),
        sa.Column("record", sa.Text, nullable=False),
        sa.Column("ribbons_file", sa.String, nullable=True),
        sa.CheckConstraint(
            "answer IN ('CONFORMING', 'NONCONFORMING', 'NOT PROVEN', 'NO RESULT')", name="ck_inspection_answer"
        ),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_inspection_shell_id_attempt", "inspection", ["shell_id", "attempt"], unique=True)
    op.create_index("ix_inspection_answer", "inspection", ["answer"])
    op.create_index("ix_inspection_finished_at", "inspection", ["finished_at"])
    op.create_table(
        "arrays",
        sa.Column("inspection_id", sa.Integer, sa.ForeignKey("inspection.inspection_id"), primary_key=True),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "picture",
        sa.Column("inspection_id", sa.Integer, sa.ForeignKey("inspection.inspection_id"), primary_key=True),
        sa.Column("camera", sa.String, primary_key=True),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("sha256", sa.String, nullable=False),
        sa.Column("pixels_sha256", sa.String, nullable=False),
        sa.Column("taken_at", sa.String, nullable=False),
        sa.Column("original_file", sa.String, nullable=True),
        sa.Column("view_file", sa.String, nullable=True),
    )
    op.create_index("ix_picture_pixels_sha256", "picture", ["pixels_sha256"])
    op.create_table(
        "calibration",
        sa.Column("calibration_id", sa.String, primary_key=True),
        sa.Column("camera", sa.String, nullable=False),
        sa.Column("made_at", sa.String, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
    )
    op.create_table(
        "state",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("expected_shell", sa.String, nullable=True),
        sa.Column("expected_variant", sa.String, nullable=True),
        sa.Column("expected_temperature_c", sa.Float, nullable=True),
        sa.Column("expected_since", sa.String, nullable=True),
        sa.Column("measuring", sa.String, nullable=True),
        sa.Column("measuring_since", sa.String, nullable=True),
        sa.Column("heartbeat_at", sa.String, nullable=True),
        sa.Column("message", sa.String, nullable=False),
        sa.Column("message_at", sa.String, nullable=True),
        sa.CheckConstraint("id = 1", name="ck_state_one_row"),
    )
    op.execute("INSERT INTO state (id, message) VALUES (1, '')")
