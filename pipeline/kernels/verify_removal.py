"""Taking material off a height field, tile by tile, for the verifier.

Words. A *piece* is a short straight stretch of tip motion (x0, y0, z0, x1, y1, z1). A *pair* is one piece in one
tile of the grid. A *stage* is a cylinder of the tool above its cutting edges: neck, shank, holder. A *coarse cell* is a
square of k x k cells.

Goal: the height left at every cell centre after cutters of revolution have moved along all pieces, exactly, in the
order of the program, and what each piece did and met. Steps: (1) arcs and helices become chords at most `chord_mm` off,
long lines are cut up; (2) pieces are sorted into tiles; (3) each tile is filled, cut by its own pieces in order, looked
at and thrown away, so threads never race, the result has the same bits for any number of threads, and memory does not
grow with the cells.

A cell at plan distance w from the line of a piece, u along it, is under the cutter for s in [u - a, u + a] with
a = sqrt(R^2 - w^2), cut to [0, L]. The height is the least of z(s) + f(rho) there, in closed form (derived here):
flat f = 0, the end of the window; cone f = c (rho - tip), |s - u| = |m| |w| / sqrt(c^2 - m^2); ball
f = R - sqrt(R^2 - rho^2), |s - u| = |m| sqrt(R^2 - w^2) / sqrt(1 + m^2); m is the slope dz/ds. All are convex in s,
so clamping to the window is right. A flat end mill with a corner radius takes f = 0 to R - q and a ball of q beyond.

Heights in the field are int32 in units of 1 / UNITS mm, about a nanometre, rounded down.

Where a piece begins where the one before it ended, the start disc is cut already: only what is new is visited.

Cost: about 1 ns for each cell newly under a piece. Limits: no undercutting cutters. Square roots are the
only functions: interpreted and compiled code give the same bits.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

FLAT, CONE, BALL, ROUNDED = 0, 1, 2, 3
N_STAGES = 3  # neck, shank, holder
NEVER = 2**31 - 1
UNITS = 1 << 20  # heights of the field are whole numbers of this part of a mm: sums of them do not depend on an order
STRIDE = 16  # rows: whole vectors, what is worked out beyond the last row is not used
N_HALVINGS = 40  # of a piece, for the lowest place of a rounded cutter
MOST_HALVINGS = 13  # of an arc, and
MOST_PIECES = 8192  # of a line: only one far larger than any machine needs more


@njit(cache=True, nogil=True)
def _between(ax, ay, bx, by, is_major):
    """The direction half way from unit vector a counter-clockwise to unit vector b."""
    dot = ax * bx + ay * by
    if dot > 0.0:
        mx, my = ax + bx, ay + by
        if is_major:
            mx, my = -mx, -my
    else:
        mx, my = by - ay, ax - bx
    size = math.sqrt(mx * mx + my * my)
    return mx / size, my / size


@njit(cache=True, nogil=True)
def _halvings(radius, half_cosine, rises, chord_mm, longest_mm):
    """How often half an arc, whose cosine is given, must be halved further: chords no farther off than `chord_mm`,
    no longer than `longest_mm`, and no more than about half a radian, a quarter on a helix."""
    widest = 0.9689 if rises else 0.8776
    c, n = half_cosine, 0
    while n < MOST_HALVINGS and (
        c < widest
        or radius * (1.0 - math.sqrt(0.5 * (1.0 + c))) > chord_mm
        or radius * math.sqrt(2.0 * (1.0 - c)) > longest_mm
    ):
        c = math.sqrt(0.5 * (1.0 + c))
        n += 1
    return n


@njit(cache=True, nogil=True)
def _arc(kind, start, end, centre, i):
    """Unit vectors from an arc's centre to its ends, mirrored where it runs clockwise, both radii, whether it turns
    more than half, whether it is a full turn (as when it ends where it starts), and the cosine of half its turn."""
    ax, ay = start[i, 0] - centre[i, 0], start[i, 1] - centre[i, 1]
    bx, by = end[i, 0] - centre[i, 0], end[i, 1] - centre[i, 1]
    ra, rb = math.sqrt(ax * ax + ay * ay), math.sqrt(bx * bx + by * by)
    if ra == 0.0 or rb == 0.0:
        return 1.0, 0.0, 1.0, 0.0, ra, rb, False, False, 1.0
    ax, ay, bx, by = ax / ra, ay / ra, bx / rb, by / rb
    if kind[i] == 2:
        ay, by = -ay, -by
    cross, dot = ax * by - ay * bx, ax * bx + ay * by
    is_full = (start[i, 0] == end[i, 0] and start[i, 1] == end[i, 1]) or (cross == 0.0 and dot > 0.0)
    is_major = cross < 0.0
    half = math.sqrt(max(0.0, 0.5 * (1.0 + dot)))
    if is_full:
        half = -1.0
    elif is_major:
        half = -half
    return ax, ay, bx, by, ra, rb, is_major, is_full, half


@njit(cache=True, nogil=True)
def cut_up(kind, start, end, centre, chord_mm, longest_mm, long_above_mm):
    """Moves to pieces (m, 6) and the move each came from (m,). Ends of pieces lie on the path.

    Straight moves that stay at or above `long_above_mm` are not cut up. Arcs are halved again and again, so that square
    roots are enough.
    """
    n = len(kind)
    counts = np.empty(n, np.int64)
    total = 0
    for i in range(n):
        if kind[i] < 2:
            dx, dy = end[i, 0] - start[i, 0], end[i, 1] - start[i, 1]
            k = 1
            if min(start[i, 2], end[i, 2]) < long_above_mm:
                k = max(1, min(MOST_PIECES, math.ceil(math.sqrt(dx * dx + dy * dy) / longest_mm)))
        else:
            _, _, _, _, radius, _, _, _, half = _arc(kind, start, end, centre, i)
            k = 2 * 2 ** _halvings(radius, half, start[i, 2] != end[i, 2], chord_mm, longest_mm)
        counts[i] = k
        total += k
    pieces = np.empty((total, 6), np.float64)
    owner = np.empty(total, np.int32)
    way = np.empty((2, 2), np.float64)
    at = 0
    for i in range(n):
        k = counts[i]
        r0, r1 = 0.0, 0.0
        if kind[i] >= 2:
            ax, ay, bx, by, r0, r1, is_major, is_full, _ = _arc(kind, start, end, centre, i)
            if len(way) < k + 1:
                way = np.empty((k + 1, 2), np.float64)
            way[0, 0], way[0, 1], way[k, 0], way[k, 1] = ax, ay, bx, by
            if is_full:
                way[k // 2, 0], way[k // 2, 1] = -ax, -ay
            else:
                way[k // 2, 0], way[k // 2, 1] = _between(ax, ay, bx, by, is_major)
            step = k // 2
            while step > 1:
                for j in range(0, k, step):
                    way[j + step // 2, 0], way[j + step // 2, 1] = _between(
                        way[j, 0], way[j, 1], way[j + step, 0], way[j + step, 1], False
                    )  # fmt: skip
                step //= 2
        turn = -1.0 if kind[i] == 2 else 1.0
        x, y, z = start[i, 0], start[i, 1], start[i, 2]
        for j in range(1, k + 1):
            f = j / k
            if j == k:
                nx, ny, nz = end[i, 0], end[i, 1], end[i, 2]
            else:
                nz = start[i, 2] + f * (end[i, 2] - start[i, 2])
                if kind[i] < 2:
                    nx = start[i, 0] + f * (end[i, 0] - start[i, 0])
                    ny = start[i, 1] + f * (end[i, 1] - start[i, 1])
                else:
                    r = r0 + f * (r1 - r0)
                    nx = centre[i, 0] + r * way[j, 0]
                    ny = centre[i, 1] + r * turn * way[j, 1]
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
def dog_legs(kind, start, end):
    """Rapids as a control makes them that runs every axis at one speed until it is there: pieces (m, 6), move (m,).

    Only rapids whose bent way differs from the straight one.
    """
    pieces = np.empty((3 * len(kind), 6), np.float64)
    owner = np.empty(3 * len(kind), np.int32)
    at = 0
    for i in range(len(kind)):
        if kind[i] != 0:
            continue
        far = np.empty(3, np.float64)
        for a in range(3):
            far[a] = abs(end[i, a] - start[i, a])
        longest = max(far[0], far[1], far[2])
        n_between = 0
        for a in range(3):
            if 0.0 < far[a] < longest:
                n_between += 1
        if n_between == 0:
            continue
        gone = 0.0
        while gone < longest:
            reach = longest
            for a in range(3):
                if gone < far[a] < reach:
                    reach = far[a]
            for a in range(3):
                way = end[i, a] - start[i, a]
                for e in range(2):
                    run = gone if e == 0 else reach
                    if far[a] <= run:
                        pieces[at, 3 * e + a] = end[i, a]
                    else:
                        pieces[at, 3 * e + a] = start[i, a] + (run if way > 0.0 else -run)
            owner[at] = i
            at += 1
            gone = reach
    return pieces[:at].copy(), owner[:at].copy()


@njit(cache=True, nogil=True)
def describe_pieces(pieces, owner, kind, move_row, top_mm, stage_z, stage_r, radius):
    """Of each piece (m,): the row of its tool, whether it is no rapid, whether it begins where the one before it ended
    with the same cutter and both or neither are rapids, and the largest radius that may meet stock, -1 where none may.

    kind, move_row (n moves,); stage_z, stage_r (cutters, stages). A stage matters only where its lower end may come
    under the top of the billet.
    """
    m = len(pieces)
    row, reach = np.empty(m, np.int64), np.full(m, -1.0)
    feeds, joined = np.empty(m, np.bool_), np.zeros(m, np.bool_)
    for k in range(m):
        row[k], feeds[k] = move_row[owner[k]], kind[owner[k]] != 0
        g, low = row[k], min(pieces[k, 2], pieces[k, 5])
        if k > 0 and g == row[k - 1] and feeds[k] == feeds[k - 1]:
            joined[k] = True
            for a in range(3):
                joined[k] &= pieces[k, a] == pieces[k - 1, 3 + a]
        if g >= 0 and low < top_mm:
            reach[k] = max(0.0, radius[g])
            for stage in range(stage_z.shape[1]):
                if low + stage_z[g, stage] < top_mm:
                    reach[k] = max(reach[k], stage_r[g, stage])
    return row, feeds, joined, reach


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
def sort_into_tiles(pieces, reach, x0, y0, cell, n_rows, n_cols, tile):
    """Pairs by tile: `first` (tiles + 1,) and the piece of each pair, in program order inside a tile.

    `reach` (m,) is the largest radius that may meet stock, below 0 for pieces that meet nothing.
    """
    t_rows = (n_rows + tile - 1) // tile
    t_cols = (n_cols + tile - 1) // tile
    first = np.zeros(t_rows * t_cols + 1, np.int64)
    pair_piece = np.empty(0, np.int32)
    fill = first[:-1].copy()
    for turn in range(2):
        if turn == 1:
            for t in range(t_rows * t_cols):
                first[t + 1] += first[t]
            pair_piece = np.empty(first[t_rows * t_cols], np.int32)
            fill = first[:-1].copy()
        for i in range(len(pieces)):
            if reach[i] < 0.0:
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
    length = math.sqrt(dx * dx + dy * dy)
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
def underside(rho, shape, r, tip, c):
    """Height of a cutter's underside over its tip at distance rho from its axis, mm; inf beyond its radius. c is
    dz/dr of a cone and the corner radius of a rounded end mill, whose flat end reaches out to tip."""
    if rho > r:
        return math.inf
    if shape == FLAT:
        return 0.0
    if shape == CONE:
        return max(0.0, c * (rho - tip))
    if shape == BALL:
        return r - math.sqrt(max(0.0, r * r - rho * rho))
    out = rho - tip
    return 0.0 if out <= 0.0 else c - math.sqrt(max(0.0, c * c - out * out))


@njit(cache=True, nogil=True)
def _lowest_rounded(u, w, m, low, high, tip, c):
    """Where along the piece a rounded end mill's underside is lowest over a point: by halving, since its height is
    convex along the piece."""
    for _ in range(N_HALVINGS):
        s = 0.5 * (low + high)
        rho = math.sqrt((s - u) * (s - u) + w * w)
        out = rho - tip
        rise = m
        if out > 0.0 and rho > 0.0:
            rise += out / math.sqrt(max(1e-18, c * c - out * out)) * (s - u) / rho
        if rise > 0.0:
            high = s
        else:
            low = s
    return 0.5 * (low + high)


@njit(cache=True, nogil=True)
def swept_height(px, py, x0, y0, z0, x1, y1, z1, shape, r, tip, c):
    """Height of the swept cutter's underside at plan point (px, py), mm; inf when the point is not under it."""
    dx, dy = x1 - x0, y1 - y0
    length = math.sqrt(dx * dx + dy * dy)
    qx, qy = px - x0, py - y0
    if length < 1e-9:
        return min(z0, z1) + underside(math.sqrt(qx * qx + qy * qy), shape, r, tip, c)
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
    if m == 0.0:
        s = u
    elif shape == ROUNDED:
        s = _lowest_rounded(u, w, m, low, high, tip, c)
    else:
        if shape == CONE:
            v = math.inf if c <= abs(m) else abs(m) * abs(w) / math.sqrt(c * c - m * m)
            if abs(w) < tip:
                v = max(v, math.sqrt(tip * tip - w * w))
        else:
            v = abs(m) * a / math.sqrt(1.0 + m * m)
        s = u - v if m > 0.0 else u + v
    s = min(max(s, low), high)
    return z0 + m * s + underside(min(r, math.sqrt((s - u) * (s - u) + w * w)), shape, r, tip, c)


@njit(cache=True, nogil=True)
def _crossings(polygon, y, cross):
    """Where the row at height y crosses a polygon (n, 2): x of each into cross, rising; returns how many."""
    n, k = len(polygon), 0
    for a in range(n):
        b = a + 1 if a + 1 < n else 0
        ya, yb = polygon[a, 1], polygon[b, 1]
        if (ya <= y) != (yb <= y):
            cross[k] = polygon[a, 0] + (y - ya) / (yb - ya) * (polygon[b, 0] - polygon[a, 0])
            k += 1
    cross[:k].sort()
    return k


@njit(cache=True, nogil=True)
def fill_tile(z, tied, severed, outline, x0, y0, cell, high_mm):
    """Set z to `high_mm` where the cell centre lies in the polygon (n, 2), to 0 elsewhere; tied and severed to NEVER
    and to -1, as if cut before the first move. In place."""
    n_rows, n_cols = z.shape
    high = np.int32(high_mm * UNITS)
    cross = np.empty(len(outline), np.float64)
    for i in range(n_rows):
        z[i, :] = np.int32(0)
        tied[i, :] = np.int32(-1)
        severed[i, :] = np.int32(-1)
        y = y0 + i * cell
        k = _crossings(outline, y, cross)
        for c in range(0, k - 1, 2):
            j0 = max(0, math.ceil((cross[c] - x0) / cell))
            j1 = min(n_cols - 1, math.floor((cross[c + 1] - x0) / cell))
            for j in range(j0, j1 + 1):
                z[i, j] = high
                tied[i, j] = NEVER
                severed[i, j] = NEVER


@njit(cache=True, nogil=True)
def _stages(z, x0, y0, cell, ax, ay, az, bx, by, bz, shrink, stage_z, stage_r, top):
    """Largest overlap of neck, shank and holder of one piece with the stock, and where (flat cell * 3 + stage)."""
    n_rows, n_cols = z.shape
    worst, where = 0.0, 0
    zmin = min(az, bz)
    for stage in range(N_STAGES):
        zs = zmin + stage_z[stage]
        if zs >= top:
            continue
        r = stage_r[stage] - shrink
        if r <= 0.0:
            continue
        i0 = max(0, math.ceil((min(ay, by) - r - y0) / cell))
        i1 = min(n_rows - 1, math.floor((max(ay, by) + r - y0) / cell))
        for i in range(i0, i1 + 1):
            y = y0 + i * cell
            lo, hi = row_span(ax, ay, bx, by, r, y)
            j0 = max(0, math.ceil((lo - x0) / cell))
            j1 = min(n_cols - 1, math.floor((hi - x0) / cell))
            for j in range(j0, j1 + 1):
                h = z[i, j] / UNITS
                if h <= zs:
                    continue
                under = swept_height(x0 + j * cell, y, ax, ay, az, bx, by, bz, FLAT, r, 0.0, 0.0)
                over = h - (under + stage_z[stage])
                if over > worst:
                    worst = over
                    where = (i * n_cols + j) * N_STAGES + stage
    return worst, where


@njit(cache=True, nogil=True)
def _probe(z, x0, y0, cell, ax, ay, bx, by, bz, ring, lift, noise, dirs, spots):
    """Which points of the cutter's circle stand in stock at the end of a piece: number, greatest height of stock over
    the tip, sums of directions and heights. Points behind a moving cutter do not count: the piece itself cut there.
    spots is room for the cell of each direction."""
    n_rows, n_cols = z.shape
    dx, dy = bx - ax, by - ay
    n, high, sx, sy, sh = 0, 0.0, 0.0, 0.0, 0.0
    fx, fy = (bx - x0) / cell + 0.5, (by - y0) / cell + 0.5
    step = ring / cell
    least, flat = math.floor((bz + lift + noise) * UNITS), z.reshape(n_rows * n_cols)
    for d in range(len(spots)):
        ux, uy = dirs[0, d], dirs[1, d]
        i, j = np.floor(fy + step * uy), np.floor(fx + step * ux)
        is_there = (ux * dx + uy * dy >= 0.0) & (i >= 0.0) & (j >= 0.0) & (i < n_rows) & (j < n_cols)
        spots[d] = np.int32(i * n_cols + j) if is_there else np.int32(-1)
    for d in range(len(spots)):
        if spots[d] < 0:
            continue
        level = flat[spots[d]]
        if level > least:
            h = level / UNITS
            n += 1
            sx += dirs[0, d]
            sy += dirs[1, d]
            sh += h - bz
            if h - bz > high:
                high = h - bz
    return n, high, sx, sy, sh


@njit(cache=True, nogil=True)
def _row_runs(runs, n, has_gap, gx, gy, hx, hy, r, ax, ay, side_x, side_y, rise, slope, i0, n_cols):
    """Cells of n rows from i0 on under a stadium: runs (6, n or more) gets first and last cell left of one end disc,
    right of it and in it, last < first where there is none. Without a gap all cells are in the first run.

    All in cells: (gx, gy), (hx, hy) that disc and the other; sides run `rise` rows from (ax, ay) -+ side, `slope` cells
    a row, and lie in no row but the discs' where rise is 0. See row_span, which is the same in mm.
    """
    far, end, before = 2.0 * n_cols + 2.0, float(n_cols), n_cols - 1.0
    least, most = (min(0.0, rise), max(0.0, rise)) if rise != 0.0 else (1.0, -1.0)
    for q in range(n):
        y = float(i0 + q)
        up = y - gy
        half = math.sqrt(max(0.0, r * r - up * up))
        is_in = abs(up) <= r
        gap_low, gap_high = gx - half if is_in else far, gx + half if is_in else -far
        up = y - hy
        half = math.sqrt(max(0.0, r * r - up * up))
        is_in = abs(up) <= r
        low, high = min(gap_low, hx - half if is_in else far), max(gap_high, hx + half if is_in else -far)
        up = y - (ay + side_y)
        x = ax + side_x + up * slope
        is_in = (least <= up) & (up <= most)
        low, high = min(low, x if is_in else far), max(high, x if is_in else -far)
        up = y - (ay - side_y)
        x = ax - side_x + up * slope
        is_in = (least <= up) & (up <= most)
        low, high = min(low, x if is_in else far), max(high, x if is_in else -far)
        first = np.int32(min(max(np.ceil(low), 0.0), end))
        last = np.int32(max(min(np.floor(high), before), -1.0))
        gap_a = np.int32(min(max(np.ceil(gap_low), 0.0), end))
        gap_b = np.int32(max(min(np.floor(gap_high), before), -1.0))
        is_gap = has_gap & (gap_a <= gap_b)
        left, right = min(last, np.int32(gap_a - 1)), max(first, np.int32(gap_b + 1))
        runs[0, q], runs[1, q] = first, left if is_gap else last
        runs[2, q], runs[3, q] = right if is_gap else np.int32(n_cols), last
        runs[4, q], runs[5, q] = gap_a, gap_b


@njit(cache=True, nogil=True)
def _lower_rows(z, i0, first, last, level):
    """Lower runs of cells to one height: the sum of what they fall, the largest fall, in units, and its first row."""
    total, deepest, at = np.int64(0), np.int32(0), 0
    for q in range(len(first)):
        most = np.int32(0)
        for j in range(np.uint32(first[q]), np.uint32(last[q] + 1)):
            old = z[i0 + q, j]
            new = min(old, level)
            z[i0 + q, j] = new
            fall = np.int32(old - new)
            total += fall
            most = max(most, fall)
        if most > deepest:
            deepest, at = most, q
    return total, deepest, at


@njit(cache=True, nogil=True)
def _mark_rows(z, marks, i0, first, last, level, move):
    """Mark cells of runs above a height, that bear no mark yet, with a move."""
    for q in range(len(first)):
        for j in range(np.uint32(first[q]), np.uint32(last[q] + 1)):
            if z[i0 + q, j] > level and marks[i0 + q, j] == NEVER:
                marks[i0 + q, j] = move


@njit(cache=True, nogil=True)
def _lower_each(z, i, ja, jb, levels, falls, low_cell):
    """Lower those of a row's cells ja..jb that are above low_cell each to its own height: the sum and the largest of
    falls, and the lowest of the cells that fell, NEVER when none did, in units."""
    total, deepest, lowest = np.int64(0), np.int32(0), np.int32(NEVER)
    for j in range(np.uint32(ja), np.uint32(jb + 1)):
        old = z[i, j]
        new = levels[j] if (old > low_cell) & (levels[j] < old) else old
        fall = np.int32(old - new)
        z[i, j], falls[j] = new, fall
        total += fall
        deepest = max(deepest, fall)
        lowest = min(lowest, new if fall > 0 else np.int32(NEVER))
    return total, deepest, lowest


@njit(cache=True, nogil=True)
def _half_row(first, last, ax, ay, dx, dy, behind, y, x0, cell):
    """Of a row's cells first..last those with (x - ax) dx + (y - ay) dy above `behind`."""
    rest = behind - (y - ay) * dy
    if dx > 0.0:
        first = max(first, math.floor((ax + rest / dx - x0) / cell))
    elif dx < 0.0:
        last = min(last, math.ceil((ax + rest / dx - x0) / cell))
    elif rest >= 0.0:
        last = first - 1
    return first, last


@njit(cache=True, nogil=True)
def _under_flat(heights, levels, fa, fb, x0, cell, y, ax, ay, az, along_x, along_y, length, slant, r):
    """Heights that a flat end leaves, going up or down, at cells fa.. before fb of a row, in mm and in units; inf and
    NEVER beside it."""
    for j in range(np.uint32(fa), np.uint32(fb)):
        x = x0 + j * cell
        u = (x - ax) * along_x + (y - ay) * along_y
        w = (y - ay) * along_x - (x - ax) * along_y
        a2 = r * r - w * w
        a = math.sqrt(max(0.0, a2))
        s = min(length, u + a) if slant < 0.0 else max(0.0, u - a)
        new = az + slant * s if a2 >= 0.0 else math.inf
        heights[j], levels[j] = new, np.int32(np.floor(min(new * UNITS, float(NEVER))))


@njit(cache=True, nogil=True)
def _under_ball(
    heights, levels, z, i, fa, fb, x0, cell, y, ax, ay, az, along_x, along_y, length, slant, r, turned, zmin,
):  # fmt: skip
    """The same for a ball; inf and NEVER also where a parabola below the ball shows that it stays above the cell."""
    flat_of_ball = 0.5 / r
    for j in range(np.uint32(fa), np.uint32(fb)):
        x = x0 + j * cell
        u = (x - ax) * along_x + (y - ay) * along_y
        w = (y - ay) * along_x - (x - ax) * along_y
        a2 = r * r - w * w
        a = math.sqrt(max(0.0, a2))
        s = u - slant * a * turned
        on = min(max(s, 0.0), length)
        left = a2 - (on - u) * (on - u)
        is_between = (s > 0.0) & (s < length)
        drop = math.sqrt(max(0.0, left))
        drop = a * turned if is_between else drop
        is_under = (a2 >= 0.0) & (is_between | (left >= 0.0)) & ((zmin + w * w * flat_of_ball) * UNITS < z[i, j])
        new = az + slant * on + r - drop if is_under else math.inf
        heights[j], levels[j] = new, np.int32(np.floor(min(new * UNITS, float(NEVER))))


@njit(cache=True, nogil=True)
def cut_tile(
    z, tied, severed, tied_below, severed_below, x0, y0, cell, pairs, pieces, owner, cutter, rapid_shrink, joined,
    feeds, shape, radius, tip, slope, stage_z, stage_r, flute, ring, lift, noise, dirs, total, deep, deep_at, low,
    stage, stage_at, over, n_in, high, sums,
):  # fmt: skip
    """Replay one tile's pairs in order on z (rows = y, cols = x), in place. (x0, y0) is the tile's first cell centre.

    `pairs` (p,) indexes pieces. Per piece: cutter is a row of the cutter tables; joined is True where the piece begins
    where the one before it ended with the same cutter; feeds is False for rapids, whose radii are all smaller by
    rapid_shrink, so that noise at an edge just cut is no contact. stage_z, stage_r (cutters, 3): lower end above the
    tip and radius of neck, shank, holder. ring, lift (cutters,): radius and height over the tip of the circle that is
    probed in directions dirs (2, n). tied, severed get the move that first took a cell to the height named.

    Per pair (p,): total of lowering over cells (mm), deep the largest and deep_at its cell, low the lowest height
    set, stage the largest overlap of a stage with stock and stage_at where (flat cell * 3 + stage), over how far
    stock under the cutter stood above its flutes, n_in, high, sums (p, 3) the probe's figures.
    """
    n_rows, n_cols = z.shape
    top = z.max() / UNITS
    room = np.empty((6, n_rows + STRIDE), np.int32)
    heights, levels, falls = np.empty(n_cols, np.float64), np.empty(n_cols, np.int32), np.empty(n_cols, np.int32)
    spots = np.empty(dirs.shape[1], np.int32)
    tied_at, severed_at = math.floor(tied_below * UNITS), math.floor(severed_below * UNITS)
    for p in range(len(pairs)):
        k = pairs[p]
        g = cutter[k]
        move = owner[k]
        shrink = 0.0 if feeds[k] else rapid_shrink
        ax, ay, az = pieces[k, 0], pieces[k, 1], pieces[k, 2]
        bx, by, bz = pieces[k, 3], pieces[k, 4], pieces[k, 5]
        zmin = min(az, bz)
        if zmin >= top:
            continue
        worst, where = _stages(
            z, x0, y0, cell, ax, ay, az, bx, by, bz, shrink, stage_z[g], stage_r[g], top
        )  # fmt: skip
        stage[p], stage_at[p] = worst, where
        r = radius[g] - shrink
        if r <= 0.0:
            continue
        if feeds[k]:
            n_in[p], high[p], sums[p, 0], sums[p, 1], sums[p, 2] = _probe(
                z, x0, y0, cell, ax, ay, bx, by, bz, ring[g], lift[g], noise, dirs, spots
            )  # fmt: skip
        kind = shape[g]
        dx, dy = bx - ax, by - ay
        length = math.sqrt(dx * dx + dy * dy)
        slant = (bz - az) / length if length > 0.0 else 0.0
        along_x, along_y = (dx / length, dy / length) if length > 0.0 else (0.0, 0.0)
        turned = 1.0 / math.sqrt(1.0 + slant * slant)
        rolls, slides = kind == BALL and length > 0.0, kind == FLAT and length > 0.0
        # A ball that goes up, or on, lowers nothing behind the start; going down, nothing farther than this.
        behind = min(0.0, slant) * r * length
        # Under a flat end, one disc has one height: the end's going down, the start's (cut already where the piece
        # before ended there) otherwise. The rest of a level piece has that height as well.
        even = kind == FLAT and (az == bz or length == 0.0)
        has_disc = kind == FLAT and length > 0.0 and (az != bz or joined[k])
        skips_disc = joined[k] and bz >= az
        level_mm = zmin if even or bz < az else az
        level = np.int32(math.floor(level_mm * UNITS))
        low_cell = math.floor(zmin * UNITS)
        # Rows of the stadium, in cells: two end discs and two long sides (see row_span, which is the same in mm).
        ca, ra, cb, rb, rr = (ax - x0) / cell, (ay - y0) / cell, (bx - x0) / cell, (by - y0) / cell, r / cell
        run = dx / dy if dy != 0.0 else 0.0
        side_x, side_y = -along_y * rr, along_x * rr
        i0, i1 = max(0, math.ceil(min(ra, rb) - rr)), min(n_rows - 1, math.floor(max(ra, rb) + rr))
        n = i1 - i0 + 1
        if n <= 0:
            continue
        gx, gy, hx, hy = (cb, rb, ca, ra) if bz < az else (ca, ra, cb, rb)
        _row_runs(
            room, -(-n // STRIDE) * STRIDE, has_disc, gx, gy, hx, hy, rr, ca, ra, side_x, side_y, rb - ra, run, i0,
            n_cols,
        )  # fmt: skip
        whole, deepest, at, rank, lowest, lowest_cell = np.int64(0), np.int32(0), 0, 0, math.inf, NEVER
        for part in (2, 0, 1):  # the disc, left of it, right of it
            if part > 0 and (not has_disc or (part == 2 and skips_disc)):
                continue
            first, last = room[2 * part, :n], room[2 * part + 1, :n]
            if even or part == 2:
                if level <= tied_at:
                    _mark_rows(z, tied, i0, first, last, level, move)
                    if level <= severed_at:
                        _mark_rows(z, severed, i0, first, last, level, move)
                sum_of, most, q = _lower_rows(z, i0, first, last, level)
                if most > 0:
                    whole += sum_of
                    lowest, lowest_cell = min(lowest, level_mm), min(lowest_cell, level)
                    # Of equal falls the first by row, then part, counts.
                    if most > deepest or (most == deepest and 3 * q + part < rank):
                        deepest, at, rank = most, (i0 + q) * n_cols + first[q], 3 * q + part
                continue
            for q in range(n):
                i = i0 + q
                y = y0 + i * cell
                ja, jb = first[q], last[q]
                if rolls and joined[k]:
                    ja, jb = _half_row(ja, jb, ax, ay, dx, dy, behind, y, x0, cell)
                if jb < ja:
                    continue
                # A little more than the run, so that the loop is of whole vectors.
                wide = -(-(jb - ja + 1) // 8) * 8
                fa = max(0, min(ja, n_cols - wide))
                fb = min(n_cols, fa + wide)
                if slides:
                    _under_flat(
                        heights, levels, fa, fb, x0, cell, y, ax, ay, az, along_x, along_y, length, slant, r
                    )  # fmt: skip
                elif rolls:
                    _under_ball(
                        heights, levels, z, i, fa, fb, x0, cell, y, ax, ay, az, along_x, along_y, length, slant, r,
                        turned, zmin,
                    )  # fmt: skip
                else:
                    for j in range(ja, jb + 1):
                        heights[j], levels[j] = math.inf, np.int32(NEVER)
                        if z[i, j] > low_cell:
                            heights[j] = swept_height(
                                x0 + j * cell, y, ax, ay, az, bx, by, bz, kind, r, tip[g], slope[g]
                            )
                            levels[j] = np.int32(math.floor(min(heights[j] * UNITS, float(NEVER))))
                sum_of, most, least = _lower_each(z, i, ja, jb, levels, falls, low_cell)
                if most == 0:
                    continue
                whole += sum_of
                if least <= lowest_cell or least <= tied_at:
                    for j in range(ja, jb + 1):
                        if falls[j] == 0:
                            continue
                        lowest = min(lowest, heights[j])
                        if z[i, j] <= tied_at:
                            if tied[i, j] == NEVER:
                                tied[i, j] = move
                            if z[i, j] <= severed_at and severed[i, j] == NEVER:
                                severed[i, j] = move
                    lowest_cell = min(lowest_cell, least)
                if most > deepest or (most == deepest and 3 * q + part < rank):
                    for j in range(jb, ja - 1, -1):
                        if falls[j] == most:
                            at = i * n_cols + j
                    deepest, rank = most, 3 * q + part
        total[p] = whole / UNITS
        deep[p] = deepest / UNITS
        deep_at[p] = at
        low[p] = lowest
        # A plunging piece meets stock from above: the flutes reach flute[g] over the tip there.
        over[p] = max(0.0, deepest / UNITS - flute[g])


@njit(cache=True, nogil=True)
def gather_tile(
    pairs, owner, row0, col0, n_cols, area, total, deep, deep_at, low, stage, stage_at, over, n_in, high, sums,
    touch_mm, removed, deepest, deepest_at, lowest, staged, staged_at, overs, cut, inside, highs, sum_of,
):  # fmt: skip
    """Add one tile's pairs to the figures of moves (removed to overs) and of pieces (cut to sum_of). In place.

    row0, col0 are the tile's first row and column of the whole grid, n_cols the tile's columns. deepest_at and
    staged_at (n, 3) hold row, column of the whole grid and, for stages, which.
    """
    for p in range(len(pairs)):
        k = pairs[p]
        i = owner[k]
        removed[i] += total[p] * area
        if deep[p] > deepest[i]:
            deepest[i] = deep[p]
            deepest_at[i, 0] = row0 + deep_at[p] // n_cols
            deepest_at[i, 1] = col0 + deep_at[p] % n_cols
        if low[p] < lowest[i]:
            lowest[i] = low[p]
        if stage[p] > staged[i]:
            staged[i] = stage[p]
            flat = stage_at[p] // N_STAGES
            staged_at[i, 0] = row0 + flat // n_cols
            staged_at[i, 1] = col0 + flat % n_cols
            staged_at[i, 2] = stage_at[p] % N_STAGES
        if over[p] > overs[i]:
            overs[i] = over[p]
        if deep[p] > touch_mm:
            cut[k] = True
        inside[k] += n_in[p]
        if high[p] > highs[k]:
            highs[k] = high[p]
        for c in range(3):
            sum_of[k, c] += sums[p, c]


@njit(cache=True, nogil=True)
def gather_moves(owner, cut, inside, highs, sum_of, pieces, n_dirs, cut_mm, plan_mm, peak, axial, depth, arc, last_cut):
    """From pieces to moves, in place; all start at 0. Length in stock along the path and in plan, the widest engaged
    arc (rad), the greatest and the mean height of stock at it, the mean direction of the arc (n, 2), both means
    weighted by length, and whether the last piece cut."""
    weight = np.zeros(len(cut_mm), np.float64)
    for k in range(len(owner)):
        i = owner[k]
        last_cut[i] = cut[k]
        if not cut[k]:
            continue
        dx, dy = pieces[k, 3] - pieces[k, 0], pieces[k, 4] - pieces[k, 1]
        dz = pieces[k, 5] - pieces[k, 2]
        length = math.sqrt(dx * dx + dy * dy + dz * dz)
        cut_mm[i] += length
        plan_mm[i] += math.sqrt(dx * dx + dy * dy)
        peak[i] = max(peak[i], 2.0 * math.pi * inside[k] / n_dirs)
        axial[i] = max(axial[i], highs[k])
        if inside[k] > 0:
            arc[i, 0] += length * sum_of[k, 0] / inside[k]
            arc[i, 1] += length * sum_of[k, 1] / inside[k]
            depth[i] += length * sum_of[k, 2] / inside[k]
            weight[i] += length
    for i in range(len(cut_mm)):
        if weight[i] > 0.0:
            arc[i, 0] /= weight[i]
            arc[i, 1] /= weight[i]
            depth[i] /= weight[i]


@njit(cache=True, nogil=True)
def mean_widths(removed, plan_mm, depth, tool, least_mm, width):
    """Mean radial width of cut of each move, mm, in place: volume over plan length and mean depth, over runs of moves
    with one cutter of at least `least_mm`, since a short move's own circle is larger than what it sweeps."""
    a = 0
    n = len(removed)
    while a < n:
        volume, area, run, b = 0.0, 0.0, 0.0, a
        while b < n and tool[b] == tool[a] and run < least_mm:
            volume += removed[b]
            area += plan_mm[b] * depth[b]
            run += plan_mm[b]
            b += 1
        mean = volume / area if area > 0.0 else 0.0
        for i in range(a, b):
            width[i] = mean if plan_mm[i] > 0.0 else 0.0
        a = b


@njit(cache=True, nogil=True)
def fill_polygon(inside, polygon, x0, y0, cell):
    """Set inside[row, col] where the cell centre lies in the polygon (n, 2), even-odd. In place."""
    n_rows, n_cols = inside.shape
    cross = np.empty(len(polygon), np.float64)
    for i in range(n_rows):
        y = y0 + i * cell
        k = _crossings(polygon, y, cross)
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
