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
from pipeline.verify.walls import Bins, _bins, build_solids, check_left, check_walls, wall_samples
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


def soup(rng, n: int) -> np.ndarray:
    """Triangles (n, 9) of all sizes: upright, level, and any."""
    tris = rng.uniform(-4, 4, (n, 1, 3)) + rng.normal(0, 1, (n, 3, 3)) * rng.choice([0.05, 0.5, 3.0], (n, 1, 1))
    tris[: n // 3, 2, :2] = tris[: n // 3, 0, :2]
    tris[n // 3 : n // 2, :, 2] = tris[n // 3 : n // 2, :1, 2]
    return np.ascontiguousarray(tris.reshape(n, 9))


def binned(tris: np.ndarray, tops: np.ndarray) -> Bins:
    x, y = tris[:, 0::3], tris[:, 1::3]
    return _bins(np.column_stack([x.min(axis=1), y.min(axis=1), x.max(axis=1), y.max(axis=1)]), tops)


def strokes(rng, n: int) -> np.ndarray:
    """Pieces (n, 6): level, sloping, and upright ones there and back."""
    pieces = rng.uniform(-5, 5, (n, 6))
    pieces[:, 3:5] = pieces[:, :2] + rng.normal(0, 0.4, (n, 2))
    pieces[::4, 5] = pieces[::4, 2]
    pieces[1::4, 3:5] = pieces[1::4, :2]
    pieces[2::4] = pieces[1::4][: len(pieces[2::4]), [3, 4, 5, 0, 1, 2]]
    return pieces


def shape_arguments() -> tuple[np.ndarray, ...]:
    shapes = np.array([kernel.FLAT, kernel.CONE, kernel.BALL, kernel.ROUNDED])
    return shapes, np.array([0.7, 1.1, 0.9, 0.8]), np.array([0.7, 0.1, 0.0, 0.5]), np.array([0.0, 0.6, 0.0, 0.3])


def plain_gouge(piece, shape, r, tip, slope, tris, floor_tol, wall_tol, start):
    """Every triangle looked at, nothing left out."""
    (ax, ay, az), (bx, by, bz) = piece[:3], piece[3:]
    length, best = math.hypot(bx - ax, by - ay), (start, 0.0, -1)
    steps = 1
    if length > 0 and az != bz:
        steps = max(1, min(math.ceil(abs(bz - az) / 0.1), math.ceil(length / 0.1)))
    xs, ys = np.empty(8), np.empty(8)
    for k in range(steps):
        f0, f1 = k / steps, (k + 1) / steps
        p, q = (ax + f0 * (bx - ax), ay + f0 * (by - ay)), (ax + f1 * (bx - ax), ay + f1 * (by - ay))
        zt = min(az + f0 * (bz - az), az + f1 * (bz - az))
        for t, tri in enumerate(tris):
            n = kernel.clip_above(tri, zt + floor_tol[t], xs, ys)
            if n == 0:
                continue
            depth = r - kernel.segment_polygon(*p, *q, xs, ys, n)
            if shape == kernel.FLAT:
                depth = min(depth, tri[2::3].max() - zt)
            elif depth > wall_tol[t]:
                depth = kernel._deepest(tri, *p, *q, zt, 0.0, shape, r, tip, slope)
            else:
                continue
            if depth > 0 and depth - wall_tol[t] > best[0]:
                best = depth - wall_tol[t], depth, t
    return best


def test_bins_and_bounds_leave_out_no_gouge():
    rng = np.random.default_rng(7)
    tris, pieces = soup(rng, 60), strokes(rng, 240)
    wall_tol, tops = rng.uniform(0.005, 0.03, 60), tris[:, 2::3].max(axis=1)
    floor_tol = wall_tol + rng.uniform(0.0, 0.02, 60)  # never the smaller, so that no order of triangles matters
    cutter = np.repeat(np.arange(60) % 4, 4)
    low, high = tris.reshape(-1, 3, 3)[:, :, :2].min(axis=1), tris.reshape(-1, 3, 3)[:, :, :2].max(axis=1)
    circles = np.column_stack([(low + high) / 2, np.linalg.norm(high - low, axis=1) / 2])
    bins, shape = binned(tris, tops - floor_tol), shape_arguments()
    worst, deep, tri = np.empty(240), np.zeros(240), np.full(240, -1)
    kernel.gouge_pieces(
        pieces, cutter, *shape, tris, circles, tops, floor_tol, wall_tol, bins.first, bins.items, bins.top,
        *bins.shape(), 0.1, 0.1, -0.0296, np.zeros(60, dtype=np.int64), 0, worst, deep, tri,
    )  # fmt: skip
    wanted = [
        plain_gouge(piece, *(v[g] for v in shape), tris, floor_tol, wall_tol, -0.0296)
        for piece, g in zip(pieces, cutter, strict=True)
    ]
    np.testing.assert_allclose(worst, [w[0] for w in wanted], rtol=0, atol=1e-12)
    np.testing.assert_allclose(deep, [w[1] for w in wanted], rtol=0, atol=1e-12)
    assert tri.tolist() == [w[2] for w in wanted]
    for g in range(4):
        assert 10 < (tri[cutter == g] >= 0).sum() < 60


def test_bins_and_bounds_leave_out_no_flank():
    rng = np.random.default_rng(8)
    samples, pieces = rng.uniform(-4, 4, (300, 3)), strokes(rng, 240)
    cutter, shape = np.repeat(np.arange(60) % 5, 4) - 1, shape_arguments()
    bins = _bins(np.column_stack([samples[:, :2], samples[:, :2]]), samples[:, 2])
    assert sorted(bins.items) == list(range(300))
    gaps, wanted = np.full(300, 1.0), np.full(300, 1.0)
    kernel.approach_samples(
        pieces, cutter, *shape, samples[bins.items], 1.0, bins.first, bins.top, *bins.shape(), gaps
    )
    for (ax, ay, az, bx, by, bz), g in zip(pieces, cutter, strict=True):
        n = (bx - ax) ** 2 + (by - ay) ** 2
        for i, (x, y, z) in enumerate(samples if g >= 0 else ()):
            t = min(1.0, max(0.0, ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / n)) if n > 0 else 0.0
            h = z - (az + t * (bz - az)) if n > 0 else z - min(az, bz)
            wide = kernel.profile(h, *(v[g] for v in shape))
            wanted[i] = min(wanted[i], math.hypot(x - ax - t * (bx - ax), y - ay - t * (by - ay)) - wide)
    np.testing.assert_allclose(gaps, wanted[bins.items], rtol=0, atol=1e-12)
    assert 20 < (gaps < 0).sum() < (gaps < 1).sum()


def test_the_highest_triangle_over_a_point():
    rng = np.random.default_rng(9)
    tris, points = soup(rng, 60), rng.uniform(-4, 4, (400, 2))
    bins = binned(tris, tris[:, 2::3].max(axis=1))
    top, wanted = np.full(400, -1.0), np.full(400, -1.0)
    kernel.top_at(points, tris, bins.first, bins.items, *bins.shape(), 1e-5, top)
    for a, b, c in tris.reshape(-1, 3, 3):
        side = np.column_stack([(b - a)[:2], (c - a)[:2]])
        if abs(np.linalg.det(side)) > 1e-14:
            u, v = np.linalg.solve(side, (points - a[:2]).T)
            over = (u >= 0) & (v >= 0) & (u + v <= 1)
            wanted[over] = np.maximum(wanted, a[2] + u * (b - a)[2] + v * (c - a)[2])[over]
    np.testing.assert_allclose(top, wanted, rtol=0, atol=1e-9)
    assert (top > -1).sum() > 100


def test_points_along_walls_lie_on_their_triangles():
    tris = soup(np.random.default_rng(10), 90)
    xy, foot, head, normal, triangle = kernel.wall_points(tris, 0.02, 0.15, 1e-6)
    corner = tris.reshape(-1, 3, 3)
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    across /= np.linalg.norm(across, axis=1)[:, None]
    assert set(triangle) == set(np.flatnonzero(np.abs(across[:, 2]) < 0.02))
    assert (np.diff(triangle) >= 0).all() and len(triangle) > 100
    for k in set(triangle):
        mine, way = triangle == k, np.array([-across[k, 1], across[k, 0]]) / math.hypot(*across[k, :2])
        s = corner[k, :, :2] @ way
        edges = np.linspace(s.min(), s.max(), mine.sum() + 1)
        assert edges[1] - edges[0] <= 0.15 + 1e-12 and (edges[1] - edges[0]) * mine.sum() > 0.15 * (mine.sum() - 1)
        np.testing.assert_allclose(xy[mine] @ way, (edges[1:] + edges[:-1]) / 2, rtol=0, atol=1e-9)
        np.testing.assert_allclose(normal[mine] @ across[k, :2], math.hypot(*across[k, :2]), rtol=0, atol=1e-9)
        order = np.argsort(s)
        long_side = np.interp(xy[mine] @ way, s[order[[0, 2]]], corner[k, order[[0, 2]], 2])
        short_side = np.interp(xy[mine] @ way, s[order], corner[k, order, 2])
        np.testing.assert_allclose(foot[mine], np.minimum(long_side, short_side), rtol=0, atol=1e-7)
        np.testing.assert_allclose(head[mine], np.maximum(long_side, short_side), rtol=0, atol=1e-7)
