"""The flaws of every look among its numbers, to try limits of flaws on, instead of one answer for all of them.

From the text of the records. Records of before say that flaws were looked for only by having some: the others stay
without, which means "not looked for".
"""

from __future__ import annotations

import json
import struct
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

KINDS = ("nick", "burr", "strand")
SAME_PLACE_MM = 2.0


def upgrade() -> None:
    connection = op.get_bind()
    some, none = '"flaws":[{', '"flaws_sought":true'
    last = 0
    while rows := connection.execute(
        sa.text(
            "SELECT inspection_id, record, characteristics, content FROM reading JOIN layout USING (layout_id) "
            "JOIN inspection USING (inspection_id) WHERE inspection_id > :last "
            "AND (instr(record, :some) > 0 OR instr(record, :none) > 0) ORDER BY 1 LIMIT 100"
        ),
        {"last": last, "some": some, "none": none},
    ).all():
        for last, text, layout, content in rows:
            measurement = json.loads(text)["measurement"]
            names, units = json.loads(layout)
            kept, width = content, len(names)
            if len(content) > 33 * width or "trim" not in measurement["checks"]:
                continue
            if "flaws" in names:
                at = names.index("flaws")
                numbers, seen = content[: 32 * width], content[32 * width :]
                kept = numbers[: 32 * at] + numbers[32 * (at + 1) :] + seen[:at] + seen[at + 1 :]
                names, units = names[:at] + names[at + 1 :], units[:at] + units[at + 1 :]
            connection.execute(
                sa.text("UPDATE reading SET layout_id = :layout, content = :content WHERE inspection_id = :number"),
                {
                    "layout": _layout(connection, names, units),
                    "content": kept + _flaws(measurement),
                    "number": last,
                },
            )
    op.execute("DELETE FROM layout WHERE layout_id NOT IN (SELECT layout_id FROM reading)")


def _layout(connection: sa.Connection, names: list[str], units: list[str]) -> int:
    text = {"text": json.dumps([names, units], ensure_ascii=False, separators=(",", ":"))}
    connection.execute(sa.text("INSERT OR IGNORE INTO layout (characteristics) VALUES (:text)"), text)
    found = connection.execute(sa.text("SELECT layout_id FROM layout WHERE characteristics = :text"), text)
    return int(found.scalar_one())


def _flaws(measurement: dict[str, Any]) -> bytes:
    """As process/flaws.py had them when this was written."""
    strands = measurement.get("before", {}).get("strands", ())
    kinds, sizes = bytearray(), []
    for flaw in measurement["flaws"]:
        kind = flaw["kind"]
        if kind == "strand" and any(
            flaw["curve"] == other["curve"] and abs(float(flaw["arc_mm"]) - float(other["arc_mm"])) <= SAME_PLACE_MM
            for other in strands
        ):
            kind = "burr"
        kinds.append(KINDS.index(kind))
        sizes += [float(flaw[size][part]) for size in ("length", "depth") for part in ("value", "u")]
    return b"\1" + bytes(kinds) + struct.pack(f"<{len(sizes)}d", *sizes)
