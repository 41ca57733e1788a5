"""Judged characteristics and known lengths as tables of their own, so that they can be counted; what the station says.

Both are filled from the records that are there.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# Numbers that JSON does not know (nan) are kept as text in a record: here they are nothing.
FILL_FINDINGS = """
INSERT INTO finding (inspection_id, number, characteristic, "where", answer, unit, value, u, lower, upper)
SELECT inspection_id, each.key, json_extract(each.value, '$.characteristic'), json_extract(each.value, '$.where'),
    json_extract(each.value, '$.answer'), json_extract(each.value, '$.unit'), {numbers}
FROM inspection, json_each(inspection.record, '$.verdict.findings') AS each
""".format(
    numbers=", ".join(
        f"CASE WHEN json_type(each.value, '$.{name}') IN ('real', 'integer') "
        f"THEN json_extract(each.value, '$.{name}') END"
        for name in ("value", "u", "lower", "upper")
    )
)
FILL_LENGTHS = """
INSERT INTO known_length (inspection_id, camera, number, words, known_mm, read_mm)
SELECT inspection_id, json_extract(view.value, '$.camera'), length.key, json_extract(length.value, '$[0]'),
    json_extract(length.value, '$[1]'), json_extract(length.value, '$[2]')
FROM inspection, json_each(inspection.record, '$.measurement.views') AS view,
    json_each(view.value, '$.lengths') AS length
WHERE json_type(length.value, '$[2]') IN ('real', 'integer')
"""


def upgrade() -> None:
    op.create_table(
        "finding",
        sa.Column("inspection_id", sa.Integer, sa.ForeignKey("inspection.inspection_id"), primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("characteristic", sa.String, nullable=False),
        sa.Column("where", sa.String, nullable=False),
        sa.Column("answer", sa.String, nullable=False),
        sa.Column("unit", sa.String, nullable=False),
        sa.Column("value", sa.Float, nullable=True),
        sa.Column("u", sa.Float, nullable=True),
        sa.Column("lower", sa.Float, nullable=True),
        sa.Column("upper", sa.Float, nullable=True),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "known_length",
        sa.Column("inspection_id", sa.Integer, sa.ForeignKey("inspection.inspection_id"), primary_key=True),
        sa.Column("camera", sa.String, primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("words", sa.String, nullable=False),
        sa.Column("known_mm", sa.Float, nullable=False),
        sa.Column("read_mm", sa.Float, nullable=False),
        sqlite_with_rowid=False,
    )
    op.execute(FILL_FINDINGS)
    op.execute(FILL_LENGTHS)
    op.create_index("ix_finding_answer", "finding", ["answer", "where"])
    op.create_index("ix_finding_where", "finding", ["where", "answer"])
    op.drop_index("ix_inspection_finished_at", "inspection")
    op.create_index("ix_inspection_finished_at", "inspection", ["finished_at", "answer"])
    with op.batch_alter_table("state") as state:
        state.add_column(sa.Column("message_word", sa.String, nullable=False, server_default=""))
        state.add_column(sa.Column("interrupted", sa.String, nullable=True))
        state.add_column(sa.Column("interrupted_at", sa.String, nullable=True))
        state.add_column(sa.Column("interrupted_times", sa.Integer, nullable=False, server_default="0"))
