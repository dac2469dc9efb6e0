"""The nesting engine: overlap energy on signed-distance grids, its minimiser, guided separation, filling with discs.

Words. A *body* is one copy of a *kind*; its pose is (x, y, angle) of the kind's reference point. A kind is either an
exact disc (`radius` > 0) or a polygon with a *grid* of signed distances (negative inside) and *samples* along its
boundary. The *slack* grid is the container: distance to the outline or a keep-out less the gap wanted there, positive
where a point may lie. Kinds that are bound to a part of the container have a grid of their own, a *field*; field 0 is
the container for all others. *Pins* are the container's own corners with the gap each wants, looked up in the kinds'
grids, so that a corner between two samples is not missed. All mm and rad, all poses in one frame.

Energy: sum over samples of max(0, need - distance)^2, A sampled in B's grid and B in A's. It is zero exactly when
every sample keeps its distance, and its gradient moves and turns bodies continuously.
Separation: guided local search; relocate colliding bodies, minimise jointly, raise the weights of the pairs that still
collide (idea: Umetani et al. 2009 for polygons with overlap penalties; numbers here are our own, from memory).
Disc filling: sweeps and hexagonal lattices as starts, then discs too many into the deepest voids; the overlap is worked
off by discs that jump into voids, by shaking, and by moving the big bodies.

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
_NO_ENERGY = 1e-7  # mm2: settled
_NEARLY = 0.02  # mm: a shortfall that is worth more descents
_DESCENTS = 5  # the most of them
_VOIDS = 24  # the deepest, among which a disc that hurts may go
_MOVES = 30  # of single discs between two joint descents
_JUMPS = 0.7  # share of those that go into a void
_NEAR = 2.2  # pitches round a moved disc that move with it
_HEAT = 0.8  # of those moves, in energies
_GAIN = 0.97  # an energy below this share of the best is a gain
_TOO_MUCH = 3.0  # above this many times the best the moves are undone
_PATIENCE = 5  # rounds without gain before a kick
_KICK = 5.0  # pitches, longest kick of a big body
_KICK_BIG = 0.8  # share of kicks that go to a big body
_RETURNS = 0.8  # share of kicks from the best of all
_AT_ONCE = 8  # discs put in before all make room
_SHALLOW = 0.06  # pitches: a void shallower than the deepest by more than this waits


class World(NamedTuple):
    """Kinds and container, packed flat. k kinds, m samples, p pins of all fields."""

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
    field: np.ndarray  # (k, 3) int64: where the kind's slack starts, its first pin and the one after its last
    slack: np.ndarray  # flat float32, row-major, field after field
    slack_nx: int
    slack_ny: int
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
def slack_at(world, start, x, y):
    """Bilinear slack of the field that starts there, and its gradient; beyond the grid it falls with the distance to
    the grid."""
    nx = world.slack_nx
    ny = world.slack_ny
    cell = world.slack_cell
    fx = (x - world.slack_x0) / cell
    fy = (y - world.slack_y0) / cell
    cx = min(max(fx, 0.0), nx - 1.0001)
    cy = min(max(fy, 0.0), ny - 1.0001)
    ix = int(cx)
    iy = int(cy)
    tx = cx - ix
    ty = cy - iy
    at = start + iy * nx + ix
    a = float(world.slack[at])
    b = float(world.slack[at + 1])
    c = float(world.slack[at + nx])
    d = float(world.slack[at + nx + 1])
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
    start = world.field[kind, 0]
    if radius > 0.0:
        v, gx, gy = slack_at(world, start, x, y)
        short = world.safety + radius - v
        if short > 0.0:
            g[0] -= 2.0 * short * gx
            g[1] -= 2.0 * short * gy
            e = short * short
            worst = short
        return e, worst  # the slack at its centre knows every corner
    for k in range(world.sample_start[kind], world.sample_start[kind + 1]):
        u = world.samples[k, 0]
        w = world.samples[k, 1]
        rx = c * u - s * w
        ry = s * u + c * w
        v, gx, gy = slack_at(world, start, x + rx, y + ry)
        short = world.safety - v
        if short > 0.0:
            f = 2.0 * short
            g[0] -= f * gx
            g[1] -= f * gy
            g[2] -= f * (gy * rx - gx * ry)
            e += short * short
            worst = max(worst, short)
    reach = world.reach[kind]
    for k in range(world.field[kind, 1], world.field[kind, 2]):
        px = world.pins[k, 0] - x
        py = world.pins[k, 1] - y
        need = world.pins[k, 2] + world.safety
        if px * px + py * py >= (reach + need) * (reach + need):
            continue
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
def _any_place(kind, boxes, state):
    """A random place for the centre of a body of the kind: in its box of `boxes` (k, 4) x0, y0, x1, y1."""
    x = boxes[kind, 0] + (boxes[kind, 2] - boxes[kind, 0]) * draw(state)
    y = boxes[kind, 1] + (boxes[kind, 3] - boxes[kind, 1]) * draw(state)
    return x, y


@njit(cache=True, nogil=True)
def scatter(kinds, poses, n, is_free, angle_start, angles, boxes, state):
    """Random poses for all free bodies, centres in the boxes of their kinds."""
    for i in range(n):
        if is_free[i] == 1:
            poses[i, 0], poses[i, 1] = _any_place(kinds[i], boxes, state)
            poses[i, 2] = _any_angle(kinds[i], angle_start, angles, state)


@njit(cache=True, nogil=True)
def _relocate(world, kinds, poses, n, i, weights, angle_start, angles, boxes, samples, tol, state):
    """Best of `samples` random and half as many near poses for body i, the best three refined; kept when better."""
    kind = kinds[i]
    here = body_energy(world, kinds, poses, n, i, poses[i, 0], poses[i, 1], poses[i, 2], weights, FAR)
    best = np.empty((3, 4))
    best[:, 3] = FAR
    near = samples // 2
    for t in range(samples + near):
        if t < samples:
            x, y = _any_place(kind, boxes, state)
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
def separate(world, kinds, poses, n, is_free, angle_start, angles, boxes, rounds, samples, tol, state):
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
                _relocate(world, kinds, poses, n, i, weights, angle_start, angles, boxes, samples, tol, state)
    for i in range(n):
        for k in range(3):
            poses[i, k] = best[i, k]
    return best_worst


@njit(cache=True, nogil=True)
def insert_body(world, kinds, poses, n, is_free, angle_start, angles, boxes, samples, tries, tol, state):
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
        poses[n, 0], poses[n, 1] = _any_place(kinds[n], boxes, state)
        poses[n, 2] = _any_angle(kinds[n], angle_start, angles, state)
        _relocate(world, kinds, poses, n + 1, n, weights, angle_start, angles, boxes, samples, tol, state)
        if minimise(world, kinds, poses, n + 1, scale, weights, 0.0, 0.0, 200, tol) <= tol:
            return True
    for i in range(n):
        for k in range(3):
            poses[i, k] = kept[i, k]
    return False


# ---- discs -------------------------------------------------------------------------------------------------------


@njit(cache=True, nogil=True)
def room_base(world, start, radius, x0, y0, cell, out):
    """Room for the centre of a disc against the container alone: slack less radius, on a grid `out` (ny, nx). `start`
    is the disc's field, 0 for the container as it is."""
    ny, nx = out.shape
    for iy in range(ny):
        for ix in range(nx):
            v, _, _ = slack_at(world, start, x0 + ix * cell, y0 + iy * cell)
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
def _near_energy(world, kinds, poses, active, m, slot, turns, pairs, n_pairs, xy, grad):
    """Energy and gradient (m, 2) of the discs `active` at `xy` (m, 2) among all else, which is held."""
    e = 0.0
    need = world.gap + world.safety
    for a in range(m):
        radius = world.radius[kinds[active[a]]]
        v, gx, gy = slack_at(world, world.field[kinds[active[a]], 0], xy[a, 0], xy[a, 1])
        short = world.safety + radius - v
        grad[a, 0] = 0.0
        grad[a, 1] = 0.0
        if short > 0.0:
            e += short * short
            grad[a, 0] = -2.0 * short * gx
            grad[a, 1] = -2.0 * short * gy
    for p in range(n_pairs):
        a = pairs[p, 0]
        j = pairs[p, 1]
        b = slot[j]
        ra = world.radius[kinds[active[a]]]
        rj = world.radius[kinds[j]]
        if rj > 0.0:
            if b >= 0:
                dx = xy[a, 0] - xy[b, 0]
                dy = xy[a, 1] - xy[b, 1]
            else:
                dx = xy[a, 0] - poses[j, 0]
                dy = xy[a, 1] - poses[j, 1]
            d2 = dx * dx + dy * dy
            least = ra + rj + need
            if d2 >= least * least:
                continue
            d = math.sqrt(d2)
            if d < 1e-9:
                dx, dy, d = 1e-9, 0.0, 1e-9
            short = least - d
            f = 2.0 * short / d
            grad[a, 0] -= f * dx
            grad[a, 1] -= f * dy
            if b >= 0:
                grad[b, 0] += f * dx
                grad[b, 1] += f * dy
        else:
            dx = xy[a, 0] - poses[j, 0]
            dy = xy[a, 1] - poses[j, 1]
            c = turns[j, 0]
            s = turns[j, 1]
            d, gu, gv = _distance_at(world, kinds[j], c * dx + s * dy, c * dy - s * dx)
            short = need + ra - d
            if short <= 0.0:
                continue
            f = 2.0 * short
            grad[a, 0] -= f * (c * gu - s * gv)
            grad[a, 1] -= f * (s * gu + c * gv)
        e += short * short
    return e


@njit(cache=True, nogil=True)
def _near_pairs(world, kinds, poses, n, active, m, slot, xy, pairs):
    """Pairs (index into `active`, body) that could touch before a disc moved by half the skin."""
    count = 0
    for a in range(m):
        ra = world.radius[kinds[active[a]]]
        for j in range(n):
            b = slot[j]
            if b >= 0 and b <= a:
                continue
            x = poses[j, 0] if b < 0 else xy[b, 0]
            y = poses[j, 1] if b < 0 else xy[b, 1]
            reach = ra + world.reach[kinds[j]] + world.gap + world.safety + _SKIN
            dx = xy[a, 0] - x
            dy = xy[a, 1] - y
            if dx * dx + dy * dy < reach * reach:
                pairs[count, 0] = a
                pairs[count, 1] = j
                count += 1
    return count


@njit(cache=True, nogil=True)
def _settle_near(world, kinds, poses, n, active, m, slot, turns, iterations):
    """Joint descent of the discs `active`, all else held; poses in place. Returns their energy.

    The same quasi-Newton descent as `minimise`, on two coordinates for each disc and without weights.
    """
    xy = np.empty((m, 2))
    for a in range(m):
        xy[a, 0] = poses[active[a], 0]
        xy[a, 1] = poses[active[a], 1]
    built = xy.copy()
    pairs = np.empty((m * n, 2), dtype=np.int64)
    n_pairs = _near_pairs(world, kinds, poses, n, active, m, slot, xy, pairs)
    grad = np.empty((m, 2))
    e = _near_energy(world, kinds, poses, active, m, slot, turns, pairs, n_pairs, xy, grad)
    trial = np.empty((m, 2))
    trial_grad = np.empty((m, 2))
    step = np.empty((m, 2))
    s_list = np.empty((_MEMORY, m, 2))
    y_list = np.empty((_MEMORY, m, 2))
    rho = np.empty(_MEMORY)
    alpha = np.empty(_MEMORY)
    kept = 0
    marked = e
    for it in range(iterations):
        if e < _NO_ENERGY:
            break
        if it % 10 == 9:
            if marked - e < _STALL * marked:
                break
            marked = e
        held = min(kept, _MEMORY)
        for a in range(m):
            step[a, 0] = -grad[a, 0]
            step[a, 1] = -grad[a, 1]
        for back in range(held):
            q = (kept - 1 - back) % _MEMORY
            dot = 0.0
            for a in range(m):
                dot += s_list[q, a, 0] * step[a, 0] + s_list[q, a, 1] * step[a, 1]
            alpha[q] = rho[q] * dot
            for a in range(m):
                step[a, 0] -= alpha[q] * y_list[q, a, 0]
                step[a, 1] -= alpha[q] * y_list[q, a, 1]
        if kept > 0:
            q = (kept - 1) % _MEMORY
            yy = 0.0
            for a in range(m):
                yy += y_list[q, a, 0] * y_list[q, a, 0] + y_list[q, a, 1] * y_list[q, a, 1]
            first = 1.0 / (rho[q] * yy)
            for a in range(m):
                step[a, 0] *= first
                step[a, 1] *= first
            for back in range(held):
                q = (kept - held + back) % _MEMORY
                dot = 0.0
                for a in range(m):
                    dot += y_list[q, a, 0] * step[a, 0] + y_list[q, a, 1] * step[a, 1]
                beta = alpha[q] - rho[q] * dot
                for a in range(m):
                    step[a, 0] += beta * s_list[q, a, 0]
                    step[a, 1] += beta * s_list[q, a, 1]
        slope = 0.0
        largest = 0.0
        for a in range(m):
            slope += step[a, 0] * grad[a, 0] + step[a, 1] * grad[a, 1]
            largest = max(largest, abs(step[a, 0]), abs(step[a, 1]))
        if slope >= 0.0 or largest == 0.0:
            if kept == 0:
                break
            kept = 0
            continue
        t = min(1.0, _STEP / largest) if kept > 0 else min(0.5, 1.0 / largest)
        is_better = False
        trial_e = e
        for _ in range(10):
            moved = 0.0
            for a in range(m):
                trial[a, 0] = xy[a, 0] + t * step[a, 0]
                trial[a, 1] = xy[a, 1] + t * step[a, 1]
                moved = max(moved, (trial[a, 0] - built[a, 0]) ** 2 + (trial[a, 1] - built[a, 1]) ** 2)
            if moved > 0.25 * _SKIN * _SKIN:
                n_pairs = _near_pairs(world, kinds, poses, n, active, m, slot, trial, pairs)
                for a in range(m):
                    built[a, 0] = trial[a, 0]
                    built[a, 1] = trial[a, 1]
            trial_e = _near_energy(world, kinds, poses, active, m, slot, turns, pairs, n_pairs, trial, trial_grad)
            if trial_e <= e + 1e-4 * t * slope:
                is_better = True
                break
            t *= 0.35
        if not is_better:
            if kept == 0:
                break
            kept = 0
            continue
        q = kept % _MEMORY
        sy = 0.0
        for a in range(m):
            for k in range(2):
                s = trial[a, k] - xy[a, k]
                y = trial_grad[a, k] - grad[a, k]
                s_list[q, a, k] = s
                y_list[q, a, k] = y
                sy += s * y
                xy[a, k] = trial[a, k]
                grad[a, k] = trial_grad[a, k]
        if sy > 1e-14:
            rho[q] = 1.0 / sy
            kept += 1
        e = trial_e
    for a in range(m):
        poses[active[a], 0] = xy[a, 0]
        poses[active[a], 1] = xy[a, 1]
    return e


@njit(cache=True, nogil=True)
def _voids(room, x0, y0, cell, least, out):
    """Local maxima of the room above `least` into out (v, 3) as x, y, room, deepest first; returns their number."""
    ny, nx = room.shape
    most = out.shape[0]
    count = 0
    for iy in range(1, ny - 1):
        for ix in range(1, nx - 1):
            v = room[iy, ix]
            if v <= least or v < room[iy, ix - 1] or v <= room[iy, ix + 1]:
                continue
            if v < room[iy - 1, ix] or v <= room[iy + 1, ix]:
                continue
            if count == most and v <= out[count - 1, 2]:
                continue
            at = min(count, most - 1)
            while at > 0 and v > out[at - 1, 2]:
                for k in range(3):
                    out[at, k] = out[at - 1, k]
                at -= 1
            out[at, 0] = x0 + ix * cell
            out[at, 1] = y0 + iy * cell
            out[at, 2] = v
            count = min(count + 1, most)
    return count


@njit(cache=True, nogil=True)
def _pains(world, kinds, poses, n, own, turns, pains):
    """Energy of every disc from `own` on against all else into `pains` (n,); returns the sum over discs, pairs of two
    discs counted twice."""
    need = world.gap + world.safety
    for i in range(own, n):
        pains[i] = 0.0
    for i in range(own, n):
        x = poses[i, 0]
        y = poses[i, 1]
        ri = world.radius[kinds[i]]
        v, _, _ = slack_at(world, world.field[kinds[i], 0], x, y)
        short = world.safety + ri - v
        if short > 0.0:
            pains[i] += short * short
        for j in range(i):
            dx = x - poses[j, 0]
            dy = y - poses[j, 1]
            rj = world.radius[kinds[j]]
            if rj > 0.0:
                least = ri + rj + need
                d2 = dx * dx + dy * dy
                if d2 < least * least:
                    short = least - math.sqrt(d2)
                    pains[i] += short * short
                    if j >= own:
                        pains[j] += short * short
            else:
                reach = ri + need + world.reach[kinds[j]]
                if dx * dx + dy * dy >= reach * reach:
                    continue
                c = turns[j, 0]
                s = turns[j, 1]
                d, _, _ = _distance_at(world, kinds[j], c * dx + s * dy, c * dy - s * dx)
                short = need + ri - d
                if short > 0.0:
                    pains[i] += short * short
    total = 0.0
    for i in range(own, n):
        total += pains[i]
    return total


@njit(cache=True, nogil=True)
def _gather(poses, n, own, x1, y1, x2, y2, radius, active, slot):
    """Discs from `own` on within `radius` of either point into `active`; returns their number. `slot` is set."""
    m = 0
    far2 = radius * radius
    for i in range(n):
        slot[i] = -1
    for i in range(own, n):
        x = poses[i, 0]
        y = poses[i, 1]
        if (x - x1) ** 2 + (y - y1) ** 2 < far2 or (x - x2) ** 2 + (y - y2) ** 2 < far2:
            slot[i] = m
            active[m] = i
            m += 1
    return m


@njit(cache=True, nogil=True)
def _victim(pains, first, n, state):
    """The disc that hurts most: of all three times in ten, else of three drawn ones."""
    if draw(state) < 0.3:
        at = first
        for i in range(first + 1, n):
            if pains[i] > pains[at]:
                at = i
        return at
    at = first + int(draw(state) * (n - first))
    for _ in range(2):
        i = first + int(draw(state) * (n - first))
        if pains[i] > pains[at]:
            at = i
    return at


@njit(cache=True, nogil=True)
def _kick(world, kinds, poses, n, own, is_free, pitch, state):
    """One big body to another place nearby, or all discs shaken."""
    i = int(draw(state) * own)
    if own > 0 and is_free[i] == 1 and draw(state) < _KICK_BIG:
        spread = _KICK * pitch * draw(state) ** 2
        a = 2.0 * math.pi * draw(state)
        poses[i, 0] += spread * math.cos(a)
        poses[i, 1] += spread * math.sin(a)
        if world.lever[kinds[i]] > 0.0:
            poses[i, 2] += spread * (2.0 * draw(state) - 1.0) / world.reach[kinds[i]]
    else:
        spread = 0.3 * pitch * draw(state)
        for i in range(own, n):
            poses[i, 0] += spread * (2.0 * draw(state) - 1.0)
            poses[i, 1] += spread * (2.0 * draw(state) - 1.0)


@njit(cache=True, nogil=True)
def _near_moves(world, kinds, poses, n, own, pitch, voids, n_voids, e, state):
    """`_MOVES` moves on discs that are too many, each followed by a descent of the discs around: a disc that hurts into
    a void, or a place shaken. `e` is the energy; moves that raise it are kept now and then (Metropolis)."""
    slot = np.empty(n, dtype=np.int64)
    active = np.empty(n, dtype=np.int64)
    kept = np.empty((n, 2))
    pains = np.zeros(n)
    turns = np.empty((n, 2))
    _turns(poses, n, turns)
    _pains(world, kinds, poses, n, own, turns, pains)
    for _ in range(_MOVES):
        is_jump = n_voids > 0 and draw(state) < _JUMPS
        at = 0
        i = own + int(draw(state) * (n - own))
        x = poses[i, 0]
        y = poses[i, 1]
        if is_jump:
            i = _victim(pains, own, n, state)
            u = draw(state)
            at = int(u * u * n_voids)  # the deepest are taken more often
            x = voids[at, 0]
            y = voids[at, 1]
            m = _gather(poses, n, own, poses[i, 0], poses[i, 1], x, y, _NEAR * pitch, active, slot)
        else:
            m = _gather(poses, n, own, x, y, x, y, (_NEAR + 1.0) * pitch, active, slot)
        for a in range(m):
            kept[a, 0] = poses[active[a], 0]
            kept[a, 1] = poses[active[a], 1]
        before = _settle_near(world, kinds, poses, n, active, m, slot, turns, 0)
        if is_jump:
            poses[i, 0] = x
            poses[i, 1] = y
        else:
            spread = 0.4 * pitch * draw(state)
            for a in range(m):
                k = active[a]
                if (poses[k, 0] - x) ** 2 + (poses[k, 1] - y) ** 2 < 4.0 * pitch * pitch:
                    poses[k, 0] += spread * (2.0 * draw(state) - 1.0)
                    poses[k, 1] += spread * (2.0 * draw(state) - 1.0)
        gain = before - _settle_near(world, kinds, poses, n, active, m, slot, turns, 60)
        if gain >= 0.0 or draw(state) < math.exp(gain / (_HEAT * max(e, _NO_ENERGY))):
            e -= gain
            if e < _NO_ENERGY:
                return
            if is_jump:
                n_voids -= 1
                for k in range(at, n_voids):
                    voids[k, 0] = voids[k + 1, 0]
                    voids[k, 1] = voids[k + 1, 1]
            _pains(world, kinds, poses, n, own, turns, pains)
        else:
            for a in range(m):
                poses[active[a], 0] = kept[a, 0]
                poses[active[a], 1] = kept[a, 1]


@njit(cache=True, nogil=True)
def crowd(world, kinds, poses, n, target, kind, is_free, base, x0, y0, cell, tol):
    """Put discs of `kind` into the deepest voids beside the `n` bodies until there are `target` bodies; all make room,
    whether they then lie well or not. `kinds` (c,) and `poses` (c, 3) in place. Returns how many there are: fewer when
    nothing is left that looks like a void."""
    cap = poses.shape[0]
    pitch = 2.0 * world.radius[kind] + world.gap
    room = np.empty_like(base)
    weights = np.ones((cap + 1, cap + 1))
    scale = np.empty((cap, 3))
    voids = np.empty((_AT_ONCE, 3))
    _scaled(world, kinds, cap, is_free, scale)
    target = min(target, cap)
    while n < target:
        room_map(world, kinds, poses, n, world.radius[kind], base, x0, y0, cell, 0.5 * pitch, room)
        n_voids = _voids(room, x0, y0, cell, -0.6 * world.radius[kind], voids)
        first = n
        for v in range(min(n_voids, target - n)):
            is_alone = voids[v, 2] > voids[0, 2] - _SHALLOW * pitch
            for i in range(first, n):
                far2 = (poses[i, 0] - voids[v, 0]) ** 2 + (poses[i, 1] - voids[v, 1]) ** 2
                is_alone = is_alone and far2 > pitch * pitch
            if is_alone:
                kinds[n] = kind
                poses[n, 0] = voids[v, 0]
                poses[n, 1] = voids[v, 1]
                poses[n, 2] = 0.0
                n += 1
        if n == first:
            return n
        minimise(world, kinds, poses, n, scale, weights, 0.0, 0.0, 60, tol)
    return n


@njit(cache=True, nogil=True)
def press(world, kinds, poses, n, own, kind, is_free, base, x0, y0, cell, rounds, tol, state):
    """Work off the overlap of `n` bodies, of which those from `own` on are discs of `kind`, in place. Returns the
    energy that is left, 0 when all lies well, and the rounds that are left then.

    A round: joint descent of all bodies, then moves of single discs, each with a descent of the discs around it alone,
    which costs a twentieth. After `_PATIENCE` rounds without gain a big body is moved, or all discs are shaken, and the
    energy decides what is gone on from.
    """
    pitch = 2.0 * world.radius[kind] + world.gap
    room = np.empty_like(base)
    weights = np.ones((n + 1, n + 1))
    scale = np.empty((n, 3))
    pairs = np.empty((n * (n - 1) // 2 + 1, 2), dtype=np.int64)
    grad = np.empty((n, 3))
    voids = np.empty((_VOIDS, 3))
    here = poses[:n].copy()  # the best since the last kick
    top = poses[:n].copy()  # the best of all
    here_e = FAR
    top_e = FAR
    fails = 0
    _scaled(world, kinds, n, is_free, scale)
    for spent in range(rounds):
        worst = 0.0
        for _ in range(_DESCENTS):
            worst = minimise(world, kinds, poses, n, scale, weights, 0.0, 0.0, 100, tol)
            if worst <= tol or worst > _NEARLY:
                break
        if worst <= tol:
            return 0.0, rounds - spent
        n_pairs = _neighbours(world, kinds, poses, n, scale, pairs)
        e, _ = energy(world, kinds, poses, n, scale, weights, pairs, n_pairs, 0.0, 0.0, grad)
        fails = 0 if e < _GAIN * here_e else fails + 1
        if e < here_e:
            here_e = e
            here[:] = poses[:n]
        if here_e < top_e:
            top_e = here_e
            top[:] = here
        if fails > _PATIENCE:
            fails = 0
            if here_e > top_e and draw(state) < _RETURNS:
                here[:] = top
            poses[:n] = here
            here_e = FAR
            _kick(world, kinds, poses, n, own, is_free, pitch, state)
            continue
        if e > _TOO_MUCH * here_e:
            poses[:n] = here
            e = here_e
        room_map(world, kinds, poses, n, world.radius[kind], base, x0, y0, cell, 0.5 * pitch, room)
        n_voids = _voids(room, x0, y0, cell, -0.6 * world.radius[kind], voids)
        _near_moves(world, kinds, poses, n, own, pitch, voids, n_voids, e, state)
    poses[:n] = top
    return top_e, 0
