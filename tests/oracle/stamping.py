"""Removal by stamping: at small steps along every path the cutter's shape is pressed into points of the stock.

A point holds the height of the stock over its place in plan; places may be anywhere, so a wall can be watched by points
a few micrometres beside it. Slow beside swept volumes, and with no geometry in common with them: nothing here knows
what a line or an arc is, only where the tip stands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba
import numpy as np

from pipeline.model.shop import Crib, CutterKind
from tests.oracle.events import PLANES, Move

MISSED_MM = 0.0002  # what an edge of radius r leaves between two stamps: step^2 / 8r
BUCKET_MM = 0.5
RAPID_SHRINK_MM = 0.006  # a rapid along a wall that was just cut is not in stock
RUB_MM = 0.01  # neck and shank slide along what the edges have cut
FLAT, CONE, BALL = 0, 1, 2
NO_STAGE = 1e9
SHAPES = {
    CutterKind.FLAT: FLAT, CutterKind.DRILL: CONE, CutterKind.SPOT: CONE, CutterKind.CHAMFER: CONE,
    CutterKind.ENGRAVER: CONE, CutterKind.BALL: BALL,
}  # fmt: skip


@dataclass(slots=True)
class Points:
    """Places in plan in buckets: `first[k]` to `first[k + 1]` are the points of bucket k. Arrays (n,)."""

    x: np.ndarray
    y: np.ndarray
    area: np.ndarray  # of the grid cell, 0 for a point that only watches
    x0: float
    y0: float
    columns: int
    rows: int
    first: np.ndarray
    order: np.ndarray  # where each point stood in what was given


def in_buckets(x: np.ndarray, y: np.ndarray, area: np.ndarray) -> Points:
    x0, y0 = float(x.min()) - BUCKET_MM, float(y.min()) - BUCKET_MM
    columns = int((x.max() - x0) / BUCKET_MM) + 2
    rows = int((y.max() - y0) / BUCKET_MM) + 2
    key = ((y - y0) / BUCKET_MM).astype(np.int64) * columns + ((x - x0) / BUCKET_MM).astype(np.int64)
    order = np.argsort(key, kind="stable")
    first = np.searchsorted(key[order], np.arange(columns * rows + 1))
    return Points(x[order], y[order], area[order], x0, y0, columns, rows, first, order)


def step_of(diameter: float) -> float:
    """From stamp to stamp, so that a wall is right to MISSED_MM."""
    return math.sqrt(8 * MISSED_MM * diameter / 2)


def places(move: Move, step: float) -> np.ndarray:
    """Tip places along a move, its end included and its start left out: (n, 3), mm."""
    if not move.turn:
        plan = math.dist(move.start[:2], move.end[:2])
        n = max(1, math.ceil(plan / step), math.ceil(math.dist(move.start, move.end) / (5 * step)))
        f = np.arange(1, n + 1)[:, None] / n
        return np.array(move.start) * (1 - f) + np.array(move.end) * f
    a, b, c, _ = PLANES[move.plane]
    start = np.array([move.start[a] - move.centre[0], move.start[b] - move.centre[1]])
    radius = float(np.hypot(*start))
    n = max(2, math.ceil(abs(radius * move.turn) / step))
    f = np.arange(1, n + 1) / n
    angle = math.atan2(start[1], start[0]) + move.turn * f
    out = np.empty((n, 3))
    out[:, a], out[:, b] = move.centre[0] + radius * np.cos(angle), move.centre[1] + radius * np.sin(angle)
    out[:, c] = move.start[c] * (1 - f) + move.end[c] * f
    out[-1] = move.end
    return out


def shapes(crib: Crib) -> dict[int, np.ndarray]:
    """Per cutter that cuts from above: shape, radius, tip radius, dz/dr; (height, radius) of neck, shank, holder."""
    out = {}
    for c in crib.cutters:
        if c.kind not in SHAPES:
            continue
        slope = 1 / math.tan(c.point_angle_rad / 2) if c.point_angle_rad else 0.0
        neck = c.flute_length_mm if c.reach_mm > c.flute_length_mm else NO_STAGE
        out[c.number] = np.array([
            SHAPES[c.kind], c.diameter_mm / 2, min(c.tip_diameter_mm, c.diameter_mm) / 2, slope,
            neck, c.neck_diameter_mm / 2 - RUB_MM,
            max(c.reach_mm, c.flute_length_mm), c.shank_diameter_mm / 2 - RUB_MM,
            c.stickout_mm, c.holder_diameter_mm / 2,
        ])  # fmt: skip
    return out


@numba.njit(cache=True)
def stamp(tips, owner, rapid, deep_limit, shape, x, y, area, z, x0, y0, columns, rows, first, top, bucket, shrink,
          deepest, sunk, volume, deep_volume, under, stage, first_contact, last_contact, low):  # fmt: skip
    """Press every place of `tips` (n, 3), in order, into the points. `owner` (n,) is its move; `shape` (moves, 10).

    Per move: deepest cut of one place, the sum of that over its places, volume, volume of points cut deeper than
    `deep_limit`, how far its middle sank into stock, deepest overlap of neck, shank or holder, index of the first
    place that cuts and of the last, lowest height set.
    """
    for k in range(len(tips)):
        m = owner[k]
        tz = tips[k, 2]
        if tz >= top:
            continue
        tx, ty = tips[k, 0], tips[k, 1]
        kind, radius, tip, slope = shape[m, 0], shape[m, 1], shape[m, 2], shape[m, 3]
        edge = radius - shrink if rapid[m] else radius
        reach = edge
        for s in (4, 6, 8):
            if tz + shape[m, s] < top:
                reach = max(reach, shape[m, s + 1])
        row_a = max(0, int((ty - reach - y0) / bucket))
        row_b = min(rows - 1, int((ty + reach - y0) / bucket))
        col_a = max(0, int((tx - reach - x0) / bucket))
        col_b = min(columns - 1, int((tx + reach - x0) / bucket))
        if ty + reach < y0 or tx + reach < x0 or col_b < col_a:
            continue
        cut_here, most, middle = False, 0.0, 0.0
        for row in range(row_a, row_b + 1):
            for i in range(first[row * columns + col_a], first[row * columns + col_b + 1]):
                if z[i] <= tz:
                    continue
                dx, dy = x[i] - tx, y[i] - ty
                d2 = dx * dx + dy * dy
                if d2 > reach * reach:
                    continue
                if d2 <= edge * edge:
                    bottom = tz
                    if kind == 1:
                        r = np.sqrt(d2)
                        if r > tip:
                            bottom += (r - tip) * slope
                    elif kind == 2:
                        bottom += radius - np.sqrt(max(0.0, radius * radius - d2))
                    cut = z[i] - bottom
                    if cut > 0:
                        z[i] = bottom
                        if area[i] >= 0:  # in the billet
                            volume[m] += cut * area[i]
                            if cut > deep_limit[m]:
                                deep_volume[m] += cut * area[i]
                            most = max(most, cut)
                            if cut > 0.01:
                                cut_here = True
                            if d2 < 0.25 * radius * radius:
                                middle = max(middle, cut)
                            if bottom < low[m]:
                                low[m] = bottom
                for s in (4, 6, 8):
                    if d2 <= shape[m, s + 1] * shape[m, s + 1] and area[i] >= 0:
                        over = z[i] - tz - shape[m, s]
                        if over > stage[m]:
                            stage[m] = over
        sunk[m] += most
        under[m] += middle
        deepest[m] = max(deepest[m], most)
        if cut_here:
            if first_contact[m] < 0:
                first_contact[m] = k
            last_contact[m] = k
