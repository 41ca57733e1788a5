"""``check-artwork``: sizes from the file, problems and warnings in words, exit codes."""

from __future__ import annotations

import shutil
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from .test_cli import DEFINITION, run, run_json

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 40 20">'
    '<rect width="40" height="20" fill="#222"/><path d="{path}" fill="#eee"/></svg>'
)
KEY = "M4 4H30V8H10V16H4Z"


def svg(folder: Path, path: str = KEY, width: str = "40mm", height: str = "20mm") -> Path:
    file = folder / "badge.svg"
    file.write_text(SVG.format(width=width, height=height, path=path))
    return file


def test_a_file_states_its_own_size(tmp_path: Path) -> None:
    code, document = run_json("check-artwork", svg(tmp_path))
    assert code == 0 and document["problems"] == document["warnings"] == []
    assert 0 < document["decals"]["badge.svg"]["u_dx_mm"] < 0.01
    code, inches = run_json("check-artwork", svg(tmp_path, width="4cm", height="0.7874in"))
    assert code == 0
    assert inches["decals"]["badge.svg"]["u_dx_mm"] == pytest.approx(
        document["decals"]["badge.svg"]["u_dx_mm"], rel=1e-2
    )


def test_pixels_per_metre_of_a_png(tmp_path: Path) -> None:
    """pHYs: 10 px/mm are 10,000 a metre (PNG specification, 11.3.4.3)."""
    picture = np.full((200, 400), 40, np.uint8)
    picture[40:80, 40:300] = 230
    picture[80:160, 40:100] = 230
    raw = cv2.imencode(".png", picture)[1].tobytes()
    chunk = b"pHYs" + (10_000).to_bytes(4, "big") * 2 + b"\x01"
    block = (9).to_bytes(4, "big") + chunk + zlib.crc32(chunk).to_bytes(4, "big")
    file = tmp_path / "badge.png"
    file.write_bytes(raw[:33] + block + raw[33:])
    assert run_json("check-artwork", file)[0] == 0
    file.write_bytes(raw)
    code, _, err = run("check-artwork", file)
    assert code == 2 and "states no size in mm: give --width-mm and --height-mm" in err
    assert run("check-artwork", file, "--width-mm", "40", "--height-mm", "20")[0] == 0


@pytest.mark.parametrize("typed", ["nan", "-5", "0", "inf", "10001"])
@pytest.mark.parametrize("side", ["width", "height"])
def test_a_size_that_no_print_has_is_one_sentence(side: str, typed: str, tmp_path: Path) -> None:
    code, out, err = run("check-artwork", svg(tmp_path), f"--{side}-mm={typed}")
    got = f"--{side}-mm is {float(typed):g}, must be 0.001 to 10000 mm: give --{side}-mm as the print shall be\n"
    assert (code, out, err) == (2, "", got)
    code, out, err = run("check-artwork", svg(tmp_path, width="1e6mm"))
    assert (code, out) == (2, "") and err.startswith("badge.svg states a width of 1e+06, must be 0.001 to 10000 mm:")


@pytest.mark.parametrize("raw", [b"", b"name,x_mm\n1,2\n", b"\xff\xd8\xff\xe0" + bytes(60), b"<html></html>"])
def test_a_file_that_is_no_picture_is_said_to_be_none(raw: bytes, tmp_path: Path) -> None:
    file = tmp_path / "badge.svg"
    file.write_bytes(raw)
    code, out, err = run("check-artwork", file)
    assert (code, out) == (2, "") and ("is neither a PNG nor an SVG" in err or "is XML but not an SVG" in err)
    file.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(8))  # it ends too early
    assert run("check-artwork", file) == (2, "", "badge.svg is a damaged PNG; save it again\n")


def test_a_size_that_is_not_the_files_own_is_warned_of(tmp_path: Path) -> None:
    code, out, _ = run("check-artwork", svg(tmp_path), "--width-mm", "44", "--height-mm", "22")
    assert code == 3 and "badge.svg states 40.0 x 20.0 mm, not 44.0 x 22.0 mm" in out


def test_what_looks_the_same_and_what_says_nothing(tmp_path: Path) -> None:
    code, out, _ = run("check-artwork", svg(tmp_path, "M16 6H24V14H16Z"))  # a square in a rectangle: two ways
    assert code == 3 and "turned by 180° it looks the same" in out
    code, document = run_json("check-artwork", svg(tmp_path, "M0 9H40V11H0Z"), "--sheet", "0.0159")  # #222 is 0.0159
    assert document["decals"]["badge.svg"]["u_dy_mm"] < 0.01
    disc = "M30 10A10 10 0 1 1 10 10A10 10 0 1 1 30 10Z"
    code, document = run_json("check-artwork", svg(tmp_path, disc), "--sheet", "0.0159")
    assert code == 2 and "no rotation" in document["problems"][0]


def test_all_decals_of_a_shell_and_near_twins(tmp_path: Path) -> None:
    code, document = run_json("check-artwork", "--shell", DEFINITION)
    assert code == 0 and set(document["decals"]) == {"badge (standard)", "badge (cargo)"}
    folder = tmp_path / "toplid"
    shutil.copytree(DEFINITION, folder)
    shutil.copy(folder / "badge.png", folder / "badge_cargo.png")
    code, out, _ = run("check-artwork", "--shell", folder)
    assert code == 3 and "decals standard and cargo differ by 0.0 % of the contrast only" in out
    code, document = run_json("check-shell", folder, "--draw", tmp_path / "lid.svg")
    assert code == 0 and "cannot be told surely" in document["warnings"][0]
    assert "What the prints tell" in (tmp_path / "lid.svg").read_text()


def test_one_of_file_and_shell() -> None:
    for arguments in ((), ("badge.svg", "--shell", DEFINITION)):
        code, _, err = run("check-artwork", *arguments)
        assert code == 2 and "give the artwork's file or --shell, one of both" in err
    code, _, err = run("check-artwork", "--shell", DEFINITION, "--px-per-mm", "0")
    assert code == 2 and "px_per_mm is 0.0, must be above 0" in err


@pytest.mark.parametrize("sheet", ["40", "1.01", "0", "-0.4", "nan"])
def test_a_share_of_light_is_no_percentage(sheet: str) -> None:
    code, _, err = run("check-artwork", "--shell", DEFINITION, "--sheet", sheet)
    assert code == 2 and f"--sheet is {sheet}, must be a share above 0 and at most 1: give 0.4 for 40 %" in err
