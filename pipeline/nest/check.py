"""The independent check of a layout: exact distances of the outward polygons and exact discs, no grid.

Words. The *clearance* of a body is its distance less the gap wanted there; at least 0 up to noise when it is good.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.regions import Figure, between_mm, clearance_mm, edge_point_mm, inside_mm
from pipeline.model.arrays import Float
from pipeline.model.nest import Region
from pipeline.model.units import EPS_MM
from pipeline.nest.shapes import Kind


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Walls:
    """The region as exact figures."""

    outline: Figure
    edge_gap_mm: float
    keepouts: tuple[tuple[str, Figure, float], ...]

    @classmethod
    def of(cls, region: Region) -> Walls:
        """Raises ValueError when an outline crosses itself."""
        return cls(outline=Figure.polygon(region.outline), edge_gap_mm=region.edge_gap_mm,
                   keepouts=tuple((name, Figure.polygon(points), gap) for name, points, gap in region.keepouts))


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """Where a gap is missed: body `first` against body `second`, or against the named wall or zone. `at_mm` is between
    them."""

    first: int
    second: int | None
    wall: str
    short_mm: float
    at_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What the check found. Distances are plain distances, inf when there is nothing to measure to."""

    least_gap_mm: float
    least_edge_mm: float
    shortfalls: tuple[Shortfall, ...]  # largest first

    @property
    def worst_mm(self) -> float:
        """The largest shortfall, 0 when there is none."""
        return self.shortfalls[0].short_mm if self.shortfalls else 0.0


def measure(kinds: Sequence[Kind], which: Sequence[int], poses: Float, walls: Walls, *, gap_mm: float) -> Measured:
    """Distances of all bodies to each other, the outline, the keep-outs and, where it is missed, the zones that bind
    them. `which` (n,) kind of each body."""
    figures = [kinds[k].figure(pose) for k, pose in zip(which, poses, strict=True)]
    boxes = np.array([f.box for f in figures]).reshape(-1, 4)
    found: list[Shortfall] = []
    least_gap = least_edge = math.inf
    for i, figure in enumerate(figures):
        edge = inside_mm(figure, walls.outline)
        least_edge = min(least_edge, edge)
        if edge - walls.edge_gap_mm < -EPS_MM:
            found.append(Shortfall(first=i, second=None, wall="edge", short_mm=walls.edge_gap_mm - edge,
                                   at_mm=edge_point_mm(figure, walls.outline)))
        for name, keepout, gap in walls.keepouts:
            away = clearance_mm(figure, keepout)
            least_edge = min(least_edge, away)
            if away - gap < -EPS_MM:
                found.append(Shortfall(first=i, second=None, wall=name, short_mm=gap - away,
                                       at_mm=between_mm(figure, keepout)))
        bound = kinds[which[i]].bound
        if bound is not None:
            found += [Shortfall(first=i, second=None, wall=zone, short_mm=short, at_mm=at)
                      for zone, short, at in bound.shortfalls(figure)]
        # boxes give a lower bound of the distance: exact work only where it could be the least or too little
        dx = np.maximum(boxes[i, 0] - boxes[:i, 2], boxes[:i, 0] - boxes[i, 2])
        dy = np.maximum(boxes[i, 1] - boxes[:i, 3], boxes[:i, 1] - boxes[i, 3])
        least = np.where((dx > 0) & (dy > 0), np.hypot(dx, dy), np.maximum(dx, dy))
        for j in np.argsort(least, kind="stable"):
            if least[j] > max(least_gap, gap_mm):
                break
            away = clearance_mm(figure, figures[j])
            least_gap = min(least_gap, away)
            if away - gap_mm < -EPS_MM:
                found.append(Shortfall(first=i, second=int(j), wall="", short_mm=gap_mm - away,
                                       at_mm=between_mm(figure, figures[j])))
    found.sort(key=lambda s: (-s.short_mm, s.first))
    return Measured(least_gap_mm=least_gap, least_edge_mm=least_edge, shortfalls=tuple(found))
