"""Webs: what stands between two kerfs that do not meet, and between a kerf and the plate's edge.

A thin web whips and breaks into the cutter. Where two kerfs meet, nothing is left that could. The kerf is that of the
finished wall: roughing takes a little more, so a web is never thicker than said here.

`spread_webs` moves discs a little, to where their kerfs meet their neighbours' or leave enough: the search knows no gap
that is too wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry.regions import Figure, clearance_mm, inside_mm, places_away_mm, places_inside_mm
from pipeline.model.arrays import Float
from pipeline.model.nest import Region
from pipeline.model.units import EPS_MM
from pipeline.nest.shapes import Kind
from pipeline.nest.task import Layout, Task

_TURNS, _FAR = 24, (0.25, 0.5, 1.0, 1.5, 2.0)  # ways a disc may go, and how far, in parts of the limit
_SWEEPS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Web:
    """A web between body `first` and body `second`, or the plate's edge (None), at its thinnest."""

    first: int
    second: int | None
    thick_mm: float


def find_webs(kinds: Sequence[Kind], which: Sequence[int], poses: Float, region: Region, *,
              limit_mm: float) -> list[Web]:
    """The thinnest web, and all that are thinner than the limit; thinnest first. `which` (n,), `poses` (n, 3)."""
    figures = [kinds[k].figure(pose) for k, pose in zip(which, poses, strict=True)]
    boxes = np.array([f.box for f in figures]).reshape(-1, 4)
    plate = None if region.plate is None else Figure.polygon(region.plate)
    both = 2 * region.kerf_mm
    found: list[Web] = []
    least = np.inf
    for i, figure in enumerate(figures):
        if plate is not None:
            found.append(Web(first=i, second=None, thick_mm=inside_mm(figure, plate) - region.kerf_mm))
            least = min(least, found[-1].thick_mm)
        dx = np.maximum(boxes[i, 0] - boxes[:i, 2], boxes[:i, 0] - boxes[i, 2])
        dy = np.maximum(boxes[i, 1] - boxes[:i, 3], boxes[:i, 1] - boxes[i, 3])
        bound = np.where((dx > 0) & (dy > 0), np.hypot(dx, dy), np.maximum(dx, dy)) - both
        for j in np.argsort(bound, kind="stable"):
            if bound[j] > max(least, limit_mm):
                break
            thick = clearance_mm(figure, figures[j]) - both
            if thick > EPS_MM:
                found.append(Web(first=i, second=int(j), thick_mm=thick))
                least = min(least, thick)
    found.sort(key=lambda web: (web.thick_mm, web.first))
    return [web for n, web in enumerate(found) if n == 0 or web.thick_mm < limit_mm]


def spread_webs(task: Task, layout: Layout, region: Region, *, limit_mm: float) -> Layout:
    """The layout with discs moved so that fewer webs are thinner than the limit. Every gap stays as wide as wanted."""
    radii = np.array([task.kinds[k].radius_mm for k in layout.which])
    poses = layout.poses.copy()
    solid = [task.kinds[k].figure(p) for k, p in zip(layout.which, poses, strict=True) if not task.kinds[k].is_disc]
    discs = np.flatnonzero(radii > 0)
    plate = None if region.plate is None else Figure.polygon(region.plate)
    turns = 2 * np.pi * np.arange(_TURNS) / _TURNS
    ways = np.concatenate([np.zeros((1, 2)), *(f * limit_mm * np.column_stack([np.cos(turns), np.sin(turns)])
                                               for f in _FAR)])

    def thin(i: int, xy: Float) -> Float:
        """(m,) webs too thin round disc i at places xy (m, 2); inf where it must not lie."""
        r, others = radii[i], discs[discs != i]
        away = [np.hypot(*(xy[:, None, :] - poses[others, :2]).transpose(2, 0, 1)) - r - radii[others]]
        away += [places_away_mm(xy, figure)[:, None] - r for figure in solid]
        gaps = np.concatenate(away, axis=1)
        webs = gaps - 2 * region.kerf_mm
        count = ((webs > EPS_MM) & (webs < limit_mm)).sum(axis=1).astype(np.float64)
        if plate is not None:
            count += places_inside_mm(xy, plate) - r - region.kerf_mm < limit_mm
        short = gaps.min(axis=1, initial=np.inf) < task.gap_mm
        short |= places_inside_mm(xy, task.walls.outline) - r < task.walls.edge_gap_mm
        for _, figure, gap in task.walls.keepouts:
            short |= places_away_mm(xy, figure) - r < gap
        count[short] = np.inf
        return count

    for _ in range(_SWEEPS):
        moved = False
        for i in discs.tolist():
            if i < len(task.fixed_which):
                continue
            here = thin(i, poses[i:i + 1, :2])[0]
            if here == 0 or not np.isfinite(here):
                continue
            places = poses[i, :2] + ways
            counts = thin(i, places)
            best = int(counts.argmin())  # the nearest of equals
            if counts[best] < here:
                poses[i, :2] = places[best]
                moved = True
        if not moved:
            break
    return replace(layout, poses=poses)
