"""Taking material off a height field, for the verifier.

Words. A *piece* is a short straight stretch of tip motion (x0, y0, z0, x1, y1, z1). A *pair* is one piece in one
tile of the grid. A *stage* is a cylinder of the tool above its cutting edges: neck, shank, holder.

Goal: the height left at every cell centre after cutters of revolution have moved along all pieces, exactly, in the
order of the program, and what each piece did to each tile. Steps: (1) arcs and helices become chords at most
`chord_mm` off, long lines are cut up; (2) pieces are sorted into tiles; (3) each tile replays its own pieces in
order, so threads never race and the result has the same bits for any number of threads.

A cell at plan distance w from the line of a piece, u along it, is under the cutter for s in [u - a, u + a] with
a = sqrt(R^2 - w^2), cut to [0, L]. The height is the least of z(s) + f(rho) there, in closed form (derived here):
flat f = 0, the end of the window; cone f = c (rho - tip), |s - u| = |m| |w| / sqrt(c^2 - m^2); ball
f = R - sqrt(R^2 - rho^2), |s - u| = |m| sqrt(R^2 - w^2) / sqrt(1 + m^2); m is the slope dz/ds. All are convex in s,
so clamping to the window is right.

Cost: about 2 ns for each cell under each piece. Limits: no undercutting cutters.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

FLAT, CONE, BALL = 0, 1, 2
N_STAGES = 3  # neck, shank, holder


@njit(cache=True, nogil=True)
def arc_sweep(kind, sx, sy, ex, ey, cx, cy):
    """Signed turn of an arc (kind 2 clockwise, 3 counter-clockwise), rad; a full turn when it ends where it starts."""
    if sx == ex and sy == ey:
        sweep = 2.0 * math.pi
    else:
        start = math.atan2(sy - cy, sx - cx)
        end = math.atan2(ey - cy, ex - cx)
        sweep = end - start
        if kind == 2:
            sweep = -sweep
        while sweep <= 0.0:
            sweep += 2.0 * math.pi
        while sweep > 2.0 * math.pi:
            sweep -= 2.0 * math.pi
    return -sweep if kind == 2 else sweep


@njit(cache=True, nogil=True)
def n_pieces(kind, start, end, centre, i, chord_mm, longest_mm):
    """How many pieces move i becomes, and its signed turn (0 for lines)."""
    dz = end[i, 2] - start[i, 2]
    if kind[i] < 2:
        length = math.hypot(end[i, 0] - start[i, 0], end[i, 1] - start[i, 1])
        return max(1, math.ceil(length / longest_mm)), 0.0
    sweep = arc_sweep(kind[i], start[i, 0], start[i, 1], end[i, 0], end[i, 1], centre[i, 0], centre[i, 1])
    radius = math.hypot(start[i, 0] - centre[i, 0], start[i, 1] - centre[i, 1])
    step = 0.5
    if radius > chord_mm:
        step = min(step, 2.0 * math.acos(1.0 - chord_mm / radius))
    step = min(step, longest_mm / max(radius, 1e-9))
    if dz != 0.0:
        step = min(step, 0.25)
    return max(1, math.ceil(abs(sweep) / step)), sweep


@njit(cache=True, nogil=True)
def cut_up(kind, start, end, centre, chord_mm, longest_mm):
    """Moves to pieces (m, 6) and the move each came from (m,). Ends of pieces lie on the path."""
    n = len(kind)
    counts = np.empty(n, np.int64)
    total = 0
    for i in range(n):
        k, _ = n_pieces(kind, start, end, centre, i, chord_mm, longest_mm)
        counts[i] = k
        total += k
    pieces = np.empty((total, 6), np.float64)
    owner = np.empty(total, np.int32)
    at = 0
    for i in range(n):
        k, sweep = n_pieces(kind, start, end, centre, i, chord_mm, longest_mm)
        x, y, z = start[i, 0], start[i, 1], start[i, 2]
        a0, r0, r1 = 0.0, 0.0, 0.0
        if kind[i] >= 2:
            a0 = math.atan2(start[i, 1] - centre[i, 1], start[i, 0] - centre[i, 0])
            r0 = math.hypot(start[i, 0] - centre[i, 0], start[i, 1] - centre[i, 1])
            r1 = math.hypot(end[i, 0] - centre[i, 0], end[i, 1] - centre[i, 1])
        for j in range(1, k + 1):
            f = j / k
            if j == k:
                nx, ny, nz = end[i, 0], end[i, 1], end[i, 2]
            elif kind[i] < 2:
                nx = start[i, 0] + f * (end[i, 0] - start[i, 0])
                ny = start[i, 1] + f * (end[i, 1] - start[i, 1])
                nz = start[i, 2] + f * (end[i, 2] - start[i, 2])
            else:
                r = r0 + f * (r1 - r0)
                nx = centre[i, 0] + r * math.cos(a0 + f * sweep)
                ny = centre[i, 1] + r * math.sin(a0 + f * sweep)
                nz = start[i, 2] + f * (end[i, 2] - start[i, 2])
            pieces[at, 0] = x
            pieces[at, 1] = y
            pieces[at, 2] = z
            pieces[at, 3] = nx
            pieces[at, 4] = ny
            pieces[at, 5] = nz
            owner[at] = i
            at += 1
            x, y, z = nx, ny, nz
    return pieces, owner


@njit(cache=True, nogil=True)
def _tile_span(piece, reach, x0, y0, cell, n_rows, n_cols, tile):
    """First and last tile row and column a piece may touch; last < first when it misses the grid."""
    c0 = math.floor((min(piece[0], piece[3]) - reach - x0) / cell)
    c1 = math.ceil((max(piece[0], piece[3]) + reach - x0) / cell)
    r0 = math.floor((min(piece[1], piece[4]) - reach - y0) / cell)
    r1 = math.ceil((max(piece[1], piece[4]) + reach - y0) / cell)
    if c1 < 0 or r1 < 0 or c0 >= n_cols or r0 >= n_rows:
        return 0, -1, 0, -1
    return (max(r0, 0) // tile, min(r1, n_rows - 1) // tile, max(c0, 0) // tile, min(c1, n_cols - 1) // tile)


@njit(cache=True, nogil=True)
def _off_tile(piece, reach, tr, tc, x0, y0, cell, tile):
    """True when the whole tile lies farther than `reach` from the line of the piece (plan)."""
    half = 0.5 * tile * cell
    mx = x0 + tc * tile * cell + half
    my = y0 + tr * tile * cell + half
    dx, dy = piece[3] - piece[0], piece[4] - piece[1]
    length = math.hypot(dx, dy)
    if length == 0.0:
        return False
    w = abs((mx - piece[0]) * dy - (my - piece[1]) * dx) / length
    return w > reach + 1.4142135623730951 * (half + cell)


@njit(cache=True, nogil=True)
def sort_into_tiles(pieces, reach, wanted, x0, y0, cell, n_rows, n_cols, tile):
    """Pairs by tile: `first` (tiles + 1,) and the piece of each pair, in program order inside a tile.

    `reach` (m,) is the largest radius that may meet stock, `wanted` (m,) False for pieces above everything.
    """
    t_rows = (n_rows + tile - 1) // tile
    t_cols = (n_cols + tile - 1) // tile
    first = np.zeros(t_rows * t_cols + 1, np.int64)
    for turn in range(2):
        if turn == 1:
            for t in range(t_rows * t_cols):
                first[t + 1] += first[t]
            pair_piece = np.empty(first[t_rows * t_cols], np.int64)
            fill = first[:-1].copy()
        for i in range(len(pieces)):
            if not wanted[i]:
                continue
            ra, rb, ca, cb = _tile_span(pieces[i], reach[i], x0, y0, cell, n_rows, n_cols, tile)
            for tr in range(ra, rb + 1):
                for tc in range(ca, cb + 1):
                    if (ra != rb and ca != cb) and _off_tile(pieces[i], reach[i], tr, tc, x0, y0, cell, tile):
                        continue
                    t = tr * t_cols + tc
                    if turn == 0:
                        first[t + 1] += 1
                    else:
                        pair_piece[fill[t]] = i
                        fill[t] += 1
    return first, pair_piece


@njit(cache=True, nogil=True)
def row_span(x0, y0, x1, y1, r, y):
    """Where the row at height y meets the stadium of radius r round the segment: (low x, high x), low > high: not."""
    low, high = 1.0, -1.0
    found = False
    for k in range(2):
        cx = x0 if k == 0 else x1
        cy = y0 if k == 0 else y1
        d = y - cy
        if abs(d) <= r:
            h = math.sqrt(r * r - d * d)
            if not found:
                low, high = cx - h, cx + h
                found = True
            else:
                low, high = min(low, cx - h), max(high, cx + h)
    dx, dy = x1 - x0, y1 - y0
    length = math.hypot(dx, dy)
    if length > 0.0 and dy != 0.0:
        nx, ny = -dy / length * r, dx / length * r
        for k in range(2):  # the two long sides; the short ones lie inside the discs
            sign = 1.0 if k == 0 else -1.0
            ax, ay = x0 + sign * nx, y0 + sign * ny
            f = (y - ay) / dy
            if 0.0 <= f <= 1.0:
                x = ax + f * dx
                if not found:
                    low, high = x, x
                    found = True
                else:
                    low, high = min(low, x), max(high, x)
    return low, high


@njit(cache=True, nogil=True)
def swept_height(px, py, x0, y0, z0, x1, y1, z1, shape, r, tip, c):
    """Height of the swept cutter's underside at plan point (px, py), mm; inf when the point is not under it."""
    dx, dy = x1 - x0, y1 - y0
    length = math.hypot(dx, dy)
    qx, qy = px - x0, py - y0
    if length < 1e-9:
        rho = math.hypot(qx, qy)
        if rho > r:
            return math.inf
        z = min(z0, z1)
        if shape == FLAT:
            return z
        if shape == CONE:
            return z + max(0.0, c * (rho - tip))
        return z + r - math.sqrt(max(0.0, r * r - rho * rho))
    u = (qx * dx + qy * dy) / length
    w = (qy * dx - qx * dy) / length
    a2 = r * r - w * w
    if a2 < 0.0:
        return math.inf
    a = math.sqrt(a2)
    low = max(0.0, u - a)
    high = min(length, u + a)
    if low > high:
        return math.inf
    m = (z1 - z0) / length
    if shape == FLAT:
        return z0 + m * (high if m < 0.0 else low)
    if shape == CONE:
        v = math.inf if c <= abs(m) else abs(m) * abs(w) / math.sqrt(c * c - m * m)
        if abs(w) < tip and m != 0.0:
            v = max(v, math.sqrt(tip * tip - w * w))
    else:
        v = abs(m) * a / math.sqrt(1.0 + m * m)
    s = u - v if m > 0.0 else u + v
    if m == 0.0:
        s = u
    s = min(max(s, low), high)
    rho = math.sqrt((s - u) * (s - u) + w * w)
    if shape == CONE:
        return z0 + m * s + max(0.0, c * (rho - tip))
    return z0 + m * s + r - math.sqrt(max(0.0, r * r - rho * rho))


@njit(cache=True, nogil=True)
def lower_tiles(
    z, x0, y0, cell, tile, tiles, first, pair_piece, pieces, cutter, shrink, shape, radius, tip, slope, stage_z,
    stage_r, flute, pair_sum, pair_deep, pair_cell, pair_low, pair_stage, pair_stage_cell, pair_over,
):  # fmt: skip
    """Replay each tile's pairs in order on z (rows = y, cols = x), in place.

    cutter (m,) indexes the cutter tables; shrink (m,) is taken off every radius (rapids: so that noise at an edge
    just cut is no contact). stage_z, stage_r (cutters, 3): lower end above the tip and radius of neck, shank, holder.
    Per pair: pair_sum of lowering over cells (mm), pair_deep largest lowering and pair_cell where (flat index),
    pair_low the lowest height it set, pair_stage the largest overlap of a stage with stock and pair_stage_cell where
    (flat index * 3 + stage), pair_over how far stock under the cutter stood above its flutes.
    """
    n_rows, n_cols = z.shape
    t_cols = (n_cols + tile - 1) // tile
    for ti in range(len(tiles)):
        t = tiles[ti]
        ra, ca = (t // t_cols) * tile, (t % t_cols) * tile
        rb, cb = min(ra + tile, n_rows), min(ca + tile, n_cols)
        top = -math.inf
        for i in range(ra, rb):
            for j in range(ca, cb):
                if z[i, j] > top:
                    top = z[i, j]
        for p in range(first[t], first[t + 1]):
            k = pair_piece[p]
            g = cutter[k]
            ax, ay, az = pieces[k, 0], pieces[k, 1], pieces[k, 2]
            bx, by, bz = pieces[k, 3], pieces[k, 4], pieces[k, 5]
            zmin = min(az, bz)
            pair_low[p] = math.inf
            if zmin >= top:
                continue
            for stage in range(N_STAGES):
                zs = zmin + stage_z[g, stage]
                if zs >= top:
                    continue
                r = stage_r[g, stage] - shrink[k]
                if r <= 0.0:
                    continue
                i0 = max(ra, math.ceil((min(ay, by) - r - y0) / cell))
                i1 = min(rb - 1, math.floor((max(ay, by) + r - y0) / cell))
                for i in range(i0, i1 + 1):
                    y = y0 + i * cell
                    lo, hi = row_span(ax, ay, bx, by, r, y)
                    j0 = max(ca, math.ceil((lo - x0) / cell))
                    j1 = min(cb - 1, math.floor((hi - x0) / cell))
                    for j in range(j0, j1 + 1):
                        if z[i, j] <= zs:
                            continue
                        under = swept_height(x0 + j * cell, y, ax, ay, az, bx, by, bz, FLAT, r, 0.0, 0.0)
                        over = z[i, j] - (under + stage_z[g, stage])
                        if over > pair_stage[p]:
                            pair_stage[p] = over
                            pair_stage_cell[p] = (i * n_cols + j) * N_STAGES + stage
            r = radius[g] - shrink[k]
            kind = shape[g]
            level = kind == FLAT and (az == bz or (ax == bx and ay == by))
            if r <= 0.0:
                continue
            i0 = max(ra, math.ceil((min(ay, by) - r - y0) / cell))
            i1 = min(rb - 1, math.floor((max(ay, by) + r - y0) / cell))
            total, deep, where, low, above = 0.0, 0.0, 0, math.inf, 0.0
            for i in range(i0, i1 + 1):
                y = y0 + i * cell
                lo, hi = row_span(ax, ay, bx, by, r, y)
                j0 = max(ca, math.ceil((lo - x0) / cell))
                j1 = min(cb - 1, math.floor((hi - x0) / cell))
                row = z[i]
                for j in range(j0, j1 + 1):
                    old = row[j]
                    if old <= zmin:
                        continue
                    new = zmin
                    if not level:
                        new = swept_height(x0 + j * cell, y, ax, ay, az, bx, by, bz, kind, r, tip[g], slope[g])
                    new32 = np.float32(new)
                    if new32 < old:
                        row[j] = new32
                        fall = float(old) - float(new32)
                        total += fall
                        if fall > deep:
                            deep, where = fall, i * n_cols + j
                        if new < low:
                            low = new
                        # A plunging piece meets stock from above: the flutes reach flute[g] over the tip there.
                        if float(old) - new - flute[g] > above:
                            above = float(old) - new - flute[g]
            pair_sum[p] = total
            pair_deep[p] = deep
            pair_cell[p] = where
            pair_low[p] = low
            pair_over[p] = above


@njit(cache=True, nogil=True)
def fill_polygon(inside, polygon, x0, y0, cell):
    """Set inside[row, col] where the cell centre lies in the polygon (n, 2), even-odd. In place."""
    n_rows, n_cols = inside.shape
    n = len(polygon)
    cross = np.empty(n, np.float64)
    for i in range(n_rows):
        y = y0 + i * cell
        k = 0
        for a in range(n):
            b = a + 1 if a + 1 < n else 0
            ya, yb = polygon[a, 1], polygon[b, 1]
            if (ya <= y) != (yb <= y):
                cross[k] = polygon[a, 0] + (y - ya) / (yb - ya) * (polygon[b, 0] - polygon[a, 0])
                k += 1
        cross[:k].sort()
        for c in range(0, k - 1, 2):
            j0 = max(0, math.ceil((cross[c] - x0) / cell))
            j1 = min(n_cols - 1, math.floor((cross[c + 1] - x0) / cell))
            for j in range(j0, j1 + 1):
                inside[i, j] = True


@njit(cache=True, nogil=True)
def first_below(px, py, limit, pieces, cutter, shape, radius, tip, slope):
    """Index of the first piece that takes plan point (px, py) below `limit`, -1 when none does."""
    for k in range(len(pieces)):
        g = cutter[k]
        if g < 0 or min(pieces[k, 2], pieces[k, 5]) >= limit:
            continue
        r = radius[g]
        if px < min(pieces[k, 0], pieces[k, 3]) - r or px > max(pieces[k, 0], pieces[k, 3]) + r:
            continue
        if py < min(pieces[k, 1], pieces[k, 4]) - r or py > max(pieces[k, 1], pieces[k, 4]) + r:
            continue
        z = swept_height(
            px, py, pieces[k, 0], pieces[k, 1], pieces[k, 2], pieces[k, 3], pieces[k, 4], pieces[k, 5], shape[g], r,
            tip[g], slope[g],
        )  # fmt: skip
        if z < limit:
            return k
    return -1
