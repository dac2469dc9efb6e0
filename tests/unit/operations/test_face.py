"""Facing against the area that the discs sweep, by an own reading of the rows."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from pipeline.errors import PlanError
from pipeline.model.loop import Loop
from pipeline.operations.face import plan_face
from tests.unit.operations.area_sweep import all_lines, check_ramps, check_rapids, cuts, data, mill, swept

TOP, FACE, CLEARANCE = 5.0, 4.1, 12.0


def rectangle(x: float, y: float, a: float, b: float) -> Loop:
    return Loop.polygon(np.array([[x, y], [x + a, y], [x + a, y + b], [x, y + b]], float))


def polygon(loop: Loop) -> shapely.Polygon:
    return shapely.Polygon(loop.flattened(chord_mm=1e-5))


def plan(outline, taller=(), *, cutter=6.0, stepover=3.0, stepdown=0.5, beyond=0.0):
    return plan_face(
        pass_prefix="part/inside-face/face", outline=outline, taller=taller, z_from_mm=TOP, z_to_mm=FACE,
        cutter=mill(cutter), cut=data(stepover=stepover, stepdown=stepdown), clearance_mm=CLEARANCE, beyond_mm=beyond,
    )  # fmt: skip


@pytest.mark.parametrize("stepover", [1.0, 3.0, 6.0])
@pytest.mark.parametrize("outline", [rectangle(0, 0, 40, 18), Loop.circle(0, 0, 3.5), Loop.circle(0, 0, 0.8)])
def test_the_part_and_a_cutter_radius_are_faced_without_posts(outline, stepover):
    passes = plan(outline, stepover=stepover)
    part = polygon(outline)
    for k, z in enumerate((TOP - 0.45, FACE)):  # two equal levels
        floor = swept(passes, z, 3.0)
        assert part.buffer(2.99, quad_segs=128).difference(floor).area < 1e-3, k
        assert floor.difference(part.buffer(3.003, quad_segs=128)).area < 1e-3
    assert min(s[1][:, 2].min() for s in cuts(passes)) == FACE
    check_rapids(passes, 3, top=TOP, clearance=CLEARANCE)
    check_ramps(passes, TOP)


def test_no_lap_inside_what_the_helix_has_cut():
    (one,) = plan(Loop.circle(0, 0, 3.5), stepover=2.4, stepdown=1.0)  # rings of radius 3.5 and 1.1
    flat = [s for s in cuts([one]) if (s[1][:, 2] == FACE).all() and np.ptp(s[1][:, :2]) > 0]
    reach = {round(float(np.hypot(*s[1][:, :2].T).mean()), 1) for s in flat if s[0] > 1}
    assert reach == {2.7, 3.5}  # the helix's own flat turn (0.45 of the diameter) and the outermost ring


def test_rings_are_climb():
    (one,) = plan(rectangle(0, 0, 40, 18), stepdown=1.0)
    points = np.vstack([p[:-1, :2] for _, p, feed, _ in cuts([one])[-4:]])
    assert shapely.LinearRing(points).is_ccw  # material outside the ring lies to the right


def test_a_taller_neighbour_is_not_touched():
    low, tall = rectangle(0, 0, 40, 18), rectangle(0, 20, 40, 10)
    passes = plan(low, (tall,))
    assert all_lines(passes).distance(polygon(tall)) >= 3.0 + 0.01 - 0.002
    assert polygon(low).difference(swept(passes, FACE, 3.0)).area < 1e-6
    check_rapids(passes, 3, top=TOP, clearance=CLEARANCE)


def test_facing_reaches_over_the_kerf_beside_the_part_but_not_into_a_taller_one():
    low, tall = rectangle(0, 0, 40, 18), rectangle(0, 21.1, 40, 10)
    passes = plan(low, (tall,), cutter=4.0, stepover=1.5, beyond=3.4)
    floor = swept(passes, FACE, 2.0)
    wanted = polygon(low).buffer(3.39, quad_segs=128).difference(polygon(tall).buffer(0.012))
    assert all_lines(passes).distance(polygon(tall)) >= 2.0 + 0.01 - 0.002
    assert wanted.intersection(shapely.box(0, -9, 40, 30)).difference(floor).area < 1e-3
    assert floor.difference(polygon(low).buffer(3.403, quad_segs=128)).area < 1e-3
    check_rapids(passes, 2.0, top=TOP, clearance=CLEARANCE)


def test_a_neighbour_too_near_is_told():
    tongue = polygon(rectangle(0, 0, 40, 18)).union(shapely.box(18, 18, 22, 30))
    low = Loop.polygon(np.array(tongue.exterior.coords))
    tall = (rectangle(10, 19, 7.5, 12), rectangle(22.5, 19, 7.5, 12))  # a slot of 5 between them
    with pytest.raises(PlanError, match="beside a taller part"):
        plan(low, tall, cutter=6.0)
    assert plan(low, tall, cutter=4.9, stepover=2)


def test_nothing_to_face_is_nothing():
    assert plan_face(
        pass_prefix="x", outline=Loop.circle(0, 0, 5), taller=(), z_from_mm=4, z_to_mm=4, cutter=mill(6.0), cut=data(),
        clearance_mm=CLEARANCE,
    ) == ()  # fmt: skip


def test_depth_is_in_equal_levels():
    heights = sorted(
        {round(float(s[1][-1, 2]), 9) for s in cuts(plan(rectangle(0, 0, 40, 18), stepdown=0.35)) if s[2] == 300}
    )
    assert heights == pytest.approx([FACE, FACE + 0.3, FACE + 0.6])
    assert math.isclose(TOP - heights[-1], 0.3)
