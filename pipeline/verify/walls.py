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
    low, high = (boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)) if len(boxes) else (np.zeros(2), np.zeros(2))
    n_cols, n_rows = (int(v) + 1 for v in (high - low) / _BIN_MM)
    first, items = verify_walls.bin_boxes(boxes, low[0], low[1], _BIN_MM, n_rows, n_cols)
    of_bin = np.repeat(np.arange(n_rows * n_cols), np.diff(first))
    items = items[np.lexsort((-tops[items], of_bin))]  # the highest first in every bin
    top = np.full(n_rows * n_cols, -np.inf)
    np.maximum.at(top, of_bin, tops[items])
    return Bins(
        x0_mm=float(low[0]), y0_mm=float(low[1]), n_rows=n_rows, n_cols=n_cols, first=first, items=items, top=top
    )


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
    tris, index, walls, lefts, floors = [], [], [], [], []
    for i, placed in enumerate(setup.parts):
        part = placed.part
        vertices = placed.setup_from_part.points(part.mesh.vertices)
        corner = part.mesh.triangles.astype(np.int64)
        tris.append(vertices[corner].reshape(-1, 9))
        index.append(np.full(len(corner), i, dtype=np.int32))
        limits = triangle_limits(part, tolerances)
        walls.append(limits.wall)
        lefts.append(limits.left)
        floors.append(limits.floor)
    if not tris:
        tris, index = [np.zeros((0, 9))], [np.zeros(0, dtype=np.int32)]
        walls = lefts = floors = [np.zeros(0)]
    k = np.concatenate(tris)
    x, y, z = k[:, 0::3], k[:, 1::3], k[:, 2::3]
    boxes = np.column_stack([x.min(axis=1), y.min(axis=1), x.max(axis=1), y.max(axis=1)])
    tops, floor_tol = z.max(axis=1), np.concatenate(floors)
    return Solids(
        tris=np.ascontiguousarray(k),
        part=np.concatenate(index),
        boxes=boxes,
        tops=tops,
        wall_tol=np.concatenate(walls),
        left_tol=np.concatenate(lefts),
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
    near = np.flatnonzero((np.minimum(moves.start[:, 2], moves.end[:, 2]) < highest) & (row >= 0))
    bins = _bins(np.column_stack([samples[:, :2], samples[:, :2]]), samples[:, 2])
    floor_step = max(0.25 * tolerances.floor_mm, 0.002)
    start = _LEAST_MM - float(s.wall_tol.max(initial=0.0))
    shape = tools.shape, tools.radius, tools.tip, tools.slope
    batches = [near[a : a + _MOVES_PER_BATCH] for a in range(0, len(near), _MOVES_PER_BATCH)]
    found: list[tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]] = [
        (np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=np.int64)) for _ in batches
    ]
    shares = [range(i, len(batches), max(1, workers)) for i in range(max(1, workers))]
    gaps = [np.full(len(samples), _FAR_MM) for _ in shares]
    deepest = [np.zeros(len(setup.parts)) for _ in shares]

    def run(share: int) -> None:
        for number in shares[share]:
            batch = batches[number]
            pieces, of = verify_removal.cut_up(
                moves.kind[batch], moves.start[batch], moves.end[batch], moves.centre[batch], _CHORD_MM, _LONGEST_MM,
                np.inf,
            )  # fmt: skip
            owner = batch[of]
            m, rows = len(pieces), row[owner]
            worst, deep, tri = np.full(m, start), np.zeros(m), np.full(m, -1, dtype=np.int64)
            if len(s.tris):
                verify_walls.gouge_pieces(
                    0, m, pieces, rows, *shape, s.tris, s.boxes, s.tops, s.floor_tol, s.wall_tol, s.bins.first,
                    s.bins.items, s.bins.top, *s.bins.shape(), floor_step, 0.002, worst, deep, tri,
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
                    0, m, pieces, rows, *shape, samples, _FAR_MM, bins.first, bins.items, bins.top, *bins.shape(),
                    gaps[share],
                )  # fmt: skip

    run_threads(run, range(len(shares)), workers)
    faults = [
        _gouge(setup, solids, moves, tolerances, int(i), float(d), int(t))
        for part in found for i, d, t in zip(*part, strict=True)
    ]  # fmt: skip
    return WallResult(
        faults=tuple(faults), deepest=np.maximum.reduce(deepest), gaps=np.minimum.reduce(gaps)
    )


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
    found = [
        _samples_of(part, solids, heights, tolerances, [e for e in excused if e.part == part])
        for part in range(int(solids.part.max(initial=-1)) + 1)
    ]
    points, triangles = ([f[i] for f in found] for i in range(2))
    return np.concatenate([np.zeros((0, 3)), *points]), np.concatenate([np.zeros(0, dtype=np.int64), *triangles])


def _samples_of(
    part: int, solids: Solids, heights: Callable[[NDArray[np.float64]], NDArray[np.float64]], tolerances: Tolerances,
    excused: Sequence[Excuse],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:  # fmt: skip
    """The samples of one part."""
    mine = solids.of_part(part)
    t = solids.tris[mine].reshape(-1, 3, 3)
    normal = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    size = np.linalg.norm(normal, axis=1)
    wall = np.flatnonzero((size > 0) & (np.abs(normal[:, 2]) < _VERTICAL * size))
    n = normal[wall, :2] / np.linalg.norm(normal[wall, :2], axis=1)[:, None]
    along = np.einsum("kij,kj->ki", t[wall][:, :, :2], np.column_stack([-n[:, 1], n[:, 0]]))
    order = np.argsort(along, axis=1)
    s = np.take_along_axis(along, order, axis=1)
    corner = np.take_along_axis(t[wall], order[:, :, None], axis=1)
    width = s[:, 2] - s[:, 0]
    count = np.where(width > EPS_MM, np.ceil(width / _SAMPLE_MM), 0).astype(np.int64)
    k = np.repeat(np.arange(len(wall)), count)
    step = np.arange(len(k)) - np.repeat(np.cumsum(count) - count, count)
    at = s[k, 0] + width[k] * (step + 0.5) / count[k]
    f = (at - s[k, 0]) / width[k]
    long_side = corner[k, 0] + f[:, None] * (corner[k, 2] - corner[k, 0])
    left_half = at < s[k, 1]
    gap = np.where(left_half, s[k, 1] - s[k, 0], s[k, 2] - s[k, 1])
    g = np.divide(np.where(left_half, at - s[k, 0], at - s[k, 1]), gap, out=np.zeros(len(k)), where=gap > 0)
    a = np.where(left_half[:, None], corner[k, 0], corner[k, 1])
    b = np.where(left_half[:, None], corner[k, 1], corner[k, 2])
    short_side = a + g[:, None] * (b - a)
    foot = np.minimum(long_side[:, 2], short_side[:, 2])
    head = np.maximum(long_side[:, 2], short_side[:, 2])
    xy = long_side[:, :2]
    air = np.minimum(heights(xy + _BESIDE_MM * n[k]), heights(xy - _BESIDE_MM * n[k]))
    foot = np.maximum(foot, air)
    triangle = mine.start + wall[k]
    for item in excused:
        near = foot <= item.high_mm
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
