"""The sensor's noise read off one picture or ribbon, and whether the picture is linear in light (photon transfer).

A sensor that counts light has a variance of read + shot * level: the light's own noise grows with the square root of
the light. A curve that bends the levels on their way (a gamma) bends the noise with them: it spreads the dark levels
and presses the bright ones together. Reference: EMVA Standard 1288, the model of the camera.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

import numpy as np

from edgeinspect.geometry import Array
from edgeinspect.measure import kernels, noise_kernels
from edgeinspect.measure.picture import GreyPicture, Levels

CLUSTERS, DENSE = 1700, 4  # of places that are looked at, evenly over the picture; and how many times more in doubt
BIN_RATIO = 1.2  # from one bin of levels to the next
FROM_LEVEL, TO_LEVEL = 0.015, 0.97  # of full scale: nearer to its ends the levels cut off the noise
LEAST_PLACES = 120  # in a bin: its standard deviation is then known to 7 %
FLAT_SD = 5.0  # standard deviations of noise that the level may change over four pixels: more is an edge
QUANTUM = 1.0 / 12.0  # variance of rounding to whole levels
LEAST_VARIANCE = 0.15  # in levels²: less is rounding and not noise
LEAST_RANGE = 3.0  # brightest over darkest level that was read: with less the picture cannot tell
WHITE = 1.4  # variance of every second pixel over that of neighbours: more was smoothed, by a program or a codec
DOUBT, GREATEST_RESPONSE = (
    1.2,
    1.3,
)  # a reading above the first is taken anew from more places; above the second is bent

BILINEAR_NOISE = (
    2.0 / 3.0
)  # mean reduction of white noise by bilinear sampling at every sub-pixel phase, both directions
PAIR_PX = (
    0.75  # each sample of the rim's ribbon is the mean of two, a quarter of the way to the next lines, at most this
)
PAIR_IN_FIT = 0.93  # what the two of a pair share in a fit as wide as a blurred edge
INDEPENDENT_PX = 1.5  # lines this far apart share little noise
RIBBON_PLACES = 4000  # on each side of the edge: the standard deviation is then known to 2 %
LEAST_NOISE = 1e-4  # of full scale: a picture without any must not weigh its dark side a million times


@dataclass(frozen=True)
class Noise:
    """Variance of one pixel [fractions of full scale, squared]: ``read`` + ``shot`` * level."""

    read: float
    shot: float

    def sd(self, level: float) -> float:
        return float(np.sqrt(self.read + self.shot * max(level, 0.0)))


@dataclass(frozen=True)
class RibbonNoise(Noise):
    """The same of a ribbon's samples, which share pixels: ``alike`` - correlation of lines 1, 2, ... apart."""

    alike: tuple[float, ...] = ()

    @classmethod
    def of_pixels(cls, sd: float) -> RibbonNoise:
        """The noise of a picture whose every pixel has the standard deviation ``sd``, lines being independent."""
        return cls(max(sd * BILINEAR_NOISE, LEAST_NOISE) ** 2, 0.0)


@dataclass(frozen=True)
class Transfer:
    """Noise of one picture by level: K bins from dark to bright, those with enough flat places."""

    level: Array  # (K,) fractions of full scale
    variance: Array  # (K,) of a pixel, fractions squared, from neighbouring pixels
    coarse: Array  # (K,) the same from every second pixel
    places: Array  # (K,) that it was read from
    quantum: float  # variance that rounding to whole levels adds
    dark: float = 0.0  # standard deviation of a black picture, fractions of full scale; 0: not known

    @property
    def smoothed(self) -> bool:
        """Whether neighbouring pixels share noise: the picture was smoothed or compressed, and says little."""
        return bool((self.places * self.coarse).sum() > WHITE * (self.places * self.variance).sum())

    def noise(self) -> Noise | None:
        """Straight line through the variances; None where there is nothing flat to read them from."""
        if not len(self.level):
            return None
        variance = np.maximum(self.variance, self.coarse) if self.smoothed else self.variance
        weight = np.sqrt(self.places) / variance  # the variance of a variance goes with its square
        rows = np.column_stack([np.ones(len(self.level)), self.level]) * weight[:, None]
        if len(self.level) > 1:
            read, shot = np.linalg.lstsq(rows, variance * weight, rcond=None)[0]
            if shot >= 0.0 <= read:
                return Noise(float(read), float(shot))
            if read < 0.0:  # a black level above zero
                return Noise(0.0, float((rows[:, 1] @ (variance * weight)) / (rows[:, 1] @ rows[:, 1])))
        return Noise(float((variance * weight**2).sum() / (weight**2).sum()), 0.0)

    def response(self) -> float:
        """How bent the picture is: 2 less the power by which the variance grows with the level. 1 of light counted
        (1.0 to 1.1 with read noise), the gamma of a picture that was bent by one; nan where the picture cannot tell.
        """
        shot = self.variance - max(self.quantum, self.dark**2)  # a black picture is rounded too
        seen = (self.variance > LEAST_VARIANCE / QUANTUM * self.quantum) & (shot > 0.1 * self.variance)
        if self.smoothed or not seen.any() or self.level[seen][-1] < LEAST_RANGE * self.level[seen][0]:
            return float("nan")
        x, y = np.log(self.level[seen]), np.log(shot[seen])
        weight = self.places[seen] * (shot[seen] / self.variance[seen]) ** 2
        x = x - np.average(x, weights=weight)
        return float(2.0 - (weight * x * y).sum() / (weight * x * x).sum())


def transfer(picture: GreyPicture, density: int = 1, dark: float = 0.0) -> Transfer:
    """Photon transfer of the flat parts of a picture, from ``density`` * some ten thousand places; ``dark`` - see
    read_noise.
    """
    height, width = picture.raw.shape
    pace = max(6, round(float(np.sqrt(height * width / (2.0 * CLUSTERS * density)))))
    room = (height // pace + 1) * (width // max(2 * pace, 48) + 1) * noise_kernels.CLUSTER
    level, fine, coarse, change = (np.empty(room) for _ in range(4))
    full = 1.0 / picture.scale
    used = noise_kernels.differences(picture.raw, pace, full, level, fine, coarse, change)
    bins = int(np.ceil(np.log(TO_LEVEL / FROM_LEVEL) / np.log(BIN_RATIO)))
    edges = full * TO_LEVEL * BIN_RATIO ** -np.arange(bins, -1.0, -1.0)
    found = np.empty((bins, 4))
    some = slice(0, used)
    noise_kernels.by_level(
        level[some], fine[some], coarse[some], change[some], edges, FLAT_SD, QUANTUM, LEAST_PLACES, found
    )
    found = found[found[:, 3] > 0]
    square = picture.scale**2
    level, fine, coarse, places = found.T
    return Transfer(level * picture.scale, fine * square, coarse * square, places, QUANTUM * square, dark)


def read_noise(picture: GreyPicture, dark: float = 0.0) -> tuple[Noise | None, float]:
    """The picture's noise, and its response (see read_response)."""
    seen, response = _closely(picture, dark)
    return seen.noise(), response


def read_response(picture: GreyPicture, dark: float = 0.0) -> float:
    """The picture's response (see Transfer.response): looked at more closely where it seems bent.

    ``dark`` - standard deviation of a black picture [fractions of full scale] where it is known: a camera whose read
    noise is that of a twentieth of full scale looks bent without it.
    """
    return _closely(picture, dark)[1]


def _closely(picture: GreyPicture, dark: float) -> tuple[Transfer, float]:
    seen = transfer(picture, 1, dark)
    response = seen.response()
    if not response <= DOUBT:
        seen = transfer(picture, DENSE, dark)
        response = seen.response()
    return seen, response


def noise_of(ribbon: Levels) -> float:
    """Standard deviation of the raw pixels' noise [levels], from differences between neighbouring scan lines.

    Third differences along the curve cancel level, slope and slow shading; the median absolute deviation ignores
    edges and dirt. Scan lines lie more than a pixel apart, so their samples are independent but for the bilinear
    sampling, which is allowed for.
    """
    spread = 1.4826 * float(kernels.median_third_difference(ribbon)) if len(ribbon) > 3 else 0.0
    return spread / float(np.sqrt(20.0)) / BILINEAR_NOISE


def ribbon_noise(ribbon: Levels, place: Array, clear: float, spacing_px: float, pace_px: float | None) -> RibbonNoise:
    """Noise of a ribbon (N, M) by level, from both sides of an edge at ``place`` (N,) [samples], ``clear`` samples away
    from it.

    ``spacing_px`` - between samples; ``pace_px`` - how far apart the lines of a ribbon of pairs lie in the picture:
    they share pixels, and what they share is missing from the differences between them. None: single samples.
    """
    if len(ribbon) < 4:
        return RibbonNoise.of_pixels(0.0)
    stride = 1 if pace_px is None else int(np.ceil(INDEPENDENT_PX / pace_px))
    alike: Array = np.zeros(0)
    part = 20.0
    if pace_px is not None:
        across = float(noise_kernels.shared_by_samples(spacing_px))
        shares = shared_by_lines(pace_px, 3 * stride, across)[stride - 1 :: stride]
        part += float(shares @ np.array([-30.0, 12.0, -2.0]))
        alike = shared_by_lines(pace_px, 3 * stride, PAIR_IN_FIT)
    size, level = np.empty(2), np.empty(2)
    noise_kernels.beside_edge(ribbon, place, clear, stride, RIBBON_PLACES, size, level)
    inner, outer = ((1.4826 * sd) ** 2 / part for sd in size.tolist())  # variances of both sides
    low, high = level.tolist()
    seen = [variance for variance in (inner, outer) if not isnan(variance)]
    if not seen:
        return RibbonNoise.of_pixels(noise_of(ribbon))
    read, shot = sum(seen) / len(seen), 0.0
    if abs(high - low) > 0.02:  # not so if one side is nan
        slope = (outer - inner) / (high - low)
        offset = inner - slope * low
        if slope > 0.0 <= offset:
            read, shot = offset, slope
        elif slope > 0.0 and min(low, high) > 0.0:  # a black level above zero: all of it grows with the light
            read, shot = 0.0, 0.5 * (inner / low + outer / high)
    return RibbonNoise(max(read, LEAST_NOISE**2), shot, tuple(share for share in alike.tolist() if share > 1e-3))


def shared_by_lines(pace_px: float, count: int, across: float) -> Array:
    """Correlation (count,) of the noise of lines 1, 2, ... apart whose samples are pairs (see ribbon.sample).

    ``across`` - what the two of a pair share for lying one spacing apart across the edge.
    """
    return np.asarray(noise_kernels.shared_by_pairs(pace_px, _pair_px(pace_px), across, count))


def shared_along_line(spacing_px: float, pace_px: float | None) -> Array:
    """Correlation of the noise of samples 1, 2, ... spacings apart on one line; of pairs with ``pace_px``: the two of a
    pair lie one spacing apart along the line.
    """
    both = 0.0 if pace_px is None else float(noise_kernels.shared_by_samples(_pair_px(pace_px)))
    count = int(np.ceil(2.0 / spacing_px))
    return np.asarray(noise_kernels.shared_by_pairs(spacing_px, spacing_px, both, count))


def _pair_px(pace_px: float) -> float:
    return 2.0 * min(0.25 * pace_px, PAIR_PX)
