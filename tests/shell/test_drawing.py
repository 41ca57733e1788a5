"""The drawing shows what the definition says, in colours that are no answer."""

from __future__ import annotations

import colorsys
import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import resvg_py

from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.drawing import draw, summary
from edgeinspect.shell.files import load_shell
from edgeinspect.shell.plan_view import at_arc_mm, stretch_mm

from .small_shell import TOML, write_shell


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> ShellDefinition:
    return load_shell(write_shell(tmp_path_factory.mktemp("drawing")))


def words_of(svg: str) -> list[str]:
    return [element.text or "" for element in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]


def test_every_name_size_and_limit_is_on_the_drawing(small: ShellDefinition) -> None:
    words = " | ".join(words_of(draw(small)))
    wanted = ["Small shell", "120 x 80 mm: right?", "120.0 mm", "80.0 mm", "right half", "left half", "-0.4 / +0.6"]
    wanted += ["pip-1", "pip-2", "pip-3", "lock hole", "⌀ 16  ±0.25", "at (30, -10)", "hinge slot", "20 × 6  ±0.3"]
    wanted += [
        "badge on the lid (standard)",
        "30 × 12",
        "start",
        "0 mm",
        "50",
        "350",
        "1.65 or 2 × u",
        "to the fixture",
    ]
    assert [word for word in wanted if word not in words] == []


def test_no_colour_of_the_drawing_means_an_answer(small: ShellDefinition) -> None:
    """Red and green mean answers (IEC 60073): no colour of that hue unless it is nearly grey."""
    for code in set(re.findall(r"#([0-9a-f]{6})\b", draw(small))):
        hue, _, saturation = colorsys.rgb_to_hls(*(int(code[at : at + 2], 16) / 255 for at in (0, 2, 4)))
        reddish_or_green = hue < 25 / 360 or hue > 330 / 360 or 80 / 360 < hue < 160 / 360
        assert not (reddish_or_green and saturation > 0.2), code


def test_it_is_drawn_to_scale_and_right_way_round(small: ShellDefinition) -> None:
    """The rendered sheet is 120 : 80, and the lock hole, right of and below the middle, is white there."""
    svg = draw(small)
    rim = re.search(r'<path d="M([^"]*) Z" fill="#f4f1ea"', svg)
    assert rim is not None
    points = np.array([[float(v) for v in pair.split()] for pair in rim[1].split(" L")])
    size = np.ptp(points, axis=0)
    assert size[0] / size[1] == pytest.approx(1.5, rel=1e-3)
    scale, middle = size[0] / 120, (points.min(axis=0) + points.max(axis=0)) / 2
    import cv2  # noqa: PLC0415

    raw = bytes(resvg_py.svg_to_bytes(svg_string=svg))
    picture = cv2.imdecode(np.frombuffer(raw, dtype=np.uint8), cv2.IMREAD_COLOR)
    column, row = (middle + scale * np.array([30 + 3, 10 + 3])).round().astype(int)  # y up is up on the page
    assert picture[row, column].tolist() == [255, 255, 255]
    column, row = (middle + scale * np.array([30 + 3, -10 - 14])).round().astype(int)
    assert picture[row, column].tolist() == [0xEA, 0xF1, 0xF4]  # the sheet


def test_stretches_of_the_rim(small: ShellDefinition) -> None:
    rim = small.rim
    there, over = stretch_mm(rim, 10.0, 60.0), stretch_mm(rim, 340.0, 30.0)
    assert np.linalg.norm(np.diff(there, axis=0), axis=1).sum() == pytest.approx(50.0)
    assert np.linalg.norm(np.diff(over, axis=0), axis=1).sum() == pytest.approx(rim.length_mm - 310.0)
    assert at_arc_mm(rim, 0.0) == pytest.approx(rim.points_mm[0])


def test_words_from_the_file_are_not_markup(tmp_path: Path) -> None:
    toml = TOML.replace('"Small shell"', "'<script>alert(1)</script> & \"co\"'")
    svg = draw(load_shell(write_shell(tmp_path, toml)))
    assert "<script>" not in svg
    assert '<script>alert(1)</script> & "co"' in words_of(svg)


def test_the_summary_asks_for_the_size_and_tells_every_limit(small: ShellDefinition) -> None:
    lines = summary(small)
    text = "\n".join(lines)
    assert lines[0] == "Small shell (small), revision A"
    assert lines[1].startswith("120 x 80 mm: right?")
    assert "left half: -0.4 / +0.6 mm to the fixture, guard 2 u (180.0 to 300.0 mm)" in text
    assert "lock hole: ⌀ 16 ±0.25 mm, place within 0.4 mm, guard 1.65 u" in text
    assert "trim path: shift up to 0.4 mm, turn up to 0.15°, guard 1.65 u" in text
    assert "badge on the lid (standard): 30 x 12 mm, offset up to 1 mm, turn up to 0.8°, guard 1.65 u" in text
    assert "no slope of the sheet along slot: level there, or without a face curve" in text
    assert any(line.strip().startswith("curve rim is coarse") for line in lines) is False


def test_coarse_curves_are_pointed_out(tmp_path: Path) -> None:
    from . import small_shell  # noqa: PLC0415

    layers = {**small_shell.curves(), "lock": small_shell.lifted(small_shell.circle(30, -10, 8, 24))}
    lines = summary(load_shell(write_shell(tmp_path, layers=layers)))
    assert any("curve lock is coarse: its chords leave the drawn curve by about 0.07 mm" in line for line in lines)
