"""Paths: chains of straight lines and circular arcs with a direction, to travel along.

A *segment* row is x0, y0, x1, y1, centre x, centre y, sweep: sweep 0 is a line, positive counter-clockwise. Positions
along a path are lengths from its start, mm; on a closed path they wrap round. The *left* is as one looks along it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from pipeline.model.arrays import Float, frozen
from pipeline.model.loop import Loop, arc_of_bulge
from pipeline.model.toolpath import ARC_CCW, LINE, RAPID
from pipeline.model.units import EPS_MM

CRUMB_MM = 1e-7  # a piece this short is rounding, not a segment


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """Segments (m, 7), each beginning where the last one ended; mm, rad, in a frame its holder names."""

    segments: Float
    closed: bool
    ends: Float = field(init=False)  # (m + 1,) length from the start to each joint

    def __post_init__(self) -> None:
        rows = frozen(self.segments, columns=7, name="path", least=1)
        chord = np.hypot(rows[:, 2] - rows[:, 0], rows[:, 3] - rows[:, 1])
        radius = np.hypot(rows[:, 0] - rows[:, 4], rows[:, 1] - rows[:, 5])
        lengths = np.where(rows[:, 6] == 0, chord, radius * np.abs(rows[:, 6]))
        ends = np.concatenate([[0.0], np.cumsum(lengths)])
        ends.setflags(write=False)
        object.__setattr__(self, "segments", rows)
        object.__setattr__(self, "ends", ends)

    @classmethod
    def of_bulges(cls, vertices: Float, *, closed: bool) -> Path:
        """From vertices (n, 3): x, y, bulge to the next vertex; an open path ignores the last bulge."""
        vertices = np.asarray(vertices, dtype=np.float64)
        following = np.roll(vertices, -1, axis=0)
        rows = []
        for (x0, y0, bulge), (x1, y1, _) in zip(vertices.tolist(), following.tolist(), strict=True):
            if bulge == 0:
                rows.append((x0, y0, x1, y1, 0.0, 0.0, 0.0))
            else:
                cx, cy, _, _, sweep = arc_of_bulge(x0, y0, x1, y1, bulge)
                rows.append((x0, y0, x1, y1, cx, cy, sweep))
        return cls(np.array(rows if closed else rows[:-1]), closed)

    @classmethod
    def of_loop(cls, loop: Loop) -> Path:
        """The loop itself, counter-clockwise."""
        return cls.of_bulges(loop.vertices, closed=True)

    @classmethod
    def circle(cls, x_mm: float, y_mm: float, radius_mm: float) -> Path:
        """A full circle, counter-clockwise, as two half circles."""
        return cls.of_loop(Loop.circle(x_mm, y_mm, radius_mm))

    @property
    def length_mm(self) -> float:
        """Exact length."""
        return float(self.ends[-1])

    @property
    def start(self) -> tuple[float, float]:
        """The first point."""
        return float(self.segments[0, 0]), float(self.segments[0, 1])

    @property
    def end(self) -> tuple[float, float]:
        """The last point."""
        return float(self.segments[-1, 2]), float(self.segments[-1, 3])

    def reversed(self) -> Path:
        """The same path travelled backward."""
        rows = self.segments[::-1]
        return Path(np.column_stack([rows[:, 2:4], rows[:, 0:2], rows[:, 4:6], -rows[:, 6]]), self.closed)

    def at(self, s: float) -> tuple[float, float, float, float]:
        """Point x, y and unit direction of travel at length s (wraps on a closed path, is clipped on an open one)."""
        s = s % self.length_mm if self.closed else min(max(s, 0.0), self.length_mm)
        i = min(int(np.searchsorted(self.ends, s, side="right")) - 1, len(self.segments) - 1)
        x0, y0, x1, y1, cx, cy, sweep = self.segments[i].tolist()
        share = (s - self.ends[i]) / (self.ends[i + 1] - self.ends[i])
        if sweep == 0:
            length = math.hypot(x1 - x0, y1 - y0)
            return x0 + (x1 - x0) * share, y0 + (y1 - y0) * share, (x1 - x0) / length, (y1 - y0) / length
        cos, sin = math.cos(sweep * share), math.sin(sweep * share)
        rx, ry = (x0 - cx) * cos - (y0 - cy) * sin, (x0 - cx) * sin + (y0 - cy) * cos
        radius = math.copysign(math.hypot(rx, ry), sweep)
        return cx + rx, cy + ry, -ry / radius, rx / radius

    def sub(self, s0: float, s1: float) -> Path:
        """The open path from length s0 to s1 > s0; on a closed path both may lie outside one lap, and many laps fit."""
        if not s1 > s0:
            raise ValueError("sub: wanted s1 > s0")
        total = self.length_mm
        lap = math.floor(s0 / total) if self.closed else 0
        rows: list[list[float]] = []
        while lap * total < s1:
            for i, row in enumerate(self.segments.tolist()):
                begin, end = float(self.ends[i]) + lap * total, float(self.ends[i + 1]) + lap * total
                low, high = max(begin, s0), min(end, s1)
                if high - low > CRUMB_MM:
                    rows.append(_cut(row, (low - begin) / (end - begin), (high - begin) / (end - begin)))
            lap += 1
            if not self.closed:
                break
        return Path(np.array(rows), False)

    def nearest(self, x: float, y: float) -> tuple[float, float]:
        """Length at which the path comes nearest to the point, and that distance."""
        best = (math.inf, 0.0)
        for i, (x0, y0, x1, y1, cx, cy, sweep) in enumerate(self.segments.tolist()):
            if sweep == 0:
                dx, dy = x1 - x0, y1 - y0
                share = min(1.0, max(0.0, ((x - x0) * dx + (y - y0) * dy) / (dx * dx + dy * dy)))
                distance = math.hypot(x0 + dx * share - x, y0 + dy * share - y)
            else:
                turned = math.atan2(y - cy, x - cx) - math.atan2(y0 - cy, x0 - cx)
                share = (turned if sweep > 0 else -turned) % math.tau / abs(sweep)
                if share <= 1:
                    distance = abs(math.hypot(x - cx, y - cy) - math.hypot(x0 - cx, y0 - cy))
                else:
                    near0, near1 = math.hypot(x0 - x, y0 - y), math.hypot(x1 - x, y1 - y)
                    share, distance = (0.0, near0) if near0 <= near1 else (1.0, near1)
            if distance < best[0] - 1e-9:
                best = (distance, float(self.ends[i] + share * (self.ends[i + 1] - self.ends[i])))
        return best[1], best[0]

    def flattened(self, *, chord_mm: float) -> Float:
        """Points (n, 2) on the path, chords at most `chord_mm` off; a closed path repeats its first point."""
        out: list[tuple[float, float]] = [self.start]
        for row in self.segments.tolist():
            x0, y0, x1, y1, cx, cy, sweep = row
            if sweep != 0:
                radius = math.hypot(x0 - cx, y0 - cy)
                step = 2 * math.acos(1 - min(chord_mm / radius, 1.0))
                pieces = max(2, math.ceil(abs(sweep) / max(step, 1e-3)))
                begin = math.atan2(y0 - cy, x0 - cx)
                out.extend(
                    (
                        cx + radius * math.cos(begin + sweep * k / pieces),
                        cy + radius * math.sin(begin + sweep * k / pieces),
                    )
                    for k in range(1, pieces)
                )
            out.append((x1, y1))
        return np.array(out)

    def sampled(self, step_mm: float) -> tuple[Float, Float]:
        """Lengths (n,) evenly spread from the start, at most `step_mm` apart, and the points (n, 2) there."""
        n = max(2, math.ceil(self.length_mm / step_mm) + 1)
        lengths = np.linspace(0.0, self.length_mm, n)
        return lengths, np.array([self.at(s)[:2] for s in lengths.tolist()])


def chains(moves: Float, *, z_mm: float | None = None) -> list[Path]:
    """The feed moves of a pass (n, 7), as `model.toolpath` has them, chain by chain and seen from above; with `z_mm`
    only those that travel level at exactly this height. Straight ways down and up end a chain."""
    runs: list[list[list[float]]] = [[]]
    for before, row in zip(moves[:-1].tolist(), moves[1:].tolist(), strict=True):
        (_, x0, y0, z0, *_), (kind, x1, y1, z1, cx, cy, _) = before, row
        counts = z_mm is None or (abs(z0 - z_mm) < EPS_MM and abs(z1 - z_mm) < EPS_MM)
        if kind == RAPID or not counts or (kind == LINE and math.hypot(x1 - x0, y1 - y0) < EPS_MM):
            runs.append([])
        elif kind == LINE:
            runs[-1].append([x0, y0, x1, y1, 0.0, 0.0, 0.0])
        else:
            turned = math.atan2(y1 - cy, x1 - cx) - math.atan2(y0 - cy, x0 - cx)
            sweep = (turned if kind == ARC_CCW else -turned) % math.tau or math.tau
            runs[-1].append([x0, y0, x1, y1, cx, cy, sweep if kind == ARC_CCW else -sweep])
    return [Path(np.array(run), False) for run in runs if run]


def _cut(row: list[float], a: float, b: float) -> list[float]:
    """The part of a segment between shares a and b of its length."""
    x0, y0, x1, y1, cx, cy, sweep = row

    def point(share: float) -> tuple[float, float]:
        if share <= 0:
            return x0, y0
        if share >= 1:
            return x1, y1
        if sweep == 0:
            return x0 + (x1 - x0) * share, y0 + (y1 - y0) * share
        cos, sin = math.cos(sweep * share), math.sin(sweep * share)
        return cx + (x0 - cx) * cos - (y0 - cy) * sin, cy + (x0 - cx) * sin + (y0 - cy) * cos

    return [*point(a), *point(b), cx, cy, sweep * (b - a)]
