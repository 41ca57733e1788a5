"""The other hand of a shell: everything mirrored but the print; twice mirrored is what it was."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from edgeinspect.errors import DefinitionError
from edgeinspect.shell.definition import Curve, ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.shell.mirror import mirror_shell, swapped
from edgeinspect.simulate import toplid
from tests.shell.small_shell import TOML, curves, write_shell
from tests.shell.test_surface import sheet

MIRROR = np.array([-1.0, 1.0, 1.0])
LEFT = (
    TOML.replace('hand = "none"', 'hand = "left"')
    .replace('title = "Small shell"', 'title = "Small shell, LEFT hand"')
    .replace('words = "lock hole"', 'words = "lock hole, front left"')
    .replace('patch = { kind = "flat"', 'patch = { kind = "mesh", file = "left.stl"')
)


@pytest.fixture
def left(tmp_path: Path) -> Path:
    """Its hole and slot lie on different sides; the decal on a mesh; one curve of its own file."""
    toml = LEFT.replace('curve = "slot"', 'curve = "curves/slot_left.csv"')
    home = write_shell(tmp_path, toml, {**curves()})
    (home / "left.stl").write_bytes(sheet(lambda x, y: 0.02 * x - 0.001 * (y - 10) ** 2).export(file_type="stl"))
    (home / "curves").mkdir()
    rows = "\n".join(",".join(map(str, point)) for point in curves()["slot"])
    (home / "curves" / "slot_left.csv").write_text(f"x,y,z\n{rows}\n")
    return home


def assert_mirrored(one: Curve, other: Curve) -> None:
    """The same points, each on the other side, both from the same first point and counter-clockwise."""
    assert len(one.points_mm) == len(other.points_mm)
    image = np.vstack([other.points_mm[:1], other.points_mm[:0:-1]]) * MIRROR
    assert image == pytest.approx(one.points_mm, abs=1e-9)
    assert other.length_mm == pytest.approx(one.length_mm, abs=1e-9)
    slope = np.append(other.face_slope[:1], other.face_slope[:0:-1])
    assert slope == pytest.approx(one.face_slope, abs=1e-3)  # read off companions, whose nearest points differ a little


def test_the_other_hand_is_the_mirror_image(left: Path, tmp_path: Path) -> None:
    one, other = load_shell(left), mirror_shell(left, tmp_path / "small_right")
    assert (other.name, other.hand, other.title) == ("small_right", "right", "Small shell, RIGHT hand")
    assert_mirrored(one.rim, other.rim)
    for old, new in zip(one.cutouts, other.cutouts, strict=True):
        assert_mirrored(old.curve, new.curve)
        assert new.centre_mm == pytest.approx(old.centre_mm * [-1, 1])
        assert new.angle_deg == pytest.approx(-old.angle_deg)
        assert (new.size_mm, new.size_limits) == (old.size_mm, old.size_limits)
    assert other.cutouts[0].words == "lock hole, front right"
    for a, b in zip(one.pips, other.pips, strict=True):
        assert b.centre_mm == pytest.approx(a.centre_mm * MIRROR)
    assert (tmp_path / "small_right" / "curves" / "slot_right.csv").is_file()


def middle(definition: ShellDefinition, zone: int) -> np.ndarray:
    """The place half way along a zone."""
    here, rim = definition.zones[zone], definition.rim
    at = here.from_mm + 0.5 * ((here.to_mm - here.from_mm) % rim.length_mm)
    return np.array([np.interp(at % rim.length_mm, rim.arc_mm, rim.points_mm[:, k]) for k in range(3)])


def test_zones_lie_on_the_other_side(left: Path, tmp_path: Path) -> None:
    one, other = load_shell(left), mirror_shell(left, tmp_path / "small_right")
    assert [zone.name for zone in one.zones] == ["right", "left"]
    assert [(zone.name, zone.words) for zone in other.zones] == [("left", "left half"), ("right", "right half")]
    for place, (old, new) in enumerate(zip(one.zones, other.zones, strict=True)):
        assert (new.limits, new.frame) == (old.limits, old.frame)
        assert middle(other, place) == pytest.approx(middle(one, place) * MIRROR, abs=0.01)


def test_a_decal_is_moved_over_but_its_print_is_not_mirrored(left: Path, tmp_path: Path) -> None:
    """Up is mirrored; u is not: where the one hand has u to the right of the middle, the other has it too."""
    (one,), (other,) = load_shell(left).decals, mirror_shell(left, tmp_path / "small_right").decals
    assert (other.artwork.grey == one.artwork.grey).all() and (other.variant, one.variant) == ("standard", "standard")
    u, v = np.meshgrid(np.linspace(-15, 15, 7), np.linspace(-6, 6, 5))
    assert other.patch.points(-u, v) == pytest.approx(one.patch.points(u, v) * MIRROR, abs=1e-4)
    assert other.patch.x_axis[0] > 0.99 and np.cross(other.patch.normal, other.patch.x_axis)[1] > 0.99


def test_twice_mirrored_is_what_it_was(left: Path, tmp_path: Path) -> None:
    mirror_shell(left, tmp_path / "small_right")
    one, again = load_shell(left), mirror_shell(tmp_path / "small_right", tmp_path / "small_left")
    assert (again.hand, again.title) == (one.hand, one.title)
    for old, new in (
        (one.rim, again.rim),
        *((a.curve, b.curve) for a, b in zip(one.cutouts, again.cutouts, strict=True)),
    ):
        assert new.points_mm == pytest.approx(old.points_mm, abs=1e-12)
        assert new.face_slope == pytest.approx(old.face_slope, abs=1e-9)
    for a, b in zip(one.zones, again.zones, strict=True):
        assert (b.name, b.words, b.limits, b.frame) == (a.name, a.words, a.limits, a.frame)
        assert (b.from_mm, b.to_mm) == pytest.approx((a.from_mm, a.to_mm), abs=2e-4)
    assert [cutout.words for cutout in again.cutouts] == [cutout.words for cutout in one.cutouts]
    assert again.decals[0].patch.points(np.array([9.0]), np.array([4.0])) == pytest.approx(
        one.decals[0].patch.points(np.array([9.0]), np.array([4.0])), abs=1e-6
    )
    assert (again.pips[0].centre_mm == one.pips[0].centre_mm).all()


def test_the_lid_mirrored_is_the_lid(tmp_path: Path) -> None:
    """The demo lid is its own mirror image: simulate's formulas say where everything lies."""
    home = tmp_path / "toplid"
    home.mkdir()
    for path in (Path(__file__).parents[2] / "models" / "toplid").iterdir():
        raw = path.read_bytes()
        (home / path.name).write_bytes(
            raw.replace(b'hand = "none"', b'hand = "left"') if path.suffix == ".toml" else raw
        )
    other = mirror_shell(home, tmp_path / "toplid_right")
    assert other.title == "Top box lid, right hand"
    spans = toplid.zone_spans_mm()
    start, length = sum(spans["left-end"]) / 2, other.rim.length_mm  # the right end's middle has become the left end's
    found = {zone.name: [(end + start) % length for end in (zone.from_mm, zone.to_mm)] for zone in other.zones}
    assert found == {name: pytest.approx(span, abs=0.02) for name, span in spans.items()}
    assert {cutout.name for cutout in other.cutouts} == {"lock-hole", "hinge-slot-left", "hinge-slot-right"}
    for cutout in other.cutouts:
        assert cutout.centre_mm == pytest.approx(toplid.cutout_centre_mm(cutout.name.replace("-", "_")), abs=1e-6)


@pytest.mark.parametrize(
    ("words", "other"),
    [
        ("rear, right of the cable notch", "rear, left of the cable notch"),
        ("LEFT-hand lid", "RIGHT-hand lid"),
        ("hinge_slot_left_face", "hinge_slot_right_face"),
        ("Left and right", "Right and left"),
        ("bright leftover", "bright leftover"),
        ("toplid", "toplid"),
    ],
)
def test_left_and_right_are_swapped_in_words(words: str, other: str) -> None:
    assert swapped(words) == other
    assert swapped(other) == words


def test_what_cannot_be_mirrored_is_told_and_nothing_is_left_behind(left: Path, tmp_path: Path) -> None:
    before = sorted(path.name for path in tmp_path.iterdir())
    with pytest.raises(DefinitionError, match="small is there already, must be a new folder: nothing is overwritten"):
        mirror_shell(left, left)
    with pytest.raises(DefinitionError, match="cannot be written"):
        mirror_shell(left, tmp_path / "none" / "small_right")
    with pytest.raises(DefinitionError, match=r"shell.name is \"Small Right\", must be"):
        mirror_shell(left, tmp_path / "Small Right")
    toml = (left / "shell.toml").read_text()
    (left / "shell.toml").write_text(re.sub('hand = "left"', 'hand = "none"', toml))
    with pytest.raises(DefinitionError, match=r'shell.hand is "none", must be "left" or "right"'):
        mirror_shell(left, tmp_path / "small_right")
    assert sorted(path.name for path in tmp_path.iterdir()) == before
