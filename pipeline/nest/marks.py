"""Marks of a layout, 0 to 1, one for each thing that a maker cares about beside the value of the parts.

Words. A *mark* of 1 is perfect. *Counted* kinds are those that are wanted in a number and are no discs: they are the
parts that are looked at and that bend. Studs and whatever else only fills the plate count by their value, and by the
remnant they leave. A body's own mark is weighed by its area, except where said.

- figure: the mean figure of the plate under the part, by places spread evenly over it.
- alike: how well the two of a pair pass for one piece and its image: 0 where their grain is not alike; else half for
  the figure under places that answer each other, half for how near they lie (neighbours continue the pattern).
- layers: cos2 of the angle between a part's direction and the layers: the share of a bending stress that runs along the
  layers; the rest, sin2, pulls them apart (stress turned to another direction; Mohr's circle).
- remnant: the largest piece left that is nowhere narrower than the widest counted part, against all that could be left.
- held: the least of three: the share over the sealed area, the distance from the port, the distance from clamps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.nest.aims import Aims, Pair, distances_mm, useful_mm2

A_CLAMP = "lies near a clamp"
_ALIKE_RAD = math.radians(3)  # grain that differs less looks the same (common practice, no source)
_APART_RAD = math.radians(20)  # grain that differs more is no pair (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bodies:
    """The counted bodies of a layout: their places in it, kinds, poses (n, 3), and points in the billet frame."""

    at: tuple[int, ...]
    kinds: tuple[int, ...]
    poses: Float
    places: Float  # (m, 2) of all bodies, one after the other
    starts: Any  # (n,) where each body's places begin

    @classmethod
    def of(cls, aims: Aims, which: Sequence[int], poses: Float) -> Bodies:
        """`which` (n,) kind of each body, at poses (n, 3)."""
        at = tuple(i for i, k in enumerate(which) if aims.is_counted[k])
        kinds = tuple(int(which[i]) for i in at)
        own = poses[list(at)].reshape(-1, 3)
        places, starts = _spread([aims.places[k] for k in kinds], own)
        return cls(at=at, kinds=kinds, poses=own, places=places, starts=starts)


class Judged(NamedTuple):
    """A mark, and the bodies it comes from with what each of them has (the term says what that is)."""

    mark: float
    at: tuple[int, ...]
    each: tuple[float, ...]
    words: tuple[str, ...] = ()


def figure(aims: Aims, bodies: Bodies) -> Judged | None:
    """Mean figure under the counted parts; `each` is that of a body. None without zones."""
    if aims.figure is None or not bodies.at:
        return None
    return _weighed(aims, bodies, _means(aims.figure.at(bodies.places), bodies))


def layers(aims: Aims, bodies: Bodies) -> Judged | None:
    """How far parts lie along the layers; `each` is a body's angle off them, rad. All bodies weigh the same. None
    without a direction of the layers, or of any part."""
    if aims.layers_rad is None:
        return None
    at, off = [], []
    for i, kind, pose in zip(bodies.at, bodies.kinds, bodies.poses, strict=True):
        along = aims.along_rad[kind]
        if along is not None:
            at.append(i)
            off.append(abs(math.remainder(pose[2] + along - aims.layers_rad, math.pi)))
    if not at:
        return None
    return Judged(math.fsum(math.cos(a) ** 2 for a in off) / len(off), tuple(at), tuple(off))


def alike(aims: Aims, bodies: Bodies) -> Judged | None:
    """How well pairs match; `at` holds left and right of every pair in turn and `each` a pair's mark twice, `words`
    what lowered it most. Copies are paired as matches best. None without a pair."""
    found: list[tuple[float, int, int, str]] = []
    values = None if aims.figure is None else aims.figure.at(bodies.places)
    for pair in aims.pairs:
        lefts = [n for n, k in enumerate(bodies.kinds) if k == pair.left]
        rights = [n for n, k in enumerate(bodies.kinds) if k == pair.right]
        marks = [[_pair_mark(aims, bodies, pair, i, j, values) for j in rights] for i in lefts]
        for i, j in _best_matching([[mark for mark, _ in row] for row in marks]):
            found.append((marks[i][j][0], bodies.at[lefts[i]], bodies.at[rights[j]], marks[i][j][1]))
    if not found:
        return None
    return Judged(math.fsum(f[0] for f in found) / len(found), tuple(i for f in found for i in f[1:3]),
                  tuple(f[0] for f in found for _ in (0, 1)), tuple(f[3] for f in found for _ in (0, 1)))


def held(aims: Aims, bodies: Bodies) -> Judged | None:
    """How well the hold has the counted parts; `each` is a body's mark and `words` what lowered it (`A_CLAMP` for a
    clamp). None when nothing is known of the hold."""
    if not bodies.at or (aims.sealed is None and aims.port_mm is None and not aims.clamps):
        return None
    edges, starts = _spread([aims.edges[k] for k in bodies.kinds], bodies.poses)
    rows: list[tuple[str, Float]] = []
    if aims.sealed is not None:
        rows.append(("lies beyond the sealed area", _means(aims.sealed.at(bodies.places), bodies)))
    if aims.port_mm is not None:
        x, y = aims.port_mm
        away = np.minimum.reduceat(np.hypot(edges[:, 0] - x, edges[:, 1] - y), starts)
        away[[m for m, k in enumerate(bodies.kinds) if _holds(aims, k, bodies.poses[m], x, y)]] = 0.0
        rows.append(("lies near the port", np.minimum(1.0, away / aims.port_clear_mm)))
    if aims.ease is not None:
        rows.append((A_CLAMP, np.minimum(1.0, np.minimum.reduceat(aims.ease.between(edges), starts))))
    table = np.array([row for _, row in rows])
    words = (rows[int(row)][0] for row in table.argmin(axis=0))
    return _weighed(aims, bodies, table.min(axis=0))._replace(words=tuple(words))


def clamp_by(aims: Aims, pose: Float) -> str:
    """The name of the clamp that a body at this pose (3,) lies nearest to, in parts of what clears it."""
    away = [float(distances_mm(pose[None, :2], c.polygon)[0]) / c.clear_mm for c in aims.clamps]
    return aims.clamps[away.index(min(away))].name


def remnant(aims: Aims, which: Sequence[int], poses: Float) -> Judged | None:
    """Share of what could be left that is one useful piece; `each` holds its area, mm2. None where nothing could be."""
    left = aims.left
    if left is None:
        return None
    room = np.empty_like(left.base)
    nest_engine.room_map(aims.world, np.array(which, dtype=np.int64), np.ascontiguousarray(poses), len(which), 0.0,
                         left.base, left.x0, left.y0, left.cell, left.cell, room)
    area = useful_mm2(room >= 0, cell_mm=left.cell, half_mm=left.half_mm)
    return Judged(min(1.0, area / left.most_mm2), (), (area,))


def _weighed(aims: Aims, bodies: Bodies, each: Float) -> Judged:
    weights = [aims.areas_mm2[k] for k in bodies.kinds]
    mark = math.fsum(w * m for w, m in zip(weights, each.tolist(), strict=True)) / math.fsum(weights)
    return Judged(mark, bodies.at, tuple(each.tolist()))


def _means(values: Float, bodies: Bodies) -> Float:
    counts = np.diff([*bodies.starts, len(values)])
    out: Float = np.add.reduceat(values, bodies.starts) / counts
    return out


def _pair_mark(aims: Aims, bodies: Bodies, pair: Pair, i: int, j: int, values: Float | None) -> tuple[float, str]:
    """The mark of bodies i (left) and j (right), and what lowered it most."""
    one, other = bodies.poses[i], bodies.poses[j]
    if aims.layers_rad is None:  # nothing is known of the grain, but turned alike it cannot differ much
        off = abs(math.remainder(one[2] - other[2], math.pi))
    else:  # the image of a direction g in the left part's frame is -g in the right part's
        off = abs(math.remainder(one[2] + other[2] - 2 * aims.layers_rad, math.pi))
    grain = min(1.0, max(0.0, (_APART_RAD - off) / (_APART_RAD - _ALIKE_RAD)))
    away = math.hypot(one[0] - other[0], one[1] - other[1])
    beside = min(1.0, max(0.0, 1.0 - (away - pair.near_mm) / pair.long_mm))
    match = 1.0
    if values is not None:
        n, a, b = len(aims.places[pair.left]), int(bodies.starts[i]), int(bodies.starts[j])
        match = 1.0 - float(np.abs(values[a:a + n] - values[b:b + n]).mean())
    words = min((grain, f"differ by {math.degrees(off):.0f} degrees in grain"), (beside, "lie apart"),
                (match, "differ in figure"), key=lambda pair: pair[0])[1]
    return grain * (beside + match) / 2, words


def _best_matching(marks: list[list[float]]) -> list[tuple[int, int]]:
    """Rows and columns of the pairs with the largest sum of marks."""
    if not marks or not marks[0]:
        return []
    if len(marks) == 1 == len(marks[0]):
        return [(0, 0)]
    from scipy.optimize import linear_sum_assignment  # slow to load and seldom needed

    rows, columns = linear_sum_assignment(np.array(marks), maximize=True)
    return list(zip(rows.tolist(), columns.tolist(), strict=True))


def _spread(points: Sequence[Float], poses: Float) -> tuple[Float, Any]:
    """Points of every body at its pose, one body after the other, and where each begins."""
    if not points:
        return np.zeros((0, 2)), np.zeros(0, dtype=np.int64)
    counts = [len(p) for p in points]
    turns = np.array([(math.cos(a), math.sin(a)) for a in poses[:, 2].tolist()])
    c, s = np.repeat(turns, counts, axis=0).T
    u, v = np.concatenate(points).T
    shift = np.repeat(poses[:, :2], counts, axis=0)
    return np.column_stack([c * u - s * v, s * u + c * v]) + shift, np.cumsum([0, *counts[:-1]])


def _holds(aims: Aims, kind: int, pose: Float, x: float, y: float) -> bool:
    """A body at this pose (3,) holds a place: an odd number of its edges cross the place's ray to +X."""
    dx, dy = x - float(pose[0]), y - float(pose[1])
    if math.hypot(dx, dy) > aims.world.reach[kind]:
        return False
    c, s = math.cos(pose[2]), math.sin(pose[2])
    u, v = c * dx + s * dy, c * dy - s * dx
    a = aims.polygons[kind]
    b = np.roll(a, -1, axis=0)
    spans = (a[:, 1] > v) != (b[:, 1] > v)
    p, q = a[spans], b[spans]
    return bool(np.count_nonzero(p[:, 0] + (v - p[:, 1]) * (q[:, 0] - p[:, 0]) / (q[:, 1] - p[:, 1]) > u) % 2)
