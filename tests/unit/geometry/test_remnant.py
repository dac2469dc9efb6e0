"""Broad pieces of figures whose opening is known by arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from pipeline.geometry.offsets import Area
from pipeline.geometry.remnant import broad_pieces

WIDTH = 5.0


def boxes(*corners):
    return Area(shapely.union_all([shapely.box(*box) for box in corners]))


def test_square_corners_stay_whole_and_narrow_strips_go():
    assert [p.area_mm2 for p in broad_pieces(boxes((0, 0, 30, 20)), width_mm=WIDTH)] == pytest.approx([600])
    assert broad_pieces(boxes((0, 0, 30, 4.99)), width_mm=WIDTH) == ()
    (just,) = broad_pieces(boxes((0, 0, 30, 5.01)), width_mm=WIDTH)
    assert just.area_mm2 == pytest.approx(30 * 5.01)


def test_a_long_narrow_neck_parts_the_pieces_largest_first():
    small, large, neck = (0, 0, 15, 20), (25, 0, 55, 20), (15, 8, 25, 12)
    first, second = broad_pieces(boxes(small, large, neck), width_mm=WIDTH)
    # a centre comes 1.5 mm near the neck's mouth, 2.5 mm from both of its corners; what is within 5 mm of it stays
    assert first.shape.bounds[0] == pytest.approx(25 + 1.5 - 5, abs=0.01)
    assert second.shape.bounds[2] == pytest.approx(15 - 1.5 + 5, abs=0.01)
    for piece, box in ((first, 600), (second, 300)):
        assert box + 4 * 2.5 < piece.area_mm2 < box + 4 * 3.5


def test_a_short_narrow_spot_does_not():
    (whole,) = broad_pieces(boxes((0, 0, 15, 20), (19, 0, 40, 20), (15, 8, 19, 12)), width_mm=WIDTH)
    assert whole.area_mm2 == pytest.approx(300 + 420 + 16)


def test_the_tip_of_a_thin_wedge_is_cut_where_the_width_ends():
    half = math.radians(10)
    wedge = Area(shapely.Polygon([(0, 0), (60, -60 * math.tan(half)), (60, 60 * math.tan(half))]))
    (left,) = broad_pieces(wedge, width_mm=WIDTH)
    # the last centre lies 2.5 / sin(10 degrees) from the tip; what is within 5 mm of it stays
    assert left.shape.bounds[0] == pytest.approx(2.5 / math.sin(half) - 5.0, abs=0.02)
    assert np.isclose(left.shape.bounds[2], 60)
