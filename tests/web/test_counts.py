"""The narrowed list and the shift page: what they count is what was saved, and ten thousand are no burden."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import Engine, event

from edgeinspect.conformity import Answer, Finding
from edgeinspect.inspection import Expected
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.station.shifts import shift_plan
from edgeinspect.store import search
from edgeinspect.store.inspections import Store
from edgeinspect.store.search import Wanted
from edgeinspect.store.state import State
from edgeinspect.web.app import create_app
from edgeinspect.web.look import LOOKS

from . import samples
from .conftest import Plant, Watched
from .many import Written, write_many

NOW = datetime(2024, 11, 25, 12, 34, 56, tzinfo=UTC)
MANY, FEW = 10_000, 500
PATHS = [
    "/inspections.json",
    "/inspections",
    "/inspections.json?answer=NONCONFORMING",
    "/inspections.json?place=rear+left+corner",
    "/inspections.json?words=corner+0.33",
    "/inspections.json?shell_id=M77*",
    "/inspections.json?from=2024-11-24&to=2024-11-24",
    "/shift",
    "/shift.json?day=2024-11-24&name=late",
]


class Pages:
    """The pages over a record of so many inspections, with what the database was asked to do for them."""

    def __init__(self, folder: Path, models: Path, lid: ShellDefinition, count: int) -> None:
        station = replace(
            samples.make_station(models), shifts=shift_plan(["06:00", "14:00", "22:00"], ["early", "late", "night"])
        )
        with Store.open(folder) as store, State.open(folder):
            self.written: Written = write_many(store, lid, count, last=NOW)
        self._app = create_app(station, folder, clock=lambda: NOW)
        self.statements = self.steps = 0

    def get(self, path: str) -> Any:
        """The answer; ``statements`` and thousands of ``steps`` of SQLite's own machine that it took."""
        self.statements = self.steps = 0
        with ThreadPoolExecutor(1) as apart:  # a browser of another test may have a loop running in this thread
            answer = apart.submit(lambda: asyncio.run(self._get(path))).result()
        assert answer.status_code == 200, answer.text
        return answer.json() if ".json" in path else answer.text

    async def _get(self, path: str) -> httpx.Response:
        transport = httpx.ASGITransport(self._app)
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return await client.get(path)

    def close(self) -> None:
        parts = self._app.state.parts
        parts.store.close()
        parts.state.close()


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory, models: Path, lid: ShellDefinition) -> Iterator[dict[int, Pages]]:
    found = {}

    def count_steps(connection: sqlite3.Connection, *_: object) -> None:
        def tick() -> int:
            for one in found.values():
                one.steps += 1
            return 0

        connection.set_progress_handler(tick, 1000)

    def count_statements(*_: object) -> None:
        for one in found.values():
            one.statements += 1

    event.listen(Engine, "connect", count_steps)
    event.listen(Engine, "before_cursor_execute", count_statements)
    for count in (FEW, MANY):
        found[count] = Pages(tmp_path_factory.mktemp("many"), models, lid, count)
    yield found
    for one in found.values():
        one.close()
    event.remove(Engine, "connect", count_steps)
    event.remove(Engine, "before_cursor_execute", count_statements)


def test_counts_are_those_that_were_written(pages: dict[int, Pages]) -> None:
    written = pages[MANY].written
    record = pages[MANY].get("/inspections.json")
    assert record["total"] == MANY
    assert {one["answer"]: one["count"] for one in record["counts"]} == {
        answer.value: written.answers[answer] for answer in Answer
    }
    assert {row["where"]: row["shells"] for row in record["reds"]} == {
        where: len(shells) for where, shells in written.red_shells.items()
    }
    assert record["reds"][0]["shells"] == max(len(shells) for shells in written.red_shells.values())


def test_every_count_leads_to_a_list_of_as_many(pages: dict[int, Pages]) -> None:
    for page in ("/inspections.json", "/shift.json?day=2024-11-24&name=late"):
        record = pages[MANY].get(page)
        for one in record["counts"]:
            assert pages[MANY].get(one["url"].replace("/inspections", "/inspections.json"))["total"] == one["count"]
        for row in record["reds"]:
            listed = pages[MANY].get(row["url"].replace("/inspections", "/inspections.json"))
            assert listed["total"] == row["inspections"] > 0
            assert {one["answer"] for one in listed["inspections"]} == {"NONCONFORMING"}


def test_the_hours_of_a_shift_are_those_that_were_written(pages: dict[int, Pages]) -> None:
    written = pages[MANY].written
    record = pages[MANY].get("/shift.json?day=2024-11-24&name=late")
    begins = datetime.fromisoformat(record["begins_at"])
    assert (begins.astimezone().hour, begins.astimezone().day) == (14, 24)
    assert [hour["begins_at"][:13] for hour in record["hours"]] == [
        (begins + timedelta(hours=k)).strftime("%Y-%m-%dT%H") for k in range(8)
    ]
    for hour in record["hours"]:
        for answer, look in LOOKS.items():
            assert hour["counts"][look.key] == written.per_hour[hour["begins_at"][:13], answer]
    assert record["total"] == sum(sum(hour["counts"].values()) for hour in record["hours"])
    assert len(record["lengths"]) == 2 and len(record["lengths"][0]["readings"]) > 200
    assert all(0 <= share < 1 for share, _ in record["lengths"][0]["readings"])


@pytest.mark.parametrize("path", PATHS)
def test_ten_thousand_inspections_cost_no_more_queries_and_hardly_more_work(pages: dict[int, Pages], path: str) -> None:
    """Counted, not timed: statements, and steps of SQLite's virtual machine (sqlite.org/c3ref/progress_handler.html).

    A list or a shift is found by an index. What has to look at every inspection once (words, places) may grow with
    their number, never faster.
    """
    for one in pages.values():
        one.get(path)  # connections are opened, definitions read
    pages[FEW].get(path)
    few = (pages[FEW].statements, pages[FEW].steps)
    pages[MANY].get(path)
    assert pages[MANY].statements == few[0] <= 9  # BEGIN and ROLLBACK are not counted
    assert pages[MANY].steps <= 1.5 * MANY / FEW * max(few[1], 2)
    assert pages[MANY].steps < 250  # a quarter million: one look at each finding would be more


def test_a_shift_costs_the_same_in_a_long_record(pages: dict[int, Pages]) -> None:
    for one in pages.values():
        one.get("/shift.json")
    pages[FEW].get("/shift.json")
    few = pages[FEW].steps
    pages[MANY].get("/shift.json")
    assert pages[MANY].steps <= 2 * few + 20


# -- by hand


def test_save_keeps_what_is_counted_and_a_migration_finds_the_same(plant: Plant, tmp_path: Path) -> None:
    for kind in ("good", "bad", "close", "none", "hole", "decal"):
        plant.save(kind, f"L-{kind}")
    tables = {"finding": 'inspection_id, number, characteristic, "where", answer, unit, value, u, lower, upper'}
    tables["known_length"] = "inspection_id, camera, number, words, known_mm, read_mm"
    record = sqlite3.connect(plant.data / "record.sqlite")
    saved = {name: record.execute(f"SELECT {columns} FROM {name}").fetchall() for name, columns in tables.items()}
    kept = plant.store.inspection(2)
    assert kept is not None
    rows = [row for row in saved["finding"] if row[0] == 2]
    told = [(k, one) for k, one in enumerate(kept.verdict.findings) if k == 0 or one.answer is not Answer.CONFORMING]
    assert [row[1:] for row in rows] == [(k, *_columns(finding)) for k, finding in told]
    assert 1 <= len(rows) < len(kept.verdict.findings)
    assert len(saved["known_length"]) == 5 * 2  # the blind picture read none
    then = ("inspection", "arrays", "picture", "calibration", "calibration_use", "state", "alembic_version")
    for (name,) in record.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
        if name not in then and not name.startswith("sqlite_"):
            record.execute(f"DROP TABLE {name}")
    for name in (
        "ix_inspection_shell",
        "ix_inspection_repeated",
        "ix_inspection_not_green",
        "ix_inspection_sentence",
        "ix_inspection_shell_finished_at",
        "ix_inspection_how_bad",
    ):
        record.execute(f"DROP INDEX {name}")
    record.execute("ALTER TABLE inspection DROP COLUMN how_bad")
    for column in ("message_word", "interrupted", "interrupted_at", "interrupted_times"):
        record.execute(f"ALTER TABLE state DROP COLUMN {column}")
    record.execute("UPDATE alembic_version SET version_num = '0002'")  # as it was before there were such tables
    record.commit()
    Store.open(plant.data).close()
    again = {name: record.execute(f"SELECT {columns} FROM {name}").fetchall() for name, columns in tables.items()}
    record.close()
    assert again == saved


def _columns(finding: Finding) -> tuple[Any, ...]:
    numbers = (finding.value, finding.u, finding.lower, finding.upper)
    return (finding.characteristic, finding.where, finding.answer.value, finding.unit, *numbers)


def shells(client: httpx.Client, **asked: str) -> list[str]:
    return [row["shell_id"] for row in client.get("/inspections.json", params=asked).json()["inspections"]]


def test_the_shift_tells_what_the_station_was_set_to(plant: Plant, client: httpx.Client) -> None:
    plant.state.expect(Expected("toplid", "standard"), plant.now(), "station page at 10.0.0.7")
    plant.save("good")
    plant.state.confirm(1, 1, plant.now())
    plant.state.expect(Expected("hatch", ""), plant.now(), "the command line")
    rows = client.get("/shift.json").json()["changeovers"]
    assert [(one["shell"], one["who"], one["confirmed_url"]) for one in rows] == [
        ("hatch", "the command line", None),
        ("toplid", "station page at 10.0.0.7", "/inspections/1"),
    ]
    page = client.get("/shift").text
    assert "What was the station set to?" in page and "not confirmed" in page


def test_flaws_are_found_by_place_and_by_reason(plant: Plant, client: httpx.Client) -> None:
    kept = plant.save("flaws", "F-1")
    plant.save("good", "F-2")
    nick = next(one for one in kept.verdict.findings if one.characteristic.startswith("nick at "))
    assert nick.where in {zone.words for zone in plant.lid.zones}
    assert shells(client, place=nick.where) == ["F-1"] and shells(client, words="nick deep") == ["F-1"]
    assert shells(client, place="hinge slot, rear left") == ["F-1"]  # a loose strand: no result there
    assert shells(client, words="burr") == []
    flaws = client.get("/inspections/1.json").json()["flaws"]
    assert [(one["number"], one["kind"], one["look"]["word"]) for one in flaws] == [
        (1, "nick", "BAD"),
        (2, "strand", "NO RESULT"),
    ]


def test_each_filter_and_all_of_them(plant: Plant, client: httpx.Client) -> None:
    old = plant.save("bad", "A-1", age_s=7200)
    plant.save("hole", "A-2")
    plant.save("none", "B-1")
    plant.save("close", "B-2", expected=replace(old.expected, shell="hatch"))
    assert shells(client, shell_id="A-*") == ["A-2", "A-1"] and shells(client, shell_id="A-") == []
    assert shells(client, shell_id="%*") == []
    assert shells(client, shell="hatch") == ["B-2"]
    hour_ago = (plant.clock() - timedelta(hours=1)).isoformat()
    assert shells(client, **{"from": hour_ago}) == ["B-2", "B-1", "A-2"] and shells(client, to=hour_ago) == ["A-1"]
    local = (plant.clock() - timedelta(hours=1)).astimezone().strftime("%Y-%m-%dT%H:%M")
    assert shells(client, to=local) == ["A-1"]
    day = (plant.clock() - timedelta(hours=2)).astimezone().strftime("%Y-%m-%d")
    assert "A-1" in shells(client, **{"from": day, "to": day})
    assert shells(client, words="LOCK there") == ["A-2"] and shells(client, words="lock nowhere") == []
    assert shells(client, words="%") == []
    assert shells(client, place="rear left scallop") == ["B-1", "A-1"]  # not seen, and bad
    assert shells(client, place="rear left scallop", answer="NONCONFORMING") == ["A-1"]
    assert shells(client, place="rear left scallop", answer="NONCONFORMING", shell_id="A-2") == []
    record = client.get("/inspections.json", params={"place": "lock hole, front middle", "answer": "NONCONFORMING"})
    (row,) = record.json()["reds"]
    assert (row["where"], row["shells"]) == ("lock hole, front middle", 1)


def test_the_fields_show_what_is_asked(plant: Plant, client: httpx.Client) -> None:
    plant.save("bad")
    asked = {"from": "2024-11-24", "to": "2024-11-24", "place": "an older place", "words": "<b>", "shell_id": "L*"}
    page = client.get("/inspections", params=asked).text
    for part in ('value="2024-11-24T00:00"', 'value="2024-11-25T00:00"', "<option selected>an older place</option>"):
        assert part in page
    assert 'value="&lt;b&gt;"' in page and "No inspection fits." in page


def test_everything_wrong_is_told_at_once(client: httpx.Client) -> None:
    answer = client.get("/inspections.json?from=yesterday&to=2024-13-01&answer=fine")
    problems = answer.json()["error"]["problems"]
    assert answer.status_code == 400 and len(problems) == 3
    assert "from is 'yesterday', must be a time as 2024-11-25T10:30 or a day as 2024-11-25" in problems
    assert client.get("/inspections.json?colour=red").status_code == 400
    for path, words in (("/shift.json?day=soon", "day is 'soon'"), ("/shift.json?name=lunch", "name is 'lunch'")):
        assert client.get(path).json()["error"]["problems"][0].startswith(words)
    assert client.get("/shift.json?day=9999-12-31").status_code in (200, 400)


def test_the_third_red_shell_in_one_place_warns(plant: Plant, client: httpx.Client) -> None:
    plant.save("bad", "L-1")
    plant.save("bad", "L-1")  # a second look at one shell is no second shell
    plant.save("bad", "L-2")
    assert client.get("/shift.json").json()["warnings"] == []
    plant.save("bad", "L-3")
    sentence = "3 reds at the rear left scallop: stop and call the process engineer"
    assert client.get("/shift.json").json()["warnings"] == [sentence]
    page = client.get("/shift").text
    assert sentence in page and "<b>STOP</b>" in page
    (row,) = client.get("/shift.json").json()["reds"]
    assert (row["shells"], row["inspections"]) == (3, 4)
    tomorrow = (plant.clock() - timedelta(days=1)).astimezone().date().isoformat()
    assert client.get(f"/shift.json?day={tomorrow}").json()["warnings"] == []


def test_the_picture_is_the_definition(plant: Plant, client: httpx.Client) -> None:
    plant.save("bad")
    plant.save("hole", "L-2")
    (plan,) = client.get("/inspections.json").json()["plans"]
    xs, ys = zip(*plan["outline"], strict=True)
    assert (min(xs), max(xs), min(ys), max(ys)) == pytest.approx((-200, 200, -150, 150), abs=0.5)
    pins = {pin["where"]: pin["at_mm"] for pin in plan["pins"]}
    assert pins["lock hole, front middle"] == [0.0, -118.0]
    x, y = pins["rear left scallop"]  # beside the scallop, off the shell: y up is the rear
    assert -110 < x < -50 and 150 < y < 180
    assert plan["not_drawn"] == []


@pytest.mark.parametrize("path", ["/inspections", "/shift"])
@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (1280, 800), (810, 1080)])
def test_nothing_leaves_the_screen(
    plant: Plant, open_page: Callable[..., Watched], path: str, width: int, height: int
) -> None:
    write_many(plant.store, plant.lid, 300, last=plant.clock(), every_s=60)
    page = open_page(path, width, height).page
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    svg = page.locator(".plan svg").bounding_box()
    assert svg is not None and svg["width"] > 300
    for pin in page.locator(".plan circle").all():
        box = pin.bounding_box()
        assert box is not None and box["width"] >= 18
        assert box["x"] >= svg["x"] and box["x"] + box["width"] <= svg["x"] + svg["width"]
    for chip in page.locator(".counts a").all():
        assert chip.evaluate("one => one.scrollWidth <= one.clientWidth + 1")


@pytest.mark.parametrize(("width", "height"), [(1024, 768), (810, 1080), (1920, 1080)])
def test_the_list_comes_before_where_they_were_bad(
    plant: Plant, open_page: Callable[..., Watched], width: int, height: int
) -> None:
    write_many(plant.store, plant.lid, 300, last=plant.clock(), every_s=60)
    page = open_page("/inspections", width, height).page
    first, plan = page.locator(".list tbody tr").first.bounding_box(), page.locator(".plan").first.bounding_box()
    assert first is not None and plan is not None
    assert first["y"] + first["height"] < height, "on the first screen"
    assert width == 1920 or plan["y"] > first["y"]


def test_the_list_as_a_table_holds_all_that_fit_not_one_page(plant: Plant, client: httpx.Client) -> None:
    for number in range(55):
        plant.save("bad" if number % 5 == 0 else "good", f"T-{number}")
    lines = client.get("/inspections.csv").text.splitlines()
    assert len(lines) == 56 and lines[0].startswith("inspection_id,look,shell_id")
    answer = client.get("/inspections.jsonl", params={"answer": "NONCONFORMING"})
    assert len(answer.text.splitlines()) == 11
    content = client.get("/inspections.parquet", params={"shell_id": "T-1*"}).content
    assert content[:4] == content[-4:] == b"PAR1"
    page = client.get("/inspections", params={"answer": "NONCONFORMING"}, headers={"accept": "text/html"}).text
    assert 'href="/inspections.parquet?answer=NONCONFORMING"' in page
    assert client.get("/inspections.csv", params={"from": "yesterday"}).status_code == 400


def test_common_words_find_the_same_as_rare_ones(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(12):
        plant.save(("good", "bad", "close")[number % 3], f"T-{number}")
    for asked in (Wanted(words="left mm"), Wanted(words="left", answer=Answer.NONCONFORMING), Wanted(words="moon")):
        found = []
        for few in (100, 0):
            monkeypatch.setattr(search, "FEW", few)
            which = plant.store.found(asked)
            assert which.common is (few == 0 and asked.words != "moon")
            found.append((plant.store.listing(50, None, which), plant.store.counts(which), plant.store.reds(which)))
        assert found[0] == found[1]
        assert len(found[0][0]) == sum(found[0][1].values())
    assert len(plant.store.listing(50, None, Wanted(words="left mm"))) >= 4
