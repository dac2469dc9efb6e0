"""Where the stock is looked at, and what heights are good there.

Places: a grid over the billet, fine near the parts, and points beside every wall of every part's mesh: inside the part
just beyond the wall tolerance, and outside it just beyond what may be left. Limits: `low` is the lowest height that is
no gouge, `high` the highest that leaves nothing behind; both come from the top of the mesh over a small disc, so a
place that the tolerance itself covers is never judged. Drawn limits of holes and pockets widen both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np

from pipeline.model.job import Tolerances
from pipeline.model.part import Hole, Pocket
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.toolpath import NotCut
from tests.oracle.stamping import Points, in_buckets

FINE_MM, COARSE_MM = 0.12, 0.4
NEAR_MM = 2.0  # the fine grid round each part
WALL_STEP_MM = 0.12
KERF_MM = 0.6  # how far out of an outline the kerf is asked for
SURE_MM = 0.0015  # beyond the tolerance by this: the stamping's own error, and more
CHORD_MM = 0.002
SPILL_MM = 0.2  # a declared region counts this much beyond its edge
TURN = np.linspace(0.0, 2 * math.pi, 16, endpoint=False)
RAYS = np.column_stack([np.cos(TURN), np.sin(TURN)])


@dataclass(slots=True)
class Stock:
    """Points, the uncut height at each, and the good heights. Arrays (n,); `part` is an index or -1."""

    points: Points
    z: np.ndarray
    low: np.ndarray
    high: np.ndarray
    part: np.ndarray
    inside: np.ndarray  # in the billet


def inside(xy: np.ndarray, polygon: np.ndarray) -> np.ndarray:
    """Points (n, 2) in a polygon, by crossings."""
    out = np.zeros(len(xy), dtype=bool)
    for (ax, ay), (bx, by) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if ay != by:
            crosses = (ay > xy[:, 1]) != (by > xy[:, 1])
            out ^= crosses & (xy[:, 0] < ax + (xy[:, 1] - ay) / (by - ay) * (bx - ax))
    return out


def near(xy: np.ndarray, polygon: np.ndarray, reach: float) -> np.ndarray:
    """Points (n, 2) in a polygon or within `reach` of it."""
    box = ((xy > polygon.min(axis=0) - reach) & (xy < polygon.max(axis=0) + reach)).all(axis=1)
    out = np.zeros(len(xy), dtype=bool)
    if box.any():
        out[box] = inside(xy[box], polygon) | (distance(xy[box], polygon) < reach)
    return out


def distance(xy: np.ndarray, polygon: np.ndarray) -> np.ndarray:
    """Of points (n, 2) from a polygon's edge."""
    out = np.full(len(xy), np.inf)
    for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        d = b - a
        f = np.clip((xy - a) @ d / max(float(d @ d), 1e-18), 0.0, 1.0)
        out = np.minimum(out, np.hypot(*(xy - a - f[:, None] * d).T))
    return out


@numba.njit(cache=True)
def tops(xy, tris, x0, y0, size, columns, rows, first, listed):
    """Highest triangle over each point, -inf where there is none. `tris` (m, 9), in buckets."""
    out = np.full(len(xy), -np.inf)
    for k in range(len(xy)):
        x, y = xy[k, 0], xy[k, 1]
        column, row = int((x - x0) / size), int((y - y0) / size)
        if x < x0 or y < y0 or column >= columns or row >= rows:
            continue
        for j in range(first[row * columns + column], first[row * columns + column + 1]):
            t = tris[listed[j]]
            det = (t[4] - t[7]) * (t[0] - t[6]) + (t[6] - t[3]) * (t[1] - t[7])
            if abs(det) < 1e-12:
                continue
            a = ((t[4] - t[7]) * (x - t[6]) + (t[6] - t[3]) * (y - t[7])) / det
            b = ((t[7] - t[1]) * (x - t[6]) + (t[0] - t[6]) * (y - t[7])) / det
            c = 1 - a - b
            if a > -1e-9 and b > -1e-9 and c > -1e-9:
                z = a * t[2] + b * t[5] + c * t[8]
                if z > out[k]:
                    out[k] = z
    return out


class _Mesh:
    """One placed part's triangles, asked for their top."""

    def __init__(self, placed: PlacedPart) -> None:
        mesh = placed.part.mesh
        pose = placed.setup_from_part
        corners = pose.points(mesh.vertices)[mesh.triangles.astype(np.int64)]
        self.tris = np.ascontiguousarray(corners.reshape(-1, 9))
        self.deviation = mesh.deviation_mm
        self.outline = pose.points(placed.part.outline.flattened(chord_mm=CHORD_MM))[:, :2]
        low, high = corners.min(axis=1)[:, :2], corners.max(axis=1)[:, :2]
        self.low, self.high = low.min(axis=0), high.max(axis=0)
        self.size = max(0.25, float((self.high - self.low).max()) / 200)
        self.x0, self.y0 = self.low - self.size
        self.columns, self.rows = (int(v) for v in np.ceil((self.high - self.low) / self.size) + 3)
        keys, which = [], []
        for t in range(len(corners)):
            ca, ra = ((low[t] - (self.x0, self.y0)) / self.size).astype(int)
            cb, rb = ((high[t] - (self.x0, self.y0)) / self.size).astype(int)
            for row in range(ra, rb + 1):
                for column in range(ca, cb + 1):
                    keys.append(row * self.columns + column)
                    which.append(t)
        order = np.argsort(keys, kind="stable")
        self.listed = np.array(which)[order]
        self.first = np.searchsorted(np.array(keys)[order], np.arange(self.columns * self.rows + 1))

    def top(self, xy: np.ndarray) -> np.ndarray:
        return tops(np.ascontiguousarray(xy), self.tris, self.x0, self.y0, self.size, self.columns, self.rows,
                    self.first, self.listed)  # fmt: skip

    def walls(self, inward: float, outward: float) -> np.ndarray:
        """Points beside every upright triangle, on both sides at both distances: (n, 2)."""
        c = self.tris.reshape(-1, 3, 3)
        normal = np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0])
        upright = np.abs(normal[:, 2]) < 0.02 * np.linalg.norm(normal, axis=1)
        segments = set()
        for t in c[upright][:, :, :2]:
            far = max(((0, 1), (1, 2), (2, 0)), key=lambda p: float(np.hypot(*(t[p[0]] - t[p[1]]))))
            a, b = (tuple(np.round(t[i], 9)) for i in far)
            segments.add((min(a, b), max(a, b)))
        out = []
        for a, b in sorted(segments):
            p, q = np.array(a), np.array(b)
            length = float(np.hypot(*(q - p)))
            if length < 1e-6:
                continue
            n = max(1, math.ceil(length / WALL_STEP_MM))
            at = p + (q - p) * ((np.arange(n) + 0.5) / n)[:, None]
            side = np.array([-(q - p)[1], (q - p)[0]]) / length
            out += [at + side * d for d in (inward, -inward, outward, -outward)]
        return np.vstack(out) if out else np.zeros((0, 2))


def stock_of(setup: Setup, tolerances: Tolerances, not_cut: Sequence[NotCut]) -> Stock:
    """The uncut billet with its points and limits."""
    meshes = [_Mesh(p) for p in setup.parts]
    inward = [tolerances.wall_mm + m.deviation + SURE_MM for m in meshes]
    outward = [tolerances.left_mm + m.deviation + SURE_MM for m in meshes]
    xy, area = _grid(setup, meshes)
    beside = [m.walls(i, o) for m, i, o in zip(meshes, inward, outward, strict=True)]
    at = np.vstack([xy, *beside])
    area = np.concatenate([area, np.zeros(len(at) - len(xy))])
    points = in_buckets(at[:, 0], at[:, 1], area)
    at = at[points.order]
    in_billet = inside(at, np.array(setup.billet))
    points.area[~in_billet] = -1.0
    stock = Stock(
        points, np.where(in_billet, setup.z.top_high_mm, -np.inf),
        np.full(len(at), setup.z.skin_mm - tolerances.floor_mm - SURE_MM), np.full(len(at), np.inf),
        np.full(len(at), -1), in_billet,
    )  # fmt: skip
    for index, mesh in enumerate(meshes):
        window = ((at > mesh.low - 1.0) & (at < mesh.high + 1.0)).all(axis=1)
        _limits(stock, setup, tolerances, index, mesh, np.flatnonzero(window), inward[index], outward[index])
    for item in not_cut:
        if len(item.region) >= 3:
            there = near(at, np.array(item.region), SPILL_MM)
            stock.high[there] = np.maximum(stock.high[there], item.high_z_mm + tolerances.left_mm)
    stock.high[~in_billet] = np.inf
    return stock


def _grid(setup: Setup, meshes: list[_Mesh]) -> tuple[np.ndarray, np.ndarray]:
    billet = np.array(setup.billet)
    low, high = billet.min(axis=0), billet.max(axis=0)

    def over(a: np.ndarray, b: np.ndarray, step: float) -> np.ndarray:
        xs, ys = np.arange(a[0] + step / 2, b[0], step), np.arange(a[1] + step / 2, b[1], step)
        return np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)

    coarse = over(low, high, COARSE_MM)
    keep = np.ones(len(coarse), dtype=bool)
    parts, areas = [], []
    taken: list[tuple[np.ndarray, np.ndarray]] = []
    for mesh in meshes:
        a, b = np.maximum(mesh.low - NEAR_MM, low), np.minimum(mesh.high + NEAR_MM, high)
        fine = over(a, b, FINE_MM)
        for c, d in taken:
            fine = fine[~((fine >= c) & (fine < d)).all(axis=1)]
        keep &= ~((coarse >= a) & (coarse < b)).all(axis=1)
        taken.append((a, b))
        parts.append(fine)
        areas.append(np.full(len(fine), FINE_MM**2))
    return np.vstack([coarse[keep], *parts]), np.concatenate([np.full(int(keep.sum()), COARSE_MM**2), *areas])


def _limits(stock: Stock, setup: Setup, tol: Tolerances, index: int, mesh: _Mesh, rows: np.ndarray, inward: float,
            outward: float) -> None:  # fmt: skip
    at = np.column_stack([stock.points.x[rows], stock.points.y[rows]])
    here = mesh.top(at)
    least, most = here.copy(), here.copy()
    for ray in RAYS:
        # A hair less than the points beside the walls stand off, so that these are judged and nothing nearer is.
        least = np.minimum(least, mesh.top(at + ray * (inward - SURE_MM / 3)))
        most = np.maximum(most, mesh.top(at + ray * (outward - SURE_MM / 3)))
    skin = setup.z.skin_mm
    low = np.where(np.isfinite(least), least, skin) - tol.floor_mm - mesh.deviation - SURE_MM
    high = np.where(np.isfinite(most), most, skin) + tol.left_mm + mesh.deviation + SURE_MM
    placed = setup.parts[index]
    for feature in placed.part.features:
        if isinstance(feature, Hole):
            _hole(feature, placed, at, low, high, tol, mesh.deviation)
        elif isinstance(feature, Pocket) and feature.floor_limits_mm:
            loop = placed.setup_from_part.points(feature.outer.flattened(chord_mm=CHORD_MM))[:, :2]
            there = inside(at, loop)
            up = placed.bottom_z_mm
            low[there] = np.minimum(low[there], feature.floor_limits_mm[0] + up - mesh.deviation - SURE_MM)
            high[there] = np.maximum(high[there], feature.floor_limits_mm[1] + up + mesh.deviation + SURE_MM)
    own = inside(at, mesh.outline)
    asked = own | near(at, mesh.outline, KERF_MM)
    stock.low[rows] = np.where(np.isfinite(here), np.maximum(stock.low[rows], low), stock.low[rows])
    # Beside a neighbour the higher of the two is good.
    before = stock.high[rows]
    stock.high[rows] = np.where(asked, np.where(np.isfinite(before), np.maximum(before, high), high), before)
    stock.part[rows[own]] = index


def _hole(hole: Hole, placed: PlacedPart, at: np.ndarray, low: np.ndarray, high: np.ndarray, tol: Tolerances,
          deviation: float) -> None:  # fmt: skip
    """Good anywhere between the limits of its diameter, and of its depth."""
    centre = placed.setup_from_part.points(np.array([[hole.x_mm, hole.y_mm]]))[0, :2]
    up, radius = placed.bottom_z_mm, np.hypot(*(at - centre).T)
    pointed = not hole.through and not hole.flat_bottom
    bottom = hole.bottom_z_mm + up
    deepest = (hole.depth_limits_mm[0] + up) if hole.depth_limits_mm else bottom
    highest = (hole.depth_limits_mm[1] + up) if hole.depth_limits_mm else bottom
    grow = max(0.0, (hole.limits_mm[1] - hole.diameter_mm) / 2)
    wide = radius <= hole.limits_mm[1] / 2 + deviation + SURE_MM
    if hole.through:
        low[wide] = -np.inf  # down to the skin, which is judged by itself
    else:
        # A wider drill has a lower point, by less than the radius grows.
        rim = wide & (radius > hole.diameter_mm / 2 - tol.wall_mm)
        low[rim] = np.minimum(low[rim], deepest - grow - tol.floor_mm - deviation)
        deep = wide & ~rim
        low[deep] = low[deep] - (bottom - deepest) - (max(0.0, grow - tol.floor_mm) if pointed else 0.0)
    least = min(hole.limits_mm[0] / 2, hole.diameter_mm / 2 - tol.left_mm) - deviation
    small = (radius >= least) & (radius <= hole.diameter_mm / 2 + tol.left_mm)
    high[small] = np.maximum(high[small], hole.top_z_mm + up + tol.left_mm)
    if not hole.through:
        within = radius < hole.diameter_mm / 2
        over = tol.left_mm if pointed else 0.0
        high[within] = np.maximum(high[within], highest + over + deviation + SURE_MM)
