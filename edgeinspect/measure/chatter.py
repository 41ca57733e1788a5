"""Chatter: a run of marks of even pitch that a vibrating tool leaves along a cut edge.

It is looked for in what a slow trend leaves of the unfiltered edge: where a wave of one pitch explains most of it over
three periods and more. Blur evens the marks out, short ones more: their depth is worked out from how much.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeinspect.geometry import Array
from edgeinspect.measure import flaw_kernels
from edgeinspect.measure.measurement import Flag, FlawKind, FlawResult
from edgeinspect.measure.noise import PAIR_PX
from edgeinspect.measure.place import Scan
from edgeinspect.measure.setup import quantity
from edgeinspect.measure.shot import Shots

LEAST_PERIODS = 3.0
# Pitches that are looked for: shorter ones are not told at a station each half millimetre, longer ones are form. Common
# practice, no source: feed over the frequency of a tool that sings, some 50 mm/s over 10 to 30 Hz.
LEAST_STATIONS, GREATEST_PITCH_MM, PITCH_RATIO = 3.5, 8.0, 1.05
TREND_MM = 9.0  # two running means this wide, one after the other, are what is form
LEAST_DEPTH_MM, LEAST_DEPTH_PX = 0.04, 0.15  # peak to valley: less is not told from the roughness of a good cut
LOUD_MM, LOUD_NOISE = 0.011, 1.8  # rms of what the trend leaves, and over the noise: only there it is looked at closely
LOCAL_MM = 8.0  # over which that is taken
WINDOW_PERIODS = 4.0  # of the raised cosine that a wave is fitted through
EXPLAINED, IN_RUN = 0.6, 0.35  # share of the mean square that the wave explains: at its best place, all along the run
ENDS = 0.5  # of the greatest amplitude: there the window lies half within the run
GONE = Flag.NO_EDGE | Flag.OUTSIDE | Flag.SATURATED
SHAPE_SHARE = (
    0.1  # of the depth, standard uncertainty: marks are no sine. Cusps |sin| read 15 % less than they are deep
)
BLUR_SHARE = 0.03  # standard uncertainty of the blur, as for other flaws
MOST_RUNS = 8
# A wave is the strongest of some thousand that are tried along a shell's edges: of 2,000 shells of a good cut, 85 had
# one of four to six times its noise, dark ones for the most part.
SURE = 6.5  # standard uncertainties of its amplitude


@dataclass(frozen=True)
class _Run:
    """Stations ``first`` to ``last`` (may lie beyond the end of the closed curve)."""

    first: int
    last: int
    pitch_mm: float
    u_pitch_mm: float
    amplitude_mm: float  # of the wave as seen, through blur
    u_mm: float


def find_chatter(shots: Shots, curve: str, here: Scan) -> Iterator[FlawResult]:
    """Runs of chatter along one closed curve; see ``find_flaws`` for the parameters."""
    stations, edges = here.stations, here.edges
    step, count = stations.step_mm, len(edges.d_mm)
    if count * step < 4.0 * TREND_MM:
        return
    rest, sound, loud = np.empty(count), np.empty(count, dtype=np.bool_), np.empty(count, dtype=np.bool_)
    widths = round(TREND_MM / step), round(LOCAL_MM / step)
    seen = edges.d_mm, edges.u_mm, edges.flags, int(GONE)
    noise = float(flaw_kernels.loud_places(*seen, *widths, LOUD_MM, LOUD_NOISE, rest, sound, loud))
    if not loud.any():
        return
    for run in _runs(rest, sound, loud, step, noise):
        k = round(0.5 * (run.first + run.last)) % count
        shot = shots[int(stations.camera[k])]
        if shot is None:
            continue
        scale = float(here.lines.px_per_mm[k])
        blur = min(float(edges.blur_mm[k]), 1.05 * shot.blur_px / scale)
        apart = min(0.25 * step, PAIR_PX / scale)  # each sample is the mean of two beside its line
        even = float(np.exp(-2.0 * (np.pi * blur / run.pitch_mm) ** 2) * np.cos(2.0 * np.pi * apart / run.pitch_mm))
        width = (2 * (round(TREND_MM / step) // 2) + 1) * step
        kept = 1.0 - float(np.sinc(width / run.pitch_mm)) ** 2  # by taking the trend away
        depth = 2.0 * run.amplitude_mm / (even * kept)
        if depth < max(LEAST_DEPTH_MM, LEAST_DEPTH_PX / scale):
            continue
        length = (run.last - run.first + 1) * step
        shares = {
            "picture noise": 2.0 * run.u_mm / even,
            "blur": depth * 4.0 * (np.pi * blur / run.pitch_mm) ** 2 * BLUR_SHARE,
            "shape of the marks": SHAPE_SHARE * depth,
        }
        ends = np.array([run.first, run.last]) % count
        trim = float(np.nanmedian(edges.d_mm[np.arange(run.first, run.last + 1) % count]))
        outline = [(ends[0], trim - depth), (ends[1], trim - depth), (ends[1], trim + depth), (ends[0], trim + depth)]
        yield FlawResult(
            FlawKind.CHATTER,
            curve,
            shot.camera,
            float((run.first + run.last) / 2.0 * step % (count * step)),
            quantity(length, {"ends of the run": 0.25 * run.pitch_mm}),
            quantity(depth, shares),
            0.5 * length * depth,
            stations.points_mm[k] + trim * stations.directions[k],
            here.lines.part(slice(k, k + 1)).at(np.array([trim]))[0],
            np.array([here.lines.part(slice(i, i + 1)).at(np.array([d]))[0] for i, d in outline]),
            quantity(run.pitch_mm, {"picture noise": run.u_pitch_mm}),
        )


def _runs(rest: Array, sound: NDArray[np.bool_], loud: NDArray[np.bool_], step: float, noise: float) -> Iterator[_Run]:
    """Loudest first; a run is taken out before the next one is looked for."""
    count, rest = len(rest), rest.copy()
    for first, last in _stretches(loud, round(LOCAL_MM / step)):
        beside = round(0.5 * WINDOW_PERIODS * GREATEST_PITCH_MM / step)
        # Where that goes all round, the curve is cut open where it begins.
        at = np.arange(first - beside, min(last + beside, first - beside + count - 1) + 1)
        for _ in range(MOST_RUNS):
            run = _loudest(rest[at % count], sound[at % count], at, step, noise)
            if run is None:
                break
            rest[np.arange(run.first, run.last + 1) % count] = 0.0
            yield run


def _stretches(loud: NDArray[np.bool_], together: int) -> list[tuple[int, int]]:
    """First and last station of loud stretches on a closed curve; the last may lie beyond the end."""
    where, count = np.flatnonzero(loud), len(loud)
    ends = np.flatnonzero(np.diff(where) > together)
    firsts, lasts = where[np.append(0, ends + 1)].tolist(), where[np.append(ends, len(where) - 1)].tolist()
    if len(firsts) > 1 and firsts[0] + count - lasts[-1] <= together:
        lasts = [*lasts[1:-1], lasts[0] + count]
        firsts = firsts[1:]
    return list(zip(firsts, lasts, strict=True))


def _loudest(rest: Array, sound: NDArray[np.bool_], at: NDArray[np.intp], step: float, noise: float) -> _Run | None:
    """The strongest even wave along a stretch (n,) of stations ``at`` that runs over enough periods."""
    best: tuple[float, float, NDArray[np.intp]] | None = None
    pitch = LEAST_STATIONS * step
    amplitude, explained = np.empty(len(rest)), np.empty(len(rest))
    while pitch <= GREATEST_PITCH_MM:
        half = round(0.5 * WINDOW_PERIODS * pitch / step)
        if 2 * half + 1 <= len(rest):
            k = flaw_kernels.waves(rest, sound, half, step / pitch, EXPLAINED, amplitude, explained)
            if k >= 0 and (best is None or amplitude[k] > best[0]):
                run = _about(k, (amplitude >= ENDS * amplitude[k]) & (explained >= IN_RUN))
                if (run[1] - run[0]) * step >= (LEAST_PERIODS - 0.25) * pitch:
                    best = float(amplitude[k]), pitch, np.arange(run[0], run[1] + 1)
        pitch *= PITCH_RATIO
    if best is None:
        return None
    return _fitted(rest, sound, at, best[2], best[1], step, noise)


def _about(k: int, within: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last of the unbroken run of ``within`` that holds k."""
    breaks = np.flatnonzero(~within)
    before, after = breaks[breaks < k], breaks[breaks > k]
    first = int(before[-1]) + 1 if len(before) else 0
    return first, int(after[0]) - 1 if len(after) else len(within) - 1


def _fitted(
    rest: Array,
    sound: NDArray[np.bool_],
    at: NDArray[np.intp],
    run: NDArray[np.intp],
    pitch: float,
    step: float,
    noise: float,
) -> _Run | None:
    """One wave over the whole run, its pitch by Gauss-Newton."""
    use = run[sound[run]]
    x, y = use * step, rest[use]
    middle = float(x.mean())
    for _ in range(4):
        phase = 2.0 * np.pi * (x - middle) / pitch
        rows = np.column_stack([np.cos(phase), np.sin(phase), np.ones(len(x))])
        a, b, off = np.linalg.lstsq(rows, y, rcond=None)[0]
        slope = (a * np.sin(phase) - b * np.cos(phase)) * 2.0 * np.pi * (x - middle) / pitch**2
        full = np.column_stack([rows, slope])
        terms, *_ = np.linalg.lstsq(full, y, rcond=None)
        change = float(np.clip(terms[3], -0.05 * pitch, 0.05 * pitch))
        pitch = float(np.clip(pitch + change, 0.9 * LEAST_STATIONS * step, 1.1 * GREATEST_PITCH_MM))
    amplitude = float(np.hypot(a, b))
    left = y - rows @ np.array([a, b, off])
    if float((left**2).mean()) > (1.0 - IN_RUN) * float((y**2).mean()):
        return None
    scatter = max(noise, float(left.std()))
    u = scatter * float(np.sqrt(2.0 / max(len(x) - 4, 1)))
    u_pitch = scatter / max(float(np.sqrt((slope**2).sum())), 1e-9)
    if (use[-1] - use[0]) * step < (LEAST_PERIODS - 0.25) * pitch or amplitude < SURE * u:
        return None
    return _Run(int(at[run[0]]), int(at[run[-1]]), pitch, u_pitch, amplitude, u)
