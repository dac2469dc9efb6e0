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
    Centres at (x0 + col * cell, y0 + row * cell), setup frame, mm. `plate` are the cells that touch the billet.
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
    it; `skin_cut` (m,) the moves that cut through cells of that skin, rising, of `n_skin` cell edges in all.
    """

    what: str  # a part's id, or "waste"
    area_mm2: float
    at_mm: tuple[float, float]
    tied: int
    severed: int
    cells: NDArray[np.int64]
    skin_mm: float
    skin_cut: NDArray[np.int32]
    n_skin: int

    def skin_left_mm(self, move: NDArray[np.int64]) -> NDArray[np.float64]:
        """Length of the skin that still ties the piece after each of these moves; 0 once it is severed."""
        if self.n_skin == 0:
            return np.zeros(len(move))
        gone = np.searchsorted(self.skin_cut, move, side="right")
        return np.where(move >= self.severed, 0.0, self.skin_mm * (1.0 - gone / self.n_skin))


def find_ties(times: CutTimes, setup: Setup) -> tuple[Piece, ...]:
    """Every part of the setup in its order, then the pieces of waste, and when each was freed.

    A part of which nothing is left is left out; a part that is not cut round has NEVER.
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
        n_edges, skin_cut, n_skin = _skin_edges(times, bodies == body, footprint)
        length = bodied[k][3] * n_skin / max(n_edges, 1) if is_part else n_skin * times.cell_mm * _STAIRS
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
                n_skin=n_skin,
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
    times: CutTimes, body: NDArray[np.bool_], footprint: NDArray[np.bool_]
) -> tuple[int, NDArray[np.int32], int]:
    """The body's cell edges to cells outside the footprint: how many, and of those toward skin the moves that cut that
    skin through (rising) and how many there are."""
    n_edges, n_skin, cut = 0, 0, []
    others = [(slice(None, -1), slice(None), 1, 0), (slice(1, None), slice(None), -1, 0),
              (slice(None), slice(None, -1), 0, 1), (slice(None), slice(1, None), 0, -1)]  # fmt: skip
    for rows, cols, down, right in others:
        here = np.zeros_like(body)
        here[rows, cols] = True  # cells that have a neighbour on this side
        beside = body & here
        to_row, to_col = np.nonzero(beside)
        to_row, to_col = to_row + down, to_col + right
        is_edge = ~body[to_row, to_col] & ~footprint[to_row, to_col]
        to_row, to_col = to_row[is_edge], to_col[is_edge]
        n_edges += len(to_row) + int(np.sum(body & ~here))
        is_skin = times.plate[to_row, to_col] & (times.tied[to_row, to_col] != NEVER)
        n_skin += int(is_skin.sum())
        severed = times.severed[to_row[is_skin], to_col[is_skin]]
        cut.append(severed[severed != NEVER])
    return n_edges, np.sort(np.concatenate(cut)), n_skin
