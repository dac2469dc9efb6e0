"""Pockets against closed forms (GEOM) and against the area that the discs sweep, by an own reading of the rows."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from pipeline.model.loop import Loop
from pipeline.model.shop import Cutter
from pipeline.operations.pocket import plan_pocket
from tests.unit.operations.area_sweep import all_lines, check_ramps, check_rapids, cuts, data, mill, swept

QUARTER = math.tan(math.pi / 8)
TOP, CLEARANCE = 5.0, 12.0


def rounded(a: float, b: float, r: float) -> Loop:
    return Loop(np.array([
        [r, 0, 0], [a - r, 0, QUARTER], [a, r, 0], [a, b - r, QUARTER],
        [a - r, b, 0], [r, b, QUARTER], [0, b - r, 0], [0, r, QUARTER],
    ]))  # fmt: skip


def polygon(loop: Loop) -> shapely.Polygon:
    return shapely.Polygon(loop.flattened(chord_mm=1e-5))


def plan(outer, islands=(), *, cutter: float | Cutter = 6.0, depth=3.0, stepover=1.5, wall=0.1, floor=0.05, **more):
    settings = {"open_edge": False, "beyond_mm": 0.0, "finish": True} | more
    cutter = cutter if isinstance(cutter, Cutter) else mill(cutter)
    return plan_pocket(
        pass_prefix="part/pocket", outer=outer, islands=islands, top_z_mm=TOP, floor_z_mm=TOP - depth,
        cutter=cutter, cut=data(stepover=stepover), clearance_mm=CLEARANCE, wall_allowance_mm=wall,
        floor_allowance_mm=floor,
        **settings,
    )  # fmt: skip


def check_walls(result, room: shapely.Geometry, radius: float, *, within=0.002) -> None:
    """No point of any path nearer to a wall than the cutter's radius."""
    lines = all_lines(result.passes)
    assert room.contains(shapely.Point(lines.geoms[0].coords[0]))
    assert lines.distance(room.boundary) > radius - within


@pytest.mark.parametrize("stepover", [0.8, 1.5, 2.9, 5.0])
def test_rectangle_is_cleared_wholly_and_nothing_more(stepover):
    result = plan(rounded(30, 20, 4), stepover=stepover)
    wanted = polygon(rounded(30, 20, 4))
    assert result.uncut_mm2_per_level == 0
    floor = swept(result.passes, TOP - 3, 3)
    # closed form: (a b - (4 - pi) r^2) h = 1758.796; GEOM, pocket.volume
    assert floor.intersection(wanted).area * 3 == pytest.approx(1758.796, abs=0.05)
    assert wanted.difference(floor.buffer(0.002)).area == 0
    check_walls(result, wanted, 3)
    check_rapids(result.passes, 3, top=TOP, clearance=CLEARANCE)
    check_ramps(result.passes, TOP)
    for k in (1, 2, 3):  # every rough level is cleared too, up to the allowance
        z = TOP - 2.95 * k / 3
        assert wanted.buffer(-0.12).difference(swept(result.passes, z, 3)).area < 1e-3


def test_wall_pass_has_the_closed_forms_length_and_is_climb():
    result = plan(rounded(30, 20, 4))
    steps = cuts(result.passes[-1:])
    assert result.passes[-1].id == "part/pocket/wall-1"
    lap = [s for s in steps if s[2] in (400.0, pytest.approx(160.0))]  # the lead arcs have 400 x 3 / 6
    length = 0.0
    for kind, p, _, row in lap:
        chord = math.dist(p[0, :2], p[-1, :2])
        radius = math.hypot(p[0, 0] - row[4], p[0, 1] - row[5])
        length += chord if kind == 1 else 2 * radius * math.asin(chord / (2 * radius))
    assert length == pytest.approx(74.2831853, rel=1e-6)  # 2 (22 + 12) + 2 pi (4 - 3); GEOM, pocket.finish_path
    assert {s[0] for s in steps if s[0] > 1} == {3}  # inside, climb with M3: counter-clockwise
    ring = shapely.LinearRing(np.vstack([p[:-1, :2] for _, p, _, _ in lap]))
    assert ring.is_ccw
    # inside factor (R - r) / R = 1 / 4 in the corners: Machinery's Handbook (from memory); our floor of 0.4 holds there
    assert sum(1 for s in lap if s[2] == pytest.approx(160.0)) == 4


def test_lead_in_and_out_are_tangent_and_start_in_the_void():
    steps = [s for s in cuts(plan(rounded(30, 20, 4)).passes[-1:]) if np.ptp(s[1][:, :2], axis=0).max() > 0]

    def heading(kind, row, x, y, p):
        if kind == 1:
            return math.atan2(p[-1, 1] - p[0, 1], p[-1, 0] - p[0, 0])
        turn = 1 if kind == 3 else -1
        return math.atan2(y - row[5], x - row[4]) + turn * math.pi / 2

    for before, after in ((steps[0], steps[1]), (steps[-2], steps[-1])):
        x, y = before[1][-1, :2]
        a, b = heading(before[0], before[3], x, y, before[1]), heading(after[0], after[3], x, y, after[1])
        assert math.degrees(abs(math.remainder(a - b, math.tau))) < 0.01
    start = steps[0][1][0, :2]
    assert shapely.Point(start).distance(polygon(rounded(30, 20, 4)).boundary) > 3 + 0.1


def test_a_cutter_too_large_for_the_corners_says_what_it_leaves():
    result = plan(rounded(30, 20, 4), cutter=10.0, stepover=4)
    # (4 - pi) (rc^2 - r^2); GEOM, pocket.unreached
    assert result.uncut_mm2_per_level == pytest.approx(7.72566612, abs=2e-3)
    assert len(result.uncut_regions) == 4
    assert sum(shapely.Polygon(p).area for p in result.uncut_regions) == pytest.approx(7.72566612, abs=2e-3)
    left = polygon(rounded(30, 20, 4)).difference(swept(result.passes, TOP - 3, 5))
    assert left.area == pytest.approx(7.72566612, abs=0.02)  # chords of half a micron over 90 mm of wall


def test_a_neck_narrower_than_the_cutter_stays_and_is_not_crossed():
    shape = shapely.union_all([shapely.Point(x, 0).buffer(10, quad_segs=512) for x in (0, 30)])
    shape = shape.union(shapely.box(0, -2.5, 30, 2.5))
    result = plan(Loop.polygon(np.array(shape.exterior.coords)))
    assert {p.id.split("/")[2] for p in result.passes} == {"region-1", "region-2"}
    # closed form: channel between the circles less the two segments of a disc of radius 3 on the chord of 5
    mouth, half = math.sqrt(100 - 2.5**2), math.asin(2.5 / 3)
    uncut = 5 * (30 - 2 * mouth) - 2 * 9 * (half - math.sin(half) * math.cos(half))
    assert result.uncut_mm2_per_level == pytest.approx(uncut, abs=5e-3)
    lines = all_lines(result.passes)
    reach = mouth - math.sqrt(9 - 2.5**2)  # the disc rests on the mouth's corners
    assert not lines.intersects(shapely.box(reach + 0.01, -10, 30 - reach - 0.01, 10))
    check_walls(result, shape, 3)
    check_rapids(result.passes, 3, top=TOP, clearance=CLEARANCE)


def test_islands_are_never_touched_and_go_round_clockwise():
    outer, islands = rounded(40, 30, 4), (Loop.circle(12, 15, 4), Loop.circle(28, 15, 3))
    result = plan(outer, islands, stepover=2.5)
    room = polygon(outer).difference(shapely.union_all([polygon(i) for i in islands]))
    check_walls(result, room, 3)
    assert room.difference(swept(result.passes, TOP - 3, 3).buffer(0.002)).area == 0
    check_rapids(result.passes, 3, top=TOP, clearance=CLEARANCE)
    check_ramps(result.passes, TOP)
    for island in islands:
        x, y, radius = (island.vertices[0, 0] + island.vertices[1, 0]) / 2, 15, island.vertices[1, 0]
        radius -= x
        turned = 0.0  # of the finish round this island: its arcs about the island's centre at radius + 3
        for kind, p, feed, row in cuts([p for p in result.passes if "wall" in p.id]):
            if kind > 1 and feed == 400 and math.dist(row[4:6], (x, y)) < 1e-6:
                angle = np.unwrap(np.arctan2(p[:, 1] - y, p[:, 0] - x))
                assert math.dist(p[0, :2], (x, y)) == pytest.approx(radius + 3, abs=1e-6)
                turned += angle[-1] - angle[0]
        assert turned == pytest.approx(-math.tau, abs=1e-6)  # clockwise round an island is climb


@pytest.mark.parametrize(
    ("width", "cutter", "wall"), [(1.6, 1.5, 0.03), (1.6, 1.5, 0.1), (1.5, 1.5, 0.05), (2.2, 1.5, 0.05)]
)
def test_a_ring_groove_barely_wider_than_the_cutter(width, cutter, wall):
    outer, inner = Loop.circle(0, 0, 10), Loop.circle(0, 0, 10 - width)
    result = plan(outer, (inner,), cutter=cutter, depth=1.0, stepover=0.5, wall=wall)
    room = polygon(outer).difference(polygon(inner))
    assert result.uncut_mm2_per_level == 0
    assert room.difference(swept(result.passes, TOP - 1, cutter / 2).buffer(0.002)).area < 1e-6
    assert all_lines(result.passes).distance(room.boundary) > cutter / 2 - 0.002
    check_rapids(result.passes, cutter / 2, top=TOP, clearance=CLEARANCE)
    check_ramps(result.passes, TOP)


def test_no_finish_where_no_stock_was_left():
    result = plan(rounded(30, 6, 2.99), cutter=6.0)  # exactly as wide as the cutter: a second pass would only rub
    assert not [p.id for p in result.passes if "wall" in p.id]


def test_a_step_round_a_stud():
    head, shoulder = Loop.circle(0, 0, 4), Loop.circle(0, 0, 3)
    result = plan(head, (shoulder,), cutter=3.0, depth=1.0, wall=0.05, open_edge=True, beyond_mm=3.2)
    ring = polygon(head).difference(polygon(shoulder))
    lines = all_lines(result.passes)
    assert result.uncut_mm2_per_level == 0
    assert lines.distance(polygon(shoulder)) > 1.5 - 0.002
    assert lines.hausdorff_distance(shapely.Point(0, 0)) < 4 + 3.2 - 1.5 + 0.002
    assert ring.difference(swept(result.passes, TOP - 1, 1.5).buffer(0.002)).area == 0
    check_rapids(result.passes, 1.5, top=TOP, clearance=CLEARANCE)
    check_ramps(result.passes, TOP)


def test_an_open_pocket_spares_the_part_beside_it():
    part = rounded(40, 8, 2)
    seat = Loop.polygon(np.array([[-1, -1], [15, -1], [15, 9], [-1, 9]], float))
    result = plan(seat, cutter=3.0, depth=1.0, wall=0.05, open_edge=True, beyond_mm=2.5, part=part)
    body = polygon(part).difference(polygon(seat))
    lines = all_lines(result.passes)
    assert lines.distance(body) > 1.5 - 0.002
    finish = all_lines([p for p in result.passes if "wall" in p.id])
    wall = shapely.LineString([(15, 0), (15, 8)])
    assert finish.distance(body) == pytest.approx(1.5, abs=0.002)
    assert wall.difference(finish.buffer(1.503, quad_segs=128)).length == 0
    on_part = polygon(part).intersection(polygon(seat))
    assert on_part.difference(swept(result.passes, TOP - 1, 1.5).buffer(0.002)).area == 0
    check_rapids(result.passes, 1.5, top=TOP, clearance=CLEARANCE)
    check_ramps(result.passes, TOP)


def test_without_finish_the_allowances_stay():
    result = plan(rounded(30, 20, 4), finish=False)
    assert min(s[1][:, 2].min() for s in cuts(result.passes)) == pytest.approx(TOP - 2.95)
    assert all_lines(result.passes).distance(polygon(rounded(30, 20, 4)).boundary) > 3.1 - 0.002


def test_a_deep_wall_is_finished_in_levels_the_flutes_reach():
    result = plan(rounded(30, 20, 4), depth=4.5, cutter=mill(6.0, flute_length=2.0))
    heights = [s[1][-1, 2] for p in result.passes if "wall" in p.id for s in cuts([p])[1:2]]
    assert heights == pytest.approx([TOP - 1.5, TOP - 3.0, TOP - 4.5])  # three equal levels, none over 2


def test_a_pocket_no_cutter_fits_is_all_uncut():
    result = plan(Loop.circle(0, 0, 2), cutter=6.0)
    assert result.passes == ()
    assert result.uncut_mm2_per_level == pytest.approx(math.pi * 4, rel=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_any_smooth_pocket(seed):
    rng = np.random.default_rng(seed)
    t = np.linspace(0, math.tau, 700, endpoint=False)
    r = 14 + sum(rng.uniform(0.5, 2.0) * np.cos(k * t + rng.uniform(0, math.tau)) for k in range(2, 5))
    outer = Loop.polygon(np.column_stack([1.6 * r * np.cos(t), r * np.sin(t)]))
    islands = (Loop.circle(rng.uniform(-3, 3), rng.uniform(-2, 2), rng.uniform(1, 2.5)),)
    result = plan(outer, islands, cutter=4.0, depth=1.0, stepover=float(rng.uniform(0.6, 2.4)))
    room = polygon(outer).difference(polygon(islands[0]))
    left = room.difference(swept(result.passes, TOP - 1, 2)).buffer(-0.002).buffer(0.002)
    assert left.area == pytest.approx(result.uncut_mm2_per_level, abs=0.01)
    check_walls(result, room, 2)
    check_rapids(result.passes, 2, top=TOP, clearance=CLEARANCE)
    check_ramps(result.passes, TOP)
