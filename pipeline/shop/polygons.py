"""Is a list of points a simple polygon? Small checks in plain numpy, so that reading a job stays quick.

Points are (x, y) in one frame; the last point joins the first.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.model.arrays import Float
from pipeline.model.units import EPS_MM

Points = Sequence[tuple[float, float]]


def polygon_fault(points: Points) -> tuple[int, str] | None:
    """The first plain fault as (point index, words): too few points, or a point twice. None when sound so far."""
    if len(points) < 3:
        return 0, f"{len(points)} points"
    array = np.asarray(points, dtype=np.float64)
    step = np.hypot(*(np.roll(array, -1, axis=0) - array).T)
    short = np.flatnonzero(step < EPS_MM)
    if short.size:
        index = int(short[0])
        if index == len(points) - 1:
            return index, "the first point again at the end"
        return index + 1, f"point {index + 2} is point {index + 1} again"
    return None


def crossing(points: Points) -> tuple[int, int, tuple[float, float]] | None:
    """The first two edges that cross or touch, by their first points' indices, and where; None for a simple polygon.

    Edges next to each other may share their one point only. Every edge against all later ones: n squared, in rows of
    numpy; 2,000 points take 0.1 s.
    """
    a = np.asarray(points, dtype=np.float64)
    n = len(a)
    b = np.roll(a, -1, axis=0)
    d = b - a
    for i in range(n - 1):
        last = n - 1 if i == 0 else n  # the last edge is a neighbour of the first
        if _folds_back(d[i], d[i + 1]):
            return i, i + 1, (float(b[i, 0]), float(b[i, 1]))
        others = slice(i + 2, last)
        if i + 2 >= last:
            continue
        hits = np.flatnonzero(_meet(a[i], b[i], a[others], b[others]))
        if hits.size:
            j = i + 2 + int(hits[0])
            return i, j, _meeting_point(a[i], b[i], a[j], b[j])
    if _folds_back(d[n - 1], d[0]):
        return 0, n - 1, (float(a[0, 0]), float(a[0, 1]))
    return None


def is_inside(point: tuple[float, float], polygon: Points) -> bool:
    """Inside or on the edge (to EPS_MM), by counting crossings of a ray to +X."""
    a = np.asarray(polygon, dtype=np.float64)
    b = np.roll(a, -1, axis=0)
    x, y = point
    d = b - a
    t = np.clip(((x - a[:, 0]) * d[:, 0] + (y - a[:, 1]) * d[:, 1]) / np.maximum((d * d).sum(axis=1), EPS_MM**2), 0, 1)
    if np.hypot(a[:, 0] + t * d[:, 0] - x, a[:, 1] + t * d[:, 1] - y).min() <= EPS_MM:
        return True
    spans = (a[:, 1] > y) != (b[:, 1] > y)
    at = a[spans, 0] + (y - a[spans, 1]) * d[spans, 0] / d[spans, 1]
    return bool(np.count_nonzero(at > x) % 2)


def share_a_point(one: Points, other: Points) -> bool:
    """Whether two simple polygons overlap or touch."""
    if is_inside(one[0], other) or is_inside(other[0], one):
        return True
    a, c = np.asarray(one, dtype=np.float64), np.asarray(other, dtype=np.float64)
    b, d = np.roll(a, -1, axis=0), np.roll(c, -1, axis=0)
    return any(bool(_meet(p, q, c, d).any()) for p, q in zip(a, b, strict=True))


def _cross(u: Float, v: Float) -> Float:
    out: Float = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    return out


def _folds_back(u: Float, v: Float) -> bool:
    """The next edge runs back over this one."""
    flat = abs(float(_cross(u, v))) <= EPS_MM * float(np.hypot(*u))
    return flat and float(u @ v) < 0


def _meet(p: Float, q: Float, a: Float, b: Float) -> NDArray[np.bool_]:
    """For each edge a-b: does it share a point with the edge p-q?"""
    side_a, side_b = _cross(q - p, a - p), _cross(q - p, b - p)
    side_p, side_q = _cross(b - a, p - a), _cross(b - a, q - a)
    apart = ((np.minimum(a, b) > np.maximum(p, q)) | (np.maximum(a, b) < np.minimum(p, q))).any(axis=1)
    return ~apart & (side_a * side_b <= 0) & (side_p * side_q <= 0)


def _meeting_point(p: Float, q: Float, a: Float, b: Float) -> tuple[float, float]:
    denominator = float(_cross(q - p, b - a))
    if abs(denominator) < EPS_MM**2:
        return float(a[0]), float(a[1])
    t = min(1.0, max(0.0, float(_cross(a - p, b - a)) / denominator))
    x, y = p + t * (q - p)
    return float(x), float(y)
