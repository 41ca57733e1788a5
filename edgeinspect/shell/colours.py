"""What a definition says of the colours of a decal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.shell.definition import Artwork, ColourLimit, Ink
from edgeinspect.shell.srgb import ALIKE, OPAQUE, flat_colours, linear_to_srgb
from edgeinspect.shell.tables import DecalTable
from edgeinspect.tomlfile import Mistakes, shown


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
        values = linear_to_srgb(artwork.colour[artwork.opacity > OPAQUE])
        for k, one in enumerate(row.ink):
            if not (np.abs(values - _srgb(one.artwork)).max(axis=1) < ALIKE).any():
                key = f"decal[{at}].ink[{k}].artwork"
                mistakes.say(
                    f"{key} is {shown(one.artwork)}, must be a colour of the artwork: {known or 'none is flat'}"
                )
