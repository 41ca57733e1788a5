"""The power goes at any moment: what can be found afterwards is whole, and nothing that was shown is gone.

A process that is killed (SIGKILL) stands for the power cut as far as our own order of steps goes; that fsync reaches
the platter is the system's promise, and the order of the calls is checked beside it.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import event

from edgeinspect.inspection import Inspection
from edgeinspect.store import files
from edgeinspect.store.codec import Arrays, pack, to_plain
from edgeinspect.store.inspections import Store

WRITER = """
import json, os, sys
from dataclasses import replace
from pathlib import Path
from edgeinspect.inspection import Inspection
from edgeinspect.store.codec import from_plain, unpack
from edgeinspect.store.inspections import Store

folder = Path(sys.argv[1])
plain = json.loads((folder / "record.json").read_text())
inspection = from_plain(Inspection, plain, unpack((folder / "arrays").read_bytes()))
with Store.open(folder / "data") as store:
    number = len(store.listing(10_000))
    while True:
        number += 1
        picture = number.to_bytes(4, "big") * 50_000
        store.save(replace(inspection, shell_id=f"L{number}"), {"top": picture}, {"top": picture[:1000]})
        print(number, flush=True)  # "shown"
"""


def test_a_killed_writer_leaves_only_whole_inspections(
    tmp_path: Path, make_inspection: Callable[..., Inspection]
) -> None:
    arrays: Arrays = []
    (tmp_path / "record.json").write_text(json.dumps(to_plain(make_inspection(), arrays)))
    (tmp_path / "arrays").write_bytes(pack(arrays))
    chance = random.Random(5)
    environment = {**os.environ, "PYTHONPATH": str(Path(files.__file__).parents[2])}
    shown = 0
    for _ in range(3):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True, env=environment
        )
        assert writer.stdout is not None
        writer.stdout.readline()  # it is at work
        time.sleep(chance.uniform(0.05, 0.4))
        writer.kill()
        rest = writer.stdout.read().split()
        writer.wait()
        writer.stdout.close()
        with Store.open(tmp_path / "data", read_only=True) as reader:
            rows = reader.listing(10_000)
            shown = max([shown, len(rows) - 1, *(int(number) for number in rest if number)])
            assert len(rows) >= shown, "something that was shown is gone"
            for row in rows:
                found = reader.inspection(row.inspection_id)
                assert found is not None and len(found.measurement.ribbons) == 1
                number = int(row.shell_id[1:])
                assert reader.picture(row.inspection_id, "top") == number.to_bytes(4, "big") * 50_000
    assert shown > 8
    with Store.open(tmp_path / "data") as store:
        store.clear_half_written()  # as the worker does when it starts
        assert not list((tmp_path / "data").rglob("*.tmp"))  # cleared away at the next start


def test_files_are_on_disk_before_the_row_and_the_row_before_save_returns(
    tmp_path: Path, make_inspection: Callable[..., Inspection], monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[str] = []
    fsync, replace_file = os.fsync, os.replace

    def note_fsync(handle: int) -> None:
        name = os.readlink(f"/proc/self/fd/{handle}")
        steps.append(f"sync {'folder' if os.path.isdir(name) else Path(name).suffix}")
        fsync(handle)

    def note_replace(source: Path, target: Path) -> None:
        steps.append(f"rename to {Path(target).suffix}")
        replace_file(source, target)

    with Store.open(tmp_path) as store, Store.open(tmp_path, read_only=True) as reader:
        monkeypatch.setattr(os, "fsync", note_fsync)
        monkeypatch.setattr(os, "replace", note_replace)

        event.listen(store._engine, "commit", lambda _connection: steps.append("commit"))

        store.save(make_inspection(), {"top": b"picture"}, {"top": b"view"})
        assert reader.latest() is not None
    expected = []
    for suffix in (".ribbons", ".png", ".jpg"):
        expected += ["sync .tmp", f"rename to {suffix}", "sync folder", "sync folder"]
    assert steps == [*expected, "commit"]
