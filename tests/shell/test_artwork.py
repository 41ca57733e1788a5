"""Artwork becomes light: sRGB is undone, colours are weighed, transparency is kept."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from edgeinspect.errors import DefinitionError
from edgeinspect.shell.artwork import artwork_png, read_artwork, stated_size_mm
from edgeinspect.shell.srgb import linear_to_srgb, srgb_to_linear

from .small_shell import badge

SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 30 12">{}</svg>'


def png(picture: NDArray[np.generic]) -> bytes:
    done, encoded = cv2.imencode(".png", picture)
    assert done
    return encoded.tobytes()


def refused(raw: bytes, width_mm: float = 30.0, height_mm: float = 12.0) -> str:
    with pytest.raises(DefinitionError) as caught:
        read_artwork(raw, "badge", width_mm, height_mm)
    return str(caught.value)


def test_srgb_known_values() -> None:
    """IEC 61966-2-1: 0.04045 / 12.92 at the joint; middle sRGB grey 128 is 21.586 % light (from memory, recomputed)."""
    assert srgb_to_linear(np.array([0.0, 0.04045, 1.0])) == pytest.approx([0.0, 0.0031308, 1.0], abs=1e-7)
    assert srgb_to_linear(np.array([128 / 255]))[0] == pytest.approx(0.215861, abs=1e-6)
    values = np.linspace(0, 1, 1001)
    assert np.abs(linear_to_srgb(srgb_to_linear(values)) - values).max() < 1e-6


def test_primaries_weigh_as_bt_709_says() -> None:
    """ITU-R BT.709: luminance 0.2126 R + 0.7152 G + 0.0722 B. OpenCV's order is blue, green, red."""
    picture = np.zeros((120, 300, 3), dtype=np.uint8)
    for place, channel in enumerate((2, 1, 0)):
        picture[:, 100 * place : 100 * (place + 1), channel] = 255
    grey = read_artwork(png(picture), "badge", 30.0, 12.0).grey
    assert [grey[60, x] for x in (50, 150, 250)] == pytest.approx([0.2126, 0.7152, 0.0722], abs=1e-9)


def test_opacity_is_kept_and_row_0_is_the_top() -> None:
    artwork = read_artwork(png(badge()), "badge", 30.0, 12.0)
    assert artwork.opacity[:, :75].max() == 0.0
    assert artwork.opacity[:, 75:].min() == 1.0
    assert artwork.grey[40, 250] < 0.02  # the dark bar lies in the upper half
    assert artwork.grey[80, 250] == pytest.approx(1.0)


@pytest.mark.parametrize("channels", [1, 3, 4])
def test_sixteen_bits_say_the_same_as_eight(channels: int) -> None:
    eight = badge()[:, :, :channels] if channels > 1 else badge()[:, :, 0]
    sixteen = eight.astype(np.uint16) * 257
    one, other = (read_artwork(png(picture), "badge", 30.0, 12.0) for picture in (eight, sixteen))
    assert np.abs(one.grey - other.grey).max() < 1e-9
    assert np.abs(one.opacity - other.opacity).max() < 1e-9


def test_svg_edges_lie_where_they_are_drawn() -> None:
    """The dark share of the mean light is the dark share of the area, wherever the edge lies between pixels."""
    for edge in (15.0, 15.013, 15.05, 15.08):
        shape = f'<rect width="30" height="12" fill="#fff"/><rect width="{edge}" height="12" fill="#000"/>'
        artwork = read_artwork(SVG.format(shape).encode(), "badge", 30.0, 12.0)
        assert artwork.grey.shape == (120, 300)
        assert 30 * (1 - artwork.grey.mean()) == pytest.approx(edge, abs=0.01)


def test_svg_without_ground_is_transparent() -> None:
    artwork = read_artwork(SVG.format('<circle cx="15" cy="6" r="5" fill="#808080"/>').encode(), "badge", 30.0, 12.0)
    assert artwork.opacity.mean() * 30 * 12 == pytest.approx(np.pi * 25, rel=2e-3)  # area of the circle
    assert artwork.grey[60, 150] == pytest.approx(0.2159, abs=1e-3)


@pytest.mark.parametrize(
    ("raw", "sentence"),
    [
        (b"", "badge is neither a PNG nor an SVG"),
        (b"\x89PNG\r\n\x1a\n", "badge is a damaged PNG; save it again"),
        (png(badge())[:500], "badge is a damaged PNG; save it again"),
        (b"\xff\xd8\xff\xe0 not a jpeg", "badge is neither a PNG nor an SVG in UTF-8"),
        (b"<html/>", "badge is XML but not an SVG"),
        (SVG.format("<text>MOVO</text>").encode(), "badge holds text, whose look depends on the computer's fonts"),
        (SVG.format('<image href="file:///etc/passwd"/>').encode(), "badge refers to another file; embed it"),
        (SVG.format("<style>@import 'a.css';</style>").encode(), "badge refers to another file; embed it"),
        (b'<!DOCTYPE svg [<!ENTITY a "a">]>' + SVG.format("&a;").encode(), "badge defines entities, must not"),
        (SVG.format("").encode(), "badge is blank, must show something to measure"),
        (png(np.full((120, 300, 3), 200, dtype=np.uint8)), "badge is blank, must show something to measure"),
        (png(badge(60, 24)), "badge has 2.0 px per mm, must have 3; 10 is usual"),
        (png(badge(300, 130)), "badge is 300 x 130 px: 30 mm wide it is 13.00 mm high, the definition says 30 x 12 mm"),
        (SVG.replace("30 12", "30 13").format("").encode(), "badge is 1200 x 520 px: 30 mm wide it is 13.00 mm high"),
    ],
)
def test_what_cannot_be_used(raw: bytes, sentence: str) -> None:
    assert refused(raw).startswith(sentence)


def test_a_picture_bomb_is_not_unpacked() -> None:
    raw = bytearray(png(badge()))
    raw[16:24] = (60_000).to_bytes(4, "big") * 2
    assert refused(bytes(raw)).startswith("badge has 60000 x 60000 px, must have at most 40 million")


def test_the_small_picture_shows_the_same(tmp_path: object) -> None:
    artwork = read_artwork(png(badge()), "badge", 30.0, 12.0)
    small = cv2.imdecode(np.frombuffer(artwork_png(artwork, 150), dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    assert small.shape == (60, 150, 4)
    assert small[20, 120].tolist() == [30, 30, 30, 255]
    assert small[20, 10, 3] == 0


def test_a_large_svg_is_drawn_coarser() -> None:
    """300 x 120 mm was refused for the pixels that it would have at 10 px per mm, drawn four times finer."""
    bar = SVG.format('<rect x="10" y="0" width="10" height="12"/>').encode()
    artwork = read_artwork(bar, "badge", 300.0, 120.0)
    rows, columns = artwork.grey.shape
    assert columns / 300.0 == pytest.approx(rows / 120.0, rel=0.01)
    assert 3.0 <= columns / 300.0 < 10.0
    assert artwork.opacity.sum() / artwork.opacity.size == pytest.approx(1 / 3, abs=0.001)
    with pytest.raises(DefinitionError, match="badge is 900 x 360 mm, must be at most 1111 cm"):
        read_artwork(bar, "badge", 900.0, 360.0)


def test_an_svg_with_its_size_in_mm_looks_as_without() -> None:
    """CSS: a px is 1/96 inch, whatever unit the size is in."""
    shape = '<rect width="30" height="12" fill="#333"/><rect x="3" y="2" width="9" height="5" fill="#fff"/>'
    plain = read_artwork(SVG.format(shape).encode(), "badge", 30.0, 12.0)
    sized = SVG.replace("viewBox", 'width="30mm" height="1.2cm" viewBox')
    assert np.abs(read_artwork(sized.format(shape).encode(), "badge", 30.0, 12.0).grey - plain.grey).max() < 1e-9


@pytest.mark.parametrize(
    ("sides", "size_mm"),
    [
        ('width="30mm" height="12mm"', (30.0, 12.0)),
        ('width="3cm" height="12mm"', (30.0, 12.0)),
        ('width="2in" height="96px"', (50.8, 25.4)),
        ('width="72pt" height="96"', (25.4, 25.4)),
        ('width="100%" height="12mm"', None),
        ('width="0mm" height="12mm"', None),
        ("", None),
    ],
)
def test_the_size_that_an_svg_states(sides: str, size_mm: tuple[float, float] | None) -> None:
    """CSS Values and Units 4, 6.2: 1 in = 2.54 cm = 25.4 mm = 72 pt = 96 px."""
    found = stated_size_mm(SVG.replace("viewBox", f"{sides} viewBox").format("").encode())
    assert found is None if size_mm is None else found == pytest.approx(size_mm)
