"""The exact test of walls and floors: every move against every triangle of every part near it.

A grid cannot see a hundredth on a wall; plan distances can. Two questions: does any move come nearer to the solid
than its cutter's radius (a gouge), and did some flank come near enough to every stretch of wall (stock left)?

What is accepted on each triangle is told in acceptance.py.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_removal, verify_walls
from pipeline.model.job import Tolerances
from pipeline.model.setup import Setup
from pipeline.model.units import EPS_MM
from pipeline.verify.acceptance import triangle_limits
from pipeline.verify.excused import Excuse
from pipeline.verify.faults import Fault
from pipeline.verify.reading import RAPID, Moves
from pipeline.verify.removal import run_threads
from pipeline.verify.tools import ToolTable

_CHORD_MM = 0.00025  # arcs against walls; a quarter of the micron that the test promises
_LONGEST_MM = 2.0
_BIN_MM = 0.75
_SAMPLE_MM = 0.15
_FAR_MM = 1.0  # a gap larger than this reads as this
_VERTICAL = 0.02  # |normal z| under which a triangle is a wall
_MOVES_PER_BATCH = 8192
_LEAST_MM = 0.0004  # cuts into a part that are less deep are rounding of the text, not looked into
_BESIDE_MM = 0.075  # how far beside a wall the target is looked up
_SPILL_MM = 0.1  # what a declaration may reach beyond its region


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bins:
    """Square plan bins over something, and what lies in each, the highest first."""

    x0_mm: float
    y0_mm: float
    n_rows: int
    n_cols: int
    first: NDArray[np.int64]
    items: NDArray[np.int32]
    top: NDArray[np.float64]

    def shape(self) -> tuple[float, float, float, int, int]:
        """The kernel's arguments."""
        return self.x0_mm, self.y0_mm, _BIN_MM, self.n_rows, self.n_cols


def _bins(boxes: NDArray[np.float64], tops: NDArray[np.float64]) -> Bins:
    low = [float(boxes[:, i].min()) if len(boxes) else 0.0 for i in (0, 1)]
    n_cols, n_rows = (int((boxes[:, 2 + i].max(initial=low[i]) - low[i]) / _BIN_MM) + 1 for i in (0, 1))
    falling = np.argsort(-tops, kind="stable").astype(np.int32)
    first, items = verify_walls.bin_boxes(boxes[falling], low[0], low[1], _BIN_MM, n_rows, n_cols)
    items, filled = falling[items], first[1:] > first[:-1]
    top = np.full(n_rows * n_cols, -np.inf)
    top[filled] = tops[items[first[:-1][filled]]]
    return Bins(x0_mm=low[0], y0_mm=low[1], n_rows=n_rows, n_cols=n_cols, first=first, items=items, top=top)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solids:
    """All triangles of all placed parts in the setup frame, with the tolerance of each."""

    tris: NDArray[np.float64]  # (k, 9)
    part: NDArray[np.int32]  # (k,) index into setup.parts
    boxes: NDArray[np.float64]
    tops: NDArray[np.float64]
    wall_tol: NDArray[np.float64]
    left_tol: NDArray[np.float64]
    floor_tol: NDArray[np.float64]
    bins: Bins

    def of_part(self, index: int) -> slice:
        """The triangles of one part."""
        a, b = np.searchsorted(self.part, [index, index + 1])
        return slice(int(a), int(b))

    def distance(self, points: NDArray[np.float64], bound: NDArray[np.float64]) -> NDArray[np.float64]:
        """Distance of points (n, 3) to the nearest triangle, at most `bound` (n,)."""
        best = np.minimum(bound, 2.0)
        verify_walls.distance_to_triangles(
            points, self.tris, self.boxes, self.bins.first, self.bins.items, *self.bins.shape(), 2.0, best
        )
        return np.where(bound > 2.0, np.where(best >= 2.0, bound, best), best)


def build_solids(setup: Setup, tolerances: Tolerances) -> Solids:
    """Place every part's mesh. Triangles stay in the order of setup.parts."""
    kinds = {id(placed.part): placed.part for placed in setup.parts}
    limits = {key: triangle_limits(part, tolerances) for key, part in kinds.items()}
    own, nothing = [limits[id(placed.part)] for placed in setup.parts], np.zeros(0)
    tris = np.concatenate([
        np.zeros((0, 3, 3)),
        *(p.setup_from_part.points(p.part.mesh.vertices)[p.part.mesh.triangles.astype(np.int64)] for p in setup.parts),
    ])  # fmt: skip
    low = np.minimum(np.minimum(tris[:, 0], tris[:, 1]), tris[:, 2])
    high = np.maximum(np.maximum(tris[:, 0], tris[:, 1]), tris[:, 2])
    tops, floor_tol = high[:, 2].copy(), np.concatenate([nothing, *(v.floor for v in own)])
    boxes = np.column_stack([low[:, :2], high[:, :2]])
    return Solids(
        tris=tris.reshape(-1, 9),
        part=np.repeat(np.arange(len(own), dtype=np.int32), np.array([len(v.wall) for v in own], dtype=np.int64)),
        boxes=boxes,
        tops=tops,
        wall_tol=np.concatenate([nothing, *(v.wall for v in own)]),
        left_tol=np.concatenate([nothing, *(v.left for v in own)]),
        floor_tol=floor_tol,
        bins=_bins(boxes, tops - floor_tol),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WallResult:
    """Faults of moves that cut into a part, one for each move; the deepest cut into each part (mm, 0 for none); and the
    least gap of any flank to each sample (mm, at most `_FAR_MM`)."""

    faults: tuple[Fault, ...]
    deepest: NDArray[np.float64]
    gaps: NDArray[np.float64]


def check_walls(
    setup: Setup, *, solids: Solids, moves: Moves, tools: ToolTable, tolerances: Tolerances,
    samples: NDArray[np.float64], workers: int,
) -> WallResult:  # fmt: skip
    """Every move against every triangle, and every flank against every sample (see `wall_samples`).

    Moves are cut up finely in batches, so that memory does not grow with the program.
    """
    s, row = solids, tools.rows(moves.tool)
    highest = float(s.tops.max(initial=0.0))
    row[np.minimum(moves.start[:, 2], moves.end[:, 2]) >= highest] = -1
    bins = _bins(np.column_stack([samples[:, :2], samples[:, :2]]), samples[:, 2])
    x, y, beyond_x, beyond_y = s.boxes.T
    circles = np.column_stack([(x + beyond_x) / 2, (y + beyond_y) / 2, np.hypot(beyond_x - x, beyond_y - y) / 2])
    low = samples[bins.items]  # bin by bin: every sample lies in one
    floor_step = max(0.25 * tolerances.floor_mm, 0.002)
    start = _LEAST_MM - float(s.wall_tol.max(initial=0.0))
    shape = tools.shape, tools.radius, tools.tip, tools.slope
    batches = [slice(a, a + _MOVES_PER_BATCH) for a in range(0, len(row), _MOVES_PER_BATCH)]
    found: list[tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]] = [
        (np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=np.int64)) for _ in batches
    ]
    shares = [range(i, len(batches), max(1, workers)) for i in range(max(1, workers))]
    gaps = [np.full(len(samples), _FAR_MM) for _ in shares]
    deepest = [np.zeros(len(setup.parts)) for _ in shares]

    def run(share: int) -> None:
        stamp, mark = np.zeros(len(s.tris), dtype=np.int64), 0
        for number in shares[share]:
            batch = batches[number]
            pieces, of = verify_removal.cut_up(
                moves.kind[batch], moves.start[batch], moves.end[batch], moves.centre[batch], _CHORD_MM, _LONGEST_MM,
                highest,
            )  # fmt: skip
            owner = batch.start + of
            m, rows = len(pieces), row[owner]
            worst, deep, tri = np.empty(m), np.zeros(m), np.full(m, -1, dtype=np.int64)
            if len(s.tris):
                mark = verify_walls.gouge_pieces(
                    pieces, rows, *shape, s.tris, circles, s.tops, s.floor_tol, s.wall_tol, s.bins.first, s.bins.items,
                    s.bins.top, *s.bins.shape(), floor_step, 0.002, start, stamp, mark, worst, deep, tri,
                )  # fmt: skip
            hit = np.flatnonzero(tri >= 0)
            np.maximum.at(deepest[share], s.part[tri[hit]], deep[hit])
            bad = hit[worst[hit] > 0.0]
            bad = bad[np.lexsort((-deep[bad], owner[bad]))]
            bad = bad[np.append(True, np.diff(owner[bad]) != 0)] if len(bad) else bad
            found[number] = owner[bad], deep[bad], tri[bad]
            if len(samples):
                rows = np.where(moves.kind[owner] == RAPID, -1, rows)
                verify_walls.approach_samples(
                    pieces, rows, *shape, low, _FAR_MM, bins.first, bins.top, *bins.shape(), gaps[share]
                )

    run_threads(run, range(len(shares)), workers)
    faults = [
        _gouge(setup, solids, moves, tolerances, int(i), float(d), int(t))
        for part in found for i, d, t in zip(*part, strict=True)
    ]  # fmt: skip
    gap = np.empty(len(samples))
    gap[bins.items] = np.minimum.reduce(gaps)
    return WallResult(faults=tuple(faults), deepest=np.maximum.reduce(deepest), gaps=gap)


def _gouge(setup: Setup, solids: Solids, moves: Moves, tolerances: Tolerances, i: int, deep: float, t: int) -> Fault:
    x, y, z = (float(v) for v in solids.tris[t].reshape(3, 3).mean(axis=0))
    return Fault(
        code="V649", part_id=setup.parts[int(solids.part[t])].part_id, cutter=int(moves.tool[i]),
        line=int(moves.line[i]), at_mm=(x, y, z), amount_mm=deep, found=f"the part cut into by {deep:.4f} mm",
        wanted=f"at most {solids.wall_tol[t]:.4f} mm on this wall, {tolerances.floor_mm:.4f} mm on a floor",
    )  # fmt: skip


def wall_samples(
    *, solids: Solids, heights: Callable[[NDArray[np.float64]], NDArray[np.float64]], tolerances: Tolerances,
    excused: Sequence[Excuse],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:  # fmt: skip
    """Points (n, 3) low on every wall that can be seen from above, and the triangle of each.

    A flank that passed at a point's height passed everything over it too, so one point near the foot of each stretch
    is enough. Where the target beside the wall (`heights` of plan points) is higher than the foot (an undercut, cut
    from the other side) the point moves up; where something declared as not cut covers the foot, above its band.
    """
    xy, foot, head, normal, triangle = verify_walls.wall_points(solids.tris, _VERTICAL, _SAMPLE_MM, EPS_MM)
    air = heights(xy + _BESIDE_MM * normal)
    under = np.flatnonzero(air > foot)  # rare: normals point out of the part
    air[under] = np.minimum(air[under], heights(xy[under] - _BESIDE_MM * normal[under]))
    foot = np.maximum(foot, air)
    for item in excused:
        near = (solids.part[triangle] == item.part) & (foot <= item.high_mm)
        # The foot must lie in the band: what stands on a lower floor is no part of what was declared.
        near &= foot >= item.low_mm - tolerances.left_mm
        where = np.flatnonzero(near)
        near[where] = item.covers(xy[where], _SPILL_MM)
        foot = np.where(near, item.high_mm, foot)
    rise = tolerances.left_mm + 2 * EPS_MM + 0.001
    z = foot + rise
    keep = z < head
    return np.column_stack([xy, z])[keep], triangle[keep]


def check_left(
    setup: Setup, *, solids: Solids, samples: NDArray[np.float64], triangle: NDArray[np.int64],
    gap: NDArray[np.float64],
) -> tuple[list[Fault], NDArray[np.float64]]:  # fmt: skip
    """A fault for each part with a wall that no flank came near to, and the worst gap of each part (mm, 0 at least)."""
    worst = np.zeros(len(setup.parts))
    part = solids.part[triangle]
    np.maximum.at(worst, part, gap)
    faults = []
    over = gap > solids.left_tol[triangle]
    for i, placed in enumerate(setup.parts):
        bad = np.flatnonzero(over & (part == i))
        if not len(bad):
            continue
        k = bad[int(np.argmax(gap[bad]))]
        x, y, z = (float(v) for v in samples[k])
        size = f"{gap[k]:.3f} mm" if gap[k] < _FAR_MM else f"{_FAR_MM:.0f} mm or more"
        faults.append(
            Fault(
                code="V651",
                part_id=placed.part_id,
                cutter=0,
                line=0,
                at_mm=(x, y, z),
                amount_mm=float(gap[k]),
                found=f"{size} of stock left on a wall, over about {len(bad) * _SAMPLE_MM:.1f} mm of its length",
                wanted=f"at most {solids.left_tol[triangle[k]]:.3f} mm",
            )
        )
    return faults, worst
