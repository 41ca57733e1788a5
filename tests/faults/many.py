"""How often a good shell is refused and a bad one passed, and bad days by the hundred:
``python -m tests.faults.many FOLDER`` looks at 1,000 good shells, 1,000 exactly at a limit, 300 beyond one by g, and at
twenty kinds of bad day with twenty seeds each. One line a look goes into FOLDER/looks.jsonl at once; a run that was
stopped goes on where it was. ``--table`` only prints what is there.

Every look is of another shell with its own noise; calibration and marks are those of the sample pictures throughout, so
their share of the uncertainty is one draw, as it is at a real station. SOURCE of the decision rule: ISO 14253-1, g =
1.65 u; of the intervals: Clopper and Pearson 1934, by scipy.stats.binomtest.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from scipy.stats import binomtest

from edgeinspect.conformity import Answer

from .days import FAULTS
from .limits import bad_shell, checks_of, good_shell, look_at

HOW_MANY = {"good": 1000, "at a limit": 1000, "beyond a limit by g": 300}
SEEDS = 20
FIRST_SEED = 31


def jobs() -> Iterator[tuple[str, int]]:
    """Kind and number, the kinds side by side, so that a part of a run says something of each."""
    for number in range(max(HOW_MANY.values())):
        for kind, count in HOW_MANY.items():
            if number < count:
                yield kind, number
        if number < SEEDS:
            for fault in FAULTS:
                yield fault, FIRST_SEED + number


def look(kind: str, number: int) -> dict[str, Any]:
    """One look: what it was and what was said."""
    told: dict[str, Any] = {"kind": kind, "number": number}
    if kind in FAULTS:
        said = FAULTS[kind](number)
        return told | {"answer": said.answer.value, "sentence": said.sentence, "named": said.named}
    if kind == "good":
        verdict, name = look_at(good_shell(number)), ""
    else:
        name, scene = bad_shell(number, 0.0 if kind == "at a limit" else 1.0)
        verdict = look_at(scene, checks_of(name))
    return told | {"answer": verdict.answer.value, "sentence": verdict.sentence, "of": name}


def lines(folder: Path) -> list[dict[str, Any]]:
    """What was looked at so far; a line that a kill cut short is left out."""
    found = []
    path = folder / "looks.jsonl"
    for row in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
        try:
            found.append(json.loads(row))
        except ValueError:
            continue
    return found


def run(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    done = {(row["kind"], row["number"]) for row in lines(folder)}
    left = [job for job in jobs() if job not in done]
    started = time.monotonic()
    path = folder / "looks.jsonl"
    if path.exists() and not path.read_bytes().endswith(b"\n"):
        with path.open("ab") as out:
            out.write(b"\n")
    with path.open("a", encoding="utf-8") as out:
        for count, (kind, number) in enumerate(left, start=1):
            out.write(json.dumps(look(kind, number)) + "\n")
            out.flush()
            os.fsync(out.fileno())
            if count % 50 == 0:
                each = (time.monotonic() - started) / count
                print(f"{count} of {len(left)}, {each:.2f} s each", file=sys.stderr, flush=True)


def interval(count: int, of: int) -> str:
    found = binomtest(count, of).proportion_ci(0.95, "exact")
    return f"{count} of {of}: {100 * count / of:.1f} % ({100 * found.low:.1f} to {100 * found.high:.1f} %)"


def table(rows: list[dict[str, Any]]) -> str:
    green = Answer.CONFORMING.value
    said = ["| shells | counted | share (95 %) |\n|---|---|---|"]
    for kind in HOW_MANY:
        of = [row for row in rows if row["kind"] == kind]
        wanted = [row for row in of if (row["answer"] != green) == (kind == "good")]
        if of:
            said.append(f"| {kind} | {'not green' if kind == 'good' else 'green'} | {interval(len(wanted), len(of))} |")
    said.append("\n| bad day | looks | green | named |\n|---|---|---|---|")
    for fault in FAULTS:
        of = [row for row in rows if row["kind"] == fault]
        if of:
            greens, named = sum(row["answer"] == green for row in of), sum(row["named"] for row in of)
            said.append(f"| {fault} | {len(of)} | {greens} | {named} |")
    return "\n".join(said)


def surprises(rows: list[dict[str, Any]]) -> str:
    """The looks that should not be, in full."""
    green = Answer.CONFORMING.value
    odd = [
        row
        for row in rows
        if (row["kind"] == "good" and row["answer"] != green)
        or (row["kind"] != "good" and row["kind"] != "at a limit" and row["answer"] == green)
        or not row.get("named", True)
    ]
    return "\n".join(json.dumps(row) for row in odd)


def main() -> None:
    parser = argparse.ArgumentParser(prog="tests.faults.many", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--table", action="store_true", help="only print what was looked at so far")
    args = parser.parse_args()
    if not args.table:
        run(args.folder)
    rows = lines(args.folder)
    print(table(rows), surprises(rows), sep="\n\n")


if __name__ == "__main__":
    main()
