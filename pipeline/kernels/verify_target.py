"""What the stock should look like: top heights of meshes on the stock's grid, and masks over such fields.

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
            if low == high:
                for j in range(j0, j1 + 1):
                    if high > top[i, j]:
                        top[i, j] = high
                continue
            for j in range(j0, j1 + 1):
                if high <= top[i, j]:
                    continue
                x = x0 + j * cell
                wb = ((x - ax) * (cy - ay) - (y - ay) * (cx - ax)) / area
                wc = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / area
                h = az + wb * (bz - az) + wc * (cz - az)
                h = min(max(h, low), high)
                if h > top[i, j]:
                    top[i, j] = h


@njit(cache=True, nogil=True)
def judge_tile(
    z, unit_mm, top, hole, skin, reach, floor_tol, left_tol, k, tied, severed, smax, deep, deep_at, left, left_at,
    left_high, over, tied_at, severed_at,
):  # fmt: skip
    """Compare one tile with its target and thin everything out to coarse cells of k x k.

    z, tied, severed (rows, cols): the stock's height in units of unit_mm, a power of 2, and the moves that took each
    cell to the skin and through it. top (rows + 2 reach, cols + 2 reach): height of the parts, minus infinity where
    there is none; the target there is the skin plane. hole (coarse): True in holes through a part.

    A cell is never judged against its own target alone: a wall that is off by a micron would make it wrong by a whole
    height. So what is under floor_tol and left_tol counts as it is, and what is more counts against the lowest (for too
    deep) or highest (for left) target within `reach` cells; where that holds the skin plane nothing is too deep, the
    skin's own check judges.

    Coarse outputs: smax greatest height; deep, left greatest amounts with the cell in the coarse cell (row * k + col),
    left_at -1 where nothing is judged; left_high the target that left was measured from; over the sum of heights over
    the target (mm); tied_at, severed_at the last of the cells. Most of a plate is no part, so a row of coarse cells is
    first put together line by line, and then only those that hold a part or a hole are looked at cell by cell.
    """
    highest, last_tied, last_severed = np.empty_like(z[0]), np.empty_like(tied[0]), np.empty_like(severed[0])
    part = np.empty_like(top[0])
    for a in range(len(smax)):
        highest[:], part[:], last_tied[:], last_severed[:] = -1, -np.inf, -1, -1
        for i in range(a * k, a * k + k):
            _raise_row(highest, z[i])
            _raise_row(part, top[i + reach])
            _raise_row(last_tied, tied[i])
            _raise_row(last_severed, severed[i])
        for _ in range(k - 1):
            _raise_to_next(highest)
            _raise_to_next(part)
            _raise_to_next(last_tied)
            _raise_to_next(last_severed)
        for b in range(smax.shape[1]):
            smax[a, b] = highest[b * k] * unit_mm
            tied_at[a, b], severed_at[a, b] = last_tied[b * k], last_severed[b * k]
            if part[b * k + reach] == -np.inf and not hole[a, b]:
                continue
            deepest, most_left = np.float32(0.0), np.float32(0.0)
            deepest_at, most_left_at, left_from, sum_over = -1, -1, 0.0, np.float32(0.0)
            for i in range(a * k, a * k + k):
                for j in range(b * k, b * k + k):
                    t = np.float64(top[i + reach, j + reach])
                    solid = t > -np.inf
                    if not solid:
                        if not hole[a, b]:
                            continue
                        t = skin
                    s = z[i, j] * unit_mm
                    d = t - s
                    if solid:
                        if d > floor_tol:
                            least = t
                            for p in range(i, i + 2 * reach + 1):
                                for q in range(j, j + 2 * reach + 1):
                                    if top[p, q] < least:
                                        least = np.float64(top[p, q])
                            d = least - s if least > skin else 0.0
                        if d > deepest:
                            deepest = np.float32(d)
                            deepest_at = (i - a * k) * k + j - b * k
                    d = s - t
                    if d > 0.0:
                        sum_over = np.float32(sum_over + d)
                    if d > left_tol:
                        most = t
                        for p in range(i, i + 2 * reach + 1):
                            for q in range(j, j + 2 * reach + 1):
                                if top[p, q] > most:
                                    most = np.float64(top[p, q])
                        d = s - most
                        t = most
                    if d > most_left or most_left_at < 0:
                        most_left = np.float32(max(d, 0.0))
                        most_left_at = (i - a * k) * k + j - b * k
                        left_from = t
            deep[a, b], deep_at[a, b], over[a, b] = deepest, deepest_at, sum_over
            left[a, b], left_at[a, b], left_high[a, b] = most_left, most_left_at, left_from


@njit(cache=True, nogil=True)
def _raise_row(row, other):
    for j in range(len(row)):
        row[j] = max(row[j], other[j])


@njit(cache=True, nogil=True)
def _raise_to_next(row):
    for j in range(len(row) - 1):
        row[j] = max(row[j], row[j + 1])


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
def nearest_part(row, col, windows, first, outside, near):
    """Index of the part nearest to a cell, -1 when none is nearer than `near` cells; of equals the first.

    windows (n, 4): first and last row, first and last column of each part's cells in `outside`, which begin at first
    (n,) there; a cell that is not outside is the part's.
    """
    found, best = -1, near * near
    for p in range(len(windows)):
        r0, r1, c0, c1 = windows[p, 0], windows[p, 1], windows[p, 2], windows[p, 3]
        beside = max(0, c0 - col, col - c1 + 1)
        if r0 == r1 or c0 == c1:
            continue
        # Rows from the nearest on: up, then down.
        middle = min(max(row, r0), r1 - 1)
        for k in range(r1 - r0):
            i = middle + k if k < r1 - middle else r1 - 1 - k
            across = (i - row) * (i - row)
            if across + beside * beside >= best:
                if k < r1 - middle:
                    continue
                break
            reach = math.floor(math.sqrt(best - across))
            at = first[p] + (i - r0) * (c1 - c0) - c0
            for j in range(max(c0, col - reach), min(c1, col + reach + 1)):
                d = across + (j - col) * (j - col)
                if d < best and not outside[at + j]:
                    found, best = p, np.float64(d)
    return found


@njit(cache=True, nogil=True)
def grown(mask, reach):
    """Cells within `reach` rows and columns of one that is set."""
    n_rows, n_cols = mask.shape
    across = mask.copy()
    for i in range(n_rows):
        row, line = across[i], mask[i]
        for o in range(1, reach + 1):
            for j in range(n_cols - o):
                row[j] = row[j] | line[j + o]
            for j in range(n_cols - o):
                row[j + o] = row[j + o] | line[j]
    out = across.copy()
    for i in range(n_rows):
        row = out[i]
        for a in range(max(0, i - reach), min(n_rows, i + reach + 1)):
            line = across[a]
            for j in range(n_cols):
                row[j] = row[j] | line[j]
    return out
