"""Closed loops of straight lines and circular arcs, kept exact.

A loop is (n, 3): x, y, bulge. The bulge belongs to the edge from this vertex to the next and is tan(sweep / 4):
0 a line, 1 a half circle counter-clockwise, negative clockwise. (The convention of the open DXF standard.)
Loops run counter-clockwise: the inside lies to the left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.model.arrays import Float, frozen
from pipeline.model.frames import Pose


@dataclass(frozen=True, slots=True, eq=False)
class Loop:
    """A closed counter-clockwise loop, mm, in a frame its holder names. Raises ValueError when clockwise or flat."""

    vertices: Float

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertices", frozen(self.vertices, columns=3, name="loop", least=2))
        if self.area_mm2 <= 0:
            raise ValueError("loop: wanted a counter-clockwise loop with an area")

    @classmethod
    def circle(cls, x_mm: float, y_mm: float, radius_mm: float) -> Loop:
        """A full circle as two half-circle arcs."""
        return cls(np.array([[x_mm - radius_mm, y_mm, 1.0], [x_mm + radius_mm, y_mm, 1.0]]))

    @classmethod
    def polygon(cls, points: Float) -> Loop:
        """A polygon from points (n, 2), turned counter-clockwise when it is not; a repeated end point is dropped."""
        points = np.asarray(points, dtype=np.float64)
        if len(points) > 1 and np.array_equal(points[0], points[-1]):
            points = points[:-1]
        x, y = points[:, 0], points[:, 1]
        if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) < 0:
            points = points[::-1]
        return cls(np.column_stack([points, np.zeros(len(points))]))

    @property
    def area_mm2(self) -> float:
        """Exact area: the polygon plus the circular segments."""
        x, y, bulge = self.vertices.T
        dx, dy = np.roll(x, -1) - x, np.roll(y, -1) - y
        polygon = 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
        sweep = 4 * np.arctan(bulge)
        chord2 = dx * dx + dy * dy
        with np.errstate(divide="ignore", invalid="ignore"):
            radius2 = np.where(bulge == 0, 0.0, chord2 / (4 * np.sin(sweep / 2) ** 2))
        return polygon + float(np.sum(0.5 * radius2 * (sweep - np.sin(sweep))))

    @property
    def length_mm(self) -> float:
        """Exact length."""
        x, y, bulge = self.vertices.T
        chord = np.hypot(np.roll(x, -1) - x, np.roll(y, -1) - y)
        half = 2 * np.arctan(bulge)
        with np.errstate(divide="ignore", invalid="ignore"):
            stretch = np.where(bulge == 0, 1.0, half / np.sin(half))
        return float(np.sum(chord * stretch))

    def moved(self, pose: Pose) -> Loop:
        """The loop in the frame `pose.to`. Bulges keep their sign: a pose is never a mirror."""
        return Loop(np.column_stack([pose.points(self.vertices[:, :2]), self.vertices[:, 2]]))

    def flattened(self, *, chord_mm: float, outward: bool = False) -> Float:
        """Points (n, 2) of a polygon at most `chord_mm` off. `outward` keeps the polygon outside every arc that
        bulges outward (vertices of such arcs then lie off the arc by up to `chord_mm`), for nesting; otherwise the
        points lie on the loop. Duplicate points are dropped.
        """
        out: list[tuple[float, float]] = []
        n = len(self.vertices)
        for i in range(n):
            x0, y0, bulge = self.vertices[i]
            x1, y1, _ = self.vertices[(i + 1) % n]
            out.append((x0, y0))
            if bulge == 0:
                continue
            cx, cy, radius, start, sweep = arc_of_bulge(x0, y0, x1, y1, bulge)
            step = 2 * math.acos(max(0.0, 1 - min(chord_mm / radius, 1.0)))
            pieces = max(1, math.ceil(abs(sweep) / max(step, 1e-3)))
            if outward and sweep > 0:
                part = sweep / pieces
                reach = radius / math.cos(part / 2)  # tangents at both ends of each piece meet here
                out.extend(
                    (cx + reach * math.cos(start + part * (k + 0.5)), cy + reach * math.sin(start + part * (k + 0.5)))
                    for k in range(pieces)
                )
            else:
                out.extend(
                    (
                        cx + radius * math.cos(start + sweep * k / pieces),
                        cy + radius * math.sin(start + sweep * k / pieces),
                    )
                    for k in range(1, pieces)
                )
        points = np.array(out)
        keep = np.hypot(*(points - np.roll(points, 1, axis=0)).T) > 1e-9
        return points[keep]


def arc_of_bulge(x0: float, y0: float, x1: float, y1: float, bulge: float) -> tuple[float, float, float, float, float]:
    """Centre x, centre y, radius, start angle and signed sweep of the arc with this bulge. mm, rad; bulge not 0."""
    sweep = 4 * math.atan(bulge)
    chord = math.hypot(x1 - x0, y1 - y0)
    radius = chord / (2 * abs(math.sin(sweep / 2)))
    apothem = (1 - bulge * bulge) / (4 * bulge)  # signed, in units of the chord, to the left of the chord
    cx = (x0 + x1) / 2 - (y1 - y0) * apothem
    cy = (y0 + y1) / 2 + (x1 - x0) * apothem
    return cx, cy, radius, math.atan2(y0 - cy, x0 - cx), sweep
