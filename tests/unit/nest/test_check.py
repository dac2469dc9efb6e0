"""The exact distances and the check that uses them, on figures whose answer is plain arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.geometry.regions import Figure, clearance_mm, grown_area_mm2, inside_mm
from pipeline.nest.check import Walls, measure
from pipeline.nest.shapes import disc_of, kind_of
from tests.reference.packings import L_SHAPE, plain_part, plain_region, rectangle, request, slotted


def square(x: float, y: float, side: float = 10.0) -> Figure:
    return Figure.polygon(rectangle(side, side) + [x, y])


@pytest.mark.parametrize("b, expected", [
    (square(13, 0), 3.0),
    (square(13, 14), 5.0),  # corner to corner 3-4-5
    (square(10, 0), 0.0),  # edges touch
    (square(10, 10), 0.0),  # corners touch
    (square(9.75, 0), -0.25),  # aligned edges: no corner lies inside, the width of the sliver tells
    (square(9, 8), -1.0),  # a corner 1 and 2 deep
    (Figure.disc(15, 5, 2), 3.0),
    (Figure.disc(11, 5, 2), -1.0),
    (Figure.disc(7, 5, 2), -5.0),  # centre inside, 3 deep, and the radius
])
def test_clearance(b: Figure, expected: float) -> None:
    # slivers are measured as 2 area / perimeter, low by their width over their length
    tolerance = 0.01 if expected == -0.25 else 1e-9
    assert clearance_mm(square(0, 0), b) == pytest.approx(expected, abs=tolerance)
    assert clearance_mm(b, square(0, 0)) == pytest.approx(expected, abs=tolerance)


def test_crossing_bars_overlap_though_no_corner_lies_inside() -> None:
    a = Figure.polygon(rectangle(20, 2) + [-10, -1])
    b = Figure.polygon(rectangle(2, 20) + [-1, -10])
    assert clearance_mm(a, b) < -0.9


@pytest.mark.parametrize("figure, expected", [
    (square(2, 3), 2.0), (square(0, 0), 0.0), (square(-1, 5), -1.0), (Figure.disc(5, 30, 4), 1.0),
    (Figure.disc(3, 30, 4), -1.0), (Figure.disc(-3, 30, 4), -7.0),
])
def test_inside(figure: Figure, expected: float) -> None:
    assert inside_mm(figure, square(0, 0, 60)) == pytest.approx(expected, abs=1e-9)


def test_grown_area() -> None:
    assert grown_area_mm2(square(0, 0), by_mm=2) == pytest.approx(100 + 80 + 4 * math.pi, rel=1e-4)
    assert grown_area_mm2(Figure.disc(0, 0, 3), by_mm=2) == pytest.approx(25 * math.pi, rel=2e-4)


def test_a_self_crossing_outline_is_refused() -> None:
    with pytest.raises(ValueError, match="polygon"):
        Figure.polygon(np.array([[0, 0], [10, 10], [10, 0], [0, 10.0]]))


def test_measure_finds_seeded_faults_and_passes_their_clean_twin() -> None:
    kind = kind_of(plain_part("rect", rectangle(10, 6)), request("rect", 3))
    walls = Walls.of(plain_region(rectangle(60, 40), edge_gap_mm=1.0,
                                  keepouts=(("pin", rectangle(4, 4) + [30, 20], 2.0),)))
    clean = np.array([[6.0, 4, 0], [18.0, 4, 0], [25.0, 22.0, math.pi / 2]])
    found = measure([kind], (0, 0, 0), clean, walls, gap_mm=2.0)
    assert found.shortfalls == ()
    assert found.least_gap_mm == pytest.approx(2.0) and found.least_edge_mm == pytest.approx(1.0)
    for body, shift, wall, short in ((1, -0.01, "", 0.01), (0, -0.02, "edge", 0.02), (2, 0.03, "pin", 0.03)):
        bad = clean.copy()
        bad[body, 0] += shift
        if wall == "pin":
            assert bad[body, 0] + 3 == pytest.approx(28.03)
        found = measure([kind], (0, 0, 0), bad, walls, gap_mm=2.0)
        worst = found.shortfalls[0]
        assert (worst.wall, worst.short_mm) == (wall, pytest.approx(short, abs=1e-9))


def test_round_outlines_are_discs_and_others_are_not() -> None:
    from pipeline.model.loop import Loop

    assert disc_of(Loop.circle(3, -4, 3.5)) == pytest.approx((3, -4, 3.5))
    assert disc_of(slotted(40, 10, 4)) is None
    assert disc_of(Loop.polygon(L_SHAPE)) is None
    assert disc_of(slotted(10, 10, 4.9)) is None


def test_polygons_never_lie_inside_their_part() -> None:
    kind = kind_of(plain_part("slot", slotted(40, 10, 4)), request("slot", 1))
    exact = slotted(40, 10, 4).area_mm2
    assert exact <= grown_area_mm2(kind.figure(np.zeros(3)), by_mm=0) <= exact * 1.001


def test_body_poses_and_part_poses_are_inverse() -> None:
    kind = kind_of(plain_part("slot", slotted(40, 10, 4)), request("slot", 1))
    pose = kind.placed(kind.centred(12.5, -3.25, 1.1))
    assert (*pose.shift_mm[:2], pose.angle_rad) == pytest.approx((12.5, -3.25, 1.1), abs=1e-12)
