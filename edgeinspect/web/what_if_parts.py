"""What the pages that try something out have in common: the stored shells, answers before and after, who flips."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

from edgeinspect.process.what_if import BY_SEVERITY, WhatIf
from edgeinspect.store.readings import Population
from edgeinspect.store.review_queue import Label
from edgeinspect.web.inspection_list import Asked, wanted
from edgeinspect.web.look import LOOKS
from edgeinspect.web.parts import Parts

MOST = 10_000  # shells that something is tried on: the newest
SHOWN = 12  # flips of each kind, with pictures
KEPT = 3  # populations


@dataclass(frozen=True)
class Count:
    """How many shells get an answer."""

    key: str
    word: str
    before: int
    after: int


@dataclass(frozen=True)
class FlipRow:
    inspection_id: int
    shell_id: str
    key_before: str
    word_before: str
    key_after: str
    word_after: str
    label: str | None
    url: str
    picture_url: str | None


@dataclass(frozen=True)
class Flips:
    what: str
    total: int
    shown: list[FlipRow]  # the newest


class Populations:
    """The shells looked at last: a moved slider asks for the same ones again and again."""

    def __init__(self) -> None:
        self._kept: dict[tuple[object, ...], Population] = {}
        self._lock = threading.Lock()

    def get(self, parts: Parts, asked: Asked) -> Population:
        which = wanted(asked)
        newest = parts.store.listing(1, None, which)
        key = (str(parts.data), which, newest[0].inspection_id if newest else 0)
        with self._lock:
            kept = self._kept.get(key)
        if kept is None:
            kept = parts.store.population(which, MOST, parts.station.same_shell_h)
            with self._lock:
                self._kept[key] = kept
                while len(self._kept) > KEPT:
                    del self._kept[next(iter(self._kept))]
        return kept


populations = Populations()


def usual_shell(parts: Parts) -> str:
    """The shell that was looked at last, "" none."""
    newest = parts.store.listing(1)
    return newest[0].shell if newest and newest[0].shell in parts.shells.names() else ""


def counts_of(found: WhatIf) -> list[Count]:
    return [Count(look.key, look.word, found.before[a], found.after[a]) for a, look in LOOKS.items()]


def flips_of(
    parts: Parts, found: WhatIf, shell_ids: Sequence[str], labels: Sequence[Label | None], ids: Sequence[int]
) -> list[Flips]:
    """The shells that get another answer, the worst kind first."""
    kinds = (
        ("Confirmed bad, would pass", found.bad_pass),
        ("Confirmed good, would be red", found.good_fail),
        ("Would pass, did not", found.to_green),
        ("Would not pass, did", found.from_green),
        ("Neither passes, answered otherwise", found.other_flips),
    )
    shown = [(what, len(which), which[::-1][:SHOWN].tolist()) for what, which in kinds if len(which)]
    cameras = parts.store.viewed([ids[n] for _, _, which in shown for n in which])

    def row(n: int) -> FlipRow:
        before, after = (LOOKS[BY_SEVERITY[int(s[n])]] for s in (found.severity_before, found.severity_after))
        url, label, camera = f"/inspections/{ids[n]}", labels[n], cameras.get(ids[n])
        return FlipRow(
            ids[n], shell_ids[n], before.key, before.word, after.key, after.word, label.value if label else None, url,
            None if camera is None else f"{url}/pictures/{camera}.jpg",
        )  # fmt: skip

    return [Flips(what, total, [row(n) for n in which]) for what, total, which in shown]
