"""Pictures in: every bad one is refused with one sentence, every allowed kind comes back level by level.

Truth: the pictures are written here by OpenCV, Pillow and tifffile, three other programs than the reader's checks, from
known arrays. Sizes of PNG chunks: ISO/IEC 15948 (PNG), clause 5.3.
"""

from __future__ import annotations

import contextlib
import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as some
from numpy.typing import NDArray
from PIL import Image

from edgeinspect.errors import PictureError
from edgeinspect.station.pictures import decode, is_complete, parse_name, read_picture, view_jpeg

WIDTH, HEIGHT = 64, 48
RNG = np.random.default_rng(4)
GREY8 = RNG.integers(0, 256, (HEIGHT, WIDTH), dtype=np.uint8)
GREY12 = RNG.integers(0, 4096, (HEIGHT, WIDTH), dtype=np.uint16)
GREY16 = RNG.integers(0, 65536, (HEIGHT, WIDTH), dtype=np.uint16)


def encoded(levels: NDArray[np.generic], ending: str = ".png") -> bytes:
    done, content = cv2.imencode(ending, levels)
    assert done
    return content.tobytes()


def as_tiff(levels: NDArray[np.generic], **how: object) -> bytes:
    out = io.BytesIO()
    tifffile.imwrite(out, levels, **how)  # type: ignore[arg-type]
    return out.getvalue()


def as_pillow(image: Image.Image, kind: str = "PNG") -> bytes:
    out = io.BytesIO()
    image.save(out, kind)
    return out.getvalue()


def refusal(content: bytes, name: str = "L1_top.png") -> str:
    with pytest.raises(PictureError) as caught:
        decode(content, name, WIDTH, HEIGHT)
    (sentence,) = caught.value.problems
    assert name[:20] in sentence
    return sentence


def with_chunk(content: bytes, old: bytes, change: bytes) -> bytes:
    """A PNG with the data of chunk ``old`` replaced, its check sum made right again."""
    at = content.index(old)
    (length,) = struct.unpack(">I", content[at - 4 : at])
    body = old + change
    return (
        content[: at - 4]
        + struct.pack(">I", len(change))
        + body
        + struct.pack(">I", zlib.crc32(body))
        + content[at + 8 + length :]
    )


@pytest.mark.parametrize("levels", [GREY8, GREY12, GREY16], ids=["8", "12 in 16", "16"])
@pytest.mark.parametrize(
    ("ending", "write"),
    [
        (".png", encoded),
        (".tif", as_tiff),
        (".tiff", lambda levels: as_tiff(levels, byteorder=">")),
        (".tif", lambda levels: encoded(levels, ".tiff")),  # OpenCV's own: LZW in strips
        (".tif", lambda levels: as_tiff(levels, compression="zlib", tile=(16, 16))),
    ],
    ids=["png", "tiff", "tiff big-endian", "tiff lzw", "tiff zlib tiles"],
)
def test_every_allowed_kind_comes_back_level_by_level(levels: NDArray[np.generic], ending: str, write: object) -> None:
    content = write(levels)  # type: ignore[operator]
    picture = decode(content, f"L1_top{ending}", WIDTH, HEIGHT)
    assert picture.levels.dtype == levels.dtype
    assert np.array_equal(picture.levels, levels)
    assert is_complete(content)


def test_webp_is_taken_without_loss_only() -> None:
    """SOURCE: RFC 9649 (WebP): a picture without loss is one chunk VP8L, one with loss VP8; VP8X may hold either."""

    def webp(**how: object) -> bytes:
        out = io.BytesIO()
        Image.fromarray(GREY8).save(out, "WEBP", **how)  # type: ignore[arg-type]
        return out.getvalue()

    whole = webp(lossless=True, quality=100)
    assert is_complete(whole) and not is_complete(whole[:-1]) and not is_complete(b"RI")
    assert np.array_equal(decode(whole, "L1_top.webp", WIDTH, HEIGHT).levels, GREY8)
    with_loss = "is a WebP picture with loss (it smears edges)"
    assert with_loss in refusal(webp(quality=95), "L1_top.webp")
    assert with_loss in refusal(webp(quality=95, exif=b"Exif"), "L1_top.webp")
    assert "is cut off after 1000 bytes" in refusal(whole[:1000], "L1_top.webp")
    assert "is damaged" in refusal(whole[:30] + bytes(len(whole) - 30), "L1_top.webp")
    assert "its name must end in .webp" in refusal(whole, "L1_top.png")


def test_the_same_pixels_in_another_wrapping_are_the_same_picture() -> None:
    png, tiff = decode(encoded(GREY8), "a_top.png", WIDTH, HEIGHT), decode(as_tiff(GREY8), "a_top.tif", WIDTH, HEIGHT)
    other = GREY8.copy()
    other[5, 5] ^= 1
    assert png.pixels_sha256 == tiff.pixels_sha256 != decode(encoded(other), "a_top.png", WIDTH, HEIGHT).pixels_sha256
    assert png.sha256 != tiff.sha256


def test_grey_in_a_colour_wrapping_is_taken_and_colour_is_not() -> None:
    grey = np.dstack([GREY8] * 3)
    assert np.array_equal(decode(encoded(grey), "L1_top.png", WIDTH, HEIGHT).levels, GREY8)
    colour = grey.copy()
    colour[7, 9, 2] ^= 1
    assert "is a colour picture, must be grey" in refusal(encoded(colour))
    assert "is a colour picture, must be grey" in refusal(
        encoded(np.dstack([GREY16] * 3))
    )  # Pillow would cut it to 8 bits


def test_bad_pictures_are_refused_with_one_sentence_each() -> None:
    png = encoded(GREY8)
    assert refusal(b"") == "L1_top.png is empty (0 bytes), must be a PNG, TIFF or WebP picture: take the picture again"
    assert "is cut off after" in refusal(png[: len(png) // 2])
    assert "is cut off after" in refusal(png[:-1])
    assert "is a JPEG picture (it smears edges), must be PNG, TIFF or WebP without loss" in refusal(
        encoded(GREY8, ".jpg")
    )
    assert "is no picture by its content" in refusal(b"shift report, Tuesday")
    assert "is a PNG picture by its content, its name must end in .png" in refusal(png, "L1_top.tif")
    assert "has 48 x 64 px, must have the camera's 64 x 48" in refusal(encoded(GREY8.T))
    assert "is cut off after" in refusal(as_tiff(GREY8)[:-10], "L1_top.tif")
    for mode in ("1", "P", "LA", "RGBA"):
        assert "must be grey of 8, 12 or 16 bits" in refusal(as_pillow(Image.new(mode, (WIDTH, HEIGHT)))), mode
    for depth in (np.float32, np.uint32):
        assert "must be grey of 8, 12 or 16 bits" in refusal(as_tiff(GREY8.astype(depth)), "L1_top.tif")
    assert "must be grey of 8, 12 or 16 bits" in refusal(as_tiff(GREY8, photometric="miniswhite"), "L1_top.tif")
    assert "holds several pictures" in refusal(as_tiff(np.stack([GREY8, GREY8])), "L1_top.tif")


def test_a_picture_of_another_depth_than_the_cameras_is_refused() -> None:
    for bits, levels in ((8, GREY8), (12, GREY12), (16, GREY16)):
        assert np.array_equal(decode(encoded(levels), "L1_top.png", WIDTH, HEIGHT, bits).levels, levels)
    for bits, levels, words in (
        (8, GREY16, "has 16 bits, must have the camera's 8"),
        (16, GREY8, "has 8 bits, must have the camera's 16"),
        (12, GREY16, "must stay below 4096 in 12 bits"),
    ):
        with pytest.raises(PictureError, match=words):
            decode(encoded(levels), "L1_top.png", WIDTH, HEIGHT, bits)


def test_damage_that_a_decoder_overlooks_is_found() -> None:
    png = bytearray(encoded(GREY8))
    png[len(png) // 2] ^= 0x10  # in the middle of the pixels
    assert "is damaged" in refusal(bytes(png))


@pytest.mark.parametrize("side", [20_000, 60_000, 2**31 - 1])
def test_a_picture_that_would_unpack_to_gigabytes_is_refused_by_its_header(side: int) -> None:
    bomb = with_chunk(encoded(GREY8), b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0))
    sentence = refusal(bomb)
    assert "px" in sentence and "64 x 48" in sentence


def test_a_file_larger_than_the_limit_is_not_even_read(tmp_path: Path) -> None:
    path = tmp_path / "L1_top.png"
    with path.open("wb") as file:
        file.truncate(3_000_000_000)  # sparse: takes no space
    with pytest.raises(PictureError, match=r"has 3000\.0 MB, must have at most 64\.0 MB"):
        read_picture(path, WIDTH, HEIGHT, 64_000_000)


def test_a_missing_file_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(PictureError, match="cannot be read"):
        read_picture(tmp_path / "L1_top.png", WIDTH, HEIGHT, 1000)


@pytest.mark.parametrize("kind", ["png", "tif"])
def test_no_beginning_of_a_picture_passes_for_a_whole_one(kind: str) -> None:
    content = encoded(GREY8) if kind == "png" else as_tiff(GREY8)
    whole = [length for length in range(len(content) + 1) if is_complete(content[:length])]
    assert whole == [len(content)]


@pytest.mark.parametrize(
    ("name", "shell_id", "camera"),
    [
        ("L1003_top.png", "L1003", "top"),
        ("2024-11.A-7_top.TIF", "2024-11.A-7", "top"),
        ("a_rear_left.tiff", "a", "rear_left"),
    ],
)
def test_names_give_shell_and_camera(name: str, shell_id: str, camera: str) -> None:
    found = parse_name(name, ["top", "rear_left"])
    assert (found.shell_id, found.camera) == (shell_id, camera)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("L1003.png", "is not named as a picture must be"),
        ("_top.png", "is not named as a picture must be"),
        ("../L1_top.png", "is not named as a picture must be"),
        ("..%2fL1_top.png", "is not named as a picture must be"),
        ("..\\L1_top.png", "is not named as a picture must be"),
        (".L1_top.png", "is not named as a picture must be"),
        ("L1_top.png\x00.exe", "is not named as a picture must be"),
        ("L" * 41 + "_top.png", "is not named as a picture must be"),
        ("Lü_top.png", "is not named as a picture must be"),
        ("L1_top.jpg", "ends in .jpg, must be .png, .tif, .tiff or .webp"),
        ("L1_left.png", "names camera left, must be one of top"),
    ],
)
def test_other_names_are_refused(name: str, words: str) -> None:
    with pytest.raises(PictureError, match=words) as caught:
        parse_name(name, ["top"])
    assert caught.value.problems[0].isprintable()


@pytest.mark.parametrize(
    ("levels", "bits"),
    [(GREY8, 8), (GREY12, 12), (np.full((1000, 3200), 30000, np.uint16), 16)],
    ids=["8", "12", "wide 16"],
)
def test_the_view_keeps_the_shape_and_is_at_most_1600_wide(levels: NDArray[np.uint16], bits: int) -> None:
    view = Image.open(io.BytesIO(view_jpeg(levels, bits)))
    height, width = levels.shape
    assert view.format == "JPEG" and view.mode == "L"
    assert view.size == ((width, height) if width <= 1600 else (1600, 500))
    assert abs(np.asarray(view).mean() / 255 - levels.mean() / (2**bits - 1)) < 0.01


@settings(max_examples=300, deadline=None)
@given(
    some.booleans(),
    some.lists(some.tuples(some.integers(0, 10**6), some.integers(0, 255)), min_size=1, max_size=8),
    some.data(),
)
def test_whatever_is_in_a_file_it_is_a_picture_or_one_sentence(
    is_png: bool, changes: list[tuple[int, int]], data: some.DataObject
) -> None:
    content = bytearray(encoded(GREY8) if is_png else as_tiff(GREY8))
    reach = data.draw(some.sampled_from([16, 400, len(content)]))  # headers and directories more often than pixels
    for at, value in changes:
        content[at % reach] = value
    name = "L1_top.png" if is_png else "L1_top.tif"
    is_complete(bytes(content))
    with contextlib.suppress(PictureError):
        assert decode(bytes(content), name, WIDTH, HEIGHT).levels.shape == (HEIGHT, WIDTH)


@given(some.binary(max_size=300), some.sampled_from([b"", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*"]))
def test_noise_is_no_picture(noise: bytes, start: bytes) -> None:
    is_complete(start + noise)
    for name in ("L1_top.png", "L1_top.tif"):
        with pytest.raises(PictureError):
            decode(start + noise, name, WIDTH, HEIGHT)
