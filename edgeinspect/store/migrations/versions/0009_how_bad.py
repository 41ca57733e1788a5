"""How bad an inspection is that was not green, to show the worst first without sorting all of them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

# As review_queue.how_bad had it when this was written.
FILL = """
UPDATE inspection SET how_bad =
    1000000.0 * CASE answer WHEN 'NONCONFORMING' THEN 3 WHEN 'NO RESULT' THEN 2 ELSE 1 END
    + coalesce(
        (SELECT min(500000.0, CASE WHEN value >= 0 THEN abs(coalesce(value / nullif(upper, 0), 0))
                                   ELSE abs(coalesce(value / nullif(lower, 0), 0)) END)
         FROM finding
         WHERE finding.inspection_id = inspection.inspection_id AND number = 0 AND value IS NOT NULL),
        999999.0)
WHERE answer != 'CONFORMING'
"""


def upgrade() -> None:
    with op.batch_alter_table("inspection", recreate="never") as table:
        table.add_column(sa.Column("how_bad", sa.Float, nullable=True))
    op.execute(FILL)
    op.create_index(
        "ix_inspection_how_bad",
        "inspection",
        ["how_bad", "inspection_id"],
        sqlite_where=sa.text("answer != 'CONFORMING'"),
    )
