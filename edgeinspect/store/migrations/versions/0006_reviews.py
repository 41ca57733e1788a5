"""What people say of a look afterwards: labels, dispositions, marks of what was changed at the cell. They only grow."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "label",
        sa.Column("label_id", sa.Integer, primary_key=True),
        sa.Column("inspection_id", sa.Integer, sa.ForeignKey("inspection.inspection_id"), nullable=False),
        sa.Column("label", sa.String, nullable=False),
        *_said(),
        sa.CheckConstraint(
            "label IN ('truly bad', 'good', 'loose chip', 'gauge at fault', 'withdrawn')", name="ck_label_label"
        ),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "disposition",
        sa.Column("disposition_id", sa.Integer, primary_key=True),
        sa.Column("shell_id", sa.String, nullable=False),
        sa.Column("inspection_id", sa.Integer, sa.ForeignKey("inspection.inspection_id"), nullable=False),
        sa.Column("disposition", sa.String, nullable=False),
        *_said(),
        sa.CheckConstraint(
            "disposition IN ('rework', 'concession', 'scrap', 'hold', 'withdrawn')", name="ck_disposition_disposition"
        ),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "change_mark",
        sa.Column("change_mark_id", sa.Integer, primary_key=True),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("from_at", sa.String, nullable=False),
        sa.Column("from_shell_id", sa.String, nullable=False),
        *_said(),
        sa.CheckConstraint("kind IN ('bit', 'program', 'fixture', 'lot', 'light')", name="ck_change_mark_kind"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_label_inspection_id", "label", ["inspection_id"])
    op.create_index("ix_disposition_shell_id", "disposition", ["shell_id"])
    op.create_index("ix_change_mark_from_at", "change_mark", ["from_at"])
    op.create_index("ix_inspection_shell", "inspection", ["shell"])
    op.create_index(
        "ix_inspection_not_green", "inspection", ["inspection_id"], sqlite_where=sa.text("answer != 'CONFORMING'")
    )
    for table in ("label", "disposition", "change_mark"):
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'what a person said is never changed: say it anew'); END"
            )


def _said() -> list[sa.Column[str]]:
    return [sa.Column(name, sa.String, nullable=False) for name in ("reason", "who", "role", "at")]
