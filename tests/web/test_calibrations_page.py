"""The page of calibrations: what is in use, and whether the camera has moved, in words, numbers and a chart."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import httpx
import numpy as np
import pytest
from playwright.sync_api import Page

from edgeinspect.geometry import Pose
from edgeinspect.measure.camera import CameraCalibration, CameraModel, LengthCheck
from edgeinspect.station.calibrations_in_use import go_back_to, keep_new

from .conftest import Plant, Watched
from .sample_inspections import make_inspection
from .samples import HEIGHT_PX, WIDTH_PX

LENGTHS = (
    LengthCheck("board, left to right", 330.0, 330.02, 0.01),
    LengthCheck("board, diagonal", 391.15, 391.18, 0.01),
)
IDS = ("top-20260102t030405z-0123abcd", "top-20260203t040506z-4567cdef")


def calibrate(plant: Plant, name: str, made_at: str, who: str) -> None:
    model = CameraModel(WIDTH_PX, HEIGHT_PX, 3000.0, 3000.0, 800.0, 600.0, np.zeros(5))
    pose = Pose.from_degrees((180.0, 0.0, 0.0), (0.0, 0.0, 900.0))
    covariance = np.diag([0.1, 0.1, 0.1, 0.1, 1e-8, 1e-6, 1e-10, 1e-10, 1e-6])
    calibration = CameraCalibration(name, "top", made_at, model, covariance, 0.03, 12, pose, 0.4, 0.8, LENGTHS)
    keep_new(plant.station, plant.data, plant.store, calibration, who)


def look_with_move(plant: Plant, number: int, moved_mm: float, age_s: float) -> None:
    measurement = make_inspection("good", "x", plant.lid).measurement
    views = tuple(replace(view, moved_mm=moved_mm) for view in measurement.views)
    plant.save("good", f"L-{number}", age_s=age_s, measurement=replace(measurement, views=views))


@pytest.mark.parametrize(
    ("moved_mm", "state", "words"),
    [
        (0.049, "quiet", "No: 0.05 mm at the last inspection"),
        (0.05, "warned", "A little: 0.05 mm at the last inspection"),
        (0.20, "warned", "compensated. Tell the process engineer."),
        (0.21, "refused", "NO RESULT until it is checked and calibrated again."),
        (float("nan"), "unknown", "Nobody can say: the fixture marks were not seen"),
    ],
)
def test_the_answer_is_the_one_of_the_last_inspection(
    plant: Plant, client: httpx.Client, moved_mm: float, state: str, words: str
) -> None:
    """SOURCE of 0.05 and 0.2 mm: common practice of the trade, no source."""
    look_with_move(plant, 1, 0.01, 100.0)
    look_with_move(plant, 2, moved_mm, 0.0)
    (camera,) = client.get("/calibrations.json").json()["cameras"]
    assert (camera["state"], camera["moves"][0]["state"]) == (state, "quiet")
    assert words in camera["answer"] and words in client.get("/calibrations").text


def test_an_empty_station_says_so(client: httpx.Client) -> None:
    page = client.get("/calibrations").text
    assert (
        "No inspection yet." in page
        and "No camera is calibrated here yet." in page
        and '<svg class="chart"' not in page
    )


def test_what_each_read_back_and_which_is_in_use(plant: Plant, client: httpx.Client) -> None:
    calibrate(plant, IDS[0], "2026-01-02T03:04:05Z", "Kim")
    calibrate(plant, IDS[1], "2026-02-03T04:05:06Z", "<b>Lee</b>")
    go_back_to(plant.station, plant.data, plant.store, IDS[0], "Ada", "lens put back", "2026-02-04T00:00:00Z")
    record = client.get("/calibrations.json").json()
    assert [(one["calibration_id"], one["who"], one["in_use"]) for one in record["calibrations"]] == [
        (IDS[1], "<b>Lee</b>", False),
        (IDS[0], "Kim", True),
    ]
    assert record["calibrations"][1]["good_to"].startswith("good to ±")
    assert [length["known_mm"] for length in record["calibrations"][0]["lengths"]] == [391.15, 330.0], "the worst first"
    assert [use["who"] for use in record["uses"]] == ["Ada", "<b>Lee</b>", "Kim"]
    page = client.get("/calibrations").text
    assert "reads 391.18 for 391.15 mm; good to ±" in page and "lens put back" in page
    assert "&lt;b&gt;Lee&lt;/b&gt;" in page and "<b>Lee" not in page


@pytest.mark.parametrize("size", [(1920, 1080), (820, 1180)])
def test_the_chart_stands_where_the_numbers_say(
    plant: Plant, open_page: Callable[..., Watched], size: tuple[int, int]
) -> None:
    """Heights above the foot go with the millimetres; the dots stand against the lines as the numbers do."""
    calibrate(plant, IDS[0], "2026-01-02T03:04:05Z", "Kim")
    moves = [0.01, 0.03, 0.05, 0.12, 0.2, 0.25, 3.0]
    for number, moved_mm in enumerate(moves):
        look_with_move(plant, number, moved_mm, 600.0 - 60.0 * number)
    page: Page = open_page("/calibrations", *size).page
    dots = page.locator(".chart .dot")
    assert dots.count() == len(moves)
    places = [
        tuple(float(n) for n in re.findall(r"[\d.]+", dots.nth(k).get_attribute("transform") or "")) for k in range(7)
    ]
    note, stop = (float(page.locator(".chart .level").nth(k).get_attribute("y1") or "nan") for k in (0, 1))
    scale = (note - stop) / 0.15  # units of the drawing per mm
    for (_, y), moved_mm in zip(places[:6], moves, strict=False):
        assert note - y == pytest.approx((moved_mm - 0.05) * scale, abs=0.15)
    assert places[6][1] < stop - 0.05 * scale, "far beyond: at the top, not off the chart"
    assert page.locator(".chart text.beyond").all_text_contents() == ["3.00 mm"], "its height says no more how far"
    assert all(words.endswith(" mm") for words in page.locator(".chart .scale + text").all_text_contents())
    across = [x for x, _ in places]
    assert np.diff(across) == pytest.approx(np.full(6, (across[-1] - across[0]) / 6), abs=2.0)
    classes = [dots.nth(k).get_attribute("class") for k in range(7)]
    assert classes == [f"dot {state}" for state in ["quiet"] * 2 + ["warned"] * 3 + ["refused"] * 2]
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing sticks out"
