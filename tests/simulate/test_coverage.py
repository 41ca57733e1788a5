"""Exact area coverage against GEOS.

SOURCE: GEOS (libgeos.org) through shapely: polygon intersection and area.
"""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely.geometry.polygon import orient

from edgeinspect.simulate.coverage import coverage

SIZE = 12


def _reference(area: shapely.Polygon) -> NDArray[np.float64]:
    boxes = [[shapely.box(x - 0.5, y - 0.5, x + 0.5, y + 0.5) for x in range(SIZE)] for y in range(SIZE)]
    return np.asarray(shapely.area(shapely.intersection(area, np.array(boxes))))


def _rings(area: shapely.Polygon) -> list[NDArray[np.float64]]:
    turned = orient(area, 1.0)  # counter-clockwise with y up is clockwise in a picture, y down
    return [np.asarray(ring.coords)[:-1] for ring in (turned.exterior, *turned.interiors)]


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.floats(-4, 16), st.floats(-4, 16)), min_size=3, max_size=9))
def test_share_of_every_pixel(points: list[tuple[float, float]]) -> None:
    hull = shapely.MultiPoint(points).convex_hull
    if not isinstance(hull, shapely.Polygon) or hull.area < 1e-3:
        return
    found = coverage(_rings(hull), 0, 0, SIZE, SIZE)
    assert np.abs(found - _reference(hull)).max() < 1e-5


def test_holes_and_whole_number_edges() -> None:
    area = shapely.Polygon(
        [(0.5, 0.5), (9.5, 0.5), (9.5, 8.0), (5.0, 10.25), (0.5, 8.0)], [[(3, 3), (6, 3.5), (5.5, 6.5), (2.5, 6)]]
    )
    assert np.abs(coverage(_rings(area), 0, 0, SIZE, SIZE) - _reference(area)).max() < 1e-6


def test_a_window_sees_its_part() -> None:
    area = shapely.Point(6.0, 5.0).buffer(4.3)
    whole = coverage(_rings(area), 0, 0, SIZE, SIZE)
    assert np.abs(coverage(_rings(area), 4, 3, 5, 6) - whole[3:9, 4:9]).max() < 1e-6
