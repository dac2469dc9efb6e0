"""The hold move by move, for the verifier: which moves come near a piece, and over which edge each would tip a body."""

import math

import numpy as np
from numba import njit

_TINY = 1e-9  # N or N mm: a smaller push or moment is none


@njit(cache=True, nogil=True)
def passes(which, kind, start, end, centre, mask_of, masks, x0, y0, cell):
    """(len(which),) of bool: the cutter's axis passes over a cell of its mask on that move.

    `masks` (k, rows, cols) of bool, `mask_of` (n moves,) names the mask of each move's cutter. Moves are lines (kind 0,
    1), arcs clockwise (2) or counter-clockwise (3); plan view, looked at twice in a cell.
    """
    out = np.zeros(len(which), dtype=np.bool_)
    n_rows, n_cols = masks.shape[1:]
    low_y, high_y, low_x, high_x = y0 - cell, y0 + n_rows * cell, x0 - cell, x0 + n_cols * cell
    for k in range(len(which)):
        i = which[k]
        sx, sy, ex, ey = start[i, 0], start[i, 1], end[i, 0], end[i, 1]
        is_arc = kind[i] >= 2
        radius, at, sweep, far = 0.0, 0.0, 0.0, 0.0
        if is_arc:
            radius = math.hypot(sx - centre[i, 0], sy - centre[i, 1])
            far = 2.0 * radius
        if min(sx, ex) - far > high_x or max(sx, ex) + far < low_x:
            continue
        if min(sy, ey) - far > high_y or max(sy, ey) + far < low_y:
            continue
        if is_arc:
            at = math.atan2(sy - centre[i, 1], sx - centre[i, 0])
            sweep = math.atan2(ey - centre[i, 1], ex - centre[i, 0]) - at
            if kind[i] == 3 and sweep <= 1e-9:
                sweep += 2.0 * math.pi
            elif kind[i] == 2 and sweep >= -1e-9:
                sweep -= 2.0 * math.pi
            length = abs(sweep) * radius
        else:
            length = math.hypot(ex - sx, ey - sy)
        steps = max(1, math.ceil(2.0 * length / cell))
        for step in range(steps + 1):
            t = step / steps
            if is_arc:
                x = centre[i, 0] + radius * math.cos(at + t * sweep)
                y = centre[i, 1] + radius * math.sin(at + t * sweep)
            else:
                x, y = sx + t * (ex - sx), sy + t * (ey - sy)
            row, col = math.floor((y - y0) / cell + 0.5), math.floor((x - x0) / cell + 0.5)
            if 0 <= row < n_rows and 0 <= col < n_cols and masks[mask_of[i], row, col]:
                out[k] = True
                break
    return out


@njit(cache=True, nogil=True)
def tips(upset, lift, which, start, end, pull, per_kpa, skin, left, inward, offset, lever, across, target):
    """For each move the edge over which the body tips first: moment that holds, moment that pushes (N mm), and the
    vacuum (kPa) at which every edge holds `target` times the push.

    Beside `which` (m,): `upset` plan force x height, `lift`, `pull` of the vacuum (N), `per_kpa` pull for each kPa,
    `left` of the skin (0 to 1). Edges (e,): `inward` normals, `offset`, `lever` of the pull, width `across`, `skin` the
    moment (N mm) that all of the skin bears. An arm of the lift is the greatest of both ends of the move, from 0 to
    `across`.
    """
    m = len(which)
    holds, moments, least = np.full(m, np.inf), np.zeros(m), np.zeros(m)
    for k in range(m):
        i = which[k]
        factor = np.inf
        for e in range(len(lever)):
            moment = upset[k]
            if lift[k] > 0.0:
                arm = max(
                    inward[e, 0] * start[i, 0] + inward[e, 1] * start[i, 1],
                    inward[e, 0] * end[i, 0] + inward[e, 1] * end[i, 1],
                )
                moment += lift[k] * min(max(arm - offset[e], 0.0), across[e])
            if moment <= _TINY:
                continue
            against = pull[k] * lever[e] + skin[e] * left[k]
            if against / moment < factor:
                factor = against / moment
                holds[k], moments[k] = against, moment
            lacking = target * moment - skin[e] * left[k]
            if lacking > 0.0:
                need = per_kpa[k] * lever[e]
                least[k] = max(least[k], lacking / need if need > 0.0 else np.inf)
    return holds, moments, least


@njit(cache=True, nogil=True)
def hull(points, least):
    """Corners (k, 2) of the convex hull, counter-clockwise, of points (n, 2) in order of x, then y: Andrew's chain
    (from memory). A corner is left out when twice the triangle with its neighbours is no more than `least`."""
    n = len(points)
    out = np.empty((2 * n, 2), dtype=np.float64)
    size = 0
    for half in range(2):
        base = size
        for i in range(n):
            x, y = points[i if half == 0 else n - 1 - i]
            while size > base + 1:
                ax, ay = out[size - 2]
                bx, by = out[size - 1]
                if (bx - ax) * (y - ay) - (by - ay) * (x - ax) > least:
                    break
                size -= 1
            out[size, 0], out[size, 1] = x, y
            size += 1
        size -= 1  # the last is the first of the other half
    return out[:size].copy()
