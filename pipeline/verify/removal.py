"""Simulated cutting: what the program's moves leave of the billet, and what each move touched on the way.

Goal: for every move whether it cut, how much, how deep, how wide the cutter was engaged, and whether anything but the
cutting edges met stock; and the stock that is left, tile by tile. Steps: moves become pieces, pieces go to tiles,
threads replay tiles (see the kernel) and hand each finished tile to a visitor before it is thrown away; the whole
field never exists. Rapids are simulated too: a rapid that lowers the field is a crash. Their radius is taken a little
smaller, since the way back up along a wall just cut touches cells at the very edge by rounding noise. Where the
control may dog-leg, rapids run along the bent way as well.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_removal as kernel
from pipeline.model.setup import Setup
from pipeline.verify.felt import Felt
from pipeline.verify.motion_time import path_lengths
from pipeline.verify.reading import Moves
from pipeline.verify.tools import ToolTable

CHORD_MM = 0.002  # how far a chord of an arc may be off in the field
CONTACT_MM = 0.00005  # a move that lowers no cell by more than this touches nothing: half of what a text can say
COARSE_MM = 0.1  # about; what is kept of the field for maps
_LONGEST_MM = 1.0  # the cutter's circle is probed at the end of every piece
_ABOUT_A_TILE = 256
_AT_A_TIME = 48
_RAPID_SHRINK_MM = 0.003
_N_DIRECTIONS = 180
_NOISE_MM = 0.01  # stock over the tip at the cutter's circle that counts as none
_LEAST_RUN_MM = 0.2  # widths of cut are means over at least this

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Cell centres at (x0 + col * cell, y0 + row * cell), setup frame, mm. Coarse cells are `k` by `k` of them; tiles
    are `tile` by `tile`, a multiple of k. Rows and columns are multiples of k."""

    x0_mm: float
    y0_mm: float
    cell_mm: float
    n_rows: int
    n_cols: int
    k: int
    tile: int

    @property
    def coarse_mm(self) -> float:
        """Side of a coarse cell."""
        return self.k * self.cell_mm

    @property
    def coarse_x0_mm(self) -> float:
        """Centre of the first coarse cell."""
        return self.x0_mm + (self.k - 1) / 2 * self.cell_mm

    @property
    def coarse_y0_mm(self) -> float:
        """Centre of the first coarse cell."""
        return self.y0_mm + (self.k - 1) / 2 * self.cell_mm

    @property
    def coarse_shape(self) -> tuple[int, int]:
        """Rows and columns of coarse cells."""
        return self.n_rows // self.k, self.n_cols // self.k


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tile:
    """One finished tile, to be looked at while it is there: its rows and columns of the whole grid, the stock's height,
    and the move that first took each cell to the skin (`tied`) and through (`severed`), `kernel.NEVER` where none did,
    -1 beside the billet."""

    rows: slice
    cols: slice
    z: NDArray[np.int32]  # in units of 1 / kernel.UNITS mm
    tied: NDArray[np.int32]
    severed: NDArray[np.int32]

    @property
    def z_mm(self) -> Array:
        """The heights in mm."""
        return np.asarray(self.z / kernel.UNITS, dtype=np.float64)


Visit = Callable[[Tile], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Removal:
    """What moves did. Arrays (n moves,) are in program order; pieces (m, 6) with owner and tool row beside."""

    grid: Grid
    pieces: Array
    owner: NDArray[np.int32]
    row: NDArray[np.int64]  # row of the tool table, of each piece
    bent: NDArray[np.bool_]  # pieces of a rapid's dog-leg
    felt: Felt
    deep_at: NDArray[np.int32]  # (n, 2) row and column where the largest fall was
    low_mm: Array  # lowest height set, inf when it set none
    stage_mm: Array  # largest overlap of neck, shank or holder with stock
    stage_at: NDArray[np.int32]  # (n, 3) row and column of that, and which: 0 neck, 1 shank, 2 holder
    ends_in_cut: NDArray[np.bool_]

    def place(self, at: NDArray[np.int32]) -> tuple[float, float]:
        """Plan position of a row and column."""
        return self.grid.x0_mm + int(at[1]) * self.grid.cell_mm, self.grid.y0_mm + int(at[0]) * self.grid.cell_mm

    @property
    def contact(self) -> Array:
        """(n moves,) share of the move's length that cut."""
        whole = self.felt.length_mm
        share = np.divide(self.felt.cut_mm, whole, out=np.zeros(len(whole)), where=whole > 0)
        return np.asarray(np.minimum(share, 1.0), dtype=np.float64)


def grid_over(outline: Array, cell_mm: float) -> Grid:
    """A grid that covers the outline (n, 2) with one cell to spare."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    x0, y0 = float(low[0]) - cell_mm, float(low[1]) - cell_mm
    k = max(1, round(COARSE_MM / cell_mm))
    n_cols = math.ceil((math.ceil((float(high[0]) - x0) / cell_mm) + 2) / k) * k
    n_rows = math.ceil((math.ceil((float(high[1]) - y0) / cell_mm) + 2) / k) * k
    return Grid(
        x0_mm=x0, y0_mm=y0, cell_mm=cell_mm, n_rows=n_rows, n_cols=n_cols, k=k, tile=_ABOUT_A_TILE // k * k or k
    )


def run_threads(work: Callable[[Any], Any], batches: Sequence[Any], workers: int) -> None:
    """Call work on every batch, on threads when workers > 1. Batches must not share what they write."""
    if workers <= 1 or len(batches) <= 1:
        for batch in batches:
            work(batch)
        return
    with ThreadPoolExecutor(max_workers=workers) as pool:
        for done in [pool.submit(work, batch) for batch in batches]:
            done.result()


def simulate(
    moves: Moves, *, setup: Setup, tools: ToolTable, cell_mm: float, workers: int = 1, dog_leg: bool = False,
    skin_left_mm: float = 0.0, visit: Visit | None = None,
) -> Removal:  # fmt: skip
    """Cut the billet of the setup with the moves. Same bits whatever `workers` is; unknown cutters cut nothing.

    A cell counts as down to the skin at `skin_left_mm` over the skin plane. `visit` is called once for every tile, from
    any thread; it may write only what belongs to that tile.
    """
    grid = grid_over(setup.billet, cell_mm)
    pieces, owner, bent = _pieces(moves, setup.z.top_high_mm, dog_leg)
    row, feeds, joined, reach = kernel.describe_pieces(
        pieces, owner, moves.kind, tools.rows(moves.tool), setup.z.top_high_mm, tools.stage_z, tools.stage_r,
        tools.radius,
    )  # fmt: skip
    first, pairs = kernel.sort_into_tiles(
        pieces, reach, grid.x0_mm, grid.y0_mm, cell_mm, grid.n_rows, grid.n_cols, grid.tile
    )
    ring, lift = _probe_rings(tools, cell_mm)
    turn = 2 * np.pi * (np.arange(_N_DIRECTIONS) + 0.5) / _N_DIRECTIONS
    directions = np.stack([np.cos(turn), np.sin(turn)])
    outline, high = np.array(setup.billet), setup.z.top_high_mm
    stage_z, stage_r = tools.stage_z[:, 1:].copy(), tools.stage_r[:, 1:].copy()
    n_across = -(-grid.n_cols // grid.tile)

    mine_alone = threading.local()  # each thread cuts all its tiles in the same memory

    def work(t: int) -> tuple[Any, ...]:
        row0, col0 = t // n_across * grid.tile, t % n_across * grid.tile
        shape = min(grid.tile, grid.n_rows - row0), min(grid.tile, grid.n_cols - col0)
        x0, y0 = grid.x0_mm + col0 * cell_mm, grid.y0_mm + row0 * cell_mm
        if not hasattr(mine_alone, "cells"):
            mine_alone.cells = np.empty((3, grid.tile * grid.tile), dtype=np.int32)
        z, tied, severed = (cells[: shape[0] * shape[1]].reshape(shape) for cells in mine_alone.cells)
        kernel.fill_tile(z, tied, severed, outline, x0, y0, cell_mm, high)
        mine = pairs[first[t] : first[t + 1]]
        n = len(mine)
        total, deep, low, stage, over, tall = (np.zeros(n) for _ in range(6))
        deep_at, stage_at, n_in = (np.zeros(n, dtype=np.int64) for _ in range(3))
        low[:] = np.inf
        sums = np.zeros((n, 3))
        if n:
            kernel.cut_tile(
                z, tied, severed, setup.z.skin_mm + skin_left_mm, 0.0, x0, y0, cell_mm, mine, pieces, owner, row,
                _RAPID_SHRINK_MM, joined, feeds, tools.shape, tools.radius, tools.tip, tools.slope, stage_z, stage_r,
                tools.flute, ring, lift, _NOISE_MM, directions, total, deep, deep_at, low, stage, stage_at, over, n_in,
                tall, sums,
            )  # fmt: skip
        if visit is not None:
            rows, cols = slice(row0, row0 + shape[0]), slice(col0, col0 + shape[1])
            visit(Tile(rows=rows, cols=cols, z=z, tied=tied, severed=severed))
        return mine, row0, col0, shape[1], total, deep, deep_at, low, stage, stage_at, over, n_in, tall, sums

    gathered = _Gathered(len(moves.kind), len(pieces))
    n_tiles = len(first) - 1
    with ThreadPoolExecutor(max_workers=max(1, workers)) as pool:
        # A handful at a time: figures of pairs that wait to be added up would fill the memory.
        for t in range(0, n_tiles, _AT_A_TIME):
            for done in pool.map(work, range(t, min(n_tiles, t + _AT_A_TIME))):
                gathered.add(owner, cell_mm, *done)
    return Removal(
        grid=grid, pieces=pieces, owner=owner, row=row, bent=bent, felt=gathered.felt(moves, pieces, owner, tools),
        deep_at=gathered.deep_at, low_mm=gathered.low, stage_mm=gathered.stage, stage_at=gathered.stage_at,
        ends_in_cut=gathered.last_cut,
    )  # fmt: skip


def _pieces(moves: Moves, top_mm: float, dog_leg: bool) -> tuple[Array, NDArray[np.int32], NDArray[np.bool_]]:
    pieces, owner = kernel.cut_up(
        moves.kind, moves.start, moves.end, moves.centre, CHORD_MM, _LONGEST_MM, top_mm
    )
    bent = np.zeros(len(pieces), dtype=np.bool_)
    if dog_leg:
        more, of = kernel.dog_legs(moves.kind, moves.start, moves.end)
        order = np.argsort(np.concatenate([owner, of]), kind="stable")
        pieces, owner = np.concatenate([pieces, more])[order], np.concatenate([owner, of])[order]
        bent = np.concatenate([bent, np.ones(len(more), dtype=np.bool_)])[order]
    return pieces, owner, bent


def _probe_rings(tools: ToolTable, cell_mm: float) -> tuple[Array, Array]:
    """Radius and height over the tip of the circle on which each cutter's engagement is probed.

    A cell centre may be 0.71 cells from the point asked for; the circle is that much smaller, so that the wall beside
    a cutter never counts.
    """
    n = len(tools.cutters)
    ring, lift = tools.radius - 0.75 * cell_mm, np.zeros(n)
    for i in range(n):
        r, tip, c = float(tools.radius[i]), float(tools.tip[i]), float(tools.slope[i])
        if tools.shape[i] == kernel.BALL:
            ring[i] = 0.35 * r
        elif tools.shape[i] == kernel.CONE:
            ring[i] = 0.5 * (tip + r)
        elif tools.shape[i] == kernel.ROUNDED:
            ring[i] = tip + 0.7 * c
        if tools.shape[i] != kernel.FLAT:
            lift[i] = kernel.underside(ring[i], tools.shape[i], r, tip, c)
    return np.maximum(ring, 0.0), lift


class _Gathered:
    """Figures of moves and pieces, added up tile after tile in one order."""

    def __init__(self, n: int, m: int) -> None:
        self.removed, self.deep, self.stage, self.over = (np.zeros(n) for _ in range(4))
        self.low = np.full(n, np.inf)
        self.deep_at, self.stage_at = np.zeros((n, 2), dtype=np.int32), np.zeros((n, 3), dtype=np.int32)
        self.last_cut = np.zeros(n, dtype=np.bool_)
        self.cut, self.inside = np.zeros(m, dtype=np.bool_), np.zeros(m, dtype=np.int16)
        self.tall, self.sums = np.zeros(m, dtype=np.float32), np.zeros((m, 3))

    def add(self, owner: NDArray[np.int32], cell_mm: float, pairs: NDArray[np.int32], row0: int, col0: int,
            n_cols: int, *figures: NDArray[Any]) -> None:
        """One tile's pairs."""
        if len(pairs):
            given: list[Any] = [pairs, owner, row0, col0, n_cols, cell_mm * cell_mm, *figures, CONTACT_MM]
            given += [self.removed, self.deep, self.deep_at, self.low, self.stage, self.stage_at, self.over]
            given += [self.cut, self.inside, self.tall, self.sums]
            kernel.gather_tile(*given)

    def felt(self, moves: Moves, pieces: Array, owner: NDArray[np.int32], tools: ToolTable) -> Felt:
        """What each move met."""
        n = len(moves.kind)
        cut_mm, plan_mm, peak, axial, depth, width = (np.zeros(n) for _ in range(6))
        arc = np.zeros((n, 2))
        kernel.gather_moves(
            owner, self.cut, self.inside, self.tall, self.sums, pieces, _N_DIRECTIONS, cut_mm, plan_mm, peak, axial,
            depth, arc, self.last_cut,
        )  # fmt: skip
        row = tools.rows(moves.tool)
        radius = np.where(row >= 0, tools.radius[np.maximum(row, 0)], 0.0) if len(tools.radius) else np.zeros(n)
        kernel.mean_widths(self.removed, plan_mm, depth, moves.tool, _LEAST_RUN_MM, width)
        width = np.minimum(width, 2 * radius)
        share = np.divide(width, radius, out=np.zeros(n), where=radius > 0)
        mean = np.arccos(np.clip(1.0 - share, -1.0, 1.0))
        plunges = (plan_mm == 0.0) & (cut_mm > 0.0)
        return Felt(
            length_mm=path_lengths(moves), cut_mm=cut_mm, removed_mm3=self.removed, deep_mm=self.deep, axial_mm=axial,
            engaged_mean_rad=np.where(plunges, peak, mean),
            engaged_peak_rad=np.maximum(peak, np.where(plunges, 0.0, mean)),
            width_mean_mm=width, arc_x=arc[:, 0].copy(), arc_y=arc[:, 1].copy(), over_flutes_mm=self.over,
        )  # fmt: skip
