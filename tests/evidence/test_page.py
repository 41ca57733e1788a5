"""The page: opened from the disk with no network, without a script, readable, printable, and safe with what people
typed. Outside truth: the rules of axe-core (WCAG 2.2), of the package axe-playwright-python.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import NoReturn

import pytest
from playwright.sync_api import Browser, Page
from typer.testing import CliRunner

from edgeinspect.cli import app
from edgeinspect.errors import InputError
from edgeinspect.evidence.contents import find
from edgeinspect.evidence.page import issue
from edgeinspect.evidence.verify import check_file
from edgeinspect.store.inspections import Store

from .conftest import DECAL, GREEN, ISSUED_AT, RED, SAMPLES, STRAND, TWO, TWO_GREEN, Place

MB = {GREEN: 2.5, RED: 3.0, TWO: 4.0}  # what a file may have


def opened(browser: Browser, path: Path, width: int = 1024, height: int = 768) -> tuple[Page, list[str], list[str]]:
    """The page, what it asked for besides itself and its own data, and what it complained of."""
    page = browser.new_context(viewport={"width": width, "height": height}, offline=True).new_page()
    asked, said = list[str](), list[str]()
    page.on("request", lambda request: asked.append(request.url) if not request.url.startswith("data:") else None)
    page.on("console", lambda message: said.append(message.text))
    page.on("dialog", lambda dialog: said.append(dialog.message))
    page.goto(path.as_uri())
    return page, [url for url in asked if url != path.as_uri()], said


@pytest.mark.parametrize("number", [GREEN, RED, DECAL, STRAND, TWO, TWO_GREEN])
@pytest.mark.parametrize("size", [(1920, 1080), (1024, 768)])
def test_it_opens_without_a_network(browser: Browser, place: Place, number: int, size: tuple[int, int]) -> None:
    page, asked, said = opened(browser, place.files[number], *size)
    assert asked == [] and said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert page.evaluate("document.scripts.length") == 0
    page.context.close()


def test_the_picture_is_there_with_its_curves(browser: Browser, place: Place) -> None:
    """That it can be seen, not only that it is in the file."""
    page, _, _ = opened(browser, place.files[RED])
    photo = page.locator("svg.photo").first
    box = photo.bounding_box()
    assert box is not None and box["width"] > 600 and box["height"] > 400
    assert page.evaluate("document.querySelector('svg.photo image').getBBox().width") == 1600
    lengths = page.evaluate(
        "['zone', 'nominal', 'edge'].map((c) => document.querySelector('svg.photo path.' + c).getTotalLength())"
    )
    assert min(lengths) > 3000  # px: a lid's outline is about 4,500 px long
    page.context.close()


def test_what_it_says(browser: Browser, place: Place) -> None:
    page, _, _ = opened(browser, place.files[RED])
    words = " ".join(page.inner_text("main").split())
    for wanted in (
        "NONCONFORMING", "Shell L1004", "0.74 mm too much material", "drawing revision A", "decal variant standard",
        "2026-11-25 10:01:00 UTC", "cell-1", "21.1 °C", "as released with this revision", "calibration top-20261120",
        "rms 0.0", "good to ±0.0", "reads 391.1", "picture noise", "calibration and marks", "ISO 14253-1", "1.65",
        "H − g", "truly bad", "scrap", "Quin <b>Quality</b>", "change 2,", "says nothing about the strength",
        "edgeinspect 0.", "come out again", "Is the decal the right one",
    ):  # fmt: skip
        assert wanted in words, wanted
    page.context.close()


def test_a_picture_that_is_not_kept_is_said_so(browser: Browser, place: Place) -> None:
    page, _, _ = opened(browser, place.files[GREEN])
    assert "the picture is not kept whole, only its edge (the ribbons)" in page.inner_text("main")
    page.context.close()


def test_every_look_is_named_with_its_answer(browser: Browser, place: Place) -> None:
    page, _, _ = opened(browser, place.files[STRAND])
    rows = page.locator("section:has(h2:has-text('How often')) tbody tr").all_inner_texts()
    assert len(rows) == 3 and all("NO RESULT" in row for row in rows)
    assert "this one" in rows[0] and "Loose strand" in rows[0] and "the shell was not measured" in rows[1]
    page.context.close()


def test_what_people_typed_does_nothing(browser: Browser, place: Place) -> None:
    page, _, said = opened(browser, place.files[RED])
    assert said == [] and page.locator("main img").count() == 0
    assert '<script>alert("x")</script> & <img src=x' in page.inner_text("main")
    assert check_file(place.files[RED]).intact  # the part in the reason is no part
    page.context.close()


def test_it_prints_on_a4(browser: Browser, place: Place, tmp_path: Path) -> None:
    page, _, _ = opened(browser, place.files[TWO])
    printed = page.pdf(prefer_css_page_size=True, print_background=True)
    pages = printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page ")
    assert b"/MediaBox [0 0 594.95996 841.91998]" in printed or b"/MediaBox [0 0 595" in printed  # A4: 210 x 297 mm
    assert 4 <= pages <= 12
    page.context.close()


@pytest.mark.parametrize("number", [GREEN, RED, STRAND, TWO])
def test_axe_finds_nothing(
    browser: Browser, place: Place, number: int, missing_part: Callable[[str], NoReturn]
) -> None:
    try:
        axe = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    except (ModuleNotFoundError, FileNotFoundError):
        missing_part("axe-core is not there: pip install axe-playwright-python")
    context = browser.new_context(bypass_csp=True)  # only so that the checker itself may run
    page = context.new_page()
    page.goto(place.files[number].as_uri())
    page.evaluate(axe)
    found = page.evaluate(
        "async () => (await axe.run(document)).violations.map("
        "(one) => `${one.impact} ${one.id}: ${one.nodes[0].html.slice(0, 200)}`)"
    )
    assert found == []
    context.close()


@pytest.mark.parametrize("number", MB)
def test_its_size_is_sensible(place: Place, number: int) -> None:
    assert place.files[number].stat().st_size < 1e6 * MB[number]


def test_a_year_later_the_definition_has_changed(place: Place, tmp_path: Path) -> None:
    """The record kept what it was measured by; the file says the same and its numbers still come out."""
    with Store.open(place.data, read_only=True) as store:
        elsewhere = place.station.__class__(
            **{**vars(place.station), "folders": place.station.folders.__class__(models=tmp_path)}
        )
        file = tmp_path / "later.html"
        file.write_text(issue(store, elsewhere, GREEN, ISSUED_AT), encoding="utf-8")
    assert file.read_bytes() == place.files[GREEN].read_bytes()
    assert check_file(file).intact


def test_the_command_finds_it(place: Place, tmp_path: Path) -> None:
    file = tmp_path / "out.html"
    asked = [
        "evidence",
        "L1004",
        "--out",
        str(file),
        "--station",
        str(SAMPLES / "station.toml"),
        "--data",
        str(place.data),
    ]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 0 and "inspection 2 written to" in done.output
    assert "Shell L1004" in file.read_text(encoding="utf-8")


def test_a_shell_is_found_by_its_id_or_its_number(place: Place) -> None:
    with Store.open(place.data, read_only=True) as store:
        assert find(store, "L1004") == RED and find(store, str(TWO)) == TWO
        assert find(store, "L1011") == 6  # its last look
        assert find(store, "inspection:4") == STRAND
        for nobody in ("L4711", "99", "inspection:99", "shell:4", ""):
            with pytest.raises(InputError, match="neither a shell id nor"):
                find(store, nobody)
