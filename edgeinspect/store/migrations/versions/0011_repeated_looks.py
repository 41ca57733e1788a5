"""The few shells that were looked at again and again are found without reading all."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index(
        "ix_inspection_repeated", "inspection", ["shell", "inspection_id"], sqlite_where=sa.text("attempt >= 5")
    )
