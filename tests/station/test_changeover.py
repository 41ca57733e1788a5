"""Another shell in one step: the first shell that fits confirms it, what does not fit leaves it open."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from edgeinspect.conformity import Answer, Verdict
from edgeinspect.geometry import PlaneShift
from edgeinspect.inspection import Expected
from edgeinspect.measure.measurement import Alignment, DecalResult, ShellMeasurement, Stop
from edgeinspect.shell.definition import Check
from edgeinspect.station import run
from edgeinspect.station import worker as worker_module
from edgeinspect.station.config import Station
from edgeinspect.station.run import Ready
from edgeinspect.store.state import Changeover

from .test_run import Gauge, nothing_found, toplid
from .test_worker import Cell

PictureOf = Callable[[int], bytes]
CUT = Alignment("cut - fixture", PlaneShift(0.0, 0.0, 0.0), 0.01, 0.01, 0.001, 0.02)
WRONG_HAND = Stop("place", "this is the RIGHT-hand shell, the station is set to the left one", "change the shell")
WET = Stop("decal", "the decal is wet", "wait", Check.DECAL)


@dataclass
class Line:
    """A station where the next shell is what a test says, and every answer that is not stopped is CONFORMING."""

    cell: Cell
    next_shell: ShellMeasurement
    meanwhile: Callable[[], None] = lambda: None
    pictures: int = 0

    def ready(self, station: Station, expected: Expected | None, *_: object) -> Ready:
        return Ready(station, expected or Expected("", ""), toplid(), Gauge(self._measure))  # type: ignore[arg-type]

    def _measure(self, _pictures: Any) -> ShellMeasurement:
        self.meanwhile()
        return self.next_shell

    def look(self, picture_of: PictureOf, **measured: Any) -> Changeover:
        """Put a shell in; what the page then knows of the last changeover."""
        self.next_shell = replace(nothing_found({}), **measured)
        self.pictures += 1
        self.cell.put(f"L{self.pictures}_top.png", picture_of(self.pictures))
        self.cell.run()
        assert len(self.cell.page.listing()) == self.pictures
        changeover = self.cell.state.now().changeover
        assert changeover is not None
        return changeover


@pytest.fixture
def line(station: Station, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Line]:
    cell = Cell(station, tmp_path / "data")
    line = Line(cell, nothing_found({}))
    verdict = Verdict(Answer.CONFORMING, "all within", "rack it", (), "", "")
    monkeypatch.setattr(run, "judge", lambda *_: verdict)
    monkeypatch.setattr(worker_module, "get_ready", line.ready)
    yield line
    cell.close()


def test_the_first_shell_that_fits_confirms_it(line: Line, picture_of: PictureOf) -> None:
    line.cell.state.expect(Expected("panel-left", "blue"), line.cell.now(), "station page at 10.0.0.7")
    assert line.look(picture_of, stops=(WRONG_HAND,)).confirmed_at is None
    assert line.look(picture_of).confirmed_at is None, "a picture in which no cut was found"
    other = DecalResult("badge", True, found_variant="sport")
    assert line.look(picture_of, cut=CUT, decals=(other,)).confirmed_at is None, "the decal of another variant"
    right = replace(other, found_variant="standard")  # that of nothing_found
    confirmed = line.look(picture_of, cut=CUT, stops=(WET,), decals=(right,))
    assert confirmed.confirmed_by == 4 and confirmed.confirmed_at is not None
    assert line.look(picture_of, cut=CUT) == confirmed


def test_a_shell_measured_as_the_one_before_confirms_nothing(line: Line, picture_of: PictureOf) -> None:
    """Changed while its picture was being measured: it was measured as the other one."""
    line.cell.state.expect(Expected("panel-left", "blue"), line.cell.now())
    line.meanwhile = lambda: line.cell.state.expect(Expected("panel-right", "blue"), line.cell.now())
    open_still = line.look(picture_of, cut=CUT)
    assert (open_still.shell, open_still.confirmed_at) == ("panel-right", None)
    assert line.look(picture_of, cut=CUT).confirmed_by == 2


def test_there_and_back_while_a_shell_is_measured_confirms_only_the_first(line: Line, picture_of: PictureOf) -> None:
    left, right = Expected("panel-left", "blue"), Expected("panel-right", "blue")

    def there_and_back() -> None:
        line.meanwhile = lambda: None
        line.cell.state.expect(right, line.cell.now())
        line.cell.state.expect(left, line.cell.now())

    line.cell.state.expect(left, line.cell.now())
    line.meanwhile = there_and_back
    assert line.look(picture_of, cut=CUT).confirmed_at is None
    first = line.cell.state.changeovers("2024", "2025")[-1]
    assert (first.changeover_id, first.confirmed_by) == (1, 1)
