"""Greedy fit of lines and arcs to a chain of points.

Goal: few moves that stay within a tolerance of a polyline whose points were sampled finely from lines and arcs.

Steps. (1) An edge that turns at both ends by more than a smooth curve of its length could is a true line and is kept
as it is: this keeps tangent joints of long lines and arcs exact. (2) Between such edges the longest line or arc that
starts at the current point and ends on a later point is taken, and so on. The arc passes through both end points;
its centre height h over the chord is the linear least-squares solution of u^2 + v^2 - c u - 2 v h = 0 over the points
between (u along the chord of length c, v to its left). Vertices and edge midpoints must all lie within the tolerance.

Cost is quadratic in the points of one arc. Source: worked out for this project; the circle equation is elementary.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

LARGEST_RADIUS_MM = 5000.0  # flatter than this is a line; the text of a program could not hold the centre well


@njit(cache=True)
def _line_reaches(p: Any, i: int, j: int, tol: float) -> Any:
    """True when all points between i and j lie within tol of the chord, in order."""
    dx, dy = p[j, 0] - p[i, 0], p[j, 1] - p[i, 1]
    c = math.sqrt(dx * dx + dy * dy)
    if c == 0.0:
        return False
    last = 0.0
    for k in range(i + 1, j):
        qx, qy = p[k, 0] - p[i, 0], p[k, 1] - p[i, 1]
        along = (qx * dx + qy * dy) / c
        if along < last or along > c:
            return False
        last = along
        if abs(qx * dy - qy * dx) > tol * c:
            return False
    return True


@njit(cache=True)
def _arc_through(p: Any, i: int, j: int, tol: float, largest_sweep: float) -> Any:
    """The bulge of the arc from point i to point j near all points between; 0.0 when there is none."""
    dx, dy = p[j, 0] - p[i, 0], p[j, 1] - p[i, 1]
    c = math.sqrt(dx * dx + dy * dy)
    if c < 1e-6:
        return 0.0
    dx /= c
    dy /= c
    vv = 0.0
    vf = 0.0
    v_sum = 0.0
    for k in range(i + 1, j):
        qx, qy = p[k, 0] - p[i, 0], p[k, 1] - p[i, 1]
        u = qx * dx + qy * dy
        v = qy * dx - qx * dy
        vv += v * v
        vf += v * (u * u + v * v - c * u)
        v_sum += v
    if vv < 1e-16:
        return 0.0
    h = vf / (2.0 * vv)
    radius = math.sqrt(0.25 * c * c + h * h)
    if radius > LARGEST_RADIUS_MM:
        return 0.0
    ccw = v_sum < 0.0
    half = math.atan2(0.5 * c, h if ccw else -h)
    if 2.0 * half > largest_sweep:
        return 0.0
    cx = p[i, 0] + 0.5 * c * dx - h * dy
    cy = p[i, 1] + 0.5 * c * dy + h * dx
    length = 0.0
    for k in range(i, j):
        ex, ey = p[k + 1, 0] - p[k, 0], p[k + 1, 1] - p[k, 1]
        length += math.sqrt(ex * ex + ey * ey)
        mx, my = p[k, 0] + 0.5 * ex - cx, p[k, 1] + 0.5 * ey - cy
        if abs(math.sqrt(mx * mx + my * my) - radius) > tol:
            return 0.0
        qx, qy = p[k + 1, 0] - cx, p[k + 1, 1] - cy
        if abs(math.sqrt(qx * qx + qy * qy) - radius) > tol:
            return 0.0
        turning = (qx - ex) * qy - (qy - ey) * qx  # positive when the edge runs counter-clockwise round the centre
        if (turning < 0.0) == ccw:
            return 0.0
    if abs(length - 2.0 * half * radius) > 0.02 * length + tol:
        return 0.0
    bulge = math.tan(0.5 * half)
    return bulge if ccw else -bulge


@njit(cache=True)
def fit_chain(p: Any, tol: float, largest_sweep: float, closed: bool) -> Any:
    """Lines and arcs along the chain of points p (n, 2); a closed chain repeats its first point at the end.

    Returns (m, 2): index of the point where each piece ends, and its bulge (tan of a quarter of the sweep, 0 a line).
    mm, rad.
    """
    n = len(p)
    is_line = np.zeros(n, dtype=np.bool_)
    turn = np.full(n, math.pi)
    for k in range(n):
        if (k == 0 or k == n - 1) and not closed:
            continue
        before = k - 1 if k > 0 else n - 2
        after = k + 1 if k < n - 1 else 1
        ax, ay = p[k, 0] - p[before, 0], p[k, 1] - p[before, 1]
        bx, by = p[after, 0] - p[k, 0], p[after, 1] - p[k, 1]
        turn[k] = abs(math.atan2(ax * by - ay * bx, ax * bx + ay * by))
    for k in range(n - 1):
        ex, ey = p[k + 1, 0] - p[k, 0], p[k + 1, 1] - p[k, 1]
        # a chord of length L turning by t stands off its arc by L t / 8
        is_line[k] = math.sqrt(ex * ex + ey * ey) * min(turn[k], turn[k + 1]) > 8.0 * 2.0 * tol
    out = np.zeros((n, 2))
    count = 0
    i = 0
    while i < n - 1:
        end, bulge = i + 1, 0.0
        if is_line[i]:
            while end < n - 1 and is_line[end] and _line_reaches(p, i, end + 1, 0.2 * tol):
                end += 1
        else:
            j = i + 2
            while j < n and not is_line[j - 1] and _line_reaches(p, i, j, tol):
                end = j
                j += 1
            j = i + 2
            misses = 0
            while j < n and not is_line[j - 1] and misses < 3:
                found = _arc_through(p, i, j, tol, largest_sweep)
                if found == 0.0:
                    misses += 1
                else:
                    misses = 0
                    if j > end:
                        end, bulge = j, found
                j += 1
        out[count, 0] = end
        out[count, 1] = bulge
        count += 1
        i = end
    return out[:count]
