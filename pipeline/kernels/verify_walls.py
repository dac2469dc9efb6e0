"""Exact distances between swept cutters and the true solids, for the verifier.

Words. A *piece* is a short straight stretch of tip motion (x0, y0, z0, x1, y1, z1). A *sample* is a point on a wall
of a part. The *bins* are square plan cells that list what lies in them.

Gouge test. A point q of the solid is inside the flat cutter of radius R when its plan distance d to the path is under
R and it lies above the tip; it is cut into by min(R - d, q_z - tip). So each triangle is clipped to the heights above
the tip plus the floor's tolerance, and the plan distance of what is left to the piece is exact: floors count by
depth, walls by radius. Sloping pieces are halved in height until a step is below `z_step_mm`; the lowest height of a
step counts, so the answer is on the safe side by at most that. Other cutters: the depth
min(R(q_z - tip) - d, q_z - tip) is concave over the triangle where the cutter's profile R(h) is concave (cone, ball),
so a nested golden section finds its maximum; it is
sought only where the coarse bound is over the tolerance.

Left test. For each sample the least of d - R(h) over all pieces whose tip is below it: what a flank left there.

Obstacle test. Plan distance of pieces to polygons on the bed, with every stage of the tool.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

FLAT, CONE, BALL, ROUNDED = 0, 1, 2, 3
N_STAGES = 4  # cutting edges, neck, shank, holder
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
NOISE_MM = 1e-9  # bounds are rounded, too
N_GOLDEN = 24  # 0.618^24 of a triangle's side is left


@njit(cache=True, nogil=True)
def point_segment(px, py, ax, ay, bx, by):
    """Plan distance of a point to a segment."""
    dx, dy = bx - ax, by - ay
    n = dx * dx + dy * dy
    t = 0.0
    if n > 0.0:
        t = min(1.0, max(0.0, ((px - ax) * dx + (py - ay) * dy) / n))
    return math.hypot(px - ax - t * dx, py - ay - t * dy)


@njit(cache=True, nogil=True)
def _side(ax, ay, bx, by, px, py):
    return (bx - ax) * (py - ay) - (by - ay) * (px - ax)


@njit(cache=True, nogil=True)
def segment_segment(ax, ay, bx, by, cx, cy, dx, dy):
    """Plan distance of two segments, 0 when they cross."""
    s1, s2 = _side(ax, ay, bx, by, cx, cy), _side(ax, ay, bx, by, dx, dy)
    s3, s4 = _side(cx, cy, dx, dy, ax, ay), _side(cx, cy, dx, dy, bx, by)
    if s1 * s2 < 0.0 and s3 * s4 < 0.0:
        return 0.0
    return min(
        min(point_segment(ax, ay, cx, cy, dx, dy), point_segment(bx, by, cx, cy, dx, dy)),
        min(point_segment(cx, cy, ax, ay, bx, by), point_segment(dx, dy, ax, ay, bx, by)),
    )


@njit(cache=True, nogil=True)
def _in_polygon(px, py, xs, ys, n):
    inside = False
    j = n - 1
    for i in range(n):
        if (ys[i] > py) != (ys[j] > py) and px < xs[i] + (py - ys[i]) / (ys[j] - ys[i]) * (xs[j] - xs[i]):
            inside = not inside
        j = i
    return inside


@njit(cache=True, nogil=True)
def segment_polygon(ax, ay, bx, by, xs, ys, n):
    """Plan distance of a segment to a filled polygon (a point or a line when flat)."""
    if n >= 3 and (_in_polygon(ax, ay, xs, ys, n) or _in_polygon(bx, by, xs, ys, n)):
        return 0.0
    best = math.inf
    j = n - 1
    for i in range(n):
        d = segment_segment(ax, ay, bx, by, xs[j], ys[j], xs[i], ys[i])
        if d < best:
            best = d
        j = i
    return best


@njit(cache=True, nogil=True)
def clip_above(tri, z, xs, ys):
    """Plan polygon of a triangle's part at or above height z, into xs, ys; returns its number of corners."""
    n = 0
    for a in range(3):
        b = a + 1 if a < 2 else 0
        za, zb = tri[3 * a + 2], tri[3 * b + 2]
        if za >= z:
            xs[n], ys[n] = tri[3 * a], tri[3 * a + 1]
            n += 1
        if (za >= z) != (zb >= z):
            f = (z - za) / (zb - za)
            xs[n] = tri[3 * a] + f * (tri[3 * b] - tri[3 * a])
            ys[n] = tri[3 * a + 1] + f * (tri[3 * b + 1] - tri[3 * a + 1])
            n += 1
    return n


@njit(cache=True, nogil=True)
def profile(h, shape, r, tip, slope):
    """Cutter radius at height h above the tip; minus infinity below it. slope is dz/dr of a cone, the corner radius of
    a rounded end mill."""
    if h < 0.0:
        return -math.inf
    if shape == FLAT:
        return r
    if shape == CONE:
        return min(r, tip + h / slope)
    if shape == ROUNDED:
        return r if h >= slope else tip + math.sqrt(max(0.0, slope * slope - (slope - h) * (slope - h)))
    return r if h >= r else math.sqrt(max(0.0, r * r - (r - h) * (r - h)))


@njit(cache=True, nogil=True)
def _depth_at(tri, u, v, ax, ay, bx, by, zt, lift, shape, r, tip, slope):
    """Depth of the point tri0 + u (tri1 - tri0) + v (tri2 - tri0) in a cone or ball; concave in u and v, so the
    profile is carried on steeply below the tip. `lift` is added to the height over the tip."""
    x = tri[0] + u * (tri[3] - tri[0]) + v * (tri[6] - tri[0])
    y = tri[1] + u * (tri[4] - tri[1]) + v * (tri[7] - tri[1])
    h = tri[2] + u * (tri[5] - tri[2]) + v * (tri[8] - tri[2]) - zt
    if h >= 0.0:
        wide = profile(h, shape, r, tip, slope)
    elif shape == CONE:
        wide = tip + h / slope
    else:
        wide = tip + 1e3 * h
    dx, dy = bx - ax, by - ay
    n = dx * dx + dy * dy
    t = 0.0
    if n > 0.0:
        t = min(1.0, max(0.0, ((x - ax) * dx + (y - ay) * dy) / n))
    ox, oy = x - ax - t * dx, y - ay - t * dy
    return min(h + lift, wide - math.sqrt(ox * ox + oy * oy))


@njit(cache=True, nogil=True)
def _on_line(tri, u, ax, ay, bx, by, zt, lift, shape, r, tip, slope):
    """Largest depth for v in [0, 1 - u], by golden section."""
    lo, hi = 0.0, 1.0 - u
    m0, m1 = hi - GOLDEN * (hi - lo), lo + GOLDEN * (hi - lo)
    d0 = _depth_at(tri, u, m0, ax, ay, bx, by, zt, lift, shape, r, tip, slope)
    d1 = _depth_at(tri, u, m1, ax, ay, bx, by, zt, lift, shape, r, tip, slope)
    for _ in range(N_GOLDEN):
        if d0 < d1:
            lo, m0, d0 = m0, m1, d1
            m1 = lo + GOLDEN * (hi - lo)
            d1 = _depth_at(tri, u, m1, ax, ay, bx, by, zt, lift, shape, r, tip, slope)
        else:
            hi, m1, d1 = m1, m0, d0
            m0 = hi - GOLDEN * (hi - lo)
            d0 = _depth_at(tri, u, m0, ax, ay, bx, by, zt, lift, shape, r, tip, slope)
    return max(d0, d1)


@njit(cache=True, nogil=True)
def _deepest(tri, ax, ay, bx, by, zt, lift, shape, r, tip, slope):
    """Largest depth over a triangle: golden section in u over golden sections in v."""
    lo, hi = 0.0, 1.0
    m0, m1 = hi - GOLDEN * (hi - lo), lo + GOLDEN * (hi - lo)
    d0 = _on_line(tri, m0, ax, ay, bx, by, zt, lift, shape, r, tip, slope)
    d1 = _on_line(tri, m1, ax, ay, bx, by, zt, lift, shape, r, tip, slope)
    for _ in range(N_GOLDEN):
        if d0 < d1:
            lo, m0, d0 = m0, m1, d1
            m1 = lo + GOLDEN * (hi - lo)
            d1 = _on_line(tri, m1, ax, ay, bx, by, zt, lift, shape, r, tip, slope)
        else:
            hi, m1, d1 = m1, m0, d0
            m0 = hi - GOLDEN * (hi - lo)
            d0 = _on_line(tri, m0, ax, ay, bx, by, zt, lift, shape, r, tip, slope)
    return max(d0, d1)


@njit(cache=True, nogil=True)
def _at_most(tri, mx, my, tx, ty, half, zt, lift, shape, r, tip, slope):
    """What no depth of a triangle in a cone or ball is over. The piece: middle, direction, half its length.

    Its distance is at least that along one direction of plan, the one to the triangle's middle: linear, as a cone's
    profile is, so the corners bound the inside.
    """
    x, y = (tri[0] + tri[3] + tri[6]) / 3.0 - mx, (tri[1] + tri[4] + tri[7]) / 3.0 - my
    u, w = x * tx + y * ty, y * tx - x * ty
    u = u - half if u > half else (u + half if u < -half else 0.0)
    size = math.sqrt(u * u + w * w)
    u, w = (u / size, w / size) if size > 0.0 else (0.0, 0.0)
    over = max(tri[2], tri[5], tri[8]) - zt
    best, wide = -math.inf, profile(over, shape, r, tip, slope)
    for v in range(3):
        x, y = tri[3 * v] - mx, tri[3 * v + 1] - my
        if shape == CONE:
            wide = tip + (tri[3 * v + 2] - zt) / slope
        best = max(best, wide - u * (x * tx + y * ty) - w * (y * tx - x * ty))
    return min(over + lift, best + abs(u) * half)


@njit(cache=True, nogil=True)
def bin_boxes(boxes, x0, y0, bin_mm, n_rows, n_cols):
    """Bins of plan boxes (k, 4: low x, low y, high x, high y): first (bins + 1,) and items. Boxes lie in the grid."""
    first = np.zeros(n_rows * n_cols + 1, np.int64)
    items = np.empty(0, np.int32)
    for turn in range(2):
        if turn == 1:
            for c in range(n_rows * n_cols):
                first[c + 1] += first[c]
            items = np.empty(first[n_rows * n_cols], np.int32)
            fill = first[:-1].copy()
        for k in range(len(boxes)):
            ca = min(n_cols - 1, max(0, int((boxes[k, 0] - x0) / bin_mm)))
            cb = min(n_cols - 1, max(0, int((boxes[k, 2] - x0) / bin_mm)))
            ra = min(n_rows - 1, max(0, int((boxes[k, 1] - y0) / bin_mm)))
            rb = min(n_rows - 1, max(0, int((boxes[k, 3] - y0) / bin_mm)))
            for i in range(ra, rb + 1):
                for j in range(ca, cb + 1):
                    c = i * n_cols + j
                    if turn == 0:
                        first[c + 1] += 1
                    else:
                        items[fill[c]] = k
                        fill[c] += 1
    return first, items


@njit(cache=True, nogil=True)
def gouge_pieces(
    pieces, cutter, shape, radius, tip, slope, tris, circles, tops, floor_tol, wall_tol, first, items, bin_top, x0,
    y0, bin_mm, n_rows, n_cols, z_step_mm, xy_step_mm, start, stamp, mark, worst, worst_deep, worst_tri,
):  # fmt: skip
    """Largest depth less its tolerance of each piece into any triangle, into worst (m,), with that depth and the
    triangle's index, which stays as it is where nothing is over `start`. The tolerance is the wall's, or the floor's
    where that is smaller and the tip's depth, not the flank's, is the depth.

    Items lie in their bins by falling tops less floor_tol.

    tris (k, 9) three corners each; circles (k, 3: middle, radius) and tops (k,) bound them; floor_tol (k,) is how far
    a tip may be below a face, wall_tol (k,) how far a flank may be in it; bin_top (bins,) the highest triangle less its
    tolerance. start is what is not worth reporting, such as minus the largest wall_tol. stamp (k,) is of this thread
    alone, at most mark everywhere before; returns the mark after.
    """
    rows, cols = np.empty(n_rows * n_cols, np.int32), np.empty(n_rows * n_cols, np.int32)
    xs = np.empty(8, np.float64)
    ys = np.empty(8, np.float64)
    for k in range(len(pieces)):
        worst[k] = start
        g = cutter[k]
        if g < 0:
            continue
        r = radius[g]
        ax, ay, az = pieces[k, 0], pieces[k, 1], pieces[k, 2]
        bx, by, bz = pieces[k, 3], pieces[k, 4], pieces[k, 5]
        lowest = min(az, bz)
        if k > 0 and ax == bx and ay == by and cutter[k - 1] == g:
            p = pieces[k - 1]  # drills go back the way they came
            if p[0] == ax and p[3] == ax and p[1] == ay and p[4] == ay and min(p[2], p[5]) == lowest:
                worst[k], worst_deep[k], worst_tri[k] = worst[k - 1], worst_deep[k - 1], worst_tri[k - 1]
                continue
        ca = max(0, math.floor((min(ax, bx) - r - x0) / bin_mm))
        cb = min(n_cols - 1, math.floor((max(ax, bx) + r - x0) / bin_mm))
        ra = max(0, math.floor((min(ay, by) - r - y0) / bin_mm))
        rb = min(n_rows - 1, math.floor((max(ay, by) + r - y0) / bin_mm))
        n_bins = 0
        for i in range(ra, rb + 1):
            for j in range(ca, cb + 1):
                if bin_top[i * n_cols + j] > lowest:
                    rows[n_bins], cols[n_bins] = i, j
                    n_bins += 1
        if n_bins == 0:
            continue
        length = math.hypot(bx - ax, by - ay)
        steps = 1
        if length > 0.0 and az != bz:
            steps = max(1, min(math.ceil(abs(bz - az) / z_step_mm), math.ceil(length / xy_step_mm)))
        for s in range(steps):
            f0, f1 = s / steps, (s + 1) / steps
            px, py, qx, qy = ax, ay, bx, by
            zt = lowest
            if steps > 1:
                px, py = ax + f0 * (bx - ax), ay + f0 * (by - ay)
                qx, qy = ax + f1 * (bx - ax), ay + f1 * (by - ay)
                zt = min(az + f0 * (bz - az), az + f1 * (bz - az))
            mx, my = 0.5 * (px + qx), 0.5 * (py + qy)
            half = 0.5 * math.sqrt((qx - px) * (qx - px) + (qy - py) * (qy - py))
            tx, ty = (0.5 * (qx - px) / half, 0.5 * (qy - py) / half) if half > 0.0 else (1.0, 0.0)
            mark += 1
            for m in range(n_bins):
                i, j = rows[m], cols[m]
                c = i * n_cols + j
                if bin_top[c] <= zt:
                    continue
                # What reaches into this bin from nearer ones is listed there as well.
                ox = max(x0 + j * bin_mm - mx, mx - x0 - (j + 1) * bin_mm, 0.0)
                oy = max(y0 + i * bin_mm - my, my - y0 - (i + 1) * bin_mm, 0.0)
                if ox * ox + oy * oy >= (r + half) * (r + half):
                    continue
                for e in range(first[c], first[c + 1]):
                    t = items[e]
                    if tops[t] - floor_tol[t] <= zt:
                        break  # the rest of the bin is lower still
                    ox, oy = circles[t, 0] - mx, circles[t, 1] - my
                    along, across = max(abs(ox * tx + oy * ty) - half, 0.0), oy * tx - ox * ty
                    if along * along + across * across >= (r + circles[t, 2]) * (r + circles[t, 2]):
                        continue
                    if stamp[t] == mark:
                        continue
                    stamp[t] = mark
                    over, down_tol = tops[t] - zt, min(floor_tol[t], wall_tol[t])
                    if over - down_tol <= worst[k]:
                        continue
                    # Its corners, seen along the piece and across it, give a lower bound of its distance.
                    along, beyond, low, high = math.inf, -math.inf, math.inf, -math.inf
                    for v in range(3):
                        ox, oy = tris[t, 3 * v] - mx, tris[t, 3 * v + 1] - my
                        u, w = ox * tx + oy * ty, oy * tx - ox * ty
                        along, beyond = min(along, u), max(beyond, u)
                        low, high = min(low, w), max(high, w)
                    along = max(along - half, -half - beyond, 0.0)
                    across = max(low, -high, 0.0)
                    near = r - max(worst[k] + wall_tol[t], 0.0)
                    if near <= 0.0 or along * along + across * across >= near * near:
                        continue
                    tol = wall_tol[t]
                    # The height counts over its own tolerance: let a shaped tip in by the difference.
                    lift = tol - down_tol
                    if shape[g] != FLAT:
                        most = _at_most(tris[t], mx, my, tx, ty, half, zt, lift, shape[g], r, tip[g], slope[g])
                        if most + NOISE_MM <= max(worst[k] + tol, 0.0):
                            continue
                    n = clip_above(tris[t], zt + floor_tol[t], xs, ys)
                    if n == 0:
                        continue
                    depth = r - segment_polygon(px, py, qx, qy, xs, ys, n)
                    if depth - tol <= worst[k] or depth <= 0.0:
                        continue
                    if shape[g] != FLAT:
                        if depth <= tol:
                            continue
                        depth = _deepest(tris[t], px, py, qx, qy, zt, lift, shape[g], r, tip[g], slope[g])
                    elif over < depth:
                        if depth > tol:
                            tol = down_tol
                        depth = over
                    if depth > 0.0 and depth - tol > worst[k]:
                        worst[k] = depth - tol
                        worst_deep[k] = depth
                        worst_tri[k] = t
    return mark


@njit(cache=True, nogil=True)
def wall_points(tris, vertical, step_mm, least_mm):
    """Points evenly along every wall, at most step_mm apart: plan points (n, 2), lower and upper end of the wall there
    (n,), plan normals (n, 2), triangles (n,). Walls are triangles of |normal z| under `vertical`, at least least_mm
    long in plan."""
    count = np.zeros(len(tris), np.int64)
    xy, foot, head = np.empty((0, 2), np.float64), np.empty(0, np.float64), np.empty(0, np.float64)
    normal, triangle = np.empty((0, 2), np.float64), np.empty(0, np.int64)
    order = np.empty(3, np.int64)
    s = np.empty(3, np.float64)
    for turn in range(2):
        if turn == 1:
            n = count.sum()
            xy, foot, head = np.empty((n, 2), np.float64), np.empty(n, np.float64), np.empty(n, np.float64)
            normal, triangle = np.empty((n, 2), np.float64), np.empty(n, np.int64)
        at = 0
        for k in range(len(tris)):
            if turn == 1 and count[k] == 0:
                continue
            t = tris[k]
            ux, uy, uz, vx, vy, vz = t[3] - t[0], t[4] - t[1], t[5] - t[2], t[6] - t[0], t[7] - t[1], t[8] - t[2]
            nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
            if not abs(nz) < vertical * math.sqrt(nx * nx + ny * ny + nz * nz):
                continue
            size = math.sqrt(nx * nx + ny * ny)
            nx, ny = nx / size, ny / size
            for v in range(3):  # its corners in their order along the wall
                along = t[3 * v + 1] * nx - t[3 * v] * ny
                c = v
                while c > 0 and s[c - 1] > along:
                    s[c], order[c] = s[c - 1], order[c - 1]
                    c -= 1
                s[c], order[c] = along, v
            width = s[2] - s[0]
            if turn == 0:
                count[k] = math.ceil(width / step_mm) if width > least_mm else 0
                continue
            for i in range(count[k]):
                along = s[0] + width * (i + 0.5) / count[k]
                f = (along - s[0]) / width
                a, b = (0, 1) if along < s[1] else (1, 2)
                g = (along - s[a]) / (s[b] - s[a]) if s[b] > s[a] else 0.0
                p, q = t[3 * order[0] : 3 * order[0] + 3], t[3 * order[2] : 3 * order[2] + 3]
                za, zb = t[3 * order[a] + 2], t[3 * order[b] + 2]
                z0, z1 = p[2] + f * (q[2] - p[2]), za + g * (zb - za)
                xy[at, 0], xy[at, 1] = p[0] + f * (q[0] - p[0]), p[1] + f * (q[1] - p[1])
                foot[at], head[at] = min(z0, z1), max(z0, z1)
                normal[at, 0], normal[at, 1], triangle[at] = nx, ny, k
                at += 1
    return xy, foot, head, normal, triangle


@njit(cache=True, nogil=True)
def approach_samples(
    pieces, cutter, shape, radius, tip, slope, samples, far_mm, first, bin_top, x0, y0, bin_mm, n_rows, n_cols, best
):
    """Least gap between any flank of the pieces and each sample (k, 3), into best (k,); at most far_mm is seen.
    Samples lie bin by bin, each bin's by falling height."""
    for k in range(len(pieces)):
        g = cutter[k]
        if g < 0:
            continue
        ax, ay, az = pieces[k, 0], pieces[k, 1], pieces[k, 2]
        bx, by, bz = pieces[k, 3], pieces[k, 4], pieces[k, 5]
        zt = min(az, bz)
        r = radius[g]
        reach = r + far_mm
        ca = max(0, math.floor((min(ax, bx) - reach - x0) / bin_mm))
        cb = min(n_cols - 1, math.floor((max(ax, bx) + reach - x0) / bin_mm))
        ra = max(0, math.floor((min(ay, by) - reach - y0) / bin_mm))
        rb = min(n_rows - 1, math.floor((max(ay, by) + reach - y0) / bin_mm))
        n = (bx - ax) * (bx - ax) + (by - ay) * (by - ay)
        mx, my, half = 0.5 * (ax + bx), 0.5 * (ay + by), 0.5 * math.sqrt(n)
        tx, ty = (0.5 * (bx - ax) / half, 0.5 * (by - ay) / half) if half > 0.0 else (1.0, 0.0)
        for i in range(ra, rb + 1):
            for j in range(ca, cb + 1):
                c = i * n_cols + j
                if bin_top[c] < zt:
                    continue
                for s in range(first[c], first[c + 1]):
                    x, y, z = samples[s, 0], samples[s, 1], samples[s, 2]
                    if z < zt:
                        break
                    # The widest cutter could not be nearer than the nearest so far.
                    u, w = (x - mx) * tx + (y - my) * ty, (y - my) * tx - (x - mx) * ty
                    u = max(abs(u) - half, 0.0)
                    if u * u + w * w > (r + best[s]) * (r + best[s]) + NOISE_MM:
                        continue
                    t = 0.0
                    if n > 0.0:
                        t = min(1.0, max(0.0, ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / n))
                    h = z - (az + t * (bz - az)) if n > 0.0 else z - zt
                    if h < 0.0:
                        continue
                    gap = math.hypot(x - ax - t * (bx - ax), y - ay - t * (by - ay))
                    gap -= profile(h, shape[g], r, tip[g], slope[g])
                    if gap < best[s]:
                        best[s] = gap


@njit(cache=True, nogil=True)
def top_at(points, tris, first, items, x0, y0, bin_mm, n_rows, n_cols, slack_mm, top):
    """Raise top (n,) to the highest triangle over each plan point (n, 2); slack_mm is let in at edges."""
    for p in range(len(points)):
        x, y = points[p, 0], points[p, 1]
        i, j = math.floor((y - y0) / bin_mm), math.floor((x - x0) / bin_mm)
        if i < 0 or j < 0 or i >= n_rows or j >= n_cols:
            continue
        c = i * n_cols + j
        for e in range(first[c], first[c + 1]):
            t = tris[items[e]]
            area = (t[3] - t[0]) * (t[7] - t[1]) - (t[4] - t[1]) * (t[6] - t[0])
            size, sign = abs(area), 1.0 if area > 0.0 else -1.0
            wb = (x - t[0]) * (t[7] - t[1]) - (y - t[1]) * (t[6] - t[0])
            wc = (t[3] - t[0]) * (y - t[1]) - (t[4] - t[1]) * (x - t[0])
            # Most are far off, which needs neither a root nor a quotient: no root is over 1 and over its square.
            far = -1.01 * slack_mm * (size if size > 1.0 else 1.0)
            if (size < 1e-14) | (sign * wb < far) | (sign * wc < far) | (size - sign * (wb + wc) < far):
                continue
            if max(t[2], t[5], t[8]) <= top[p]:
                continue
            slack = slack_mm / math.sqrt(abs(area))
            wb /= area
            wc /= area
            if wb < -slack or wc < -slack or wb + wc > 1.0 + slack:
                continue
            h = t[2] + wb * (t[5] - t[2]) + wc * (t[8] - t[2])
            h = min(max(h, min(t[2], t[5], t[8])), max(t[2], t[5], t[8]))
            if h > top[p]:
                top[p] = h


@njit(cache=True, nogil=True)
def distance_to_triangles(points, tris, boxes, first, items, x0, y0, bin_mm, n_rows, n_cols, far_mm, best):
    """Distance of points (n, 3) to the nearest triangle within far_mm in plan, into best (n,)."""
    for p in range(len(points)):
        x, y, z = points[p, 0], points[p, 1], points[p, 2]
        ca = max(0, math.floor((x - far_mm - x0) / bin_mm))
        cb = min(n_cols - 1, math.floor((x + far_mm - x0) / bin_mm))
        ra = max(0, math.floor((y - far_mm - y0) / bin_mm))
        rb = min(n_rows - 1, math.floor((y + far_mm - y0) / bin_mm))
        for i in range(ra, rb + 1):
            for j in range(ca, cb + 1):
                c = i * n_cols + j
                for e in range(first[c], first[c + 1]):
                    t = items[e]
                    if boxes[t, 0] - x > best[p] or x - boxes[t, 2] > best[p]:
                        continue
                    if boxes[t, 1] - y > best[p] or y - boxes[t, 3] > best[p]:
                        continue
                    d = point_triangle(x, y, z, tris[t])
                    if d < best[p]:
                        best[p] = d


@njit(cache=True, nogil=True)
def point_triangle(px, py, pz, tri):
    """Distance of a point to a triangle (9,). Source: Ericson, Real-Time Collision Detection, 5.1.5 (from memory)."""
    ax, ay, az = tri[0], tri[1], tri[2]
    ux, uy, uz = tri[3] - ax, tri[4] - ay, tri[5] - az
    vx, vy, vz = tri[6] - ax, tri[7] - ay, tri[8] - az
    wx, wy, wz = px - ax, py - ay, pz - az
    uu, vv, uv = ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, ux * vx + uy * vy + uz * vz
    d1, d2 = ux * wx + uy * wy + uz * wz, vx * wx + vy * wy + vz * wz
    det = uu * vv - uv * uv
    if det > 0.0:
        s, t = (vv * d1 - uv * d2) / det, (uu * d2 - uv * d1) / det
        if s >= 0.0 and t >= 0.0 and s + t <= 1.0:
            return math.sqrt(
                (wx - s * ux - t * vx) ** 2 + (wy - s * uy - t * vy) ** 2 + (wz - s * uz - t * vz) ** 2
            )
    best = math.inf
    for k in range(3):
        if k == 0:
            s = 0.0 if uu == 0.0 else min(1.0, max(0.0, d1 / uu))
            t = 0.0
        elif k == 1:
            s = 0.0
            t = 0.0 if vv == 0.0 else min(1.0, max(0.0, d2 / vv))
        else:
            n = uu - 2.0 * uv + vv
            t = 0.0 if n == 0.0 else min(1.0, max(0.0, (d2 - d1 + uu - uv) / n))
            s = 1.0 - t
        d = math.sqrt((wx - s * ux - t * vx) ** 2 + (wy - s * uy - t * vy) ** 2 + (wz - s * uz - t * vz) ** 2)
        best = min(best, d)
    return best


@njit(cache=True, nogil=True)
def obstacle_gaps(pieces, cutter, stage_z, stage_r, polygon, height, see_mm, gap, stage_hit, clear_z):
    """For each piece the least plan gap of any stage that is below `height` to a polygon (n, 2), into gap (m,).

    stage_z, stage_r (cutters, 4): lower end above the tip and radius of edges, neck, shank, holder. stage_hit (m,) is
    the stage of the least gap, clear_z (m,) its height at the lower end of the piece. Gaps over see_mm are not seen.
    """
    n = len(polygon)
    xs, ys = polygon[:, 0].copy(), polygon[:, 1].copy()
    lx, hx, ly, hy = xs.min(), xs.max(), ys.min(), ys.max()
    for k in range(len(pieces)):
        g = cutter[k]
        if g < 0:
            continue
        zmin = min(pieces[k, 2], pieces[k, 5])
        widest = -1.0
        for s in range(N_STAGES):
            if zmin + stage_z[g, s] < height:
                widest = max(widest, stage_r[g, s])
        if widest < 0.0:
            continue
        ax, ay, bx, by = pieces[k, 0], pieces[k, 1], pieces[k, 3], pieces[k, 4]
        reach = widest + see_mm
        if max(ax, bx) < lx - reach or min(ax, bx) > hx + reach:
            continue
        if max(ay, by) < ly - reach or min(ay, by) > hy + reach:
            continue
        d = segment_polygon(ax, ay, bx, by, xs, ys, n)
        for s in range(N_STAGES):
            if zmin + stage_z[g, s] < height and d - stage_r[g, s] < gap[k]:
                gap[k] = d - stage_r[g, s]
                stage_hit[k] = s
                clear_z[k] = zmin + stage_z[g, s]
