"""Plane shifts that bring a nominal outline onto measured points, and the deviation from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeinspect.geometry import Array, PlaneShift, Pose, closed_arc_mm
from edgeinspect.measure.alignment import combine, deviation_from, fit_along_normals, fit_points, on_sheet, placed
from edgeinspect.measure.ribbon import Stations, lay_stations
from edgeinspect.shell.definition import Curve

STEP_MM = 0.5


def circle_xy(radius: float, step_mm: float = 0.02) -> Array:
    count = int(2 * np.pi * radius / step_mm)
    angle = 2 * np.pi * np.arange(count) / count
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def rounded_rectangle_xy(length: float, width: float, radius: float, step_mm: float = 0.02) -> Array:
    """Counter-clockwise, corner arcs with points at most ``step_mm`` apart, and straight sides ten times that."""
    parts = []
    hx, hy = length / 2 - radius, width / 2 - radius
    for k, (x, y, run) in enumerate([(hx, -hy, 2 * hy), (hx, hy, 2 * hx), (-hx, hy, 2 * hy), (-hx, -hy, 2 * hx)]):
        out = np.deg2rad(90 * k)
        normal, along = np.array([np.cos(out), np.sin(out)]), np.array([-np.sin(out), np.cos(out)])
        side = np.arange(0.0, run, 10 * step_mm)[:, None]
        parts.append(np.array([x, y]) + radius * normal + side * along)
        turn = out + np.arange(0.0, np.pi / 2, step_mm / radius)
        corner = np.array([x, y]) + run * along
        parts.append(corner + radius * np.column_stack([np.cos(turn), np.sin(turn)]))
    return np.vstack(parts)


def stations_of(xy: Array, z: Array | float = 0.0, slope: float = 0.0, step_mm: float = STEP_MM) -> Stations:
    points = np.column_stack([xy, np.zeros(len(xy)) + z])
    return lay_stations(Curve("rim", points, np.full(len(xy), slope)), step_mm)


@pytest.fixture(scope="module")
def outline() -> Stations:
    return stations_of(rounded_rectangle_xy(400.0, 300.0, 60.0, 0.1))


# ------------------------------------------------------------------------------------------------ points onto points


def test_the_published_example_without_scale() -> None:
    """SOURCE: Umeyama, PAMI 13(4) 1991, section III: three points whose naive SVD answer is a reflection. Rigid part
    recomputed with skimage.
    """
    fit = fit_points(np.array([[0.0, 0], [1, 0], [0, 2]]), np.array([[0.0, 0], [-1, 0], [0, 2]]), np.ones(3))
    angle = np.deg2rad(fit.shift.rotation_deg)
    assert [np.cos(angle), -np.sin(angle)] == pytest.approx([0.832050, 0.554700], abs=1e-6)
    assert [fit.shift.dx_mm, fit.shift.dy_mm] == pytest.approx([-0.980484, 0.296866], abs=1e-6)
    assert fit.rms_mm**2 == pytest.approx(0.619755, abs=1e-6)
    assert np.linalg.det(fit.shift.pose().rotation) == pytest.approx(1.0)


@settings(max_examples=40, deadline=None)
@given(st.floats(-20, 20), st.floats(-20, 20), st.floats(-170, 170), st.integers(0, 99))
def test_a_known_shift_comes_back(dx: float, dy: float, turn: float, seed: int) -> None:
    nominal = np.random.default_rng(seed).uniform(-200, 200, (4, 2))
    shift = PlaneShift(dx, dy, turn)
    moved = shift.pose().apply(np.column_stack([nominal, np.zeros(4)]))[:, :2]
    found = fit_points(nominal, moved, np.array([0.01, 0.02, 0.01, 0.03])).shift
    assert (found.dx_mm, found.dy_mm, found.rotation_deg) == pytest.approx((dx, dy, turn), abs=1e-8)


def test_the_covariance_of_points_is_the_scatter() -> None:
    nominal = np.array([[-165.0, 40.0], [165.0, 40.0], [0.0, -82.0]])
    u = np.array([0.01, 0.01, 0.03])
    random = np.random.default_rng(2)
    fits = [fit_points(nominal, nominal + random.normal(0, 1, (3, 2)) * u[:, None], u) for _ in range(2000)]
    got = np.std([(f.shift.dx_mm, f.shift.dy_mm, np.deg2rad(f.shift.rotation_deg)) for f in fits], axis=0)
    assert np.sqrt(np.diag(fits[0].covariance)) == pytest.approx(got, rel=0.06)


@settings(max_examples=40, deadline=None)
@given(*[st.floats(-30, 30)] * 6)
def test_shifts_combine_like_placements(a: float, b: float, c: float, d: float, e: float, f: float) -> None:
    first, second = PlaneShift(a, b, c), PlaneShift(d, e, f)
    points = np.random.default_rng(0).uniform(-200, 200, (5, 3))
    both = second.pose().after(first.pose()).apply(points)
    assert np.abs(combine(second, first).pose().apply(points) - both).max() < 1e-9


# ------------------------------------------------------------------------------------------------ outline onto edge


def fitted(outline: Stations, offset: Array, usable: np.ndarray | None = None) -> tuple[float, float, float]:
    """Shift [mm] and turn as mm at 200 mm."""
    seen = np.ones(len(offset), dtype=bool) if usable is None else usable
    shift = fit_along_normals(outline.points_mm, outline.normals, offset, seen).shift
    return shift.dx_mm, shift.dy_mm, np.deg2rad(shift.rotation_deg) * 200.0


def along(outline: Stations, dx: float, dy: float, rotation_deg: float) -> Array:
    """Offset along the normals of a small shift."""
    turn = np.deg2rad(rotation_deg)
    x, y = outline.points_mm[:, 0], outline.points_mm[:, 1]
    return np.asarray((dx - turn * y) * outline.normals[:, 0] + (dy + turn * x) * outline.normals[:, 1])


@pytest.mark.parametrize("even", [0.15, -0.15, 0.149, 0.151, 0.4])
@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_too_much_all_round_moves_nothing(outline: Stations, even: float, noise: float) -> None:
    """A robust loss slid 0.19 mm sideways here (a trial of this project, no source)."""
    offset = np.full(len(outline.arc_mm), even) + np.random.default_rng(1).normal(0, noise, len(outline.arc_mm))
    limit = 0.001 + 4 * noise / np.sqrt(len(offset) / 2)
    assert np.abs(fitted(outline, offset)).max() < limit


@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_a_long_side_that_is_off_counts(outline: Stations, noise: float) -> None:
    """0.3 mm on the whole rear side is no flaw: least squares shares it between the two long sides."""
    offset = np.where(outline.normals[:, 1] > 0.99, 0.3, 0.0)
    offset += np.random.default_rng(1).normal(0, noise, len(offset))
    rows = np.column_stack([along(outline, 1, 0, 0), along(outline, 0, 1, 0), along(outline, 0, 0, 1)])
    plain = np.linalg.lstsq(rows, offset, rcond=None)[0]
    dx, dy, turn = fitted(outline, offset)
    assert plain[1] > 0.1
    assert (dx, dy) == pytest.approx(plain[:2], abs=0.005)
    assert abs(turn) < 0.005


@pytest.mark.parametrize("start_mm", [100.0, 300.0, 700.0])
@pytest.mark.parametrize("depth", [0.75, -0.75, 0.4])
def test_a_short_flaw_moves_little(outline: Stations, depth: float, start_mm: float) -> None:
    """60 mm left long or cut deep, wherever it is, and the path is still told right."""
    true = (0.12, -0.08, 0.02)
    flaw = (outline.arc_mm > start_mm) & (outline.arc_mm < start_mm + 60.0)
    noise = np.random.default_rng(4).normal(0, 0.01, len(flaw))
    dx, dy, turn = fitted(outline, along(outline, *true) + np.where(flaw, depth, 0.0) + noise)
    assert (dx, dy) == pytest.approx(true[:2], abs=0.005)
    assert turn == pytest.approx(np.deg2rad(true[2]) * 200.0, abs=0.005)


def test_unseen_stretches_say_nothing(outline: Stations) -> None:
    offset = along(outline, 0.2, 0.1, 0.03)
    lost = (outline.arc_mm > 200) & (outline.arc_mm < 600)
    found = fitted(outline, np.where(lost, 5.0, offset), ~lost)
    assert found == pytest.approx((0.2, 0.1, np.deg2rad(0.03) * 200), abs=1e-6)


def test_the_covariance_of_an_outline_is_the_scatter(outline: Stations) -> None:
    """Waviness that holds together over 20 mm, as cutters make it: predicted over actual within 0.8 to 1.25."""
    random = np.random.default_rng(8)
    count, together = len(outline.arc_mm), round(20.0 / outline.step_mm)
    usable = np.ones(count, dtype=bool)
    fits = []
    for _ in range(300):
        blocks = np.repeat(random.normal(0, 0.03, count // together + 1), together)[:count]
        fits.append(fit_along_normals(outline.points_mm, outline.normals, blocks, usable))
    got = np.std([(f.shift.dx_mm, f.shift.dy_mm, np.deg2rad(f.shift.rotation_deg)) for f in fits], axis=0)
    said = np.mean([np.sqrt(np.diag(f.covariance)) for f in fits], axis=0)
    assert (said / got > 0.8).all()
    assert (said / got < 1.25).all()
    # What the fit brings to a deviation at one place, here the lower end of the right side.
    x, y = outline.points_mm[0, :2]
    there = [f.shift.dx_mm - y * np.deg2rad(f.shift.rotation_deg) for f in fits]
    assert (x, outline.normals[0, 0]) == pytest.approx((200.0, 1.0), abs=1e-4)
    u = np.mean([f.u_along(outline.points_mm[:1], outline.normals[:1])[0] for f in fits])
    assert 0.8 < u / np.std(there) < 1.25


# ------------------------------------------------------------------------------------------------ deviation


def parabola_mm(radius: float, off: Array | float) -> Array:
    """What a parabola through half a step says wrong of a circle at a distance: a² d / 2 R² (series of the distance
    to a circle), 0.00007 mm for 0.3 mm on R = 12. On the curve itself nothing.
    """
    return np.asarray(1.2 * (STEP_MM / 2) ** 2 * np.abs(off) / (2 * radius**2))


@pytest.mark.parametrize("radius", [12.0, 60.0, 200.0])
@pytest.mark.parametrize("off", [0.0, 0.3, -0.3, 1.0])
def test_deviation_from_a_circle(radius: float, off: float) -> None:
    """SOURCE: radius of the point less radius of the circle: the true curve, where chords of 0.5 mm sag up to
    0.0026 mm. Points lie anywhere between stations.
    """
    nominal = stations_of(circle_xy(radius, 0.005))
    angle = nominal.arc_mm / radius + 0.3 * STEP_MM / radius
    points = (radius + off) * np.column_stack([np.cos(angle), np.sin(angle), np.zeros(len(angle))])
    deviation, foot = deviation_from(nominal, points)
    assert np.abs(deviation - off).max() < 1e-6 + parabola_mm(radius, off)
    length = 2 * np.pi * radius
    gap = (foot - np.mod(angle, 2 * np.pi) * radius + length / 2) % length - length / 2
    assert np.abs(gap).max() < 1e-3 + abs(off) * STEP_MM / radius


@pytest.mark.parametrize(("dx", "dy"), [(0.0, 0.0), (0.31, -0.22), (1.5, 2.0)])
def test_deviation_from_a_rounded_rectangle(dx: float, dy: float) -> None:
    """SOURCE: shapely's distance to the finely divided outline (chord sag 2e-7 mm), with the side by contains.

    Points of a rectangle a little larger, shifted. Where an arc meets a side the parabola between two stations is not
    the curve: these few may be off by 0.0004 mm.
    """
    xy = rounded_rectangle_xy(400.0, 300.0, 60.0, 0.01)
    nominal = stations_of(xy)
    other = stations_of(rounded_rectangle_xy(400.4, 300.2, 60.1, 0.01))
    pick = np.round(np.linspace(0, len(other.arc_mm), len(nominal.arc_mm), endpoint=False)).astype(int)
    points = other.points_mm[pick] + np.array([dx, dy, 0.0])
    deviation, points = deviation_from(nominal, points)[0][::3], points[::3]
    polygon, places = shapely.Polygon(xy), shapely.points(points[:, :2])
    shapely.prepare(polygon)
    wanted = shapely.distance(polygon.exterior, places) * np.where(shapely.contains(polygon, places), -1.0, 1.0)
    error = np.abs(deviation - wanted)
    x, y = np.abs(points[:, 0]), np.abs(points[:, 1])
    joint = np.minimum(np.abs(x - 140.0), np.abs(y - 90.0)) < 1.5 + max(abs(dx), abs(dy))
    assert (error < 1e-6 + parabola_mm(60.0, wanted))[~joint].all()
    assert error.max() < 4e-4


@pytest.mark.parametrize(("offset_mm", "value"), [(0.0, 0.62), (0.1, 0.56), (-0.1, 0.82)])
def test_profile_of_any_line(offset_mm: float, value: float) -> None:
    """SOURCE: ISO 1101 profile any line with ISO 1660 UZ, as restated by Henzold, Geometrical Dimensioning and
    Tolerancing, ch. 4: a zone of circles on the true profile, moved by UZ, + out of the material; the actual value is
    2 max|d - UZ|. The points and values on a rectangle of 100 x 60 were worked with shapely for this project.
    """
    corners = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])
    sides = [
        a + np.linspace(0, 1, 201)[:-1, None] * (b - a) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)
    ]
    rectangle = stations_of(np.vstack(sides))
    read = np.array([[50, -0.12], [100.31, 30], [50, 60.05], [-0.2, 30], [30, 0.18], [99.9, 45]])
    points = rectangle.points_mm.copy()
    at = [int(np.linalg.norm(points[:, :2] - one, axis=1).argmin()) for one in read]
    points[at, :2] = read
    deviation, _ = deviation_from(rectangle, points)
    assert deviation[at] == pytest.approx([0.12, 0.31, 0.05, 0.2, -0.18, -0.10], abs=1e-9)
    assert 2 * np.abs(deviation[at] - offset_mm).max() == pytest.approx(value, abs=1e-9)


def test_signs_of_a_hole() -> None:
    """+ is too much material: a hole cut too small reads +, too large reads -."""
    xy = circle_xy(12.0)
    curve = Curve("hole", np.column_stack([xy, np.zeros(len(xy))]), np.zeros(len(xy)), is_hole=True)
    nominal = lay_stations(curve, 0.5)
    small = nominal.points_mm * np.array([0.99, 0.99, 1.0])
    assert deviation_from(nominal, small)[0] == pytest.approx(0.12, abs=1e-4)
    assert deviation_from(nominal, nominal.points_mm * np.array([1.01, 1.01, 1.0]))[0] == pytest.approx(-0.12, abs=1e-4)


def test_what_was_not_seen_stays_nan(outline: Stations) -> None:
    points = outline.points_mm.copy()
    points[10:20] = np.nan
    deviation, foot = deviation_from(outline, points)
    assert np.isnan(deviation[10:20]).all()
    assert np.isnan(foot[10:20]).all()
    assert np.isfinite(np.delete(deviation, np.s_[10:20])).all()


def test_arc_lengths_run_over_the_start(outline: Stations) -> None:
    """Points shifted along the outline by 3 mm: each foot lies 3 mm further on, also over the start point."""
    moved = outline.points_mm + 3.0 * outline.tangents
    straight = np.abs(outline.normals[:, 1]) < 1e-6
    _, foot = deviation_from(outline, moved)
    length = closed_arc_mm(outline.points_mm)[1]
    ahead = (foot - outline.arc_mm + length / 2) % length - length / 2
    inner = straight & np.roll(straight, -8)
    assert ahead[inner] == pytest.approx(3.0, abs=1e-6)


def test_a_rim_that_climbs_keeps_its_own_arc_length() -> None:
    """On a slope of 30 degrees a step in plan is shorter than along the rim; deviation is in plan, arc is along it."""
    xy = rounded_rectangle_xy(100.0, 80.0, 20.0)
    climbing = stations_of(xy, xy[:, 0] * np.tan(np.deg2rad(30)))
    points = climbing.points_mm + 0.2 * climbing.normals + 0.0
    deviation, foot = deviation_from(climbing, points)
    assert deviation == pytest.approx(0.2, abs=2e-5)
    length = len(climbing.arc_mm) * climbing.step_mm
    assert np.abs((foot - climbing.arc_mm + length / 2) % length - length / 2).max() < 0.01


# ------------------------------------------------------------------------------------------------ heights


def test_the_sheet_under_a_shifted_cut() -> None:
    """SOURCE: a plane z = 0.4 x - 0.2 y. Wherever the cutter runs over it, its points lie on that plane."""

    def plane(points: Array) -> Array:
        return np.asarray(0.4 * points[:, 0] - 0.2 * points[:, 1])

    xy = rounded_rectangle_xy(100.0, 80.0, 20.0, 0.1)
    points = np.column_stack([xy, plane(xy)])
    flat = lay_stations(Curve("rim", points, np.zeros(len(xy))), 0.5)
    climb = flat.normals[:, 0] * 0.4 - flat.normals[:, 1] * 0.2
    nominal = replace(flat, climb=climb)
    seat = Pose.from_degrees((0, 0, 0), (0, 0, 60))
    for cut, shell in [((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)), ((0.5, -0.3, 0.2), (-0.4, 0.2, -0.1))]:
        on = on_sheet(nominal, PlaneShift(*cut).pose().after(seat), PlaneShift(*shell).pose().after(seat), 1.0)
        in_shell = PlaneShift(*shell).pose().after(seat).inverse().apply(on.points_mm)
        assert np.abs(in_shell[:, 2] - plane(in_shell)).max() < 2e-4
        there = placed(nominal.placed(seat), PlaneShift(*cut))
        assert np.abs(on.points_mm[:, :2] - there.points_mm[:, :2]).max() < 1e-9
