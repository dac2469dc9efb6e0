"""Simple-polygon checks, against shapely as an independent judge."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.shop.polygons import crossing, is_inside, polygon_fault

COORDINATE = st.integers(-12, 12).map(float)
POINTS = st.lists(st.tuples(COORDINATE, COORDINATE), min_size=3, max_size=9)


@settings(max_examples=600, derandomize=True)
@given(POINTS)
def test_simple_as_shapely_says(points: list[tuple[float, float]]) -> None:
    """Whole-numbered points, so that touching and overlapping edges are common and exact."""
    ours = polygon_fault(points) is None and crossing(points) is None
    repeats = any(points[i] == points[i - 1] for i in range(len(points)))  # shapely drops these, we report them
    theirs = not repeats and shapely.Polygon(points).is_valid and shapely.Polygon(points).area > 0
    assert ours == theirs, points


@settings(max_examples=300, derandomize=True)
@given(st.tuples(COORDINATE, COORDINATE), st.integers(0, 2**16))
def test_inside_as_shapely_says(point: tuple[float, float], seed: int) -> None:
    rng = np.random.default_rng(seed)
    angles = np.sort(rng.uniform(0, 2 * np.pi, 12))
    radii = rng.uniform(3, 14, 12)
    star = [(float(r * np.cos(a)), float(r * np.sin(a))) for r, a in zip(radii, angles, strict=True)]
    polygon = shapely.Polygon(star)
    if shapely.Point(point).distance(polygon.exterior) > 1e-5:
        assert is_inside(point, star) == polygon.contains(shapely.Point(point))


def test_on_the_edge_is_inside() -> None:
    square = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)]
    for point in [(0.0, 0.0), (5.0, 0.0), (10.0, 3.0), (5.0, 10.0)]:
        assert is_inside(point, square)
    assert not is_inside((10.01, 3.0), square)


@pytest.mark.parametrize(
    ("points", "index", "words"),
    [
        ([(0, 0), (1, 0)], 0, "2 points"),
        ([(0, 0), (1, 0), (1, 0), (0, 1)], 2, "point 3 is point 2 again"),
        ([(0, 0), (1, 0), (0, 1), (0, 0)], 3, "the first point again"),
    ],
)
def test_plain_faults(points: list[tuple[float, float]], index: int, words: str) -> None:
    fault = polygon_fault(points)
    assert fault is not None and fault[0] == index and words in fault[1]


def test_bow_tie_says_where() -> None:
    crossed = crossing([(0.0, 0.0), (4.0, 0.0), (0.0, 4.0), (4.0, 4.0)])
    assert crossed == (1, 3, (2.0, 2.0))
