"""Sizes of what the cutters left, from the moves themselves and not from a field of heights.

Words. A *move* is a line or an arc of the tip (kind 0 rapid, 1 line, 2 arc clockwise, 3 counter-clockwise); a rapid
cuts here like any other. A *group* is a handful of points that lie together, in a box, with the height over which no
move matters to them; `first`, `items` list the moves near each group. A *ring test* is a centre, a height and the
directions of rays. A *piece* is a short straight stretch (x0, y0, z0, x1, y1, z1).

Three questions. (1) Heights: the least of the swept cutter's underside over a plan point. Lines and level arcs are in
closed form (see verify_removal for its derivation), arcs that climb become chords at most `chord_mm` off.
(2) Reach: how far along each ray flanks at that height have cleared, in one stretch from the centre: every swept
stretch is a stadium, so it meets a ray in one interval, and intervals that hang together from the centre are joined.
(3) Gap: the least of plan distance to the path less the cutter's radius at the point's height, over the stretch of
each move whose tip is not above the point; arcs in closed form. Negative: the point lies inside what was cleared.

Moves near a group are taken lowest or innermost first, and a move that cannot change an answer any more is passed
over; so the cost is that of a box test for each move, and of a few moves for each group. Cutters: flat, cone, ball,
and flat with a rounded edge, whose `tip` is the radius of the flat end; none undercut.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

FLAT, CONE, BALL, ROUNDED = 0, 1, 2, 3
N_STEPS = 64  # of a sloping move of a cutter that is not flat, for its radius at a height
TOUCH = 1e-9  # two stretches this near hang together, mm
RUN = 16  # moves that are looked at together
SHARE = 0.75  # of the farthest that is asked for: what a reach seldom goes beyond


@njit(cache=True, nogil=True)
def arc_sweep(kind, sx, sy, ex, ey, cx, cy):
    """Signed turn of an arc, rad; a full turn when it ends where it starts. As in verify_removal."""
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
def _box(kind, sx, sy, ex, ey, cx, cy, radius):
    """Plan box of what a move of a cutter of this radius sweeps: low x, low y, high x, high y."""
    lx, hx, ly, hy = min(sx, ex), max(sx, ex), min(sy, ey), max(sy, ey)
    if kind >= 2:
        r = max(math.hypot(sx - cx, sy - cy), math.hypot(ex - cx, ey - cy))
        chord = math.hypot(ex - sx, ey - sy)
        side = (ex - sx) * (cy - sy) - (ey - sy) * (cx - sx)
        if kind == 2:
            side = -side
        if chord > 0.0 and side > 0.0 and chord < 2.0 * r:  # less than half a turn
            radius += r - math.sqrt(max(0.0, r * r - 0.25 * chord * chord))
        else:
            lx, hx, ly, hy = min(lx, cx - r), max(hx, cx + r), min(ly, cy - r), max(hy, cy + r)
    return lx - radius, ly - radius, hx + radius, hy + radius


@njit(cache=True, nogil=True)
def run_boxes(kind, start, end, centre, row, radius, ceiling):
    """Of each run of RUN moves the plan box of what it sweeps and the lowest point (runs, 5: low x, low y, high x, high
    y, z); moves that stay at or over `ceiling`, or whose cutter is not known (row < 0), count for nothing."""
    n = len(kind)
    runs = np.empty(((n + RUN - 1) // RUN, 5), np.float64)
    for k in range(len(runs)):
        lx, ly, hx, hy, low = math.inf, math.inf, -math.inf, -math.inf, math.inf
        for i in range(k * RUN, min(n, k * RUN + RUN)):
            z = min(start[i, 2], end[i, 2])
            if row[i] >= 0 and z < ceiling:
                x0, y0, x1, y1 = _box(
                    kind[i], start[i, 0], start[i, 1], end[i, 0], end[i, 1], centre[i, 0], centre[i, 1], radius[row[i]]
                )
                lx, ly, hx, hy, low = min(lx, x0), min(ly, y0), max(hx, x1), max(hy, y1), min(low, z)
        runs[k, 0], runs[k, 1], runs[k, 2], runs[k, 3], runs[k, 4] = lx, ly, hx, hy, low
    return runs


@njit(cache=True, nogil=True)
def near_groups(kind, start, end, centre, row, radius, ceiling, runs, group_boxes, group_tops, bin_mm):
    """Moves near each group: first (groups + 1,) and items, in the moves' order. A move counts when its cutter is known
    (row >= 0), its lowest point is under `ceiling` and not above the group's top, and the boxes meet. Neighbours are
    looked for by runs of moves (see `run_boxes`), which lie together in nearly all programs."""
    g = len(group_boxes)
    first = np.zeros(g + 1, np.int64)
    if g == 0:
        return first, np.empty(0, np.int64)
    x0, y0 = group_boxes[:, 0].min(), group_boxes[:, 1].min()
    n_cols = int((group_boxes[:, 2].max() - x0) / bin_mm) + 1
    n_rows = int((group_boxes[:, 3].max() - y0) / bin_mm) + 1
    bin_first = np.zeros(n_rows * n_cols + 1, np.int64)
    bin_items = np.empty(0, np.int64)
    for turn in range(2):
        if turn == 1:
            for c in range(n_rows * n_cols):
                bin_first[c + 1] += bin_first[c]
            bin_items = np.empty(bin_first[n_rows * n_cols], np.int64)
            fill = bin_first[:-1].copy()
        for k in range(g):
            ca, cb = int((group_boxes[k, 0] - x0) / bin_mm), int((group_boxes[k, 2] - x0) / bin_mm)
            ra, rb = int((group_boxes[k, 1] - y0) / bin_mm), int((group_boxes[k, 3] - y0) / bin_mm)
            for r in range(ra, rb + 1):
                for c in range(ca, cb + 1):
                    b = r * n_cols + c
                    if turn == 0:
                        bin_first[b + 1] += 1
                    else:
                        bin_items[fill[b]] = k
                        fill[b] += 1
    pairs = np.empty((4096, 2), np.int32)  # (group, move)
    n_pairs = 0
    stamp = np.full(g, -1, np.int64)
    boxes = np.empty((RUN, 5), np.float64)
    for q in range(len(runs)):
        lx, ly, hx, hy, low = runs[q, 0], runs[q, 1], runs[q, 2], runs[q, 3], runs[q, 4]
        if low == math.inf:
            continue
        ca, cb = max(0, math.floor((lx - x0) / bin_mm)), min(n_cols - 1, math.floor((hx - x0) / bin_mm))
        ra, rb = max(0, math.floor((ly - y0) / bin_mm)), min(n_rows - 1, math.floor((hy - y0) / bin_mm))
        begin, stop = q * RUN, min(len(kind), q * RUN + RUN)
        boxed = False
        for r in range(ra, rb + 1):
            for c in range(ca, cb + 1):
                for e in range(bin_first[r * n_cols + c], bin_first[r * n_cols + c + 1]):
                    k = bin_items[e]
                    if stamp[k] == q:
                        continue
                    stamp[k] = q
                    gx0, gy0, gx1, gy1 = group_boxes[k, 0], group_boxes[k, 1], group_boxes[k, 2], group_boxes[k, 3]
                    if low > group_tops[k] or lx > gx1 or hx < gx0 or ly > gy1 or hy < gy0:
                        continue
                    if not boxed:
                        boxed = True
                        for i in range(begin, stop):
                            z = min(start[i, 2], end[i, 2])
                            boxes[i - begin, 4] = math.inf
                            if row[i] >= 0 and z < ceiling:
                                bx0, by0, bx1, by1 = _box(
                                    kind[i], start[i, 0], start[i, 1], end[i, 0], end[i, 1], centre[i, 0],
                                    centre[i, 1], radius[row[i]],
                                )  # fmt: skip
                                boxes[i - begin, 0], boxes[i - begin, 1] = bx0, by0
                                boxes[i - begin, 2], boxes[i - begin, 3] = bx1, by1
                                boxes[i - begin, 4] = z
                    if n_pairs + RUN > len(pairs):
                        more = np.empty((2 * len(pairs), 2), np.int32)
                        more[:n_pairs] = pairs[:n_pairs]
                        pairs = more
                    before = n_pairs
                    for j in range(stop - begin):
                        if (
                            boxes[j, 4] <= group_tops[k] and boxes[j, 4] < math.inf and boxes[j, 0] <= gx1
                            and boxes[j, 2] >= gx0 and boxes[j, 1] <= gy1 and boxes[j, 3] >= gy0
                        ):  # fmt: skip
                            pairs[n_pairs, 0], pairs[n_pairs, 1] = k, begin + j
                            n_pairs += 1
                    first[k + 1] += n_pairs - before
    for k in range(g):
        first[k + 1] += first[k]
    at = first[:-1].copy()
    items = np.empty(n_pairs, np.int64)
    for p in range(n_pairs):
        k = pairs[p, 0]
        items[at[k]] = pairs[p, 1]
        at[k] += 1
    return first, items


@njit(cache=True, nogil=True)
def profile(h, shape, r, tip, slope):
    """Cutter radius at height h >= 0 above the tip. slope is dz/dr of a cone."""
    if shape == FLAT:
        return r
    if shape == CONE:
        return min(r, tip + h / slope)
    corner = r - tip if shape == ROUNDED else r
    flat = r - corner
    return r if h >= corner else flat + math.sqrt(max(0.0, corner * corner - (corner - h) * (corner - h)))


@njit(cache=True, nogil=True)
def underside(rho, shape, r, tip, slope):
    """Height of the cutter's underside above its tip at radius rho <= r."""
    if shape == FLAT:
        return 0.0
    if shape == CONE:
        return max(0.0, slope * (rho - tip))
    corner = r - tip if shape == ROUNDED else r
    over = max(0.0, rho - (r - corner))
    return corner - math.sqrt(max(0.0, corner * corner - over * over))


@njit(cache=True, nogil=True)
def line_height(px, py, x0, y0, z0, x1, y1, z1, shape, r, tip, c):
    """Height of the underside of a cutter swept along a line at plan point (px, py), mm; inf when not under it."""
    dx, dy = x1 - x0, y1 - y0
    length = math.hypot(dx, dy)
    qx, qy = px - x0, py - y0
    if length < 1e-9:
        rho = math.hypot(qx, qy)
        if rho > r:
            return math.inf
        return min(z0, z1) + underside(rho, shape, r, tip, c)
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
    if shape == ROUNDED and m != 0.0:
        best = math.inf  # the torus has no closed form here; the height is convex along the line
        for _ in range(60):
            s0, s1 = low + (high - low) / 3.0, high - (high - low) / 3.0
            h0 = z0 + m * s0 + underside(min(r, math.sqrt((s0 - u) * (s0 - u) + w * w)), shape, r, tip, c)
            h1 = z0 + m * s1 + underside(min(r, math.sqrt((s1 - u) * (s1 - u) + w * w)), shape, r, tip, c)
            best = min(best, h0, h1)
            if h0 < h1:
                high = s1
            else:
                low = s0
        return best
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
    return z0 + m * s + underside(math.sqrt((s - u) * (s - u) + w * w), shape, r, tip, c)


@njit(cache=True, nogil=True)
def arc_distance(px, py, sx, sy, ex, ey, cx, cy, sweep):
    """Plan distance of a point to an arc with signed turn `sweep`."""
    qx, qy = px - cx, py - cy
    rho = math.hypot(qx, qy)
    radius = math.hypot(sx - cx, sy - cy)
    ends = min(math.hypot(px - sx, py - sy), math.hypot(px - ex, py - ey))
    if abs(sweep) >= 2.0 * math.pi - 1e-12:
        return abs(rho - radius)
    if rho == 0.0:
        return min(radius, ends)
    turn = math.atan2(qy, qx) - math.atan2(sy - cy, sx - cx)
    if sweep < 0.0:
        turn = -turn
    while turn < 0.0:
        turn += 2.0 * math.pi
    if turn <= abs(sweep):
        return min(ends, abs(rho - radius))
    return ends


@njit(cache=True, nogil=True)
def n_chords(radius, sweep, chord_mm):
    """Into how many chords an arc goes so that none is more than chord_mm off."""
    step = 0.25
    if radius > chord_mm:
        step = min(step, 2.0 * math.acos(1.0 - chord_mm / radius))
    return max(1, math.ceil(abs(sweep) / step))


@njit(cache=True, nogil=True)
def chord_end(i, j, k, start, end, centre, sweep, out):
    """End of chord j of k of arc i into out (3,); j = 0 is its start."""
    if j == 0:
        for a in range(3):
            out[a] = start[i, a]
        return
    if j == k:
        for a in range(3):
            out[a] = end[i, a]
        return
    f = j / k
    cx, cy = centre[i, 0], centre[i, 1]
    a0 = math.atan2(start[i, 1] - cy, start[i, 0] - cx)
    r0 = math.hypot(start[i, 0] - cx, start[i, 1] - cy)
    r1 = math.hypot(end[i, 0] - cx, end[i, 1] - cy)
    r = r0 + f * (r1 - r0)
    out[0] = cx + r * math.cos(a0 + f * sweep)
    out[1] = cy + r * math.sin(a0 + f * sweep)
    out[2] = start[i, 2] + f * (end[i, 2] - start[i, 2])


@njit(cache=True, nogil=True)
def heights(
    points, point_first, first, items, kind, start, end, centre, row, shape, radius, tip, slope, chord_mm, z,
):  # fmt: skip
    """Lower z (n,) at points (n, 2) to what the moves near each group leave. Points of group g are point_first[g] to
    point_first[g + 1]. Lowest moves first; a group is done when the next move's lowest point is over all of it."""
    a, b = np.empty(3), np.empty(3)
    xs, ys = points[:, 0].copy(), points[:, 1].copy()
    under = np.empty(len(points), np.int64)
    for g in range(len(first) - 1):
        p0, p1 = point_first[g], point_first[g + 1]
        near = items[first[g] : first[g + 1]]
        low = np.empty(len(near))
        for e in range(len(near)):
            low[e] = min(start[near[e], 2], end[near[e], 2])
        order = np.argsort(low, kind="mergesort")
        top = z[p0:p1].max() if p1 > p0 else -np.inf
        for e in order:
            if low[e] >= top:
                break
            i = near[e]
            c = row[i]
            r = radius[c]
            x0, y0, x1, y1 = _box(
                kind[i], start[i, 0], start[i, 1], end[i, 0], end[i, 1], centre[i, 0], centre[i, 1], r
            )
            n = 0
            for p in range(p0, p1):
                under[n] = p
                n += (z[p] > low[e]) & (xs[p] >= x0) & (xs[p] <= x1) & (ys[p] >= y0) & (ys[p] <= y1)
            if n == 0:
                continue
            sweep = 0.0
            chords = 1
            level = start[i, 2] == end[i, 2]
            if kind[i] >= 2:
                sweep = arc_sweep(kind[i], start[i, 0], start[i, 1], end[i, 0], end[i, 1], centre[i, 0], centre[i, 1])
                useful = level
                for p in under[:n]:
                    useful = useful or r + chord_mm >= arc_distance(
                        xs[p], ys[p], start[i, 0], start[i, 1], end[i, 0], end[i, 1], centre[i, 0], centre[i, 1], sweep
                    )
                if not useful:
                    continue
                if not level:
                    chords = n_chords(math.hypot(start[i, 0] - centre[i, 0], start[i, 1] - centre[i, 1]), sweep,
                                      chord_mm)  # fmt: skip
            changed = False
            a[0], a[1], a[2] = start[i, 0], start[i, 1], start[i, 2]
            b[0], b[1], b[2] = end[i, 0], end[i, 1], end[i, 2]
            for j in range(1, chords + 1):
                if chords > 1:
                    chord_end(i, j, chords, start, end, centre, sweep, b)
                lowest = min(a[2], b[2])
                reach = r + math.hypot(b[0] - a[0], b[1] - a[1])
                for p in under[:n]:
                    x, y = xs[p], ys[p]
                    if lowest >= z[p]:
                        continue
                    if kind[i] >= 2 and level:
                        d = arc_distance(x, y, start[i, 0], start[i, 1], end[i, 0], end[i, 1], centre[i, 0],
                                         centre[i, 1], sweep)  # fmt: skip
                        new = math.inf if d > r else start[i, 2] + underside(d, shape[c], r, tip[c], slope[c])
                    elif chords > 1 and max(abs(x - a[0]), abs(y - a[1])) > reach:
                        continue
                    else:
                        new = line_height(x, y, a[0], a[1], a[2], b[0], b[1], b[2], shape[c], r, tip[c], slope[c])
                    if new < z[p]:
                        z[p] = new
                        changed = True
                a[:] = b
            if changed:
                top = z[p0:p1].max()


@njit(cache=True, nogil=True)
def _push(px, py, ax, ay, bx, by, r, along_x, along_y, front):
    """Push the front of every ray from (px, py) out over the stadium of radius r round A-B; True when one moved."""
    moved = False
    qx, qy, dx, dy = ax - px, ay - py, bx - ax, by - ay
    length = math.hypot(dx, dy)
    far = max(math.hypot(qx, qy), math.hypot(bx - px, by - py)) + r
    for k in range(len(front)):
        if far <= front[k]:
            continue
        cx, cy = along_x[k], along_y[k]
        low, high = math.inf, -math.inf
        for n in range(2):
            ex, ey = (qx, qy) if n == 0 else (bx - px, by - py)
            t = ex * cx + ey * cy
            w = ex * cy - ey * cx
            if abs(w) <= r:
                h = math.sqrt(r * r - w * w)
                low, high = min(low, t - h), max(high, t + h)
        if length > 0.0:
            # Along the ray: u(t) = u0 + t ud along A-B, w(t) = w0 + t wd across it.
            u0, w0 = -(qx * dx + qy * dy) / length, -(qy * dx - qx * dy) / length
            ud, wd = (cx * dx + cy * dy) / length, (cy * dx - cx * dy) / length
            t0, t1 = -math.inf, math.inf
            empty = False
            for n in range(2):
                v0, vd, lo, hi = (u0, ud, 0.0, length) if n == 0 else (w0, wd, -r, r)
                if vd == 0.0:
                    empty = empty or v0 < lo or v0 > hi
                else:
                    s0, s1 = (lo - v0) / vd, (hi - v0) / vd
                    t0, t1 = max(t0, min(s0, s1)), min(t1, max(s0, s1))
            if not empty and t0 <= t1:
                low, high = min(low, t0), max(high, t1)
        if low <= front[k] + TOUCH and high > front[k]:
            front[k] = high
            moved = True
    return moved


@njit(cache=True, nogil=True)
def _sweep_move(
    i, z, px, py, kind, start, end, centre, shape, r, tip, slope, chord_mm, along_x, along_y, front
):  # fmt: skip
    """Push the fronts over all of move i whose tip is not above z."""
    a, b = np.empty(3), np.empty(3)
    sweep, pieces = 0.0, 1
    if kind[i] >= 2:
        sweep = arc_sweep(kind[i], start[i, 0], start[i, 1], end[i, 0], end[i, 1], centre[i, 0], centre[i, 1])
        pieces = n_chords(math.hypot(start[i, 0] - centre[i, 0], start[i, 1] - centre[i, 1]), sweep, chord_mm)
    moved = False
    chord_end(i, 0, pieces, start, end, centre, sweep, a)
    for j in range(1, pieces + 1):
        chord_end(i, j, pieces, start, end, centre, sweep, b)
        steps = 1
        if shape != FLAT and a[2] != b[2]:
            steps = N_STEPS
        for s in range(steps):
            f0, f1 = s / steps, (s + 1) / steps
            z0, z1 = a[2] + f0 * (b[2] - a[2]), a[2] + f1 * (b[2] - a[2])
            if min(z0, z1) > z:
                continue
            # The stretch under z; a flank's radius is that at its lowest tip, which is at one end or both.
            if z0 > z:
                f0 = f0 + (f1 - f0) * (z0 - z) / (z0 - z1)
            elif z1 > z:
                f1 = f0 + (f1 - f0) * (z - z0) / (z1 - z0)
            h = z - (min(z0, z1) if a[0] == b[0] and a[1] == b[1] else min(z, max(z0, z1)))
            wide = profile(h, shape, r, tip, slope)
            if _push(
                px, py, a[0] + f0 * (b[0] - a[0]), a[1] + f0 * (b[1] - a[1]), a[0] + f1 * (b[0] - a[0]),
                a[1] + f1 * (b[1] - a[1]), wide, along_x, along_y, front,
            ):  # fmt: skip
                moved = True
        a[:] = b
    return moved


@njit(cache=True, nogil=True)
def reaches(
    rings, first, items, kind, start, end, centre, row, shape, radius, tip, slope, along_x, along_y, chord_mm, reach,
):  # fmt: skip
    """How far each ray of each ring test (k, 4: x, y, z, farthest) is clear from the centre, into reach (k, rays)."""
    for g in range(len(rings)):
        near = items[first[g] : first[g + 1]]
        n, bound = 0, SHARE * rings[g, 3]
        chosen, far, close = np.empty(len(near), np.int64), np.empty(len(near)), np.empty(len(near))
        while n < len(near):
            # Moves far off are left alone, and taken along after all where the fronts came near to them.
            n = 0
            for i in near:
                away = _away(rings[g, 0], rings[g, 1], kind[i], start[i, 0], start[i, 1], end[i, 0], end[i, 1],
                             centre[i, 0], centre[i, 1])  # fmt: skip
                close[n] = away - radius[row[i]]
                if close[n] <= bound + chord_mm:
                    chosen[n] = i
                    n += 1
            for e in range(n):
                far[e] = _farthest(chosen[e], rings[g], kind, start, end, centre, row, shape, radius, tip, slope,
                                   chord_mm)  # fmt: skip
            _clear(
                rings[g], chosen[:n], far[:n], close[:n], kind, start, end, centre, row, shape, radius, tip, slope,
                along_x, along_y, chord_mm, reach[g],
            )  # fmt: skip
            if reach[g].max() <= bound:
                break
            bound = math.inf
        for k in range(reach.shape[1]):
            reach[g, k] = min(reach[g, k], rings[g, 3])


@njit(cache=True, nogil=True)
def _away(px, py, kind, sx, sy, ex, ey, cx, cy):
    """Plan distance of a point to the path of a move."""
    if kind < 2:
        return point_line(px, py, sx, sy, ex, ey)
    return arc_distance(px, py, sx, sy, ex, ey, cx, cy, arc_sweep(kind, sx, sy, ex, ey, cx, cy))


@njit(cache=True, nogil=True)
def _farthest(i, ring, kind, start, end, centre, row, shape, radius, tip, slope, chord_mm):
    """How far from the ring's centre the flank of move i may clear at its height."""
    px, py, z = ring[0], ring[1], ring[2]
    f = max(math.hypot(start[i, 0] - px, start[i, 1] - py), math.hypot(end[i, 0] - px, end[i, 1] - py))
    if kind[i] >= 2:
        # The farthest point of an arc's circle lies beyond its centre; it counts if the arc gets there.
        ox, oy = centre[i, 0] - px, centre[i, 1] - py
        off = math.hypot(ox, oy)
        arc = math.hypot(start[i, 0] - centre[i, 0], start[i, 1] - centre[i, 1])
        if off < TOUCH or chord_mm > _away(
            centre[i, 0] + arc * ox / off, centre[i, 1] + arc * oy / off, kind[i], start[i, 0], start[i, 1], end[i, 0],
            end[i, 1], centre[i, 0], centre[i, 1],
        ):  # fmt: skip
            f = max(f, off + arc)
    c = row[i]
    h = z - min(start[i, 2], end[i, 2])
    return f + (profile(h, shape[c], radius[c], tip[c], slope[c]) if h >= 0.0 else radius[c])


@njit(cache=True, nogil=True)
def _clear(
    ring, near, far, close, kind, start, end, centre, row, shape, radius, tip, slope, along_x, along_y, chord_mm, front
):  # fmt: skip
    """Push the fronts of all rays out over these moves, innermost first, until none moves any more."""
    px, py, z, most = ring[0], ring[1], ring[2], ring[3]
    front[:] = 0.0
    order = np.argsort(far, kind="mergesort")
    moved = True
    while moved:
        moved = False
        for e in order:
            i = near[e]
            if min(start[i, 2], end[i, 2]) > z or far[e] <= front.min() + chord_mm:
                continue
            if close[e] > front.max() + chord_mm:
                continue
            c = row[i]
            if _sweep_move(i, z, px, py, kind, start, end, centre, shape[c], radius[c], tip[c], slope[c], chord_mm,
                           along_x, along_y, front):  # fmt: skip
                moved = True
        if front.min() >= most:
            break


@njit(cache=True, nogil=True)
def gaps(
    samples, sample_first, first, items, kind, start, end, centre, row, shape, radius, tip, slope, gap,
):  # fmt: skip
    """Lower gap (n,) to the least distance between a flank and each sample (n, 3); it starts at the largest seen."""
    for g in range(len(first) - 1):
        for e in range(first[g], first[g + 1]):
            i = items[e]
            c = row[i]
            x0, y0, z0, x1, y1, z1 = start[i, 0], start[i, 1], start[i, 2], end[i, 0], end[i, 1], end[i, 2]
            sweep = 0.0
            if kind[i] >= 2:
                sweep = arc_sweep(kind[i], x0, y0, x1, y1, centre[i, 0], centre[i, 1])
            steps = N_STEPS if shape[c] != FLAT and z0 != z1 else 1
            lx, ly, hx, hy = _box(kind[i], x0, y0, x1, y1, centre[i, 0], centre[i, 1], radius[c])
            for s in range(sample_first[g], sample_first[g + 1]):
                x, y, z = samples[s, 0], samples[s, 1], samples[s, 2]
                seen = gap[s]
                if min(z0, z1) > z or x < lx - seen or x > hx + seen or y < ly - seen or y > hy + seen:
                    continue
                for k in range(steps):
                    f0, f1 = k / steps, (k + 1) / steps
                    za, zb = z0 + f0 * (z1 - z0), z0 + f1 * (z1 - z0)
                    if min(za, zb) > z:
                        continue
                    if za > z:
                        f0 = f0 + (f1 - f0) * (za - z) / (za - zb)
                    elif zb > z:
                        f1 = f0 + (f1 - f0) * (z - za) / (zb - za)
                    upright = x0 == x1 and y0 == y1 and kind[i] < 2
                    h = z - (min(za, zb) if upright else min(z, max(za, zb)))
                    if kind[i] < 2:
                        d = point_line(x, y, x0 + f0 * (x1 - x0), y0 + f0 * (y1 - y0), x0 + f1 * (x1 - x0),
                                       y0 + f1 * (y1 - y0))  # fmt: skip
                    else:
                        d = _arc_part(x, y, x0, y0, x1, y1, centre[i, 0], centre[i, 1], sweep, f0, f1)
                    d -= profile(h, shape[c], radius[c], tip[c], slope[c])
                    if d < gap[s]:
                        gap[s] = d


@njit(cache=True, nogil=True)
def point_line(px, py, ax, ay, bx, by):
    """Plan distance of a point to a segment."""
    dx, dy = bx - ax, by - ay
    n = dx * dx + dy * dy
    t = 0.0
    if n > 0.0:
        t = min(1.0, max(0.0, ((px - ax) * dx + (py - ay) * dy) / n))
    qx, qy = px - ax - t * dx, py - ay - t * dy
    return math.sqrt(qx * qx + qy * qy)


@njit(cache=True, nogil=True)
def _arc_part(px, py, sx, sy, ex, ey, cx, cy, sweep, f0, f1):
    """Plan distance of a point to the stretch f0 to f1 of an arc."""
    if f0 <= 0.0 and f1 >= 1.0:
        return arc_distance(px, py, sx, sy, ex, ey, cx, cy, sweep)
    a0, a1 = f0 * sweep, f1 * sweep
    dx, dy = sx - cx, sy - cy
    return arc_distance(
        px, py, cx + dx * math.cos(a0) - dy * math.sin(a0), cy + dx * math.sin(a0) + dy * math.cos(a0),
        cx + dx * math.cos(a1) - dy * math.sin(a1), cy + dx * math.sin(a1) + dy * math.cos(a1), cx, cy, a1 - a0,
    )  # fmt: skip


@njit(cache=True, nogil=True)
def inside_by(points, polygon, out):
    """Signed distance of points (n, 2) to a polygon's edge (m, 2), positive inside, into out (n,)."""
    n = len(polygon)
    for p in range(len(points)):
        x, y = points[p, 0], points[p, 1]
        best, inside = math.inf, False
        ax, ay = polygon[n - 1, 0], polygon[n - 1, 1]
        for i in range(n):
            bx, by = polygon[i, 0], polygon[i, 1]
            if (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * (bx - ax):
                inside = not inside
            dx, dy = bx - ax, by - ay
            m = dx * dx + dy * dy
            t = 0.0
            if m > 0.0:
                t = min(1.0, max(0.0, ((x - ax) * dx + (y - ay) * dy) / m))
            d = (x - ax - t * dx) * (x - ax - t * dx) + (y - ay - t * dy) * (y - ay - t * dy)
            best = min(best, d)
            ax, ay = bx, by
        out[p] = math.sqrt(best) if inside else -math.sqrt(best)


@njit(cache=True, nogil=True)
def fit_circle(points, aside_mm, aside_times, enough, rounds, done_mm, fit):
    """Circle of least squares through points (n, 2) round the origin, into fit (3: x, y, radius); False when it is not
    round, or fewer than `enough` points are left. Points far off (a slot that opens into the hole) are left out: by
    more than `aside_mm`, and so many times the middle one."""
    n = len(points)
    x, y = points[:, 0].copy(), points[:, 1].copy()
    off = np.sqrt(x * x + y * y)
    off = np.abs(off - np.median(off))
    n = _nearest(x, y, off, n, max(aside_mm, 2.0 * aside_times * np.median(off)))
    for _ in range(rounds):
        if n < enough or not _least_squares(x[:n], y[:n], rounds, done_mm, fit):
            return False
        for k in range(n):
            dx, dy = x[k] - fit[0], y[k] - fit[1]
            off[k] = abs(math.sqrt(dx * dx + dy * dy) - fit[2])
        kept = _nearest(x, y, off, n, max(aside_mm, aside_times * np.median(off[:n])))
        if kept == n:
            return off[:n].max() <= aside_mm
        n = kept
    return False


@njit(cache=True, nogil=True)
def _nearest(x, y, off, n, most):
    """Move those of the first n points that are off by no more to the front; how many they are."""
    kept = 0
    for k in range(n):
        if off[k] <= most:
            x[kept], y[kept] = x[k], y[k]
            kept += 1
    return kept


@njit(cache=True, nogil=True)
def _least_squares(x, y, rounds, done_mm, fit):
    """Circle of least squares by Gauss-Newton steps, from the origin; False where the points say nothing."""
    fit[:] = 0.0
    for _ in range(rounds):
        # With (u, v) the direction of a point and e its distance to the circle: sums of uu, uv, vv, u, v, ue, ve, e.
        uu, uv, vv, u1, v1, ue, ve, e1 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(len(x)):
            u, v = x[k] - fit[0], y[k] - fit[1]
            rho = math.sqrt(u * u + v * v)
            if rho == 0.0:
                return False
            u, v, e = u / rho, v / rho, rho - fit[2]
            uu, uv, vv, u1, v1 = uu + u * u, uv + u * v, vv + v * v, u1 + u, v1 + v
            ue, ve, e1 = ue + u * e, ve + v * e, e1 + e
        n = len(x)
        # The radius first: each of its equation's terms taken off the other two.
        suu, suv, svv = uu - u1 * u1 / n, uv - u1 * v1 / n, vv - v1 * v1 / n
        sue, sve = ue - u1 * e1 / n, ve - v1 * e1 / n
        size = suu * svv - suv * suv
        if size <= 0.0:
            return False
        dx, dy = (sue * svv - sve * suv) / size, (sve * suu - sue * suv) / size
        dr = (e1 - u1 * dx - v1 * dy) / n
        fit[0], fit[1], fit[2] = fit[0] + dx, fit[1] + dy, fit[2] + dr
        if max(abs(dx), abs(dy), abs(dr)) < done_mm:
            break
    return True


@njit(cache=True, nogil=True)
def on_triangles(points, triangles, slack, keep):
    """Set keep (n,) where a point (n, 2) lies on a triangle (k, 6) of either turn, or beside it: twice the area between
    the point and each edge may be `slack` on the wrong side, mm2. In place."""
    for t in range(len(triangles)):
        ax, ay, bx, by, cx, cy = triangles[t]
        for p in range(len(points)):
            x, y = points[p, 0], points[p, 1]
            one = (bx - ax) * (y - ay) - (by - ay) * (x - ax)
            two = (cx - bx) * (y - by) - (cy - by) * (x - bx)
            three = (ax - cx) * (y - cy) - (ay - cy) * (x - cx)
            if min(one, two, three) >= -slack or max(one, two, three) <= slack:
                keep[p] = True
