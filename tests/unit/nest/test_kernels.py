"""The engine's kernels: gradients, a hand-made case, and the same numbers compiled and interpreted."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from pipeline.kernels import nest_engine
from pipeline.nest.shapes import kind_of, pack
from tests.reference.packings import L_SHAPE, plain_part, plain_region, rectangle, request

ROOT = Path(__file__).resolve().parents[3]


def _small_world(cell_mm: float = 1.0):
    from pipeline.model.loop import Loop

    parts = [plain_part("ell", L_SHAPE), plain_part("disc", Loop.circle(0, 0, 3.0))]
    kinds = [kind_of(p, request(p.name, 1)) for p in parts]
    region = plain_region(rectangle(60, 40), edge_gap_mm=1.0, keepouts=(("pin", rectangle(4, 4) + [40, 20], 1.0),))
    return pack(kinds, region, gap_mm=1.5, cell_mm=cell_mm)._replace(safety=0.002)


def _case() -> dict:
    """A few bodies in each other's way, relaxed, separated and counted; run in both modes."""
    world = _small_world()
    kinds = np.array([0, 0, 1, 1], dtype=np.int64)
    poses = np.array([[15.0, 15, 0.2], [24.0, 18, 3.4], [38.0, 20, 0], [39.0, 24, 0]])
    short = np.zeros((5, 5))
    before = nest_engine.shortfalls(world, kinds, poses, 4, short)
    state = np.array([4711], dtype=np.int64)
    draws = [nest_engine.draw(state) for _ in range(3)]
    free = np.ones(4, dtype=np.int64)
    after = nest_engine.relax(world, kinds, poses, 4, free, 0.0, 0.0, 12, 0.001)
    none = np.zeros(3, dtype=np.int64)
    boxes = np.array([[0.0, 0, 60, 40]] * 2)
    worst = nest_engine.separate(world, kinds, poses, 4, free, none, np.zeros(1), boxes, 2, 4, 0.001, state)
    base = np.zeros((14, 20))
    nest_engine.room_base(world, 0, 3.0, 0.0, 0.0, 3.2, base)
    room = np.zeros_like(base)
    nest_engine.room_map(world, kinds, poses, 4, 3.0, base, 0.0, 0.0, 3.2, 4.0, room)
    orders = np.arange(base.size, dtype=np.int64)[None]
    spots = np.zeros((30, 2))
    count, share = nest_engine.best_start(room, 0.0, 0.0, 3.2, orders, 7.5, 1, 2, spots)
    more_kinds, more = np.zeros(30, dtype=np.int64), np.zeros((30, 3))
    more_kinds[1:3], more[:3] = 1, [[17.5, 17.5, 0], [40, 10, 0], [50, 30, 0]]
    all_free = np.ones(30, dtype=np.int64)
    n = nest_engine.crowd(world, more_kinds, more, 3, 8, 1, all_free, base, 0.0, 0.0, 3.2, 0.001)
    left, rounds = nest_engine.press(world, more_kinds, more, n, 1, 1, all_free, base, 0.0, 0.0, 3.2, 6, 0.001, state)
    return {"before": before, "draws": draws, "after": after, "worst": worst, "count": count, "share": share, "n": n,
            "left": left, "rounds": rounds, "poses": poses.tolist(), "more": more.tolist()}


def test_compiled_and_interpreted_give_the_same() -> None:
    compiled = _case()
    text = "import json; from tests.unit.nest.test_kernels import _case; print(json.dumps(_case()))"
    env = {**os.environ, "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-W", "error::RuntimeWarning", "-c", text], env=env, cwd=ROOT, text=True,
                          capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    interpreted = json.loads(done.stdout.splitlines()[-1])
    assert interpreted["draws"] == compiled["draws"]
    # fused multiply-add may differ in the last bits and the descent enlarges it; the path must be the same
    assert interpreted["before"] == pytest.approx(compiled["before"], abs=1e-9)
    assert interpreted["count"] == compiled["count"] and interpreted["n"] == compiled["n"] > 3
    for key in ("after", "worst", "share"):
        assert interpreted[key] == pytest.approx(compiled[key], abs=1e-6)
    np.testing.assert_allclose(interpreted["poses"], compiled["poses"], atol=1e-6)
    np.testing.assert_allclose(interpreted["more"], compiled["more"], atol=1e-5)


def test_gradient_is_the_slope_of_the_energy() -> None:
    world = _small_world(cell_mm=0.5)
    kinds = np.array([0, 0, 1, 1], dtype=np.int64)
    poses = np.array([[15.03, 15.1, 0.21], [24.07, 18.03, 3.43], [38.01, 20.02, 0], [39.04, 24.06, 0]])
    pairs = np.array([[i, j] for i in range(4) for j in range(i)], dtype=np.int64)
    scale = np.ones((4, 3))
    weights = 1 + np.arange(25.0).reshape(5, 5) / 10
    grad, other = np.zeros((4, 3)), np.zeros((4, 3))

    def value(p):
        return nest_engine.energy(world, kinds, p, 4, scale, weights, pairs, len(pairs), 0.01, -0.02, other)[0]

    nest_engine.energy(world, kinds, poses, 4, scale, weights, pairs, len(pairs), 0.01, -0.02, grad)
    assert np.abs(grad).max() > 1
    h = 1e-6
    for i in range(4):
        for k in range(3):
            up, down = poses.copy(), poses.copy()
            up[i, k] += h
            down[i, k] -= h
            slope = (value(up) - value(down)) / (2 * h)
            # samples that cross a grid line within h bend the slope a little
            assert grad[i, k] == pytest.approx(slope, rel=2e-3, abs=2e-3)


def test_grid_of_a_square_is_the_distance() -> None:
    grid = nest_engine.distance_grid(rectangle(10, 10), -3.0, -4.0, 1.0, 17, 18)
    assert grid.shape == (18, 17)
    assert grid[0, 0] == pytest.approx(5.0)  # (-3, -4) to the corner
    assert grid[9, 8] == pytest.approx(-5.0)  # (5, 5)
    assert grid[9, 0] == pytest.approx(3.0)


def test_two_discs_come_apart_along_their_line() -> None:
    world = _small_world()
    poses = np.array([[20.0, 10, 0], [22.0, 10, 0]])
    worst = nest_engine.relax(world, np.array([1, 1], dtype=np.int64), poses, 2, np.ones(2, dtype=np.int64), 0.0, 0.0,
                              100, 1e-4)
    assert worst <= 1e-4
    assert np.hypot(*(poses[1] - poses[0])[:2]) == pytest.approx(3 + 3 + 1.5 + 0.002, abs=2e-4)
    assert poses[:, 1] == pytest.approx([10, 10])
    assert poses[:, 0].mean() == pytest.approx(21.0)


def test_held_bodies_do_not_move() -> None:
    world = _small_world()
    poses = np.array([[20.0, 10, 0], [22.0, 10, 0]])
    nest_engine.relax(world, np.array([1, 1], dtype=np.int64), poses, 2, np.array([0, 1], dtype=np.int64), 0.0, 0.0,
                      100, 1e-4)
    assert poses[0].tolist() == [20.0, 10, 0]
    assert poses[1, 0] > 27
