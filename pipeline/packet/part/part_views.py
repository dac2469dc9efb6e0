"""What is seen of a part: the plan onto its inside face, and a stepped section through its features.

Everything is in the part frame, mm: the plan in (x, y), the section in (x, z), seen along +Y. Line styles are those
of a sheet of paper (`drafting`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.plan_view import inset
from pipeline.model.arrays import Float
from pipeline.model.loop import Loop
from pipeline.model.part import Chamfer, Hole, Mark, Mesh, Part, Pocket, Side, Surface
from pipeline.model.units import EPS_MM
from pipeline.packet.part.feature_table import circle_of, mouth_of

_CHORD_MM = 0.005  # of the polygons that stand for arcs, where no finer one is asked for
_ON_EDGE_MM = 0.03  # nearer to the outline than this a line of a feature is the outline
_BESIDE_MM = 0.35  # a section goes straight this far past a hole
_TIP_MM = 0.02  # what is this near to the end of the part is its end
_LEAST_MM = 2.0  # a pocket is cut over at least this length
_MOST_MM = 8.0  # and over at most this where other features want the plane too: a groove may be curved


@dataclass(frozen=True, slots=True)
class Line:
    """A row of straight lines in one style."""

    style: str
    points: Float
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Station:
    """The section's plane between two x: it lies at y."""

    low: float
    high: float
    y: float


# --- plan -----------------------------------------------------------------------------------------------------------


def plan_lines(part: Part, *, chord_mm: float) -> Iterator[Line]:
    """Every edge of the plan: visible ones, hidden ones of the outer side, threads, places for text. Polygons stand
    for arcs, at most `chord_mm` off."""

    def flat(loop: Loop) -> Float:
        return loop.flattened(chord_mm=chord_mm)

    def circle(x: float, y: float, radius: float, low_deg: float = 0.0, high_deg: float = 360.0) -> Float:
        pieces = math.ceil((high_deg - low_deg) / 360.0 * math.pi / math.sqrt(chord_mm / radius / 2))
        last = pieces if high_deg - low_deg < 360.0 else pieces - 1  # a whole circle does not repeat its first point
        turns = [math.radians(low_deg + (high_deg - low_deg) * k / pieces) for k in range(last + 1)]
        return np.array([(x + radius * math.cos(t), y + radius * math.sin(t)) for t in turns])

    edge = flat(part.outline)
    yield Line("visible", edge, closed=True)
    legs_inside = {f.leg_mm for f in part.features if isinstance(f, Chamfer) and f.side is Side.INSIDE and not f.inward}
    for feature in part.features:
        seen = feature.side is Side.INSIDE
        if isinstance(feature, Hole):
            x, y = feature.x_mm, feature.y_mm
            style = "inner" if seen or feature.through else "hidden"
            yield Line(style, circle(x, y, feature.diameter_mm / 2), closed=True)
            if feature.thread:
                yield Line("thin", circle(x, y, feature.thread.major_mm / 2, 20.0, 290.0))
        elif isinstance(feature, Chamfer):
            if feature.inward:
                ring = circle_of(feature.loop)
                if ring and not _is_on_thread(feature, part):  # the end view of a thread leaves its chamfer out
                    yield Line("thin" if seen else "hidden", circle(ring[0], ring[1], ring[2] + feature.leg_mm),
                               closed=True)
            elif seen or feature.leg_mm not in legs_inside:  # below an equal chamfer the hidden line is the visible one
                ring = inset(flat(feature.loop), feature.leg_mm)
                if not ring.is_empty:
                    yield Line("thin" if seen else "hidden", np.array(ring.exterior.coords)[:-1], closed=True)
        elif isinstance(feature, Pocket):
            style = "inner" if seen else "hidden"
            for loop in (feature.outer, *feature.islands):
                if not feature.open_edge:
                    yield Line(style, flat(loop), closed=True)
                else:
                    yield from (Line(style, points) for points in inside_pieces(flat(loop), edge))
        elif isinstance(feature, Surface):
            for points in inside_pieces(flat(feature.region), edge):
                yield Line("thin" if seen else "hidden", points)
        elif isinstance(feature, Mark):
            yield Line("place", flat(feature.region), closed=True)


def _is_on_thread(chamfer: Chamfer, part: Part) -> bool:
    return any(isinstance(f, Hole) and f.thread and mouth_of(f, part) is chamfer for f in part.features)


def flat(loop: Loop) -> Float:
    """A loop as points (n, 2)."""
    return loop.flattened(chord_mm=_CHORD_MM)


def inside_pieces(ring: Float, edge: Float) -> list[Float]:
    """The pieces of a closed ring (n, 2) that run inside the polygon `edge`, its own boundary left out."""
    cut: list[tuple[float, float]] = []
    for start, end in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        for t in (0.0, *_crossings(start, end, edge)):
            cut.append(tuple(start + (end - start) * t))
    points = np.array(cut)
    middles = (points + np.roll(points, -1, axis=0)) / 2
    keep = [is_inside(m, edge) and _distance(m, edge) > _ON_EDGE_MM for m in middles]
    if all(keep):
        return [np.vstack([points, points[:1]])]
    first = keep.index(False) + 1 if not all(keep) else 0
    pieces: list[list[Float]] = []
    for k in range(len(points)):
        i = (first + k) % len(points)
        if not keep[i]:
            continue
        if pieces and np.array_equal(pieces[-1][-1], points[i]):
            pieces[-1].append(points[(i + 1) % len(points)])
        else:
            pieces.append([points[i], points[(i + 1) % len(points)]])
    return [np.array(piece) for piece in pieces]


def _crossings(start: Float, end: Float, edge: Float) -> list[float]:
    a, b = edge, np.roll(edge, -1, axis=0)
    way, side = end - start, b - a
    across = way[0] * side[:, 1] - way[1] * side[:, 0]
    off = a - start
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (off[:, 0] * side[:, 1] - off[:, 1] * side[:, 0]) / across
        s = (off[:, 0] * way[1] - off[:, 1] * way[0]) / across
    return sorted(t[(t > 0) & (t < 1) & (s >= 0) & (s < 1)].tolist())


def is_inside(point: Float, edge: Float) -> bool:
    """Whether a point lies inside a polygon (n, 2)."""
    return len(_crossings(point, point + np.array([1e4, 0.1234]), edge)) % 2 == 1


def _distance(point: Float, edge: Float) -> float:
    side = np.roll(edge, -1, axis=0) - edge
    t = np.clip(((point - edge) * side).sum(axis=1) / (side * side).sum(axis=1), 0.0, 1.0)
    return float(np.hypot(*(point - edge - t[:, None] * side).T).min())


# --- where the section goes -----------------------------------------------------------------------------------------


def stations(part: Part) -> list[Station]:
    """Where the section's plane lies: through the middle of every hole that it can reach and along every closed
    pocket, from left to right; straight through both ends."""
    edge = flat(part.outline)
    taken: list[Station] = []
    for hole in sorted((f for f in part.features if isinstance(f, Hole)), key=lambda f: (-f.diameter_mm, f.id)):
        half = hole.diameter_mm / 2 + _BESIDE_MM
        want = Station(hole.x_mm - half, hole.x_mm + half, hole.y_mm)
        if all(s.high <= want.low or want.high <= s.low for s in taken):
            taken.append(want)
    pockets = [(f, flat(f.outer)) for f in part.features if isinstance(f, Pocket) and not f.open_edge]
    for pocket, ring in sorted(pockets, key=lambda item: (float(np.ptp(item[1][:, 0])), item[0].id)):
        gaps = _gaps(float(ring[:, 0].min()), float(ring[:, 0].max()), taken)
        if not gaps:
            continue
        heights = {round(pocket.floor_z_mm, 6), round(pocket.top_z_mm, 6)}
        shown = [d.start[0] for d in part.dimensions
                 if d.view == "side" and {round(d.start[1], 6), round(d.end[1], 6)} == heights]
        holds = [gap for gap in gaps if any(gap[0] < x < gap[1] for x in shown)]
        low, high = max(holds or gaps, key=lambda gap: round(gap[1] - gap[0], 6))
        middle = (low + high) / 2
        chord = _chord(ring, middle)
        near = min(taken, key=lambda s: abs((s.low + s.high) / 2 - middle), default=None)
        y = sum(chord) / 2
        if near and chord[0] + 1.0 < near.y < chord[1] - 1.0:
            y = near.y  # one step less
        if high - low < np.ptp(ring[:, 0]) - EPS_MM:
            low, high = max(low, middle - _MOST_MM / 2), min(high, middle + _MOST_MM / 2)
        taken.append(Station(low, high, y))
    taken.sort(key=lambda s: s.low)
    x_low, x_high = float(edge[:, 0].min()), float(edge[:, 0].max())
    ends = []
    for x, beside in ((x_low, taken[:1]), (x_high, taken[-1:])):
        tip = edge[np.abs(edge[:, 0] - x) < _TIP_MM][:, 1]
        y = float(tip.min() + tip.max()) / 2
        if beside and tip.min() <= beside[0].y <= tip.max():
            y = beside[0].y
        ends.append(Station(x, x, y))
    return _joined([ends[0], *taken, ends[1]], x_low, x_high)


def _gaps(low: float, high: float, taken: list[Station]) -> list[tuple[float, float]]:
    """The pieces of (low, high) that no station has, at least _LEAST_MM long."""
    pieces = [(low, high)]
    for s in taken:
        pieces = [new for a, b in pieces for new in ((a, min(b, s.low)), (max(a, s.high), b)) if new[1] > new[0]]
    return [(a, b) for a, b in pieces if b - a >= _LEAST_MM]


def _chord(ring: Float, x: float) -> tuple[float, float]:
    """Lowest and highest y of the lowest piece of the line at x inside a ring."""
    a, b = ring, np.roll(ring, -1, axis=0)
    crossing = (a[:, 0] <= x) != (b[:, 0] <= x)
    t = (x - a[crossing, 0]) / (b[crossing, 0] - a[crossing, 0])
    y = np.sort(a[crossing, 1] + t * (b[crossing, 1] - a[crossing, 1]))
    return float(y[0]), float(y[1])


def _joined(taken: list[Station], left: float, right: float) -> list[Station]:
    """Stations without gaps: the step is in the middle between two; equal heights become one."""
    out: list[Station] = []
    for k, s in enumerate(taken):
        low = left if k == 0 else (taken[k - 1].high + s.low) / 2
        high = right if k == len(taken) - 1 else (s.high + taken[k + 1].low) / 2
        if out and abs(out[-1].y - s.y) < EPS_MM:
            out[-1] = Station(out[-1].low, high, s.y)
        else:
            out.append(Station(low, high, s.y))
    return out


# --- the section ----------------------------------------------------------------------------------------------------


def section_cut(mesh: Mesh, along: list[Station]) -> Float:
    """Edges of the cut metal, (n, 4): x, z, x, z. Each station is cut at its own y; steps leave no line."""
    return np.vstack([_within(slice_at(mesh, s.y), *_reach(along, k)) for k, s in enumerate(along)])


def _reach(along: list[Station], k: int) -> tuple[float, float]:
    """From where to where a station cuts: the first and the last go on past the part."""
    past = 1.0
    return (along[k].low - (past if k == 0 else 0.0), along[k].high + (past if k == len(along) - 1 else 0.0))


def hatching(mesh: Mesh, along: list[Station], gap_mm: float) -> Float:
    """Lines at 45 degrees inside the cut metal, (n, 4): x, z, x, z, `gap_mm` apart."""
    step = gap_mm * math.sqrt(2.0)
    out: list[tuple[float, float, float, float]] = []
    for k, s in enumerate(along):
        rows = slice_at(mesh, s.y)
        if len(rows) == 0:
            continue
        low, high = _reach(along, k)
        u0, u1 = rows[:, 1] - rows[:, 0], rows[:, 3] - rows[:, 2]  # constant along a hatching line
        least, most = float(min(u0.min(), u1.min())), float(max(u0.max(), u1.max()))
        for n in range(math.ceil(least / step), math.floor(most / step) + 1):
            at = n * step
            crossing = (u0 <= at) != (u1 <= at)
            t = (at - u0[crossing]) / (u1[crossing] - u0[crossing])
            xs = np.sort(rows[crossing, 0] + t * (rows[crossing, 2] - rows[crossing, 0]))
            for a, b in zip(xs[::2].tolist(), xs[1::2].tolist(), strict=False):
                a, b = max(a, low), min(b, high)
                if b - a > EPS_MM:
                    out.append((a, a + at, b, b + at))
    return np.array(out).reshape(-1, 4)


def slice_at(mesh: Mesh, y: float) -> Float:
    """Where the mesh meets the plane at y: (n, 4) of x, z, x, z. A vertex in the plane counts as beyond it, so that
    every closed mesh gives closed rings."""
    corners = mesh.vertices[mesh.triangles.astype(np.int64)]
    beyond = corners[:, :, 1] >= y
    some = beyond.any(axis=1) & ~beyond.all(axis=1)
    corners, beyond = corners[some], beyond[some]
    alone = np.where(beyond.sum(axis=1) == 1, beyond.argmax(axis=1), (~beyond).argmax(axis=1))
    i = np.arange(len(corners))
    tip = corners[i, alone]
    ends = []
    for turn in (1, 2):
        other = corners[i, (alone + turn) % 3]
        t = (y - tip[:, 1]) / (other[:, 1] - tip[:, 1])
        ends.append((tip + t[:, None] * (other - tip))[:, [0, 2]])
    rows = np.hstack(ends)
    return rows[np.hypot(rows[:, 2] - rows[:, 0], rows[:, 3] - rows[:, 1]) > EPS_MM]


def _within(rows: Float, low: float, high: float) -> Float:
    """The pieces of segments between two x."""
    way = rows[:, 2] - rows[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = (low - rows[:, 0]) / way, (high - rows[:, 0]) / way
    level = way == 0
    outside = (rows[:, 0] < low) | (rows[:, 0] > high)
    first = np.where(level, np.where(outside, 1.0, 0.0), np.clip(np.minimum(a, b), 0.0, 1.0))
    last = np.where(level, np.where(outside, 0.0, 1.0), np.clip(np.maximum(a, b), 0.0, 1.0))
    start, along = rows[:, :2], rows[:, 2:] - rows[:, :2]
    pieces = np.hstack([start + first[:, None] * along, start + last[:, None] * along])
    return pieces[last > first]


def edges_behind(part: Part, along: list[Station]) -> Iterator[Line]:
    """What is seen behind the plane: rims of the holes and pockets it goes through, and threads."""
    for feature in part.features:
        if isinstance(feature, Hole):
            here = station_at(along, feature.x_mm)
            if abs(here.y - feature.y_mm) > EPS_MM:
                continue
            mouth = mouth_of(feature, part)
            radius, leg = feature.diameter_mm / 2, mouth.leg_mm if mouth else 0.0
            rims = [(feature.top_z_mm - leg, radius), (feature.bottom_z_mm, radius)]
            if mouth:
                rims.append((feature.top_z_mm, radius + leg))
            for z, reach in rims:
                yield Line("inner", np.array([(feature.x_mm - reach, z), (feature.x_mm + reach, z)]))
            if feature.thread:
                major = feature.thread.major_mm / 2
                for x in (feature.x_mm - major, feature.x_mm + major):
                    top = feature.top_z_mm - max(0.0, leg - (major - radius))
                    yield Line("thin", np.array([(x, feature.bottom_z_mm), (x, top)]))
        elif isinstance(feature, Pocket) and not feature.open_edge:
            ring = flat(feature.outer)
            for s in along:
                low, high = max(s.low, float(ring[:, 0].min())), min(s.high, float(ring[:, 0].max()))
                if high - low > EPS_MM and is_inside(np.array([(low + high) / 2, s.y]), ring):
                    yield Line("inner", np.array([(low, feature.top_z_mm), (high, feature.top_z_mm)]))


def station_at(along: list[Station], x: float) -> Station:
    """The station that the plane has at x."""
    return next((s for s in along if s.low <= x <= s.high), along[-1])
