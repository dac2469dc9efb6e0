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
    """(rows, cols) of bool -> labels of cells joined edge to edge, 0 up in order of their first cell; -1 elsewhere.

    With them of each label: its cells (n,), its first flat cell (n,), its first and last row, first and last column
    (n, 4). Cells are taken by runs of a row.
    """
    n_rows, n_cols = mask.shape
    of_row = np.zeros(n_rows + 1, dtype=np.int64)
    for row in range(n_rows):
        n = 0
        for col in range(n_cols):
            if mask[row, col] and (col == 0 or not mask[row, col - 1]):
                n += 1
        of_row[row + 1] = of_row[row] + n
    n_runs = of_row[n_rows]
    first, last = np.empty(n_runs, dtype=np.int64), np.empty(n_runs, dtype=np.int64)  # column behind the last cell
    parent = np.arange(n_runs)
    for row in range(n_rows):
        k = of_row[row]
        for col in range(n_cols):
            if mask[row, col]:
                if col == 0 or not mask[row, col - 1]:
                    first[k] = col
                    k += 1
                last[k - 1] = col + 1
        if row == 0:
            continue
        other = of_row[row - 1]
        for k in range(of_row[row], of_row[row + 1]):
            while other < of_row[row] and last[other] <= first[k]:
                other += 1
            i = other
            while i < of_row[row] and first[i] < last[k]:
                a, b = _root(parent, k), _root(parent, i)
                parent[max(a, b)] = min(a, b)
                i += 1
    names = np.empty(n_runs, dtype=np.int32)
    n = 0
    for k in range(n_runs):  # a set's root is its first run
        if parent[k] == k:
            names[k] = n
            n += 1
        else:
            names[k] = names[_root(parent, k)]
    out = np.full((n_rows, n_cols), -1, dtype=np.int32)
    size, seed, box = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64), np.zeros((n, 4), dtype=np.int64)
    for row in range(n_rows):
        for k in range(of_row[row], of_row[row + 1]):
            b = names[k]
            out[row, first[k] : last[k]] = b
            if size[b] == 0:
                seed[b] = row * n_cols + first[k]
                box[b, 0], box[b, 2], box[b, 3] = row, first[k], last[k] - 1
            size[b] += last[k] - first[k]
            box[b, 1] = row
            box[b, 2], box[b, 3] = min(box[b, 2], first[k]), max(box[b, 3], last[k] - 1)
    return out, size, seed, box


@njit(cache=True, nogil=True)
def _falling(bodies, plate, times):
    """Flat cells of the plate outside the bodies, by falling time, in order of cells where it is the same."""
    n_rows, n_cols = bodies.shape
    high = -1
    for row in range(n_rows):
        for col in range(n_cols):
            if plate[row, col] and bodies[row, col] < 0:
                high = max(high, times[row, col])
    at = np.zeros(high + 3, dtype=np.int64)  # where the cells of the time high - k begin, k from 0
    for row in range(n_rows):
        for col in range(n_cols):
            if plate[row, col] and bodies[row, col] < 0:
                at[high - times[row, col] + 1] += 1
    for k in range(len(at) - 1):
        at[k + 1] += at[k]
    order = np.empty(at[-1], dtype=np.int32)
    for row in range(n_rows):
        for col in range(n_cols):
            if plate[row, col] and bodies[row, col] < 0:
                k = high - times[row, col]
                order[at[k]] = row * n_cols + col
                at[k] += 1
    return order


@njit(cache=True, nogil=True)
def join_times(bodies, n, plate, times, goal, seeds):
    """When each seed cell stops being joined to the goal cell: the time of the cell whose cut parts them.

    `bodies` (rows, cols) are the n labels of the plate's cells that are never cut, -1 elsewhere, `times` (rows, cols)
    when each cell is; `seeds` (k,) and `goal` are flat cells. Returns (k,); -1 where a seed is never joined to the
    goal.
    """
    n_rows, n_cols = bodies.shape
    time_of = times.ravel()
    # a node for each body and then one for each cell: a body's cells are in its set, others not yet back to life: -1
    parent = np.empty(n + n_rows * n_cols, dtype=np.int32)
    parent[:n], parent[n:] = np.arange(n), bodies.ravel()
    size = np.empty(n + n_rows * n_cols, dtype=np.int32)  # at a root: about how many nodes its set has
    size[:n] = 1
    waits = np.zeros(n + n_rows * n_cols, dtype=np.bool_)  # at a root: a seed in its set that has not met the goal
    nodes = n + seeds
    out = np.full(len(seeds), -1, dtype=np.int64)
    left = 0
    for k in range(len(seeds)):
        own = parent[nodes[k]] if parent[nodes[k]] >= 0 else nodes[k]
        if own == parent[n + goal]:
            out[k] = time_of[goal]
        else:
            waits[own] = True
            left += 1
    for here in _falling(bodies, plate, times):
        if left == 0:
            break
        a = n + here  # the root of its set
        parent[a], size[a] = a, 1
        row = here // n_cols
        col = here - row * n_cols
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
            if parent[n + other] < 0 or parent[n + other] == a:
                continue
            b = _root(parent, n + other)
            if a == b:
                continue
            if size[a] < size[b]:
                a, b = b, a
            parent[b] = a
            size[a] += size[b]
            waits[a] |= waits[b]
        if waits[a] and parent[n + goal] >= 0 and a == _root(parent, n + goal):
            for k in range(len(seeds)):
                if out[k] < 0 and parent[nodes[k]] >= 0 and _root(parent, nodes[k]) == a:
                    out[k] = time_of[here]
                    left -= 1
            waits[a] = False
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
    far = math.floor(reach)
    wide = np.zeros(far + 1, dtype=np.int64)  # how far the disc goes to either side, so many rows from its middle
    for i in range(far + 1):
        while i * i + (wide[i] + 1) ** 2 <= reach * reach:
            wide[i] += 1
    for k in range(len(rows)):
        row, col = rows[k], cols[k]
        is_rim = row == 0 or col == 0 or row == n_rows - 1 or col == n_cols - 1
        if not is_rim and body[row - 1, col] and body[row + 1, col] and body[row, col - 1] and body[row, col + 1]:
            continue  # the cell nearest to anything outside has a side outside
        for i in range(max(0, row - far), min(n_rows, row + far + 1)):
            side = wide[abs(i - row)]
            out[i, max(0, col - side) : min(n_cols, col + side + 1)] = True
    return out


@njit(cache=True, nogil=True)
def _gap(row, col, down, right, plate, bodies):
    """Cells of skin from this cell (itself included) to the next of a body, going by (down, right); 0 where the way
    ends at the plate's edge."""
    n_rows, n_cols = plate.shape
    n = 0
    while 0 <= row < n_rows and 0 <= col < n_cols and plate[row, col]:
        if bodies[row, col] >= 0:
            return n
        n += 1
        row += down
        col += right
    return 0


@njit(cache=True, nogil=True)
def skin_edges(bodies, body, own, row0, col0, foot, foot_row, foot_col, plate, tied):
    """The edges of some of a body's cells to cells that are neither the body's nor of the footprint.

    `own` and `foot` are masks of cells whose first is (row0, col0) and (foot_row, foot_col). Returns how many; and of
    those toward skin (k,) the row and column of the skin, the way (down, right) to it, and how many cells the skin
    spans there to the next body, 0 where it ends at the plate's edge. By sides, then cells.
    """
    n_rows, n_cols = bodies.shape
    n_edges, n_skin = 0, 0
    sides = ((1, 0), (-1, 0), (0, 1), (0, -1))
    rows, cols, spans = np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    ways = np.empty((0, 2), dtype=np.int64)
    for is_count in (True, False):
        if not is_count:
            rows, cols, spans = np.empty(n_skin, np.int64), np.empty(n_skin, np.int64), np.empty(n_skin, np.int64)
            ways = np.empty((n_skin, 2), dtype=np.int64)
        n_edges, n_skin = 0, 0
        for down, right in sides:
            for i in range(own.shape[0]):
                for j in range(own.shape[1]):
                    if not own[i, j]:
                        continue
                    row, col = row0 + i + down, col0 + j + right
                    if row < 0 or row >= n_rows or col < 0 or col >= n_cols:
                        n_edges += 1
                        continue
                    if bodies[row, col] == body:
                        continue
                    fi, fj = row - foot_row, col - foot_col
                    if 0 <= fi < foot.shape[0] and 0 <= fj < foot.shape[1] and foot[fi, fj]:
                        continue
                    n_edges += 1
                    if not plate[row, col] or bodies[row, col] >= 0 or tied[row, col] < 0:
                        continue
                    if not is_count:
                        rows[n_skin], cols[n_skin], ways[n_skin, 0], ways[n_skin, 1] = row, col, down, right
                        spans[n_skin] = _gap(row, col, down, right, plate, bodies)
                    n_skin += 1
    return n_edges, rows, cols, ways, spans
