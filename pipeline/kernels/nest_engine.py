"""The nesting engine: overlap energy on signed-distance grids, its minimiser, guided separation, filling with discs.

Words. A *body* is one copy of a *kind*; its pose is (x, y, angle) of the kind's reference point. A kind is either an
exact disc (`radius` > 0) or a polygon with a *grid* of signed distances (negative inside) and *samples* along its
boundary. The *slack* grid is the container: distance to the outline or a keep-out less the gap wanted there, positive
where a point may lie. *Pins* are the container's own corners with the gap each wants, looked up in the kinds' grids,
so that a corner between two samples is not missed. All mm and rad, all poses in one frame.

Energy: sum over samples of max(0, need - distance)^2, A sampled in B's grid and B in A's. It is zero exactly when
every sample keeps its distance, and its gradient moves and turns bodies continuously.
Separation: guided local search; relocate colliding bodies, minimise jointly, raise the weights of the pairs that still
collide (idea: Umetani et al. 2009 for polygons with overlap penalties; numbers here are our own, from memory).
Disc filling: sweeps and hexagonal lattices as starts, then one disc into the deepest void and a joint minimisation,
shaking, and ruin-and-recreate.

Randomness is a 31-bit multiplicative congruential generator (multiplier 48271; Park, Miller and Stockmeyer 1993, from
memory) held in `state` (1,) int64: the same numbers with and without compilation.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

FAR = 1e9
_MEMORY = 8  # pairs kept by the quasi-Newton minimiser
_SKIN = 3.0  # mm a body may move before the neighbour list is built again
_STALL = 0.03  # a descent that gains less than this share of its energy in ten steps has stalled
_STEP = 4.0  # mm, longest move of a coordinate in one step


class World(NamedTuple):
    """Kinds and container, packed flat. k kinds, m samples, p pins."""

    gap: float  # wanted between two bodies, mm
    safety: float  # added to every need, mm; covers grid interpolation and the minimiser's tolerance
    radius: np.ndarray  # (k,) disc radius, 0 for a polygon
    reach: np.ndarray  # (k,) farthest boundary point from the reference point
    lever: np.ndarray  # (k,) mm of boundary motion per rad; 0 when the angle must not move
    sample_start: np.ndarray  # (k + 1,) int64
    samples: np.ndarray  # (m, 2)
    grid_start: np.ndarray  # (k,) int64 into grids
    grid_nx: np.ndarray  # (k,) int64
    grid_ny: np.ndarray  # (k,) int64
    grid_x0: np.ndarray  # (k,)
    grid_y0: np.ndarray  # (k,)
    grid_cell: np.ndarray  # (k,)
    grids: np.ndarray  # flat float32, row-major per kind
    slack: np.ndarray  # (ny, nx) float32
    slack_x0: float
    slack_y0: float
    slack_cell: float
    pins: np.ndarray  # (p, 3) x, y, need


@njit(cache=True, nogil=True)
def draw(state):
    """Next number in (0, 1)."""
    state[0] = (state[0] * 48271) % 2147483647
    return state[0] / 2147483647.0


@njit(cache=True, nogil=True)
def distance_grid(polygon, x0, y0, cell, nx, ny):
    """Signed distance (ny, nx) float32 to a closed polygon (n, 2), negative inside, by brute force over the edges."""
    out = np.empty((ny, nx), dtype=np.float32)
    n = polygon.shape[0]
    for iy in range(ny):
        y = y0 + iy * cell
        for ix in range(nx):
            x = x0 + ix * cell
            best = FAR * FAR
            is_inside = False
            ax = polygon[n - 1, 0]
            ay = polygon[n - 1, 1]
            for k in range(n):
                bx = polygon[k, 0]
                by = polygon[k, 1]
                ex = bx - ax
                ey = by - ay
                length2 = ex * ex + ey * ey
                t = 0.0
                if length2 > 0.0:
                    t = min(1.0, max(0.0, ((x - ax) * ex + (y - ay) * ey) / length2))
                dx = x - ax - t * ex
                dy = y - ay - t * ey
                best = min(best, dx * dx + dy * dy)
                if (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * ex:
                    is_inside = not is_inside
                ax = bx
                ay = by
            d = math.sqrt(best)
            out[iy, ix] = -d if is_inside else d
    return out


@njit(cache=True, nogil=True)
def _distance_at(world, kind, u, v):
    """Bilinear signed distance and its gradient at (u, v) in the kind's frame; FAR outside the grid."""
    cell = world.grid_cell[kind]
    fx = (u - world.grid_x0[kind]) / cell
    fy = (v - world.grid_y0[kind]) / cell
    nx = world.grid_nx[kind]
    if not (fx >= 0.0 and fy >= 0.0 and fx < nx - 1 and fy < world.grid_ny[kind] - 1):
        return FAR, 0.0, 0.0
    ix = int(fx)
    iy = int(fy)
    tx = fx - ix
    ty = fy - iy
    at = world.grid_start[kind] + iy * nx + ix
    a = float(world.grids[at])
    b = float(world.grids[at + 1])
    c = float(world.grids[at + nx])
    d = float(world.grids[at + nx + 1])
    low = a + (b - a) * tx
    high = c + (d - c) * tx
    return low + (high - low) * ty, ((b - a) * (1.0 - ty) + (d - c) * ty) / cell, (high - low) / cell


@njit(cache=True, nogil=True)
def slack_at(world, x, y):
    """Bilinear container slack and its gradient; beyond the grid it falls with the distance to the grid."""
    ny, nx = world.slack.shape
    cell = world.slack_cell
    fx = (x - world.slack_x0) / cell
    fy = (y - world.slack_y0) / cell
    cx = min(max(fx, 0.0), nx - 1.0001)
    cy = min(max(fy, 0.0), ny - 1.0001)
    ix = int(cx)
    iy = int(cy)
    tx = cx - ix
    ty = cy - iy
    a = float(world.slack[iy, ix])
    b = float(world.slack[iy, ix + 1])
    c = float(world.slack[iy + 1, ix])
    d = float(world.slack[iy + 1, ix + 1])
    low = a + (b - a) * tx
    high = c + (d - c) * tx
    value = low + (high - low) * ty
    if cx == fx and cy == fy:
        return value, ((b - a) * (1.0 - ty) + (d - c) * ty) / cell, (high - low) / cell
    ox = (fx - cx) * cell
    oy = (fy - cy) * cell
    out = math.sqrt(ox * ox + oy * oy)
    return value - out, -ox / out, -oy / out


@njit(cache=True, nogil=True)
def _wall(world, kind, x, y, c, s, g):
    """Energy and worst shortfall of a body against the container; adds its gradient to g[0:3]."""
    e = 0.0
    worst = 0.0
    radius = world.radius[kind]
    if radius > 0.0:
        v, gx, gy = slack_at(world, x, y)
        short = world.safety + radius - v
        if short > 0.0:
            g[0] -= 2.0 * short * gx
            g[1] -= 2.0 * short * gy
            e += short * short
            worst = short
    else:
        for k in range(world.sample_start[kind], world.sample_start[kind + 1]):
            u = world.samples[k, 0]
            w = world.samples[k, 1]
            rx = c * u - s * w
            ry = s * u + c * w
            v, gx, gy = slack_at(world, x + rx, y + ry)
            short = world.safety - v
            if short > 0.0:
                f = 2.0 * short
                g[0] -= f * gx
                g[1] -= f * gy
                g[2] -= f * (gy * rx - gx * ry)
                e += short * short
                worst = max(worst, short)
    reach = world.reach[kind]
    for k in range(world.pins.shape[0]):
        px = world.pins[k, 0] - x
        py = world.pins[k, 1] - y
        need = world.pins[k, 2] + world.safety
        if px * px + py * py >= (reach + need) * (reach + need):
            continue
        if radius > 0.0:
            continue  # a disc has the slack at its centre, which knows every corner
        d, gu, gv = _distance_at(world, kind, c * px + s * py, c * py - s * px)
        short = need - d
        if short > 0.0:
            gx = c * gu - s * gv
            gy = s * gu + c * gv
            f = 2.0 * short
            g[0] += f * gx
            g[1] += f * gy
            g[2] += f * (px * gy - py * gx)
            e += short * short
            worst = max(worst, short)
    return e, worst


@njit(cache=True, nogil=True)
def _samples_in(world, ka, xa, ya, ca, sa, kb, xb, yb, cb, sb, g, oa, ob):
    """A's samples in B's grid: energy, worst shortfall; gradients into g[oa:oa + 3] and g[ob:ob + 3]."""
    e = 0.0
    worst = 0.0
    need = world.gap + world.safety
    # A's frame straight into B's: one rotation per sample instead of two
    cr = ca * cb + sa * sb
    sr = sa * cb - ca * sb
    dx = xa - xb
    dy = ya - yb
    u0 = cb * dx + sb * dy
    v0 = cb * dy - sb * dx
    if world.radius[ka] > 0.0:
        d, gu, gv = _distance_at(world, kb, u0, v0)
        short = need + world.radius[ka] - d
        if short > 0.0:
            gx = cb * gu - sb * gv
            gy = sb * gu + cb * gv
            f = 2.0 * short
            g[oa] -= f * gx
            g[oa + 1] -= f * gy
            g[ob] += f * gx
            g[ob + 1] += f * gy
            g[ob + 2] += f * (dx * gy - dy * gx)
            e = short * short
            worst = short
        return e, worst
    cell = world.grid_cell[kb]
    x0 = world.grid_x0[kb]
    y0 = world.grid_y0[kb]
    x1 = x0 + (world.grid_nx[kb] - 1) * cell
    y1 = y0 + (world.grid_ny[kb] - 1) * cell
    for k in range(world.sample_start[ka], world.sample_start[ka + 1]):
        su = world.samples[k, 0]
        sv = world.samples[k, 1]
        u = u0 + cr * su - sr * sv
        v = v0 + sr * su + cr * sv
        if u < x0 or v < y0 or u >= x1 or v >= y1:
            continue
        d, gu, gv = _distance_at(world, kb, u, v)
        short = need - d
        if short > 0.0:
            gx = cb * gu - sb * gv
            gy = sb * gu + cb * gv
            f = 2.0 * short
            rx = ca * su - sa * sv
            ry = sa * su + ca * sv
            wx = dx + rx
            wy = dy + ry
            g[oa] -= f * gx
            g[oa + 1] -= f * gy
            g[oa + 2] -= f * (gy * rx - gx * ry)
            g[ob] += f * gx
            g[ob + 1] += f * gy
            g[ob + 2] += f * (wx * gy - wy * gx)
            e += short * short
            worst = max(worst, short)
    return e, worst


@njit(cache=True, nogil=True)
def _pair(world, ki, xi, yi, ci, si, kj, xj, yj, cj, sj, g):
    """Energy and worst shortfall of two bodies; gradients into g[0:3] and g[3:6]."""
    ri = world.radius[ki]
    rj = world.radius[kj]
    dx = xi - xj
    dy = yi - yj
    need = world.gap + world.safety
    if ri > 0.0 and rj > 0.0:
        far2 = dx * dx + dy * dy
        least = ri + rj + need
        if far2 >= least * least:
            return 0.0, 0.0
        d = math.sqrt(far2)
        short = least - d
        if d < 1e-9:
            dx, dy, d = 1e-9, 0.0, 1e-9
        f = 2.0 * short / d
        g[0] -= f * dx
        g[1] -= f * dy
        g[3] += f * dx
        g[4] += f * dy
        return short * short, short
    reach = world.reach[ki] + world.reach[kj] + need
    if dx * dx + dy * dy >= reach * reach:
        return 0.0, 0.0
    e = 0.0
    worst = 0.0
    if rj <= 0.0:
        e, worst = _samples_in(world, ki, xi, yi, ci, si, kj, xj, yj, cj, sj, g, 0, 3)
    if ri <= 0.0:
        e2, worst2 = _samples_in(world, kj, xj, yj, cj, sj, ki, xi, yi, ci, si, g, 3, 0)
        e += e2
        worst = max(worst, worst2)
    return e, worst


@njit(cache=True, nogil=True)
def _turns(poses, n, turns):
    for i in range(n):
        turns[i, 0] = math.cos(poses[i, 2])
        turns[i, 1] = math.sin(poses[i, 2])


@njit(cache=True, nogil=True)
def _neighbours(world, kinds, poses, n, scale, pairs):
    """Pairs that could touch before anything moved by half the skin; pairs of two unmovable bodies are left out."""
    count = 0
    for i in range(n):
        for j in range(i):
            if scale[i, 0] == 0.0 and scale[j, 0] == 0.0:
                continue
            reach = world.reach[kinds[i]] + world.reach[kinds[j]] + world.gap + world.safety + _SKIN
            dx = poses[i, 0] - poses[j, 0]
            dy = poses[i, 1] - poses[j, 1]
            if dx * dx + dy * dy < reach * reach:
                pairs[count, 0] = i
                pairs[count, 1] = j
                count += 1
    return count


@njit(cache=True, nogil=True)
def energy(world, kinds, poses, n, scale, weights, pairs, n_pairs, pull_x, pull_y, grad):
    """Weighted energy, worst shortfall (mm), and the gradient (n, 3) in scaled coordinates.

    `weights` (N + 1, N + 1): pair weights, the last column is the wall. `scale` (n, 3) is 0 for what must not move.
    """
    g = np.zeros(6)
    turns = np.empty((n, 2))
    _turns(poses, n, turns)
    total = 0.0
    worst = 0.0
    wall = weights.shape[0] - 1
    for i in range(n):
        grad[i, 0] = 0.0
        grad[i, 1] = 0.0
        grad[i, 2] = 0.0
        if scale[i, 0] == 0.0:
            continue
        g[0] = 0.0
        g[1] = 0.0
        g[2] = 0.0
        e, short = _wall(world, kinds[i], poses[i, 0], poses[i, 1], turns[i, 0], turns[i, 1], g)
        if e > 0.0:
            w = weights[i, wall]
            total += w * e
            worst = max(worst, short)
            for k in range(3):
                grad[i, k] += w * g[k]
        total += pull_x * poses[i, 0] + pull_y * poses[i, 1]
        grad[i, 0] += pull_x
        grad[i, 1] += pull_y
    for p in range(n_pairs):
        i = pairs[p, 0]
        j = pairs[p, 1]
        for k in range(6):
            g[k] = 0.0
        e, short = _pair(world, kinds[i], poses[i, 0], poses[i, 1], turns[i, 0], turns[i, 1],
                         kinds[j], poses[j, 0], poses[j, 1], turns[j, 0], turns[j, 1], g)
        if e > 0.0:
            w = weights[i, j]
            total += w * e
            worst = max(worst, short)
            for k in range(3):
                grad[i, k] += w * g[k]
                grad[j, k] += w * g[3 + k]
    for i in range(n):
        for k in range(3):
            grad[i, k] *= scale[i, k]
    return total, worst


@njit(cache=True, nogil=True)
def minimise(world, kinds, poses, n, scale, weights, pull_x, pull_y, iterations, tol):
    """Limited-memory quasi-Newton descent on `poses` in place; returns the worst shortfall, mm.

    Stops when the worst shortfall is at most `tol` (without a pull), when it stalls, or after `iterations`.
    Source: Nocedal and Wright, Numerical Optimization, 2nd ed., algorithm 7.4 (two-loop recursion), from memory.
    """
    dim = 3 * n
    grad = np.zeros((n, 3))
    trial_grad = np.zeros((n, 3))
    trial = np.empty((n, 3))
    step = np.zeros(dim)
    s_list = np.zeros((_MEMORY, dim))
    y_list = np.zeros((_MEMORY, dim))
    rho = np.zeros(_MEMORY)
    alpha = np.zeros(_MEMORY)
    pairs = np.empty((n * (n - 1) // 2 + 1, 2), dtype=np.int64)
    built = poses[:n, :2].copy()
    n_pairs = _neighbours(world, kinds, poses, n, scale, pairs)
    has_pull = pull_x != 0.0 or pull_y != 0.0
    e, worst = energy(world, kinds, poses, n, scale, weights, pairs, n_pairs, pull_x, pull_y, grad)
    kept = 0
    marked = e
    for it in range(iterations):
        if not has_pull and worst <= tol:
            break
        if it % 10 == 9:
            if marked - e < _STALL * abs(marked):
                break
            marked = e
        for i in range(n):
            for k in range(3):
                step[3 * i + k] = -grad[i, k]
        for back in range(min(kept, _MEMORY)):
            m = (kept - 1 - back) % _MEMORY
            dot = 0.0
            for k in range(dim):
                dot += s_list[m, k] * step[k]
            alpha[m] = rho[m] * dot
            for k in range(dim):
                step[k] -= alpha[m] * y_list[m, k]
        if kept > 0:
            m = (kept - 1) % _MEMORY
            yy = 0.0
            for k in range(dim):
                yy += y_list[m, k] * y_list[m, k]
            first = 1.0 / (rho[m] * yy)
            for k in range(dim):
                step[k] *= first
            for back in range(min(kept, _MEMORY)):
                m = (kept - min(kept, _MEMORY) + back) % _MEMORY
                dot = 0.0
                for k in range(dim):
                    dot += y_list[m, k] * step[k]
                beta = rho[m] * dot
                for k in range(dim):
                    step[k] += s_list[m, k] * (alpha[m] - beta)
        slope = 0.0
        largest = 0.0
        for i in range(n):
            for k in range(3):
                slope += step[3 * i + k] * grad[i, k]
                largest = max(largest, abs(step[3 * i + k]))
        if slope >= 0.0 or largest == 0.0:
            if kept == 0:
                break
            kept = 0
            continue
        reach = _STEP if kept > 0 else 1.0
        t = min(1.0, reach / largest) if kept > 0 or largest > reach else 0.5
        is_better = False
        trial_worst = worst
        trial_e = e
        for _ in range(12):
            for i in range(n):
                for k in range(3):
                    trial[i, k] = poses[i, k] + t * step[3 * i + k] * scale[i, k]
            moved = 0.0
            for i in range(n):
                dx = trial[i, 0] - built[i, 0]
                dy = trial[i, 1] - built[i, 1]
                moved = max(moved, dx * dx + dy * dy)
            if moved > 0.25 * _SKIN * _SKIN:
                n_pairs = _neighbours(world, kinds, trial, n, scale, pairs)
                for i in range(n):
                    built[i, 0] = trial[i, 0]
                    built[i, 1] = trial[i, 1]
            trial_e, trial_worst = energy(world, kinds, trial, n, scale, weights, pairs, n_pairs, pull_x, pull_y,
                                          trial_grad)
            if trial_e <= e + 1e-4 * t * slope:
                is_better = True
                break
            t *= 0.35
        if not is_better:
            if kept == 0:
                break
            kept = 0
            continue
        m = kept % _MEMORY
        sy = 0.0
        for i in range(n):
            for k in range(3):
                s = t * step[3 * i + k]
                y = trial_grad[i, k] - grad[i, k]
                s_list[m, 3 * i + k] = s
                y_list[m, 3 * i + k] = y
                sy += s * y
        if sy > 1e-14:
            rho[m] = 1.0 / sy
            kept += 1
        for i in range(n):
            for k in range(3):
                poses[i, k] = trial[i, k]
                grad[i, k] = trial_grad[i, k]
        e = trial_e
        worst = trial_worst
    return worst


@njit(cache=True, nogil=True)
def _scaled(world, kinds, n, is_free, scale):
    """Fills `scale` (n, 3): 1 for a coordinate that moves, 1/lever for a free angle, 0 for what is held."""
    for i in range(n):
        for k in range(3):
            scale[i, k] = 0.0
        if is_free[i] == 1:
            scale[i, 0] = 1.0
            scale[i, 1] = 1.0
            if world.lever[kinds[i]] > 0.0:
                scale[i, 2] = 1.0 / world.lever[kinds[i]]


@njit(cache=True, nogil=True)
def relax(world, kinds, poses, n, is_free, pull_x, pull_y, iterations, tol):
    """`minimise` with all weights 1; `is_free` (n,) int64 is 0 for bodies that must stay."""
    scale = np.empty((n, 3))
    _scaled(world, kinds, n, is_free, scale)
    return minimise(world, kinds, poses, n, scale, np.ones((n + 1, n + 1)), pull_x, pull_y, iterations, tol)


@njit(cache=True, nogil=True)
def body_energy(world, kinds, poses, n, i, x, y, angle, weights, bound):
    """Weighted energy of body i at a trial pose against the others and the wall; gives up above `bound`."""
    g = np.zeros(6)
    c = math.cos(angle)
    s = math.sin(angle)
    wall = weights.shape[0] - 1
    e, _ = _wall(world, kinds[i], x, y, c, s, g)
    total = weights[i, wall] * e
    for j in range(n):
        if j == i:
            continue
        if total > bound:
            return total
        e, _ = _pair(world, kinds[i], x, y, c, s, kinds[j], poses[j, 0], poses[j, 1],
                     math.cos(poses[j, 2]), math.sin(poses[j, 2]), g)
        w = weights[i, j] if i > j else weights[j, i]
        total += w * e
    return total


@njit(cache=True, nogil=True)
def _any_angle(kind, angle_start, angles, state):
    """An allowed angle of the kind: one of its list, or any."""
    a0 = angle_start[kind]
    m = angle_start[kind + 1] - a0
    if m == 0:
        return 2.0 * math.pi * draw(state)
    return angles[a0 + int(draw(state) * m)]


@njit(cache=True, nogil=True)
def scatter(kinds, poses, n, is_free, angle_start, angles, box, state):
    """Random poses for all free bodies, centres in `box` (x0, y0, x1, y1)."""
    for i in range(n):
        if is_free[i] == 1:
            poses[i, 0] = box[0] + (box[2] - box[0]) * draw(state)
            poses[i, 1] = box[1] + (box[3] - box[1]) * draw(state)
            poses[i, 2] = _any_angle(kinds[i], angle_start, angles, state)


@njit(cache=True, nogil=True)
def _relocate(world, kinds, poses, n, i, weights, angle_start, angles, box, samples, tol, state):
    """Best of `samples` random and half as many near poses for body i, the best three refined; kept when better."""
    kind = kinds[i]
    here = body_energy(world, kinds, poses, n, i, poses[i, 0], poses[i, 1], poses[i, 2], weights, FAR)
    best = np.empty((3, 4))
    best[:, 3] = FAR
    near = samples // 2
    for t in range(samples + near):
        if t < samples:
            x = box[0] + (box[2] - box[0]) * draw(state)
            y = box[1] + (box[3] - box[1]) * draw(state)
            angle = _any_angle(kind, angle_start, angles, state)
            if angle_start[kind + 1] == angle_start[kind] and draw(state) < 0.4:
                angle = poses[i, 2] + 0.5 * math.pi * int(4.0 * draw(state))
        else:
            spread = 0.35 * world.reach[kind]
            x = poses[i, 0] + spread * (draw(state) + draw(state) - 1.0)
            y = poses[i, 1] + spread * (draw(state) + draw(state) - 1.0)
            angle = poses[i, 2]
            if world.lever[kind] > 0.0:
                angle += 0.5 * (draw(state) + draw(state) - 1.0)
            elif draw(state) < 0.3:
                angle = _any_angle(kind, angle_start, angles, state)
        e = body_energy(world, kinds, poses, n, i, x, y, angle, weights, best[2, 3])
        if e < best[2, 3]:
            at = 2
            while at > 0 and e < best[at - 1, 3]:
                for k in range(4):
                    best[at, k] = best[at - 1, k]
                at -= 1
            best[at, 0] = x
            best[at, 1] = y
            best[at, 2] = angle
            best[at, 3] = e
    scale = np.zeros((n, 3))
    scale[i, 0] = 1.0
    scale[i, 1] = 1.0
    if world.lever[kind] > 0.0:
        scale[i, 2] = 1.0 / world.lever[kind]
    kept = poses[i].copy()
    for b in range(3):
        if best[b, 3] >= FAR:
            continue
        poses[i, 0] = best[b, 0]
        poses[i, 1] = best[b, 1]
        poses[i, 2] = best[b, 2]
        minimise(world, kinds, poses, n, scale, weights, 0.0, 0.0, 40, tol)
        e = body_energy(world, kinds, poses, n, i, poses[i, 0], poses[i, 1], poses[i, 2], weights, FAR)
        if e < here:
            here = e
            kept[0] = poses[i, 0]
            kept[1] = poses[i, 1]
            kept[2] = poses[i, 2]
    poses[i, 0] = kept[0]
    poses[i, 1] = kept[1]
    poses[i, 2] = kept[2]


@njit(cache=True, nogil=True)
def shortfalls(world, kinds, poses, n, out):
    """Worst shortfall (mm) of every pair and wall into out (n + 1, n + 1), lower triangle and last column; returns
    the worst of all. `out[i, n]` is body i against the container."""
    g = np.zeros(6)
    worst = 0.0
    for i in range(n):
        c = math.cos(poses[i, 2])
        s = math.sin(poses[i, 2])
        _, short = _wall(world, kinds[i], poses[i, 0], poses[i, 1], c, s, g)
        out[i, n] = short
        worst = max(worst, short)
        for j in range(i):
            _, short = _pair(world, kinds[i], poses[i, 0], poses[i, 1], c, s, kinds[j], poses[j, 0], poses[j, 1],
                             math.cos(poses[j, 2]), math.sin(poses[j, 2]), g)
            out[i, j] = short
            worst = max(worst, short)
    return worst


@njit(cache=True, nogil=True)
def _worst_of_free(short, n, is_free):
    """The worst of `shortfalls` that a move could cure: what is held lies where it was given, to the last of a gap."""
    worst = 0.0
    for i in range(n):
        if is_free[i] == 1:
            worst = max(worst, short[i, n])
        for j in range(i):
            if is_free[i] == 1 or is_free[j] == 1:
                worst = max(worst, short[i, j])
    return worst


@njit(cache=True, nogil=True)
def separate(world, kinds, poses, n, is_free, angle_start, angles, box, rounds, samples, tol, state):
    """Guided local search from the given poses; leaves the best poses found and returns their worst shortfall, mm.

    Steps of a round: joint descent under the weights; measure; raise the weights of what collides by 1.2 to 2.0 and
    let the others decay by 0.95; relocate every colliding body in random order.
    """
    scale = np.empty((n, 3))
    _scaled(world, kinds, n, is_free, scale)
    weights = np.ones((n + 1, n + 1))
    short = np.zeros((n + 1, n + 1))
    best = poses.copy()
    best_worst = FAR
    order = np.arange(n)
    for r in range(rounds):
        minimise(world, kinds, poses, n, scale, weights, 0.0, 0.0, 150, tol)
        shortfalls(world, kinds, poses, n, short)
        worst = _worst_of_free(short, n, is_free)
        if worst < best_worst:
            best_worst = worst
            for i in range(n):
                for k in range(3):
                    best[i, k] = poses[i, k]
        if worst <= tol or r == rounds - 1:
            break
        for i in range(n):
            for j in range(n + 1):
                if j < i or j == n:
                    if short[i, j] > tol:
                        weights[i, j] = min(1e4, weights[i, j] * (1.2 + 0.8 * short[i, j] / worst))
                    else:
                        weights[i, j] = max(1.0, weights[i, j] * 0.95)
        for i in range(n - 1, 0, -1):
            j = int(draw(state) * (i + 1))
            order[i], order[j] = order[j], order[i]
        for q in range(n):
            i = order[q]
            if is_free[i] == 0:
                continue
            if body_energy(world, kinds, poses, n, i, poses[i, 0], poses[i, 1], poses[i, 2], weights, FAR) > tol * tol:
                _relocate(world, kinds, poses, n, i, weights, angle_start, angles, box, samples, tol, state)
    for i in range(n):
        for k in range(3):
            poses[i, k] = best[i, k]
    return best_worst


@njit(cache=True, nogil=True)
def insert_body(world, kinds, poses, n, is_free, angle_start, angles, box, samples, tries, tol, state):
    """Place body n (its kind set, pose free) beside the n bodies there, moving all; True when it went in.

    `poses` is left as it was when it did not.
    """
    kept = poses[:n].copy()
    weights = np.ones((n + 2, n + 2))
    scale = np.empty((n + 1, 3))
    _scaled(world, kinds, n + 1, is_free, scale)
    for _ in range(tries):
        for i in range(n):
            for k in range(3):
                poses[i, k] = kept[i, k]
        poses[n, 0] = box[0] + (box[2] - box[0]) * draw(state)
        poses[n, 1] = box[1] + (box[3] - box[1]) * draw(state)
        poses[n, 2] = _any_angle(kinds[n], angle_start, angles, state)
        _relocate(world, kinds, poses, n + 1, n, weights, angle_start, angles, box, samples, tol, state)
        if minimise(world, kinds, poses, n + 1, scale, weights, 0.0, 0.0, 200, tol) <= tol:
            return True
    for i in range(n):
        for k in range(3):
            poses[i, k] = kept[i, k]
    return False


# ---- discs -------------------------------------------------------------------------------------------------------


@njit(cache=True, nogil=True)
def room_base(world, radius, x0, y0, cell, out):
    """Room for the centre of a disc against the container alone: slack less radius, on a grid `out` (ny, nx)."""
    ny, nx = out.shape
    for iy in range(ny):
        for ix in range(nx):
            v, _, _ = slack_at(world, x0 + ix * cell, y0 + iy * cell)
            out[iy, ix] = v - radius


@njit(cache=True, nogil=True)
def room_map(world, kinds, poses, n, radius, base, x0, y0, cell, far, out):
    """Room for the centre of one more disc: least clearance to everything, capped at `far`; negative is no room."""
    ny, nx = base.shape
    for iy in range(ny):
        for ix in range(nx):
            out[iy, ix] = min(far, base[iy, ix])
    for i in range(n):
        kind = kinds[i]
        x = poses[i, 0]
        y = poses[i, 1]
        take = radius + world.gap
        reach = world.reach[kind] + take + far
        ix0 = max(0, math.ceil((x - reach - x0) / cell))
        ix1 = min(nx - 1, math.floor((x + reach - x0) / cell))
        iy0 = max(0, math.ceil((y - reach - y0) / cell))
        iy1 = min(ny - 1, math.floor((y + reach - y0) / cell))
        c = math.cos(poses[i, 2])
        s = math.sin(poses[i, 2])
        r = world.radius[kind]
        for iy in range(iy0, iy1 + 1):
            dy = y0 + iy * cell - y
            for ix in range(ix0, ix1 + 1):
                if out[iy, ix] < -0.5 * radius:
                    continue
                dx = x0 + ix * cell - x
                if r > 0.0:
                    d = math.sqrt(dx * dx + dy * dy) - r
                else:
                    d, _, _ = _distance_at(world, kind, c * dx + s * dy, c * dy - s * dx)
                out[iy, ix] = min(out[iy, ix], d - take)


@njit(cache=True, nogil=True)
def sweep_fill(room, x0, y0, cell, order, pitch, slop, spots):
    """Greedy: walk the grid in `order`, put a disc at every cell with room (to `slop`) and `pitch` - `slop` from all
    before. Centres into `spots`; returns their number."""
    ny, nx = room.shape
    blocked = np.zeros((ny, nx), dtype=np.uint8)
    near = pitch - slop
    span = int(near / cell) + 1
    count = 0
    for q in range(order.shape[0]):
        iy = order[q] // nx
        ix = order[q] - iy * nx
        if room[iy, ix] < -slop or blocked[iy, ix] == 1:
            continue
        if count == spots.shape[0]:
            break
        spots[count, 0] = x0 + ix * cell
        spots[count, 1] = y0 + iy * cell
        count += 1
        for jy in range(max(0, iy - span), min(ny, iy + span + 1)):
            for jx in range(max(0, ix - span), min(nx, ix + span + 1)):
                dx = (jx - ix) * cell
                dy = (jy - iy) * cell
                if dx * dx + dy * dy < near * near:
                    blocked[jy, jx] = 1
    return count


@njit(cache=True, nogil=True)
def lattice_fill(room, x0, y0, cell, angle, shift_u, shift_v, pitch, slop, spots):
    """Points of a hexagonal lattice with room (to `slop`) into `spots`; returns their number. Shifts in pitches."""
    ny, nx = room.shape
    width = (nx - 1) * cell
    height = (ny - 1) * cell
    half = int(math.sqrt(width * width + height * height) / pitch) + 2
    c = math.cos(angle)
    s = math.sin(angle)
    count = 0
    for a in range(-half, half + 1):
        for b in range(-half, half + 1):
            u = (a + shift_u + 0.5 * (b + shift_v)) * pitch
            v = (b + shift_v) * 0.8660254037844386 * pitch
            x = 0.5 * width + c * u - s * v
            y = 0.5 * height + s * u + c * v
            ix = round(x / cell)
            iy = round(y / cell)
            if ix < 0 or iy < 0 or ix >= nx or iy >= ny or room[iy, ix] < -slop:
                continue
            if count == spots.shape[0]:
                return count
            spots[count, 0] = x0 + x
            spots[count, 1] = y0 + y
            count += 1
    return count


@njit(cache=True, nogil=True)
def best_start(room, x0, y0, cell, orders, pitch, n_angles, n_shifts, spots):
    """Most discs over all sweeps and lattices (slightly optimistic); returns (count, free area per pitch^2)."""
    slop = 0.35 * cell
    trial = np.empty_like(spots)
    best = -1
    for q in range(orders.shape[0]):
        m = sweep_fill(room, x0, y0, cell, orders[q], pitch, slop, trial)
        if m > best:
            best = m
            for i in range(m):
                spots[i, 0] = trial[i, 0]
                spots[i, 1] = trial[i, 1]
    for a in range(n_angles):
        for u in range(n_shifts):
            for v in range(n_shifts):
                m = lattice_fill(room, x0, y0, cell, math.pi / 3.0 * a / n_angles, u / n_shifts, v / n_shifts, pitch,
                                 slop, trial)
                if m > best:
                    best = m
                    for i in range(m):
                        spots[i, 0] = trial[i, 0]
                        spots[i, 1] = trial[i, 1]
    free = 0
    ny, nx = room.shape
    for iy in range(ny):
        for ix in range(nx):
            if room[iy, ix] >= 0.0:
                free += 1
    return best, free * cell * cell / (pitch * pitch)


@njit(cache=True, nogil=True)
def _deepest(room, x0, y0, cell, rank, state):
    """A void: the local maxima of the room, one of the `rank` deepest at random. Returns (x, y, room)."""
    ny, nx = room.shape
    top = np.empty((rank, 3))
    top[:, 2] = -FAR
    for iy in range(1, ny - 1):
        for ix in range(1, nx - 1):
            v = room[iy, ix]
            if v <= top[rank - 1, 2] or v < room[iy, ix - 1] or v <= room[iy, ix + 1]:
                continue
            if v < room[iy - 1, ix] or v <= room[iy + 1, ix]:
                continue
            at = rank - 1
            while at > 0 and v > top[at - 1, 2]:
                for k in range(3):
                    top[at, k] = top[at - 1, k]
                at -= 1
            top[at, 0] = x0 + ix * cell
            top[at, 1] = y0 + iy * cell
            top[at, 2] = v
    held = 0
    while held < rank and top[held, 2] > -FAR:
        held += 1
    if held == 0:
        return 0.0, 0.0, -FAR
    u = draw(state)
    pick = min(held - 1, int(u * u * held))  # the deepest are taken more often
    return top[pick, 0], top[pick, 1], top[pick, 2]


@njit(cache=True, nogil=True)
def _drop_worst(world, kinds, poses, n, first):
    """Takes away the body from `first` on that hurts most (the last one moves into its place)."""
    weights = np.ones((n + 1, n + 1))
    worst = -1.0
    at = n - 1
    for i in range(first, n):
        e = body_energy(world, kinds, poses, n, i, poses[i, 0], poses[i, 1], poses[i, 2], weights, FAR)
        if e > worst:
            worst = e
            at = i
    kinds[at] = kinds[n - 1]
    for k in range(3):
        poses[at, k] = poses[n - 1, k]
    return worst


@njit(cache=True, nogil=True)
def settle(world, kinds, poses, n, first, is_free, tol):
    """Relax; while something still overlaps drop the body from `first` on that hurts most. Returns the new n, or -1
    when the bodies before `first` cannot be settled."""
    while True:
        if relax(world, kinds, poses, n, is_free, 0.0, 0.0, 150, tol) <= tol:
            return n
        if n <= first:
            return -1
        _drop_worst(world, kinds, poses, n, first)
        n -= 1


@njit(cache=True, nogil=True)
def insert_discs(world, kinds, poses, n, first, own, kind, is_free, base, x0, y0, cell, attempts, limit, tol, state):
    """Get more discs of `kind` in. Bodies before `own` move only now and then, bodies before `first` are mandatory.

    An attempt: shake (kick, pull, or take out a cluster), then put discs one by one into the deepest voids, each
    followed by a joint descent and a few relocations of the disc that hurts most. A state with as many discs as
    before is kept too, so that the search walks among equals. `limit` bounds the number of bodies. Returns the new n.
    """
    cap = poses.shape[0]
    room = np.empty_like(base)
    radius = world.radius[kind]
    pitch = 2.0 * radius + world.gap
    held = is_free.copy()
    for i in range(own):
        held[i] = 0
    best = poses.copy()
    for t in range(attempts):
        if n >= min(limit, cap - 1):
            break
        for i in range(n):
            for k in range(3):
                best[i, k] = poses[i, k]
        n_before = n
        free = is_free if t % 4 == 3 else held
        move = t % 5
        if move == 1 or move == 3:  # pull everything one way, so that voids run together
            a = 2.0 * math.pi * draw(state)
            relax(world, kinds, poses, n, free, 0.03 * math.cos(a), 0.03 * math.sin(a), 60, tol)
        elif move == 2:
            spread = pitch * 0.5 * draw(state)
            for i in range(own, n):
                poses[i, 0] += spread * (2.0 * draw(state) - 1.0)
                poses[i, 1] += spread * (2.0 * draw(state) - 1.0)
        elif move == 4 and n > own:  # ruin: take out the discs round a random one
            take = 2 + int(4.0 * draw(state))
            at = own + int(draw(state) * (n - own))
            cx = poses[at, 0]
            cy = poses[at, 1]
            for _ in range(min(take, n - own)):
                near = FAR * FAR
                at = n - 1
                for i in range(own, n):
                    d = (poses[i, 0] - cx) ** 2 + (poses[i, 1] - cy) ** 2
                    if d < near:
                        near = d
                        at = i
                for k in range(3):
                    poses[at, k] = poses[n - 1, k]
                n -= 1
            for i in range(own, n):
                if (poses[i, 0] - cx) ** 2 + (poses[i, 1] - cy) ** 2 < 9.0 * pitch * pitch:
                    poses[i, 0] += 0.3 * pitch * (2.0 * draw(state) - 1.0)
                    poses[i, 1] += 0.3 * pitch * (2.0 * draw(state) - 1.0)
        is_good = relax(world, kinds, poses, n, free, 0.0, 0.0, 120, tol) <= tol
        while is_good and n < min(limit, cap - 1):
            room_map(world, kinds, poses, n, radius, base, x0, y0, cell, 0.5 * pitch, room)
            x, y, v = _deepest(room, x0, y0, cell, 4, state)
            if v < -0.8 * radius:
                break
            kinds[n] = kind
            poses[n, 0] = x
            poses[n, 1] = y
            poses[n, 2] = 0.0
            before = poses[:n].copy()
            went_in = relax(world, kinds, poses, n + 1, free, 0.0, 0.0, 120, tol) <= tol
            for _ in range(3):
                if went_in:
                    break
                _drop_worst(world, kinds, poses, n + 1, own)
                room_map(world, kinds, poses, n, radius, base, x0, y0, cell, 0.5 * pitch, room)
                x, y, v = _deepest(room, x0, y0, cell, 3, state)
                poses[n, 0] = x
                poses[n, 1] = y
                poses[n, 2] = 0.0
                went_in = relax(world, kinds, poses, n + 1, free, 0.0, 0.0, 120, tol) <= tol
            if went_in:
                n += 1
            else:
                for i in range(n):
                    for k in range(3):
                        poses[i, k] = before[i, k]
                break
        if not is_good or n < n_before:
            n = n_before
            for i in range(n):
                kinds[i] = kinds[i] if i < own else kind
                for k in range(3):
                    poses[i, k] = best[i, k]
    return n
