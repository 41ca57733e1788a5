"""The formula against published values; then every text and shape of every page in every state."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page

from .conftest import Live, Plant, Watched
from .contrast import FIND, parse, ratio

WHITE, BLACK = (255.0, 255.0, 255.0), (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("one", "other", "published"),
    [  # WCAG 2.2: black on white is 21:1; the others from the project's reference values (wcag in [trade.colours])
        (BLACK, WHITE, 21.0),
        ((0x77, 0x77, 0x77), WHITE, 4.478),
        ((0xC6, 0x28, 0x28), WHITE, 5.622),
        ((0x2E, 0x7D, 0x32), WHITE, 5.127),
        ((255, 0, 0), (0, 0x80, 0), 1.285),
    ],
)
def test_the_formula(one: tuple[float, float, float], other: tuple[float, float, float], published: float) -> None:
    assert ratio(one, other) == pytest.approx(published, abs=6e-4)


def weak(page: Page) -> list[str]:
    """What is below 4.5:1 (text) or 3:1 (shapes), on its weakest ground."""
    found: list[dict[str, Any]] = page.evaluate(FIND)
    assert len(found) > 5
    bad = []
    for one in found:
        least = min(ratio(parse(one["colour"])[:3], parse(ground)[:3]) for ground in one["grounds"])
        if least < (4.5 if one["kind"] == "text" else 3.0):
            bad.append(f"{one['words']}: {least:.2f} ({one['colour']} on {one['grounds']})")
    return bad


def test_the_station_in_every_state(plant: Plant, live: Live, open_page: Callable[..., Watched]) -> None:
    page = open_page().page
    page.wait_for_selector('[data-state="waiting"]')
    assert weak(page) == []
    for kind in ("good", "close", "bad", "none"):
        plant.save(kind, f"L-{kind}")
        page.wait_for_selector(f"#shell-id:text-is('L-{kind}')")
        assert weak(page) == []
    page.click("#change")
    assert weak(page) == []
    page.keyboard.press("Escape")
    plant.state.say("L-9_top.png is empty: take the picture again", plant.now())
    page.wait_for_selector("#refused:not([hidden])")
    assert weak(page) == []
    plant.state.measuring("L-0500", plant.now())
    page.wait_for_selector('[data-state="measuring"]')
    assert weak(page) == []


@pytest.mark.parametrize(
    "path", ["/inspections", "/inspections/1", "/inspections/2", "/inspections/3", "/health", "/nowhere"]
)
def test_the_other_pages(plant: Plant, live: Live, open_page: Callable[..., Watched], path: str) -> None:
    for kind in ("bad", "none", "close"):
        plant.save(kind, f"L-{kind}")
    watched = open_page(path)
    watched.expect_errors = path == "/nowhere"  # the browser itself complains of a 404
    assert weak(watched.page) == []
