"""How exactly an edge is placed on pictures of known steps, beside general libraries.

``python -m tests.benchmarks.edge_precision [PICTURES]``: 80 pictures a case (default) give 5,000 independent values of
the 8 mm profile and 80,000 scan lines.

As a rim is measured: scan lines 0.5 mm apart at 3.3 px/mm (for the 0.8 mm filter 0.16 mm), a ribbon, the fit, and the
profile behind the Gaussian filter of ISO 16610-21 at 0.8, 2.5 and 8 mm. Scatter is given over the Cramér-Rao bound of
the raw pixels that the fitted samples are made of, with place, levels and blur unknown (edge_steps.bound_px); u is what
the ribbon itself says, over the scatter. Bias is told by itself, at each of six sub-pixel phases.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product

import cv2
import numpy as np
from skimage.measure import find_contours

from edgeinspect.measure.deviation import gaussian_weights, noise_left
from edgeinspect.measure.edge import HALF_WINDOW_BLURS, HALF_WINDOW_PX, Edges, fit_edges
from edgeinspect.measure.picture import GreyPicture
from edgeinspect.measure.ribbon import ScanLines, pace_px, sample

from .edge_steps import Array, Sensor, Step, bound_px, round_picture, straight_picture

PX_PER_MM, STEP_MM, FINE_STEP_MM = 3.3, 0.5, 0.16
CUTOFFS_MM = (0.8, 2.5, 8.0)
BAND_MM = 3.0
LINES = 1000
ENDS = 6  # lines at the ends of a straight stretch that have no neighbour on one side
STRIP_PX = 16.0  # of the picture beside the edge is exposed: nothing else is looked at
SEEN_BLUR = np.sqrt(1 / 12 + 1 / 6)  # a pixel's square and the interpolation, on top of the optics
BLURS = (0.6, 0.8, 1.0, 1.25, 1.5)
ANGLES_DEG = (0.0, 2.0, 11.0, 22.5, 33.0, 45.0, 60.0, 79.0, 90.0)
SCENES: dict[str, tuple[Step, Sensor]] = {
    "the demo's camera": (Step(0.0, 0.10, 0.50), Sensor(10_500, 14, 8)),
    "full contrast": (Step(0.0, 0.05, 0.85), Sensor(10_500, 5, 12)),
    "a tenth of contrast": (Step(0.0, 0.35, 0.45), Sensor(30_000, 10, 12)),
    "bright inside, noisy": (Step(0.0, 0.55, 0.10), Sensor(4_000, 25, 12)),
    "shaded on both sides": (Step(0.0, 0.10, 0.50, -0.0008, 0.0012), Sensor(10_500, 14, 12)),
}
RADII_PX = (6.0, 10.0, 20.0, 60.0, 200.0)


@dataclass(frozen=True)
class Found:
    """Errors [px] of one case: ``lines`` (pictures, lines), and what was claimed."""

    lines: Array
    u_line: float  # px, of a line by itself
    alike: tuple[float, ...]
    flagged: int
    bias: Array  # (pictures,) mean error of all pictures of the same phase: told by itself, not as scatter

    def filtered(self, cutoff_mm: float, step_mm: float) -> tuple[Array, float]:
        """The filtered profile's errors and their claimed uncertainty [px]."""
        weights = gaussian_weights(cutoff_mm, step_mm)
        errors = np.array([np.convolve(row, weights, mode="valid") for row in self.lines - self.bias[:, None]])
        return errors, self.u_line * noise_left(weights, self.alike)


@dataclass(frozen=True)
class Row:
    scene: str
    blur: float
    where: float  # angle [deg], or radius [px]
    bias: float  # px
    by_bound: dict[float, float]  # scatter over bound by cut-off [mm]
    by_u: dict[float, float]  # claimed over actual by cut-off; 0: a single line


def window_px(blur: float) -> float:
    return max(HALF_WINDOW_PX, HALF_WINDOW_BLURS * float(np.hypot(blur, SEEN_BLUR)))


def read(picture: GreyPicture, lines: ScanLines, blur: float) -> Edges:
    spacing = 0.5 / PX_PER_MM
    d_mm = np.arange(-round(BAND_MM / spacing), round(BAND_MM / spacing) + 1) * spacing
    ribbon = sample(picture, lines, d_mm, pairs=True)
    start = 1.05 * float(np.hypot(blur, SEEN_BLUR))  # as good as the marks tell it
    return fit_edges(ribbon, d_mm, lines.px_per_mm, start, rounds=2, pace_px=pace_px(lines.centre))


def straight(step: Step, sensor: Sensor | None, angle_deg: float, step_mm: float, phases: Array, seed: int) -> Found:
    """One picture a phase [px]; without a sensor there is no noise and 16 bits."""
    angle, random = np.deg2rad(angle_deg), np.random.default_rng(seed)
    normal, along = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    pace, count = step_mm * PX_PER_MM, round(LINES * STEP_MM / step_mm)
    shape = (int(abs(along[1]) * count * pace + 60) | 1, int(abs(along[0]) * count * pace + 60) | 1)
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    centre = middle + (np.arange(count) - (count - 1) / 2)[:, None] * pace * along
    lines = ScanLines(centre, np.tile(normal * PX_PER_MM, (count, 1)), np.zeros((count, 2)))
    y, x = (np.arange(n) - (n - 1) / 2 for n in shape)
    strip = np.abs(normal[0] * x[None, :] + normal[1] * y[:, None]) < STRIP_PX
    errors, squares, flagged, alike = [], [], 0, ()
    clean: dict[float, Array] = {}
    for phase in phases:
        if phase not in clean:
            clean[phase] = straight_picture(shape, step, float(angle), phase)
        picture = exposed(clean[phase], sensor, random, strip)
        edges = read(picture, lines, step.blur)
        good = slice(ENDS, count - ENDS)
        flagged += int((edges.flags != 0).sum())
        errors.append(np.nan_to_num(edges.d_mm[good], nan=9.0) * PX_PER_MM - phase)
        squares.append(np.nanmean(edges.u_mm[good] ** 2))
        alike = edges.alike
    u = float(np.sqrt(np.mean(squares))) * PX_PER_MM / float(np.sqrt(1 + 2 * sum(alike)))
    every = np.array(errors)
    means = {phase: every[phases == phase].mean() for phase in phases}
    return Found(every, u, alike, flagged, np.array([means[phase] for phase in phases]))


def exposed(level: Array, sensor: Sensor | None, random: np.random.Generator, strip: Array) -> GreyPicture:
    if sensor is None:
        return GreyPicture(np.rint(level * 65535).astype(np.uint16))
    top = 2**sensor.bits - 1
    raw = np.rint(level * top).astype(np.uint8 if sensor.bits == 8 else np.uint16)
    raw[strip] = sensor.expose(level[strip], random)
    return GreyPicture(raw, sensor.bits)


def straight_row(scene: str, blur: float, angle_deg: float, pictures: int, seed: int) -> Row:
    step, sensor = SCENES[scene]
    step = replace(step, blur=blur)
    phases = np.array([-0.5, -0.3, -0.15, 0.0, 0.2, 0.4])
    clean = straight(step, None, angle_deg, STEP_MM, phases, seed)
    bias = float(np.abs(clean.lines.mean(axis=1)).max())
    bound = bound_px(step, float(np.deg2rad(angle_deg)), sensor, window_px(blur) + 1.0)
    by_bound, by_u = {}, {}
    filters = ((STEP_MM, CUTOFFS_MM[1:], pictures), (FINE_STEP_MM, CUTOFFS_MM[:1], pictures // 8))
    for step_mm, cutoffs, count in filters:
        found = straight(step, sensor, angle_deg, step_mm, np.resize(phases, max(count, 6)), seed)
        if step_mm == STEP_MM:
            by_u[0.0] = found.u_line / float((found.lines - found.bias[:, None]).std())
            bias = max(bias, abs(float(found.lines.mean())) - 3 * float(found.lines.std()) / found.lines.size**0.5)
        for cutoff in cutoffs:
            errors, u = found.filtered(cutoff, step_mm)
            white = float(np.sqrt((gaussian_weights(cutoff, step_mm) ** 2).sum() / (step_mm * PX_PER_MM)))
            by_bound[cutoff] = float(errors.std()) / (bound * white)
            by_u[cutoff] = u / float(errors.std())
    return Row(scene, blur, angle_deg, bias, by_bound, by_u)


def round_row(scene: str, blur: float, radius: float, hole: bool, pictures: int, seed: int) -> Row:
    """A disc, or a hole of the same radius: place of its edge all round, blur on a curve taken out."""
    step, sensor = SCENES[scene]
    step, random = replace(step, blur=blur), np.random.default_rng(seed)
    size = int(2 * (radius + 14))
    count = max(12, round(2 * np.pi * radius / (STEP_MM * PX_PER_MM)))
    way = 2 * np.pi * np.arange(count) / count
    outwards = np.column_stack([np.cos(way), np.sin(way)])
    directions = -outwards if hole else outwards
    bend = np.full(count, (1.0 if hole else -1.0) / radius * PX_PER_MM)
    seen = replace(step, low=step.high, high=step.low) if hole else step
    # Levels by scan line: inside of the material first. Circles are read on one common ribbon, as cut-outs are.
    errors, squares = [], []
    for _ in range(pictures):
        centre = (size - 1) / 2 + random.uniform(-0.5, 0.5, 2)
        level = round_picture(size, seen, radius, centre)
        picture = exposed(level, sensor, random, np.ones(level.shape, dtype=bool))
        lines = ScanLines(centre + radius * outwards, directions * PX_PER_MM, np.zeros((count, 2)))
        edges = read(picture, lines, blur)
        errors.append((edges.d_mm - edges.pull_mm(bend)) * PX_PER_MM)
        squares.append(np.nanmean(edges.u_mm**2))
    every = np.array(errors)
    bound = bound_px(step, 0.3, sensor, window_px(blur) + 1.0) / float(np.sqrt(STEP_MM * PX_PER_MM))
    return Row(scene, blur, radius, abs(float(every.mean())), {0.0: float(every.std()) / bound}, {})


def by_threshold(picture: Array, half: float) -> Array:
    mask = (picture > half).astype(np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    return np.vstack([contour.reshape(-1, 2) for contour in contours]).astype(np.float64)


def by_canny(picture: Array, half: float) -> Array:
    rows, columns = np.nonzero(cv2.Canny(cv2.convertScaleAbs(picture), half / 2, half))
    return np.column_stack([columns, rows]).astype(np.float64)


def by_level_line(picture: Array, half: float) -> Array:
    return np.vstack([line[:, ::-1] for line in find_contours(picture.astype(np.float64), half)])


def by_gradient(picture: Array, half: float) -> Array:
    """The steepest place of every row or column (whichever crosses the edge more squarely), by a parabola."""
    dx, dy = (cv2.Sobel(picture.astype(np.float64), cv2.CV_64F, *way, ksize=3) for way in ((1, 0), (0, 1)))
    flat = np.abs(dy).sum() > np.abs(dx).sum()
    slope = np.abs(dy.T if flat else dx)
    at = np.argmax(slope[:, 1:-1], axis=1) + 1
    row = np.arange(len(slope))
    before, peak, after = slope[row, at - 1], slope[row, at], slope[row, at + 1]
    place = at + 0.5 * (before - after) / np.minimum(before - 2 * peak + after, -1e-9)
    return np.column_stack([row, place] if flat else [place, row]).astype(np.float64)


METHODS: dict[str, Callable[[Array, float], Array]] = {
    "threshold + cv2.findContours": by_threshold,
    "cv2.Canny": by_canny,
    "skimage find_contours at half level": by_level_line,
    "gradient (Sobel) + parabola": by_gradient,
}


def others(
    scene: str, blur: float, angle_deg: float, pictures: int, seed: int
) -> Iterator[tuple[str, float, float, float]]:
    """Of each method: bias and standard deviation of a point [px], scatter of its 2.5 mm profile over the bound."""
    step, sensor = SCENES[scene]
    step, angle, random = replace(step, blur=blur), np.deg2rad(angle_deg), np.random.default_rng(seed)
    normal, along = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    shape = (int(abs(along[1]) * 300 + 60) | 1, int(abs(along[0]) * 300 + 60) | 1)
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    bound = bound_px(step, float(angle), sensor, window_px(blur) + 1.0)
    wide = 2.5 * PX_PER_MM * float(np.sqrt(np.log(2) / np.pi))
    found: dict[str, tuple[list[Array], list[Array]]] = {name: ([], []) for name in METHODS}
    for k in range(pictures):
        phase = 0.9 * k / pictures - 0.45
        level = straight_picture(shape, step, float(angle), phase)
        raw = sensor.expose(level, random).astype(np.float32) * (255 / (2**sensor.bits - 1))
        for name, method in METHODS.items():
            points = method(raw, 127.5 * (step.low + step.high)) - middle
            error, place = points @ normal - phase, points @ along
            near = (np.abs(error) < 3.0) & (np.abs(place) < 140.0)
            error, place = error[near], place[near]
            stations = np.arange(-120.0, 121.0, 8.0)
            weights = np.exp(-np.pi * ((place[None, :] - stations[:, None]) / wide) ** 2)
            found[name][0].append(error)
            found[name][1].append((weights @ error) / weights.sum(axis=1))
    white = (np.sqrt(2.0) * wide) ** -0.5
    for name, (errors, profiles) in found.items():
        every = np.concatenate(errors)
        yield name, float(every.mean()), float(every.std()), float(np.concatenate(profiles).std()) / (bound * white)


def rows(pictures: int) -> list[Row]:
    cases = product(SCENES, BLURS, ANGLES_DEG)
    return [straight_row(scene, blur, angle, pictures, seed) for seed, (scene, blur, angle) in enumerate(cases)]


def straight_table(every: list[Row]) -> str:
    head = "| straight edges | greatest bias [px] | scatter / bound: 0.8 | 2.5 | 8 mm "
    lines = [head + "| u / scatter: a line | 0.8 | 2.5 | 8 mm |", "|---" * 9 + "|"]
    groups = [(f"blur {blur} px", [row for row in every if row.blur == blur]) for blur in BLURS]
    groups += [(scene, [row for row in every if row.scene == scene]) for scene in SCENES]
    for name, some in groups:
        bound = " | ".join(f"{max(row.by_bound[c] for row in some):.2f}" for c in CUTOFFS_MM)
        ratios = [[row.by_u[c] for row in some] for c in (0.0, *CUTOFFS_MM)]
        claimed = " | ".join(f"{min(r):.2f} to {max(r):.2f}" for r in ratios)
        lines.append(f"| {name} | {max(row.bias for row in some):.4f} | {bound} | {claimed} |")
    return "\n".join(lines)


def round_table(pictures: int) -> str:
    lines = ["| radius [px] | disc: greatest bias [px] | hole: greatest bias [px] |", "|---|---|---|"]
    for radius in RADII_PX:
        number = max(4, round(pictures * 70 / radius))
        biases = [
            max(
                round_row(scene, blur, radius, hole, number, 7).bias
                for scene in ("full contrast", "bright inside, noisy")
                for blur in BLURS
            )
            for hole in (False, True)
        ]
        lines.append(f"| {radius:g} | {biases[0]:.4f} | {biases[1]:.4f} |")
    return "\n".join(lines)


def others_table(every: list[Row], pictures: int) -> str:
    lines = ["| method | greatest bias [px] | sd of a point [px] | 2.5 mm profile / bound |", "|---|---|---|---|"]
    ours = [row for row in every if row.scene == "the demo's camera"]
    scatter = [row.by_bound[2.5] for row in ours]
    lines.append(f"| this project | {max(r.bias for r in ours):.3f} | | {min(scatter):.2f} to {max(scatter):.2f} |")
    found: dict[str, list[tuple[float, float, float]]] = {name: [] for name in METHODS}
    for blur, angle in product(BLURS, ANGLES_DEG):
        for name, bias, spread, ratio in others("the demo's camera", blur, angle, pictures, 3):
            found[name].append((bias, spread, ratio))
    for name, values in found.items():
        bias, spread, ratio = np.array(values).T
        lines.append(
            f"| {name} | {np.abs(bias).max():.3f} | {spread.min():.3f} to {spread.max():.3f} | "
            f"{ratio.min():.2f} to {ratio.max():.2f} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    number = max(6, int(sys.argv[1]) if len(sys.argv) > 1 else 80)
    measured = rows(number)
    print(straight_table(measured), round_table(max(4, number // 8)), others_table(measured, number), sep="\n\n")
