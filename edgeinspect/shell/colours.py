"""The colours of a decal's artwork: what the definition says of them, and which flat colours it is printed in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.shell.artwork import linear_to_srgb
from edgeinspect.shell.definition import Artwork, ColourLimit, Ink
from edgeinspect.shell.tables import DecalTable
from edgeinspect.tomlfile import Mistakes, shown

ALIKE = 6.0 / 255.0  # of sRGB, any channel: drawn as one colour
LEAST_SHARE = 0.004  # of the print, of one colour: less is the smoothed edge between two
MOST_FLATS = 12
_OPAQUE = 0.99


def colour_limit(row: DecalTable) -> ColourLimit | None:
    """What a decal's colours may be off; None where they are not judged."""
    if row.colour_limit_de is None:
        return None
    inks = tuple(Ink(one.words or one.artwork.lower(), _srgb(one.artwork), np.array(one.lab)) for one in row.ink)
    return ColourLimit(row.colour_limit_de, row.colour_area_mm2, row.colour_illuminant, inks)


def _srgb(words: str) -> Array:
    return np.array([int(words[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0


def check_inks(rows: Sequence[DecalTable | None], artworks: Sequence[Artwork | None], mistakes: Mistakes) -> None:
    """Inks belong to a limit, are there once, and in the artwork."""
    for at, (row, artwork) in enumerate(zip(rows, artworks, strict=True)):
        if row is None:
            continue
        if row.ink and row.colour_limit_de is None:
            mistakes.say(f"decal[{at}].ink is there, so colour_limit_de must be too: else no colour is judged")
        mistakes.no_name_twice([one.artwork.lower() for one in row.ink], f"decal[{at}].ink")
        if artwork is None or artwork.colour is None:
            continue
        known = ", ".join(name for name, _ in flat_colours(artwork))
        values = linear_to_srgb(artwork.colour[artwork.opacity > _OPAQUE])
        for k, one in enumerate(row.ink):
            if not (np.abs(values - _srgb(one.artwork)).max(axis=1) < ALIKE).any():
                key = f"decal[{at}].ink[{k}].artwork"
                mistakes.say(
                    f"{key} is {shown(one.artwork)}, must be a colour of the artwork: {known or 'none is flat'}"
                )


def flat_colours(artwork: Artwork) -> list[tuple[str, Array]]:
    """Name ("#f0aa28") and sRGB (3,) of the colours that whole fields of it are printed in, the largest first."""
    assert artwork.colour is not None
    values = np.rint(255 * linear_to_srgb(artwork.colour[artwork.opacity > _OPAQUE])).astype(np.int64)
    every, count = np.unique(values @ np.array([65536, 256, 1]), return_counts=True)
    found: list[tuple[str, Array]] = []
    for place in np.argsort(-count, kind="stable"):
        if count[place] < LEAST_SHARE * len(values) or len(found) == MOST_FLATS:
            break
        code = int(every[place])
        colour = np.array([code >> 16, code >> 8 & 255, code & 255]) / 255.0
        if all(np.abs(colour - other).max() > ALIKE for _, other in found):
            found.append((f"#{code:06x}", colour))
    return found


def which_flat(artwork: Artwork, flats: Sequence[Array]) -> NDArray[np.int8]:
    """(H, W) index of the flat colour of every pixel, -1 where it is none of them or not opaque."""
    assert artwork.colour is not None
    values = linear_to_srgb(artwork.colour)
    found = np.full(artwork.grey.shape, -1, dtype=np.int8)
    nearest = np.full(artwork.grey.shape, ALIKE)
    for k, flat in enumerate(flats):
        away = np.abs(values - flat).max(axis=2)
        here = (away < nearest) & (artwork.opacity > _OPAQUE)
        found[here], nearest[here] = k, away[here]
    return found
