"""Cutters as the kernels want them: tables of radii and heights, by row.

Stages of a tool from the tip up: the cutting edges, the neck, the shank, the holder. A stage is a cylinder from its
lower end upwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_removal as kernel
from pipeline.model.shop import Crib, Cutter, CutterKind

STAGES = ("cutting edges", "neck", "shank", "holder")
_SHAPES = {
    CutterKind.FLAT: kernel.FLAT,
    CutterKind.DRILL: kernel.CONE,
    CutterKind.SPOT: kernel.CONE,
    CutterKind.CHAMFER: kernel.CONE,
    CutterKind.ENGRAVER: kernel.CONE,
    CutterKind.BALL: kernel.BALL,
}
# A stage as wide as the edges slides along the wall that the edges cut; this much is not a collision.
_RUB_MM = 0.005
_NO_REACH = 1e9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToolTable:
    """One row per cutter of the crib that can be simulated. Arrays (n,) and (n, 4), mm; slope is dz/dr of a
    cone, for a rounded end mill its corner radius, `tip` then the radius of its flat end."""

    cutters: tuple[Cutter, ...]
    threads: tuple[int, ...]  # numbers of the thread mills, which have no row
    row_of: dict[int, int]  # cutter number -> row
    shape: NDArray[np.int64]
    radius: NDArray[np.float64]
    tip: NDArray[np.float64]
    slope: NDArray[np.float64]
    flute: NDArray[np.float64]
    stage_z: NDArray[np.float64]
    stage_r: NDArray[np.float64]

    def rows(self, numbers: NDArray[np.int32]) -> NDArray[np.int64]:
        """Row of each cutter number, -1 where it is not in the table."""
        if not len(numbers):
            return np.zeros(0, dtype=np.int64)
        # A cutter stays in the spindle for thousands of moves.
        first = np.concatenate([[0], np.flatnonzero(numbers[1:] != numbers[:-1]) + 1])
        rows = [self.row_of.get(number, -1) for number in numbers[first].tolist()]
        return np.repeat(np.array(rows, dtype=np.int64), np.diff(first, append=len(numbers)))

    def of_rows(self, value: Callable[[Cutter], float], rows: NDArray[np.int64]) -> NDArray[np.float64]:
        """A figure of each row's cutter, 0 where there is none (-1)."""
        table = np.array([*(value(c) for c in self.cutters), 0.0])
        return np.asarray(table[rows], dtype=np.float64)

    def of_kinds(self, kinds: tuple[CutterKind, ...], rows: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether each row's cutter is of one of these kinds, False where there is none."""
        return np.asarray(np.array([*(c.kind in kinds for c in self.cutters), False])[rows], dtype=np.bool_)


def _shape(cutter: Cutter) -> int:
    if cutter.kind is CutterKind.FLAT and cutter.corner_radius_mm > 0:
        return kernel.ROUNDED if 2 * cutter.corner_radius_mm < cutter.diameter_mm else kernel.BALL
    return _SHAPES[cutter.kind]


def _flat_end(cutter: Cutter) -> float:
    """Radius of the flat end of a cone or of a rounded end mill."""
    if _shape(cutter) == kernel.ROUNDED:
        return cutter.diameter_mm / 2 - cutter.corner_radius_mm
    return min(cutter.tip_diameter_mm, cutter.diameter_mm) / 2 if _SHAPES[cutter.kind] == kernel.CONE else 0.0


def tool_table(crib: Crib) -> ToolTable:
    """The crib's cutters of revolution that do not undercut. Thread mills are left out: a field cannot show them."""
    cutters = tuple(c for c in crib.cutters if c.kind in _SHAPES)
    n = len(cutters)
    slope = np.ones(n)
    for i, c in enumerate(cutters):
        if _SHAPES[c.kind] == kernel.CONE:
            slope[i] = 1.0 / math.tan(c.point_angle_rad / 2) if c.point_angle_rad > 0 else 0.0
            if slope[i] <= 0:
                slope[i] = 1e-9  # a flat point, such as a drill of 180 degrees
        elif _shape(c) == kernel.ROUNDED:
            slope[i] = c.corner_radius_mm
    stage_z = np.array(
        [[0.0, c.flute_length_mm, max(c.reach_mm, c.flute_length_mm), c.stickout_mm] for c in cutters]
    ).reshape(n, 4)
    stage_r = np.array(
        [
            (c.diameter_mm / 2, c.neck_diameter_mm / 2 - _RUB_MM, c.shank_diameter_mm / 2 - _RUB_MM,
             c.holder_diameter_mm / 2)
            for c in cutters
        ]
    ).reshape(n, 4)
    for i, c in enumerate(cutters):
        if c.reach_mm <= c.flute_length_mm:
            stage_z[i, 1] = _NO_REACH  # no neck
    return ToolTable(
        cutters=cutters,
        threads=tuple(c.number for c in crib.cutters if c.kind is CutterKind.THREAD),
        row_of={c.number: i for i, c in enumerate(cutters)},
        shape=np.array([_shape(c) for c in cutters], dtype=np.int64),
        radius=np.array([c.diameter_mm / 2 for c in cutters], dtype=np.float64),
        tip=np.array([_flat_end(c) for c in cutters], dtype=np.float64),
        slope=slope,
        flute=np.array([c.flute_length_mm for c in cutters], dtype=np.float64),
        stage_z=stage_z,
        stage_r=stage_r,
    )
