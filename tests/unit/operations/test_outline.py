"""Outlines against closed forms (GEOM) and against the area that the discs sweep, by an own reading of the rows."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from pipeline.errors import PlanError
from pipeline.model.loop import Loop
from pipeline.operations.cleared import Cleared
from pipeline.operations.outline import plan_outline, unreached
from tests.unit.operations.area_sweep import (
    Steps,
    all_lines,
    centre_lines,
    check_ramps,
    check_rapids,
    cuts,
    data,
    mill,
    swept,
)

QUARTER = math.tan(math.pi / 8)
SKIN, TOP, CLEARANCE = 0.25, 4.0, 12.0


def rounded(a: float, b: float, r: float, x: float = 0.0, y: float = 0.0) -> Loop:
    rows = [
        [r, 0, 0], [a - r, 0, QUARTER], [a, r, 0], [a, b - r, QUARTER],
        [a - r, b, 0], [r, b, QUARTER], [0, b - r, 0], [0, r, QUARTER],
    ]  # fmt: skip
    return Loop(np.array(rows) + np.array([x, y, 0]))


def handle(seed: int) -> Loop:
    """A hundred millimetres of smooth handle, with concave places wider than the cutter."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, math.tau, 1200, endpoint=False)
    r = 1 + sum(a * np.cos(k * t + rng.uniform(0, math.tau)) for k, a in ((2, 0.08), (3, 0.1), (5, 0.03)))
    return Loop.polygon(np.column_stack([50 * r * np.cos(t), 14 * r * np.sin(t)]))


def polygon(loop: Loop) -> shapely.Polygon:
    return shapely.Polygon(loop.flattened(chord_mm=1e-5))


def plan(outline, kerf=None, *, cutter=6.0, wall=0.1, stepdown=0.6, flutes=12.0, feed_high=0.0):
    return plan_outline(
        pass_prefix="part/edge/outline", outline=outline, z_from_mm=TOP, z_to_mm=SKIN,
        cutter=mill(cutter, flute_length=flutes), cut=data(stepdown=stepdown), clearance_mm=CLEARANCE,
        wall_allowance_mm=wall, cleared=Cleared() if kerf is None else kerf, feed_high_mm_min=feed_high,
    )  # fmt: skip


def test_boss_with_no_allowance_is_the_closed_form():
    passes = plan(Loop.circle(0, 0, 10), wall=0.0)
    steps = cuts(passes)
    flat = [s for s in steps if (s[1][:, 2] == SKIN).all() and s[0] > 1]
    length = sum(abs(np.ptp(np.unwrap(np.arctan2(p[:, 1], p[:, 0])))) * 13 for _, p, _, _ in flat)
    assert length == pytest.approx(math.pi * 26, rel=1e-9)  # pi (Db + D) = 81.681; GEOM, contour.boss.path
    channel = swept(passes, SKIN, 3).area
    # pi/4 ((Db + 2 D)^2 - Db^2) (t - skin) = 1837.83 removed, times skin 122.52 left; GEOM, contour.boss.volume
    assert channel * 3.75 == pytest.approx(1837.8317, rel=1e-4)
    assert channel * 0.25 == pytest.approx(122.522113, rel=1e-4)
    assert min(s[1][:, 2].min() for s in steps) == SKIN  # exactly
    assert {s[0] for s in steps if s[0] > 1} == {2}  # outside, climb with M3: clockwise
    check_ramps(passes, TOP)
    check_rapids(passes, 3, top=TOP, clearance=CLEARANCE)


@pytest.mark.parametrize("stepdown", [0.3, 0.6, 5.0])
def test_no_lap_is_deeper_than_the_stepdown_nor_steeper_than_the_ramp(stepdown):
    (one,) = plan(rounded(40, 20, 3), wall=0.0, stepdown=stepdown)
    z, turned, drops = TOP, 0.0, []
    for kind, p, _, _ in Steps(one).steps:
        if kind > 0 and np.ptp(p[:, :2]) > 0:
            angles = np.unwrap(np.arctan2(p[:, 1] - 10, p[:, 0] - 20))
            turned += abs(angles[-1] - angles[0])
            while turned > math.tau - 1e-9:
                drops.append(z - p[-1, 2])
                z, turned = p[-1, 2], turned - math.tau
    assert max(drops) <= stepdown + 1e-6
    assert abs(drops[-1]) < 1e-9  # the last lap is flat
    check_ramps([one], TOP)


@pytest.mark.parametrize("outline", [rounded(40, 20, 3), Loop.circle(0, 0, 2.5), handle(1), handle(2), handle(3)])
def test_rough_and_finish_round_a_part(outline):
    passes = plan(outline, cutter=3.0, wall=0.05, feed_high=900.0)
    part, steps = polygon(outline), cuts(passes)
    assert all_lines(passes).distance(part) > 1.5 - 0.002
    assert min(s[1][:, 2].min() for s in steps) == SKIN
    assert part.buffer(3, quad_segs=128).difference(part).difference(swept(passes, SKIN, 1.502)).area < 1e-3
    assert swept(passes, SKIN, 1.5).difference(part.buffer(3.053, quad_segs=128)).area < 1e-3
    check_rapids(passes, 1.5, top=TOP, clearance=CLEARANCE)
    check_ramps(passes, TOP)
    finish = steps[next(i for i, s in enumerate(steps) if s[2] >= 250) :]  # the only feed above the slot's
    on_wall = shapely.union_all([shapely.LineString(s[1][:, :2]) for s in finish])
    assert part.exterior.difference(on_wall.buffer(1.503, quad_segs=256)).length < 1e-3
    assert len(finish) < 150  # moves of a lap and both drifts
    assert max(s[2] for s in finish) <= 600  # at most 1.5 times as fast round the outside


def test_the_finish_drifts_on_over_three_diameters_and_lifts_free():
    (one,) = plan(rounded(60, 30, 5), cutter=3.0, wall=0.1)
    part = polygon(rounded(60, 30, 5))
    points = np.vstack([p for _, p, feed, _ in cuts([one]) if feed >= 250])[:, :2]
    gap = shapely.distance(part, shapely.points(points)) - 1.5
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    assert gap[0] == pytest.approx(0.1, abs=0.002)
    on = along[np.argmax(gap < 0.002)]
    assert on >= 0.8 * 3 * 3.0  # the last fifth of a smooth drift is within 2 um of the wall already
    assert np.all(np.abs(np.diff(gap[along < on])) < 0.05)
    end = one.moves[-1, 1:3]
    assert shapely.Point(end).distance(part) - 1.5 == pytest.approx(0.05, abs=0.002)  # half the allowance


def test_a_wall_deeper_than_the_flutes_is_finished_in_levels():
    passes = plan(rounded(60, 30, 5), cutter=3.0, flutes=2.0)
    part = polygon(rounded(60, 30, 5))
    middle = TOP - 3.75 / 2
    ring = centre_lines(passes, middle)
    assert part.exterior.difference(ring.buffer(1.503, quad_segs=128)).length < 1e-3
    assert all_lines(passes).distance(part) > 1.5 - 0.002
    check_rapids(passes, 1.5, top=TOP, clearance=CLEARANCE)


def test_a_shared_kerf_is_cut_once():
    d, wall = 3.0, 0.1
    lower, upper = rounded(40, 20, 3), rounded(40, 20, 3, y=20 + d + 2 * wall)
    kerf = Cleared()
    first = plan(lower, kerf, cutter=d, wall=wall)
    air = swept(first, SKIN, d / 2)
    second = plan(upper, kerf, cutter=d, wall=wall)
    rough = shapely.union_all([shapely.LineString(p[:, :2]) for _, p, feed, _ in cuts(second)
                               if feed == 200 and np.ptp(p[:, :2]) > 0 and p[-1, 2] > SKIN + 0.1])  # fmt: skip
    shared = shapely.LineString([(6, 21.6), (34, 21.6)])
    assert rough.intersection(shared.buffer(0.01)).length < 1e-6
    part = polygon(upper)
    assert all_lines(second).distance(part) > d / 2 - 0.002
    assert part.buffer(d, quad_segs=128).difference(part).difference(
        swept(second, SKIN, d / 2 + 0.002).union(air)).area < 1e-3  # fmt: skip
    assert all_lines(second).distance(polygon(lower)) > d / 2 - 0.002
    check_rapids(second, d / 2, top=TOP, clearance=CLEARANCE, air=air)
    check_ramps(second, TOP)


def test_a_wider_gap_is_cut_twice():
    kerf = Cleared()
    plan(rounded(40, 20, 3), kerf, cutter=3.0)
    alone = plan(rounded(40, 20, 3, y=23.5), cutter=3.0)
    beside = plan(rounded(40, 20, 3, y=23.5), kerf, cutter=3.0)
    np.testing.assert_array_equal(alone[0].moves, beside[0].moves)


def test_notches_too_narrow_are_told():
    notched = shapely.box(0, 0, 30, 20).difference(shapely.box(14, 15, 16, 20))
    outline = Loop.polygon(np.array(notched.exterior.coords))
    (region,) = unreached(outline, mill(3.0))
    # closed form: 2 x 5 less the segment of a disc of radius 1.5 that rests on the notch's two corners
    half = math.asin(1 / 1.5)
    assert shapely.Polygon(region).area == pytest.approx(
        10 - 1.5**2 * (half - math.sin(half) * math.cos(half)), abs=0.01
    )
    assert unreached(rounded(30, 20, 2), mill(3.0)) == ()


def test_a_cutter_without_a_ramp_angle_is_refused():
    cut = data()
    cut = type(cut)(**{n: getattr(cut, n) for n in cut.__slots__} | {"ramp_angle_rad": 0.0})
    with pytest.raises(PlanError, match="ramp angle"):
        plan_outline(
            pass_prefix="x", outline=Loop.circle(0, 0, 5), z_from_mm=2, z_to_mm=1, cutter=mill(3.0), cut=cut,
            clearance_mm=5, wall_allowance_mm=0, cleared=Cleared(),
        )  # fmt: skip


def test_same_input_same_bytes():
    a, b = plan(handle(4), cutter=3.0), plan(handle(4), cutter=3.0)
    assert [p.moves.tobytes() for p in a] == [p.moves.tobytes() for p in b]
