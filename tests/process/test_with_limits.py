"""A definition with other inspection limits: exactly the limits that were asked for, and nothing else moves.

Judged by the definition's own reading of its limits (process.limits.limits_of), which the what-if is tested by.
"""

from __future__ import annotations

import math
from dataclasses import fields, replace
from pathlib import Path

import pytest

from edgeinspect.process.limits import Limit, limits_of, with_limits
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def lid() -> ShellDefinition:
    return load_shell(ROOT / "models/toplid")


def variant(lid: ShellDefinition) -> str:
    return lid.decals[0].variant


def tightened(limit: Limit) -> Limit:
    return Limit(limit.lower * 0.8, limit.upper * 0.8, 2.0)


def test_all_at_once(lid: ShellDefinition) -> None:
    own = limits_of(lid, variant(lid))
    wanted = {name: tightened(limit) for name, limit in own.items()}
    assert limits_of(with_limits(lid, wanted), variant(lid)) == wanted


def test_one_zone_and_nothing_else(lid: ShellDefinition) -> None:
    name, limit = "zone right-end", Limit(-0.3, 0.45, 1.65)
    made = with_limits(lid, {name: limit})
    own = limits_of(lid, variant(lid))
    assert limits_of(made, variant(lid)) == {**own, name: limit}
    same = [field.name for field in fields(lid) if field.name not in ("zones", "sha256")]
    assert all(getattr(made, field) is getattr(lid, field) or field in ("cutouts", "decals", "flaws") for field in same)
    back = replace(made, zones=lid.zones)
    assert limits_of(back, variant(lid)) == own


def test_its_hash_names_definition_and_limits(lid: ShellDefinition) -> None:
    name, limit = "zone right-end", Limit(-0.3, 0.45, 1.65)
    other = replace(limit, guard_factor=2.0)
    hashes = {lid.sha256, *(with_limits(lid, {name: one}).sha256 for one in (limit, other))}
    hashes.add(with_limits(replace(lid, sha256="0" * 64), {name: limit}).sha256)
    assert len(hashes) == 4
    assert with_limits(lid, {name: limit}).sha256 == with_limits(lid, {name: replace(limit)}).sha256


def test_what_has_no_limit_of_its_own_is_refused(lid: ShellDefinition) -> None:
    slot = next(cutout for cutout in lid.cutouts if len(cutout.size_mm) == 2)
    badge = lid.decals[0].name
    for changed, words in (
        ({"zone nowhere": Limit(-1, 1, 1.65)}, "has no zone nowhere"),
        ({f"cut-out {slot.name} length": Limit(-0.1, 0.1, 1.65)}, "change all that share them"),
        ({f"decal {badge} across": Limit(-0.1, 0.1, 1.65)}, "change all that share them"),
        ({f"decal {badge} rotation": Limit(-0.1, 0.2, 1.65)}, "change all that share them"),
        ({"path shift": Limit(-10.0, 0.2, 1.65)}, "change all that share them"),
        ({"nick depth": Limit(-10.0, 0.2, 1.65)}, "change all that share them"),
        ({"burr depth": Limit(-math.inf, 0.2, 2.0)}, "change all that share them"),
        ({"nick length": Limit(-math.inf, 0.0, 1.65)}, "must be above 0"),
        ({"strand length": Limit(-math.inf, 1.0, 1.65)}, "has no strand length"),
    ):
        with pytest.raises(ValueError, match=words):
            with_limits(lid, changed)
