"""Thousands of inspections, as a station writes them in some weeks, put into the record in one go.

Answers, places and times are drawn by chance from a fixed seed; the rows are what ``Store.save`` writes (a test
compares the two), only the record itself is a text of ``record_bytes``, which no list reads.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from sqlalchemy import insert

from edgeinspect.conformity import Answer
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.store.inspections import Store
from edgeinspect.store.schema import FindingTable, InspectionTable, KnownLengthTable

SHARES = {Answer.CONFORMING: 0.9, Answer.NONCONFORMING: 0.06, Answer.NOT_PROVEN: 0.03, Answer.NO_RESULT: 0.01}


@dataclass
class Written:
    """What was put in, counted apart from the database."""

    answers: Counter[Answer] = field(default_factory=Counter)
    red_shells: dict[str, set[str]] = field(default_factory=dict)  # by place
    per_hour: Counter[tuple[str, Answer]] = field(default_factory=Counter)  # by hour, "2024-11-25T10", UTC


def write_many(
    store: Store,
    lid: ShellDefinition,
    count: int,
    *,
    last: datetime,
    every_s: float = 120.0,
    record_bytes: int = 300,
    shares: dict[Answer, float] = SHARES,
) -> Written:
    """``count`` inspections ``every_s`` apart, the last one at ``last``."""
    chance, written = random.Random(count), Written()
    places = [(f"zone {zone.name}", zone.words) for zone in lid.zones]
    places += [(f"cut-out {one.name} position", one.words) for one in lid.cutouts]
    places += [(f"cut-out {one.name} size", one.words) for one in lid.cutouts]
    places += [(f"decal {one.name} up", one.words) for one in lid.decals]
    places += [("path shift", "whole outline"), ("path rotation", "whole outline")]
    inspections, findings, lengths = [], [], []
    for number in range(1, count + 1):
        at = last - timedelta(seconds=every_s * (count - number))
        text = at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        (answer,) = chance.choices(list(shares), list(shares.values()))
        shell_id = f"M{number // 11 * 11 if number % 11 == 1 else number}"  # now and then a second look
        bad = chance.choice(places) if answer is not Answer.CONFORMING else ("", "")
        written.answers[answer] += 1
        written.per_hour[text[:13], answer] += 1
        if answer is Answer.NONCONFORMING:
            written.red_shells.setdefault(bad[1], set()).add(shell_id)
        inspections.append(
            {
                "inspection_id": number,
                "shell_id": shell_id,
                "attempt": 2 if number % 11 == 1 and number > 11 else 1,
                "shell": lid.name,
                "variant": "standard",
                "answer": answer.value,
                "sentence": f"{bad[1] or places[number % 10][1]}: 0.{number % 89 + 10} mm too much material "
                "(limit +0.50 mm)",
                "action": "rack it",
                "characteristic": bad[0],
                "where": bad[1],
                "started_at": text,
                "finished_at": text,
                "record": "{}" + " " * record_bytes,
                "ribbons_file": None,
            }
        )
        told = [bad] if answer is not Answer.CONFORMING else [places[number % 10]]
        for rank, (characteristic, where) in enumerate(told):
            findings.append(
                {
                    "inspection_id": number,
                    "number": rank,
                    "characteristic": characteristic,
                    "where": where,
                    "answer": (answer if (characteristic, where) == bad else Answer.CONFORMING).value,
                    "unit": "mm",
                    "value": chance.gauss(0, 0.2),
                    "u": 0.02,
                    "lower": -0.5,
                    "upper": 0.5,
                }
            )
        if answer is not Answer.NO_RESULT:
            for pair, known in enumerate((430.0, 320.0)):
                read = {"words": f"marks {pair} to {pair + 1}", "known_mm": known, "read_mm": chance.gauss(known, 0.01)}
                lengths.append({"inspection_id": number, "camera": "top", "number": pair, **read})
    with store._engine.begin() as connection:
        for table, rows in ((InspectionTable, inspections), (FindingTable, findings), (KnownLengthTable, lengths)):
            connection.execute(insert(table), rows)
    return written
