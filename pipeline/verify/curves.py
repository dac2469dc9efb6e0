"""Closed curves of straight lines and arcs, and exact distances between them, by closed forms; nothing is flattened.

Words. A *piece* is one line or one arc of a curve. Two pieces *face* each other where a straight way between them meets
both at right angles. Every distance here is the length of a way that really joins the two pieces, and the shortest way
is among those looked at: from an end, at a crossing (0), or where the pieces face each other.

Sources: plane geometry (foot of a perpendicular, line and circle, two circles), from memory; the winding number by
crossings of edges, after D. Sunday 2001, from memory, with the circular segment of each arc added to its chord's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.model.arrays import Float
from pipeline.model.loop import Loop

_STRAIGHT_MM = 1e-9  # noise: an arc that rises less above its chord is a line
_BESIDE_MM = (0.001, 0.01, 0.1, 1.0, 10.0)  # where edges lie on each other, whether there is an overlap beside them
_ROWS = 2_000_000  # most cells of one table of boxes

Bools = NDArray[np.bool_]
Index = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """n pieces, one frame, mm and rad. A line has radius 0. An arc goes from angle `begin` by the signed `sweep`."""

    start: Float  # (n, 2)
    end: Float  # (n, 2)
    centre: Float  # (n, 2), an arc's
    radius: Float  # (n,)
    begin: Float  # (n,)
    sweep: Float  # (n,)

    @classmethod
    def of(cls, vertices: Float) -> Pieces:
        """The pieces of a closed loop (n, 3) of x, y, bulge; edges without a length are left out."""
        start, end, bulge = vertices[:, :2], np.roll(vertices[:, :2], -1, axis=0), vertices[:, 2]
        way = end - start
        chord = np.hypot(*way.T)
        is_arc = np.abs(bulge) * chord / 2 > _STRAIGHT_MM
        safe = np.where(is_arc, bulge, 1.0)
        sweep = 4 * np.arctan(bulge)
        # half the chord is the radius times the sine of half the sweep; the centre lies to the left of a flat arc
        to_centre = ((1 - safe * safe) / (4 * safe))[:, None] * np.column_stack([-way[:, 1], way[:, 0]])
        centre = (start + end) / 2 + to_centre
        radius = chord / (2 * np.abs(np.sin(np.where(is_arc, sweep, 1.0) / 2)))
        begin = np.arctan2(start[:, 1] - centre[:, 1], start[:, 0] - centre[:, 0])
        radius, begin, sweep = (np.where(is_arc, values, 0.0) for values in (radius, begin, sweep))
        return cls(start, end, centre, radius, begin, sweep).at(np.flatnonzero(chord > 0))

    @classmethod
    def of_loop(cls, loop: Loop) -> Pieces:
        return cls.of(loop.vertices)

    @classmethod
    def of_polygon(cls, points: Float) -> Pieces:
        return cls.of(np.column_stack([points, np.zeros(len(points))]))

    @classmethod
    def joined(cls, curves: list[Pieces]) -> Pieces:
        """The pieces of many curves in one row."""
        return cls(*(np.concatenate([getattr(curve, f.name) for curve in curves]) for f in fields(cls)))

    def at(self, index: Index | Bools) -> Pieces:
        return Pieces(*(getattr(self, f.name)[index] for f in fields(self)))

    def __len__(self) -> int:
        return len(self.radius)

    @property
    def boxes(self) -> Float:
        """(n, 4) x low, y low, x high, y high of each piece, exact."""
        low, high = np.minimum(self.start, self.end), np.maximum(self.start, self.end)
        for k, way in enumerate(np.array([[1, 0], [0, 1], [-1, 0], [0, -1]], dtype=np.float64)):
            touches = self.holds(np.full(len(self), k * np.pi / 2)) & (self.radius > 0)
            point = np.where(touches[:, None], self.centre + self.radius[:, None] * way, self.start)
            low, high = np.minimum(low, point), np.maximum(high, point)
        return np.hstack([low, high])

    def holds(self, angle: Float) -> Bools:
        """(n,) whether each arc passes the direction `angle` (n,) from its centre."""
        turned = np.where(self.sweep < 0, self.begin - angle, angle - self.begin) % (2 * np.pi)
        held: Bools = turned <= np.abs(self.sweep)
        return held

    def points(self, share: Float) -> Float:
        """(n, 2) the point of each piece at this share (n,) of its length."""
        angle = self.begin + share * self.sweep
        on_arc = self.centre + self.radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        on_line = self.start + share[:, None] * (self.end - self.start)
        out: Float = np.where((self.radius > 0)[:, None], on_arc, on_line)
        return out

    def shares(self, points: Float) -> Float:
        """(n,) the share of each piece's length at its point nearest to a point (n, 2)."""
        way, off = self.end - self.start, points - self.start
        along = _dot(off, way) / np.where(self.radius > 0, 1.0, _dot(way, way))
        angle = np.arctan2(points[:, 1] - self.centre[:, 1], points[:, 0] - self.centre[:, 0])
        turned = np.where(self.sweep < 0, self.begin - angle, angle - self.begin) % (2 * np.pi)
        sweep = np.abs(self.sweep)
        past = turned > sweep  # nearer to the end or, the other way round, to the start
        turned = np.where(past, np.where(turned - sweep < 2 * np.pi - turned, sweep, 0.0), turned)
        return np.where(self.radius > 0, turned / np.where(sweep > 0, sweep, 1.0), np.clip(along, 0.0, 1.0))


def apart_mm(a: Pieces, b: Pieces) -> Float:
    """(n,) the distance of piece k of `a` and piece k of `b`, 0 where they cross."""
    least = np.minimum(_from_point(a.start, b), _from_point(a.end, b))
    least = np.minimum(least, np.minimum(_from_point(b.start, a), _from_point(b.end, a)))
    on_a, on_b, is_met = _facing(a, b)
    length = np.where(is_met, np.hypot(*np.moveaxis(on_a - on_b, 2, 0)), np.inf)
    least = np.minimum(least, length.min(axis=1))
    return np.where(_crossings(a, b)[1].any(axis=1), 0.0, least)


def is_inside(points: Float, curve: Pieces) -> Bools:
    """(n,) whether each point (n, 2) is inside the closed curve, by winding. On the curve it is either."""
    # the ends in one order, so that the two sides of a chord are told apart alike by every piece that has it
    flip = (curve.start[:, 0] > curve.end[:, 0]) | (
        (curve.start[:, 0] == curve.end[:, 0]) & (curve.start[:, 1] > curve.end[:, 1])
    )
    low, high = np.where(flip[:, None], curve.end, curve.start), np.where(flip[:, None], curve.start, curve.end)
    off = points[:, None] - low
    left = _cross(high - low, off) * np.where(flip, -1.0, 1.0)  # > 0 to the left of the piece's chord
    y, y0, y1 = points[:, 1, None], curve.start[:, 1], curve.end[:, 1]
    up, down = (y0 <= y) & (y < y1), (y1 <= y) & (y < y0)
    # a point on the chord's line counts as a little to the left in x, or a little up where the chord lies level
    counts_left = np.where(y1 != y0, y1 > y0, curve.end[:, 0] > curve.start[:, 0])
    is_left = (left > 0) | ((left == 0) & counts_left)
    winding = np.sum(up & is_left, axis=1) - np.sum(down & ~is_left, axis=1)
    away = points[:, None] - curve.centre
    in_disc = _dot(away, away) < curve.radius**2
    winding += np.sum(in_disc & ~is_left & (curve.sweep > 0), axis=1)
    winding -= np.sum(in_disc & is_left & (curve.sweep < 0), axis=1)
    inside: Bools = winding != 0
    return inside


def depth_mm(a: Pieces, b: Pieces, *, is_hole: bool = False) -> float:
    """How deep two closed curves lie in each other: the largest distance from the other's edge of a point that lies on
    one edge and inside the other curve, or from both edges of a point beside one edge and inside both; 0 when there is
    none. With `is_hole` the solid is all that lies outside `b`.

    Looked at: ends, crossings, points that face the other, the middles between all these, and points on both sides of
    every piece's middle. Right where a corner or a rounding is the deepest point; else it may be low, never too high.
    """
    deep = 0.0
    for one, other, is_out in ((a, b, is_hole), (b, a, False)):
        points = _telling_points(one, other)
        points = points[is_inside(points, other) != is_out]
        deep = max(deep, float(np.max(_from_edge(points, other), initial=0.0)))
    points = np.concatenate([_beside(one, np.arange(len(one)), np.full(len(one), 0.5)) for one in (a, b)])
    points = points[is_inside(points, a) & (is_inside(points, b) != is_hole)]
    both = np.minimum(_from_edge(points, a), _from_edge(points, b))
    return max(deep, float(np.max(both, initial=0.0)))


def out_of_mm(a: Pieces, curves: Sequence[Pieces]) -> float:
    """How far a closed curve's solid reaches out of all of some closed curves taken as one: the largest distance from
    every curve's edge of a point in the solid and in none of them; 0 when there is none.

    Looked at: the solid's own edge as in `depth_mm`, all curves at once, so that a gap between two shows where it
    begins, and points beside each curve's stretches between the others, so that a hole between curves shows that is
    wholly in the solid.
    """
    edges = Pieces.joined(list(curves))
    beside = _beside(edges, *_telling(edges, edges))
    spots = np.concatenate([_telling_points(a, edges), beside[is_inside(beside, a)]])
    held = np.zeros(len(spots), dtype=np.bool_)
    least = np.full(len(spots), np.inf)
    for curve in curves:
        held |= is_inside(spots, curve)
        least = np.minimum(least, _from_edge(spots, curve))
    return float(np.max(least[~held], initial=0.0))


def near_pairs(a: Float, b: Float, within_mm: float) -> tuple[Index, Index]:
    """Indices of boxes (n, 4) and (m, 4) at most `within_mm` apart, in the order of `a`."""
    rows = max(1, _ROWS // max(1, len(b)))
    found = [np.zeros((2, 0), dtype=np.int64)]
    for k in range(0, len(a), rows):
        part = a[k : k + rows, None]
        dx = np.maximum(np.maximum(part[..., 0] - b[:, 2], b[:, 0] - part[..., 2]), 0.0)
        dy = np.maximum(np.maximum(part[..., 1] - b[:, 3], b[:, 1] - part[..., 3]), 0.0)
        i, j = np.nonzero(dx * dx + dy * dy <= within_mm * within_mm)
        found.append(np.array([i + k, j]))
    i, j = np.hstack(found)
    return i, j


def _telling_points(one: Pieces, other: Pieces) -> Float:
    """Points of `one` among which the deepest in `other` is looked for (m, 2)."""
    k, at = _telling(one, other)
    return one.at(k).points(at)


def _telling(one: Pieces, other: Pieces) -> tuple[Index, Float]:
    """Where on `one` its course beside `other` may change, and the middles between: piece (m,) and share (m,)."""
    n, m = len(one), len(other)
    i, j = np.repeat(np.arange(n), m), np.tile(np.arange(m), n)
    mine, its = one.at(i), other.at(j)
    on_mine, _, is_met = _facing(mine, its)
    crossing, is_crossing = _crossings(mine, its)
    k = np.concatenate([*(i[mask] for mask in is_met.T), *(i[mask] for mask in is_crossing.T), i])
    spots = np.concatenate([*(on_mine[mask, c] for c, mask in enumerate(is_met.T)),
                            *(crossing[mask, c] for c, mask in enumerate(is_crossing.T)), its.start])  # fmt: skip
    at = one.at(k).shares(spots)
    k = np.concatenate([k, np.arange(n), np.arange(n)])
    at = np.concatenate([at, np.zeros(n), np.ones(n)])
    order = np.lexsort((at, k))
    k, at = k[order], at[order]
    is_same = k[1:] == k[:-1]
    middles = ((at[1:] + at[:-1]) / 2)[is_same]
    return np.concatenate([k, k[1:][is_same]]), np.concatenate([at, middles])


def _beside(curve: Pieces, k: Index, share: Float) -> Float:
    """Points on both sides of the points of pieces `k` (m,) at their `share` (m,), near and far."""
    pieces = curve.at(k)
    middle = pieces.points(share)
    way, _ = _unit(np.where((pieces.radius > 0)[:, None], middle - pieces.centre, pieces.end - pieces.start))
    aside = np.where((pieces.radius > 0)[:, None], way, np.column_stack([-way[:, 1], way[:, 0]]))
    return np.concatenate([middle + side * far * aside for far in _BESIDE_MM for side in (1.0, -1.0)])


def _from_edge(points: Float, curve: Pieces) -> Float:
    """(n,) the distance of each point to the nearest piece."""
    n, m = len(points), len(curve)
    i, j = np.repeat(np.arange(n), m), np.tile(np.arange(m), n)
    least: Float = _from_point(points[i], curve.at(j)).reshape(n, m).min(axis=1)
    return least


def _from_point(points: Float, pieces: Pieces) -> Float:
    """(n,) the distance of point k to piece k."""
    way, off = pieces.end - pieces.start, points - pieces.start
    along = np.clip(_dot(off, way) / np.where(pieces.radius > 0, 1.0, _dot(way, way)), 0.0, 1.0)
    to_line = np.hypot(*(off - along[:, None] * way).T)
    away = points - pieces.centre
    held = pieces.holds(np.arctan2(away[:, 1], away[:, 0]))
    to_ends = np.minimum(np.hypot(*off.T), np.hypot(*(points - pieces.end).T))
    to_arc = np.where(held, np.abs(np.hypot(*away.T) - pieces.radius), to_ends)
    return np.where(pieces.radius > 0, to_arc, to_line)


def _facing(a: Pieces, b: Pieces) -> tuple[Float, Float, Bools]:
    """Ways that meet both pieces at right angles: their ends on a and on b (n, 4, 2), and which there are (n, 4). Two
    lines have none that an end does not give as well."""
    n = len(a)
    on_a, on_b = np.zeros((n, 4, 2)), np.zeros((n, 4, 2))
    is_met = np.zeros((n, 4), dtype=np.bool_)
    round_a, round_b = a.radius > 0, b.radius > 0
    for line, arc, on_line, on_arc, rows in ((a, b, on_a, on_b, ~round_a & round_b),
                                             (b, a, on_b, on_a, round_a & ~round_b)):  # fmt: skip
        k = np.flatnonzero(rows)
        if not len(k):
            continue
        straight, bow = line.at(k), arc.at(k)
        way, length = _unit(straight.end - straight.start)
        along = _dot(bow.centre - straight.start, way)
        foot = straight.start + along[:, None] * way
        for c, side in enumerate((1.0, -1.0)):
            normal = side * np.column_stack([-way[:, 1], way[:, 0]])
            on_line[k, c], on_arc[k, c] = foot, bow.centre + bow.radius[:, None] * normal
            angle = np.arctan2(normal[:, 1], normal[:, 0])
            is_met[k, c] = (along >= 0) & (along <= length) & bow.holds(angle)
    k = np.flatnonzero(round_a & round_b)
    p, q = a.at(k), b.at(k)
    way, apart = _unit(q.centre - p.centre)
    for c, (side_p, side_q) in enumerate(((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0))):
        on_a[k, c] = p.centre + side_p * p.radius[:, None] * way
        on_b[k, c] = q.centre + side_q * q.radius[:, None] * way
        angle_p, angle_q = (np.arctan2(s * way[:, 1], s * way[:, 0]) for s in (side_p, side_q))
        is_met[k, c] = (apart > 0) & p.holds(angle_p) & q.holds(angle_q)
    return on_a, on_b, is_met


def _crossings(a: Pieces, b: Pieces) -> tuple[Float, Bools]:
    """Points where piece k of a crosses piece k of b (n, 2, 2), and which there are (n, 2)."""
    n = len(a)
    points, is_there = np.zeros((n, 2, 2)), np.zeros((n, 2), dtype=np.bool_)
    round_a, round_b = a.radius > 0, b.radius > 0

    k = np.flatnonzero(~round_a & ~round_b)
    p, q = a.at(k), b.at(k)
    way_p, way_q = p.end - p.start, q.end - q.start
    from_q = _cross(way_q, p.start - q.start), _cross(way_q, p.end - q.start)
    from_p = _cross(way_p, q.start - p.start), _cross(way_p, q.end - p.start)
    is_there[k, 0] = ((from_q[0] > 0) != (from_q[1] > 0)) & ((from_p[0] > 0) != (from_p[1] > 0))
    span = from_q[0] - from_q[1]
    share = from_q[0] / np.where(span == 0, 1.0, span)
    points[k, 0] = p.start + share[:, None] * way_p

    for line, arc, rows in ((a, b, ~round_a & round_b), (b, a, round_a & ~round_b)):
        k = np.flatnonzero(rows)
        if not len(k):
            continue
        straight, bow = line.at(k), arc.at(k)
        way, length = _unit(straight.end - straight.start)
        off = bow.centre - straight.start
        along, beside = _dot(off, way), _cross(way, off)
        half2 = bow.radius**2 - beside**2
        half = np.sqrt(np.maximum(half2, 0.0))
        for c, side in enumerate((1.0, -1.0)):
            at = along + side * half
            points[k, c] = straight.start + at[:, None] * way
            away = points[k, c] - bow.centre
            held = bow.holds(np.arctan2(away[:, 1], away[:, 0]))
            is_there[k, c] = (half2 > 0) & (at >= 0) & (at <= length) & held

    k = np.flatnonzero(round_a & round_b)
    p, q = a.at(k), b.at(k)
    way, apart = _unit(q.centre - p.centre)
    along = (apart**2 + p.radius**2 - q.radius**2) / np.where(apart > 0, 2 * apart, 1.0)
    half2 = p.radius**2 - along**2
    half = np.sqrt(np.maximum(half2, 0.0))
    for c, side in enumerate((1.0, -1.0)):
        aside = side * half[:, None] * np.column_stack([-way[:, 1], way[:, 0]])
        points[k, c] = p.centre + along[:, None] * way + aside
        to_p, to_q = points[k, c] - p.centre, points[k, c] - q.centre
        held = p.holds(np.arctan2(to_p[:, 1], to_p[:, 0])) & q.holds(np.arctan2(to_q[:, 1], to_q[:, 0]))
        is_there[k, c] = (apart > 0) & (half2 > 0) & held
    return points, is_there


def _dot(a: Float, b: Float) -> Float:
    out: Float = a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1]
    return out


def _cross(a: Float, b: Float) -> Float:
    out: Float = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return out


def _unit(ways: Float) -> tuple[Float, Float]:
    """Directions (n, 2) of length 1 and the lengths (n,); zero stays zero."""
    length = np.hypot(*ways.T)
    return ways / np.where(length > 0, length, 1.0)[:, None], length
