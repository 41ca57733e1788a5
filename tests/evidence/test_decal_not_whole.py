"""A decal that is not whole, in the file of evidence: shown, and found again from the picture in the file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from edgeinspect.conformity import Answer
from edgeinspect.evidence.check import check
from edgeinspect.evidence.contents import gather
from edgeinspect.evidence.page import page
from edgeinspect.inspection import Expected
from edgeinspect.measure.measurement import FaultKind
from edgeinspect.station.intake import Arrived, PictureSet
from edgeinspect.station.run import get_ready, inspect_set
from edgeinspect.store.inspections import Store

from .conftest import ISSUED_AT, SAMPLES, Place

SHEET = 0.5  # of the level on the lid beside the badge


@pytest.fixture(scope="module")
def torn(place: Place, tmp_path_factory: pytest.TempPathFactory) -> tuple[Place, Path]:
    """The record of the good lid L1001, whose badge has lost a corner: painted over with the lid's own level."""
    folder = tmp_path_factory.mktemp("torn")
    with Store.open(place.data) as store:
        corners = np.array(gather(store, place.station, 1, ISSUED_AT).measurement.decals[0].outline_pixel)
    levels = np.array(Image.open(next((SAMPLES / "shells").glob("L1001_top*"))))[..., :1].reshape(1200, 1600)
    corner, along, up = corners[1], corners[0] - corners[1], corners[2] - corners[1]
    out = corner - 0.06 * (along + up) / 2
    triangle = np.array([out, out + 0.13 * along, out + 0.28 * up])
    mask = cv2.fillConvexPoly(np.zeros(levels.shape, np.uint8), np.rint(triangle).astype(np.int32), 1)
    beside = np.rint(corner - 0.04 * along - 0.04 * up).astype(int)
    levels[mask > 0] = levels[beside[1], beside[0]]
    picture = folder / "L2001_top.png"
    Image.fromarray(levels).save(picture)
    expected = Expected("toplid", "standard", 20.0)
    ready = get_ready(place.station, expected, place.data / "calibrations")
    with Store.open(folder / "data") as store:
        arrived = (Arrived("top", picture.name, picture),)
        inspect_set(PictureSet("L2001", ISSUED_AT, arrived), ready, store, lambda: ISSUED_AT)
    return place, folder / "data"


def test_it_is_shown_and_found_again(torn: tuple[Place, Path]) -> None:
    place, data = torn
    with Store.open(data) as store:
        evidence = gather(store, place.station, 1, ISSUED_AT)
    assert evidence.inspection.verdict.answer is Answer.NONCONFORMING
    (decal,) = evidence.measurement.decals
    assert decal.faults[0].kind is FaultKind.TORN
    shown = page(evidence)
    assert "Where it is not whole" in shown
    assert 'class="fault"' in shown
    assert f"{decal.faults[0].area_mm2:.1f}" in shown
    checked = check(evidence)
    assert checked.intact, checked.sentence()
    assert {f"decal {decal.name}: faults", f"decal {decal.name}: fault 1, torn, area"} <= {
        one.name for one in checked.compared
    }
    other = replace(decal, faults=(replace(decal.faults[0], area_mm2=2.0),))
    forged = replace(evidence.measurement, decals=(other,))
    inspection = replace(evidence.inspection, measurement=forged)
    assert not check(replace(evidence, inspection=inspection)).intact
