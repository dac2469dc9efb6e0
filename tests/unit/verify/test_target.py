"""The target field and the comparison with it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.kernels import verify_target as kernel
from pipeline.verify.removal import grid_over
from pipeline.verify.target import build_target
from pipeline.verify.walls import build_solids
from tests.unit.verify import by_hand
from tests.unit.verify.by_hand import TOLERANCES

# A ring: a round part with a hole through it, turned from its profile (no point on the axis).
RING = [(1.5, 0.0), (4.0, 0.0), (4.0, 2.0), (3.0, 3.0), (1.5, 3.0), (1.5, 0.0)]


def test_target_of_a_ring_is_its_top_its_hole_the_skin_and_outside_the_skin():
    part = by_hand.placed(by_hand.turned(RING, n=360), 10.0, 9.0, 0.8)
    setup = by_hand.setup(by_hand.box(20, 18), top=5.0, skin=0.3, parts=(part,))
    grid = grid_over(setup.billet, 0.02)
    target = build_target(setup, build_solids(setup, TOLERANCES), grid)
    rows, cols = np.mgrid[0 : grid.coarse_shape[0], 0 : grid.coarse_shape[1]]
    x, y = grid.coarse_x0_mm + cols * grid.coarse_mm, grid.coarse_y0_mm + rows * grid.coarse_mm
    rho = np.hypot(x - 10, y - 9)
    expected = np.where(rho <= 3.0, 3.8, 3.8 - (rho - 3.0))
    expected = np.where((rho < 1.5) | (rho > 4.0), 0.3, expected)
    clear = (np.abs(rho - 1.5) > 0.002) & (np.abs(rho - 4.0) > 0.002)
    heights = target.heights(np.column_stack([x.ravel(), y.ravel()])).reshape(x.shape)
    assert np.abs(heights - expected)[clear].max() < 0.001
    cells = target.parts[0]
    area = grid.coarse_mm**2
    assert cells.solid.sum() * area == pytest.approx(math.pi * (16 - 2.25), rel=0.005)
    assert cells.hole.sum() * area == pytest.approx(math.pi * 2.25, rel=0.02)
    out = rho[cells.rows, cells.cols]
    far = cells.outside_cells > 0
    assert np.abs(cells.outside_cells[far] * grid.coarse_mm - (out[far] - 4.0)).max() < 0.12
    assert target.part_at(15.0, 9.0, setup.parts) == "stud-1"
    assert target.part_at(19.9, 17.9, setup.parts) == ""
    hole = target.hole & (rho > 1.5)
    assert hole.any() and rho[hole].max() < 1.7  # a coarse cell wider, so that fine cells at its wall count


def test_distance_transform_equals_brute_force():
    rng = np.random.default_rng(3)
    solid = rng.uniform(size=(23, 31)) < 0.03
    ys, xs = np.nonzero(solid)
    rows, cols = np.mgrid[0:23, 0:31]
    exact = np.sqrt(((rows[..., None] - ys) ** 2 + (cols[..., None] - xs) ** 2).min(axis=-1))
    assert np.abs(kernel.distance_cells(solid) - exact).max() < 1e-9


def test_a_grown_mask_holds_all_neighbours():
    mask = np.random.default_rng(8).random((12, 15)) < 0.05
    for reach in (0, 1, 2, 14):
        out = kernel.grown(mask, reach)
        for i in range(12):
            for j in range(15):
                assert out[i, j] == mask[max(0, i - reach) : i + reach + 1, max(0, j - reach) : j + reach + 1].any()


def test_neighbouring_triangles_leave_no_gap():
    rng = np.random.default_rng(6)
    points = np.column_stack([rng.uniform(0, 3, (40, 2)), rng.uniform(0, 1, 40)])
    points = np.vstack([[[0, 0, 0.5], [3, 0, 0.5], [3, 3, 0.5], [0, 3, 0.5]], points])
    from scipy.spatial import Delaunay

    tris = points[Delaunay(points[:, :2]).simplices].reshape(-1, 9)
    top = np.full((61, 61), -np.inf)
    kernel.raise_to_mesh(top, np.ascontiguousarray(tris), np.arange(len(tris)), 0.0, 0.0, 0.05)
    assert (top > -np.inf).all()
    assert top.max() <= points[:, 2].max() + 1e-9 and top.min() >= points[:, 2].min() - 1e-9


def test_a_place_is_named_after_the_part_that_a_plain_search_finds_nearest():
    spots = [(9.0, 9.0), (18.5, 9.4), (17.0, 20.0)]
    stud = by_hand.turned(RING, n=90)
    parts = tuple(by_hand.placed(stud, x, y, 0.8, part_id=f"ring-{k}") for k, (x, y) in enumerate(spots))
    setup = by_hand.setup(by_hand.box(40, 30), top=5.0, skin=0.3, parts=parts)
    grid = grid_over(setup.billet, 0.1)
    target = build_target(setup, build_solids(setup, TOLERANCES), grid)
    taken = []
    for cells in target.parts:
        rows, cols = np.nonzero(cells.solid | cells.hole)
        taken.append((rows + cells.rows.start, cols + cells.cols.start))
    rng = np.random.default_rng(5)
    named = 0
    for row, col in zip(rng.integers(0, grid.coarse_shape[0], 400), rng.integers(0, grid.coarse_shape[1], 400),
                        strict=True):  # fmt: skip
        away = [((rows - row) ** 2 + (cols - col) ** 2).min() for rows, cols in taken]
        nearest = int(np.argmin(away))
        wanted = f"ring-{nearest}" if math.sqrt(away[nearest]) < 6.0 / grid.coarse_mm else ""
        found = target.part_at(
            grid.coarse_x0_mm + col * grid.coarse_mm, grid.coarse_y0_mm + row * grid.coarse_mm, setup.parts
        )
        assert found == wanted
        named += found != ""
    assert 100 < named < 400
    assert target.part_at(-5.0, 9.0, setup.parts) == ""


@pytest.mark.parametrize("k", [1, 2, 5])
def test_a_tile_is_judged_as_cell_by_cell(k):
    """The plain way: every cell by itself, its window looked through whenever it is off."""
    rng = np.random.default_rng(40 + k)
    rows, cols, reach, unit, skin, floor, left = 40, 30, 2, 2.0**-20, 0.3, 0.02, 0.03
    top = np.full((rows + 2 * reach, cols + 2 * reach), -np.inf, dtype=np.float32)
    top[3 : rows // 2, 4 : cols - 2] = 2.0
    top[4 : rows // 3, 5:12] = 2.5
    hole = rng.random((rows // k, cols // k)) < 0.1
    z = np.where(rng.random((rows, cols)) < 0.2, 0.3, 2.0) + rng.normal(0, 0.03, (rows, cols))
    z = (z / unit).astype(np.int32)
    tied, severed = (rng.integers(-1, 50, (rows, cols)).astype(np.int32) for _ in range(2))
    shape = rows // k, cols // k
    high, deep, most, most_from, over = (np.zeros(shape, dtype=np.float32) for _ in range(5))
    deep_at, left_at = (np.full(shape, -1, dtype=np.int16) for _ in range(2))
    last_tied, last_severed = (np.full(shape, -1, dtype=np.int32) for _ in range(2))
    kernel.judge_tile(z, unit, top, hole, skin, reach, floor, left, k, tied, severed, high, deep, deep_at, most,
                      left_at, most_from, over, last_tied, last_severed)  # fmt: skip
    for a, b in np.ndindex(shape):
        cells = [(i, j) for i in range(a * k, a * k + k) for j in range(b * k, b * k + k)]
        assert high[a, b] == np.float32(max(z[c] * unit for c in cells))
        assert last_tied[a, b] == max(tied[c] for c in cells)
        assert last_severed[a, b] == max(severed[c] for c in cells)
        deepest, worst, summed, judged = 0.0, 0.0, 0.0, False
        for i, j in cells:
            target, stock = float(top[i + reach, j + reach]), z[i, j] * unit
            window = top[i : i + 2 * reach + 1, j : j + 2 * reach + 1]
            if target == -math.inf and not hole[a, b]:
                continue
            judged, is_solid = True, target > -math.inf
            target = target if is_solid else skin
            if is_solid and target - stock > floor:
                least = float(window.min())
                deepest = max(deepest, least - stock if least > skin else 0.0)
            elif is_solid:
                deepest = max(deepest, target - stock)
            summed += max(0.0, stock - target)
            highest = max(target, float(window.max())) if stock - target > left else target
            worst = max(worst, stock - highest)
        assert deep[a, b] == np.float32(deepest) and most[a, b] == np.float32(worst)
        assert over[a, b] == pytest.approx(summed, rel=1e-5)
        assert (left_at[a, b] >= 0) == judged and (deep_at[a, b] >= 0) == (deepest > 0)
    assert (deep > 0.02).any() and (most > 0.03).any() and (left_at < 0).any()
