"""What is true of the sample pictures, out of truth.json and truth_edges.npz alone, in the terms that a gauge reports.

None of this uses edgeinspect: the filter, the outline and the fit are written again here (numpy, shapely, ezdxf), so
that a mistake in the measuring code cannot hide in its own check. ``about`` in truth.json says what the numbers mean.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import ezdxf.filemanagement
import numpy as np
import shapely
from numpy.typing import NDArray

Array = NDArray[np.float64]
ROOT = Path(__file__).parents[2]
SAMPLES, MODEL = ROOT / "sample_images", ROOT / "models/toplid"
CUTOFF_MM = 2.5  # filter_cutoff_mm of models/toplid/shell.toml
EVEN_MM = 0.05
FLAW_MM, LARGEST_FLAW_SHARE = 0.15, 0.2  # as the gauge states what it does not align on (measure/alignment.py)


@dataclass(frozen=True)
class Profile:
    """A true deviation [mm] over the nominal rim's arc length [mm]; ``hidden``: the camera does not see the cut face,
    so the picture's edge is the show-face arris.
    """

    arc_mm: Array
    deviation_mm: Array
    hidden: NDArray[np.bool_]
    length_mm: float

    def filtered_at(self, arc_mm: Array, cutoff_mm: float = CUTOFF_MM) -> Array:
        """The profile behind the Gaussian filter, at arc lengths (M,).

        SOURCE: ISO 16610-21:2011, transmission of a wave of length l: exp(-pi (alpha cutoff / l)^2), alpha =
        sqrt(ln 2 / pi). Applied wave by wave to the closed profile, so nothing is cut off.
        """
        count = int(np.ceil(self.length_mm / EVEN_MM))
        even = np.arange(count) * (self.length_mm / count)
        waves = np.fft.rfft(self.at(even))
        per_mm = np.fft.rfftfreq(count, self.length_mm / count)
        alpha_squared = np.log(2.0) / np.pi
        passed = np.fft.irfft(waves * np.exp(-np.pi * alpha_squared * (cutoff_mm * per_mm) ** 2), count)
        return np.interp(arc_mm, even, passed, period=self.length_mm)

    def at(self, arc_mm: Array) -> Array:
        return np.interp(arc_mm, self.arc_mm, self.deviation_mm, period=self.length_mm)

    def hidden_at(self, arc_mm: Array) -> NDArray[np.bool_]:
        return np.asarray(np.interp(arc_mm, self.arc_mm, self.hidden.astype(float), period=self.length_mm) > 0.5)


@dataclass(frozen=True)
class PathFit:
    dx_mm: float
    dy_mm: float
    rotation_deg: float

    @property
    def length_mm(self) -> float:
        return float(np.hypot(self.dx_mm, self.dy_mm))


class Truth:
    """The truth of all sample pictures."""

    def __init__(self) -> None:
        self.document: dict[str, Any] = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
        with np.load(SAMPLES / "truth_edges.npz") as file:
            self._dense = {name: file[name] for name in file.files}
        drawing = ezdxf.filemanagement.readfile(MODEL / "outline.dxf")
        polyline = drawing.query('POLYLINE[layer=="rim"]').first
        rim = np.array([vertex.dxf.location.xyz for vertex in polyline.vertices])
        self._closed = np.vstack([rim, rim[:1]])
        self._arc = _along(self._closed)
        self._plan_arc = _along(self._closed[:, :2])
        self._ring = shapely.LinearRing(rim[:, :2])
        self._area = shapely.Polygon(rim[:, :2])
        self._fits: dict[str, PathFit] = {}

    @property
    def shells(self) -> dict[str, Any]:
        return dict(self.document["shells"])

    @cached_property
    def zones_mm(self) -> dict[str, tuple[float, float]]:
        return {name: (start, end) for name, (start, end) in self.document["scene"]["zones_mm"].items()}

    def in_zone(self, arc_mm: Array, name: str) -> NDArray[np.bool_]:
        start, end = self.zones_mm[name]
        if start < end:
            return (arc_mm >= start) & (arc_mm < end)
        return (arc_mm >= start) | (arc_mm < end)

    def datum(self, shell_id: str) -> Profile:
        """Deviation from the shell's own datums at 20 degC."""
        return self._profile(self._of(shell_id, "arc_mm"), self._of(shell_id, "deviation_datum_mm"), shell_id)

    def fixture(self, shell_id: str) -> Profile:
        """Deviation in the fixture. The file lists it by the arc length of the datum frame; where the path is off by
        half a millimetre that is not the fixture's, so it is worked out here.
        """
        plan = self.arris_mm(shell_id)[:, :2]
        arc = np.interp(shapely.line_locate_point(self._ring, shapely.points(plan)), self._plan_arc, self._arc)
        return self._profile(arc, self._of(shell_id, "deviation_fixture_mm"), shell_id)

    def pixel(self, shell_id: str) -> Array:
        """Where the camera images the true show-face arris (N, 2)."""
        return self._of(shell_id, "pixel")

    def face_hidden(self, shell_id: str) -> NDArray[np.bool_]:
        """Whether the camera does not see the cut face (N,), at the places of ``pixel``."""
        return np.asarray(self._dense[f"{shell_id}_face_hidden"], dtype=bool)

    def arris_mm(self, shell_id: str) -> Array:
        """The true show-face arris (N, 3) in the fixture: from arc length and datum deviation through the seating."""
        arc, deviation = self._of(shell_id, "arc_mm"), self._of(shell_id, "deviation_datum_mm")
        foot, length = self._at(arc), float(self._arc[-1])
        run = self._at((arc + 0.05) % length)[:, :2] - self._at((arc - 0.05) % length)[:, :2]
        run /= np.linalg.norm(run, axis=1, keepdims=True)
        plan = foot[:, :2] + deviation[:, None] * np.column_stack([run[:, 1], -run[:, 0]])
        shell = self.document["shells"][shell_id]
        growth = 1.0 + self.document["scene"]["expansion_per_k"] * (shell["temperature_c"] - 20.0)
        lid = np.column_stack([plan, _height(plan)]) * growth
        return np.asarray(lid @ np.array(shell["seating"]["rotation"]).T + shell["seating"]["translation_mm"])

    def path_as_applied(self, shell_id: str) -> PathFit:
        path = self.document["shells"][shell_id]["path"]
        return PathFit(path["dx_mm"], path["dy_mm"], path["rotation_deg"])

    def path_fitted(self, shell_id: str) -> PathFit:
        """The turn about the fixture's origin and the shift that bring the nominal outline nearest to the true cut.

        Least squares of the distances in plan over even arc length, by Gauss-Newton on shapely's distances. As the
        gauge states it, a section further than FLAW_MM from the common shift is left out as long as no more than
        LARGEST_FLAW_SHARE of the rim is.
        """
        if shell_id not in self._fits:
            self._fits[shell_id] = self._fit(self.arris_mm(shell_id)[:, :2], self.fixture(shell_id).arc_mm)
        return self._fits[shell_id]

    def _fit(self, plan: Array, arc: Array) -> PathFit:
        length = float(self._arc[-1])
        order = np.argsort(arc)
        even = np.arange(0.0, length, 0.5)
        cut = np.column_stack([np.interp(even, arc[order], plan[order, k], period=length) for k in range(2)])
        shift, used = np.zeros(3), np.ones(len(even), dtype=bool)
        for _ in range(12):
            cos, sin = np.cos(shift[2]), np.sin(shift[2])
            back = (cut - shift[:2]) @ np.array([[cos, -sin], [sin, cos]])  # where the nominal outline is at home
            rest = self._signed(back)
            normal = np.column_stack(
                [self._signed(back + step) - self._signed(back - step) for step in 0.01 * np.eye(2)]
            )
            normal /= np.linalg.norm(normal, axis=1, keepdims=True)
            kept = np.abs(rest) < FLAW_MM
            used = kept if kept.mean() >= 1.0 - LARGEST_FLAW_SHARE else np.ones(len(even), dtype=bool)
            turned = normal @ np.array([[cos, sin], [-sin, cos]])
            rows = np.column_stack([turned, cut[:, 0] * turned[:, 1] - cut[:, 1] * turned[:, 0]])
            change = np.linalg.lstsq(rows[used], rest[used], rcond=None)[0]
            cos, sin = np.cos(change[2]), np.sin(change[2])
            shift = np.array([*(np.array([[cos, -sin], [sin, cos]]) @ shift[:2] + change[:2]), shift[2] + change[2]])
            if np.abs(change).max() < 1e-8:
                break
        return PathFit(float(shift[0]), float(shift[1]), float(np.rad2deg(shift[2])))

    def _signed(self, plan: Array) -> Array:
        points = shapely.points(plan)
        return np.asarray(shapely.distance(points, self._ring) * np.where(shapely.contains(self._area, points), -1, 1))

    def _profile(self, arc: Array, deviation: Array, shell_id: str) -> Profile:
        order = np.argsort(arc)
        hidden = self._dense[f"{shell_id}_face_hidden"]
        return Profile(arc[order], deviation[order], hidden[order], float(self._arc[-1]))

    def _of(self, shell_id: str, key: str) -> Array:
        return np.asarray(self._dense[f"{shell_id}_{key}"], dtype=np.float64)

    def _at(self, arc_mm: Array) -> Array:
        return np.column_stack([np.interp(arc_mm, self._arc, self._closed[:, k]) for k in range(3)])


def _along(points: Array) -> Array:
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])


def _height(plan: Array) -> Array:
    """The lid's show face (invented shape, stated in simulate/toplid.py), written again."""
    over = np.maximum(np.abs(plan[:, 0]) - 120.0, 0.0)
    return np.asarray(np.sqrt(300.0**2 - plan[:, 1] ** 2) - 300.0 - 0.00125 * over**2)
