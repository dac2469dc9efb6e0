"""What still joins each part to the plate, and when that is cut.

Words: a *body* is a run of cells, edge to edge, that is never cut down to the skin. The *frame* is the body that holds
most of the plate outside the parts. A piece is *tied* when only skin joins it to the frame, *severed* when nothing
does. A cell counts as cut when all of it is: so a piece is called free when a closed band of whole cells round it is
down, which is a move's length late at most, as long as kerfs are three cells wide or more.

What is joined to another freed piece but not to the frame counts as freed with it, and is judged by its own area alone.
A piece that is cut away altogether afterwards is not seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_ties as kernel
from pipeline.kernels.verify_removal import fill_polygon
from pipeline.model.setup import Setup

NEVER = 2**31 - 1
WASTE = "waste"
LEAST_WASTE_MM2 = 20.0  # a smaller piece that is no part is a sliver. Our shop's rule
_CHORD_MM = 0.01  # of a part's outline, far below a cell
_STAIRS = 0.5**0.5  # a straight edge is at least so much of the stairs of cells along it. From geometry


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CutTimes:
    """When each place of the plate was cut down, on coarse square cells: index of the move, NEVER where it was not.

    `tied[row, col]`: the whole cell is down to the skin; `severed[row, col]`: the whole cell is through to the bed.
    -1: there is no plate. Centres at (x0 + col * cell, y0 + row * cell), setup frame, mm. `plate` are the cells of the
    billet.
    """

    x0_mm: float
    y0_mm: float
    cell_mm: float
    plate: NDArray[np.bool_]
    tied: NDArray[np.int32]
    severed: NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """A part or a piece of waste, and when it was freed: indices of moves, NEVER where it was not.

    `cells` are flat indices (row * cols + col) of its body. `skin_mm` is the length of the border along which skin ties
    it, in `n_skin` pieces of one cell; `skin_cut` (m,) the moves that cut through the skin there, rising. `skin_xy` (k,
    2) are the middles of these pieces and `skin_gap_mm` (k,) how far the skin spans there to whole plate, inf at the
    plate's edge.
    """

    what: str  # a part's id, or "waste"
    area_mm2: float
    at_mm: tuple[float, float]
    tied: int
    severed: int
    cells: NDArray[np.int64]
    skin_mm: float
    skin_cut: NDArray[np.int32]
    skin_xy: NDArray[np.float64]
    skin_gap_mm: NDArray[np.float64]

    @property
    def n_skin(self) -> int:
        """Pieces of skin, each one cell's edge long."""
        return len(self.skin_gap_mm)

    def skin_left_mm(self, move: NDArray[np.int64]) -> NDArray[np.float64]:
        """Length of the skin that still ties the piece after each of these moves; 0 once it is severed."""
        if self.n_skin == 0:
            return np.zeros(len(move))
        gone = np.searchsorted(self.skin_cut, move, side="right")
        return np.where(move >= self.severed, 0.0, self.skin_mm * (1.0 - gone / self.n_skin))


def find_ties(times: CutTimes, setup: Setup) -> tuple[Piece, ...]:
    """Every part of the setup in its order, then the pieces of waste, and when each was freed.

    A part of which nothing is left is left out; a part that is not cut round has NEVER. Cells of 0.1 mm are
    fine enough for kerfs of 1 mm, and to tell what a cutter touches from what it passes by.
    """
    n_cols = times.plate.shape[1]
    whole = times.plate & (times.tied == NEVER)
    bodies, size, seeds, boxes = kernel.label(whole)
    n_bodies = len(size)
    if n_bodies == 0:
        return ()
    outside, n_outside = whole.copy(), size.copy()
    bodied: list[tuple[str, int, _Window, float]] = []  # the part's name, its body, its footprint, its outline's length
    for part in setup.parts:
        outline = part.part.outline
        foot = _footprint(times, part.setup_from_part.points(outline.flattened(chord_mm=_CHORD_MM))[:, :2])
        there, first_here = bodies[foot.place], outside[foot.place] & foot.mask
        n_outside -= np.bincount(there[first_here], minlength=n_bodies)
        outside[foot.place] &= ~foot.mask
        own = np.bincount(there[whole[foot.place] & foot.mask], minlength=n_bodies)
        if own.any():
            bodied.append((part.part_id, int(own.argmax()), foot, outline.length_mm))
    frame = int(n_outside.argmax() if n_outside.any() else size.argmax())
    taken = {frame, *(body for _, body, _, _ in bodied)}
    large = np.flatnonzero(size * times.cell_mm**2 >= LEAST_WASTE_MM2)
    wanted = [body for _, body, _, _ in bodied] + [b for b in large.tolist() if b not in taken]
    goal, starts = int(seeds[frame]), seeds[wanted]
    tied = kernel.join_times(bodies, n_bodies, times.plate, times.tied, goal, starts)
    severed = np.full(len(wanted), NEVER)
    uncut = times.plate & (times.severed == NEVER)
    if np.count_nonzero(uncut) < np.count_nonzero(times.plate):  # something is cut through the plate
        above, sizes, _, _ = kernel.label(uncut)
        severed = kernel.join_times(above, len(sizes), times.plate, times.severed, goal, starts)
    pieces = []
    for k, body in enumerate(wanted):
        own_foot = bodied[k][2] if k < len(bodied) else None
        if own_foot is not None and body == frame:
            window = _shared(bodies, body, own_foot)
        else:
            window = _body(bodies, body, boxes[body])
        row, col = np.nonzero(window.mask)
        row, col = row + window.row, col + window.col
        x, y = times.x0_mm + float(col.mean()) * times.cell_mm, times.y0_mm + float(row.mean()) * times.cell_mm
        n_edges, skin_cut, skin_xy, gap = _skin_edges(times, bodies, body, window, own_foot)
        length = bodied[k][3] * len(gap) / max(n_edges, 1) if own_foot else len(gap) * times.cell_mm * _STAIRS
        pieces.append(
            Piece(
                what=bodied[k][0] if own_foot else WASTE,
                area_mm2=float(len(row)) * times.cell_mm**2,
                at_mm=(x, y),
                tied=int(tied[k]),
                severed=int(severed[k]),
                cells=row * n_cols + col,
                skin_mm=0.0 if body == frame else length,
                skin_cut=skin_cut,
                skin_xy=skin_xy,
                skin_gap_mm=gap,
            )
        )
    return tuple(pieces)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Window:
    """Some cells of the grid: a mask whose first cell is (row, col)."""

    row: int
    col: int
    mask: NDArray[np.bool_]

    @property
    def place(self) -> tuple[slice, slice]:
        n_rows, n_cols = self.mask.shape
        return slice(self.row, self.row + n_rows), slice(self.col, self.col + n_cols)


_NOWHERE = _Window(row=0, col=0, mask=np.zeros((0, 0), dtype=np.bool_))


def _footprint(times: CutTimes, polygon: NDArray[np.float64]) -> _Window:
    """The cells inside a polygon (n, 2)."""
    n_rows, n_cols = times.plate.shape
    (c0, r0), (c1, r1) = (
        (np.array([edge[0] - times.x0_mm, edge[1] - times.y0_mm]) / times.cell_mm).astype(np.int64) + more
        for edge, more in ((polygon.min(axis=0), -1), (polygon.max(axis=0), 2))
    )
    r0, r1, c0, c1 = max(0, int(r0)), min(n_rows, int(r1)), max(0, int(c0)), min(n_cols, int(c1))
    mask = np.zeros((max(0, r1 - r0), max(0, c1 - c0)), dtype=np.bool_)
    x0, y0 = times.x0_mm + c0 * times.cell_mm, times.y0_mm + r0 * times.cell_mm
    fill_polygon(mask, np.ascontiguousarray(polygon), x0, y0, times.cell_mm)
    return _Window(row=r0, col=c0, mask=mask)


def _body(bodies: NDArray[np.int32], body: int, box: NDArray[np.int64]) -> _Window:
    place = slice(int(box[0]), int(box[1]) + 1), slice(int(box[2]), int(box[3]) + 1)
    return _Window(row=int(box[0]), col=int(box[2]), mask=bodies[place] == body)


def _shared(bodies: NDArray[np.int32], body: int, foot: _Window) -> _Window:
    """The part of a body inside a footprint."""
    return _Window(row=foot.row, col=foot.col, mask=(bodies[foot.place] == body) & foot.mask)


def _skin_edges(
    times: CutTimes, bodies: NDArray[np.int32], body: int, own: _Window, foot: _Window | None
) -> tuple[int, NDArray[np.int32], NDArray[np.float64], NDArray[np.float64]]:
    """The edges of some of a body's cells to cells outside the footprint: how many; and of those toward skin the moves
    that cut it through (rising), the middles (k, 2), and how far the skin spans from there along the row or column
    (k,)."""
    foot = foot or _NOWHERE
    n_edges, row, col, way, n = kernel.skin_edges(
        bodies, body, own.mask, own.row, own.col, foot.mask, foot.row, foot.col, times.plate, times.tied
    )
    severed = times.severed[row, col]
    middles = np.column_stack([times.x0_mm + (col - way[:, 1] / 2) * times.cell_mm,
                               times.y0_mm + (row - way[:, 0] / 2) * times.cell_mm])  # fmt: skip
    return n_edges, np.sort(severed[severed != NEVER]), middles, np.where(n > 0, n * times.cell_mm, np.inf)
