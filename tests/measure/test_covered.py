"""Cut-outs and decals in a picture with the sensor's noise: well off their place, and under a cloth. Truth is the
simulator's own geometry (simulate/truth.py).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from edgeinspect.geometry import Array
from edgeinspect.measure.camera import CameraModel
from edgeinspect.measure.cutout import CutOutFit, measure_cutouts
from edgeinspect.measure.decal import DecalFit, measure_decal
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.ribbon import Stations, lay_stations
from edgeinspect.shell.definition import CutOut, ShellDefinition
from edgeinspect.simulate import bench, fast, toplid
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene
from edgeinspect.simulate.truth import cutout_truth

BLUR_PX, SHEET_MM = 0.8, 3.0
Where = list[tuple[CutOut, Stations]]
Taken = Callable[[Array, int], GreyPicture]
Covered = Callable[[Array, Array, float, float], Array]
CHANGES = {
    "lock_hole": CutOutChange(0.31, -0.22, (0.2,)),
    "hinge_slot_left": CutOutChange(-0.25, 0.30, (0.3, -0.2)),
    "hinge_slot_right": CutOutChange(0.10, -0.35, (-0.25, 0.3)),
}


@pytest.fixture(scope="module")
def where(toplid_definition: ShellDefinition) -> Where:
    seat = bench.NOMINAL_SEATING
    return [(cutout, lay_stations(cutout.curve, 0.5).placed(seat)) for cutout in toplid_definition.cutouts]


@pytest.fixture(scope="module")
def good() -> Array:
    return fast.picture(Scene(bench.top_camera(), CutShell()))


@pytest.fixture(scope="module")
def fitted(where: Where, model: CameraModel) -> Callable[..., dict[str, CutOutFit]]:
    def fit(picture: GreyPicture, at: Where = where, sheet_mm: float = SHEET_MM) -> dict[str, CutOutFit]:
        fits = measure_cutouts(picture, at, sheet_mm, model, bench.top_camera().pose, BLUR_PX)
        return {cutout.name: one for (cutout, _), one in zip(at, fits, strict=True)}

    return fit


def errors(fit: CutOutFit, truth: dict[str, list[float]], cutout: CutOut) -> Array:
    """Centre x, y and sizes [mm], read less true."""
    sizes = [2 * fit.terms[2]] if cutout.kind == "hole" else [2 * (fit.terms[2] + fit.terms[3]), 2 * fit.terms[2]]
    kinds = ("diameter_mm",) if cutout.kind == "hole" else ("length_mm", "width_mm")
    wrong = [n + s - truth[k] for n, s, k in zip(cutout.size_mm, sizes, kinds, strict=True)]
    return np.array([*(fit.terms[:2] - truth["off_mm"]), *wrong])


@pytest.fixture(scope="module")
def decal_of(toplid_definition: ShellDefinition, model: CameraModel) -> Callable[[GreyPicture], DecalFit]:
    decal, camera = toplid_definition.decals[0], bench.top_camera().pose
    return lambda picture: measure_decal(picture, decal, bench.NOMINAL_SEATING, model, camera, 0.8)


@pytest.mark.parametrize(("changes", "seed"), [({}, 1), (CHANGES, 2), (CHANGES, 3)], ids=["as drawn", "off", "off 2"])
def test_centre_and_size(
    changes: dict[str, CutOutChange], seed: int, where: Where, fitted: Callable[..., dict[str, CutOutFit]], taken: Taken
) -> None:
    """0.03 mm, also 0.4 mm off its place and 0.3 mm off its size, with half of every hole's far wall in sight."""
    scene = Scene(bench.top_camera(), CutShell(cutouts=changes))
    fits = fitted(taken(fast.picture(scene), seed))
    for cutout, _ in where:
        fit, truth = fits[cutout.name], cutout_truth(scene)[cutout.name]
        assert fit.there is True
        assert fit.wall_mm.max() > 0.4  # the far wall is seen ...
        assert 0.4 < truth["face_hidden"] < 0.6  # ... on one side of each
        assert np.abs(errors(fit, truth, cutout)).max() < 0.03
        assert fit.seen_share > 0.95


def test_with_one_step_only_it_would_be_wrong(
    good: Array, where: Where, fitted: Callable[..., dict[str, CutOutFit]], taken: Taken
) -> None:
    """The check above sees what the far wall does: told that the sheet has no thickness, holes read 0.2 mm small."""
    truth = cutout_truth(Scene(bench.top_camera(), CutShell()))
    blind = fitted(taken(good, 1), where, 0.0)
    for cutout, _ in where:
        wrong = errors(blind[cutout.name], truth[cutout.name], cutout)
        assert np.hypot(*wrong[:2]) > 0.1
        assert wrong[2] < -0.15


@pytest.mark.parametrize("brightness", [0.1, 0.3, 0.8])
def test_under_a_cloth_nothing_is_said(
    brightness: float,
    good: Array,
    where: Where,
    fitted: Callable[..., dict[str, CutOutFit]],
    taken: Taken,
    covered: Covered,
) -> None:
    """Neither there nor missing: a cloth may hide either."""
    hole = where[0][1].points_mm.mean(axis=0)
    fits = fitted(taken(covered(good, hole, 80.0, brightness), 6))
    assert fits["lock-hole"].there is None
    assert fits["hinge-slot-left"].there is True


@pytest.mark.parametrize("brightness", [0.1, 0.3, 0.8])
def test_a_partly_covered_hole_is_not_a_wrong_number(
    brightness: float,
    good: Array,
    where: Where,
    fitted: Callable[..., dict[str, CutOutFit]],
    taken: Taken,
    covered: Covered,
) -> None:
    """A cloth over a part of the hole: no number, or one within 0.05 mm; never "missing"."""
    cutout, stations = where[0]
    truth = cutout_truth(Scene(bench.top_camera(), CutShell()))["lock-hole"]
    noisy = taken(good, 7).levels.astype(np.float64)
    for way in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (-0.7, -0.7, 0.0)):
        for aside_mm in (8.0, 12.0, 16.0, 20.0):
            place = stations.points_mm.mean(axis=0) + aside_mm * np.array(way)
            raw = np.rint(covered(noisy, place, 30.0, brightness) * 65535).astype(np.uint16)
            fit = fitted(GreyPicture(raw), where[:1])["lock-hole"]
            assert fit.there is not False
            assert not fit.there or np.abs(errors(fit, truth, cutout)).max() < 0.05


@pytest.mark.parametrize(("aside_mm", "brightness"), [(0.0, 0.1), (0.0, 0.5), (25.0, 0.5), (25.0, 0.8), (45.0, 0.1)])
def test_a_partly_covered_decal_is_not_a_wrong_number(
    brightness: float,
    aside_mm: float,
    decal_of: Callable[[GreyPicture], DecalFit],
    good: Array,
    taken: Taken,
    covered: Covered,
) -> None:
    """A cloth of 40 mm over the middle, a half or an end: no number, or the right one within 0.05; never "bare"."""
    place = bench.NOMINAL_SEATING.apply(toplid.decal_frame()[0][None])[0] + np.array([aside_mm, 0.0, 0.0])
    found = decal_of(taken(covered(good, place, 70.0, brightness), 3))
    assert found.there is not False
    if found.there:
        assert np.abs([found.dx_mm, found.dy_mm, found.rotation_deg]).max() < 0.05


def test_a_wholly_covered_decal_is_never_a_number(
    decal_of: Callable[[GreyPicture], DecalFit], good: Array, taken: Taken, covered: Covered
) -> None:
    place = bench.NOMINAL_SEATING.apply(toplid.decal_frame()[0][None])[0]
    found = decal_of(taken(covered(good, place, 260.0, 0.3), 4))
    assert found.there is not True
    assert np.isnan(found.dx_mm)
