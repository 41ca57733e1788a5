"""A fixed part of the flaws by the thousand (``python -m tests.benchmarks.flaws``): its table is in DEVELOPERS.md."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.benchmarks import flaws
from tests.benchmarks.resumed import rows


def test_drawn_flaws_are_found_and_told() -> None:
    """0.2 mm/px; nicks and burrs from 0.6 x 0.3 mm, strands from 0.15 mm, chatter from 0.06 mm; four shapes."""
    every = [flaws.spoilt_line(seed) for seed in range(4)]
    drawn = [flaw for line in every for flaw in line["flaws"]]
    assert [flaw for flaw in drawn if flaw["found"] not in (flaw["kind"], "strand")] == []
    assert [one for line in every for one in line["elsewhere"]] == []
    for kind in ("nick", "burr"):
        for size in ("length", "depth"):
            off = [flaw[f"is_{size}"] - flaw[size] for flaw in drawn if flaw["kind"] == kind]
            assert abs(np.median(off)) <= 0.05


def test_good_plates_with_dirt_about_have_none() -> None:
    assert [line for line in (flaws.good_line(seed) for seed in range(100, 110)) if line["false"]] == []


def test_a_run_goes_on_where_it_stopped(tmp_path: Path) -> None:
    file = tmp_path / "flaws.jsonl"
    flaws.run(file, 2)
    first = file.read_text(encoding="utf-8")
    file.write_text(first + '{"good": 2, "fal', encoding="utf-8")  # killed while it wrote
    flaws.run(file, 3)
    assert len(rows(file)) == 3
    assert file.read_text(encoding="utf-8").startswith(first)
    assert "good plates with a false flaw: 0 of 2" in "\n".join(flaws.table(rows(file)))
