"""One picture file in: its name, whether it is all there, its levels. Whatever is wrong with it becomes one sentence.

Allowed are PNG and TIFF with one grey channel of 8, 12 or 16 bits, and WebP without loss. A colour file is taken only
if its channels are all the same, a grey picture in a colour wrapping: an edge must not be measured through a colour
filter's mosaic. A camera in colour, which measures none, gives red, green and blue.
"""

from __future__ import annotations

import hashlib
import io
import re
import struct
import warnings
import zlib
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from edgeinspect.errors import PictureError
from edgeinspect.measure.picture import RawLevels, scale_of

KINDS = {"PNG": (".png",), "TIFF": (".tif", ".tiff"), "WEBP": (".webp",)}
NAME_RULE = "<shell-id>_<camera>.png, .tif or .webp, the shell id of letters, digits, . and -, at most 40"
VIEW_WIDTH_PX = 1600
_NAME = re.compile(
    r"(?P<shell_id>[A-Za-z0-9-][A-Za-z0-9.-]{0,39})_(?P<camera>[A-Za-z0-9_-]{1,64})(?P<ending>\.[A-Za-z]{3,4})"
)
_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_RIFF = b"RIFF"
_TIFF_SIGNATURES = (b"II*\0", b"MM\0*")
_GREY_MODES = {"L": np.uint8, "I;16": np.uint16, "I;16L": np.uint16, "I;16B": np.uint16}  # Pillow's names for grey


@dataclass(frozen=True)
class PictureName:
    shell_id: str
    camera: str
    ending: str  # ".png"


@dataclass(frozen=True)
class Picture:
    """A decoded picture: raw levels (height, width), 8 or 16 bits, and what identifies it."""

    levels: RawLevels  # (height, width), of a camera in colour (height, width, 3)
    sha256: str  # of the file's bytes
    pixels_sha256: str  # of the levels: the same picture in another wrapping is still the same picture


def parse_name(name: str, cameras: Collection[str]) -> PictureName:
    """Shell id and camera of ``<shell-id>_<camera>.<ext>``. Raises PictureError if it is no such name."""
    shown = _shown(name)
    found = _NAME.fullmatch(name)
    if found is None:
        raise PictureError(f"{shown} is not named as a picture must be ({NAME_RULE}): rename it and put it in again")
    if found["ending"].lower() not in [ending for endings in KINDS.values() for ending in endings]:
        raise PictureError(
            f"{shown} ends in {found['ending']}, must be .png, .tif, .tiff or .webp: save it as PNG or TIFF"
        )
    if found["camera"] not in cameras:
        known = ", ".join(sorted(cameras))
        raise PictureError(
            f"{shown} names camera {found['camera']}, must be one of {known}: rename it and put it in again"
        )
    return PictureName(found["shell_id"], found["camera"], found["ending"].lower())


def read_picture(
    path: Path,
    width_px: int,
    height_px: int,
    limit_bytes: int,
    *,
    bits: int | None = None,
    name: str | None = None,
    colour: bool = False,
) -> tuple[Picture, bytes]:
    """The picture in a file, and the file's bytes; ``name`` is how to call it in a sentence. Raises PictureError."""
    name = path.name if name is None else name
    try:
        size = path.stat().st_size
        if size > limit_bytes:
            raise PictureError(
                f"{_shown(name)} has {_megabytes(size)}, must have at most {_megabytes(limit_bytes)}: "
                "check what the camera program saves"
            )
        content = path.read_bytes()
    except OSError as error:
        raise PictureError(f"{_shown(name)} cannot be read ({error.strerror or error}): put it in again") from error
    return decode(content, name, width_px, height_px, bits, colour=colour), content


def decode(
    content: bytes, name: str, width_px: int, height_px: int, bits: int | None = None, *, colour: bool = False
) -> Picture:
    """Raw levels of a PNG, TIFF or WebP of exactly this size; the size is checked before anything is unpacked.

    Parameters: bits - what the camera delivers: 8, or 12 or 16 in 16; None takes any; colour - of a camera in colour:
    red, green and blue, (height, width, 3).
    Raises PictureError with one sentence: empty, another type, cut off, damaged, colour, another size or depth.
    """
    shown = _shown(name)
    if not content:
        raise PictureError(f"{shown} is empty (0 bytes), must be a PNG, TIFF or WebP picture: take the picture again")
    kind = _kind(content)
    if kind not in KINDS:
        raise PictureError(
            f"{shown} is {_kind_words(content)}, must be PNG, TIFF or WebP without loss: set the camera program to one"
        )
    if Path(name).suffix.lower() not in KINDS[kind]:
        raise PictureError(
            f"{shown} is a {kind} picture by its content, its name must end in {KINDS[kind][0]}: rename it"
        )
    if not is_complete(content):
        raise PictureError(f"{shown} is cut off after {len(content)} bytes, must be a whole picture: copy it again")
    levels = _levels(content, kind, shown, width_px, height_px, colour)
    got = 8 if levels.dtype == np.uint8 else 16
    if bits is not None and got != (8 if bits == 8 else 16):
        raise PictureError(f"{shown} has {got} bits, must have the camera's {bits}: check the camera's pixel format")
    if bits == 12 and int(levels.max()) > 4095:
        raise PictureError(
            f"{shown} reaches level {levels.max()}, must stay below 4096 in 12 bits: check the pixel format"
        )
    wrapping = f"{levels.dtype.str} {levels.shape} ".encode()
    pixels = hashlib.sha256(wrapping + levels.tobytes()).hexdigest()
    return Picture(levels, hashlib.sha256(content).hexdigest(), pixels)


def is_complete(content: bytes) -> bool:
    """Whether the file is all there, or is none that could be completed. A picture still being written is not."""
    kind = _kind(content)
    if not content:
        return False
    if kind == "PNG":
        return any(name == b"IEND" for name, _, _ in _png_chunks(content))
    if kind == "TIFF":
        return _tiff_end(content) <= len(content)
    if kind == "WEBP":
        return len(content) >= 8 + int.from_bytes(content[4:8], "little")
    return not any(start.startswith(content) for start in (_PNG_SIGNATURE, *_TIFF_SIGNATURES, _RIFF))


def view_jpeg(levels: RawLevels, bits: int | None = None) -> bytes:
    """A JPEG for looking only: 8 bits, at most 1600 px wide, same shape."""
    scale, (height, width) = scale_of(levels, bits), levels.shape[:2]
    small: RawLevels = levels
    if levels.ndim == 3:  # OpenCV has blue first
        small = levels[..., ::-1].copy()
    if width > VIEW_WIDTH_PX:  # made small first: a large picture is not needed as numbers of four bytes
        size = (VIEW_WIDTH_PX, max(1, round(height * VIEW_WIDTH_PX / width)))
        whole = width // VIEW_WIDTH_PX
        if whole > 1:  # by a whole number first, for the rest a straight line does: together a tenth of the time
            less = width // whole, height // whole
            small = cv2.resize(small, less, interpolation=cv2.INTER_AREA)  # type: ignore[assignment]
        how = cv2.INTER_LINEAR if whole > 1 else cv2.INTER_AREA
        small = cv2.resize(small, size, interpolation=how)  # type: ignore[assignment]
    eight = small.dtype == np.uint8
    shades = small if eight else np.round(small * (255 * scale)).astype(np.uint8)
    done, encoded = cv2.imencode(".jpg", shades, [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not done:
        raise RuntimeError("a picture could not be encoded as JPEG")
    return encoded.tobytes()


def _levels(content: bytes, kind: str, shown: str, width_px: int, height_px: int, colour: bool) -> RawLevels:
    damaged = f"{shown} is damaged, must be a whole {kind} picture: copy it again"
    if kind == "PNG" and not all(whole for _, _, whole in _png_chunks(content)):
        raise PictureError(damaged)  # Pillow does not look at the check sums of the pixels
    try:
        with warnings.catch_warnings():
            warnings.simplefilter(
                "error"
            )  # Pillow only warns of a picture that unpacks to gigabytes, or of odd metadata
            with Image.open(io.BytesIO(content), formats=list(KINDS)) as image:
                if image.size != (width_px, height_px):
                    width, height = image.size
                    raise PictureError(
                        f"{shown} has {width} x {height} px, must have the camera's {width_px} x {height_px}: "
                        "check the camera's picture size"
                    )
                if getattr(image, "n_frames", 1) != 1:
                    raise PictureError(f"{shown} holds several pictures, must hold one: save one picture a file")
                if colour and image.mode != "RGB":
                    raise PictureError(
                        f"{shown} has pixels of kind {image.mode}, must be red, green and blue of 8 or 16 bits: "
                        "set the camera program to colour"
                    )
                if image.mode not in (*_GREY_MODES, "RGB") or _inverted(image) or (kind == "PNG" and content[24] < 8):
                    raise PictureError(
                        f"{shown} has pixels of kind {image.mode}, must be grey of 8, 12 or 16 bits: "
                        "set the camera program to grey"
                    )
                pixels = np.asarray(image)
    except (Image.DecompressionBombWarning, Image.DecompressionBombError) as error:
        raise PictureError(
            f"{shown} unpacks to far more than the camera's {width_px} x {height_px} px: check where it comes from"
        ) from error
    except PictureError:
        raise
    except Exception as error:  # a decoder raises whatever it likes on bytes that are no picture
        raise PictureError(damaged) from error
    if colour and (kind == "TIFF" or (kind == "PNG" and content[24] == 16)):  # Pillow makes 8 bits of 16
        pixels = _deep(content, damaged)
    elif pixels.ndim == 3 and not colour:
        if (kind == "PNG" and content[24] != 8) or not (pixels == pixels[:, :, :1]).all():
            raise PictureError(f"{shown} is a colour picture, must be grey: set the camera program to grey")
        pixels = pixels[:, :, 0]
    if pixels.shape != ((height_px, width_px, 3) if colour else (height_px, width_px)):
        raise PictureError(f"{shown} is turned by its own metadata, must lie as the camera took it: switch that off")
    return np.ascontiguousarray(pixels, dtype=pixels.dtype.newbyteorder("="))


def _deep(content: bytes, damaged: str) -> RawLevels:
    """(H, W, 3) red, green, blue of a PNG, TIFF or WebP with as many bits as it has."""
    try:
        pixels = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error as error:
        raise PictureError(damaged) from error
    if pixels is None or pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype not in (np.uint8, np.uint16):
        raise PictureError(damaged)
    return np.asarray(pixels[..., ::-1])  # type: ignore[return-value]


def _inverted(image: Image.Image) -> bool:
    """TIFF can say that 0 is white; Pillow heeds that at some depths and not at others."""
    tags = getattr(image, "tag_v2", {})
    return tags.get(262, 1) not in (1, 2)


def _kind(content: bytes) -> str | None:
    if content.startswith(_PNG_SIGNATURE):
        return "PNG"
    if content.startswith(_RIFF) and content[8:16] == b"WEBPVP8L":  # the one chunk of a picture without loss (RFC 9649)
        return "WEBP"
    return "TIFF" if content[:4] in _TIFF_SIGNATURES else None


def _kind_words(content: bytes) -> str:
    starts = {
        b"\xff\xd8\xff": "a JPEG picture (it smears edges)",
        _RIFF: "a WebP picture with loss (it smears edges)",
        b"BM": "a BMP picture",
        b"GIF8": "a GIF picture",
        b"%PDF": "a PDF",
    }
    return next((words for start, words in starts.items() if content.startswith(start)), "no picture by its content")


def _png_chunks(content: bytes) -> Iterator[tuple[bytes, int, bool]]:
    """Name, length and whether its check sum holds, of each whole chunk of a PNG (ISO/IEC 15948, clause 5.3)."""
    view, at = memoryview(content), len(_PNG_SIGNATURE)
    while at + 12 <= len(content):
        (length,) = struct.unpack_from(">I", content, at)
        end = at + 12 + length
        if end > len(content):
            return
        name = bytes(view[at + 4 : at + 8])
        yield name, length, zlib.crc32(view[at + 4 : end - 4]) == struct.unpack_from(">I", content, end - 4)[0]
        if name == b"IEND":
            return
        at = end


def _tiff_end(content: bytes) -> int:
    """Where a TIFF's first picture ends [bytes] by its directory (TIFF 6.0, section 2); past the file if cut off."""
    order = "<" if content[:2] == b"II" else ">"
    sizes = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
    beyond = len(content) + 1
    try:
        (start,) = struct.unpack_from(order + "I", content, 4)
        (count,) = struct.unpack_from(order + "H", content, start)
        end, tables = start + 2 + 12 * count + 4, {}
        for k in range(count):
            tag, kind, number, value = struct.unpack_from(order + "HHII", content, start + 2 + 12 * k)
            size = sizes.get(kind, 1) * number
            place = value if size > 4 else start + 10 + 12 * k
            end = max(end, place + size)
            if tag in (273, 279, 324, 325) and kind in (3, 4) and place + size <= len(content):
                tables[tag] = struct.unpack_from(f"{order}{number}{'H' if kind == 3 else 'I'}", content, place)
        for offsets, lengths in ((273, 279), (324, 325)):
            if offsets in tables and lengths in tables:
                end = max([end, *(a + b for a, b in zip(tables[offsets], tables[lengths], strict=False))])
        return end if end > start else beyond
    except struct.error:
        return beyond


def _shown(name: str) -> str:
    """A file name as a sentence shows it: no control characters, not endless."""
    plain = "".join(letter if letter.isprintable() else "?" for letter in name)
    return plain if len(plain) <= 80 else plain[:77] + "..."


def _megabytes(size: int) -> str:
    return f"{size / 1e6:.1f} MB"
