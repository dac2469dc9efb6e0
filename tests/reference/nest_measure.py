"""Distances in a nest, measured apart from the project's own check: every pair, no pruning, discs by arithmetic."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import shapely

from pipeline.model.nest import Nest, Region
from pipeline.model.part import Part


def _shape(part: Part, pose) -> tuple[shapely.Geometry, float]:
    """Polygon and 0, or a point and its radius. Arcs become 0.5 degree tangent chains through `flattened`."""
    vertices = part.outline.vertices
    if len(vertices) == 2 and (vertices[:, 2] == 1).all():  # two half circles
        ends = pose.points(vertices[:, :2])
        return shapely.Point(ends.mean(axis=0)), float(math.dist(*ends) / 2)
    points = part.outline.flattened(chord_mm=0.0005)
    return shapely.Polygon(pose.points(points)), 0.0


def least_distances(nest: Nest, parts: list[Part], region: Region) -> tuple[float, float]:
    """Smallest distance of two parts, and smallest clearance to the walls (distance less the wall's own gap), mm.

    Overlap counts as -inf, so that no touching test is needed beside it.
    """
    by_name = {part.name: part for part in parts}
    shapes = [_shape(by_name[p.part], p.billet_from_part) for p in nest.placements]
    gap = math.inf
    for (a, ra), (b, rb) in combinations(shapes, 2):
        # shrunk by noise: figures that only touch have no common point then
        if shapely.intersects(shapely.buffer(a, -1e-7) if ra == 0 else a, b):
            return -math.inf, -math.inf
        gap = min(gap, shapely.distance(a, b) - ra - rb)
    outline = shapely.Polygon(region.outline)
    edge = math.inf
    for shape, radius in shapes:
        if not shapely.covers(shapely.buffer(outline, 1e-7, join_style="mitre"), shape):
            return gap, -math.inf
        edge = min(edge, shapely.distance(shape, outline.exterior) - radius - region.edge_gap_mm)
        for _, polygon, keep in region.keepouts:
            if shapely.intersects(shapely.Polygon(polygon), shape):
                return gap, -math.inf
            edge = min(edge, shapely.distance(shape, shapely.Polygon(np.asarray(polygon))) - radius - keep)
    return float(gap), float(edge)
