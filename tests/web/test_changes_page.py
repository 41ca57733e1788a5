"""The record of changes on its page and on the health page; going back to a calibration by a named person."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime

import httpx
import pytest

from edgeinspect.errors import StoreError
from edgeinspect.store.changes import Checked
from edgeinspect.web.changes_checked import ChangesChecked

from .conftest import Live, Plant
from .signing import add_people, browser_of

EVA, QUIN, OLU = "Eva Engineer", "Quin Quality", "Olu Operator"


def reading(client: httpx.Client) -> tuple[bool, str]:
    readings = {one["what"]: one for one in client.get("/health.json").json()["readings"]}
    return readings["Record of changes"]["well"], readings["Record of changes"]["words"]


def test_intact_or_not_is_said_on_both_pages(plant: Plant, client: httpx.Client) -> None:
    assert "Nothing has been changed yet." in client.get("/changes").text
    add_people(plant)
    assert reading(client) == (True, "intact, 4 changes")
    assert "The record is intact" in client.get("/changes").text
    with sqlite3.connect(plant.data / "record.sqlite") as record:
        record.execute("DROP TRIGGER change_no_delete")
        record.execute("DELETE FROM change WHERE change_id = 4")
    record.close()
    sentence = "row 4 of the record of changes: removed at the end (changes.head names row 4)"
    assert reading(client) == (False, sentence)
    assert not client.get("/health.json").json()["well"]
    assert sentence[1:] in client.get("/changes").text and client.get("/changes.json").json()["problems"] == [sentence]


def test_words_that_try_to_be_markup_stay_words(plant: Plant, live: Live, client: httpx.Client) -> None:
    add_people(plant)
    with browser_of(live, "Ada Admin") as ada:
        ada.post("/people", name="Kim <b>bold</b>", role="operator", password="a cup of cold tea")
    page = client.get("/changes").text
    assert "<b>bold" not in page and "Kim &lt;b&gt;bold" in page


def test_a_calibration_is_chosen_by_a_named_person(plant: Plant, live: Live, client: httpx.Client) -> None:
    add_people(plant)
    form = {"calibration_id": "top-1", "why": "the lens is back"}
    assert client.post("/calibrations/use", data=form).status_code == 401
    with browser_of(live, OLU) as olu:
        assert olu.post("/calibrations/use", **form).status_code == 403
    for name in (EVA, QUIN):
        with browser_of(live, name) as browser:
            answer = browser.post("/calibrations/use", **form)
            assert answer.status_code == 400 and "there is no calibration 'top-1'" in answer.text
            assert browser.post("/calibrations/use", calibration_id="top-1", why="  ").status_code == 400
    assert plant.store.calibrations.uses() == ()


def wait_until(true: Callable[[], bool]) -> bool:
    end = time.monotonic() + 5
    while not true():
        if time.monotonic() > end:
            return False
        time.sleep(0.01)
    return True


def test_no_page_waits_for_years_of_changes() -> None:
    """What is not known yet is not intact; a look that takes long is shown with its time, and the next one begun."""
    go_on, looks = threading.Event(), []
    at = datetime(2026, 1, 1, tzinfo=UTC)

    def check() -> Checked:
        looks.append(None)
        go_on.wait(10)
        return Checked(len(looks), "", ())

    watched = ChangesChecked(check, lambda: at)
    began = time.monotonic()
    assert not watched.latest().checked.intact and not watched.latest().checked.intact  # the same look
    assert time.monotonic() - began < 5 and len(looks) == 1
    go_on.set()
    assert wait_until(lambda: watched.latest().checked.intact)
    assert watched.latest().at is None  # quick now: as it is at this moment
    go_on.clear()
    looked = watched.latest()
    assert looked.checked.intact and looked.at == at  # the look before
    go_on.set()
    watched.close()


def test_a_record_that_cannot_be_read_is_said() -> None:
    def check() -> Checked:
        raise StoreError("the disk is gone")

    watched = ChangesChecked(check, lambda: datetime(2026, 1, 1, tzinfo=UTC))
    for _ in range(2):
        with pytest.raises(StoreError, match="the disk is gone"):
            watched.latest()
    watched.close()
