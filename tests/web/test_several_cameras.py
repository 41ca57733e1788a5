"""Two cameras over one lid on the inspection's page: each picture with what it measured, the seams, what is missing.

Pictures by the fast renderer, measured as a station does it; the flaws are written down, one in each camera's stretch.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import httpx
import numpy as np
import pytest
from playwright.sync_api import Route

from .conftest import Live, Plant, Watched
from .two_cameras import TwoCameras, two_cameras

Open = Callable[..., Watched]


@pytest.fixture(scope="module")
def cell() -> TwoCameras:
    return two_cameras()


@pytest.fixture
def plant(plant: Plant, cell: TwoCameras) -> Plant:
    """With one look by both cameras (1), and one where the rear camera's picture did not come (2)."""
    plant.station = cell.station
    plant.store.save(cell.inspection("R1"), {}, cell.views)
    plant.store.save(cell.inspection("R2", rear=False), {}, {"top": cell.views["top"]})
    return plant


def rim_of(record: dict[str, Any], camera: str) -> list[dict[str, Any]]:
    (picture,) = [one for one in record["pictures"] if one["camera"] == camera]
    return [curve for curve in picture["drawing"]["curves"] if curve["is_rim"]]


def test_each_picture_shows_what_its_camera_measured(plant: Plant, client: httpx.Client, cell: TwoCameras) -> None:
    record = client.get("/inspections/1.json").json()
    assert [one["camera"] for one in record["pictures"]] == ["top", "rear"]
    (top,), (rear,) = rim_of(record, "top"), rim_of(record, "rear")
    assert not top["closed"] and not rear["closed"]
    arcs = np.sort(np.concatenate([top["arc_mm"], rear["arc_mm"]]))
    length, step = cell.lid.rim.length_mm, cell.lid.step_mm
    assert (
        len(arcs) == pytest.approx(length / step, abs=2) and np.diff(arcs).max() < 2 * step
    )  # all of it, nothing twice
    # a stretch over the start point is one: no two neighbours are further apart than stations are in the picture
    for curve in (top, rear):
        steps = np.linalg.norm(np.diff(np.array(curve["nominal_px"]), axis=0), axis=1)
        assert steps.max() < 3 * np.median(steps)
    curves = {p["camera"]: {curve["curve"] for curve in p["drawing"]["curves"]} for p in record["pictures"]}
    assert "lock_hole" in curves["top"] - curves["rear"] and "hinge_slot_left" in curves["rear"] - curves["top"]
    assert [len(picture["drawing"]["decals"]) for picture in record["pictures"]] == [1, 0]
    assert {tuple(zone["cameras"]) for zone in record["zones"]} == {("top",), ("rear",)}


def test_seams_are_where_the_stretches_meet(plant: Plant, client: httpx.Client, cell: TwoCameras) -> None:
    record = client.get("/inspections/1.json").json()
    assert [(seam["before"], seam["after"]) for seam in record["seams"]] == [("top", "rear"), ("rear", "top")]
    for seam, kept in zip(record["seams"], cell.measurement.seams, strict=True):
        assert seam["step"]["value"] == kept.step.value if kept.step else seam["step"] is None
        assert seam["words"].startswith(
            f"At {kept.arc_mm:.0f} mm camera {kept.after} goes on after camera {kept.before}"
        )
    for picture, other in zip(record["pictures"], ("rear", "top"), strict=True):
        (rim,) = [curve for curve in picture["drawing"]["curves"] if curve["is_rim"]]
        ends = np.array([rim["nominal_px"][0], rim["nominal_px"][-1]])
        for seam in picture["drawing"]["seams"]:
            middle = (np.array(seam["from_px"]) + np.array(seam["to_px"])) / 2
            assert np.linalg.norm(ends - middle, axis=1).min() < 3.0
            assert seam["words"] == f"camera {other} goes on here"
    plan = record["camera_plan"]
    assert [one["camera"] for one in plan["stretches"]] == ["rear", "top"]
    rear_y = [y for _, y in plan["stretches"][0]["points_mm"]]
    assert min(rear_y) > 0 > min(y for _, y in plan["stretches"][1]["points_mm"])  # the rear of the lid is up in plan


def test_a_missing_camera_is_named_where_its_picture_would_be(plant: Plant, client: httpx.Client) -> None:
    record = client.get("/inspections/2.json").json()
    missing = record["pictures"][1]
    assert (missing["camera"], missing["name"], missing["drawing"]) == ("rear", "", None)
    assert missing["problems"] == ["no picture from camera rear. Look again"]
    page = client.get("/inspections/2").text
    assert "No picture of camera rear came." in page
    (top,) = rim_of(record, "top")
    assert not top["closed"]


def test_flaws_are_told_by_the_camera_that_saw_them(plant: Plant, client: httpx.Client, cell: TwoCameras) -> None:
    record = client.get("/inspections/1.json").json()
    kept = {flaw.camera: flaw for flaw in cell.inspection("R1").measurement.flaws if flaw.curve == cell.lid.rim.name}
    nicks = [flaw for flaw in record["flaws"] if flaw["kind"] == "nick"]
    assert [flaw["number"] for flaw in record["flaws"]] == list(range(1, len(record["flaws"]) + 1))
    assert {flaw["camera"] for flaw in nicks} == {"top", "rear"}
    for flaw in nicks:
        assert flaw["pixel"] == pytest.approx(kept[flaw["camera"]].pixel.tolist())
        assert (flaw["length_limit_mm"], flaw["depth_limit_mm"], flaw["look"]["word"]) == (0.6, 0.3, "BAD")
    place = record["findings"][0]["place"]
    assert [place["x_px"], place["y_px"]] == pytest.approx(kept[place["camera"]].pixel.tolist())


def test_the_page_marks_seams_and_flaws_on_picture_profile_plan_and_ribbon(
    plant: Plant, live: Live, open_page: Open
) -> None:
    page = open_page("/inspections/1").page
    page.wait_for_selector("#ribbon .cursor", state="attached")
    for camera in ("top", "rear"):
        view = page.locator(f'svg[data-camera="{camera}"]')
        assert view.locator(".seam").count() == 2 and view.locator(".flaw").count() >= 1
        box = view.bounding_box()
        assert box is not None and box["width"] > 500
    assert page.locator("#profile .seam").count() == 2 and page.locator("#profile .flaw").count() == 2
    assert page.locator("#profile .seam-words").all_text_contents() == ["top | rear", "rear | top"]
    assert page.locator(".cameras .camera").count() == 2 and page.locator(".cameras text").count() == 2
    assert page.locator("#flaws tbody th").first.inner_text() == "Nick bad"
    # the ribbon follows to the camera that measured the place
    row = page.locator('#flaws tr[data-camera="rear"]', has_text="Nick").first
    row.locator(".goto").click()
    assert page.inner_text('#ribbons [aria-pressed="true"]') == "rim, rear"
    assert page.locator("#ribbon .flaw-box").count() == 1
    page.locator('#flaws tr[data-camera="top"]', has_text="Nick").first.locator(".goto").click()
    assert page.inner_text('#ribbons [aria-pressed="true"]') == "rim, top"


LAID_OVER = """(all) => {
  const seen = all.map((one) => [one.textContent, one.getBoundingClientRect()]).filter(([, box]) => box.width);
  const over = ([, a], [, b]) =>
    a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 1 && b.top < a.bottom - 1;
  const under = (one, i) => seen.slice(i + 1).filter((other) => over(one, other)).map((other) => [one[0], other[0]]);
  return seen.flatMap(under);
}"""


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (1024, 768)])
def test_no_label_is_written_over_another_round_the_notch(
    plant: Plant, live: Live, open_page: Open, width: int, height: int
) -> None:
    """One camera sees the cable notch, the other both sides of it: two seams more, 36 mm apart."""
    page = open_page("/health", width, height).page

    def with_two_more(route: Route) -> None:
        answer = route.fetch()
        record = answer.json()
        for at, before, after in ((288.0, "rear", "top"), (324.0, "top", "rear")):
            record["seams"].append({"arc_mm": at, "before": before, "after": after, "step": None, "words": ""})
        for picture in record["pictures"]:
            seam = picture["drawing"]["seams"][0]
            nearby = [[x + 40.0, y + 4.0] for x, y in (seam["from_px"], seam["to_px"])]
            picture["drawing"]["seams"].append({**seam, "from_px": nearby[0], "to_px": nearby[1]})
        record["seams"].sort(key=lambda seam: seam["arc_mm"])
        route.fulfill(response=answer, json=record)

    page.route("**/inspections/1.json", with_two_more)
    page.goto(f"{live.address}/inspections/1")
    page.wait_for_selector("#ribbon .cursor", state="attached")
    names = ".zone-name text, .seam-words"
    for plot in (f"#profile :is({names})", "#ribbon text", 'svg[data-camera="top"] .said', ".budget .soft"):
        assert page.locator(plot).count() > 3
        assert page.eval_on_selector_all(plot, LAID_OVER) == [], plot
    assert page.locator("#profile .seam-words:visible").count() == 4
    causes = page.locator(".budget-rows td:last-child").all_text_contents()
    assert all(re.fullmatch(r"([a-z ]+ 0\.\d{4}( mm|°)(, )?)+", one) for one in causes), causes
    assert any("°" in one for one in causes)
    if width == 1920:
        for shown in ("#profile .zone-name:not([display])", ".budget .soft"):
            said = "".join(page.eval_on_selector_all(shown, "all => all.map((one) => one.textContent)"))
            assert "rear,rightofthecablenotch" in said.replace(" ", ""), shown


def test_the_page_of_a_missing_camera_opens_without_a_complaint(plant: Plant, live: Live, open_page: Open) -> None:
    page = open_page("/inspections/2", 1024, 768).page
    page.wait_for_selector('svg[data-camera="top"] .seam')
    assert page.evaluate("document.documentElement.scrollWidth") <= 1024
