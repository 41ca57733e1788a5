"""One cut, told in every frame: the same edge, and the shifts that the simulator gave it. Cut - fixture (path), shell -
fixture (seating) and cut - shell (what the customer gets) are kept apart.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy import optimize

from edgeinspect.geometry import Array, PlaneShift
from edgeinspect.measure.camera import CameraCalibration
from edgeinspect.measure.fixture import Fixture, Seating
from edgeinspect.measure.measurement import DeviationProfile, ShellMeasurement
from edgeinspect.measure.shell import ShellGauge
from edgeinspect.measure.temperature import Temperature
from edgeinspect.shell.definition import Arris, Check, DatumScheme, Frame, ShellDefinition
from edgeinspect.simulate import bench, fast, toplid
from edgeinspect.simulate.scene import CutOutChange, CutShell, Scene
from edgeinspect.simulate.truth import arc_and_deviation, edge_truth

PATH, SEATING = PlaneShift(0.15, -0.10, 0.02), PlaneShift(-0.20, 0.12, -0.03)
HOLE_OFF_MM = np.array([0.10, 0.05])
SHELL = CutShell(
    seating=SEATING.pose().after(bench.NOMINAL_SEATING),
    path=PATH,
    cutouts={"lock_hole": CutOutChange(*HOLE_OFF_MM.tolist(), (0.1,))},
)
FORMED = 0.02  # mm: datum shifts and whole deviations; the bar of the project's accuracy table
GaugeOf = Callable[..., ShellGauge]


def unseen_height(away_mm: float) -> float:
    """Where no formed datum says how the shell sits, its slopes are taken to lie ``away_mm`` from where they do: 0.12
    mm a mm on 30 degrees of slope, 12 degrees off the camera's axis (tan 30 tan 12, see DEVELOPERS.md).
    """
    return float(np.tan(np.deg2rad(30)) * np.tan(np.deg2rad(12))) * away_mm


@pytest.fixture(scope="module")
def gauge_of(
    toplid_definition: ShellDefinition, calibration: CameraCalibration, fixture: Fixture, seating: Seating
) -> GaugeOf:
    def make(bits: int = 16, **changes: object) -> ShellGauge:
        definition = replace(toplid_definition, **changes)  # type: ignore[arg-type]
        return ShellGauge(definition, {"top": replace(calibration, bits=bits)}, fixture, seating)

    return make


@pytest.fixture(scope="module")
def light(counted: Callable[[Array, int], Array]) -> Array:
    """What reaches the sensor from the one shell, noise and all, before it is rounded to levels."""
    return counted(fast.picture(Scene(bench.top_camera(), SHELL)), 11)


def looked_at(gauge: ShellGauge, light: Array, bits: int = 16) -> ShellMeasurement:
    raw = np.rint(light * (2**bits - 1)).astype(np.uint8 if bits == 8 else np.uint16)
    return gauge.measure("standard", {"top": raw}, Temperature(20.0))


@pytest.fixture(scope="module")
def told(gauge_of: GaugeOf, light: Array) -> dict[DatumScheme, ShellMeasurement]:
    return {scheme: looked_at(gauge_of(datum=scheme), light) for scheme in DatumScheme}


def profile(measurement: ShellMeasurement, frame: Frame) -> DeviationProfile:
    (one,) = (p for p in measurement.profiles if p.frame is frame)
    return one


def values(shift: PlaneShift) -> tuple[float, float, float]:
    """Turns as mm at 200 mm."""
    return shift.dx_mm, shift.dy_mm, float(np.deg2rad(shift.rotation_deg)) * 200.0


def height_taken_wrong(turn_rad: float) -> Array:
    """(N,) [mm] at rim arc lengths 0, 0.5 mm, ...: how far the edge reads out where the sheet is taken to lie as hole
    and slot say (``turn_rad``: the cut onto the drawing), not as it does.

    The sheet's slope times how far it really lies aside is a height, and a height reads off by the way the line of
    sight leans. Plain geometry of the scene.
    """
    rim, hole, sheet = toplid.rim(), toplid.HOLE_CENTRE_MM, toplid.LID.sheet
    at = np.arange(0.0, rim.length_mm, 0.5)
    xy, normals = (
        np.column_stack([np.interp(at, rim.arc_mm, part[:, k], period=rim.length_mm) for k in range(2)])
        for part in (rim.xy_mm, rim.normals)
    )
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    on_sheet = sheet.on(xy)
    taken = PATH.pose().apply(sheet.on((xy - hole) @ np.array([[c, -s], [s, c]]) + hole + HOLE_OFF_MM))
    away = SHELL.seating.apply(on_sheet)[:, :2] - taken[:, :2]
    slopes, seated = np.column_stack(sheet.slopes(xy[:, 0], xy[:, 1])), bench.NOMINAL_SEATING.apply(on_sheet)
    eye = bench.top_camera().centre_mm
    lean = (seated[:, :2] - eye[:2]) / (eye[2] - seated[:, 2])[:, None]
    higher = -(slopes * away).sum(axis=1)
    return np.asarray(higher * (lean * normals).sum(axis=1) / (1.0 + (slopes * lean).sum(axis=1)))


def error(
    measurement: ShellMeasurement, frame: Frame, true_mm: Array, at_arc_mm: Array, less: Array | None = None
) -> Array:
    """Profile less truth (N,), at the profile's stations, without the notch: the filter rounds its small radii; and
    ``less`` what is known at even rim arc lengths.
    """
    read = profile(measurement, frame)
    order = np.argsort(at_arc_mm)
    true = np.interp(read.arc_mm, at_arc_mm[order], true_mm[order], period=toplid.rim().length_mm)
    start, end = toplid.zone_spans_mm()["cable-notch"]
    smooth = (read.arc_mm < start - 5) | (read.arc_mm > end + 5)
    if less is not None:
        even = np.arange(len(less)) * 0.5
        true = true + np.interp(read.arc_mm, even, less, period=toplid.rim().length_mm)
    return np.asarray((read.deviation_mm - true)[smooth & np.isfinite(read.deviation_mm)])


@pytest.mark.parametrize("scheme", DatumScheme)
def test_every_scheme_sees_the_same_edge(scheme: DatumScheme, told: dict[DatumScheme, ShellMeasurement]) -> None:
    """In the picture the edge is one line: what any scheme traced lies on it to 0.03 px (0.01 mm), chords of 1.65 px
    sag by up to 0.04 px more in the notch.
    """
    here, reference = told[scheme], told[DatumScheme.PIPS]
    assert here.stops == ()
    assert here.cut is not None
    assert values(here.cut.shift) == pytest.approx(values(PATH), abs=FORMED + unseen_height(0.23))
    line = shapely.LinearRing(reference.traces[0].pixel)
    away = shapely.distance(line, shapely.points(here.traces[0].pixel))
    assert np.median(away) < 0.01
    assert np.percentile(away, 95) < 0.03
    assert away.max() < 0.1


def test_by_pips_path_and_seating_are_kept_apart(told: dict[DatumScheme, ShellMeasurement]) -> None:
    by_pips = told[DatumScheme.PIPS]
    assert by_pips.cut is not None
    assert by_pips.seating is not None
    assert values(by_pips.cut.shift) == pytest.approx(values(PATH), abs=0.01)
    assert values(by_pips.seating.shift) == pytest.approx(values(SEATING), abs=FORMED)
    assert (by_pips.cut.words, by_pips.seating.words) == ("cut - fixture", "shell - fixture")
    true = edge_truth(Scene(bench.top_camera(), SHELL))
    assert np.abs(error(by_pips, Frame.DATUM, true.deviation_datum_mm, true.arc_mm)).max() < 2 * FORMED
    assert np.abs(error(by_pips, Frame.FIXTURE, true.deviation_fixture_mm, true.arc_mm)).max() < 2 * FORMED
    form = error(by_pips, Frame.BEST_FIT, np.zeros(2), np.array([0.0, 600.0]))
    assert np.abs(form).max() < 2 * FORMED  # the cut's form is the drawing's
    assert np.abs(true.deviation_datum_mm).max() > 0.4  # so that the three frames could be confused


@pytest.mark.parametrize("scheme", [s for s in DatumScheme if s is not DatumScheme.PIPS])
def test_without_formed_datums_nothing_is_said_of_seating(
    scheme: DatumScheme, told: dict[DatumScheme, ShellMeasurement]
) -> None:
    assert told[scheme].seating is None


def test_by_the_fixture_the_shell_is_trusted_to_sit(told: dict[DatumScheme, ShellMeasurement]) -> None:
    """The datum frame is the fixture's: what the customer gets reads as the path alone, 0.35 mm of seating unseen."""
    by_fixture = told[DatumScheme.FIXTURE]
    datum, fixture = profile(by_fixture, Frame.DATUM), profile(by_fixture, Frame.FIXTURE)
    assert np.nanmax(np.abs(datum.deviation_mm - fixture.deviation_mm)) < 1e-5
    true = edge_truth(Scene(bench.top_camera(), SHELL))
    assert np.abs(
        error(by_fixture, Frame.FIXTURE, true.deviation_fixture_mm, true.arc_mm)
    ).max() < FORMED + unseen_height(0.23)


def test_by_hole_and_slot_the_hole_is_the_origin(told: dict[DatumScheme, ShellMeasurement]) -> None:
    """SOURCE: ISO 5459 (from memory): the hole's centre is the origin, the median plane of the slot holds the turn. The
    truth is the simulator's cut, turned about its hole until the slot's middle lies on the drawing's line along x.
    """
    by_hole = told[DatumScheme.HOLE_AND_SLOT]
    hole, slot = by_hole.cutouts[:2]
    assert hole.dx is not None
    assert hole.dy is not None
    assert slot.dx is not None
    assert slot.dy is not None
    assert (hole.dx.value, hole.dy.value) == pytest.approx((0.0, 0.0), abs=1e-6)
    want = np.array(toplid.SLOT_CENTRES_MM["hinge_slot_left"]) - toplid.HOLE_CENTRE_MM
    got = want - HOLE_OFF_MM
    turn = optimize.brentq(lambda t: np.sin(t) * got[0] + np.cos(t) * got[1] - want[1], -0.1, 0.1)  # cut -> drawing
    c, s = np.cos(turn), np.sin(turn)
    in_datum = np.array([[c, -s], [s, c]]) @ got - want
    assert slot.dy.value == pytest.approx(0.0, abs=1e-4)  # across the slot
    assert slot.dx.value == pytest.approx(in_datum[0], abs=2 * FORMED)  # along it, nothing is held
    edge = (toplid.rim().xy_mm - toplid.HOLE_CENTRE_MM - HOLE_OFF_MM) @ np.array([[c, s], [-s, c]])
    arc, deviation = arc_and_deviation(edge + toplid.HOLE_CENTRE_MM)
    off = error(by_hole, Frame.DATUM, deviation, arc, less=height_taken_wrong(turn))
    assert np.abs(off).max() < 1.5 * FORMED
    assert np.abs(error(by_hole, Frame.DATUM, deviation, arc)).max() > 2 * FORMED  # so that the height is felt
    assert np.abs(deviation).max() > 0.1


def test_each_comparison_stands_by_itself(told: dict[DatumScheme, ShellMeasurement]) -> None:
    """Cut - fixture, shell - fixture, cut - shell: the simulator's path, seating, and the one seen from the other."""
    by_pips = told[DatumScheme.PIPS]
    assert by_pips.cut_on_shell is not None
    assert by_pips.untold == ()
    back = SEATING.pose().inverse().after(PATH.pose())
    turn = float(np.arctan2(back.rotation[1, 0], back.rotation[0, 0])) * 200.0
    assert values(by_pips.cut_on_shell.shift) == pytest.approx((*back.translation_mm[:2], turn), abs=FORMED)
    for one in (by_pips.cut, by_pips.seating, by_pips.cut_on_shell):
        assert one is not None
        assert 0.001 < one.u_dx_mm < 0.02
    cannot = {scheme: " ".join(measurement.untold) for scheme, measurement in told.items()}
    assert "the cutter made the datums" in cannot[DatumScheme.HOLE_AND_SLOT]
    assert "trusted to sit" in cannot[DatumScheme.FIXTURE]
    assert "no datum but the form" in cannot[DatumScheme.BEST_FIT]
    assert told[DatumScheme.BEST_FIT].cut_on_shell is None


def test_the_budget_counts_from_the_datum(told: dict[DatumScheme, ShellMeasurement]) -> None:
    """Held by a hole at the front: what the shell's temperature is not known by counts by the distance from that hole,
    so the rear has twice of it that it has from pips all around, and each zone names what its datums bring.
    """
    zones = {s: {zone.zone: zone for zone in told[s].zones} for s in (DatumScheme.HOLE_AND_SLOT, DatumScheme.PIPS)}

    def share(scheme: DatumScheme, zone: str, source: str) -> float:
        return next(s.u for s in zones[scheme][zone].most.shares if s.source == source)

    rear = "rear-right-of-notch"
    assert share(DatumScheme.HOLE_AND_SLOT, rear, "temperature") > 1.5 * share(DatumScheme.PIPS, rear, "temperature")
    assert all(share(scheme, zone, "datums") > 0 for scheme in zones for zone in zones[scheme])


def test_by_best_fit_only_the_form_is_left(told: dict[DatumScheme, ShellMeasurement]) -> None:
    by_fit = told[DatumScheme.BEST_FIT]
    datum, form = profile(by_fit, Frame.DATUM), profile(by_fit, Frame.BEST_FIT)
    assert np.nanmax(np.abs(datum.deviation_mm - form.deviation_mm)) < 0.002
    here = error(by_fit, Frame.BEST_FIT, np.zeros(2), np.array([0.0, 600.0]))
    assert np.abs(here).max() < FORMED + unseen_height(0.41)


def test_the_back_arris_is_not_seen_from_above(gauge_of: GaugeOf, light: Array) -> None:
    """No deviation is told from the wrong arris: the rim's zones but the notch have none, and the stop says why. The
    decal is still looked at.
    """
    measurement = looked_at(gauge_of(arris=Arris.BACK), light)
    (stop,) = measurement.stops
    assert (stop.stage, stop.concerns) == ("edge", Check.TRIM)
    assert "back-face arris" in stop.reason
    for zone in measurement.zones:
        assert zone.seen_mm < 0.9 * zone.length_mm
        assert np.isnan(zone.most.value) or zone.zone == "cable-notch"
    assert [decal.there for decal in measurement.decals] == [True]


@pytest.mark.parametrize("bits", [8, 12])
def test_other_bits_same_numbers(
    bits: int, gauge_of: GaugeOf, light: Array, told: dict[DatumScheme, ShellMeasurement]
) -> None:
    """The same light in 8 bits and in 12 of 16 bits against 16: edges differ by the rounding to levels alone.

    SOURCE: rounding is noise of 1 / sqrt(12) of a level; what it does to an edge is the Cramér-Rao bound of
    test_edge.py, contrast 0.44 and blur 0.8 px. 1.5 x: third differences choose no other samples.
    """
    read, reference = looked_at(gauge_of(bits=bits), light, bits), told[DatumScheme.PIPS]
    assert read.stops == ()
    rounding_px = 1 / (2**bits - 1) / np.sqrt(12) / 0.44 * np.sqrt(2 * 0.8 * np.sqrt(np.pi))
    trace, true = read.traces[0], reference.traces[0]
    across = ((trace.pixel - true.pixel) * true.pixel_per_mm).sum(axis=1) / np.hypot(*true.pixel_per_mm.T)
    assert 0 < np.nanstd(across) < 1.5 * rounding_px + 2e-4  # records are single precision: 1e-4 px
    assert np.median(read.traces[0].u_mm) == pytest.approx(np.median(true.u_mm), rel=0.15)
    for one, other in zip(read.zones, reference.zones, strict=True):
        assert one.most.value == pytest.approx(other.most.value, abs=0.005)
    assert read.views[0].grey_ratio == pytest.approx(reference.views[0].grey_ratio, abs=0.002)
