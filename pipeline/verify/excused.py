"""What a declaration may excuse. A `NotCut` names a feature; it can never excuse more than that feature.

Words: the *extent* of a feature is its plan shape with a small margin and the heights that it spans. A declaration's
region and band count only inside the extent of the feature it names, and no declaration excuses stock over the skin
beside an outline. So a declaration that is too wide, by mistake or by a slip in the program that made it, hides
nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model.loop import Loop
from pipeline.model.part import Chamfer, Feature, Hole, Mark, Pocket
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.toolpath import NotCut
from pipeline.verify.faults import Fault

_MARGIN_MM = 0.15  # limits of size and the spill of the planner's regions
_CHORD_MM = 0.005
_CORNERS = 90


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Excuse:
    """Part `part` (index) may keep stock between `low_mm` and `high_mm` inside `region`, near the feature. Setup
    frame. `edge_mm` is 0 where the extent is a filled shape, else the half width of a band along `shape`."""

    part: int
    region: NDArray[np.float64]
    low_mm: float
    high_mm: float
    shape: NDArray[np.float64]
    islands: tuple[NDArray[np.float64], ...]
    edge_mm: float

    def in_extent(self, xy: NDArray[np.float64], slack_mm: float) -> NDArray[np.bool_]:
        """Points (n, 2) in the feature's extent, or within `slack_mm` of it."""
        reach = slack_mm + (self.edge_mm or _MARGIN_MM)
        inside, close = near_polygon(xy, self.shape, reach)
        out = close if self.edge_mm else inside | close
        for island in self.islands:
            inside, close = near_polygon(xy, island, reach)
            out &= ~inside | close
        return out

    def covers(self, xy: NDArray[np.float64], slack_mm: float) -> NDArray[np.bool_]:
        """Points (n, 2) in the declared region and in the feature's extent, both grown by `slack_mm`."""
        inside, close = near_polygon(xy, self.region, slack_mm)
        out = inside | close
        where = np.flatnonzero(out)
        out[where] = self.in_extent(xy[where], slack_mm)
        return out


def excuses(setup: Setup, not_cut: Sequence[NotCut]) -> tuple[list[Excuse], list[Fault]]:
    """What the declarations excuse, and a fault for each that names a part or a feature that is not there."""
    out: list[Excuse] = []
    faults: list[Fault] = []
    for item in not_cut:
        if len(item.region) < 3:
            continue
        known = False
        for index, placed in enumerate(setup.parts):
            if item.part_id not in (placed.part_id, ""):
                continue
            for feature in placed.part.features:
                if feature.id == item.feature_id:
                    known = True
                    out.append(_excuse(item, index, placed, feature, setup))
        if not known:
            faults.append(
                Fault(code="V666", part_id=item.part_id, cutter=0, line=0, at_mm=None, amount_mm=0.0,
                      found=f"{item.operation} of {item.feature_id!r} declared as not cut, which no part here has",
                      wanted="declarations that name a feature of the part",
                      hint="nothing was excused by it")
            )  # fmt: skip
    return out, faults


def _excuse(item: NotCut, index: int, placed: PlacedPart, feature: Feature, setup: Setup) -> Excuse:
    edge = 0.0
    islands: tuple[Loop, ...] = ()
    if isinstance(feature, Hole):
        turn = np.linspace(0.0, 2 * math.pi, _CORNERS, endpoint=False)
        radius = max(feature.diameter_mm, feature.limits_mm[1]) / 2 / math.cos(math.pi / _CORNERS)
        shape = np.column_stack([feature.x_mm + radius * np.cos(turn), feature.y_mm + radius * np.sin(turn)])
        low, high = feature.bottom_z_mm - (0.0 if feature.flat_bottom else radius), feature.top_z_mm
    elif isinstance(feature, Pocket):
        shape, low, high = feature.outer.flattened(chord_mm=_CHORD_MM), feature.floor_z_mm, feature.top_z_mm
        islands = feature.islands
    elif isinstance(feature, Chamfer):
        shape, low, high = feature.loop.flattened(chord_mm=_CHORD_MM), feature.z_mm - feature.leg_mm, feature.z_mm
        edge = feature.leg_mm + _MARGIN_MM
    elif isinstance(feature, Mark):
        shape, low, high = feature.region.flattened(chord_mm=_CHORD_MM), feature.z_mm - feature.depth_mm, feature.z_mm
    else:
        shape, low, high = feature.region.flattened(chord_mm=_CHORD_MM), feature.low_z_mm, feature.high_z_mm
    up = placed.bottom_z_mm
    bottom = setup.z.skin_mm if isinstance(feature, Hole) and feature.through else low + up - _MARGIN_MM
    return Excuse(
        part=index,
        region=np.array(item.region),
        low_mm=max(item.low_z_mm, bottom),
        high_mm=min(item.high_z_mm, high + up),
        shape=np.ascontiguousarray(placed.setup_from_part.points(shape)),
        islands=tuple(placed.setup_from_part.points(loop.flattened(chord_mm=_CHORD_MM)) for loop in islands),
        edge_mm=edge,
    )


def near_polygon(
    xy: NDArray[np.float64], polygon: NDArray[np.float64], margin: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Points (n, 2) inside a polygon, and points within `margin` of its edge."""
    inside_all, close_all = np.zeros(len(xy), dtype=np.bool_), np.zeros(len(xy), dtype=np.bool_)
    low, high = polygon.min(axis=0) - margin, polygon.max(axis=0) + margin
    box = np.flatnonzero(((xy >= low) & (xy <= high)).all(axis=1))
    p = xy[box]
    inside, close = np.zeros(len(p), dtype=np.bool_), np.zeros(len(p), dtype=np.bool_)
    for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        d = b - a
        crosses = (a[1] > p[:, 1]) != (b[1] > p[:, 1])
        if d[1] != 0:
            inside ^= crosses & (p[:, 0] < a[0] + (p[:, 1] - a[1]) / d[1] * d[0])
        reach = np.flatnonzero(
            (p >= np.minimum(a, b) - margin).all(axis=1) & (p <= np.maximum(a, b) + margin).all(axis=1)
        )
        q = p[reach] - a
        length2 = float(d @ d)
        f = np.clip(q @ d / length2, 0.0, 1.0) if length2 > 0 else np.zeros(len(q))
        off = q - f[:, None] * d
        close[reach] |= (off * off).sum(axis=1) <= margin * margin
    inside_all[box], close_all[box] = inside, close
    return inside_all, close_all
