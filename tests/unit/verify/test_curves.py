"""Distances of lines and arcs against closed forms, and of 300 random curved shapes against fine polygons."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from pipeline.model.frames import Pose
from pipeline.model.loop import Loop
from pipeline.verify.curves import Pieces, apart_mm, depth_mm, is_inside
from tests.reference.packings import rectangle


def curve(loop: Loop, x: float = 0.0, y: float = 0.0, degrees: float = 0.0) -> Pieces:
    pose = Pose.planar(to="billet", frm="part", x_mm=x, y_mm=y, angle_rad=math.radians(degrees))
    return Pieces.of_loop(loop.moved(pose))


def disc(x: float, y: float, radius: float) -> Pieces:
    return Pieces.of_loop(Loop.circle(x, y, radius))


def square(x: float, y: float, side: float) -> Pieces:
    return Pieces.of_polygon(rectangle(side, side) + [x, y])


def distance(a: Pieces, b: Pieces) -> float:
    i, j = np.repeat(np.arange(len(a)), len(b)), np.tile(np.arange(len(b)), len(a))
    return float(apart_mm(a.at(i), b.at(j)).min())


def arc(cx: float, cy: float, radius: float, begin_deg: float, sweep_deg: float) -> Pieces:
    """One open arc, as row 0 of a loop."""
    a, b = math.radians(begin_deg), math.radians(begin_deg + sweep_deg)
    ends = [[cx + radius * math.cos(t), cy + radius * math.sin(t)] for t in (a, b)]
    return Pieces.of(np.array([[*ends[0], math.tan(math.radians(sweep_deg) / 4)], [*ends[1], 0.0]])).at(np.array([0]))


def line(x0: float, y0: float, x1: float, y1: float) -> Pieces:
    return Pieces.of_polygon(np.array([[x0, y0], [x1, y1]])).at(np.array([0]))


# ---- closed forms: each number is plain arithmetic ------------------------------------------------------------------


@pytest.mark.parametrize("a, b, expected", [
    (disc(0, 0, 2), disc(6, 8, 3), 10 - 5),
    (disc(0, 0, 2), disc(5, 0, 3), 0.0),  # touching
    (disc(0, 0, 10), disc(1, 0, 2), 10 - 1 - 2),  # one edge inside the other
    (disc(5, 5, 1), line(0, 0, 20, 0), 4.0),
    (disc(23, 4, 1), line(0, 0, 20, 0), 5 - 1),  # to the end: 3-4-5
    (arc(0, 0, 5, -45, 90), arc(20, 0, 5, 135, 90), 10.0),  # facing each other
    (arc(0, 0, 5, 135, 90), arc(20, 0, 5, -45, 90), 20 + 10 / math.sqrt(2)),  # back to back: end to end
    (arc(0, 0, 5, -45, 90), arc(0, 0, 8, -30, 20), 3.0),  # one centre
    (arc(10, 0, 8, 90, 180), arc(8, 0, 3, 90, 180), 3.0),  # a bow in a hollow: from 5 to 2 along x
    (arc(0, 0, 5, 0, 90), line(0, 10, 10, 0), 10 / math.sqrt(2) - 5),  # the foot lies on both
    (arc(0, 0, 5, 90, 90), line(0, 10, 10, 0), 5 / math.sqrt(2)),  # not on the arc: its end (0, 5) to (2.5, 7.5)
    (line(0, 0, 10, 0), line(5, 3, 5, 9), 3.0),
    (line(0, 0, 10, 10), line(0, 10, 10, 0), 0.0),  # crossing
    (line(0, 0, 10, 0), line(2, 4, 8, 4), 4.0),  # parallel
    (arc(0, 0, 5, 0, -90), line(3, -10, 3, 10), 0.0),  # a clockwise arc is crossed
    (arc(0, 0, 5, 0, 300), disc(0, 0, 1), 4.0),  # more than a half circle
])
def test_distance(a: Pieces, b: Pieces, expected: float) -> None:
    for one, other in ((a, b), (b, a)):
        assert distance(one, other) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("a, b, expected", [
    (square(0, 0, 10), square(12, 0, 10), 0.0),
    (square(0, 0, 10), square(10 - 2e-6, 0, 10), 2e-6),  # no corner lies inside
    (square(0, 0, 10), square(9, 8, 10), 1.0),
    (square(0, 0, 10), square(2, 3, 4), 4.0),  # inside: (6, 5) is 4 from the right and 5 from top and bottom
    (disc(0, 0, 5), disc(8, 0, 4), 1.0),
    (disc(0, 0, 5), square(5 - 1e-5, -10, 20), 1e-5),
])
def test_depth(a: Pieces, b: Pieces, expected: float) -> None:
    assert depth_mm(a, b) == pytest.approx(expected, abs=1e-11)
    assert depth_mm(b, a) == pytest.approx(expected, abs=1e-11)


def test_crossing_bars_are_deep_though_no_corner_lies_inside() -> None:
    across = Pieces.of_polygon(rectangle(200, 2) + [-3, -1])
    for degrees in (20, 45, 90, 160):
        c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        other = curve(Loop.polygon(rectangle(200, 2)), 30 - 70 * c + s, -70 * s - c, degrees)  # its (70, 1) at (30, 0)
        assert depth_mm(across, other) > 0.9


@pytest.mark.parametrize("shift, expected", [(0.0, 0.0), (3e-6, 3e-6), (0.25, 0.25), (-1.0, 0.0)])
def test_reaching_out_of_an_outline(shift: float, expected: float) -> None:
    outline = square(0, 0, 60)
    assert depth_mm(disc(55 + shift, 30, 5), outline, is_hole=True) == pytest.approx(expected, abs=1e-11)
    assert depth_mm(square(50 + shift, 20, 10), outline, is_hole=True) == pytest.approx(expected, abs=1e-11)
    # a corner of the outline that points inward, into the middle of an edge
    notched = Pieces.of_polygon(np.array([[0, 0], [60, 0], [60, 60], [30, 40 - shift], [0, 60.0]]))
    assert depth_mm(square(20, 20, 20), notched, is_hole=True) == pytest.approx(expected, abs=1e-11)


def test_points_on_a_chord_are_told_apart_alike() -> None:
    """A circle of two half circles has its centre and its diameter on both chords."""
    at = np.column_stack([np.linspace(-4.9, 4.9, 99), np.zeros(99)])
    for degrees in (0, 30, 90, 123.4, 180, 270):
        turned = curve(Loop.circle(0, 0, 5), 0, 0, degrees)
        a = math.radians(degrees)
        on_chord = at[:, :1] * [math.cos(a), math.sin(a)]
        assert is_inside(on_chord, turned).all() and is_inside(at, turned).all()
        assert not is_inside(on_chord + [20, 0], turned).any()


def test_inside_of_hollow_and_bulging_edges() -> None:
    bulge = math.tan(math.pi / 8)  # quarter circles
    hollow = Pieces.of(np.array([[0, 0, 0], [10, 0, -1.0], [10, 10, 0], [0, 10, bulge]]))
    points = np.array([[6, 5], [4.9, 5], [9, 9], [-1, 5], [-2.2, 5], [5.1, 5], [11, 5.0]])
    # the right edge is a half circle of radius 5 cut in, the left one a quarter of radius 5 sqrt 2 bulging 2.07
    assert is_inside(points, hollow).tolist() == [False, True, False, True, False, False, False]


# ---- random shapes --------------------------------------------------------------------------------------------------

_CHORD_MM = 1e-4  # of the flattened shapes that distances are compared with: never farther off than that


def _random_loop(rng: np.random.Generator) -> Loop:
    """A ring of points with edges straight, bulging out or cut in; simple, for it is star-shaped with flat bulges."""
    while True:
        n = int(rng.integers(3, 9))
        angles = 2 * np.pi * (np.arange(n) + rng.uniform(-0.3, 0.3, n)) / n
        radius = rng.uniform(4, 9, n)
        bulge = rng.choice([0.0, 1.0], n, p=[0.3, 0.7]) * rng.uniform(-0.5, 0.9, n)
        loop = Loop(np.column_stack([radius * np.cos(angles), radius * np.sin(angles), bulge]))
        if all(shapely.Polygon(loop.flattened(chord_mm=chord)).is_valid for chord in (0.01, _CHORD_MM)):
            return loop


def test_three_hundred_random_shapes_against_fine_polygons() -> None:
    rng = np.random.default_rng(20261)
    n_apart = n_overlapping = 0
    worst_share = 1.0
    for _ in range(150):
        loops = [_random_loop(rng), _random_loop(rng)]
        way = rng.uniform(0, 2 * np.pi)
        far = rng.uniform(2, 26)
        poses = [Pose.planar(to="billet", frm="part", x_mm=x, y_mm=y, angle_rad=rng.uniform(0, 7))
                 for x, y in ((0, 0), (far * math.cos(way), far * math.sin(way)))]
        a, b = (Pieces.of_loop(loop.moved(pose)) for loop, pose in zip(loops, poses, strict=True))
        fine_a, fine_b = (shapely.Polygon(pose.points(loop.flattened(chord_mm=_CHORD_MM)))
                          for loop, pose in zip(loops, poses, strict=True))
        edges = shapely.distance(fine_a.exterior, fine_b.exterior)
        assert distance(a, b) == pytest.approx(edges, abs=2 * _CHORD_MM)
        points = rng.uniform(-12, 12, (200, 2))
        clear = shapely.distance(shapely.points(points), fine_a.exterior) > 2 * _CHORD_MM
        told = is_inside(points, a)
        np.testing.assert_array_equal(told[clear], shapely.covers(fine_a, shapely.points(points))[clear])
        if shapely.intersects(fine_a, fine_b):
            n_overlapping += 1
            # the same by brute force: points at most 0.1 mm apart, so that one of them is 0.05 or less from the deepest
            dense = [shapely.points(shapely.get_coordinates(shapely.segmentize(p, 0.1))) for p in (fine_a, fine_b)]
            deepest = max(float(np.max(shapely.distance(at[shapely.covers(q, at)], q.exterior), initial=0.0))
                          for at, q in zip(dense, (fine_b, fine_a), strict=True))
            both = shapely.segmentize(shapely.simplify(shapely.intersection(fine_a, fine_b), 0.001), 0.1)
            room = max(shapely.maximum_inscribed_circle(p, tolerance=0.01).length for p in shapely.get_parts(both)
                       if p.area > 0)  # fmt: skip
            assert depth_mm(a, b) <= max(deepest + 0.051, room + 0.02)
            worst_share = min(worst_share, (depth_mm(a, b) + 0.001) / deepest)
        else:
            n_apart += 1
            assert depth_mm(a, b) == 0.0
    assert n_apart > 40 and n_overlapping > 40
    assert worst_share > 0.7, "a little low at most"
