"""Named persons and who is signed in; the record of changes, which only grows."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "person",
        sa.Column("key", sa.String, primary_key=True),
        sa.Column("name", sa.String, nullable=False),
        sa.Column("role", sa.String, nullable=False),
        sa.Column("password", sa.String, nullable=False),
        sa.Column("active", sa.Boolean, nullable=False),
        sa.Column("since", sa.String, nullable=False),
        sa.CheckConstraint("role IN ('operator', 'engineer', 'quality', 'administrator')", name="ck_person_role"),
    )
    op.create_table(
        "signed_in",
        sa.Column("token_sha256", sa.String, primary_key=True),
        sa.Column("key", sa.String, sa.ForeignKey("person.key"), nullable=False),
        sa.Column("since", sa.String, nullable=False),
        sa.Column("seen_at", sa.String, nullable=False),
    )
    op.create_table(
        "change",
        sa.Column("change_id", sa.Integer, primary_key=True),
        *(
            sa.Column(name, sa.String, nullable=False)
            for name in ("at", "who", "role", "what", "subject", "reason", "details", "former_sha256", "sha256")
        ),
    )
    op.create_index("ix_change_subject", "change", ["subject"])
    op.create_table(
        "change_seen",
        sa.Column("change_id", sa.Integer, primary_key=True),
        sa.Column("sha256", sa.String, nullable=False),
        sa.Column("inspection_id", sa.Integer, nullable=False),
    )
    refusals = [
        ("person", "DELETE", "a person stays in the record: switch off instead"),
        *((table, change, "the record of changes only grows") for table in ("change", "change_seen")
          for change in ("UPDATE", "DELETE")),
    ]  # fmt: skip
    for table, change, words in refusals:
        op.execute(
            f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
        )
