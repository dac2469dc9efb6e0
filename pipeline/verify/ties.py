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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_ties as kernel
from pipeline.model.setup import Setup

NEVER = 2**31 - 1
WASTE = "waste"
CELL_MM = 0.1  # fine enough for kerfs of 1 mm, and to tell what a cutter touches from what it passes by. Ours
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


def coarser(times: CutTimes) -> CutTimes:
    """The same on cells of about `CELL_MM`: a cell is down when all that it holds of the plate is."""
    k = max(1, round(CELL_MM / times.cell_mm))
    n_rows, n_cols = (-(-n // k) for n in times.plate.shape)

    def blocks(field: NDArray[Any], beside: int) -> NDArray[Any]:
        whole = np.full((n_rows * k, n_cols * k), beside, dtype=field.dtype)
        whole[: field.shape[0], : field.shape[1]] = np.where(times.plate, field, beside)
        return np.asarray(whole.reshape(n_rows, k, n_cols, k).max(axis=(1, 3)))

    shift = (k - 1) / 2 * times.cell_mm
    return CutTimes(
        x0_mm=times.x0_mm + shift, y0_mm=times.y0_mm + shift, cell_mm=k * times.cell_mm,
        plate=blocks(times.plate, False), tied=blocks(times.tied, -1), severed=blocks(times.severed, -1),
    )  # fmt: skip


def find_ties(times: CutTimes, setup: Setup) -> tuple[Piece, ...]:
    """Every part of the setup in its order, then the pieces of waste, and when each was freed.

    A part of which nothing is left is left out; a part that is not cut round has NEVER. Cells of `CELL_MM` are fine
    enough (`coarser`).
    """
    n_rows, n_cols = times.plate.shape
    whole = times.plate & (times.tied == NEVER)
    bodies = kernel.label(whole)
    n_bodies = int(bodies.max(initial=-1)) + 1
    if n_bodies == 0:
        return ()
    grid = times.x0_mm, times.y0_mm, times.cell_mm, n_rows, n_cols
    size = np.bincount(bodies[whole], minlength=n_bodies)
    outside = whole.copy()
    bodied = []  # the part's name, its body, the cells of its footprint, its outline's length
    for part in setup.parts:
        outline = part.part.outline
        flat = part.setup_from_part.points(outline.flattened(chord_mm=_CHORD_MM))[:, :2]
        footprint = kernel.inside(np.ascontiguousarray(flat), *grid)
        outside &= ~footprint
        own = np.bincount(bodies[whole & footprint], minlength=n_bodies)
        if own.any():
            bodied.append((part.part_id, int(own.argmax()), footprint, outline.length_mm))
    frame = int(np.bincount(bodies[outside], minlength=n_bodies).argmax()) if outside.any() else int(size.argmax())
    taken = {frame, *(body for _, body, _, _ in bodied)}
    waste = [b for b in range(n_bodies) if b not in taken and size[b] * times.cell_mm**2 >= LEAST_WASTE_MM2]
    _, first = np.unique(bodies[whole], return_index=True)
    seeds = np.flatnonzero(whole)[first]  # a cell of each body
    wanted = [body for _, body, _, _ in bodied] + waste
    freed = [
        _join_times(moves, times.plate, int(seeds[frame]), seeds[wanted].astype(np.int64))
        for moves in (times.tied, times.severed)
    ]
    pieces = []
    for k, body in enumerate(wanted):
        is_part = k < len(bodied)
        footprint = bodied[k][2] if is_part else np.zeros_like(whole)
        cells = np.flatnonzero((bodies == body) & footprint if body == frame else bodies == body)
        row, col = np.divmod(cells, n_cols)
        x, y = times.x0_mm + float(col.mean()) * times.cell_mm, times.y0_mm + float(row.mean()) * times.cell_mm
        n_edges, skin_cut, skin_xy, gap = _skin_edges(times, whole, bodies == body, footprint)
        length = bodied[k][3] * len(gap) / max(n_edges, 1) if is_part else len(gap) * times.cell_mm * _STAIRS
        pieces.append(
            Piece(
                what=bodied[k][0] if is_part else WASTE,
                area_mm2=float(len(cells)) * times.cell_mm**2,
                at_mm=(x, y),
                tied=int(freed[0][k]),
                severed=int(freed[1][k]),
                cells=cells,
                skin_mm=0.0 if body == frame else length,
                skin_cut=skin_cut,
                skin_xy=skin_xy,
                skin_gap_mm=gap,
            )
        )
    return tuple(pieces)


def _join_times(moves: NDArray[np.int32], plate: NDArray[np.bool_], goal: int, seeds: NDArray[np.int64]) -> list[int]:
    flat = moves.ravel()
    cells = np.flatnonzero(plate)
    order = cells[np.argsort(-flat[cells].astype(np.int64), kind="stable")]
    n_rows, n_cols = plate.shape
    return [int(t) for t in kernel.join_times(order, flat.astype(np.int64), n_rows, n_cols, goal, seeds)]


def _skin_edges(
    times: CutTimes, whole: NDArray[np.bool_], body: NDArray[np.bool_], footprint: NDArray[np.bool_]
) -> tuple[int, NDArray[np.int32], NDArray[np.float64], NDArray[np.float64]]:
    """The body's cell edges to cells outside the footprint: how many; and of those toward skin the moves that cut it
    through (rising), the middles (k, 2), and how far the skin spans from there along the row or column (k,)."""
    n_edges, cut, middles, spans = 0, [], [], []
    n_rows, n_cols = body.shape
    cells = np.flatnonzero(body)
    for down, right in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        row, col = np.divmod(cells, n_cols)
        row, col = row + down, col + right
        on = (row >= 0) & (row < n_rows) & (col >= 0) & (col < n_cols)
        n_edges += int(np.sum(~on))
        row, col = row[on], col[on]
        is_edge = ~body[row, col] & ~footprint[row, col]
        row, col = row[is_edge], col[is_edge]
        n_edges += len(row)
        tied = times.tied[row, col]
        is_skin = times.plate[row, col] & (tied >= 0) & (tied != NEVER)
        row, col = row[is_skin], col[is_skin]
        severed = times.severed[row, col]
        cut.append(severed[severed != NEVER])
        middles.append(np.column_stack([times.x0_mm + (col - right / 2) * times.cell_mm,
                                        times.y0_mm + (row - down / 2) * times.cell_mm]))  # fmt: skip
        n = kernel.gaps(row, col, down, right, times.plate, whole)
        spans.append(np.where(n > 0, n * times.cell_mm, np.inf))
    return n_edges, np.sort(np.concatenate(cut)), np.concatenate(middles), np.concatenate(spans)
