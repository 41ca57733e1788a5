"""Another method tried from the page, on shells that the whole station has measured; who may, what a kill leaves.

Outside truth: the rules of axe-core (see test_accessible.py); the operating system's own list of processes.
"""

from __future__ import annotations

import os
import re
import signal
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from edgeinspect.store.changes import Changes
from edgeinspect.store.inspections import Store
from edgeinspect.store.people import People

from .conftest import Plant
from .signing import PASSWORDS, ROLES, SETUP
from .test_accessible import RUN, add_study
from .whole_station import AT, Pictures, WholeStation, make_data, started

EVA, QUIN, OLU, ADA = "Eva Engineer", "Quin Quality", "Olu Operator", "Ada Admin"
SHELLS = 6  # two pictures in a row are of L1001 and L1002: good, so that only their ribbons are kept
PATIENCE_MS = 240_000


def wait_for(what: Any, seconds: float) -> None:
    end_s = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.1)


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WholeStation]:
    """Six sample shells through the whole station, and people."""
    data = tmp_path_factory.mktemp("method") / "data"
    make_data(data)
    with Changes.open(data) as changes:
        for name, password in PASSWORDS.items():
            People(changes).add(name, ROLES[name], password, AT, SETUP)
    pictures = Pictures()
    with started(data) as station, Store.open(data, read_only=True) as record:
        for number in range(SHELLS):
            station.put(f"S{number}", pictures.make(number))
        wait_for(lambda: len(record.listing()) == SHELLS, 240)
        yield station


@pytest.fixture
def page(browser: Browser, station: WholeStation) -> Iterator[Page]:
    page = browser.new_page(viewport={"width": 1920, "height": 1080})
    page.set_default_timeout(PATIENCE_MS)
    errors: list[str] = []
    page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: errors.append(str(error)))
    yield page
    page.close()
    assert errors == []


def sign_in(page: Page, station: WholeStation, name: str) -> None:
    page.goto(f"{station.address}/sign-in?then=/tune/method")
    page.fill("[name=name]", name)
    page.fill("[name=password]", PASSWORDS[name])
    page.keyboard.press("Enter")
    page.wait_for_url("**/tune/method")


def violations(page: Page) -> list[str]:
    page.evaluate(files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8"))
    found: list[str] = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        found += page.evaluate(RUN)
    return found


def record_of(station: WholeStation, study_id: int) -> dict[str, Any]:
    found: dict[str, Any] = httpx.get(f"{station.address}/tune/method/{study_id}.json", timeout=60).json()
    return found


def begin(page: Page, **fields: str) -> int:
    for name, value in fields.items():
        page.fill(f"[name={name}]", value)
    page.get_by_role("button", name="How long would it take?").click()
    page.get_by_role("button", name="Measure them again").click()
    page.wait_for_url(re.compile(r"/tune/method/\d+$"))
    return int(page.url.rpartition("/")[2])


def test_a_study_from_the_form_to_its_results_by_keyboard(station: WholeStation, page: Page) -> None:
    sign_in(page, station, EVA)
    page.locator("[name=cutoff]").focus()
    page.keyboard.type("8")
    page.keyboard.press("Enter")
    plan = page.locator(".plan")
    expect(plan).to_contain_text("filter cut-off 2.5 mm → 8 mm")
    expect(plan).to_contain_text(f"{SHELLS} of {SHELLS} shells of toplid, all of them; failures included:")
    expect(plan.locator(".takes")).to_have_text(
        re.compile(r"^About \d+ (s|min): \d by stored ribbons at \d+ ms, as \d timed just now; \d by pictures at .* s")
    )
    assert violations(page) == []
    button = page.get_by_role("button", name="Measure them again")
    button.focus()
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/tune/method/\d+$"))
    study_id = int(page.url.rpartition("/")[2])
    assert page.locator("#standing").get_attribute("data-word") in ("waiting", "measuring")
    page.reload()  # it goes on
    begun = time.monotonic()
    assert httpx.get(f"{station.address}/station.json", timeout=10).status_code == 200
    assert time.monotonic() - begun < 5.0, "no page waits for a study"
    page.wait_for_selector('[data-word="done"]')
    expect(page.locator(".done")).to_have_text(str(SHELLS))
    expect(page.get_by_role("heading", name="How far off is each shell's worst zone, by both methods?")).to_be_visible()
    assert violations(page) == []
    record = record_of(station, study_id)
    assert record["standing"]["word"] == "done" and record["by"]["not"] == 0
    assert record["by"]["ribbon"] >= 2 and record["by"]["picture"] >= 2
    assert sum(one["before"] for one in record["counts"]) == SHELLS == record["compared"]
    recorded = {row["shell_id"]: row["answer"] for row in _listing(station)}
    words = {"CONFORMING": "GOOD", "NONCONFORMING": "BAD", "NOT PROVEN": "TOO CLOSE", "NO RESULT": "NO RESULT"}
    for row in record["moved"]:
        assert row["word_before"] == words[recorded[row["shell_id"]]], "the method in force says what was recorded"
        assert row["change"] is None or abs(row["change"]) < 0.2
    assert record["changed"]["moved"] >= 2
    page.get_by_label("Shown").select_option("zone left-end")
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_role("heading", name="How far off is zone left-end, by both methods?")).to_be_visible()


def _listing(station: WholeStation) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = httpx.get(f"{station.address}/inspections.json").json()["inspections"]
    return found


def test_a_ribbon_that_is_too_narrow_is_said_before_and_after(station: WholeStation, page: Page) -> None:
    sign_in(page, station, QUIN)
    page.fill("[name=band]", "5")
    page.get_by_role("button", name="How long would it take?").click()
    narrow = "its stored ribbon is too narrow: it reaches ±3.0 mm, asked for is ±5 mm, and its picture is not kept"
    narrow += ": choose ±3.0 mm or less"
    expect(page.locator(".plan .stop")).to_contain_text(f"Of shells without a picture: {narrow}")
    page.get_by_role("button", name="Measure them again").click()
    page.wait_for_selector('[data-word="done"]')
    record = record_of(station, int(page.url.rpartition("/")[2]))
    (why,) = record["not_measured"]
    assert why["sentence"] == narrow == record["narrow"] and why["shells"] == record["by"]["not"] >= 2
    assert record["loud"] == [
        f"{why['shells']} of {SHELLS} shells could not be measured again, {why['shells']} of them good ones: "
        "before and after are counted without them"
    ]
    assert record["compared"] == SHELLS - why["shells"] == record["by"]["picture"]
    expect(page.locator("#results")).to_contain_text(narrow)


def test_cancelled_by_whoever_may_and_gone_on_with(station: WholeStation, page: Page) -> None:
    sign_in(page, station, ADA)
    study_id = begin(page, cutoff="8")
    page.get_by_role("button", name="Cancel: keep what is measured").click()
    page.wait_for_selector('[data-word="cancelled"]')
    expect(page.locator(".state")).to_contain_text(f"Cancelled by {ADA}")
    assert record_of(station, study_id)["standing"]["done"] < SHELLS
    page.get_by_role("button", name=re.compile("Go on with the .* shells that are left")).click()
    page.wait_for_selector('[data-word="done"]')
    assert record_of(station, study_id)["compared"] == SHELLS


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="processes are listed by Linux")
def test_a_killed_process_leaves_a_study_that_can_be_gone_on_with(station: WholeStation, page: Page) -> None:
    assert station.process is not None
    web = station.process.pid

    def children() -> set[int]:
        every = Path(f"/proc/{web}/task").glob("*/children")  # of all its threads
        return {int(one) for file in every for one in file.read_text().split()}

    sign_in(page, station, EVA)
    before = {child for child in children() if b"--multiprocessing-fork" in _command(child)}
    study_id = begin(page, cutoff="8", band="2")
    new = {child for child in children() if b"--multiprocessing-fork" in _command(child)} - before
    assert len(new) == 1
    wait_for(lambda: record_of(station, study_id)["standing"]["done"] >= 1, 240)
    os.kill(new.pop(), signal.SIGKILL)
    page.wait_for_selector('[data-word="interrupted"]')
    expect(page.locator(".state")).to_contain_text("Interrupted the program was ended while it measured")
    done = record_of(station, study_id)["standing"]["done"]
    assert 1 <= done < SHELLS, "it was quicker than this test"
    page.get_by_role("button", name="Go on with").click()
    page.wait_for_selector('[data-word="done"]')
    record = record_of(station, study_id)
    assert record["compared"] == SHELLS == len({row["inspection_id"] for row in record["moved"]})
    recorded = [row["shell_id"] for row in _listing(station)]
    assert sorted(recorded) == [f"S{n}" for n in range(SHELLS)], "nothing was recorded"


def _command(process: int) -> bytes:
    try:
        return Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return b""


def test_who_may_start_one(station: WholeStation) -> None:
    form = {"shell": "toplid", "cutoff": "8"}
    with httpx.Client(base_url=station.address, timeout=60) as client:
        assert client.get("/tune/method", params={"cutoff": "8"}).status_code == 200, "anybody may look"
        assert client.get("/tune/method/1.json").status_code == 200
        paths = ("/tune/method/start", "/tune/method/1/cancel", "/tune/method/1/go-on")
        assert [client.post(path, data=form).status_code for path in paths] == [401] * 3
        assert client.post("/sign-in", data={"name": OLU, "password": PASSWORDS[OLU]}).status_code == 303
        token = re.search(r'name="form-token" content="(\w+)"', client.get("/health").text)
        assert token is not None
        for path in paths:
            answer = client.post(path, data={**form, "form_token": token[1]})
            assert answer.status_code == 403
            assert "This is for engineer or quality or administrator" in answer.text
        assert "Measure them again" not in client.get("/tune/method", params={"cutoff": "8"}).text
    with httpx.Client(base_url=station.address, timeout=60) as client:
        client.post("/sign-in", data={"name": EVA, "password": PASSWORDS[EVA]})
        assert client.post("/tune/method/start", data=form).status_code == 403, "without the form's token"
        foreign = {"Origin": "http://elsewhere.example"}
        assert client.post("/tune/method/start", data=form, headers=foreign).status_code == 403
        token = re.search(r'name="form-token" content="(\w+)"', client.get("/health").text)
        assert token is not None
        before = client.get("/tune/method.json").json()["studies"]
        for wrong, words in (
            ({"cutoff": "2.5"}, "nothing differs from the method of toplid in force"),
            ({"cutoff": "wide"}, "cutoff is 'wide', must be a number"),
            ({"cutoff": "", "band": "99"}, "search_band_mm is 99, must be within 1 to 10"),
            ({"from": "2030-01-01"}, "no shell fits"),
            ({"shell": "moon"}, "there is no shell 'moon'"),
        ):
            answer = client.post("/tune/method/start", data={**form, **wrong, "form_token": token[1]})
            assert answer.status_code == 400 and words in answer.text, answer.text
        asked = client.get("/tune/method.json", params={"cutoff": "wide"}).json()
        assert asked["plan"] is None and asked["problems"] == ["cutoff is 'wide', must be a number"]
        assert client.get("/tune/method/99.json").status_code == 400
        assert client.get("/tune/method.json").json()["studies"] == before


def test_a_damaged_study_is_a_row_and_hides_no_other(plant: Plant, client: httpx.Client) -> None:
    add_study(plant)
    (plant.data / "studies" / "0002.jsonl").write_bytes(b"")  # the power went before its first line was on disk
    record = client.get("/tune/method.json").raise_for_status().json()
    assert [one["study_id"] for one in record["studies"]] == [1]
    (damaged,) = record["damaged"]
    assert damaged["study_id"] == 2 and "0002.jsonl is damaged" in damaged["problem"]
    text = client.get("/tune/method").raise_for_status().text
    assert "Study 1" in text and "Study 2" in text and "or delete it" in text
