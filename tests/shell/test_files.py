"""A shell definition as people write it: what is read, and one sentence for each mistake."""

from __future__ import annotations

import shutil
from pathlib import Path

import ezdxf
import numpy as np
import pytest

from edgeinspect.errors import DefinitionError
from edgeinspect.shell.definition import Arris, BestFit, Check, DatumScheme, FitBy, Frame, Freedom
from edgeinspect.shell.files import load_shell
from edgeinspect.shell.outline import plan_normals
from edgeinspect.shell.summary import summary

from . import small_shell
from .small_shell import TOML, circle, curves, lifted, slot, write_dxf, write_shell


def problems(folder: Path) -> list[str]:
    """The sentences about a definition, without the name of the temporary folder."""
    with pytest.raises(DefinitionError) as caught:
        load_shell(folder)
    return [sentence.split("/", 1)[1] for sentence in caught.value.problems]


def changed(old: str, new: str, count: int = 1) -> str:
    assert old in TOML, f"the small definition has no {old!r}"
    return TOML.replace(old, new, count)


def test_a_right_definition_is_read(tmp_path: Path) -> None:
    shell = load_shell(write_shell(tmp_path))
    assert (shell.name, shell.title, shell.hand, shell.sheet_mm) == ("small", "Small shell", "none", 3.0)
    assert shell.arris is Arris.SHOW
    assert shell.datum is DatumScheme.PIPS
    assert shell.checks == {Check.TRIM, Check.DECAL}
    assert shell.step_mm == pytest.approx(0.5)  # the default: cut-off / 5
    assert [zone.frame for zone in shell.zones] == [Frame.DATUM, Frame.FIXTURE]
    assert shell.zones[1].limits.guard_factor == 2.0
    assert not shell.rim.is_hole
    assert [(cutout.size_mm, cutout.angle_deg, cutout.curve.is_hole) for cutout in shell.cutouts] == [
        ((16.0,), 0.0, True),
        ((20.0, 6.0), 30.0, True),
    ]
    assert [pip.name for pip in shell.pips] == ["pip-1", "pip-2", "pip-3"]
    assert shell.decals[0].artwork.grey.shape == (120, 300)


def test_the_slope_along_the_trim_normal_is_the_plane_s_own(tmp_path: Path) -> None:
    """On a plane the slope along a horizontal direction n is the gradient times n, exactly (calculus)."""
    shell = load_shell(write_shell(tmp_path))
    for curve in (shell.rim, shell.cutouts[0].curve):
        outward = plan_normals(curve.points_mm)[1]
        normals = -outward if curve.is_hole else outward
        wanted = normals @ [small_shell.SLOPE_X, small_shell.SLOPE_Y]
        assert np.abs(curve.face_slope - wanted).max() < 2e-4
    assert not shell.cutouts[1].curve.face_slope.any()  # no face curve, no slope


def test_normals_point_out_of_the_material(tmp_path: Path) -> None:
    """Out of the shell for the rim, into the hole for a cut-out: 1 mm along n is further from the sheet."""
    shell = load_shell(write_shell(tmp_path))
    right_end = int(np.argmax(shell.rim.points_mm[:, 0]))
    assert plan_normals(shell.rim.points_mm)[1][right_end] == pytest.approx([1.0, 0.0], abs=1e-6)


def test_the_hash_names_all_files_and_nothing_else(tmp_path: Path) -> None:
    first = load_shell(write_shell(tmp_path))
    (tmp_path / "small" / "notes.txt").write_text("not part of the definition")
    assert load_shell(tmp_path / "small").sha256 == first.sha256
    for name in ("shell.toml", "outline.dxf", "badge.png"):
        write_shell(tmp_path)
        path = tmp_path / "small" / name
        raw = path.read_bytes()
        path.write_bytes(raw + (b"" if name == "badge.png" else b"\n"))
        if name == "badge.png":
            picture = small_shell.badge()
            picture[0, 0, 0] ^= 1
            write_shell(tmp_path, picture=picture)
        assert load_shell(tmp_path / "small").sha256 != first.sha256, name


def test_the_hash_is_of_names_and_bytes_wherever_they_lie(tmp_path: Path) -> None:
    home = write_shell(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    copy = shutil.copytree(home, tmp_path / "elsewhere" / "small")
    assert load_shell(copy).sha256 == load_shell(home).sha256
    (copy / "badge.png").rename(copy / "logo.png")
    toml = (copy / "shell.toml").read_text()
    (copy / "shell.toml").write_text(toml.replace("badge.png", "logo.png"))
    assert load_shell(copy).sha256 != load_shell(home).sha256


ONE_CHANGE = [
    # toml: keys and types
    ("format = 1", "format = 2", "format is 2, must be 1"),
    ("format = 1\n", "", "format is missing, must be 1"),
    ('title = "Small shell"', 'titel = "Small shell"', "shell.title is missing"),
    ('title = "Small shell"', 'titel = "x"\ntitle = "y"', "shell.titel is not a known key; did you mean title?"),
    ("sheet_mm = 3.0", "sheet_mm = -3.0", "shell.sheet_mm is -3, must be above 0"),
    ("sheet_mm = 3.0", "sheet_mm = nan", "shell.sheet_mm is nan, must be a finite number"),
    ("sheet_mm = 3.0", "sheet_mm = inf", "shell.sheet_mm is inf, must be a finite number"),
    ("sheet_mm = 3.0", 'sheet_mm = "3"', 'shell.sheet_mm is "3", must be a number'),
    ("sheet_mm = 3.0", "sheet_mm = true", "shell.sheet_mm is true, must be a number"),
    ('arris = "show"', 'arris = "top"', 'shell.arris is "top", must be "show" or "back"'),
    ('hand = "none"', 'hand = "Left"', 'shell.hand is "Left", must be "left", "right" or "none"'),
    ("[120.0, 80.0]", "[120.0, 1e-320]", "shell.extent_mm[1] is 9.999888672e-321, must be at least 0.001"),
    ("[120.0, 80.0]", "[120.0]", "shell.extent_mm is [120.0], must have more numbers: 2 or more"),
    ("[120.0, 80.0]", "[120.0, 80.0, 9.0]", "shell.extent_mm has 3 entries, must have 2"),
    ("80e-6", "80", "material.expansion_per_k is 80, must be at most 0.001"),
    ("[path]", "[paht]", "[path] is missing"),
    ("[path]", "[paht]", "paht is not a known key; did you mean path?"),
    (
        'name = "lock"',
        'name = "Lock Hole"',
        'cutout "Lock Hole".name is "Lock Hole", must be lower-case letters, digits, - and _, '
        "starting with a letter or digit, at most 64",
    ),
    (
        "rotation_limit_deg = 0.8",
        'ink = [{ artwork = "f0aa28", lab = [70.0, 20.0, 60.0] }]\nrotation_limit_deg = 0.8',
        'decal "badge".ink[0].artwork is "f0aa28", must be a colour such as "#f0aa28": # and six digits of 0-9 and a-f',
    ),
    # one table against itself
    ('name = "small"', 'name = "large"', 'shell.name is "large", must be "small" like its folder'),
    ("extent_mm", "step_mm = 0.6\nextent_mm", "shell.step_mm is 0.6, must be at most filter_cutoff_mm / 5 = 0.5"),
    ("extent_mm", "step_mm = 1e-9\nextent_mm", "shell.step_mm is 1e-09, must be at least 0.05"),
    ('["trim", "decal"]', '["trim", "trim"]', "shell.checks is ['trim', 'trim'], must name each check once"),
    ("lower_mm = -0.5", "lower_mm = 0.9", 'zone "right".lower_mm is 0.9, must be below upper_mm 0.5'),
    ("lower_mm = -0.5\n", "", 'zone "right".lower_mm is missing'),
    (
        "lower_mm = -0.5\n",
        "lower_mm = -0.5\nprofile_mm = 1.0\n",
        'zone "right".lower_mm is -0.5, must be left out where profile_mm is given',
    ),
    (
        "lower_mm = -0.5\n",
        "lower_mm = -0.5\nuz_mm = 0.1\n",
        'zone "right".uz_mm is 0.1, must be left out where profile_mm is not given',
    ),
    (
        'frame = "fixture"',
        'frame = "best_fit"',
        'zone "left".frame is "best_fit", must be "datum" or "fixture" unless best_fit.drawing says where the drawing '
        "wants form alone judged: it hides an error of the path",
    ),
    (
        'datum = "pips"',
        'datum = "best_fit"',
        'shell.datum is "best_fit", must be "fixture", "pips" or "hole_and_slot" unless best_fit.drawing says where '
        "the drawing wants form alone judged: it hides an error of the path",
    ),
    (
        "[path]",
        '[best_fit]\nfreedoms = ["x", "x"]\n[path]',
        """best_fit.freedoms is ['x', 'x'], must name at least one of "x", "y", "turn", each once""",
    ),
    (
        "size_lower_mm = -0.25",
        "size_lower_mm = 0.25",
        'cutout "lock".size_lower_mm is 0.25, must be below size_upper_mm 0.25',
    ),
    ("diameter_mm = 16.0\n", "", 'cutout "lock".diameter_mm is missing, must be given for a hole'),
    (
        "diameter_mm = 16.0",
        "diameter_mm = 16.0\nwidth_mm = 3.0",
        'cutout "lock".width_mm is 3, must be left out for a hole',
    ),
    ("length_mm = 20.0", "length_mm = 5.0", 'cutout "slot".length_mm is 5, must be above width_mm 6'),
    # names
    ('name = "left"', 'name = "right"', 'zone "right" is there 2 times, must be there once'),
    ('name = "pip-2"', 'name = "pip-1"', 'pip "pip-1" is there 2 times, must be there once'),
    ('name = "slot"', 'name = "lock"', 'cutout "lock" is there 2 times, must be there once'),
    # zones against the rim
    ("to_mm = 180.0", "to_mm = 170.0", "no zone holds the rim from 170.00 to 180.00 mm, must be without gaps"),
    ("to_mm = 180.0", "to_mm = 190.0", 'zones "right" and "left" overlap from 180.00 to 190.00 mm, must not'),
    ("to_mm = 300.0", "to_mm = 310.0", 'zones "left" and "right" overlap from 300.00 to 310.00 mm, must not'),
    ("from_mm = 300.0", "from_mm = 400.0", 'zone "right".from_mm is 400, must be below the rim\'s length 370.77'),
    ("to_mm = 300.0", "to_mm = 400.0", 'zone "left".to_mm is 400, must be at most the rim\'s length 370.77'),
    ("to_mm = 180.0", "to_mm = 300.0", 'zone "right".to_mm is 300 like from_mm: empty; the whole rim is 0 to 370.77'),
    # cut-outs against their curves
    (
        "diameter_mm = 16.0",
        "diameter_mm = 16.1",
        'cutout "lock".diameter_mm is 16.1, must be 16.00 like its curve (within 0.05)',
    ),
    ("width_mm = 6.0", "width_mm = 6.2", 'cutout "slot".width_mm is 6.2, must be 6.00 like its curve (within 0.05)'),
    ("angle_deg = 30.0", "angle_deg = 35.0", 'cutout "slot".angle_deg is 35, must be 30.00 like its curve'),
    (
        "[30.0, -10.0]",
        "[30.0, -10.1]",
        'cutout "lock".centre_mm is [30.0, -10.1], must be [30.00, -10.00] like its curve',
    ),
    # pips and datums
    (
        "[-40.0, 20.0, -7.0]",
        "[-58.0, 20.0, -7.0]",
        'pip "pip-1".centre_mm is [-58.0, 20.0, -7.0], must lie inside the rim with its whole top',
    ),
    ("[0.0, -25.0, 5.5]", "[30.0, -10.0, 5.5]", 'pip "pip-3".centre_mm is [30.0, -10.0, 5.5], must be clear of "lock"'),
    ("[0.0, -25.0, 5.5]", "[0.0, 20.0, 5.5]", 'shell.datum is "pips" and they lie in one line, must make a triangle'),
    # decals
    ('"badge.png"', '"shell.toml"', "small/shell.toml is neither a PNG nor an SVG (syntax error: line 1, column 0)"),
    (
        "height_mm = 12.0",
        "height_mm = 13.0",
        "small/badge.png is 300 x 120 px: 30 mm wide it is 12.00 mm high, "
        "the definition says 30 x 13 mm; crop it to its size",
    ),
    (
        "normal = [0.0, 0.0, 1.0]",
        "normal = [0.0, 0.1, 1.0]",
        'decal "badge".patch.normal has length 1.00499, must be 1',
    ),
    (
        "x_axis = [1.0, 0.0, 0.0]",
        "x_axis = [0.8, 0.0, 0.6]",
        'decal "badge".patch.x_axis lies at 53.13 degrees to normal, must be square to it (90)',
    ),
    (
        "normal = [0.0, 0.0, 1.0]",
        "normal = [0.0, 0.0, -1.0]",
        'decal "badge".patch.normal points away from the cameras (z is -1), must point outwards',
    ),
    ('kind = "flat"', 'kind = "cylinder"', 'decal "badge".patch.radius_mm is missing, must be given for a cylinder'),
    (
        'kind = "flat"',
        'kind = "flat", radius_tolerance_mm = 1.0',
        'decal "badge".patch.radius_tolerance_mm is 1, must be left out for a flat patch',
    ),
    (
        'kind = "flat"',
        'kind = "cylinder", radius_mm = 100.0, radius_tolerance_mm = 50.0',
        'decal "badge".patch.radius_tolerance_mm is 50, must be below half of it: 50',
    ),
    (
        'artwork = "badge.png"',
        'artwork = "badge.png"\ngap_lower_mm = 5.0\ngap_upper_mm = 4.0',
        'decal "badge".gap_lower_mm is 5, must be below gap_upper_mm 4',
    ),
    (
        'kind = "flat"',
        'kind = "flat", radius_mm = 5.0',
        'decal "badge".patch.radius_mm is 5, must be left out for a flat patch',
    ),
    (
        'kind = "flat"',
        'kind = "cylinder", radius_mm = 3.0',
        'decal "badge".height_mm is 12, must be below half way around: 9.4',
    ),
    (
        "[0.0, 10.0, 0.0]",
        "[0.0, 1000.0, 0.0]",
        'decal "badge".patch.origin_mm is [0.0, 1000.0, 0.0], must lie on the shell',
    ),
    # files
    (
        '"badge.png"',
        '"badge.gif"',
        'decal "badge".artwork is "badge.gif", must be a file that is there; there are badge.png, outline.dxf',
    ),
    (
        '"badge.png"',
        '"../small/badge.png"',
        'decal "badge".artwork is "../small/badge.png", must be a file inside the shell\'s folder',
    ),
    (
        '"badge.png"',
        '"/etc/hostname"',
        'decal "badge".artwork is "/etc/hostname", must be a file inside the shell\'s folder',
    ),
    ('"badge.png"', '"a\\u0000b"', 'decal "badge".artwork is "a\x00b" and cannot be read: ValueError'),
    (
        'curve = "lock"',
        'curve = "lok"',
        "small/outline.dxf: layer lok is not there or empty; "
        "layers with something on them: lock, lock_face, rim, rim_face, slot",
    ),
    ('face = "lock_face"', 'face = "lock"', 'cutout "lock".face "lock" runs'),
    ('face = "rim_face"', 'face = "lock"', 'rim.face "lock" runs'),
    ('curve = "rim"\n', "", "rim.curve is missing, must name a layer of the DXF"),
    ('file = "outline.dxf"', 'file = "outline.csv"', 'rim.curve is "rim", must be left out: a CSV holds one curve'),
]


@pytest.mark.parametrize(("old", "new", "sentence"), ONE_CHANGE, ids=[case[2][:60] for case in ONE_CHANGE])
def test_each_mistake_has_its_sentence(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    found = problems(write_shell(tmp_path, changed(old, new)))
    assert any(one.removeprefix("small/shell.toml: ").startswith(sentence) for one in found), found


def test_all_mistakes_are_told_at_once_across_files(tmp_path: Path) -> None:
    layers = curves()
    layers["slot"][7] = np.nan
    toml = (
        changed("lower_mm = -0.5", "lower_mm = 0.9")
        .replace('"badge.png"', '"gone.png"')
        .replace("sheet_mm = 3.0", "sheet_mm = 0")
    )
    found = "\n".join(problems(write_shell(tmp_path, toml, layers)))
    assert 'zone "right".lower_mm is 0.9' in found
    assert "shell.sheet_mm is 0, must be above 0" in found
    assert '"gone.png", must be a file that is there' in found
    assert "layer slot: point 8 is (nan, nan, nan), must be three finite numbers of mm" in found
    assert len(found.splitlines()) == 4


def test_a_drawing_in_inches_is_named_and_nothing_follows_from_it(tmp_path: Path) -> None:
    inches = {name: points / 25.4 for name, points in curves().items()}
    assert problems(write_shell(tmp_path, layers=inches)) == [
        "small/shell.toml: the outline is 4.72 x 3.15, the definition says 120 x 80 mm: "
        "it looks like inches; export in mm"
    ]


def test_a_drawing_that_says_inches_is_refused_though_its_size_is_right(tmp_path: Path) -> None:
    """$INSUNITS: 1 inches, 4 millimetres, 6 metres (DXF reference, Autodesk)."""
    assert problems(write_shell(tmp_path, units=1)) == [
        "small/outline.dxf: $INSUNITS is 1 (inches), must be 4 (millimetres); export in mm"
    ]
    assert "6 (metres)" in problems(write_shell(tmp_path, units=6))[0]
    assert load_shell(write_shell(tmp_path, units=0)).name == "small"  # says nothing


def test_length_and_width_exchanged(tmp_path: Path) -> None:
    assert problems(write_shell(tmp_path, changed("[120.0, 80.0]", "[80.0, 120.0]"))) == [
        "small/shell.toml: the outline is 120.00 x 80.00, the definition says 80 x 120 mm: "
        "length and width are exchanged"
    ]


def test_a_cut_out_outside_the_rim(tmp_path: Path) -> None:
    layers = {**curves(), "slot": lifted(slot(-58, -10, 20, 6, 30))}
    found = problems(write_shell(tmp_path, changed("[-30.0, -10.0]", "[-58.0, -10.0]"), layers))
    assert found == ['small/shell.toml: cutout "slot".curve "slot" lies outside the rim or cuts it, must lie inside']


def test_cut_outs_that_overlap(tmp_path: Path) -> None:
    layers = {**curves(), "slot": lifted(slot(25, -10, 20, 6, 30))}
    found = problems(write_shell(tmp_path, changed("[-30.0, -10.0]", "[25.0, -10.0]"), layers))
    assert found == ['small/shell.toml: cutouts "lock" and "slot" overlap, must not']


def test_a_hole_must_be_round(tmp_path: Path) -> None:
    oval = circle(0, 0, 8) * [1.0, 1.05] + [30, -10]
    found = problems(write_shell(tmp_path, layers={**curves(), "lock": lifted(oval)}))
    assert found == [
        'small/shell.toml: cutout "lock".curve "lock" is up to 0.20 mm off a circle, must be round for a hole'
    ]


def test_a_zone_as_the_drawing_writes_it(tmp_path: Path) -> None:
    """SOURCE: ISO 1660:2017, UZ: the zone's middle lies uz off the outline, + out of the material."""
    limits = "lower_mm = -0.5\nupper_mm = 0.5"
    shell = load_shell(write_shell(tmp_path, changed(limits, "profile_mm = 1.0\nuz_mm = 0.1")))
    one = shell.zones[0].limits
    assert (one.lower, one.upper, one.width, one.middle) == pytest.approx((-0.4, 0.6, 1.0, 0.1))
    equal = load_shell(write_shell(tmp_path, changed(limits, "profile_mm = 0.8"))).zones[0].limits
    assert (equal.lower, equal.upper, equal.middle) == pytest.approx((-0.4, 0.4, 0.0))


def test_form_alone_judges_where_the_drawing_says_so(tmp_path: Path) -> None:
    wanted = '[best_fit]\nfreedoms = ["x", "y"]\nby = "minimum_zone"\ndrawing = "note 4"\n\n[path]'
    toml = changed("[path]", wanted).replace('frame = "fixture"', 'frame = "best_fit"')
    shell = load_shell(write_shell(tmp_path, toml))
    assert shell.best_fit == BestFit(frozenset({Freedom.X, Freedom.Y}), FitBy.MINIMUM_ZONE, "note 4")
    assert not shell.best_fit.is_free
    assert shell.zones[1].frame is Frame.BEST_FIT
    line = next(line for line in summary(shell) if line.startswith("best fit"))
    assert line == "best fit (form only): minimum zone, free in x, y; judges where the drawing says so (note 4)"
    plain = load_shell(write_shell(tmp_path))
    assert plain.best_fit == BestFit()
    assert "best fit (form only): least squares, free in x, y, turn; shown, judges nothing" in summary(plain)


def test_a_slot_must_point_at_the_hole(tmp_path: Path) -> None:
    """It holds the turn by its width; square to the line from the hole it would hold nothing."""
    toml = changed('datum = "pips"', 'datum = "hole_and_slot"')
    assert load_shell(write_shell(tmp_path, toml)).datum is DatumScheme.HOLE_AND_SLOT
    toml = toml.replace("angle_deg = 30.0", "angle_deg = 90.0")
    layers = {**curves(), "slot": lifted(slot(-30, -10, 20, 6, 90))}
    assert problems(write_shell(tmp_path, toml, layers)) == [
        'small/shell.toml: cutout "slot".angle_deg is 90, 90 degrees off the line to the hole: must be within 70, a '
        "slot holds the direction by its width"
    ]


def test_pips_need_three_and_hole_and_slot_two(tmp_path: Path) -> None:
    head, *pips = TOML.split("[[pip]]")
    rest = pips[-1][pips[-1].index("[[cutout]]") :]
    two = head + "[[pip]]" + pips[0] + "[[pip]]" + pips[1] + rest
    assert problems(write_shell(tmp_path, two)) == [
        'small/shell.toml: shell.datum is "pips" with 2 [[pip]], must have at least 3'
    ]
    none = TOML[: TOML.index("[[cutout]]")] + TOML[TOML.index("[[decal]]") :]
    hole_and_slot = none.replace('"pips"', '"hole_and_slot"')
    assert problems(write_shell(tmp_path, hole_and_slot)) == [
        'small/shell.toml: shell.datum is "hole_and_slot" with 0 [[cutout]], must have 2: origin, direction'
    ]


def test_decals_to_check_must_be_there(tmp_path: Path) -> None:
    found = problems(write_shell(tmp_path, TOML[: TOML.index("[[decal]]")]))
    assert found == ['small/shell.toml: shell.checks holds "decal", so there must be a [[decal]]']


def test_toml_that_is_none(tmp_path: Path) -> None:
    assert problems(write_shell(tmp_path, "format = = 1"))[0].startswith(
        "small/shell.toml is not TOML: Invalid value (at line 1"
    )
    (tmp_path / "small" / "shell.toml").write_bytes(b"\xff\xfe")
    assert problems(tmp_path / "small") == ["small/shell.toml is not UTF-8 text: byte 1 does not fit; save it as UTF-8"]
    (tmp_path / "small" / "shell.toml").write_text("a = " + "[" * 100_000)
    assert problems(tmp_path / "small") == ["small/shell.toml is not TOML: its brackets are nested too deeply"]
    (tmp_path / "small" / "shell.toml").write_text("#" * 1_000_001)
    assert problems(tmp_path / "small") == ["small/shell.toml has 1000001 bytes, must have at most 1000000"]
    (tmp_path / "small" / "shell.toml").unlink()
    assert problems(tmp_path / "small") == ["small/shell.toml cannot be read: No such file or directory"]


def test_a_huge_file_is_not_read(tmp_path: Path) -> None:
    home = write_shell(tmp_path)
    with (home / "badge.png").open("wb") as file:
        file.truncate(30_000_000)
    assert problems(home) == [
        'small/shell.toml: decal "badge".artwork is "badge.png" with 30 MB, must have at most 20 MB'
    ]


def test_a_link_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    home = write_shell(tmp_path)
    (tmp_path / "secret.png").write_bytes((home / "badge.png").read_bytes())
    (home / "badge.png").unlink()
    (home / "badge.png").symlink_to(tmp_path / "secret.png")
    assert problems(home) == [
        'small/shell.toml: decal "badge".artwork is "badge.png", must be a file inside the shell\'s folder'
    ]


def test_zones_are_joined_without_a_rounding_gap(tmp_path: Path) -> None:
    """Ends written to a tenth of a mm: every place of the rim still lies in exactly one zone."""
    toml = changed("from_mm = 300.0\nto_mm = 180.0", "from_mm = 0.0\nto_mm = 179.95")
    toml = toml.replace("from_mm = 180.0\nto_mm = 300.0", "from_mm = 180.0\nto_mm = 370.7")
    shell = load_shell(write_shell(tmp_path, toml))
    arc = np.linspace(0, shell.rim.length_mm, 20_001)[:-1]
    held = sum(zone.holds(arc).astype(int) for zone in shell.zones)
    assert (held == 1).all()


def test_one_zone_for_the_whole_rim(tmp_path: Path) -> None:
    start, end = TOML.index('[[zone]]\nname = "left"'), TOML.index("[[pip]]")
    toml = (TOML[:start] + TOML[end:]).replace("from_mm = 300.0\nto_mm = 180.0", "from_mm = 0.0\nto_mm = 370.77")
    shell = load_shell(write_shell(tmp_path, toml))
    assert shell.zones[0].holds(np.array([0.0, 200.0, shell.rim.length_mm - 1e-9])).all()


def test_axes_written_with_a_few_digits_are_made_exact(tmp_path: Path) -> None:
    toml = changed('kind = "flat"', 'kind = "cylinder", radius_mm = 300.0').replace(
        "normal = [0.0, 0.0, 1.0]", "normal = [0.0, -0.083, 0.9965]"
    )
    patch = load_shell(write_shell(tmp_path, toml)).decals[0].patch
    assert np.linalg.norm(patch.normal) == pytest.approx(1.0, abs=1e-12)
    assert patch.x_axis @ patch.normal == pytest.approx(0.0, abs=1e-12)


def test_curves_from_csv_are_the_same_as_from_dxf(tmp_path: Path) -> None:
    drawn = load_shell(write_shell(tmp_path))
    toml = changed('file = "outline.dxf"\ncurve = "rim"\nface = "rim_face"', 'file = "rim.csv"\nface = "rim_face.csv"')
    for name in ("lock", "slot"):
        toml = toml.replace(f'curve = "{name}"', f'curve = "{name}.csv"')
    toml = toml.replace('face = "lock_face"', 'face = "lock_face.csv"')
    home = write_shell(tmp_path, toml)
    for name, points in curves().items():
        np.savetxt(home / f"{name}.csv", points, delimiter=",", header="x,y,z", comments="", fmt="%.12g")
    written = load_shell(home)
    assert np.abs(written.rim.points_mm - drawn.rim.points_mm).max() < 1e-9
    assert np.abs(written.cutouts[0].curve.face_slope - drawn.cutouts[0].curve.face_slope).max() < 1e-9
    found = problems(write_shell(tmp_path, toml.replace('curve = "slot.csv"', 'curve = "slot"')))
    assert found == ['small/shell.toml: cutout "slot".curve is "slot", must be a .csv file because rim.file is one']


def test_the_drawing_that_is_hashed_is_the_one_that_is_drawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that is exported anew while it is read: bytes and curves of one moment, whichever it is."""
    home = write_shell(tmp_path)
    before = load_shell(home)
    read_bytes = Path.read_bytes

    def and_exported_anew(path: Path) -> bytes:
        content = read_bytes(path)
        if path.name == "outline.dxf":
            document = ezdxf.readfile(path)
            for entity in document.modelspace():
                entity.scale(0.99, 0.99, 1.0)
            document.saveas(path)
        return content

    monkeypatch.setattr(Path, "read_bytes", and_exported_anew)
    meanwhile = load_shell(home)
    assert meanwhile.sha256 == before.sha256
    assert (meanwhile.rim.points_mm == before.rim.points_mm).all()


@pytest.mark.parametrize(("version", "binary"), [("R12", False), ("R2000", True), ("R2018", False), ("R2018", True)])
def test_old_new_and_binary_drawings_are_read(version: str, binary: bool, tmp_path: Path) -> None:
    home = write_shell(tmp_path)
    before = load_shell(home)
    document = ezdxf.readfile(home / "outline.dxf")
    document.dxfversion = version
    document.saveas(home / "outline.dxf", fmt="bin" if binary else "asc")
    assert load_shell(home).rim.points_mm == pytest.approx(before.rim.points_mm, abs=1e-9)


def test_damaged_drawings_are_one_sentence(tmp_path: Path) -> None:
    home = write_shell(tmp_path)
    raw = (home / "outline.dxf").read_bytes()
    for damaged in (b"", b"nothing", raw[: len(raw) // 2], bytes(reversed(raw))):
        (home / "outline.dxf").write_bytes(damaged)
        found = problems(home)
        assert all(sentence.startswith(("small/outline.dxf", "small/shell.toml")) for sentence in found), found


def test_the_demo_lid_loads() -> None:
    folder = Path(__file__).parents[2] / "models" / "toplid"
    shell = load_shell(folder)
    assert np.ptp(shell.rim.points_mm, axis=0)[:2] == pytest.approx([400.0, 300.0], abs=0.01)
    assert np.ptp(shell.rim.points_mm[:, 2]) > 30.0
    assert len(shell.cutouts) == 3
    assert len(shell.pips) == 3


def test_an_empty_layer_and_a_mesh_are_named(tmp_path: Path) -> None:
    home = write_shell(tmp_path)
    write_dxf(home / "outline.dxf", {})
    assert "layer rim is not there or empty; layers with something on them: none" in problems(home)[0]
