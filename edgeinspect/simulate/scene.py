"""What a picture shows: one shell (or a board, or an empty plate) in the fixture, the camera and the light. Shared by
both renderers.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from edgeinspect.geometry import Array, PlaneShift, Pose, frozen
from edgeinspect.simulate import bench, toplid
from edgeinspect.simulate.camera import TrueCamera
from edgeinspect.simulate.flaws import Flaw, strand_middle
from edgeinspect.simulate.form import EXPANSION_PER_K, REFERENCE_C, Form, TrimCurve
from edgeinspect.simulate.plan import plan_normals


@dataclass(frozen=True)
class CutOutChange:
    """How one cut-out differs from the drawing, beside the path error: shift in the cutter's frame and size errors
    [mm].
    """

    dx_mm: float = 0.0
    dy_mm: float = 0.0
    size_change_mm: tuple[float, ...] = (0.0, 0.0)
    missing: bool = False
    back_out_mm: float = 0.0  # bevel: how far its back-face arris stands out of the material before the show-face one
    oval_mm: float = 0.0  # of a hole: so much wider than its diameter along y, and narrower along x


AS_DRAWN = PlaneShift(0.0, 0.0, 0.0)


def no_deviation() -> Array:
    return frozen(np.zeros(1))


def _periodic(samples: Array, arc_mm: Array, length_mm: float) -> Array:
    """Even samples over a closed length, at arc lengths (N,), linear in between."""
    count = len(samples)
    return np.asarray(np.interp(arc_mm / length_mm * count, np.arange(count + 1), np.append(samples, samples[0])))


@dataclass(frozen=True)
class CutShell:
    """A trimmed shell in the fixture. ``seating`` maps the shell frame, grown by temperature, into the fixture.

    The cutter works in the fixture: it follows the nominal outline at the nominal seating, moved by ``path`` (turn
    about the fixture origin, then shift), by ``rim_deviation_mm`` along the trim normal (even samples over the rim's
    arc length, periodic) and by ``flaws``. The material, its pips, surface and decal, lies at ``seating`` and is grown
    by 1 + 80e-6 (T - 20) about the shell origin. Another kind of shell: ``form=hatch.HATCH, seating=hatch.SEATING``.
    """

    seating: Pose = toplid.LID.seating
    temperature_c: float = REFERENCE_C
    path: PlaneShift = AS_DRAWN
    rim_deviation_mm: Array = field(default_factory=no_deviation)
    cutouts: dict[str, CutOutChange] = field(default_factory=dict)
    decal: PlaneShift | None = AS_DRAWN
    flaws: tuple[Flaw, ...] = ()
    form: Form = toplid.LID
    variant: str = "standard"  # of the decal that is on it
    # Bevel of the rim: how far its back-face arris stands out before the show-face one, along the trim normal in plan
    # (even samples over the rim's arc length, periodic); the ray tracer cuts square.
    back_out_mm: Array = field(default_factory=no_deviation)
    cut_brightness: float | None = None  # of the cut face, as in fast.BRIGHTNESS; None: as there

    @property
    def growth(self) -> float:
        return 1.0 + EXPANSION_PER_K * (self.temperature_c - REFERENCE_C)

    def to_fixture(self, shell_mm: Array) -> Array:
        """Points (N, 3) of the shell at 20 degC, in the fixture."""
        return self.seating.apply(shell_mm * self.growth)

    def to_shell(self, fixture_mm: Array) -> Array:
        return np.asarray(self.seating.inverse().apply(fixture_mm) / self.growth)

    def deviation_at(self, arc_mm: Array) -> Array:
        """The cutter's deviation at rim arc lengths (N,) [mm], linear between the samples, and the flaws'."""
        length = self.form.rim().length_mm
        return np.asarray(
            _periodic(self.rim_deviation_mm, arc_mm, length)
            + sum(flaw.deviation_at(arc_mm, length) for flaw in self.flaws)
        )

    def lifted(self, xy_mm: Array, back: bool = False) -> Array:
        """Fixture plan points (N, 2) lifted along the fixture's z onto the seated shell's show or back face (N, 3)."""
        height = self.form.sheet.back_z if back else self.form.sheet.z
        points = np.column_stack([xy_mm, np.zeros(len(xy_mm))])
        for _ in range(6):
            shell = self.to_shell(points)
            shell[:, 2] = height(shell[:, 0], shell[:, 1])
            points[:, 2] += self.to_fixture(shell)[:, 2] - points[:, 2]
        return points

    def _cut(self, xy_mm: Array) -> Array:
        at_nominal = np.column_stack([xy_mm, np.zeros(len(xy_mm))])
        return np.asarray(self.path.pose().apply(at_nominal)[:, :2])

    def rim_xy(self, back: bool = False) -> Array:
        """The cut rim (N, 2) in fixture plan: one point for each vertex of the nominal rim, more along flaws; of its
        show-face arris, or of the back-face one.
        """
        rim = self.form.rim()
        xy, normals, arc = rim.xy_mm, rim.normals, rim.arc_mm
        if any(flaw.cut for flaw in self.flaws):
            fine = np.concatenate([flaw.fine_arcs_mm() for flaw in self.flaws]) % rim.length_mm
            fine = fine[np.abs(arc[np.searchsorted(arc, fine).clip(max=len(arc) - 1)] - fine) > 1e-6]
            arc = np.union1d(arc, fine)
            xy, normals = (
                np.column_stack([np.interp(arc, rim.arc_mm, part[:, k], period=rim.length_mm) for k in range(2)])
                for part in (xy, normals)
            )
            normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        away = self.deviation_at(arc) + (_periodic(self.back_out_mm, arc, rim.length_mm) if back else 0.0)
        return self._cut(xy + away[:, None] * normals)

    def cutout_xy(self, name: str, back: bool = False) -> Array | None:
        """The cut-out (N, 2) in fixture plan, or None where it was not cut; at its show-face or its back-face arris."""
        change = self.cutouts.get(name, CutOutChange())
        if change.missing:
            return None
        sizes, less = self.form.cutout_sizes_mm(name), 2.0 * change.back_out_mm * back
        sizes = tuple(s + c - less for s, c in zip(sizes, change.size_change_mm, strict=False))
        xy = self.form.cutout_xy_mm(name, sizes)
        if change.oval_mm:
            middle, stretch = np.array(self.form.cutout_centre_mm(name)), change.oval_mm / sizes[0]
            xy = middle + (xy - middle) * (1.0 - stretch, 1.0 + stretch)
        return self._cut(xy + np.array([change.dx_mm, change.dy_mm]))

    def curves(self, back: bool = False) -> dict[str, TrimCurve]:
        """Every cut curve in fixture plan, by name: its show-face arris, or its back-face one."""
        found = {"rim": TrimCurve("rim", self.rim_xy(back), False, self.form.sheet)}
        for name in self.form.cutouts():
            xy = self.cutout_xy(name, back)
            if xy is not None:
                found[name] = TrimCurve(name, xy, True, self.form.sheet)
        return found

    def strands(self) -> list[Array]:
        """Middle lines (N, 3) in the fixture of the strands that lie on the show face and hang over its edge."""
        rim, found = self.form.rim(), []
        for flaw in self.flaws:
            if flaw.cut:
                continue
            foot, normal = (
                np.array([np.interp(flaw.arc_mm, rim.arc_mm, part[:, k], period=rim.length_mm) for k in range(2)])
                for part in (rim.xy_mm, plan_normals(rim.xy_mm))
            )
            foot = self._cut((foot + self.deviation_at(np.array([flaw.arc_mm]))[0] * normal)[None, :])[0]
            found.append(self.lifted(strand_middle(flaw, foot, normal)))
        return found


@dataclass(frozen=True)
class Sensor:
    """Exposure and noise: ``white`` is the 8-bit level of a white tag, ``full_well`` the electrons at level 255."""

    white: float = 225.0
    full_well: float = 10500.0
    read_noise_electrons: float = 14.0
    blur_px: float = 0.75  # Gaussian of the optics; the pixel's own box comes on top (total about 0.8)


@dataclass(frozen=True)
class Scene:
    """Everything that decides a picture; the same scene and seed give the same picture."""

    camera: TrueCamera
    shell: CutShell | None = None
    board: Pose | None = None  # board -> fixture: x along its long side, y up its print, z out of its printed face
    sensor: Sensor = Sensor()
    covered_lens: bool = False
    seed: int = 0
    plate: bench.Plate = bench.PLATE  # the ray tracer knows the demo's only
