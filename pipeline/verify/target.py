"""What the stock should look like, and how far it is from that, cell by cell.

Target: over a part the top of its mesh; in a hole through a part and outside all parts the skin plane. Words: the
*kerf ring* is the strip just outside a part's silhouette; a part's *own* cells are its silhouette with its holes.

A cell is never judged against its own target alone: a wall that is off by a micron would make it wrong by a whole
height. So left stock is measured over the highest target within two cells, a gouge under the lowest; walls are
judged by the exact test (see walls.py). What is flagged as left gets its true distance to the solid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_removal, verify_target
from pipeline.model.job import Tolerances
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.units import EPS_MM
from pipeline.model.verdict import PartResult
from pipeline.verify.acceptance import cell_limits
from pipeline.verify.excused import Excuse
from pipeline.verify.faults import Fault
from pipeline.verify.removal import Grid, Removal
from pipeline.verify.tools import ToolTable
from pipeline.verify.walls import Solids

KERF_RING_MM = 0.6  # how far out of a silhouette the kerf is judged
_NEAR_MM = 6.0  # a place this near a part is named after it
_MISSING_SHARE = 0.1  # a part with less of its ring cut, or of its face touched, is missing
_TRUE_DISTANCES = 400  # flagged cells of a part that are measured against the solid, spread from high to low


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartCells:
    """One part on the grid: a window of rows and columns and, in it, masks and the distance to the part in cells."""

    rows: slice
    cols: slice
    solid: NDArray[np.bool_]
    hole: NDArray[np.bool_]  # inside the silhouette, no material at any height
    outside_cells: NDArray[np.float64]  # distance to the part where outside, 0 on it and in its holes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Target:
    """The target field on the stock's grid, and each part's cells in the setup's order."""

    z: NDArray[np.float32]
    parts: tuple[PartCells, ...]
    name: NDArray[np.int16]  # per cell the index of the part it belongs to or lies next to, -1 for none

    def part_at(self, grid: Grid, x: float, y: float, placed: Sequence[PlacedPart]) -> str:
        """Id of the part at or next to a plan point, empty when there is none."""
        row, col = round((y - grid.y0_mm) / grid.cell_mm), round((x - grid.x0_mm) / grid.cell_mm)
        if not (0 <= row < grid.n_rows and 0 <= col < grid.n_cols):
            return ""
        index = int(self.name[row, col])
        return placed[index].part_id if index >= 0 else ""


def build_target(setup: Setup, solids: Solids, grid: Grid) -> Target:
    """Rasterise the top of every placed mesh. Each part gets its own window with a margin."""
    z = np.full((grid.n_rows, grid.n_cols), setup.z.skin_mm, dtype=np.float32)
    name = np.full((grid.n_rows, grid.n_cols), -1, dtype=np.int16)
    nearest = np.full((grid.n_rows, grid.n_cols), _NEAR_MM / grid.cell_mm, dtype=np.float32)
    margin = _NEAR_MM + 2 * grid.cell_mm
    parts = []
    for index in range(len(setup.parts)):
        tris = solids.tris[solids.of_part(index)]
        x, y = tris[:, 0::3], tris[:, 1::3]
        rows = _span(y.min() - margin, y.max() + margin, grid.y0_mm, grid.cell_mm, grid.n_rows)
        cols = _span(x.min() - margin, x.max() + margin, grid.x0_mm, grid.cell_mm, grid.n_cols)
        top = np.full((rows.stop - rows.start, cols.stop - cols.start), -np.inf)
        x0, y0 = grid.x0_mm + cols.start * grid.cell_mm, grid.y0_mm + rows.start * grid.cell_mm
        verify_target.raise_to_mesh(top, tris, x0, y0, grid.cell_mm)
        solid = top > -np.inf
        outside = verify_target.flood_outside(solid)
        distance = np.where(outside, verify_target.distance_cells(~outside), 0.0)
        window = z[rows, cols]
        np.maximum(window, top.astype(np.float32), out=window, where=solid)
        closer = distance < nearest[rows, cols]
        name[rows, cols][closer] = index
        nearest[rows, cols][closer] = distance[closer]
        parts.append(
            PartCells(rows=rows, cols=cols, solid=solid, hole=~solid & ~outside, outside_cells=distance)
        )
    return Target(z=z, parts=tuple(parts), name=name)


def _span(low: float, high: float, origin: float, cell: float, n: int) -> slice:
    a = min(n, max(0, math.floor((low - origin) / cell)))
    b = min(n, max(a, math.ceil((high - origin) / cell) + 1))
    return slice(a, b)


@dataclass(slots=True)
class _PartJudge:
    """The comparison of one part's window: fields cut out once, faults gathered."""

    setup: Setup
    index: int
    removal: Removal
    target: Target
    tolerances: Tolerances
    tools: ToolTable
    solids: Solids
    excused: Sequence[Excuse]
    line_of: NDArray[np.int32]

    def judge(self) -> tuple[list[Fault], PartResult]:
        cells = self.target.parts[self.index]
        placed = self.setup.parts[self.index]
        cell = self.removal.grid.cell_mm
        tol = self.tolerances
        deviation = placed.part.mesh.deviation_mm + EPS_MM
        stock = self.removal.z[cells.rows, cells.cols]
        reach = max(2, math.ceil(tol.left_mm / cell) + 1)
        # The windows look at the neighbours' targets too, so they are cut from the whole field.
        target = self.target.z[cells.rows, cells.cols]
        highest = verify_target.window_extreme(target, reach, True)
        lowest = verify_target.window_extreme(target, reach, False)
        own = cells.solid | cells.hole
        grid = self.removal.grid
        limits = cell_limits(
            placed, tol, shape=stock.shape, x0=grid.x0_mm + cells.cols.start * cell,
            y0=grid.y0_mm + cells.rows.start * cell, cell=cell,
        )  # fmt: skip
        allowed = self._may_be_left(cells, stock, highest, reach)
        good = stock <= limits.good_below
        faults: list[Fault] = []

        # Where the window holds the skin plane, the skin's own check judges.
        depth = np.where(cells.solid & (lowest > self.setup.z.skin_mm + EPS_MM), lowest - stock, 0.0)
        if (depth > limits.deep).any():
            faults.append(self._gouge(cells, np.where(depth > limits.deep, depth, 0.0)))

        left = np.where(own & self.removal.billet[cells.rows, cells.cols], stock - highest, 0.0)
        worst_left = max(0.0, float(np.where(allowed | good, 0.0, left).max(initial=0.0)))
        flagged = (left > limits.left) & ~allowed & ~good

        inside_top = placed.inside_z_mm + tol.left_mm + deviation
        untouched = cells.solid & (stock > inside_top)
        in_billet = self.removal.billet[cells.rows, cells.cols]
        out_mm = cells.outside_cells * cell
        ring = (out_mm > reach * cell) & (out_mm <= max(KERF_RING_MM, (reach + 3) * cell)) & in_billet
        ring &= highest <= self.setup.z.skin_mm + EPS_MM  # not what belongs to a neighbour
        kerf = np.where(ring, stock - highest, 0.0)
        uncut = kerf > tol.left_mm + deviation
        # A kerf that is not deep enough is a fault of its own; a part is missing where none reaches its middle.
        middle = placed.inside_z_mm - placed.part.thickness_mm / 2
        share_cut = 1.0 - float((ring & (stock > middle)).sum()) / max(1, int(ring.sum()))
        share_faced = 1.0 - float(untouched.sum()) / max(1, int(cells.solid.sum()))
        if share_cut < _MISSING_SHARE or share_faced < _MISSING_SHARE:
            faults.append(self._missing(cells, share_cut, share_faced))
        else:
            if flagged.any():
                fault, distance = self._left(cells, flagged, left)
                worst_left = distance
                if distance > tol.left_mm + deviation:
                    faults.append(fault)
            if uncut.any():
                faults.append(self._kerf(cells, kerf, float(uncut.sum()) * cell * cell))
        volume = float(np.sum(np.maximum(0.0, stock - target), where=own & allowed, dtype=np.float64)) * cell * cell
        result = PartResult(
            part_id=placed.part_id,
            worst_gouge_mm=max(0.0, float(depth.max(initial=0.0))),
            worst_left_mm=worst_left,
            left_volume_mm3=volume,
        )
        return faults, result

    def _may_be_left(
        self, cells: PartCells, stock: NDArray[np.float32], highest: NDArray[np.float32], reach: int
    ) -> NDArray[np.bool_]:
        """Own cells where something declared as not cut allows the stock that is there: all of what stands over the
        target must lie in the declared band."""
        grid, slack = self.removal.grid, self.tolerances.left_mm
        allowed = np.zeros(stock.shape, dtype=np.bool_)
        own = cells.solid | cells.hole
        x0, y0 = grid.x0_mm + cells.cols.start * grid.cell_mm, grid.y0_mm + cells.rows.start * grid.cell_mm
        for item in self.excused:
            if item.part != self.index:
                continue
            inside = np.zeros(stock.shape, dtype=np.bool_)
            verify_removal.fill_polygon(inside, item.region, x0, y0, grid.cell_mm)
            inside = verify_target.window_extreme(inside, reach, True)
            inside &= own & (stock <= item.high_mm + slack) & (highest >= item.low_mm - slack)
            row, col = np.nonzero(inside)
            xy = np.column_stack([x0 + col * grid.cell_mm, y0 + row * grid.cell_mm])
            near = item.in_extent(xy, reach * grid.cell_mm)
            allowed[row[near], col[near]] = True
        return allowed

    def _place(self, cells: PartCells, flat: int, stock: NDArray[np.float32]) -> tuple[float, float, float]:
        row, col = divmod(flat, stock.shape[1])
        grid = self.removal.grid
        return (
            grid.x0_mm + (cells.cols.start + col) * grid.cell_mm,
            grid.y0_mm + (cells.rows.start + row) * grid.cell_mm,
            float(stock[row, col]),
        )

    def _gouge(self, cells: PartCells, depth: NDArray[np.float64]) -> Fault:
        stock = self.removal.z[cells.rows, cells.cols]
        flat = int(np.argmax(depth))
        at = self._place(cells, flat, stock)
        worst = float(depth.flat[flat])
        piece = self.blame(at[0], at[1], at[2] + worst / 2)
        return Fault(
            code="V650",
            part_id=self.setup.parts[self.index].part_id,
            cutter=self.cutter_of(piece),
            line=self.line(piece),
            at_mm=at,
            amount_mm=worst,
            found=f"a face cut {worst:.3f} mm too deep",
            wanted=f"at most {self.tolerances.floor_mm:.3f} mm",
        )

    def _left(
        self, cells: PartCells, flagged: NDArray[np.bool_], left: NDArray[np.float64]
    ) -> tuple[Fault, float]:
        stock = self.removal.z[cells.rows, cells.cols]
        where = np.flatnonzero(flagged)
        where = where[np.argsort(-left.flat[where], kind="stable")]
        where = where[np.unique(np.linspace(0, len(where) - 1, _TRUE_DISTANCES).astype(np.int64))]
        points = np.array([self._place(cells, int(f), stock) for f in where])
        bound = left.flat[where].astype(np.float64)
        distance = self.solids.distance(points, bound)
        k = int(np.argmax(distance))
        worst = float(distance[k])
        area = float(flagged.sum()) * self.removal.grid.cell_mm**2
        x, y, z = (float(v) for v in points[k])
        return (
            Fault(
                code="V652",
                part_id=self.setup.parts[self.index].part_id,
                cutter=0,
                line=0,
                at_mm=(x, y, z),
                amount_mm=worst,
                found=f"{worst:.3f} mm of stock left over {area:.2f} mm2",
                wanted=f"at most {self.tolerances.left_mm:.3f} mm outside what the program declares as not cut",
            ),
            worst,
        )

    def _kerf(self, cells: PartCells, kerf: NDArray[np.float64], area: float) -> Fault:
        flat = int(np.argmax(kerf))
        worst = float(kerf.flat[flat])
        return Fault(
            code="V653",
            part_id=self.setup.parts[self.index].part_id,
            cutter=0,
            line=0,
            at_mm=self._place(cells, flat, self.removal.z[cells.rows, cells.cols]),
            amount_mm=worst,
            found=f"{worst:.3f} mm of stock over the skin beside the outline, on {area:.2f} mm2",
            wanted=f"the kerf down to the skin, within {self.tolerances.left_mm:.3f} mm",
        )

    def _missing(self, cells: PartCells, share_cut: float, share_faced: float) -> Fault:
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
        piece: int = verify_removal.first_below(
            x, y, limit, self.removal.pieces, self.removal.row, t.shape, t.radius, t.tip, t.slope
        )
        return piece

    def line(self, piece: int) -> int:
        return int(self.line_of[self.removal.owner[piece]]) if piece >= 0 else 0

    def cutter_of(self, piece: int) -> int:
        return self.tools.cutters[self.removal.row[piece]].number if piece >= 0 else 0


def compare(
    setup: Setup,
    *,
    removal: Removal,
    target: Target,
    solids: Solids,
    tools: ToolTable,
    tolerances: Tolerances,
    excused: Sequence[Excuse],
    line_of: NDArray[np.int32],
) -> tuple[list[Fault], list[PartResult]]:
    """Judge every part's cells: too deep, left, kerf, missing. `line_of` gives the text line of each move."""
    faults: list[Fault] = []
    results: list[PartResult] = []
    for index in range(len(setup.parts)):
        found, result = _PartJudge(
            setup=setup, index=index, removal=removal, target=target, tolerances=tolerances, tools=tools,
            solids=solids, excused=excused, line_of=line_of,
        ).judge()  # fmt: skip
        faults += found
        results.append(result)
    return faults, results


def check_skin(
    setup: Setup, *, removal: Removal, tools: ToolTable, tolerances: Tolerances, line_of: NDArray[np.int32],
    name: Target,
) -> tuple[list[Fault], float]:  # fmt: skip
    """The thinnest skin over the billet, and a fault for the first and the deepest move below it.

    The field only ever falls, so its end is its lowest at any moment. Moves below the skin plane beside the billet
    are faults too: the bed is there.
    """
    field = np.where(removal.billet, removal.z, np.float32(np.inf))
    flat = int(np.argmin(field))
    thinnest = float(field.flat[flat])
    limit = setup.z.skin_mm - tolerances.floor_mm - EPS_MM
    if not math.isfinite(thinnest):
        thinnest = 0.0
    owner = removal.owner
    low = np.minimum(removal.pieces[:, 2], removal.pieces[:, 5])
    bad = np.flatnonzero((low < limit) & (removal.row >= 0))
    faults = []
    for k in bad:
        x, y, z = (float(v) for v in removal.pieces[k, 3:6])
        cut = removal.low_mm[k] < limit
        # A drill's tip may pass the skin plane only beside the billet; either way it is a fault.
        amount = setup.z.skin_mm - float(low[k])
        faults.append(
            Fault(
                code="V640" if cut or _over(removal, x, y) else "V663",
                part_id=name.part_at(removal.grid, x, y, setup.parts),
                cutter=tools.cutters[removal.row[k]].number,
                line=int(line_of[owner[k]]),
                at_mm=(x, y, z),
                amount_mm=amount,
                found=f"the tip {amount:.3f} mm below the skin plane"
                + (f", {setup.z.skin_mm - amount:.3f} mm over the bed" if amount < setup.z.skin_mm else ", in the bed"),
                wanted=f"a skin of {setup.z.skin_mm:.3f} mm everywhere",
                hint="check the Z of this line and the length offset in force",
            )
        )
    return faults, thinnest


def _over(removal: Removal, x: float, y: float) -> bool:
    grid = removal.grid
    row, col = round((y - grid.y0_mm) / grid.cell_mm), round((x - grid.x0_mm) / grid.cell_mm)
    return 0 <= row < grid.n_rows and 0 <= col < grid.n_cols and bool(removal.billet[row, col])
