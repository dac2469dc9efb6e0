"""A probe for the simulated stock: heights, reaches and gaps at given places, exact, from the moves themselves.

What a machinist would do with a height gauge, a bore gauge and a caliper. It counts every move of a cutter that the
tool table knows, rapids too; `before` stops it at a move, to see the stock as it was then.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_measure as kernel
from pipeline.verify.reading import Moves
from pipeline.verify.tools import ToolTable

Array = NDArray[np.float64]
N_RAYS = 72
_TURN = 2 * math.pi * np.arange(N_RAYS) / N_RAYS
RAYS = np.column_stack([np.cos(_TURN), np.sin(_TURN)])  # directions of the rays, (72, 2)
SEEN_MM = 1.0  # a gap larger than this reads as this
_CHORD_MM = 2e-5  # of arcs, for reaches: a fiftieth of the micron that is promised
_CLIMB_MM = 0.0002  # of arcs that climb, for heights
_BIN_MM = 4.0
_GROUP_MM = 5.0  # points this near together are looked at together


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Probe:
    """The moves as the kernel wants them, `row` the rows of their cutters in the table, `runs` where each run of them
    goes. `start_z_mm` is the height of stock that nothing has cut; what runs above it is not looked at again."""

    kind: NDArray[np.int8]
    start: Array
    end: Array
    centre: Array
    row: NDArray[np.int64]
    runs: Array
    tools: ToolTable
    start_z_mm: float

    @classmethod
    def of(cls, moves: Moves, tools: ToolTable, *, start_z_mm: float, before: int | None = None) -> Probe:
        """A probe of the stock after all moves, or after those before the move with index `before`."""
        n = slice(0, before)
        kind, start, end, centre = moves.kind[n], moves.start[n], moves.end[n], moves.centre[n]
        row = tools.rows(moves.tool[n])
        return cls(
            kind=kind, start=start, end=end, centre=centre, row=row, tools=tools, start_z_mm=start_z_mm,
            runs=kernel.run_boxes(kind, start, end, centre, row, tools.radius, start_z_mm),
        )  # fmt: skip

    def heights(self, points: Array) -> Array:
        """Height of the stock at plan points (n, 2), mm, setup frame."""
        order, first, boxes = _grouped(points)
        z = np.full(len(points), self.start_z_mm)
        near, items = self._near(boxes, np.full(len(boxes), self.start_z_mm))
        t = self.tools
        kernel.heights(
            np.ascontiguousarray(points[order]), first, near, items, self.kind, self.start, self.end, self.centre,
            self.row, t.shape, t.radius, t.tip, t.slope, _CLIMB_MM, z,
        )  # fmt: skip
        out = np.empty(len(points))
        out[order] = z
        return out

    def reaches(self, rings: Array) -> Array:
        """How far flanks at height z have cleared along each of RAYS from (x, y), contiguous from there: (k, 72).

        `rings` (k, 4) are x, y, z and the farthest that is looked at; 0 where the centre itself is not cleared.
        """
        x, y, z, most = rings.T
        reach = np.zeros((len(rings), N_RAYS))
        near, items = self._near(np.column_stack([x - most, y - most, x + most, y + most]), z)
        t = self.tools
        kernel.reaches(
            rings, near, items, self.kind, self.start, self.end, self.centre, self.row, t.shape, t.radius, t.tip,
            t.slope, RAYS[:, 0].copy(), RAYS[:, 1].copy(), _CHORD_MM, reach,
        )  # fmt: skip
        return reach

    def gaps(self, samples: Array) -> Array:
        """Least distance between each sample (n, 3) and a flank that passed at its height, at most SEEN_MM; negative
        by how deep the sample lies inside what was cleared."""
        order, first, boxes = _grouped(samples)
        sorted_samples = np.ascontiguousarray(samples[order])
        tops = np.array([sorted_samples[a:b, 2].max() for a, b in itertools.pairwise(first)])
        boxes = boxes + SEEN_MM * np.array([-1.0, -1.0, 1.0, 1.0])
        near, items = self._near(boxes, tops)
        gap = np.full(len(samples), SEEN_MM)
        t = self.tools
        kernel.gaps(
            sorted_samples, first, near, items, self.kind, self.start, self.end, self.centre, self.row,
            t.shape, t.radius, t.tip, t.slope, gap,
        )  # fmt: skip
        out = np.empty(len(samples))
        out[order] = gap
        return out

    def _near(self, boxes: Array, tops: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        first, items = kernel.near_groups(
            self.kind, self.start, self.end, self.centre, self.row, self.tools.radius, self.start_z_mm, self.runs,
            np.ascontiguousarray(boxes), np.ascontiguousarray(tops), _BIN_MM,
        )
        return first, items


def _grouped(points: Array) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Order that puts near points together, the first of each group and one past the last, and the groups' boxes."""
    if not len(points):
        return np.zeros(0, dtype=np.int64), np.zeros(1, dtype=np.int64), np.zeros((0, 4))
    tile = np.floor((points[:, :2] - points[:, :2].min(axis=0)) / _GROUP_MM).astype(np.int64)
    order = np.lexsort((tile[:, 0], tile[:, 1]))
    change = np.flatnonzero(np.any(np.diff(tile[order], axis=0) != 0, axis=1)) + 1
    first = np.concatenate([[0], change, [len(points)]]).astype(np.int64)
    xy = points[order, :2]
    low, high = np.minimum.reduceat(xy, first[:-1]), np.maximum.reduceat(xy, first[:-1])
    return order, first, np.column_stack([low, high])


def inside_by(points: Sequence[Sequence[float]] | Array, polygon: Array) -> Array:
    """Signed distance of points (n, 2) to a polygon's edge, positive inside."""
    xy = np.ascontiguousarray(points, dtype=np.float64)
    out = np.empty(len(xy))
    kernel.inside_by(xy, np.ascontiguousarray(polygon), out)
    return out
