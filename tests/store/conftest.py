"""A small inspection with something in every field of the record, made by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from edgeinspect.conformity import Answer, Finding, Verdict
from edgeinspect.geometry import PlaneShift, Pose
from edgeinspect.inspection import Expected, Inspection, PictureFile
from edgeinspect.measure.measurement import (
    Alignment,
    CameraView,
    CutOutResult,
    DecalResult,
    DeviationProfile,
    EdgeTrace,
    Flag,
    Quantity,
    Ribbon,
    Share,
    ShellMeasurement,
    Stop,
    ZoneResult,
)
from edgeinspect.shell.definition import Check, Frame

MakeInspection = Callable[..., Inspection]


def small_measurement(stations: int = 40, samples: int = 9) -> ShellMeasurement:
    rng = np.random.default_rng(stations)
    arc = np.arange(stations) * 0.5
    u = rng.random(stations)
    u[3] = np.nan
    flags = np.zeros(stations, np.int32)
    flags[3] = Flag.NO_EDGE | Flag.SATURATED
    trace = EdgeTrace(
        "rim",
        "top",
        arc,
        rng.normal(size=(stations, 2)),
        rng.normal(size=(stations, 3)),
        u,
        rng.random(stations),
        rng.normal(size=(stations, 2)),
        rng.normal(size=(stations, 2)),
        flags,
    )
    levels = rng.random((stations, samples)).astype(np.float32)
    levels[0, 0] = np.nan
    quantity = Quantity(-0.1234567890123456, 0.02, (Share("picture noise", 1e-3), Share("calibration", 0.019)))
    return ShellMeasurement(
        shell="toplid",
        revision="A",
        definition_sha256="ab" * 32,
        variant="standard",
        checks=frozenset({Check.TRIM, Check.DECAL}),
        temperature_c=23.4,
        temperature_stated=True,
        u_temperature_c=0.5,
        views=(
            CameraView(
                "top",
                "top-1",
                Pose.from_degrees((1, 2, 3), (4, 5, 900)),
                0.07,
                8,
                8,
                0.1,
                0.98,
                0.8,
                (("mark 0 to mark 2", 535.98, float("nan")),),
            ),
        ),
        stops=(Stop("decal", "the decal is “wet”", "wait", Check.DECAL), Stop("edge", "no", "look again")),
        traces=(trace,),
        ribbons=(Ribbon("rim", "top", arc, np.linspace(-3, 3, samples), levels, np.zeros(len(arc))),),
        cut=Alignment("cut - fixture", PlaneShift(0.1, -0.2, 0.03), 0.01, 0.01, 0.002, 0.02),
        profiles=tuple(DeviationProfile(frame, arc, rng.normal(size=stations), u) for frame in Frame),
        zones=(ZoneResult("right-end", Frame.DATUM, quantity, 12.5, quantity, 40.0, 180.0, 179.5),),
        path_shift=quantity,
        cutouts=(CutOutResult("lock-hole", True, quantity, quantity, (quantity,), 1.0), CutOutResult("slot", None)),
        decals=(DecalResult("badge", True, quantity, quantity, quantity, 0.97, np.ones((4, 2)), None),),
        notes=("camera top has moved 0.08 mm: compensated",),
    )


@pytest.fixture
def make_inspection() -> MakeInspection:
    def make(
        shell_id: str = "L1001",
        answer: Answer = Answer.NONCONFORMING,
        finished_at: str = "2024-11-25T10:00:02.000000Z",
        **more: object,
    ) -> Inspection:
        finding = Finding(
            "zone right-end", "right end", answer, "mm", -0.61, 0.02, -0.5, 0.5, 0.033, "datum",
            "right end: 0.61 mm cut too deep, limit 0.50 mm", "set aside", 12.5, (200.0, 3.0),
        )  # fmt: skip
        picture = PictureFile("top", f"{shell_id}_top.png", "cd" * 32, "ef" * 32, "2024-11-25T10:00:00.000000Z")
        inspection = Inspection(
            shell_id=shell_id,
            attempt=1,
            station="trim-1",
            started_at="2024-11-25T10:00:00.000000Z",
            finished_at=finished_at,
            expected=Expected("toplid", "standard", 23.4),
            pictures=(picture,),
            measurement=small_measurement(),
            verdict=Verdict(answer, finding.sentence, finding.action, (finding,), "ISO 14253-1", "ab" * 32),
            software="0.1.0",
        )
        return replace(inspection, **more)  # type: ignore[arg-type]

    return make
