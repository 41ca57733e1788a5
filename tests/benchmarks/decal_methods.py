"""This project's fit of a decal beside what general libraries do, on the same pictures: ``python -m
tests.benchmarks.decal_methods FILE [COUNT]``, resumable, a line a picture; prints its table.

Drawn by an independent hand (tests/measure/decal_pictures.py) at 0.065 mm a pixel. The libraries get a fair start: the
picture laid out flat along the true surface by the true camera, the artwork blurred like the lens on the sheet's own
level, the place known to the decal's limits, ECC (enhanced correlation coefficient) from coarse to fine. Times are
processor's time over one ``cv2.GaussianBlur(5x5, sigmaX=0)`` of the same picture in the same run; laying it out is not
counted for the libraries, and everything is for this project.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from itertools import product
from operator import itemgetter
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from skimage.registration import phase_cross_correlation

from edgeinspect.geometry import Array, Pose
from edgeinspect.measure.decal import measure_decal
from edgeinspect.shell.definition import Decal
from edgeinspect.shell.files import load_shell
from tests.benchmarks.resumed import Row, go_on, rows
from tests.measure.decal_pictures import SQUARELY, Drawn, Laid, Surface, decal_of, drawn

MODEL = Path(__file__).parents[2] / "models" / "toplid"
PER_MM = 1.0 / 0.065
SURFACES = {"flat": Surface(), "R 300": Surface(0.0, 300.0), "bent both ways": Surface(1200.0, 300.0)}
CONDITIONS: dict[str, dict[str, Any]] = {
    "plain": {},
    "dim": {"exposure": 0.25},
    "gradient of 25 %": {"slope": 0.25},
    "dark shell": {"sheet": 0.05},
    "as bright as its ground": {"sheet": 0.025},
}
BESIDE_MM = 4.0
OURS = "this project"


def laid_so(condition: str, surface: str, seed: int, badge: Decal) -> Laid:
    random = np.random.default_rng([77, list(CONDITIONS).index(condition), list(SURFACES).index(surface), seed])
    limit, turn = badge.offset_limit_mm, badge.rotation_limit_deg
    values = (*random.uniform(-limit, limit, 2), random.uniform(-turn, turn), *random.uniform(-0.003, 0.003, 2))
    usual: dict[str, Any] = {
        "blur_px": float(random.uniform(0.6, 1.0)),
        "sheet": float(random.uniform(0.3, 0.6)),
        "exposure": float(random.uniform(0.7, 0.95)),
    }
    seed = int(random.integers(1_000_000))
    fixed: dict[str, Any] = {"per_mm": PER_MM, "seed": seed, "reach_mm": 7.0, "fine": 2, "bits": 8}
    return Laid(values, SURFACES[surface], **fixed | usual | CONDITIONS[condition])


def flat_picture(picture: Drawn, decal: Decal) -> tuple[Array, tuple[int, int]]:
    """The picture (H, W) along the surface, 8 bits, the place's middle at its own."""
    half = np.array([decal.artwork.width_mm, decal.artwork.height_mm]) / 2 + BESIDE_MM
    columns, rows = (2 * int(n) + 1 for n in half * PER_MM)
    u, v = (np.arange(columns) - columns // 2) / PER_MM, (rows // 2 - np.arange(rows)) / PER_MM
    coarse_u, coarse_v = u[::20], v[::20]  # a surface is smooth: every twentieth, and between them straight
    places = decal.patch.points(*np.meshgrid(coarse_u, coarse_v))
    pixels = picture.model.project(places.reshape(-1, 3), SQUARELY).reshape(*places.shape[:2], 2).astype(np.float32)
    step = np.arange(columns, dtype=np.float32) / 20, np.arange(rows, dtype=np.float32) / 20
    at = np.meshgrid(*step)
    full = cv2.remap(pixels, at[0], at[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101)
    shown = cv2.remap(np.asarray(picture.picture.raw), full[..., 0], full[..., 1], cv2.INTER_CUBIC)
    return np.asarray(shown), (columns, rows)


def as_printed(decal: Decal, laid: Laid, size: tuple[int, int]) -> Array:
    """The artwork (H, W), 8 bits, where it belongs."""
    art = decal.artwork
    own = art.grey.shape[1] / art.width_mm
    columns, rows = (np.arange(n) - n // 2 for n in size)
    column = (np.tile(columns, (size[1], 1)) / PER_MM * own + (art.grey.shape[1] - 1) / 2).astype(np.float32)
    row = (np.tile(rows[:, None], (1, size[0])) / PER_MM * own + (art.grey.shape[0] - 1) / 2).astype(np.float32)
    ink = cv2.remap((art.grey * art.opacity).astype(np.float32), column, row, cv2.INTER_CUBIC, borderValue=0.0)
    cover = cv2.remap(art.opacity.astype(np.float32), column, row, cv2.INTER_CUBIC, borderValue=0.0)
    level = cv2.GaussianBlur(ink + (1 - cover) * laid.sheet, (0, 0), float(np.hypot(laid.blur_px, 12.0**-0.5)))
    return np.asarray(np.clip(255 * laid.exposure * level, 0, 255).astype(np.uint8))


# -- each takes template and picture, and gives the map (2, 3) from template to picture, in pixels about the middle


def ecc(template: Array, shown: Array) -> Array:
    warp = np.eye(2, 3, dtype=np.float32)
    for finer in (8, 4, 2, 1):
        size = (template.shape[1] // finer, template.shape[0] // finer)
        small = [cv2.resize(one, size, interpolation=cv2.INTER_AREA) for one in (template, shown)]
        scaled = warp.copy()
        scaled[:, 2] /= finer
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100 if finer > 1 else 60, 1e-7)
        _, scaled = cv2.findTransformECC(small[0], small[1], scaled, cv2.MOTION_AFFINE, stop, None, 5)  # type: ignore[call-overload]
        warp = scaled.copy()
        warp[:, 2] *= finer
    return np.asarray(warp)


def phase_opencv(template: Array, shown: Array) -> Array:
    window = cv2.createHanningWindow((template.shape[1], template.shape[0]), cv2.CV_32F)
    (x, y), _ = cv2.phaseCorrelate(template.astype(np.float32), shown.astype(np.float32), window)
    return np.array([[1, 0, x], [0, 1, y]])


def phase_skimage(template: Array, shown: Array) -> Array:
    moved, _, _ = phase_cross_correlation(template.astype(np.float32), shown.astype(np.float32), upsample_factor=100)
    return np.array([[1, 0, -moved[1]], [0, 1, -moved[0]]])


def _by_points(detector: Any, norm: int) -> Callable[[Array, Array], Array]:
    def found(template: Array, shown: Array) -> Array:
        (here, about), (there, about_there) = (detector.detectAndCompute(one, None) for one in (template, shown))
        pairs = cv2.BFMatcher(norm).knnMatch(about, about_there, k=2)
        good = [pair[0] for pair in pairs if len(pair) == 2 and pair[0].distance < 0.75 * pair[1].distance]
        one = np.array([here[m.queryIdx].pt for m in good], dtype=np.float32)
        other = np.array([there[m.trainIdx].pt for m in good], dtype=np.float32)
        warp, _ = cv2.estimateAffine2D(one, other, method=cv2.RANSAC, ransacReprojThreshold=2.0)
        return np.asarray(warp)

    return found


METHODS: dict[str, Callable[[Array, Array], Array]] = {
    "ECC, OpenCV (affine)": ecc,
    "phase correlation, OpenCV": phase_opencv,
    "phase correlation, scikit-image": phase_skimage,
    "ORB, OpenCV": _by_points(cv2.ORB_create(nfeatures=3000), cv2.NORM_HAMMING),  # type: ignore[attr-defined]
    "SIFT, OpenCV": _by_points(cv2.SIFT_create(), cv2.NORM_L2),  # type: ignore[attr-defined]
}


def in_mm(warp: Array, size: tuple[int, int]) -> list[float]:
    """dx, dy [mm], rotation [deg] of the template's middle."""
    middle = np.array([size[0] // 2, size[1] // 2], dtype=float)
    moved = warp[:, :2] @ middle + warp[:, 2] - middle
    turned = float(np.rad2deg(np.arctan2(-warp[1, 0] + warp[0, 1], warp[0, 0] + warp[1, 1])))
    return [float(moved[0]) / PER_MM, -float(moved[1]) / PER_MM, turned]


def timed(work: Callable[[], Any]) -> tuple[Any, float]:
    start = time.process_time()
    return work(), time.process_time() - start


def one(condition: str, surface: str, seed: int, badge: Decal) -> dict[str, Any]:
    laid = laid_so(condition, surface, seed, badge)
    picture, decal = drawn(badge.artwork, laid), decal_of(badge, laid.surface)
    raw = np.asarray(picture.picture.raw)
    blurs = [timed(lambda: cv2.GaussianBlur(raw, (5, 5), sigmaX=0))[1] for _ in range(9)]
    blur = float(np.hypot(laid.blur_px, 12.0**-0.5))
    fit, took = timed(lambda: measure_decal(picture.picture, decal, Pose.identity(), picture.model, SQUARELY, blur))
    told = {OURS: ([fit.dx_mm, fit.dy_mm, fit.rotation_deg], took)}
    shown, size = flat_picture(picture, decal)
    template = as_printed(decal, laid, size)
    for name, method in METHODS.items():
        try:
            warp, took = timed(lambda method=method: method(template, shown))
            told[name] = (in_mm(warp, size), took)
        except (cv2.error, IndexError, ValueError, TypeError):
            told[name] = ([float("nan")] * 3, float("nan"))
    truth = laid.values[:3]
    off = {name: [round(a - b, 6) for a, b in zip(values, truth, strict=True)] for name, (values, _) in told.items()}
    ratio = {name: round(took / float(np.median(blurs)), 2) for name, (_, took) in told.items()}
    return {"condition": condition, "surface": surface, "seed": seed, "off": off, "blurs": ratio}


def run(file: Path, count: int) -> None:
    cv2.setNumThreads(1)
    badge = load_shell(MODEL).decals[0]
    one("plain", "flat", 10_000, badge)  # compiled and warm

    def draw(place: tuple[int, str, str]) -> Row:
        seed, condition, surface = place
        return one(condition, surface, seed, badge)

    go_on(file, itemgetter("seed", "condition", "surface"), product(range(count), CONDITIONS, SURFACES), draw)


LOST_MM = 1.0  # further off than this a method has not found it


def table(every: list[dict[str, Any]]) -> str:
    lines = [
        "| method | pictures | not found | off in x and y [mm]: median, 95 %, worst | dim | gradient of 25 % "
        "| rotation [deg]: median, worst | in blurs |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name in (OURS, *METHODS):
        off = np.array([row["off"][name] for row in every], dtype=float)
        there = np.isfinite(off).all(axis=1) & (np.abs(off[:, :2]).max(axis=1) < LOST_MM)
        if not there.any():
            lines.append(f"| {name} | {len(every)} | {len(every)} | | | | | |")
            continue
        size = np.abs(off[there])
        worst = size[:, :2].max(axis=1)
        parts = []
        for condition in ("dim", "gradient of 25 %"):
            here = np.array([row["condition"] == condition for row in every])[there]
            parts.append(f"{np.median(worst[here]):.4f}, {worst[here].max():.4f}" if here.any() else "")
        blurs = np.nanmedian([row["blurs"][name] for row in every])
        lines.append(
            f"| {name} | {len(every)} | {int((~there).sum())} | {np.median(worst):.4f}, "
            f"{np.percentile(worst, 95):.4f}, {worst.max():.4f} | {parts[0]} | {parts[1]} | "
            f"{np.median(size[:, 2]):.4f}, {size[:, 2].max():.4f} | {blurs:.0f} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    where = Path(sys.argv[1])
    run(where, int(sys.argv[2]) if len(sys.argv) > 2 else 20)
    print(table(rows(where)))
