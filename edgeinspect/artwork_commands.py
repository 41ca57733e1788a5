"""Can a decal's artwork be measured, and its variants told apart? Asked before it is first laid."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from edgeinspect.errors import DefinitionError, InputError
from edgeinspect.measure.artwork_check import ArtworkTells, SeenBy, check_artwork, near_twins
from edgeinspect.measure.colour_places import too_fine
from edgeinspect.measure.decal_result import SAME_PLACE_MM
from edgeinspect.shell.artwork import check_kind, read_artwork, stated_size_mm
from edgeinspect.shell.definition import Decal, ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.terminal import BAD_INPUT, NOT_GREEN, AsJson, out, plainly, print_json
from edgeinspect.tomlfile import GREATEST_MM, LEAST_MM

AS_DRAWN = 0.01  # of the size: what a file states itself may be so far off the definition

_DEFAULT = SeenBy()


def add_to(app: typer.Typer) -> None:
    app.command("check-artwork")(check)


@dataclass(frozen=True)
class PrintsTold:
    """Of all decals of a shell: what each can be measured to, what is wrong, what to beware of."""

    tells: dict[str, ArtworkTells]  # by "name (variant)"
    problems: tuple[str, ...]
    warnings: tuple[str, ...]  # problems too: a definition may be loaded and looked at with them
    sentences: tuple[str, ...]  # all of it, to be read


def check(
    file: Annotated[Path | None, typer.Argument(help="artwork as SVG or PNG; left out: --shell")] = None,
    shell: Annotated[Path | None, typer.Option(help="folder of a shell definition: all its decals")] = None,
    width: Annotated[float | None, typer.Option("--width-mm", help="else what the file states")] = None,
    height: Annotated[float | None, typer.Option("--height-mm", help="else what the file states")] = None,
    px_per_mm: Annotated[float, typer.Option(help="of the camera at the decal")] = _DEFAULT.px_per_mm,
    blur_px: Annotated[float, typer.Option(help="of its pictures, standard deviation")] = _DEFAULT.blur_px,
    sheet: Annotated[float, typer.Option(help="share of light that the sheet sends back, of what white would")] = (
        _DEFAULT.sheet
    ),
    as_json: AsJson = False,
) -> None:
    """Say how exactly a decal's artwork can be measured, what looks alike turned or shifted, and which variants hardly
    differ. 0 fine, 2 it cannot be measured, 3 it can, with something to beware of.
    """
    with plainly(as_json):
        if not 0.0 < sheet <= 1.0:
            raise InputError(f"--sheet is {sheet:g}, must be a share above 0 and at most 1: give 0.4 for 40 %")
        try:
            seen_by = SeenBy(px_per_mm=px_per_mm, blur_px=blur_px, sheet=sheet)
        except ValueError as error:
            raise InputError(str(error)) from None
        if (file is None) == (shell is None):
            raise InputError("give the artwork's file or --shell, one of both")
        told = check_prints(load_shell(shell), seen_by) if shell else _one(file or Path(), width, height, seen_by)
    if as_json:
        tells = {name: _plain(one) for name, one in told.tells.items()}
        print_json({"decals": tells, "problems": told.problems, "warnings": told.warnings})
    else:
        out.print("\n".join(told.sentences), soft_wrap=True, markup=False)
    if told.problems:
        raise typer.Exit(BAD_INPUT)
    if told.warnings:
        raise typer.Exit(NOT_GREEN)


def check_prints(definition: ShellDefinition, seen_by: SeenBy = _DEFAULT) -> PrintsTold:
    """All decals of a definition, which variants of one place hardly differ, which inks no colour is told of."""
    tells = {f"{decal.name} ({decal.variant})": check_artwork(decal.artwork, seen_by) for decal in definition.decals}
    twins = [
        f"{one[0].words}: {_twin_words(pair.variant, pair.other, pair.difference)}"
        for one in _by_place(definition)
        for pair in near_twins(one, seen_by)
    ]
    fine = [
        f"{decal.name} ({decal.variant}): its colour is not told in {', '.join(names)}: printed too fine"
        for decal in definition.decals
        if (names := too_fine(decal, seen_by.px_per_mm, seen_by.blur_px))
    ]
    return _told(tells, [*twins, *fine], seen_by)


def _one(file: Path, width: float | None, height: float | None, seen_by: SeenBy) -> PrintsTold:
    try:
        raw = file.read_bytes()
    except OSError as error:
        raise DefinitionError(f"{file} cannot be read ({error.strerror or error})") from error
    check_kind(raw, file.name)
    stated = stated_size_mm(raw)
    across, up = stated or (None, None)
    sizes = _side_mm("width", width, across, file), _side_mm("height", height, up, file)
    art = read_artwork(raw, file.name, *sizes)
    beware = []
    if stated and max(abs(a / b - 1.0) for a, b in zip(stated, sizes, strict=True)) > AS_DRAWN:
        beware = [f"{file.name} states {stated[0]:.1f} x {stated[1]:.1f} mm, not {sizes[0]:.1f} x {sizes[1]:.1f} mm"]
    return _told({file.name: check_artwork(art, seen_by)}, beware, seen_by)


def _side_mm(side: str, typed: float | None, stated: float | None, file: Path) -> float:
    """Width or height [mm]: what was typed, else what the file states. Raises InputError."""
    value = stated if typed is None else typed
    if value is None:
        raise InputError(f"{file} states no size in mm: give --width-mm and --height-mm")
    if not LEAST_MM <= value <= GREATEST_MM:
        got = f"{file.name} states a {side} of" if typed is None else f"--{side}-mm is"
        allowed = f"must be {LEAST_MM:g} to {GREATEST_MM:g} mm"
        raise InputError(f"{got} {value:g}, {allowed}: give --{side}-mm as the print shall be")
    return value


def _told(tells: dict[str, ArtworkTells], beware: list[str], seen_by: SeenBy) -> PrintsTold:
    problems = tuple(f"{name} cannot be measured: {words}" for name, one in tells.items() for words in one.problems)
    warnings = tuple(f"{name}: {words}" for name, one in tells.items() for words in one.warnings)
    numbers = [f"{name}: {_number_words(one)}" for name, one in tells.items()]
    if numbers:
        numbers.append(
            f"(by the noise of one picture of {seen_by.px_per_mm:g} px per mm; light, surface, datums add theirs)"
        )
    every = (*problems, *warnings, *beware)
    return PrintsTold(tells, problems, every, (*numbers, *every))


def _by_place(definition: ShellDefinition) -> Iterator[list[Decal]]:
    """Decals that could lie in the same place."""
    left = list(definition.decals)
    while left:
        first = left[0].patch.origin_mm
        here = [one for one in left if float(np.linalg.norm(one.patch.origin_mm - first)) < SAME_PLACE_MM]
        left = [one for one in left if not any(one is other for other in here)]
        yield here


def _twin_words(variant: str, other: str, difference: float) -> str:
    share = f"{100 * difference:.1f} % of the contrast"
    return f"decals {variant} and {other} differ by {share} only: which one lies there cannot be told surely"


def _number_words(one: ArtworkTells) -> str:
    offsets = f"u = {_short(one.u_dx_mm)} mm across, {_short(one.u_dy_mm)} mm up"
    stretch = f"{_short(1e6 * one.u_stretch_along)} and {_short(1e6 * one.u_stretch_across)} ppm of stretch"
    return f"{offsets}, {_short(one.u_rotation_deg)}°, {stretch}"


def _short(value: float) -> str:
    return f"{value:.1g}" if value < 10 else f"{value:.0f}" if math.isfinite(value) else "endless"


def _plain(one: ArtworkTells) -> dict[str, Any]:
    """JSON has no infinity."""
    fields = dataclasses.asdict(one)
    return {key: None if isinstance(v, float) and not math.isfinite(v) else v for key, v in fields.items()}
