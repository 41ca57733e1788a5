"""Revisions of the inspection limits: proposed, approved or refused, returned from. Both tables only grow."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.String, nullable=False) for name in names]


def upgrade() -> None:
    op.create_table(
        "limits_revision",
        sa.Column("revision_id", sa.Integer, primary_key=True),
        *_texts("shell", "definition_sha256"),
        sa.Column("former_id", sa.Integer, nullable=True),
        sa.Column("limits", sa.Text, nullable=False),
        *_texts("reason", "population", "prediction", "at", "who", "role"),
    )
    op.create_table(
        "limits_use",
        sa.Column("use_id", sa.Integer, primary_key=True),
        *_texts("shell", "kind"),
        sa.Column("revision_id", sa.Integer, nullable=True),
        *_texts("from_shell_id"),
        sa.Column("after_id", sa.Integer, nullable=False),
        *_texts("reason", "at", "who", "role"),
    )
    for table in ("limits_revision", "limits_use"):
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'what limits were in effect is never changed afterwards'); END"
            )
