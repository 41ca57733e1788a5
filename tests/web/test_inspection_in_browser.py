"""One inspection's page in headless Chromium: what is drawn, and that it can be pointed at."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from playwright.sync_api import Page

from edgeinspect.conformity import judge
from edgeinspect.measure.measurement import DecalFault, FaultKind, GapProfile, Quantity

from .conftest import Live, Plant, Watched
from .sample_inspections import KINDS, make_inspection

Open = Callable[..., Watched]


def view_box(page: Page) -> list[float]:
    return [float(one) for one in str(page.get_attribute("svg[data-camera]", "viewBox")).split()]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [1920, 810])
def test_every_kind_opens_without_a_complaint(plant: Plant, live: Live, open_page: Open, kind: str, width: int) -> None:
    plant.save(kind)
    page = open_page("/inspections/1", width).page
    page.wait_for_load_state("networkidle")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    if kind != "none":
        page.wait_for_selector("#profile .curve")
        assert page.locator("svg[data-camera] .edge").count() > 3
        assert page.locator("#ribbon .edge").count() == 1


def test_the_profile_reads_out(plant: Plant, live: Live, open_page: Open) -> None:
    kept = plant.save("bad")
    page = open_page("/inspections/1").page
    page.wait_for_selector("#profile .curve")
    worst = kept.verdict.findings[0]
    assert page.inner_text("#readout").startswith(f"{worst.at_arc_mm:.1f} mm, rear left scallop: +0.581 mm ± 0.0")
    assert page.inner_text("#readout").endswith("limits −0.50 to +0.50 mm")
    page.focus("#profile")
    page.keyboard.press("ArrowRight")
    at = float(worst.at_arc_mm or 0) + 1
    assert page.inner_text("#readout").startswith(f"{at:.1f} mm")
    box = page.locator("#profile").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 64 + 0.5 * (box["width"] - 76), box["y"] + 100)
    read = float(page.inner_text("#readout").split(" mm")[0])
    assert read == pytest.approx(0.5 * plant.lid.rim.length_mm, abs=3.0)
    page.click("[data-frame=best_fit]")
    assert "limits" not in page.inner_text("#readout")  # nothing is judged there
    assert page.locator("#profile .limit").count() == 0


def test_unseen_parts_are_marked(plant: Plant, live: Live, open_page: Open) -> None:
    plant.save("good")
    page = open_page("/inspections/1").page
    page.wait_for_selector("#profile .unseen", state="attached")
    assert page.locator("svg[data-camera] .unseen").count() == 1
    x = float(re.search(r"M([\d.]+)", str(page.get_attribute("#profile .unseen", "d"))).group(1))  # type: ignore[union-attr]
    box = page.locator("#profile").bounding_box()
    assert box is not None
    length = plant.lid.rim.length_mm
    assert (x - 64) / (box["width"] - 76) * length == pytest.approx(1010.0, abs=3.0)


def test_a_fault_of_the_decal_is_drawn_and_told(plant: Plant, live: Live, open_page: Open) -> None:
    good = make_inspection("good", "faulty", plant.lid).measurement
    (decal,) = good.decals
    assert decal.outline_pixel is not None
    around = decal.outline_pixel[1] + np.array([[-20.0, 2.0], [-2.0, 2.0], [-2.0, 20.0]])
    fault = DecalFault(FaultKind.TORN, 9.0, 5.7, 3.1, np.array([52.0, 20.0]), around, "top")
    spoilt = replace(decal, faults=(fault,), faults_sought=True, hidden_share=0.06, warp_mm=0.012)
    spoilt = replace(spoilt, stretch_along=Quantity(0.12, 0.01), stretch_across=Quantity(-0.03, 0.01))
    measurement = replace(good, decals=(spoilt,))
    plant.save("good", measurement=measurement, verdict=judge(measurement, plant.lid))
    page = open_page("/inspections/1").page
    page.wait_for_selector("svg[data-camera] .fault")
    sentence = "upper right corner: 9 mm² torn or folded"
    assert sentence in page.inner_text(".decal")
    assert "+0.120% ± 0.020" in page.inner_text(".decal").replace("\u202f", "")
    assert sentence in page.inner_text("body")
    assert (
        page.evaluate("fetch('/inspections/1.json').then(r => r.json()).then(j => j.decals[0].faults[0].kind)")
        == "torn"
    )


def test_the_gap_to_the_trimmed_edge_is_drawn_and_told(plant: Plant, live: Live, open_page: Open) -> None:
    """With a place where the edge was not seen: the line is broken there, and the JSON says null."""
    good = make_inspection("good", "gap", plant.lid).measurement
    (decal,) = good.decals
    at = np.arange(0.0, 106.0)
    gap = 108.0 + 0.6 * np.sin(at / 20.0)
    gap[40:46] = np.nan
    least, most = int(np.nanargmin(gap)), int(np.nanargmax(gap))
    profile = GapProfile(
        "lower",
        at,
        gap,
        np.full(len(at), 0.05),
        at + 950.0,
        Quantity(float(gap[least]), 0.05),
        float(least),
        Quantity(float(gap[most]), 0.05),
        float(most),
        0.94,
    )
    doubt = "the surface does not fit its definition: camera rear reads this decal 0.18 mm beside camera top"
    told = replace(decal, gap=profile, surface="height ±0.1 mm (assumed), tilt ±0.1° (stated)", surface_doubt=doubt)
    measurement = replace(good, decals=(told,))
    plant.save("good", measurement=measurement, verdict=judge(measurement, plant.lid))
    page = open_page("/inspections/1").page
    page.wait_for_selector(".gap .line")
    assert page.locator(".gap .line").count() == 2
    assert page.locator(".gap .mark").count() == 2
    words = page.inner_text(".decal")
    assert f"least {gap[least]:.2f} mm ± 0.10 at {least} mm" in words.replace("\u202f", " ").replace("\xa0", " ")
    assert doubt in words
    assert "from the shell's datums" in words
    kept = page.evaluate("fetch('/inspections/1.json').then(r => r.json()).then(j => j.decals[0].gap)")
    assert kept["side"] == "lower"
    assert kept["gap_mm"][42] is None


def test_zoom_and_pan(plant: Plant, live: Live, open_page: Open) -> None:
    plant.save("bad")
    page = open_page("/inspections/1").page
    page.wait_for_selector("svg[data-camera] .edge")
    whole = view_box(page)
    assert whole == [-0.5, -0.5, 1600, 1200]
    box = page.locator("svg[data-camera]").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.wheel(0, -300)
    page.wait_for_timeout(100)
    assert view_box(page)[2] < 1500
    before = view_box(page)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2 - 100, box["y"] + box["height"] / 2)
    page.mouse.up()
    assert view_box(page)[0] > before[0] + 50
    page.focus("svg[data-camera]")
    page.keyboard.press("0")
    assert view_box(page) == whole
    page.keyboard.press("+")
    page.keyboard.press("ArrowLeft")
    assert view_box(page)[2] < 1600
    page.locator(".goto").first.click()
    assert view_box(page)[2] == pytest.approx(1600 / 6)


def test_exaggeration_is_what_it_says(plant: Plant, live: Live, open_page: Open) -> None:
    """At 25 times the limits lie 25 times as far from the outline as at 1: half a mm is 1.675 px of this picture."""
    plant.save("good")
    page = open_page("/inspections/1").page
    page.wait_for_selector("svg[data-camera] .limit")

    def limit_x() -> list[float]:
        """x of the first point (middle of the right end) of both limit lines."""
        lines = page.eval_on_selector_all("svg[data-camera] .limit", "all => all.map((one) => one.getAttribute('d'))")
        return [float(re.match(r"M([\d.]+)", line).group(1)) for line in lines[:2]]  # type: ignore[union-attr]

    def width() -> float:
        low, high = limit_x()
        return high - low

    page.click("[data-exaggerate='1']")
    assert width() == pytest.approx(2 * 0.5 * 3.35, abs=0.03)
    page.click("[data-exaggerate='25']")
    assert width() == pytest.approx(25 * 2 * 0.5 * 3.35, abs=0.05)
    assert "25 × too far" in page.inner_text(".legend")


def test_the_scale_is_neutral_at_zero_and_tells_the_sides_apart(plant: Plant, live: Live, open_page: Open) -> None:
    plant.save("good")
    page = open_page("/inspections/1").page
    page.wait_for_selector(".legend rect")
    fills = page.eval_on_selector_all(
        ".legend svg:first-of-type rect", "all => all.map((r) => getComputedStyle(r).fill)"
    )
    bar = [[float(one) for one in re.findall(r"[\d.]+", fill)] for fill in fills[:17]]
    middle = bar[8]
    assert max(middle) - min(middle) < 12  # paper
    # Blue against red is what protan, deutan and normal eyes all keep apart; both ends differ from the middle.
    assert bar[0][2] > bar[0][0] + 50 and bar[16][0] > bar[16][2] + 100
    assert not any(green > 1.1 * max(red, blue) for red, green, blue in bar)


def test_a_changed_definition_is_said(plant: Plant, live: Live, open_page: Open) -> None:
    kept = plant.save("bad")
    plant.save("bad", "L-2", measurement=replace(kept.measurement, definition_sha256="0" * 64))
    page = open_page("/inspections/2").page
    page.wait_for_selector("#profile .curve")
    assert "The shell definition has changed since" in page.inner_text("article")
    assert page.locator("#profile .limit").count() == 0


def test_looks_at_one_shell_stand_side_by_side_and_lead_to_each_other(
    plant: Plant, live: Live, open_page: Open
) -> None:
    plant.save("good", "L-7", age_s=300_000)  # days ago: another shell of that number
    plant.save("bad", "L-7", age_s=60)
    plant.save("none", "L-7", age_s=40)
    plant.save("bad", "L-7", age_s=30, looks_before=1)
    plant.save("close", "L-7", looks_before=2)
    page = open_page("/inspections/4").page
    looks = page.locator("a.look")
    texts = [" ".join(text.split()) for text in looks.all_inner_texts()]
    assert [text.split(" ")[0] for text in texts] == ["1st", "2nd", "3rd", "4th"]
    assert "does not count" in texts[1] and "to the quality shelf" in texts[3] and ", the last" in texts[3]
    assert page.locator("a.look[aria-current]").inner_text().startswith("3rd look, shown here")
    assert "3rd look of 4" in page.inner_text("h1")
    tops = {box["y"] for look in looks.all() if (box := look.bounding_box())}
    assert len(tops) == 1  # in one row
    assert page.inner_text(".looks > p") == "1 more under this id, of shells at other times."
    looks.first.click()
    page.wait_for_url("**/inspections/2")
    page.locator("a.look").last.click()
    page.wait_for_url("**/inspections/5")
    assert "4th look of 4, the last" in page.inner_text("h1")
