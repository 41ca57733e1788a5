"""The page for placing a decal: words, arrows, what is pressed, silence; with the answers of a worker made by hand.

Sizes: 20 mm to press and what is read at arm's length are the brief's; a 24 inch screen of 1920 px is 531 mm wide, a
10 inch tablet of 1024 px 203 mm: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from multiprocessing import Pipe
from typing import Any

import cv2
import httpx
import numpy as np
import pytest
from playwright.sync_api import Page

from edgeinspect.conformity import Answer
from edgeinspect.inspection import Expected
from edgeinspect.station.aim_link import Aiming
from edgeinspect.station.aiming import AimAnswer, AimState, Asked, DecalChecked, DecalChoice
from edgeinspect.web import aim_page

from .conftest import Live, Plant, Watched, wait_for

Open = Callable[..., Watched]
BADGE, SIDE = DecalChoice("badge", "badge on the lid"), DecalChoice("side", "stripe on the side")
VIEW = cv2.imencode(".jpg", np.full((207, 402), 90, np.uint8))[1].tobytes()
LAID = AimAnswer(
    at="2026-11-27T08:00:00Z",
    shell_id="D1",
    shell="toplid",
    variant="standard",
    decals=(BADGE,),
    decal=BADGE,
    state=AimState.LAID,
    dx_mm=0.3,
    dy_mm=-1.2,
    rotation_deg=0.4,
    within=(True, False, True),
    moving=False,
    size_mm=(110.0, 45.0),
    view=VIEW,
    view_half_mm=(67.0, 34.5),
)
GREEN = DecalChecked(7, Answer.CONFORMING, "All 27 characteristics are within their limits", "rack it", LAID.at, True)
PX_PER_MM = {1920: 1920 / 531, 1024: 1024 / 203}


@dataclass
class Worker:
    """The other end of the pages' link."""

    aiming: Aiming
    asked: Any
    sent: list[AimAnswer] = field(default_factory=list)

    def says(self, **changes: Any) -> None:
        self.aiming.hear(replace(LAID, **changes))

    def pressed(self) -> list[Asked]:
        found = []
        while self.asked.poll(0.3):
            found.append(self.asked.recv())
        return found


@pytest.fixture
def worker(live: Live, plant: Plant, monkeypatch: pytest.MonkeyPatch) -> Iterator[Worker]:
    monkeypatch.setattr(aim_page, "OLD_AFTER_S", 60.0)  # a busy machine must not make an answer old
    plant.state.expect(Expected("toplid", "standard", None), plant.now())
    here, there = Pipe()
    assert live._server is not None
    aiming: Aiming = live._server.config.app.state.parts.aiming  # type: ignore[union-attr]
    aiming.connect(here)
    yield Worker(aiming, there)
    there.close()
    here.close()


def wait_state(page: Page, state: str) -> None:
    page.wait_for_selector(f'#aim[data-state="{state}"]', timeout=5000)


def rows(page: Page) -> list[str]:
    return page.eval_on_selector_all("#ways li b", "all => all.map((one) => one.textContent)")


def test_arrows_and_words_say_where_to_push(worker: Worker, open_page: Open, client: httpx.Client) -> None:
    """It lies 0.3 mm right, 1.2 mm down and 0.4° counter-clockwise: the words are the way back."""
    worker.says()
    record = client.get("/aim.json").json()
    assert [push["words"] for push in record["pushes"]] == ["1.2 mm up", "0.3 mm left", "0.4° clockwise"]
    assert [push["inside"] for push in record["pushes"]] == [False, True, True]
    page = open_page("/aim").page
    worker.says()
    wait_state(page, "place")
    assert page.text_content("#word b") == "PUSH IT"
    assert rows(page) == ["1.2 mm up", "0.3 mm left", "0.4° clockwise"]
    # the words alone could be how it lies
    assert page.eval_on_selector_all("#ways li .what", "all => all.map((one) => one.textContent)") == [
        "push",
        "push",
        "turn",
    ]
    assert page.locator("#view .arrow").count() == 1  # what is within its limit needs none in the picture
    arrow = page.locator("#view .arrow").bounding_box()
    middle = page.locator("#view .laid").bounding_box()
    assert arrow and middle and arrow["y"] + arrow["height"] / 2 < middle["y"] + middle["height"] / 2
    worker.says(within=(True, True, False))
    page.wait_for_selector("#view .turn")
    assert page.text_content("#word b") == "TURN IT"


def test_moving_then_hands_off_then_checked(worker: Worker, open_page: Open) -> None:
    page = open_page("/aim").page
    worker.says(moving=True)
    page.wait_for_selector("#aim[data-moving]")
    assert page.text_content("#word b") == "STILL MOVING" and len(rows(page)) == 3
    worker.says(within=(True, True, True))
    wait_state(page, "hold")
    assert page.text_content("#word b") == "HANDS OFF"
    worker.says(within=(True, True, True), checking=True)
    wait_state(page, "checking")
    worker.says(within=(True, True, True), checked=GREEN)
    wait_state(page, "checked")
    assert page.text_content("#word b") == "GOOD" and page.text_content("#said") == GREEN.sentence
    good = page.evaluate("getComputedStyle(document.getElementById('word')).backgroundColor")
    assert good == "rgb(17, 101, 45)"
    worker.says(within=(True, True, True), checked=GREEN, moving=True)
    page.wait_for_selector("#aim[data-moving]")
    assert "GOOD" not in page.inner_text("#aim")


def test_a_good_decal_on_a_bad_shell_is_not_green(worker: Worker, client: httpx.Client) -> None:
    bad = replace(GREEN, answer=Answer.NONCONFORMING, sentence="Left end: 0.9 mm too much material")
    worker.says(within=(True, True, True), checked=bad)
    record = client.get("/aim.json").json()
    assert (record["word"], record["key"]) == ("BAD", "bad") and record["pushes"] == []
    assert record["sentence"] == "The decal is good; the shell is not. Left end: 0.9 mm too much material"


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"state": AimState.WRONG, "sentence": "Wrong decal: found cargo", "action": "lift it"}, "WRONG DECAL"),
        ({"state": AimState.WRONG, "sentence": "Mirrored", "action": "turn it over"}, "TURN IT OVER"),
        ({"state": AimState.WRONG, "sentence": "Upside down", "action": "turn it half round"}, "TURN IT HALF ROUND"),
        ({"state": AimState.ABSENT, "action": "lay it on"}, "NO DECAL THERE"),
        ({"state": AimState.UNSEEN, "action": "hands off"}, "CANNOT SEE IT"),
        ({"state": AimState.STOPPED, "sentence": "Too dark", "action": "check the lamp"}, "CANNOT MEASURE"),
    ],
)
def test_words_instead_of_arrows(worker: Worker, client: httpx.Client, changes: dict[str, Any], word: str) -> None:
    worker.says(**changes)
    record = client.get("/aim.json").json()
    assert (record["word"], record["pushes"], record["key"]) == (word, [], "")


def test_grey_when_pictures_stop_and_when_the_page_hears_nothing(
    worker: Worker, live: Live, open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(aim_page, "OLD_AFTER_S", 0.5)
    watched = open_page("/aim")
    watched.expect_errors = True
    page = watched.page
    worker.says(within=(True, True, True), checked=GREEN)
    wait_state(page, "checked")
    wait_state(page, "old")
    assert page.text_content("#word b") == "NO NEW PICTURE" and "GOOD, recorded" in page.inner_text("#said")
    assert page.locator("#view image").count() == 0 and page.get_attribute("#aim", "class") == ""
    live.stop()
    wait_state(page, "lost")
    assert page.text_content("#word b") == "NO CONNECTION" and "GOOD" not in page.inner_text("#aim")


def test_an_answer_for_another_order_is_not_shown(worker: Worker, client: httpx.Client, plant: Plant) -> None:
    worker.says(within=(True, True, True), checked=GREEN)
    plant.state.expect(Expected("toplid", "cargo", None), plant.now())
    assert client.get("/aim.json").json()["state"] == "waiting"
    worker.aiming.connect(None)  # the worker is gone
    assert client.get("/aim.json").json()["number"] == 0
    assert client.post("/aim/check").status_code == 503


def test_what_is_pressed_reaches_the_worker(worker: Worker, open_page: Open, client: httpx.Client) -> None:
    page = open_page("/aim").page
    worker.says(decals=(BADGE, SIDE))
    page.wait_for_selector("#decals button")
    page.tap("#decals button >> nth=1") if page.evaluate("'ontouchstart' in window") else page.click(
        "#decals button >> nth=1"
    )
    page.click("#check")
    assert worker.pressed() == [Asked(decal="side"), Asked(check=True)]
    worker.says(asked=True)
    wait_for(lambda: page.inner_text("#check") == "Waiting until it lies still", 3, "the button does not say it")
    assert client.post("/aim/decal", data={"decal": "roof"}).status_code == 400
    refused = client.post("/aim/check", headers={"Origin": "http://elsewhere.example"})
    assert refused.status_code == 403 and worker.pressed() == []


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (1024, 768)])
def test_large_enough_for_wet_gloves_at_arms_length(worker: Worker, open_page: Open, width: int, height: int) -> None:
    page = open_page("/aim", width, height).page
    worker.says(decals=(BADGE, SIDE), moving=True)
    page.wait_for_selector("#decals button")
    for button in page.locator("#buttons button, #buttons a").all():
        box = button.bounding_box()
        assert box and min(box["width"], box["height"]) >= 20 * PX_PER_MM[width]
        assert box["x"] + box["width"] <= width and box["y"] + box["height"] <= height
    for one in page.locator("#ways li b").all():
        assert float(one.evaluate("one => parseFloat(getComputedStyle(one).fontSize)")) >= 10 * PX_PER_MM[width]
        assert one.evaluate(
            "one => one.getBoundingClientRect().right <= one.closest('li').getBoundingClientRect().right"
        )
    assert page.evaluate("document.documentElement.scrollHeight <= innerHeight + 1")
    worker.says(decals=(BADGE, SIDE), within=(True, True, True))
    wait_state(page, "hold")
    for one in page.locator("#ways li .fine").all():
        assert one.text_content() == "within limit"
        assert one.evaluate(
            "one => { const right = one.getBoundingClientRect().right, row = one.closest('li').getBoundingClientRect();"
            " return right <= row.right && row.right <= innerWidth; }"
        )


def test_uploads_go_to_their_own_folder(plant: Plant, client: httpx.Client) -> None:
    answer = client.post("/aim/pictures", files={"picture": ("D1_top.png", b"\x89PNG", "image/png")})
    assert answer.status_code == 202 and answer.json() == {"taken": ["D1_top.png"]}
    again = client.post("/aim/pictures", files={"picture": ("D1_top.png", b"\x89PNG newer", "image/png")})
    assert again.status_code == 202  # the newest counts
    assert (plant.data / "aim" / "D1_top.png").read_bytes() == b"\x89PNG newer"
    assert list((plant.data / "inbox").iterdir()) == []
