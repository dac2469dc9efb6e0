"""What the marks of a task's layouts need, prepared once: places in the parts, fields over the plate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from pipeline.geometry.regions import covered, grown_area_mm2, least_width_mm
from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.model.job import Worth
from pipeline.model.nest import Region
from pipeline.nest.shapes import Kind

_PLACES = 150  # places of one part where the plate's figure is read
_CELLS = 60_000  # of a field over the plate
_CELL_MM = 0.5  # finest field
_PORT_ROOM_MM = 2.0  # beyond the kerf: so far from a part the port draws on solid plate
_CLAMP_ROOM_MM = 10.0  # beyond the least distance: farther from a clamp nothing is gained
_LEFT_CELLS = 4000  # of the field that shows what is left
_LEFT_MM = 1.0  # finest cell of that field
_LEFT_WIDTH_MM = 20.0  # least width of a useful remnant where no part is counted (common practice, no source)
_SAME = 1e-9  # relative noise between a part and its mirror image


class Field(NamedTuple):
    """Values (ny, nx) at the middles of square cells over the billet frame."""

    values: Float
    x0: float
    y0: float
    cell: float

    def at(self, xy: Float) -> Float:
        """(n,) the values of the cells that hold xy (n, 2); the nearest cell outside."""
        ny, nx = self.values.shape
        ix = np.clip(((xy[:, 0] - self.x0) / self.cell).astype(np.int64), 0, nx - 1)
        iy = np.clip(((xy[:, 1] - self.y0) / self.cell).astype(np.int64), 0, ny - 1)
        out: Float = self.values[iy, ix]
        return out

    def between(self, xy: Float) -> Float:
        """(n,) the values at xy (n, 2), bilinear between the cells' middles."""
        ny, nx = self.values.shape
        u = np.clip((xy[:, 0] - self.x0) / self.cell - 0.5, 0.0, nx - 1.001)
        v = np.clip((xy[:, 1] - self.y0) / self.cell - 0.5, 0.0, ny - 1.001)
        ix, iy = u.astype(np.int64), v.astype(np.int64)
        at, flat = iy * nx + ix, self.values.ravel()
        u, v = u - ix, v - iy
        low = flat[at] * (1 - u) + flat[at + 1] * u
        out: Float = low * (1 - v) + (flat[at + nx] * (1 - u) + flat[at + nx + 1] * u) * v
        return out


class Pair(NamedTuple):
    """Kinds of a left and a right part, the distance of their centres side by side, and their length."""

    left: int
    right: int
    near_mm: float
    long_mm: float


class Clamp(NamedTuple):
    """A clamp's polygon (n, 2) and the distance from which on it does no harm."""

    name: str
    polygon: Float
    clear_mm: float


class Left(NamedTuple):
    """A field on which the remnant is found: room of the empty plate, half the useful width, the most there can be."""

    base: Float
    x0: float
    y0: float
    cell: float
    half_mm: float
    most_mm2: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Aims:
    """What the marks need of one task, by kind where a tuple is as long as the kinds. Points are about the centre."""

    worth: Worth
    world: nest_engine.World
    is_counted: tuple[bool, ...]
    places: tuple[Float, ...]  # inside the part; a right part's answer its left part's one by one
    edges: tuple[Float, ...]
    areas_mm2: tuple[float, ...]
    along_rad: tuple[float | None, ...]
    polygons: tuple[Float, ...]
    pairs: tuple[Pair, ...]
    figure: Field | None
    layers_rad: float | None
    sealed: Field | None
    port_mm: tuple[float, float] | None
    port_clear_mm: float
    clamps: tuple[Clamp, ...]
    ease: Field | None  # least over the clamps of the distance to one in parts of its `clear_mm`
    left: Left | None

    @classmethod
    def of(cls, kinds: Sequence[Kind], world: nest_engine.World, region: Region, *, worth: Worth,
           gap_mm: float) -> Aims:
        """Prepare a task's marks."""
        counted = tuple(k.request.count is not None and not k.is_disc for k in kinds)
        places = [_places(k.polygon) if is_counted else np.zeros((0, 2))
                  for k, is_counted in zip(kinds, counted, strict=True)]
        pairs = _pairs(kinds, counted, gap_mm)
        for pair in pairs:
            places[pair.right] = places[pair.left] * (1.0, -1.0)
        ends = world.sample_start
        gaps = {name: gap for name, _, gap in region.keepouts}
        clamps = tuple(Clamp(n, p, gaps.get(n, 0.0) + _CLAMP_ROOM_MM) for n, p in region.clamps)
        return cls(
            worth=worth, world=world, is_counted=counted, places=tuple(places),
            edges=tuple(world.samples[ends[i]:ends[i + 1]] for i in range(len(kinds))),
            areas_mm2=tuple(k.area_mm2 for k in kinds), along_rad=tuple(k.request.along_layers_rad for k in kinds),
            polygons=tuple(k.polygon for k in kinds), pairs=pairs, figure=_figure(region), layers_rad=region.layers_rad,
            sealed=None if region.sealed is None else _field(region, [(region.sealed, 1.0)]),
            port_mm=region.port_mm, port_clear_mm=region.kerf_mm + _PORT_ROOM_MM,
            clamps=clamps, ease=_ease(region, clamps),
            left=_left(kinds, world, region, counted, gap_mm),
        )


def distances_mm(xy: Float, polygon: Float) -> Float:
    """(n,) distance of places (n, 2) to the edges of a polygon (m, 2)."""
    a = polygon[None, :, :]
    d = np.roll(polygon, -1, axis=0)[None, :, :] - a
    away = xy[:, None, :] - a
    t = np.clip((away * d).sum(axis=2) / np.maximum((d * d).sum(axis=2), np.finfo(float).tiny), 0.0, 1.0)
    out: Float = np.hypot(*np.moveaxis(away - t[:, :, None] * d, 2, 0)).min(axis=1)
    return out


def _places(polygon: Float) -> Float:
    """About `_PLACES` places spread evenly over a polygon."""
    low, size = polygon.min(axis=0), np.ptp(polygon, axis=0)
    x, y = polygon.T
    area = abs(float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())) / 2
    nx, ny = (2 * max(1, round(float(v) / math.sqrt(area / _PLACES) / 2)) for v in size)  # even: halves count alike
    x, y = np.meshgrid(low[0] + size[0] * (np.arange(nx) + 0.5) / nx, low[1] + size[1] * (np.arange(ny) + 0.5) / ny)
    xy = np.column_stack([x.ravel(), y.ravel()])
    inside: Float = xy[covered(polygon, xy)]
    return inside if len(inside) else polygon.copy()


def _pairs(kinds: Sequence[Kind], is_counted: Sequence[bool], gap_mm: float) -> tuple[Pair, ...]:
    by_name = {k.name: i for i, k in enumerate(kinds) if is_counted[i]}
    pairs = []
    for name, left in by_name.items():
        right = by_name.get(name.removesuffix("-left") + "-right") if name.endswith("-left") else None
        if right is None or not math.isclose(kinds[left].area_mm2, kinds[right].area_mm2, rel_tol=_SAME):
            continue
        width = least_width_mm(kinds[left].polygon)
        pairs.append(Pair(left, right, width + gap_mm, 2 * kinds[left].reach_mm))
    return tuple(pairs)


def _figure(region: Region) -> Field | None:
    return _field(region, [(zone.polygon, zone.figure) for zone in region.zones]) if region.zones else None


def _ease(region: Region, clamps: Sequence[Clamp]) -> Field | None:
    if not clamps:
        return None
    empty, xy = _empty(region)
    rows = [distances_mm(xy, clamp.polygon) / clamp.clear_mm for clamp in clamps]
    return empty._replace(values=np.min(rows, axis=0).reshape(empty.values.shape))


def _field(region: Region, parts: Sequence[tuple[Float, float]]) -> Field:
    """0, and in each polygon its value, over the values before it."""
    empty, xy = _empty(region)
    values = np.zeros(len(xy))
    for polygon, value in parts:
        values[covered(polygon, xy)] = value
    return empty._replace(values=values.reshape(empty.values.shape))


def _empty(region: Region) -> tuple[Field, Float]:
    """A field of zeros over the region, and the middles of its cells (n, 2)."""
    (x0, y0), (x1, y1) = region.outline.min(axis=0).tolist(), region.outline.max(axis=0).tolist()
    cell = max(_CELL_MM, math.sqrt((x1 - x0) * (y1 - y0) / _CELLS))
    nx, ny = math.ceil((x1 - x0) / cell) + 1, math.ceil((y1 - y0) / cell) + 1
    x, y = np.meshgrid(x0 + cell * (np.arange(nx) + 0.5), y0 + cell * (np.arange(ny) + 0.5))
    return Field(np.zeros((ny, nx)), x0, y0, cell), np.column_stack([x.ravel(), y.ravel()])


def _left(kinds: Sequence[Kind], world: nest_engine.World, region: Region, is_counted: Sequence[bool],
          gap_mm: float) -> Left | None:
    """The remnant's field; None where the parts that are counted take all that is useful."""
    (x0, y0), (x1, y1) = region.outline.min(axis=0).tolist(), region.outline.max(axis=0).tolist()
    cell = max(_LEFT_MM, math.sqrt((x1 - x0) * (y1 - y0) / _LEFT_CELLS))
    base = np.zeros((math.ceil((y1 - y0) / cell), math.ceil((x1 - x0) / cell)))
    nest_engine.room_base(world, 0, 0.0, x0 + cell / 2, y0 + cell / 2, cell, base)
    widths = [least_width_mm(k.polygon) for k, is_one in zip(kinds, is_counted, strict=True) if is_one]
    half = max(widths, default=_LEFT_WIDTH_MM) / 2
    taken = math.fsum((k.request.count or 0) * grown_area_mm2(k.figure(np.zeros(3)), by_mm=gap_mm / 2) for k in kinds)
    most = useful_mm2(base >= 0, cell_mm=cell, half_mm=half) - taken
    if most <= cell * cell:
        return None
    return Left(base, x0 + cell / 2, y0 + cell / 2, cell, half, most)


def useful_mm2(is_free: Any, *, cell_mm: float, half_mm: float) -> float:
    """Area of the largest piece that a disc of radius `half_mm` sweeps inside the free cells."""
    from scipy import ndimage  # slow to load and seldom needed

    reach = half_mm / cell_mm
    free = np.pad(is_free, 1)
    # a cell's middle is half a cell nearer to the edge of a taken cell than to its middle
    pieces, count = ndimage.label(ndimage.distance_transform_edt(free) - 0.5 >= reach, structure=np.ones((3, 3)))
    if not count:
        return 0.0
    largest = 1 + int(np.bincount(pieces.ravel())[1:].argmax())
    swept = free & (ndimage.distance_transform_edt(pieces != largest) <= reach)
    return float(np.count_nonzero(swept)) * cell_mm**2
