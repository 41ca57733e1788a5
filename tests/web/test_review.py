"""Reviewing what failed: the queue, what is said of a shell and by whom, and the page in Chromium, by keyboard."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import httpx
import pytest
from playwright.sync_api import Page

from edgeinspect.store.changes import Changes, Who
from edgeinspect.store.limits import LimitsRecord, Proposal
from edgeinspect.store.reviews import Label, MarkKind, Reviews

from .conftest import Live, Plant, Watched
from .signing import PASSWORDS, add_people, browser_of

Open = Callable[..., Watched]
EVA = Who("Eva Engineer", "engineer")


def fill(plant: Plant) -> None:
    """1 good, 2 bad, 3 close, 4 none, 5 good, 6 bad: the second look at the shell of 2."""
    for age_s, (kind, shell_id) in zip(
        range(600, 0, -100),
        [("good", "L-1"), ("bad", "L-2"), ("close", "L-3"), ("none", "L-4"), ("good", "L-5"), ("bad", "L-2")],
        strict=True,
    ):
        plant.save(kind, shell_id, age_s=age_s)


def shells(client: httpx.Client, query: str = "") -> list[int]:
    return [one["inspection_id"] for one in client.get(f"/review.json{query}").json()["shells"]]


# -- the records


def test_the_queue_and_its_filters(plant: Plant, live: Live, client: httpx.Client) -> None:
    fill(plant)
    assert shells(client) == [6, 4, 3]
    assert shells(client, "?order=worst") == [6, 4, 3]
    assert shells(client, "?shell_id=L-3") == [3]
    assert shells(client, "?answer=NO%20RESULT") == [4]
    assert shells(client, "?place=rear%20left%20scallop") == [6, 4]  # not seen there is not proven good either
    assert shells(client, "?words=marks") == [4]
    assert shells(client, "?from=2020-01-01&to=2020-01-02") == []
    assert shells(client, "?label=truly%20bad") == []
    assert client.get("/review.json").json()["total"] == 3
    problems = client.get("/review.json?label=bad&order=up&answer=RED&shell_id=x").json()["error"]["problems"]
    assert [one.split(",")[0] for one in problems] == [
        "answer is 'RED'",
        "label is 'bad'",
        "order is 'up'",
    ]


def test_one_shell_with_its_company(plant: Plant, live: Live, client: httpx.Client) -> None:
    fill(plant)
    record = client.get("/review/6.json").json()
    assert record["inspection"]["shell_id"] == "L-2"
    # Of the five before it one is this shell itself, and one was not measured.
    assert [one["shell_id"] for one in record["ghosts"]] == ["L-5", "L-3", "L-1"]
    assert record["last_good"]["inspection_id"] == 5
    assert record["changed"] == []
    assert [one["attempt"]["inspection_id"] for one in record["looks"]] == [2, 6]
    near = [one for one in record["looks"][0]["nominal_px"] if one]
    assert near and all(abs(x - record["place"]["x_px"]) < 110 for x, _ in near)
    assert client.get("/review/99.json").status_code == 404
    assert client.get("/review/1.json").json()["last_good"] is None


def test_ghosts_are_the_profiles_that_were_measured(plant: Plant, live: Live, client: httpx.Client) -> None:
    kept = plant.save("close", "L-0")
    plant.save("bad", "L-1")
    record = client.get("/review/2.json").json()
    profile = next(one for one in kept.measurement.profiles if one.frame.value == record["ghost_frame"])
    stored = dict(zip(profile.arc_mm.tolist(), profile.deviation_mm.tolist(), strict=True))
    (ghost,) = record["ghosts"]
    compared = [
        (value, stored[arc])
        for arc, value in zip(record["ghost_arc_mm"], ghost["deviation_mm"], strict=True)
        if arc in stored and value is not None
    ]
    assert len(compared) > 500
    assert all(value == pytest.approx(there, abs=0.0006) for value, there in compared)
    unseen = [arc for arc, value in zip(record["ghost_arc_mm"], ghost["deviation_mm"], strict=True) if value is None]
    assert unseen == [1011.0]  # not seen from 1010 to 1012: nothing is drawn across


def test_only_the_last_twenty_shells_stand_behind(plant: Plant, live: Live, client: httpx.Client) -> None:
    for number in range(24):
        plant.save("good", f"G-{number}")
    plant.save("bad", "L-1")
    ghosts = client.get("/review/25.json").json()["ghosts"]
    assert [one["shell_id"] for one in ghosts] == [f"G-{number}" for number in range(23, 3, -1)]


def test_what_changed_since_the_last_good_one(plant: Plant, live: Live, client: httpx.Client) -> None:
    good = plant.save("good", "L-1", age_s=300)
    view = replace(good.measurement.views[0], calibration_id="top-new")
    measurement = replace(plant_bad(plant), views=(view,), revision="B", temperature_c=29.0)
    proposal = Proposal("toplid", plant.lid.sha256, (), "rear is loose", "all of May", {})
    with Changes.open(plant.data) as changes:
        number = LimitsRecord(changes).propose(proposal, plant.now(), EVA).revision_id
    plant.save("bad", "L-2", measurement=measurement, software="0.2.0", limits_revision=number)
    with Changes.open(plant.data) as changes:
        Reviews(changes).mark(MarkKind.BIT, plant.now(), "L-2", "new bit 12", plant.now(), EVA)
        Reviews(changes).mark(MarkKind.LIGHT, "2020-01-01T00:00:00.000Z", "", "long ago", plant.now(), EVA)
    changed = {one["what"]: one["words"] for one in client.get("/review/2.json").json()["changed"]}
    assert changed == {
        "calibration": "camera top measured with top-new instead of top-20241125-1f3c",
        "limits": "judged by revision 1 of the limits: rear is loose (Eva Engineer)",
        "definition": "drawing B instead of A",
        "software": "edgeinspect 0.2.0 instead of 0.1.0",
        "temperature": "6 °C warmer: 29 °C",
        "bit": "new bit 12, from shell L-2 (Eva Engineer)",
    }


def plant_bad(plant: Plant) -> Any:
    from .sample_inspections import make_inspection  # noqa: PLC0415

    return make_inspection("bad", "x", plant.lid).measurement


# -- who may say what


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/review/6/label", {"label": "good"}),
        ("/review/6/disposition", {"disposition": "hold", "reason": "ask"}),
        ("/marks", {"kind": "bit", "when": "2024-11-25T10:30", "note": "new bit"}),
    ],
)
def test_all_of_it_asks_for_a_named_person(plant: Plant, live: Live, path: str, form: dict[str, str]) -> None:
    fill(plant)
    add_people(plant)
    assert httpx.post(live.address + path, data=form).status_code == 401
    with browser_of(live, "Ada Admin") as ada:
        assert ada.post(path, **form).status_code == 403
    with browser_of(live, "Olu Operator") as olu:  # an operator changes bits, and does not judge
        assert olu.post(path, **form).status_code == (200 if path == "/marks" else 403)
    with browser_of(live, "Eva Engineer") as eva:
        assert eva.client.post(path, data=form).status_code == 403  # not from our own form
        assert eva.post(path, **form).status_code == 200
    with Changes.open(plant.data) as changes:
        assert next(one.who for one in changes.all() if one.who != "set-up") == "Eva Engineer"
        assert changes.check().intact


def test_a_label_takes_a_shell_out_of_the_queue_and_can_be_taken_back(plant: Plant, live: Live) -> None:
    fill(plant)
    add_people(plant)
    with browser_of(live, "Eva Engineer") as eva:
        said = eva.post("/review/6/label", label="loose chip").json()
        assert (said["label"], said["who"], said["role"]) == ("loose chip", "Eva Engineer", "engineer")
        assert shells(eva.client) == [4, 3] and shells(eva.client, "?label=loose%20chip") == [6]
        eva.post("/review/6/label", label="withdrawn")
        assert shells(eva.client) == [6, 4, 3]
        wrong = eva.post("/review/6/label", label="bad")
        assert wrong.status_code == 400 and "label is 'bad'" in wrong.json()["error"]["problems"][0]
        assert len(eva.client.get("/review/6.json").json()["labels"]) == 2


def test_a_concession_is_for_quality_and_everything_needs_a_reason(plant: Plant, live: Live) -> None:
    fill(plant)
    add_people(plant)
    with browser_of(live, "Eva Engineer") as eva:
        assert eva.post("/review/6/disposition", disposition="scrap", reason=" ").status_code == 400
        refused = eva.post("/review/6/disposition", disposition="concession", reason="K-17")
        assert refused.status_code == 403
        assert refused.json()["error"]["problems"] == [
            "A concession is for quality: Eva Engineer is signed in as engineer."
        ]
        assert eva.post("/review/6/disposition", disposition="rework", reason="trim again").status_code == 200
    with browser_of(live, "Quin Quality") as quin:
        assert quin.post("/review/6/disposition", disposition="concession", reason="K-17").status_code == 200
        kept = quin.client.get("/review/6.json").json()["dispositions"]
        assert [(one["disposition"], one["reason"]) for one in kept] == [
            ("concession", "K-17"),
            ("rework", "trim again"),
        ]


# -- in the browser


def signed_in(open_page: Open, path: str, width: int = 1920, height: int = 1080, who: str = "Eva Engineer") -> Page:
    page = open_page(f"/sign-in?then={path}", width, height).page
    page.fill("[name=name]", who)
    page.fill("[name=password]", PASSWORDS[who])
    page.click("main button[type=submit]")
    if path.startswith("/review"):
        page.wait_for_selector('#shell[aria-busy="false"] .plate')
    return page


def at(page: Page, number: int) -> None:
    page.wait_for_selector(f'#shell[data-shown="{number}"][aria-busy="false"]')


def test_three_keys_a_shell(plant: Plant, live: Live, open_page: Open) -> None:
    fill(plant)
    add_people(plant)
    page = signed_in(open_page, "/review")
    at(page, 6)
    assert "Rear left scallop" in page.inner_text("#failed")
    for press in ("1", "s", "n"):
        page.keyboard.press(press)
    at(page, 4)
    page.keyboard.press("4")
    page.wait_for_selector("#said:has-text('gauge at fault, kept')")
    page.keyboard.press("Enter")
    at(page, 3)
    page.keyboard.press("b")
    at(page, 4)
    page.wait_for_selector("[data-label='gauge at fault'][aria-pressed=true]")
    page.keyboard.press("u")
    page.wait_for_selector("[data-label='gauge at fault'][aria-pressed=false]")
    with Changes.open(plant.data) as changes:
        reviews = Reviews(changes)
        assert {one.inspection_id: one.label for one in reviews.labels().values()} == {6: Label.TRULY_BAD}
        (scrapped,) = reviews.dispositions_said("L-2")
        assert scrapped.who == "Eva Engineer" and scrapped.reason.startswith("Rear left scallop")
    assert re.search(r"/review/4$", page.url)
    page.go_back()
    at(page, 3)


def test_nothing_is_said_of_a_shell_that_is_not_on_screen_yet(plant: Plant, live: Live, open_page: Open) -> None:
    fill(plant)
    add_people(plant)
    page = signed_in(open_page, "/health")  # somewhere else first, so that the next one can be held back
    held: list[Any] = []

    def hold(route: Any) -> None:
        held.append(route)

    page.route("**/review/4.json", hold)
    page.goto(live.address + "/review")
    at(page, 6)
    for press in ("n", "1", "s"):
        page.keyboard.press(press)
    page.wait_for_timeout(300)
    assert page.get_attribute("#shell", "aria-busy") == "true"
    (route,) = held
    route.continue_()
    at(page, 4)
    with Changes.open(plant.data) as changes:
        assert Reviews(changes).labels() == {} and Reviews(changes).dispositions_said("L-2") == ()
    page.keyboard.press("1")
    page.wait_for_selector("#said:has-text('truly bad, kept')")


def test_a_concession_asks_for_its_own_reason(plant: Plant, live: Live, open_page: Open) -> None:
    fill(plant)
    add_people(plant)
    page = signed_in(open_page, "/review/6", who="Quin Quality")
    page.keyboard.press("c")
    assert page.evaluate("document.activeElement.id") == "reason"
    page.keyboard.type("K-2024-17: hidden by the seal")
    page.keyboard.press("Escape")
    page.keyboard.press("c")
    page.wait_for_selector("[data-disposition=concession][aria-pressed=true]")
    assert "K-2024-17" in page.inner_text("#history")


def test_nothing_is_said_without_a_name(plant: Plant, live: Live, open_page: Open) -> None:
    fill(plant)
    page = open_page("/review").page
    at(page, 6)
    page.keyboard.press("1")
    assert "nothing was said" in page.inner_text("#said")
    page.keyboard.press("n")
    at(page, 4)


def test_what_is_drawn(plant: Plant, live: Live, open_page: Open) -> None:
    fill(plant)
    page = open_page("/review").page
    at(page, 6)
    page.wait_for_selector("#profile .curve")
    assert page.locator("#profile .ghost:not(.key)").count() == 3
    assert page.locator("#shell svg[data-camera] .edge").count() > 3
    assert page.locator("#shell svg[data-camera] .limit").count() == 2
    assert page.locator("#shell svg[data-camera] .unseen").count() >= 1
    assert page.locator("#ribbon .limit").count() > 0 and page.locator("#ribbon .edge").count() == 1
    assert page.locator(".beside-each-other li").count() == 2
    titles = page.eval_on_selector_all("#shell h2:not(.shell-id)", "all => all.map((one) => one.textContent)")
    assert len(titles) >= 5 and all(title.endswith("?") for title in titles)


def test_the_pixels_that_were_measured_show_when_near(plant: Plant, live: Live, open_page: Open) -> None:
    fill(plant)
    page = open_page("/review").page
    at(page, 6)
    page.click("[data-place]")
    for _ in range(4):
        page.click("#shell [data-zoom='1.5']")
    page.wait_for_selector("#shell svg[data-camera] image[data-exact=shown]")
    assert page.get_attribute("#shell svg[data-camera] image", "href") == "/inspections/6/pictures/top/original"
    assert float(str(page.get_attribute("#shell svg[data-camera]", "viewBox")).split()[2]) < 60


def test_the_next_one_is_there_at_once(plant: Plant, live: Live, open_page: Open) -> None:
    """Fetched before it is asked for: showing it takes no request for its record or its picture. Prints the time."""
    for number in range(8):
        plant.save("bad", f"L-{number}", age_s=900 - 100 * number)
    page = open_page("/review").page
    at(page, 8)
    page.wait_for_load_state("networkidle")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url.split(live.address)[1]))
    begun = time.perf_counter()
    page.keyboard.press("n")
    at(page, 7)
    taken_s = time.perf_counter() - begun
    print(
        f"next shell on screen: {page.get_attribute('#shell', 'data-ms')} ms in the page, {1000 * taken_s:.0f} ms seen"
    )
    assert not [url for url in asked if url.startswith(("/review/7", "/inspections/7/pictures"))]
    page.wait_for_load_state("networkidle")
    assert "/review/5.json" in asked  # and the one after is on its way


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (1024, 768)])
def test_it_fits_the_screen(plant: Plant, live: Live, open_page: Open, width: int, height: int) -> None:
    fill(plant)
    page = open_page("/review", width, height).page
    at(page, 6)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    beyond = page.evaluate(
        """() => [...document.querySelectorAll(".saying .button")].filter((one) =>
        one.getBoundingClientRect().right > document.querySelector(".saying").getBoundingClientRect().right)
        .map((one) => one.textContent)"""
    )
    assert beyond == []


def test_marks_are_set_and_listed(plant: Plant, live: Live, open_page: Open) -> None:
    add_people(plant)
    with browser_of(live, "Olu Operator") as olu:
        olu.post("/marks", kind="bit", when="2024-11-25T10:30", note="bit 12", shell_id="L-9")
        wrong = olu.post("/marks", kind="bit", when="noon", note="bit 12")
        assert wrong.json()["error"]["problems"] == ["when is 'noon', must be a time as 2024-11-25T10:30"]
        (mark,) = olu.client.get("/marks.json").json()["marks"]
        assert (mark["kind"], mark["from_shell_id"], mark["reason"], mark["who"]) == (
            "bit",
            "L-9",
            "bit 12",
            "Olu Operator",
        )
    page = open_page("/marks").page
    assert "bit 12" in page.inner_text("table")
