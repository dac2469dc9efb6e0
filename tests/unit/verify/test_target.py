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


def test_windows_hold_the_extremes_of_their_neighbours():
    field = np.random.default_rng(8).normal(size=(12, 15)).astype(np.float32)
    for highest in (True, False):
        out = kernel.window_extreme(field, 2, highest)
        for i in range(12):
            for j in range(15):
                block = field[max(0, i - 2) : i + 3, max(0, j - 2) : j + 3]
                assert out[i, j] == (block.max() if highest else block.min())


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
