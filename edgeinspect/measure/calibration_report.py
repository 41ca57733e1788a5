"""A calibration in words: what was used, what it reads on a known length and how far to trust it; pixels come last."""

from __future__ import annotations

import numpy as np

from edgeinspect.measure.calibration import CalibrationResult
from edgeinspect.measure.calibration_uncertainty import GoodTo
from edgeinspect.measure.calibration_views import listed
from edgeinspect.measure.camera import PARAMETERS, CameraCalibration, LengthCheck

WIDENING_WORTH_SAYING = 1.5
COARSE_MM = 0.10  # a trim line of 0.5 mm needs u of 0.05 mm at most, U (k = 2) of 0.10 mm


def report(
    result: CalibrationResult, calibration: CameraCalibration | None = None, good: GoodTo | None = None
) -> list[str]:
    """Sentences for the person who calibrates; ``calibration`` and ``good`` where the board was seen in the fixture
    too.
    """
    lines = [f"camera {result.camera}: {len(result.views)} pictures of the board used"]
    left_out = {view.name for view in result.left_out}
    usual = float(np.median([view.rms_px for view in result.views]))
    for view in result.bad_views:
        done = "left out" if view.name in left_out else "used all the same"
        lines.append(
            f"{view.name} fits {view.rms_px / usual:.1f} times worse than the others: {done}; blurred, moved or the "
            "board bent? Take it again"
        )
    if result.without_corners:
        lines.append(f"no board found in {listed(result.without_corners)}: not used")
    if calibration is not None and calibration.lengths:
        worst = max(calibration.lengths, key=lambda check: abs(check.reading_mm - check.nominal_mm))
        lines.append(
            f"checked on {len(calibration.lengths)} lengths of the board by the fixture marks alone; the worst "
            f"{length_sentence(worst)}"
        )
    if good is not None:
        lines.append(good.sentence())
        if good.worst_mm > COARSE_MM:
            lines.append(
                f"that is coarser than ±{COARSE_MM:.2f} mm, too coarse for a trim line of ±0.5 mm: add pictures with "
                "the board tipped more, and in the corners of the picture"
            )
    if result.widening > WIDENING_WORTH_SAYING:
        lines.append(
            f"the pictures disagree {result.widening:.1f} times more than their noise explains, and the uncertainty "
            "is widened by that: a board on glass or aluminium would be better than paper"
        )
    lines.append(
        f"for the metrologist: rms {result.rms_px:.3f} px, {result.sigma_px:.3f} px a coordinate, "
        f"{result.degrees_of_freedom} degrees of freedom, u widened {result.widening:.2f} times"
    )
    digits = (2, 2, 2, 2, 5, 5, 6, 6, 5)
    lines += [
        f"{name} {value:.{n}f} ± {2 * u:.{n}f} (k = 2)"
        for name, value, u, n in zip(PARAMETERS, result.model.parameters, result.u, digits, strict=True)
    ]
    return lines


def length_sentence(check: LengthCheck) -> str:
    return f"reads {check.reading_mm:.2f} for {check.nominal_mm:.2f} mm ({check.words})"
