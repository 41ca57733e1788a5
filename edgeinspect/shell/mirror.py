"""Writes the other hand of a shell: its definition mirrored, x to -x, with all its files; decals keep their print."""

from __future__ import annotations

import io
import json
import re
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from ezdxf import filemanagement, units

from edgeinspect.errors import DefinitionError
from edgeinspect.geometry import Array
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import FILE, load_shell
from edgeinspect.shell.outline import DxfCurves, csv_curve
from edgeinspect.tomlfile import read_toml, short_path

_SIDES = re.compile(r"(?<![A-Za-z])(left|right)(?![A-Za-z])", re.IGNORECASE)
_DIGITS = 4  # of arc lengths, in mm
_MIRROR = np.array([-1.0, 1.0, 1.0])

Toml = dict[str, Any]


def mirror_shell(source: Path, target: Path) -> ShellDefinition:
    """Write the other hand of the definition in ``source`` to the new folder ``target``, whose name is the shell's.

    Left and right are swapped in its names and words; variants and artwork stay. Raises DefinitionError: the source is
    wrong or has no hand, the target is there already or cannot be written.
    """
    before = load_shell(source)
    if before.hand == "none":
        raise DefinitionError(f'{short_path(source / FILE)}: shell.hand is "none", must be "left" or "right"')
    if target.exists():
        raise DefinitionError(f"{short_path(target)} is there already, must be a new folder: nothing is overwritten")
    content, _ = read_toml(source / FILE)
    try:
        with tempfile.TemporaryDirectory(dir=target.absolute().parent, prefix=".mirror-") as work:
            folder = Path(work) / target.absolute().name
            folder.mkdir()
            _write_files(content, source, folder)
            remark = f"# The mirror image of {before.name}, revision {before.revision}, by edgeinspect mirror-shell.\n"
            (folder / FILE).write_text(remark + _toml(_mirrored(content, before, folder.name)), encoding="utf-8")
            after = load_shell(folder)
            folder.rename(target)
    except OSError as error:
        raise DefinitionError(f"{short_path(target)} cannot be written: {error.strerror or error}") from error
    return after


def swapped(words: str) -> str:
    """Left for right, in words and in names, in the letters they are written in."""

    def other(match: re.Match[str]) -> str:
        word = match[0]
        name = "right" if word.lower() == "left" else "left"
        return name.upper() if word.isupper() else name.capitalize() if word[0].isupper() else name

    return _SIDES.sub(other, words)


def mirrored_curve(points_mm: Array) -> Array:
    """Counter-clockwise again, from the same first point."""
    return np.asarray(np.vstack([points_mm[:1], points_mm[:0:-1]]) * _MIRROR)


# -- what shell.toml says


def _mirrored(content: Toml, before: ShellDefinition, name: str) -> Toml:
    other = {"left": "right", "right": "left"}[before.hand]
    title = swapped(before.title)
    shell = {**content["shell"], "name": name, "hand": other}
    shell["title"] = title if title != before.title else f"{title}, {other} hand"
    rows: dict[str, Callable[[Toml], Toml]] = {
        "zone": lambda row: _mirrored_zone(row, before.rim.length_mm),
        "pip": lambda row: _swapped(row, "name") | {"centre_mm": _across(row["centre_mm"])},
        "cutout": _mirrored_cutout,
        "decal": _mirrored_decal,
    }
    tables = {key: [rows[key](row) for row in content[key]] for key in rows if key in content}
    return {**content, "shell": shell, "rim": _swapped(content["rim"], "file", "curve", "face"), **tables}


def _swapped(row: Toml, *keys: str) -> Toml:
    return {**row, **{key: swapped(row[key]) for key in keys if key in row}}


def _across(values: list[float]) -> list[float]:
    return [0.0 - values[0], *values[1:]]  # never -0.0


def _mirrored_zone(row: Toml, length_mm: float) -> Toml:
    begin, end = round(length_mm - row["to_mm"], _DIGITS), round(length_mm - row["from_mm"], _DIGITS)
    begin = begin if 0.0 < begin < length_mm - 10.0**-_DIGITS else 0.0
    return _swapped(row, "name", "words") | {"from_mm": begin, "to_mm": end}


def _mirrored_cutout(row: Toml) -> Toml:
    new = _swapped(row, "name", "words", "curve", "face") | {"centre_mm": _across(row["centre_mm"])}
    return new | ({"angle_deg": 0.0 - row["angle_deg"]} if "angle_deg" in row else {})


def _mirrored_decal(row: Toml) -> Toml:
    """Its place mirrored, but its print not: up and outwards are mirrored, and the reading direction follows them."""
    patch = _swapped(row["patch"], "file")
    x, y, z = patch["x_axis"]
    patch |= {key: _across(patch[key]) for key in ("origin_mm", "normal")} | {"x_axis": [x, 0.0 - y, 0.0 - z]}
    return _swapped(row, "name", "words") | {"patch": patch}


def _toml(content: Toml) -> str:
    """A definition as TOML; its tables are no deeper than ``patch = { ... }``."""
    lines = [f"{key} = {_value(value)}" for key, value in content.items() if not _is_table(value)]
    for key, value in content.items():
        if _is_table(value):
            head, tables = ("[{}]", [value]) if isinstance(value, Mapping) else ("[[{}]]", value)
            for table in tables:
                lines += ["", head.format(key), *(f"{name} = {_value(part)}" for name, part in table.items())]
    return "\n".join(lines) + "\n"


def _is_table(value: object) -> bool:
    return isinstance(value, Mapping) or (isinstance(value, list) and any(isinstance(part, Mapping) for part in value))


def _value(value: Any) -> str:
    if isinstance(value, str | bool):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(part)}" for key, part in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return repr(value)


# -- its files


def _write_files(content: Toml, source: Path, folder: Path) -> None:
    rim, rows = content["rim"], content.get("cutout", [])
    curves = [rim.get("curve", rim["file"]), *(row["curve"] for row in rows)]
    curves += [row["face"] for row in (rim, *rows) if "face" in row]
    if rim["file"].lower().endswith(".csv"):
        layers: list[str] = []
    else:
        layers = [curve for curve in dict.fromkeys(curves) if not curve.lower().endswith(".csv")]
        drawing = DxfCurves((source / rim["file"]).read_bytes(), rim["file"])
        _write_dxf(_new(folder, swapped(rim["file"])), {swapped(layer): drawing.curve(layer) for layer in layers})
    for name in set(curves) - set(layers):
        points = mirrored_curve(csv_curve((source / name).read_bytes(), name))
        rows_text = "".join(",".join(map(repr, map(float, point))) + "\n" for point in points)
        _new(folder, swapped(name)).write_text("x,y,z\n" + rows_text, encoding="utf-8")
    for decal in content.get("decal", []):
        if not (folder / decal["artwork"]).exists():
            shutil.copyfile(source / decal["artwork"], _new(folder, decal["artwork"]))
        if "file" in decal["patch"]:
            _write_mesh(source / decal["patch"]["file"], _new(folder, swapped(decal["patch"]["file"])))


def _new(folder: Path, name: str) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def _write_dxf(path: Path, layers: Mapping[str, Array]) -> None:
    document = filemanagement.new("R2010", units=units.MM)
    for layer, points in layers.items():
        document.modelspace().add_polyline3d(mirrored_curve(points).tolist(), close=True, dxfattribs={"layer": layer})
    document.saveas(path)


def _write_mesh(source: Path, path: Path) -> None:
    import trimesh  # noqa: PLC0415 - as in shell.surface

    kind = path.suffix.lower().removeprefix(".")
    mesh: Any = trimesh.load(io.BytesIO(source.read_bytes()), file_type=kind, force="mesh", process=False)
    image: Any = trimesh.Trimesh(mesh.vertices * _MIRROR, mesh.faces[:, ::-1], process=False)
    path.write_bytes(image.export(file_type=kind))
