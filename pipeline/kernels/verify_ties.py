"""What holds together on a grid of square cells, for the verifier's freed pieces.

Goal: for some pieces of the plate, when the last bridge between each and the plate's frame is cut. Steps: cells come
back to life in the order opposite to that in which they were cut, the last cut first; a union-find joins each to its
living neighbours; the moment a piece meets the frame is the time of the cell that joined them. That is the maximin
path: over all ways from piece to frame the greatest of the least times on the way. Only cells that share an edge are
neighbours: two that meet in a corner with the other two cut away are joined by a point, which holds nothing.
"""

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def _root(parent, k):
    """The set's root; the way there is halved."""
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@njit(cache=True, nogil=True)
def label(mask):
    """(rows, cols) of bool -> labels of cells joined edge to edge, 0 up in order of their first cell; -1 elsewhere."""
    n_rows, n_cols = mask.shape
    parent = np.arange(n_rows * n_cols).astype(np.int32)
    for row in range(n_rows):
        for col in range(n_cols):
            if not mask[row, col]:
                continue
            here = row * n_cols + col
            for other in (here - n_cols if row > 0 else -1, here - 1 if col > 0 else -1):
                if other >= 0 and mask[other // n_cols, other % n_cols]:
                    a, b = _root(parent, here), _root(parent, other)
                    if a != b:
                        parent[max(a, b)] = min(a, b)
    names = np.full(n_rows * n_cols, -1, dtype=np.int32)
    out = np.full((n_rows, n_cols), -1, dtype=np.int32)
    n = 0
    for row in range(n_rows):
        for col in range(n_cols):
            if mask[row, col]:
                root = _root(parent, row * n_cols + col)
                if names[root] < 0:
                    names[root] = n
                    n += 1
                out[row, col] = names[root]
    return out


@njit(cache=True, nogil=True)
def extents(bodies, n):
    """Of each label: its first flat cell (n,), and its first and last row, first and last column (n, 4)."""
    n_rows, n_cols = bodies.shape
    first = np.full(n, -1, dtype=np.int64)
    box = np.empty((n, 4), dtype=np.int64)
    for row in range(n_rows):
        for col in range(n_cols):
            b = bodies[row, col]
            if b < 0:
                continue
            if first[b] < 0:
                first[b] = row * n_cols + col
                box[b, 0], box[b, 1], box[b, 2], box[b, 3] = row, row, col, col
            box[b, 1] = row
            box[b, 2], box[b, 3] = min(box[b, 2], col), max(box[b, 3], col)
    return first, box


@njit(cache=True, nogil=True)
def join_times(order, times, n_rows, n_cols, goal, seeds):
    """When each seed cell stops being joined to the goal cell: the time of the cell whose cut parts them.

    `order` are flat cells by falling time, `times` (rows * cols,) their times; `seeds` (k,) and `goal` are flat cells
    of the order. Returns (k,); -1 where a seed is never joined to the goal.
    """
    parent = np.arange(n_rows * n_cols).astype(np.int32)
    alive = np.zeros(n_rows * n_cols, dtype=np.bool_)
    size = np.ones(n_rows * n_cols, dtype=np.int32)
    waiting = np.zeros(n_rows * n_cols, dtype=np.int32)  # at a root: seeds in its set
    for k in range(len(seeds)):
        waiting[seeds[k]] += 1
    out = np.full(len(seeds), -1, dtype=np.int64)
    left = len(seeds)
    for i in range(len(order)):
        if left == 0:
            break
        here = order[i]
        alive[here] = True
        row, col = here // n_cols, here % n_cols
        for side in range(4):
            if side == 0 and row > 0:
                other = here - n_cols
            elif side == 1 and row < n_rows - 1:
                other = here + n_cols
            elif side == 2 and col > 0:
                other = here - 1
            elif side == 3 and col < n_cols - 1:
                other = here + 1
            else:
                continue
            if not alive[other]:
                continue
            a, b = _root(parent, here), _root(parent, other)
            if a == b:
                continue
            if size[a] < size[b]:
                a, b = b, a
            parent[b] = a
            size[a] += size[b]
            waiting[a] += waiting[b]
        if waiting[_root(parent, here)] > 0 and alive[goal] and _root(parent, here) == _root(parent, goal):
            for k in range(len(seeds)):
                if out[k] < 0 and alive[seeds[k]] and _root(parent, seeds[k]) == _root(parent, goal):
                    out[k] = times[here]
                    left -= 1
                    waiting[_root(parent, goal)] -= 1
    return out


@njit(cache=True, nogil=True)
def clear_band(mask, polygon, width, x0, y0, cell):
    """Clear the cells whose centre lies nearer than `width` to the closed polygon's edge (n, 2)."""
    n_rows, n_cols = mask.shape
    n = len(polygon)
    for k in range(n):
        ax, ay = polygon[k, 0], polygon[k, 1]
        bx, by = polygon[(k + 1) % n, 0], polygon[(k + 1) % n, 1]
        dx, dy = bx - ax, by - ay
        long2 = dx * dx + dy * dy
        first_row = max(0, math.ceil((min(ay, by) - width - y0) / cell))
        last_row = min(n_rows - 1, math.floor((max(ay, by) + width - y0) / cell))
        first_col = max(0, math.ceil((min(ax, bx) - width - x0) / cell))
        last_col = min(n_cols - 1, math.floor((max(ax, bx) + width - x0) / cell))
        for row in range(first_row, last_row + 1):
            for col in range(first_col, last_col + 1):
                px, py = x0 + col * cell - ax, y0 + row * cell - ay
                t = 0.0
                if long2 > 0.0:
                    t = min(1.0, max(0.0, (px * dx + py * dy) / long2))
                gx, gy = px - t * dx, py - t * dy
                if gx * gx + gy * gy < width * width:
                    mask[row, col] = False


@njit(cache=True, nogil=True)
def widen(rows, cols, reach, n_rows, n_cols):
    """(n_rows, n_cols) of bool: cells within `reach` (in cells) of any of the given cells."""
    out = np.zeros((n_rows, n_cols), dtype=np.bool_)
    for k in range(len(rows)):
        out[rows[k], cols[k]] = True
    body = out.copy()
    far = math.ceil(reach)
    for k in range(len(rows)):
        row, col = rows[k], cols[k]
        is_rim = row == 0 or col == 0 or row == n_rows - 1 or col == n_cols - 1
        if not is_rim and body[row - 1, col] and body[row + 1, col] and body[row, col - 1] and body[row, col + 1]:
            continue  # the cell nearest to anything outside has a side outside
        for i in range(max(0, row - far), min(n_rows, row + far + 1)):
            for j in range(max(0, col - far), min(n_cols, col + far + 1)):
                if (i - row) ** 2 + (j - col) ** 2 <= reach * reach:
                    out[i, j] = True
    return out


@njit(cache=True, nogil=True)
def gaps(rows, cols, down, right, plate, whole):
    """Cells of skin from each given cell (itself included) to the next whole cell, going by (down, right); 0 where the
    way ends at the plate's edge. `whole` are the plate's cells that are never cut down."""
    n_rows, n_cols = plate.shape
    out = np.zeros(len(rows), dtype=np.int64)
    for k in range(len(rows)):
        row, col, n = rows[k], cols[k], 0
        while 0 <= row < n_rows and 0 <= col < n_cols and plate[row, col]:
            if whole[row, col]:
                out[k] = n
                break
            n += 1
            row += down
            col += right
    return out
