"""What the stock should look like, and how far it is from that.

Target: over a part the top of its mesh; in a hole through a part and outside all parts the skin plane. Words: the
*kerf ring* is the strip just outside a part's silhouette; a part's *own* cells are its silhouette with its holes.

Each tile of the stock is compared cell by cell as it is finished (see `judge_tile` in its kernel) and thinned
out to coarse cells, each with its worst fine cell. What may be cut too deep or left where is then decided on those.
Walls are judged by the exact test (see walls.py). What is flagged as left gets its true distance to the solid.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_removal, verify_target, verify_walls
from pipeline.model.job import Tolerances
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.units import EPS_MM
from pipeline.model.verdict import PartMap, PartResult, StockField
from pipeline.verify.acceptance import cell_limits
from pipeline.verify.excused import Excuse
from pipeline.verify.faults import Fault
from pipeline.verify.removal import Grid, Removal, Tile
from pipeline.verify.ties import CutTimes
from pipeline.verify.tools import ToolTable
from pipeline.verify.walls import Solids

KERF_RING_MM = 0.6  # how far out of a silhouette the kerf is judged
_NEAR_MM = 6.0  # a place this near a part is named after it
_MAP_MM = 6.0  # shown round a part
_MISSING_SHARE = 0.1  # a part with less of its ring cut, or of its face touched, is missing
_TRUE_DISTANCES = 400  # flagged cells of a part that are measured against the solid, spread from high to low
_WALL_CELLS = 2  # coarse cells beside a wall that the kerf test leaves to the exact one
_EDGE_MM = 1e-5  # a point this near a triangle's edge counts as on it

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartCells:
    """One part on the coarse grid: a window of rows and columns as wide as the kerf ring, in it masks and the distance
    to the part in coarse cells, and the rows and columns that its map shows."""

    rows: slice
    cols: slice
    map_rows: slice
    map_cols: slice
    solid: Mask
    hole: Mask  # inside the silhouette, no material at any height
    outside_cells: NDArray[np.float64]  # distance to the part where outside, 0 on it and in its holes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Target:
    """Where the parts are on the coarse cells of `grid`, each part's cells in the setup's order."""

    grid: Grid
    solids: Solids
    skin_mm: float
    parts: tuple[PartCells, ...]
    hole: Mask  # coarse cells of holes, one cell wider than the hole
    windows: NDArray[np.int64]  # (n parts, 4) of `parts`: first and last row, first and last column
    first: NDArray[np.int64]  # (n parts,) where the cells of each window begin in `outside`
    outside: Mask  # the cells of all windows, True where outside the part

    def part_at(self, x: float, y: float, placed: Sequence[PlacedPart]) -> str:
        """Id of the part at or next to a plan point, empty when there is none."""
        grid = self.grid
        row = round((y - grid.coarse_y0_mm) / grid.coarse_mm)
        col = round((x - grid.coarse_x0_mm) / grid.coarse_mm)
        if not (0 <= row < grid.coarse_shape[0] and 0 <= col < grid.coarse_shape[1]):
            return ""
        near = _NEAR_MM / grid.coarse_mm
        index = int(verify_target.nearest_part(row, col, self.windows, self.first, self.outside, near))
        return placed[index].part_id if index >= 0 else ""

    def heights(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """The target's height at plan points (n, 2), from the meshes themselves."""
        s, top = self.solids, np.full(len(xy), self.skin_mm)
        verify_walls.top_at(xy, s.tris, s.bins.first, s.bins.items, *s.bins.shape(), _EDGE_MM, top)
        return top


def build_target(setup: Setup, solids: Solids, grid: Grid) -> Target:
    """Find every part's cells. Each part gets its own window with a margin."""
    cell, shape = grid.coarse_mm, grid.coarse_shape
    hole = np.zeros(shape, dtype=np.bool_)
    parts, outsides = [], []

    def window(x: NDArray[np.float64], y: NDArray[np.float64], margin: float) -> tuple[slice, slice]:
        return (
            _span(y.min() - margin, y.max() + margin, grid.coarse_y0_mm, cell, shape[0]),
            _span(x.min() - margin, x.max() + margin, grid.coarse_x0_mm, cell, shape[1]),
        )

    for index in range(len(setup.parts)):
        mine = solids.of_part(index)
        x, y = solids.tris[mine, 0::3], solids.tris[mine, 1::3]
        # The farthest cells of the ring see neighbours' cells beside them.
        rows, cols = window(x, y, _ring_mm(cell) + (_WALL_CELLS + 1) * cell)
        map_rows, map_cols = window(x, y, _MAP_MM + 2 * cell)
        x0, y0 = grid.coarse_x0_mm + cols.start * cell, grid.coarse_y0_mm + rows.start * cell
        top = np.full((rows.stop - rows.start, cols.stop - cols.start), -np.inf, dtype=np.float32)
        verify_target.raise_to_mesh(top, solids.tris, np.arange(mine.start, mine.stop), x0, y0, cell)
        solid = top > -np.inf
        outside = verify_target.flood_outside(solid)
        inside = ~solid & ~outside
        if inside.any():
            hole[rows, cols] |= verify_target.grown(inside, 1) & ~outside
        outsides.append(outside.ravel())
        parts.append(
            PartCells(rows=rows, cols=cols, map_rows=map_rows, map_cols=map_cols, solid=solid, hole=inside,
                      outside_cells=verify_target.distance_cells(~outside))
        )  # fmt: skip
    windows = np.array([(p.rows.start, p.rows.stop, p.cols.start, p.cols.stop) for p in parts], dtype=np.int64)
    return Target(
        grid=grid, solids=solids, skin_mm=setup.z.skin_mm, parts=tuple(parts), hole=hole,
        windows=windows.reshape(-1, 4),
        first=np.cumsum([0, *(len(cells) for cells in outsides)], dtype=np.int64)[:-1],
        outside=np.concatenate([np.zeros(0, dtype=np.bool_), *outsides]),
    )  # fmt: skip


def _ring_mm(cell_mm: float) -> float:
    """How far out the kerf ring goes: some cells of it at any size of cell."""
    return max(KERF_RING_MM, (_WALL_CELLS + 3) * cell_mm)


def _span(low: float, high: float, origin: float, cell: float, n: int) -> slice:
    a = min(n, max(0, math.floor((low - origin) / cell)))
    b = min(n, max(a, math.ceil((high - origin) / cell) + 1))
    return slice(a, b)


class Comparison:
    """Visits finished tiles of the stock and keeps, per coarse cell, what `judge_tile` says of it."""

    def __init__(self, setup: Setup, target: Target, tolerances: Tolerances) -> None:
        grid, shape = target.grid, target.grid.coarse_shape
        self.grid, self.target = grid, target
        self._floor_mm, self._left_mm = tolerances.floor_mm, tolerances.left_mm
        self._skin = float(np.float32(setup.z.skin_mm)) + EPS_MM
        self.reach = max(2, math.ceil(tolerances.left_mm / grid.cell_mm) + 1)
        self._mine_alone = threading.local()  # each thread raises parts in the same memory
        self.highest = np.full(shape, -np.inf, dtype=np.float32)
        self.deep, self.left, self.left_high, self.over = (np.zeros(shape, dtype=np.float32) for _ in range(4))
        self.deep_at, self.left_at = (np.full(shape, -1, dtype=np.int16) for _ in range(2))
        self.tied, self.severed = (np.full(shape, -1, dtype=np.int32) for _ in range(2))
        boxes, spill = target.solids.boxes, (self.reach + 1) * grid.cell_mm
        self._n_down, self._n_across = -(-grid.n_rows // grid.tile), -(-grid.n_cols // grid.tile)
        self._first, self._items = verify_walls.bin_boxes(
            boxes + np.array([-spill, -spill, spill, spill]), grid.x0_mm - grid.cell_mm / 2,
            grid.y0_mm - grid.cell_mm / 2, grid.tile * grid.cell_mm, self._n_down, self._n_across,
        )  # fmt: skip

    def visit(self, tile: Tile) -> None:
        """Compare one tile. Writes only this tile's coarse cells."""
        grid, r = self.grid, self.reach
        t = tile.rows.start // grid.tile * self._n_across + tile.cols.start // grid.tile
        n_rows, n_cols = tile.z.shape
        if not hasattr(self._mine_alone, "cells"):
            self._mine_alone.cells = np.empty((grid.tile + 2 * r) ** 2, dtype=np.float32)
        shape = n_rows + 2 * r, n_cols + 2 * r
        top = self._mine_alone.cells[: shape[0] * shape[1]].reshape(shape)
        top.fill(-np.inf)
        items = self._items[self._first[t] : self._first[t + 1]]
        if len(items):
            x0 = grid.x0_mm + (tile.cols.start - r) * grid.cell_mm
            y0 = grid.y0_mm + (tile.rows.start - r) * grid.cell_mm
            verify_target.raise_to_mesh(top, self.target.solids.tris, items, x0, y0, grid.cell_mm)
        k = grid.k
        a = slice(tile.rows.start // k, tile.rows.stop // k), slice(tile.cols.start // k, tile.cols.stop // k)
        verify_target.judge_tile(
            tile.z, 1 / verify_removal.UNITS, top, self.target.hole[a], self._skin, r, self._floor_mm, self._left_mm, k,
            tile.tied, tile.severed, self.highest[a], self.deep[a], self.deep_at[a], self.left[a], self.left_at[a],
            self.left_high[a], self.over[a], self.tied[a], self.severed[a],
        )  # fmt: skip

    def stock(self) -> StockField:
        """The field as pictures need it."""
        grid = self.grid
        return StockField(x0_mm=grid.coarse_x0_mm, y0_mm=grid.coarse_y0_mm, cell_mm=grid.coarse_mm, z=self.highest)

    def times(self, setup: Setup) -> CutTimes:
        """When each place was cut down."""
        grid = self.grid
        plate, plugs = np.zeros((2, *grid.coarse_shape), dtype=np.bool_)  # a plug neither ties a part nor is pulled on
        for mask, ring in ((plate, setup.billet), *((plugs, hole) for hole in setup.holes)):
            verify_removal.fill_polygon(mask, np.array(ring), grid.coarse_x0_mm, grid.coarse_y0_mm, grid.coarse_mm)
        return CutTimes(
            x0_mm=grid.coarse_x0_mm, y0_mm=grid.coarse_y0_mm, cell_mm=grid.coarse_mm, plate=plate & ~plugs,
            tied=self.tied, severed=self.severed,
        )  # fmt: skip


@dataclass(slots=True)
class _PartJudge:
    """The comparison of one part's window: fields cut out once, faults gathered."""

    setup: Setup
    index: int
    removal: Removal
    comparison: Comparison
    tolerances: Tolerances
    tools: ToolTable
    excused: Sequence[Excuse]
    line_of: NDArray[np.int32]

    def judge(self) -> tuple[list[Fault], PartResult, PartMap]:
        c, grid = self.comparison, self.comparison.grid
        cells = c.target.parts[self.index]
        placed = self.setup.parts[self.index]
        cell, tol = grid.coarse_mm, self.tolerances
        window = cells.rows, cells.cols
        deviation = placed.part.mesh.deviation_mm + EPS_MM
        own = verify_target.grown(cells.solid | cells.hole, 1) & (c.left_at[window] >= 0)
        x0, y0 = grid.coarse_x0_mm + cells.cols.start * cell, grid.coarse_y0_mm + cells.rows.start * cell
        limits = cell_limits(placed, tol, shape=own.shape, x0=x0, y0=y0, cell=cell)
        left = np.where(own, c.left[window], 0.0)
        stock = c.left_high[window] + c.left[window]
        allowed = self._may_be_left(cells, own, stock, c.left_high[window])
        good = stock <= limits.good_below
        faults: list[Fault] = []

        depth = np.where(own, c.deep[window], 0.0)
        too_deep = depth > limits.deep
        if too_deep.any():
            faults.append(self._gouge(cells, np.where(too_deep, depth, 0.0)))
        worst_left = max(0.0, float(np.where(allowed | good, 0.0, left).max(initial=0.0)))
        flagged = (left > limits.left) & ~allowed & ~good

        highest, in_plate = c.highest[window], c.highest[window] > 0
        untouched = cells.solid & (highest > placed.inside_z_mm + tol.left_mm + deviation)
        out_mm = cells.outside_cells * cell
        ring = (out_mm > _WALL_CELLS * cell) & (out_mm <= _ring_mm(cell)) & in_plate
        ring &= ~verify_target.grown(c.left_at[window] >= 0, _WALL_CELLS)  # not what is a neighbour's
        kerf = np.where(ring, highest - np.float32(self.setup.z.skin_mm), 0.0)
        uncut = kerf > tol.left_mm + deviation
        # A kerf that is not deep enough is a fault of its own; a part is missing where none reaches its middle.
        middle = placed.inside_z_mm - placed.part.thickness_mm / 2
        share_cut = 1.0 - float((ring & (highest > middle)).sum()) / max(1, int(ring.sum()))
        share_faced = 1.0 - float(untouched.sum()) / max(1, int(cells.solid.sum()))
        if share_cut < _MISSING_SHARE or share_faced < _MISSING_SHARE:
            faults.append(self._missing(share_cut, share_faced))
        else:
            if flagged.any():
                fault, distance = self._left(cells, flagged, left)
                worst_left = distance
                if distance > tol.left_mm + deviation:
                    faults.append(fault)
            if uncut.any():
                faults.append(self._kerf(cells, kerf, float(uncut.sum()) * cell * cell))
        volume = float(np.sum(c.over[window], where=own & allowed, dtype=np.float64)) * grid.cell_mm**2
        result = PartResult(
            part_id=placed.part_id, worst_gouge_mm=max(0.0, float(depth.max(initial=0.0))), worst_left_mm=worst_left,
            left_volume_mm3=volume,
        )  # fmt: skip
        off = np.where(left > depth, left, -depth)
        off[~own | allowed | (good & (left > 0))] = np.nan
        return faults, result, self._map(cells, off)

    def _map(self, cells: PartCells, off: NDArray[np.float64]) -> PartMap:
        """What the window holds, with room round it."""
        grid, row, col = self.comparison.grid, cells.map_rows.start, cells.map_cols.start
        shown = np.full((cells.map_rows.stop - row, cells.map_cols.stop - col), np.nan, dtype=np.float32)
        shown[cells.rows.start - row : cells.rows.stop - row, cells.cols.start - col : cells.cols.stop - col] = off
        return PartMap(
            part_id=self.setup.parts[self.index].part_id, x0_mm=grid.coarse_x0_mm + col * grid.coarse_mm,
            y0_mm=grid.coarse_y0_mm + row * grid.coarse_mm, cell_mm=grid.coarse_mm, deviation=shown,
        )  # fmt: skip

    def _may_be_left(
        self, cells: PartCells, own: Mask, stock: NDArray[np.float32], highest: NDArray[np.float32]
    ) -> Mask:
        """Own cells where something declared as not cut allows the stock that is there: all of what stands over the
        target must lie in the declared band."""
        grid, slack = self.comparison.grid, self.tolerances.left_mm
        cell = grid.coarse_mm
        allowed = np.zeros(own.shape, dtype=np.bool_)
        x0, y0 = grid.coarse_x0_mm + cells.cols.start * cell, grid.coarse_y0_mm + cells.rows.start * cell
        for item in self.excused:
            if item.part != self.index:
                continue
            inside = np.zeros(own.shape, dtype=np.bool_)
            verify_removal.fill_polygon(inside, item.region, x0, y0, cell)
            inside = verify_target.grown(inside, 1)
            inside &= own & (stock <= item.high_mm + slack) & (highest >= item.low_mm - slack)
            row, col = np.nonzero(inside)
            xy = np.column_stack([x0 + col * cell, y0 + row * cell])
            near = item.in_extent(xy, 1.5 * cell)
            allowed[row[near], col[near]] = True
        return allowed

    def _place(self, cells: PartCells, flat: int, at: NDArray[np.int16] | None = None) -> tuple[float, float]:
        """Plan position of a coarse cell of the window, or of the fine cell `at` in it."""
        row, col = divmod(flat, cells.solid.shape[1])
        row, col = row + cells.rows.start, col + cells.cols.start
        grid = self.comparison.grid
        if at is None or at[row, col] < 0:
            return grid.coarse_x0_mm + col * grid.coarse_mm, grid.coarse_y0_mm + row * grid.coarse_mm
        i, j = divmod(int(at[row, col]), grid.k)
        return grid.x0_mm + (col * grid.k + j) * grid.cell_mm, grid.y0_mm + (row * grid.k + i) * grid.cell_mm

    def _gouge(self, cells: PartCells, depth: NDArray[np.float64]) -> Fault:
        flat = int(np.argmax(depth))
        x, y = self._place(cells, flat, self.comparison.deep_at)
        worst = float(depth.flat[flat])
        z = float(self.comparison.target.heights(np.array([[x, y]]))[0]) - worst
        piece = self.blame(x, y, z + worst / 2)
        return Fault(
            code="V650", part_id=self.setup.parts[self.index].part_id, cutter=self.cutter_of(piece),
            line=self.line(piece), at_mm=(x, y, z), amount_mm=worst, found=f"a face cut {worst:.3f} mm too deep",
            wanted=f"at most {self.tolerances.floor_mm:.3f} mm",
        )  # fmt: skip

    def _left(
        self, cells: PartCells, flagged: NDArray[np.bool_], left: NDArray[np.float64]
    ) -> tuple[Fault, float]:
        high = self.comparison.left_high[cells.rows, cells.cols]
        where = np.flatnonzero(flagged)
        where = where[np.argsort(-left.flat[where], kind="stable")]
        where = where[np.unique(np.linspace(0, len(where) - 1, _TRUE_DISTANCES).astype(np.int64))]
        bound = left.flat[where].astype(np.float64)
        points = np.array([
            (*self._place(cells, int(f), self.comparison.left_at), float(high.flat[f]) + float(left.flat[f]))
            for f in where
        ])
        distance = self.comparison.target.solids.distance(points, bound)
        k = int(np.argmax(distance))
        worst = float(distance[k])
        area = float(flagged.sum()) * self.comparison.grid.coarse_mm**2
        x, y, z = (float(v) for v in points[k])
        fault = Fault(
            code="V652", part_id=self.setup.parts[self.index].part_id, cutter=0, line=0, at_mm=(x, y, z),
            amount_mm=worst, found=f"{worst:.3f} mm of stock left over {area:.2f} mm2",
            wanted=f"at most {self.tolerances.left_mm:.3f} mm outside what the program declares as not cut",
        )  # fmt: skip
        return fault, worst

    def _kerf(self, cells: PartCells, kerf: NDArray[np.float64], area: float) -> Fault:
        flat = int(np.argmax(kerf))
        worst = float(kerf.flat[flat])
        return Fault(
            code="V653", part_id=self.setup.parts[self.index].part_id, cutter=0, line=0,
            at_mm=(*self._place(cells, flat), self.setup.z.skin_mm + worst), amount_mm=worst,
            found=f"{worst:.3f} mm of stock over the skin beside the outline, on {area:.2f} mm2",
            wanted=f"the kerf down to the skin, within {self.tolerances.left_mm:.3f} mm",
        )  # fmt: skip

    def _missing(self, share_cut: float, share_faced: float) -> Fault:
        placed = self.setup.parts[self.index]
        x, y, _ = placed.setup_from_part.shift_mm
        return Fault(
            code="V654",
            part_id=placed.part_id,
            cutter=0,
            line=0,
            at_mm=(x, y, placed.inside_z_mm),
            amount_mm=placed.part.thickness_mm,
            found=f"{share_cut:.0%} of its kerf cut to mid-height and {share_faced:.0%} of its face",
            wanted="the part cut out down to the skin",
        )

    def blame(self, x: float, y: float, limit: float) -> int:
        """The first piece that took this place below `limit`, -1 when none did."""
        t = self.tools
        p, row = self.removal.pieces, self.removal.row
        return int(verify_removal.first_below(x, y, limit, p, row, t.shape, t.radius, t.tip, t.slope))

    def line(self, piece: int) -> int:
        return int(self.line_of[self.removal.owner[piece]]) if piece >= 0 else 0

    def cutter_of(self, piece: int) -> int:
        return self.tools.cutters[self.removal.row[piece]].number if piece >= 0 else 0


def compare(
    setup: Setup, *, removal: Removal, comparison: Comparison, tools: ToolTable, tolerances: Tolerances,
    excused: Sequence[Excuse], line_of: NDArray[np.int32],
) -> tuple[list[Fault], list[PartResult], list[PartMap]]:  # fmt: skip
    """Judge every part's cells: too deep, left, kerf, missing. `line_of` gives the text line of each move."""
    faults: list[Fault] = []
    results: list[PartResult] = []
    maps: list[PartMap] = []
    for index in range(len(setup.parts)):
        found, result, part_map = _PartJudge(
            setup=setup, index=index, removal=removal, comparison=comparison, tolerances=tolerances, tools=tools,
            excused=excused, line_of=line_of,
        ).judge()  # fmt: skip
        faults += found
        results.append(result)
        maps.append(part_map)
    return faults, results, maps
