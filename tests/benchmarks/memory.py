"""Is the memory of a station flat? ``python -m tests.benchmarks.memory [SHELLS]``: a whole station measures so many
sample shells one after the other while pages are asked for, and says what its processes held after each tenth of them.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx

from tests.web.whole_station import Pictures, WholeStation, make_data, started

SHELLS = 500
PAGES = ("/", "/station.json", "/inspections", "/shift", "/review", "/review?order=worst", "/health", "/calibrations")
AHEAD = 3  # pictures that wait in the inbox


@dataclass(frozen=True)
class Held:
    """Resident memory after so many shells, by process, the one that was started first."""

    shells: int
    mb: tuple[float, ...]


def held_mb(leader: int) -> tuple[float, ...]:
    """Resident memory of the processes of a session [MB]."""
    found = []
    for place in Path("/proc").iterdir():
        if place.name.isdigit():
            try:
                fields = (place / "stat").read_text().rpartition(")")[2].split()
                pages = int((place / "statm").read_text().split()[1])
            except (FileNotFoundError, ProcessLookupError):
                continue
            if int(fields[3]) == leader:
                found.append((int(place.name), pages * 4096 / 1e6))
    return tuple(size for _, size in sorted(found))


def feed(station: WholeStation, shells: int, every: int) -> Iterator[Held]:
    """What the station held, after every so many shells."""
    assert station.process is not None
    pictures, put, done = Pictures(), 0, 0
    with httpx.Client(timeout=60, base_url=station.address) as client:
        while done < shells:
            while put < min(shells, done + AHEAD):
                station.put(f"M{put}", pictures.make(put))
                put += 1
            try:
                newest = client.get("/inspections.json").json()["inspections"]
            except httpx.HTTPError:
                time.sleep(0.2)  # it is starting
                continue
            now = newest[0]["inspection_id"] if newest else 0
            if now > done:
                for page in (*PAGES, f"/inspections/{now}", f"/inspections/{now}.json", f"/review/{now}"):
                    client.get(page).raise_for_status()
                if now // every > done // every:
                    yield Held(now, held_mb(station.process.pid))
                done = now
            time.sleep(0.02)


def main() -> None:
    shells = int(sys.argv[1]) if len(sys.argv) > 1 else SHELLS
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "data"
        make_data(data)
        print("| shells | each process [MB] |\n|---|---|")
        with started(data) as station:
            for held in feed(station, shells, max(1, shells // 10)):
                print(f"| {held.shells} | {', '.join(f'{size:.0f}' for size in held.mb)} |", flush=True)


if __name__ == "__main__":
    main()
