"""The exact wall test against distances known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.kernels import verify_walls as kernel
from pipeline.model.shop import CutterKind
from pipeline.verify.removal import grid_over
from pipeline.verify.target import build_target
from pipeline.verify.tools import tool_table
from pipeline.verify.walls import build_solids, check_left, check_walls, wall_samples
from tests.unit.verify import by_hand
from tests.unit.verify.by_hand import TOLERANCES, Motion

BILLET = by_hand.box(40, 40)
TOOLS = tool_table(
    by_hand.crib(
        by_hand.cutter(1, 3.0),
        by_hand.cutter(2, 2.0, CutterKind.DRILL),
        by_hand.cutter(3, 3.0, CutterKind.BALL),
        by_hand.cutter(4, 4.0, CutterKind.SPOT, point_angle_rad=math.radians(90)),
    )
)


def gouges(motion: Motion, *parts, workers: int = 1):
    setup = by_hand.setup(BILLET, top=5.0, skin=0.3, parts=parts)
    solids = build_solids(setup, TOLERANCES)
    done = check_walls(
        setup, solids=solids, moves=motion.moves(), tools=TOOLS, tolerances=TOLERANCES, samples=np.zeros((0, 3)),
        workers=workers,
    )  # fmt: skip
    return done.faults, done.deepest


def square(angle: float = 0.3):
    return by_hand.placed(by_hand.prism(by_hand.box(10, 8, -5, -4), 3.0), 20.0, 20.0, 0.8, angle=angle)


def beside(part, gap: float, z: float, *, tool: int = 1) -> Motion:
    """A straight move along the block's long side, its centre line `gap` outside the wall, at height z."""
    a, b = part.setup_from_part.points(np.array([[-5.0, -4.0 - gap], [5.0, -4.0 - gap]]))
    return Motion(*a, 30.0, tool=tool).line(z=z).line(*b).rapid(z=30)


@pytest.mark.parametrize("gouge", [0.006, 0.010, 0.05, 0.4])
def test_a_gouge_on_a_straight_wall_is_measured_within_a_micron(gouge):
    part = square()
    faults, deepest = gouges(beside(part, 1.5 - gouge, 0.5), part)
    assert faults and {f.code for f in faults} == {"V649"}
    assert deepest[0] == pytest.approx(gouge, abs=1e-6)
    assert faults[0].amount_mm == pytest.approx(gouge, abs=1e-6) and faults[0].cutter == 1 and faults[0].line == 1
    assert faults[1].line == 2


def test_the_wall_itself_and_a_gouge_inside_the_tolerance_pass():
    part = square()
    for gap in (1.5, 1.5 - 0.0049):
        faults, deepest = gouges(beside(part, gap, 0.5), part)
        assert not faults
        assert deepest[0] == pytest.approx(1.5 - gap, abs=1e-6)
    assert gouges(beside(part, 1.5, 0.5), part)[1][0] < 1e-6


@pytest.mark.parametrize("gouge", [0.010, 0.03])
def test_a_gouge_on_a_round_wall_is_found_within_a_micron_of_its_mesh(gouge):
    stud = by_hand.turned([(0, 0), (4, 0), (4, 1.2), (2.2, 1.2), (2.2, 3.8), (0, 3.8)], n=2000)
    part = by_hand.placed(stud, 20.0, 20.0, 0.8)
    r = 5.5 - gouge
    motion = Motion(20 + r, 20, 30).line(z=0.3).circle(20, 20, clockwise=True)
    faults, deepest = gouges(motion, part)
    assert faults and faults[-1].line == 2
    assert deepest[0] == pytest.approx(gouge, abs=0.001)
    assert not gouges(Motion(25.5, 20, 30).line(z=0.3).circle(20, 20, clockwise=True), part)[0]


def test_floors_count_by_depth():
    part = square()
    x, y = 20.0, 20.0
    face = 0.8 + 3.0
    for depth, bad in ((0.0, False), (0.019, False), (0.05, True), (0.3, True)):
        motion = Motion(x - 2, y, 30).line(z=face - depth).line(x + 2, y).rapid(z=30)
        faults, deepest = gouges(motion, part)
        assert bool(faults) == bad
        if bad:
            assert deepest[0] == pytest.approx(depth, abs=1e-9)


def test_a_ramp_into_a_face_is_found_where_it_is_too_deep():
    part = square(0.0)
    motion = Motion(14.0, 20.0, 4.0).line(26.0, 20.0, 3.75)
    faults, deepest = gouges(motion, part)
    # The lowest point over the part: 0.05 below its face at x = 26, seen up to the step in height.
    assert len(faults) == 1 and deepest[0] == pytest.approx(0.05, abs=0.006)


def test_points_of_drills_and_balls_are_judged_by_their_shape():
    part = square(0.0)
    for tool, reach in ((4, 2.0), (3, 1.5)):
        # At a tip height h under the face the cutter is narrower than its diameter.
        h = 0.5
        radius = h if tool == 4 else math.sqrt(1.5**2 - 1.0**2)
        assert radius < reach
        near = Motion(20.0, 20.0 - 4 - radius - 0.001, 30, tool=tool).line(z=3.8 - h)
        assert not gouges(near, part)[0]
        inside = Motion(20.0, 20.0 - 4 - radius + 0.04, 30, tool=tool).line(z=3.8 - h)
        faults, deepest = gouges(inside, part)
        assert faults and deepest[0] == pytest.approx(0.04, abs=0.002)


def test_workers_change_nothing():
    part = square()
    motion = Motion(10, 10, 30).line(z=1.0)
    rng = np.random.default_rng(1)
    for x, y in rng.uniform(12, 28, (200, 2)):
        motion.line(x, y)
    one, two = gouges(motion, part, workers=1), gouges(motion, part, workers=2)
    assert one[0] == two[0] and one[1].tobytes() == two[1].tobytes()


def left(motion: Motion, part):
    setup = by_hand.setup(BILLET, top=5.0, skin=0.3, parts=(part,))
    solids = build_solids(setup, TOLERANCES)
    target = build_target(setup, solids, grid_over(setup.billet, 0.05))
    samples, triangle = wall_samples(solids=solids, heights=target.heights, tolerances=TOLERANCES, excused=())
    done = check_walls(
        setup, solids=solids, moves=motion.moves(), tools=TOOLS, tolerances=TOLERANCES, samples=samples, workers=2
    )
    return check_left(setup, solids=solids, samples=samples, triangle=triangle, gap=done.gaps)


@pytest.mark.parametrize(("radius", "z", "bad"), [(5.5, 0.3, False), (5.515, 0.3, False), (5.55, 0.3, True),
                                                    (5.5, 1.0, True)])  # fmt: skip
def test_stock_left_on_a_round_wall(radius, z, bad):
    stud = by_hand.turned([(0, 0), (4, 0), (4, 3.0), (0, 3.0)], n=360)
    part = by_hand.placed(stud, 20.0, 20.0, 0.8)
    faults, worst = left(Motion(20 + radius, 20, 30).line(z=z).circle(20, 20, clockwise=True), part)
    assert bool(faults) == bad
    if bad:
        assert [f.code for f in faults] == ["V651"]
    if z < 0.8:
        assert worst[0] == pytest.approx(radius - 5.5, abs=0.001)


def test_a_missing_stretch_of_wall_is_found():
    stud = by_hand.turned([(0, 0), (4, 0), (4, 3.0), (0, 3.0)], n=360)
    part = by_hand.placed(stud, 20.0, 20.0, 0.8)
    turn = math.radians(330)
    motion = Motion(25.5, 20, 30).line(z=0.3)
    motion.arc(20 + 5.5 * math.cos(turn), 20 + 5.5 * math.sin(turn), 20, 20)
    faults, worst = left(motion, part)
    assert len(faults) == 1 and worst[0] > 0.1


def test_distances():
    assert kernel.segment_segment(0, 0, 2, 2, 0, 2, 2, 0) == 0
    assert kernel.segment_segment(0, 0, 1, 0, 0, 1, 1, 2) == 1
    tri = np.array([0.0, 0, 0, 4, 0, 0, 0, 4, 0])
    assert kernel.point_triangle(1, 1, 3, tri) == 3
    assert kernel.point_triangle(-3, -4, 0, tri) == 5
    assert kernel.point_triangle(4, 4, 0, tri) == pytest.approx(math.sqrt(8))
    assert kernel.point_triangle(2, -1, 0, tri) == 1
