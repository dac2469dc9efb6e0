"""Plane figures and the exact distances between them.

Words. A *figure* is a simple polygon, or a disc kept exact as a centre and a radius. The *clearance* of two figures is
their distance; negative when they overlap: then about how far one must move to be free. All lengths mm, one frame.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from pipeline.model.arrays import Float

_ARC_STEPS = 64  # segments of a quarter circle where an area is grown
_FAT_MM = 0.01  # an overlap wider than this is measured by its largest disc


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Figure:
    """A polygon (radius 0) or a disc (a point and its radius)."""

    core: Any  # shapely Polygon or Point
    radius_mm: float

    @classmethod
    def polygon(cls, points: Float) -> Figure:
        """From points (n, 2) of a simple ring, either way round. Raises ValueError when it crosses itself."""
        core = shapely.Polygon(points)
        if not core.is_valid:
            raise ValueError(f"polygon: {shapely.is_valid_reason(core)}")
        shapely.prepare(core)
        return cls(core=core, radius_mm=0.0)

    @classmethod
    def disc(cls, x_mm: float, y_mm: float, radius_mm: float) -> Figure:
        """A disc, exact."""
        return cls(core=shapely.Point(x_mm, y_mm), radius_mm=radius_mm)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """x low, y low, x high, y high."""
        x0, y0, x1, y1 = self.core.bounds
        r = self.radius_mm
        return x0 - r, y0 - r, x1 + r, y1 + r


def clearance_mm(a: Figure, b: Figure) -> float:
    """Distance of two figures, 0 when they touch, negative when they overlap."""
    if shapely.intersects(a.core, b.core):
        distance = -_depth_mm(a.core, b.core)
    else:
        distance = float(shapely.distance(a.core, b.core))
    return distance - a.radius_mm - b.radius_mm


def inside_mm(figure: Figure, outline: Figure) -> float:
    """Distance of a figure to the outline round it, negative when it reaches out."""
    distance = float(shapely.distance(figure.core, outline.core.boundary))
    if shapely.covers(outline.core, figure.core):
        return distance - figure.radius_mm
    if figure.radius_mm > 0:
        return -distance - figure.radius_mm
    outside = shapely.difference(figure.core, outline.core)
    deep = shapely.distance(shapely.points(shapely.get_coordinates(outside)), outline.core)
    corners = shapely.points(shapely.get_coordinates(outline.core))  # one that points inward may stick into the figure
    into = shapely.distance(corners[shapely.covers(figure.core, corners)], figure.core.exterior)
    return -max(_width_mm(outside), float(np.max(deep, initial=0.0)), float(np.max(into, initial=0.0)))


def places_away_mm(xy: Float, figure: Figure) -> Float:
    """(m,) distance of places xy (m, 2) to a figure, 0 in its core."""
    out: Float = shapely.distance(shapely.points(xy), figure.core) - figure.radius_mm
    return out


def places_inside_mm(xy: Float, outline: Figure) -> Float:
    """(m,) distance of places xy (m, 2) to the outline round them, negative outside."""
    away = shapely.distance(shapely.points(xy), outline.core.exterior)
    out: Float = np.where(shapely.intersects_xy(outline.core, xy[:, 0], xy[:, 1]), away, -away)
    return out


def between_mm(a: Figure, b: Figure) -> tuple[float, float]:
    """The middle of the shortest way between the cores; a common point when they meet."""
    ends = shapely.get_coordinates(shapely.shortest_line(a.core, b.core))
    x, y = ends.mean(axis=0)
    return float(x), float(y)


def edge_point_mm(figure: Figure, outline: Figure) -> tuple[float, float]:
    """The point of the outline nearest to a figure inside; one where they cross when it reaches out."""
    x, y = shapely.get_coordinates(shapely.shortest_line(outline.core.boundary, figure.core))[0]
    return float(x), float(y)


def _depth_mm(a: Any, b: Any) -> float:
    """How deep two intersecting polygons or points lie in each other: by corners, and by the width of the overlap."""
    deep = 0.0
    for inner, outer in ((a, b), (b, a)):
        if outer.geom_type == "Point":
            continue
        corners = shapely.points(shapely.get_coordinates(inner))
        covered = shapely.covers(outer, corners)
        if covered.any():
            deep = max(deep, float(shapely.distance(corners[covered], outer.exterior).max()))
    if a.geom_type == "Point" or b.geom_type == "Point":
        return deep
    return max(deep, _width_mm(shapely.intersection(a, b)))


def _width_mm(figure: Any) -> float:
    """Width of the widest piece: 2 area / perimeter, right for slivers; where fat, the largest disc in it."""
    widest = 0.0
    for piece in shapely.get_parts(figure):
        if piece.length == 0:
            continue
        width = 2 * piece.area / piece.length
        if width > _FAT_MM:
            disc = shapely.maximum_inscribed_circle(piece, tolerance=_FAT_MM * width)
            width = max(width, 2 * float(disc.length))
        widest = max(widest, width)
    return widest


def simplified(points: Float, *, tolerance_mm: float) -> Float:
    """The ring (n, 2) with fewer points, at most `tolerance_mm` off."""
    ring = shapely.simplify(shapely.Polygon(points), tolerance_mm)
    coordinates: Float = shapely.get_coordinates(ring.exterior)[:-1]
    return coordinates


def joined(figures: Sequence[Figure]) -> Figure:
    """All polygons as one figure; where they touch or overlap, the edge between them is gone."""
    core = shapely.union_all([figure.core for figure in figures])
    shapely.prepare(core)
    return Figure(core=core, radius_mm=0.0)


def rings(figure: Figure) -> list[list[Float]]:
    """The rings (n, 2) of a figure of polygons, piece by piece: its outline, then its holes."""
    pieces = shapely.get_parts(figure.core)
    return [[shapely.get_coordinates(ring)[:-1] for ring in (piece.exterior, *piece.interiors)] for piece in pieces]


def shared(a: Figure, b: Figure) -> Figure | None:
    """What two figures of polygons share. None when that has no area."""
    core = shapely.intersection(a.core, b.core)
    return Figure(core=core, radius_mm=0.0) if core.area > 0 else None


def less(figure: Figure, others: Sequence[Figure]) -> Figure | None:
    """A figure of polygons without what others cover. None when nothing is left."""
    core = shapely.difference(figure.core, shapely.union_all([other.core for other in others]))
    return Figure(core=core, radius_mm=0.0) if core.area > 0 else None


def grown_area_mm2(figure: Figure, *, by_mm: float) -> float:
    """Area of all points within `by_mm` of the figure, a little low where it goes round a corner."""
    return float(shapely.area(shapely.buffer(figure.core, figure.radius_mm + by_mm, quad_segs=_ARC_STEPS)))


def usable(outline: Figure, *, edge_gap_mm: float, keepouts: tuple[tuple[Figure, float], ...]) -> Figure | None:
    """The outline less `edge_gap_mm` and less every keep-out grown by its gap, as one figure (pieces and holes are
    kept). None when nothing is left."""
    left = shapely.buffer(outline.core, -edge_gap_mm, quad_segs=_ARC_STEPS)
    for figure, gap_mm in keepouts:
        left = shapely.difference(left, shapely.buffer(figure.core, figure.radius_mm + gap_mm, quad_segs=_ARC_STEPS))
    return None if left.is_empty else Figure(core=left, radius_mm=0.0)


def covered(points: Float, xy: Float) -> Any:
    """(m,) true where a place of xy (m, 2) lies in the ring (n, 2) or on it."""
    ring = shapely.Polygon(points)
    shapely.prepare(ring)
    return shapely.intersects_xy(ring, xy[:, 0], xy[:, 1])


def least_width_mm(points: Float) -> float:
    """Least distance of two parallel lines with all points (n, 2) between them: one lies along an edge of the hull."""
    hull = shapely.get_coordinates(shapely.convex_hull(shapely.multipoints(points)))
    widths = []
    for a, b in itertools.pairwise(hull):
        along = (b - a) / np.hypot(*(b - a))
        widths.append(float(np.ptp(hull[:, 1] * along[0] - hull[:, 0] * along[1])))
    return min(widths)
