"""No-fit polygons: where one polygon may not lie beside another.

Words. The *no-fit polygon* of A and B holds every place of B's reference point, seen from A's, at which the two
overlap; on its edge they touch. It is the Minkowski sum of A and B turned about (Art 1966; Cuninghame-Green 1989, from
memory). Here both are cut into convex parts, whose sums are hulls, and the hulls are joined.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from pipeline.model.arrays import Float

_SAME = 1e-10  # of the size: corners nearer to the line of their neighbours than this are no corners
_SLIT = 1e-6  # of the size: holes narrower than this hold no place that could be met, only rounding


def convex_parts(ring: Float) -> list[Float]:
    """A simple ring (n, 2), counter-clockwise, as convex rings: a triangulation, joined while it stays convex."""
    number = {tuple(point): i for i, point in enumerate(ring)}
    parts: list[list[int]] = []
    for triangle in shapely.constrained_delaunay_triangles(shapely.Polygon(ring)).geoms:
        corners = [number[tuple(point)] for point in shapely.get_coordinates(triangle)[:3]]
        parts.append(corners if _turn(ring, *corners) > 0 else corners[::-1])
    least = -_SAME * float(np.ptp(ring, axis=0).prod())
    while (joined := _joined(ring, parts, least)) is not None:
        parts = joined
    return [ring[part] for part in parts]


def _turn(ring: Float, a: int, b: int, c: int) -> float:
    (ax, ay), (bx, by), (cx, cy) = ring[a], ring[b], ring[c]
    return float((bx - ax) * (cy - ay) - (by - ay) * (cx - ax))


def _joined(ring: Float, parts: list[list[int]], least: float) -> list[list[int]] | None:
    """The parts with two of them, neighbours, as one; None when no two make a convex one."""
    of_edge = {(p[i - 1], p[i]): k for k, p in enumerate(parts) for i in range(len(p))}
    for (u, v), k in of_edge.items():
        m = of_edge.get((v, u))
        if m is None:
            continue
        a, b = parts[k].index(v), parts[m].index(u)
        one = [*parts[k][a:], *parts[k][:a]][:-1] + [*parts[m][b:], *parts[m][:b]][:-1]
        n = len(one)
        if all(_turn(ring, one[i - 1], one[i], one[(i + 1) % n]) >= least for i in range(n)):
            return [p for j, p in enumerate(parts) if j not in (k, m)] + [one]
    return None


def no_fit(a: Sequence[Float], b: Sequence[Float]) -> Float:
    """The edges (k, 4: x0, y0, x1, y1) of the no-fit polygon of A and B, given as convex parts; its inside lies to the
    left of every edge."""
    sums = [(p[:, None, :] - q[None, :, :]).reshape(-1, 2) for p in a for q in b]
    whole = shapely.union_all([shapely.MultiPoint(points).convex_hull for points in sums])
    low_x, low_y, high_x, high_y = whole.bounds
    size = max(high_x - low_x, high_y - low_y)
    edges = []
    for piece in shapely.get_parts(whole):
        piece = shapely.orient_polygons(shapely.simplify(piece, _SAME * size))
        edges.append(_edges(piece.exterior))
        edges += [_edges(hole) for hole in piece.interiors if not _is_slit(hole, _SLIT * size)]
    return np.concatenate(edges)


def _edges(ring: Any) -> Float:
    points = shapely.get_coordinates(ring)
    edges: Float = np.hstack([points[:-1], points[1:]])
    return edges[(points[:-1] != points[1:]).any(axis=1)]


def _is_slit(hole: Any, width: float) -> bool:
    return bool(shapely.Polygon(hole).buffer(-width).is_empty)
