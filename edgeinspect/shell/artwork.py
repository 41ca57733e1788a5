"""Decal artwork from PNG or SVG, as light: grey relative reflectance and opacity, and colours where they are asked for.

Artwork is drawn in sRGB (IEC 61966-2-1). A camera is linear in light, so the sRGB curve is undone; colour is weighed by
luminance (ITU-R BT.709): 0.2126 R + 0.7152 G + 0.0722 B.
"""

from __future__ import annotations

import re
import struct
from xml.etree import ElementTree

import cv2
import numpy as np
import resvg_py

from edgeinspect.errors import DefinitionError
from edgeinspect.geometry import Array
from edgeinspect.shell.definition import Artwork
from edgeinspect.shell.srgb import linear_to_srgb, srgb_to_linear

GREATEST_SIDE_PX, GREATEST_PX = 20_000, 40_000_000
LEAST_PX_PER_MM = 3.0  # coarser than the camera sees it, the artwork would be measured against its own steps
SVG_PX_PER_MM, GREATEST_SVG_PX = 10.0, 16_000_000  # less per mm where the print is larger than 100 x 100 mm
_OVERSAMPLE = 4  # an SVG is drawn finer and averaged in light: antialiasing in sRGB makes dark edges look fatter
ASPECT_MM = 0.1  # how far the artwork's shape may be off its stated size

_PNG = b"\x89PNG\r\n\x1a\n"


def read_artwork(raw: bytes, label: str, width_mm: float, height_mm: float, *, in_colour: bool = False) -> Artwork:
    """Artwork of the bytes of a PNG or SVG file, ``in_colour`` with its colours. Where it is fully transparent, grey
    and colours mean nothing.

    Raises DefinitionError if it cannot be read, is blank, too coarse or of another shape than width_mm x height_mm.
    """
    if raw.startswith(_PNG):
        grey, opacity, colour = _read_png(raw, label, in_colour)
        _check_shape(grey.shape[1], grey.shape[0], label, width_mm, height_mm)
        if grey.shape[1] < LEAST_PX_PER_MM * width_mm:
            raise DefinitionError(
                f"{label} has {grey.shape[1] / width_mm:.1f} px per mm, must have {LEAST_PX_PER_MM:g}; 10 is usual"
            )
    else:
        grey, opacity, colour = _read_svg(raw, label, width_mm, height_mm, in_colour)
    # On an unknown sheet only opacity or grey that varies makes something to align to.
    if np.ptp(opacity) < 0.05 and np.ptp(grey) < 0.05:
        raise DefinitionError(f"{label} is blank, must show something to measure")
    return Artwork(grey, opacity, width_mm, height_mm, colour)


_UNITS_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72, "pc": 25.4 / 6, "px": 25.4 / 96, "": 25.4 / 96}


def stated_size_mm(raw: bytes) -> tuple[float, float] | None:
    """Width and height that the file itself states: an SVG's attributes (CSS units; a px is 1/96 inch), a PNG's pixels
    per metre (pHYs, PNG 11.3.4.3); None where it states none.
    """
    if raw.startswith(_PNG):
        at = raw.find(b"pHYs")
        if at < 0 or len(raw) < max(33, at + 13):
            return None
        (width, height), (across, up, unit) = (
            struct.unpack(">II", raw[16:24]),
            struct.unpack(">IIB", raw[at + 4 : at + 13]),
        )
        return None if unit != 1 or not (across and up) else (1e3 * width / across, 1e3 * height / up)
    try:
        root = ElementTree.fromstring(raw.decode("utf-8-sig"))
    except (UnicodeDecodeError, ElementTree.ParseError, RecursionError, ValueError):
        return None
    sides = []
    for name in ("width", "height"):
        found = re.fullmatch(r"\s*([0-9.]+(?:[eE][+-]?[0-9]+)?)\s*([a-z]*)\s*", root.get(name, ""))
        if found is None or found[2] not in _UNITS_MM or not float(found[1]) > 0:
            return None
        sides.append(float(found[1]) * _UNITS_MM[found[2]])
    return sides[0], sides[1]


def artwork_png(artwork: Artwork, greatest_width_px: int = 600) -> bytes:
    """The artwork as a small PNG for people (grey and opacity, sRGB)."""
    scale = min(1.0, greatest_width_px / artwork.grey.shape[1])
    grey, opacity = np.array(artwork.grey), np.array(artwork.opacity)
    if scale < 1.0:
        size = (max(1, round(grey.shape[1] * scale)), max(1, round(grey.shape[0] * scale)))
        grey, opacity, _ = _smaller(grey, opacity, None, size)
    levels = np.rint(255 * np.clip(linear_to_srgb(grey), 0, 1)).astype(np.uint8)
    alpha = np.rint(255 * np.clip(opacity, 0, 1)).astype(np.uint8)
    done, encoded = cv2.imencode(".png", np.dstack([levels, levels, levels, alpha]))
    if not done:
        raise RuntimeError("the artwork could not be encoded as PNG")
    return encoded.tobytes()


Read = tuple[Array, Array, Array | None]  # grey, opacity, and colours (H, W, 3) where they are asked for


def check_kind(raw: bytes, label: str) -> None:
    """Raises DefinitionError if bytes are neither those of a PNG nor of an SVG that may be used."""
    _png_size(raw, label) if raw.startswith(_PNG) else _checked_svg(raw, label)


def _png_size(raw: bytes, label: str) -> tuple[int, int]:
    """Width and height [px] as the PNG's first chunk states them."""
    if len(raw) < 33 or raw[12:16] != b"IHDR":
        raise DefinitionError(f"{label} is a damaged PNG; save it again")
    width, height = struct.unpack(">II", raw[16:24])
    if not (0 < width <= GREATEST_SIDE_PX and 0 < height <= GREATEST_SIDE_PX and width * height <= GREATEST_PX):
        raise DefinitionError(
            f"{label} has {width} x {height} px, must have at most {GREATEST_PX // 1_000_000} million"
        )
    return width, height


def _read_png(raw: bytes, label: str, in_colour: bool) -> Read:
    width, height = _png_size(raw, label)
    try:
        picture = cv2.imdecode(np.frombuffer(raw, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:
        picture = None
    if picture is None or picture.shape[:2] != (height, width):
        raise DefinitionError(f"{label} is a damaged PNG; save it again")
    full = {"uint8": 255.0, "uint16": 65535.0}[picture.dtype.name]
    return _light(picture.astype(np.float64) / full, in_colour)


def _light(picture: Array, in_colour: bool) -> Read:
    """Grey, opacity and colours of sRGB values (H, W[, 1, 3 or 4]) in OpenCV's order blue, green, red, opacity."""
    if picture.ndim == 2 or picture.shape[2] == 1:
        grey = srgb_to_linear(picture.reshape(picture.shape[:2]))
        return grey, np.ones_like(grey), np.repeat(grey[..., None], 3, axis=2) if in_colour else None
    light = srgb_to_linear(picture[:, :, :3])
    grey = light @ np.array([0.0722, 0.7152, 0.2126])
    opacity = picture[:, :, 3] if picture.shape[2] == 4 else np.ones_like(grey)
    return grey, opacity, light[:, :, ::-1] if in_colour else None


def _read_svg(raw: bytes, label: str, width_mm: float, height_mm: float, in_colour: bool) -> Read:
    text = _checked_svg(raw, label)
    per_mm = min(SVG_PX_PER_MM, GREATEST_SVG_PX**0.5 / _OVERSAMPLE / (width_mm * height_mm) ** 0.5)
    if per_mm < LEAST_PX_PER_MM:
        most_cm2 = 0.01 * GREATEST_SVG_PX / (_OVERSAMPLE * LEAST_PX_PER_MM) ** 2
        got = f"{width_mm:g} x {height_mm:g} mm"
        raise DefinitionError(f"{label} is {got}, must be at most {most_cm2:.0f} cm² large: give it as two decals")
    across = round(per_mm * max(width_mm, height_mm)) * _OVERSAMPLE
    wide = width_mm >= height_mm
    try:
        drawn = resvg_py.svg_to_bytes(
            svg_string=_without_size(text),
            width=across if wide else None,
            height=None if wide else across,
            skip_system_fonts=True,
            dpi=96,  # CSS; left to itself a size in mm is none
        )
    except ValueError as error:
        raise DefinitionError(
            f"{label} is not an SVG that can be drawn ({' '.join(str(error).split())[:120]})"
        ) from error
    width, height = struct.unpack(">II", bytes(drawn)[16:24])
    _check_shape(width, height, label, width_mm, height_mm)
    size = (max(1, width // _OVERSAMPLE), max(1, height // _OVERSAMPLE))
    return _smaller(*_read_png(bytes(drawn), label, in_colour), size)


def _without_size(text: str) -> str:
    """SVG text whose root has no width and height, where its viewBox gives its shape: they would be rounded to whole
    pixels of 1/96 inch first, which takes 40 x 20 mm for 40 x 20.15.
    """
    root = re.search(r"<(?:\w+:)?svg\b[^>]*>", text)
    if root is None or "viewBox" not in root[0]:
        return text
    return (
        text[: root.start()]
        + re.sub(r"\s(?:width|height)\s*=\s*(?:\"[^\"]*\"|'[^']*')", "", root[0])
        + text[root.end() :]
    )


def _smaller(grey: Array, opacity: Array, colour: Array | None, size_px: tuple[int, int]) -> Read:
    """Averaged in light over areas; what is transparent does not count."""
    covered = np.asarray(cv2.resize(opacity, size_px, interpolation=cv2.INTER_AREA), dtype=np.float64)

    def mean(light: Array) -> Array:
        weighted = np.asarray(cv2.resize(light * opacity, size_px, interpolation=cv2.INTER_AREA), dtype=np.float64)
        return np.clip(weighted / np.maximum(covered, 1e-6), 0.0, 1.0)

    colours = None if colour is None else np.dstack([mean(colour[..., k]) for k in range(3)])
    return mean(grey), np.clip(covered, 0.0, 1.0), colours


def _checked_svg(raw: bytes, label: str) -> str:
    """SVG text that looks the same on every computer: no fonts, no other files, no entities."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DefinitionError(f"{label} is neither a PNG nor an SVG in UTF-8") from error
    if "<!ENTITY" in text:
        raise DefinitionError(f"{label} defines entities, must not; save it as plain SVG")
    try:
        root = ElementTree.fromstring(text)
    except (ElementTree.ParseError, RecursionError, ValueError) as error:
        raise DefinitionError(f"{label} is neither a PNG nor an SVG ({error})") from error
    if root.tag.rpartition("}")[2] != "svg":
        raise DefinitionError(f"{label} is XML but not an SVG")
    wrong: list[str] = []
    for element in root.iter():
        tag = str(element.tag).rpartition("}")[2]
        if tag in {"text", "tspan"}:
            wrong.append(f"{label} holds text, whose look depends on the computer's fonts; convert it to paths")
        links = [value for key, value in element.attrib.items() if key.rpartition("}")[2] == "href"]
        if any(not link.startswith(("#", "data:")) for link in links):
            wrong.append(f"{label} refers to another file; embed it")
    if re.search(r"@import|url\(\s*['\"]?(?![#'\"]|data:)", text):
        wrong.append(f"{label} refers to another file; embed it")
    if wrong:
        raise DefinitionError(tuple(dict.fromkeys(wrong)))
    return text


def _check_shape(width_px: int, height_px: int, label: str, width_mm: float, height_mm: float) -> None:
    drawn_mm = width_mm * height_px / width_px
    pixel_mm = width_mm / width_px
    if abs(drawn_mm - height_mm) > ASPECT_MM + pixel_mm:
        raise DefinitionError(
            f"{label} is {width_px} x {height_px} px: {width_mm:g} mm wide it is {drawn_mm:.2f} mm high, "
            f"the definition says {width_mm:g} x {height_mm:g} mm; crop it to its size"
        )
