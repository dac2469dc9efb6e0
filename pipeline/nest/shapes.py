"""Parts and region as the engine sees them: flat arrays round a reference point per kind.

Words. A *kind* is one part request; a *body* one copy of it, posed by (x, y, angle) of the kind's *centre*. Polygons
are flattened outward, so that a polygon never lies inside its part; a round outline stays an exact disc.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.geometry.regions import Figure, rings, simplified
from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float, product
from pipeline.model.frames import Pose
from pipeline.model.job import PartRequest
from pipeline.model.loop import Loop, arc_of_bulge
from pipeline.model.nest import Region, Silhouette
from pipeline.model.units import EPS_MM
from pipeline.nest.bounds import Bound

CHORD_MM = 0.002  # outward flattening of outlines
_THIN_MM = 0.004  # the search may be this much off; the exact check is not
_SAMPLE_MM = 0.8  # longest distance between two samples
_CELLS = 260_000  # most cells of one grid
_CELL_MM = 0.25  # finest grid
_DEEP_MM = 4.0  # a grid reaches this much farther than a disc beside it needs


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kind:
    """One part request, ready for nesting. `polygon` (n, 2) is about the centre; a disc has `radius_mm` > 0."""

    name: str
    request: PartRequest
    centre: tuple[float, float]  # the reference point, part frame
    polygon: Float
    radius_mm: float
    reach_mm: float
    area_mm2: float
    angles_rad: tuple[float, ...]  # empty means any
    bound: Bound | None  # None: anywhere on the plate

    @property
    def is_disc(self) -> bool:
        return self.radius_mm > 0

    def figure(self, pose: Float) -> Figure:
        """The exact figure of a body at (x, y, angle), billet frame."""
        if self.is_disc:
            return Figure.disc(float(pose[0]), float(pose[1]), self.radius_mm)
        return Figure.polygon(posed(self.polygon, pose))

    def placed(self, pose: Float) -> Pose:
        """`billet_from_part` of a body at (x, y, angle) of its centre."""
        x, y, angle = (float(v) for v in pose)
        c, s = math.cos(angle), math.sin(angle)
        return Pose.planar(to="billet", frm="part", x_mm=x - c * self.centre[0] + s * self.centre[1],
                           y_mm=y - s * self.centre[0] - c * self.centre[1], angle_rad=angle)

    def centred(self, x_mm: float, y_mm: float, angle_rad: float) -> Float:
        """The body pose of a part frame origin at (x, y) turned by the angle; inverse of `placed`."""
        c, s = math.cos(angle_rad), math.sin(angle_rad)
        return np.array([x_mm + c * self.centre[0] - s * self.centre[1],
                         y_mm + s * self.centre[0] + c * self.centre[1], angle_rad])


def posed(points: Float, pose: Float) -> Float:
    """Points (n, 2) turned by pose[2] and shifted by pose[0:2]."""
    c, s = math.cos(pose[2]), math.sin(pose[2])
    turned: Float = product(points, np.array([[c, s], [-s, c]])) + pose[:2]
    return turned


def disc_of(outline: Loop) -> tuple[float, float, float] | None:
    """Centre and radius when the outline is one full circle of arcs, else None."""
    arcs = []
    n = len(outline.vertices)
    for i, (x0, y0, bulge) in enumerate(outline.vertices):
        x1, y1, _ = outline.vertices[(i + 1) % n]
        if bulge <= 0:
            return None
        arcs.append(arc_of_bulge(x0, y0, x1, y1, bulge)[:3])
    cx, cy, radius = (float(v) for v in np.mean(arcs, axis=0))
    is_circle = np.abs(np.array(arcs) - (cx, cy, radius)).max() < EPS_MM
    return (cx, cy, radius) if is_circle else None


def kind_of(part: Silhouette, request: PartRequest, bound: Bound | None = None) -> Kind:
    """The kind of one part, its request and what binds it to zones."""
    angles = () if request.rotations_rad is None else tuple(sorted(set(request.rotations_rad)))
    polygon = part.outline.flattened(chord_mm=CHORD_MM, outward=True)
    disc = disc_of(part.outline)
    if disc is not None:
        cx, cy, radius = disc
        reach = radius
    else:
        cx, cy = (float(v) for v in (polygon.min(axis=0) + polygon.max(axis=0)) / 2)
        radius, reach = 0.0, float(np.hypot(*(polygon - (cx, cy)).T).max())
    return Kind(name=request.name, request=request, centre=(cx, cy), polygon=polygon - (cx, cy), radius_mm=radius,
                reach_mm=reach, area_mm2=part.outline.area_mm2, angles_rad=angles, bound=bound)


def _sampled(ring: Float) -> Float:
    """The ring's corners with every edge split to at most `_SAMPLE_MM`."""
    out = []
    for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        pieces = max(1, math.ceil(float(np.hypot(*(b - a))) / _SAMPLE_MM))
        out.append(a + (b - a) * (np.arange(pieces) / pieces)[:, None])
    return np.concatenate(out)


def _grid(ring: Float, margin_mm: float, cell_mm: float) -> tuple[Any, float, float, float]:
    """Signed distances round a ring: grid, x0, y0, cell."""
    low, high = ring.min(axis=0) - margin_mm, ring.max(axis=0) + margin_mm
    width, height = high - low
    cell = max(cell_mm, math.sqrt(float(width * height) / _CELLS))
    nx, ny = math.ceil(width / cell) + 2, math.ceil(height / cell) + 2
    grid = nest_engine.distance_grid(np.array(ring), low[0], low[1], cell, nx, ny)
    return grid, float(low[0]), float(low[1]), cell


def pack(kinds: Sequence[Kind], region: Region, *, gap_mm: float, cell_mm: float = _CELL_MM) -> nest_engine.World:
    """The engine's world: every kind's samples and grid, the container's slack and its corners for each bound."""
    biggest_disc = max((k.radius_mm for k in kinds), default=0.0)
    samples: list[Float] = []
    grids: list[Any] = []  # float32
    starts, sample_starts = [], [0]
    nx, ny, x0, y0, cells = [], [], [], [], []
    for kind in kinds:
        if kind.is_disc:
            points = np.zeros((1, 2))
            grid, gx, gy, cell = np.zeros((1, 1), dtype=np.float32), 0.0, 0.0, 1.0
        else:
            ring = simplified(kind.polygon, tolerance_mm=_THIN_MM)
            points = _sampled(ring)
            grid, gx, gy, cell = _grid(ring, gap_mm + biggest_disc + _DEEP_MM, cell_mm)
        samples.append(points)
        sample_starts.append(sample_starts[-1] + len(points))
        starts.append(sum(g.size for g in grids))
        grids.append(grid)
        nx.append(grid.shape[1])
        ny.append(grid.shape[0])
        x0.append(gx)
        y0.append(gy)
        cells.append(cell)
    lever = [0.0 if k.is_disc or k.angles_rad else 0.6 * k.reach_mm for k in kinds]
    bounds: list[Bound | None] = [None]
    bounds += [b for b in dict.fromkeys(k.bound for k in kinds) if b is not None]
    slack, sx, sy, slack_cell = _slack(region, bounds, cell_mm)
    pins = [np.concatenate(_pins(region, bound)) for bound in bounds]
    at, pin_starts = np.array([bounds.index(k.bound) for k in kinds]), np.cumsum([0, *(len(p) for p in pins)])
    return nest_engine.World(
        gap=float(gap_mm), safety=0.0,
        radius=np.array([k.radius_mm for k in kinds]), reach=np.array([k.reach_mm for k in kinds]),
        lever=np.array(lever), sample_start=np.array(sample_starts, dtype=np.int64), samples=np.concatenate(samples),
        grid_start=np.array(starts, dtype=np.int64), grid_nx=np.array(nx, dtype=np.int64),
        grid_ny=np.array(ny, dtype=np.int64), grid_x0=np.array(x0), grid_y0=np.array(y0), grid_cell=np.array(cells),
        grids=np.concatenate([g.ravel() for g in grids]),
        field=np.column_stack([at * slack[0].size, pin_starts[at], pin_starts[at + 1]]).astype(np.int64),
        slack=slack.ravel(), slack_nx=slack.shape[2], slack_ny=slack.shape[1], slack_x0=sx, slack_y0=sy,
        slack_cell=slack_cell, pins=np.concatenate(pins),
    )


def _pins(region: Region, bound: Bound | None) -> list[Float]:
    """Corners (n, 3) of the walls with the gap wanted there, and of the zones with none."""
    pins = [np.column_stack([region.outline, np.full(len(region.outline), region.edge_gap_mm)])]
    pins += [np.column_stack([polygon, np.full(len(polygon), gap)]) for _, polygon, gap in region.keepouts]
    if bound is not None:
        zones = [zone for _, zone in bound.clear_of] + ([] if bound.inside is None else [bound.inside])
        pins += [np.column_stack([ring, np.zeros(len(ring))]) for zone in zones for piece in rings(zone)
                 for ring in piece]
    return pins


def _slack(region: Region, bounds: Sequence[Bound | None], cell_mm: float) -> tuple[Any, float, float, float]:
    """The container's slack grid for each bound: least over outline, keep-outs and zones of distance less the gap
    wanted there."""
    outline = np.array(region.outline)
    grid, x0, y0, cell = _grid(outline, 2 * cell_mm, cell_mm)
    slack = -grid - np.float32(region.edge_gap_mm)
    ny, nx = grid.shape
    for _, polygon, gap in region.keepouts:
        away = nest_engine.distance_grid(np.array(polygon), x0, y0, cell, nx, ny)
        slack = np.minimum(slack, away - np.float32(gap))

    def beyond(zone: Figure) -> Any:
        """Signed distances to a zone of several pieces with holes, negative inside."""
        def to(ring: Float) -> Any:
            return nest_engine.distance_grid(np.array(ring), x0, y0, cell, nx, ny)

        return np.minimum.reduce([np.maximum.reduce([to(outer), *(-to(hole) for hole in holes)])
                                  for outer, *holes in rings(zone)])

    fields = []
    for bound in bounds:
        field = slack
        if bound is not None:
            field = field if bound.inside is None else np.minimum(field, -beyond(bound.inside))
            for _, zone in bound.clear_of:
                field = np.minimum(field, beyond(zone))
        fields.append(field)
    return np.ascontiguousarray(fields, dtype=np.float32), x0, y0, cell
