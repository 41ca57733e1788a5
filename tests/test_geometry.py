"""Placements and closed curves, against scipy's rotations, shapely's areas and formulas."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from edgeinspect.geometry import PlaneShift, Pose, closed_arc_mm, frozen, resample_closed, signed_area_mm2

Triple = tuple[float, float, float]
ANGLES = st.tuples(*[st.floats(-180, 180)] * 3)
SHIFTS = st.tuples(*[st.floats(-1000, 1000)] * 3)
POINTS = np.random.default_rng(1).uniform(-300, 300, (20, 3))


@settings(max_examples=40, deadline=None)
@given(ANGLES, SHIFTS)
def test_angles_as_scipy_reads_them(angles: Triple, shift: Triple) -> None:
    """SOURCE: scipy.spatial.transform.Rotation, 'xyz' = extrinsic rotations about fixed x, then y, then z."""
    pose = Pose.from_degrees(angles, shift)
    wanted = Rotation.from_euler("xyz", angles, degrees=True).apply(POINTS) + shift
    assert np.abs(pose.apply(POINTS) - wanted).max() < 1e-9
    assert np.linalg.det(pose.rotation) == pytest.approx(1.0)


@settings(max_examples=40, deadline=None)
@given(ANGLES, SHIFTS, ANGLES, SHIFTS)
def test_placements_compose_and_invert(a: Triple, s: Triple, b: Triple, t: Triple) -> None:
    one, two = Pose.from_degrees(a, s), Pose.from_degrees(b, t)
    assert np.abs(two.after(one).apply(POINTS) - two.apply(one.apply(POINTS))).max() < 1e-9
    assert np.abs(one.inverse().apply(one.apply(POINTS)) - POINTS).max() < 1e-9
    assert np.abs(one.turn(POINTS) - (one.apply(POINTS) - np.array(s))).max() < 1e-9


def test_a_mirror_is_no_placement() -> None:
    with pytest.raises(ValueError, match="proper rotation"):
        Pose(np.diag([1.0, 1.0, -1.0]), np.zeros(3))
    with pytest.raises(ValueError, match="proper rotation"):
        Pose(1.001 * np.eye(3), np.zeros(3))


def test_a_plane_shift_turns_counter_clockwise_then_shifts() -> None:
    moved = PlaneShift(1.0, 2.0, 90.0).pose().apply(np.array([[10.0, 0.0, 5.0]]))
    assert np.allclose(moved, [[1.0, 12.0, 5.0]])


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_records_hold_finite_read_only_numbers(bad: float) -> None:
    with pytest.raises(ValueError, match="not a finite number"):
        frozen([1.0, bad])
    with pytest.raises(ValueError, match="has shape"):
        frozen([1.0, 2.0], (3,))
    with pytest.raises(ValueError, match="read-only"):
        frozen([1.0, 2.0])[0] = 3.0
    source = np.array([1.0, 2.0])
    kept = frozen(source)
    source[0] = 9.0
    assert kept[0] == 1.0


def circle(radius: float, count: int) -> np.ndarray:
    angle = 2 * np.pi * np.arange(count) / count
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(count)])


def test_length_of_a_polygon() -> None:
    """SOURCE: perimeter 2 n R sin(pi/n) of a regular polygon."""
    arc, length = closed_arc_mm(circle(50.0, 360))
    assert length == pytest.approx(2 * 360 * 50.0 * np.sin(np.pi / 360), rel=1e-12)
    assert arc[0] == 0.0
    assert np.allclose(np.diff(arc), length / 360)


def test_resampling_is_even_and_on_the_curve() -> None:
    square = np.array([[0.0, 0, 1], [10, 0, 1], [10, 7, 2], [0, 7, 2]])
    length = closed_arc_mm(square)[1]
    arc, points = resample_closed(square, 0.3)
    step = length / len(arc)
    assert 0.29 < step <= 0.3
    assert np.allclose(np.diff(arc), step)
    ring = shapely.LinearRing(square[:, :2])
    assert max(shapely.distance(ring, shapely.points(points[:, :2]))) < 1e-9  # SOURCE: shapely
    assert np.allclose(points[0], square[0])
    with pytest.raises(ValueError, match="must be above 0"):
        resample_closed(square, 0.0)
    with pytest.raises(ValueError, match="must be above 0"):
        resample_closed(square, float("nan"))


@settings(max_examples=30, deadline=None)
@given(st.integers(3, 30), st.integers(0, 1000))
def test_area_as_shapely_has_it(count: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    angle = np.sort(random.uniform(0, 2 * np.pi, count))
    points = np.column_stack([np.cos(angle), np.sin(angle)]) * random.uniform(5, 20, count)[:, None] + 3.0
    polygon = shapely.Polygon(points)
    wanted = sum(
        0.5 * (a[0] * b[1] - b[0] * a[1])
        for a, b in zip(polygon.exterior.coords[:-1], polygon.exterior.coords[1:], strict=True)
    )
    assert signed_area_mm2(points) == pytest.approx(wanted, abs=1e-9)
    if polygon.is_valid:
        sign = 1.0 if polygon.exterior.is_ccw else -1.0
        assert signed_area_mm2(points) == pytest.approx(sign * polygon.area, abs=1e-9)
        assert signed_area_mm2(points[::-1]) == pytest.approx(-sign * polygon.area, abs=1e-9)
