"""Offsets against closed forms and against distances measured from the original."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from pipeline.geometry.offsets import Area, inset, outset
from pipeline.model.loop import Loop

QUARTER = math.tan(math.pi / 8)


def rounded(a: float, b: float, r: float) -> Loop:
    return Loop(np.array([
        [r, 0, 0], [a - r, 0, QUARTER], [a, r, 0], [a, b - r, QUARTER],
        [a - r, b, 0], [r, b, QUARTER], [0, b - r, 0], [0, r, QUARTER],
    ]))  # fmt: skip


def blob(seed: int, points: int = 1500) -> Loop:
    """A smooth curve that is no chain of arcs, with concave places."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, math.tau, points, endpoint=False)
    r = 20 + sum(rng.uniform(0.3, 1.5) * np.cos(k * t + rng.uniform(0, math.tau)) for k in range(2, 7))
    return Loop.polygon(np.column_stack([1.8 * r * np.cos(t), r * np.sin(t)]))


def test_a_circle_comes_back_as_a_circle():
    path = outset(Loop.circle(3, -2, 10), 3)
    assert len(path.segments) == 2
    assert path.length_mm == pytest.approx(math.pi * 26, rel=1e-9)  # closed form, 2 pi (R + r)
    (inner,) = inset(Loop.circle(3, -2, 10), (), 3)
    (circle,) = inner.boundary()
    assert circle.length_mm == pytest.approx(math.tau * 7, abs=math.tau * 0.001)


@pytest.mark.parametrize("d", [0.5, 1.5, 6.0])
def test_lines_and_arcs_stay_exact(d):
    path = outset(rounded(30, 20, 4), d)
    assert len(path.segments) == 8
    # closed form: the offset of a convex curve is longer by 2 pi d
    assert path.length_mm == pytest.approx(2 * (22 + 12) + math.tau * (4 + d), rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_no_offset_path_is_more_than_2_um_off_its_distance(seed):
    outline = blob(seed)
    boundary = shapely.Polygon(outline.vertices[:, :2]).exterior
    for d in (1.0, 1.5875, 4.0):
        paths = [outset(outline, d), *(p for area in inset(outline, (), d) for p in area.boundary())]
        for path in paths:
            points = shapely.points(path.flattened(chord_mm=1e-5))
            off = shapely.distance(boundary, points) - d
            assert np.abs(off).max() < 0.002
            assert len(path.segments) < 200


@pytest.mark.parametrize("seed", range(4))
def test_sharp_corners_do_not_gouge(seed):
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, math.tau, 9))
    star = Loop.polygon(np.column_stack([np.cos(t), np.sin(t)]) * rng.uniform(8, 20, 9)[:, None])
    boundary = shapely.Polygon(star.vertices[:, :2]).exterior
    for d in (0.5, 1.5, 5.0):
        points = shapely.points(outset(star, d).flattened(chord_mm=1e-5))
        assert shapely.distance(boundary, points).min() > d - 0.002


def test_a_waist_splits_and_pieces_are_ordered():
    shape = shapely.union_all([shapely.box(0, 0, 10, 10), shapely.box(10, 4, 20, 6), shapely.box(20, 0, 32, 10)])
    pieces = inset(Loop.polygon(np.array(shape.exterior.coords)), (), 1.5)
    # closed form: 9 x 7 and 7 x 7, each with the tip that reaches into the mouth between two corners 2 apart
    tip = 2 * (1.5 - 0.5 * (math.sqrt(1.25) + 2.25 * math.asin(1 / 1.5)))
    assert [p.area_mm2 for p in pieces] == pytest.approx([63 + tip, 49 + tip], abs=1e-3)
    assert inset(Loop.circle(0, 0, 2), (), 2.1) == ()
    with pytest.raises(ValueError, match="positive"):
        inset(Loop.circle(0, 0, 2), (), 0.0)


def test_islands_are_kept_off():
    (area,) = inset(Loop.circle(0, 0, 20), (Loop.circle(5, 0, 4),), 3)
    outside, hole = area.boundary()
    assert outside.length_mm == pytest.approx(math.tau * 17, abs=0.01)
    assert hole.length_mm == pytest.approx(math.tau * 7, abs=0.01)
    assert outside.segments[0, 6] > 0 > hole.segments[0, 6]  # the area to the left of both


def test_polygons_of_a_ring_have_no_hole_and_the_same_area():
    ring = Area.of_loops(Loop.circle(0, 0, 5), (Loop.circle(0, 0, 3),))
    parts = [shapely.Polygon(p) for p in ring.polygons()]
    assert sum(p.area for p in parts) == pytest.approx(math.pi * 16, rel=1e-4)
    assert all(not p.interiors for p in parts)


def test_runs_of_a_border_inside_an_area():
    area = Area.of_loops(Loop.polygon(np.array([[0, 0], [10, 0], [10, 10], [0, 10.0]])))
    (run,) = area.runs_inside(np.array([[-5, 2], [5, 2], [5, 4], [-5, 4.0]]))
    assert run.tolist() in ([[0, 2], [5, 2], [5, 4], [0, 4]], [[0, 4], [5, 4], [5, 2], [0, 2]])
    (whole,) = area.runs_inside(np.array([[2, 2], [5, 2], [5, 4.0]]))
    assert len(whole) == 4 and (whole[0] == whole[-1]).all(), "closed"
    assert area.runs_inside(np.array([[12, 0], [14, 0], [14, 4.0]])) == ()
    assert area.runs_inside(np.array([[10, 5], [14, 0], [14, 10.0]])) == (), "it touches in a point"


def test_same_input_same_bytes():
    a, b = outset(blob(1), 1.5), outset(blob(1), 1.5)
    assert a.segments.tobytes() == b.segments.tobytes()
