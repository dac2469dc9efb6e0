"""Simulated cutting: what the program's moves leave of the billet, and what each move touched on the way.

Goal: the stock at the end, and for every move whether it cut, how much, how deep, and whether anything but the
cutting edges met stock. Steps: moves become pieces, pieces go to tiles, threads replay tiles (see the kernel).
Rapids are simulated too: a rapid that lowers the field is a crash. Their radius is taken a little smaller, since the
way back up along a wall just cut touches cells at the very edge by rounding noise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_removal as kernel
from pipeline.model.setup import Setup
from pipeline.verify.reading import RAPID, Moves
from pipeline.verify.tools import ToolTable

CHORD_MM = 0.002  # how far a chord of an arc may be off in the field
CONTACT_MM = 0.001  # a move that lowers no cell by more than this touches nothing
_LONGEST_MM = 8.0
_TILE = 256
_RAPID_SHRINK_MM = 0.003


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Cell centres at (x0 + col * cell, y0 + row * cell), setup frame, mm."""

    x0_mm: float
    y0_mm: float
    cell_mm: float
    n_rows: int
    n_cols: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Removal:
    """The stock left and the figures per piece. Arrays (m,) are in program order; owner is the index of the move."""

    grid: Grid
    billet: NDArray[np.bool_]  # cells of the billet
    z: NDArray[np.float32]
    pieces: NDArray[np.float64]  # (m, 6)
    owner: NDArray[np.int32]
    row: NDArray[np.int64]  # row of the tool table
    removed_mm3: NDArray[np.float64]
    deep_mm: NDArray[np.float64]  # largest lowering of a cell
    deep_cell: NDArray[np.int64]
    low_mm: NDArray[np.float64]  # lowest height set, inf when it set none
    stage_mm: NDArray[np.float64]  # largest overlap of neck, shank or holder with stock
    stage_cell: NDArray[np.int64]  # flat cell * 3 + (stage - 1)
    over_flutes_mm: NDArray[np.float64]
    contact: NDArray[np.float64]  # (n moves,) share of the move's length that cut

    def place(self, cell: int) -> tuple[float, float]:
        """Plan position of a flat cell index."""
        row, col = divmod(int(cell), self.grid.n_cols)
        return self.grid.x0_mm + col * self.grid.cell_mm, self.grid.y0_mm + row * self.grid.cell_mm


def grid_over(outline: NDArray[np.float64], cell_mm: float) -> Grid:
    """A grid that covers the outline (n, 2) with one cell to spare."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    x0, y0 = float(low[0]) - cell_mm, float(low[1]) - cell_mm
    return Grid(
        x0_mm=x0,
        y0_mm=y0,
        cell_mm=cell_mm,
        n_rows=int(np.ceil((high[1] - y0) / cell_mm)) + 2,
        n_cols=int(np.ceil((high[0] - x0) / cell_mm)) + 2,
    )


def run_threads(work: Callable[[Any], None], batches: Sequence[Any], workers: int) -> None:
    """Call work on every batch, on threads when workers > 1. Batches must not share what they write."""
    if workers <= 1 or len(batches) <= 1:
        for batch in batches:
            work(batch)
        return
    with ThreadPoolExecutor(max_workers=workers) as pool:
        for done in [pool.submit(work, batch) for batch in batches]:
            done.result()


def simulate(moves: Moves, *, setup: Setup, tools: ToolTable, cell_mm: float, workers: int = 1) -> Removal:
    """Cut the billet of the setup with the moves. Same bits whatever `workers` is; unknown cutters cut nothing."""
    grid = grid_over(setup.billet, cell_mm)
    billet = np.zeros((grid.n_rows, grid.n_cols), dtype=np.bool_)
    kernel.fill_polygon(billet, np.array(setup.billet), grid.x0_mm, grid.y0_mm, cell_mm)
    z = np.where(billet, np.float32(setup.z.top_high_mm), np.float32(0.0))
    pieces, owner = kernel.cut_up(moves.kind, moves.start, moves.end, moves.centre, CHORD_MM, _LONGEST_MM)
    row = tools.rows(moves.tool)[owner]
    zmin = np.minimum(pieces[:, 2], pieces[:, 5])
    known = np.maximum(row, 0)
    wanted = (row >= 0) & (zmin < setup.z.top_high_mm)
    # A stage matters for a piece only where its lower end may come under the top of the billet.
    reach = np.zeros(len(pieces))
    if len(tools.cutters):
        stage = np.where(zmin[:, None] + tools.stage_z[known] < setup.z.top_high_mm, tools.stage_r[known], 0.0)
        reach = np.maximum(stage.max(axis=1), tools.radius[known])
    first, pair_piece = kernel.sort_into_tiles(
        pieces, reach, wanted, grid.x0_mm, grid.y0_mm, cell_mm, grid.n_rows, grid.n_cols, _TILE
    )
    n_pairs = len(pair_piece)
    shrink = np.where(moves.kind[owner] == RAPID, _RAPID_SHRINK_MM, 0.0)
    total, deep, low, stage_mm, over = (np.zeros(n_pairs) for _ in range(5))
    cell, stage_cell = np.zeros(n_pairs, dtype=np.int64), np.zeros(n_pairs, dtype=np.int64)

    def replay(tiles: NDArray[np.int64]) -> None:
        kernel.lower_tiles(
            z, grid.x0_mm, grid.y0_mm, cell_mm, _TILE, tiles, first, pair_piece, pieces, row, shrink, tools.shape,
            tools.radius, tools.tip, tools.slope, tools.stage_z[:, 1:].copy(), tools.stage_r[:, 1:].copy(), tools.flute,
            total, deep, cell, low, stage_mm, stage_cell, over,
        )  # fmt: skip

    busy = np.flatnonzero(np.diff(first) > 0)
    run_threads(replay, [busy[i : i + 1] for i in range(len(busy))], workers)
    m = len(pieces)
    removed = np.bincount(pair_piece, weights=total, minlength=m).astype(np.float64) * cell_mm * cell_mm
    deep_mm, deep_cell = _largest(pair_piece, deep, cell, m)
    stage_piece, stage_at = _largest(pair_piece, stage_mm, stage_cell, m)
    over_piece, _ = _largest(pair_piece, over, cell, m)
    low_piece = np.full(m, np.inf)
    np.minimum.at(low_piece, pair_piece, low)
    length = np.linalg.norm(pieces[:, 3:] - pieces[:, :3], axis=1)
    whole = np.bincount(owner, weights=length, minlength=len(moves.kind))
    cut = np.bincount(owner, weights=length * (deep_mm > CONTACT_MM), minlength=len(moves.kind))
    return Removal(
        grid=grid,
        billet=billet,
        z=z,
        pieces=pieces,
        owner=owner,
        row=row,
        removed_mm3=np.asarray(removed, dtype=np.float64),
        deep_mm=deep_mm,
        deep_cell=deep_cell,
        low_mm=low_piece,
        stage_mm=stage_piece,
        stage_cell=stage_at,
        over_flutes_mm=over_piece,
        contact=np.divide(cut, whole, out=np.zeros(len(whole)), where=whole > 0),
    )


def _largest(
    key: NDArray[np.int64], value: NDArray[np.float64], tag: NDArray[np.int64], n: int
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Per key the largest value and the tag beside it."""
    out, tags = np.zeros(n), np.zeros(n, dtype=np.int64)
    if len(key):
        order = np.lexsort((value, key))
        last = order[np.append(np.diff(key[order]) != 0, True)]
        out[key[last]], tags[key[last]] = value[last], tag[last]
    return out, tags
