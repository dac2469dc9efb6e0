"""Parts and a region in, a nest out: prepare, refuse what cannot be, search, name the placements."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from pipeline.geometry.regions import grown_area_mm2, usable
from pipeline.model.findings import Finding
from pipeline.model.frames import Pose
from pipeline.model.job import PartRequest, Worth
from pipeline.model.nest import Nest, Placement, Progress, Region, Silhouette, SmallerCutter
from pipeline.model.units import EPS_MM
from pipeline.nest.aims import Aims
from pipeline.nest.bounds import bounds_of
from pipeline.nest.check import Measured, Walls, measure
from pipeline.nest.merit import merits
from pipeline.nest.refuse import refuse_at_once, refuse_set
from pipeline.nest.remedies import Otherwise
from pipeline.nest.search import Attempt, search
from pipeline.nest.shapes import Kind, kind_of, pack
from pipeline.nest.task import SAFETY_MM, Layout, Task
from pipeline.nest.webs import Web, find_webs, spread_webs

_NO_WORTH = Worth()
_ORDER_PLACES = 6  # decimals that count when placements are ordered


def place_parts(parts: Sequence[Silhouette], requests: Sequence[PartRequest], region: Region, *, gap_mm: float,
                seed: int, effort: int, workers: int = 1, fill: bool = True, worth: Worth = _NO_WORTH,
                web_mm: float = 0.0, smaller_cutters: Sequence[SmallerCutter] = (),
                stop: Callable[[], bool] | None = None, tell: Callable[[Progress], None] | None = None) -> Nest:
    """Where each copy of each part lies, billet frame.

    Mandatory parts (a count) all lie inside, `gap_mm` from each other and the region's gaps from its walls; parts
    wanted as many as fit take what is left, best value per area first; without `fill` only their fixed copies are
    placed. Each copy keeps the zones its request names. Of two layouts the one with more money in it is taken: the
    value of its parts and, for each thing that `worth` weighs, its worth times the layout's mark. Webs thinner than
    `web_mm` are told of. The same input gives the same nest, whatever `workers`. Raises BadInput with N2xx findings
    when the mandatory parts do not fit; `smaller_cutters`, the largest first, are among what is tried then to say what
    would help.

    `effort` counts rounds of search. `tell` hears after each, and `stop` is asked: when it returns True the search ends
    there, with the nest that this many rounds give; not before a first layout is there.
    """
    asked = partial(make_task, parts, seed=seed, effort=effort, workers=workers, worth=worth)
    task = asked(requests, region, gap_mm=gap_mm)
    if not fill:
        task = replace(task, extra=())
    other = Otherwise(task=task, region=region, make=asked, smaller_cutters=tuple(smaller_cutters))
    refuse_at_once(task, other)
    found = search(task, stop=stop, tell=tell)
    if isinstance(found, Attempt):
        refuse_set(task, found.poses, other)
    layout, measured = found.layout, found.measured
    if web_mm > 0:
        spread = spread_webs(task, layout, region, limit_mm=web_mm)
        again = measure(task.kinds, spread.which, spread.poses, task.walls, gap_mm=gap_mm)
        layout, measured = (layout, measured) if again.shortfalls else (spread, again)
    nest = _nest(task, region, layout, measured, web_mm=web_mm)
    return replace(nest, rounds=found.rounds, is_ended_early=found.is_ended_early)


def make_task(parts: Sequence[Silhouette], requests: Sequence[PartRequest], region: Region, *, gap_mm: float, seed: int,
              effort: int, workers: int, worth: Worth = _NO_WORTH) -> Task:
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
    world = pack(kinds, region, gap_mm=gap_mm)._replace(safety=SAFETY_MM)
    return Task(
        kinds=kinds, world=world, walls=walls, gap_mm=gap_mm,
        aims=Aims.of(kinds, world, region, worth=worth, gap_mm=gap_mm),
        fixed_which=tuple(fixed_which), fixed=np.array(fixed).reshape(-1, 3), wanted=tuple(wanted),
        extra=tuple(extra), usable_area_mm2=0.0 if left is None else float(left.core.area),
        grown_usable_mm2=0.0 if left is None else grown_area_mm2(left, by_mm=gap_mm / 2), seed=seed, effort=effort,
        workers=workers,
    )


def _density(kind: Kind, gap_mm: float) -> float:
    """Value per area that a copy takes, half the gap round it included."""
    return kind.request.value / grown_area_mm2(kind.figure(np.zeros(3)), by_mm=gap_mm / 2)


def _nest(task: Task, region: Region, layout: Layout, measured: Measured, *, web_mm: float) -> Nest:
    placements: list[Placement] = []
    names = [""] * len(layout.which)
    n_fixed = len(task.fixed_which)
    for index, kind in enumerate(task.kinds):
        poses = []
        for at, (k, pose) in enumerate(zip(layout.which, layout.poses, strict=True)):
            if k != index:
                continue
            if at < n_fixed:
                poses.append((*kind.request.fixed[task.fixed_which[:at].count(index)], at))
                continue
            if kind.is_disc:
                pose = np.array([pose[0], pose[1], kind.angles_rad[0] if kind.angles_rad else 0.0])
            placed = kind.placed(pose)
            angle = float(pose[2]) if kind.angles_rad else placed.angle_rad
            poses.append((*placed.shift_mm[:2], angle, at))
        poses.sort(key=lambda p: (round(p[0], _ORDER_PLACES), round(p[1], _ORDER_PLACES), p[2]))
        is_single = kind.request.count == 1 and len(poses) == 1
        for number, (x, y, angle, at) in enumerate(poses, start=1):
            names[at] = kind.name if is_single else f"{kind.name}-{number}"
            placements.append(Placement(part_id=names[at], part=kind.name, billet_from_part=Pose.planar(
                to="billet", frm="part", x_mm=x, y_mm=y, angle_rad=angle)))
    area = math.fsum(task.kinds[k].area_mm2 for k in layout.which)
    webs = find_webs(task.kinds, layout.which, layout.poses, region, limit_mm=web_mm)
    return Nest(placements=tuple(placements), least_gap_mm=_quiet(measured.least_gap_mm),
                least_edge_mm=_quiet(measured.least_edge_mm),
                parts_area_mm2=area, usable_area_mm2=task.usable_area_mm2, terms=merits(task, layout, names),
                least_web_mm=webs[0].thick_mm if webs else math.inf,
                findings=_web_findings(webs, names, web_mm, n_fixed))


def _web_findings(webs: Sequence[Web], names: Sequence[str], web_mm: float, n_fixed: int) -> tuple[Finding, ...]:
    """One warning for all webs under the limit, about the thinnest. The first `n_fixed` bodies are pinned."""
    thin = [web for web in webs if web.thick_mm < web_mm - EPS_MM]
    if not thin:
        return ()
    other = "the plate's edge" if thin[0].second is None else f"that of {names[thin[0].second]}"
    is_pinned = thin[0].first < n_fixed and (thin[0].second is None or thin[0].second < n_fixed)
    advice = "move the pin" if is_pinned else "another seed or more effort"
    more = f", the thinnest of {len(thin)} under the limit" if len(thin) > 1 else ""
    return (Finding(
        code="N207", severity="warning", where=names[thin[0].first], amount_mm=thin[0].thick_mm,
        found=f"a web of {thin[0].thick_mm:.3f} mm between its kerf and {other}{more}",
        wanted=f"at least {web_mm:.3f} mm, or kerfs that meet",
        hint=f"{advice}; where a cutter fits, thin waste is cleared before the outlines run",
    ),)


def _quiet(distance_mm: float) -> float:
    """A distance without the rounding noise round zero: touching is 0."""
    return 0.0 if abs(distance_mm) < EPS_MM else distance_mm
