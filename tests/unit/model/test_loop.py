"""Loops of lines and arcs against closed forms of plane geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.model.frames import Pose
from pipeline.model.loop import Loop

QUARTER = math.tan(math.pi / 8)  # bulge of a quarter circle, by the definition tan(sweep / 4)


def rounded_rectangle(a, b, r):
    return Loop(
        np.array(
            [
                [r, 0, 0],
                [a - r, 0, QUARTER],
                [a, r, 0],
                [a, b - r, QUARTER],
                [a - r, b, 0],
                [r, b, QUARTER],
                [0, b - r, 0],
                [0, r, QUARTER],
            ]
        )
    )


def test_circle():
    circle = Loop.circle(3, -2, 5)
    assert circle.area_mm2 == pytest.approx(math.pi * 25, rel=1e-12)
    assert circle.length_mm == pytest.approx(math.pi * 10, rel=1e-12)


def test_rounded_rectangle():
    loop = rounded_rectangle(30, 20, 4)
    assert loop.area_mm2 == pytest.approx(30 * 20 - (4 - math.pi) * 16, rel=1e-12)
    assert loop.length_mm == pytest.approx(2 * (22 + 12) + 8 * math.pi, rel=1e-12)


def test_clockwise_is_refused_and_polygons_are_turned():
    with pytest.raises(ValueError, match="counter-clockwise"):
        Loop(np.array([[0, 0, 0], [0, 1, 0], [1, 1, 0.0]]))
    assert Loop.polygon(np.array([[0, 0], [0, 1], [1, 1.0]])).area_mm2 == pytest.approx(0.5)


def test_flattening_stays_within_the_chord_and_on_its_side():
    circle = Loop.circle(0, 0, 7)
    inside = np.hypot(*circle.flattened(chord_mm=0.01).T)
    assert np.allclose(inside, 7)
    outward = circle.flattened(chord_mm=0.01, outward=True)
    edges = outward, np.roll(outward, -1, axis=0)
    nearest = [abs((b - a)[0] * -a[1] - (b - a)[1] * -a[0]) / np.hypot(*(b - a)) for a, b in zip(*edges, strict=True)]
    assert min(nearest) >= 7 - 1e-9
    assert np.hypot(*outward.T).max() <= 7.011


def test_a_concave_arc_flattened_outward_still_holds_the_loop():
    """A bite out of a square: the chord of a concave arc lies outside the region, so its polygon has no less area."""
    loop = Loop(np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [7, 10, -1.0], [3, 10, 0], [0, 10, 0]]))
    x, y = loop.flattened(chord_mm=0.01, outward=True).T
    assert loop.area_mm2 == pytest.approx(100 - math.pi * 2, rel=1e-12)
    assert 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) >= loop.area_mm2


def test_moving_keeps_area_and_length():
    loop = rounded_rectangle(30, 20, 4)
    moved = loop.moved(Pose.planar(to="a", frm="b", x_mm=5, y_mm=7, angle_rad=0.3))
    assert moved.area_mm2 == pytest.approx(loop.area_mm2, rel=1e-12)
    assert moved.length_mm == pytest.approx(loop.length_mm, rel=1e-12)
