"""Flaws where a cut face comes into view and goes again: on one side of the cable notch, by a camera that stands aside.

Pictures by the fast renderer, whose camera, cut face and flaws share nothing with measuring; what is found is held to
what was drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.measurement import FlawKind, FlawResult
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Check, ShellDefinition
from edgeinspect.simulate import bench, fast
from edgeinspect.simulate.camera import TrueCamera, looking_at
from edgeinspect.simulate.flaws import Flaw
from edgeinspect.simulate.scene import CutShell, Scene
from tests.benchmarks.scaled import finer

from .test_height import exact

# Along the nominal rim: the notch's side whose cut face this camera sees, 0.29 mm wide, and its corners [mm].
SIDE, MIDDLE, CORNER = (346.0, 360.0), 353.0, 350.2
Looked = Callable[..., list[FlawResult]]


@cache
def aside(scale: float) -> TrueCamera:
    """The demo's camera hung 60 and 45 mm aside, with finer pixels."""
    return finer(replace(bench.top_camera(), pose=looking_at((60.0, -45.0, 912.0), (8.0, -6.0, 0.0), 0.0)), scale)


@pytest.fixture(scope="module")
def looked_at(toplid_definition: ShellDefinition, fixture: Fixture, seating: Seating) -> Looked:
    def look(scale: float, *flaws: Flaw) -> list[FlawResult]:
        camera = aside(scale)
        gauge = ShellGauge(toplid_definition, {"aside": exact("aside", camera)}, fixture, seating)
        scene = Scene(camera, CutShell(flaws=flaws), seed=5)
        levels = fast.render_quickly(scene).astype(np.uint16) * 257  # 8 bits as a camera of 16 sends them
        found = gauge.measure("standard", {"aside": levels}, Temperature(20.0), frozenset({Check.TRIM}))
        assert not found.stops
        return [flaw for flaw in found.flaws if SIDE[0] < flaw.arc_mm < SIDE[1] and flaw.curve == "rim"]

    return look


@pytest.mark.parametrize("scale", [1.0, 2.0])
def test_a_cut_face_that_comes_into_view_is_no_flaw(looked_at: Looked, scale: float) -> None:
    """Taken for material, it was a burr 8 mm long at 0.29 mm a pixel and two strands at 0.11."""
    assert looked_at(scale) == []


@pytest.mark.parametrize("scale", [1.0, 2.0])
@pytest.mark.parametrize("at", [MIDDLE, CORNER])
@pytest.mark.parametrize(
    ("kind", "length_mm", "depth_mm"),
    [(FlawKind.BURR, 1.5, 0.5), (FlawKind.NICK, 1.5, 0.5), (FlawKind.STRAND, 4.0, 2.0)],
)
def test_what_really_is_there_is_found(
    looked_at: Looked, kind: FlawKind, length_mm: float, depth_mm: float, at: float, scale: float
) -> None:
    """As what it is; a burr may be told as a strand, which asks for a second look: it begins beyond the cut face. Its
    own cut face shows too, 0.3 mm further out, and in a nick its far side, so that depths are not held here.
    """
    (one,) = looked_at(scale, Flaw(kind.value, at, length_mm, depth_mm))
    assert one.kind in ({kind, FlawKind.STRAND} if kind is FlawKind.BURR else {kind})
    assert abs(one.arc_mm - at) < 1.0
    assert one.depth.value > 0.4 * depth_mm
