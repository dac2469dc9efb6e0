"""Areas of the plane: offsets, unions, differences, sweeps. The one wrapper of shapely.

An *area* is any number of regions with holes, as polygons whose chords stand at most `CHORD_MM` off the true arcs.
Offsets are made from the area they are asked of; ask the original, never an offset of an offset. The library's round
corners are inscribed, so an offset outward falls short at a sharp corner by r (1 - cos(step / 2)): the number of chords
follows from `CHORD_MM`, at least 32 a quarter. Pieces come largest first, ties by lowest x, then y.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.geometry.arcs import FIT_MM, fit_closed
from pipeline.geometry.exact import snapped
from pipeline.geometry.paths import Path
from pipeline.model.arrays import Float
from pipeline.model.loop import Loop
from pipeline.model.units import EPS_MM

CHORD_MM = 0.0003
FINE_CHORD_MM = 0.00005  # for measuring areas
LEAST_QUARTER = 32
SLIVER_MM = 0.0015  # thinner than this is the noise of chords, not stock


@dataclass(frozen=True, slots=True, eq=False)
class Area:
    """A set of the plane, mm, in a frame its holder names. Immutable; may be empty."""

    shape: BaseGeometry
    chord_mm: float = CHORD_MM

    @classmethod
    def nothing(cls) -> Area:
        """The empty area."""
        return cls(shapely.Polygon())

    @classmethod
    def of_loops(cls, outer: Loop, islands: Iterable[Loop] = (), *, chord_mm: float = CHORD_MM) -> Area:
        """The inside of `outer` less the insides of the islands."""
        area = cls(shapely.Polygon(outer.flattened(chord_mm=chord_mm)), chord_mm)
        return area.minus(cls.union(islands, chord_mm=chord_mm))

    @classmethod
    def union(cls, loops: Iterable[Loop], *, chord_mm: float = CHORD_MM) -> Area:
        """The insides of all the loops together."""
        shapes = [shapely.Polygon(loop.flattened(chord_mm=chord_mm)) for loop in loops]
        return cls(shapely.union_all(shapes) if shapes else shapely.Polygon(), chord_mm)

    @classmethod
    def swept(cls, path: Path, radius_mm: float, *, chord_mm: float = CHORD_MM) -> Area:
        """What a disc of this radius covers when its centre travels the path."""
        line = shapely.LineString(path.flattened(chord_mm=chord_mm))
        return cls(line.buffer(radius_mm, quad_segs=_quarter(radius_mm, chord_mm)), chord_mm)

    @property
    def is_empty(self) -> bool:
        """True when nothing is in it."""
        return bool(self.shape.is_empty) or self.shape.area <= EPS_MM * EPS_MM

    @property
    def area_mm2(self) -> float:
        """Its size."""
        return float(self.shape.area)

    def grown(self, distance_mm: float) -> Area:
        """All points within the distance; a negative distance shrinks: the centres of discs that fit inside."""
        if distance_mm == 0:
            return self
        return Area(self.shape.buffer(distance_mm, quad_segs=_quarter(abs(distance_mm), self.chord_mm)), self.chord_mm)

    def shrunk(self, distance_mm: float) -> Area:
        """The points farther than the distance from the outside; empty when a disc of that radius fits nowhere."""
        return self.grown(-distance_mm)

    def minus(self, other: Area) -> Area:
        """This area less the other."""
        return self if other.is_empty else Area(self.shape.difference(other.shape), self.chord_mm)

    def plus(self, other: Area) -> Area:
        """Both together."""
        return Area(self.shape.union(other.shape), self.chord_mm)

    def common(self, other: Area) -> Area:
        """What lies in both."""
        return Area(self.shape.intersection(other.shape), self.chord_mm)

    def simplified(self, tolerance_mm: float) -> Area:
        """With fewer points, off by at most the tolerance; for inner rings, never for walls."""
        return Area(self.shape.simplify(tolerance_mm), tolerance_mm)

    def without_slivers(self, thickness_mm: float = SLIVER_MM) -> Area:
        """Less whatever is thinner than twice the thickness; the rest keeps its corners."""
        thin = self.shape.buffer(-thickness_mm, join_style="mitre").buffer(thickness_mm, join_style="mitre")
        return Area(thin.intersection(self.shape), self.chord_mm)

    def pieces(self) -> tuple[Area, ...]:
        """The connected regions, largest first, ties by lowest x, then y."""
        found = [
            p for p in shapely.get_parts(self.shape).tolist() if p.geom_type == "Polygon" and p.area > EPS_MM * EPS_MM
        ]
        found.sort(key=lambda p: (-round(p.area, 6), round(p.bounds[0], 6), round(p.bounds[1], 6)))
        return tuple(Area(p, self.chord_mm) for p in found)

    def without_specks(self, perimeter_mm: float) -> Area:
        """Less the pieces whose outside is shorter than this: too short a way to ramp down along."""
        kept = [p.shape for p in self.pieces() if p.shape.exterior.length >= perimeter_mm]
        return Area(shapely.union_all(kept) if kept else shapely.Polygon(), self.chord_mm)

    def boundary(self, *, tolerance_mm: float = FIT_MM) -> tuple[Path, ...]:
        """The boundary of one piece as lines and arcs, the area to the left: the outside counter-clockwise, then the
        holes clockwise, largest first."""
        (polygon,) = (piece.shape for piece in self.pieces()[:1])
        rings = [polygon.exterior, *sorted(polygon.interiors, key=lambda r: (-round(r.length, 6), r.bounds))]
        out = []
        for i, ring in enumerate(rings):
            points = np.array(ring.coords)[:-1]
            out.append(fit_closed(points[::-1] if ring.is_ccw == (i > 0) else points, tolerance_mm=tolerance_mm))
        return tuple(out)

    def polygons(self) -> tuple[Float, ...]:
        """Simple polygons (n, 2) without holes that make up the area; a region with holes is cut through them."""
        out: list[Float] = []
        todo = [piece.shape for piece in self.pieces()]
        while todo:
            polygon = todo.pop(0)
            if not polygon.interiors:
                out.append(np.array(polygon.exterior.coords)[:-1])
                continue
            x = polygon.interiors[0].centroid.x
            low_x, low_y, high_x, high_y = polygon.bounds
            for a, b in ((low_x, x), (x, high_x)):
                half = Area(polygon.intersection(shapely.box(a, low_y, b, high_y)), self.chord_mm)
                todo.extend(piece.shape for piece in half.pieces())
        return tuple(out)

    def loops(self) -> tuple[Loop, tuple[Loop, ...]]:
        """One piece as its outside and its holes, all counter-clockwise, holes largest first."""
        (polygon,) = (piece.shape for piece in self.pieces()[:1])
        holes = sorted(polygon.interiors, key=lambda r: (-round(r.length, 6), r.bounds))
        rings = [np.array(shapely.Polygon(r).exterior.coords)[:-1] for r in (polygon.exterior, *holes)]
        outer, *islands = (Loop.polygon(r if shapely.LinearRing(r).is_ccw else r[::-1]) for r in rings)
        return outer, tuple(islands)

    def contains(self, points: Float) -> np.ndarray:
        """For each point (n, 2): does it lie inside?"""
        shapely.prepare(self.shape)
        return np.asarray(shapely.intersects_xy(self.shape, points[:, 0], points[:, 1]))

    def runs_inside(self, ring: Float) -> tuple[Float, ...]:
        """The stretches of a closed polygon's border (n, 2) that lie inside, each as an open line (k, 2)."""
        common = self.shape.intersection(shapely.LineString(np.vstack([ring, ring[:1]])))
        lines = [part for part in shapely.get_parts(common).tolist() if part.length > 0]  # no single points
        merged = shapely.get_parts(shapely.line_merge(shapely.MultiLineString(lines))).tolist()
        return tuple(np.array(line.coords) for line in sorted(merged, key=lambda line: line.coords[0]))

    def holds_line(self, a: tuple[float, float], b: tuple[float, float], *, slack_mm: float) -> bool:
        """Does the straight line from a to b stay inside, but for `slack_mm`?"""
        outside = shapely.LineString([a, b]).difference(self.shape)
        if outside.is_empty:
            return True
        bits = shapely.get_parts(outside)
        points = np.vstack(
            [
                shapely.get_coordinates(bits),
                shapely.get_coordinates(shapely.line_interpolate_point(bits, 0.5, normalized=True)),
            ]
        )
        return bool(np.max(shapely.distance(self.shape, shapely.points(points))) <= slack_mm)

    def room(self, x: float, y: float) -> float:
        """Distance from an inside point to the boundary."""
        return float(self.shape.boundary.distance(shapely.Point(x, y)))

    def deepest(self) -> tuple[float, float, float]:
        """Centre and radius of the largest circle that fits, to a few hundredths of a millimetre."""
        line = shapely.maximum_inscribed_circle(self.shape, tolerance=0.02)
        (x, y), _ = line.coords
        return float(x), float(y), self.room(x, y)

    def inner_point(self) -> tuple[float, float]:
        """Some point inside, always the same one."""
        point = self.shape.representative_point()
        return float(point.x), float(point.y)


def inset(outer: Loop, islands: Iterable[Loop], distance_mm: float) -> tuple[Area, ...]:
    """Where the centre of a disc may be inside `outer` and outside the islands; empty when it fits nowhere.

    A narrow waist splits the region. Off by at most 0.6 um, before arcs are fitted. Raises ValueError when the
    distance is not positive.
    """
    if not distance_mm > 0:
        raise ValueError("inset: wanted a positive distance")
    return Area.of_loops(outer, islands).shrunk(distance_mm).pieces()


def outset(outline: Loop, distance_mm: float) -> Path:
    """The path round the outline at this distance, counter-clockwise. Notches too narrow for it are passed over.

    Exact where the outline is lines and arcs, else off by at most 1.3 um with the fitted arcs. Raises ValueError
    when the distance is not positive.
    """
    if not distance_mm > 0:
        raise ValueError("outset: wanted a positive distance")
    return snapped(Area.of_loops(outline).grown(distance_mm).boundary()[0], [(outline, distance_mm)])


def _quarter(distance_mm: float, chord_mm: float) -> int:
    """Chords a quarter turn so that a round corner is at most `chord_mm` off."""
    if chord_mm >= distance_mm:
        return LEAST_QUARTER
    return max(LEAST_QUARTER, math.ceil(math.pi / 4 / math.acos(1 - chord_mm / distance_mm)))
