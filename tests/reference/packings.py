"""Packings with a known best, and makers of plain parts and regions for nesting tests."""

from __future__ import annotations

import math

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.job import PartRequest
from pipeline.model.loop import Loop
from pipeline.model.nest import Region
from pipeline.model.part import Mesh, Part

# Container radius over disc radius for n equal discs in a circle, best possible.
# 7: R. L. Graham 1968 (classical: one disc ringed by six). 19: F. Fodor 1999, Geometriae Dedicata 74. From memory.
DISCS_IN_CIRCLE = {7: 3.0, 19: 1 + math.sqrt(2) + math.sqrt(6)}

# 40 x 25 rectangles on a 120 x 100 plate: by gap, (how many a mixed-column layout holds, area bound). Arithmetic:
# gap 0: 3 x 4 tile it. gap 1.6: 40 + 3 * 25 + 3 * 1.6 = 119.8, a column of 3 and three turned columns of 2.
RECTANGLES = {0.0: (12, 12), 1.6: (9, 11)}

_TETRA = Mesh(vertices=np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]]),
              triangles=np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3.0]]), deviation_mm=0.0)


def plain_part(name: str, outline: Loop | Float) -> Part:
    """A part that is only an outline: nesting looks at nothing else."""
    loop = outline if isinstance(outline, Loop) else Loop.polygon(np.asarray(outline, dtype=np.float64))
    return Part(name=name, family="plain", sizes={}, brep=b"", step=b"", mesh=_TETRA, outline=loop, thickness_mm=1.0,
                volume_mm3=loop.area_mm2, features=(), report={})


def request(name: str, count: int | None, *, value: float = 1.0, rotations_deg: tuple[float, ...] | None = None,
            fixed: tuple[tuple[float, float, float], ...] = ()) -> PartRequest:
    """A request in degrees, for short tests."""
    rotations = None if rotations_deg is None else tuple(math.radians(a) for a in rotations_deg)
    return PartRequest(name=name, family="plain", sizes={}, count=count, value=value, rotations_rad=rotations,
                       fixed=fixed)


def rectangle(width: float, height: float) -> Float:
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)


def ring(n: int, radius: float) -> Float:
    """A regular polygon inside the circle."""
    a = 2 * np.pi * np.arange(n) / n
    return np.column_stack([radius * np.cos(a), radius * np.sin(a)])


def star(points: int, outer: float, inner: float) -> Float:
    a = np.pi * np.arange(2 * points) / points
    r = np.where(np.arange(2 * points) % 2 == 0, outer, inner)
    return np.column_stack([r * np.cos(a), r * np.sin(a)])


L_SHAPE = np.array([[0, 0], [30, 0], [30, 8], [8, 8], [8, 30], [0, 30]], dtype=np.float64)
U_SHAPE = np.array([[0, 0], [30, 0], [30, 25], [22, 25], [22, 8], [8, 8], [8, 25], [0, 25]], dtype=np.float64)


def slotted(length: float, width: float, radius: float) -> Loop:
    """A long plate with round corners, as a handle is in plan."""
    b = math.tan(math.pi / 8)
    l, w, r = length, width, radius
    return Loop(np.array([[r, 0, 0], [l - r, 0, b], [l, r, 0], [l, w - r, b], [l - r, w, 0], [r, w, b], [0, w - r, 0],
                          [0, r, b]]))


def plain_region(outline: Float, *, edge_gap_mm: float = 0.0,
                 keepouts: tuple[tuple[str, Float, float], ...] = ()) -> Region:
    return Region(outline=outline, edge_gap_mm=edge_gap_mm, keepouts=keepouts)
