"""Parts and a region in, a nest out: prepare, refuse what cannot be, search, name the placements."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.geometry.regions import grown_area_mm2, usable
from pipeline.model.frames import Pose
from pipeline.model.job import PartRequest
from pipeline.model.nest import Nest, Placement, Region, Silhouette
from pipeline.model.units import EPS_MM
from pipeline.nest.bounds import bounds_of
from pipeline.nest.check import Measured, Walls
from pipeline.nest.refuse import refuse_at_once, refuse_set
from pipeline.nest.search import Attempt, search
from pipeline.nest.shapes import Kind, kind_of, pack
from pipeline.nest.task import SAFETY_MM, Layout, Task

_ORDER_PLACES = 6  # decimals that count when placements are ordered


def place_parts(parts: Sequence[Silhouette], requests: Sequence[PartRequest], region: Region, *, gap_mm: float,
                seed: int, effort: int, workers: int = 1, fill: bool = True) -> Nest:
    """Where each copy of each part lies, billet frame.

    Mandatory parts (a count) all lie inside, `gap_mm` from each other and the region's gaps from its walls; parts
    wanted as many as fit take what is left, best value per area first; without `fill` only their fixed copies are
    placed. Each copy keeps the zones its request names. The same input gives the same nest, whatever `workers`. Raises
    BadInput with N2xx findings when the mandatory parts do not fit.
    """
    task = make_task(parts, requests, region, gap_mm=gap_mm, seed=seed, effort=effort, workers=workers)
    if not fill:
        task = replace(task, extra=())
    refuse_at_once(task)
    found = search(task)
    if isinstance(found, Attempt):
        refuse_set(task, found.poses)
    return _nest(task, *found)


def make_task(parts: Sequence[Silhouette], requests: Sequence[PartRequest], region: Region, *, gap_mm: float, seed: int,
              effort: int, workers: int) -> Task:
    """The search's task; kinds in request order."""
    by_name = {part.name: part for part in parts}
    bounds = bounds_of(requests, region.zones)
    kinds = tuple(kind_of(by_name[r.name], r, bound) for r, bound in zip(requests, bounds, strict=True))
    walls = Walls.of(region)
    left = usable(walls.outline, edge_gap_mm=region.edge_gap_mm,
                  keepouts=tuple((figure, gap) for _, figure, gap in walls.keepouts))
    fixed_which: list[int] = []
    fixed = []
    wanted: list[int] = []
    for index, kind in enumerate(kinds):
        for x, y, angle in kind.request.fixed:
            fixed_which.append(index)
            fixed.append(kind.centred(x, y, angle))
        wanted += [index] * max(0, (kind.request.count or 0) - len(kind.request.fixed))
    extra = [i for i, kind in enumerate(kinds) if kind.request.count is None]
    extra.sort(key=lambda i: (-_density(kinds[i], gap_mm), i))
    return Task(
        kinds=kinds, world=pack(kinds, region, gap_mm=gap_mm)._replace(safety=SAFETY_MM), walls=walls, gap_mm=gap_mm,
        fixed_which=tuple(fixed_which), fixed=np.array(fixed).reshape(-1, 3), wanted=tuple(wanted),
        extra=tuple(extra), usable_area_mm2=0.0 if left is None else float(left.core.area),
        grown_usable_mm2=0.0 if left is None else grown_area_mm2(left, by_mm=gap_mm / 2), seed=seed, effort=effort,
        workers=workers,
    )


def _density(kind: Kind, gap_mm: float) -> float:
    """Value per area that a copy takes, half the gap round it included."""
    return kind.request.value / grown_area_mm2(kind.figure(np.zeros(3)), by_mm=gap_mm / 2)


def _nest(task: Task, layout: Layout, measured: Measured) -> Nest:
    placements: list[Placement] = []
    n_fixed = len(task.fixed_which)
    for index, kind in enumerate(task.kinds):
        poses = []
        for at, (k, pose) in enumerate(zip(layout.which, layout.poses, strict=True)):
            if k != index:
                continue
            if at < n_fixed:
                x, y, angle = kind.request.fixed[task.fixed_which[:at].count(index)]
                poses.append((x, y, angle))
                continue
            if kind.is_disc:
                pose = np.array([pose[0], pose[1], kind.angles_rad[0] if kind.angles_rad else 0.0])
            placed = kind.placed(pose)
            angle = float(pose[2]) if kind.angles_rad else placed.angle_rad
            poses.append((*placed.shift_mm[:2], angle))
        poses.sort(key=lambda p: (round(p[0], _ORDER_PLACES), round(p[1], _ORDER_PLACES), p[2]))
        is_single = kind.request.count == 1 and len(poses) == 1
        placements += [
            Placement(part_id=kind.name if is_single else f"{kind.name}-{number}", part=kind.name,
                      billet_from_part=Pose.planar(to="billet", frm="part", x_mm=x, y_mm=y, angle_rad=angle))
            for number, (x, y, angle) in enumerate(poses, start=1)
        ]
    area = math.fsum(task.kinds[k].area_mm2 for k in layout.which)
    return Nest(placements=tuple(placements), least_gap_mm=_quiet(measured.least_gap_mm),
                least_edge_mm=_quiet(measured.least_edge_mm),
                parts_area_mm2=area, usable_area_mm2=task.usable_area_mm2)


def _quiet(distance_mm: float) -> float:
    """A distance without the rounding noise round zero: touching is 0."""
    return 0.0 if abs(distance_mm) < EPS_MM else distance_mm
