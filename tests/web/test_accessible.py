"""Every page, light and dark, by axe-core in Chromium: nothing serious or critical.

Outside truth: the rules of axe-core (WCAG 2.2 level A and AA and its own best practice), of the package
axe-playwright-python, development only. Contrast on pictures it leaves undecided: test_contrast.py counts those.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from typing import NoReturn

import pytest
from playwright.sync_api import Page

from edgeinspect.store.studies import Studies
from edgeinspect.study.method import Method, MethodAsked, Sample
from edgeinspect.study.method_run import as_line

from .conftest import Live, Plant, Watched
from .signing import PASSWORDS, add_people
from .test_review import fill
from .test_routes import _routes

Open = Callable[..., Watched]
RUN = """async () => {
  const found = await axe.run(document, { resultTypes: ['violations'] });
  return found.violations.filter((one) => ['serious', 'critical'].includes(one.impact)).map((one) =>
    `${one.impact} ${one.id}: ` + one.nodes.slice(0, 4).map((node) => `${node.target.join(' ')} (${node.any[0]?.message
      ?? node.all[0]?.message ?? one.help})`).join('; ') + ` [${one.nodes.length}]`);
}"""
# Ways to every page, and who looks at it ("" nobody is signed in).
PAGES = {
    "/": "",
    "/aim": "",
    "/inspections": "",
    "/inspections/{inspection_id}": "",
    "/shift": "",
    "/review": "Eva Engineer",
    "/review/{inspection_id}": "Quin Quality",
    "/marks": "Eva Engineer",
    "/tune": "Eva Engineer",
    "/tune/method": "Eva Engineer",
    "/tune/method/{study_id}": "Eva Engineer",
    "/limits": "Eva Engineer",
    "/calibrations": "Eva Engineer",
    "/uncertainty": "",
    "/changes": "",
    "/health": "",
    "/people": "Ada Admin",
    "/password": "Eva Engineer",
    "/sign-in": "",
}
READY = {  # what a page's script has drawn last
    "/": "[data-state]",
    "/aim": "[data-state]",
    "/inspections/{inspection_id}": "#profile .curve",
    "/review": '#shell[aria-busy="false"] #profile .curve',
    "/review/{inspection_id}": '#shell[aria-busy="false"] #profile .curve',
}


@pytest.fixture(scope="session")
def axe(missing_part: Callable[[str], NoReturn]) -> str:
    """The script of axe-core."""
    try:
        return files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    except (ModuleNotFoundError, FileNotFoundError):
        missing_part("axe-core is not there: pip install axe-playwright-python")


def violations(page: Page, axe: str) -> list[str]:
    page.evaluate(axe)
    found: list[str] = page.evaluate(RUN)
    return found


def look(page: Page, live: Live, path: str, scheme: str) -> None:
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.goto(live.address + path.replace("{inspection_id}", "6").replace("{study_id}", "1"))
    if path in READY:
        page.wait_for_selector(READY[path], state="attached")


def add_study(plant: Plant) -> None:
    """Interrupted before it measured anything; one with results is in test_method_page.py."""
    sample = Sample((1, 2), 2, 1, 1, 0, "2 of 2 shells of toplid, all of them")
    method = Method(filter_cutoff_mm=8.0)
    asked = MethodAsked(
        "toplid", plant.lid.sha256, "A", method, method.words(plant.lid), sample,
        {"zone left-end": (-0.5, 0.5, 1.65)}, None, 2.0, "about 2 s", "Eva Engineer", "engineer", plant.now(), "0.1.0",
    )  # fmt: skip
    assert Studies(plant.data).add(as_line(asked)) == 1


def test_axe_sees_what_is_wrong(live: Live, open_page: Open, axe: str) -> None:
    """That the test can fail: a picture without words, and grey on grey."""
    page = open_page("/health").page
    page.evaluate("document.querySelector('main').innerHTML = '<img src=\"/static/icon.svg\"><p id=weak>weak</p>'")
    page.evaluate("document.getElementById('weak').style.color = '#999'")
    said = " ".join(violations(page, axe))
    assert "image-alt" in said and "color-contrast" in said


def test_every_page_is_looked_at(plant: Plant) -> None:
    """Whatever gives a page to a browser stands in PAGES: a route that has a JSON twin or is asked for by name."""
    paths = {route.path for route in _routes(plant) if "GET" in route.methods}
    pages = {path for path in paths if f"{path}.json" in paths} | {"/", "/sign-in", "/password"}
    assert pages <= PAGES.keys() <= paths


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_nothing_serious(plant: Plant, live: Live, open_page: Open, axe: str, path: str, scheme: str) -> None:
    fill(plant)
    who = PAGES[path]
    if "{study_id}" in path:
        add_study(plant)
    if who:
        add_people(plant, who)
    page = open_page("/sign-in").page
    if who:
        page.fill("[name=name]", who)
        page.fill("[name=password]", PASSWORDS[who])
        page.click("main button[type=submit]")
    look(page, live, path, scheme)
    assert violations(page, axe) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_serious_while_a_limit_of_flaws_is_tried(
    plant: Plant, live: Live, open_page: Open, axe: str, scheme: str
) -> None:
    for number in range(3):
        plant.save("flaws", f"F-{number}")
    page = open_page("/health").page
    look(page, live, "/tune?shell=toplid&of=nick+depth&upper=0.9", scheme)
    assert page.locator(".spread rect[class^=bar-]").count() > 0 and page.locator(".stop").count() > 0
    assert violations(page, axe) == []
