"""Where the sizes of a part are looked at: points on floors and faces, points on walls. Part frame.

Words: the *extent* of a feature is its plan shape and how deep it goes. A point on a floor is of use only where no
other feature goes deeper, and where the stock left on a wall does not reach it; a point on a wall only where there is
material on one side of it and none on the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_measure as kernel
from pipeline.model.loop import Loop, arc_of_bulge
from pipeline.model.part import Chamfer, Feature, Hole, Mark, Part, Pocket, Side
from pipeline.model.units import EPS_MM
from pipeline.verify.probe import inside_by

Array = NDArray[np.float64]
FOOT = 0.3  # walls are looked at this share of their height over the foot: under any edge that is broken
_CHORD_MM = 0.002
_WALL_STEP_MM = 0.5
_FLOOR_POINTS = 250  # about so many on a floor
_FINEST_MM = 0.25
_FEWEST = 12
_BESIDE_MM = 0.02  # a point this near to another feature's edge may belong to it
_FLAT_RINGS = (0.1, 0.35, 0.6, 0.9)  # of the radius, on a flat floor
DRILL_RINGS = (0.5, 0.8)  # of the radius, on the cone that a drill leaves
_DIRECTIONS = 24


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Extent:
    """A feature's plan shape (n, 2), with holes in it, and the lowest z it may reach. `edge_mm` is 0 for a filled
    shape, else the half width of a band along it."""

    feature_id: str
    shape: Array
    islands: tuple[Array, ...]
    low_z_mm: float
    edge_mm: float = 0.0

    def holds(self, xy: Array, grow_mm: float) -> NDArray[np.bool_]:
        """Points (n, 2) in the extent or within `grow_mm` of it."""
        inside = inside_by(xy, self.shape)
        if self.edge_mm:
            return np.abs(inside) < self.edge_mm + grow_mm
        out = inside > -grow_mm
        for island in self.islands:
            out &= inside_by(xy, island) < grow_mm
        return out


def extents(part: Part) -> tuple[Extent, ...]:
    """Every feature that is cut from the inside face, or through."""
    out = []
    for f in part.features:
        if f.side is not Side.INSIDE and not (isinstance(f, Hole) and f.through):
            continue
        islands: tuple[Array, ...] = ()
        edge = 0.0
        if isinstance(f, Hole):
            loop, low = Loop.circle(f.x_mm, f.y_mm, max(f.limits_mm[1], f.diameter_mm) / 2), f.bottom_z_mm
            low = -math.inf if f.through else low - (0.0 if f.flat_bottom else f.diameter_mm / 2)
        elif isinstance(f, Pocket):
            loop, low = f.outer, f.floor_z_mm
            islands = tuple(i.flattened(chord_mm=_CHORD_MM) for i in f.islands)
        elif isinstance(f, Chamfer):
            loop, low, edge = f.loop, f.z_mm - f.leg_mm, f.leg_mm
        elif isinstance(f, Mark):
            loop, low = f.region, f.z_mm - f.depth_mm
        else:
            loop, low = f.region, f.low_z_mm
        shape = loop.flattened(chord_mm=_CHORD_MM)
        out.append(Extent(feature_id=f.id, shape=shape, islands=islands, low_z_mm=low, edge_mm=edge))
    return tuple(out)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Points of one kind of part. `floors` (n, 2) by feature id, `face` (n, 2) on the inside face, `walls` (n, 3) by
    the id of a pocket, or "outline"."""

    floors: dict[str, Array]
    face: Array
    walls: dict[str, Array]


def places(part: Part, *, left_mm: float) -> Places:
    """All places of a part. `left_mm` of stock may lie on any wall, so floors are looked at beyond it."""
    known = extents(part)
    outline = part.outline.flattened(chord_mm=_CHORD_MM)
    margin = left_mm + _BESIDE_MM
    floors, walls = {}, {}
    for f in part.features:
        if f.side is not Side.INSIDE:
            continue
        if isinstance(f, Hole) and not f.through:
            rings = _FLAT_RINGS if f.flat_bottom else DRILL_RINGS
            floors[f.id] = _not_deeper(_rings(f, rings), known, f.bottom_z_mm, margin, f)
        elif isinstance(f, Pocket):
            floors[f.id] = _floor(f, known, outline, margin)
            walls[f.id] = _pocket_walls(f, known, outline)
    return Places(
        floors=floors,
        face=_on_face(part, _not_deeper(_grid(outline, (), margin), known, part.thickness_mm, margin, None)),
        walls=walls | {"outline": _outline_walls(part, known)},
    )


def _on_face(part: Part, xy: Array) -> Array:
    """The points where the solid itself ends at the inside face: the mesh, not the features, says what is there."""
    corner = part.mesh.vertices[part.mesh.triangles.astype(np.int64)]
    near = part.mesh.deviation_mm + EPS_MM
    flat = corner[(np.abs(corner[:, :, 2] - part.thickness_mm) <= near).all(axis=1), :, :2]
    keep = np.zeros(len(xy), dtype=np.bool_)
    kernel.on_triangles(np.ascontiguousarray(xy), flat.reshape(-1, 6), EPS_MM, keep)
    return xy[keep]


def _rings(hole: Hole, rings: Sequence[float]) -> Array:
    turn = 2 * math.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    radius = np.repeat(np.array(rings) * hole.diameter_mm / 2, _DIRECTIONS)
    turn = np.tile(turn, len(rings))
    return np.column_stack([hole.x_mm + radius * np.cos(turn), hole.y_mm + radius * np.sin(turn)])


def _not_deeper(
    xy: Array, known: Sequence[Extent], z_mm: float, margin_mm: float, own: Feature | None
) -> Array:
    """The points where nothing but `own` goes below z."""
    keep = np.ones(len(xy), dtype=np.bool_)
    for e in known:
        if (own is None or e.feature_id != own.id) and e.low_z_mm < z_mm - EPS_MM:
            keep &= ~e.holds(xy, margin_mm)
    return xy[keep]


def _grid(shape: Array, islands: Sequence[Array], margin_mm: float) -> Array:
    """Points inside a polygon and outside its islands by a margin, about _FLOOR_POINTS of them."""
    low, high = shape.min(axis=0), shape.max(axis=0)
    x, y = shape.T
    area = 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))
    pitch = max(_FINEST_MM, math.sqrt(area / _FLOOR_POINTS))
    while True:
        nx, ny = (max(1, math.ceil(float(v) / pitch)) for v in high - low)
        gx = low[0] + (np.arange(nx) + 0.5) * (high[0] - low[0]) / nx
        gy = low[1] + (np.arange(ny) + 0.5) * (high[1] - low[1]) / ny
        xy = np.column_stack([np.tile(gx, ny), np.repeat(gy, nx)])
        keep = inside_by(xy, shape) > margin_mm
        for island in islands:
            keep &= inside_by(xy, island) < -margin_mm
        if keep.sum() >= _FEWEST or pitch < margin_mm:
            return xy[keep]
        pitch /= 2


def _floor(pocket: Pocket, known: Sequence[Extent], outline: Array, margin_mm: float) -> Array:
    islands = [i.flattened(chord_mm=_CHORD_MM) for i in pocket.islands]
    xy = _grid(pocket.outer.flattened(chord_mm=_CHORD_MM), islands, margin_mm)
    xy = xy[inside_by(xy, outline) > margin_mm]
    return _not_deeper(xy, known, pocket.floor_z_mm, margin_mm, pocket)


def _pocket_walls(pocket: Pocket, known: Sequence[Extent], outline: Array) -> Array:
    z = pocket.floor_z_mm + FOOT * (pocket.top_z_mm - pocket.floor_z_mm)
    xy = np.vstack([on_loop(loop) for loop in (pocket.outer, *pocket.islands)])
    xy = xy[inside_by(xy, outline) > _BESIDE_MM]
    xy = _not_deeper(xy, known, z, _BESIDE_MM, pocket)
    return np.column_stack([xy, np.full(len(xy), z)])


def _outline_walls(part: Part, known: Sequence[Extent]) -> Array:
    xy = on_loop(part.outline)
    top = np.full(len(xy), part.thickness_mm)
    for e in known:
        if not e.edge_mm:
            top = np.where(e.holds(xy, _BESIDE_MM), np.minimum(top, e.low_z_mm), top)
    keep = top > EPS_MM  # a hole through that opens at the edge leaves no wall
    return np.column_stack([xy, FOOT * top])[keep]


def on_loop(loop: Loop) -> Array:
    """Points (n, 2) exactly on a loop, at most _WALL_STEP_MM apart along each of its edges."""
    out = []
    n = len(loop.vertices)
    for i in range(n):
        x0, y0, bulge = (float(v) for v in loop.vertices[i])
        x1, y1, _ = (float(v) for v in loop.vertices[(i + 1) % n])
        if bulge == 0:
            k = max(1, math.ceil(math.hypot(x1 - x0, y1 - y0) / _WALL_STEP_MM))
            f = (np.arange(k) + 0.5) / k
            out.append(np.column_stack([x0 + f * (x1 - x0), y0 + f * (y1 - y0)]))
        else:
            cx, cy, radius, start, sweep = arc_of_bulge(x0, y0, x1, y1, bulge)
            k = max(1, math.ceil(abs(sweep) * radius / _WALL_STEP_MM))
            turn = start + sweep * (np.arange(k) + 0.5) / k
            out.append(np.column_stack([cx + radius * np.cos(turn), cy + radius * np.sin(turn)]))
    return np.vstack(out)
