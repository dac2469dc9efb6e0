"""What the stock should look like: top heights of meshes on the stock's grid, and windows over such fields.

Words. A *field* is a height per cell centre; rows go with y, columns with x. The *outside* of a part is what can be
reached from the window's border without crossing the part; a hole through a part is not outside.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def raise_to_mesh(top, tris, items, x0, y0, cell):
    """Raise the field `top` to the highest triangle over each cell centre. In place; tris (k, 9), items (n,) which.

    A centre within a tenth of a thousandth of a cell of an edge counts as covered, so neighbours leave no gap.
    """
    n_rows, n_cols = top.shape
    for t in items:
        ax, ay, az = tris[t, 0], tris[t, 1], tris[t, 2]
        bx, by, bz = tris[t, 3], tris[t, 4], tris[t, 5]
        cx, cy, cz = tris[t, 6], tris[t, 7], tris[t, 8]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if abs(area) < 1e-14:
            continue
        slack = 1e-4 * cell
        i0 = max(0, math.ceil((min(ay, by, cy) - slack - y0) / cell))
        i1 = min(n_rows - 1, math.floor((max(ay, by, cy) + slack - y0) / cell))
        sign = 1.0 if area > 0.0 else -1.0
        la = slack * math.hypot(cx - bx, cy - by)
        lb = slack * math.hypot(ax - cx, ay - cy)
        lc = slack * math.hypot(bx - ax, by - ay)
        high = max(az, bz, cz)
        low = min(az, bz, cz)
        for i in range(i0, i1 + 1):
            y = y0 + i * cell
            # Columns where all three edge functions are not negative: each is linear in x along the row.
            xlo, xhi = min(ax, bx, cx) - slack, max(ax, bx, cx) + slack
            for k in range(3):
                if k == 0:
                    px, py, qx, qy, s = bx, by, cx, cy, la
                elif k == 1:
                    px, py, qx, qy, s = cx, cy, ax, ay, lb
                else:
                    px, py, qx, qy, s = ax, ay, bx, by, lc
                # sign * ((qx - px) * (y - py) - (qy - py) * (x - px)) + s >= 0
                rest = sign * ((qx - px) * (y - py) + (qy - py) * px) + s
                g = sign * (qy - py)
                if g > 0.0:
                    xhi = min(xhi, rest / g)
                elif g < 0.0:
                    xlo = max(xlo, rest / g)
                elif rest < 0.0:
                    xlo, xhi = 1.0, -1.0
                    break
            if xlo > xhi:
                continue
            j0 = max(0, math.ceil((xlo - x0) / cell))
            j1 = min(n_cols - 1, math.floor((xhi - x0) / cell))
            for j in range(j0, j1 + 1):
                x = x0 + j * cell
                wb = ((x - ax) * (cy - ay) - (y - ay) * (cx - ax)) / area
                wc = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / area
                h = az + wb * (bz - az) + wc * (cz - az)
                h = min(max(h, low), high)
                if h > top[i, j]:
                    top[i, j] = h


@njit(cache=True, nogil=True)
def flood_outside(solid):
    """Cells reachable from the border through cells that are not solid (4 neighbours)."""
    n_rows, n_cols = solid.shape
    out = np.zeros((n_rows, n_cols), np.bool_)
    stack = np.empty(n_rows * n_cols, np.int64)
    n = 0
    for i in range(n_rows):
        for j in range(n_cols):
            border = i == 0 or j == 0 or i == n_rows - 1 or j == n_cols - 1
            if border and not solid[i, j] and not out[i, j]:
                out[i, j] = True
                stack[n] = i * n_cols + j
                n += 1
    while n > 0:
        n -= 1
        i, j = stack[n] // n_cols, stack[n] % n_cols
        for k in range(4):
            a = i + (1 if k == 0 else -1 if k == 1 else 0)
            b = j + (1 if k == 2 else -1 if k == 3 else 0)
            if 0 <= a < n_rows and 0 <= b < n_cols and not solid[a, b] and not out[a, b]:
                out[a, b] = True
                stack[n] = a * n_cols + b
                n += 1
    return out


@njit(cache=True, nogil=True)
def distance_cells(solid):
    """Distance of each cell to the nearest solid cell, in cells, exact (lower envelope of parabolas).

    Source: Felzenszwalb and Huttenlocher, Distance Transforms of Sampled Functions, 2012 (from memory).
    """
    n_rows, n_cols = solid.shape
    far = 1e12
    d = np.empty((n_rows, n_cols), np.float64)
    for j in range(n_cols):
        run = far
        for i in range(n_rows):
            run = 0.0 if solid[i, j] else run + 1.0
            d[i, j] = run
        run = far
        for i in range(n_rows - 1, -1, -1):
            run = 0.0 if solid[i, j] else run + 1.0
            d[i, j] = min(d[i, j], run)
    at = np.empty(n_cols, np.int64)
    edge = np.empty(n_cols + 1, np.float64)
    row = np.empty(n_cols, np.float64)
    for i in range(n_rows):
        for j in range(n_cols):
            row[j] = min(d[i, j], 1e6) ** 2
        k = 0
        at[0] = 0
        edge[0], edge[1] = -far, far
        for q in range(1, n_cols):
            while True:
                v = at[k]
                s = ((row[q] + q * q) - (row[v] + v * v)) / (2.0 * (q - v))
                if s > edge[k]:
                    break
                k -= 1
            k += 1
            at[k] = q
            edge[k], edge[k + 1] = s, far
        k = 0
        for j in range(n_cols):
            while edge[k + 1] < j:
                k += 1
            d[i, j] = math.sqrt((j - at[k]) ** 2 + row[at[k]])
    return d


@njit(cache=True, nogil=True)
def window_extreme(field, reach, highest):
    """Highest (or lowest) value within `reach` rows and columns of each cell."""
    n_rows, n_cols = field.shape
    across = np.empty_like(field)
    out = np.empty_like(field)
    for i in range(n_rows):
        for j in range(n_cols):
            best = field[i, j]
            for b in range(max(0, j - reach), min(n_cols, j + reach + 1)):
                if (field[i, b] > best) == highest and field[i, b] != best:
                    best = field[i, b]
            across[i, j] = best
    for i in range(n_rows):
        for j in range(n_cols):
            best = across[i, j]
            for a in range(max(0, i - reach), min(n_rows, i + reach + 1)):
                if (across[a, j] > best) == highest and across[a, j] != best:
                    best = across[a, j]
            out[i, j] = best
    return out
