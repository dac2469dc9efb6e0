"""Paths: lengths, points, parts and nearest places of lines and arcs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.geometry.paths import Path
from pipeline.model.loop import Loop

CIRCLE = Path.circle(1, 2, 5)


def test_a_point_and_a_direction():
    x, y, tx, ty = CIRCLE.at(math.pi * 5 / 2)  # a quarter on from (-4, 2), counter-clockwise
    assert (x, y, tx, ty) == pytest.approx((1, -3, 1, 0), abs=1e-12)
    assert CIRCLE.reversed().at(0)[2:] == pytest.approx((0, 1), abs=1e-12)


def test_parts_may_wrap_and_take_many_laps():
    lap = CIRCLE.length_mm
    assert CIRCLE.sub(-3, 2.5 * lap).length_mm == pytest.approx(3 + 2.5 * lap, rel=1e-12)
    part = CIRCLE.sub(lap - 1, lap + 2)
    assert part.start == pytest.approx(CIRCLE.at(-1)[:2])
    assert part.end == pytest.approx(CIRCLE.at(2)[:2])
    with pytest.raises(ValueError, match="s1 > s0"):
        CIRCLE.sub(2, 2)


def test_nearest_on_lines_and_arcs():
    square = Path.of_loop(Loop.polygon(np.array([[0, 0], [10, 0], [10, 10], [0, 10]], float)))
    assert square.nearest(4, -3) == pytest.approx((4, 3))
    assert square.nearest(12, 12) == pytest.approx((20, math.sqrt(8)))
    s, distance = CIRCLE.nearest(1, 9)
    assert distance == pytest.approx(2)
    assert CIRCLE.at(s)[:2] == pytest.approx((1, 7))


def test_samples_lie_on_it_at_even_lengths():
    lengths, points = CIRCLE.sampled(0.3)
    assert np.ptp(np.diff(lengths)) < 1e-12
    assert np.diff(lengths)[0] <= 0.3
    np.testing.assert_allclose(np.hypot(points[:, 0] - 1, points[:, 1] - 2), 5, rtol=1e-12)
