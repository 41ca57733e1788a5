"""The page that tries limits: counts against judging every stored shell again, labels, exclusions, the drawing."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import httpx
import numpy as np
import pytest
from playwright.sync_api import expect
from scipy.stats import binomtest

from edgeinspect.conformity import judge
from edgeinspect.measure.measurement import Quantity
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.store.changes import Who
from edgeinspect.store.review_queue import Label
from edgeinspect.store.reviews import Reviews
from edgeinspect.web.look import LOOKS

from .conftest import Plant, Watched
from .sample_inspections import make_inspection

QUALITY = Who("Q. Person", "quality")


def moved(lid: ShellDefinition, shell_id: str, most_mm: float, age_s: float) -> Any:
    """A shell of which one zone reads ``most_mm`` at its highest, and all others little."""
    inspection = make_inspection("good", shell_id, lid, age_s=age_s)
    zones = [
        replace(zone, most=Quantity(0.1, 0.02), least=Quantity(-0.1, 0.02)) for zone in inspection.measurement.zones
    ]
    zones[3] = replace(zones[3], most=Quantity(most_mm, 0.02))
    measurement = replace(inspection.measurement, zones=tuple(zones))
    return replace(inspection, measurement=measurement, verdict=judge(measurement, lid))


@pytest.fixture
def shells(plant: Plant) -> np.ndarray:
    """60 shells, 0.10 to 0.69 mm: R0 ... R59, the last one the newest."""
    values = np.round(np.arange(60) * 0.01 + 0.1, 2)
    for number, value in enumerate(values):
        plant.store.save(moved(plant.lid, f"R{number}", float(value), 600.0 - number), {}, {})
    return values


def ask(client: httpx.Client, **asked: str) -> dict[str, Any]:
    answer = client.get("/tune.json", params={"shell": "toplid", **asked})
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def counts(record: dict[str, Any], which: str) -> dict[str, int]:
    return {row["key"]: row[which] for row in record["counts"]}


def test_counts_are_those_of_judging_each_shell_again(plant: Plant, client: httpx.Client, shells: np.ndarray) -> None:
    """Against ``judge`` on every whole record; the interval against scipy.stats.binomtest (exact)."""
    record = ask(client, upper="0.40", lower="-0.45")
    tighter = replace(
        plant.lid, zones=tuple(replace(z, limits=replace(z.limits, lower=-0.45, upper=0.40)) for z in plant.lid.zones)
    )
    now: Counter[str] = Counter()
    then: Counter[str] = Counter()
    for row in plant.store.listing(100):
        kept = plant.store.inspection(row.inspection_id)
        assert kept is not None
        then[LOOKS[kept.verdict.answer].key] += 1
        now[LOOKS[judge(kept.measurement, tighter).answer].key] += 1
    assert counts(record, "before") == {look.key: then[look.key] for look in LOOKS.values()}
    assert counts(record, "after") == {look.key: now[look.key] for look in LOOKS.values()}
    exact = binomtest(now["good"], 60).proportion_ci(0.95)
    assert (record["green_after"]["low"], record["green_after"]["high"]) == pytest.approx((exact.low, exact.high))
    flips = {group["what"]: group for group in record["flips"]}
    assert flips["Would not pass, did"]["total"] == then["good"] - now["good"]
    assert flips["Would not pass, did"]["shown"][0]["shell_id"] == "R36"  # 0.46: passes up to 0.5 - 1.65 x 0.02
    numbers = record["numbers"]
    assert (numbers["drawing_upper"], numbers["upper_before"], numbers["upper"]) == (0.5, 0.5, 0.4)
    assert numbers["guard"] == pytest.approx(1.65 * 0.02)


def test_confirmed_bad_shells_that_would_pass_are_loudest(
    plant: Plant, client: httpx.Client, shells: np.ndarray
) -> None:
    with_labels = Reviews(plant.store.changes)
    for number, label in ((42, Label.TRULY_BAD), (44, Label.TRULY_BAD), (3, Label.GOOD)):
        with_labels.label(number + 1, label, "seen", plant.now(), QUALITY)
    record = ask(client, upper="0.60", concession="C-17")
    assert record["loud"][0] == "2 confirmed-bad shells would pass"
    group = record["flips"][0]
    assert group["what"] == "Confirmed bad, would pass" and [row["shell_id"] for row in group["shown"]] == [
        "R44",
        "R42",
    ]
    assert (record["labelled_bad"], record["labelled_good"]) == (2, 1)
    assert ask(client, labelled="only")["shells"] == 3


def test_never_beyond_the_drawing_without_a_concession(plant: Plant, client: httpx.Client, shells: np.ndarray) -> None:
    loud = ask(client, upper="0.55")["loud"]
    assert "goes beyond the drawing" in loud[0] and "not without a concession reference" in loud[0]
    assert ask(client, upper="0.55", concession="C-17")["loud"] == []
    assert ask(client, upper="0.50")["beyond_drawing"] == []


def test_a_limit_beyond_the_data_is_said(plant: Plant, client: httpx.Client, shells: np.ndarray) -> None:
    zone = f"zone {plant.lid.zones[3].name}"
    record = ask(client, of=zone, upper="0.80", concession="C-17")
    assert any("limit +0.80 mm lies beyond the data; the highest is +0.69 mm" in said for said in record["warnings"])


def test_who_is_left_out_is_named_with_the_reason(plant: Plant, client: httpx.Client, shells: np.ndarray) -> None:
    record = ask(client, exclude="R59: dropped on the floor\nR7: bit broke")
    assert record["shells"] == 58
    assert record["excluded"] == [["R59", "dropped on the floor", 1], ["R7", "bit broke", 1]]
    answer = client.get("/tune.json", params={"exclude": "R59"})
    assert answer.status_code == 400 and "a shell id, a colon and the reason" in answer.text


def test_earlier_and_later_are_held_against_each_other(plant: Plant, client: httpx.Client, shells: np.ndarray) -> None:
    """These shells get worse one by one: the later 30 % cannot agree."""
    check = ask(client, split="on")["check"]
    assert (check["earlier"]["of"], check["later"]["of"]) == (42, 18)
    assert check["chance"] < 0.01 and "something has changed" in check["sentence"]


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"upper": "much"}, "upper is 'much', must be a number"),
        ({"upper": "-0.6"}, "lower is -0.5, must be below upper -0.6"),
        ({"of": "zone moon"}, "of is 'zone moon', must be one of: all zones"),
        ({"of": "nick depth", "upper": "0"}, "upper is 0, must be above 0: it is the depth of a nick"),
        ({"of": "strand length"}, "of is 'strand length', must be one of"),
        ({"guard_factor": "11"}, "guard_factor is 11.0, must be within 0 to 10"),
        ({"shell": "moon"}, "there is no shell 'moon'"),
        ({"from": "yesterday"}, "from is 'yesterday', must be a time"),
    ],
)
def test_what_cannot_be_tried_is_said(plant: Plant, client: httpx.Client, asked: dict[str, str], sentence: str) -> None:
    answer = client.get("/tune.json", params=asked)
    assert answer.status_code == 400, answer.text
    assert sentence in answer.json()["error"]["problems"][0]


def test_no_shell_at_all(plant: Plant, client: httpx.Client) -> None:
    record = ask(client)
    assert record["shells"] == 0 and record["chart"] is None
    assert "No shell fits: nothing can be said" in record["warnings"]
    assert client.get("/tune", headers={"accept": "text/html"}).status_code == 200


def test_nothing_is_changed(plant: Plant, client: httpx.Client, shells: np.ndarray) -> None:
    before = [(row.inspection_id, row.answer) for row in plant.store.listing(100)]
    ask(client, upper="0.2")
    assert [(row.inspection_id, row.answer) for row in plant.store.listing(100)] == before


# -- flaws


def nicked(lid: ShellDefinition, shell_id: str, nicks: list[tuple[float, float]] | None, age_s: float) -> Any:
    """A good shell with nicks of these lengths and depths; None: as an older record that does not say whether flaws
    were looked for.
    """
    inspection = make_inspection("good", shell_id, lid, age_s=age_s)
    (like, *_) = make_inspection("flaws", shell_id, lid).measurement.flaws
    flaws = tuple(
        replace(like, arc_mm=100.0 + 20 * k, length=Quantity(length, 0.02), depth=Quantity(depth, 0.01))
        for k, (length, depth) in enumerate(nicks or ())
    )
    measurement = replace(inspection.measurement, flaws=flaws, flaws_sought=nicks is not None)
    return replace(inspection, measurement=measurement, verdict=judge(measurement, lid))


@pytest.fixture
def nicks(plant: Plant) -> None:
    """N0 ... N39: a nick 1 mm long and 0.10 to 0.49 mm deep each; then five short ones, five shells without, three of
    which nobody knows.
    """
    rows: list[list[tuple[float, float]] | None] = [[(1.0, round(0.1 + 0.01 * n, 2))] for n in range(40)]
    rows += [[(0.3, 0.45)]] * 5 + [[]] * 5 + [None] * 3
    for number, row in enumerate(rows):
        plant.store.save(nicked(plant.lid, f"N{number}", row, 600.0 - number), {}, {})


def test_limits_of_flaws_are_tried_as_judging_would(plant: Plant, client: httpx.Client, nicks: None) -> None:
    """Against ``judge`` on every whole record; the interval against scipy.stats.binomtest (exact)."""
    record = ask(client, of="nick depth", upper="0.20", guard_factor="1")
    (nick,) = [one for one in plant.lid.flaws if one.kind == "nick"]
    tighter = replace(
        plant.lid,
        flaws=tuple(
            replace(one, depth_mm=0.2, guard_factor=1.0) if one.kind == "nick" else one for one in plant.lid.flaws
        ),
    )
    now: Counter[str] = Counter()
    then: Counter[str] = Counter()
    for row in plant.store.listing(100):
        kept = plant.store.inspection(row.inspection_id)
        assert kept is not None
        then[LOOKS[kept.verdict.answer].key] += 1
        now[LOOKS[judge(kept.measurement, tighter).answer].key] += 1
    assert counts(record, "before") == {look.key: then[look.key] for look in LOOKS.values()}
    assert counts(record, "after") == {look.key: now[look.key] for look in LOOKS.values()}
    assert now["bad"] > then["bad"] > 0 and now["close"] > 0
    exact = binomtest(now["good"], 53).proportion_ci(0.95)
    assert (record["green_after"]["low"], record["green_after"]["high"]) == pytest.approx((exact.low, exact.high))
    assert record["numbers"]["drawing_upper"] == nick.depth_mm == 0.3 and record["numbers"]["drawing_lower"] is None
    assert record["numbers"]["guard"] == pytest.approx(0.01)
    (flips,) = [group for group in record["flips"] if group["what"] == "Would not pass, did"]
    assert flips["total"] == then["good"] - now["good"]


def test_not_looked_for_is_counted_and_said(plant: Plant, client: httpx.Client, nicks: None) -> None:
    record = ask(client, of="nick depth", upper="0.20")
    seen = record["flaws"]
    assert (seen["looked"], seen["not_looked"], seen["having"]["count"], seen["found"]) == (50, 3, 45, 45)
    assert "nicks were not looked for on 3 of 53 shells: they say nothing of them" in record["warnings"]
    (row,) = [row for row in record["zones"] if row["characteristic"] == "nick"]
    assert row["moved"] and row["green_after"]["of"] == 50
    above = sum(bar["shells"] for bar in record["chart"]["bars"] if bar["way"] == "most")
    below = sum(bar["shells"] for bar in record["chart"]["bars"] if bar["way"] == "least")
    assert (above, below) == (40, 5), "long ones, where the depth decides, and short ones, which pass whatever it is"
    page = client.get("/tune", params={"shell": "toplid", "of": "nick depth"}, headers={"accept": "text/html"}).text
    assert "Not looked for on 3 others" in page
    nobody = ask(client, of="nick depth", labelled="only")
    assert nobody["chart"] is None and nobody["flaws"]["having"]["of"] == nobody["flaws"]["not_looked"] == 0


def test_flaws_that_are_confirmed_bad_are_loudest(plant: Plant, client: httpx.Client, nicks: None) -> None:
    """A nick 0.45 mm deep is bad; by 0.5 mm, a concession, it would pass."""
    Reviews(plant.store.changes).label(36, Label.TRULY_BAD, "seen", plant.now(), QUALITY)
    record = ask(client, of="nick depth", upper="0.50")
    assert record["loud"][0] == "1 confirmed-bad shell would pass"
    assert record["loud"][1].startswith(
        "nick depth: inspection limit at most 0.5 goes beyond the drawing's at most 0.3: not without a concession"
    )
    assert record["flips"][0]["what"] == "Confirmed bad, would pass"
    assert ask(client, of="nick depth", upper="0.50", concession="C-9")["loud"] == ["1 confirmed-bad shell would pass"]
    assert any("the greatest is 0.49 mm" in said for said in record["warnings"])


def test_a_slider_moves_a_limit_of_flaws(plant: Plant, open_page: Callable[..., Watched], nicks: None) -> None:
    page = open_page("/tune?shell=toplid&of=nick+depth").page
    expect(page.get_by_role("heading", name="How deep is each shell's worst nick?")).to_be_visible()
    assert page.locator("[data-of=lower]").count() == 0
    page.locator("[data-of=upper]").focus()
    for _ in range(10):
        page.keyboard.press("ArrowLeft")
    expect(page.locator(".tried-at", has_text="0.20")).to_be_visible()
    expect(page.locator("[name=upper]")).to_have_value("0.20")


def test_a_slider_moves_the_results(plant: Plant, open_page: Callable[..., Watched], shells: np.ndarray) -> None:
    page = open_page("/tune?shell=toplid").page
    expect(page.get_by_role("heading", name=re.compile(r"How far off is each shell's worst zone\?"))).to_be_visible()
    slide = page.locator("[data-of=upper]")
    slide.focus()
    for _ in range(10):
        page.keyboard.press("ArrowLeft")
    expect(page.locator(".tried-at", has_text="+0.40")).to_be_visible()
    expect(page.locator("[name=upper]")).to_have_value("0.40")
    assert "upper=0.40" in page.url
    page.fill("[name=upper]", "0.3")
    expect(page.locator(".tried-at", has_text="+0.30")).to_be_visible()
