"""What is accepted where: the job's tolerances, widened by a feature's own limits on that feature alone.

A hole's wall is good within its limits of diameter, a floor within its limits of depth, and the point that a drill
leaves under a blind hole is good anywhere between the full diameter's end and the point that was drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_removal
from pipeline.model.job import Tolerances
from pipeline.model.part import Hole, Part, Pocket
from pipeline.model.setup import PlacedPart
from pipeline.model.units import EPS_MM

_ON_MM = 0.01  # a triangle this near to a feature's surface lies on it
_FLAT = 0.98  # |normal z| over which a triangle is a floor
_UPRIGHT = 0.02  # |normal z| under which a triangle is a wall
_CHORD_MM = 0.002


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TriangleLimits:
    """Per triangle of a part: how far a flank may be in it, a tip below it, and what may be left on it. mm."""

    wall: NDArray[np.float64]
    floor: NDArray[np.float64]
    left: NDArray[np.float64]


def triangle_limits(part: Part, tolerances: Tolerances) -> TriangleLimits:
    """The limits of each triangle of the part's mesh; its measured deviation is added to all."""
    corner = part.mesh.vertices[part.mesh.triangles.astype(np.int64)]
    n = len(corner)
    wall, floor, left = np.full(n, tolerances.wall_mm), np.full(n, tolerances.floor_mm), np.full(n, tolerances.left_mm)
    near = _ON_MM + part.mesh.deviation_mm
    z = corner[:, :, 2]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    flat = np.abs(normal[:, 2]) > _FLAT * np.linalg.norm(normal, axis=1)
    upright = np.abs(normal[:, 2]) < _UPRIGHT * np.linalg.norm(normal, axis=1)
    for feature in part.features:
        if isinstance(feature, Hole):
            radius = np.hypot(corner[:, :, 0] - feature.x_mm, corner[:, :, 1] - feature.y_mm)
            band = (z > feature.bottom_z_mm - near) & (z < feature.top_z_mm + near)
            touches = band & (np.abs(radius - feature.diameter_mm / 2) < near)
            # Faces and chamfers that end at the hole's edge lose what the hole may grow; walls are told apart by their
            # own triangles, so this widens nothing else.
            on = touches.all(axis=1) | (touches.any(axis=1) & ~upright)
            if not feature.through and not feature.flat_bottom:
                # The drawn point: a wider drill's point lies lower by less than the radius grows.
                point = ((radius < feature.diameter_mm / 2 + near) & (z < feature.bottom_z_mm + near)).all(axis=1)
                on = (on | point) & (z > feature.bottom_z_mm - feature.diameter_mm / 2 - near).all(axis=1)
                floor[on & point] = np.maximum(floor[on & point], (feature.limits_mm[1] - feature.diameter_mm) / 2)
            wall[on] = np.maximum(wall[on], (feature.limits_mm[1] - feature.diameter_mm) / 2)
            left[on] = np.maximum(left[on], (feature.diameter_mm - feature.limits_mm[0]) / 2)
            if feature.depth_limits_mm:
                bottom = flat & (radius < feature.diameter_mm / 2 + near).all(axis=1)
                bottom &= (np.abs(z - feature.bottom_z_mm) < near).all(axis=1)
                floor[bottom] = np.maximum(floor[bottom], feature.bottom_z_mm - feature.depth_limits_mm[0])
        elif isinstance(feature, Pocket) and feature.floor_limits_mm:
            bottom = flat & (np.abs(z - feature.floor_z_mm) < near).all(axis=1)
            floor[bottom] = np.maximum(floor[bottom], feature.floor_z_mm - feature.floor_limits_mm[0])
    deviation = part.mesh.deviation_mm + EPS_MM
    return TriangleLimits(wall=wall + deviation, floor=floor + deviation, left=left + deviation)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellLimits:
    """Per cell of a window: how far the stock may lie under the target and over it, and a height that is good
    anyway (minus infinity where there is none). mm, setup frame."""

    deep: NDArray[np.float64]
    left: NDArray[np.float64]
    good_below: NDArray[np.float64]


def cell_limits(
    placed: PlacedPart, tolerances: Tolerances, *, shape: tuple[int, int], x0: float, y0: float, cell: float
) -> CellLimits:
    """The limits of each cell of a window whose first centre is (x0, y0)."""
    deviation = placed.part.mesh.deviation_mm + EPS_MM
    deep, left = np.full(shape, tolerances.floor_mm), np.full(shape, tolerances.left_mm)
    good = np.full(shape, -np.inf)
    pose, up = placed.setup_from_part, placed.bottom_z_mm
    for feature in placed.part.features:
        inside = np.zeros(shape, dtype=np.bool_)
        if isinstance(feature, Hole):
            turn = np.linspace(0.0, 2 * math.pi, 90, endpoint=False)
            r = feature.diameter_mm / 2 + cell
            ring = np.column_stack([feature.x_mm + r * np.cos(turn), feature.y_mm + r * np.sin(turn)])
            limits, bottom = feature.depth_limits_mm, feature.bottom_z_mm
        elif isinstance(feature, Pocket) and feature.floor_limits_mm:
            ring = feature.outer.flattened(chord_mm=_CHORD_MM)
            limits, bottom = feature.floor_limits_mm, feature.floor_z_mm
        else:
            continue
        verify_removal.fill_polygon(inside, pose.points(ring), x0, y0, cell)
        for island in feature.islands if isinstance(feature, Pocket) else ():
            on_island = np.zeros(shape, dtype=np.bool_)
            points = pose.points(island.flattened(chord_mm=_CHORD_MM))
            verify_removal.fill_polygon(on_island, points, x0, y0, cell)
            inside &= ~on_island
        if limits:
            deep[inside] = np.maximum(deep[inside], bottom - limits[0])
            left[inside] = np.maximum(left[inside], limits[1] - bottom)
        if isinstance(feature, Hole) and not feature.through and not feature.flat_bottom:
            top = (limits[1] if limits else bottom) + up + tolerances.left_mm
            good[inside] = np.maximum(good[inside], top)
    return CellLimits(deep=deep + deviation, left=left + deviation, good_below=good)
