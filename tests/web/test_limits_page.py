"""Limits proposed, approved by a second person, in effect from a named shell on, returned from.

Outside truth: exact binomial intervals by scipy.stats.binomtest; the verdicts by conformity.judge of a definition that
was written by hand with the limits in question.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import pytest
from scipy import stats

from edgeinspect.conformity import Answer, judge
from edgeinspect.inspection import Expected, Inspection
from edgeinspect.measure.measurement import FlawKind, ShellMeasurement
from edgeinspect.shell.definition import Limits, ShellDefinition
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.run import Ready, inspect_set

from .conftest import Live, Plant
from .sample_inspections import draw_picture, make_inspection
from .signing import add_people, browser_of

EVA, QUIN, OLU, ADA = "Eva Engineer", "Quin Quality", "Olu Operator", "Ada Admin"
TIGHT = {"shell": "toplid", "of": "all zones", "lower": "-0,05", "upper": "0.05", "reason": "the customer asks"}


@dataclass
class Gauge:
    """Reads the same whatever it is shown."""

    measurement: ShellMeasurement

    def measure(self, *_: Any, **__: Any) -> ShellMeasurement:
        return self.measurement


@dataclass
class Line:
    """Looks at shells as the worker does, with a gauge whose readings are known."""

    plant: Plant
    folder: Path
    definition: ShellDefinition
    kind: str = "good"
    leave_out: FlawKind | None = None  # flaws of this kind were blown off
    looks: int = 0

    def look(self, shell_id: str) -> Inspection:
        self.looks += 1
        measurement = make_inspection(self.kind, shell_id, self.definition).measurement
        kept = tuple(flaw for flaw in measurement.flaws if flaw.kind is not self.leave_out)
        measurement = replace(measurement, flaws=kept)
        path = self.folder / f"{shell_id}_top.png"
        picture = draw_picture(make_inspection("none", shell_id, self.definition))
        picture[0, 0], picture[0, 1] = self.looks % 256, self.looks // 256  # a new picture each time
        path.write_bytes(bytes(cv2.imencode(".png", picture)[1]))
        expected = Expected("toplid", "standard", 22.5)
        ready = Ready(self.plant.station, expected, self.definition, Gauge(measurement))  # type: ignore[arg-type]
        came_in = PictureSet(shell_id, self.plant.now(), (Arrived("top", path.name, path),))
        return inspect_set(came_in, ready, self.plant.store, self.plant.now).inspection


@pytest.fixture
def line(plant: Plant, lid: ShellDefinition, tmp_path: Path) -> Line:
    folder = tmp_path / "pictures"
    folder.mkdir()
    return Line(plant, folder, lid)


def by_hand(lid: ShellDefinition, lower: float, upper: float) -> ShellDefinition:
    zones = tuple(replace(zone, limits=Limits(lower, upper, zone.limits.guard_factor)) for zone in lid.zones)
    return replace(lid, zones=zones)


def test_from_proposal_to_return(plant: Plant, live: Live, line: Line, lid: ShellDefinition) -> None:
    add_people(plant)
    first = line.look("L-1")
    assert (first.verdict.answer, first.limits_revision) == (Answer.CONFORMING, None)
    with browser_of(live, EVA) as eva, browser_of(live, QUIN) as quin:
        assert eva.post("/limits/propose", **TIGHT).status_code == 303
        record = eva.client.get("/limits.json").json()
        (row,) = record["proposed"]
        tight = judge(first.measurement, by_hand(lid, -0.05, 0.05)).answer
        assert tight is not Answer.CONFORMING
        assert row["revision"]["proposal"]["prediction"][tight.value] == 1
        assert line.look("L-2").limits_revision is None, "proposed is not approved"

        own = eva.post("/limits/approve", revision_id="1")
        assert own.status_code == 400 and "another person must approve" in own.text
        assert quin.post("/limits/approve", revision_id="1", from_shell_id="L-5").status_code == 303
        assert line.look("L-3").limits_revision is None, "it waits for its shell"
        assert quin.client.get("/limits.json").json()["waiting"]["from_shell_id"] == "L-5"
        began = line.look("L-5")
        assert (began.limits_revision, began.verdict.answer) == (1, tight)
        assert began.verdict.limits_sha256 != lid.sha256 == began.measurement.definition_sha256
        assert line.look("L-6").limits_revision == 1 and line.look("L-3").limits_revision == 1
        page = quin.client.get(f"/inspections/{began.inspection_id}.json").json()
        assert page["limits_revision"] == 1 and {zone["upper_mm"] for zone in page["zones"]} == {0.05}
        page = quin.client.get(f"/inspections/{first.inspection_id}.json").json()
        assert page["limits_revision"] is None and {zone["upper_mm"] for zone in page["zones"]} == {0.5}
        record = quin.client.get("/limits.json").json()
        assert (record["in_effect"], record["waiting"], record["returns_to"]) == (1, None, None)

        assert eva.post("/limits/return", shell="toplid").status_code == 303
        back = line.look("L-7")
        assert (back.limits_revision, back.verdict.answer) == (None, Answer.CONFORMING)
        again = eva.post("/limits/return", shell="toplid")
        assert again.status_code == 400 and "nothing to return from" in again.text
    kept = plant.store.inspection(began.inspection_id or 0)
    assert kept is not None and kept.verdict.answer is tight, "what was judged stays as it was judged"
    done = [one.what for one in plant.store.changes.all("limits of toplid")]
    assert done == ["limits returned", "limits approved", "limits proposed"]
    assert plant.store.changes.check().intact


def test_a_limit_of_flaws_from_proposal_to_return(plant: Plant, live: Live, line: Line, lid: ShellDefinition) -> None:
    """A nick 1.5 mm long and 0.7 mm deep is bad by the drawing; by concession up to 0.9 mm it passes, from a named
    shell on. Verdicts against a definition written by hand.
    """
    add_people(plant)
    wide = {"shell": "toplid", "of": "nick depth", "upper": "0.9", "guard_factor": "1", "reason": "hidden by the seal"}
    (nick,) = lid.flaws
    by_concession = replace(lid, flaws=(replace(nick, depth_mm=0.9, guard_factor=1.0),))
    line.kind, line.leave_out = "flaws", FlawKind.STRAND
    first = line.look("L-1")
    assert first.verdict.answer is Answer.NONCONFORMING and "nick" in first.verdict.sentence
    assert judge(first.measurement, by_concession).answer is Answer.CONFORMING
    with browser_of(live, EVA) as eva, browser_of(live, QUIN) as quin:
        refused = eva.post("/limits/propose", **wide)
        assert refused.status_code == 400 and "needs the reference of a concession" in refused.text
        assert eva.post("/limits/propose", **wide, concession="C-31").status_code == 303
        (row,) = eva.client.get("/limits.json").json()["proposed"]
        told = {one["characteristic"]: one for one in row["revision"]["proposal"]["limits"]}
        assert told.keys() == {"nick depth", "nick length"}, "a kind has one guard factor"
        assert (told["nick depth"]["drawing_upper"], told["nick depth"]["upper"]) == (0.3, 0.9)
        assert told["nick length"]["upper"] == 0.6 and told["nick length"]["guard_factor"] == 1.0
        assert row["revision"]["proposal"]["prediction"][Answer.CONFORMING.value] == 1
        own = eva.post("/limits/approve", revision_id="1")
        assert own.status_code == 400
        assert quin.post("/limits/approve", revision_id="1", from_shell_id="L-3").status_code == 303
        assert line.look("L-2").verdict.answer is Answer.NONCONFORMING, "it waits for its shell"
        began = line.look("L-3")
        assert (began.limits_revision, began.verdict.answer) == (1, Answer.CONFORMING)
        page = quin.client.get(f"/inspections/{began.inspection_id}.json").json()
        assert [flaw["depth_limit_mm"] for flaw in page["flaws"]] == [0.9]
        assert "nick depth" in quin.client.get("/limits").text
        assert quin.post("/limits/return", shell="toplid").status_code == 303
        assert line.look("L-4").verdict.answer is Answer.NONCONFORMING
        narrow = eva.post("/limits/propose", **{**wide, "upper": "0"})
        assert narrow.status_code == 400 and "must be above 0" in narrow.text


def test_return_goes_back_step_by_step_and_calls_off_what_waits(plant: Plant, live: Live, line: Line) -> None:
    add_people(plant)

    def state() -> tuple[int | None, int | None]:
        record = eva.client.get("/limits.json").json()
        return record["in_effect"], record["returns_to"]

    with browser_of(live, EVA) as eva, browser_of(live, QUIN) as quin:
        for number, upper in (("1", "0.4"), ("2", "0.3")):
            eva.post("/limits/propose", **{**TIGHT, "lower": "-0.4", "upper": upper})
            quin.post("/limits/approve", revision_id=number)
        assert state() == (2, 1)
        eva.post("/limits/propose", **TIGHT)
        quin.post("/limits/approve", revision_id="3", from_shell_id="L-9")
        eva.post("/limits/propose", **{**TIGHT, "upper": "0.06"})
        waits = quin.post("/limits/approve", revision_id="4")
        assert waits.status_code == 400 and "revision 3 waits for shell L-9" in waits.text
        quin.post("/limits/return", shell="toplid")
        assert line.look("L-9").limits_revision == 2, "called off"
        assert state() == (2, 1)
        stale = quin.post("/limits/approve", revision_id="3")
        assert stale.status_code == 400 and "approved by Quin Quality already" in stale.text
        eva.post("/limits/return", shell="toplid")
        assert state() == (1, None) and line.look("L-10").limits_revision == 1
        stale = quin.post("/limits/approve", revision_id="4")
        assert stale.status_code == 400 and "other limits are in effect" in stale.text
        eva.post("/limits/return", shell="toplid")
        assert state() == (None, None) and line.look("L-11").limits_revision is None


def test_beyond_the_drawing_only_by_a_concession_and_by_quality(plant: Plant, live: Live) -> None:
    add_people(plant)
    wide = {**TIGHT, "lower": "-0.6", "upper": "0.6"}
    with browser_of(live, EVA) as eva, browser_of(live, QUIN) as quin:
        refused = eva.post("/limits/propose", **wide)
        assert refused.status_code == 400
        problems = refused.json()["error"]["problems"]
        assert len(problems) == len(plant.lid.zones), "every one at once"
        assert (
            problems[0] == "zone right-end: an inspection limit beyond the drawing needs the reference of a concession"
        )
        quin.post("/limits/propose", **wide, concession="C-2026-17")
        engineer = eva.post("/limits/approve", revision_id="1")
        assert engineer.status_code == 400 and "a person of quality must approve" in engineer.text
        eva.post("/limits/propose", **wide, concession="C-2026-17")
        assert quin.post("/limits/approve", revision_id="2").status_code == 303
        (one,) = [
            one for one in quin.client.get("/limits.json").json()["limits"] if one["characteristic"] == "zone right-end"
        ]
        numbers = {
            name: one[name] for name in ("drawing_lower", "drawing_upper", "lower", "upper", "guard_factor", "warning")
        }
        assert numbers == {
            "drawing_lower": -0.5, "drawing_upper": 0.5, "lower": -0.6, "upper": 0.6,
            "guard_factor": 1.65, "warning": None,
        }  # fmt: skip
        assert one["concession"] == "C-2026-17"


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"of": "zone nowhere"}, "of is 'zone nowhere', must be one of: all zones, zone right-end"),
        ({"lower": "0.3", "upper": "0.1"}, "lower is 0.3, must be below upper 0.1"),
        ({"upper": "wide"}, "upper is 'wide', must be a number"),
        ({"upper": "nan"}, "upper is 'nan', must be a number"),
        ({"guard_factor": "-1"}, "guard_factor is -1.0, must be within 0 to 10"),
        ({"reason": "  "}, "reason is ''"),
        ({"lower": "", "upper": ""}, "nothing differs from the limits in effect"),
        ({"from": "yesterday"}, "from is 'yesterday', must be a date"),
        ({"to": "9999-12-31T23:59:59-14:00"}, "to is '9999-12-31T23:59:59-14:00', must be a date"),
        ({"shell": "../etc"}, "../etc"),
    ],
)
def test_a_wrong_proposal_is_one_sentence(plant: Plant, live: Live, form: dict[str, str], words: str) -> None:
    add_people(plant, EVA)
    with browser_of(live, EVA) as eva:
        answer = eva.post("/limits/propose", **{**TIGHT, **form})
        assert answer.status_code in (400, 404) and words in answer.json()["error"]["problems"][0]
        assert eva.client.get("/limits.json").json()["proposed"] == []


@pytest.mark.parametrize("name", [OLU, ADA])
def test_other_roles_only_read(plant: Plant, live: Live, name: str) -> None:
    add_people(plant)
    with browser_of(live, EVA) as eva:
        eva.post("/limits/propose", **TIGHT)
    with browser_of(live, name) as other:
        page = other.client.get("/limits").text
        assert "the customer asks" in page and "<form" not in page.partition("<main>")[2]
        for path, form in (
            ("/limits/propose", TIGHT),
            ("/limits/approve", {"revision_id": "1"}),
            ("/limits/refuse", {"revision_id": "1", "reason": "no"}),
            ("/limits/return", {"shell": "toplid"}),
        ):
            answer = other.post(path, **form)
            assert answer.status_code == 403 and "This is for engineer or quality" in answer.text


def test_a_refused_one_never_judges(plant: Plant, live: Live, line: Line) -> None:
    add_people(plant)
    with browser_of(live, EVA) as eva, browser_of(live, QUIN) as quin:
        eva.post("/limits/propose", **TIGHT)
        assert quin.post("/limits/refuse", revision_id="1", reason="too few shells").status_code == 303
        assert quin.post("/limits/approve", revision_id="1").status_code == 400
        assert "too few shells" in quin.client.get("/limits").text
        assert line.look("L-1").limits_revision is None


def test_another_definition_stops_instead_of_judging_by_others(
    plant: Plant, live: Live, line: Line, lid: ShellDefinition
) -> None:
    add_people(plant)
    with browser_of(live, EVA) as eva, browser_of(live, QUIN) as quin:
        eva.post("/limits/propose", **TIGHT)
        quin.post("/limits/approve", revision_id="1")
    line.definition = replace(lid, sha256="f" * 64)
    look = line.look("L-1")
    assert look.verdict.answer is Answer.NO_RESULT
    assert look.verdict.sentence == "Limits revision 1 was approved for another definition of toplid"


def test_what_shares_a_limit_moves_together(plant: Plant, live: Live) -> None:
    add_people(plant, EVA)
    with browser_of(live, EVA) as eva:
        for of, upper in (
            ("cut-out hinge-slot-left width", "0.2"),
            ("decal badge up", "0.8"),
            ("path rotation", "0.1"),
        ):
            form = {"shell": "toplid", "of": of, "upper": upper, "guard_factor": "2", "reason": "try"}
            assert eva.post("/limits/propose", **form).status_code == 303
        rows = eva.client.get("/limits.json").json()["proposed"]
    told = [
        {one["characteristic"]: (one["lower"], one["upper"]) for one in row["revision"]["proposal"]["limits"]}
        for row in rows
    ]
    assert told[2] == {
        "cut-out hinge-slot-left position": (None, 0.4),
        "cut-out hinge-slot-left length": (-0.3, 0.2),
        "cut-out hinge-slot-left width": (-0.3, 0.2),
    }
    assert told[1]["decal badge across"] == told[1]["decal badge up"] == (-0.8, 0.8)
    assert told[0] == {"path shift": (None, 0.4), "path rotation": (-0.1, 0.1)}


def test_the_first_hundred_shells_against_the_prediction(plant: Plant, live: Live, line: Line) -> None:
    """Predicted of 40 good shells by slightly tighter limits: all good; then 30 of 120 come bad. Of a shell looked at
    twice the last look counts; the hundred-and-first shell does not.
    """
    add_people(plant)
    for k in range(40):
        plant.save("good", f"P-{k}")
    with browser_of(live, EVA) as eva, browser_of(live, QUIN) as quin:
        eva.post("/limits/propose", **{**TIGHT, "lower": "-0.45", "upper": "0.45"})
        quin.post("/limits/approve", revision_id="1")
        before = quin.client.get("/limits.json").json()["decided"][0]
        assert before["judged"] == 0
        for k in range(120):
            plant.save("bad" if k % 4 == 0 else "good", f"A-{k}", limits_revision=1)
        plant.save("good", "A-0", limits_revision=1)
        plant.save("bad", "A-1", limits_revision=None)  # judged by others
        (row,) = quin.client.get("/limits.json").json()["decided"]
        page = quin.client.get("/limits").text
    assert row["judged"] == 100
    rows = {one["key"]: one for one in row["answers"]}
    assert (rows["good"]["came"]["count"], rows["bad"]["came"]["count"]) == (75, 25)
    exact = stats.binomtest(25, 100).proportion_ci(method="exact")
    assert (rows["bad"]["came"]["low"], rows["bad"]["came"]["high"]) == pytest.approx(
        (exact.low, exact.high), abs=1e-12
    )
    assert rows["good"]["predicted"]["count"] == 40
    assert rows["bad"]["chance"] == pytest.approx(stats.fisher_exact([[0, 40], [25, 75]]).pvalue)
    assert rows["bad"]["surprising"] and "not as predicted" in page


def test_limits_in_effect_cannot_be_edited_in_the_record(plant: Plant, live: Live) -> None:
    add_people(plant)
    with browser_of(live, EVA) as eva, browser_of(live, QUIN) as quin:
        eva.post("/limits/propose", **TIGHT)
        quin.post("/limits/approve", revision_id="1")
    with sqlite3.connect(plant.data / "record.sqlite") as record:
        for statement in ("UPDATE limits_revision SET limits = '[]'", "DELETE FROM limits_use"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed afterwards"):
                record.execute(statement)
    record.close()
    (proposed,) = [one for one in plant.store.changes.all() if one.what == "limits proposed"]
    assert json.loads(proposed.details)["limits"][0]["upper"] == 0.05, "the chained record holds the numbers too"
