"""Which shell the station was set to, when and from where, and which inspection confirmed it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "changeover",
        sa.Column("changeover_id", sa.Integer, primary_key=True),
        sa.Column("shell", sa.String, nullable=False),
        sa.Column("variant", sa.String, nullable=False),
        sa.Column("at", sa.String, nullable=False),
        sa.Column("who", sa.String, nullable=False),
        sa.Column("after_id", sa.Integer, nullable=False),
        sa.Column("confirmed_at", sa.String, nullable=True),
        sa.Column("confirmed_by", sa.Integer, sa.ForeignKey("inspection.inspection_id"), nullable=True),
        sqlite_autoincrement=True,
    )
    refused = "SELECT RAISE(ABORT, 'what a station was set to is never changed afterwards')"
    op.execute(f"CREATE TRIGGER changeover_no_delete BEFORE DELETE ON changeover BEGIN {refused}; END")
    op.execute(
        "CREATE TRIGGER changeover_no_update BEFORE UPDATE ON changeover WHEN OLD.confirmed_at IS NOT NULL "
        "OR NEW.changeover_id IS NOT OLD.changeover_id OR NEW.shell IS NOT OLD.shell "
        "OR NEW.variant IS NOT OLD.variant OR NEW.at IS NOT OLD.at OR NEW.who IS NOT OLD.who "
        f"OR NEW.after_id IS NOT OLD.after_id BEGIN {refused}; END"
    )
