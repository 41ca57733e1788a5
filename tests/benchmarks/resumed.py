"""Long runs that can be stopped: a file of lines, one JSON object a draw, with which the next run goes on."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Hashable, Iterable
from pathlib import Path
from typing import Any

Row = dict[str, Any]
SAID_EVERY = 20


def rows(file: Path) -> list[Row]:
    """What was drawn so far; a line that a kill cut short is left out."""
    found = []
    for line in file.read_text(encoding="utf-8").splitlines() if file.exists() else []:
        try:
            found.append(json.loads(line))
        except ValueError:
            continue
    return found


def go_on(file: Path, which: Callable[[Row], Hashable], places: Iterable[Any], draw: Callable[[Any], Row]) -> None:
    """Draws every one of ``places`` that has no row yet; ``which`` - of them a row is of. Says how far it is."""
    done = {which(row) for row in rows(file)}
    wanted = [place for place in places if place not in done]
    if file.exists() and not file.read_bytes().endswith(b"\n"):
        file.write_text(file.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    with file.open("a", encoding="utf-8") as out:
        started = time.monotonic()
        for count, place in enumerate(wanted, start=1):
            out.write(json.dumps(draw(place), default=float) + "\n")
            out.flush()
            os.fsync(out.fileno())
            if count % SAID_EVERY == 0:
                each_s = (time.monotonic() - started) / count
                print(f"{count} of {len(wanted)}, {each_s:.2f} s each", file=sys.stderr, flush=True)
