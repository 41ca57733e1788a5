"""Stored pictures measured with the program, definition and calibration of today, and what has become of the numbers.

A full picture gives everything anew. A ribbon gives the edge on the scan lines that were laid then: where its fit has
moved, and nothing else. It cannot give the fixture's pose, the shell's datums, cut-outs or decals, because the marks,
pips and artwork are not on it; so no answer is made from a ribbon.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError
from edgeinspect.geometry import Array
from edgeinspect.inspection import Inspection, numbers_of
from edgeinspect.measure.deviation import filter_closed
from edgeinspect.measure.edge import fit_edges
from edgeinspect.measure.locate import GREATEST_U_MM, RIM_ROUNDS
from edgeinspect.measure.measurement import EdgeTrace, Ribbon, ShellMeasurement
from edgeinspect.measure.ribbon import lay_stations, pace_px
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.station.config import Station
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.run import Ready, get_ready, inspect_set
from edgeinspect.store.inspections import Row, Store

ARC_ROUNDING_MM = 1e-3  # ribbons keep their arc lengths in single precision


@dataclass(frozen=True)
class NumberAgain:
    """One measured number then and now; None where it was not measured."""

    name: str  # "zone left-end most", "cut-out lock-hole dx", "decal badge rotation", "path shift"
    unit: str  # "mm" or "deg"
    before: float | None
    after: float | None
    u_before: float | None
    u_after: float | None

    @property
    def change(self) -> float | None:
        return None if self.before is None or self.after is None else self.after - self.before


@dataclass(frozen=True)
class PictureAgain:
    """A look repeated on its stored pictures."""

    inspection_id: int
    shell_id: str
    attempt: int
    before: Answer
    after: Answer
    sentence: str  # of the new answer
    software_before: str
    calibrations_before: tuple[str, ...]
    calibrations_after: tuple[str, ...]
    numbers: tuple[NumberAgain, ...]

    @property
    def greatest(self) -> NumberAgain | None:
        """The number that has changed most against its standard uncertainty of then."""
        both = [n for n in self.numbers if n.change is not None and n.u_before]
        return max(both, key=lambda n: abs(n.change or 0.0) / (n.u_before or 1.0), default=None)


@dataclass(frozen=True)
class RibbonAgain:
    """The rim's edge fitted anew on its stored ribbon, by one step a line; ``d`` is the edge's place along its scan
    line, out of the material. With the datums of then, the deviation changes by as much. None: no edge then and now.
    """

    inspection_id: int
    shell_id: str
    attempt: int
    camera: str
    stations: int  # on which an edge was found then and now
    lost: int  # stations with an edge then, with none now
    gained: int
    mean_change_mm: float | None
    rms_change_mm: float | None
    greatest_change_mm: float | None  # behind the definition's filter, as a zone would see it
    at_arc_mm: float | None


@dataclass(frozen=True)
class MeasuredAgain:
    looked_at: int
    pictures: tuple[PictureAgain, ...]
    ribbons: tuple[RibbonAgain, ...]
    neither: tuple[str, ...]  # sentences: which looks could not be repeated, and why

    @property
    def flips(self) -> tuple[PictureAgain, ...]:
        return tuple(again for again in self.pictures if again.after is not again.before)


def measure_again(
    store: Store,
    rows: list[Row],
    station: Station,
    calibrations: Path,
    chosen: Mapping[str, str],
    clock: Callable[[], str],
    progress: Callable[[int, int, str], None],
) -> MeasuredAgain:
    """Repeat stored looks, each by its picture, else by the ribbon of its rim. Nothing is recorded.

    Parameters: calibrations, chosen - as station.run.get_ready takes them.
    Raises InputError if the station cannot measure: a definition or the calibration is wrong or not there.
    """
    pictures, ribbons, neither = list[PictureAgain](), list[RibbonAgain](), list[str]()
    readies: dict[tuple[str, str], Ready] = {}
    for done, row in enumerate(rows):
        progress(done, len(rows), row.shell_id)
        inspection = store.inspection(row.inspection_id)
        if inspection is None:
            continue
        called = f"{row.shell_id} (look {row.attempt})"
        refused = next((stop for stop in inspection.measurement.stops if stop.stage == "picture"), None)
        if refused is not None:  # a picture that was too few, damaged or not new says no more today
            neither.append(f"{called}: {refused.reason}")
            continue
        if not row.shell:
            neither.append(f"{called}: no shell was chosen then")
            continue
        ready = readies.get((row.shell, row.variant))
        if ready is None:
            ready = get_ready(station, inspection.expected, calibrations, chosen)
            if ready.stop is not None:
                raise InputError(f"{ready.stop.reason}: {ready.stop.action}")
            readies[row.shell, row.variant] = ready
        with _files(store, inspection) as came_in:
            if came_in is not None:
                here = replace(ready, expected=inspection.expected)
                stated = _stated(inspection.measurement, station)
                now = inspect_set(came_in, here, None, clock, stated=stated).inspection
                pictures.append(_compared(row, inspection, now))
                continue
        assert ready.definition is not None
        found, why = rim_again(row, inspection.measurement, ready.definition)
        ribbons += found
        if why:
            neither.append(f"{called}: {why}")
    return MeasuredAgain(len(rows), tuple(pictures), tuple(ribbons), tuple(neither))


def _stated(then: ShellMeasurement, station: Station) -> Temperature | None:
    """The shell's temperature of then, typed or read from a thermometer; None where it was not known."""
    return replace(then.temperature, usual_c=station.temperature_range_c) if then.temperature_stated else None


@contextlib.contextmanager
def _files(store: Store, inspection: Inspection) -> Iterator[PictureSet | None]:
    """The pictures of a look as if they came in again; None where not all of them are kept."""
    assert inspection.inspection_id is not None
    arrived = list[Arrived]()
    with tempfile.TemporaryDirectory(prefix="edgeinspect-again-") as folder:
        for picture in inspection.pictures:
            content = store.picture(inspection.inspection_id, picture.camera)
            if content is None:
                break
            path = Path(folder) / f"{len(arrived)}{Path(picture.name).suffix.lower()}"
            path.write_bytes(content)
            arrived.append(Arrived(picture.camera, picture.name, path))
        if not arrived or len(arrived) < len(inspection.pictures):
            yield None
        else:
            yield PictureSet(inspection.shell_id, inspection.pictures[0].taken_at, tuple(arrived))


def _compared(row: Row, then: Inspection, now: Inspection) -> PictureAgain:
    old, new = numbers_of(then.measurement), numbers_of(now.measurement)

    def number(name: str) -> NumberAgain:
        before, after = old.get(name), new.get(name)
        return NumberAgain(
            name,
            "deg" if name.endswith("rotation") else "mm",
            None if before is None else _finite(before.value),
            None if after is None else _finite(after.value),
            None if before is None else _finite(before.u),
            None if after is None else _finite(after.u),
        )

    return PictureAgain(
        row.inspection_id,
        row.shell_id,
        row.attempt,
        then.verdict.answer,
        now.verdict.answer,
        now.verdict.sentence,
        then.software,
        tuple(view.calibration_id for view in then.measurement.views),
        tuple(view.calibration_id for view in now.measurement.views),
        tuple(number(name) for name in {**old, **new}),
    )


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def rim_again(
    row: Row, measurement: ShellMeasurement, definition: ShellDefinition
) -> tuple[list[RibbonAgain], str | None]:
    """The rim's stored ribbons fitted anew, and why not where there is nothing to fit."""
    kept = [ribbon for ribbon in measurement.ribbons if ribbon.curve == definition.rim.name]
    if not kept:
        return [], "neither its picture nor a ribbon of the rim is kept"
    blurs = {view.camera: view.blur_px for view in measurement.views}
    traces = {trace.camera: trace for trace in measurement.traces if trace.curve == definition.rim.name}
    again = []
    for ribbon in kept:
        result = refitted(row, ribbon, traces[ribbon.camera], blurs[ribbon.camera], definition)
        if result is None:
            return [], "the outline has other stations today, so its ribbon cannot be compared"
        again.append(result)
    return again, None


def refitted(
    row: Row, ribbon: Ribbon, trace: EdgeTrace, blur_px: float, definition: ShellDefinition
) -> RibbonAgain | None:
    """One ribbon; None where its scan lines are not stations of the definition's rim."""
    stations = lay_stations(definition.rim, definition.step_mm)
    index = np.rint(ribbon.arc_mm / stations.step_mm).astype(np.intp)
    if index.max(initial=0) >= len(stations.arc_mm):
        return None
    if np.abs(stations.arc_mm[index] - ribbon.arc_mm).max(initial=0.0) > ARC_ROUNDING_MM:
        return None
    px_per_mm = np.hypot(*trace.pixel_per_mm.astype(np.float64).T)
    offsets, pace = ribbon.d_mm.astype(np.float64), pace_px(trace.nominal_pixel)
    edges = fit_edges(ribbon.levels, offsets, px_per_mm, blur_px, rounds=RIM_ROUNDS, pace_px=pace)
    d_mm = edges.d_mm - edges.pull_mm(stations.bend_per_mm[index])
    # What one step alone says, then and now: which arris it is, is told with more than the ribbon.
    then_mm = ribbon.edge_d_mm if ribbon.step_d_mm is None else ribbon.step_d_mm
    before = np.isfinite(then_mm) & ((trace.flags == 0) | (ribbon.step_d_mm is not None))
    after = (edges.flags == 0) & (edges.u_mm <= GREATEST_U_MM) & np.isfinite(d_mm)
    both = before & after
    change: Array = np.where(both, d_mm - then_mm, np.nan)
    whole, seen = np.full(len(stations.arc_mm), np.nan), np.zeros(len(stations.arc_mm), dtype=np.bool_)
    whole[index], seen[index] = change, both
    filtered, _ = filter_closed(whole, seen, definition.filter_cutoff_mm, stations.step_mm)
    known = np.isfinite(filtered).any()
    worst = int(np.nanargmax(np.abs(filtered))) if known else 0
    return RibbonAgain(
        row.inspection_id,
        row.shell_id,
        row.attempt,
        ribbon.camera,
        stations=int(both.sum()),
        lost=int((before & ~after).sum()),
        gained=int((after & ~before).sum()),
        mean_change_mm=float(np.mean(change[both])) if known else None,
        rms_change_mm=float(np.sqrt(np.mean(change[both] ** 2))) if known else None,
        greatest_change_mm=float(filtered[worst]) if known else None,
        at_arc_mm=float(stations.arc_mm[worst]) if known else None,
    )
