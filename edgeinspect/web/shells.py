"""The shell definitions a station may be set to, from its folder of shells; kept until their files change."""

from __future__ import annotations

import threading
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote, urlencode

from edgeinspect.errors import DefinitionError
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.drawing import draw_bare
from edgeinspect.shell.files import load_shell

_Stamp = tuple[tuple[str, int, int], ...]


@dataclass(frozen=True)
class Choice:
    """One thing the station can be set to."""

    shell: str
    title: str
    revision: str
    variant: str  # "" where the shell has no decal
    hand: str  # "LEFT hand", "RIGHT hand", "" where there is only one
    picture_url: str


class Shells:
    """Definitions below ``folder``, one folder each; the station holds those in ``held``. Safe from any thread."""

    def __init__(self, folder: Path, held: Collection[str]) -> None:
        self._folder, self._held = folder, held
        self._pictures: dict[tuple[str, str], str] = {}  # by hash of the definition and variant
        self._kept: dict[str, tuple[_Stamp, ShellDefinition | DefinitionError]] = {}
        self._lock = threading.Lock()

    def names(self) -> tuple[str, ...]:
        if not self._folder.is_dir():
            return ()
        return tuple(sorted(path.parent.name for path in self._folder.glob("*/shell.toml")))

    def definition(self, name: str) -> ShellDefinition:
        """The definition as its files are now. Raises DefinitionError."""
        if name not in self.names():
            raise DefinitionError(f"there is no shell {name!r}; there are {', '.join(self.names()) or 'none'}")
        with self._lock:
            stamp = _stamp(self._folder / name)
            kept = self._kept.get(name)
            if kept is None or kept[0] != stamp:
                try:
                    kept = (stamp, load_shell(self._folder / name))
                except DefinitionError as error:
                    kept = (stamp, error)
                self._kept[name] = kept
        if isinstance(kept[1], DefinitionError):
            raise kept[1]
        return kept[1]

    def as_judged(self, name: str, sha256: str) -> ShellDefinition | None:
        """The definition with exactly this hash, None when its files have changed since."""
        try:
            definition = self.definition(name)
        except DefinitionError:
            return None
        return definition if definition.sha256 == sha256 else None

    def choices(self) -> tuple[list[Choice], list[str]]:
        """What can be chosen, and what is wrong with definitions that cannot be read."""
        choices: list[Choice] = []
        problems: list[str] = []
        for name in sorted(self._held):
            try:
                definition = self.definition(name)
            except DefinitionError as error:
                problems.extend(error.problems)
                continue
            title, revision, hand = definition.title, definition.revision, hand_words(definition)
            choices += [
                Choice(name, title, revision, variant, hand, picture_url(name, variant))
                for variant in dict.fromkeys(decal.variant for decal in definition.decals) or ("",)
            ]
        return choices, problems

    def picture(self, name: str, variant: str) -> str:
        """The shell as it is known by sight, as SVG; drawn once. Raises DefinitionError."""
        definition = self.definition(name)
        key = (definition.sha256, variant)
        if key not in self._pictures:
            self._pictures[key] = draw_bare(definition, variant)
        return self._pictures[key]


def hand_words(definition: ShellDefinition) -> str:
    return "" if definition.hand == "none" else f"{definition.hand.upper()} hand"


def picture_url(name: str, variant: str) -> str:
    return f"/shells/{quote(name)}.svg?{urlencode({'variant': variant})}"


def _stamp(folder: Path) -> _Stamp:
    files = sorted(path for path in folder.iterdir() if path.is_file())
    return tuple((path.name, path.stat().st_mtime_ns, path.stat().st_size) for path in files)
