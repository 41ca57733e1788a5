"""A small station: cameras of 120 x 100 px, five marks. Its pictures are noise: nothing here needs to be measurable."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from edgeinspect.station.config import Station, load_station

STATION = """
format = 1
[station]
name = "trim-1"
title = "Trimming cell 1"
temperature_range_c = [18.0, 28.0]
{cameras}
[fixture]
dictionary = "DICT_4X4_50"
grey_patch = {{ centre_mm = [110.0, 168.0], size_mm = [24.0, 12.0] }}
{marks}
[[seating]]
shell = "toplid"
translation_mm = [0.0, 0.0, 60.0]
limit_mm = 5.0
limit_deg = 2.0
u_height_mm = 0.2
[board]
kind = "charuco"
squares_x = 13
squares_y = 9
square_mm = 30.0
marker_mm = 22.0
dictionary = "DICT_5X5_250"
board_z_mm = 3.0
[intake]
set_timeout_s = 10.0
picture_limit_mb = 1.0
"""


CAMERA = '[[camera]]\nname = "{name}"\nwidth_px = 120\nheight_px = 100\nbits = 8'
MARK = "[[mark]]\nid = {k}\ncentre_mm = [{x}, {y}]\nside_mm = 25.0"


def station_text(cameras: tuple[str, ...]) -> str:
    places = ((-215, 160), (215, 160), (215, -160), (-215, -160), (0, 170))
    return STATION.format(
        cameras="\n".join(CAMERA.format(name=name) for name in cameras),
        marks="\n".join(MARK.format(k=k, x=x, y=y) for k, (x, y) in enumerate(places)),
    )


@pytest.fixture
def station_file(tmp_path: Path) -> Path:
    path = tmp_path / "station.toml"
    path.write_text(station_text(("top",)))
    return path


@pytest.fixture
def station(station_file: Path) -> Station:
    return load_station(station_file)


@pytest.fixture
def two_cameras(tmp_path: Path) -> Station:
    path = tmp_path / "two.toml"
    path.write_text(station_text(("top", "rear")))
    return load_station(path)


@pytest.fixture
def a_lid_and_a_hatch(tmp_path: Path) -> Station:
    """Two cameras: both look at the lid, only the one above at the small hatch."""
    path = tmp_path / "shells.toml"
    text = station_text(("top", "rear"))
    seating = text[text.index("[[seating]]") : text.index("[board]")]
    hatch = seating.replace("toplid", "hatch").replace("limit_deg", 'cameras = ["top"]\nlimit_deg')
    path.write_text(text.replace(seating, seating + hatch))
    return load_station(path)


@pytest.fixture
def picture_of() -> Callable[[int], bytes]:
    """A PNG of noise; the same number gives the same picture."""

    def make(number: int) -> bytes:
        levels = np.random.default_rng(number).integers(0, 256, (100, 120), dtype=np.uint8)
        done, content = cv2.imencode(".png", levels)
        assert done
        return content.tobytes()

    return make
