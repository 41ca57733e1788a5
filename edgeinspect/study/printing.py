"""How the commands of studies say answers before and after."""

from __future__ import annotations

from rich.markup import escape
from rich.table import Table

from edgeinspect.conformity import Answer
from edgeinspect.terminal import COLOURS, out

NOTHING_CHANGED = "A study: nothing in the record was changed."


def answer_table(before: dict[Answer, int], after: dict[Answer, int], was: str, now: str) -> Table:
    table = Table("answer", was, now, box=None, padding=(0, 2, 0, 0))
    for answer in Answer:
        table.add_row(f"[{COLOURS[answer]}]{answer}[/]", str(before[answer]), str(after[answer]))
    return table


def print_flip(look: str, before: Answer, after: Answer, why: str) -> None:
    answers = f"[{COLOURS[before]}]{before}[/] → [bold {COLOURS[after]}]{after}[/]"
    out.print(f"{escape(look)}: {answers}: {escape(why)}", soft_wrap=True)
