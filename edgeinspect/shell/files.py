"""Reads a shell's folder, models/<shell>/: shell.toml, the outline, the artwork, meshes. Nobody else reads models/.

Every mistake of the whole definition is told at once in one DefinitionError; only a shell.toml that is not TOML at all
is told alone.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from edgeinspect.errors import DefinitionError
from edgeinspect.geometry import Array
from edgeinspect.shell import agreement, colours
from edgeinspect.shell.artwork import read_artwork
from edgeinspect.shell.definition import (
    Artwork,
    BestFit,
    Curve,
    CutOut,
    Decal,
    FlawLimits,
    Limits,
    Material,
    Patch,
    PathLimits,
    Pip,
    ShellDefinition,
    SurfacePatch,
    Zone,
)
from edgeinspect.shell.outline import DxfCurves, csv_curve, face_slope
from edgeinspect.shell.surface import surface_patch
from edgeinspect.shell.tables import (
    BestFitTable,
    CutOutTable,
    DecalTable,
    FlawTable,
    MaterialTable,
    PathTable,
    PipTable,
    RimTable,
    ShellFile,
    ShellTable,
    ZoneTable,
)
from edgeinspect.tomlfile import Mistakes, read_toml, short_path, shown

FILE = "shell.toml"
GREATEST_FILE_BYTES = 20_000_000


def load_shell(folder: Path) -> ShellDefinition:
    """The shell definition in ``folder``, whose name is the shell's.

    Raises DefinitionError with every mistake of shell.toml and of the files that it names.
    """
    return load_with_files(folder)[0]


def load_with_files(folder: Path) -> tuple[ShellDefinition, dict[str, bytes]]:
    """The same, with the bytes of shell.toml and of the files that it names, as they were read and hashed."""
    content, raw = read_toml(folder / FILE)
    mistakes = Mistakes(short_path(folder / FILE))
    files = _Folder(folder, mistakes, raw)

    mistakes.format_is_one(content)
    mistakes.known_keys(content, tuple(ShellFile.model_fields))
    shell = mistakes.table(ShellTable, content, "shell")
    material = mistakes.table(MaterialTable, content, "material")
    outline = mistakes.table(RimTable, content, "rim")
    path = mistakes.table(PathTable, content, "path")
    best_fit = mistakes.table(BestFitTable, {"best_fit": {}, **content}, "best_fit")
    zones = mistakes.tables(ZoneTable, content, "zone")
    flaws = mistakes.tables(FlawTable, content, "flaw")
    pips = mistakes.tables(PipTable, content, "pip")
    cutouts = mistakes.tables(CutOutTable, content, "cutout")
    decals = mistakes.tables(DecalTable, content, "decal")

    rim_drawn = files.rim(outline) if outline else None
    holes_drawn = [files.cutout(row, at, outline) if row and outline else None for at, row in enumerate(cutouts)]
    artworks = [files.artwork(row, at) if row else None for at, row in enumerate(decals)]
    patches = [files.surface(row, at) if row else None for at, row in enumerate(decals)]
    colours.check_inks(decals, artworks, mistakes)

    agreement.check_limits(zones, cutouts, mistakes)
    if best_fit:
        agreement.check_best_fit(best_fit, shell.datum if shell else None, zones, mistakes)
    agreement.check_names(zones, pips, cutouts, decals, mistakes)
    mistakes.no_name_twice([row.kind for row in flaws if row], "flaw")
    if shell:
        agreement.check_shell(shell, folder.absolute().name, mistakes)
        agreement.check_datum(shell.datum, pips, cutouts, mistakes)
        agreement.check_decals(shell.datum, pips, cutouts, decals, mistakes)
        agreement.check_something_to_do(shell, zones, decals, mistakes)
    # In inches nothing else fits either: then one mistake is one sentence.
    fits = not (shell and rim_drawn) or agreement.extent_is_right(rim_drawn.points_mm, shell.extent_mm, mistakes)
    rim = files.sloped(rim_drawn) if rim_drawn and fits else None
    holes = [files.sloped(drawn) if drawn and fits else None for drawn in holes_drawn]
    if rim:
        agreement.check_zones(rim, zones, mistakes)
        agreement.check_places(rim, pips, cutouts, holes, decals, mistakes)
    mistakes.stop_if_any()

    assert shell and material and path and rim and best_fit, "whatever is missing has been said above"
    rows = [row for row in zones if row]
    definition = ShellDefinition(
        name=shell.name,
        title=shell.title,
        revision=shell.revision,
        hand=shell.hand,
        colour=shell.colour,
        material=Material(material.name, material.expansion_per_k, material.u_expansion_per_k),
        sheet_mm=shell.sheet_mm,
        arris=shell.arris,
        checks=frozenset(shell.checks),
        datum=shell.datum,
        rim=rim,
        zones=tuple(_zone(row, *span) for row, span in zip(rows, agreement.joined_zones(rim, rows), strict=True)),
        path=PathLimits(path.shift_limit_mm, path.rotation_limit_deg, path.guard_factor),
        cutouts=tuple(_cutout(row, curve) for row, curve in zip(cutouts, holes, strict=True) if row and curve),
        pips=tuple(Pip(row.name, np.array(row.centre_mm), row.diameter_mm) for row in pips if row),
        decals=tuple(
            Decal(
                row.name,
                row.words,
                row.variant,
                surface,
                artwork,
                row.offset_limit_mm,
                row.rotation_limit_deg,
                row.guard_factor,
                row.bubbles,
                agreement.surface_limits(row),
                row.datum,
                row.gap_lower_mm,
                row.gap_upper_mm,
                colours.colour_limit(row),
            )
            for row, surface, artwork in zip(decals, patches, artworks, strict=True)
            if row and surface and artwork
        ),
        best_fit=BestFit(frozenset(best_fit.freedoms), best_fit.by, best_fit.drawing or ""),
        flaws=tuple(
            FlawLimits(row.kind, row.length_limit_mm, row.depth_limit_mm, row.guard_factor) for row in flaws if row
        ),
        filter_cutoff_mm=shell.filter_cutoff_mm,
        step_mm=agreement.step_mm(shell),
        search_band_mm=shell.search_band_mm,
        sha256=files.sha256(),
    )
    return definition, files.read()


def _zone(row: ZoneTable, from_mm: float, to_mm: float) -> Zone:
    limits = Limits(*agreement.zone_limits_mm(row), row.guard_factor)
    return Zone(row.name, row.words, from_mm, to_mm, limits, row.frame)


def _cutout(row: CutOutTable, curve: Curve) -> CutOut:
    limits = Limits(row.size_lower_mm, row.size_upper_mm, row.guard_factor)
    return CutOut(
        row.name,
        row.words,
        row.kind,
        curve,
        np.array(row.centre_mm),
        agreement.sizes_mm(row),
        row.angle_deg or 0.0,
        row.position_limit_mm,
        limits,
        row.guard_factor,
    )


@dataclass(frozen=True)
class _Drawn:
    """A curve as drawn, and its companion on the show face where there is one."""

    key: str  # in shell.toml
    name: str
    points_mm: Array
    face: str | None
    face_mm: Array | None
    is_hole: bool


class _Folder:
    """The files of one definition: read once, hashed, their mistakes gathered."""

    def __init__(self, folder: Path, mistakes: Mistakes, toml: bytes) -> None:
        self._folder = folder
        self._mistakes = mistakes
        self._bytes: dict[str, bytes | None] = {FILE: toml}  # None: cannot be read, and that has been said
        self._drawings: dict[str, DxfCurves | None] = {}

    def sha256(self) -> str:
        """Of the names and bytes of all files that were read, in whatever order that was."""
        whole = hashlib.sha256()
        for name, raw in sorted(self._bytes.items()):
            whole.update(f"{len(name)}:{name}:".encode() + hashlib.sha256(raw or b"").digest())
        return whole.hexdigest()

    def read(self) -> dict[str, bytes]:
        return {name: raw for name, raw in self._bytes.items() if raw is not None}

    def rim(self, row: RimTable) -> _Drawn | None:
        if not _is_csv(row.file) and row.curve is None:
            self._mistakes.say("rim.curve is missing, must name a layer of the DXF")
            return None
        if _is_csv(row.file) and row.curve is not None:
            self._mistakes.say(f"rim.curve is {shown(row.curve)}, must be left out: a CSV holds one curve")
            return None
        return self._drawn("rim", row.file if row.curve is None else row.curve, row.face, row, is_hole=False)

    def cutout(self, row: CutOutTable, at: int, rim: RimTable) -> _Drawn | None:
        return self._drawn(f"cutout[{at}]", row.curve, row.face, rim, is_hole=True)

    def sloped(self, drawn: _Drawn) -> Curve | None:
        """The curve with the slope of its show face; level without a companion."""
        slope: Array = np.zeros(len(drawn.points_mm))
        if drawn.face_mm is not None:
            where = f"{self._mistakes.file}: {drawn.key}.face {shown(drawn.face)}"
            try:
                slope = face_slope(drawn.points_mm, drawn.face_mm, is_hole=drawn.is_hole, where=where)
            except DefinitionError as error:
                self._mistakes.take(error)
                return None
        return Curve(drawn.name, drawn.points_mm, slope, drawn.is_hole)

    def artwork(self, row: DecalTable, at: int) -> Artwork | None:
        raw = self._read(f"decal[{at}].artwork", row.artwork)
        if raw is None:
            return None
        try:
            asked = row.colour_limit_de is not None
            return read_artwork(raw, self._label(row.artwork), row.width_mm, row.height_mm, in_colour=asked)
        except DefinitionError as error:
            self._mistakes.take(error)
            return None

    def surface(self, row: DecalTable, at: int) -> Patch | SurfacePatch | None:
        """What a decal lies on; None after saying what is wrong with it."""
        plane = agreement.patch(row, at, self._mistakes)
        if row.patch.file is None or row.patch.kind != "mesh":
            return plane
        raw = self._read(f"decal[{at}].patch.file", row.patch.file)
        if raw is None or plane is None:
            return None
        try:
            where = f"{self._mistakes.file}: decal[{at}].patch"
            return surface_patch(raw, self._label(row.patch.file), plane, (row.width_mm, row.height_mm), where)
        except DefinitionError as error:
            self._mistakes.take(error)
            return None

    def _drawn(self, key: str, source: str, face: str | None, rim: RimTable, *, is_hole: bool) -> _Drawn | None:
        points = self._points("rim.file" if source == rim.file else f"{key}.curve", source, rim)
        companion = self._points(f"{key}.face", face, rim) if face is not None else None
        if points is None or (face is not None and companion is None):
            return None
        return _Drawn(key, key if key == "rim" else source.removesuffix(".csv"), points, face, companion, is_hole)

    def _points(self, key: str, source: str, rim: RimTable) -> Array | None:
        """A closed polyline: ``source`` is a CSV file, or else a layer of the rim's DXF."""
        try:
            if _is_csv(source):
                raw = self._read(key, source)
                return csv_curve(raw, self._label(source)) if raw is not None else None
            if _is_csv(rim.file):
                self._mistakes.say(f"{key} is {shown(source)}, must be a .csv file because rim.file is one")
                return None
            drawing = self._drawing(rim.file)
            return drawing.curve(source) if drawing else None
        except DefinitionError as error:
            self._mistakes.take(error)
            return None

    def _drawing(self, name: str) -> DxfCurves | None:
        if name not in self._drawings:
            self._drawings[name] = None
            if (raw := self._read("rim.file", name)) is not None:
                drawing = self._drawings[name] = DxfCurves(raw, self._label(name))
                if drawing.unit_mistake:
                    self._mistakes.sentences.append(drawing.unit_mistake)
        return self._drawings[name]

    def _read(self, key: str, name: str) -> bytes | None:
        """Bytes of a file that the definition names, or None after saying why not."""
        if name in self._bytes:
            return self._bytes[name]
        self._bytes[name] = None
        path = self._folder / name
        try:
            inside = path.resolve().is_relative_to(self._folder.resolve())
            if Path(name).is_absolute() or "\\" in name or ".." in Path(name).parts or not inside:
                self._mistakes.say(f"{key} is {shown(name)}, must be a file inside the shell's folder")
            elif not path.is_file():
                there = ", ".join(sorted(found.name for found in self._folder.iterdir() if found.is_file())[:20])
                self._mistakes.say(f"{key} is {shown(name)}, must be a file that is there; there are {there}")
            elif path.stat().st_size > GREATEST_FILE_BYTES:
                size, most = path.stat().st_size / 1e6, GREATEST_FILE_BYTES / 1e6
                self._mistakes.say(f"{key} is {shown(name)} with {size:.0f} MB, must have at most {most:.0f} MB")
            else:
                self._bytes[name] = path.read_bytes()
        except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
            self._mistakes.say(f"{key} is {shown(name)} and cannot be read: {error.__class__.__name__}")
        return self._bytes[name]

    def _label(self, name: str) -> str:
        return short_path(self._folder / name)


def _is_csv(name: str) -> bool:
    return name.lower().endswith(".csv")
