"""Arc fitting: few pieces, close to the points, exact where the points were."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from pipeline.geometry.arcs import fit_closed, fit_open
from pipeline.kernels import plan_arcs


def arc(cx, cy, r, a0, a1, n):
    t = np.linspace(a0, a1, n)
    return np.column_stack([cx + r * np.cos(t), cy + r * np.sin(t)])


@pytest.mark.parametrize("direction", [1, -1])
def test_a_circle_has_two_halves_and_its_own_radius(direction):
    path = fit_closed(arc(1, 2, 7, 0, math.tau, 400)[:-1][::direction])
    assert len(path.segments) == 2
    assert path.length_mm == pytest.approx(math.tau * 7, rel=1e-9)
    assert np.sign(path.segments[:, 6]).tolist() == [direction, direction]


def test_a_slot_is_two_lines_and_two_arcs():
    points = np.vstack([arc(10, 0, 2, -math.pi / 2, math.pi / 2, 200), arc(0, 0, 2, math.pi / 2, 3 * math.pi / 2, 200)])
    path = fit_closed(points)
    assert len(path.segments) == 4
    assert path.length_mm == pytest.approx(20 + 4 * math.pi, rel=1e-7)  # closed form


def test_a_polygon_stays_a_polygon():
    square = np.array([[0, 0], [5, 0], [10, 0], [10, 10], [0, 10]], float)
    path = fit_closed(square)
    assert len(path.segments) == 4
    assert (path.segments[:, 6] == 0).all()
    assert path.length_mm == pytest.approx(40, rel=1e-12)


@pytest.mark.parametrize("tolerance", [0.0007, 0.002, 0.01])
def test_a_wave_is_followed_within_the_tolerance(tolerance):
    x = np.linspace(0, 60, 6001)
    wave = np.column_stack([x, 3 * np.sin(x / 4) + np.cos(x / 1.7)])
    path = fit_open(wave, tolerance_mm=tolerance)
    distance = shapely.distance(shapely.LineString(wave), shapely.points(path.flattened(chord_mm=1e-5)))
    assert distance.max() < tolerance + 1e-5
    assert len(path.segments) < 150
    assert path.start == tuple(wave[0])
    assert path.end == tuple(wave[-1])


def test_compiled_and_interpreted_agree():
    points = np.vstack([arc(0, 0, 5, 0, 2, 80), arc(0, 0, 5, 2, 2.001, 2), [[-9.0, 3.0], [-12.0, 8.0]]])
    loose = {name: getattr(plan_arcs, name) for name in ("_line_reaches", "_arc_through")}
    compiled = plan_arcs.fit_chain(points, 0.001, 4.0, False)
    try:
        for name, kernel in loose.items():
            setattr(plan_arcs, name, kernel.py_func)
        interpreted = plan_arcs.fit_chain.py_func(points, 0.001, 4.0, False)
    finally:
        for name, kernel in loose.items():
            setattr(plan_arcs, name, kernel)
    np.testing.assert_allclose(compiled, interpreted, rtol=1e-12)
