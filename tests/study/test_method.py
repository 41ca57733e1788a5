"""Another method tried on stored looks.

Outside truth: the profile filter of ISO 16610-21 (a Gaussian of constant alpha = sqrt(ln 2 / pi), half of a wave of the
cut-off's length passes) by scipy.ndimage.gaussian_filter1d; what the pictures themselves give, measured by a definition
with the other method, where only the stored edge and ribbon were used.
"""

from __future__ import annotations

import errno
import json
import math
import multiprocessing
import os
import signal
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from edgeinspect.conformity import Answer
from edgeinspect.errors import InputError, StoreError
from edgeinspect.measure.alignment import deviation_from, placed
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.deviation import LIFT
from edgeinspect.measure.from_ribbon import NotAgain, RibbonGauge
from edgeinspect.measure.measurement import Quantity, ShellMeasurement
from edgeinspect.measure.ribbon import lay_stations
from edgeinspect.measure.temperature import Temperature, growth
from edgeinspect.shell.definition import Arris, Frame, ShellDefinition
from edgeinspect.station.calibrations import recorded_calibration
from edgeinspect.station.config import Station
from edgeinspect.station.run import time_of_day
from edgeinspect.store.inspections import Store
from edgeinspect.store.readings import Population
from edgeinspect.store.review_queue import Label
from edgeinspect.store.search import Wanted
from edgeinspect.store.studies import Studies
from edgeinspect.study.background import work
from edgeinspect.study.by_ribbon import ByRibbon
from edgeinspect.study.compared import compare
from edgeinspect.study.method import Method, MethodAsked, Sample, ShellAgain, choose
from edgeinspect.study.method_run import MethodBench, ask, go_on, of_line, standing

from .conftest import AT, SAMPLES
from .test_commands import run

CUTOFFS_MM = (2.5, 8.0)
STATION = ("--station", str(SAMPLES / "station.toml"))


def measured(store: Store, shell_id: str) -> ShellMeasurement:
    inspection = store.inspection(store.attempts(shell_id)[0].inspection_id)
    assert inspection is not None
    return inspection.measurement


def by_ribbon(store: Store, station: Station, current: ShellDefinition, method: Method) -> ByRibbon:
    """As a study makes it, with the calibrations in the record."""

    def calibrations(ids: tuple[tuple[str, str], ...]) -> dict[str, CameraCalibration]:
        kept = {camera: store.calibrations.one(one) for camera, one in ids}
        return {camera: recorded_calibration(one.content, one.calibration_id) for camera, one in kept.items() if one}

    seating = station.seatings["toplid"]
    return ByRibbon(current, method.of(current), station.fixture, seating, calibrations)


@pytest.fixture(scope="session")
def ribbons(current: ShellDefinition, station: Station) -> RibbonGauge:
    return RibbonGauge(current, station.seatings["toplid"])


def both(
    ribbons: RibbonGauge, measurement: ShellMeasurement, tried: ShellDefinition
) -> tuple[ShellMeasurement, ShellMeasurement]:
    found = ribbons.measure(measurement, tried)
    assert not isinstance(found, NotAgain), found
    return found


# -- from stored edge and ribbon


@pytest.mark.parametrize("cutoff_mm", CUTOFFS_MM)
def test_the_filter_is_that_of_the_standard(
    store: Store, current: ShellDefinition, station: Station, ribbons: RibbonGauge, cutoff_mm: float
) -> None:
    measurement = measured(store, "L1003")
    before, after = both(ribbons, measurement, replace(current, filter_cutoff_mm=cutoff_mm))
    (trace,) = (trace for trace in measurement.traces if trace.curve == "rim")
    assert (trace.flags == 0).all() and measurement.seating is not None
    rim = lay_stations(current.rim, current.step_mm)
    warm = growth(current.material, Temperature(measurement.temperature_c))
    nominal = placed(rim.scaled(warm).placed(station.seatings["toplid"].pose), measurement.seating.shift)
    raw = deviation_from(nominal, trace.point_mm.astype(np.float64))[0] / warm
    alpha = math.sqrt(math.log(2.0) / math.pi)
    sigma_mm = alpha * cutoff_mm / math.sqrt(2.0 * math.pi)  # of exp(-pi (x / (alpha cutoff))^2)
    expected = gaussian_filter1d(raw, sigma_mm / rim.step_mm, mode="wrap", truncate=8.0)
    (profile,) = (profile for profile in after.profiles if profile.frame is Frame.DATUM)
    assert np.abs(profile.deviation_mm - expected).max() < 5e-5  # single precision, and the tail beyond one cut-off
    assert np.abs(expected - raw).max() > 0.01, "or no filter would do"
    for zone, result in zip(current.zones, after.zones, strict=True):
        inside = zone.holds(profile.arc_mm)
        assert result.most.value == pytest.approx(expected[inside].max(), abs=5e-5)
        assert result.least.value == pytest.approx(expected[inside].min(), abs=5e-5)
    for was, again in zip(measurement.zones, before.zones, strict=True):
        assert again.most.value == pytest.approx(was.most.value, abs=2e-5)
        assert again.most.u == pytest.approx(was.most.u, rel=1e-4)


METHODS = {
    "filter": Method(filter_cutoff_mm=8.0),
    "band": Method(search_band_mm=2.0),
}


def without_lift(quantity: Quantity) -> float:
    """u but for how much noise lifts the worst of many places, which is as large as this noise happens to be."""
    return math.sqrt(quantity.u**2 - sum(share.u**2 for share in quantity.shares if share.source == LIFT))


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS.keys())
def test_ribbon_and_picture_agree(
    own: Store, station: Station, current: ShellDefinition, method: Method, monkeypatch: pytest.MonkeyPatch
) -> None:
    """L1004 has a bad place and its picture is kept: by the picture, and as if it were not. A ribbon that is laid for
    another band has its samples elsewhere, which draws a part of the picture's noise anew: by less than its own u.
    """
    by_picture, pictured = MethodBench._by_picture, list[tuple[ShellMeasurement, ShellMeasurement]]()

    def watched(bench: MethodBench, then: ShellMeasurement, levels: Any) -> tuple[ShellMeasurement, ShellMeasurement]:
        pictured.append(by_picture(bench, then, levels))
        return pictured[-1]

    monkeypatch.setattr(MethodBench, "_by_picture", watched)
    told = by_ribbon(own, station, current, method).measure(measured(own, "L1004"))
    assert not isinstance(told, NotAgain), told
    study = studied(own, station, current, method, only=("L1004",))
    (row,) = study
    assert row.by == "picture" and row.before is not None and row.after is not None
    for reading, result, seen in zip((row.before, row.after), told, pictured[0], strict=True):
        numbers = dict(zip(reading.characteristics, reading.numbers.tolist(), strict=True))
        for zone, same in zip(result.zones, seen.zones, strict=True):
            expected = (zone.least.value, zone.least.u, zone.most.value, zone.most.u)
            shares = [share for one in (zone.least, zone.most) for share in one.shares]
            noise = max((share.u for share in shares if share.source == "picture noise"), default=0.0)  # none: not seen
            most, found = noise if method.search_band_mm else 2e-4, numbers[f"zone {zone.zone}"]
            assert found == pytest.approx(expected, abs=most)
            assert found[1::2] == pytest.approx((same.least.u, same.most.u), rel=1e-6)
            for one, other in ((same.least, zone.least), (same.most, zone.most)):
                assert without_lift(other) == pytest.approx(without_lift(one), rel=0.02)
        assert result.path_shift is not None
        assert numbers["path shift"][0] == pytest.approx(result.path_shift.value, abs=2e-4)


def test_a_ribbon_that_was_not_measured_so_is_not_trusted(
    own: Store, station: Station, current: ShellDefinition
) -> None:
    """A stretch of the ribbon is pushed out by 1.5 mm: its edge is not the one that was recorded."""
    measurement = measured(own, "L1001")
    ribbon = next(one for one in measurement.ribbons if one.curve == "rim")
    levels, stretch = ribbon.levels.copy(), slice(400, 440)
    away = round(1.5 / float(ribbon.d_mm[1] - ribbon.d_mm[0]))
    levels[stretch] = np.roll(levels[stretch], away, axis=1)
    levels[stretch, :away] = ribbon.levels[stretch, :1]
    pushed = replace(ribbon, levels=levels)
    changed = replace(measurement, ribbons=tuple(pushed if one is ribbon else one for one in measurement.ribbons))
    method = by_ribbon(own, station, current, Method(search_band_mm=2.0))
    found = method.measure(changed)
    assert isinstance(found, NotAgain) and "does not come back from its stored ribbon" in found.reason
    assert not isinstance(method.measure(measurement), NotAgain)


def test_what_a_stored_ribbon_cannot_give_is_a_plain_sentence(
    store: Store, current: ShellDefinition, station: Station
) -> None:
    measurement = measured(store, "L1001")

    def why(method: Method, measurement: ShellMeasurement = measurement) -> NotAgain:
        found = by_ribbon(store, station, current, method).measure(measurement)
        assert isinstance(found, NotAgain)
        return found

    narrow = why(Method(search_band_mm=5.0))
    assert narrow.narrow and narrow.reason == (
        "its stored ribbon is too narrow: it reaches ±3.0 mm, asked for is ±5 mm, and its picture is not kept: "
        "choose ±3.0 mm or less"
    )
    fine = why(Method(filter_cutoff_mm=0.8))
    assert not fine.narrow and fine.reason == (
        "its scan lines lie 0.50 mm apart, a cut-off of 0.8 mm asks for at most 0.16 mm, and its picture is not kept: "
        "choose 2.5 mm or more"
    )
    other = why(Method(arris=Arris.BACK)).reason
    assert other == "the back-face arris cannot be told from its stored ribbon, and its picture is not kept"
    dark = replace(measurement, cut=None)
    assert why(Method(filter_cutoff_mm=8.0), dark).reason.startswith("its rim was not measured then")
    (trace,) = (trace for trace in measurement.traces if trace.curve == "rim")
    bent = trace.point_mm.copy()
    bent[100:140] += 0.1
    moved = replace(measurement, traces=(replace(trace, point_mm=bent),))
    assert "does not come back" in why(Method(filter_cutoff_mm=8.0), moved).reason


# -- which shells


def everybody(store: Store) -> Population:
    return store.population(Wanted(shell="toplid"), 10_000)


def test_the_sample_is_stated(store: Store) -> None:
    found = everybody(store)
    ids = found.readings.inspection_id.tolist()
    newest = choose(store, found, {}, shell="toplid", count=3)
    assert newest.inspection_ids == tuple(ids[-3:])
    assert newest.words == "3 of 4 shells of toplid, the newest; failures included: 2 of these 3 did not pass"
    assert newest.with_picture == 2
    evenly = choose(store, found, {}, shell="toplid", how="evenly", count=2)
    assert evenly.inspection_ids == (ids[0], ids[-1])
    said = {ids[0]: Label.TRULY_BAD, ids[1]: Label.GOOD, ids[2]: Label.LOOSE_CHIP}
    also = choose(store, found, said, shell="toplid", count=1)
    assert also.inspection_ids == (ids[0], ids[1], ids[3])
    assert "1 of 4 shells of toplid, the newest, and 2 more that a person has labelled" in also.words
    only = choose(store, found, said, shell="toplid", labelled="only")
    assert only.inspection_ids == (ids[0], ids[1]) and "2 of 2 labelled shells of toplid, all of them" in only.words
    as_they_come = choose(store, found, said, shell="toplid", count=1, labelled="")
    assert as_they_come.inspection_ids == (ids[3],) and as_they_come.bad_left_out == 1
    with pytest.raises(InputError, match="count is 0, must be within 1 to 2000"):
        choose(store, found, {}, shell="toplid", count=0)


def test_a_method_that_cannot_be_tried_is_a_sentence(current: ShellDefinition) -> None:
    for method, words in (
        (Method(), "nothing differs from the method of toplid in force: filter cut-off 2.5 mm, arris show face, "),
        (Method(filter_cutoff_mm=2.5), "nothing differs"),
        (Method(filter_cutoff_mm=0.1), "filter_cutoff_mm is 0.1, must be within 0.25 to 100"),
        (Method(search_band_mm=0.5), "search_band_mm is 0.5, must be within 1 to 10"),
    ):
        with pytest.raises(InputError, match=words):
            method.of(current)
    fine = Method(filter_cutoff_mm=0.8).of(current)
    assert fine.step_mm == pytest.approx(0.16), "as a definition must have it"


# -- a study


def sample_of(store: Store, only: tuple[str, ...]) -> Sample:
    chosen = choose(store, everybody(store), {}, shell="toplid")
    ids = tuple(store.attempts(shell_id)[0].inspection_id for shell_id in only) or chosen.inspection_ids
    return replace(chosen, inspection_ids=ids)


def asked(
    store: Store, station: Station, definition: ShellDefinition, method: Method, only: tuple[str, ...] = ()
) -> int:
    return ask(
        store, Studies(store.data), station, definition, method, sample_of(store, only),
        who="A. Person", role="engineer", at=AT,
    )[0]  # fmt: skip


def rows_of(studies: Studies, study_id: int) -> list[ShellAgain]:
    return [of_line(ShellAgain, line) for line in studies.one(study_id).shells]


def studied(
    store: Store, station: Station, definition: ShellDefinition, method: Method, only: tuple[str, ...] = ()
) -> list[ShellAgain]:
    studies, study_id = Studies(store.data), asked(store, station, definition, method, only)
    go_on(store, studies, station, study_id, clock=time_of_day)
    return rows_of(studies, study_id)


@pytest.fixture
def own(copied: Path) -> Iterator[Store]:
    """A record to study in; what is in it must not change."""
    with Store.open(copied, read_only=True) as store:
        before = [(row, store.inspection(row.inspection_id)) for row in store.listing()]
        yield store
        for row, was in before:
            now = store.inspection(row.inspection_id)
            assert was is not None and now is not None and now.verdict == was.verdict
            assert [z.most for z in now.measurement.zones] == [z.most for z in was.measurement.zones]
        assert len(store.listing()) == len(before)


def test_where_a_ribbon_is_too_narrow_the_picture_is_used(
    own: Store, station: Station, current: ShellDefinition
) -> None:
    rows = {row.shell_id: row for row in studied(own, station, current, Method(search_band_mm=5.0))}
    assert {shell_id: row.by for shell_id, row in rows.items()} == {
        "L1001": "not", "L1003": "not", "L1004": "picture", "L1008": "picture",
    }  # fmt: skip
    assert rows["L1001"].narrow and "it reaches ±3.0 mm, asked for is ±5 mm" in rows["L1001"].why
    found = compare(list(rows.values()), {}, {})
    assert len(found.both) == 2 and len(found.rows) == 4


def test_bad_ones_that_would_pass_are_loudest(own: Store, station: Station, current: ShellDefinition) -> None:
    """L1008 is too close at 0.51 mm; a filter as long as a zone lets it pass, and a person says that it is bad."""
    studies = Studies(own.data)
    study_id = asked(own, station, current, Method(filter_cutoff_mm=100.0))
    go_on(own, studies, station, study_id, clock=time_of_day)
    limits = of_line(MethodAsked, studies.one(study_id).asked).judged_by
    bad = own.attempts("L1008")[0].inspection_id
    found = compare(rows_of(studies, study_id), limits, {bad: Label.TRULY_BAD})
    answers = {row.shell_id: (was, now) for row, was, now in found.answers()}
    assert answers["L1008"] == (Answer.NOT_PROVEN, Answer.CONFORMING)
    assert answers["L1001"] == (Answer.CONFORMING, Answer.CONFORMING)
    assert found.found.warnings[0] == "1 confirmed-bad shell would pass"


def test_a_study_that_cannot_be_written_leaves_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "no room")

    studies = Studies(tmp_path)
    with monkeypatch.context() as patched, pytest.raises(StoreError, match="is full"):
        patched.setattr(os, "fsync", full)
        studies.add({"of": {}})
    assert studies.ids() == ()
    assert studies.add({"of": {}}) == 1


def test_an_interrupted_study_is_gone_on_with(own: Store, station: Station, current: ShellDefinition) -> None:
    studies, study_id = Studies(own.data), asked(own, station, current, Method(filter_cutoff_mm=8.0))
    first = of_line(MethodAsked, studies.one(study_id).asked)

    def now() -> tuple[str, int, bool]:
        found = standing(studies.one(study_id, 1), first, at_work=studies.at_work() == study_id)
        return found.word, found.done, found.can_go_on

    assert now() == ("interrupted", 0, True)
    turns = iter(["", "", "the station was stopped"])
    go_on(own, studies, station, study_id, clock=time_of_day, stopped=lambda: next(turns))
    assert now() == ("interrupted", 2, True)
    with (own.data / "studies" / "0001.jsonl").open("ab") as file:
        file.write(b'{"of":{"inspection_id":3,"sh')  # the power went
    assert now()[1] == 2
    seen: list[tuple[str, int, bool]] = []
    go_on(own, studies, station, study_id, clock=time_of_day, progress=lambda *_: seen.append(now()))
    assert seen == [("measuring", 3, False), ("measuring", 4, False)]
    assert now() == ("done", 4, False)
    rows = rows_of(studies, study_id)
    assert [row.shell_id for row in rows] == ["L1001", "L1003", "L1004", "L1008"]
    events = [event["event"] for event in studies.one(study_id).events]
    assert events == ["begun", "stopped", "begun", "done"]


def test_one_at_a_time_and_cancelled_by_name(own: Store, station: Station, current: ShellDefinition) -> None:
    studies = Studies(own.data)
    one, other = (asked(own, station, current, Method(filter_cutoff_mm=8.0)) for _ in range(2))
    with studies.at_work_on(one):
        assert studies.at_work() == one
        with pytest.raises(InputError, match=f"study {one} is being measured: wait for it, or cancel it"):
            go_on(own, studies, station, other, clock=time_of_day)
    assert studies.at_work() is None
    studies.ask_to_cancel(other, "Q. Person")
    go_on(own, studies, station, other, clock=time_of_day)
    kept = studies.one(other)
    found = standing(kept, of_line(MethodAsked, kept.asked), at_work=False)
    assert (found.word, found.why, found.done, found.can_go_on) == ("cancelled", "by Q. Person", 0, True)
    with pytest.raises(InputError, match="there is no study 9"):
        studies.one(9)


def test_a_definition_that_was_changed_ends_it(own: Store, station: Station, current: ShellDefinition) -> None:
    studies = Studies(own.data)
    study_id = asked(own, station, replace(current, sha256="f" * 64), Method(filter_cutoff_mm=8.0))
    with pytest.raises(InputError, match="was changed since this study was asked: start another"):
        go_on(own, studies, station, study_id, clock=time_of_day)
    assert studies.one(study_id).events[-1]["event"] == "broke off"


def test_killed_on_the_way_it_says_so_and_goes_on(own: Store, station: Station, current: ShellDefinition) -> None:
    """SIGKILL of the process that measures, as when the power goes."""
    studies, study_id = Studies(own.data), asked(own, station, current, Method(filter_cutoff_mm=8.0))
    process = multiprocessing.get_context("spawn").Process(target=work, args=(station, own.data, study_id))
    process.start()
    end_s = time.monotonic() + 120
    while studies.one(study_id, 1).done < 2 and time.monotonic() < end_s:
        time.sleep(0.01)
    assert process.pid is not None
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    kept = studies.one(study_id)
    found = standing(kept, of_line(MethodAsked, kept.asked), at_work=studies.at_work() == study_id)
    assert 2 <= found.done < 4, "it was quicker than this test"
    assert (found.word, found.why) == ("interrupted", "the program was ended while it measured")
    go_on(own, studies, station, study_id, clock=time_of_day)
    assert sorted(row.inspection_id for row in rows_of(studies, study_id)) == [1, 2, 3, 4]


# -- the command


def test_the_command_says_how_long_and_what_came(copied: Path) -> None:
    where = (*STATION, "--data", copied)
    code, out, err = run("measure-again", *where, "--band", "5", "--sample", "3", "--who", "A. Person")
    assert code == 0, err
    assert "study 1: search band ±3 mm → ±5 mm; 3 of 4 shells of toplid, the newest; failures included: 2" in err
    assert "it takes: " in err and "1 not measured (L1003): its stored ribbon is too narrow" in err
    assert "study 1 done: 2 shells by both methods" in out and "nothing in the record was changed" in out
    code, text, _ = run("measure-again", *where, "--cutoff", "8", "--sample", "2", "--chosen", "evenly", "--json")
    document = json.loads(text)
    assert (code, document["study_id"], document["state"]) == (0, 2, "done")
    assert [one["shell_id"] for one in document["shells"]] == ["L1001", "L1008"]
    assert document["shells"][0]["by"] == "ribbon" and abs(document["shells"][0]["worst_zone_after_mm"]) < 0.5
    assert document["before"]["CONFORMING"] == 1
    for arguments, words in (
        (("--go-on", "2"), "study 2 is done: there is nothing to go on with"),
        (("--go-on", "9"), "there is no study 9"),
        (("--go-on", "2", "--cutoff", "8"), "a study goes on with the method that it has"),
        (("--cutoff", "2.5"), "nothing differs from the method of toplid in force"),
        (("--band", "99"), "--band is 99, must be within 1 to 10"),
        (("--cutoff", "8", "--sample", "0"), "--sample is 0, must be within 1 to 2000"),
        (("--cutoff", "8", "--calibration", str(copied)), "a method is tried with the calibration of then"),
        (("--cutoff", "8", "--since", "2030-01-01"), "no shell fits"),
    ):
        code, _, err = run("measure-again", *where, *arguments)
        assert code == 2 and words in err, (arguments, err)
