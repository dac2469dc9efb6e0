"""Shapes that families share: loops of lines and arcs, plain distances between them, and prisms on them.

Words: a *chain* is a closed row of circles, each tangent to the next; a positive radius is walked counter-clockwise
(the outline bulges outward there), a negative one clockwise (a hollow). Lengths in mm, all in the part frame.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.loop import Loop, arc_of_bulge
from pipeline.model.part import Chamfer, Hole, Side

DRILL_POINT_RAD = math.radians(118.0)  # the general purpose twist drill; blind drilled holes are drawn with this point
_FLAT_MM = 0.01  # chord of the polygons that distances are measured on
GAP_ERROR_MM = 2 * _FLAT_MM  # so a measured distance may be off by this, far below every wall that is asked for

Circle = tuple[float, float, float]  # centre x, centre y, signed radius


def chain(circles: Sequence[Circle]) -> Loop:
    """The loop that runs on each circle of a chain from its joint with the last one to its joint with the next."""
    joints = []
    for (x0, y0, r0), (x1, y1, r1) in zip(circles, [*circles[1:], circles[0]], strict=True):
        share = r0 / (r0 - r1)
        joints.append((x0 + (x1 - x0) * share, y0 + (y1 - y0) * share))
    rows = []
    for i, (x, y, radius) in enumerate(circles):
        start, end = joints[i - 1], joints[i]
        turn = math.atan2(end[1] - y, end[0] - x) - math.atan2(start[1] - y, start[0] - x)
        turn = turn % math.tau if radius > 0 else -(-turn % math.tau)
        rows.append((*start, math.tan(turn / 4)))
    return Loop(np.array(rows))


def rounded(corners: Sequence[tuple[float, float]], radii: float | Sequence[float]) -> Loop:
    """A counter-clockwise polygon with each corner rounded by an arc tangent to both sides.

    Raises ValueError when two neighbouring arcs need more than the side between them.
    """
    n = len(corners)
    each = [radii] * n if isinstance(radii, (int, float)) else list(radii)
    points = np.asarray(corners, dtype=np.float64)
    sides = np.roll(points, -1, axis=0) - points
    lengths = np.hypot(*sides.T)
    units = sides / lengths[:, None]
    rows: list[tuple[float, float, float]] = []
    reach = np.zeros(n)
    for i in range(n):
        before, after = units[i - 1], units[i]
        turn = math.atan2(before[0] * after[1] - before[1] * after[0], float(before @ after))
        reach[i] = each[i] * math.tan(abs(turn) / 2)
        first, last = points[i] - before * reach[i], points[i] + after * reach[i]
        if each[i] == 0:
            rows.append((first[0], first[1], 0.0))
        else:
            rows += [(first[0], first[1], math.tan(turn / 4)), (last[0], last[1], 0.0)]
    if np.any(reach + np.roll(reach, -1) > lengths):
        raise ValueError("rounded: the corner arcs do not fit on the sides")
    return Loop(np.array(rows))


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Loop:
    """A rectangle from its low to its high corner."""
    return Loop.polygon(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]))


def arc_slot(cx: float, cy: float, radius: float, width: float, low_rad: float, high_rad: float) -> Loop:
    """A slot with round ends whose middle line is an arc about (cx, cy) from angle `low_rad` to `high_rad`."""
    inner, outer = radius - width / 2, radius + width / 2
    bulge = math.tan((high_rad - low_rad) / 4)

    def at(r: float, angle: float) -> tuple[float, float]:
        return cx + r * math.cos(angle), cy + r * math.sin(angle)

    return Loop(np.array([(*at(outer, low_rad), bulge), (*at(outer, high_rad), 1.0),
                          (*at(inner, high_rad), -bulge), (*at(inner, low_rad), 1.0)]))


def mirrored(loop: Loop) -> Loop:
    """The mirror image across the X axis, counter-clockwise again."""
    x, y, bulge = loop.vertices.T
    return Loop(np.column_stack([x, -y, np.roll(bulge, 1)])[::-1])


def inside(points: Float, loop: Loop) -> bool:
    """Whether every point (n, 2) lies inside the loop (even-odd rule on the flattened loop)."""
    polygon = loop.flattened(chord_mm=_FLAT_MM)
    x0, y0 = polygon.T
    x1, y1 = np.roll(polygon, -1, axis=0).T
    px, py = points[:, :1], points[:, 1:]
    crosses = (y0 > py) != (y1 > py)
    with np.errstate(divide="ignore", invalid="ignore"):
        hits = crosses & (px < (x1 - x0) * (py - y0) / (y1 - y0) + x0)
    return bool(np.all(hits.sum(axis=1) % 2 == 1))


def gap_mm(a: Loop, b: Loop) -> float:
    """Smallest distance between two boundaries that do not cross (good to GAP_ERROR_MM)."""
    first, second = a.flattened(chord_mm=_FLAT_MM), b.flattened(chord_mm=_FLAT_MM)
    return min(_to_sides(first, second), _to_sides(second, first))


def _to_sides(points: Float, polygon: Float) -> float:
    start, along = polygon, np.roll(polygon, -1, axis=0) - polygon
    off = points[:, None, :] - start[None, :, :]
    t = np.clip((off * along).sum(axis=2) / (along * along).sum(axis=1), 0.0, 1.0)
    return float(np.hypot(*np.moveaxis(off - t[..., None] * along, 2, 0)).min())


def point_depth_mm(diameter_mm: float) -> float:
    """How far the point of the drill reaches past the full diameter."""
    return diameter_mm / 2 / math.tan(DRILL_POINT_RAD / 2)


# --- with the modelling kernel, which is imported only when something is drawn --------------------------------------


def wire(loop: Loop, z_mm: float) -> Any:
    """A closed wire on the loop at a height; lines and circles stay exact."""
    import cadquery as cq

    edges = []
    rows = loop.vertices
    for (x0, y0, bulge), (x1, y1, _) in zip(rows, np.roll(rows, -1, axis=0), strict=True):
        start, end = cq.Vector(x0, y0, z_mm), cq.Vector(x1, y1, z_mm)
        if bulge == 0:
            edges.append(cq.Edge.makeLine(start, end))
            continue
        cx, cy, radius, angle, sweep = arc_of_bulge(x0, y0, x1, y1, bulge)
        middle = angle + sweep / 2
        through = cq.Vector(cx + radius * math.cos(middle), cy + radius * math.sin(middle), z_mm)
        edges.append(cq.Edge.makeThreePointArc(start, through, end))
    return cq.Wire.assembleEdges(edges)


def prism(loop: Loop, low_z_mm: float, high_z_mm: float) -> Any:
    """The solid over the loop between two heights."""
    import cadquery as cq

    return cq.Solid.extrudeLinear(wire(loop, low_z_mm), [], cq.Vector(0, 0, high_z_mm - low_z_mm))


def with_chamfered_ends(solid: Any, leg_mm: float, heights: Sequence[float]) -> Any:
    """The prism with a 45 degree chamfer on all edges that lie in the planes Z = one of `heights`."""
    edges = [edge for edge in solid.Edges() if any(abs(edge.Center().z - z) < leg_mm / 100 for z in heights)]
    return solid.chamfer(leg_mm, None, edges)


def drilled(hole: Hole, *, past_mm: float = 0.0) -> list[Any]:
    """What the hole takes away: a cylinder and, on a blind drilled hole, the drill's point. `past_mm` lengthens a
    through hole at the bottom and any hole at its mouth, so that no coincident faces are cut."""
    import cadquery as cq

    from_inside = hole.side is Side.INSIDE
    low = hole.bottom_z_mm - (past_mm if hole.through or not from_inside else 0.0)
    high = hole.top_z_mm + (past_mm if from_inside else 0.0)
    radius = hole.diameter_mm / 2
    tools = [cq.Solid.makeCylinder(radius, high - low, cq.Vector(hole.x_mm, hole.y_mm, low))]
    if not hole.through and not hole.flat_bottom:
        depth = point_depth_mm(hole.diameter_mm)
        tools.append(cq.Solid.makeCone(0.0, radius, depth, cq.Vector(hole.x_mm, hole.y_mm, low - depth)))
    return tools


def countersunk(chamfer: Chamfer) -> Any:
    """What an inward chamfer on a round mouth in the inside face takes away: a frustum."""
    import cadquery as cq

    (x0, y0, _), (x1, y1, _) = chamfer.loop.vertices
    radius = math.hypot(x1 - x0, y1 - y0) / 2
    foot = cq.Vector((x0 + x1) / 2, (y0 + y1) / 2, chamfer.z_mm - chamfer.leg_mm)
    return cq.Solid.makeCone(radius, radius + 2 * chamfer.leg_mm, 2 * chamfer.leg_mm, foot)


def cut(solid: Any, tools: Sequence[Any]) -> Any:
    """The solid less all tools in one step (a third faster than one by one). Raises ValueError unless one
    solid is left."""
    left = solid.cut(*tools).Solids()
    if len(left) != 1:
        raise ValueError(f"cutting left {len(left)} solids, wanted one")
    return left[0]
