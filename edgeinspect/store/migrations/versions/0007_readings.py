"""The numbers of every characteristic, to try limits on; of what is only counted, no more than what is not good.

Filled from the records that are there, by the text of the records: later versions of the program read them otherwise.
"""

from __future__ import annotations

import json
import math
import struct
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

WHOLE, PARTLY, NOTHING = range(3)
AS_RECORDED = {"CONFORMING": 6, "NOT PROVEN": 5, "NO RESULT": NOTHING, "NONCONFORMING": 3}  # from the best on
LOOKED_AT_OFTEN, STOPPED = 1, 2
SEEN_SHARE = 0.98


def upgrade() -> None:
    op.create_table(
        "layout",
        sa.Column("layout_id", sa.Integer, primary_key=True),
        sa.Column("characteristics", sa.String, nullable=False, unique=True),
    )
    op.create_table(
        "reading",
        sa.Column("inspection_id", sa.Integer, sa.ForeignKey("inspection.inspection_id"), primary_key=True),
        sa.Column("layout_id", sa.Integer, sa.ForeignKey("layout.layout_id"), nullable=False),
        sa.Column("held", sa.Integer, nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_index("ix_inspection_sentence", "inspection", ["sentence", "answer"])
    op.create_index("ix_inspection_shell_finished_at", "inspection", ["shell", "finished_at"])
    op.execute("DELETE FROM finding WHERE answer = 'CONFORMING' AND number > 0")
    connection = op.get_bind()
    layouts: dict[str, int] = {}
    last = 0
    while rows := connection.execute(
        sa.text("SELECT inspection_id, record FROM inspection WHERE inspection_id > :last ORDER BY 1 LIMIT 100"),
        {"last": last},
    ).all():
        for last, text in rows:
            record = json.loads(text)
            if "verdict" not in record:
                continue
            names, content = _numbers(record)
            if names not in layouts:
                connection.execute(sa.text("INSERT INTO layout (characteristics) VALUES (:names)"), {"names": names})
                layouts[names] = connection.execute(sa.text("SELECT last_insert_rowid()")).scalar_one()
            connection.execute(
                sa.text("INSERT INTO reading VALUES (:inspection_id, :layout, :held, :content)"),
                {
                    "inspection_id": last,
                    "layout": layouts[names],
                    "held": _held(record["measurement"]),
                    "content": content,
                },
            )


def _held(measurement: dict[str, Any]) -> int:
    often = int(measurement.get("before", {}).get("looks", 0)) >= 2
    return STOPPED if measurement["stops"] else LOOKED_AT_OFTEN if often else 0


def _numbers(record: dict[str, Any]) -> tuple[str, bytes]:
    """Layout and content of a row, as store/readings.py had them when this was written."""
    zones = {f"zone {zone['zone']}": zone for zone in record["measurement"]["zones"]}
    everything = sorted(record["verdict"]["findings"], key=lambda finding: str(finding["characteristic"]))
    flaws = [one for one in everything if one["characteristic"].split(" ")[0] in ("nick", "burr", "strand")]
    findings = [one for one in everything if one not in flaws]
    numbers: list[float] = []
    seen = bytearray()
    for finding in findings:
        zone = zones.get(finding["characteristic"])
        if zone is not None:
            four = [float(zone[way][name]) for way in ("least", "most") for name in ("value", "u")]
            seen_mm, length_mm = float(zone["seen_mm"]), float(zone["length_mm"])
            whole = all(map(math.isfinite, (*four, seen_mm)))
            seen.append(NOTHING if not whole else PARTLY if seen_mm < SEEN_SHARE * length_mm else WHOLE)
        elif finding["value"] is not None and finding["u"] is not None:
            four = [float(finding["value"]), float(finding["u"])] * 2
            seen.append(WHOLE)
        else:
            four = [math.nan] * 4
            seen.append(AS_RECORDED[finding["answer"]])
        numbers += four
    if flaws:
        findings.append({"characteristic": "flaws", "unit": "mm"})
        numbers += [math.nan] * 4
        seen.append(AS_RECORDED[max((one["answer"] for one in flaws), key=list(AS_RECORDED).index)])
    layout = [[finding["characteristic"] for finding in findings], [finding["unit"] or "mm" for finding in findings]]
    names = json.dumps(layout, ensure_ascii=False, separators=(",", ":"))
    return names, struct.pack(f"<{len(numbers)}d", *numbers) + bytes(seen)
