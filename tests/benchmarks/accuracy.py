"""How exact the sample pictures are measured, beside general libraries: ``python -m tests.benchmarks.accuracy``.

Our edge and theirs on the same raw pictures against the true show-face arris [px], where the cut face is hidden; then
every quantity that is judged against its truth [mm, deg], from the calibration pictures on.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from skimage.measure import find_contours

from edgeinspect.measure.picture import RawLevels
from edgeinspect.shell.definition import Frame
from tests.samples import looks
from tests.samples.errors import all_quantity_errors, zone_errors

Array = NDArray[np.float64]
NEAR_PX = 1.5  # a point further from the arris is another edge


def _half_level(picture: RawLevels) -> float:
    """Between the plate and the sheet, by Otsu's threshold: the libraries' usual choice."""
    return float(cv2.threshold(picture, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[0])


def by_threshold(picture: RawLevels) -> Array:
    _, mask = cv2.threshold(picture, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    return np.vstack([contour.reshape(-1, 2) for contour in contours if len(contour) > 500]).astype(np.float64)


def by_canny(picture: RawLevels) -> Array:
    half = _half_level(picture)
    rows, columns = np.nonzero(cv2.Canny(picture, half, 2 * half))
    return np.column_stack([columns, rows]).astype(np.float64)


def by_level_lines(picture: RawLevels) -> Array:
    lines = find_contours(picture.astype(np.float64), _half_level(picture))
    return np.vstack([line[:, ::-1] for line in lines if len(line) > 500])


def ours(shell_id: str) -> Array:
    trace = looks.look(shell_id).measurement.traces[0]
    return np.asarray(trace.pixel[trace.flags == 0], dtype=np.float64)


def error_px(found: Array, shell_id: str) -> Array:
    """Signed distance of found points (N, 2) from the true arris along its normal, + outwards; those near it only."""
    arris = looks.truth().pixel(shell_id)
    run = np.roll(arris, -1, axis=0) - np.roll(arris, 1, axis=0)
    outward = np.column_stack([-run[:, 1], run[:, 0]]) / np.linalg.norm(run, axis=1, keepdims=True)
    outward *= np.sign(((arris - arris.mean(axis=0)) * outward).sum())
    away, nearest = cKDTree(arris).query(found)
    near = (away < NEAR_PX) & looks.truth().face_hidden(shell_id)[nearest]
    return np.asarray(((found[near] - arris[nearest[near]]) * outward[nearest[near]]).sum(axis=1))


def edges_table() -> str:
    lines = ["| method | points a shell | bias [px] | sd of a point [px] |", "|---|---|---|---|"]
    methods = (
        ("this project: one scan line", ours),
        ("threshold + cv2.findContours", lambda shell_id: by_threshold(looks.picture(shell_id))),
        ("cv2.Canny", lambda shell_id: by_canny(looks.picture(shell_id))),
        ("skimage find_contours at half level", lambda shell_id: by_level_lines(looks.picture(shell_id))),
    )
    for name, method in methods:
        errors = [error_px(method(shell_id), shell_id) for shell_id in looks.MEASURED]
        every = np.concatenate(errors)
        count = len(every) / len(errors)
        lines.append(f"| {name} | {count:.0f} | {every.mean():+.3f} | {every.std():.3f} |")
    return "\n".join(lines)


def quantities_table() -> str:
    lines = [
        "| quantity | n | mean error | rms error | worst | rms of error/u | within U (k = 2) |",
        "|---|---|---|---|---|---|---|",
    ]
    every = all_quantity_errors()
    for kind in ("zone", "path", "hole", "slot", "decal"):
        for unit in ("mm", "deg"):
            errors = [e for e in every if e.kind == kind and e.unit == unit]
            if not errors:
                continue
            values, in_u = np.array([e.error for e in errors]), np.array([e.in_u for e in errors])
            inside = 100 * np.mean(np.abs(in_u) < 2)
            rms, worst = np.sqrt((values**2).mean()), np.abs(values).max()
            shares = f"{np.sqrt((in_u**2).mean()):.2f} | {inside:.1f} %"
            lines.append(
                f"| {kind} [{unit}] | {len(errors)} | {values.mean():+.4f} | {rms:.4f} | {worst:.4f} | {shares} |"
            )
    return "\n".join(lines)


def zones_table() -> str:
    lines = ["| frame | zones | worst bias of a zone [mm] | worst sd of a zone [mm] |", "|---|---|---|---|"]
    for frame in (Frame.FIXTURE, Frame.DATUM):
        zones = [zone for shell_id in looks.MEASURED for zone in zone_errors(shell_id, frame)]
        bias, spread = max(abs(z.bias_mm) for z in zones), max(z.sd_mm for z in zones)
        lines.append(f"| {frame.value} | {len(zones)} | {bias:.4f} | {spread:.4f} |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(edges_table(), zones_table(), quantities_table(), sep="\n\n")
